"""Pictures, tables and answers of a study, as a notebook shows them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from towerlib.errors import SettingsError, nearest

if TYPE_CHECKING:
    import ipywidgets
    from matplotlib.figure import Figure

    from towerlib.assessment import Study
    from towerlib.network.what_if import Case, Change, Stretch
    from towerlib.portfolio import Portfolio
    from towerlib.report.spans.case import LineCase
    from towerlib.report.tables import Table


MAPS = {"footing_ohm": "impedance", "gap_fraction": "gap", "plan_year": "plan"}  # column to kind of map


class _View:
    """A view of a study; it prints as the list of its methods."""

    _shape = ""  # how the methods are called, in the head of the list

    def __init__(self, study: Study) -> None:
        self._study = study

    def __repr__(self) -> str:
        """Head, and one line per method: its name and the first line of its docstring."""
        methods = {name: one for name, one in vars(type(self)).items() if not name.startswith("_")}
        width = max(map(len, methods)) + 2
        lines = [
            f"  {name + '()':<{width}}  {(one.__doc__ or '').strip().splitlines()[0]}"
            for name, one in methods.items()
        ]
        return "\n".join([f"{self._shape} of {self._study.line.title} as of {self._study.month}:", *lines])


class Plots(_View):
    """Pictures of a study; each method returns a matplotlib figure and computes only the stages that it draws."""

    _shape = "Pictures (study.plot)"

    def map(self, column: str = "footing_ohm", *, suspected: bool = True) -> Figure:
        """Route map with the towers by footing impedance, by gap fraction, or by year of the plan.

        Parameters
        ----------
        column : {"footing_ohm", "gap_fraction", "plan_year"}
            The plan takes every stage but the outlook.
        suspected : bool
            Mark suspected spans, which takes the network analysis.

        Returns
        -------
        matplotlib.figure.Figure

        Raises
        ------
        SettingsError
            There is no map of this column; the sentence names columns that are spelt alike.
        """
        from towerlib.report import map_layers, maps

        study = self._study
        if column not in MAPS:
            known = [*MAPS, *(str(name) for name in study.ranks.columns if name not in MAPS)]
            there = f"; study.explore({column!r}) shows any column"
            hint = there if column in known else nearest(column, known, 3)
            raise SettingsError(f"there is no map of {column!r}{hint}; the maps show {', '.join(MAPS)}")
        context = map_layers.layers(study.folder)
        if column == "plan_year":
            return maps.plan_map(
                study.route, study.ranks, study.budget, study.line, month=study.month, context=context
            )
        by = MAPS[column]
        spans = study.network.spans if suspected else None
        return maps.route_map(
            study.route, study.ranks, study.line, by=by, month=study.month, context=context, suspicion=spans
        )

    def profile(self) -> Figure:
        """Footing impedances along the route, with targets and limits."""
        from towerlib.report import condition_charts

        return condition_charts.route_profile(self._study.ranks, self._study.line, month=self._study.month)

    def worst(self) -> Figure:
        """Worst towers by footing impedance and by leakage gap, as bars."""
        from towerlib.report import condition_charts

        return condition_charts.ranked_bars(self._study.ranks, self._study.line, month=self._study.month)

    def gaps(self) -> Figure:
        """Sum of the leg currents against their vector total."""
        from towerlib.report import condition_charts

        return condition_charts.gap_scatter(self._study.ranks, self._study.line, month=self._study.month)

    def distribution(self) -> Figure:
        """Distribution of the footing impedances."""
        from towerlib.report import condition_charts

        study = self._study
        return condition_charts.impedance_distribution(study.ranks, study.line, month=study.month)

    def tower(self, tower_id: str = "") -> Figure:
        """Leg currents, injected shares, readings over the years and sweeps of one tower.

        Computes every stage, because the priority list supplies the evidence.

        Parameters
        ----------
        tower_id : str, optional
            Name in the register; blank takes the first tower of the repair and bond queues.

        Returns
        -------
        matplotlib.figure.Figure

        Raises
        ------
        SettingsError
            No such tower.
        """
        from towerlib.report import layout, tower_case, tower_sheet

        if not tower_id:
            listed = self._study.priority
            listed = listed.loc[listed["queue"].isin(["repair", "bond"]), "tower_id"].to_list()
            if not listed:
                return layout.blank("One tower in detail", "No tower is suspected.")
            tower_id = listed[0]
        return tower_sheet.tower_picture(tower_id, tower_case.tables_of(self._study))

    def trip_outs(self) -> Figure:
        """Expected lightning trip-outs of each tower along the route."""
        from towerlib.report import outage_results

        return outage_results.rate_profile(self._study.outages, self._study.line)

    def trip_outs_by_footing(self) -> Figure:
        """Expected lightning trip-outs against footing impedance."""
        from towerlib.report import outage_results

        study = self._study
        return outage_results.rate_by_footing(study.outages, study.ranks, study.line)

    def concentration(self) -> Figure:
        """Share of the trip-outs that the worst towers carry, and that treatment avoids."""
        from towerlib.report import outage_results

        return outage_results.concentration(self._study.outages, self._study.line)

    def observed(self) -> Figure:
        """Observed trip-outs beside the modelled ones."""
        from towerlib.report import outage_results

        return outage_results.observed_against_modelled(self._study.outages, self._study.line)

    def budget_curve(self) -> Figure:
        """Trip-outs avoided against budget; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_charts

        study = self._study
        return plan_charts.budget_curve(study.budget, study.outlook, study.line)

    def before_after(self) -> Figure:
        """Trip-outs before and after the plan, by kind of treatment."""
        from towerlib.report import plan_charts

        study = self._study
        return plan_charts.before_after(study.budget, study.outages, study.line)

    def selection(self) -> Figure:
        """Probability of each tower being selected for the plan; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_charts

        study = self._study
        return plan_charts.chances(study.budget, study.outlook, study.line)


class Tables(_View):
    """Rounded tables of a study, with units in the header; each computes only the stages that it shows."""

    _shape = "Tables (study.tables)"

    def rows(self) -> Table:
        """Audit of rows: read, used, repaired, rejected, per table of the records."""
        from towerlib.report import condition_words

        return condition_words.rows_used(self._study)

    def rejected(self, rows: int = 10) -> Table:
        """Rows that are not used, with place, value and reason."""
        from towerlib.report.tables import nothing, table

        found = self._study.records.rejected
        if found.empty:
            return nothing("Every row is used.")
        return table("rejected rows", found, "Rejected rows", rows=rows)

    def settings(self, section: str = "") -> Table:
        """Settings of one section of ``line.toml``: value in force, and whether the line sets it."""
        from towerlib.report.tables import table

        found = self._study.settings
        known = list(dict.fromkeys(found["section"]))
        if not section:
            raise SettingsError(
                f"name a section of line.toml, such as settings('limits'): {', '.join(known)}"
            )
        if section not in known:
            raise SettingsError(f"{section!r} is not a section of line.toml{nearest(section, known)}")
        found = found[found["section"] == section]
        found = found.assign(value=found["value"].astype(str))
        return table("settings", found, f"Settings under [{section}]")

    def verdicts(self) -> Table:
        """Number of visits by verdict, and by the quality rules that they do not meet."""
        from towerlib.report import condition_words

        return condition_words.verdicts(self._study)

    def footings(self, rows: int = 10) -> Table:
        """Towers with the highest footing impedance."""
        from towerlib.report import condition_words

        return condition_words.worst_footings(self._study.ranks, rows)

    def gaps(self, rows: int = 10) -> Table:
        """Towers that lead the ranking by leakage gap."""
        from towerlib.report import condition_words

        return condition_words.widest_gaps(self._study.ranks, rows)

    def causes(self) -> Table:
        """Number of towers by suspected cause; computes the network analysis."""
        from towerlib.report import condition_words

        return condition_words.causes(self._study.joined("network"))

    def suspected(self, rows: int = 10) -> Table:
        """Suspected towers with cause and evidence; computes the network analysis."""
        from towerlib.report import condition_words

        return condition_words.suspected(self._study.joined("network"), rows)

    def changes_over_years(self, rows: int = 10) -> Table:
        """Towers with a clear jump, a clear trend or a treatment."""
        from towerlib.report import condition_words

        return condition_words.clear_changes(self._study.ranks, rows)

    def trip_out_record(self) -> Table:
        """Trip-outs on record by verdict and booked cause."""
        from towerlib.report import outage_results

        return outage_results.verdicts(self._study.outages)

    def benefit(self, rows: int = 10) -> Table:
        """Towers where treatment avoids most lightning trip-outs."""
        from towerlib.report import outage_results

        return outage_results.ranks(self._study.outages, self._study.ranks, rows)

    def rank_reasons(self, rows: int = 8) -> Table:
        """Towers whose ranks by impedance and by benefit differ most, and why."""
        from towerlib.report import outage_results

        return outage_results.rank_reasons(self._study.outages, self._study.ranks, rows)

    def years_to_significance(self) -> Table:
        """Years of record until an improvement of the line is significant."""
        from towerlib.report import outage_results

        return outage_results.years(self._study.outages)

    def priority(self, rows: int = 10) -> Table:
        """First towers of the priority list; computes every stage but the outlook."""
        from towerlib.report import plan_words

        return plan_words.priority(self._study.priority, self._study.line.plan.currency, rows)

    def packages(self, rows: int = 20) -> Table:
        """Packages of the plan with their totals."""
        from towerlib.plan import packages
        from towerlib.report import plan_words

        study = self._study
        found = packages.packages(study.budget, study.treatments.mobilisation)
        return plan_words.packages(found, study.line.plan.currency, rows)

    def levels(self) -> Table:
        """What half the budget, the budget and half as much again buy; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_words

        study = self._study
        return plan_words.levels(study.budget, study.outlook, study.line)

    def tests(self) -> Table:
        """Tests that are expected to improve the plan most; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_words

        return plan_words.tests(self._study.outlook)

    def places(self, rows: int = 12) -> Table:
        """Suspected spans and bonds, with a stretch around each; computes the network analysis."""
        from towerlib.report.spans import case

        return case.places(self._study, rows)


class Answers(_View):
    """Answers of a study in words and numbers; each method returns text."""

    _shape = "Answers (study.answer)"

    def condition(self) -> str:
        """Which towers have a high footing impedance, and which a wide gap; computes the network analysis."""
        from towerlib.report import condition_words

        return condition_words.condition_answer(self._study, self._study.joined("network"))

    def ambient(self) -> str:
        """What ambient currents can and cannot show, in general and on this line."""
        from towerlib.report import condition_words

        return f"{condition_words.ambient_text()}\n\n{condition_words.ambient_on_line(self._study.network)}"

    def flash_density(self) -> str:
        """Ground flash density along the line."""
        from towerlib.report import outage_results

        return outage_results.density(self._study.outages)

    def performance(self) -> str:
        """Expected lightning trip-outs of the line, their cost, and what the worst tenth could avoid."""
        from towerlib.report import outage_results

        return outage_results.answer(self._study.outages, self._study.line)

    def order(self) -> str:
        """Rule by which the priority list is ordered."""
        from towerlib.plan import order_rule
        from towerlib.text import wrapped

        return wrapped([order_rule(self._study.line.plan)])

    def queues(self) -> str:
        """Number of towers of each queue, and the first of them; computes every stage but the outlook."""
        from towerlib.report import condition_words

        return condition_words.queue_answer(self._study)

    def plan(self) -> str:
        """What the budget buys: towers, years, money, assumptions; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_words

        return plan_words.answer(self._study, self._study.outlook)

    def confidence(self) -> str:
        """Probability that the selected works stay selected; computes the plan and the outlook, which is slow."""
        from towerlib.report import plan_words

        return plan_words.confidence(self._study.outlook)

    def learned(self) -> str:
        """Results of earlier works."""
        from towerlib.report import plan_words

        return plan_words.learned(self._study.treatments)

    def network(self) -> str:
        """Analyses of the network that are not available, and why."""
        return "\n".join(self._study.network.off) or "Every analysis of the network is available."


@dataclass(frozen=True)
class Explanation:
    """Why a tower is ranked where it is.

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

    @property
    def title(self) -> str:
        """Tower, line and month."""
        return f"Tower {self.tower_id}, {self.line}, as of {self.month}"

    def __str__(self) -> str:
        """Plain text, one block per heading."""
        blocks = [
            f"{head}\n" + "\n".join(f"  {text}" for text in texts) for head, texts in self.sections.items()
        ]
        return "\n\n".join([self.title, *blocks])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        """One row per heading."""
        rows = "".join(
            f"<tr><th>{escape(head)}</th><td>{'<br>'.join(escape(text) for text in texts)}</td></tr>"
            for head, texts in self.sections.items()
        )
        return f"<table><caption>{escape(self.title)}</caption>{rows}</table>"


@dataclass(frozen=True, eq=False)
class WhatIf:
    """A stretch of the line with a simulated change, beside the network as recorded.

    Attributes
    ----------
    study : Study
    change : Change
        What is changed; it may be nothing.
    stretch : Stretch
        Where.
    """

    study: Study
    change: Change
    stretch: Stretch

    @cached_property
    def why_not(self) -> str:
        """Why readings cannot be predicted on this line; blank where they can."""
        return self._found[1]

    @property
    def towers(self) -> pd.DataFrame:
        """One row per tower: readings, and those expected as recorded (``_now``) and with the change (``_then``).

        Raises
        ------
        SettingsError
            The network analysis is not available; the sentence says why.
        """
        from towerlib.network import what_if

        case, why_not = self._found
        if case is None:
            raise SettingsError(why_not)
        return what_if.compare(case, self.change, self.stretch)

    def evidence(self, rows: int = 8) -> Table:
        """Evidence at the suspected spans and bonds of the stretch."""
        from towerlib.report.spans import case

        return case.evidence(self.study, self.stretch, rows)

    def table(self) -> Table:
        """Rounded table of `towers`."""
        from towerlib.report.spans import case
        from towerlib.report.tables import nothing

        found, why_not = self._found
        return nothing(why_not) if found is None else case.compared(found, self.stretch, self.change)

    def deciding(self, rows: int = 6) -> Table:
        """Single readings that separate the change best from the network as recorded."""
        from towerlib.report.spans import case
        from towerlib.report.tables import nothing

        found, why_not = self._found
        return nothing(why_not) if found is None else case.deciding(found, self.stretch, self.change, rows)

    def plot(self) -> Figure:
        """Readings beside both expectations along the stretch."""
        from towerlib.report.spans import charts

        return charts.whatif_picture(self._line, self.stretch, self.change)

    def plot_evidence(self) -> Figure:
        """Map, footings, leg currents, leg shares, histories and sweeps of the stretch."""
        from towerlib.report.spans import charts

        return charts.span_picture(self._line, self.stretch)

    def answer(self) -> str:
        """How well the readings fit the change, and the reading that decides best, with the cautions."""
        from towerlib.report import cautions
        from towerlib.report.spans import case

        return f"{case.answer(self._line, self.stretch, self.change)}\n\n{cautions.text()}"

    def controls(self) -> ipywidgets.VBox:
        """Linked views with controls for line, place, bond, span and footing, in a notebook that runs live."""
        from towerlib.report.spans import live

        study = self.study
        return live.explorer(study.folder.parent, study, self.stretch, self.change, study.of_line)

    @cached_property
    def _found(self) -> tuple[Case | None, str]:
        """The line for predictions, or the sentence why there is none; takes no plan."""
        from types import SimpleNamespace

        from towerlib.network import what_if

        study = self.study
        facts = {name: getattr(study, name) for name in ("records", "route", "currents", "grades", "month")}
        parts: Any = SimpleNamespace(**facts, condition=study.joined("network"))
        try:
            return what_if.case_of(parts), ""
        except SettingsError as flaw:
            return None, str(flaw)

    @cached_property
    def _line(self) -> LineCase:
        """The line with the histories of its towers; computes every stage."""
        from towerlib.report.spans import case

        return case.line_case(self.study)

    def __repr__(self) -> str:
        """One line: where and what."""
        stretch = f"km {self.stretch.from_km:.2f} to {self.stretch.to_km:.2f}"
        return f"<WhatIf on {self.study.line.title}, {stretch}: {self._words}>"

    @property
    def _words(self) -> str:
        """The change in words."""
        from towerlib.network import what_if

        if self.change == what_if.Change():
            return "nothing changed"
        towers, spans = self.study.route.towers["tower_id"], self.study.route.spans
        parts = [f"bond of {towers.iloc[place]} open" for place in self.change.bonds]
        parts += [
            f"span {spans['from_tower_id'].iloc[place]}–{spans['to_tower_id'].iloc[place]} open"
            for place in self.change.spans
        ]
        parts += [f"footing of {towers.iloc[place]} {ohm:g} Ω" for place, ohm in self.change.footings]
        return ", ".join(parts)


@dataclass(frozen=True, eq=False, repr=False)
class LineRanking:
    """Lines of a month side by side, and one budget split over them.

    Attributes
    ----------
    portfolio : Portfolio
        `lines` (one row per line), `coverage` (one row per month), `split` (one budget over all lines), `missing`.
    """

    portfolio: Portfolio

    @property
    def month(self) -> str:
        """Month of the comparison, ``YYYY-MM``."""
        return self.portfolio.month

    @property
    def lines(self) -> pd.DataFrame:
        """One row per line, most avoidable trip-outs first."""
        return self.portfolio.lines

    def table(self) -> Table:
        """Lines by avoidable trip-outs and by money."""
        from towerlib.report import portfolio_page

        return portfolio_page.ranked_table(self.portfolio)

    def safety(self) -> Table:
        """Counts of towers with a safety finding, per line."""
        from towerlib.report import portfolio_page

        return portfolio_page.safety_table(self.portfolio)

    def coverage(self, rows: int = 10) -> Table:
        """Towers tested, overdue and never tested, year by year back from the month."""
        from towerlib.report import portfolio_page

        return portfolio_page.coverage_table(self.portfolio, rows)

    def budgets(self) -> Table:
        """The lines' own plans beside one plan over all lines with the same money."""
        from towerlib.report import portfolio_page

        return portfolio_page.budget_table(self.portfolio)

    def plot_avoidable(self) -> Figure:
        """Avoidable trip-outs of each line."""
        from towerlib.report import layout, portfolio_page

        figure = portfolio_page.avoidable(self.portfolio.lines)
        return figure or layout.blank("Avoidable trip-outs", "No line has a trip-out rate.")

    def plot_coverage(self) -> Figure:
        """Coverage and backlog over the months."""
        from towerlib.report import layout, portfolio_page

        figure = portfolio_page.reach(self.portfolio.coverage)
        return figure or layout.blank("Coverage and backlog", "There is one month only.")

    def answer(self) -> str:
        """Which line leads, and what the split of the budget brings."""
        from towerlib.report import portfolio_page

        return portfolio_page.answer(self.portfolio)

    def remarks(self) -> str:
        """Assumptions of the split, and lines that are missing with the reason."""
        found = self.portfolio
        missing = [f"Missing: {name}: {why}" for name, why in found.missing.items()]
        return "\n".join([*found.split.assumed, *found.split.off, *missing])

    def write(self, reports: str | Path) -> list[Path]:
        """Write ``<reports>/<month>/portfolio.html`` and ``<reports>/index.html``.

        Parameters
        ----------
        reports : path

        Returns
        -------
        list of pathlib.Path
        """
        from towerlib.report import portfolio_page

        return portfolio_page.write(self.portfolio, reports)

    def __repr__(self) -> str:
        """One line: how many lines, which month."""
        return f"<LineRanking of {len(self.lines)} lines as of {self.month}>"
