"""Overhead wires above earth: where they hang, and how they carry."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Wires:
    """Parallel wires above earth.

    Attributes
    ----------
    x_m, y_m : array, shape (w,)
        Distance from the axis and mean height [m].
    gmr_m : array, shape (w,)
        Geometric mean radius [m].
    resistance_ohm_m : array, shape (w,)
        A.c. resistance [Ω/m] at the working temperature and current.
    """

    x_m: np.ndarray
    y_m: np.ndarray
    gmr_m: np.ndarray
    resistance_ohm_m: np.ndarray


def mean_height(height_m, sag_m):
    """Mean height of a sagging wire over a span.

    Parameters
    ----------
    height_m, sag_m : float or array
        Height at the tower [m], sag [m].

    Returns
    -------
    float or array
        Mean height [m].

    Notes
    -----
    h = h_tower − ⅔·sag: the mean of a parabola between supports of equal height.

    References
    ----------
    Elementary geometry; in use in CIGRE Technical Brochure 63 (1991), from memory.

    Examples
    --------
    >>> print(mean_height(30.0, 6.0))
    26.0
    """
    return np.asarray(height_m, float) - 2.0 * np.asarray(sag_m, float) / 3.0


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
