"""Series impedances of overhead wires with earth return: single wires, mutual impedances, bonded shield wires."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.values import number

MAGNETIC_CONSTANT = 4e-7 * np.pi


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


def mean_height(height_m: ArrayLike, sag_m: ArrayLike) -> FloatOrArray:
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


def impedance_matrix(wires: Wires, frequency_hz: ArrayLike, resistivity_ohm_m: ArrayLike) -> np.ndarray:
    """Impedances of parallel wires with earth return, as a matrix per metre.

    Parameters
    ----------
    wires : Wires
        w wires.
    frequency_hz, resistivity_ohm_m : float or array, shape (...)
        Frequency [Hz], soil resistivity [Ω·m].

    Returns
    -------
    array, shape (..., w, w)
        Self impedances on the diagonal, mutual ones beside it [Ω/m].

    Examples
    --------
    >>> from towerlib.physics.overhead_line import Wires
    >>> two = Wires(np.array([-5.5, 5.5]), np.array([30.0, 30.0]), np.full(2, 5e-3), np.full(2, 0.36e-3))
    >>> print(np.round(1e3 * equivalent_wire(impedance_matrix(two, 50.0, 100.0)), 4))
    (0.2293+0.5207j)
    """
    frequency_hz, resistivity_ohm_m = (
        np.asarray(a, float)[..., None, None] for a in (frequency_hz, resistivity_ohm_m)
    )
    x_m, y_m, gmr_m, resistance_ohm_m = (
        np.asarray(a, float) for a in (wires.x_m, wires.y_m, wires.gmr_m, wires.resistance_ohm_m)
    )
    across_m = x_m[:, None] - x_m
    distance_m = np.hypot(across_m, y_m[:, None] - y_m) + np.diag(gmr_m)
    loops = _earth_loop(distance_m, y_m[:, None] + y_m, across_m, frequency_hz, resistivity_ohm_m)
    return loops + np.diag(resistance_ohm_m)


def equivalent_wire(shield_ohm_m: np.ndarray) -> FloatOrArray:
    """Impedance of several shield wires that are bonded together at every tower, as one wire.

    Parameters
    ----------
    shield_ohm_m : array, shape (..., w, w)
        Impedance matrix of the shield wires [Ω/m].

    Returns
    -------
    complex or array, shape (...)
        Impedance [Ω/m].

    Notes
    -----
    z'eq = 1/(1ᵀ·Z⁻¹·1); for two equal wires (z'ss + z'12)/2, which is more than half of one.

    References
    ----------
    Kron reduction, for instance Anderson, Analysis of Faulted Power Systems (from memory).

    Examples
    --------
    >>> print(equivalent_wire(np.array([[3.0, 1.0], [1.0, 3.0]])))
    2.0
    """
    ones = np.ones(np.shape(shield_ohm_m)[-1])
    return 1 / np.linalg.solve(shield_ohm_m, ones[:, None])[..., 0].sum(axis=-1)


def self_impedance(
    resistance_ohm_m: ArrayLike,
    gmr_m: ArrayLike,
    frequency_hz: ArrayLike,
    resistivity_ohm_m: ArrayLike,
    height_m: ArrayLike | None = None,
) -> FloatOrArray:
    """Impedance of one wire with earth return, per metre.

    Parameters
    ----------
    resistance_ohm_m, gmr_m : float or array
        A.c. resistance [Ω/m] and geometric mean radius [m] of the wire.
    frequency_hz, resistivity_ohm_m : float or array
        Frequency [Hz], soil resistivity [Ω·m].
    height_m : float or array, optional
        Mean height [m]; needed above the frequency at which the complex depth takes over.

    Returns
    -------
    complex or array
        Impedance [Ω/m].

    Raises
    ------
    ValueError
        A frequency above the switch and no height.

    Notes
    -----
    Up to 150 Hz z' = r' + ωμ0/8 + j(ωμ0/2π)·ln(De/GMR); above, with the complex depth p,
    z' = r' + j(ωμ0/2π)·ln(2(h + p)/GMR). For a wire at 30 m the first is within 1.2 % of Carson's integral from
    100 Ω·m up and within 3.2 % down to 10 Ω·m, the second within 0.6 %.

    References
    ----------
    Carson (1926); IEC 60909-3 (from memory); Semlyen and Shirmohammadi, IEEE Trans. PAS-101 (1982) 2747.

    Examples
    --------
    >>> print(np.round(1e3 * self_impedance(0.36e-3, 5e-3, 50.0, 100.0), 4))
    (0.4093+0.7625j)
    """
    height_m = _height(height_m, frequency_hz)
    loop = _earth_loop(gmr_m, 2 * height_m, 0.0, frequency_hz, resistivity_ohm_m)
    return np.asarray(resistance_ohm_m, float) + loop


def mutual_impedance(
    distance_m: ArrayLike,
    frequency_hz: ArrayLike,
    resistivity_ohm_m: ArrayLike,
    height_sum_m: ArrayLike | None = None,
    across_m: ArrayLike | None = 0.0,
) -> FloatOrArray:
    """Mutual impedance of two wires with earth return, per metre.

    Parameters
    ----------
    distance_m : float or array
        Distance between the wires [m].
    frequency_hz, resistivity_ohm_m : float or array
        Frequency [Hz], soil resistivity [Ω·m].
    height_sum_m, across_m : float or array, optional
        Sum of the two mean heights [m] and horizontal distance [m]; the first is needed above the switch.

    Returns
    -------
    complex or array
        Impedance [Ω/m].

    Raises
    ------
    ValueError
        A frequency above the switch and no heights.

    Notes
    -----
    Up to 150 Hz z' = ωμ0/8 + j(ωμ0/2π)·ln(De/d), for distances and heights much smaller than De; above,
    z' = j(ωμ0/2π)·ln(√((h1 + h2 + 2p)² + x²)/d). For wires at 30 and 20 m the first is within 2.7 % of Carson's
    integral from 100 Ω·m up and within 10 % down to 10 Ω·m, the second within 1.6 %.

    References
    ----------
    As for `self_impedance`.

    Examples
    --------
    >>> print(np.round(1e3 * mutual_impedance(9.0, 50.0, 100.0), 4))
    (0.0493+0.2915j)
    """
    height_sum_m = _height(height_sum_m, frequency_hz)
    return _earth_loop(distance_m, height_sum_m, across_m, frequency_hz, resistivity_ohm_m)


def _height(height_m, frequency_hz):
    """Heights as an array; NaN where they are absent and the De form needs none."""
    if height_m is None:
        if np.any(np.asarray(frequency_hz) > number("earth_return_switch_hz")):
            raise ValueError(
                "above the switch frequency the heights of the wires are needed: give the heights"
            )
        return np.nan
    return np.asarray(height_m, float)


def _earth_loop(distance_m, height_sum_m, across_m, frequency_hz, resistivity_ohm_m):
    """Loop of a wire (or two) and the earth, without the wire's own resistance [Ω/m]."""
    frequency_hz = np.asarray(frequency_hz, float)
    factor = frequency_hz * MAGNETIC_CONSTANT
    shallow = np.pi * factor / 4 + 1j * factor * np.log(
        earth_return_depth(resistivity_ohm_m, frequency_hz) / distance_m
    )
    image_m = np.sqrt(
        (height_sum_m + 2 * complex_depth(resistivity_ohm_m, frequency_hz)) ** 2 + np.square(across_m)
    )
    deep = 1j * factor * np.log(image_m / distance_m)
    return np.where(frequency_hz > number("earth_return_switch_hz"), deep, shallow)[()]


def earth_return_depth(resistivity_ohm_m: ArrayLike, frequency_hz: ArrayLike) -> FloatOrArray:
    """Depth of the equivalent earth return conductor.

    Parameters
    ----------
    resistivity_ohm_m, frequency_hz : float or array
        Soil resistivity [Ω·m], frequency [Hz].

    Returns
    -------
    float or array
        Depth De [m].

    Notes
    -----
    De = 2·exp(½ − γ)/√(ωμ0/ρ) = 658.9·√(ρ/f), γ the Euler constant: leading term of Carson's series.

    References
    ----------
    J. R. Carson, Wave propagation in overhead wires with ground return, Bell Syst. Tech. J. 5 (1926) 539-554.

    Examples
    --------
    >>> print(round(earth_return_depth(100.0, 50.0), 1))
    931.8
    """
    omega = 2 * np.pi * np.asarray(frequency_hz, float)
    return (
        2
        * np.exp(0.5 - np.euler_gamma)
        / np.sqrt(omega * MAGNETIC_CONSTANT / np.asarray(resistivity_ohm_m, float))
    )


def complex_depth(resistivity_ohm_m: ArrayLike, frequency_hz: ArrayLike) -> FloatOrArray:
    """Complex depth of the earth return plane.

    Parameters
    ----------
    resistivity_ohm_m, frequency_hz : float or array
        Soil resistivity [Ω·m], frequency [Hz].

    Returns
    -------
    complex or array
        Depth p [m].

    Notes
    -----
    p = 1/√(jωμ0/ρ), homogeneous earth, displacement current in the soil neglected.

    References
    ----------
    Deri, Tevan, Semlyen and Castanheira, The complex ground return plane, IEEE Trans. PAS-100 (1981) (from
    memory).

    Examples
    --------
    >>> print(np.round(complex_depth(100.0, 50.0), 1))
    (355.9-355.9j)
    """
    omega = 2 * np.pi * np.asarray(frequency_hz, float)
    # 1/√j is (1 − j)/√2; this way no complex division meets a NaN.
    return np.sqrt(np.asarray(resistivity_ohm_m, float) / (2 * omega * MAGNETIC_CONSTANT)) * (1 - 1j)
