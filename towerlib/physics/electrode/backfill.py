"""Rods and wires in a fill of other resistivity: concrete, bentonite, enhancement material."""

import numpy as np

from towerlib.physics.electrode.rods import rod_resistance


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
