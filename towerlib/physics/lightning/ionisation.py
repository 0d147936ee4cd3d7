"""Footing under lightning current: the soil around it breaks down, and the resistance falls."""

import numpy as np

from towerlib.values import number


def ionising_current(footing_ohm, resistivity_ohm_m, gradient_kv_m=None):
    """Current at which soil ionisation becomes important.

    Parameters
    ----------
    footing_ohm, resistivity_ohm_m : float or array
        Low-current resistance [Ω], soil resistivity [Ω·m].
    gradient_kv_m : float, optional
        Field at which soil ionises [kV/m]; else ``soil_ionisation_kv_m``. inf for none.

    Returns
    -------
    float or array
        Ig = E0·ρ/(2π·R0²) [kA].

    References
    ----------
    CIGRE Technical Brochure 63 (1991), sec. 6; IEC 60071-2:1996, annex F; from memory. Exact for a hemisphere.

    Examples
    --------
    >>> print(ionising_current(10.0, 200.0))
    127.32
    """
    gradient_kv_m = number("soil_ionisation_kv_m") if gradient_kv_m is None else gradient_kv_m
    footing_ohm = np.asarray(footing_ohm, float)
    return gradient_kv_m * (resistivity_ohm_m / footing_ohm) / (2.0 * np.pi * footing_ohm)


def ionised_footing(footing_ohm, ionising_ka, footing_ka):
    """Resistance of a concentrated footing at a current through it.

    Parameters
    ----------
    footing_ohm, ionising_ka : float or array
        Low-current resistance [Ω], current of `ionising_current` [kA].
    footing_ka : float or array
        Current through the footing itself, not that of the stroke [kA].

    Returns
    -------
    float or array
        R0/√(1 + I/Ig) [Ω]. For footings within some 30 m; not for counterpoise or long radials.

    References
    ----------
    As for `ionising_current`.

    Examples
    --------
    >>> print(ionised_footing(20.0, ionising_current(20.0, 400.0), 50.0))
    14.97
    """
    return footing_ohm / np.sqrt(1.0 + np.asarray(footing_ka, float) / ionising_ka)


def struck_footing(footing_ohm, ionising_ka, wire_ohm, current_ka):
    """Ionised resistance of the footing when a stroke divides between the footing and the shield wires.

    Parameters
    ----------
    footing_ohm, ionising_ka : float or array
        Low-current resistance [Ω], current of `ionising_current` [kA].
    wire_ohm : float or array
        Surge impedance of all shield wires of one direction in parallel [Ω].
    current_ka : float or array
        Current of the stroke [kA].

    Returns
    -------
    float or array
        [Ω].

    Notes
    -----
    With u = Ri/R0, a = I/Ig and b = 2·R0/Zg, `ionised_footing` at IR = I·Zg/(Zg + 2·Ri) is the one positive
    root of b·u³ + (1 + a)·u² − b·u − 1, convex there: Newton's steps from above never pass it.

    Examples
    --------
    >>> print(struck_footing(10.0, 127.324, 556.493, 80.104))
    7.8767
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = np.asarray(current_ka, float) / ionising_ka, 2.0 * np.asarray(footing_ohm, float) / wire_ohm
        more, u = 1.0 + a, 1.0 / np.sqrt(1.0 + a / (1.0 + b))
        u = 1.0 / np.sqrt(1.0 + a / (1.0 + b * u))  # both still above the root
        for _ in range(6):
            before, slant = u, b * u
            bend = slant + more
            u = (1.0 + u * u * (bend + slant)) / (u * (bend + bend + slant) - b)
            if not np.any(before > 1.00001 * u):  # what is left is of the square of that
                break
        return np.where(np.isinf(footing_ohm), np.inf, footing_ohm * u)


def raised_resistivity(footing_ohm, resistivity_ohm_m, least_ratio_m=None):
    """Soil resistivity where it can belong to the footing, else the least that could.

    Parameters
    ----------
    footing_ohm, resistivity_ohm_m : float or array
        Low-current resistance [Ω], soil resistivity [Ω·m].
    least_ratio_m : float, optional
        Least resistivity over resistance [m]; else ``soil_over_footing_min_m``.

    Returns
    -------
    tuple of array
        Resistivity [Ω·m], and True where it was raised: a high footing in good soil is a tiny or a disconnected
        electrode, or a false reading, and the ionised resistance would come out as a miracle.

    References
    ----------
    Own rule.

    Examples
    --------
    >>> raised_resistivity([10.0, 100.0], [100.0, 100.0])
    (array([100., 500.]), array([False,  True]))
    """
    least_ratio_m = number("soil_over_footing_min_m") if least_ratio_m is None else least_ratio_m
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    with np.errstate(invalid="ignore"):
        least_ohm_m = np.asarray(footing_ohm, float) * least_ratio_m if least_ratio_m else 0.0
    raised = resistivity_ohm_m < least_ohm_m
    return np.where(raised, least_ohm_m, resistivity_ohm_m), raised


def assumed_resistivity(footing_ohm):
    """Soil resistivity to assume where none is known; what rests on it is marked as assumed.

    Parameters
    ----------
    footing_ohm : float or array
        Low-current resistance [Ω].

    Returns
    -------
    float or array
        20 m times the footing [Ω·m]; between 5 and 50 m the rate of a 132 kV line at 20 Ω goes from 1.6 to 4.5.

    References
    ----------
    Hileman (1999): 10 to 50 m typical; from memory.

    Examples
    --------
    >>> print(assumed_resistivity(20.0))
    400.0
    """
    return number("soil_over_footing_m") * np.asarray(footing_ohm, float)
