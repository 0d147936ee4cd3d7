"""First negative strokes and flashes to a line: distribution of peak currents, front time, collecting width."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray

LOGNORMAL = {  # median [kA] and standard deviation of the logarithm, of one straight line on probability paper
    "Berger": (30.0, 0.61),
    "Anderson-Eriksson": (31.1, 0.484),
}
CIGRE_LOW, CIGRE_HIGH = (61.1, 1.33), (33.3, 0.605)  # up to 20 kA, and above
CIGRE_BREAK_KA = 20.0
IEEE_MEDIAN_KA, IEEE_EXPONENT = 31.0, 2.6
DISTRIBUTIONS = ("IEEE", "CIGRE", *LOGNORMAL)


def exceedance(current_ka: ArrayLike, distribution: str = "IEEE") -> FloatOrArray:
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


def exceeded_current(probability: ArrayLike, distribution: str = "IEEE") -> FloatOrArray:
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


def front_time(current_ka: ArrayLike) -> FloatOrArray:
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


def collecting_width(height_m: ArrayLike, wire_spacing_m: ArrayLike = 0.0) -> FloatOrArray:
    """Width of the strip from which a line collects the flashes.

    Parameters
    ----------
    height_m : float or array
        Height of the tower [m]; not the mean height of the wires.
    wire_spacing_m : float or array
        Distance between the outer shield wires, 0 with one wire [m].

    Returns
    -------
    float or array
        28·h^0.6 + b [m].

    References
    ----------
    Eriksson 1987, in IEEE Std 1243-1997; quoted by Alipio et al., Electr. Power Syst. Res. 214 (2023) 108951,
    eq. 13.

    Examples
    --------
    >>> print(collecting_width(30.0))
    215.5
    """
    return 28.0 * np.asarray(height_m, float) ** 0.6 + np.asarray(wire_spacing_m, float)


def collected_flashes(flash_density: ArrayLike, width_m: ArrayLike, span_m: ArrayLike) -> FloatOrArray:
    """Flashes that a tower and its two half spans collect in a year.

    Parameters
    ----------
    flash_density : float or array
        Ground flashes per km² and year: flashes, not strike points.
    width_m, span_m : float or array
        Collecting width, and half the span behind plus half the span ahead [m].

    Returns
    -------
    float or array
        [1/year].

    Examples
    --------
    >>> print(round(float(collected_flashes(1.0, collecting_width(30.0), 300.0)), 5))
    0.06465
    """
    return np.asarray(flash_density, float) * np.multiply(width_m, span_m) * 1e-6  # m² to km²
