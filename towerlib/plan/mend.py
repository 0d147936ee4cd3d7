"""Single changes to a plan: what is left buys more, and what would change if one tower were done otherwise."""

import numpy as np

from towerlib.plan.account import broken_rules
from towerlib.plan.picks import amount_of, choices_of, loads_of, picked_of, used, visits_of


def improved(problem, worth, picked, loads):
    """The same with the best single change, by benefit per priced load, while one fits.

    Parameters
    ----------
    problem : Problem
    worth : array, shape (d, n, y)
        Benefit of each option and year, −inf where it may not be done.
    picked : array of int, shape (d, a)
        Option and year of each tower, as `towerlib.plan.picks` numbers them.
    loads : tuple of array
        As `towerlib.plan.picks.loads_of` gives them.

    Returns
    -------
    array of int, shape (d, a)
    """
    picked, going = picked.copy(), np.arange(len(picked))
    lone = (np.bincount(problem.unit)[problem.unit] == 1)[problem.tower]
    while len(going):
        rate = _rates(problem, worth[going], picked[going], loads)
        rate[:, ~lone] = -np.inf
        flat = rate.reshape(len(going), -1)
        pick = flat.argmax(axis=1)
        some = flat[np.arange(len(going)), pick] > -np.inf
        going, pick = going[some], pick[some]
        picked[going, problem.tower[pick // problem.terms.years]] = pick
    return picked


def _rates(problem, worth, picked, loads):
    """Benefit per priced load of each option and year in place of what the tower has, −inf where not able."""
    years, (load, fee) = problem.terms.years, loads
    had = amount_of(np.where(np.isfinite(worth), worth, 0.0), picked)
    gain = worth - had[:, problem.tower, None]
    spent, weeks = used(problem, picked)
    now = np.where((picked >= 0)[:, :, None], (picked % years)[:, :, None] == np.arange(years), False)
    back = now[:, problem.tower]
    option = np.maximum(picked, 0) // years
    freed = (problem.spend[option] * (picked >= 0))[:, problem.tower, None] * back
    freed_weeks = (problem.weeks[option] * (picked >= 0))[:, problem.tower, None] * back
    closed = ~visits_of(problem, picked)[:, problem.group]
    money = spent[:, None] + problem.spend[:, None] - freed + closed * problem.fee[problem.group][:, None]
    crew = weeks[:, None] + problem.weeks[:, None] - freed_weeks
    able = (money <= np.array(problem.terms.budget)) & (crew <= problem.crew)
    able &= gain > 1e-9 * (1e-12 + np.abs(had))[:, problem.tower, None]
    extra = load + closed * fee[problem.group] - amount_of(load, picked)[:, problem.tower, None]
    top = np.where(able, gain, 1.0)
    return np.where(
        able, np.where(extra > 0, top / np.maximum(extra, 1e-300), 1e300 * (1 + 0 * top)), -np.inf
    )


def within_limits(problem, choices):
    """True for each choice that keeps to every rule of the problem.

    Parameters
    ----------
    problem : Problem
    choices : array of int, shape (p, n)

    Returns
    -------
    array of bool, shape (p,)
    """
    some, which = np.unique(choices, axis=0, return_inverse=True)
    return np.array([not broken_rules(problem, choice) for choice in some], bool)[which]


def neighbours(problem, choice, allowed, towers, prices):
    """Choices that differ from one by what is done at one tower, mended for money and crews.

    Parameters
    ----------
    problem : Problem
    choice : array of int, shape (n,)
    allowed : array of bool, shape (n, y)
    towers : array of int
        Numbers of the towers to be changed.
    prices : Prices

    Returns
    -------
    array of int, shape (p, n)
        For each tower: without it, and with each of its options in each year. Works with the least benefit
        for their load give way where money or crews run out; what is left buys the best single changes. Towers
        with a must-do, and those that go together, stay as they are.
    """
    loads, years = loads_of(problem, prices), problem.terms.years
    start = picked_of(problem, choice[None])[0]
    firm = problem.must_tower | (np.bincount(problem.unit)[problem.unit] > 1)
    picked, worth = [], []
    for tower in towers[~firm[towers]]:
        mine = np.flatnonzero(problem.tower == tower)
        cells = [option * years + year for option in mine for year in range(years) if allowed[option, year]]
        for cell in (-1, *cells):
            if cell == start[tower]:
                continue
            picked.append(
                _made_room(problem, np.where(np.arange(len(start)) == tower, cell, start), tower, firm)
            )
            only = np.where(allowed, problem.value, -np.inf)
            only[mine] = -np.inf
            worth.append(only)
    if not picked:
        return np.zeros((0, len(choice)), int)
    return choices_of(problem, improved(problem, np.array(worth), np.array(picked), loads))


def _made_room(problem, picked, tower, firm):
    """The same with works of least benefit for their money taken out until the limits hold."""
    picked = picked.copy()
    years = problem.terms.years
    while True:
        spent, weeks = (amount[0] for amount in used(problem, picked[None]))
        over = (spent > np.array(problem.terms.budget)) | (weeks > problem.crew)
        option, year = np.divmod(np.maximum(picked, 0), years)
        able = (picked >= 0) & over[year] & ~firm & (np.arange(len(picked)) != tower)
        if not able.any():
            return picked
        rate = problem.value[option, year] / np.maximum(problem.spend[option], 1e-9)
        picked[np.where(able, rate, np.inf).argmin()] = -1
