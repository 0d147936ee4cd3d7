"""Surge impedance of a tower by its shape, and the time a surge takes along it."""

import numpy as np

from towerlib.values import number


def cylinder_surge_impedance(height_m, radius_m):
    """Surge impedance of a cylindrical tower.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, radius [m].

    Returns
    -------
    float or array
        60·(ln(2√2·h/r) − 1) [Ω].

    References
    ----------
    Sargent and Darveniza 1969, as tabulated by Salarieh et al., IEEE Trans. Power Delivery 2020,
    doi 10.1109/TPWRD.2020.3003250, Table I.

    Examples
    --------
    >>> print(cylinder_surge_impedance(30.0, 3.0))
    140.5
    """
    return 60.0 * (np.log(2.0 * np.sqrt(2.0) * np.asarray(height_m, float) / radius_m) - 1.0)


def cone_surge_impedance(height_m, radius_m):
    """Surge impedance of a conical tower, stroke along its axis from above.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, radius of the base [m].

    Returns
    -------
    float or array
        60·ln(√2·√(h² + r²)/r) [Ω].

    References
    ----------
    Sargent and Darveniza 1969, as tabulated by Salarieh et al. (2020), Table I.

    Examples
    --------
    >>> print(cone_surge_impedance(30.0, 3.0))
    159.3
    """
    return 60.0 * np.log(np.sqrt(2.0) * np.hypot(height_m, radius_m) / np.asarray(radius_m, float))


def slender_surge_impedance(height_m, radius_m):
    """Surge impedance of a conical tower, averaged for horizontal current above it.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, (mean) radius [m].

    Returns
    -------
    float or array
        60·ln cot(½·arctan(r/h)) [Ω].

    References
    ----------
    Chisholm et al. 1983, as tabulated by Salarieh et al. (2020), Table I.

    Examples
    --------
    >>> print(slender_surge_impedance(30.0, 3.0))
    179.8
    """
    return -60.0 * np.log(np.tan(0.5 * np.arctan(np.asarray(radius_m, float) / height_m)))


def mean_radius(height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m):
    """Mean radius of a tower with a waist, as `slender_surge_impedance` takes it.

    Parameters
    ----------
    height_m, waist_height_m : float or array
        Height of the tower and of its waist [m].
    top_radius_m, waist_radius_m, base_radius_m : float or array
        Radii [m]; of a square base of side B between B/2 and B/√2.

    Returns
    -------
    float or array
        (r1·h2 + r2·h + r3·h1)/h [m], h1 below the waist and h2 above it: the base radius for a cone, and
        twice the radius for a cylinder, as the source has it.

    References
    ----------
    CIGRE Technical Brochure 63 (1991), as quoted by Liu et al. (paper on 275 kV cable transients, eqs 5–6).

    Examples
    --------
    >>> print(mean_radius(30.0, 15.0, 0.0, 1.5, 3.0))
    3.0
    """
    height_m = np.asarray(height_m, float)
    below, above = waist_height_m, height_m - waist_height_m
    return (top_radius_m * above + waist_radius_m * height_m + base_radius_m * below) / height_m


def waist_surge_impedance(height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m):
    """Surge impedance of the usual lattice tower with a waist.

    Parameters
    ----------
    height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m : float or array
        As for `mean_radius`.

    Returns
    -------
    float or array
        [Ω]. The formulas for towers spread from 112 to 285 Ω on one tower of 45 m.

    References
    ----------
    As for `mean_radius`.

    Examples
    --------
    >>> print(waist_surge_impedance(30.0, 15.0, 0.0, 1.5, 3.0))
    179.8
    """
    mean_m = mean_radius(height_m, waist_height_m, top_radius_m, waist_radius_m, base_radius_m)
    return slender_surge_impedance(height_m, mean_m)


def reduced_waist_surge_impedance(height_m, mean_radius_m):
    """Surge impedance of a tower with a waist, in the reduced form.

    Parameters
    ----------
    height_m, mean_radius_m : float or array
        Height, mean radius as `mean_radius` has it [m].

    Returns
    -------
    float or array
        √(π/4)·60·(ln cot(½·arctan(r/h)) − ln √2) [Ω].

    References
    ----------
    Form of IEEE Std 1243, as tabulated by Salarieh et al. (2020), Table I, row 9.

    Examples
    --------
    >>> print(reduced_waist_surge_impedance(30.0, 3.0))
    140.9
    """
    full_ohm = slender_surge_impedance(height_m, mean_radius_m)
    return np.sqrt(np.pi / 4.0) * (full_ohm - 60.0 * np.log(np.sqrt(2.0)))


def vertical_wire_surge_impedance(height_m, radius_m):
    """Surge impedance of one long vertical conductor.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, radius [m].

    Returns
    -------
    float or array
        60·(ln(4h/r) − 1) [Ω].

    References
    ----------
    De Conti et al. 2006, as quoted by Schroeder et al., Electr. Power Syst. Res. (2017), eq. 7.

    Examples
    --------
    >>> print(vertical_wire_surge_impedance(6.85, 0.05))
    318.4
    """
    return 60.0 * (np.log(4.0 * np.asarray(height_m, float) / radius_m) - 1.0)


def legs_surge_impedance(height_m, radius_m, distances_m):
    """Surge impedance of equal vertical legs in parallel.

    Parameters
    ----------
    height_m, radius_m : float or array
        Height, radius of a leg [m].
    distances_m : sequence of float or array
        From one leg to each of the others [m].

    Returns
    -------
    float or array
        (Z + ΣM)/n [Ω].

    Notes
    -----
    M = 60·ln((2h + √(4h² + d²))/d) + 30·d/h − 60·√(1 + d²/4h²). Some prints have d² under the logarithm, which
    is no number; with d the printed results follow.

    References
    ----------
    De Conti et al. 2006, as quoted by Schroeder et al. (2017), eqs 8–9.

    Examples
    --------
    >>> print(legs_surge_impedance(6.85, 0.05, [6.0, 6.0, 8.485]))
    117.4
    """
    height_m = np.asarray(height_m, float)
    total_ohm = vertical_wire_surge_impedance(height_m, radius_m)
    for d in distances_m:
        total_ohm = total_ohm + 60.0 * np.log((2.0 * height_m + np.hypot(2.0 * height_m, d)) / d)
        total_ohm = total_ohm + 30.0 * d / height_m - 60.0 * np.sqrt(1.0 + (d / (2.0 * height_m)) ** 2)
    return total_ohm / (len(distances_m) + 1)


def travel_time(length_m, speed=1.0):
    """Time a surge takes over a length.

    Parameters
    ----------
    length_m : float or array
        [m].
    speed : float
        Over the speed of light [1]: 1 along a span, ``lightning_tower_speed`` along a tower.

    Returns
    -------
    float or array
        [µs].

    Examples
    --------
    >>> print(round(float(travel_time(300.0)), 4))
    1.0007
    """
    return np.asarray(length_m, float) / (number("light_m_us") * speed)
