"""What picked options cost and bring: one number a tower, its option times the years plus the year, −1 for none."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Prices:
    """Benefit that one unit more of money and one crew-week more would bring in each year, shape (y,)."""

    money: np.ndarray
    weeks: np.ndarray


def loads_of(problem, prices):
    """Priced load of each option and year, shape (n, y), and of each mobilisation, shape (g, y).

    Parameters
    ----------
    problem : Problem
    prices : Prices

    Returns
    -------
    tuple of array
    """
    load = problem.spend[:, None] * prices.money + problem.weeks[:, None] * prices.weeks
    return load, problem.fee[:, None] * prices.money


def amount_of(amount, picked):
    """Amount of the option and year of each tower, 0 where none is picked: amount (n, y) or (d, n, y).

    Parameters
    ----------
    amount : array, shape (n, y) or (d, n, y)
    picked : array of int, shape (d, a)

    Returns
    -------
    array, shape (d, a)
    """
    flat = amount.reshape(*amount.shape[:-2], -1)
    flat = np.broadcast_to(flat, (len(picked), flat.shape[-1]))
    return np.where(picked >= 0, np.take_along_axis(flat, np.maximum(picked, 0), axis=1), 0.0)


def visits_of(problem, picked):
    """Access groups with work in each year.

    Parameters
    ----------
    problem : Problem
    picked : array of int, shape (d, a)

    Returns
    -------
    array of bool, shape (d, g, y)
    """
    years = problem.terms.years
    option, year = np.divmod(np.maximum(picked, 0), years)
    place = np.where(picked >= 0, problem.group[option] * years + year, -1)
    visited = np.zeros((len(picked), len(problem.fee) * years + 1), bool)
    visited[np.arange(len(picked))[:, None], place] = True
    return visited[:, :-1].reshape(len(picked), -1, years)


def used(problem, picked):
    """Money and crew-weeks of each draw and year.

    Parameters
    ----------
    problem : Problem
    picked : array of int, shape (d, a)

    Returns
    -------
    tuple of array, shape (d, y)
    """
    years = problem.terms.years
    option, year = np.divmod(np.maximum(picked, 0), years)
    in_year = (year[:, :, None] == np.arange(years)) & (picked >= 0)[:, :, None]
    spent = np.einsum("da,day->dy", problem.spend[option], in_year)
    weeks = np.einsum("da,day->dy", problem.weeks[option], in_year)
    return spent + np.einsum("dgy,g->dy", visits_of(problem, picked), problem.fee), weeks


def holds_limits(problem, spent, weeks):
    """True for each draw within the limits of every year.

    Parameters
    ----------
    problem : Problem
    spent, weeks : array, shape (d, y)

    Returns
    -------
    array of bool, shape (d,)
    """
    return ((spent <= np.array(problem.terms.budget)) & (weeks <= problem.crew)).all(axis=1)


def choices_of(problem, picked):
    """Year of each option, 0 where it is not done, shape (d, n).

    Parameters
    ----------
    problem : Problem
    picked : array of int, shape (d, a)

    Returns
    -------
    array of int, shape (d, n)
    """
    choices = np.zeros((len(picked), len(problem.spend)), int)
    draw, tower = np.nonzero(picked >= 0)
    option, year = np.divmod(picked[draw, tower], problem.terms.years)
    choices[draw, option] = year + 1
    return choices


def picked_of(problem, choices):
    """Option and year of each tower: the inverse of `choices_of`.

    Parameters
    ----------
    problem : Problem
    choices : array of int, shape (d, n)

    Returns
    -------
    array of int, shape (d, a)
    """
    picked = np.full((len(choices), len(problem.unit)), -1)
    draw, option = np.nonzero(choices)
    picked[draw, problem.tower[option]] = option * problem.terms.years + choices[draw, option] - 1
    return picked
