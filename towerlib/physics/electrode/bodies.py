"""Compact electrodes in closed form: hemispheres, plates, foundation blocks, four legs, grids."""

import numpy as np


def hemisphere_resistance(resistivity_ohm_m, radius_m):
    """Resistance of a hemisphere at the surface.

    Parameters
    ----------
    resistivity_ohm_m, radius_m : float or array
        Resistivity [Ω·m], radius [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = ρ/(2πr): exact.

    References
    ----------
    H. B. Dwight, Trans. AIEE 55 (1936); IEEE Std 142.

    Examples
    --------
    >>> print(hemisphere_resistance(100.0, 1.0))
    15.915
    """
    resistivity_ohm_m, radius_m = _checked(resistivity_ohm_m, radius_m)
    return resistivity_ohm_m / (2 * np.pi * radius_m)


def plate_resistance(resistivity_ohm_m, radius_m, depth_m, *, is_vertical=False):
    """Resistance of a buried round plate.

    Parameters
    ----------
    resistivity_ohm_m, radius_m, depth_m : float or array
        Resistivity [Ω·m], radius of the plate and depth of its middle [m].
    is_vertical : bool
        The plate stands on edge.

    Returns
    -------
    float or array
        Resistance [Ω].

    Raises
    ------
    ValueError
        A plate that lies no deeper than its radius, where the series fails.

    Notes
    -----
    ρ/(8a) + ρ/(4πs)·(1 − 7a²/12s² + 33a⁴/40s⁴) lying, + 7a²/24s² + 99a⁴/320s⁴ standing; s = 2h.

    References
    ----------
    Dwight (1936); IEEE Std 142; from memory.

    Examples
    --------
    >>> print(plate_resistance(100.0, 0.5, 1.5))
    27.61
    """
    resistivity_ohm_m, radius_m, depth_m = _checked(resistivity_ohm_m, radius_m, depth_m)
    if np.any(depth_m <= radius_m):
        raise ValueError("the series of a plate holds only deeper than its radius")
    near = radius_m / (2 * depth_m)
    first, second = (7 / 24, 99 / 320) if is_vertical else (-7 / 12, 33 / 40)
    image = 1 + first * near**2 + second * near**4
    return resistivity_ohm_m * (1 / (8 * radius_m) + image / (8 * np.pi * depth_m))


def footing_radius(wetted_area_m2):
    """Radius of the hemisphere that does what a footing does.

    Parameters
    ----------
    wetted_area_m2 : float or array
        Area of concrete or steel in contact with soil [m²]: without a coated or membrane-lined part.

    Returns
    -------
    float or array
        Radius [m]; the footing has ρ/(2πr).

    Notes
    -----
    r = √(A/2π): within 5 % for flush blocks and for pads with a chimney.

    References
    ----------
    Area rule of Y. L. Chow and M. M. Yovanovich, J. Appl. Phys. 53 (1982), from memory.

    Examples
    --------
    >>> print(footing_radius(2.0**2 + 4 * 2.0 * 2.0))
    1.784
    """
    (wetted_area_m2,) = _checked(wetted_area_m2)
    return np.sqrt(wetted_area_m2 / (2 * np.pi))


def block_resistance_high(resistivity_ohm_m, volume_m3):
    """Resistance of a foundation block by its volume, 6 to 36 % on the safe side.

    Parameters
    ----------
    resistivity_ohm_m, volume_m3 : float or array
        Resistivity [Ω·m], volume of the block [m³].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = ρ/(πD), D = 1.57·∛V: the hemisphere of the same volume.

    References
    ----------
    EN 50522 Annex J, from memory.

    Examples
    --------
    >>> print(block_resistance_high(100.0, 8.0))
    10.14
    """
    resistivity_ohm_m, volume_m3 = _checked(resistivity_ohm_m, volume_m3)
    return resistivity_ohm_m / (np.pi * 1.57 * np.cbrt(volume_m3))


def body_resistance(resistivity_ohm_m, half_extents_m, wetted_area_m2):
    """Resistance of any compact body from its extent and its area.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    half_extents_m : tuple of three float or array
        Reach in x, in y and in depth from the point at the surface amid it [m].
    wetted_area_m2 : float or array
        Area in contact with soil [m²].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    ρ/(2πg)·ln(11.8·g²/A), g the root of the sum of squares. For flat blocks up to 17 % low: `footing_radius` is nearer.

    References
    ----------
    W. A. Chisholm and W. Janischewskyj, IEEE Trans. PWRD 4 (1989), from memory.

    Examples
    --------
    >>> print(body_resistance(100.0, (1.0, 1.0, 1.0), 2 * np.pi))
    15.89
    """
    resistivity_ohm_m, wetted_area_m2 = _checked(resistivity_ohm_m, wetted_area_m2)
    reach2 = sum(np.asarray(part, float) ** 2 for part in half_extents_m)
    return resistivity_ohm_m / (2 * np.pi * np.sqrt(reach2)) * np.log(11.8 * reach2 / wetted_area_m2)


def four_legs_factor(radius_m, spacing_m):
    """How much higher four bonded legs are than a quarter of one alone.

    Parameters
    ----------
    radius_m, spacing_m : float or array
        Hemisphere of one footing, side of the square of the legs [m].

    Returns
    -------
    float or array
        Factor k: R_tower = k·R_leg/4, and what voltage over leg current shows is k·R_leg.

    Notes
    -----
    k = 1 + (2 + 1/√2)·r/s, legs as points: high by less than 3.5 % for s ≥ 3.5 r.

    References
    ----------
    Potential of hemispheres in a square: elementary.

    Examples
    --------
    >>> print(four_legs_factor(1.86, 8.0))
    1.629
    """
    radius_m, spacing_m = _checked(radius_m, spacing_m)
    return 1 + (2 + np.sqrt(0.5)) * radius_m / spacing_m


def four_legs_resistance(resistivity_ohm_m, radius_m, spacing_m):
    """Resistance of a tower on four legs.

    Parameters
    ----------
    resistivity_ohm_m, radius_m, spacing_m : float or array
        Resistivity [Ω·m], hemisphere of one footing, side of the square of the legs [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    ρ/(8πr)·k with `four_legs_factor`.

    References
    ----------
    As `four_legs_factor`.

    Examples
    --------
    >>> print(four_legs_resistance(1000.0, 1.86, 8.0))
    34.86
    """
    return hemisphere_resistance(resistivity_ohm_m, radius_m) / 4 * four_legs_factor(radius_m, spacing_m)


def grid_resistance(resistivity_ohm_m, wire_m, area_m2, depth_m):
    """Resistance of a meshed grid.

    Parameters
    ----------
    resistivity_ohm_m, wire_m, area_m2, depth_m : float or array
        Resistivity [Ω·m], length of all buried metal [m], area [m²], depth [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    ρ·[1/L + 1/√(20A)·(1 + 1/(1 + h·√(20/A)))].

    References
    ----------
    J. G. Sverak; IEEE Std 80-2000 eq. 52.

    Examples
    --------
    >>> print(grid_resistance(400.0, 1540.0, 4900.0, 0.5))
    2.776
    """
    resistivity_ohm_m, wire_m, area_m2, depth_m = _checked(resistivity_ohm_m, wire_m, area_m2, depth_m)
    spread = 1 + 1 / (1 + depth_m * np.sqrt(20 / area_m2))
    return resistivity_ohm_m * (1 / wire_m + spread / np.sqrt(20 * area_m2))


def _checked(*parts):
    """Quantities as arrays, each greater than 0; NaN passes."""
    parts = [np.asarray(part, float) for part in parts]
    if any(np.any(part <= 0) for part in parts):
        raise ValueError("resistivity and dimensions of an electrode must be greater than 0")
    return parts
