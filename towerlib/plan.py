"""The priority list: one row a tower, in the order in which the line should be worked on."""

import numpy as np
import pandas as pd

QUEUES = ("safety", "repair", "bond", "footing", "retest", "none")
ORDER_RULE = (
    "Queues in the order safety, repair, bond, footing, retest, none; safety and reliability are never summed. "
    "Within repair: most leads missing first; bond: bonds seen broken, then by leg share and gap, then coils; "
    "footing: by impedance rank; retest: in route order; none: by impedance rank."
)
COLUMNS = """
    rank queue queue_rank line_id tower_id chainage_km latitude_deg longitude_deg verdict footing_ohm
    footing_low_ohm footing_high_ohm footing_date limit_ohm limit_rule impedance_rank leakage_sum_ma
    leakage_total_ma gap_ma gap_fraction gap_z gap_rank potential_rise_v safety_screen suspected_cause
    evidence trip_outs_per_year avoided_per_year avoided_low avoided_high treatment predicted_ohm cost
    benefit_per_cost rank_confidence package access next_step
""".split()
TEXTS = ("safety_screen", "treatment", "package")
INSPECT = ("bond: inspect", "bond or coils: inspect", "coil reversed", "wrong coil turns")
NEXT_STEP = {
    "repair": "Repair the earthing leads or their corroded parts under the utility's procedure, then test again.",
    "bond": "Before any digging: inspect the shield-wire bond under the utility's licensed procedure, and repeat "
    "the leg currents with turns and direction of each coil checked.",
    "footing": "Plan earthing work; confirm the reading first where its verdict carries a caution.",
    "retest": "Test again with coils round all legs.",
    "none": "No work; test again when due.",
}
LOOK_AT_LEG = "Look at lead and stub of the leg named at the next visit; test again when due."


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
    `ORDER_RULE` says how the order comes about.
    """
    queue = queues(condition)
    keys = pd.DataFrame(
        {
            "queue": queue.map(QUEUES.index),
            "first": _urgency(condition, queue),
            "chainage": condition["chainage_km"],
        }
    )
    order = keys.sort_values(["queue", "first", "chainage"], kind="stable").index
    listed = condition.loc[order].assign(queue=queue.loc[order], line_id=line.id)
    listed = listed.assign(
        rank=np.arange(1, len(listed) + 1),
        queue_rank=listed.groupby("queue").cumcount() + 1,
        evidence=[_evidence(tower) for tower in listed.itertuples()],
        next_step=listed["queue"].map(NEXT_STEP).mask(_look_at_leg(listed), LOOK_AT_LEG),
    )
    for name in COLUMNS:
        if name not in listed:
            listed[name] = pd.Series(pd.NA, index=listed.index, dtype="str" if name in TEXTS else "Float64")
    return listed[list(COLUMNS)].reset_index(drop=True)


def queues(condition):
    """The queue of each tower: the first whose reason applies.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower.

    Returns
    -------
    pandas.Series of str
        Values from `QUEUES`, same index.
    """
    lead_gone = (condition["leads_missing"] > 0) | (condition["corrosion"] == "heavy")
    bond_gone = condition["bond_seen"].isin(["damaged", "missing"])
    suspected = condition["suspected_cause"].isin(INSPECT)
    above = condition["impedance_class"] == "above limit"
    unknown = condition["footing_ohm"].isna()
    chosen = np.select(
        [lead_gone, bond_gone | suspected, above, unknown],
        ["repair", "bond", "footing", "retest"],
        default="none",
    )
    return pd.Series(chosen, index=condition.index, dtype="str")


def _urgency(condition, queue):
    """A number a tower, small for urgent, by the rule of its queue; blank goes last."""
    by_queue = {
        "repair": -condition["leads_missing"],
        "bond": _suspicion(condition),
        "footing": condition["impedance_rank"],
        "retest": condition["chainage_km"],
        "none": condition["impedance_rank"],
    }
    chosen = pd.Series(np.nan, index=condition.index)
    for name, urgency in by_queue.items():
        chosen = chosen.mask(queue == name, urgency.astype("Float64").astype(float))
    return chosen.fillna(np.inf)


def _look_at_leg(listed):
    """Towers whose only news is a weak leg: not seen by a crew yet, so a look comes first."""
    return (listed["queue"] == "none") & (listed["suspected_cause"] == "weak leg")


def _suspicion(condition):
    """Order of the bond queue: bonds seen broken, then bonds by leg share and gap, then coils."""
    seen = condition["bond_seen"].isin(["damaged", "missing"])
    about_bond = condition["suspected_cause"].isin(INSPECT[:2])
    strength = condition["leg_share_lambda"].fillna(condition["gap_fraction"]).clip(0, 1).fillna(0)
    return 2.0 - about_bond.astype(float) - 2.0 * seen.astype(float) - strength / 2


def _evidence(tower):
    """The figures behind a tower's place, in sentences."""
    parts = [_seen(tower), _currents(tower)]
    if pd.notna(tower.footing_ohm):
        parts.append(f"Footing {tower.footing_ohm:.3g} Ω on {tower.footing_date:%Y-%m-%d}.")
    elif pd.notna(tower.lower_bound_ohm):
        parts.append(
            f"Footing at least {tower.lower_bound_ohm:.3g} Ω: read without coils, or beyond the range."
        )
    return " ".join(part for part in parts if part)


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
