"""Geometry and electrics of a fall-of-potential test: probe places, test leads and test frequency.

Readings are for an electrode that acts as a hemisphere in uniform soil.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray

GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0  # 0.618: root of 1/(1-x) = 1/x + 1, the place that reads true


def hemisphere_reading_ratio(
    radius_m: ArrayLike,
    potential_probe_m: ArrayLike,
    current_probe_m: ArrayLike,
    angle_deg: ArrayLike = 0.0,
    leg_share: ArrayLike = 1.0,
) -> FloatOrArray:
    r"""Ratio of the impedance read to the true one for an electrode that acts as a hemisphere.

    Parameters
    ----------
    radius_m : float or array
        Radius of the equivalent hemisphere [m], see `equivalent_hemisphere_m`.
    potential_probe_m, current_probe_m : float or array
        Distances of the two probes from the electrode's centre [m].
    angle_deg : float or array, optional
        Angle between the directions of the two probes [degrees]; 0 puts them on one line.
    leg_share : float or array, optional
        Share λ of the injected current that runs into the electrode itself, above 0 [1]; shield wires take the rest.

    Returns
    -------
    float or array
        R_read / R_true; 1 reads true, below 1 reads low. Infinite with both probes in one place.

    Notes
    -----
    1 − a/p + (a/q − a/c)/λ, with q the distance between the two probes. Uniform soil, probes small and farther
    out than the electrode. The current probe takes up the whole injected current and the electrode a share λ of it:
    the field of the probe weighs 1/λ times as much against the electrode's own. With λ = 1 that is the handbook's
    1 − a/p − a/c + a/q. The shield wires hold the tower's potential, and their other towers lie outside the field.
    Where a poor conductor lies below (rock), the true place is farther out and p = 0.618 c reads up to some 9 % low.

    References
    ----------
    MIL-HDBK-419A, volume 1, equations 2-41 to 2-46; the share of the electrode by own derivation.

    Examples
    --------
    >>> print(hemisphere_reading_ratio(1.0, 6.18, 10.0))
    1.000
    >>> print(hemisphere_reading_ratio(1.0, 5.0, 10.0))
    0.900
    >>> print(round(hemisphere_reading_ratio(4.5, 62.0, 100.0, leg_share=0.1), 2))
    1.66
    """
    apart_m = _distance_between(potential_probe_m, current_probe_m, angle_deg)
    radius_m = np.asarray(radius_m, float)
    with np.errstate(divide="ignore"):
        return (
            1.0
            - radius_m / potential_probe_m
            + radius_m * (1.0 / apart_m - 1.0 / np.asarray(current_probe_m, float)) / leg_share
        )


def _distance_between(first_m, second_m, angle_deg):
    """Third side of the triangle that two distances from one point and their angle make [m]."""
    along = np.multiply(first_m, second_m)
    squared = np.subtract(first_m, second_m) ** 2 + 2.0 * along * (1.0 - np.cos(np.radians(angle_deg)))
    return np.sqrt(squared)


def expected_spread(radius_m: ArrayLike, current_probe_m: ArrayLike) -> FloatOrArray:
    """Spread to expect between readings at half and at seven tenths of the current probe's distance.

    Parameters
    ----------
    radius_m, current_probe_m : float or array
        Radius of the equivalent hemisphere and distance of the current probe [m].

    Returns
    -------
    float or array
        (R at 0.7 − R at 0.5) / R, a fraction. It grows as the zones of the electrode and of the current probe
        overlap.

    Notes
    -----
    1.905 a/c: the difference of `hemisphere_reading_ratio` at the two places. A measured spread much above it
    indicates overlapping zones, one much below it a wrong distance or resistivity.

    References
    ----------
    Follows from MIL-HDBK-419A, volume 1, equations 2-41 to 2-46.

    Examples
    --------
    >>> print(expected_spread(5.0, 100.0))
    0.0952
    """
    factor = (1.0 / 0.3 - 1.0 / 0.7) - (1.0 / 0.5 - 1.0 / 0.5)
    return factor * np.divide(radius_m, current_probe_m)


def equivalent_hemisphere_m(resistivity_ohm_m: ArrayLike, resistance_ohm: ArrayLike) -> FloatOrArray:
    """Radius of the hemisphere that has the same resistance in the same uniform soil.

    Parameters
    ----------
    resistivity_ohm_m, resistance_ohm : float or array
        Soil resistivity [Ω·m] and resistance to remote earth [Ω].

    Returns
    -------
    float or array
        Radius [m]; NaN for a resistance of zero or less.

    Notes
    -----
    a = ρ/(2πR).

    References
    ----------
    MIL-HDBK-419A, volume 1, section 2.6: resistance of a hemisphere.

    Examples
    --------
    >>> print(equivalent_hemisphere_m(1000.0, 34.2))
    4.65
    """
    resistance = np.where(np.greater(resistance_ohm, 0.0), resistance_ohm, np.nan)[()]
    return np.asarray(resistivity_ohm_m, float) / (2.0 * np.pi * resistance)


def four_leg_hemisphere_m(leg_radius_m: ArrayLike, spacing_m: ArrayLike) -> FloatOrArray:
    """Radius of the hemisphere that has the resistance of four equal leg footings on a square.

    Parameters
    ----------
    leg_radius_m : float or array
        Radius of the hemisphere equivalent to one leg's footing alone [m].
    spacing_m : float or array
        Side of the square of the legs [m].

    Returns
    -------
    float or array
        Radius [m] of the hemisphere for the whole tower.

    Notes
    -----
    4r / (1 + (2 + 1/√2) r/s): four sources that raise one another's potential. Within 3.5 % (resistance too
    high) of a boundary-element solution for s ≥ 3.5 r.

    References
    ----------
    Mutual resistance of point sources, ρ/(2πs): E. D. Sunde, Earth Conduction Effects in Transmission
    Systems (1949), from memory.

    Examples
    --------
    >>> print(four_leg_hemisphere_m(1.86, 8.0))
    4.57
    """
    leg_radius_m = np.asarray(leg_radius_m, float)
    return 4.0 * leg_radius_m / (1.0 + (2.0 + 1.0 / np.sqrt(2.0)) * np.divide(leg_radius_m, spacing_m))


def angle_off_line_deg(
    bearing_deg: ArrayLike, line_bearing_deg: ArrayLike, deviation_deg: ArrayLike = 0.0
) -> FloatOrArray:
    """Angle between a probe's direction and the nearer of the two spans that meet at the tower.

    Parameters
    ----------
    bearing_deg : float or array
        Direction of the probe from the tower [degrees, true north, clockwise].
    line_bearing_deg : float or array
        Direction of the line at the tower, the mean of both spans where it turns [degrees].
    deviation_deg : float or array, optional
        How far the line turns at the tower, right positive [degrees].

    Returns
    -------
    float or array
        0 (along a span) to 90 (across) on a straight line; NaN where a bearing is.

    Notes
    -----
    On a straight line this is the difference of the two bearings folded into 0…90. At an angle tower the two
    spans are taken as they leave the tower.

    Examples
    --------
    >>> print(angle_off_line_deg(350.0, 20.0), angle_off_line_deg(120.0, 20.0))
    30.0 80.0
    """
    ahead = np.add(line_bearing_deg, np.divide(deviation_deg, 2.0))
    behind = np.subtract(line_bearing_deg, np.divide(deviation_deg, 2.0)) + 180.0
    return np.minimum(_between_deg(bearing_deg, ahead), _between_deg(bearing_deg, behind))


def _between_deg(first_deg, second_deg):
    """Angle between two bearings, 0 to 180 degrees."""
    return np.abs((np.subtract(first_deg, second_deg) + 180.0) % 360.0 - 180.0)


def harmonic_distance_hz(frequency_hz: ArrayLike, mains_hz: ArrayLike) -> FloatOrArray:
    """Distance of a test frequency from the nearest harmonic of the mains.

    Parameters
    ----------
    frequency_hz, mains_hz : float or array
        Test frequency and mains frequency [Hz].

    Returns
    -------
    float or array
        Distance [Hz]; the mains frequency itself counts as the first harmonic.

    Examples
    --------
    >>> print(harmonic_distance_hz(128.0, 50.0), harmonic_distance_hz(41.0, 60.0))
    22.0 19.0
    """
    order = np.maximum(np.round(np.divide(frequency_hz, mains_hz)), 1.0)
    return np.abs(np.subtract(frequency_hz, order * mains_hz))


def reactance_ohm(impedance_ohm: ArrayLike, phase_deg: ArrayLike) -> FloatOrArray:
    """Reactance of an impedance given by magnitude and phase.

    Parameters
    ----------
    impedance_ohm, phase_deg : float or array
        Magnitude [Ω] and phase of voltage over current [degrees].

    Returns
    -------
    float or array
        X = |Z|·sin φ [Ω]; positive is inductive.

    Examples
    --------
    >>> print(reactance_ohm(10.0, 30.0))
    5.00
    """
    return np.multiply(impedance_ohm, np.sin(np.radians(phase_deg)))


def percent_per_decade(ratio: ArrayLike, low_hz: ArrayLike, high_hz: ArrayLike) -> FloatOrArray:
    """Change of an impedance for each tenfold frequency.

    Parameters
    ----------
    ratio : float or array
        Impedance at the high over that at the low frequency.
    low_hz, high_hz : float or array
        The two frequencies [Hz].

    Returns
    -------
    float or array
        Change [% per decade]; negative where the impedance falls.

    Notes
    -----
    100·(ratio^(1/log10(high/low)) − 1): the same change in each decade.

    Examples
    --------
    >>> print(percent_per_decade(0.81, 50.0, 5000.0))
    -10.00
    """
    return 100.0 * (np.power(ratio, 1.0 / np.log10(np.divide(high_hz, low_hz))) - 1.0)


def lead_coupling_uh(length_m: ArrayLike, apart_m: ArrayLike) -> FloatOrArray:
    """Mutual inductance of two parallel test leads.

    Parameters
    ----------
    length_m, apart_m : float or array
        Length over which they run side by side, and distance between them [m].

    Returns
    -------
    float or array
        Mutual inductance [µH].

    Notes
    -----
    M = 0.2·l·(ln(2l/d) − 1) for straight thin leads much longer than they are apart; the current that flows
    back through the soil is left out. Leads laid at right angles do not couple.

    References
    ----------
    F. W. Grover, Inductance Calculations (1946), from Neumann's integral (from memory).

    Examples
    --------
    >>> print(round(lead_coupling_uh(50.0, 1.0)), round(lead_coupling_uh(100.0, 10.0)))
    36 40
    """
    return 0.2 * np.multiply(length_m, np.log(np.divide(np.multiply(2.0, length_m), apart_m)) - 1.0)
