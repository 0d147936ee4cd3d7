"""Towers and plan on the page of a line: first ten, safety items, budgets, remarks on the plan, checks of success."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib.config.sections import OFTEN_VISITED
from towerlib.plan.priority import CONFIRM
from towerlib.report import plan_words
from towerlib.report.tower_marks import each, number_of
from towerlib.text import (
    BLANK,
    counted,
    ends,
    interval,
    money,
    named,
    percent,
    sentence,
    significant,
)

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.config.sections import Plan
    from towerlib.plan import Budget
    from towerlib.plan.sensitivity import Outlook

FIRST = 10
AS_PLANNED = f"The treatment listed, as planned. {CONFIRM}"  # so that one heading serves many towers
SAFETY = 5  # shown one by one; the others are named
NO_CAUSE = ("none", "no leg currents read", "cannot tell", "too small to judge")


def first_ten(study: Study) -> list[dict[str, Any]]:
    """The first ten of the priority list, grouped by queue and next step.

    queue, next_step, towers: list of dict with rank, tower_id, km, footing, read, verdict, cause, avoided,
    treatment.
    """
    towers = study.condition.set_index("tower_id")
    first = cast("pd.DataFrame", study.priority[study.priority["queue"] != "none"].head(FIRST))
    told = [_tower(row, towers.loc[row.tower_id], study.line.plan) for row in each(first)]
    groups = groupby(told, key=lambda tower: (tower["queue"], tower["next_step"]))
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
    if state["bond_seen"] in ("damaged", "missing"):
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
    """Safety items, which are not traded against cost.

    towers: list of (tower_id, evidence); more: sentences on the others; off: why there is no screening.
    """
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
    """The budgets side by side.

    level, budget, spent, works, towers, avoided, left, each, further, weeks; the first is no work at all. Empty
    without a plan. `levels`: As `towerlib.plan.sensitivity.levels` gives it; None without a plan.
    """
    if levels is None or levels.empty:
        return []
    rate = study.outages.line.get("whole_line_per_year", math.nan)
    nothing = dict.fromkeys(("budget", "spent", "works", "towers", "avoided", "weeks"), "0")
    nothing |= {"level": "do nothing", "left": significant(rate), "each": "–", "further": "–"}
    return [nothing, *(_level(row, rate) for row in each(levels))]


def _level(row: Any, rate: float) -> dict[str, str]:
    """One budget."""
    told = {"level": row.level, "budget": significant(row.budget, 3)}
    if not math.isfinite(row.spent):
        blank = dict.fromkeys(("spent", "works", "towers", "left", "each", "further", "weeks"), "–")
        return told | blank | {"avoided": sentence(row.how)}
    further = 1 / row.added_per_cost if row.added_per_cost > 0 else math.nan
    return told | {
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
        *_rules(study.budget),
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


def _rules(budget: Budget) -> Iterator[str]:
    """How the plan was found, and what simpler rules achieve with the same money."""
    yield cast("Any", budget.plan).how
    yield from plan_words.beside_rules(budget.methods)


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
