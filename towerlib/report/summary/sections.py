"""Sections of the page of a line: answer, figures, coverage, data quality grade, rates, changes, rules, terms.

Each function gives plain texts and rows; the template places them. What is missing is stated in place of the figure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import changes as months_apart
from towerlib import values
from towerlib.changes.differences import NEWS
from towerlib.plan import order_rule
from towerlib.plan.priority import SHIELD_WIRE
from towerlib.report import cautions, condition_words, outage_charts
from towerlib.report.pages import Answer
from towerlib.report.tower_marks import each, number_of
from towerlib.text import (
    BLANK,
    counted,
    ends,
    first_lines,
    interval,
    money,
    named,
    percent,
    sentence,
    significant,
)

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.changes import Changes
    from towerlib.config.sections import Plan

GRADES = "ABCD"
RULE = (
    "The weakest of these figures decides. A: work from the ranks of this page. B: single towers lack readings. C: many "
    "towers lack readings. D: test first. The steps are our own judgement; no standard grades such data."
)


@dataclass(frozen=True)
class Measure:
    """One figure of the grade.

    `what`: What is counted, in words; `percent`: Figure, the higher the better [%]; NaN where there is nothing to
    count; `steps`: Least percent of A, of B, of C.
    """

    what: str
    percent: float
    steps: tuple[float, ...]

    @property
    def grade(self) -> str:
        """Letter of this figure; D where there is nothing to count."""
        reached = [letter for letter, step in zip(GRADES, self.steps, strict=False) if self.percent >= step]
        return reached[0] if reached else GRADES[-1]

    @property
    def shown(self) -> str:
        """The figure as text."""
        return f"{self.percent:.0f}{BLANK}%" if self.percent == self.percent else "not available"

    @property
    def needed(self) -> str:
        """What A, B and C ask for, in percent."""
        return ", ".join(f"{letter}{BLANK}{step:g}" for letter, step in zip(GRADES, self.steps, strict=False))


def measures(study: Study) -> list[Measure]:
    """The figures that the grade is made of.

    Judgement: a ranking is as good as its readings. Towers, not visits, are counted, so a tower that was tested
    often does not make up for one that never was.
    """
    towers, counts = study.condition, study.records.counts
    read = cast("pd.Series", towers["footing_ohm"].notna())
    late = towers["tower_id"].isin(study.retest["tower_id"])
    clean = towers.loc[read, "verdict"].eq("usable")
    sure = towers.loc[read, "rank_confidence"].isin(["sure", "likely"])
    rows, used = counts["rows_in"].sum(), counts["used"].sum()
    return [
        Measure("towers with a usable reading of the footing alone", _percent(read), (95, 85, 70)),
        Measure("towers that are not due for a test", _percent(cast("pd.Series", ~late)), (95, 80, 60)),
        Measure(
            "readings in force that meet every quality rule without a caution", _percent(clean), (85, 70, 50)
        ),
        Measure(
            "read towers that belong, surely or likely, to the worst tenth or to the rest",
            _percent(sure),
            (90, 80, 60),
        ),
        Measure(
            "rows handed in that could be used",
            cast("Any", 100 * used / rows if bool(rows) else float("nan")),
            (99, 97, 90),
        ),
    ]


def _percent(yes: pd.Series) -> float:
    """Share of what is true [%]; NaN of nothing."""
    return 100 * float(yes.astype(bool).mean()) if len(yes) else float("nan")


def overall(parts: Iterable[Measure]) -> str:
    """Grade of the data: that of the weakest figure.

    >>> overall([Measure("a", 96.0, (95, 85, 70)), Measure("b", 81.0, (95, 80, 60))])
    'B'
    """
    return max(part.grade for part in parts)


HELD = {  # what the interval of each figure of the comparison covers
    "Modelled": "80 %: reading, season, soil, insulation, flash density",
    "Observed, lightning": "95 % of the count (Garwood)",
    "Calibrated": "95 %, model and record together",
}
EMPTY = "Not available: no trip-out rate of this line, modelled or observed."


def headline(study: Study) -> Answer:
    """Expected trip-outs a year, their cost, and what treating the worst tenth would avoid.

    Says what is missing where there is no rate.
    """
    rates, answer = study.outages.line, Answer()
    if "whole_line_per_year" in rates:
        _expect(answer, rates, study.line.plan)
    else:
        why = study.outages.off[0] if study.outages.off else "no trip-out rate."
        answer.said += [(True, "Expected lightning trip-outs: not available."), (False, sentence(why))]
    _avoid(answer, rates, len(study.condition))
    return answer


def _expect(answer: Answer, rates: Mapping[str, Any], plan: Plan) -> None:
    """The expected rate, its money and its basis (changes the answer)."""
    known = "calibrated_per_year" in rates
    name, level = ("calibrated", 95) if known else ("whole_line", 80)
    rate, low, high = (rates[f"{name}_{end}"] for end in ("per_year", "low", "high"))
    cost = ""
    if plan.cost_per_trip_out:
        cost = f", about {money(rate * plan.cost_per_trip_out, plan.currency, digits=2)} a year"
        answer.basis.append(
            f"one trip-out counted as {money(plan.cost_per_trip_out, plan.currency, digits=2)}"
        )
    else:
        answer.basis.append("the cost of a trip-out is not set ([plan] cost_per_trip_out)")
    answer.said.append((True, f"Expected lightning trip-outs: {significant(rate)} a year"))
    answer.said.append((False, f"({level}{BLANK}% interval {ends(low, high)}){cost}."))
    if known:
        record = counted(rates["observed_trip_outs"], "recorded lightning trip-out")
        basis = f"model calibrated on {record} in {significant(rates['observed_years'])} years"
    else:
        basis = (
            "model without a record of this line; the method adds a factor of "
            f"{significant(rates['model_factor'])} to either side"
        )
    answer.basis.insert(0, basis)


def _avoid(answer: Answer, rates: Mapping[str, Any], towers: int) -> None:
    """What treating the worst tenth would avoid (changes the answer)."""
    fraction, worst = rates.get("avoided_worst_tenth_fraction", np.nan), rates.get("worst_tenth_towers")
    if not worst or not math.isfinite(fraction):
        return
    would = f"Treating {counted(worst, 'tower')} ({percent(worst, towers)}) would avoid"
    if "avoided_worst_tenth_per_year" in rates:
        rate, low, high = (rates[f"avoided_worst_tenth_{end}"] for end in ("per_year", "low", "high"))
        answer.said.append((True, f"{would} {significant(rate)} a year"))
        answer.said.append(
            (False, f"(80{BLANK}% interval {ends(low, high)}), {percent(fraction)} of the modelled total.")
        )
    else:
        answer.said.append((True, f"{would} {percent(fraction)} of the modelled trip-outs."))
    answer.basis.append("avoided trip-outs by the model, with the footings at their target")


def problem(study: Study) -> list[dict[str, str]]:
    """The state of the line in figures.

    big (the figure), what (what it counts), more (its interval, its basis).
    """
    towers, rates = study.condition, study.outages.line
    return [
        _above(towers, study.route.length_m / 1000),
        _unread(towers),
        _touch(study),
        _bonds(towers),
        _observed(rates),
        _expected(rates),
    ]


def _figure(big: str, what: str, more: str) -> dict[str, str]:
    """One figure as the page takes it."""
    return {"big": big, "what": what, "more": more}


def _above(towers: pd.DataFrame, length_km: float) -> dict[str, str]:
    """Towers above their limit."""
    above = towers["impedance_class"] == "above limit"
    only = number_of(above & towers["footing_ohm"].isna())
    judged = number_of(towers["footing_ohm"].notna()) + only
    more = f"{percent(number_of(above), judged)} of {counted(judged, 'tower')} with a known footing"
    more += f"; {only} by a lower limit only" if only else ""
    return _figure(
        counted(number_of(above), "tower"),
        "above their limit",
        f"{more}; line of {significant(length_km, 3)}{BLANK}km",
    )


def _unread(towers: pd.DataFrame) -> dict[str, str]:
    """Towers without a known footing."""
    unread = number_of(towers["footing_ohm"].isna())
    limited = number_of(towers["impedance_class"] == "lower bound only")
    more = f"of {counted(len(towers), 'tower')}"
    more += f"; {limited} with a lower limit only" if limited else ""
    return _figure(counted(unread, "tower"), "without a usable reading of the footing alone", more)


def _observed(rates: Mapping[str, Any]) -> dict[str, str]:
    """Recorded trip-outs."""
    what = "recorded lightning trip-outs"
    if not rates.get("observed_years"):
        return _figure("not available", what, "no record with a period")
    big = f"{rates['observed_trip_outs']} in {significant(rates['observed_years'])}{BLANK}years"
    parts = [interval(*(rates[f"observed_{end}"] for end in ("per_year", "low", "high")), unit="a year")]
    if math.isfinite(rates["observed_per_100_km_year"]):
        per_km = (rates[f"observed_per_100_km_{end}"] for end in ("year", "low", "high"))
        parts.append(interval(*per_km, unit="per 100 km and year"))
    return _figure(big, what, f"{'; '.join(parts)}; 95{BLANK}% intervals")


def _expected(rates: Mapping[str, Any]) -> dict[str, str]:
    """Trip-outs by the model alone."""
    what = "expected by the model alone"
    if "whole_line_per_year" not in rates:
        return _figure("not available", what, "see “Not available”")
    more = (
        f"80{BLANK}% interval {ends(rates['whole_line_low'], rates['whole_line_high'])}; the method adds a factor of "
        f"{significant(rates['model_factor'])} to either side"
    )
    return _figure(f"{significant(rates['whole_line_per_year'])} a year", what, more)


def _bonds(towers: pd.DataFrame) -> dict[str, str]:
    """Bonds and leads to inspect."""
    bonds = towers["suspected_cause"].isin(SHIELD_WIRE) | towers["bond_seen"].isin(["damaged", "missing"])
    leads = number_of((towers["leads_missing"] > 0).fillna(False))
    more = f"suspected from readings, or seen broken; earthing leads missing at {counted(leads, 'tower')}"
    return _figure(counted(number_of(bonds), "tower"), "with a shield-wire bond to inspect", more)


def _touch(study: Study) -> dict[str, str]:
    """Result of the touch-voltage screening."""
    screen, what = study.condition.get("safety_screen"), "above the limit of the touch-voltage screening"
    if screen is None or not screen.isin(["below", "above", "cannot tell"]).any():
        return _figure("not screened", what, "see “Not available”")
    number, often = screen.value_counts(), number_of(study.priority["queue"] == "safety")
    more = f"people often at {often} of them; cannot be decided at {number.get('cannot tell', 0)}. {cautions.TRIAGE}"
    return _figure(counted(int(number.get("above", 0)), "tower"), what, more)


def covered(study: Study) -> list[tuple[str, str, str]]:
    """Coverage of the line by tests.

    What, how many towers, which share.
    """
    row = months_apart.coverage(study, [study.month]).iloc[0]
    words = {
        "towers": "on the line",
        "tested": "tested at least once, by any visit",
        "usable": "usable: a reading of the footing alone is in force",
        "overdue": "overdue: that reading is older than its rule allows",
        "never_tested": "never tested",
    }
    return [(text, str(row[name]), percent(row[name], row["towers"])) for name, text in words.items()]


def trip_outs(study: Study) -> list[dict[str, str]]:
    """The rates side by side.

    name, rate, ends, held (what the interval covers); empty where there is none.
    """
    rows = []
    for row in each(outage_charts.comparison(study.outages)):
        if row.name.startswith("…") and not study.outages.line.get("observed_in_storm"):
            continue  # no trip-out of unknown cause in a storm: the row above is the same
        known = math.isfinite(row.low) and math.isfinite(row.high)
        between = ends(row.low, row.high) if known else "none"
        rows.append(
            {
                "name": row.name,
                "rate": significant(row.middle),
                "ends": between,
                "held": HELD.get(row.name, ""),
            }
        )
        if math.isfinite(row.far_low):
            method = f"80 % and a factor of {significant(study.outages.line['model_factor'])} of the method"
            far = ends(row.far_low, row.far_high)
            rows.append(
                {
                    "name": "… with the method factor",
                    "rate": significant(row.middle),
                    "ends": far,
                    "held": method,
                }
            )
    return rows


def changed(found: Changes | None) -> dict[str, Any]:
    """What changed since the last month.

    rows (kind, words, count, new, towers), none (kinds without a tower), remarks.
    """
    if found is None:
        return {
            "rows": [],
            "none": "",
            "remarks": ["Not available: this month was not compared with another one."],
        }
    told, rows, table = months_apart.summary(found), [], found.table
    for row in each(cast("pd.DataFrame", told[told["count"] > 0])):
        mine = table[table["kind"] == row.kind]
        news = mine[mine["since"] == NEWS]
        rows.append(
            {
                "kind": row.kind,
                "words": months_apart.KINDS[row.kind],
                "count": row.count,
                "new": row.new_count if found.against else "–",
                "towers": named((news if len(news) else mine)["tower_id"]),
            }
        )
    return {
        "rows": rows,
        "none": "; ".join(told.loc[told["count"] == 0, "kind"]),
        "remarks": list(found.remarks),
    }


MOST = 4  # assumptions shown in full
TERMS = (
    ("Trip-out", "the line is switched off by a fault, for a moment or longer"),
    (
        "Footing impedance",
        "impedance of the earthing of one tower against remote earth, without the shield wires [Ω]; a lightning stroke to a "
        "tower with a high one flashes back over the insulators",
    ),
    ("Target, limit", "good up to the target, acceptable up to the limit"),
    (
        "Lower limit only",
        "read with the shield wires in parallel or beyond the range of the instrument: the footing lies above the reading",
    ),
    ("Interval", "range that holds the true figure with the stated probability"),
    ("Calibrated", "the model weighted towards the record of the line, the more the longer the record"),
    ("Flashes collected", "strokes that hit the line; it cannot trip more often by lightning"),
    (
        "Leg currents, gap",
        "current to earth through each leg; the gap is their arithmetic sum less their vector total",
    ),
    ("Shield-wire bond", "joint between tower and shield wire"),
    (
        "Touch-voltage screening",
        "compares the voltage between hand and feet of a person who touches the tower during an earth fault with the "
        "permissible one",
    ),
    ("Chainage", "distance along the route"),
    ("Mobilisation", "bringing a crew to one access group once"),
)
TRIP_OUTS = (
    "flashes collected by Eriksson (IEEE Std 1243-1997), overvoltage and flashover of the insulation as in CIGRE "
    "Technical Brochure 63 (1991), from memory; intervals of counts by Garwood (1936)"
)


def rules(study: Study) -> list[tuple[str, str]]:
    """The rules that this page was made by, with their sources.

    Topic, rule and source.
    """
    line = study.line
    listed = [
        ("Limits", "; ".join(dict.fromkeys(study.condition["limit_rule"].dropna())) + _own_limits(study)),
        ("Order of the list", order_rule(line.plan)),
        (
            "Retest",
            f"after {significant(line.retest.normal_years)} years; after {significant(line.retest.close_years)} above the "
            f"limit or where people often are. Default: {_source('retest_normal_years')}",
        ),
        ("Interval of a reading", f"instrument and season; season by {_source('season_ratio_high')}"),
        (
            "Gap and its uncertainty",
            "The gap is this report's own indicator. Its uncertainty follows JCGM 100:2008. The link between a wide gap and a "
            "poor bond comes from circuit modelling, not from a standard.",
        ),
        ("Trip-outs", TRIP_OUTS),
    ]
    if not any("touch-voltage screening" in why.lower() for why in study.network.off):
        listed.append(
            (
                "Touch-voltage screening",
                f"{line.safety.standard}; touched share of the potential rise as in it",
            )
        )
    if study.budget.constraints is not None:
        listed.append(
            (
                "Plan",
                f"trip-outs avoided in {significant(line.plan.horizon_years)} years, discounted by "
                f"{100 * line.plan.discount_rate:.1f} % a year (default: {_source('plan_discount_rate')})",
            )
        )
    return listed


def _own_limits(study: Study) -> str:
    """Sources of the limits, unless the settings give the figures."""
    used = " ".join(study.condition["limit_rule"].dropna())
    sources = dict.fromkeys(
        f"{rule.source}{f' ({rule.year})' if rule.year else ''}, {rule.status}"
        for rule in study.records.limit_rules
        if rule.source and rule.source not in used
    )
    return f". Source: {'; '.join(sources)}" if sources and "set in line.toml" not in used else ""


def _source(name: str) -> str:
    """Source of a value and how far it is confirmed."""
    value = values.table()[name]
    return f"{value.source.rstrip('.')} [{value.status}]"


def uncertain(study: Study) -> list[str]:
    """What is uncertain, most important first."""
    towers = study.condition
    sure: Any = towers["rank_confidence"].value_counts()
    unsure = towers.loc[towers["rank_confidence"] == "open"].sort_values("impedance_rank")["tower_id"]
    parts = [
        f"Worst tenth by footing impedance: membership is sure for {counted(int(sure.get('sure', 0)), 'tower')}, likely for "
        f"{sure.get('likely', 0)}, open for {sure.get('open', 0)}"
        + (f" ({named(unsure)})." if len(unsure) else "."),
        *study.outages.remarks,
    ]
    if not bool(study.network.towers["bond_scan"].eq("").all()):
        parts.append(condition_words.ambient_on_line(study.network))
    if bool(study.condition["gap_ma"].notna().any()):
        parts.append(
            "A wide gap asks for an inspection of bond and coils. In service a narrow gap is no proof of a good bond."
        )
    return _each_once(parts)


def assumed(study: Study) -> list[str]:
    """Assumptions, the first few in full."""
    parts = _each_once(
        [*study.network.assumed, *study.outages.assumed, *study.treatments.assumed, *study.budget.assumed]
    )
    return first_lines(parts, MOST, "see the notebooks of this month.")


def off(study: Study) -> list[str]:
    """Analyses that are not available, and why."""
    return _each_once([*study.network.off, *study.outages.off, *study.treatments.off, *study.budget.off])


def unusual(study: Study) -> list[str]:
    """Remarks on records and route: rows not used, doubtful places."""
    counts = study.records.counts
    rows, rejected, repaired = (
        int(cast("Any", counts[name].sum())) for name in ("rows_in", "rejected", "repaired")
    )
    verdicts = study.grades.visits["verdict"].value_counts()
    parts = [
        f"{counted(rows, 'row')} read: {rejected} not used, {repaired} cells or rows repaired. Reasons are in "
        "rejected-rows.csv and repaired-rows.csv.",
        f"Visits: {verdicts.get('usable', 0)} usable, {verdicts.get('usable with caution', 0)} with caution, "
        f"{verdicts.get('not usable', 0)} not usable. Visits that are not usable enter no figure.",
    ]
    return parts + _each_once(study.route.remarks)


def _each_once(parts: Iterable[str]) -> list[str]:
    """Sentences without their repetitions."""
    return list(dict.fromkeys(sentence(part) for part in parts if part))
