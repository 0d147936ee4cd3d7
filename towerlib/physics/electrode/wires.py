"""Buried wires in closed form: straight, bent, stars, rings, strips, and any shape by its factor."""

import numpy as np

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
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked(resistivity_ohm_m, length_m, radius_m, depth_m)
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
    resistivity_ohm_m, length_m, width_m, thickness_m = _checked(
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
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked(resistivity_ohm_m, length_m, radius_m, depth_m)
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
    resistivity_ohm_m, length_m, radius_m, depth_m = _checked(resistivity_ohm_m, length_m, radius_m, depth_m)
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
    resistivity_ohm_m, length_m, radius_m = _checked(resistivity_ohm_m, length_m, radius_m)
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
    resistivity_ohm_m, diameter_m, radius_m, depth_m = _checked(
        resistivity_ohm_m, diameter_m, radius_m, depth_m
    )
    logs = np.log(4 * diameter_m / radius_m) + np.log(2 * diameter_m / depth_m)
    return resistivity_ohm_m / (2 * np.pi**2 * diameter_m) * logs


def _image_terms(half_m, depth_m):
    """Part of Dwight's series that comes from the mirrored wire, and −1."""
    near = 2 * depth_m / half_m
    return np.log(4 / near) - 1 + near / 2 - near**2 / 16 + near**4 / 512


def _checked(*parts):
    """Quantities as arrays, each greater than 0; NaN passes."""
    parts = [np.asarray(part, float) for part in parts]
    if any(np.any(part <= 0) for part in parts):
        raise ValueError("resistivity, length, radius and depth of a wire must be greater than 0")
    return parts
