"""Counts of rare events: exact intervals, a rate drawn towards what was expected, and how long proof takes."""

import numpy as np

COVERAGE = 0.95
YEARS_MOST = 60  # beyond this a line proves nothing within the life of its people
SEEN_SIDED, SEEN_POWER = 0.05, 0.8  # one-sided error of a false improvement; chance to see a true one


def rate_interval(count, exposure=1.0, coverage=COVERAGE):
    """Exact interval of a Poisson rate.

    Parameters
    ----------
    count : float or array
        Events seen [1], 0 or more. Need not be whole: see Notes.
    exposure : float or array
        What they were seen in, such as years [above 0].
    coverage : float
        Least chance that the interval holds the true rate, 0 to 1.

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
    from scipy.stats import chi2

    count, exposure = np.asarray(count, float), np.asarray(exposure, float)
    if np.any(count < 0):
        raise ValueError("a count of events is 0 or more")
    if np.any(exposure <= 0):
        raise ValueError("the exposure, such as the years of record, must be above 0")
    if not 0 < coverage < 1:
        raise ValueError(f"coverage = {coverage}: an interval covers a share between 0 and 1")
    tail = (1 - coverage) / 2
    some = np.where(count == 0, 1.0, count)  # χ² with no degree of freedom is not defined
    low = np.where(count == 0, 0.0, chi2.ppf(tail, 2 * some) / 2)
    high = chi2.ppf(1 - tail, 2 * count + 2) / 2
    return low / exposure, high / exposure


def gamma_shape(factor, coverage=COVERAGE):
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
    from scipy.stats import gamma

    if not factor > 1:
        raise ValueError(f"factor = {factor}: how far a model may be off is a factor above 1")
    tail = (1 - coverage) / 2

    def excess(log_shape):
        low, high = np.log(gamma.ppf([tail, 1 - tail], np.exp(log_shape)))
        return (high - low) - 2 * np.log(factor)

    return float(np.exp(brentq(excess, np.log(0.3), np.log(1e5))))


def shrunk_factor(count, expected, factor, coverage=COVERAGE):
    """By what a model's rate is to be multiplied after some events were seen, drawn towards 1 where they were few.

    Parameters
    ----------
    count : float or array
        Events seen [1].
    expected : float or array
        Events that the model expected in the same time [above 0].
    factor : float
        How far the model may be off to either side, see `gamma_shape`.
    coverage : float
        Of that, and of the interval that comes back.

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
    mean (a + n)/(a + m). Few events leave it near 1, many bring it to n/m.

    References
    ----------
    Gelman and others, Bayesian Data Analysis, conjugate Gamma prior of a Poisson rate (from memory).

    Examples
    --------
    >>> print(*np.round(shrunk_factor(0, 0.5, 3.0), 2))
    0.88 0.22 1.99
    """
    from scipy.stats import gamma

    count, expected = np.asarray(count, float), np.asarray(expected, float)
    if np.any(count < 0) or np.any(expected <= 0):
        raise ValueError("a count is 0 or more, and what was expected is above 0")
    shape = gamma_shape(factor, coverage)
    tail, scale = (1 - coverage) / 2, 1 / (shape + expected)
    after = [gamma.ppf(part, shape + count, scale=scale) for part in (tail, 1 - tail)]
    return (shape + count) * scale, *after


def power_of_comparison(rate_before, cut, years_before, years_after, sided=SEEN_SIDED):
    """Chance that an exact comparison of two counts shows a true cut of a rate.

    Parameters
    ----------
    rate_before : float
        True rate [1/year], 0 or more.
    cut : float
        Share by which it truly falls, 0 to 1.
    years_before, years_after : float
        Years counted on either side [above 0].
    sided : float
        Highest chance to see a cut where there is none.

    Returns
    -------
    float
        0 to 1.

    Notes
    -----
    Given both counts together, n, the count before is binomial with chance t_b/(t_b + t_a) where nothing has
    changed; a cut is seen where the count before is so high that this chance leaves at most `sided`.

    References
    ----------
    J. Przyborowski and H. Wilenski, Homogeneity of results in testing samples from Poisson series, Biometrika 31
    (1940) 313–323 (from memory).

    Examples
    --------
    >>> print(round(power_of_comparison(4.0, 0.5, 10, 10), 3))
    0.801
    """
    from scipy.stats import binom, poisson

    before, after = rate_before * years_before, rate_before * (1 - cut) * years_after
    most = int(poisson.ppf(1 - 1e-9, before + after)) if before + after > 0 else 0
    total = np.arange(most + 1)
    needed = (
        binom.isf(sided, total, years_before / (years_before + years_after)) + 1
    )  # least count that shows it
    shown = binom.sf(needed - 1, total, before / (before + after)) if before > 0 else np.zeros(1)
    return float((poisson.pmf(total, before + after) * shown).sum())


def years_to_see(rate_before, cut, years_before=None, most=YEARS_MOST, power=SEEN_POWER):
    """Whole years after a treatment until an improvement of one line can be told from chance.

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
        Chance to see it that is asked for.

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
