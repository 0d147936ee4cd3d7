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


def density_from_thunder_days(days_per_year):
    """Ground flash density from the days with thunder in a year.

    Parameters
    ----------
    days_per_year : float or array
        Thunderstorm days [1/year], about 5 to 100.

    Returns
    -------
    float or array
        Ground flashes per km² and year, with a scatter of about a factor of 2.

    Notes
    -----
    Ng = 0.04·Td^1.25, fitted in South Africa.

    References
    ----------
    Anderson and Eriksson 1980; IEEE Std 1243-1997; CIGRE Technical Brochure 63 (1991); from memory.

    Examples
    --------
    >>> print(density_from_thunder_days(40.0))
    4.024
    """
    return 0.04 * np.asarray(days_per_year, float) ** 1.25


def density_from_thunder_days_linear(days_per_year):
    """Ground flash density as a tenth of the thunderstorm days, for temperate regions.

    Parameters
    ----------
    days_per_year : float or array
        Thunderstorm days [1/year].

    Returns
    -------
    float or array
        Ground flashes per km² and year.

    References
    ----------
    IEC 62305-2:2010, annex A, from memory.

    Examples
    --------
    >>> print(density_from_thunder_days_linear(40.0))
    4.0
    """
    return 0.1 * np.asarray(days_per_year, float)


def density_from_thunder_hours(hours_per_year):
    """Ground flash density from the hours with thunder in a year.

    Parameters
    ----------
    hours_per_year : float or array
        Thunderstorm hours [1/year].

    Returns
    -------
    float or array
        Ground flashes per km² and year.

    Notes
    -----
    Ng = 0.054·Th^1.1.

    References
    ----------
    MacGorman 1984 in IEEE Std 1243-1997 and IEEE Std 1410; from memory.

    Examples
    --------
    >>> print(density_from_thunder_hours(100.0))
    8.558
    """
    return 0.054 * np.asarray(hours_per_year, float) ** 1.1


def density_from_total(total_density, ground_share=1.0 / 3.0):
    """Ground flash density from the density of all flashes, cloud and ground, as satellites see them.

    Parameters
    ----------
    total_density : float or array
        Flashes of both kinds per km² and year.
    ground_share : float or array
        Share that reaches the ground; see `ground_share_at`. One third after IEEE Std 1410-2010, from memory.

    Returns
    -------
    float or array
        Ground flashes per km² and year; uncertain by half of itself.

    Examples
    --------
    >>> print(density_from_total(12.0), density_from_total(12.0, 0.25))
    4.0 3.0
    """
    return np.asarray(total_density, float) * ground_share


def ground_share_at(latitude_deg):
    """Share of flashes that reach the ground at a latitude.

    Parameters
    ----------
    latitude_deg : float or array
        Between −60 and 60 [deg]; NaN beyond.

    Returns
    -------
    float or array
        1/(1 + z) with cloud flashes over ground flashes z = 4.16 + 2.16·cos(3·latitude).

    References
    ----------
    Prentice and Mackerras 1977, from memory.

    Examples
    --------
    >>> print(ground_share_at([0.0, 40.0]).round(3))
    [0.137 0.245]
    """
    latitude_deg = np.asarray(latitude_deg, float)
    cloud_per_ground = 4.16 + 2.16 * np.cos(np.radians(3.0 * latitude_deg))
    return np.where(np.abs(latitude_deg) <= 60.0, 1.0 / (1.0 + cloud_per_ground), np.nan)


def collecting_width(height_m, wire_spacing_m=0.0):
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
    return 28.0 * np.asarray(height_m, float) ** 0.6 + wire_spacing_m


def collected_flashes(flash_density, width_m, span_m):
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
    return np.asarray(flash_density, float) * width_m * span_m * 1e-6  # m² to km²


def width_beside_parallel(width_m, other_width_m, distance_m):
    """Collecting width left to a line that shares its corridor with another.

    Parameters
    ----------
    width_m, other_width_m : float or array
        Collecting widths of this line and of the other, each on its own [m].
    distance_m : float or array
        Between the axes of both [m].

    Returns
    -------
    float or array
        [m]; the full width where the strips do not overlap.

    Notes
    -----
    Geometry: the pair collects W1/2 + D + W2/2; between the axes each line takes half of D.

    Examples
    --------
    >>> print(width_beside_parallel(200.0, 200.0, 40.0), width_beside_parallel(200.0, 200.0, 500.0))
    120.0 200.0
    """
    width_m, distance_m = np.asarray(width_m, float), np.asarray(distance_m, float)
    return np.where(distance_m < (width_m + other_width_m) / 2.0, (width_m + distance_m) / 2.0, width_m)
