"""Near-best plans in a moment, for one or for many draws of the benefits, at prices of money and crews.

At a price each tower takes the option and year with the greatest benefit less price times load, which lies on the
upper hull of its options; an access group is visited in those years in which its towers together earn the
mobilisation. The prices rise together until every year's limits hold; then what is left buys the best single changes.
"""

from functools import cache
from itertools import combinations

import numpy as np

from towerlib.physics.statistics import SEED
from towerlib.plan.mend import improved
from towerlib.plan.picks import Prices, amount_of, choices_of, holds_limits, loads_of, used

STEPS = 26  # halvings of a range of e²⁴ in price: far below what one tower changes
ALL_SETS = 5  # years up to which every set of visiting years is tried; beyond, those of up to two visits
SPREAD = 0.3  # standard deviation of the logarithm of the proportions tried
CELLS = 1_000_000  # draws times options times years worked on at once


def near_best(problem, value, allowed, prices, *, starts=4):
    """Choice of each draw.

    Parameters
    ----------
    problem : Problem
        n options of a towers in y years.
    value : array, shape (d, n, y)
        Benefit counted in each draw.
    allowed : array of bool, shape (n, y)
        Years in which each option may be done; a tower with a must-do is treated in one of them whatever it
        brings.
    prices : Prices
        Their proportions steer the plan, not their size.
    starts : int
        Proportions tried, the given ones first, then ones that differ by some 30 %; each draw keeps the best.

    Returns
    -------
    array of int, shape (d, n)
        Year of each option, 0 where it is not done. Where must-do works are tight a choice may break a limit:
        `towerlib.plan.account.broken_rules` tells.

    Notes
    -----
    No plan is proven best here: `towerlib.plan.optimise` puts a bound beside it.

    References
    ----------
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


def _other_proportions(problem, prices, count):
    """Loads at other proportions of years, crews and mobilisations; the same ones every time."""
    rng, others = np.random.default_rng(SEED), []
    for _ in range(count):
        money, weeks = (
            price * np.exp(SPREAD * rng.standard_normal(price.shape)) for price in vars(prices).values()
        )
        load, fee = loads_of(problem, Prices(money, weeks))
        others.append((load, fee * np.exp(2 * SPREAD * rng.standard_normal(fee.shape))))
    return others


def _best_of(problem, value, allowed, tried):
    """Choice of a few draws: the best of what several loads lead to."""
    draws = len(value)
    worth = np.where(allowed, value, -np.inf)
    best, brings = np.full((draws, len(problem.unit)), -1), np.full(draws, -np.inf)
    for loads in tried:
        picked = improved(problem, worth, _priced(problem, worth, loads), tried[0])
        total = np.where(
            holds_limits(problem, *used(problem, picked)), amount_of(value, picked).sum(axis=1), -np.inf
        )
        better = (total > brings) | (best < 0).all(axis=1)
        best[better], brings[better] = picked[better], total[better]
    return choices_of(problem, best)


def _priced(problem, worth, loads):
    """Option and year of each tower at the lowest price at which every limit holds, else at the highest."""
    draws, load = len(worth), loads[0]
    top = 2 * max(np.max(worth, initial=0.0), 1e-300) / min(load[load > 0], default=1.0)
    high = np.full(draws, np.log(top))
    low = high - 24.0
    picked = _at_price(problem, worth, np.exp(high), loads)
    free = _at_price(problem, worth, np.zeros(draws), loads)
    easy = holds_limits(problem, *used(problem, free))
    for _ in range(0 if easy.all() else STEPS):
        middle = (low + high) / 2
        trial = _at_price(problem, worth, np.exp(middle), loads)
        holds = holds_limits(problem, *used(problem, trial))
        picked[holds] = trial[holds]
        low, high = np.where(holds, low, middle), np.where(holds, middle, high)
    return np.where(easy[:, None], free, picked)


@cache
def _year_sets(years):
    """Sets of years in which an access group may be visited, shape (s, y)."""
    sizes = range(years + 1) if years <= ALL_SETS else range(3)
    sets = [chosen for size in sizes for chosen in combinations(range(years), size)]
    return np.array([np.isin(np.arange(years), chosen) for chosen in sets])


def _at_price(problem, worth, price, loads):
    """Option times y plus year of each tower at a price of the load, −1 for none, shape (d, a)."""
    load, fee = loads
    years = load.shape[1]
    net = worth - price[:, None, None] * load
    best = np.maximum.reduceat(net, problem.tower_starts, axis=1)
    unit = np.add.reduceat(best, problem.unit_starts, axis=1)
    forced = np.logical_or.reduceat(problem.must_tower, problem.unit_starts)
    least = np.where(forced, -np.inf, 0.0)
    most, year_of = np.full((len(price), len(problem.home)), -np.inf), np.full(unit.shape[:2], -1)
    sizes = np.diff(np.r_[problem.group_starts, len(problem.unit_starts)])
    for visits in _year_sets(years):
        inside = np.where(visits, unit, -np.inf)
        earned = np.add.reduceat(np.maximum(inside.max(axis=2), least), problem.group_starts, axis=1)
        earned = earned - price[:, None] * (fee[problem.home] @ visits)
        better = earned > most
        most = np.where(better, earned, most)
        going = np.repeat(better, sizes, axis=1)
        chosen = np.where(inside.max(axis=2) > least, inside.argmax(axis=2), -1)
        year_of = np.where(going, chosen, year_of)
    year = year_of[:, problem.unit]
    top = np.take_along_axis(best, np.maximum(year, 0)[:, :, None], axis=2)[:, :, 0]
    mine = np.take_along_axis(net, np.maximum(year, 0)[:, problem.tower][:, :, None], axis=2)[:, :, 0]
    places = np.where(mine == top[:, problem.tower], np.arange(len(load)), len(load))
    first = np.minimum.reduceat(places, problem.tower_starts, axis=1)
    return np.where(year >= 0, first * years + year, -1)
