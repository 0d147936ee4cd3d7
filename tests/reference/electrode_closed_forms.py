"""Compact electrodes in closed form: hemispheres, plates, foundation blocks, four legs, grids."""

import numpy as np

MUTUAL_MOST = 0.98  # of the lower of two resistances, up to which the two-electrode formula is used; assumed


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


def rod_resistance(resistivity_ohm_m, length_m, radius_m):
    """Resistance of one vertical rod, its top at the surface.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m : float or array
        Resistivity [Ω·m], length in the ground and radius [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = ρ/(2πL)·(ln(4L/a) − 1): 0.6 to 0.9 % high for L/a from 1000 down to 375, 2.7 % for L/a of 17.

    References
    ----------
    H. B. Dwight, Trans. AIEE 55 (1936); IEEE Std 142 Table 13 (1982 edition), BS 7430.

    Examples
    --------
    >>> print(rod_resistance(100.0, 3.0, 0.008))
    33.493
    """
    resistivity_ohm_m, length_m, radius_m = _checked_rods(resistivity_ohm_m, length_m, radius_m)
    return resistivity_ohm_m / (2 * np.pi * length_m) * (np.log(4 * length_m / radius_m) - 1)


def rod_resistance_high(resistivity_ohm_m, length_m, radius_m):
    """Resistance of one rod by the European form, 5 to 6 % on the safe side.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m : float or array
        Resistivity [Ω·m], length in the ground and radius [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = ρ/(2πL)·ln(4L/d), d the diameter.

    References
    ----------
    EN 50522 Annex J, from memory.

    Examples
    --------
    >>> print(rod_resistance_high(100.0, 3.0, 0.008))
    35.12
    """
    resistivity_ohm_m, length_m, radius_m = _checked_rods(resistivity_ohm_m, length_m, radius_m)
    return resistivity_ohm_m / (2 * np.pi * length_m) * np.log(2 * length_m / radius_m)


def rods_mutual(resistivity_ohm_m, length_m, spacing_m):
    """Mutual resistance of two equal vertical rods, their tops at the surface.

    Parameters
    ----------
    resistivity_ohm_m, length_m, spacing_m : float or array
        Resistivity [Ω·m], length of each and distance between them [m].

    Returns
    -------
    float or array
        Mutual resistance [Ω].

    Notes
    -----
    ρ/(2πL)·[asinh(2L/s) − √(1 + (s/2L)²) + s/(2L)] for evenly leaking rods: exact; ρ/(2πs) far away, the
    rod itself for s = a ≪ L.

    References
    ----------
    Double integral of 1/r over both rods and their images: elementary.

    Examples
    --------
    >>> print(rods_mutual(100.0, 3.0, 3.0))
    4.380
    """
    resistivity_ohm_m, length_m, spacing_m = _checked_rods(resistivity_ohm_m, length_m, spacing_m)
    half = spacing_m / (2 * length_m)
    # asinh(1/h) - sqrt(1 + h²) + h without the loss of figures that far rods would bring.
    return (
        resistivity_ohm_m / (2 * np.pi * length_m) * (np.arcsinh(1 / half) - 1 / (np.hypot(1, half) + half))
    )


def two_rods_resistance(resistivity_ohm_m, length_m, radius_m, spacing_m):
    """Resistance of two bonded rods by the classic series.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m, spacing_m : float or array
        Resistivity [Ω·m], length and radius of each, and distance between them [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    s ≥ L: ρ/(4πL)(ln(4L/a) − 1) + ρ/(4πs)(1 − L²/3s² + 2L⁴/5s⁴); s < L: ρ/(4πL)(ln(4L/a) + ln(4L/s) − 2 +
    s/2L − s²/16L² + s⁴/512L⁴). The first series is 4 % high at s = L: `rodgroups.rod_group` is exact there.

    References
    ----------
    Dwight (1936); IEEE Std 142.

    Examples
    --------
    >>> print(two_rods_resistance(100.0, 3.0, 0.008, 6.0))
    17.99
    """
    resistivity_ohm_m, length_m, radius_m = _checked_rods(resistivity_ohm_m, length_m, radius_m)
    spacing_m = np.asarray(spacing_m, float)
    alone = np.log(4 * length_m / radius_m) - 1
    far, near = length_m / spacing_m, spacing_m / length_m
    apart = far * (1 - far**2 / 3 + 2 * far**4 / 5)
    beside = np.log(4 / near) - 1 + near / 2 - near**2 / 16 + near**4 / 512
    return resistivity_ohm_m / (4 * np.pi * length_m) * (alone + np.where(near >= 1, apart, beside))


def layered_rod_resistance(soil, length_m, radius_m):
    """Resistance of one rod within the top layer of two.

    Parameters
    ----------
    soil : towerlib.physics.layered_soil.Soil
        Uniform or two-layer soil.
    length_m, radius_m : float
        Length in the ground and radius [m].

    Returns
    -------
    float
        Resistance [Ω].

    Raises
    ------
    ValueError
        A rod that reaches through the boundary.

    Notes
    -----
    R = ρ1/(2πL)·[ln(4L/a) − 1 + ΣKⁿ·ln((2nH + L)/(2nH − L))]. Two per cent high over a good conductor.

    References
    ----------
    G. F. Tagg, Earth Resistances (1964), from memory.

    Examples
    --------
    >>> from towerlib.physics.layered_soil import Soil
    >>> print(layered_rod_resistance(Soil(100.0, 1000.0, 4.0), 3.0, 0.008))
    40.465
    """
    from towerlib.physics.layered_soil import image_weights

    if length_m > soil.depth_m:
        raise ValueError(f"a rod of {length_m:g} m reaches through the boundary at {soil.depth_m:g} m")
    order, weight = image_weights(soil.factor)
    far = length_m / (2 * order * soil.depth_m) if order.size else order
    images = (weight * 2 * np.arctanh(far)).sum()
    return float(
        rod_resistance(soil.upper_ohm_m, length_m, radius_m)
        + soil.upper_ohm_m / (2 * np.pi * length_m) * images
    )


def rod_current_limit(resistivity_ohm_m, length_m, radius_m, duration_s):
    """Current that one rod bears for a time before the soil at it dries out.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m, duration_s : float or array
        Resistivity [Ω·m], length and radius [m], duration [s].

    Returns
    -------
    float or array
        Current [A].

    Notes
    -----
    I = 34 800·d·L/√(ρt), d the diameter.

    References
    ----------
    IEEE Std 142, loading of rods.

    Examples
    --------
    >>> print(rod_current_limit(200.0, 2.4384, 0.0079375, 1.0))
    95.26
    """
    resistivity_ohm_m, length_m, radius_m = _checked_rods(resistivity_ohm_m, length_m, radius_m)
    return 34800.0 * 2 * radius_m * length_m / np.sqrt(resistivity_ohm_m * np.asarray(duration_s, float))


def _checked_rods(*parts):
    """Quantities as arrays, each greater than 0; NaN passes."""
    parts = [np.asarray(part, float) for part in parts]
    if any(np.any(part <= 0) for part in parts):
        raise ValueError("resistivity, length, radius and spacing of rods must be greater than 0")
    return parts


def rod_group(resistivity_ohm_m, length_m, radius_m, position_m):
    """Resistance of any number of equal bonded rods, their tops at the surface.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    length_m, radius_m : float
        Length in the ground and radius of each [m].
    position_m : array, shape (n, 2)
        x and y of each rod [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    Matrix of `rod_resistance` on the diagonal and `rods_mutual` beside it, all rods at one potential.

    References
    ----------
    Average-potential method: Dwight (1936), Sunde (1949), from memory.

    Examples
    --------
    >>> print(rod_group(100.0, 3.0, 0.008, [(0, 0), (3, 0), (6, 0)]))
    13.65
    """
    position_m = np.atleast_2d(np.asarray(position_m, float))
    apart_m = _apart(position_m)
    matrix = np.diag(np.full(len(position_m), rod_resistance(1.0, length_m, radius_m)))
    others = ~np.eye(len(position_m), dtype=bool)
    matrix[others] = rods_mutual(1.0, length_m, apart_m[others])
    return np.asarray(resistivity_ohm_m, float) / np.linalg.solve(matrix, np.ones(len(matrix))).sum()


def group_factor(position_m, spacing_m):
    """How much the rods of a group stand in each other's way, taken as points: λ of the British standard.

    Parameters
    ----------
    position_m : array, shape (n, 2)
        x and y of each rod [m].
    spacing_m : float
        Distance between neighbours [m].

    Returns
    -------
    float
        λ.

    Notes
    -----
    λ = (1/n)·ΣΣ_{i≠j} s/D_ij; for n rods in a line (2/n)·Σ (n − k)/k. The tables for a hollow square count
    the rods along one side: 4(n − 1) in all.

    References
    ----------
    BS 7430, tables of λ, from memory (1.66 for three in a line and 7.65 for nine a side seen).

    Examples
    --------
    >>> print(group_factor([(0, 0), (3, 0), (6, 0)], 3.0))
    1.667
    """
    position_m = np.atleast_2d(np.asarray(position_m, float))
    apart_m = _apart(position_m)
    return float((spacing_m / apart_m[~np.eye(len(position_m), dtype=bool)]).sum() / len(position_m))


def rod_group_by_factor(resistivity_ohm_m, rod_ohm, spacing_m, count, factor):
    """Resistance of equal rods from that of one and the factor λ of their layout.

    Parameters
    ----------
    resistivity_ohm_m, rod_ohm, spacing_m : float or array
        Resistivity [Ω·m], resistance of one rod alone [Ω], distance between neighbours [m].
    count : int or array
        Number of rods.
    factor : float or array
        λ, from `group_factor` or the standard's table.

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = R1·(1 + λα)/n, α = ρ/(2πR1·s): rods as points, good from a spacing of about their length on.

    References
    ----------
    BS 7430.

    Examples
    --------
    >>> print(rod_group_by_factor(244.0, 17.076, 8.25, 9, 7.65))
    5.898
    """
    resistivity_ohm_m, rod_ohm, spacing_m = (
        np.asarray(part, float) for part in (resistivity_ohm_m, rod_ohm, spacing_m)
    )
    if any(np.any(part <= 0) for part in (resistivity_ohm_m, rod_ohm, spacing_m)):
        raise ValueError("resistivity, resistance and spacing of rods must be greater than 0")
    alpha = resistivity_ohm_m / (2 * np.pi * rod_ohm * spacing_m)
    return rod_ohm * (1 + np.asarray(factor) * alpha) / np.asarray(count)


def _apart(position_m):
    """Distances between all positions, which must differ."""
    apart_m = np.linalg.norm(position_m[:, None] - position_m, axis=-1)
    if np.any(apart_m + np.eye(len(position_m)) <= 0):
        raise ValueError("two rods of a group stand at one place")
    return apart_m


# Straight wire, right-angle bend, stars: constants of Dwight's series in s/L, by number of arms.
STAR_TERMS = {
    2: (-0.2373, 0.2146, 0.1035, -0.0424),
    3: (1.071, -0.209, 0.238, -0.054),
    4: (2.912, -1.071, 0.645, -0.145),
    6: (6.851, -3.128, 1.758, -0.490),
    8: (10.98, -5.51, 3.26, -1.17),
}
SHAPE_FACTORS = {
    "straight": -0.6,
    "bend": -0.18,
    "star of 3": 0.0,
    "circle": 0.48,
    "star of 4": 0.89,
    "square": 1.0,
    "square with 4 radials": 1.76,
    "star of 6": 3.03,
    "star of 8": 5.65,
}


def wire_resistance(resistivity_ohm_m, length_m, radius_m, depth_m):
    """Resistance of one straight horizontal wire.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m, depth_m : float or array
        Resistivity [Ω·m], whole length, radius and depth of the wire [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    With half the length L and s = 2h: ρ/(4πL)·(ln(4L/a) + ln(4L/s) − 2 + s/2L − s²/16L² + s⁴/512L⁴); within 1 %
    from 5 to 100 m.

    References
    ----------
    Dwight (1936); IEEE Std 142.

    Examples
    --------
    >>> print(wire_resistance(100.0, 30.0, 0.004, 0.6))
    6.137
    """
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked_wires(
        resistivity_ohm_m, length_m, radius_m, depth_m
    )
    half_m = length_m / 2
    logs = np.log(4 * half_m / radius_m) + _image_terms(half_m, depth_m)
    return resistivity_ohm_m / (4 * np.pi * half_m) * (logs - 1)


def strip_resistance(resistivity_ohm_m, length_m, width_m, thickness_m, depth_m):
    """Resistance of one straight horizontal strip.

    Parameters
    ----------
    resistivity_ohm_m, length_m, width_m, thickness_m, depth_m : float or array
        Resistivity [Ω·m], whole length, width, thickness and depth of the strip [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Raises
    ------
    ValueError
        A strip thicker than an eighth of its width.

    Notes
    -----
    As `wire_resistance`, with ln(4L/w) + (w² − πwb)/(2(w + b)²) for ln(4L/a) − 1: a thin strip is a wire of
    about a quarter of its width as radius.

    References
    ----------
    Dwight (1936); IEEE Std 142 (partly from memory).

    Examples
    --------
    >>> print(strip_resistance(100.0, 30.0, 0.03, 0.003, 0.6))
    5.75
    """
    resistivity_ohm_m, length_m, width_m, thickness_m = _checked_wires(
        resistivity_ohm_m, length_m, width_m, thickness_m
    )
    if np.any(thickness_m > width_m / 8):
        raise ValueError("the formula of a strip holds up to a thickness of an eighth of its width")
    half_m = length_m / 2
    edge = (width_m**2 - np.pi * width_m * thickness_m) / (2 * (width_m + thickness_m) ** 2)
    logs = np.log(4 * half_m / width_m) + edge + _image_terms(half_m, np.asarray(depth_m, float))
    return resistivity_ohm_m / (4 * np.pi * half_m) * logs


def star_resistance(resistivity_ohm_m, arms, length_m, radius_m, depth_m):
    """Resistance of a right-angle bend or a star of equal wires by the classic series.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    arms : int
        2 (bend), 3, 4, 6 or 8.
    length_m, radius_m, depth_m : float or array
        Length of one arm, radius and depth [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Raises
    ------
    ValueError
        A number of arms without a series.

    Notes
    -----
    ρ/(2nπL)·(ln(2L/a) + ln(2L/s) + c0 + c1·s/L + c2·(s/L)² + c4·(s/L)⁴), s = 2h. High by 1 to 2 % for three arms, 4 %
    for four, 7 % for six, 10 % for eight: from four arms on `shape_resistance` is nearer. Copies that print 4L for
    2L in the logarithms are wrong by 10 to 18 %.

    References
    ----------
    Dwight (1936); IEEE Std 142.

    Examples
    --------
    >>> print(star_resistance(100.0, 4, 30.0, 0.004, 0.6))
    2.175
    """
    if arms not in STAR_TERMS:
        raise ValueError(f"no series for a star of {arms} arms: it exists for {sorted(STAR_TERMS)}")
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked_wires(
        resistivity_ohm_m, length_m, radius_m, depth_m
    )
    near = 2 * depth_m / length_m
    c0, c1, c2, c4 = STAR_TERMS[arms]
    series = c0 + c1 * near + c2 * near**2 + c4 * near**4
    logs = np.log(2 * length_m / radius_m) + np.log(2 / near) + series
    return resistivity_ohm_m / (2 * arms * np.pi * length_m) * logs


def shape_resistance(resistivity_ohm_m, shape, length_m, radius_m, depth_m):
    """Resistance of buried wire of any of the usual shapes.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    shape : str
        One of `SHAPE_FACTORS`.
    length_m, radius_m, depth_m : float or array
        Length of all wire together, radius and depth [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Raises
    ------
    ValueError
        A shape that is not on the list.

    Notes
    -----
    ρ/(2πL)·(ln(L²/(h·d)) + A), d the diameter. Within 2 % of the matrix for arms of 10 to 50 m. The
    square with radials is a tower's: 4·(side + radial) of wire.

    References
    ----------
    GB/T 50065-2011, Appendix A (factors from memory, each reproduced by computation); the straight wire as in
    BS 7430:2011, 9.5.5, which writes ln(L²/(1.85·h·d)).

    Examples
    --------
    >>> print(shape_resistance(100.0, "star of 4", 120.0, 0.004, 0.6))
    2.096
    """
    if shape not in SHAPE_FACTORS:
        raise ValueError(f"{shape!r} has no shape factor: {', '.join(SHAPE_FACTORS)}")
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked_wires(
        resistivity_ohm_m, length_m, radius_m, depth_m
    )
    logs = np.log(length_m**2 / (depth_m * 2 * radius_m)) + SHAPE_FACTORS[shape]
    return resistivity_ohm_m / (2 * np.pi * length_m) * logs


def surface_wire_resistance(resistivity_ohm_m, length_m, radius_m):
    """Upper bound of the resistance of a buried wire: as if it lay at the surface.

    Parameters
    ----------
    resistivity_ohm_m, length_m, radius_m : float or array
        Resistivity [Ω·m], whole length and radius [m].

    Returns
    -------
    float or array
        Resistance [Ω]; half as high again as a wire of 20 to 50 m at 0.8 m.

    Notes
    -----
    R = ρ/(πL)·ln(2L/d).

    References
    ----------
    EN 50522 Annex J, from memory.

    Examples
    --------
    >>> print(surface_wire_resistance(100.0, 30.0, 0.004))
    9.47
    """
    resistivity_ohm_m, length_m, radius_m = _checked_wires(resistivity_ohm_m, length_m, radius_m)
    return resistivity_ohm_m / (np.pi * length_m) * np.log(length_m / radius_m)


def ring_resistance(resistivity_ohm_m, diameter_m, radius_m, depth_m):
    """Resistance of a round ring of wire.

    Parameters
    ----------
    resistivity_ohm_m, diameter_m, radius_m, depth_m : float or array
        Resistivity [Ω·m], diameter of the ring, radius and depth of its wire [m].

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R = ρ/(2π²D)·(ln(8D/d) + ln(4D/s)), d = 2a, s = 2h; within 0.2 % for D from 5 to 40 m.

    References
    ----------
    Dwight (1936); IEEE Std 142.

    Examples
    --------
    >>> print(ring_resistance(100.0, 10.0, 0.004, 0.6))
    6.44
    """
    resistivity_ohm_m, diameter_m, radius_m, depth_m = _checked_wires(
        resistivity_ohm_m, diameter_m, radius_m, depth_m
    )
    logs = np.log(4 * diameter_m / radius_m) + np.log(2 * diameter_m / depth_m)
    return resistivity_ohm_m / (2 * np.pi**2 * diameter_m) * logs


def _image_terms(half_m, depth_m):
    """Part of Dwight's series that comes from the mirrored wire, and −1."""
    near = 2 * depth_m / half_m
    return np.log(4 / near) - 1 + near / 2 - near**2 / 16 + near**4 / 512


def _checked_wires(*parts):
    """Quantities as arrays, each greater than 0; NaN passes."""
    parts = [np.asarray(part, float) for part in parts]
    if any(np.any(part <= 0) for part in parts):
        raise ValueError("resistivity, length, radius and depth of a wire must be greater than 0")
    return parts


def filled_rod_resistance(
    resistivity_ohm_m, fill_ohm_m, length_m, radius_m, fill_radius_m, *, fill_length_m=None
):
    """Resistance of a rod in a column of fill.

    Parameters
    ----------
    resistivity_ohm_m, fill_ohm_m : float or array
        Resistivity of the soil and of the fill [Ω·m].
    length_m, radius_m : float or array
        Length and radius of the rod [m].
    fill_radius_m : float or array
        Radius of the column [m].
    fill_length_m : float or array, optional
        Length of the column [m]; that of the rod where not given.

    Returns
    -------
    float or array
        Resistance [Ω].

    Raises
    ------
    ValueError
        A column thinner or shorter than the rod.

    Notes
    -----
    Rod in fill, less column in fill, plus column in soil; for equal lengths
    1/(2πL)·[ρ_f·ln(D_f/d) + ρ·(ln(8L/D_f) − 1)]. It is the resistance of the new electrode, not of the
    tower: combine it with the footing. No long record of how such fills last is known: retest.

    References
    ----------
    E. J. Fagan and R. H. Lee, IEEE Trans. IGA-6 (1970); IEEE Std 80, 14.6; BS 7430.

    Examples
    --------
    >>> print(filled_rod_resistance(100.0, 20.0, 3.0, 0.008, 0.15))
    21.05
    """
    fill_length_m = length_m if fill_length_m is None else fill_length_m
    if np.any(np.asarray(fill_radius_m) < radius_m) or np.any(np.asarray(fill_length_m) < length_m):
        raise ValueError("a column of fill must be as wide and as long as its rod")
    rod_ohm = rod_resistance(fill_ohm_m, length_m, radius_m)
    column = rod_resistance(1.0, fill_length_m, fill_radius_m)
    return rod_ohm + (np.asarray(resistivity_ohm_m, float) - np.asarray(fill_ohm_m, float)) * column


def covered_ohm(fill_ohm_m, length_m, radius_m, fill_radius_m):
    """Resistance from metal through a cover of concrete or fill to the soil about it.

    Parameters
    ----------
    fill_ohm_m : float or array
        Resistivity of the cover [Ω·m]; moist concrete 30 to 200.
    length_m, radius_m, fill_radius_m : float or array
        Length and radius of the metal, radius of the cover [m].

    Returns
    -------
    float or array
        Resistance in series with that of the cover's outside [Ω].

    Notes
    -----
    ρ_f/(2πL)·ln(D_f/d). A wire in filled trench: `wire_resistance` with the radius of the fill, plus this.

    References
    ----------
    Coaxial cylinders: elementary; IEEE Std 80, 14.6 (range of concrete from memory).

    Examples
    --------
    >>> print(covered_ohm(90.0, 3.0, 0.008, 0.15))
    14.0
    """
    parts = [np.asarray(part, float) for part in (fill_ohm_m, length_m, radius_m, fill_radius_m)]
    if any(np.any(part <= 0) for part in parts) or np.any(parts[3] < parts[2]):
        raise ValueError("a cover must have a resistivity, a length, and at least the radius of its metal")
    fill_ohm_m, length_m, radius_m, fill_radius_m = parts
    return fill_ohm_m / (2 * np.pi * length_m) * np.log(fill_radius_m / radius_m)


def combined_resistance(footing_ohm, added_ohm, mutual_ohm):
    """Resistance of two bonded electrodes near each other.

    Parameters
    ----------
    footing_ohm, added_ohm : float or array
        Resistance of each alone [Ω].
    mutual_ohm : float or array
        Potential of the one per ampere out of the other [Ω].

    Returns
    -------
    float or array
        Resistance [Ω]: never above the lower of the two, never below the two in parallel.

    Raises
    ------
    ValueError
        A resistance that is not greater than 0, a mutual resistance below 0.

    Notes
    -----
    R = (R0·R1 − Rm²)/(R0 + R1 − 2Rm). A mutual resistance cannot exceed either own resistance; approximate
    ones do, and then 0.98 of the lower stands in (`MUTUAL_MOST`, assumed), which predicts next to no gain.
    Plain parallel, Rm = 0, was 14 to 36 % too low for electrodes about a tower.

    References
    ----------
    S. J. Schwarz, Trans. AIEE 73 (1954); IEEE Std 80-2000 eq. 53; from memory.

    Examples
    --------
    >>> print(combined_resistance(34.2, 20.0, 12.0))
    17.9
    """
    footing_ohm, added_ohm, mutual_ohm = (
        np.asarray(part, float) for part in (footing_ohm, added_ohm, mutual_ohm)
    )
    if np.any(footing_ohm <= 0) or np.any(added_ohm <= 0) or np.any(mutual_ohm < 0):
        raise ValueError("resistances to be combined must be greater than 0 ohm, mutual ones not below 0")
    lower_ohm = np.minimum(footing_ohm, added_ohm)
    mutual_ohm = np.minimum(mutual_ohm, MUTUAL_MOST * lower_ohm)
    return (footing_ohm * added_ohm - mutual_ohm**2) / (footing_ohm + added_ohm - 2 * mutual_ohm)


def equivalent_radius(resistivity_ohm_m, resistance_ohm):
    """Radius of the hemisphere of the same resistance.

    Parameters
    ----------
    resistivity_ohm_m, resistance_ohm : float or array
        Resistivity of the soil [Ω·m], resistance of the footing [Ω].

    Returns
    -------
    float or array
        Radius [m].

    Notes
    -----
    r = ρ/(2πR).

    References
    ----------
    H. B. Dwight, Trans. AIEE 55 (1936), from memory.

    Examples
    --------
    >>> print(equivalent_radius(1000.0, 34.2))
    4.65
    """
    return np.asarray(resistivity_ohm_m, float) / (2 * np.pi * np.asarray(resistance_ohm, float))


def radial_mutual(resistivity_ohm_m, length_m, start_m, footing_radius_m):
    """Mutual resistance of a footing and wires that run outwards from it.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    length_m, start_m : float or array
        Length of each wire, and the distance from the middle of the tower at which it begins [m].
    footing_radius_m : float or array
        Radius of the hemisphere that stands for the footing [m].

    Returns
    -------
    float or array
        Mutual resistance [Ω]; the same for any number of equal wires.

    Notes
    -----
    ρ/(2πℓ)·ln((d + ℓ)/d), d the greater of start and radius.

    References
    ----------
    Mean of ρ/(2πx) along the wire: elementary integral.

    Examples
    --------
    >>> print(radial_mutual(1000.0, 30.0, 5.66, 4.66))
    9.765
    """
    start_m, length_m = np.maximum(start_m, footing_radius_m), np.asarray(length_m, float)
    return np.asarray(resistivity_ohm_m, float) / (2 * np.pi * length_m) * np.log1p(length_m / start_m)


def rod_mutual(resistivity_ohm_m, length_m, distance_m, top_m=0.0):
    """Mutual resistance of a footing and vertical rods at one distance from it.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    length_m, distance_m, top_m : float or array
        Length of a rod, its distance from the middle of the tower, and the depth of its top [m].

    Returns
    -------
    float or array
        Mutual resistance [Ω]; the same for any number of equal rods.

    Notes
    -----
    ρ/(2πL)·[asinh((t + L)/D) − asinh(t/D)].

    References
    ----------
    Mean of ρ/(2π·√(D² + z²)) along the rod: elementary integral.

    Examples
    --------
    >>> print(rod_mutual(1000.0, 6.0, 7.78, 0.6))
    18.4
    """
    length_m, distance_m, top_m = (np.asarray(part, float) for part in (length_m, distance_m, top_m))
    spread = np.arcsinh((top_m + length_m) / distance_m) - np.arcsinh(top_m / distance_m)
    return np.asarray(resistivity_ohm_m, float) / (2 * np.pi * length_m) * spread


def ring_mutual(resistivity_ohm_m, radius_m, depth_m):
    """Mutual resistance of a footing and a ring about it.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].
    radius_m, depth_m : float or array
        Radius of the ring (of a square of side S: S/√π) and its depth [m].

    Returns
    -------
    float or array
        Mutual resistance [Ω].

    Notes
    -----
    ρ/(2π·√(b² + h²)).

    References
    ----------
    Potential of a point current: elementary.

    Examples
    --------
    >>> print(ring_mutual(1000.0, 5.64, 0.6))
    28.06
    """
    return np.asarray(resistivity_ohm_m, float) / (2 * np.pi * np.hypot(radius_m, depth_m))
