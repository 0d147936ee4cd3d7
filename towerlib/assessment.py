"""A line as of a month: the stages from its folder to its priority list, each computed when first asked for.

`STAGES` is the table of contents of the program. A stage names the stages that it needs and the sections of
``line.toml`` that it reads itself, so that a study with other settings keeps what does not depend on them.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import date
from functools import cached_property, lru_cache
from importlib.util import find_spec
from itertools import pairwise
from numbers import Real
from pathlib import Path
from threading import Timer
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib import config, dictionary, months, safe_files
from towerlib.config.sections import Settings
from towerlib.errors import RecordsError, SettingsError, TowerlibError, nearest, no_tower, sentence
from towerlib.views import Answers, Explanation, LineRanking, Plots, Tables, WhatIf

if TYPE_CHECKING:
    import geopandas as gpd

    from towerlib.changes import Changes
    from towerlib.network import Network
    from towerlib.outages import Outages
    from towerlib.plan import Budget
    from towerlib.plan.sensitivity import Outlook
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route
    from towerlib.treatments import Treatments

WGS84 = "EPSG:4326"
PROGRESS = "TOWERLIB_PROGRESS"  # environment variable; "off" keeps the lines on slow stages away
SLOW_S = 2.0  # a stage that takes longer is named where somebody waits for it


@dataclass(frozen=True)
class Stage:
    """One step: the stages that it takes, the keys of ``line.toml`` that it reads itself, and study to result."""

    needs: tuple[str, ...]
    settings: tuple[str, ...]
    compute: Callable[[Study], Any]


def _records(study: Study) -> Records:
    from towerlib.records import load

    return load.load(study.folder, study.latest, study.line)


def _route(study: Study) -> Route:
    from towerlib import route

    return route.build(study.records.towers, study.line)


def _grades(study: Study) -> Grades:
    from towerlib.readings import quality

    return quality.grade(study.records, study.route, study.line.quality)


def _currents(study: Study) -> pd.DataFrame:
    from towerlib.physics.leakage_gap import CoilSpec
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
    from towerlib import outages

    return outages.assess(study.records, study.route, study.joined("network"), study.month)


def _treatments(study: Study) -> Treatments:
    from towerlib import treatments

    towers = study.joined("network", "outages")
    facts = study.records, study.route, towers, study.network, study.outages
    return treatments.assess(*facts, study.month, visits=study.grades.visits)


def _budget(study: Study) -> Budget:
    from towerlib import plan

    return plan.optimise_plan(study.treatments, study.joined("network", "outages"), study.line)


def _outlook(study: Study) -> Outlook | None:
    from towerlib.plan import sensitivity

    return sensitivity.outlook(study.budget, study.ranks)


def _condition(study: Study) -> pd.DataFrame:
    from towerlib import plan

    return plan.with_expected(study.joined("network", "outages", "budget"))


def _retest(study: Study) -> pd.DataFrame:
    from towerlib import condition

    return condition.retest_list(study.condition, study.grades, study.line, study.month)


def _priority(study: Study) -> pd.DataFrame:
    from towerlib import plan

    return plan.priority_list(study.condition, study.line)


# A setting is a key of [line], a section, or one key of a section ("limits.rules").
STAGES: Mapping[str, Stage] = {
    "records": Stage((), ("columns", "crs", "limits.rules"), _records),
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
            *("stations", "shield_wires", "phases", "earth_fault", "safety", "coils"),
            *("voltage_kv", "frequency_hz"),
        ),
        _network,
    ),
    "outages": Stage(
        ("records", "route", "ranks", "network"),
        ("tower", "phases", "shield_wires", "lightning", "outage_record", "voltage_kv"),
        _outages,
    ),
    "treatments": Stage(
        ("records", "route", "grades", "ranks", "network", "outages"),
        (
            *("treatments", "lightning", "phases", "safety", "seasons", "comparable"),
            *("tower", "shield_wires", "voltage_kv"),
        ),
        _treatments,
    ),
    "budget": Stage(("ranks", "network", "outages", "treatments"), ("plan",), _budget),
    "outlook": Stage(("ranks", "budget"), (), _outlook),
    "condition": Stage(("ranks", "network", "outages", "budget"), (), _condition),
    "retest": Stage(("condition", "grades"), ("retest",), _retest),
    "priority": Stage(("condition",), ("plan", "id"), _priority),
}
JOINED = ("network", "outages", "budget")  # stages that add columns to the towers, in this order


@dataclass(frozen=True, eq=False, repr=False)
class Study:
    """A line as of the last day of a month.

    Attributes
    ----------
    folder
        Line folder.
    line
        Settings in force.
    month
        ``YYYY-MM``; later visits are not seen.
    latest
        Last day that a record can be of.
    """

    folder: Path
    line: config.Line
    month: str
    latest: pd.Timestamp
    _results: dict[str, Any] = field(default_factory=dict)  # shared between studies of the same inputs
    _handed: dict[str, Any] = field(default_factory=dict)  # what callers of this study hold
    _origin: Study | None = None  # study that supplies the stages that are not put in place by hand

    # stages ------------------------------------------------------------------------------------------------

    def _stage(self, name: str) -> Any:
        """The result of a stage, computed now if nobody asked before."""
        if name not in self._handed:
            self._handed[name] = _copied(self._result(name))
        return self._handed[name]

    def _result(self, name: str) -> Any:
        """The result of a stage as it is shared; never handed out."""
        if name not in self._results:
            if self._origin is not None:
                return self._origin._result(name)
            for need in STAGES[name].needs:  # first, so that the line on a slow stage names the one at work
                self._result(need)
            # A sibling that has handed out nothing: what a caller did to a table must not reach later stages.
            with _named_if_slow(name):
                self._results[name] = STAGES[name].compute(replace(self, _handed={}))
        return self._results[name]

    @property
    def computed(self) -> tuple[str, ...]:
        """Names of the stages whose results are at hand."""
        further = self._origin.computed if self._origin is not None else ()
        return tuple(name for name in STAGES if name in self._results or name in further)

    @property
    def settings(self) -> pd.DataFrame:
        """Settings in force: one row per key of ``line.toml`` with section, key, value, set (by the line), meaning."""
        rows = []
        for name, part in config.Line.model_fields.items():
            value = getattr(self.line, name)
            if isinstance(value, Settings):
                rows += [
                    (name, key, getattr(value, key), key in value.model_fields_set, one.description or "")
                    for key, one in type(value).model_fields.items()
                ]
            else:
                section = "line" if name in config.HEAD else name
                rows.append(
                    (section, name, value, name in self.line.model_fields_set, part.description or "")
                )
        return pd.DataFrame(rows, columns=["section", "key", "value", "set", "meaning"])

    @property
    def remarks(self) -> tuple[str, ...]:
        """Sentences on a month that the visits on record do not reach, one at most."""
        dates = self._result("records").visits["date"].dropna()
        if dates.empty:
            return ("No visit is on record.",)
        first, last, end = dates.min(), dates.max(), months.last_day(self.month)
        if first > end:
            return (f"No visit up to {self.month}: the first on record is of {first:%Y-%m-%d}.",)
        if f"{last:%Y-%m}" < self.month:
            ahead = " The month is still to come." if end > months.today() else ""
            return (f"No visit in {self.month}: the newest on record is of {last:%Y-%m-%d}.{ahead}",)
        return ()

    def meaning(self, column: str) -> str:
        """What a column of this study's tables means, with its unit; `towerlib.columns` lists all columns.

        Raises
        ------
        SettingsError
            No table of a study has such a column; the sentence names columns that are spelt alike.

        Examples
        --------
        >>> assess(find_line("quillmere-tolstrand")).meaning("gap_ma")
        'gap_ma [mA]: gap = arithmetic sum of the leg currents − vector total; an indicator, not a fault'
        """
        listed = columns()
        found = listed[listed["column"] == column].drop_duplicates(["unit", "meaning"])
        if found.empty:
            known = listed["column"].unique()
            raise SettingsError(f"no table has a column {column!r}{nearest(column, known, 3)}")
        texts = []
        for row in found.itertuples():
            unit = f" [{row.unit}]" if row.unit not in ("", "1") else ""
            where = f" in {row.table}" if len(found) > 1 else ""
            texts.append(f"{column}{unit}{where}: {row.meaning}")
        return "\n".join(texts)

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
        """Bonds, suspected spans, earth-fault potential rise and touch-voltage screening.

        Costly: solves the ladder of the whole line for each draw of its uncertain values and each span of the scan.
        """
        return self._stage("network")

    @property
    def outages(self) -> Outages:
        """Lightning trip-outs of each tower and of the line.

        Costly: computes `network` first, then the rate of every tower in many draws.
        """
        return self._stage("outages")

    @property
    def treatments(self) -> Treatments:
        """Treatments that apply at each tower, with predicted footing and cost.

        Costly: computes `network` and `outages` first, then the rate with each treatment in the same draws.
        """
        return self._stage("treatments")

    @property
    def budget(self) -> Budget:
        """The plan within the budget.

        Costly: computes `treatments` and all before it, then optimises.
        """
        return self._stage("budget")

    @property
    def outlook(self) -> Outlook | None:
        """Other budgets, probabilities of being selected, and value of tests; None without a plan.

        The costliest stage: computes `budget`, then makes the plan again for other budgets and in many draws.
        """
        return self._stage("outlook")

    @property
    def condition(self) -> pd.DataFrame:
        """One row per tower with the columns of every stage; computes all of them but `outlook`."""
        return self._stage("condition")

    @property
    def retest(self) -> pd.DataFrame:
        """Towers to test again, why, and what to do better; computes `condition`."""
        return self._stage("retest")

    @property
    def priority(self) -> pd.DataFrame:
        """The priority list, most urgent first; computes `condition`, the plan included."""
        return self._stage("priority")

    def joined(self, *stages: str) -> pd.DataFrame:
        """One row per tower: the ranks, and the columns that some stages add.

        Parameters
        ----------
        *stages : {"network", "outages", "budget"}
            Stages to join; no other is computed unless these need it.

        Raises
        ------
        SettingsError
            A stage adds no columns to the towers.
        """
        from towerlib import network, outages, plan

        join: dict[str, Callable[[pd.DataFrame, Any], pd.DataFrame]] = {
            "network": network.join,
            "outages": outages.join,
            "budget": plan.join,
        }
        if wrong := [name for name in stages if name not in join]:
            raise SettingsError(f"{wrong[0]!r} adds no columns to the towers{nearest(wrong[0], JOINED)}")
        table = self.ranks
        for name in JOINED:
            if name in stages:
                table = join[name](table, self._stage(name))
        return table.copy()

    # tables for a GIS --------------------------------------------------------------------------------------

    @property
    def towers(self) -> gpd.GeoDataFrame:
        """Towers as points (EPSG:4326) with the columns of the stages computed so far.

        Ranks by footing impedance and by leakage gap are always among them. Network, outages and plan add theirs
        once they have been asked for.
        """
        import geopandas as gpd

        table = self.joined(*(name for name in JOINED if name in self.computed))
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
        """The same line and month under other settings; stages that do not depend on them are not computed again.

        Parameters
        ----------
        **sections
            A section of ``line.toml`` to the keys that change, such as ``limits={"limit_ohm": 10}``; a key of
            ``[line]`` to its value.

        Raises
        ------
        SettingsError
            An unknown section or key, or a value out of its range.
        """
        self.insist_on_computed("replace settings of")
        line = config.changed(self.line, sections)
        names = _named(sections)
        kept = {name: self._result(name) for name in self.computed if not _touched(name, names)}
        if "records" in kept:
            kept["records"] = replace(kept["records"], line=line)
        return Study(self.folder, line, self.month, self.latest, kept)

    def with_results(self, **results: Any) -> Study:
        """The same study with results of stages put in place by hand, by name of the stage.

        Results of other stages stay as they are: nothing is computed from the new ones. An unknown stage raises
        `SettingsError`.
        """
        if unknown := set(results) - set(STAGES):
            raise SettingsError(f"{sorted(unknown)[0]!r} is not a stage{nearest(sorted(unknown)[0], STAGES)}")
        line = results["records"].line if "records" in results else self.line
        return Study(self.folder, line, self.month, self.latest, dict(results), _origin=self)

    def at(self, month: str | pd.Period | date) -> Study:
        """The same line as of another month, ``YYYY-MM`` or a day in it; `SettingsError` for what is not a month.

        Records, route, grades and leg currents are not computed again, unless the month is yet to come: then the
        records are read again, because rows up to its last day count.
        """
        self.insist_on_computed("take another month of")
        month = months.written(month)
        latest = cast("pd.Timestamp", months.latest(month))
        same = ("records", "route", "grades", "currents") if latest <= self.latest else ()
        kept = {name: self._result(name) for name in same if name in self.computed}
        return Study(self.folder, self.line, month, latest if latest > self.latest else self.latest, kept)

    def of_line(self, folder: str | Path) -> Study:
        """Another line as of the same month, by its line folder."""
        return assess(folder, self.month)

    def insist_on_computed(self, purpose: str) -> None:
        """`SettingsError` for a study with results put in place by hand; `purpose` as in "write the report of"."""
        if self._origin is not None:
            raise SettingsError(
                f"cannot {purpose} a study whose results were put in place by hand; use the study that it came from"
            )

    # views -------------------------------------------------------------------------------------------------

    @cached_property
    def plot(self) -> Plots:
        """Pictures of this study."""
        return Plots(self)

    @cached_property
    def tables(self) -> Tables:
        """Rounded tables of this study, as the notebooks show them."""
        return Tables(self)

    @cached_property
    def answer(self) -> Answers:
        """Answers of this study in words and numbers."""
        return Answers(self)

    def explore(self, column: str = "footing_ohm", **options: Any) -> Any:
        """Map of the towers with zoom and tooltips; takes the extra ``explore`` of the installation.

        Parameters
        ----------
        column
            Column of `towers` that gives the colour.
        **options
            Further arguments of `geopandas.GeoDataFrame.explore`. No background map is fetched unless `tiles` asks
            for one.

        Returns
        -------
        folium.Map
            Its page loads scripts from the internet.

        Raises
        ------
        TowerlibError
            The packages for it are not installed.
        SettingsError
            There is no such column.
        """
        missing = [name for name in ("folium", "mapclassify") if find_spec(name) is None]
        if missing:
            raise TowerlibError(
                f"study.explore needs {' and '.join(missing)}: install them by pip install 'towerlib[explore]'"
            )
        towers = self.towers
        if column not in towers:
            known = [str(name) for name in towers.columns if name != "geometry"]
            raise SettingsError(
                f"towers have no column {column!r}{nearest(column, known, 3)}; columns of network, outages and plan are there "
                "once these have been asked for"
            )
        places = towers[["longitude_deg", "latitude_deg"]].notna().all(axis=1)
        head = ("tower_id", "chainage_km", "footing_ohm", "impedance_class", "gap_ma", "suspected_cause")
        shown = list(dict.fromkeys([*(name for name in head if name in towers), column]))
        drawn = towers.loc[places, [*shown, "geometry"]].copy()
        for name in shown:
            if pd.api.types.is_datetime64_any_dtype(drawn[name]):
                drawn[name] = drawn[name].dt.strftime("%Y-%m-%d")
            elif not pd.api.types.is_numeric_dtype(drawn[name]):
                drawn[name] = drawn[name].astype("object").where(drawn[name].notna(), None)
        return drawn.explore(column, **({"tiles": None, "marker_kwds": {"radius": 6}} | options))

    def explain(self, tower_id: str) -> Explanation:
        """Why a tower is ranked where it is: next step, suspected cause, readings, rules.

        Computes `priority` and `retest`, and so every stage but `outlook`: the next step depends on the plan. The
        result prints as text; its `sections` holds the paragraphs by heading. `SettingsError` for an unknown tower.
        """
        from towerlib.plan import order_rule
        from towerlib.report import line_explorer

        known = self.ranks["tower_id"].to_list()
        if tower_id not in known:
            raise no_tower(tower_id, known, self.line.title)
        place = known.index(tower_id)
        sections = line_explorer.of_towers(self)[place]
        rules = [f"Limit: {self.ranks['limit_rule'].iloc[place]}.", f"List: {order_rule(self.line.plan)}"]
        rules += [
            f"Settings of this study that are not those of line.toml: {_changed_words(self.line)}."
        ] * bool(self.line.replaced)
        rules += self.remarks
        return Explanation(tower_id, self.line.title, self.month, sections | {"Rules": rules})

    def what_if(
        self,
        *,
        open_bond: str = "",
        open_span: tuple[str, str] | str = "",
        footing: tuple[str, float] | None = None,
        between_km: tuple[float, float] = (0.0, 0.0),
    ) -> WhatIf:
        """The network with a simulated change, beside the network as recorded.

        Parameters
        ----------
        open_bond
            Tower whose shield-wire bond is open.
        open_span
            Span without shield wires, by its two towers or as ``"90-91"``.
        footing
            Tower and its other footing impedance [Ω].
        between_km
            Stretch of the line that is looked at, by chainage [km]; both 0 take the whole line.

        Returns
        -------
        WhatIf
            Its `towers` are computed when first asked for. Without any change it shows the network as recorded.

        Raises
        ------
        SettingsError
            An unknown tower or span, a name that is not text, a footing that is not a number greater than 0, or a
            stretch of fewer than two towers.
        """
        from towerlib.network import what_if

        if not isinstance(open_span, str):
            ends = _pair(open_span, "open_span", '("90", "91")')
            known = self.route.towers["tower_id"].to_list()
            if wrong := [end for end in ends if not isinstance(end, str)]:
                raise no_tower(wrong[0], known)
            open_span = "-".join(ends)
        tower, ohm = _pair(footing, "footing", '("91", 5.0)') if footing is not None else ("", 0.0)
        _number(ohm, "footing", '("91", 5.0)')
        from_km, to_km = _pair(between_km, "between_km", "(4.0, 9.5)")
        for end in (from_km, to_km):
            _number(end, "between_km", "(4.0, 9.5)")
        change = what_if.change(self.route, open_bond, open_span, tower, ohm)
        return WhatIf(self, change, what_if.stretch(self.route, from_km, to_km))

    def write(self, folder: str | Path) -> list[str]:
        """Write every file of the report but the notebooks and ``run.json`` into a folder; their names relative to it.

        `towerlib.write_report` writes a whole report under its place by line and month.
        """
        from towerlib.report import write

        return write.write_report(self, folder, self.outlook)

    def __repr__(self) -> str:
        """One line: which line, which month, which settings are replaced, what is computed."""
        done = ", ".join(self.computed) or "nothing yet"
        replaced = f"; replaced: {_changed_words(self.line)}" if self.line.replaced else ""
        remarks = (
            f"; {' '.join(self.remarks).rstrip('.')}" if "records" in self.computed and self.remarks else ""
        )
        return f"<Study of {self.line.title} as of {self.month}{replaced}{remarks}; computed: {done}>"

    def _repr_html_(self) -> str:
        """A few facts for a notebook."""
        from html import escape

        rows = {"line": self.line.title, "month": self.month, "folder": self.folder.name}
        if "ranks" in self.computed:
            rows["towers"] = (
                f"{len(self.ranks)}, {len(self.ranks['footing_ohm'].dropna())} with a usable footing"
            )
        if self.line.replaced:
            rows["replaced"] = _changed_words(self.line)
        if "records" in self.computed and self.remarks:
            rows["remark"] = " ".join(self.remarks)
        rows["computed"] = ", ".join(self.computed) or "nothing yet"
        cells = "".join(
            f"<tr><th>{name}</th><td>{escape(str(text))}</td></tr>" for name, text in rows.items()
        )
        return f"<table>{cells}</table>"


def _changed_words(line: config.Line) -> str:
    """Settings that were changed for a study, with their values."""
    return ", ".join(f"{name} = {value!r}" for name, value in line.replaced.items())


def _pair(value: object, name: str, example: str) -> tuple[Any, Any]:
    """Two values out of an argument that takes a pair; `SettingsError` with an example where it holds none."""
    if isinstance(value, (tuple, list)) and len(value) == 2:
        return value[0], value[1]
    raise SettingsError(f"{name} = {value!r}: write a pair, such as {example}")


def _number(value: object, name: str, example: str) -> None:
    """`SettingsError` with an example where a value of an argument is not a number."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise SettingsError(f"{name}: {value!r} is not a number; write {example}")


@contextmanager
def _named_if_slow(stage: str) -> Iterator[None]:
    """One line on the stage at work, on a terminal or in a notebook, once it has taken longer than `SLOW_S`."""
    if os.environ.get(PROGRESS) == "off" or not (sys.stderr.isatty() or _in_ipython()):
        yield
        return
    line = Timer(SLOW_S, lambda: print(f"towerlib: {stage} …", file=sys.stderr, flush=True))
    line.daemon = True
    line.start()
    try:
        yield
    finally:
        line.cancel()


def _in_ipython() -> bool:
    """Whether the program runs inside IPython or a notebook."""
    shell = sys.modules.get("IPython")
    return shell is not None and shell.get_ipython() is not None


def columns(table: str = "") -> pd.DataFrame:
    """The data dictionary: what every column of every table means.

    Parameters
    ----------
    table
        Only this table; blank takes all, those of a line folder first.

    Returns
    -------
    pandas.DataFrame
        One row per table and column: table, column, type, unit (blank for what is not a number), meaning.

    Raises
    ------
    SettingsError
        There is no such table.

    Examples
    --------
    >>> columns("ranks").query("column == 'gap_ma'")["unit"].item()
    'mA'
    """
    known = dictionary.tables()
    if table and table not in known:
        raise SettingsError(f"{table!r} is not a table{nearest(table, known, 3)}")
    rows = []
    for name in [table] if table else known:
        for column in dictionary.names(name):
            found = dictionary.about(column, name)
            if found is not None:
                unit = found.unit if found.type in dictionary.NUMBERS else ""
                rows.append((name, column, found.type, unit, found.meaning))
    return pd.DataFrame(rows, columns=["table", "column", "type", "unit", "meaning"])


def assess(folder: str | Path, month: str | pd.Period | date = "") -> Study:
    """A line as of a month, from its folder.

    Parameters
    ----------
    folder
        Line folder; it holds ``line.toml``.
    month
        ``YYYY-MM``, a `pandas.Period` or a day in the month; blank takes the month of the newest visit. `Study.remarks`
        says where no visit lies in it.

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
    month = "" if isinstance(month, str) and not month else months.written(month)
    shared = _shared(folder, month, months.latest(month), _stamps(folder))
    return Study(folder, shared.line, shared.month, shared.latest, shared._results)


def read_records(folder: str | Path) -> Records:
    """Clean tables of a line folder, and the audit of their rows; errors as for `assess`."""
    from towerlib.records import load

    return load.load(Path(folder).resolve())


def compare(study: Study, earlier: Study | str | Path | pd.Period | date) -> Changes:
    """Changes of a line since an earlier month.

    Parameters
    ----------
    study
        The later month.
    earlier
        The earlier month: as ``YYYY-MM``, which is assessed from the present records; as a study; or as the folder of
        its report, ``…/<line id>/<YYYY-MM>``.

    Returns
    -------
    Changes
        `table` has one row per tower and kind of change; a quantity counts as changed only beyond both uncertainties.

    Raises
    ------
    SettingsError
        The other study is of another line, or not of an earlier month.
    RecordsError
        The folder holds no whole report of an earlier month of this line.
    """
    from towerlib import changes

    if isinstance(earlier, (pd.Period, date)) or (
        isinstance(earlier, str) and months.MONTH.fullmatch(earlier)
    ):
        _insist_on_earlier(months.written(earlier), study)
        earlier = study.at(earlier)
    if isinstance(earlier, Study):
        if earlier.line.id != study.line.id:
            raise SettingsError(f"cannot compare {study.line.id} with {earlier.line.id}: they are two lines")
        _insist_on_earlier(earlier.month, study)
        found = changes.compare(study, changes.months.of(earlier))
        # The last remark speaks of a month that the program itself looked up.
        how = f"Compared with {earlier.month} as assessed from its records."
        return replace(found, source="as assessed from its records", remarks=(*found.remarks[:-1], how))
    folder = Path(earlier).resolve()
    try:
        before = changes.months.read(folder, study.line.id)
        months.last_day(before.month)
    except (OSError, ValueError, SettingsError) as flaw:
        why = sentence(flaw) if isinstance(flaw, OSError) else str(flaw)
        if not folder.is_dir():
            why = "there is no such folder; name a month as YYYY-MM, a study, or the folder of a report"
        raise RecordsError(f"{folder} cannot be compared with: {why}") from None
    _insist_on_earlier(before.month, study)
    return changes.compare(study, before)


def _insist_on_earlier(month: str, study: Study) -> None:
    """Refuse a comparison with the same or a later month."""
    if month >= study.month:
        raise SettingsError(f"cannot compare {study.month} with {month}, which is not an earlier month")


def rank_lines(
    source: str | Path | Iterable[Study], month: str | pd.Period | date = "", budget: float | None = None
) -> LineRanking:
    """Lines of a month side by side, and one budget split over them.

    Parameters
    ----------
    source
        Folder that reports were written to; nothing is assessed again. Or studies of one month.
    month
        ``YYYY-MM``; blank takes the newest month of the reports, or that of the studies.
    budget
        Money to split; else the sum of the budgets of the lines.

    Raises
    ------
    RecordsError
        No line has a report for the month.
    SettingsError
        The month is none, the studies are of different months, or the budget is negative.
    """
    from towerlib import portfolio

    month = "" if isinstance(month, str) and not month else months.written(month)
    if isinstance(source, str | Path):
        return LineRanking(portfolio.gather(source, month, budget))
    lines, found = [], set()
    for study in source:  # one at a time: a generator need not hold all lines in memory
        found.add(study.month)
        lines.append(portfolio.of(study))
    if not lines:
        raise SettingsError("there is no line to rank")
    if len(found) > 1 or (month and found != {month}):
        named = ", ".join(sorted(found))
        raise SettingsError(
            f"lines are ranked as of one month, and these studies are of {named}; use study.at()"
        )
    return LineRanking(portfolio.together(lines, found.pop(), budget))


def demo_folder() -> Path:
    """Folder of the demo lines, in the installed package or ``data/demo`` of a checkout; `RecordsError` without it.

    >>> (demo_folder() / "brackwater-stonefell" / "line.toml").is_file()
    True
    """
    package = Path(__file__).parent
    for place in (package / "demo", package.parent / "data" / "demo"):
        if place.is_dir():
            return place
    raise RecordsError("this installation has no demo; `towerlib simulate FOLDER` writes one")


def find_line(line: str, records_folder: str | Path = "") -> Path:
    """Folder of a line, by its name and the folder that holds it (blank: the demo); `RecordsError` if there is none.

    >>> find_line("brackwater-stonefell").name
    'brackwater-stonefell'
    """
    home = Path(records_folder) if records_folder else demo_folder()
    folder = home / line
    if not line or not (folder / "line.toml").is_file():
        known = sorted(path.parent.name for path in home.glob("*/line.toml"))
        raise RecordsError(f"{home} holds no line folder {line!r}; it holds {', '.join(known) or 'none'}")
    return folder


def _copied(result: Any) -> Any:
    """A result whose tables can be changed without changing those of anybody else; copies are made on writing."""
    if isinstance(result, pd.DataFrame):
        return result.copy()
    if not is_dataclass(result) or isinstance(result, type):
        return result
    tables = {part.name: getattr(result, part.name) for part in fields(result) if part.init}
    return replace(
        result, **{name: one.copy() for name, one in tables.items() if isinstance(one, pd.DataFrame)}
    )


def _named(sections: Mapping[str, Any]) -> set[str]:
    """Changed settings by section and by key; a section that is replaced as a whole counts with every key."""
    names = set(sections)
    for section, value in sections.items():
        keys = value if isinstance(value, Mapping) else ("*",)
        names |= {f"{section}.{key}" for key in keys}
    return names


def _touched(name: str, changed: set[str]) -> bool:
    """Whether a stage or one that it needs reads a changed setting."""
    stage = STAGES[name]
    whole = {f"{setting.partition('.')[0]}.*" for setting in stage.settings if "." in setting}
    mine = bool(changed & (set(stage.settings) | whole))
    return mine or any(_touched(need, changed) for need in stage.needs)


def _stamps(folder: Path) -> tuple:
    """What changes when a file of the line changes."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return tuple((str(path), safe_files.stamp(path)) for path in files)


@lru_cache(maxsize=4)
def _shared(folder: Path, month: str, latest: pd.Timestamp, stamps: tuple) -> Study:
    """The study whose results are shared; its records are read at once, so that flaws show where they belong."""
    from towerlib.records import load

    records = load.load(folder, latest)
    month = month or months.newest(cast("pd.Series", records.visits["date"]))
    return Study(folder, records.line, month, latest, {"records": records})
