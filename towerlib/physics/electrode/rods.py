"""Vertical rods in closed form: one, two, one in layered soil, and how much current one bears."""

import numpy as np


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
    resistivity_ohm_m, length_m, radius_m = _checked(resistivity_ohm_m, length_m, radius_m)
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
    resistivity_ohm_m, length_m, radius_m = _checked(resistivity_ohm_m, length_m, radius_m)
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
    resistivity_ohm_m, length_m, spacing_m = _checked(resistivity_ohm_m, length_m, spacing_m)
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
    resistivity_ohm_m, length_m, radius_m = _checked(resistivity_ohm_m, length_m, radius_m)
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
    soil : towerlib.physics.soil.layers.Soil
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
    >>> from towerlib.physics.soil.layers import Soil
    >>> print(layered_rod_resistance(Soil(100.0, 1000.0, 4.0), 3.0, 0.008))
    40.465
    """
    from towerlib.physics.soil.images import image_weights

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
    resistivity_ohm_m, length_m, radius_m = _checked(resistivity_ohm_m, length_m, radius_m)
    return 34800.0 * 2 * radius_m * length_m / np.sqrt(resistivity_ohm_m * np.asarray(duration_s, float))


def _checked(*parts):
    """Quantities as arrays, each greater than 0; NaN passes."""
    parts = [np.asarray(part, float) for part in parts]
    if any(np.any(part <= 0) for part in parts):
        raise ValueError("resistivity, length, radius and spacing of rods must be greater than 0")
    return parts
