"""A line as of a month: the stages from its folder to its priority list, each computed when first asked for.

`STAGES` is the table of contents of the program. A stage names the stages that it needs and the sections of
``line.toml`` that it reads itself, so that a study with other settings keeps what does not depend on them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from towerlib import config, months, safe_files
from towerlib.errors import SettingsError

if TYPE_CHECKING:
    import geopandas as gpd
    from matplotlib.figure import Figure

    from towerlib.network import Network
    from towerlib.network.what_if import Change
    from towerlib.outages import Outages
    from towerlib.plan import Budget
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route
    from towerlib.treatments import Treatments

WGS84 = "EPSG:4326"


@dataclass(frozen=True)
class Stage:
    """One step of the assessment.

    Attributes
    ----------
    needs : tuple of str
        Stages whose results it takes.
    settings : tuple of str
        Keys and sections of ``line.toml`` that it reads itself.
    compute : callable
        Study to result.
    """

    needs: tuple[str, ...]
    settings: tuple[str, ...]
    compute: Callable[[Study], Any]


def _records(study: Study) -> Records:
    from towerlib.records import load

    return load.load(study.folder, study.latest, study.line)


def _route(study: Study) -> Route:
    from towerlib import route

    return route.lay(study.records.towers, study.line)


def _grades(study: Study) -> Grades:
    from towerlib.readings import quality

    return quality.grade(study.records, study.route, study.line.quality)


def _currents(study: Study) -> pd.DataFrame:
    from towerlib.physics.leg_currents import CoilSpec
    from towerlib.readings import leg_currents

    records = study.records
    coils = CoilSpec(**study.line.coils.model_dump())
    return leg_currents.summarise(records.visits, records.legs, records.towers, coils)


def _ranks(study: Study) -> pd.DataFrame:
    from towerlib import condition

    return condition.assess(study.records, study.grades, study.currents, study.route, study.month)


def _network(study: Study) -> Network:
    from towerlib import network

    facts = study.records, study.route, study.ranks, study.currents, study.grades
    return network.assess(*facts, study.month)


def _outages(study: Study) -> Outages:
    from towerlib import network, outages

    towers = network.join(study.ranks, study.network)
    return outages.assess(study.records, study.route, towers, study.month)


def _treatments(study: Study) -> Treatments:
    from towerlib import network, outages, treatments

    towers = outages.join(network.join(study.ranks, study.network), study.outages)
    facts = study.records, study.route, towers, study.network, study.outages
    return treatments.assess(*facts, study.month, visits=study.grades.visits)


def _budget(study: Study) -> Budget:
    from towerlib import network, outages, plan

    towers = outages.join(network.join(study.ranks, study.network), study.outages)
    return plan.optimise_plan(study.treatments, towers, study.line)


def _condition(study: Study) -> pd.DataFrame:
    from towerlib import network, outages, plan

    towers = outages.join(network.join(study.ranks, study.network), study.outages)
    return plan.join(towers, study.budget)


def _retest(study: Study) -> pd.DataFrame:
    from towerlib import condition

    return condition.retest_list(study.condition, study.grades, study.line, study.month)


def _priority(study: Study) -> pd.DataFrame:
    from towerlib import plan

    return plan.priority_list(study.condition, study.line)


STAGES: Mapping[str, Stage] = {
    "records": Stage((), ("columns", "crs", "limits", "stations", "voltage_kv", "frequency_hz"), _records),
    "route": Stage(("records",), ("crs", "stations"), _route),
    "grades": Stage(("records", "route"), ("quality", "frequency_hz"), _grades),
    "currents": Stage(("records",), ("coils",), _currents),
    "ranks": Stage(
        ("records", "route", "grades", "currents"),
        ("limits", "seasons", "comparable", "frequency_hz", "voltage_kv"),
        _ranks,
    ),
    "network": Stage(
        ("records", "route", "grades", "currents", "ranks"),
        (
            *("stations", "shield_wires", "tower", "phases", "earth_fault", "safety", "coils"),
            *("voltage_kv", "frequency_hz"),
        ),
        _network,
    ),
    "outages": Stage(
        ("records", "route", "ranks", "network"),
        (
            *("tower", "phases", "shield_wires", "lightning", "outage_record", "voltage_kv", "frequency_hz"),
            *("limits", "seasons"),
        ),
        _outages,
    ),
    "treatments": Stage(
        ("records", "route", "grades", "ranks", "network", "outages"),
        ("treatments", "lightning", "phases", "safety", "seasons", "comparable", "plan", "limits"),
        _treatments,
    ),
    "budget": Stage(("ranks", "network", "outages", "treatments"), ("plan", "id"), _budget),
    "condition": Stage(("ranks", "network", "outages", "budget"), (), _condition),
    "retest": Stage(("condition", "grades"), ("retest", "safety"), _retest),
    "priority": Stage(("condition",), ("plan", "safety", "id"), _priority),
}
JOINED = ("network", "outages", "budget")  # stages that add columns to the towers, in this order


@dataclass(frozen=True, eq=False, repr=False)
class Study:
    """A line as of the last day of a month.

    Attributes
    ----------
    folder : pathlib.Path
        Line folder.
    line : Line
        Settings in force.
    month : str
        ``YYYY-MM``; later visits are not seen.
    latest : pandas.Timestamp
        Last day that a record can be of.
    """

    folder: Path
    line: config.Line
    month: str
    latest: pd.Timestamp
    _results: dict[str, Any] = field(default_factory=dict)  # shared between studies of the same inputs
    _handed: dict[str, Any] = field(default_factory=dict)  # what callers of this study hold

    # stages ------------------------------------------------------------------------------------------------

    def _stage(self, name: str) -> Any:
        """The result of a stage, computed now if nobody asked before."""
        if name not in self._handed:
            if name not in self._results:
                self._results[name] = STAGES[name].compute(self)
            result = self._results[name]
            # What one caller does to a table must not reach the next.
            self._handed[name] = result.copy() if isinstance(result, pd.DataFrame) else result
        return self._handed[name]

    @property
    def computed(self) -> tuple[str, ...]:
        """Names of the stages whose results are at hand."""
        return tuple(name for name in STAGES if name in self._handed or name in self._results)

    @property
    def records(self) -> Records:
        """Clean tables of the line folder, and the audit of their rows."""
        return self._stage("records")

    @property
    def route(self) -> Route:
        """Towers in order, with chainage, spans and bearings."""
        return self._stage("route")

    @property
    def grades(self) -> Grades:
        """Visits with their verdicts, and the findings behind these."""
        return self._stage("grades")

    @property
    def currents(self) -> pd.DataFrame:
        """Leg currents of each visit: sum, vector total, gap and what they suggest."""
        return self._stage("currents")

    @property
    def ranks(self) -> pd.DataFrame:
        """One row per tower: reading in force, limit, and the ranks by footing impedance and by leakage gap."""
        return self._stage("ranks")

    @property
    def network(self) -> Network:
        """Bonds, suspected spans, earth-fault potential rise and touch-voltage screening."""
        return self._stage("network")

    @property
    def outages(self) -> Outages:
        """Lightning trip-outs of each tower and of the line."""
        return self._stage("outages")

    @property
    def treatments(self) -> Treatments:
        """Treatments that apply at each tower, with predicted footing and cost."""
        return self._stage("treatments")

    @property
    def budget(self) -> Budget:
        """The plan within the budget."""
        return self._stage("budget")

    @property
    def condition(self) -> pd.DataFrame:
        """One row per tower with the columns of every stage; computes all of them."""
        return self._stage("condition")

    @property
    def retest(self) -> pd.DataFrame:
        """Towers to test again, why, and what to do better."""
        return self._stage("retest")

    @property
    def priority(self) -> pd.DataFrame:
        """The priority list, most urgent first."""
        return self._stage("priority")

    # tables for a GIS --------------------------------------------------------------------------------------

    @property
    def towers(self) -> gpd.GeoDataFrame:
        """Towers as points (EPSG:4326) with the columns of the stages computed so far.

        Ranks by footing impedance and by leakage gap are always among them. Network, outages and plan add theirs
        once they have been asked for.
        """
        import geopandas as gpd

        from towerlib import network, outages, plan

        join = {"network": network.join, "outages": outages.join, "budget": plan.join}
        table = self.ranks
        for name in JOINED:
            if name in self.computed:
                table = join[name](table, self._stage(name))
        points = gpd.points_from_xy(table["longitude_deg"], table["latitude_deg"])
        return gpd.GeoDataFrame(table, geometry=points, crs=WGS84)

    @property
    def spans(self) -> gpd.GeoDataFrame:
        """Spans as lines (EPSG:4326); the findings of the span scan are among the columns once it has run."""
        import geopandas as gpd
        import shapely

        spans = pd.DataFrame(self.route.spans.drop(columns="geometry"))
        if "network" in self.computed:
            scanned = self.network.spans
            ends = ["from_tower_id", "to_tower_id"]
            fresh = [*ends, *(name for name in scanned if name not in spans)]
            spans = spans.merge(scanned[fresh], on=ends, how="left", validate="1:1")
        places = self.route.towers[["longitude_deg", "latitude_deg"]].to_numpy(float)
        lines = [shapely.LineString(pair) for pair in pairwise(places)]
        return gpd.GeoDataFrame(spans, geometry=lines, crs=WGS84)

    # other studies -----------------------------------------------------------------------------------------

    def replace(self, **sections: Any) -> Study:
        """The same line and month under other settings.

        Parameters
        ----------
        **sections
            A section of ``line.toml`` to the keys that change, such as ``limits={"limit_ohm": 10}``; a key of
            ``[line]`` to its value.

        Returns
        -------
        Study
            Stages that do not depend on the changed sections are not computed again.

        Raises
        ------
        SettingsError
            An unknown section or key, or a value out of its range.
        """
        line = config.changed(self.line, sections)
        kept = {name: self._stage(name) for name in self.computed if not _touched(name, set(sections))}
        if "records" in kept:
            kept["records"] = replace(kept["records"], line=line)
        return Study(self.folder, line, self.month, self.latest, kept)

    def with_results(self, **results: Any) -> Study:
        """The same study with results of stages put in place, for what-ifs on tables.

        Parameters
        ----------
        **results
            Name of a stage to its result. Results of other stages stay as they are.

        Returns
        -------
        Study
        """
        unknown = set(results) - set(STAGES)
        if unknown:
            raise SettingsError(f"{sorted(unknown)[0]!r} is no stage; known are {', '.join(STAGES)}")
        kept = {name: self._stage(name) for name in STAGES} | results
        line = results["records"].line if "records" in results else self.line
        return Study(self.folder, line, self.month, self.latest, kept)

    def at(self, month: str) -> Study:
        """The same line as of another month.

        Parameters
        ----------
        month : str
            ``YYYY-MM``

        Returns
        -------
        Study
            Records, route, grades and leg currents are not computed again.
        """
        months.last_day(month)
        same = ("records", "route", "grades", "currents")
        return Study(self.folder, self.line, month, self.latest, {name: self._stage(name) for name in same})

    # views -------------------------------------------------------------------------------------------------

    @cached_property
    def plot(self) -> Plots:
        """Pictures of this study."""
        return Plots(self)

    def explain(self, tower_id: str) -> Explanation:
        """Why a tower stands where it stands: readings, suspected cause, rule, next step.

        Parameters
        ----------
        tower_id : str
            Name in the register.

        Returns
        -------
        Explanation
            Prints as text; `sections` holds its paragraphs by heading.

        Raises
        ------
        SettingsError
            No such tower.
        """
        from towerlib.report import line_explorer

        known = self.condition["tower_id"].to_list()
        if tower_id not in known:
            raise SettingsError(f"tower {tower_id!r} is not on {self.line.title}{_nearest(tower_id, known)}")
        sections = line_explorer.evidence.of_towers(self)[known.index(tower_id)]
        return Explanation(tower_id, self.line.title, self.month, sections)

    def what_if(
        self,
        *,
        open_bond: str = "",
        open_span: tuple[str, str] | str = "",
        footing: tuple[str, float] | None = None,
    ) -> WhatIf:
        """The network with one fault simulated, beside the network as recorded.

        Parameters
        ----------
        open_bond : str
            Tower whose shield-wire bond is open.
        open_span : (str, str) or str
            Span without shield wires, by its two towers.
        footing : (str, float)
            Tower and its other footing impedance [Ω].

        Returns
        -------
        WhatIf

        Raises
        ------
        SettingsError
            No change or more than one, an unknown tower or span, or the network analysis is not available.
        """
        from towerlib.network import what_if
        from towerlib.report.spans import case

        span = open_span if isinstance(open_span, str) else "-".join(open_span)
        tower, ohm = footing or ("", 0.0)
        change = what_if.change(self.route, open_bond, span, tower, ohm)
        if change.is_none:
            raise SettingsError("nothing is changed; give open_bond, open_span or footing")
        of_line = case.line_case(self)
        if of_line.case is None:
            raise SettingsError(of_line.why_not)
        everywhere = what_if.stretch(self.route, 0.0, 0.0)
        return WhatIf(change, what_if.compare(of_line.case, change, everywhere))

    def __repr__(self) -> str:
        """One line: which line, which month, what is computed."""
        done = ", ".join(self.computed) or "nothing yet"
        return f"<Study of {self.line.title} as of {self.month}; computed: {done}>"

    def _repr_html_(self) -> str:
        """A few facts for a notebook."""
        from html import escape

        rows = {"line": self.line.title, "month": self.month, "folder": self.folder.name}
        if "ranks" in self.computed:
            rows["towers"] = (
                f"{len(self.ranks)}, {int(self.ranks['footing_ohm'].notna().sum())} with a usable footing"
            )
        rows["computed"] = ", ".join(self.computed) or "nothing yet"
        cells = "".join(
            f"<tr><th>{name}</th><td>{escape(str(text))}</td></tr>" for name, text in rows.items()
        )
        return f"<table>{cells}</table>"


@dataclass(frozen=True)
class Explanation:
    """Why a tower stands where it stands.

    Attributes
    ----------
    tower_id, line, month : str
    sections : dict of str to list of str
        Heading to paragraphs, most urgent first.
    """

    tower_id: str
    line: str
    month: str
    sections: dict[str, list[str]]

    def __str__(self) -> str:
        """Plain text, a heading a block."""
        blocks = [f"Tower {self.tower_id}, {self.line}, as of {self.month}"]
        blocks += [
            f"{title}\n" + "\n".join(f"  {text}" for text in texts) for title, texts in self.sections.items()
        ]
        return "\n\n".join(blocks)

    __repr__ = __str__


@dataclass(frozen=True)
class WhatIf:
    """A simulated fault beside the network as recorded.

    Attributes
    ----------
    change : Change
        What was changed.
    towers : pandas.DataFrame
        One row per tower: expected readings with and without the change, and the measured ones.
    """

    change: Change
    towers: pd.DataFrame


class Plots:
    """Pictures of a study; each method returns a matplotlib figure."""

    def __init__(self, study: Study):
        self._study = study

    def map(self, column: str = "footing_ohm") -> Figure:
        """Route map: towers by footing impedance or by leakage gap.

        Parameters
        ----------
        column : {"footing_ohm", "gap_ma", "plan_year"}
        """
        from towerlib.report import write

        if column == "plan_year":
            return write.PICTURES["plan-map"](self._study)
        by = {"footing_ohm": "impedance", "gap_ma": "gap"}.get(column)
        if by is None:
            raise SettingsError(
                f"no map of {column!r}; choose footing_ohm, gap_ma or plan_year, or use study.towers.explore({column!r})"
            )
        return write.route_map(self._study, by)

    def profile(self) -> Figure:
        """Footing impedances along the route, with their limits."""
        return self._condition_chart("route_profile")

    def worst(self) -> Figure:
        """Worst towers by footing impedance and by leakage gap, as bars."""
        return self._condition_chart("ranked_bars")

    def gaps(self) -> Figure:
        """Sum of the leg currents against their vector total."""
        return self._condition_chart("gap_scatter")

    def distribution(self) -> Figure:
        """Distribution of the footing impedances."""
        return self._condition_chart("impedance_distribution")

    def tower(self, tower_id: str) -> Figure:
        """Leg currents, injected shares, readings over the years and sweeps of one tower."""
        from towerlib.report import tower_case, tower_sheet

        return tower_sheet.tower_picture(tower_id, tower_case.tables_of(self._study))

    def trip_outs(self) -> Figure:
        """Lightning trip-outs of each tower along the route."""
        from towerlib.report import outage_charts

        return outage_charts.rate_profile(self._study.outages, self._study.line)

    def _condition_chart(self, name: str) -> Figure:
        from towerlib.report import condition_charts

        return getattr(condition_charts, name)(self._study.condition, self._study.line)


def assess(folder: str | Path, month: str = "") -> Study:
    """A line as of a month, from its folder.

    Parameters
    ----------
    folder : path
        Line folder; it holds ``line.toml``.
    month : str, optional
        ``YYYY-MM``; blank takes the month of the newest visit.

    Returns
    -------
    Study
        Its stages are computed when first asked for. While no file of the folder changes, results are shared with
        earlier studies of the same line and month.

    Raises
    ------
    RecordsError, SettingsError
        In one sentence: what is wrong, where, and how to mend it.
    """
    folder = Path(folder).resolve()
    if month:
        months.last_day(month)
    shared = _shared(folder, month, months.latest(month), _stamps(folder))
    return Study(folder, shared.line, shared.month, shared.latest, shared._results)


def read_records(folder: str | Path) -> Records:
    """Clean tables of a line folder, and the audit of their rows.

    Parameters
    ----------
    folder : path
        Line folder.

    Returns
    -------
    Records

    Raises
    ------
    RecordsError, SettingsError
        As for `assess`.
    """
    from towerlib.records import load

    return load.load(Path(folder).resolve())


def _touched(name: str, sections: set[str]) -> bool:
    """Whether a stage or one that it needs reads a changed section."""
    stage = STAGES[name]
    return bool(sections & set(stage.settings)) or any(_touched(need, sections) for need in stage.needs)


def _nearest(name: str, known: Iterable[str]) -> str:
    """The names that were probably meant."""
    from difflib import get_close_matches

    near = get_close_matches(str(name), list(known), n=3, cutoff=0.3)
    return f"; the nearest names are {', '.join(near)}" if near else "; see towers.csv for the names"


def _stamps(folder: Path) -> tuple:
    """What changes when a file of the line changes."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return tuple((str(path), safe_files.stamp(path)) for path in files)


@lru_cache(maxsize=4)
def _shared(folder: Path, month: str, latest: pd.Timestamp, stamps: tuple) -> Study:
    """The study whose results are shared; its records are read at once, so that flaws show where they belong."""
    from towerlib.records import load

    records = load.load(folder, latest)
    month = month or months.newest(records.visits["date"])
    return Study(folder, records.line, month, latest, {"records": records})
