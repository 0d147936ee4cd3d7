"""The priority list: what comes first, the queue of each tower, evidence and next step."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib import dictionary
from towerlib.condition import NOT_TESTED
from towerlib.config.sections import BY_QUEUES, FOOTING_ORDERS, OFTEN_VISITED, QUEUES
from towerlib.plan import expected
from towerlib.plan.expected import column
from towerlib.readings.causes import BOND_CAUSE, BOND_CAUSES, BOND_GONE, COIL_CAUSES, SPAN_CAUSE, WEAK_LEG
from towerlib.readings.standing import upper_limits
from towerlib.sentences import wording
from towerlib.text import figure

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.config.sections import Plan as PlanSettings


ABOUT_BOND = (*BOND_CAUSES, SPAN_CAUSE)
SHIELD_WIRE = (BOND_CAUSE, SPAN_CAUSE)  # causes at the shield wire that do not depend on the coils
INSPECT = (*ABOUT_BOND, *COIL_CAUSES)
NEXT_STEP = {queue: wording(f"next_{queue}") for queue in QUEUES}
SAFETY, CERTAIN, OTHERS = range(3)
WITHIN = {
    "safety": "where people walk with bare feet first, then by potential rise",
    "repair": "most leads missing first",
    "bond": "bonds seen broken, then by leg share and gap, then coils",
    "retest": "in route order",
    "none": "by impedance rank",
}
COLUMNS = list(dictionary.names("priority"))  # as documented in tables.csv, in that order
TEXTS = ("safety_screen", "treatment", "package", "conditional_on", "decision")


def priority_list(condition: pd.DataFrame, line: Line) -> pd.DataFrame:
    """The priority list of a line.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`, with the columns of later stages where available.
    line : Line
        Its id goes into the list; ``[plan]`` sets the order.

    Returns
    -------
    pandas.DataFrame
        One row per tower, most urgent first; columns as in `COLUMNS`, in that order. A column whose analysis is
        not available is blank.

    Notes
    -----
    `order_rule` describes the order in words.
    """
    condition = with_expected(condition)
    queue = queues(condition)
    order = _order(condition, queue, line.plan)
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


def with_expected(condition: pd.DataFrame) -> pd.DataFrame:
    """Condition of the towers with what their best next step is expected to avoid.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower.

    Returns
    -------
    pandas.DataFrame
        The same rows with the columns of `towerlib.plan.expected.expected_benefit`.
    """
    if "expected_avoided_per_year" in condition:
        return condition
    found = expected.expected_benefit(condition)
    return condition.assign(**{name: found[name] for name in expected.COLUMNS})


def _order(condition, queue, settings):
    """Index of the towers in the order of the list."""
    if settings.order == BY_QUEUES:
        keys = {
            "first": queue.map(settings.queue_order.index),
            "second": urgency(condition, queue, settings.footing_order),
        }
    else:
        tier = tiers(condition, queue)
        benefit = _benefit(condition)
        apart = urgency(condition, queue).where(tier == SAFETY, 0.0)
        keys = {
            "first": tier,
            "second": apart,
            "third": -benefit,
            "fourth": queue.map(settings.queue_order.index),
            "fifth": condition["impedance_rank"].astype(float),
        }
    table = pd.DataFrame({**keys, "chainage": condition["chainage_km"]})
    return table.sort_values(list(table), kind="stable").index


def _benefit(condition):
    """Expected benefit for the order; on a line without trip-out rates these are taken as proportional to the footing."""
    benefit = condition["expected_avoided_per_year"].astype(float)
    if benefit.notna().any():
        return benefit.fillna(0.0)
    ohm = condition["footing_ohm"].astype(float)
    above = (ohm - column(condition, "target_ohm", 0.0).astype(float)).clip(lower=0.0)
    relative = condition.assign(trip_outs_per_year=ohm, avoided_to_target_per_year=above)
    return expected.expected_benefit(relative)["expected_avoided_per_year"].fillna(0.0)


def tiers(condition: pd.DataFrame, queue: pd.Series) -> pd.Series:
    """Tier of each tower: safety (0), certain damage (1), all others (2).

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower.
    queue : pandas.Series of str
        From `queues`.

    Returns
    -------
    pandas.Series of int

    Notes
    -----
    Damage is certain where the crew saw it (a lead missing or cut, a bond damaged or missing), or where an injected test
    at the tower itself decides that the bond carries nothing. Corrosion and suspicions are likelihoods.
    """
    decided = column(condition, "bond_decided", False).fillna(False).astype(bool)
    certain = _lead_missing(condition) | condition["bond_seen"].isin(BOND_GONE) | decided
    return pd.Series(np.select([queue == "safety", certain], [SAFETY, CERTAIN], OTHERS), condition.index)


def _lead_missing(condition):
    """Towers at which the crew saw leads missing or cut."""
    return condition["leads_missing"] > 0


def queues(condition: pd.DataFrame) -> pd.Series:
    """Queue of each tower: the kind of its next step, the first whose reason applies.

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
    leg = _lead_missing(condition) | (condition["corrosion"] == "heavy")
    leg |= condition["suspected_cause"] == WEAK_LEG
    bond_gone = condition["bond_seen"].isin(BOND_GONE)
    suspected = condition["suspected_cause"].isin(INSPECT) | (column(condition, "span_suspected", "") != "")
    unknown = condition["footing_ohm"].isna()
    limited = upper_limits(condition)
    good = condition["impedance_class"].isin(["good", "acceptable"])
    chosen = np.select(
        [
            touch.fillna(False),
            leg.fillna(False),
            bond_gone | suspected,
            _work(condition),
            unknown | (limited & ~good),
        ],
        QUEUES[:5],
        default="none",
    )
    return pd.Series(chosen, index=condition.index, dtype="str")


def _work(condition):
    """Towers at which earthing work comes next: above the limit, in the plan, or with as much to gain as these."""
    above = condition["impedance_class"] == "above limit"
    planned = column(condition, "package", "").fillna("") != ""
    return above | planned | _worthwhile(condition, above)


def _worthwhile(condition, above):
    """Towers within their limit at which work would avoid as much as at the median tower above its limit."""
    benefit = column(condition, "avoided_to_target_per_year").astype(float)
    usual = benefit.where(above).median()
    limited = upper_limits(condition)
    return (benefit > 0) & (benefit >= usual) & condition["impedance_class"].eq("acceptable") & ~limited


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
    seen = condition["bond_seen"].isin(BOND_GONE)
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
    parts = [
        "Never tested." if getattr(tower, "verdict", "") == NOT_TESTED else "",
        _seen(tower),
        _currents(tower),
    ]
    if pd.notna(tower.footing_ohm):
        parts.append(f"Footing {tower.footing_ohm:.3g} Ω on {tower.footing_date:%Y-%m-%d}.")
    elif pd.notna(tower.lower_bound_ohm):
        parts.append(
            f"Footing at least {tower.lower_bound_ohm:.3g} Ω: read without coils, or beyond the range."
        )
    parts += [_touch(tower), _trip_outs(tower), _expected(tower)]
    return " ".join(part for part in parts if part)


def _seen(tower):
    """Inspection findings of the crew."""
    parts = []
    if tower.leads_missing > 0:
        parts.append(f"{tower.leads_missing:.0f} earthing lead{'s' * (tower.leads_missing > 1)} missing")
    if tower.corrosion == "heavy":
        parts.append("heavy corrosion")
    if tower.bond_seen in BOND_GONE:
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


def _expected(tower):
    """What the best next step is expected to avoid, where it is not the footing's own figure."""
    avoided, basis = tower.expected_avoided_per_year, tower.expected_basis
    if pd.isna(avoided) or not basis or avoided <= 0:
        return ""
    return f"Expected benefit of the next step: {figure(avoided)} trip-outs a year ({basis})."


def bonds_to_inspect(condition: pd.DataFrame) -> pd.Series:
    """Towers with a shield-wire bond or span to inspect: suspected whatever the coils, or seen broken."""
    return condition["suspected_cause"].isin(SHIELD_WIRE) | condition["bond_seen"].isin(BOND_GONE)


def next_steps(listed: pd.DataFrame) -> pd.Series:
    """Next step at each tower, from its queue and suspected cause."""
    span = (listed["queue"] == "bond") & (column(listed, "span_suspected", "") != "")
    look = (
        (listed["queue"] == "repair")
        & ~_lead_missing(listed).fillna(False)
        & (listed["corrosion"] != "heavy")
    )
    package = column(listed, "package", "").fillna("")
    planned = (listed["queue"] == "footing") & (package != "")
    within = (
        (listed["queue"] == "footing")
        & listed["impedance_class"].isin(["good", "acceptable"])
        & (package == "")
    )
    work = (
        "Planned: "
        + column(listed, "treatment", "").fillna("")
        + ", package "
        + package
        + ". "
        + wording("confirm")
    )
    return (
        cast("pd.Series", listed["queue"].map(NEXT_STEP.get))
        .mask(look, wording("next_leg"))
        .mask(within, wording("next_within_limit"))
        .mask(planned, work)
        .mask(span, wording("next_span"))
    )


def order_rule(plan: PlanSettings) -> str:
    """Sorting rule of the list, in words."""
    if plan.order != BY_QUEUES:
        return (
            "Safety comes first: touch-voltage screening above its limit where people often are. Certain damage comes "
            "second: leads missing, bonds seen broken or found open by an injected test. All other towers follow in one "
            "order: trip-outs per year that the best next step is expected to avoid, suspicions weighted by their "
            "probability, unknown benefits estimated and marked. Safety and reliability are never summed into one score."
        )
    later = FOOTING_ORDERS[FOOTING_ORDERS.index(plan.footing_order) :]
    within = WITHIN | {"footing": f"by {', where not known by '.join(later)}"}
    rules = "; ".join(f"{queue}: {within[queue]}" for queue in plan.queue_order)
    return (
        f"Queues in the order {', '.join(plan.queue_order)}; safety and reliability are never summed into one "
        f"score. A tower belongs to the first of safety, repair, bond, footing, retest whose reason applies. "
        f"Within {rules}."
    )
