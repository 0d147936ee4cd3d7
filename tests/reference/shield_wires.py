"""Geometric mean radius of a solid wire, and reduction factor of shield wires far from both ends."""

import numpy as np


def solid_wire_gmr(radius_m, relative_permeability=1.0):
    """Geometric mean radius of a solid round wire.

    Parameters
    ----------
    radius_m : float or array
        Radius of the wire [m].
    relative_permeability : float or array
        1 for copper and aluminium; about 75 for steel, and strongly dependent on the current.

    Returns
    -------
    float or array
        Geometric mean radius [m].

    Notes
    -----
    GMR = a·exp(−μr/4): one material, no skin effect.

    References
    ----------
    IEC 60909-3 writes ln(δ/a) + μr/4 for the same thing (from memory).

    Examples
    --------
    >>> print(round(solid_wire_gmr(0.005), 6))
    0.003894
    """
    return np.asarray(radius_m, float) * np.exp(-np.asarray(relative_permeability, float) / 4.0)


def reduction_factor(shield_ohm_m, mutual_ohm_m):
    """Share of a fault current that returns through the earth, far from both ends.

    Parameters
    ----------
    shield_ohm_m : array, shape (..., w, w)
        Impedance matrix of the shield wires [Ω/m].
    mutual_ohm_m : array, shape (..., w)
        Mutual impedance of each shield wire with the faulted phase, or with the mean of the phases [Ω/m].

    Returns
    -------
    complex or array, shape (...)
        r = earth current/3I0; the shield wires carry 1 − r.

    Notes
    -----
    r = 1 − 1ᵀ·Zww⁻¹·zwp; for one wire 1 − z'sm/z'ss. Valid where the wires are earthed at every tower and
    both ends are far: not beside an open span, not near a station.

    References
    ----------
    IEC 60909-3; EN 50522 Annex I (both from memory).

    Examples
    --------
    >>> print(reduction_factor(np.array([[2.0]]), np.array([0.5])))
    0.75
    """
    mutual_ohm_m = np.asarray(mutual_ohm_m)[..., None]
    return 1 - np.linalg.solve(shield_ohm_m, mutual_ohm_m)[..., 0].sum(axis=-1)
