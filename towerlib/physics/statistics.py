"""Statistics of a line: rank intervals of its towers from uncertain footings, and rates of rare events.

Ranks come from draws of every footing. Rates come from counts of events: exact intervals, a model's rate weighted
towards the record, and the years until an improvement can be shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.values import number

SEED = 2026  # any number does: the same seed gives the same ranks
HAIR = 1e-9  # least deviation: it orders equal towers at random and no others
COVERAGE = 0.95
YEARS_MOST = 60  # beyond this no comparison ends within a working life
SEEN_SIDED, SEEN_POWER = (
    0.05,
    0.8,
)  # one-sided error of a false improvement; probability of showing a true one


@dataclass(frozen=True)
class RankChances:
    """Intervals of the ranks of n towers; NaN for a tower that was not drawn.

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


def rank_intervals(
    low: np.ndarray,
    value: np.ndarray,
    high: np.ndarray,
    lower_bound: np.ndarray,
    *,
    draws: int = 1000,
    seed: int = SEED,
    untested: bool = False,
) -> RankChances:
    """Rank interval of each tower and its probability of being among the worst.

    Parameters
    ----------
    low, value, high : array, shape (n,)
        Interval of each footing and its reading, low ≤ value ≤ high [Ω]; low = 0 for a reading below the
        range of the instrument; NaN where there is no reading.
    lower_bound : array, shape (n,)
        What a footing without a reading exceeds [Ω]; NaN where unknown.
    draws : int
        Number of lines drawn; the standard error of a probability p is √(p(1 − p)/draws).
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


def footing_draws(
    low: ArrayLike,
    value: ArrayLike,
    high: ArrayLike,
    lower_bound: ArrayLike,
    *,
    draws: int = 1000,
    seed: int = SEED,
    untested: bool = False,
) -> np.ndarray:
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
    err independently of each other here. A shared error moves no rank, so true rank intervals are narrower rather
    than wider. Equal footings without any uncertainty are ordered at random.

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


def _check(low, value, high, bound):
    """Intervals hold their reading; readings and bounds are over zero."""
    if not np.all((low >= 0) & (low <= value) & (value <= high)):
        raise ValueError("each interval must hold its reading: 0 ≤ low ≤ value ≤ high")
    if np.any(value <= 0) or np.any(bound <= 0):
        raise ValueError("footings and bounds must be over 0 Ω")


def _around(normal, low, middle, high):
    """Draws from a normal distribution with a deviation of its own on either side of its median."""
    from scipy.special import ndtri

    deviation = np.maximum(
        [middle - low, high - middle] / ndtri(0.5 + number("footing_interval_coverage") / 2), HAIR
    )
    return middle + normal * np.where(normal < 0, *deviation)


def line_distribution(
    value: ArrayLike, lower_bound: ArrayLike = (), upper_bound: ArrayLike = ()
) -> tuple[float, float]:
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
        all are equal: that is too little for the distribution of a line.

    Notes
    -----
    Greatest likelihood: Σ ln(φ((y − μ)/σ)/σ) over the known, Σ ln Φ((μ − a)/σ) over the lower bounds and
    Σ ln Φ((b − μ)/σ) over the upper ones. It assumes that the choice of towers read without coils
    is independent of their footing, and that one log-normal holds for the line. Scatter of the readings is included.

    References
    ----------
    Cohen, Technometrics 1 (1959) 217–237, estimation from censored normal samples (from memory).

    Examples
    --------
    >>> print(np.round(line_distribution([5.0, 8.0, 10.0, 12.5, 20.0]), 2))
    [2.3  0.46]
    """
    from scipy.optimize import minimize
    from scipy.special import log_ndtr

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


def beyond(normal: ArrayLike, least: ArrayLike) -> np.ndarray:
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
    from scipy.special import log_ndtr, ndtri_exp

    return -ndtri_exp(log_ndtr(-np.asarray(normal, float)) + log_ndtr(-np.asarray(least, float)))


def ordered_ranks(drawn: np.ndarray) -> np.ndarray:
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


def rank_chances(ranks: np.ndarray) -> RankChances:
    """Interval of the rank of each tower and its probability of being among the worst, over all draws.

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


def rate_interval(
    count: ArrayLike, exposure: ArrayLike = 1.0, coverage: float = COVERAGE
) -> tuple[FloatOrArray, FloatOrArray]:
    """Exact interval of a Poisson rate.

    Parameters
    ----------
    count : float or array
        Events recorded [1], 0 or more. Need not be whole: see Notes.
    exposure : float or array
        Exposure in which they were recorded, such as years, above 0.
    coverage : float
        Least probability that the interval holds the true rate, 0 to 1.

    Returns
    -------
    low, high : float or array
        Both ends, per unit of exposure.

    Raises
    ------
    ValueError
        A negative count, an exposure or coverage out of its range.

    Notes
    -----
    low = χ²(α/2; 2n)/2, high = χ²(1 − α/2; 2n + 2)/2, each over the exposure, with α = 1 − coverage; low is 0 at
    n = 0. Where events come in clusters, as flashes do in storms, n over the ratio of variance to mean gives the
    ends of a wider interval, once multiplied by that ratio again.

    References
    ----------
    F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437–442.

    Examples
    --------
    >>> print(*np.round(rate_interval(5), 3))
    1.623 11.668
    """
    from scipy.special import gammaincinv

    count, exposure = np.asarray(count, float), np.asarray(exposure, float)
    if np.any(count < 0):
        raise ValueError("a count of events is 0 or more")
    if np.any(exposure <= 0):
        raise ValueError("the exposure, such as the years of record, must be above 0")
    if not 0 < coverage < 1:
        raise ValueError(f"coverage = {coverage}: an interval covers a share between 0 and 1")
    tail = (1 - coverage) / 2
    some = np.where(count == 0, 1.0, count)  # χ² with no degree of freedom is not defined
    low = np.where(count == 0, 0.0, gammaincinv(some, tail))
    high = gammaincinv(count + 1, 1 - tail)
    return low / exposure, high / exposure


def shrunk_factor(
    count: ArrayLike, expected: ArrayLike, factor: float, coverage: float = COVERAGE
) -> tuple[FloatOrArray, FloatOrArray, FloatOrArray]:
    """Factor on a model's rate after a record of events, weighted towards the record as events accumulate.

    Parameters
    ----------
    count : float or array
        Events recorded [1].
    expected : float or array
        Events that the model expected in the same time [above 0].
    factor : float
        Factor by which the model may be off to either side, see `gamma_shape`.
    coverage : float
        Coverage of that factor and of the interval returned.

    Returns
    -------
    middle, low, high : float or array
        Mean and central interval of the factor.

    Raises
    ------
    ValueError
        A negative count, nothing expected, a factor of 1 or less.

    Notes
    -----
    Before: factor ~ Gamma(shape a, mean 1). After n events where m were expected: Gamma(a + n, rate a + m), with
    mean (a + n)/(a + m). Few events leave the factor near 1, many bring it to n/m.

    References
    ----------
    Gelman and others, Bayesian Data Analysis, conjugate Gamma prior of a Poisson rate (from memory).

    Examples
    --------
    >>> print(*np.round(shrunk_factor(0, 0.5, 3.0), 2))
    0.88 0.22 1.99
    """
    from scipy.special import gammaincinv

    count, expected = np.asarray(count, float), np.asarray(expected, float)
    if np.any(count < 0) or np.any(expected <= 0):
        raise ValueError("a count is 0 or more, and what was expected is above 0")
    shape = gamma_shape(factor, coverage)
    tail, scale = (1 - coverage) / 2, 1 / (shape + expected)
    low, high = (scale * gammaincinv(shape + count, part) for part in (tail, 1 - tail))
    return (shape + count) * scale, low, high


def gamma_shape(factor: float, coverage: float = COVERAGE) -> float:
    """Shape of the Gamma distribution whose central interval spans a factor to either side.

    Parameters
    ----------
    factor : float
        Above 1: upper over lower end of the interval is its square.
    coverage : float
        Of that interval.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        A factor of 1 or less.

    Examples
    --------
    >>> print(gamma_shape(3.0))
    3.6454
    """
    from scipy.optimize import brentq
    from scipy.special import gammaincinv

    if not factor > 1:
        raise ValueError(f"factor = {factor}: how far a model may be off is a factor above 1")
    tail = (1 - coverage) / 2

    def excess(log_shape):
        low, high = np.log(gammaincinv(np.exp(log_shape), [tail, 1 - tail]))
        return (high - low) - 2 * np.log(factor)

    log_shape = cast(float, brentq(excess, np.log(0.3), np.log(1e5)))
    return float(np.exp(log_shape))


def years_to_see(
    rate_before: float,
    cut: float,
    years_before: float | None = None,
    most: int = YEARS_MOST,
    power: float = SEEN_POWER,
) -> float:
    """Whole years after a treatment until an improvement of one line is statistically significant.

    Parameters
    ----------
    rate_before : float
        Rate before the treatment [1/year].
    cut : float
        Share by which it truly falls, 0 to 1.
    years_before : float, optional
        Years of record before; None counts as many years before as after.
    most : int
        Years to look ahead.
    power : float
        Probability of showing it that is required.

    Returns
    -------
    float
        Years; inf where `most` do not suffice.

    Raises
    ------
    ValueError
        A negative rate, a cut outside 0 to 1, a record of no length.

    Notes
    -----
    Exact conditional test, 5 % one-sided: see `power_of_comparison`. Counts are whole, so the power rises in
    steps and falls between them: the first year that reaches it is given.

    Examples
    --------
    >>> print(years_to_see(4.0, 0.75), years_to_see(1.0, 0.3))
    4.0 inf
    """
    if not rate_before >= 0 or not 0 <= cut <= 1:
        raise ValueError(f"rate {rate_before}, cut {cut}: a rate is 0 or more, a cut a share from 0 to 1")
    if years_before is not None and not years_before > 0:
        raise ValueError(f"years_before = {years_before}: the record before must be longer than nothing")
    for years in range(1, most + 1):
        if power_of_comparison(rate_before, cut, years_before or years, years) >= power:
            return float(years)
    return float("inf")


def power_of_comparison(
    rate_before: float, cut: float, years_before: float, years_after: float, sided: float = SEEN_SIDED
) -> float:
    """Probability that an exact comparison of two counts shows a true cut of a rate.

    Parameters
    ----------
    rate_before : float
        True rate [1/year], 0 or more.
    cut : float
        Share by which it truly falls, 0 to 1.
    years_before, years_after : float
        Years counted on either side [above 0].
    sided : float
        Highest probability of showing a cut where there is none.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    Given both counts together, n, the count before is binomial with probability t_b/(t_b + t_a) where
    nothing has changed. A cut is shown where a count before at least as high has a probability of at most `sided`.

    References
    ----------
    J. Przyborowski and H. Wilenski, Homogeneity of results in testing samples from Poisson series, Biometrika 31
    (1940) 313–323 (from memory).

    Examples
    --------
    >>> print(round(power_of_comparison(4.0, 0.5, 10, 10), 3))
    0.801
    """
    from scipy.special import bdtrc, gammaln, pdtrik, xlogy

    before, after = rate_before * years_before, rate_before * (1 - cut) * years_after
    if not before + after > 0:
        return 0.0
    most = int(np.ceil(pdtrik(1 - 1e-9, before + after)))
    total = np.arange(most + 1)
    needed = _least_count(sided, total, years_before / (years_before + years_after))
    shown = bdtrc(needed - 1, total, before / (before + after))
    likely = np.exp(xlogy(total, before + after) - gammaln(total + 1) - before - after)
    return float((likely * shown).sum())


def _least_count(level, total, share):
    """Least count, of so many in total, that is reached with a probability of `level` at most."""
    from scipy.special import bdtr, bdtrik

    above = np.where(total > 0, np.ceil(bdtrik(1.0 - level, np.maximum(total, 1), share)), 0.0)
    below = np.maximum(above - 1.0, 0.0)
    return np.where(bdtr(below, total, share) >= 1.0 - level, below, above) + 1.0
