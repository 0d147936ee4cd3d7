"""The page of one line and month, for the decision: one HTML file that needs no other, and a PDF of it."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch
from pyproj import Transformer

from towerlib import changes as months_apart
from towerlib import values
from towerlib.changes.differences import NEWS
from towerlib.config.sections import OFTEN_VISITED
from towerlib.errors import SettingsError
from towerlib.plan import order_rule
from towerlib.plan import sensitivity as plans
from towerlib.plan.priority import bonds_to_inspect
from towerlib.readings.causes import BOND_GONE
from towerlib.report import (
    cautions,
    condition_charts,
    condition_words,
    layout,
    map_layers,
    outage_results,
    pages,
    plan_words,
    style,
    tower_marks,
)
from towerlib.report.pages import Answer
from towerlib.report.tower_marks import each, number_of
from towerlib.sentences import wording
from towerlib.text import (
    BLANK,
    counted,
    ends,
    first_lines,
    interval,
    money,
    named,
    percent,
    plain,
    sentence,
    significant,
)

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.changes import Changes
    from towerlib.config.sections import Plan
    from towerlib.plan.sensitivity import Outlook


GRADES = "ABCD"
RULE = (
    "The weakest of these figures decides. A: work from the ranks of this page. B: single towers lack readings. C: many "
    "towers lack readings. D: test first. The steps are our own judgement; no standard grades such data."
)


@dataclass(frozen=True)
class Measure:
    """One figure of the grade [%], the higher the better, with the least percent of A, of B, of C."""

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
    """Expected trip-outs a year, their cost, and the trip-outs that treating the worst tenth would avoid."""
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
    """The state of the line in figures: the figure, what it counts, its interval or basis."""
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
    limited = number_of(towers["impedance_class"] == "lower limit only")
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
    bonds = bonds_to_inspect(towers)
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
    """Coverage of the line by tests: what is counted, number of towers, share."""
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
    """The rates side by side with their intervals and what these cover; empty where there is none."""
    rows = []
    for row in each(outage_results.comparison(study.outages)):
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
    """Changes since the last month by kind with their towers, the kinds without one, and remarks."""
    if found is None:
        return {
            "rows": [],
            "none": "",
            "remarks": ["Not available: this month was not compared with another one."],
        }
    kinds, rows, table = months_apart.summary(found), [], found.table
    for row in each(cast("pd.DataFrame", kinds[kinds["count"] > 0])):
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
        "none": "; ".join(kinds.loc[kinds["count"] == 0, "kind"]),
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
    """Topic, rule and source of each rule that this page was made by."""
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
    return f". Source: {'; '.join(sources)}" if sources and "(set " not in used else ""


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


FIRST = 10
AS_PLANNED = (
    f"The treatment listed, as planned. {wording('confirm')}"  # so that one heading serves many towers
)
SAFETY = 5  # shown one by one; the others are named
NO_CAUSE = ("none", "no leg currents read", "cannot tell", "too small to judge")


def first_ten(study: Study) -> list[dict[str, Any]]:
    """The first ten of the priority list, grouped by queue and next step."""
    towers = study.condition.set_index("tower_id")
    first = cast("pd.DataFrame", study.priority[study.priority["queue"] != "none"].head(FIRST))
    rows = [_tower(row, towers.loc[row.tower_id], study.line.plan) for row in each(first)]
    groups = groupby(rows, key=lambda tower: (tower["queue"], tower["next_step"]))
    return [{"queue": queue, "next_step": step, "towers": list(members)} for (queue, step), members in groups]


def _tower(row: Any, state: Any, plan: Plan) -> dict[str, Any]:
    """One tower of the list."""
    return {
        "queue": row.queue,
        "next_step": AS_PLANNED if row.next_step.startswith("Planned: ") else row.next_step,
        "rank": int(row.rank),
        "tower_id": row.tower_id,
        "km": significant(row.chainage_km, 3) if pd.notna(row.chainage_km) else "–",
        "footing": footing(row, state),
        "read": f"{row.footing_date:%Y-%m-%d}, " if pd.notna(row.footing_date) else "",
        "verdict": row.verdict,
        "cause": cause(row, state),
        "avoided": avoided(row),
        "treatment": treatment(row, state, plan),
    }


def footing(row: Any, state: Any) -> str:
    """Footing impedance with its interval, or its lower limit."""
    if pd.notna(row.footing_ohm):
        return interval(row.footing_ohm, row.footing_low_ohm, row.footing_high_ohm, "Ω", 3)
    bound = state["lower_bound_ohm"]
    return f"> {significant(bound, 3)}{BLANK}Ω, lower limit only" if bool(pd.notna(bound)) else "not known"


def cause(row: Any, state: Any) -> str:
    """Suspected cause of a tower's place on the list, in words."""
    parts = []
    if state.get("safety_screen") == "above" and state["occupancy"] in OFTEN_VISITED:
        parts.append(f"touch-voltage screening; people: {state['occupancy']}")
    if pd.notna(state["leads_missing"]) and state["leads_missing"] > 0:
        parts.append(f"{counted(int(state['leads_missing']), 'earthing lead')} missing, seen by the crew")
    if bool(state["corrosion"] == "heavy"):
        parts.append("heavy corrosion, seen by the crew")
    if state["bond_seen"] in BOND_GONE:
        parts.append(f"shield-wire bond {state['bond_seen']}, seen by the crew")
    if pd.notna(row.suspected_cause) and row.suspected_cause not in NO_CAUSE:
        parts.append(f"leg currents: {row.suspected_cause}")
    known = row.footing_ohm if pd.notna(row.footing_ohm) else state["lower_bound_ohm"]
    if pd.notna(known) and known > row.limit_ohm:
        parts.append(f"footing {significant(known / row.limit_ohm, 3)} times its limit")
    elif bool(pd.isna(known)):
        parts.append("no usable reading")
    text = "; ".join(parts) or "within its limit"
    return text[:1].upper() + text[1:]


def avoided(row: Any) -> str:
    """Trip-outs that the treatment named would avoid a year."""
    if pd.isna(row.avoided_per_year):
        return "not known"
    if row.avoided_high < 0.001:
        return "under 0.001"
    return interval(row.avoided_per_year, row.avoided_low, row.avoided_high)


def treatment(row: Any, state: Any, plan: Plan) -> str:
    """Treatment with its cost, and whether the plan holds it."""
    if pd.isna(row.treatment) or not row.treatment:
        return "none listed"
    text = row.treatment
    if pd.notna(row.cost) and math.isfinite(row.cost):
        between = ends(state.get("cost_low"), state.get("cost_high"))
        text += f", {money(row.cost, plan.currency, digits=2)}" + (f" ({between})" if between else "")
    else:
        text += ", no price"
    planned = pd.notna(row.package) and row.package
    return text + (f"; in the plan, {row.package}" if planned else "; not in the plan")


def safety(study: Study) -> dict[str, Any]:
    """Safety items, which are not traded against cost: towers with evidence, more sentences, why there is no screening."""
    queued: Any = study.priority.loc[study.priority["queue"] == "safety", "tower_id"]
    state: Any = study.condition.set_index("tower_id")
    items = [(tower, state.loc[tower].get("safety_evidence") or "") for tower in queued.head(SAFETY)]
    more = []
    if len(queued) > SAFETY:
        rest = queued.iloc[SAFETY:]
        more.append(f"Also in this queue: {counted(len(rest), 'tower')}, {named(rest)}.")
    screen = state.get("safety_screen")
    others = [] if screen is None else list(state.index[(screen == "above") & ~state.index.isin(queued)])
    if others:
        more.append(
            f"Also above the limit, where people come seldom or occupancy is not recorded: {named(others)}. "
            "Record the occupancy (towers.csv)."
        )
    gone = state.index[(state["leads_missing"] > 0).fillna(False)]
    if len(gone):
        more.append(f"Earthing leads missing, to be repaired whatever they avoid: {named(gone)}.")
    off = [
        why
        for why in study.network.off
        if "touch-voltage screening" in why.lower() or "earth-fault" in why.lower()
    ]
    return {"towers": items, "more": more, "off": off}


MOST_CHECKS = 4


def bought(study: Study, levels: pd.DataFrame | None) -> list[dict[str, str]]:
    """The budgets side by side, the first without any work; empty without a plan."""
    if levels is None or levels.empty:
        return []
    rate = study.outages.line.get("whole_line_per_year", math.nan)
    nothing = dict.fromkeys(("budget", "spent", "works", "towers", "avoided", "weeks"), "0")
    nothing |= {"level": "do nothing", "left": significant(rate), "each": "–", "further": "–"}
    return [nothing, *(_level(row, rate) for row in each(levels))]


def _level(row: Any, rate: float) -> dict[str, str]:
    """One budget."""
    known = {"level": row.level, "budget": significant(row.budget, 3)}
    if not math.isfinite(row.spent):
        blank = dict.fromkeys(("spent", "works", "towers", "left", "each", "further", "weeks"), "–")
        return known | blank | {"avoided": sentence(row.how)}
    further = 1 / row.added_per_cost if row.added_per_cost > 0 else math.nan
    return known | {
        "spent": significant(row.spent, 3),
        "works": ends(row.cost_low, row.cost_high),
        "towers": f"{row.towers:.0f}",
        "avoided": interval(row.avoided_per_year, row.avoided_low, row.avoided_high),
        "left": significant(max(rate - row.avoided_per_year, 0.0)) if math.isfinite(rate) else "–",
        "each": significant(row.cost_per_benefit),
        "further": significant(further),
        "weeks": significant(row.crew_weeks),
    }


def remarks(study: Study, levels: pd.DataFrame | None, outlook: Outlook | None = None) -> list[str]:
    """Remarks on the plan: calibration, whether it pays, years, simpler rules, knee, next tests."""
    if study.budget.plan is None:
        return [sentence(why) for why in plan_words.no_plan(study.budget)] or ["There is no plan."]
    return [
        *_worth(study, levels),
        *_years(study),
        cast("Any", study.budget.plan).how,
        *plan_words.beside_rules(study.budget.methods),
        *_calibration(study),
        *_knee(outlook, study.line.plan.currency),
        *_tests(study, outlook),
    ]


def _calibration(study: Study) -> Iterator[str]:
    """How the record compares with the model."""
    line = study.outages.line
    if "calibration_factor" in line:
        factor = interval(line["calibration_factor"], line["calibration_low"], line["calibration_high"])
        yield (
            f"The figures of this table are the model's. The record of this line suggests {factor} times as many trip-outs, "
            "avoided ones included. The order of the towers hardly depends on it."
        )
    elif "whole_line_per_year" in line:
        yield (
            f"The figures of this table are the model's; the method adds a factor of {significant(line['model_factor'])} to "
            "either side. The order of the towers hardly depends on it."
        )


def _worth(study: Study, levels: pd.DataFrame | None) -> Iterator[str]:
    """Whether the budget pays by trip-outs alone."""
    price, currency = study.line.plan.cost_per_trip_out, study.line.plan.currency
    table: Any = levels
    known = levels is not None and len(levels)
    spent = table.set_index("level")["cost_per_benefit"].get("middle", math.nan) if known else math.nan
    if not price or not math.isfinite(spent):
        return
    verdict, less = ("pays", "less") if spent < price else ("does not pay", "more")
    yield (
        f"The middle budget {verdict} by trip-outs alone: each one avoided costs {money(spent, currency, digits=2)}, {less} than "
        f"the {money(price, currency, digits=2)} that a trip-out costs. That price is seldom well known; the plan itself "
        "counts trip-outs and does not depend on it."
    )


def _years(study: Study) -> Iterator[str]:
    """The budget as set, year by year."""
    plan: Any = study.budget.plan
    parts = [
        f"year {row.year:.0f}: {counted(int(row.towers), 'tower')}, "
        f"{money(row.spent, study.line.plan.currency, digits=2)}, {significant(row.crew_weeks)} crew-weeks, "
        f"{counted(int(row.mobilisations), 'mobilisation')}"
        for row in each(plan.years)
    ]
    must = number_of(plan.works["must_do"])
    owed = f" Must-do works among them: {must}." if must else ""
    yield f"Plan with the budget as set: {'; '.join(parts)}.{owed}"


def _knee(outlook: Outlook | None, currency: str) -> Iterator[str]:
    """Budget from which more money avoids less."""
    if outlook is None or outlook.curve.empty or not bool(outlook.curve["at_knee"].any()):
        return
    row = outlook.curve[outlook.curve["at_knee"]].iloc[0]
    yield (
        f"Knee of the budget curve: near {money(row['budget'], currency, digits=2)}. Beyond it money avoids fewer trip-outs "
        "than on the average of the whole curve."
    )


def _tests(study: Study, outlook: Outlook | None) -> Iterator[str]:
    """Tests of highest expected value."""
    again, towers = len(study.retest), study.condition
    unsure = number_of(towers["rank_confidence"] == "open")
    text = f"Retest list: {counted(again, 'tower')}. Membership of the worst tenth is open for {counted(unsure, 'read tower')}."
    if outlook is not None and len(outlook.tests):
        yield f"{text} Tests of highest expected value for the plan: tower {named(outlook.tests['tower_id'])}."
    else:
        yield f"{text} A further test there is worth most."


def checks(study: Study, levels: pd.DataFrame | None) -> list[str]:
    """How success will be checked."""
    works, parts = study.budget.works, []
    if len(works):
        ways = works["verify"].fillna("").replace("", "a way still to be set").value_counts()
        some = [f"{counted(int(number), 'work')} by {way}" for way, number in ways.head(MOST_CHECKS).items()]
        parts.append(f"First by each work: {'; '.join(some)}.")
        verified = number_of(works["predicted_ohm"].notna())
        parts.append(
            f"{counted(verified, 'work')} of {len(works)} have a predicted footing to compare with the retest. The "
            "changes of each month separate “fixed and verified”, “fixed not verified” and “did not work”."
        )
    else:
        parts.append("There is no plan to check yet. Each treatment asks for a retest by the same method.")
    return parts + list(_proof(study, levels))


def _proof(study: Study, levels: pd.DataFrame | None) -> Iterator[str]:
    """How long until trip-outs show it."""
    years: Any = study.outages.years
    if years.empty or years["years_each_side"].isna().all():
        yield "Time until trip-outs show it: not available, no rate of this line is known."
        return
    cut = _cut(study, levels)
    near = years.loc[(years["cut_fraction"] - cut).abs().idxmin()]
    after = near["years_after_record"] if pd.notna(near["years_after_record"]) else near["years_each_side"]
    how = "more than 60 years" if math.isinf(after) else f"about {counted(int(after), 'year')}"
    yield (
        f"Then by trip-outs, slowly. If {percent(near['cut_fraction'])} of them ceased, this line alone would show it {how} "
        "after the work (one-sided 5 %, power 80 %). Results pooled over treated lines, each with its flashes counted, show "
        "it sooner. One good year after a bad one proves nothing."
    )


def _cut(study: Study, levels: pd.DataFrame | None) -> float:
    """Part of the trip-outs that the middle budget would avoid; a half where there is no plan."""
    rate = study.outages.line.get("trip_outs_per_year", math.nan)
    if levels is None or levels.empty or not rate > 0:
        return 0.5
    middle = cast("Any", levels.set_index("level")["avoided_per_year"].get("middle", math.nan))
    return middle / rate if math.isfinite(middle) else 0.5


STRIP_MM = (24, 46)  # least and most height of the strip
EDGE_MM = 11  # from the route to the edge of the strip: room for names
HISTOGRAM_MM = (100, 58)
PROFILE_MM = 66  # height of the profile
BAR_MM = 40  # length of the scale bar at most


def pictures(study: Study) -> dict[str, dict[str, Any]]:
    """Strip, profile and histogram, each with its words for those who do not see it, or the reason why there is none."""
    with warnings.catch_warnings():
        # a name in letters that the font lacks shows boxes; the tables of the page have it in full
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        return {
            "strip": _picture(strip(study), _strip_words(study), "No tower of this line has a position."),
            "profile": _picture(route_profile(study), _profile_words(study), condition_charts.NO_FOOTING),
            "histogram": _picture(histogram(study), _histogram_words(study), condition_charts.NO_FOOTING),
        }


def _picture(figure: Figure | None, alt: str, why: str) -> dict[str, Any]:
    """One picture as the page takes it, or why there is none."""
    return pages.picture(figure, why if figure is None else alt)


def sheet(wide_mm: float, high_mm: float) -> Figure:
    """Page of a picture of a size [mm], without heading and not known to pyplot."""
    figure = Figure(figsize=(wide_mm / 25.4, high_mm / 25.4), dpi=pages.DOTS, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def route_profile(study: Study) -> Figure | None:
    """Footing impedance along the route; None where there is none."""
    towers = tower_marks.with_value(study.condition)
    if not bool((towers["value_ohm"] > 0).any()):
        return None
    with style.house():
        figure = sheet(layout.WIDTH_MM, PROFILE_MM)
        room = layout.WIDTH_MM - condition_charts.LEFT_MM - layout.MARGIN_MM
        top = layout.legend(
            figure, condition_charts.profile_handles(towers), condition_charts.LEFT_MM, 1.5, room
        )
        axes = layout.new_panel(
            figure, condition_charts.LEFT_MM, top + 10, condition_charts.WIDE_MM, PROFILE_MM - top - 10 - 6
        )
        condition_charts.draw_profile(axes, towers, study.line)
        return figure


def histogram(study: Study) -> Figure | None:
    """Histogram of the footing impedances with limits; None where there is none."""
    towers = tower_marks.with_value(study.condition)
    tested = cast("pd.DataFrame", towers[towers["kind"].isin(tower_marks.TESTED) & (towers["value_ohm"] > 0)])
    if tested.empty:
        return None
    with style.house():
        figure = sheet(*HISTOGRAM_MM)
        top = layout.legend(figure, condition_charts.distribution_handles(tested), 4, 1.5, 98)
        condition_charts.draw_distribution(
            layout.new_panel(figure, 14, top + 10, 74, HISTOGRAM_MM[1] - top - 10 - 9), tested
        )
        return figure


def strip(study: Study) -> Figure | None:
    """The route to scale, turned so that the first station lies left; None without positions.

    Towers by class, the first of the priority list named, a scale bar, and an arrow to true north.
    """
    towers, _ = map_layers.framed(map_layers.placed(study.route, study.condition, "impedance"))
    if towers.empty:
        return None
    towers = towers.sort_values("chainage_m", kind="stable")
    stations, _ = map_layers.stations(towers, study.route.crs, study.line)
    turn, centre = turned(towers[["x", "y"]].to_numpy(float))
    towers, stations = (_placed(some, turn, centre) for some in (towers, stations))
    with style.house():
        figure, axes = _strip_panel(np.vstack([towers[["x", "y"]], stations[["x", "y"]]]))
        axes.plot(towers["x"], towers["y"], color=style.FAINT, linewidth=0.9, zorder=2)
        covered = _strip_towers(axes, towers)
        axes.plot(stations["x"], stations["y"], "s", markersize=6, color=style.INK, zorder=3)
        _strip_names(axes, towers, stations, study.priority, covered)
        _scale_bar(figure, axes)
        _north(figure, study.route.crs, turn, centre)
        return figure


def turned(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn (rows: along the page, and up) that lays a route along the page, first tower left, and its middle [m].

    >>> turned(np.array([[0.0, 0.0], [0.0, 5.0]]))[0].round(9) + 0.0
    array([[ 0.,  1.],
           [-1.,  0.]])
    """
    centre = (places.min(axis=0) + places.max(axis=0)) / 2
    along = places[-1] - places[0]
    if not np.hypot(*along) > 0:
        along = np.array([1.0, 0.0])
    along = along / np.hypot(*along)
    return np.array([along, [-along[1], along[0]]]), centre


def _placed(some, turn, centre):
    """The same rows with their places turned."""
    places = (some[["x", "y"]].to_numpy(float) - centre) @ turn.T
    return some.assign(x=places[:, 0], y=places[:, 1])


def _strip_panel(places):
    """Page and panel of the strip, to scale."""
    low, high = places.min(axis=0), places.max(axis=0)
    wide, tall = np.maximum(high - low, 1.0)
    room = layout.WIDTH_MM - 2 * EDGE_MM
    metres = max(wide / room, tall / (STRIP_MM[1] - 2 * EDGE_MM))
    height = max(STRIP_MM[0], tall / metres + 2 * EDGE_MM)
    figure = sheet(layout.WIDTH_MM, height + 8)
    axes = layout.new_panel(figure, 0, 8, layout.WIDTH_MM, height)
    middle, half = (low + high) / 2, np.array([layout.WIDTH_MM, height]) * metres / 2
    axes.set(xlim=middle[0] + half[0] * np.array([-1, 1]), ylim=middle[1] + half[1] * np.array([-1, 1]))
    axes.set_axis_off()
    return figure, axes


def _strip_towers(axes, towers):
    """Draw the towers by class; give the boxes that they take."""
    size, covered = 4.2 if len(towers) <= 200 else 3.0, [np.empty((0, 4))]
    for order, (name, mark) in enumerate(style.MARKS.items()):
        some = towers[towers["kind"] == name]
        style.dots(axes, some["x"], some["y"], mark, name=name, size=size, zorder=4 + 0.1 * order)
        covered.append(layout.box_of(axes, some["x"], some["y"], size * mark.size))
    return np.vstack(covered)


def _strip_names(axes, towers, stations, priority, covered):
    """Name both stations, the first ten of the list, and round kilometres, given room."""
    covered = np.vstack([covered, layout.box_of(axes, stations["x"], stations["y"], 8)])
    wishes = [(s.x, s.y, layout.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in each(stations)]
    taken = layout.place_labels(axes, wishes, covered, fontsize=style.TEXT_PT, weight="bold")
    first = priority.head(10).merge(towers[["tower_id", "x", "y"]], on="tower_id", validate="1:1")
    wishes = [(t.x, t.y, f"{t.rank}: {layout.shortened(t.tower_id, 24)}") for t in each(first)]
    layout.place_labels(axes, wishes, covered, taken)


def _scale_bar(figure, axes):
    """A bar of a round length at the foot."""
    metres = np.ptp(axes.get_xlim()) / layout.WIDTH_MM
    length = layout.round_step(BAR_MM * metres, 2)  # no longer than the bar may be
    wide = length / metres
    left, foot = layout.MARGIN_MM, 4.5
    corners = [left, left, left + wide, left + wide], [foot + 1, foot, foot, foot + 1]
    transform = layout.millimetres(figure)
    figure.add_artist(Line2D(*corners, color=style.INK, linewidth=1.2, transform=transform))
    text = f"{plain(length / 1000)} km" if length >= 1000 else f"{plain(length)} m"
    layout.write_on(figure, left + wide + 2, foot, text, va="center")
    layout.write_on(
        figure, left + wide + 18, foot, "Number: rank in the priority list, then the tower.", va="center"
    )


def _north(figure, crs, turn, centre):
    """An arrow to true north at the right foot."""
    back = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = back.transform(*centre)
    step = -0.01 if latitude > 80 else 0.01
    there = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude + step)
    way = turn @ ((np.array(there) - centre) * np.sign(step))
    way = 3.2 * way / np.hypot(*way)
    at = np.array([layout.WIDTH_MM - 9, 4.6])
    looks = {"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0}
    arrow = FancyArrowPatch(
        at - way, at + way, mutation_scale=7, transform=layout.millimetres(figure), **looks
    )
    figure.add_artist(arrow)
    layout.write_on(figure, at[0] - 5.5, at[1], "true north", ha="right", va="center")


def _strip_words(study):
    """The strip in words."""
    first = ", ".join(study.priority["tower_id"].head(10))
    return (
        f"Map strip of the route, {len(study.condition)} towers to scale, first station left. The first of the "
        f"priority list, in its order: {first}."
    )


def _profile_words(study):
    """The profile in words."""
    towers = tower_marks.with_value(study.condition)
    worst = tower_marks.worst(cast("pd.DataFrame", towers[towers["value_ohm"] > 0]), "impedance_rank", 5)
    return (
        f"Footing impedance along the route with bars for the interval of each reading, target and limit as steps. "
        f"{tower_marks.counts(towers)} Highest: {', '.join(f'{t.tower_id} {t.words}' for t in each(worst))}."
    )


def _histogram_words(study):
    """The histogram in words."""
    ohm = study.condition["footing_ohm"].astype(float).dropna()
    ends = ohm.quantile([0.1, 0.5, 0.9]).tolist() if len(ohm) else [float("nan")] * 3
    low, middle, high = (plain(float(f"{end:.3g}")) for end in ends)
    return (
        f"Histogram of {len(ohm)} footing impedances with target and limit: half of them at or below {middle} Ω, "
        f"a tenth at or below {low} Ω, a tenth above {high} Ω."
    )


NO_PDF = "summary.pdf needs WeasyPrint: install towerlib with its extra, pip install 'towerlib[pdf]', or print the page"


def write(
    study: Study, path: str | Path, changes: Changes | None = None, *, outlook: Outlook | None = None
) -> Path:
    """Write ``summary.html``: no time and no path in it, so the same records give the same bytes.

    Without an outlook three budgets are planned here, and knee and next tests are left out.
    """
    path = Path(path)
    path.write_bytes(page(study, changes, outlook=outlook).encode("utf-8"))
    return path


def page(study: Study, changes: Changes | None = None, *, outlook: Outlook | None = None) -> str:
    """The page as HTML without scripts and without anything from elsewhere; prints on A4 upright."""
    levels = _levels(study, outlook)
    parts = measures(study)
    return pages.render(
        "summary.html",
        line=study.line,
        month=study.month,
        headline=headline(study),
        figures=problem(study),
        pictures=pictures(study),
        coverage=covered(study),
        measures=parts,
        grade=overall(parts),
        grade_rule=RULE,
        first_ten=first_ten(study),
        safety=safety(study),
        trip_outs=trip_outs(study),
        no_rate=EMPTY,
        budgets=bought(study, levels),
        plan_remarks=remarks(study, levels, outlook),
        checks=checks(study, levels),
        changed=changed(changes),
        uncertain=uncertain(study),
        assumed=assumed(study),
        off=off(study),
        unusual=unusual(study),
        rules=rules(study),
        terms=TERMS,
    )


def _levels(study: Study, outlook: Outlook | None) -> pd.DataFrame | None:
    """Plans at three budgets; None without a plan."""
    if outlook is not None:
        return outlook.levels
    return None if study.budget.plan is None else plans.levels(study.budget, study.condition)


def write_pdf(page_path: str | Path, path: str | Path) -> Path:
    """The page as PDF. Raises `SettingsError` where WeasyPrint, the optional extra ``pdf``, is missing."""
    try:
        from weasyprint import HTML  # pyright: ignore[reportMissingImports]  # an optional extra
        from weasyprint.urls import URLFetcher  # pyright: ignore[reportMissingImports]
    except (ImportError, OSError):  # OSError: the libraries of the system that it draws with are not there
        raise SettingsError(NO_PDF) from None
    inside = URLFetcher(
        allowed_protocols=["data"], fail_on_errors=True
    )  # nothing is read but the page itself
    text = Path(page_path).read_text(encoding="utf-8")
    HTML(string=text, url_fetcher=inside).write_pdf(str(path), pdf_tags=True)
    return Path(path)
