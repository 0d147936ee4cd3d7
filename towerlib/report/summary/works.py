"""The towers that the page of a line names: the first ten with cause and next step, and the safety items."""

import math
from itertools import groupby

import pandas as pd

from towerlib.config.sections import OFTEN_VISITED
from towerlib.plan.priority import CONFIRM
from towerlib.report import plan_words
from towerlib.text import (
    BLANK,
    counted,
    interval,
    money,
    named,
    percent,
    sentence,
    significant,
)

FIRST = 10
AS_PLANNED = f"The treatment listed, as planned. {CONFIRM}"  # so that one heading serves many towers
SAFETY = 5  # told one by one; the others are counted
NO_CAUSE = ("none", "no leg currents read", "cannot tell", "too small to judge")


def first_ten(study):
    """The first ten of the priority list, grouped by queue and next step.

    Parameters
    ----------
    study : Study

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
        "km": significant(row.chainage_km, 3) if pd.notna(row.chainage_km) else "–",
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
        return interval(row.footing_ohm, row.footing_low_ohm, row.footing_high_ohm, "Ω", 3)
    bound = state["lower_bound_ohm"]
    return f"at least {significant(bound, 3)}{BLANK}Ω" if pd.notna(bound) else "not known"


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
        parts.append(f"{counted(int(state['leads_missing']), 'earthing lead')} missing, seen by the crew")
    if state["corrosion"] == "heavy":
        parts.append("heavy corrosion, seen by the crew")
    if state["bond_seen"] in ("damaged", "missing"):
        parts.append(f"shield-wire bond {state['bond_seen']}, seen by the crew")
    if pd.notna(row.suspected_cause) and row.suspected_cause not in NO_CAUSE:
        parts.append(f"leg currents: {row.suspected_cause}")
    known = row.footing_ohm if pd.notna(row.footing_ohm) else state["lower_bound_ohm"]
    if pd.notna(known) and known > row.limit_ohm:
        parts.append(f"footing {significant(known / row.limit_ohm, 3)} times its limit")
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
    return interval(row.avoided_per_year, row.avoided_low, row.avoided_high)


def treatment(row, state, plan):
    """Treatment with its cost, and whether the plan holds it.

    Parameters
    ----------
    row, state : namedtuple, pandas.Series
        Of the priority list, and of the condition.
    plan : towerlib.config.sections.Plan
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
        low, high = (significant(float(end)) for end in ends)
        text += f", {money(row.cost, plan.currency, digits=2)} ({low} to {high})"
    else:
        text += ", no price"
    planned = pd.notna(row.package) and row.package
    return text + (f"; in the plan, {row.package}" if planned else "; not in the plan")


def safety(study):
    """Safety items, apart from everything that is weighed against money.

    Parameters
    ----------
    study : Study

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


MOST_CHECKS = 4


def bought(study, levels):
    """The budgets side by side.

    Parameters
    ----------
    study : Study
    levels : pandas.DataFrame or None
        As `towerlib.plan.sensitivity.levels` gives it; None without a plan.

    Returns
    -------
    list of dict
        level, budget, spent, works, towers, avoided, left, each, further, weeks; the first buys nothing. Empty
        without a plan.
    """
    if levels is None or levels.empty:
        return []
    rate = study.outages.line.get("whole_line_per_year", math.nan)
    nothing = dict.fromkeys(("budget", "spent", "works", "towers", "avoided", "weeks"), "0")
    nothing |= {"level": "do nothing", "left": significant(rate), "each": "–", "further": "–"}
    return [nothing, *(_level(row, rate) for row in levels.itertuples())]


def _level(row, rate):
    """One budget."""
    told = {"level": row.level, "budget": significant(row.budget, 3)}
    if not math.isfinite(row.spent):
        blank = dict.fromkeys(("spent", "works", "towers", "left", "each", "further", "weeks"), "–")
        return told | blank | {"avoided": sentence(row.how)}
    further = 1 / row.added_per_cost if row.added_per_cost > 0 else math.nan
    return told | {
        "spent": significant(row.spent, 3),
        "works": f"{significant(row.cost_low)} to {significant(row.cost_high)}",
        "towers": f"{row.towers:.0f}",
        "avoided": interval(row.avoided_per_year, row.avoided_low, row.avoided_high),
        "left": significant(max(rate - row.avoided_per_year, 0.0)) if math.isfinite(rate) else "–",
        "each": significant(row.cost_per_benefit),
        "further": significant(further),
        "weeks": significant(row.crew_weeks),
    }


def told(study, levels, outlook=None):
    """What has to be said of the plan, in sentences.

    Parameters
    ----------
    study : Study
    levels : pandas.DataFrame or None
        As for `bought`.
    outlook : towerlib.plan.sensitivity.Outlook, optional
        Tells the knee of the budget curve and the tests worth most.

    Returns
    -------
    list of str
    """
    if study.budget.plan is None:
        return [sentence(why) for why in plan_words.no_plan(study.budget)] or ["There is no plan."]
    return [
        *_calibration(study),
        *_worth(study, levels),
        *_years(study),
        *_rules(study.budget),
        *_knee(outlook, study.line.plan.currency),
        *_tests(study, outlook),
    ]


def _calibration(study):
    """How far the record bears the model out."""
    line = study.outages.line
    if "calibration_factor" in line:
        ends = interval(line["calibration_factor"], line["calibration_low"], line["calibration_high"])
        yield (
            f"These figures are the model's. The record of this line speaks for {ends} times as many trip-outs, avoided "
            "ones too; which towers come first hardly depends on it."
        )
    elif "whole_line_per_year" in line:
        yield (
            f"These figures are the model's, which may be off by a factor of {significant(line['model_factor'])} to either side; "
            "which towers come first hardly depends on it."
        )


def _worth(study, levels):
    """Whether the budget pays by trip-outs alone."""
    price, currency = study.line.plan.cost_per_trip_out, study.line.plan.currency
    each = levels.set_index("level")["cost_per_benefit"].get("middle", math.nan) if len(levels) else math.nan
    if not price or not math.isfinite(each):
        return
    pays = (
        "less than one costs" if each < price else "more than one costs: by trip-outs alone it does not pay"
    )
    yield (
        f"Each trip-out avoided takes {money(each, currency, digits=2)} of the middle budget, "
        f"at {money(price, currency, digits=2)} "
        "a "
        f"trip-out {pays}. What a trip-out costs is seldom known well: at half or twice as much all money told of them halves "
        "or doubles, and the plan, which counts trip-outs, stays."
    )


def _years(study):
    """Whether it can be delivered: the set budget year by year."""
    plan = study.budget.plan
    parts = [
        f"year {row.year:.0f}: {counted(int(row.towers), 'tower')}, {money(row.spent, study.line.plan.currency, digits=2)}, "
        f"{significant(row.crew_weeks)} crew-weeks, {counted(int(row.mobilisations), 'mobilisation')}"
        for row in plan.years.itertuples()
    ]
    must = int(plan.works["must_do"].sum())
    owed = f"; {counted(must, 'work')} of it must be done whatever it saves" if must else ""
    yield f"The budget as set, {'; '.join(parts)}{owed}. Mobilisation: bringing a crew to a stretch of the line once."


def _rules(budget):
    """What the plan is, and what simpler rules would bring for the same money."""
    yield budget.plan.how
    yield from plan_words.beside_rules(budget.methods)


def _knee(outlook, currency):
    """Where more money begins to buy less."""
    if outlook is None or outlook.curve.empty or not outlook.curve["at_knee"].any():
        return
    row = outlook.curve[outlook.curve["at_knee"]].iloc[0]
    yield (
        f"The knee of the budget curve lies near {money(row['budget'], currency, digits=2)}: "
        "beyond it money buys less than on the "
        "average of the whole curve, up to every tower treated."
    )


def _tests(study, outlook):
    """What testing first would change."""
    again, towers = len(study.retest), study.condition
    unsure = int((towers["rank_confidence"] == "open").sum())
    text = (
        f"Test more first: {counted(again, 'tower')} on the retest list; of {counted(unsure, 'read tower')} it is open whether "
        "they belong to the worst tenth"
    )
    if outlook is not None and len(outlook.tests):
        first = named(outlook.tests["tower_id"])
        yield f"{text}. Single tests that are expected to change the plan most: tower {first}."
    else:
        yield f"{text}, and there a further test is worth most before money is spent."


def checks(study, levels):
    """How success will be checked, in sentences.

    Parameters
    ----------
    study : Study
    levels : pandas.DataFrame or None

    Returns
    -------
    list of str
    """
    works, parts = study.budget.works, []
    if len(works):
        ways = works["verify"].fillna("").replace("", "not said").value_counts()
        some = [f"{counted(int(number), 'work')} by {way}" for way, number in ways.head(MOST_CHECKS).items()]
        parts.append(f"First by the works themselves: {'; '.join(some)}.")
        verified = works["predicted_ohm"].notna().sum()
        parts.append(
            f"{counted(int(verified), 'work')} of {len(works)} have a predicted footing to be held against the retest; the "
            "changes of each month tell fixed and verified, fixed not verified, and did not work apart."
        )
    else:
        parts.append(
            "Without a plan there is nothing to check yet: each treatment asks for a retest by the same method."
        )
    return parts + list(_proof(study, levels))


def _proof(study, levels):
    """How long until trip-outs show it."""
    years = study.outages.years
    if years.empty or years["years_each_side"].isna().all():
        yield "How long until trip-outs show it cannot be told: no rate of this line is known."
        return
    cut = _cut(study, levels)
    near = years.loc[(years["cut_fraction"] - cut).abs().idxmin()]
    after = near["years_after_record"] if pd.notna(near["years_after_record"]) else near["years_each_side"]
    how = "more than 60 years" if math.isinf(after) else f"about {counted(int(after), 'year')}"
    yield (
        f"Then by trip-outs, slowly: if {percent(near['cut_fraction'], 1)} of them really ceased, this line alone would take "
        f"{how} after the work to show it (one-sided 5 %, power 80 %); results pooled over treated lines, each "
        "with its flashes counted, show it sooner. A bad year that is followed by a better one proves nothing."
    )


def _cut(study, levels):
    """Part of the trip-outs that the middle budget would avoid; a half where there is no plan."""
    rate = study.outages.line.get("trip_outs_per_year", math.nan)
    if levels is None or levels.empty or not rate > 0:
        return 0.5
    middle = levels.set_index("level")["avoided_per_year"].get("middle", math.nan)
    return middle / rate if math.isfinite(middle) else 0.5
