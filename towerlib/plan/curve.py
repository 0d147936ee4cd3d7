"""What more or less money buys: the budget curve with its knee, and three levels of budget."""

from dataclasses import replace

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.plan.account import plan_of
from towerlib.plan.optimise import optimise, quality
from towerlib.plan.problem import pose
from towerlib.plan.terms import with_total

LEVELS = {"low": 0.5, "middle": 1.0, "high": 1.5}
FLAT = 0.01  # distance above the chord, as a part of the whole, below which a curve has no knee


def budget_curve(options, terms, budgets=None, *, search=False, known=None, **stop):
    """Benefit of the plan at each of many budgets.

    Parameters
    ----------
    options : pandas.DataFrame
    terms : Terms
        As for `towerlib.plan.optimise.optimise`; the budget gives the shares of the years.
    budgets : sequence of float, optional
        Totals of all years, rising; else 16 even steps from 0 to the cost of the most effective option at every tower.
    search : bool
        As for `towerlib.plan.optimise.optimise`.
    known : Plan, optional
        Plan of one of the budgets, which is not planned anew.
    **stop
        ``gap``, ``time_limit_s``, ``footing_ohm`` and ``nodes`` of each point.

    Returns
    -------
    pandas.DataFrame
        One row a budget: budget, spent, towers, benefit, bound, gap, added_per_cost (benefit that each unit
        of money above the row before adds), at_knee. Blank below the cost of the must-do works.

    Notes
    -----
    A plan that fits into a budget fits into every larger one, so the best so far is carried on: more budget
    never brings less. The knee is as `knee` says.
    """
    if budgets is None:
        budgets = np.linspace(0.0, cost_of_everything(options, terms), 16)
    plans = _carried(options, terms, budgets, known, search=search, **stop)
    rows = [_row(budget, plan) for budget, plan in zip(budgets, plans, strict=True)]
    curve = pd.DataFrame(rows).drop(columns="how")
    curve["added_per_cost"] = curve["benefit"].diff() / curve["budget"].diff()
    at = knee(curve["budget"], curve["benefit"])
    return curve.assign(at_knee=curve.index == at)


def three_levels(options, terms, shares=None, *, known=None, **stop):
    """Plans at a low, a middle and a high budget.

    Parameters
    ----------
    options : pandas.DataFrame
    terms : Terms
        Its budget is the middle level.
    shares : dict of str to float, optional
        Part of the budget by name of the level, rising; else `LEVELS`: a half, the whole, one and a half.
    known : Plan, optional
        As for `budget_curve`.
    **stop
        ``search``, ``gap``, ``time_limit_s``, ``footing_ohm`` and ``nodes`` of each plan.

    Returns
    -------
    levels : pandas.DataFrame
        One row a level: level, budget, spent, towers, benefit, bound, gap, cost_per_benefit (per counted
        trip-out avoided, or per money), added_per_cost, how. A level that cannot carry the must-do works is
        blank, and `how` says by how much.
    plans : dict of str to Plan
        By level; None where the must-do works do not fit.
    """
    shares = LEVELS if shares is None else shares
    budgets = [share * sum(terms.budget) for share in shares.values()]
    plans = _carried(options, terms, budgets, known, **({"search": True} | stop))
    rows = [_row(budget, plan) for budget, plan in zip(budgets, plans, strict=True)]
    levels = pd.DataFrame(rows)
    levels.insert(0, "level", list(shares))
    benefit = levels["benefit"].where(levels["benefit"] > 0)
    levels.insert(7, "cost_per_benefit", levels["spent"] / benefit)
    levels.insert(8, "added_per_cost", levels["benefit"].diff() / levels["budget"].diff())
    kept = [None if isinstance(plan, str) else plan for plan in plans]
    return levels, dict(zip(shares, kept, strict=True))


def knee(budget, benefit):
    """Where more money begins to buy less than it does over the whole curve.

    Parameters
    ----------
    budget, benefit : array, shape (n,)
        Points of the curve by rising budget; those with a blank benefit do not count.

    Returns
    -------
    int or None
        Place of the knee; None where fewer than three points are known, or where no point lies above the
        chord from the first point to the last by one part in a hundred of the rise.

    Notes
    -----
    Both axes are scaled to 0 … 1; the knee is the point furthest above the chord. On a smooth concave curve
    its slope there is that of the chord: before it, money buys more than the average, behind it less. It
    depends on where the curve ends: here, with every tower treated.

    References
    ----------
    V. Satopää, J. Albrecht, D. Irwin, B. Raghavan, Finding a "kneedle" in a haystack, ICDCS Workshops (2011)
    166, definition of the knee by distance from the chord (from memory).

    Examples
    --------
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


def cost_of_everything(options, terms):
    """Cost of the most effective option at every tower, each access group mobilised once.

    Parameters
    ----------
    options : pandas.DataFrame
    terms : Terms

    Returns
    -------
    float
        Cost in the unit of `terms.measure`.
    """
    problem = pose(options, terms)
    top = pd.Series(problem.value[:, 0]).groupby(problem.tower).idxmax().to_numpy()
    top = top[problem.value[top, 0] > 0]
    return float(problem.spend[top].sum() + problem.fee[np.unique(problem.group[top])].sum())


def _carried(options, terms, budgets, known, **stop):
    """Plan of each budget, or the sentence why there is none; never worse than that of a smaller budget."""
    if np.any(np.diff(budgets) <= 0):
        raise SettingsError("budgets of a curve must rise")
    pose(options, terms)  # what is wrong with the options themselves stops here, whatever the budget
    plans, best = [], None
    for budget in budgets:
        mine = with_total(terms, budget)
        try:
            plan = known if _is_of(known, mine) else optimise(options, mine, **stop)
        except SettingsError as error:
            plan = str(error)
        if best is not None and (isinstance(plan, str) or plan.benefit < best.benefit):
            bound = best.bound if isinstance(plan, str) else plan.bound
            plan = plan_of(pose(options, mine), best.choice, bound)
            plan = replace(plan, how=f"Plan of a smaller budget. {quality(plan)}")
        best = best if isinstance(plan, str) else plan
        plans.append(plan)
    return plans


def _is_of(plan, terms):
    """True where a plan is one of these yearly budgets, but for rounding."""
    return plan is not None and np.allclose(plan.problem.terms.budget, terms.budget, rtol=1e-12, atol=0.0)


def _row(budget, plan):
    """Figures of one budget."""
    if isinstance(plan, str):
        blank = dict.fromkeys(("spent", "towers", "benefit", "bound", "gap"), np.nan)
        return {"budget": budget, **blank, "how": plan}
    figures = {name: getattr(plan, name) for name in ("benefit", "bound", "gap", "how")}
    return {"budget": budget, "spent": plan.spent, "towers": len(plan.works), **figures}
