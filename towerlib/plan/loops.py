"""Compiled loops of the quick plans: choice at a price, best single changes, and the two simple rules.

`towerlib.plan.heuristic` explains the methods. Arrays are named as in `towerlib.plan.problem.Problem`; a selection
holds one integer per tower: option · years + year, −1 without a work. `*_ends` continue `*_starts` by their end.

Import this module only where it runs: the compiler behind it takes a third of a second.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numba
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

BLOCK = 32  # towers of a block: about the root of the number of towers of a long line


def compiled(function: Callable[..., Any]) -> Any:
    """Compiled function, kept on disk for the next process where a folder for it can be written."""
    compiler = partial(numba.njit, error_model="numpy")  # no check of each division
    try:
        return compiler(cache=True)(function)
    except RuntimeError:  # neither the package folder nor a cache folder of the user can be written
        return compiler()(function)


@compiled
def _spend(selected, spend, weeks, group, fee, money, crew, opened):
    """Money and crew-weeks of each year, and years with work of each access group, written into the last three."""
    years = len(money)
    money.fill(0.0)
    crew.fill(0.0)
    opened.fill(False)
    for cell in selected:
        if cell >= 0:
            option, year = cell // years, cell % years
            money[year] += spend[option]
            crew[year] += weeks[option]
            opened[group[option], year] = True
    for year in range(years):
        fees = 0.0
        for place in range(len(fee)):
            if opened[place, year]:
                fees += fee[place]
        money[year] += fees


@compiled
def _within(money, crew, budget, limit):
    """True where every year keeps its budget and its crews."""
    kept = True
    for year in range(len(budget)):
        kept = kept and money[year] <= budget[year] and crew[year] <= limit[year]
    return kept


@compiled
def _at_price(worth, price, load, fee_load, forced, ends, home, sets, selected):
    """Best option and year of each tower at a price of the load, written into `selected`."""
    tower_ends, unit_ends, group_ends = ends
    years = load.shape[1]
    towers, units = len(tower_ends) - 1, len(unit_ends) - 1
    first, unit = np.zeros((towers, years), np.int64), np.zeros((units, years))
    for number in range(units):
        for tower in range(unit_ends[number], unit_ends[number + 1]):
            for year in range(years):
                top, place = -np.inf, tower_ends[tower]
                for option in range(tower_ends[tower], tower_ends[tower + 1]):
                    net = worth[option, year] - price * load[option, year]
                    if net > top:
                        top, place = net, option
                first[tower, year] = place
                unit[number, year] += top
    year_of, trial = np.zeros(units, np.int64) - 1, np.zeros(units, np.int64)
    for place in range(len(home)):
        most = -np.inf
        for chosen in range(len(sets)):
            earned, fees = 0.0, 0.0
            for year in range(years):
                if sets[chosen, year]:
                    fees += fee_load[home[place], year]
            for number in range(group_ends[place], group_ends[place + 1]):
                least = -np.inf if forced[number] else 0.0
                top, when = -np.inf, -1
                for year in range(years):
                    if sets[chosen, year] and unit[number, year] > top:
                        top, when = unit[number, year], year
                trial[number] = when if top > least else -1
                earned += max(top, least)
            earned -= price * fees
            if earned > most:
                most = earned
                for number in range(group_ends[place], group_ends[place + 1]):
                    year_of[number] = trial[number]
    for number in range(units):
        year = year_of[number]
        for tower in range(unit_ends[number], unit_ends[number + 1]):
            selected[tower] = first[tower, year] * years + year if year >= 0 else -1


@compiled
def priced(
    worth,
    high,
    reach,
    steps,
    load,
    fee_load,
    forced,
    ends,
    home,
    sets,
    spend,
    weeks,
    group,
    fee,
    budget,
    limit,
):
    """Choice of each draw at the lowest price that keeps every limit, else at the highest; shape (d, a).

    `high` is the logarithm of the highest price, searched downwards over `reach` by `steps` halvings; `limit` is
    the crew-weeks of each year.
    """
    draws, years = len(worth), load.shape[1]
    found, trial = (
        np.zeros((draws, len(ends[0]) - 1), np.int64),
        np.zeros(len(ends[0]) - 1, np.int64),
    )
    money, crew, opened = np.zeros(years), np.zeros(years), np.zeros((len(fee), years), np.bool_)
    for draw in range(draws):
        _at_price(worth[draw], 0.0, load, fee_load, forced, ends, home, sets, found[draw])
        _spend(found[draw], spend, weeks, group, fee, money, crew, opened)
        if _within(money, crew, budget, limit):
            continue
        top, low = high, high - reach
        _at_price(worth[draw], np.exp(top), load, fee_load, forced, ends, home, sets, found[draw])
        for _ in range(steps):
            middle = (low + top) / 2
            _at_price(worth[draw], np.exp(middle), load, fee_load, forced, ends, home, sets, trial)
            _spend(trial, spend, weeks, group, fee, money, crew, opened)
            if _within(money, crew, budget, limit):
                top = middle
                for tower in range(len(trial)):
                    found[draw, tower] = trial[tower]
            else:
                low = middle
    return found


@compiled
def _best_change(first, last, year, mine, worth, load, fee_load, spend, weeks, group, fee, used, opened):
    """Best change of a tower to one of its options in a year, from `first` to before `last`.

    `used` holds money, crew-weeks, and the limits of both. Returns benefit per priced load and cell, −inf and −1
    where no change is possible; and the least money and crew-weeks needed for one that does not fit and may be better.
    """
    money, crew, budget, limit = used
    years = load.shape[1]
    had, loaded, freed, freed_weeks = 0.0, 0.0, 0.0, 0.0
    if mine >= 0:
        option, when = mine // years, mine % years
        if np.isfinite(worth[option, when]):
            had = worth[option, when]
        loaded = load[option, when]
        if when == year:
            freed, freed_weeks = spend[option], weeks[option]
    least, top, place, more, more_weeks = 1e-9 * (1e-12 + abs(had)), -np.inf, -1, np.inf, np.inf
    for option in range(first, last):
        gain = worth[option, year] - had
        if not gain > least:
            continue
        open_to = opened[group[option], year]
        extra = load[option, year] + (0.0 if open_to else fee_load[group[option], year]) - loaded
        rate = gain / max(extra, 1e-300) if extra > 0 else 1e300
        if rate < top or (rate == top and place >= 0):
            continue
        closed = 0.0 if open_to else fee[group[option]]
        if money + spend[option] - freed + closed <= budget and crew + weeks[option] - freed_weeks <= limit:
            top, place = rate, option * years + year
        else:
            more = min(more, spend[option] - freed + closed)
            more_weeks = min(more_weeks, weeks[option] - freed_weeks)
    return top, place, more, more_weeks


@compiled
def _fits(cell, mine, spend, weeks, group, fee, money, crew, budget, limit, opened):
    """Whether money and crews suffice for a tower's change to a cell."""
    years = len(money)
    option, year = cell // years, cell % years
    freed, freed_weeks = 0.0, 0.0
    if mine >= 0 and mine % years == year:
        freed, freed_weeks = spend[mine // years], weeks[mine // years]
    closed = 0.0 if opened[group[option], year] else fee[group[option]]
    return (
        money[year] + spend[option] - freed + closed <= budget[year]
        and crew[year] + weeks[option] - freed_weeks <= limit[year]
    )


@compiled
def _first(top, cell, tower, year, other, other_year):
    """Whether a change comes before another one: the higher rate, of equal ones the lower cell."""
    if cell[tower, year] < 0:
        return False
    if other < 0:
        return True
    rate, rival = top[tower, year], top[other, other_year]
    return rate > rival or (rate == rival and cell[tower, year] < cell[other, other_year])


@compiled
def _book(year, option, when, spend, weeks, fee, money, crew, count):
    """Money and crew-weeks of one year, summed anew so that rounding does not depend on the way there."""
    money[year], crew[year] = 0.0, 0.0
    for tower in range(len(when)):
        if when[tower] == year:
            money[year] += spend[option[tower]]
            crew[year] += weeks[option[tower]]
    fees = 0.0
    for place in range(len(fee)):
        if count[place, year] > 0:
            fees += fee[place]
    money[year] += fees


@compiled
def improve(
    worth, selected, barred, load, fee_load, lone, tower_ends, spend, weeks, group, fee, budget, limit
):
    """Selections changed in place by the best single change as long as one fits.

    Worth has the shape (d, n, y), or (1, n, y) for all selections; `barred` is a tower of each selection that keeps
    its work, or −1. The best change of each tower and year is kept, and the best of each block of towers. It is
    found again only for the changed tower, where a mobilisation has opened or closed, where freed money or crews
    can suffice for a better one, and where it is the best of all and does not fit any more.
    """
    years, towers = load.shape[1], len(tower_ends) - 1
    blocks = (towers + BLOCK - 1) // BLOCK
    money, crew, count = np.zeros(years), np.zeros(years), np.zeros((len(fee), years), np.int64)
    opened = np.zeros((len(fee), years), np.bool_)
    option, when = np.zeros(towers, np.int64), np.zeros(towers, np.int64)
    top, cell = np.zeros((towers, years)), np.zeros((towers, years), np.int64)
    more, more_weeks, stale = top.copy(), top.copy(), np.zeros((towers, years), np.bool_)
    leader, dirty = np.zeros((blocks, 2), np.int64), np.zeros(blocks, np.bool_)
    least, most = np.zeros(towers, np.int64), np.zeros(towers, np.int64)  # access groups of each tower
    for tower in range(towers):
        least[tower] = most[tower] = group[tower_ends[tower]]
        for place in range(tower_ends[tower], tower_ends[tower + 1]):
            least[tower], most[tower] = min(least[tower], group[place]), max(most[tower], group[place])
    for draw in range(len(selected)):
        mine, value = selected[draw], worth[draw if len(worth) > 1 else 0]
        count.fill(0)
        cell.fill(-1)
        more.fill(np.inf)
        dirty.fill(True)
        for tower in range(towers):
            option[tower], when[tower] = mine[tower] // years, mine[tower] % years
            if mine[tower] < 0:
                when[tower] = -1
            else:
                count[group[option[tower]], when[tower]] += 1
            for year in range(years):
                stale[tower, year] = lone[tower] and tower != barred[draw]
        for year in range(years):
            _book(year, option, when, spend, weeks, fee, money, crew, count)
            for place in range(len(fee)):
                opened[place, year] = count[place, year] > 0
        while True:
            best, best_year = -1, -1
            for block in range(blocks):
                if dirty[block]:
                    dirty[block], leader[block, 0] = False, -1
                    for tower in range(block * BLOCK, min(towers, (block + 1) * BLOCK)):
                        for year in range(years):
                            if stale[tower, year]:
                                stale[tower, year] = False
                                used = money[year], crew[year], budget[year], limit[year]
                                found = _best_change(
                                    tower_ends[tower],
                                    tower_ends[tower + 1],
                                    year,
                                    mine[tower],
                                    value,
                                    load,
                                    fee_load,
                                    spend,
                                    weeks,
                                    group,
                                    fee,
                                    used,
                                    opened,
                                )
                                top[tower, year], cell[tower, year] = found[0], found[1]
                                more[tower, year], more_weeks[tower, year] = found[2], found[3]
                            if _first(top, cell, tower, year, leader[block, 0], leader[block, 1]):
                                leader[block, 0], leader[block, 1] = tower, year
                if leader[block, 0] >= 0 and _first(
                    top, cell, leader[block, 0], leader[block, 1], best, best_year
                ):
                    best, best_year = leader[block, 0], leader[block, 1]
            if best < 0:
                break
            chosen = cell[best, best_year]
            dirty[best // BLOCK] = True
            if not _fits(chosen, mine[best], spend, weeks, group, fee, money, crew, budget, limit, opened):
                stale[best, best_year] = True
                continue
            before = when[best]
            if before >= 0:
                count[group[option[best]], before] -= 1
            mine[best], option[best], when[best] = chosen, chosen // years, best_year
            count[group[option[best]], best_year] += 1
            for year in range(years):
                stale[best, year] = True
                if year not in (before, best_year):
                    continue
                money_before, crew_before = money[year], crew[year]
                _book(year, option, when, spend, weeks, fee, money, crew, count)
                if money[year] < money_before or crew[year] < crew_before:
                    rest = (
                        budget[year] - money[year] + 1e-9 * (1 + money[year])
                    )  # more than rounding takes away
                    rest_weeks = limit[year] - crew[year] + 1e-9 * (1 + crew[year])
                    for tower in range(towers):
                        if more[tower, year] <= rest and more_weeks[tower, year] <= rest_weeks:
                            stale[tower, year] = dirty[tower // BLOCK] = True
                for place in range(len(fee)):
                    if opened[place, year] != (count[place, year] > 0):
                        opened[place, year] = count[place, year] > 0
                        for tower in range(towers):
                            if least[tower] <= place <= most[tower] and lone[tower] and tower != barred[draw]:
                                stale[tower, year] = dirty[tower // BLOCK] = True


@compiled
def _new_fees(package, year, starts, group, fee, paid):
    """Mobilisations that a package needs and that are not paid yet in a year."""
    fees = 0.0
    for place in range(starts[package], starts[package + 1]):
        known = paid[group[place], year]
        for other in range(starts[package], place):
            known = known or group[other] == group[place]
        if not known:
            fees += fee[group[place]]
    return fees


@compiled
def _take(package, year, starts, group, spend, weeks, fee, paid, money, crew):
    """Book a package in a year."""
    money[year] -= spend[package] + _new_fees(package, year, starts, group, fee, paid)
    crew[year] -= weeks[package]
    for place in range(starts[package], starts[package + 1]):
        paid[group[place], year] = True


@compiled
def in_order(order, starts, group, spend, weeks, unit, must, is_open, fee, limits, must_by):
    """Year (from 1) of each package where packages are done in a given order, each in its first possible year."""
    money, crew = limits[0].copy(), limits[1].copy()
    paid, done = np.zeros((len(fee), len(money)), np.bool_), np.zeros(len(spend), np.bool_)
    chosen = np.zeros(len(spend), np.int64)
    for package in order:
        if done[unit[package]]:
            continue
        for year in range(min(must_by, len(money)) if must[package] > 0 else len(money)):
            if not is_open[package, year]:
                continue
            cost = spend[package] + _new_fees(package, year, starts, group, fee, paid)
            if cost <= money[year] and weeks[package] <= crew[year]:
                _take(package, year, starts, group, spend, weeks, fee, paid, money, crew)
                done[unit[package]], chosen[package] = True, year + 1
                break
    return chosen


@compiled
def best_rate_next(value, unit_ends, starts, group, spend, weeks, must, is_open, fee, limits, must_by):
    """Year (from 1) of each package where the highest benefit per cost comes next, year by year.

    Inspections and repairs come first, then the other must-dos: the levels of `must`.
    The best package of a unit is found again only where a mobilisation was paid or where it does not fit any more.
    """
    money, crew = limits[0].copy(), limits[1].copy()
    years, units = len(money), len(unit_ends) - 1
    paid, done = np.zeros((len(fee), years), np.bool_), np.zeros(units, np.bool_)
    chosen = np.zeros(len(spend), np.int64)
    top, place, stale = np.zeros(units), np.zeros(units, np.int64), np.zeros(units, np.bool_)
    for least in (2, 1, 0):
        for year in range(years):
            stale.fill(True)
            while True:
                best = -1
                for number in range(units):
                    if done[number]:
                        continue
                    if not stale[number] and place[number] >= 0:
                        held = place[number]
                        cost = spend[held] + _new_fees(held, year, starts, group, fee, paid)
                        stale[number] = cost > money[year] or weeks[held] > crew[year]
                    if stale[number]:
                        top[number], place[number], stale[number] = -np.inf, -1, False
                        for package in range(unit_ends[number], unit_ends[number + 1]):
                            if must[package] < least or (must[package] > 0 and year >= must_by):
                                continue
                            if not (
                                is_open[package, year] and (value[package, year] > 0 or must[package] > 0)
                            ):
                                continue
                            cost = spend[package] + _new_fees(package, year, starts, group, fee, paid)
                            if cost > money[year] or weeks[package] > crew[year]:
                                continue
                            rate = value[package, year] / max(cost, 1e-9)
                            if rate > top[number]:
                                top[number], place[number] = rate, package
                    if place[number] >= 0 and (best < 0 or top[number] > top[best]):
                        best = number
                if best < 0:
                    break
                held = place[best]
                new = _new_fees(held, year, starts, group, fee, paid) > 0
                _take(held, year, starts, group, spend, weeks, fee, paid, money, crew)
                done[best], chosen[held] = True, year + 1
                for number in range(units if new else 0):
                    for member in range(starts[unit_ends[number]], starts[unit_ends[number + 1]]):
                        for place_of in range(starts[held], starts[held + 1]):
                            stale[number] |= group[member] == group[place_of]
    return chosen
