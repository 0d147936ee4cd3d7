"""The priority list: one row a tower, in the order in which the line should be worked on."""

import numpy as np
import pandas as pd

from towerlib.plan.queues import next_steps, queues, urgency

COLUMNS = """
    rank queue queue_rank line_id tower_id chainage_km latitude_deg longitude_deg verdict footing_ohm
    footing_low_ohm footing_high_ohm footing_date limit_ohm limit_rule impedance_rank leakage_sum_ma
    leakage_total_ma gap_ma gap_fraction gap_z gap_rank potential_rise_v safety_screen suspected_cause
    evidence trip_outs_per_year avoided_per_year avoided_low avoided_high treatment predicted_ohm cost
    benefit_per_cost rank_confidence package access next_step
""".split()
TEXTS = ("safety_screen", "treatment", "package")


def priority_list(condition, line):
    """The priority list of a line.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : Line
        Its id goes into the list.

    Returns
    -------
    pandas.DataFrame
        One row a tower, most urgent first; columns as in `COLUMNS`, in that order. A column whose analysis is
        off is blank.

    Notes
    -----
    `towerlib.plan.queues.order_rule` says how the order comes about.
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


def _evidence(tower):
    """The figures behind a tower's place, in sentences."""
    parts = [_seen(tower), _currents(tower)]
    if pd.notna(tower.footing_ohm):
        parts.append(f"Footing {tower.footing_ohm:.3g} Ω on {tower.footing_date:%Y-%m-%d}.")
    elif pd.notna(tower.lower_bound_ohm):
        parts.append(
            f"Footing at least {tower.lower_bound_ohm:.3g} Ω: read without coils, or beyond the range."
        )
    parts += [_touch(tower), _trip_outs(tower)]
    return " ".join(part for part in parts if part)


def _touch(tower):
    """Where the touch screen is above its limit: the figures it stands on."""
    above = getattr(tower, "safety_screen", "") == "above"
    return tower.safety_evidence if above else ""


def _trip_outs(tower):
    """What lightning does at the tower, with its band."""
    rate = getattr(tower, "trip_outs_per_year", np.nan)
    if pd.isna(rate):
        return ""
    return (
        f"Lightning trip-outs {rate:.3f} a year ({tower.trip_outs_low:.3f} to {tower.trip_outs_high:.3f}), "
        f"{max(tower.avoided_to_target_per_year, 0.0):.3f} of them avoided at the target."
    )


def _seen(tower):
    """What the crew saw."""
    parts = []
    if tower.leads_missing > 0:
        parts.append(f"{tower.leads_missing:.0f} earthing lead{'s' * (tower.leads_missing > 1)} missing")
    if tower.corrosion == "heavy":
        parts.append("heavy corrosion")
    if tower.bond_seen in ("damaged", "missing"):
        parts.append(f"shield-wire bond {tower.bond_seen}")
    return f"Seen by the crew: {', '.join(parts)}." if parts else ""


def _currents(tower):
    """What the leg currents say: the suspicion in its own words, else the plain figures."""
    if pd.notna(tower.suspected_cause) and tower.suspected_cause != "none":
        return tower.evidence
    if pd.isna(tower.gap_fraction):
        return ""
    return (
        f"Leg currents sum to {tower.leakage_sum_ma:.1f} mA, their vector total is {tower.leakage_total_ma:.1f} mA: "
        f"gap {tower.gap_ma:.1f} mA, {round(tower.gap_fraction, 2) + 0.0:.0%} of the sum."
    )
