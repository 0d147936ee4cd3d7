"""The plan as tables and sentences: list, levels, packages, confidence, results of earlier works, answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.plan import sensitivity as studies
from towerlib.plan.budget import OWN
from towerlib.report.tables import Table, in_money, nothing, table
from towerlib.report.tower_marks import each, number_of
from towerlib.text import counted, ends, gain, listed, money, plain, significant, wrapped

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.config import Line
    from towerlib.config.sections import Plan as PlanSettings
    from towerlib.plan import Budget
    from towerlib.plan.sensitivity import Outlook
    from towerlib.treatments import Treatments

ROUNDED = 0.005  # relative differences below this are not shown
KINDS = {  # kind of treatment, and how pictures and sentences call it
    "lead": "leads and leg bonds repaired",
    "rebond": "shield-wire bonds inspected or re-made",
    "inspect span": "spans inspected",
    "retest": "tests repeated",
    "rods": "rods",
    "drilled": "deep electrodes",
    "radials": "radial wires",
    "ring": "rings",
    "ring and radials": "rings with radial wires",
    "counterpoise": "continuous counterpoise",
    "arresters": "line arresters",
    "under-built": "under-built wire",
}


def priority(listed_towers: pd.DataFrame, currency: str, rows: int = 10) -> Table:
    """First towers of the priority list with treatment, prediction and cost."""
    caption = "Priority list, most urgent first"
    return table("priority list", listed_towers, caption, rows=rows, money=in_money(currency))


def levels(budget: Budget, outlook: Outlook | None, line: Line) -> Table:
    """What a low, a middle and a high budget buy, one row per level."""
    if outlook is None or budget.constraints is None or outlook.levels.empty:
        return nothing(" ".join(no_plan(budget)) or "The budget is 0: there are no levels to compare.")
    found = outlook.levels
    rate = found["added_per_cost"].where(found["added_per_cost"] > 0)
    found = found.assign(gain_percent=100 * found["gain"], marginal=1 / rate)
    caption = "Three levels of budget (80 % intervals, added up as if all works erred alike)"
    years = plain(budget.constraints.horizon_years)
    return table("budget levels", found, caption, money=in_money(line.plan.currency), years=years)


def beside_rules(methods: pd.DataFrame) -> list[str]:
    """Gain of the plan over each simple rule on the true footings, whatever its sign: one sentence per kind of answer."""
    others = methods[methods["method"] != OWN]
    compared = others.loc[np.isfinite(others["gain"].astype(float))]
    parts = [f"{gain(row.gain)} than “{row.method}”{_gain_ends(row)}" for row in each(compared)]
    said = [f"The plan is expected to avoid {' and '.join(parts)} with the same money."] if parts else []
    said += _optimism(methods) if parts else []
    vain = others.loc[np.isposinf(others["gain"].astype(float)), "method"]
    failing = others.loc[others["fails"].astype(bool), "method"]
    said += [f"“{name}” avoids nothing with the same money." for name in vain]
    return said + [f"“{name}” cannot carry the must-do works with this money." for name in failing]


def _gain_ends(row: Any) -> str:
    """Interval of a gain, in brackets; blank where it has none."""
    low, high = (float(getattr(row, name, np.nan)) for name in ("gain_low", "gain_high"))
    if not np.isfinite([low, high]).all() or high - low < ROUNDED:
        return ""
    return f" (80 % interval {plain(round(100 * low))} to {plain(round(100 * high))} %)"


def _optimism(methods: pd.DataFrame) -> list[str]:
    """Why the gain is less than the figures of the plan itself suggest; empty where they agree."""
    if "expected" not in methods:
        return []
    own = methods[methods["method"] == OWN].iloc[0]
    if not own["benefit"] > 0 or abs(own["expected"] / own["benefit"] - 1) < ROUNDED:
        return []
    return [
        f"The comparison is made on the true footings that the readings leave open: there the plan avoids "
        f"{significant(own['expected'])} over the horizon, by its own estimates {significant(own['benefit'])}. High readings "
        "are high by chance in part."
    ]


def packages(found: pd.DataFrame, currency: str, rows: int = 20) -> Table:
    """Packages of the plan with their totals."""
    if found.empty:
        return nothing("No package: there is no plan, or nothing in it.")
    caption = "Packages: one mobilisation per access group and year; all are in packages.csv"
    return table("packages", found, caption, rows=rows, money=in_money(currency))


def confidence(outlook: Outlook | None) -> str:
    """How probable it is that the selected works stay selected, and the value of perfect information, in sentences."""
    if outlook is None:
        return "Without a plan its confidence is not available."
    free = outlook.chances.loc[~outlook.chances["must_do"]]
    mine = free[free["in_plan"]]
    firm, open_ = mine[mine["chance"] >= 0.8], mine[mine["chance"] < 0.5]
    doubtful = f" ({listed(open_['tower_id'])})" if len(open_) else ""
    parts = [
        f"{len(firm)} of {len(mine)} selected towers that are no must-do have a probability of being selected of at least "
        f"80 %; {len(open_)} of less than half{doubtful}.",
        _left_out(free.loc[~free["in_plan"] & (free["chance"] >= 0.4)]),
        _regret(outlook.regret.to_dict()),
    ]
    return wrapped(parts)


def _left_out(near: pd.DataFrame) -> str:
    """Towers that are out of the plan but could as well be in it."""
    if near.empty:
        return ""
    return f"Not selected, but with a probability of at least 40 %: {listed(near['tower_id'])}."


def _regret(regret: dict[Any, Any]) -> str:
    """Value of perfect information."""
    if not regret["perfect"] > 0:
        return ""
    return (
        f"Perfect information would improve the plan by {regret['regret'] / regret['perfect']:.0%}. That is the most that "
        "further tests and soil soundings can be worth."
    )


def tests(outlook: Outlook | None) -> Table:
    """Tests that are expected to improve the plan most."""
    if outlook is None or outlook.tests.empty:
        return nothing("No single test is expected to improve the plan.")
    found = outlook.tests.assign(
        gain_percent=100 * outlook.tests["gain_part"], change_percent=100 * outlook.tests["chance_changes"]
    )
    caption = "Expected value of single tests; gains do not add up"
    return table("next tests", found, caption)


def learned(treatments: Treatments) -> str:
    """Results of earlier works: those without clear improvement, and the corrections learned, in sentences."""
    done = treatments.learned
    judged = done[done["improved"].notna()] if len(done) else done
    if judged.empty:
        return "No earlier work has comparable readings before and after it, so nothing is learned yet."
    failed = treatments.did_not_improve
    parts = [
        f"{counted(len(judged), 'earlier work')} with comparable readings on both sides; {len(failed)} without clear improvement."
    ]
    parts += [
        f"  No clear improvement: {row.treatment} at tower {row.tower_id}, {plain(row.before_ohm)} Ω before, "
        f"{plain(row.after_ohm)} Ω after{_expected(row.predicted_ohm)}."
        for row in each(failed)
    ]
    parts += [
        f"  Learned for {KINDS.get(row.kind, row.kind)} in {row.soil_class} ground: predictions times "
        f"{row.learned_factor:.2f}, from {counted(row.n, 'work')}."
        for row in each(treatments.corrections)
    ]
    return wrapped(parts)


def _expected(ohm: float) -> str:
    """The prediction, where it is known."""
    return f"; {plain(ohm)} Ω was predicted" if np.isfinite(ohm) else ""


def no_plan(budget: Budget) -> list[str]:
    """Why there is no plan, and the best works without one; empty where there is one."""
    if budget.plan is not None:
        return []
    best = budget.best
    if len(best):
        best = best.loc[best["benefit_per_year"].astype(float) > 0]
    if best.empty:
        return list(budget.off)
    column = "benefit_per_cost" if bool(best["benefit_per_cost"].notna().any()) else "effort_rate"
    rate = cast("pd.Series", best["avoided_per_year"] / best["effort"].where(best["effort"] > 0))
    first = (
        best.assign(effort_rate=rate.fillna(np.inf))
        .sort_values(column, ascending=False, kind="stable")
        .head(5)
    )
    by = "for its cost" if column == "benefit_per_cost" else "per metre of trench"
    named = ", ".join(f"{row.tower_id} ({row.option})" for row in each(first))
    return [*budget.off, f"Most avoided {by}: {named}."]


def answer(study: Study, outlook: Outlook | None) -> str:
    """What the budget buys, in sentences: towers, treatments, years, trip-outs, money, and the assumptions."""
    budget, line = study.budget, study.line
    head = f"{line.title}, as of {study.month}:"
    if budget.plan is None:
        return wrapped([head, *no_plan(budget)])
    parts = [
        head,
        *_bought(budget, line.plan),
        *_kinds(budget, line.plan.currency),
        *_worth(budget, study.outages.line, line.plan),
        *_levelled(outlook, line.plan.currency),
        *_enough(outlook, line.plan),
        *(f"Not considered: {sentence}" for sentence in budget.off),
        *(sentence for sentence in budget.assumed if budget.plan is None or sentence != budget.plan.how),
    ]
    return wrapped(parts)


def _bought(budget: Budget, settings: PlanSettings) -> list[str]:
    """Towers, money and trip-outs of the plan, and how far the simple rules fall short."""
    plan, allowed, works = budget.plan, budget.constraints, budget.works
    if plan is None or allowed is None:
        return []
    if works.empty:
        return [
            f"{money(sum(allowed.budget), settings.currency)} buys nothing here: no work fits the budget and has a benefit."
        ]
    low, middle, high = (
        cast("pd.Series", works[name]).sum() for name in ("avoided_low", "avoided_per_year", "avoided_high")
    )
    years = ", ".join(
        f"{row.towers} towers in year {row.year} ({money(row.spent, settings.currency)})"
        for row in each(plan.years)
    )
    must, number = number_of(works["must_do"]), works["tower_id"].nunique()
    parts = [
        f"{money(plan.spent, settings.currency)} of {money(sum(allowed.budget), settings.currency)} treat {number} towers: "
        f"{years}. Must-do works among them, whatever they avoid: {must}.",
        f"Once all is done, {significant(middle)} trip-outs a year are avoided ({ends(low, high)} if all works err "
        f"alike); {significant(plan.benefit)} over {plain(allowed.horizon_years)} years, later ones counted less.",
    ]
    return [*parts, plan.how, *beside_rules(budget.methods)]


def _kinds(budget: Budget, currency: str) -> list[str]:
    """Trip-outs avoided by kind of treatment."""
    table = studies.by_kind(budget.works)
    parts = [
        f"{KINDS.get(row.kind, row.kind)} at {row.towers} ({significant(row.avoided_per_year)} a year for "
        f"{money(row.cost, currency)})"
        for row in each(table)
    ]
    return [f"By treatment, without mobilisation: {'; '.join(parts)}."] if parts else []


def _worth(budget: Budget, rates: dict[str, Any], settings: PlanSettings) -> list[str]:
    """Cost of a trip-out avoided, by the model and by the record."""
    plan = budget.plan
    if plan is None or not plan.benefit > 0:
        return []
    each = plan.spent / plan.benefit
    parts = [
        f"By the model, one trip-out avoided costs {money(each, settings.currency, digits=2)}{_pays(each, settings)}."
    ]
    factor = rates.get("calibration_factor")
    if factor and abs(factor - 1) > 0.05:
        low, high = rates["calibration_low"], rates["calibration_high"]
        each /= factor
        parts.append(
            f"The line's own record calls for {significant(factor)} times ({ends(low, high)}) as many trip-outs as "
            f"the model, and so for as many avoided: one then costs {money(each, settings.currency, digits=2)}"
            f"{_pays(each, settings)}. The order of the towers does not change."
        )
    if rates.get("model_factor"):
        parts.append(
            f"The method itself is uncertain by a factor of {significant(rates['model_factor'])} either way, much the same "
            "for all towers."
        )
    return parts


def _pays(each: float, settings: PlanSettings) -> str:
    """Whether that is less than the cost of a trip-out."""
    if settings.cost_per_trip_out is None:
        return ""
    less = "less" if each <= settings.cost_per_trip_out else "more"
    return f", {less} than the {money(settings.cost_per_trip_out, settings.currency)} that a trip-out costs"


def _levelled(outlook: Outlook | None, currency: str) -> list[str]:
    """Where the budget curve bends."""
    if outlook is None or not bool(outlook.curve["at_knee"].any()):
        return []
    knee = outlook.curve[outlook.curve["at_knee"]].iloc[0]
    bought = f"{knee['towers']:.0f} towers, {significant(knee['benefit'])} trip-outs avoided"
    where = f"{money(knee['budget'], currency, digits=2)} ({bought})"
    return [
        f"The budget curve bends near {where}: up to there money buys more than the average, beyond it less."
    ]


def _enough(outlook: Outlook | None, settings: PlanSettings) -> list[str]:
    """The budget beyond which a trip-out avoided costs more than one that happens."""
    if outlook is None or settings.cost_per_trip_out is None:
        return []
    curve = outlook.curve
    dear = curve["added_per_cost"] * settings.cost_per_trip_out < 1
    if not bool(dear.any()):
        return []
    last = curve.loc[cast("int", dear.idxmax()) - 1, "budget"]
    return [
        f"Beyond about {money(last, settings.currency, digits=2)} each further trip-out avoided costs more, by the model, than "
        f"the {money(settings.cost_per_trip_out, settings.currency)} that one costs by the settings."
    ]
