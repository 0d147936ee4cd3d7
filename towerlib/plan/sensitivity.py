"""Sensitivity of the plan: budget curve and knee, budget levels, selection probability and next tests."""

from __future__ import annotations

from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.plan import heuristic, uncertainty
from towerlib.plan.milp import allowed, build, relax
from towerlib.plan.optimise import quality, solved
from towerlib.plan.outcome import broken_rules, plan_of, within_limits
from towerlib.plan.problem import pose, scheduled, with_total
from towerlib.plan.uncertainty import at, band, brought, compared, draw, values_of
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from towerlib.plan.budget import Budget
    from towerlib.plan.outcome import Plan
    from towerlib.plan.problem import Constraints
    from towerlib.plan.uncertainty import SelectionProbability


LEVELS = {"low": 0.5, "middle": 1.0, "high": 1.5}
FLAT = 0.01  # relative distance above the chord below which a curve has no knee
OUTCOMES = 9  # results of a test that are considered, all equally likely
WITHIN = 61  # points of the remaining uncertainty after a test
TIME_LIMIT_S = 20.0
DRAWS, STEPS, TESTS = 50, 8, 5
QUICK = {"gap": 1.0, "time_limit_s": 300.0}  # near-best plans suffice; the limit is never reached
QUICKLY = {"search": False, "nodes": 0}  # for series of plans: proven where small, never worse than a rule
TAIL = 4.0  # an interval whose high end exceeds this multiple of the middle has no lognormal tail
SUMS = ["avoided_per_year", "avoided_low", "avoided_high", "cost_low", "cost_high", "crew_weeks"]


@dataclass(frozen=True)
class NextTests:
    """Tests with the highest expected value for the plan.

    Attributes
    ----------
    towers : pandas.DataFrame
        Short list, most valuable first: rank, tower_id, gain (expected value of the test, as added benefit of the
        plan), gain_part (relative to the plan's benefit), chance_changes (probability that its result changes the work
        at that tower), in_plan.
    benefit : float
        Mean benefit of the best plan without any test.
    screened : int
        Number of towers with options; the least promising at the shadow prices were not evaluated in full.
    """

    towers: pd.DataFrame
    benefit: float
    screened: int


@dataclass(frozen=True)
class Outlook:
    """Sensitivity of a plan, as shown in the report.

    Attributes
    ----------
    levels : pandas.DataFrame
        From `levels`; no rows where the budget is 0.
    curve : pandas.DataFrame
        From `budget_curve`.
    chances : pandas.DataFrame
        From `chances`.
    regret : pandas.Series
        planned, perfect, regret and regret_p90, from `towerlib.plan.uncertainty.SelectionProbability`.
    tests : pandas.DataFrame
        Short list of the most valuable tests, from `NextTests`.
    """

    levels: pd.DataFrame
    curve: pd.DataFrame
    chances: pd.DataFrame
    regret: pd.Series
    tests: pd.DataFrame


def outlook(
    budget: Budget, condition: pd.DataFrame, *, draws: int = DRAWS, steps: int = STEPS, tests: int = TESTS
) -> Outlook | None:
    """Levels, curve, selection probabilities and next tests of a plan.

    Parameters
    ----------
    budget : Budget
        From `towerlib.plan.optimise_plan`.
    condition : pandas.DataFrame
        One row per tower; gives the footings for the rule "worst ohms first".
    draws, steps, tests : int
        Draws of the benefits, steps of the curve, and length of the list of tests.

    Returns
    -------
    Outlook or None
        None where there is no plan.
    """
    if budget.plan is None or not len(budget.plan.problem.options):
        return None
    selection = selection_probability(budget, draws)
    found = next_tests(banded(budget.options), _constraints(budget), most=tests, **QUICK)
    table, plans = _levels(budget, condition)
    return Outlook(
        levels=table,
        curve=whole_curve(budget, condition, steps, plans),
        chances=chances(budget, selection),
        regret=selection.regret,
        tests=found.towers,
    )


def banded(options: pd.DataFrame) -> pd.DataFrame:
    """Options with benefit_low and benefit_high, as used for draws.

    Where the high end exceeds `TAIL` times the middle, the low end is set to 0, for which draws are normal: a
    lognormal tail would be unrealistic.
    """
    middle, high = options["benefit_per_year"], options["avoided_high"]
    low = options["avoided_low"].where(~(high > TAIL * middle), 0.0)
    return options.assign(benefit_low=low, benefit_high=high)


def _constraints(budget: Budget) -> Constraints:
    """Constraints of a budget with a plan."""
    if budget.constraints is None:
        raise ValueError("the budget has no plan")
    return budget.constraints


def levels(budget: Budget, condition: pd.DataFrame) -> pd.DataFrame:
    """Plans at a low, a middle and a high budget, compared with the rule "worst ohms first".

    Parameters
    ----------
    budget : Budget
        With a plan; its budget is the middle level.
    condition : pandas.DataFrame
        One row per tower: tower_id, footing_ohm.

    Returns
    -------
    pandas.DataFrame
        One row per level, from `three_levels`, with avoided_per_year, cost of the works
        and the sums of their low and high ends, crew_weeks, mobilisations, worst_first (benefit of
        that rule) and gain (of the plan over it, relative, expected on the true footings) with gain_low and gain_high.
    """
    return _levels(budget, condition)[0]


def _levels(budget, condition):
    """The levels, and the known plans of their budgets."""
    constraints = _constraints(budget)
    if not sum(constraints.budget) > 0:
        return pd.DataFrame(columns=["level", "budget", "spent", "towers", "benefit", *SUMS]), _made(budget)
    footings = condition.set_index("tower_id")["footing_ohm"]
    table, plans = three_levels(
        budget.options, constraints, known=[budget.plan], **QUICKLY, footing_ohm=footings
    )
    sums = pd.DataFrame([_sums(plan, budget.options) for plan in plans.values()])
    ruled = _rule_choices("worst_first", budget, condition, table["budget"])
    table = pd.concat([table, sums], axis=1).assign(worst_first=_benefits(ruled))
    gains = [
        _gain_of(plan, *rule, budget.options, condition)
        for plan, rule in zip(plans.values(), ruled, strict=True)
    ]
    table = pd.concat([table, pd.DataFrame(gains, columns=["gain", "gain_low", "gain_high"])], axis=1)
    return table, [plan for plan in plans.values() if plan is not None]


def _made(budget: Budget) -> list[Plan]:
    """The plan of the budget, where there is one."""
    return [] if budget.plan is None else [budget.plan]


def _sums(plan, options):
    """Sums over the works of a level."""
    if plan is None:
        return dict.fromkeys((*SUMS, "mobilisations"), np.nan)
    names = [name for name in SUMS if name not in plan.works]
    works = plan.works.merge(
        options[["tower_id", "option", *names]], on=["tower_id", "option"], validate="1:1"
    )
    found = works[SUMS].sum().to_dict()
    return found | {"mobilisations": int(plan.years["mobilisations"].sum())}


def _gain_of(plan, problem, choice, options, condition):
    """Gain of a plan over a rule, with its interval; blank without one of them or where the rule avoids nothing."""
    if plan is None or choice is None:
        return (np.nan,) * 3
    found = compared([(plan.problem, plan.choice), (problem, choice)], options, condition)
    gain = tuple(found.loc[1, ["gain", "gain_low", "gain_high"]])
    return gain if np.isfinite(gain[0]) else (np.nan,) * 3


def _by_rule(name, budget, condition, totals):
    """Benefit of a simple rule within total budgets; blank where the must-do works do not fit."""
    return _benefits(_rule_choices(name, budget, condition, totals))


def _benefits(ruled):
    """Benefit of each choice of a rule, blank without one."""
    return [np.nan if choice is None else plan_of(problem, choice).benefit for problem, choice in ruled]


def _rule_choices(name, budget, condition, totals):
    """Problem and choice of a simple rule within total budgets; no choice where the must-do works do not fit."""
    constraints = _constraints(budget)
    posed, footings = pose(budget.options, constraints), condition.set_index("tower_id")["footing_ohm"]
    found = []
    for total in totals:
        problem = scheduled(posed, with_total(constraints, total))
        choice = (
            heuristic.greedy_choice(problem)
            if name == "greedy"
            else heuristic.worst_first_choice(problem, footings)
        )
        keeps = within_limits(problem, choice[None])[0]
        found.append((problem, choice if keeps else None))
    return found


def whole_curve(
    budget: Budget, condition: pd.DataFrame, steps: int = STEPS, known: Sequence[Plan] = ()
) -> pd.DataFrame:
    """Budget curve of the plan, with worst_first and greedy (benefit of the simple rules).

    Even steps up to the cost of the most effective option at every tower; the three levels are added. `known` plans
    of some of the budgets are reused. Blank below the cost of the must-do works; no rows where no option has a benefit.
    """
    constraints = _constraints(budget)
    whole = cost_of_everything(budget.options, constraints)
    if not whole > 0:
        return pd.DataFrame(columns=["budget", "spent", "towers", "benefit", "bound", "at_knee"])
    owed = budget.options["must_do"].astype(bool)  # with must-dos a budget of 0 is not feasible
    if "obligation" in budget.options:
        owed &= budget.options["obligation"].isna()  # an inspection or repair may go without a year
    owed = owed.any()
    points = np.linspace(0.0, whole, steps + 1)[int(bool(owed)) :]
    shares = np.array(list(LEVELS.values())) * sum(constraints.budget)
    points = np.unique(np.r_[points, shares[shares > 0]])
    footings = condition.set_index("tower_id")["footing_ohm"]
    found = budget_curve(
        budget.options, constraints, points, known=known or _made(budget), **QUICKLY, footing_ohm=footings
    )
    fits = found["benefit"].notna()
    for name in ("worst_first", "greedy"):
        found.loc[fits, name] = _by_rule(name, budget, condition, found["budget"][fits])
    return found


def cost_of_everything(options: pd.DataFrame, constraints: Constraints) -> float:
    """Cost of the obligations and of the most effective option at every tower, each access group mobilised once."""
    problem = pose(options, constraints)
    top = pd.Series(problem.value[:, 0]).groupby(problem.tower).idxmax().to_numpy()
    top = top[(problem.value[top, 0] > 0) | problem.owed[top]]
    return float(problem.spend[top].sum() + problem.fee[np.unique(problem.group[top])].sum())


def budget_curve(
    options: pd.DataFrame,
    constraints: Constraints,
    budgets: Sequence[float] | np.ndarray | None = None,
    *,
    search: bool = False,
    known: Sequence[Plan] = (),
    **stop: Any,
) -> pd.DataFrame:
    """Benefit of the plan as a function of the total budget, one row per budget.

    `budgets` increase; default: 16 even steps from 0 to the cost of the most effective option at every tower. `stop`
    holds ``gap``, ``time_limit_s``, ``footing_ohm`` and ``nodes`` of each point; `known` plans of some of the budgets
    are reused. Columns: budget, spent, towers, benefit, bound, gap, added_per_cost (benefit per additional unit of
    money, against the previous row), at_knee (see `knee`). Blank below the cost of the must-do works. A plan within a
    budget is within every larger one, so the best so far is carried on: more budget never reduces the benefit.
    """
    if budgets is None:
        budgets = np.linspace(0.0, cost_of_everything(options, constraints), 16)
    plans = _carried(options, constraints, budgets, known, search=search, **stop)
    rows = [_row(budget, plan) for budget, plan in zip(budgets, plans, strict=True)]
    curve = pd.DataFrame(rows).drop(columns="how")
    curve["added_per_cost"] = curve["benefit"].diff() / curve["budget"].diff()
    at = knee(curve["budget"], curve["benefit"])
    return curve.assign(at_knee=curve.index == at)


def _carried(options, constraints, budgets, known, **stop):
    """Plan of each budget, or the reason why there is none; never worse than that of a smaller budget."""
    if np.any(np.diff(budgets) <= 0):
        raise SettingsError("budgets of a curve must increase")
    posed, plans, best = pose(options, constraints), [], None
    for budget in budgets:
        problem = scheduled(posed, with_total(constraints, budget))
        try:
            plan = next((plan for plan in known if _is_of(plan, problem)), None) or solved(problem, **stop)
        except SettingsError as error:
            plan = str(error)
        better = best is not None and (isinstance(plan, str) or plan.benefit < best.benefit)
        # a smaller budget may have lacked the money for an inspection or repair that is owed now
        if better and not broken_rules(problem, best.choice):
            bound = best.bound if isinstance(plan, str) else plan.bound
            plan = plan_of(problem, best.choice, bound)
            plan = replace(plan, how=f"Plan of a smaller budget. {quality(plan)}")
        best = best if isinstance(plan, str) else plan
        plans.append(plan)
    return plans


def _is_of(plan, problem):
    """True where a plan has the yearly budgets of a problem, apart from rounding."""
    budgets = plan.problem.constraints.budget, problem.constraints.budget
    return np.allclose(*budgets, rtol=1e-12, atol=0.0)


def _row(budget, plan):
    """Figures of one budget."""
    if isinstance(plan, str):
        blank = dict.fromkeys(("spent", "towers", "benefit", "bound", "gap"), np.nan)
        return {"budget": budget, **blank, "how": plan}
    figures = {name: getattr(plan, name) for name in ("benefit", "bound", "gap", "how")}
    return {"budget": budget, "spent": plan.spent, "towers": plan.works["tower_id"].nunique(), **figures}


def three_levels(
    options: pd.DataFrame,
    constraints: Constraints,
    shares: dict[str, float] | None = None,
    *,
    known: Sequence[Plan] = (),
    **stop: Any,
) -> tuple[pd.DataFrame, dict[str, Plan | None]]:
    """Plans at a low, a middle and a high budget: table of the levels, and plan by level.

    `shares` of the budget by level increase; default `LEVELS`: 50 %, 100 %, 150 %. `stop` and `known` as for
    `budget_curve`. Columns: level, budget, spent, towers, benefit, bound, gap, cost_per_benefit (per counted trip-out
    avoided, or per money), added_per_cost, how. A level below the cost of the must-do works is blank, its plan is
    None, and `how` states the shortage.
    """
    shares = LEVELS if shares is None else shares
    budgets = [share * sum(constraints.budget) for share in shares.values()]
    plans = _carried(options, constraints, budgets, known, **({"search": True} | stop))
    rows = [_row(budget, plan) for budget, plan in zip(budgets, plans, strict=True)]
    levels = pd.DataFrame(rows)
    levels.insert(0, "level", list(shares))
    benefit = levels["benefit"].where(levels["benefit"] > 0)
    levels.insert(7, "cost_per_benefit", levels["spent"] / benefit)
    levels.insert(8, "added_per_cost", levels["benefit"].diff() / levels["budget"].diff())
    kept = [None if isinstance(plan, str) else plan for plan in plans]
    return levels, dict(zip(shares, kept, strict=True))


def knee(budget: ArrayLike, benefit: ArrayLike) -> int | None:
    """Position of the knee of a budget curve: beyond it, more money brings less than on average.

    Both axes are scaled to 0 … 1; the knee is the known point farthest above the chord from the first to the last.
    None with fewer than three known points, or where none lies above the chord by at least 1 % of the rise. The knee
    depends on the end of the curve: here, every tower treated. V. Satopää, J. Albrecht, D. Irwin, B. Raghavan, Finding
    a "kneedle" in a haystack, ICDCS Workshops (2011) 166, definition by distance from the chord (from memory).

    >>> knee([0, 1, 2, 3, 4], [0, 6, 9, 10, 10.5])
    2
    """
    budget, benefit = np.asarray(budget, float), np.asarray(benefit, float)
    known = np.flatnonzero(np.isfinite(benefit))
    if len(known) < 3 or not np.ptp(benefit[known]) > 0:
        return None
    x, y = (((axis := values[known]) - axis[0]) / (axis[-1] - axis[0]) for values in (budget, benefit))
    above = y - x
    return int(known[above.argmax()]) if above.max() > FLAT else None


def selection_probability(budget: Budget, count: int = DRAWS) -> SelectionProbability:
    """Probability of being selected, given the uncertainty of the benefits, over `count` draws.

    Costs keep their middle value: prices that rise together shift the budget, not the order. Errors common to all
    towers, such as the accuracy of the lightning model, are excluded too, since they do not change the order.
    """
    options = banded(budget.options).drop(columns=["cost_low", "cost_high"], errors="ignore")
    return uncertainty.selection_probability(
        options, _constraints(budget), draw(options, count), checked=0, **QUICK
    )


def chances(budget: Budget, selection: SelectionProbability) -> pd.DataFrame:
    """Probability of each tower to be selected, most probable first.

    Columns: tower_id, chance, option (the most frequent one), option_chance, in_plan, planned_option, must_do.
    """
    works = budget.works[budget.works["decides"] == ""]  # inspections and repairs are in every plan
    planned = cast("pd.DataFrame", works[["tower_id", "option", "must_do"]])
    planned = planned.rename(columns={"option": "planned_option"})
    kept = selection.towers[["tower_id", "chance", "option", "option_chance"]]
    table = kept.merge(planned, on="tower_id", how="left", validate="1:1")
    owed = table["must_do"].astype("boolean").fillna(False).astype(bool)
    return table.assign(in_plan=table["planned_option"].notna(), must_do=owed)


def next_tests(
    options: pd.DataFrame,
    constraints: Constraints,
    *,
    removes: float | pd.Series | None = None,
    most: int = 12,
    gap: float | None = None,
    time_limit_s: float = TIME_LIMIT_S,
) -> NextTests:
    """Short list of the `most` tests with the highest expected value for the plan.

    `removes` is the part of the variance shared by a tower's options that a test removes, for all towers or by
    tower_id; default ``plan_test_removes``. `gap` and `time_limit_s` [s] apply to the plan without tests.

    Preposterior analysis. A test of tower k has nine equally likely results; each shifts the mean benefits of its
    options (a two-piece distribution, `towerlib.plan.uncertainty.at`, of which the test reveals the part shared times
    removed), and the mean over the results is unchanged. Gain = mean over the results of the best plan's benefit,
    minus the best plan's benefit now. Both are taken from one pool of plans: the present plan, the same without tower
    k or with each of its options, repaired, and the near-best plans of every result. A gain is therefore never below
    0 and includes other uses of the money. It is a lower limit as far as the pool lacks better plans. It applies to
    one test alone: gains of several tests do not add. Towers are first screened by the gain at fixed shadow prices.

    H. Raiffa, R. Schlaifer, Applied Statistical Decision Theory (1961), preposterior analysis; R. A. Howard,
    Information value theory, IEEE Trans. SSC-2 (1966) 22 (both from memory).
    """
    means = _posterior_means(options, removes)
    counted = options.assign(row=np.arange(len(options)), benefit_per_year=means.mean(axis=0))
    problem = pose(counted, constraints)
    relaxed = relax(problem, build(problem), time_limit_s)
    plan = solved(problem, gap=gap, time_limit_s=time_limit_s, relaxed=relaxed)
    prices = heuristic.Prices(*relaxed[1:])
    results = values_of(problem, means[:, problem.options["row"].to_numpy(int)])
    promise = np.where(problem.owed[problem.tower_starts], 0.0, _promise(problem, results, prices))
    chosen = np.argsort(-promise, kind="stable")[: 2 * most]
    chosen = chosen[promise[chosen] > 0]
    scenes = _scenes(problem, results, chosen)
    pool = _pool(problem, plan, scenes, chosen, prices)
    now, then = brought(pool, problem.value[None])[:, 0], brought(pool, scenes)
    then = then.reshape(len(pool), len(chosen), OUTCOMES)
    gain = then.max(axis=0).mean(axis=1) - now.max()
    towers = pd.DataFrame(
        {
            "tower_id": problem.options["tower_id"].to_numpy()[problem.tower_starts[chosen]],
            "gain": np.maximum(gain, 0.0) * (gain > 1e-9 * now.max()),
            "gain_part": gain / now.max() if now.max() > 0 else np.nan,
            "chance_changes": _changes(problem, pool, now, then, chosen),
            "in_plan": (np.add.reduceat(plan.choice, problem.tower_starts) > 0)[chosen],
        }
    )
    towers = towers.loc[towers["gain"] > 0].sort_values("gain", ascending=False, kind="stable").head(most)
    towers.insert(0, "rank", np.arange(1, len(towers) + 1))
    return NextTests(towers.reset_index(drop=True), float(now.max()), len(promise))


def _posterior_means(options, removes):
    """Mean benefit a year of each option after each result of a test of its tower, shape (results, n)."""
    removes = number("plan_test_removes") if removes is None else removes
    if isinstance(removes, pd.Series):
        removes = options["tower_id"].map(removes).astype(float).to_numpy()
    revealed = np.sqrt(
        number("plan_shared_spread") * np.broadcast_to(np.asarray(removes, float), len(options))
    )
    outcome, within = _points(OUTCOMES), _points(WITHIN)
    z = revealed * outcome[:, None, None] + np.sqrt(1 - revealed**2) * within[None, :, None]
    return at(z, band(options, "benefit_per_year", "benefit")).mean(axis=1)


def _points(count):
    """Equally likely points of a standard normal distribution, scaled to unit variance."""
    points = np.array([NormalDist().inv_cdf((step + 0.5) / count) for step in range(count)])
    return points / points.std()


def _promise(problem, results, prices):
    """Gain of a test of each tower at fixed shadow prices, without mobilisations."""
    load = heuristic.loads_of(problem, prices)[0]
    open_to = allowed(problem)
    floor = np.where(problem.must_tower, -np.inf, 0.0)

    def best(value):
        net = np.where(open_to, value - load, -np.inf).max(axis=-1)
        return np.maximum(np.maximum.reduceat(net, problem.tower_starts, axis=-1), floor)

    return best(results).mean(axis=0) - best(problem.value)


def _scenes(problem, results, chosen):
    """Values after each result of a test of each chosen tower, shape (towers times results, n, y)."""
    scenes = np.tile(problem.value, (len(chosen) * OUTCOMES, 1, 1))
    for place, tower in enumerate(chosen):
        mine = problem.tower == tower
        scenes[place * OUTCOMES : (place + 1) * OUTCOMES, mine] = results[:, mine]
    return scenes


def _pool(problem, plan, scenes, chosen, prices):
    """Plans that may be the best after a test, all within the limits, the present plan first."""
    open_to = allowed(problem)
    variants = heuristic.neighbours(problem, plan.choice, open_to, chosen, prices)
    pool = np.vstack(
        [plan.choice[None], variants, heuristic.near_best(problem, scenes, open_to, prices, starts=2)]
    )
    keeps = within_limits(problem, pool)
    keeps[0] = True
    return np.unique(pool[keeps], axis=0)


def _changes(problem, pool, now, then, chosen):
    """Share of the results after which the work at the tower changes."""
    changes = []
    best_now = pool[now.argmax()]
    for place, tower in enumerate(chosen):
        mine = problem.tower == tower
        best = then[:, place].argmax(axis=0)
        level = then[best, place, np.arange(OUTCOMES)]
        stays = then[now.argmax(), place] >= level - 1e-12 * np.abs(level)
        differs = (pool[best][:, mine] != best_now[mine]).any(axis=1)
        changes.append(float((differs & ~stays).mean()))
    return changes


def by_kind(works: pd.DataFrame) -> pd.DataFrame:
    """Trip-outs avoided by each kind of treatment in a plan.

    Parameters
    ----------
    works : pandas.DataFrame
        From `towerlib.plan.Budget.works`.

    Returns
    -------
    pandas.DataFrame
        One row per kind, most first: kind, towers, avoided_per_year, avoided_low, avoided_high, cost.
    """
    sums = ["avoided_per_year", "avoided_low", "avoided_high", "cost"]
    grouped = works.astype(dict.fromkeys(sums, float)).groupby("kind", sort=True)
    table = (
        cast("pd.DataFrame", grouped[sums].sum()).assign(towers=grouped["tower_id"].nunique()).reset_index()
    )
    table = table.sort_values("avoided_per_year", ascending=False, kind="stable", ignore_index=True)
    return cast("pd.DataFrame", table[["kind", "towers", *sums]])
