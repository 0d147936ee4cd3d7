"""The priority list: queue of each tower, order within the queue, evidence and next step."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.config.sections import FOOTING_ORDERS, OFTEN_VISITED, QUEUES
from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, COIL_CAUSES, SPAN_CAUSE

if TYPE_CHECKING:
    from typing import Any

    from towerlib.config import Line
    from towerlib.config.sections import Plan as PlanSettings


ABOUT_BOND = (*BOND_CAUSES, SPAN_CAUSE)
SHIELD_WIRE = (BOND_CAUSE, SPAN_CAUSE)  # causes at the shield wire that do not depend on the coils
INSPECT = (*ABOUT_BOND, *COIL_CAUSES)
CONFIRM = "Confirm the reading first where its verdict carries a caution."
NEXT_STEP = {
    "safety": "Have touch voltage measured or calculated on site by licensed persons against the local code. "
    "Compare with the assumptions of the screening.",
    "repair": "Repair the earthing leads or their corroded parts under the utility's procedure, then test again.",
    "bond": "Before any digging: inspect the shield-wire bond under the utility's licensed procedure, and repeat "
    "the leg currents with turns and direction of each coil checked.",
    "footing": f"Earthing work, not in the plan yet. {CONFIRM}",
    "retest": "Test again with coils round all legs.",
    "none": "No work. Test again when due.",
}
LOOK_AT_LEG = "Inspect lead and stub of the leg named at the next visit. Test again when due."
LOOK_AT_SPAN = (
    "Before any digging: inspect the shield wires of the span named and of its neighbours under the utility's "
    "licensed procedure. Test both towers again without coils."
)
WITHIN = {
    "safety": "where people walk with bare feet first, then by potential rise",
    "repair": "most leads missing first",
    "bond": "bonds seen broken, then by leg share and gap, then coils",
    "retest": "in route order",
    "none": "by impedance rank",
}
COLUMNS = """
    rank queue queue_rank line_id tower_id chainage_km latitude_deg longitude_deg verdict footing_ohm
    footing_low_ohm footing_high_ohm footing_date limit_ohm limit_rule impedance_rank leakage_sum_ma
    leakage_total_ma gap_ma gap_fraction gap_z gap_rank potential_rise_v safety_screen suspected_cause
    evidence trip_outs_per_year avoided_per_year avoided_low avoided_high treatment predicted_ohm cost
    benefit_per_cost rank_confidence package access next_step
""".split()
TEXTS = ("safety_screen", "treatment", "package")


def priority_list(condition: pd.DataFrame, line: Line) -> pd.DataFrame:
    """The priority list of a line.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`.
    line : Line
        Its id goes into the list.

    Returns
    -------
    pandas.DataFrame
        One row per tower, most urgent first; columns as in `COLUMNS`, in that order. A column whose analysis is
        not available is blank.

    Notes
    -----
    `order_rule` describes the order in words.
    """
    queue = queues(condition)
    keys = pd.DataFrame(
        {
            "queue": queue.map(line.plan.queue_order.index),
            "first": urgency(condition, queue, line.plan.footing_order),
            "chainage": condition["chainage_km"],
        }
    )
    order = keys.sort_values(["queue", "first", "chainage"], kind="stable").index
    listed = condition.loc[order].assign(queue=queue.loc[order], line_id=line.id)
    listed = listed.assign(
        rank=np.arange(1, len(listed) + 1),
        queue_rank=listed.groupby("queue").cumcount() + 1,
        evidence=[_evidence(tower) for tower in listed.itertuples()],
        next_step=next_steps(listed),
    )
    for name in COLUMNS:
        if name not in listed:
            listed[name] = pd.Series(pd.NA, index=listed.index, dtype="str" if name in TEXTS else "Float64")
    return listed[list(COLUMNS)].reset_index(drop=True)


def queues(condition: pd.DataFrame) -> pd.Series:
    """Queue of each tower: the first whose reason applies.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower.

    Returns
    -------
    pandas.Series of str
        Values from `QUEUES`, same index.
    """
    touch = column(condition, "safety_screen", "").eq("above") & condition["occupancy"].isin(OFTEN_VISITED)
    lead_gone = (condition["leads_missing"] > 0) | (condition["corrosion"] == "heavy")
    bond_gone = condition["bond_seen"].isin(["damaged", "missing"])
    suspected = condition["suspected_cause"].isin(INSPECT) | (column(condition, "span_suspected", "") != "")
    # works of the plan are earthing work, even where the footing is within its limit
    above = (condition["impedance_class"] == "above limit") | (
        column(condition, "package", "").fillna("") != ""
    )
    unknown = condition["footing_ohm"].isna()
    chosen = np.select(
        [touch.fillna(False), lead_gone, bond_gone | suspected, above, unknown],
        QUEUES[:5],
        default="none",
    )
    return pd.Series(chosen, index=condition.index, dtype="str")


def column(table: pd.DataFrame, name: str, blank: Any) -> pd.Series:
    """Column of a table, or blanks where its analysis is not available."""
    return cast("pd.Series", table[name]) if name in table else pd.Series(blank, index=table.index)


def urgency(condition: pd.DataFrame, queue: pd.Series, footing_order: str = FOOTING_ORDERS[0]) -> pd.Series:
    """Urgency of each tower within its queue; a small number is urgent, blank comes last.

    `queue` is that of `queues`; `footing_order` is one of `FOOTING_ORDERS`.
    """
    rise = column(condition, "potential_rise_v", np.nan).astype(float)
    by_queue = {
        "safety": condition["occupancy"].ne("bare feet").astype(float) - rise.rank(pct=True).fillna(0) / 2,
        "repair": -condition["leads_missing"],
        "bond": _suspicion(condition),
        "footing": _footing(condition, footing_order),
        "retest": condition["chainage_km"],
        "none": condition["impedance_rank"],
    }
    chosen = pd.Series(np.nan, index=condition.index)
    for name, urgent in by_queue.items():
        chosen = chosen.mask(queue == name, urgent.astype("Float64").astype(float))
    return chosen.fillna(np.inf)


def _suspicion(condition):
    """Order of the bond queue: bonds seen broken, then bonds by leg share and gap, then coils."""
    seen = condition["bond_seen"].isin(["damaged", "missing"])
    about_bond = condition["suspected_cause"].isin(ABOUT_BOND)
    strength = condition["leg_share_lambda"].fillna(condition["gap_fraction"]).clip(0, 1).fillna(0)
    return 2.0 - about_bond.astype(float) - 2.0 * seen.astype(float) - strength / 2


def _footing(condition, order):
    """Order of the footing queue; towers without the chosen measure follow, ordered by the next measure."""
    measures = {
        "benefit per cost": -column(condition, "benefit_per_cost", np.nan).astype(float),
        "avoided trip-outs": -column(condition, "avoided_per_year", np.nan).astype(float),
        "impedance": condition["impedance_rank"].astype(float),
    }
    chosen = [measures[name] for name in FOOTING_ORDERS[FOOTING_ORDERS.index(order) :]]
    keys = pd.concat(chosen, axis=1, keys=range(len(chosen)))
    ordered = keys.sort_values(list(keys.columns), kind="stable").index
    return pd.Series(np.arange(len(ordered), dtype=float), index=ordered).reindex(condition.index)


def _evidence(tower):
    """Evidence for a tower's place in the list, in sentences."""
    parts = [_seen(tower), _currents(tower)]
    if pd.notna(tower.footing_ohm):
        parts.append(f"Footing {tower.footing_ohm:.3g} Ω on {tower.footing_date:%Y-%m-%d}.")
    elif pd.notna(tower.lower_bound_ohm):
        parts.append(
            f"Footing at least {tower.lower_bound_ohm:.3g} Ω: read without coils, or beyond the range."
        )
    parts += [_touch(tower), _trip_outs(tower)]
    return " ".join(part for part in parts if part)


def _seen(tower):
    """Inspection findings of the crew."""
    parts = []
    if tower.leads_missing > 0:
        parts.append(f"{tower.leads_missing:.0f} earthing lead{'s' * (tower.leads_missing > 1)} missing")
    if tower.corrosion == "heavy":
        parts.append("heavy corrosion")
    if tower.bond_seen in ("damaged", "missing"):
        parts.append(f"shield-wire bond {tower.bond_seen}")
    return f"Seen by the crew: {', '.join(parts)}." if parts else ""


def _currents(tower):
    """Evidence of the leg currents: the suspected cause, else the figures."""
    if pd.notna(tower.suspected_cause) and tower.suspected_cause != "none":
        return tower.evidence
    if pd.isna(tower.gap_fraction):
        return ""
    return (
        f"Leg currents sum to {tower.leakage_sum_ma:.1f} mA; their vector total is {tower.leakage_total_ma:.1f} mA: "
        f"gap {tower.gap_ma:.1f} mA, {round(tower.gap_fraction, 2) + 0.0:.0%} of the sum."
    )


def _touch(tower):
    """Evidence of the touch-voltage screening where it is above its limit."""
    above = getattr(tower, "safety_screen", "") == "above"
    return tower.safety_evidence if above else ""


def _trip_outs(tower):
    """Lightning trip-outs of the tower, with their interval."""
    rate = getattr(tower, "trip_outs_per_year", np.nan)
    if pd.isna(rate):
        return ""
    return (
        f"Lightning trip-outs {rate:.3f} a year ({tower.trip_outs_low:.3f} to {tower.trip_outs_high:.3f}). "
        f"At the target footing {max(tower.avoided_to_target_per_year, 0.0):.3f} a year would be avoided."
    )


def next_steps(listed: pd.DataFrame) -> pd.Series:
    """Next step at each tower, from its queue and suspected cause."""
    # a suspected weak leg needs an inspection, not work
    span = (listed["queue"] == "bond") & (column(listed, "span_suspected", "") != "")
    look = (listed["queue"] == "none") & (listed["suspected_cause"] == "weak leg")
    package = column(listed, "package", "").fillna("")
    planned = (listed["queue"] == "footing") & (package != "")
    work = "Planned: " + column(listed, "treatment", "").fillna("") + ", package " + package + ". " + CONFIRM
    return (
        cast("pd.Series", listed["queue"].map(NEXT_STEP.get))
        .mask(look, LOOK_AT_LEG)
        .mask(planned, work)
        .mask(span, LOOK_AT_SPAN)
    )


def order_rule(plan: PlanSettings) -> str:
    """Sorting rule of the list, in words."""
    later = FOOTING_ORDERS[FOOTING_ORDERS.index(plan.footing_order) :]
    within = WITHIN | {"footing": f"by {', where not known by '.join(later)}"}
    rules = "; ".join(f"{queue}: {within[queue]}" for queue in plan.queue_order)
    return (
        f"Queues in the order {', '.join(plan.queue_order)}; safety and reliability are never summed into one "
        f"score. A tower belongs to the first of safety, repair, bond, footing, retest whose reason applies. "
        f"Within {rules}."
    )
