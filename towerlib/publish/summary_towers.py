"""The towers that the page of a line names: the first ten with cause and next step, and the safety items."""

import math
from itertools import groupby

import pandas as pd

from towerlib.line.safety import OFTEN_VISITED
from towerlib.plan.queues import CONFIRM
from towerlib.publish.summary_words import BLANK, band, count, money, named, two

FIRST = 10
AS_PLANNED = f"The treatment listed, as planned. {CONFIRM}"  # so that one heading serves many towers
SAFETY = 5  # told one by one; the others are counted
NO_CAUSE = ("none", "no leg currents read", "cannot tell", "too small to judge")


def first_ten(study):
    """The first ten of the priority list, grouped by queue and next step.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    list of dict
        queue, next_step, towers: list of dict with rank, tower_id, km, footing, read, verdict, cause, avoided, treatment.
    """
    towers = study.condition.set_index("tower_id")
    first = study.priority[study.priority["queue"] != "none"].head(FIRST)
    told = [_tower(row, towers.loc[row.tower_id], study.line.plan) for row in first.itertuples()]
    groups = groupby(told, key=lambda tower: (tower["queue"], tower["next_step"]))
    return [{"queue": queue, "next_step": step, "towers": list(members)} for (queue, step), members in groups]


def _tower(row, state, plan):
    """One tower of the list."""
    return {
        "queue": row.queue,
        "next_step": AS_PLANNED if row.next_step.startswith("Planned: ") else row.next_step,
        "rank": int(row.rank),
        "tower_id": row.tower_id,
        "km": two(row.chainage_km, 3) if pd.notna(row.chainage_km) else "–",
        "footing": footing(row, state),
        "read": f"{row.footing_date:%Y-%m-%d}, " if pd.notna(row.footing_date) else "",
        "verdict": row.verdict,
        "cause": cause(row, state),
        "avoided": avoided(row),
        "treatment": treatment(row, state, plan),
    }


def footing(row, state):
    """Footing impedance with its interval, a lower bound, or that there is none.

    Parameters
    ----------
    row, state : namedtuple, pandas.Series
        Of the priority list, and of the condition.

    Returns
    -------
    str
    """
    if pd.notna(row.footing_ohm):
        return band(row.footing_ohm, row.footing_low_ohm, row.footing_high_ohm, "Ω", 3)
    bound = state["lower_bound_ohm"]
    return f"at least {two(bound, 3)}{BLANK}Ω" if pd.notna(bound) else "not known"


def cause(row, state):
    """What is behind a tower's place, in words.

    Parameters
    ----------
    row, state : namedtuple, pandas.Series
        Of the priority list, and of the condition.

    Returns
    -------
    str
    """
    parts = []
    if state.get("safety_screen") == "above" and state["occupancy"] in OFTEN_VISITED:
        parts.append(f"touch screen; people: {state['occupancy']}")
    if pd.notna(state["leads_missing"]) and state["leads_missing"] > 0:
        parts.append(f"{count(int(state['leads_missing']), 'earthing lead')} missing, seen by the crew")
    if state["corrosion"] == "heavy":
        parts.append("heavy corrosion, seen by the crew")
    if state["bond_seen"] in ("damaged", "missing"):
        parts.append(f"shield-wire bond {state['bond_seen']}, seen by the crew")
    if pd.notna(row.suspected_cause) and row.suspected_cause not in NO_CAUSE:
        parts.append(f"leg currents: {row.suspected_cause}")
    known = row.footing_ohm if pd.notna(row.footing_ohm) else state["lower_bound_ohm"]
    if pd.notna(known) and known > row.limit_ohm:
        parts.append(f"footing {two(known / row.limit_ohm, 3)} times its limit")
    elif pd.isna(known):
        parts.append("no usable reading")
    text = "; ".join(parts) or "within its limit"
    return text[:1].upper() + text[1:]


def avoided(row):
    """Trip-outs that the treatment named would avoid a year.

    Parameters
    ----------
    row : namedtuple
        Of the priority list.

    Returns
    -------
    str
    """
    if pd.isna(row.avoided_per_year):
        return "not known"
    if row.avoided_high < 0.001:
        return "under 0.001"
    return band(row.avoided_per_year, row.avoided_low, row.avoided_high)


def treatment(row, state, plan):
    """Treatment with its cost, and whether the plan holds it.

    Parameters
    ----------
    row, state : namedtuple, pandas.Series
        Of the priority list, and of the condition.
    plan : towerlib.line.money.Plan
        Its currency.

    Returns
    -------
    str
    """
    if pd.isna(row.treatment) or not row.treatment:
        return "none listed"
    text = row.treatment
    if pd.notna(row.cost) and math.isfinite(row.cost):
        ends = (state.get(name, float("nan")) for name in ("cost_low", "cost_high"))
        low, high = (two(float(end)) for end in ends)
        text += f", {money(row.cost, plan.currency)} ({low} to {high})"
    else:
        text += ", no price"
    planned = pd.notna(row.package) and row.package
    return text + (f"; in the plan, {row.package}" if planned else "; not in the plan")


def safety(study):
    """Safety items, apart from everything that is weighed against money.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    dict
        towers: list of (tower_id, evidence); more: sentences on the others; off: why there is no screen.
    """
    queued = study.priority[study.priority["queue"] == "safety"]
    state = study.condition.set_index("tower_id")
    items = [
        (tower, state.loc[tower].get("safety_evidence") or "") for tower in queued["tower_id"].head(SAFETY)
    ]
    more = []
    if len(queued) > SAFETY:
        rest = queued["tower_id"].iloc[SAFETY:]
        more.append(f"Also in this queue: {named(rest, 12)}.")
    screen = state.get("safety_screen")
    others = (
        []
        if screen is None
        else list(state.index[(screen == "above") & ~state.index.isin(queued["tower_id"])])
    )
    if others:
        more.append(
            f"Above the screen too, where people come seldom or nothing is recorded of them: {named(others)}. "
            "Record who comes there (towers.csv, occupancy)."
        )
    gone = state.index[(state["leads_missing"] > 0).fillna(False)]
    if len(gone):
        more.append(f"Earthing leads seen missing, to be repaired whatever they save: {named(gone)}.")
    off = [
        why
        for why in study.network.off
        if "touch-voltage screening" in why.lower() or "earth-fault" in why.lower()
    ]
    return {"towers": items, "more": more, "off": off}
