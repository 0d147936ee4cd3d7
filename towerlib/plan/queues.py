"""Which queue a tower stands in, where in it, and what comes next: rules that are printed with the list."""

import numpy as np
import pandas as pd

from towerlib.line.money import FOOTING_ORDERS, QUEUES
from towerlib.line.safety import OFTEN_VISITED
from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, COIL_CAUSES, SPAN_CAUSE

ABOUT_BOND = (*BOND_CAUSES, SPAN_CAUSE)
SHIELD_WIRE = (BOND_CAUSE, SPAN_CAUSE)  # what is told of the shield wire without a doubt about coils
INSPECT = (*ABOUT_BOND, *COIL_CAUSES)
CONFIRM = "Confirm the reading first where its verdict carries a caution."
NEXT_STEP = {
    "safety": "Have touch voltage measured or calculated on site by licensed persons against the local code; keep "
    "the screen's assumptions beside it.",
    "repair": "Repair the earthing leads or their corroded parts under the utility's procedure, then test again.",
    "bond": "Before any digging: inspect the shield-wire bond under the utility's licensed procedure, and repeat "
    "the leg currents with turns and direction of each coil checked.",
    "footing": f"Earthing work, not in the plan yet. {CONFIRM}",
    "retest": "Test again with coils round all legs.",
    "none": "No work; test again when due.",
}
LOOK_AT_LEG = "Look at lead and stub of the leg named at the next visit; test again when due."
LOOK_AT_SPAN = (
    "Before any digging: inspect the shield wires of the span named and of its neighbours under the utility's "
    "licensed procedure; test both towers again without coils."
)
WITHIN = {
    "safety": "where people walk with bare feet first, then by potential rise",
    "repair": "most leads missing first",
    "bond": "bonds seen broken, then by leg share and gap, then coils",
    "retest": "in route order",
    "none": "by impedance rank",
}


def order_rule(plan):
    """The rule by which the list is ordered, in words.

    Parameters
    ----------
    plan : towerlib.line.money.Plan

    Returns
    -------
    str

    Examples
    --------
    >>> from towerlib.line.money import Plan
    >>> order_rule(Plan()).split(";")[0]
    'Queues in the order safety, repair, bond, footing, retest, none'
    """
    later = FOOTING_ORDERS[FOOTING_ORDERS.index(plan.footing_order) :]
    within = WITHIN | {"footing": f"by {', where that is not known by '.join(later)}"}
    told = "; ".join(f"{queue}: {within[queue]}" for queue in plan.queue_order)
    return (
        f"Queues in the order {', '.join(plan.queue_order)}; safety and reliability are never summed into one "
        f"score. A tower stands in the first of safety, repair, bond, footing, retest whose reason applies. "
        f"Within {told}."
    )


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
    touch = column(condition, "safety_screen", "").eq("above") & condition["occupancy"].isin(OFTEN_VISITED)
    lead_gone = (condition["leads_missing"] > 0) | (condition["corrosion"] == "heavy")
    bond_gone = condition["bond_seen"].isin(["damaged", "missing"])
    suspected = condition["suspected_cause"].isin(INSPECT) | (column(condition, "span_suspected", "") != "")
    # what the plan improves is earthing work, though the footing may be within its limit
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


def urgency(condition, queue, footing_order=FOOTING_ORDERS[0]):
    """A number a tower, small for urgent, by the rule of its queue; blank goes last.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower.
    queue : pandas.Series of str
        As `queues` gives it.
    footing_order : str
        One of `FOOTING_ORDERS`.

    Returns
    -------
    pandas.Series of float
        Same index.
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


def next_steps(listed):
    """What comes next at each tower.

    Parameters
    ----------
    listed : pandas.DataFrame
        Towers with their queue and suspected_cause.

    Returns
    -------
    pandas.Series of str
    """
    # a weak leg that no crew has seen yet wants a look, not work
    span = (listed["queue"] == "bond") & (column(listed, "span_suspected", "") != "")
    look = (listed["queue"] == "none") & (listed["suspected_cause"] == "weak leg")
    package = column(listed, "package", "").fillna("")
    planned = (listed["queue"] == "footing") & (package != "")
    work = "Planned: " + column(listed, "treatment", "").fillna("") + ", package " + package + ". " + CONFIRM
    return listed["queue"].map(NEXT_STEP).mask(look, LOOK_AT_LEG).mask(planned, work).mask(span, LOOK_AT_SPAN)


def column(table, name, blank):
    """A column of a table, or blanks where its analysis is off."""
    return table[name] if name in table else pd.Series(blank, index=table.index)


def _footing(condition, order):
    """Order of the footing queue: what the chosen measure does not know falls behind, by the next measure."""
    measures = {
        "benefit per cost": -column(condition, "benefit_per_cost", np.nan).astype(float),
        "avoided trip-outs": -column(condition, "avoided_per_year", np.nan).astype(float),
        "impedance": condition["impedance_rank"].astype(float),
    }
    chosen = [measures[name] for name in FOOTING_ORDERS[FOOTING_ORDERS.index(order) :]]
    keys = pd.concat(chosen, axis=1, keys=range(len(chosen)))
    ordered = keys.sort_values(list(keys.columns), kind="stable").index
    return pd.Series(np.arange(len(ordered), dtype=float), index=ordered).reindex(condition.index)


def _suspicion(condition):
    """Order of the bond queue: bonds seen broken, then bonds by leg share and gap, then coils."""
    seen = condition["bond_seen"].isin(["damaged", "missing"])
    about_bond = condition["suspected_cause"].isin(ABOUT_BOND)
    strength = condition["leg_share_lambda"].fillna(condition["gap_fraction"]).clip(0, 1).fillna(0)
    return 2.0 - about_bond.astype(float) - 2.0 * seen.astype(float) - strength / 2
