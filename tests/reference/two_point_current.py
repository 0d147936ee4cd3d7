"""A second way to the critical current: the volt-time curve at two times on a straight front."""

from dataclasses import dataclass

import numpy as np

FRONT_US, LATE_US = 2.0, 6.0
SPAN_LOSS = 0.85  # part of a reflection that is left by corona and losses of the span
CREST_SHARE = 1.8  # tower top over insulator at flashover, for the corona of the shield wires

# Speed of a surge along a span with corona over that of light: two-point method, Anderson, EPRI Transmission
# Line Reference Book, 2nd ed. 1982, ch. 12 (from memory).
WIRE_SPEED = 0.9


@dataclass(frozen=True)
class TwoPoint:
    """Voltages per kA of stroke and the critical current of the two-point method; arrays.

    Attributes
    ----------
    top_2_ohm, top_6_ohm : array
        Tower top at 2 and at 6 µs, without the neighbours [Ω].
    reflected_2_ohm, reflected_6_ohm : array
        What the neighbours add to it, negative [Ω].
    critical_2_ka, critical_6_ka, critical_ka : array
        Critical current by either time, and the smaller [kA].
    """

    top_2_ohm: np.ndarray
    top_6_ohm: np.ndarray
    reflected_2_ohm: np.ndarray
    reflected_6_ohm: np.ndarray
    critical_2_ka: np.ndarray
    critical_6_ka: np.ndarray
    critical_ka: np.ndarray


def volt_time_strength(strike_length_m, time_us):
    """Voltage [kV] that flashes an insulator over after a time [µs]: (400 + 710/t^0.75)·L, from 0.5 to 16 µs.

    References
    ----------
    IEEE Std 1243-1997; Anderson (1982), ch. 12; from memory.

    Examples
    --------
    >>> print(volt_time_strength(1.0, np.array([2.0, 6.0])).round())
    [822. 585.]
    """
    return (400.0 + 710.0 / time_us**0.75) * strike_length_m


def sheath_voltage(strike_length_m):
    """Voltage of the shield wires at flashover, for the corona on them.

    Parameters
    ----------
    strike_length_m : float or array
        [m].

    Returns
    -------
    float or array
        1.8 times the strength at 2 µs [kV].

    References
    ----------
    Anderson (1982), ch. 12, from memory.

    Examples
    --------
    >>> print(round(sheath_voltage(1.31)))
    1939
    """
    return CREST_SHARE * volt_time_strength(strike_length_m, FRONT_US)


def two_point(struck, power_kv, strike_length_m):
    """Critical current by the two-point method.

    Parameters
    ----------
    struck : Struck
        Towers and phases; footing_ohm is taken as it is (give the ionised one), wire_ohm and coupling best with
        corona; ionising_ka and strength_kv are not used.
    power_kv : float or array
        Power-frequency voltage of the phase [kV].
    strike_length_m : float or array
        [m].

    Returns
    -------
    TwoPoint

    Notes
    -----
    A current that rises in 2 µs and stays, held against (400 + 710/t^0.75)·L at 2 and at 6 µs: tower waves first,
    footing and shield wires later, reflections of the neighbours with 85 % of what returns.

    References
    ----------
    Anderson, EPRI Transmission Line Reference Book, 2nd ed. 1982, ch. 12, from memory.

    Examples
    --------
    >>> from towerlib.physics.lightning.flashover import Struck
    >>> tower = Struck(10.0, np.inf, 424.9, 0.14, 190.0, 0.11773, 0.07339, 1.0007, 733.6)
    >>> print(two_point(tower, 43.11, 1.31).top_2_ohm.round(2))
    19.72
    """
    zs, zt, r = struck.wire_ohm, struck.tower_ohm, np.asarray(struck.footing_ohm, float)
    away_us = struck.span_us / WIRE_SPEED
    top_2, foot_2 = _tower_waves(zs, zt, r, struck.top_us)
    arm_2 = foot_2 + struck.crossarm_us / struck.top_us * (top_2 - foot_2)
    back_2 = -4.0 * SPAN_LOSS * top_2**2 / zs * (1.0 - 2.0 * top_2 / zs) * np.maximum(1.0 - away_us, 0.0)
    divided = r / (zs + 2.0 * r)
    top_6, back_6 = zs * divided, -4.0 * SPAN_LOSS * zs * divided**2 * (1.0 - 2.0 * divided)
    insulator_2 = arm_2 * (1.0 + back_2 / top_2) - struck.coupling * (top_2 + back_2)
    insulator_6 = (top_6 + back_6) * (1.0 - struck.coupling)
    strength_2, strength_6 = (volt_time_strength(strike_length_m, t) for t in (FRONT_US, LATE_US))
    by_2, by_6 = (strength_2 - power_kv) / insulator_2, (strength_6 - power_kv) / insulator_6
    return TwoPoint(top_2, top_6, back_2, back_6, by_2, by_6, np.minimum(by_2, by_6))


def _tower_waves(zs, zt, r, top_us):
    """Top and foot of the tower at the end of the front, from the waves that run up and down it [Ω]."""
    bounce = (zt - r) / (zt + r)
    intrinsic = zs * zt / (zs + 2.0 * zt)
    wave = 2.0 * zs**2 * zt / (zs + 2.0 * zt) ** 2 * bounce
    damping = (2.0 * zt - zs) / (2.0 * zt + zs) * bounce
    delay = top_us / (1.0 - damping)
    top = intrinsic - wave / (1.0 - damping) * (1.0 - delay)
    foot = 2.0 * r / (zt + r) * intrinsic / (1.0 - damping) * (1.0 - damping * delay)
    return top, foot
