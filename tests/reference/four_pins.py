"""Four-pin arrays beside the plain Wenner array: Schlumberger, and Wenner with deep probes."""

import numpy as np

from towerlib.physics.soil import FourPins, _positive


def schlumberger(half_current_m, half_potential_m):
    """Schlumberger's array: the potential pins close together in the middle.

    Parameters
    ----------
    half_current_m, half_potential_m : float or array
        Half the distance between the current pins, AB/2, and between the potential pins, MN/2 [m].

    Returns
    -------
    FourPins

    Raises
    ------
    ValueError
        Potential pins that do not lie between the current pins.

    Examples
    --------
    >>> print(schlumberger(10.0, 1.0).am_m)
    9.0
    """
    outer, inner = _positive(half_current_m, "AB/2"), _positive(half_potential_m, "MN/2")
    if np.any(inner >= outer):
        raise ValueError("MN/2 must be smaller than AB/2: the potential pins lie between the current pins")
    return FourPins(outer - inner, outer + inner, outer + inner, outer - inner)


def wenner_resistivity(spacing_m, resistance_ohm, probe_depth_m=0.0):
    """Apparent resistivity from a Wenner reading, with the depth of the probes.

    Parameters
    ----------
    spacing_m : float or array
        Distance between neighbouring probes [m].
    resistance_ohm : float or array
        Resistance read [Ω].
    probe_depth_m : float or array
        Depth to which the probes are driven [m].

    Returns
    -------
    float or array
        Apparent resistivity [Ω·m].

    Notes
    -----
    ρa = 4πaR/[1 + 2a/√(a² + 4b²) − a/√(a² + b²)], which is 2πaR for b ≪ a and 4πaR for b ≫ a.

    References
    ----------
    IEEE Std 81; IEEE Std 80-2000 eq. 47 (from memory).

    Examples
    --------
    >>> print(wenner_resistivity(1.0, 10.0), wenner_resistivity(1.0, 10.0, 0.3))
    62.83 71.52
    """
    a, b = _positive(spacing_m, "spacing"), np.asarray(probe_depth_m, float)
    if np.any(b < 0):
        raise ValueError("the depth of the probes cannot be below 0")
    spread = 1 + 2 * a / np.hypot(a, 2 * b) - a / np.hypot(a, b)
    return 4 * np.pi * a * np.asarray(resistance_ohm, float) / spread
