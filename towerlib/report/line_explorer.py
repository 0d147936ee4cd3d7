"""The explorer of a line: map and route profile linked, month by month, with the evidence of every tower and span.

One HTML file that needs no other and asks no network. Places are kilometres of the grid of the route. A layer holds the
history of one figure of all towers, so the page can go back month by month.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import condition
from towerlib.condition import CLASSES, impedance_class
from towerlib.months import last_day
from towerlib.readings import standing
from towerlib.readings.causes import BOND_GONE
from towerlib.report import cautions, layout, map_layers, pages, style, tower_marks
from towerlib.report.style import CONTEXT, HOLLOW, SHAPES, SPANS
from towerlib.text import THIN, ends, grouped, money, one_line, percent, plain, with_ohm_sign

if TYPE_CHECKING:
    import geopandas as gpd
    from bokeh.models import LayoutDOM
    from pyproj import CRS

    from towerlib.assessment import Study
    from towerlib.config import Line
    from towerlib.config.sections import Seasons


COLUMNS = ["tower_id", "month", "date", "value", "low", "high", "verdict", "bounded", "upper"]


def footing_changes(visits: pd.DataFrame, towers: pd.DataFrame, seasons: Seasons, month: str) -> pd.DataFrame:
    """Changes of the footing impedance in force, or of its lower limit while nothing better is known, up to a month.

    One row per tower and month with a reading: tower_id, month (months since the year 0), date, value, low, high [Ω],
    verdict, bounded (lower limit only), upper (upper limit only); in force until the next row of the tower. Rules:
    `towerlib.readings.standing`; a lower limit counts only before the first reading of the footing alone.
    """
    visits = _seen(visits, month)
    read = standing.changes(standing.footings(visits), "footing_verdict")
    limits = standing.changes(standing.lower_limits(visits), "footing_verdict")
    interval = condition.reading_intervals(read, towers, seasons, _limit_then(read, limits))
    ends = {"low": interval["footing_low_ohm"], "high": interval["footing_high_ohm"]}
    known = _rows(read, "impedance_ohm", read["footing_verdict"], **ends)
    known = known.assign(bounded=False, upper=standing.upper_limits(read).to_numpy(bool))
    certain = _rows(limits, "impedance_ohm", limits["footing_verdict"]).assign(bounded=True, upper=False)
    return _merged([known, certain])


def _limit_then(read, limits):
    """Lower limit by other visits in force when each reading came [Ω], by the index of the readings."""
    known = limits[["tower_id", "month", "impedance_ohm"]].sort_values("month", kind="stable")
    order = read[["tower_id", "month"]].assign(_row=read.index).sort_values("month", kind="stable")
    found = pd.merge_asof(order, known, on="month", by="tower_id")
    return found.set_index("_row")["impedance_ohm"].reindex(read.index)


def verdict_changes(visits: pd.DataFrame, in_force: pd.DataFrame, month: str) -> pd.DataFrame:
    """Changes of the verdict on the reading in force: "not usable" from the first visit on until one is in force."""
    flawed = standing.changes(_seen(visits, month), "footing_verdict").assign(
        footing_verdict=standing.REFUSED, impedance_ohm=np.nan
    )
    return _merged([in_force, _rows(flawed, "impedance_ohm", flawed["footing_verdict"])])


def gap_changes(visits: pd.DataFrame, currents: pd.DataFrame, month: str) -> pd.DataFrame:
    """Changes of the gap over the arithmetic sum in force, up to a month; columns as in `footing_changes`."""
    read = standing.changes(standing.gaps(_seen(visits, month), currents), "leakage_verdict")
    return _merged([_rows(read, "gap_of_sum", read["leakage_verdict"], low=read["gap_fraction_low"])])


def _seen(visits, month):
    """Visits up to the last day of a month."""
    return cast("pd.DataFrame", visits[visits["date"] <= last_day(month)])


def _rows(visits, value, verdict, low: Any = np.nan, high: Any = np.nan):
    """Changes in their columns."""
    return pd.DataFrame(
        {
            "tower_id": visits["tower_id"],
            "month": visits["month"],
            "date": visits["date"],
            "value": visits[value].astype("float64"),
            "low": low,
            "high": high,
            "verdict": verdict,
        }
    )


def _merged(streams):
    """Changes of all streams; one gives way for good from the month in which a better one begins."""
    kept: list[pd.DataFrame] = []
    begins = pd.Series(dtype="float64")
    for stream in streams:
        first = stream["tower_id"].map(begins).astype("float64").fillna(np.inf)
        kept.append(cast("pd.DataFrame", stream[stream["month"] < first]))
        starts = cast("pd.Series", stream.groupby("tower_id")["month"].min().astype("float64"))
        begins = cast(
            "pd.Series", pd.concat([begins, starts]).groupby(level=0).min() if len(begins) else starts
        )
    found = pd.concat([part for part in kept if len(part)] or kept[:1])
    found = found.reindex(columns=COLUMNS).assign(
        bounded=found.get("bounded", False), upper=found.get("upper", False)
    )
    found["bounded"] = found["bounded"].astype("boolean").fillna(False).astype(bool)
    return found.sort_values(["tower_id", "month"], kind="stable").reset_index(drop=True)


@dataclass(frozen=True)
class Layer:
    """One thing to show of all towers, with its classes (`looks`, the last drawn on top) and lines along the route.

    `changes`: tower, month (months since the year 0), kind (place in `looks`), value, low, high; a row applies until
    the next of its tower. `rows`: texts at the axis of the profile.
    """

    key: str
    name: str
    meaning: str
    axis: str
    unit: str
    looks: tuple
    changes: pd.DataFrame
    rows: dict
    log: bool = False
    dated: bool = False
    steps: tuple = ()


def placed(changes: pd.DataFrame, condition: pd.DataFrame) -> pd.DataFrame:
    """Changes with the place of the tower along the route; those without a month apply from the first on."""
    place = cast("Any", pd.Series(range(len(condition)), condition["tower_id"]))
    found = changes.assign(tower=changes["tower_id"].map(place)).reindex(
        columns=["tower", "month", "kind", "value", "low", "high", "date"]
    )
    found = found[found["tower"].notna()].astype({"tower": int, "kind": int})
    return found.assign(month=cast("Any", found["month"]).fillna(0).astype(int)).sort_values(
        ["tower", "month"], kind="stable"
    )


def round_rows(*tables: pd.DataFrame) -> dict[float, str]:
    """Round numbers of a logarithmic axis that holds all positive values of the tables."""
    numbers = np.concatenate([table.to_numpy("float64").ravel() for table in tables])
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min() / 1.2, numbers.max() * 1.2) if len(numbers) else (1.0, 100.0)
    found = layout.round_numbers(low, high)
    low, high = (low, high) if len(found) > 1 else (low / 10, high * 10)
    return {float(number): plain(number) for number in layout.round_numbers(low, high)}


PLAN_COLUMNS = ("plan_year", "year")  # of the priority list or the condition, where a plan is made


def trip_outs(study: Study) -> Layer | tuple[str, str]:
    """Expected lightning trip-outs, or the name of the layer and the reason where no rate is known."""
    towers, name = study.outages.towers, "Lightning trip-outs"
    rate = towers["trip_outs_per_year"].astype("float64")
    if bool(rate.isna().all()):
        return name, " ".join(study.outages.off) or "No trip-out rate is known."
    mean = float(np.nanmean(rate.to_numpy("float64")))
    relative = rate / mean if mean > 0 else rate * 0
    starts = [start for start, _ in style.RATES.values()][1:]
    kind = np.searchsorted(starts, relative.fillna(0), side="right") * rate.notna()
    looks = tuple(look for _, look in style.RATES.values())
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": rate})
    changes = changes.assign(low=towers["trip_outs_low"], high=towers["trip_outs_high"])
    mean = float(rate.to_numpy("float64", na_value=np.nan)[rate.notna()].mean())
    return Layer(
        key="trip-outs",
        name=name,
        meaning="Expected lightning trip-outs a year at this tower and half the spans beside it. Classes compare with the "
        f"mean of the towers, {plain(mean)} a year. Bar: 80 % interval from readings and settings. The method adds "
        "a factor of 2 to 5 to the absolute rate; the order of the towers is far better known.",
        axis="Trip-outs [a year]",
        unit="a year",
        looks=looks,
        changes=placed(changes, study.condition),
        rows=round_rows(cast("pd.DataFrame", changes[["value", "low", "high"]])),
        log=True,
    )


def plan(study: Study) -> Layer | tuple[str, str]:
    """Year of the plan in which a tower is treated, or the name of the layer and the reason why there is none."""
    years = plan_year(study)
    if years is None or years.isna().all():
        return "Plan year", "No plan has been made for this line and month."
    some = [int(year) for year in sorted(years.dropna().unique())]
    constraints = study.budget.constraints
    every = style.years(max(some[-1], constraints.years if constraints is not None else 0))
    looks = [every[year] for year in some]
    kind = years.map({year: len(some) - place for place, year in enumerate(some)}).fillna(0).astype(int)
    changes = pd.DataFrame(
        {"tower_id": years.index, "kind": kind.to_numpy(), "value": years.to_numpy("float64")}
    )
    return Layer(
        key="plan",
        name="Plan year",
        meaning="Year of the plan in which the tower is treated; 1 is the first.",
        axis="Plan year",
        unit="",
        looks=(style.NO_WORK, *reversed(looks)),
        changes=placed(changes, study.condition),
        rows={float(year): f"{year:.0f}" for year in some},
    )


def plan_year(study: Study) -> pd.Series | None:
    """Plan year of each tower, by tower_id."""
    for table in (study.priority, study.condition):
        for name in PLAN_COLUMNS:
            if name in table:
                years: Any = pd.to_numeric(table.set_index("tower_id")[name], errors="coerce")
                return years.astype("float64")
    return None


def suspicion(study: Study) -> Layer | tuple[str, str]:
    """Suspected bonds and shield wires, or the name of the layer and the reason why they could not be judged."""
    towers, name = study.network.towers, "Bonds and spans"
    scan = study.network.spans["span_scan"] if len(study.network.spans) else pd.Series(dtype="str")
    if all(bool(some.isna().all()) for some in (towers["bond_state"], towers["bond_scan"], scan)):
        return name, " ".join(study.network.off) or "Bonds and spans were not judged."
    state, scanned = towers["bond_state"], towers["bond_scan"] == "suspected"
    kind = np.select([state == "open suspected", scanned, state == "worn", state == "sound"], [4, 3, 2, 1], 0)
    changes = pd.DataFrame({"tower_id": towers["tower_id"], "kind": kind, "value": kind.astype("float64")})
    changes["value"] = changes["value"].where(changes["kind"] > 0)
    return Layer(
        key="suspicion",
        name=name,
        meaning="Bond: the joint between a tower and the shield wire. Star on a thick dashed span: the readings fit a broken "
        "shield wire there better than a sound one. A suspicion asks for an inspection; it is no proof.",
        axis="Bond and span",
        unit="",
        looks=tuple(style.BONDS.values()),
        changes=placed(changes, study.condition),
        rows={
            1.0: "sound",
            2.0: "worn",
            3.0: "suspected\nby scan",
            4.0: "suspected\nby reading",
            5.0: "span\nsuspected",
        },
    )


def all_layers(study: Study) -> tuple[list[Layer], dict[str, str]]:
    """All layers for which the study has data, and the reason for each that is missing."""
    visits, condition = study.grades.visits, study.condition
    footings = footing_changes(visits, study.records.towers, study.line.seasons, study.month)
    verdicts = verdict_changes(visits, footings, study.month)
    found: list[Layer | tuple[str, str]] = [impedance(footings, condition), gap(visits, study)]
    found += [trip_outs(study), plan(study), verdict(verdicts, condition)]
    found.append(suspicion(study))
    missing = {layer[0]: layer[1] for layer in found if isinstance(layer, tuple)}
    return [layer for layer in found if isinstance(layer, Layer)], missing


def impedance(changes: pd.DataFrame, condition: pd.DataFrame) -> Layer:
    """Footing impedance against target and limit."""
    labels = tower_marks.class_labels(condition)
    looks = tuple(replace(look, label=labels[name]) for name, look in style.CLASSES.items())
    towers = condition.set_index("tower_id")
    target, limit = (
        cast("Any", changes["tower_id"]).map(towers[name]).astype("float64")
        for name in ("target_ohm", "limit_ohm")
    )
    value, bounded, upper = changes["value"], changes["bounded"], changes["upper"]
    figures = value.mask(bounded), value.where(bounded), target, limit
    classes = impedance_class(*figures, by_lower_limit=True, upper_limit_only=upper)
    kind = [CLASSES.index(name) for name in classes]  # in the order of the looks
    return Layer(
        key="impedance",
        name="Footing impedance",
        meaning="Impedance of the tower's own footing, without the shield wires [Ω]. The newest usable reading of the footing "
        "alone is in force. Dot in the mark: lower limit only, read with the shield wires in parallel or beyond the range. "
        "Bar: interval from instrument and season. Target and limit follow today's rule.",
        axis="Footing impedance [Ω]",
        unit="Ω",
        looks=looks,
        changes=placed(changes.assign(kind=kind), condition),
        rows=round_rows(
            cast("pd.DataFrame", changes[["value", "low", "high"]]),
            cast("pd.DataFrame", condition[["target_ohm", "limit_ohm"]]),
        ),
        log=True,
        dated=True,
        steps=tuple((name, condition[f"{name}_ohm"].to_numpy("float64")) for name in ("target", "limit")),
    )


def gap(visits: pd.DataFrame, study: Study) -> Layer:
    """Gap over the arithmetic sum of the leg currents."""
    changes = gap_changes(visits, study.currents, study.month)
    changes = changes[changes["value"].notna()]
    starts = [start for start, _ in style.GAPS.values()][1:]
    ringed = (
        cast("Any", changes["tower_id"])
        .map(cast("Any", study.condition.set_index("tower_id")["ring"]))
        .eq(True)
        .fillna(False)
    )
    kind = np.where(ringed.astype(bool), 1, 1 + np.searchsorted(starts, changes["value"], side="right"))
    missing, *graded = (look for _, look in style.GAPS.values())
    looks = (missing, style.RING, *graded)
    least = float(np.nanmin(cast("Any", [changes["value"].min(), 0.0])))
    return Layer(
        key="gap",
        name="Leakage gap",
        meaning="Gap fraction: the gap over the arithmetic sum of the leg currents, in service. "
        f"{tower_marks.GAP_MEANING[0].upper()}{tower_marks.GAP_MEANING[1:]} The classes are no limits. Bar: down to the low "
        "end of the fraction.",
        axis=tower_marks.GAP_FRACTION,
        unit="of the sum",
        looks=looks,
        changes=placed(changes.assign(kind=kind), study.condition),
        rows={
            round(number, 1): plain(round(number, 1))
            for number in np.arange(np.floor(5 * least) / 5, 1.01, 0.2)
        },
        dated=True,
    )


def verdict(changes: pd.DataFrame, condition: pd.DataFrame) -> Layer:
    """Whether the reading in force can be trusted."""
    kind = changes["verdict"].map(cast("Any", {name: place for place, name in enumerate(style.VERDICTS)}))
    changes = changes.assign(kind=kind, value=kind.astype("float64"), low=np.nan, high=np.nan)
    return Layer(
        key="verdict",
        name="Verdict on the reading",
        meaning="Whether the reading in force can be trusted, by the quality rules that apply to every visit. Not usable: the "
        "tower was visited, and no reading of its footing passed.",
        axis="Verdict",
        unit="",
        looks=tuple(style.VERDICTS.values()),
        changes=placed(changes, condition),
        rows={1.0: "usable", 2.0: "usable with\ncaution", 3.0: "not usable"},
        dated=True,
    )


def known(value: object) -> bool:
    """Whether a value is there."""
    return not (value is None or value is pd.NA or value != value or value == "")


def paragraphs(
    tower: dict[str, Any], retest: dict[str, Any] | None, count: int, line: Line
) -> dict[str, list[str]]:
    """Paragraphs on one tower, from its rows of all tables, by heading; some are blank."""
    return {
        "What to do next": _next_step(tower, count),
        "Suspected cause": _cause(tower),
        "Footing": _footing(tower),
        "Leg currents in service": _currents(tower),
        "Shield-wire bond": _bond(tower),
        "Earth fault at this tower": _fault(tower, line.voltage_kv),
        "Lightning": _lightning(tower),
        "Treatment": _treatment(tower, line.plan.currency),
        "Next test": _retest(retest),
        "Over the years": _over_time(tower),
        "The tower": _register(tower),
    }


def _interval(value: Any, low: Any, high: Any, unit: str) -> str:
    """A value with its unit and its interval; blank without a value."""
    if not known(value):
        return ""
    if known(low) and not (known(high) and high < float("inf")):
        if value == float("inf"):
            return f"> {_written(low)} {unit}"
        return f"{_written(value)} {unit} (> {_written(low)} {unit}, no upper end)"
    between = f" ({ends(low, high, 3)})".replace("-", "−") if known(low) else ""
    return f"{_written(value)} {unit}{between}"


def _written(number: float) -> str:
    """A number as `plain` writes it, with its thousands grouped as `ends` groups them."""
    return grouped(number, mark=THIN).replace("-", "−") if abs(number) >= 1000 else plain(number)


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
        f"bond {tower['bond_seen']}" if tower["bond_seen"] in BOND_GONE else "",
    ]
    damage = ", ".join(each for each in seen if each)
    name = "Nothing suspected" if suspected == "none" else suspected[0].upper() + suspected[1:]
    return [f"Seen by the crew: {damage}." if damage else "", f"{name}.", own if known(own) else ""]


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
    fraction = (
        f", {percent(tower['gap_fraction'])} of the sum".replace("-", "−")
        if known(tower["gap_fraction"])
        else ""
    )
    least = tower["gap_fraction_low"]  # a lower limit of 0 says nothing
    low = f" (> {percent(least)})" if fraction and known(least) and least > 0 else ""
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


def _fault(tower, voltage_kv):
    """Potential rise and touch-voltage screening."""
    low, high = tower["potential_rise_low_v"], tower["potential_rise_high_v"]
    rise = _interval(tower["potential_rise_v"], low, high, "V")
    phase_v = 1000 * voltage_kv / 3**0.5
    capped = known(high) and high >= 0.999 * phase_v
    cap = " The upper end is the phase voltage, the most that the tower can reach." if capped else ""
    screen = tower["safety_screen"]
    return [
        f"Earth-fault potential rise {rise}; {_written(tower['fault_current_a'])} A through the footing.{cap}"
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
        f"Treatment: {tower['treatment']}." if known(tower["treatment"]) else "",
        f"Predicted footing {plain(after)} Ω." if known(after) else "",
        f"Cost {money(tower['cost'], currency)}." if known(tower["cost"]) else "",
        f"Package {tower['package']}." if known(tower["package"]) else "",
    ]


def _retest(row):
    """Why and when to test again."""
    if row is None:
        return ["Not on the retest list."]
    due = f" Due {day(row['due_date'])}." if known(row["due_date"]) else ""
    return [f"{row['reason']}.{due}", with_ohm_sign(row["what_to_do"]) if known(row["what_to_do"]) else ""]


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
    """Paragraphs of every tower in the order of the condition, by heading of `SECTIONS`."""
    towers = _joined(study)
    seen, retests = _visits(study), study.retest.set_index("tower_id", drop=False).to_dict("index")
    found = []
    for tower in towers.to_dict("records"):
        name = tower["tower_id"]
        parts = paragraphs(tower, retests.get(name), len(towers), study.line)
        parts["Visits, newest first"] = seen.get(name, ["No visit up to this month."])
        found.append({title: kept for title, some in parts.items() if (kept := [p for p in some if p])})
    return found


def of_spans(spans: pd.DataFrame) -> list[list[str]]:
    """Paragraphs of every span, in their order."""
    found = []
    for span in spans.to_dict("records"):
        state = {
            "suspected": "A broken shield wire is suspected in this span.",
            "none": "Nothing is suspected here.",
        }
        found.append(
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
    return [[text for text in each if text] for each in found]


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
    found = {}
    for (tower, date, method, ohm, verdict, reasons), side in zip(
        visits[columns].itertuples(index=False), sides, strict=True
    ):
        sign = f"{side} " if known(side) else ""
        read = f"{sign}{plain(ohm)} Ω" if known(ohm) else "no impedance"
        why = f": {with_ohm_sign(one_line(reasons))}" if known(reasons) else ""
        found.setdefault(tower, []).append(
            f"{day(date)}, {method if known(method) else 'method not recorded'}: {read}, {verdict}{why}"
        )
    return found


DIGITS = 3  # of a kilometre: one metre
ROUND = 0.25  # of the extent of the line that context layers are kept around it
FINE = 2000  # parts of that extent below which a bend of a context layer is left out


def towers_placed(study: Study) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Towers and stations with their place x, y [km], and remarks on what is not drawn.

    A tower has no place where it is in doubt and far off the rest.
    """
    placed = map_layers.placed(study.route, study.condition, "impedance")
    framed, remarks = map_layers.framed(placed)
    places = framed[["tower_id", "x", "y"]]
    towers = study.condition[["tower_id", "chainage_km"]].merge(
        places, on="tower_id", how="left", validate="1:1"
    )
    stations = pd.DataFrame(columns=["name", "x", "y"])
    if bool(framed["chainage_m"].notna().any()):
        stations, doubts = map_layers.stations(framed, study.route.crs, study.line)
        remarks = [*remarks, *doubts]
    return _kilometres(towers), _kilometres(stations), [remark for remark in remarks if remark]


def _kilometres(places):
    """Places in kilometres, to the metre."""
    return places.assign(
        **{axis: (places[axis].astype("float64") / 1000).round(DIGITS) for axis in ("x", "y")}
    )


def context_shapes(
    layers: list[gpd.GeoDataFrame], towers: pd.DataFrame, crs: CRS
) -> tuple[list[dict[str, Any]], list[str]]:
    """Context layers near the line as areas, lines and points [km], and remarks on layers without a place."""
    x, y = (towers[axis].dropna().to_numpy() * 1000 for axis in ("x", "y"))
    remarks = map_layers.unplaced(layers)
    if not len(x):
        return [], remarks
    extent = max(np.ptp(x), np.ptp(y), 4000)
    reach = ROUND * extent
    box = (x.min() - reach, y.min() - reach, x.max() + reach, y.max() + reach)
    bare = {id(layer) for layer in layers if map_layers.unplaced([layer])}
    shapes = [_shapes(layer, crs, box, extent / FINE) for layer in layers if id(layer) not in bare]
    return [shape for shape in shapes if shape["areas"] or shape["lines"] or shape["points"]], remarks


def _shapes(layer, crs, box, fine):
    """Areas, lines and points of one layer inside a box."""
    from shapely import box as area
    from shapely import get_parts, intersection, make_valid, simplify

    geometry = layer.to_crs(crs).geometry.dropna()
    geometry = geometry[~geometry.is_empty]
    near = geometry[geometry.intersects(area(*box))].to_numpy()
    cut = simplify(intersection(make_valid(near), area(*box)), fine)  # without bends too small to be seen
    found = {"name": str(layer.attrs.get("name") or "context"), "areas": [], "lines": [], "points": []}
    for part in get_parts(get_parts(cut)):
        if part.is_empty:
            continue
        if part.geom_type == "Polygon":
            rings = [_numbers(ring) for ring in (part.exterior, *part.interiors)]
            found["areas"].append(([[xs for xs, _ in rings]], [[ys for _, ys in rings]]))
        elif part.geom_type in ("LineString", "LinearRing"):
            found["lines"].append(_numbers(part))
        elif part.geom_type == "Point":
            found["points"].append((round(part.x / 1000, DIGITS), round(part.y / 1000, DIGITS)))
    return found


def _numbers(line):
    """Easting and northing of a line [km]."""
    from shapely import force_2d, get_coordinates

    x, y = (get_coordinates(force_2d(line)) / 1000).round(DIGITS).T
    return x.tolist(), y.tolist()


TEXT = {"text_font": {"value": "sans-serif"}, "text_font_size": "13px"}
PAD = 14  # least margin of a chart [pixels]


def linked_charts(context: list[dict[str, Any]]) -> LayoutDOM:
    """Map over profile, sharing the towers, the spans and the selection; scripts find models by name."""
    from bokeh.layouts import column

    sources = _sources()
    charts = [_map(sources, context), _profile(sources)]
    return column(*charts, sizing_mode="stretch_width", spacing=4)


def _sources():
    """Tables that the page fills."""
    from bokeh.models import ColumnDataSource

    columns = {
        "towers": "x y along height marker colour size ink edge name words tower",
        "spans": "x0 y0 x1 y1 from_km to_km height colour width dash",
        "flags": "x y along height span ink",
        "chosen": "x y along height name map_align map_shift align shift",
        "chosen-span": "x0 y0 x1 y1 from_km to_km height",
        "stations": "x y name align drop",
        "bars": "along low high",
        "target": "along height",
        "limit": "along height",
        "scale": "x0 x1 middle y name",
    }
    return {
        name: ColumnDataSource({column: [] for column in each.split()}, name=name)
        for name, each in columns.items()
    }


def _figure(name, height, **looks):
    """An empty chart without ranges of its own making."""
    from bokeh.models import PanTool, Range1d
    from bokeh.plotting import figure

    chart = figure(
        name=name,
        height=height,
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        x_range=Range1d(cast("Any", 0), cast("Any", 1)),
        y_range=Range1d(cast("Any", 0), cast("Any", 1)),
        min_border=PAD,
        lod_threshold=None,
        **looks,
    )
    chart.add_tools(PanTool())
    for axis in chart.axis:
        axis.axis_label_text_font_style = "normal"
        axis.major_label_text_font_size = axis.axis_label_text_font_size = "13px"
        axis.minor_tick_line_color = None
    return chart


def _hands(chart, towers, spans):
    """Tap on the marks of a chart, and the pointer over its towers."""
    from bokeh.models import HoverTool, TapTool

    looks = {
        "tooltips": "@name<br>@words",
        "point_policy": "snap_to_data",
        "attachment": "vertical",
        "limit": 1,
    }
    chart.add_tools(
        TapTool(renderers=[towers, *spans], mode="replace"), HoverTool(renderers=[towers], **looks)
    )


def _towers(chart, source, x, y):
    """Towers with the mark of their class; a thick outline under the pointer, in both charts at once."""
    looks = {
        "marker": "marker",
        "size": "size",
        "fill_color": "colour",
        "line_color": "ink",
        "line_width": "edge",
    }
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    drawn.hover_glyph = drawn.glyph.clone(line_width=4)
    return drawn


def _flags(chart, source, x, y):
    """Star on the middle of a suspected span: the span itself is short where the whole line is shown."""
    looks = {"marker": "star", "size": 20, "fill_color": "ink", "line_width": 1.2, "name": "flag-marks"}
    drawn = chart.scatter(x, y, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _choice(chart, source, x, y, side=""):
    """Ring and name of the chosen tower, the name on the side that has room."""
    looks = {"size": 26, "marker": "circle", "fill_alpha": 0, "line_width": 3}
    chart.scatter(x, y, source=source, name="choice", **looks)
    looks = {"text_align": f"{side}align", "x_offset": f"{side}shift", "y_offset": 5, "padding": 2}
    words = chart.text(x, y, source=source, text="name", name="choice-name", **looks, **TEXT)
    words.glyph.text_font_style, words.glyph.background_fill_alpha = "bold", 0.85


def _map(sources, context):
    """Map on the grid of the route, kilometres, true in both directions."""
    chart = _figure("map", 430, x_axis_label="Easting [km]", y_axis_label="Northing [km]")
    for number, layer in enumerate(context):
        colour = CONTEXT[number % len(CONTEXT)]
        if layer["areas"]:
            xs, ys = map(list, zip(*layer["areas"], strict=True))
            chart.multi_polygons(xs, ys, color=colour, fill_alpha=0.5, line_alpha=0.9)
        if layer["lines"]:
            chart.multi_line(*map(list, zip(*layer["lines"], strict=True)), color=colour, line_width=2)
        if layer["points"]:
            chart.scatter(
                *map(list, zip(*layer["points"], strict=True)), color=colour, marker="cross", size=8
            )
    ends = cast("Any", {"x0": "x0", "y0": "y0", "x1": "x1", "y1": "y1"})
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    chart.scatter(
        "x",
        "y",
        source=sources["stations"],
        marker="square_x",
        size=13,
        fill_alpha=0,
        line_width=2,
        name="station-marks",
    )
    chart.text(
        "x",
        "y",
        source=sources["stations"],
        text="name",
        text_align="align",
        y_offset="drop",
        name="station-names",
        **TEXT,
    )
    towers = _towers(chart, sources["towers"], "x", "y")
    flags = _flags(chart, sources["flags"], "x", "y")
    _choice(chart, sources["chosen"], "x", "y", "map_")
    bar = {"source": sources["scale"], "line_width": 2.5, "name": "scale-bar"}
    chart.segment("x0", "y", "x1", "y", **bar)
    words = {"text_align": "center", "y_offset": -4, "name": "scale-words"}
    chart.text("middle", "y", text="name", source=sources["scale"], **words, **TEXT)
    _hands(chart, towers, [flags, spans])
    return chart


def _spans(chart, source, ends):
    """Spans; what is suspected is thick and dashed."""
    looks = {"line_color": "colour", "line_width": "width", "line_dash": "dash"}
    drawn = chart.segment(**ends, source=source, **looks)
    drawn.nonselection_glyph = drawn.selection_glyph = None
    return drawn


def _profile(sources):
    """Route from the first station to the last; rows or round numbers at the left, set by the page."""
    from bokeh.models import FixedTicker

    chart = _figure("profile", 300, x_axis_label="Chainage from the first station [km]", y_axis_label=" ")
    chart.yaxis.ticker = FixedTicker(ticks=[])
    for name, dash in (("target", "dotted"), ("limit", "dashed")):
        chart.step(
            "along",
            "height",
            source=sources[name],
            mode="center",
            line_width=2,
            line_dash=dash,
            name=f"{name}-line",
        )
    chart.segment("along", "low", "along", "high", source=sources["bars"], line_width=1.5, name="bar-lines")
    ends = cast("Any", {"x0": "from_km", "y0": "height", "x1": "to_km", "y1": "height"})
    halo = chart.segment(
        **ends, source=sources["chosen-span"], line_width=12, line_alpha=0.35, name="span-choice"
    )
    halo.glyph.line_cap = "round"
    spans = _spans(chart, sources["spans"], ends)
    towers = _towers(chart, sources["towers"], "along", "height")
    flags = _flags(chart, sources["flags"], "along", "height")
    _choice(chart, sources["chosen"], "along", "height")
    _hands(chart, towers, [flags, spans])
    return chart


TEMPLATES = Path(__file__).parent / "templates"
SCRIPTS = ("explorer-state.js", "explorer-draw.js", "explorer.js")


def write(study: Study, path: str | Path) -> None:
    """Write the page of a line: one file that asks no network; the same study gives the same bytes."""
    Path(path).write_text(page(study), encoding="utf-8")


def page(study: Study) -> str:
    """The page as HTML with its scripts, styles and tables inside."""
    from bokeh.resources import Resources
    from markupsafe import Markup

    towers, stations, remarks = towers_placed(study)
    layers = map_layers.layers(study.records.folder)
    shapes, unplaced = context_shapes(layers, towers, study.route.crs)
    tables = contents(study, towers, stations, [shape["name"] for shape in shapes])
    scripts = [(TEMPLATES / name).read_text(encoding="utf-8") for name in SCRIPTS]
    return pages.render(
        "explorer.html",
        title=study.line.title,
        month=study.month,
        stations=list(stations["name"]) if len(stations) else ["the first station", "the last station"],
        grid=study.route.crs.name,
        remarks=[*remarks, *unplaced, *study.route.remarks],
        off=[*study.network.off, *study.outages.off],
        assumed=[*study.network.assumed, *study.outages.assumed, *study.outages.remarks],
        library=Markup(Resources(mode="inline", components=["bokeh"]).js_raw[0]),
        charts=Markup(_charts(shapes)),
        contents=Markup(_json(tables)),
        script=Markup("\n".join(scripts)),
    )


def contents(
    study: Study, towers: pd.DataFrame, stations: pd.DataFrame, context_names: list[str]
) -> dict[str, Any]:
    """Tables of the page, in types that JSON has."""
    layers, missing = all_layers(study)
    months = standing.months_until(study.grades.visits, study.month)
    seen = set(study.grades.visits["date"].dt.strftime("%Y-%m"))
    texts = _Texts()
    return {
        "months": months,
        "visited": [place for place, month in enumerate(months) if month in seen],
        "towers": {
            "name": [one_line(name) for name in towers["tower_id"]],
            "rank": _ints(cast("Any", towers["tower_id"]).map(study.priority.set_index("tower_id")["rank"])),
            **{
                axis: _explorer_numbers(towers[column], 3)
                for axis, column in (("x", "x"), ("y", "y"), ("km", "chainage_km"))
            },
        },
        "spans": _explorer_spans(study, towers, texts),
        "stations": {axis: stations[axis].tolist() for axis in ("name", "x", "y")},
        "layers": [_layer(layer, standing.month_number(months[0])) for layer in layers],
        "missing": missing,
        "hollow": HOLLOW,
        "suspected": SPANS["suspected"].label,
        "context": [
            {"name": one_line(name), "colour": CONTEXT[place % len(CONTEXT)]}
            for place, name in enumerate(context_names)
        ],
        "sections": list(SECTIONS.items()),
        "evidence": [texts.coded(tower) for tower in of_towers(study)],
        "texts": texts.kept,
    }


class _Texts:
    """Sentences of the page, each kept once."""

    def __init__(self):
        self.kept, self._places = [], {}
        self._sections = {name: place for place, name in enumerate(SECTIONS)}

    def place(self, text: str) -> int:
        """Number of a sentence."""
        if text not in self._places:
            self._places[text] = len(self.kept)
            self.kept.append(text)
        return self._places[text]

    def coded(self, sections: dict[str, list[str]]) -> list[list[Any]]:
        """Places of headings, each with the places of its paragraphs."""
        return [
            [self._sections[name], [self.place(text) for text in some]] for name, some in sections.items()
        ]


def _explorer_spans(study, towers, texts):
    """Spans by the places of their towers, what is said of them, and whether they are suspected."""
    spans = study.network.spans
    place = pd.Series(range(len(towers)), towers["tower_id"])
    sentences = of_spans(spans)
    return {
        "from": _ints(spans["from_tower_id"].map(place)),
        "to": _ints(spans["to_tower_id"].map(place)),
        "suspected": (spans["span_scan"] == "suspected").astype(int).tolist(),
        "evidence": [[texts.place(text) for text in some] for some in sentences],
    }


def _layer(layer, first):
    """A layer with the changes of each tower in one flat list: month, kind, value, low, high, day."""
    changes = layer.changes
    months = (changes["month"] - first).clip(lower=0)
    dates = changes["date"].dt.strftime("%Y-%m-%d") if changes["date"].notna().any() else None
    rows = [
        months.tolist(),
        changes["kind"].tolist(),
        *(_explorer_numbers(changes[name], digits=None) for name in ("value", "low", "high")),
        [None] * len(changes) if dates is None else [day if isinstance(day, str) else None for day in dates],
    ]
    found = [[] for _ in range(changes["tower"].max() + 1 if len(changes) else 0)]
    for tower, *row in zip(changes["tower"].tolist(), *rows, strict=True):
        found[tower] += row
    return {
        "key": layer.key,
        "name": layer.name,
        "meaning": layer.meaning,
        "axis": layer.axis,
        "unit": layer.unit,
        "log": layer.log,
        "dated": layer.dated,
        "rows": [[height, text] for height, text in layer.rows.items()],
        "looks": [vars(look) | {"marker": SHAPES[look.shape].bokeh} for look in layer.looks],
        "steps": [[word, _explorer_numbers(pd.Series(ohm), 3)] for word, ohm in layer.steps],
        "changes": found,
    }


def _ints(numbers):
    """Whole numbers, None where there is none."""
    return [None if pd.isna(number) else int(number) for number in numbers]


def _explorer_numbers(numbers, digits):
    """Numbers to so many digits behind the point, or to five figures; None where there is none or no end."""
    numbers = numbers.to_numpy("float64", na_value=np.nan)
    rounded = digits is not None
    shown = (
        numbers.round(digits).tolist() if rounded else [float(f"{number:.5g}") for number in numbers.tolist()]
    )
    return [number if known else None for number, known in zip(shown, np.isfinite(numbers), strict=True)]


def _charts(shapes):
    """The empty charts as JSON, numbered from 1 so that the same study gives the same bytes."""
    from bokeh.embed import json_item

    written, order = _json(json_item(linked_charts(shapes))), {}
    return re.sub(r'"p\d+"', lambda found: f'"p{order.setdefault(found[0], len(order) + 1)}"', written)


def _json(contents):
    """JSON that a script element can hold: nothing in it can end the element."""
    written = json.dumps(contents, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for sign in "<>&\u2028\u2029":
        written = written.replace(sign, f"\\u{ord(sign):04x}")
    return written
