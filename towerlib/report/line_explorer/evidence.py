"""Evidence of each tower and span in the explorer: values with units and intervals, and their basis."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from towerlib.months import last_day
from towerlib.report import cautions
from towerlib.report.line_explorer.layers import plan_year
from towerlib.text import ends, money, one_line, plain

if TYPE_CHECKING:
    from towerlib.assessment import Study


def known(value: object) -> bool:
    """Whether a value is there."""
    return not (value is None or value is pd.NA or value != value or value == "")


def paragraphs(
    tower: dict[str, Any], retest: dict[str, Any] | None, count: int, currency: str
) -> dict[str, list[str]]:
    """Paragraphs on one tower.

    Heading to its paragraphs; blank ones say nothing.
    """
    return {
        "What to do next": _next_step(tower, count),
        "Suspected cause": _cause(tower),
        "Footing": _footing(tower),
        "Leg currents in service": _currents(tower),
        "Shield-wire bond": _bond(tower),
        "Earth fault at this tower": _fault(tower),
        "Lightning": _lightning(tower),
        "Treatment": _treatment(tower, currency),
        "Next test": _retest(retest),
        "Over the years": _over_time(tower),
        "The tower": _register(tower),
    }


def _interval(value: Any, low: Any, high: Any, unit: str) -> str:
    """A value with its unit and its interval; blank without a value."""
    if not known(value):
        return ""
    if known(low) and not (known(high) and high < float("inf")):
        return f"{plain(value)} {unit} (> {plain(low)} {unit}, no upper end)"
    between = f" ({ends(low, high, 3)})" if known(low) else ""
    return f"{plain(value)} {unit}{between}"


def day(date: pd.Timestamp) -> str:
    """A day as it is written."""
    return f"{date:%Y-%m-%d}"


def _next_step(tower, count):
    """Place on the list and next step."""
    queue = (
        "no queue"
        if tower["queue"] == "none"
        else f"queue: {tower['queue']}, place {tower['queue_rank']} in it"
    )
    return [
        f"{tower['next_step']}" if known(tower["next_step"]) else "",
        f"Place {tower['rank']} of {count} on the priority list; {queue}.",
    ]


def _cause(tower):
    """Suspicion with its figures."""
    suspected, own = tower["suspected_cause"], tower["evidence"]
    if not known(suspected):
        return ["No leg currents were read."]
    seen = [
        f"{tower['leads_missing']:.0f} earthing leads missing" if tower["leads_missing"] > 0 else "",
        "heavy corrosion" if tower["corrosion"] == "heavy" else "",
        f"bond {tower['bond_seen']}" if tower["bond_seen"] in ("damaged", "missing") else "",
    ]
    told = ", ".join(each for each in seen if each)
    name = "Nothing suspected" if suspected == "none" else suspected[0].upper() + suspected[1:]
    return [f"Seen by the crew: {told}." if told else "", f"{name}.", own if known(own) else ""]


def _footing(tower):
    """The reading in force, its limit and its rank."""
    value, bound = tower["footing_ohm"], tower["lower_bound_ohm"]
    lines = []
    if known(value):
        written = _interval(value, tower["footing_low_ohm"], tower["footing_high_ohm"], "Ω")
        lines.append(f"{written}, read on {day(tower['footing_date'])}; {tower['verdict']}.")
    elif known(bound):
        lines.append(
            f"> {plain(bound)} Ω, lower limit only: read without coils or beyond the range; {tower['verdict']}."
        )
    else:
        lines.append(f"No reading of the footing is in force; {tower['verdict']}.")
    rule = f", by the rule: {tower['limit_rule']}" if known(tower["limit_rule"]) else ""
    limit = f"limit {plain(tower['limit_ohm'])} Ω" if known(tower["limit_ohm"]) else "no limit set"
    lines.append(f"Class: {tower['impedance_class']}; {limit}{rule}.")
    if known(tower["impedance_rank"]):
        lines.append(
            f"Rank by footing {tower['impedance_rank']}, within {tower['rank_low']} to {tower['rank_high']}; whether it "
            f"is among the worst tenth of the line: {tower['rank_confidence']}."
        )
    return lines


def _currents(tower):
    """Sum, total and gap."""
    if not known(tower["gap_ma"]):
        return []
    ring = (
        "A ring or counterpoise joins the legs: the gap allows no conclusion on the bond."
        if tower["ring"] is True
        else ""
    )
    fraction = f", {plain(tower['gap_fraction'])} of the sum" if known(tower["gap_fraction"]) else ""
    low = f" (> {plain(tower['gap_fraction_low'])})" if known(tower["gap_fraction_low"]) and fraction else ""
    return [
        f"Sum {plain(tower['leakage_sum_ma'])} mA, total {plain(tower['leakage_total_ma'])} mA, "
        f"gap {plain(tower['gap_ma'])} mA{fraction}{low}; read on {day(tower['leakage_date'])}.",
        ring,
    ]


def _bond(tower):
    """State of the bond with its figures."""
    state = tower["bond_state"]
    extra = _interval(tower["bond_ohm"], tower["bond_low_ohm"], tower["bond_high_ohm"], "Ω")
    scan = {"suspected": "The scan of the whole line suspects an open bond here.", "not testable": ""}
    return [
        f"State: {state}." if known(state) else "",
        f"Resistance of the bond beyond a sound one: {extra}." if extra else "",
        tower["bond_evidence"] if known(tower["bond_evidence"]) else "",
        scan.get(tower["bond_scan"], ""),
        tower["bond_scan_evidence"] if known(tower["bond_scan_evidence"]) else "",
    ]


def _fault(tower):
    """Potential rise and touch-voltage screening."""
    low, high = tower["potential_rise_low_v"], tower["potential_rise_high_v"]
    rise = _interval(tower["potential_rise_v"], low, high, "V")
    screen = tower["safety_screen"]
    return [
        f"Earth-fault potential rise {rise}; {plain(tower['fault_current_a'])} A through the footing."
        if rise
        else "",
        f"Touch-voltage screening: {screen}." if known(screen) else "",
        tower["safety_evidence"] if known(tower["safety_evidence"]) else "",
    ]


def _lightning(tower):
    """Rate, trip-outs that a better footing avoids, and assumptions."""
    rate = _interval(tower["trip_outs_per_year"], tower["trip_outs_low"], tower["trip_outs_high"], "a year")
    saved = [
        tower[name] if known(tower[name]) else None
        for name in ("avoided_to_target_per_year", "avoided_low", "avoided_high")
    ]
    saved = [max(0.0, each) if each is not None else None for each in saved]
    critical = tower["critical_current_ka"]
    return [
        f"Expected trip-outs: {rate}." if rate else "",
        f"A footing at its target would avoid {_interval(*saved, 'a year')}."
        if rate and saved[0] is not None
        else "",
        f"Smallest stroke that flashes over: {plain(critical)} kA."
        if known(critical) and critical < float("inf")
        else "",
        f"No rate: {tower['flaw']}." if known(tower["flaw"]) else "",
        f"Assumed: {tower['assumed']}." if known(tower["assumed"]) else "",
    ]


def _treatment(tower, currency):
    """Treatment in the plan."""
    year, after = tower["plan_year"], tower["predicted_ohm"]
    return [
        f"Plan year {year:.0f}." if known(year) else "",
        f"{tower['treatment']}." if known(tower["treatment"]) else "",
        f"Predicted footing {plain(after)} Ω." if known(after) else "",
        f"Cost {money(tower['cost'], currency)}." if known(tower["cost"]) else "",
        f"Package {tower['package']}." if known(tower["package"]) else "",
    ]


def _retest(row):
    """Why and when to test again."""
    if row is None:
        return ["Not on the retest list."]
    due = f" Due {day(row['due_date'])}." if known(row["due_date"]) else ""
    return [f"{row['reason']}.{due}", row["what_to_do"] if known(row["what_to_do"]) else ""]


def _over_time(tower):
    """Jump, trend, and effect of works."""
    jump, trend = tower["jump_percent"], tower["trend_percent_per_year"]
    between = (tower["trend_low_percent_per_year"], tower["trend_high_percent_per_year"])
    return [
        f"Since the reading before: {tower['jump_verdict']}{f', {plain(jump)} %' if known(jump) else ''}."
        if known(tower["jump_verdict"])
        else "",
        f"Trend {_interval(trend, *between, '% a year')}." if known(trend) else "",
        f"Works: {tower['works_verdict']}." if known(tower["works_verdict"]) else "",
        tower["history_reason"] if known(tower["history_reason"]) else "",
    ]


def _register(tower):
    """Data of the register."""
    soil = tower["soil_resistivity_ohm_m"]
    ring = {True: "ring or counterpoise joins the legs", False: "no ring recorded"}.get(
        tower["ring"], "ring not recorded"
    )
    words = [
        tower["structure"],
        ring,
        f"soil {plain(soil)} Ω·m" if known(soil) else "",
        *(f"{name}: {tower[name]}" if known(tower[name]) else "" for name in ("occupancy", "access")),
    ]
    place = (tower["latitude_deg"], tower["longitude_deg"])
    return [
        "; ".join(word for word in words if known(word)) + ".",
        f"{place[0]:.6f}°, {place[1]:.6f}° (WGS 84).".replace("-", "−")
        if all(map(known, place))
        else "No position.",
    ]


SECTIONS = {  # heading, and the words that its terms need
    "What to do next": "Queue: why the tower is on the priority list. Safety is not traded against cost.",
    "Suspected cause": f"From leg currents and observations of the crew. {cautions.SUSPICION}",
    "Footing": "In brackets: interval from instrument and season. Rank 1: the highest on the line.",
    "Leg currents in service": "Gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault.",
    "Shield-wire bond": f"The joint between tower and shield wire. {cautions.INSPECT_BOND} "
    "Resistance below zero: the reading is lower than a sound bond allows.",
    "Earth fault at this tower": "Potential rise: voltage of the tower against remote earth during the fault. "
    f"{cautions.TRIAGE}",
    "Lightning": "Trip-out: a stroke flashes back over the insulators and the breakers open. In brackets: 80 % interval from "
    "readings and settings. The method adds a factor of 2 to 5.",
    "Treatment": "Treatment in the plan; cost in the currency of the line.",
    "Next test": "",
    "Over the years": "Comparable readings only: same method, season and probes.",
    "The tower": "",
    "Visits, newest first": "Verdict: whether the reading can be trusted, by the quality rules.",
}


def of_towers(study: Study) -> list[dict[str, list[str]]]:
    """Paragraphs of every tower.

    One per tower in the order of the condition: key of `SECTIONS` to its paragraphs; blank ones left out.
    """
    towers = _joined(study)
    seen, retests = _visits(study), study.retest.set_index("tower_id", drop=False).to_dict("index")
    told = []
    for tower in towers.to_dict("records"):
        name = tower["tower_id"]
        parts = paragraphs(tower, retests.get(name), len(towers), study.line.plan.currency)
        parts["Visits, newest first"] = seen.get(name, ["No visit up to this month."])
        told.append({title: kept for title, some in parts.items() if (kept := [p for p in some if p])})
    return told


def of_spans(spans: pd.DataFrame) -> list[list[str]]:
    """Paragraphs of every span.

    One a span in their order.
    """
    told = []
    for span in spans.to_dict("records"):
        state = {
            "suspected": "A broken shield wire is suspected in this span.",
            "none": "Nothing is suspected here.",
        }
        told.append(
            [
                f"Length {span['length_m']:.0f} m.",
                state.get(span["span_scan"], f"Scan: {span['span_scan']}.")
                if known(span["span_scan"])
                else "Not judged.",
                span["span_evidence"] if known(span["span_evidence"]) else "",
                f"Next step: inspect wire, joints and bonds at both towers. {cautions.INSPECT_SPAN}"
                if span["span_scan"] == "suspected"
                else "",
            ]
        )
    return [[text for text in each if text] for each in told]


def _joined(study):
    """All columns of each tower in one row; a column of two tables is taken from the first."""
    condition, plan = study.condition, plan_year(study)
    towers = condition.assign(plan_year=condition["tower_id"].map(plan) if plan is not None else float("nan"))
    for other in (study.network.towers, study.outages.towers, study.priority):
        fresh = ["tower_id", *(name for name in other if name not in towers)]
        towers = towers.merge(other[fresh], on="tower_id", how="left", validate="1:1")
    blank = [name for name in ("treatment", "cost", "predicted_ohm", "package") if name not in towers]
    return towers.assign(**dict.fromkeys(blank))


def _visits(study):
    """One line per visit, newest first, by tower."""
    visits = study.grades.visits
    visits = visits[visits["date"] <= last_day(study.month)].sort_values(
        "date", ascending=False, kind="stable"
    )
    columns = ["tower_id", "date", "method", "impedance_ohm", "verdict", "reasons"]
    sides = visits["impedance_ohm_bound"] if "impedance_ohm_bound" in visits else [None] * len(visits)
    told = {}
    for (tower, date, method, ohm, verdict, reasons), side in zip(
        visits[columns].itertuples(index=False), sides, strict=True
    ):
        sign = f"{side} " if known(side) else ""
        read = f"{sign}{plain(ohm)} Ω" if known(ohm) else "no impedance"
        why = f": {one_line(reasons)}" if known(reasons) else ""
        told.setdefault(tower, []).append(
            f"{day(date)}, {method if known(method) else 'method not recorded'}: {read}, {verdict}{why}"
        )
    return told
