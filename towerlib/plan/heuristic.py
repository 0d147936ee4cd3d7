"""Quick plans: near-best plans at shadow prices, best single changes, and the two simple rules.

A selection holds one integer per tower: option · years + year, −1 without a work.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.physics.statistics import SEED
from towerlib.plan.outcome import broken_rules, plan_of
from towerlib.plan.problem import pose

if TYPE_CHECKING:
    from towerlib.plan.outcome import Plan
    from towerlib.plan.problem import Constraints, Problem


REACH, STEPS = 24.0, 26  # range of prices, as a logarithm, and its halvings: far below what one tower changes
ALL_SETS = 5  # up to this many years every set of visiting years is tried; beyond, sets of up to two
SPREAD = 0.3  # standard deviation of the logarithm of the proportions tried
CELLS = 1_000_000  # draws times options times years in one block
NO_PRICES = "No prices were given: towers are ranked by avoided trip-outs per trench metre, without a budget."


@dataclass(frozen=True)
class Prices:
    """Shadow prices: benefit of one more unit of money and of one more crew-week in each year, shape (y,)."""

    money: np.ndarray
    weeks: np.ndarray


@dataclass(frozen=True)
class Packages:
    """Units of decision: an option of one tower, or one option of each tower of a group treated together.

    Attributes
    ----------
    members, starts : array
        Options of the packages one after another, and where each package begins, with the end.
    unit, unit_ends : array
        Unit of each package by number, and first package of each unit, with the end.
    value : array, shape (p, y)
    spend, weeks : array, shape (p,)
    must : array of int, shape (p,)
        2 for an inspection or repair with a year, 1 where it meets another must-do, else 0.
    open : array of bool, shape (p, y)
        Years in which it may be done.
    """

    members: np.ndarray
    starts: np.ndarray
    unit: np.ndarray
    unit_ends: np.ndarray
    value: np.ndarray
    spend: np.ndarray
    weeks: np.ndarray
    must: np.ndarray
    open: np.ndarray


def near_best(
    problem: Problem, value: np.ndarray, allowed: np.ndarray, prices: Prices, *, starts: int = 4
) -> np.ndarray:
    """Near-best choice of each draw: year of each option, 0 where it is not done, shape (d, n).

    `value`, shape (d, n, y), is the benefit counted in each draw; `allowed`, shape (n, y), the years in which an
    option may be done (a tower with a must-do is treated in one of them regardless of its benefit). Only the
    proportions of the prices matter: `starts` of them are tried, the given ones and then random ones within some
    30 %, and each draw keeps the best. The plans are not proven optimal; with tight must-do works a choice may
    break a limit: see `towerlib.plan.outcome.broken_rules`.

    Greedy and upper hull of the multiple-choice knapsack: P. Sinha, A. A. Zoltners, Operations Research 27
    (1979) 503; H. Kellerer, U. Pferschy, D. Pisinger, Knapsack Problems (2004), chapter 11. Prices of shared
    limits: H. Everett, Operations Research 11 (1963) 399 (all from memory).
    """
    if not value.size:
        return np.zeros(value.shape[:2], int)
    size = max(1, CELLS // (value.shape[1] * value.shape[2]))
    loads = loads_of(problem, prices)
    tried = [loads, *_other_proportions(problem, prices, starts - 1)]
    parts = [_best_of(problem, value[at : at + size], allowed, tried) for at in range(0, len(value), size)]
    return np.concatenate(parts)


def loads_of(problem: Problem, prices: Prices) -> tuple[np.ndarray, np.ndarray]:
    """Priced load of each option and year, shape (n, y), and of each mobilisation, shape (g, y)."""
    load = problem.spend[:, None] * prices.money + problem.weeks[:, None] * prices.weeks
    return load, problem.fee[:, None] * prices.money


def _other_proportions(problem, prices, count):
    """Loads at other proportions of years, crews and mobilisations; reproducible."""
    rng, others = np.random.default_rng(SEED), []
    for _ in range(count):
        money, weeks = (
            price * np.exp(SPREAD * rng.standard_normal(price.shape)) for price in vars(prices).values()
        )
        load, fee = loads_of(problem, Prices(money, weeks))
        others.append((load, fee * np.exp(2 * SPREAD * rng.standard_normal(fee.shape))))
    return others


def _best_of(problem, value, allowed, tried):
    """Choice of a block of draws: the best over several loads."""
    draws = len(value)
    worth = np.where(allowed, value, -np.inf)
    best, brings = np.full((draws, len(problem.unit)), -1), np.full(draws, -np.inf)
    for loads in tried:
        selected = improved(problem, worth, _priced(problem, worth, loads), tried[0])
        total = np.where(
            holds_limits(problem, *used(problem, selected)), amount_of(value, selected).sum(axis=1), -np.inf
        )
        better = (total > brings) | (best < 0).all(axis=1)
        best[better], brings[better] = selected[better], total[better]
    return choices_of(problem, best)


def improved(
    problem: Problem,
    worth: np.ndarray,
    selected: np.ndarray,
    loads: tuple[np.ndarray, np.ndarray],
    barred: np.ndarray | None = None,
) -> np.ndarray:
    """Selections, shape (d, a), improved by the best single change, by benefit per priced load, as long as one fits.

    `worth`, shape (d, n, y) or (1, n, y), is −inf where an option may not be done; `barred` is a tower of each
    selection that keeps its work.
    """
    from towerlib.plan import loops

    changed = np.array(selected, np.int64)
    kept = np.full(len(changed), -1) if barred is None else barred
    lone = np.bincount(problem.unit)[problem.unit] == 1
    loops.improve(
        _floats(worth),
        changed,
        _numbers(kept),
        *map(_floats, loads),
        lone,
        _ends(problem.tower_starts, len(problem.tower)),
        *_costs(problem),
        *_limits(problem),
    )
    return changed


def _floats(values):
    """Values as compiled loops take them."""
    return np.require(values, np.float64, ["C", "W"])


def _numbers(values):
    """Whole numbers as compiled loops take them."""
    return np.require(values, np.int64, ["C", "W"])


def _ends(starts, end):
    """Starts of runs, continued by the end of the last one."""
    return np.append(_numbers(starts), end)


def _costs(problem):
    """Costs, crew-weeks and access group of each option, and price of each mobilisation, for compiled loops."""
    return _floats(problem.spend), _floats(problem.weeks), _numbers(problem.group), _floats(problem.fee)


def _limits(problem):
    """Money and crew-weeks of each year, for compiled loops."""
    return np.array(problem.constraints.budget, float), problem.crew


def amount_of(amount: np.ndarray, selected: np.ndarray) -> np.ndarray:
    """Amount, from shape (n, y) or (d, n, y), for the selected cell of each tower, 0 where none is; shape (d, a)."""
    flat = amount.reshape(*amount.shape[:-2], -1)
    flat = np.broadcast_to(flat, (len(selected), flat.shape[-1]))
    return np.where(selected >= 0, np.take_along_axis(flat, np.maximum(selected, 0), axis=1), 0.0)


def used(problem: Problem, selected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Money and crew-weeks of each draw and year, two arrays of shape (d, y)."""
    years = problem.constraints.years
    option, year = np.divmod(np.maximum(selected, 0), years)
    in_year = (year[:, :, None] == np.arange(years)) & (selected >= 0)[:, :, None]
    spent = np.einsum("da,day->dy", problem.spend[option], in_year)
    weeks = np.einsum("da,day->dy", problem.weeks[option], in_year)
    return spent + np.einsum("dgy,g->dy", visits_of(problem, selected), problem.fee), weeks


def visits_of(problem: Problem, selected: np.ndarray) -> np.ndarray:
    """True for each access group with work in each year, shape (d, g, y)."""
    years = problem.constraints.years
    option, year = np.divmod(np.maximum(selected, 0), years)
    place = np.where(selected >= 0, problem.group[option] * years + year, -1)
    visited = np.zeros((len(selected), len(problem.fee) * years + 1), bool)
    visited[np.arange(len(selected))[:, None], place] = True
    return visited[:, :-1].reshape(len(selected), -1, years)


def _priced(problem, worth, loads):
    """Option and year of each tower at the lowest price that keeps every limit, else at the highest."""
    from towerlib.plan import loops

    load = loads[0]
    top = 2 * max(np.max(worth, initial=0.0), 1e-300) / min(load[load > 0], default=1.0)
    search = np.log(top), REACH, STEPS
    return loops.priced(
        _floats(worth), *search, *_pricing(problem, loads), *_costs(problem), *_limits(problem)
    )


def _pricing(problem, loads):
    """What the choice at a price depends on besides the worth and the price, for compiled loops."""
    forced = np.logical_or.reduceat(problem.must_tower, problem.unit_starts)
    ends = (
        _ends(problem.tower_starts, len(problem.tower)),
        _ends(problem.unit_starts, len(problem.unit)),
        _ends(problem.group_starts, len(problem.unit_starts)),
    )
    sets = _year_sets(problem.constraints.years)
    return *map(_floats, loads), np.array(forced, bool), ends, _numbers(problem.home), sets


@cache
def _year_sets(years):
    """Sets of years in which an access group may be visited, shape (s, y)."""
    sizes = range(years + 1) if years <= ALL_SETS else range(3)
    sets = [chosen for size in sizes for chosen in combinations(range(years), size)]
    return np.array([np.isin(np.arange(years), chosen) for chosen in sets])


def holds_limits(problem: Problem, spent: np.ndarray, weeks: np.ndarray) -> np.ndarray:
    """True for each draw whose money and crew-weeks, shape (d, y), are within the limits of every year."""
    kept = (spent <= np.array(problem.constraints.budget)) & (weeks <= problem.crew)
    return np.asarray(kept.all(axis=1))


def choices_of(problem: Problem, selected: np.ndarray) -> np.ndarray:
    """Year of each option, 0 where it is not done, shape (d, n), from selections of shape (d, a)."""
    choices = np.zeros((len(selected), len(problem.spend)), int)
    draw, tower = np.nonzero(selected >= 0)
    option, year = np.divmod(selected[draw, tower], problem.constraints.years)
    choices[draw, option] = year + 1
    return choices


def neighbours(
    problem: Problem, choice: np.ndarray, allowed: np.ndarray, towers: np.ndarray, prices: Prices
) -> np.ndarray:
    """Variants of a choice that change one of the given towers, repaired to fit money and crews; shape (p, n).

    For each tower: without works, and with each of its options in each year. Where money or crews do not suffice,
    works with the least benefit per cost are removed; the remainder is used for the best single changes. Towers with
    a must-do, and those treated together, are not changed.
    """
    loads, years = loads_of(problem, prices), problem.constraints.years
    start = selected_of(problem, choice[None])[0]
    fixed = problem.must_tower | (np.bincount(problem.unit)[problem.unit] > 1)
    selected, barred = [], []
    for tower in towers[~fixed[towers]]:
        mine = np.flatnonzero(problem.tower == tower)
        cells = [option * years + year for option in mine for year in range(years) if allowed[option, year]]
        for cell in (-1, *cells):
            if cell == start[tower]:
                continue
            selected.append(
                _made_room(problem, np.where(np.arange(len(start)) == tower, cell, start), tower, fixed)
            )
            barred.append(tower)
    if not selected:
        return np.zeros((0, len(choice)), int)
    worth = np.where(allowed, problem.value, -np.inf)[None]
    return choices_of(problem, improved(problem, worth, np.array(selected), loads, np.array(barred)))


def selected_of(problem: Problem, choices: np.ndarray) -> np.ndarray:
    """Option and year of each tower, shape (d, a): the inverse of `choices_of`."""
    selected = np.full((len(choices), len(problem.unit)), -1)
    draw, option = np.nonzero(choices)
    selected[draw, problem.tower[option]] = option * problem.constraints.years + choices[draw, option] - 1
    return selected


def _made_room(problem, selected, tower, fixed):
    """Selection without the works of least benefit per cost, until the limits are kept."""
    selected = selected.copy()
    years = problem.constraints.years
    while True:
        spent, weeks = (amount[0] for amount in used(problem, selected[None]))
        over = (spent > np.array(problem.constraints.budget)) | (weeks > problem.crew)
        option, year = np.divmod(np.maximum(selected, 0), years)
        able = (selected >= 0) & over[year] & ~fixed & (np.arange(len(selected)) != tower)
        if not able.any():
            return selected
        rate = problem.value[option, year] / np.maximum(problem.spend[option], 1e-9)
        selected[np.where(able, rate, np.inf).argmin()] = -1


def worst_first(options: pd.DataFrame, constraints: Constraints, footing_ohm: pd.Series) -> Plan:
    """Plan of the rule "worst ohms first"; `how` names the constraints that it violates, if any.

    Towers are treated in order of their footing [Ω, by tower_id], must-do works first, those without one last. Each
    takes the option with the most benefit per cost that still fits, in the first possible year; a tower that fits in no
    year is skipped. *Common practice*; a list that stops at the first tower that does not fit would avoid less.
    """
    problem = pose(options, constraints)
    return _rule_plan(problem, worst_first_choice(problem, footing_ohm), "Worst ohms first.")


def _rule_plan(problem, choice, how):
    """Plan of a rule, with the constraints that it violates; a rule can fail where a plan exists."""
    broken = broken_rules(problem, choice)
    return plan_of(problem, choice, how=" ".join([how, *(f"It fails: {rule}." for rule in broken)]))


def worst_first_choice(problem: Problem, footing_ohm: pd.Series) -> np.ndarray:
    """Choice of the rule "worst ohms first", shape (n,); it can fail to meet a must-do."""
    from towerlib.plan import loops

    ohm = footing_ohm.reindex(problem.options["tower_id"]).astype(float).fillna(-np.inf).to_numpy()
    worst = np.full(problem.unit.max(initial=-1) + 1, -np.inf)
    np.maximum.at(worst, problem.unit[problem.tower], ohm)
    packages = packages_of(problem)
    own = packages.value[:, 0] / np.maximum(packages.spend, 1e-9)
    order = np.lexsort((-own, packages.unit, -worst[packages.unit], -packages.must))
    years = loops.in_order(
        order,
        packages.starts,
        _numbers(problem.group[packages.members]),
        packages.spend,
        packages.weeks,
        packages.unit,
        packages.must,
        packages.open,
        _floats(problem.fee),
        _limits(problem),
        problem.must_by,
    )
    return _done(problem, packages, years)


def _done(problem, packages, years):
    """Choice of the packages done in given years."""
    choice = np.zeros(len(problem.spend), int)
    choice[packages.members] = np.repeat(years, np.diff(packages.starts))
    return choice


def packages_of(problem: Problem) -> Packages:
    """Every option of a single tower; for towers treated together, the option with the most benefit per cost."""
    options = np.arange(len(problem.tower))
    lone = (np.bincount(problem.unit)[problem.unit] == 1)[problem.tower]
    open_to = ~problem.must_tower[problem.tower] | problem.must
    rate = np.where(open_to, problem.value[:, 0] / np.maximum(problem.spend, 1e-9), -np.inf)
    by_rate = np.lexsort((options, -rate, problem.tower))
    best = np.zeros(len(options), bool)
    best[by_rate[problem.tower_starts]] = True  # the first of each tower
    members = np.flatnonzero(np.where(lone, open_to, best))
    unit = problem.unit[problem.tower[members]]
    starts = np.flatnonzero(lone[members] | np.r_[True, unit[1:] != unit[:-1]][: len(unit)])
    sums = (
        np.add.reduceat(amount[members], starts, axis=0) if len(starts) else amount[:0].astype(float)
        for amount in (problem.value, problem.spend, problem.weeks)
    )
    value, spend, weeks = map(_floats, sums)
    level = _numbers(problem.must) + (problem.owed & problem.must)
    must = np.maximum.reduceat(level[members], starts) if len(starts) else np.zeros(0, np.int64)
    is_open = problem.open[members]
    is_open = np.logical_and.reduceat(is_open, starts, axis=0) if len(starts) else is_open
    unit = unit[starts]
    return Packages(
        members=members,
        starts=_ends(starts, len(members)),
        unit=_numbers(unit),
        unit_ends=np.searchsorted(unit, np.arange(problem.unit.max(initial=-1) + 2)),
        value=value,
        spend=spend,
        weeks=weeks,
        must=must,
        open=np.ascontiguousarray(is_open),
    )


def greedy(options: pd.DataFrame, constraints: Constraints) -> Plan:
    """Plan of the rule "most benefit per cost next", mobilisation included; `how` names what it violates, if anything.

    Year by year, must-do works first: the next work has the greatest ratio of benefit to cost, including the
    mobilisation if it has not been paid yet. *Common practice*.
    """
    problem = pose(options, constraints)
    return _rule_plan(problem, greedy_choice(problem), "Greedy by benefit per cost.")


def greedy_choice(problem: Problem) -> np.ndarray:
    """Choice of the rule "most benefit per cost next", shape (n,); it can fail to meet a must-do."""
    from towerlib.plan import loops

    packages = packages_of(problem)
    years = loops.best_rate_next(
        packages.value,
        packages.unit_ends,
        packages.starts,
        _numbers(problem.group[packages.members]),
        packages.spend,
        packages.weeks,
        packages.must,
        packages.open,
        _floats(problem.fee),
        _limits(problem),
        problem.must_by,
    )
    return _done(problem, packages, years)


def ranked_by_effort(options: pd.DataFrame) -> pd.DataFrame:
    """Towers ranked by avoided trip-outs per trench metre, best first, for work without prices.

    One row per tower with its best option: rank, tower_id, option, benefit_per_year, effort, benefit_per_effort
    (infinite without digging). Options without a positive benefit are not listed.
    """
    listed = options.loc[
        (options["benefit_per_year"] > 0) & options["effort"].notna(),
        ["tower_id", "option", "benefit_per_year", "effort"],
    ]
    effort = listed["effort"].to_numpy(float)
    rate = np.where(effort > 0, listed["benefit_per_year"] / np.where(effort > 0, effort, 1.0), np.inf)
    listed = listed.assign(benefit_per_effort=rate)
    listed = listed.sort_values(
        ["benefit_per_effort", "benefit_per_year"], ascending=False, kind="stable"
    ).drop_duplicates("tower_id")
    listed.insert(0, "rank", np.arange(1, len(listed) + 1))
    return listed.reset_index(drop=True)


def failed(plan: Plan) -> bool:
    """True where the plan of a rule violates a constraint, so that its benefit is not comparable."""
    return bool(broken_rules(plan.problem, plan.choice))
