"""Ranks under uncertainty: draws of what each footing may be, and how they order the towers of a line."""

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtri, ndtri_exp

from towerlib.values import number

SEED = 2026  # any number does: the same seed gives the same ranks
HAIR = 1e-9  # least deviation: it orders equal towers by lot and no others


@dataclass(frozen=True)
class RankChances:
    """How sure the ranks of n towers are; NaN for a tower that was not drawn.

    Attributes
    ----------
    rank_low, rank_high : array, shape (n,)
        Ends of the central interval of the rank, 1 the highest impedance.
    chance_worst_ten, chance_worst_tenth : array, shape (n,)
        Share of the draws with the tower among the ten, or the tenth (rounded up), of highest impedance.
    """

    rank_low: np.ndarray
    rank_high: np.ndarray
    chance_worst_ten: np.ndarray
    chance_worst_tenth: np.ndarray


def rank_intervals(low, value, high, lower_bound, *, draws=1000, seed=SEED, untested=False):
    """Rank interval of each tower and its chances to be among the worst.

    Parameters
    ----------
    low, value, high : array, shape (n,)
        Interval of each footing and its reading, low ≤ value ≤ high [Ω]; low = 0 for a reading below the
        range of the instrument; NaN where there is no reading.
    lower_bound : array, shape (n,)
        What a footing without a reading exceeds [Ω]; NaN where unknown.
    draws : int
        Number of lines drawn; the standard error of a chance p is √(p(1 − p)/draws).
    seed : int
    untested : bool
        Draw towers without reading and bound as well, as any tower of this line.

    Returns
    -------
    RankChances

    Raises
    ------
    ValueError
        low ≤ value ≤ high does not hold, or a value or bound is not over zero.

    Notes
    -----
    As in `footing_draws` and `rank_chances`.

    Examples
    --------
    >>> none = [np.nan] * 3
    >>> found = rank_intervals([9, 28, 1], [10, 30, 2], [11, 32, 3], none)
    >>> print(found.rank_low, found.chance_worst_tenth)
    [2. 1. 3.] [0. 1. 0.]
    """
    log_ohm = footing_draws(low, value, high, lower_bound, draws=draws, seed=seed, untested=untested)
    drawn = np.isfinite(log_ohm[0])
    chances = rank_chances(ordered_ranks(log_ohm[:, drawn]))
    return RankChances(*(_spread_out(part, drawn) for part in vars(chances).values()))


def footing_draws(low, value, high, lower_bound, *, draws=1000, seed=SEED, untested=False):
    """Draws of the logarithm of every footing of a line.

    Parameters
    ----------
    low, value, high, lower_bound, draws, seed, untested
        As for `rank_intervals`.

    Returns
    -------
    array, shape (draws, n)
        ln(R/Ω); NaN in the column of a tower that cannot be drawn.

    Raises
    ------
    ValueError
        As for `rank_intervals`.

    Notes
    -----
    A reading is the median of a log-normal whose 2.5 % and 97.5 % points are low and high, with a deviation
    of its own on either side. Where only a bound is known (R > |Z| of a reading without coils, or R below the
    range), R is drawn from the line's own log-normal on that side of it; see `line_distribution`. Readings
    err independently of each other here; an error that they share moves no rank, so ranks are rather surer
    than they look. Equal footings without any uncertainty are ordered by lot.

    Examples
    --------
    >>> drawn = footing_draws([10.0], [10.0], [10.0], [np.nan], draws=2)
    >>> print(np.exp(drawn[:, 0]).round(3))
    [10. 10.]
    """
    low, value, high, bound = (np.asarray(part, float) for part in (low, value, high, lower_bound))
    read = np.isfinite(value)
    _check(low[read], value[read], high[read], bound)
    below, above = read & (low == 0), ~read & np.isfinite(bound)
    known = read & ~below
    mean, spread = line_distribution(value[known], bound[above], high[below])
    normal = np.random.default_rng(seed).standard_normal((value.size, draws))
    drawn = np.full(normal.shape, np.nan)
    drawn[known] = _around(normal[known], *np.log([low[known], value[known], high[known]])[..., None])
    least, most = (np.log(bound[above]) - mean) / spread, (np.log(high[below]) - mean) / spread
    drawn[above] = mean + spread * beyond(normal[above], least[:, None])
    drawn[below] = mean - spread * beyond(normal[below], -most[:, None])
    if untested:
        rest = ~(read | above)
        drawn[rest] = mean + spread * normal[rest]
    return np.ascontiguousarray(drawn.T)


def _around(normal, low, middle, high):
    """Draws from a normal distribution with a deviation of its own on either side of its median."""
    deviation = np.maximum(
        [middle - low, high - middle] / ndtri(0.5 + number("footing_interval_coverage") / 2), HAIR
    )
    return middle + normal * np.where(normal < 0, *deviation)


def line_distribution(value, lower_bound=(), upper_bound=()):
    """Mean and standard deviation of ln R over a line, some footings of which are only bounded.

    Parameters
    ----------
    value : array
        Known footings [Ω].
    lower_bound, upper_bound : array
        What other footings exceed, or stay under [Ω].

    Returns
    -------
    (float, float)
        Mean and standard deviation of ln(R/Ω); NaN where fewer than ``line_values_min`` footings are known or
        all are equal: a line's distribution cannot be told from so little.

    Notes
    -----
    Greatest likelihood: Σ ln(φ((y − μ)/σ)/σ) over the known, Σ ln Φ((μ − a)/σ) over the lower bounds and
    Σ ln Φ((b − μ)/σ) over the upper ones. It supposes that which towers were read without coils has nothing
    to do with their footing, and that one log-normal holds for the line; spread of the readings counts in.

    References
    ----------
    Cohen, Technometrics 1 (1959) 217–237, estimation from censored normal samples (from memory).

    Examples
    --------
    >>> print(np.round(line_distribution([5.0, 8.0, 10.0, 12.5, 20.0]), 2))
    [2.3  0.46]
    """
    from scipy.optimize import minimize

    known, over, under = (np.log(np.asarray(part, float)) for part in (value, lower_bound, upper_bound))
    if known.size < number("line_values_min") or np.ptp(known) == 0:
        return np.nan, np.nan
    if not over.size + under.size:
        return known.mean(), known.std()

    def unlikelihood(point):
        mean, log_spread = point
        spread = np.exp(log_spread)
        exact = 0.5 * (((known - mean) / spread) ** 2).sum() + known.size * log_spread
        return exact - log_ndtr((mean - over) / spread).sum() - log_ndtr((under - mean) / spread).sum()

    start = [known.mean(), np.log(known.std())]
    found = minimize(unlikelihood, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    return found.x[0], np.exp(found.x[1])


def beyond(normal, least):
    """Standard normal draws beyond a bound, made from unbounded ones.

    Parameters
    ----------
    normal : array
        Standard normal draws.
    least : array
        Bound of each, broadcast.

    Returns
    -------
    array
        Draws of the same distribution on condition that they exceed `least`, rising with `normal`.

    Notes
    -----
    z = −Φ⁻¹(Φ(−normal)·Φ(−least)), in logarithms so that it holds far out in the tail.

    Examples
    --------
    >>> print(beyond(np.array([-5.0, 0.0]), np.array([3.0, 3.0])))
    [3. 3.2]
    """
    return -ndtri_exp(log_ndtr(-normal) + log_ndtr(-np.asarray(least, float)))


def ordered_ranks(drawn):
    """Rank of each tower in each draw, 1 the highest.

    Parameters
    ----------
    drawn : array, shape (draws, n)
        Footings, or their logarithms, without NaN.

    Returns
    -------
    array of int, shape (draws, n)
        Each row holds 1 to n once.

    Examples
    --------
    >>> print(ordered_ranks(np.array([[3.0, 9.0, 5.0]])))
    [[3 1 2]]
    """
    order = np.argsort(-drawn, axis=1)
    ranks = np.empty(drawn.shape, np.int32)
    np.put_along_axis(ranks, order, np.arange(1, drawn.shape[1] + 1, dtype=np.int32)[None, :], axis=1)
    return ranks


def rank_chances(ranks):
    """Interval of the rank of each tower and its chances to be among the worst, over all draws.

    Parameters
    ----------
    ranks : array of int, shape (draws, n)
        As `ordered_ranks` gives them.

    Returns
    -------
    RankChances

    Notes
    -----
    The interval leaves at most (1 − coverage)/2 of the draws on either side; its coverage is
    ``rank_interval_coverage``.

    Examples
    --------
    >>> print(rank_chances(np.array([[1, 2], [2, 1], [1, 2], [1, 2]])).rank_high)
    [2. 2.]
    """
    draws, count = ranks.shape
    tail = (1 - number("rank_interval_coverage")) / 2
    first, last = (max(int(np.ceil(share * draws)) - 1, 0) for share in (tail, 1 - tail))
    in_order = np.sort(ranks.T, axis=1).astype(float)
    worst = [(ranks <= place).mean(axis=0) for place in (10, np.ceil(count / 10))]
    return RankChances(in_order[:, first], in_order[:, last], *worst)


def _spread_out(part, drawn):
    """Values of the towers that were drawn among those that were not."""
    whole = np.full(drawn.shape, np.nan)
    whole[drawn] = part
    return whole


def _check(low, value, high, bound):
    """Intervals hold their reading; readings and bounds are over zero."""
    if not np.all((low >= 0) & (low <= value) & (value <= high)):
        raise ValueError("each interval must hold its reading: 0 ≤ low ≤ value ≤ high")
    if np.any(value <= 0) or np.any(bound <= 0):
        raise ValueError("footings and bounds must be over 0 Ω")
