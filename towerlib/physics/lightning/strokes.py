"""First negative strokes: how often a peak current is exceeded, and how steep its front is."""

import numpy as np

LOGNORMAL = {  # median [kA] and standard deviation of the logarithm, of one straight line on probability paper
    "Berger": (30.0, 0.61),
    "Anderson-Eriksson": (31.1, 0.484),
}
CIGRE_LOW, CIGRE_HIGH = (61.1, 1.33), (33.3, 0.605)  # up to 20 kA, and above
CIGRE_BREAK_KA = 20.0
IEEE_MEDIAN_KA, IEEE_EXPONENT = 31.0, 2.6
DISTRIBUTIONS = ("IEEE", "CIGRE", *LOGNORMAL)


def exceedance(current_ka, distribution="IEEE"):
    """Share of first negative strokes whose peak exceeds a current.

    Parameters
    ----------
    current_ka : float or array
        Peak current [kA], 0 or more.
    distribution : str
        One of `DISTRIBUTIONS`.

    Returns
    -------
    float or array
        Between 0 and 1.

    Raises
    ------
    ValueError
        No such distribution.

    Notes
    -----
    IEEE: 1/(1 + (I/31)^2.6), good for about 2 to 200 kA. CIGRE: two lognormals, 61.1 kA and 1.33 up to 20 kA,
    33.3 kA and 0.605 above; both give 0.800 there within 0.001. Above 150 kA they differ by a factor of 3 to 10:
    one report keeps to one of them.

    References
    ----------
    J. G. Anderson, EPRI Transmission Line Reference Book, 2nd ed. 1982, ch. 12, and IEEE Std 1243-1997 (from
    memory); CIGRE Technical Brochure 63 (1991) (from memory); Berger 1975 and Anderson and Eriksson 1980 as
    quoted by Alipio et al., Electr. Power Syst. Res. 214 (2023) 108951.

    Examples
    --------
    >>> print(exceedance([31.0, 100.0]).round(4))
    [0.5    0.0454]
    """
    from scipy.special import ndtr

    current_ka = np.asarray(current_ka, float)
    _check(distribution)
    if distribution == "IEEE":
        return 1.0 / (1.0 + (current_ka / IEEE_MEDIAN_KA) ** IEEE_EXPONENT)
    if distribution == "CIGRE":
        low = current_ka <= CIGRE_BREAK_KA
        median_ka, sigma = (np.where(low, a, b) for a, b in zip(CIGRE_LOW, CIGRE_HIGH, strict=True))
    else:
        median_ka, sigma = LOGNORMAL[distribution]
    with np.errstate(divide="ignore"):  # a current of 0 is exceeded by every stroke
        return ndtr(-np.log(current_ka / median_ka) / sigma)


def exceeded_current(probability, distribution="IEEE"):
    """Peak current that a share of first negative strokes exceeds: the inverse of `exceedance`.

    Parameters
    ----------
    probability : float or array
        Between 0 and 1.
    distribution : str
        One of `DISTRIBUTIONS`.

    Returns
    -------
    float or array
        Peak current [kA]; inf for a share of 0.

    Examples
    --------
    >>> print(exceeded_current(0.5), round(float(exceeded_current(0.0346, "CIGRE")), 1))
    31.0 100.0
    """
    from scipy.special import ndtri

    probability = np.asarray(probability, float)
    _check(distribution)
    if distribution == "IEEE":
        with np.errstate(divide="ignore"):
            return IEEE_MEDIAN_KA * (1.0 / probability - 1.0) ** (1.0 / IEEE_EXPONENT)
    if distribution == "CIGRE":
        low, high = (
            median * np.exp(-sigma * ndtri(probability)) for median, sigma in (CIGRE_LOW, CIGRE_HIGH)
        )
        return np.where(low <= CIGRE_BREAK_KA, low, np.maximum(high, CIGRE_BREAK_KA))
    median_ka, sigma = LOGNORMAL[distribution]
    return median_ka * np.exp(-sigma * ndtri(probability))


def _check(distribution):
    if distribution not in DISTRIBUTIONS:
        raise ValueError(f"no stroke distribution {distribution!r}; known are {', '.join(DISTRIBUTIONS)}")


def front_time(current_ka):
    """Median front of the strokes of a peak current, from the points at 30 and 90 %.

    Parameters
    ----------
    current_ka : float or array
        Peak current [kA].

    Returns
    -------
    float or array
        (t90 − t30)/0.6 [µs].

    Notes
    -----
    1.77·I^0.188 up to 20 kA, 0.906·I^0.411 above. The curves cross at 20.15 kA and differ there by 0.2 %, so the
    larger of both is taken: a step would leave a critical current at 20 kA without a solution. This slow front
    is the one for a linear ramp; the steepest part of the front would double the rates.

    References
    ----------
    CIGRE Technical Brochure 63 (1991), table of conditional medians; Hileman, Insulation Coordination for Power
    Systems (1999), ch. 6; both from memory.

    Examples
    --------
    >>> print(front_time([10.0, 31.0]).round(2))
    [2.73 3.72]
    """
    logarithm = np.log(np.asarray(current_ka, float))
    return np.maximum(1.77 * np.exp(0.188 * logarithm), 0.906 * np.exp(0.411 * logarithm))


def steepness(current_ka):
    """Median of the greatest steepness of the strokes of a peak current.

    Parameters
    ----------
    current_ka : float or array
        Peak current [kA].

    Returns
    -------
    float or array
        [kA/µs].

    Notes
    -----
    12.0·I^0.171 up to 20 kA, 6.50·I^0.376 above.

    References
    ----------
    As for `front_time`.

    Examples
    --------
    >>> print(steepness([20.0, 100.0]).round(1))
    [20.  36.7]
    """
    current_ka = np.asarray(current_ka, float)
    return np.where(current_ka <= CIGRE_BREAK_KA, 12.0 * current_ka**0.171, 6.50 * current_ka**0.376)


def conditional_lognormal(given, median, sigma, correlation):
    """Lognormal of one quantity of a stroke where another is known.

    Parameters
    ----------
    given : float or array
        The known value.
    median, sigma : pair of float
        Medians, and deviations of the logarithms, of the known and of the sought quantity.
    correlation : float
        Between both logarithms.

    Returns
    -------
    tuple
        Median of the sought quantity, and the deviation of its logarithm.

    References
    ----------
    Chowdhuri et al., IEEE Trans. Power Delivery 20(1) (2005) 346–358, as quoted by Alipio et al., Electr. Power
    Syst. Res. 214 (2023) 108951, eqs 9–11.

    Examples
    --------
    >>> peak_ka, spread = conditional_lognormal(1.9, (3.83, 30.0), (0.553, 0.61), 0.47)
    >>> print(round(float(peak_ka), 2), round(spread, 3))
    20.86 0.538
    """
    slope = correlation * sigma[1] / sigma[0]
    middle = median[1] * np.exp(slope * np.log(np.asarray(given, float) / median[0]))
    return middle, float(sigma[1] * np.sqrt(1.0 - correlation**2))
