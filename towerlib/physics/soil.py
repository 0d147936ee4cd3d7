"""Four-pin soil readings: apparent resistivity of an array, and the mean and scatter of several readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray


@dataclass(frozen=True)
class FourPins:
    """Current pins A and B, potential pins M and N, by the distances between them.

    Attributes
    ----------
    am_m, an_m, bm_m, bn_m : float or array, shape (n,)
        Distance between the pins of each pair [m].
    """

    am_m: np.ndarray
    an_m: np.ndarray
    bm_m: np.ndarray
    bn_m: np.ndarray


def wenner(spacing_m: ArrayLike) -> FourPins:
    """Wenner's array: four pins in a line, equally apart.

    Parameters
    ----------
    spacing_m : float or array
        Distance between neighbours [m].

    Returns
    -------
    FourPins

    Examples
    --------
    >>> print(wenner(2.0).an_m)
    4.0
    """
    a = _positive(spacing_m, "spacing")
    return FourPins(a, 2 * a, 2 * a, a)


def apparent_resistivity(array: FourPins, resistance_ohm: ArrayLike) -> FloatOrArray:
    """Apparent resistivity from the resistance that a four-pin array read.

    Parameters
    ----------
    array : FourPins
        Distances between the pins.
    resistance_ohm : float or array
        Voltage between M and N over the current through A and B [Ω].

    Returns
    -------
    float or array
        Apparent resistivity [Ω·m].

    Notes
    -----
    ρa = R·2π/(1/AM − 1/AN − 1/BM + 1/BN); 2πaR for Wenner, πR(L² − l²)/(2l) for Schlumberger. Pins are
    points: probes shallower than a twentieth of the spacing.

    References
    ----------
    IEEE Std 81, four-point method; MIL-HDBK-419A vol. 2.

    Examples
    --------
    >>> print(apparent_resistivity(wenner(6.10), 2.0))
    76.655
    """
    inverse = 1 / array.am_m - 1 / array.an_m - 1 / array.bm_m + 1 / array.bn_m
    return np.asarray(resistance_ohm, float) * 2 * np.pi / inverse


def _positive(distance_m, name):
    """Distances as an array, each greater than 0; NaN passes."""
    distance_m = np.asarray(distance_m, float)
    if np.any(distance_m <= 0):
        raise ValueError(f"{name} of a four-pin array must be greater than 0 m")
    return distance_m[()]


def geometric_mean(resistivity_ohm_m: ArrayLike) -> float:
    """Geometric mean of resistivities, which scatter by factors.

    Parameters
    ----------
    resistivity_ohm_m : array
        Resistivities [Ω·m]; NaN where unknown.

    Returns
    -------
    float
        exp of the mean of ln ρ over the known ones [Ω·m]; NaN without any.

    References
    ----------
    Lognormal scatter of soil resistivity: common practice.

    Examples
    --------
    >>> print(geometric_mean([100.0, 1000.0, np.nan]))
    316.23
    """
    known = _known(resistivity_ohm_m)
    return float(np.exp(np.mean(np.log(known)))) if known.size else np.nan


def log_spread(resistivity_ohm_m: ArrayLike) -> float:
    """Standard deviation of ln ρ.

    Parameters
    ----------
    resistivity_ohm_m : array
        Resistivities [Ω·m]; NaN where unknown.

    Returns
    -------
    float
        Of the known ones, with n − 1; NaN with fewer than two.

    Examples
    --------
    >>> print(log_spread([100.0, 1000.0]))
    1.628
    """
    known = _known(resistivity_ohm_m)
    return float(np.std(np.log(known), ddof=1)) if known.size > 1 else np.nan


def _known(resistivity_ohm_m):
    """Resistivities without the unknown ones, each checked to be greater than 0."""
    known = np.ravel(np.asarray(resistivity_ohm_m, float))
    known = known[~np.isnan(known)]
    if np.any(known <= 0):
        raise ValueError("a resistivity must be greater than 0 ohm m")
    return known
