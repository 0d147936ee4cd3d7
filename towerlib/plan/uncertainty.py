"""The plan under uncertain benefits and costs: random draws, probability of being selected, and regret."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.physics.statistics import SEED
from towerlib.plan import heuristic
from towerlib.plan.milp import allowed, build, relax, solve
from towerlib.plan.optimise import solved
from towerlib.plan.outcome import ROOM, Plan, broken_rules, within_limits
from towerlib.plan.problem import pose, years_that_count
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.plan.problem import Constraints, Problem


TENTH = 1.2815515594  # standard deviations from the middle to the ends of an 80 % interval
RUNAWAY = 4.0  # multiple of the middle above which no lognormal upper half is used
TIME_LIMIT_S = 20.0


@dataclass(frozen=True)
class Draws:
    """Possible benefits a year and costs, one row per draw, one column per option.

    Attributes
    ----------
    benefit, cost : array, shape (d, n)
    """

    benefit: np.ndarray
    cost: np.ndarray


@dataclass(frozen=True)
class SelectionProbability:
    """Probability of each tower to be selected by the plan, and the value of better information.

    Attributes
    ----------
    plan : Plan
        Best plan for the mean of the draws, which has the highest expected benefit.
    towers : pandas.DataFrame
        One row per tower with options, most probable first: tower_id, chance (share of the draws whose plan treats
        it), option (the most frequent treatment), option_chance (of it), year (median, where treated),
        in_plan, planned_option.
    regret : pandas.Series
        planned (mean benefit of the plan), perfect (mean of the best known plans of the draws), regret (their
        difference: expected value of perfect information), regret_p90.
    overspend : pandas.Series
        By year: share of the draws in which the plan's works cost more than the budget.
    error : float
        Largest relative distance of the draws' plans below the optimum, over the draws that were also searched. NaN
        where none was.
    draws : int
        Number of draws used.
    """

    plan: Plan
    towers: pd.DataFrame
    regret: pd.Series
    overspend: pd.Series
    error: float
    draws: int


def draw(
    options: pd.DataFrame,
    count: int = 200,
    seed: int = SEED,
    *,
    measure: str = "cost",
    shared: float | None = None,
) -> Draws:
    """Random draws of every option's benefit and cost.

    `options` has benefit_per_year and the `measure` ("cost" or "effort"), with benefit_low, benefit_high, cost_low,
    … where they are uncertain: median, and 10 % and 90 % quantiles (see `at`). `shared` is the part of the variance
    of the benefit common to all options of a tower; default ``plan_shared_spread``. The costs of one treatment vary
    together at all towers, as prices do. An interval that does not contain its middle raises RecordsError.
    """
    shared = number("plan_shared_spread") if shared is None else shared
    rng = np.random.default_rng(seed)
    towers, tower = np.unique(options["tower_id"].to_numpy(str), return_inverse=True)
    kinds, kind = np.unique(options["option"].to_numpy(str), return_inverse=True)
    z = np.sqrt(shared) * rng.standard_normal((count, len(towers)))[:, tower]
    z = z + np.sqrt(1 - shared) * rng.standard_normal((count, len(options)))
    price_z = rng.standard_normal((count, len(kinds)))[:, kind]
    return Draws(
        at(z, band(options, "benefit_per_year", "benefit")), at(price_z, band(options, measure, measure))
    )


def at(z: np.ndarray, ends: tuple[np.ndarray, np.ndarray, np.ndarray]) -> np.ndarray:
    """Value at z standard deviations, shape (…, n), by low end, middle and high end; NaN where the middle is NaN.

    Two halves that meet in the median: lognormal where all three are above 0 and the high end is at most `RUNAWAY`
    times the middle, so that draws stay above 0; else normal, which allows negative benefits.
    """
    low, middle, high = ends
    steps = np.where(z > 0, z, -z) / TENTH
    positive = low > 0
    safe = [np.where(positive, value, 1.0) for value in ends]
    ratio = np.where(z > 0, safe[2] / safe[1], safe[0] / safe[1])
    straight = middle + np.where(z > 0, high - middle, low - middle) * steps
    # a middle near 0 with a far high end would give an extreme lognormal tail: that half is normal
    runaway = (z > 0) & (high > RUNAWAY * middle)
    return np.where(positive & ~runaway, middle * ratio**steps, straight)


def band(options: pd.DataFrame, middle: str, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Low end, middle and high end of the interval of a column, each of shape (n,).

    The ends are ``name_low`` and ``name_high``, and equal to the middle where they are missing or blank. An interval
    that does not contain its middle raises RecordsError.
    """
    centre = options[middle].to_numpy(float)
    low, high = (
        options[f"{name}_{end}"].to_numpy(float)
        if f"{name}_{end}" in options
        else np.full(len(centre), np.nan)
        for end in ("low", "high")
    )
    low, high = np.where(np.isnan(low), centre, low), np.where(np.isnan(high), centre, high)
    if (bad := (low > centre) | (high < centre)).any():
        row = options[bad].iloc[0]
        raise RecordsError(
            f"options: the interval of {name} of tower {row['tower_id']} {row['option']} does not contain {middle}"
        )
    return low, centre, high


def selection_probability(
    options: pd.DataFrame,
    constraints: Constraints,
    draws: Draws,
    *,
    checked: int = 2,
    gap: float | None = None,
    time_limit_s: float = TIME_LIMIT_S,
) -> SelectionProbability:
    """Probability of being selected, over draws of benefits and costs.

    Each draw is planned by `towerlib.plan.heuristic.near_best`, at the shadow prices of the mean; a draw whose
    must-do works do not fit is searched, or not used. `checked` draws are also searched, within `gap` and
    `time_limit_s` [s], to state the error of the quick plans. The regret keeps the costs at their middle value. It
    compares the plan with the best of all plans found, each valued at the draw, so it is a lower limit of the
    expected value of perfect information: H. Raiffa, R. Schlaifer, Applied Statistical Decision Theory (1961)
    (from memory).
    """
    counted = options.assign(row=np.arange(len(options)))
    mean = counted.assign(benefit_per_year=draws.benefit.mean(axis=0))
    problem = pose(mean, constraints)
    rows, relaxed = problem.options["row"].to_numpy(int), relax(problem, build(problem), time_limit_s)
    plan = solved(problem, gap=gap, time_limit_s=time_limit_s, relaxed=relaxed)
    prices = heuristic.Prices(*relaxed[1:])
    value = values_of(problem, draws.benefit[:, rows])
    choices = heuristic.near_best(problem, value, allowed(problem), prices)
    fits = within_limits(problem, choices)
    pool = np.vstack([plan.choice[None], choices[fits]])
    cost = draws.cost[:, rows]
    if (cost != problem.spend).any() or not fits.all():
        choices = _at_drawn_costs(problem, value, cost, prices, (gap, time_limit_s))
    return SelectionProbability(
        plan,
        _towers(problem, plan, choices),
        _regret(problem, pool, value),
        _overspend(problem, plan, cost),
        _error(problem, value[:checked], (prices, gap, time_limit_s)),
        len(choices),
    )


def values_of(problem: Problem, benefit: np.ndarray) -> np.ndarray:
    """Benefit counted in each draw, shape (d, n, y), from benefits a year of shape (d, n)."""
    life = np.nan_to_num(problem.options["life_years"].to_numpy(float))
    return np.nan_to_num(benefit)[:, :, None] * years_that_count(life, problem.constraints)


def _at_drawn_costs(problem, value, cost, prices, stop):
    """Choice of each draw at its own costs; draws without a feasible plan are omitted."""
    choices = []
    for worth, spend in zip(value, cost, strict=True):
        mine = replace(problem, spend=spend, value=worth)
        choice = heuristic.near_best(mine, worth[None], allowed(mine), prices)[0]
        if broken_rules(mine, choice):
            found = solve(mine, build(mine), 0.01 if stop[0] is None else stop[0], stop[1])
            if found.choice is None:
                continue
            choice = found.choice
        choices.append(choice)
    return np.array(choices, int).reshape(-1, len(problem.spend))


def _towers(problem, plan, choices):
    """Selection probability of each tower, and its most frequent treatment."""
    starts = problem.tower_starts
    year = np.add.reduceat(choices, starts, axis=1)
    treated = year > 0
    often = (choices > 0).sum(axis=0)
    top = pd.Series(often).groupby(problem.tower).idxmax().to_numpy()
    count = max(1, len(choices))
    never = often[top] == 0
    names = problem.options["option"].to_numpy()
    planned = np.add.reduceat(plan.choice, starts) > 0
    mine = np.maximum.reduceat(np.where(plan.choice > 0, np.arange(len(names)), -1), starts)
    towers = pd.DataFrame(
        {
            "tower_id": problem.options["tower_id"].to_numpy()[starts],
            "chance": treated.sum(axis=0) / count,
            "option": np.where(never, None, names[top]),
            "option_chance": often[top] / count,
            "year": [np.median(each[each > 0]) if (each > 0).any() else np.nan for each in year.T],
            "in_plan": planned,
            "planned_option": np.where(planned, names[mine], None),
        }
    )
    return towers.sort_values("chance", ascending=False, kind="stable").reset_index(drop=True)


def _regret(problem, pool, value):
    """Benefit of the plan (first of the pool) in the draws, against the best of the pool."""
    planned = brought(pool[:1], value)[0]
    best = brought(np.unique(pool, axis=0), value).max(axis=0)
    missed = best - planned
    return pd.Series(
        {
            "planned": planned.mean(),
            "perfect": best.mean(),
            "regret": missed.mean(),
            "regret_p90": np.quantile(missed, 0.9),
        }
    )


def brought(choices: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Benefit of each of p plans, shape (p, n), in each of d draws, shape (d, n, y); result of shape (p, d)."""
    from scipy import sparse

    plans, done = np.nonzero(choices)
    cell = done * value.shape[2] + choices[plans, done] - 1
    cells = value.shape[1] * value.shape[2]
    taken = sparse.csr_array((np.ones(len(plans)), (plans, cell)), shape=(len(choices), cells))
    return taken @ value.reshape(len(value), cells).T


def _overspend(problem, plan, cost):
    """Share of the draws in which each year of the plan costs more than its budget."""
    chances = {}
    for row in plan.years.itertuples():
        spent = cost[:, plan.choice == row.year].sum(axis=1) + row.mobilisation_cost
        chances[row.year] = float((spent > row.budget * (1 + ROOM)).mean())
    return pd.Series(chances, name="overspend")


def _error(problem, value, how):
    """Largest relative distance of a quick plan to the optimum, over the searched draws."""
    prices, gap, time_limit_s = how
    lacks = []
    for worth in value:
        mine = replace(problem, value=worth)
        choice = heuristic.near_best(mine, worth[None], allowed(mine), prices)
        model = build(mine)
        bound = min(
            relax(mine, model, time_limit_s)[0],
            solve(mine, model, 0.01 if gap is None else gap, time_limit_s).bound,
        )
        if not broken_rules(mine, choice[0]) and bound > 0:
            lacks.append(1 - brought(choice, worth[None])[0, 0] / bound)
    return float(max(lacks)) if lacks else np.nan
