"""Draws of benefits and costs from their bands."""

from dataclasses import dataclass

import numpy as np

from towerlib.errors import RecordsError
from towerlib.physics.statistics import SEED
from towerlib.values import number

TENTH = 1.2815515594  # standard deviations from the middle to the ends of a band that holds 80 %
RUNAWAY = 4.0  # times the middle at which a lognormal upper half is no longer believed


@dataclass(frozen=True)
class Draws:
    """Benefits a year and costs that could be, one row a draw, one column a row of the options.

    Attributes
    ----------
    benefit, cost : array, shape (d, n)
    """

    benefit: np.ndarray
    cost: np.ndarray


def draw(options, count=200, seed=SEED, *, measure="cost", shared=None):
    """Draws of every option's benefit and cost.

    Parameters
    ----------
    options : pandas.DataFrame
        One row a tower and option: benefit_per_year and the measure, with benefit_low, benefit_high and
        cost_low, cost_high (effort_low, …) where they are uncertain: bands that hold 80 %.
    count, seed : int
        Number of draws, and the seed that makes them the same again.
    measure : str
        ``"cost"`` or ``"effort"``.
    shared : float, optional
        Part of the variance of the benefit that all options of a tower share; else ``plan_shared_spread``.

    Returns
    -------
    Draws

    Raises
    ------
    RecordsError
        A band that does not hold its middle.

    Notes
    -----
    Middle and ends are the median and the 10 % and 90 % quantiles. Costs of one treatment rise and fall
    together at all towers, as prices do. See `at` for the law between the quantiles.

    Examples
    --------
    >>> import pandas as pd
    >>> options = pd.DataFrame({"tower_id": ["1"], "option": ["rods"], "benefit_per_year": [1.0], "cost": [5.0]})
    >>> found = draw(options.assign(benefit_low=0.5, benefit_high=2.0), count=4000)
    >>> print(np.quantile(found.benefit, [0.1, 0.5, 0.9]).round(1), np.unique(found.cost))
    [0.5 1.  2.1] [5.]
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


def band(options, middle, name):
    """Low end, middle and high end of a column.

    Parameters
    ----------
    options : pandas.DataFrame
    middle, name : str
        Column of the middle; the ends are ``name_low`` and ``name_high``, and equal to the middle where they
        are missing or blank.

    Returns
    -------
    tuple of array, shape (n,)

    Raises
    ------
    RecordsError
        A band that does not hold its middle.
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
            f"options: the band of {name} of tower {row['tower_id']} {row['option']} does not hold {middle}"
        )
    return low, centre, high


def at(z, ends):
    """Value at z standard deviations.

    Parameters
    ----------
    z : array, shape (…, n)
    ends : tuple of array, shape (n,)
        Low end, middle, high end.

    Returns
    -------
    array, shape (…, n)

    Notes
    -----
    Two halves that meet in the median: lognormal where all three are above 0 and the high end is at most
    `RUNAWAY` times the middle, so that draws stay above 0; else normal, so that a treatment which may do harm
    can. NaN where the middle is.
    """
    low, middle, high = ends
    steps = np.where(z > 0, z, -z) / TENTH
    positive = low > 0
    safe = [np.where(positive, value, 1.0) for value in ends]
    ratio = np.where(z > 0, safe[2] / safe[1], safe[0] / safe[1])
    straight = middle + np.where(z > 0, high - middle, low - middle) * steps
    # a middle near 0 under a high end makes the logarithm run away: there the branch is straight
    runaway = (z > 0) & (high > RUNAWAY * middle)
    return np.where(positive & ~runaway, middle * ratio**steps, straight)
