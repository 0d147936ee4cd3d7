"""How many flashes fall, and how many of them a line collects."""

import numpy as np


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
