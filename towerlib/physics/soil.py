"""Four-pin arrays: from the resistance read to the apparent resistivity of the ground."""

from dataclasses import dataclass

import numpy as np

from towerlib.values import number


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


def wenner(spacing_m):
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


def apparent_resistivity(array, resistance_ohm):
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


def _positive(distance_m, name):
    """Distances as an array, each greater than 0; NaN passes."""
    distance_m = np.asarray(distance_m, float)
    if np.any(distance_m <= 0):
        raise ValueError(f"{name} of a four-pin array must be greater than 0 m")
    return distance_m[()]


KINDS = ("marsh", "loam", "sand", "gravel", "weathered rock", "sandstone", "granite", "moraine")


def geometric_mean(resistivity_ohm_m):
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


def log_spread(resistivity_ohm_m):
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


def typical_resistivity(kind):
    """Range in which a kind of soil usually lies: for a first look, never for a budget.

    Parameters
    ----------
    kind : str
        One of `KINDS`.

    Returns
    -------
    tuple of float
        Low and high resistivity [Ω·m].

    Raises
    ------
    ValueError
        A kind that is not on the list.

    References
    ----------
    EN 50522 Table J.1, from memory.

    Examples
    --------
    >>> typical_resistivity("loam")
    (20.0, 200.0)
    """
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is no kind of soil known here: {', '.join(KINDS)}")
    name = kind.replace(" ", "_")
    return number(f"soil_{name}_low_ohm_m"), number(f"soil_{name}_high_ohm_m")


def _known(resistivity_ohm_m):
    """Resistivities without the unknown ones, each checked to be greater than 0."""
    known = np.ravel(np.asarray(resistivity_ohm_m, float))
    known = known[~np.isnan(known)]
    if np.any(known <= 0):
        raise ValueError("a resistivity must be greater than 0 ohm m")
    return known
