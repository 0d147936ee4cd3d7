"""Back-flashover of a struck tower: stress on the insulator, its strength, and the critical current.

The stress includes the footing under soil ionisation; the strength includes the short tail of the stress.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.physics.lightning.strokes import front_time
from towerlib.values import number

LEAST_KA, BEYOND_KA = 1.0, 1e6  # below the first the formulas mean nothing; beyond the second no stroke goes
START_KA, TOLERANCE, MOST_STEPS = 80.0, 1e-7, 60
USUAL_SLOPE = 0.73  # of the residual against the logarithm of the current: usually 0.55 to 0.9
POWER_SHARE = 0.2  # of the power-frequency voltage, by which the strength falls


@dataclass(frozen=True)
class Struck:
    """Struck towers and the phase in question: arrays that broadcast against each other.

    Attributes
    ----------
    footing_ohm, ionising_ka : array
        Low-current resistance [Ω]; current of `ionising_current` [kA], inf without ionisation.
    wire_ohm, coupling : array
        Surge impedance of the shield wires of one direction [Ω], coupling to the phase.
    tower_ohm, top_us, crossarm_us : array
        Surge impedance of the tower [Ω]; travel time from its base to top and to crossarm [µs].
    span_us : array
        Travel time of a span [µs].
    strength_kv : array
        50 % flashover voltage for the standard wave [kV].
    """

    footing_ohm: np.ndarray
    ionising_ka: np.ndarray
    wire_ohm: np.ndarray
    coupling: np.ndarray
    tower_ohm: np.ndarray
    top_us: np.ndarray
    crossarm_us: np.ndarray
    span_us: np.ndarray
    strength_kv: np.ndarray


@dataclass(frozen=True)
class Stress:
    """Stress and strength of a struck tower at a current; arrays.

    Attributes
    ----------
    footing_ohm, tower_share_ohm : array
        Ionised footing Ri, and with the shield wires in parallel Re [Ω].
    front_us, tail_us : array
        Front of the stroke, time constant of the tail [µs].
    top_ohm, crossarm_ohm : array
        Potential of tower top and of crossarm over the current, K_TT and K_TA [Ω = kV/kA].
    insulator_ohm : array
        Voltage across the insulator over the current [Ω].
    strength_kv : array
        Flashover voltage against the short tail [kV].
    """

    footing_ohm: np.ndarray
    tower_share_ohm: np.ndarray
    front_us: np.ndarray
    tail_us: np.ndarray
    top_ohm: np.ndarray
    crossarm_ohm: np.ndarray
    insulator_ohm: np.ndarray
    strength_kv: np.ndarray


def critical_current(
    struck: Struck,
    power_kv: ArrayLike,
    *,
    start_ka: ArrayLike = START_KA,
    strength_cap: float | None = None,
    span_reflections: bool = False,
) -> np.ndarray:
    """Least stroke current that flashes an insulator over.

    Parameters
    ----------
    struck : Struck
        Towers and phases.
    power_kv : float or array
        Power-frequency voltage of the phase, with its sign [kV]; broadcasts with the towers.
    start_ka : float or array
        Where the search begins [kA].
    strength_cap, span_reflections
        As for `stress`.

    Returns
    -------
    array
        [kA], not below 1; inf where no current suffices, since the phase rises with the tower. NaN in, NaN out.

    Raises
    ------
    RuntimeError
        The iteration does not settle.

    Notes
    -----
    I = (strength − V)/(insulator voltage over current), where both sides depend on I through the footing and the
    front. The logarithm of I is iterated, damped by the slope that the last two steps show: some six rounds.

    References
    ----------
    As for `stress`.

    Examples
    --------
    >>> tower = Struck(10.0, 127.324, 556.493, 0.1979, 190.0, 0.11773, 0.10242, 1.0007, 733.6)
    >>> print(critical_current(tower, 43.11).round(1))
    80.1
    """

    def residual(log_ka):
        met = stress(
            struck, np.exp(log_ka), power_kv, strength_cap=strength_cap, span_reflections=span_reflections
        )
        reach_ka = (met.strength_kv - power_kv) / np.maximum(met.insulator_ohm, 1e-9)
        return np.log(np.clip(reach_ka, LEAST_KA, 10 * BEYOND_KA)) - log_ka

    log_ka = np.log(start_ka)
    missing = residual(log_ka)
    before, step = missing, missing / USUAL_SLOPE
    log_ka = log_ka + step
    for _ in range(MOST_STEPS):
        missing = residual(log_ka)
        if not np.any(np.abs(missing) > TOLERANCE):
            current_ka = np.exp(log_ka + missing / USUAL_SLOPE)
            return np.where(current_ka >= BEYOND_KA, np.inf, current_ka)  # NaN stays
        with np.errstate(divide="ignore", invalid="ignore"):
            fresh = (before - missing) / step
        # Two equal steps show no slope, and tiny steps are dominated by rounding.
        slope = np.where(np.isfinite(fresh), np.clip(fresh, 0.3, 10.0), 1.0)
        before, step = missing, missing / slope
        log_ka = log_ka + step
    raise RuntimeError("the critical current does not settle: a tower's figures are beyond the formulas")


def stress(
    struck: Struck,
    current_ka: ArrayLike,
    power_kv: ArrayLike,
    *,
    strength_cap: float | None = None,
    span_reflections: bool = False,
) -> Stress:
    """Stress on the insulators of a struck tower, and their strength.

    Parameters
    ----------
    struck : Struck
        Towers and phase.
    current_ka, power_kv : float or array
        Peak of the stroke [kA]; power-frequency voltage of the phase at that moment, with its sign [kV].
    strength_cap : float, optional
        Highest factor for the short tail; else ``short_tail_cap``.
    span_reflections : bool
        Relief from the neighbouring towers counts.

    Returns
    -------
    Stress

    Notes
    -----
    Re = Ri·Zg/(Zg + 2Ri); K = Re + (ZT − Ri)/(ZT + Ri)·ZT·T/tf with the travel time T to top or crossarm;
    insulator K_TA − C·K_TT; strength CFO·(0.977 + 2.82/τ)·(1 − 0.2·V/CFO), τ = Ts·Zg/Ri.

    References
    ----------
    CIGRE Technical Brochure 63 (1991) and Hileman (1999), ch. 10, from memory; Re and the travel-time term as
    quoted by Yin et al. (bifurcation structure pylon, eqs 18–19).

    Examples
    --------
    >>> tower = Struck(10.0, 127.324, 556.493, 0.1979, 190.0, 0.11773, 0.10242, 1.0007, 733.6)
    >>> print(stress(tower, 80.104, 43.11).strength_kv.round(1))
    737.2
    """
    power_kv = np.asarray(power_kv, float)
    ri_ohm = struck_footing(struck.footing_ohm, struck.ionising_ka, struck.wire_ohm, current_ka)
    with np.errstate(divide="ignore"):  # an isolated tower has an infinite footing
        re_ohm = 1.0 / (1.0 / ri_ohm + 2.0 / struck.wire_ohm)
        tail_us = struck.span_us * struck.wire_ohm / ri_ohm
    front_us = front_time(current_ka)
    rise_ohm_us = (2.0 * struck.tower_ohm / (struck.tower_ohm + ri_ohm) - 1.0) * struck.tower_ohm / front_us
    top_ohm, crossarm_ohm = re_ohm + rise_ohm_us * struck.top_us, re_ohm + rise_ohm_us * struck.crossarm_us
    insulator_ohm = crossarm_ohm - struck.coupling * top_ohm
    if span_reflections:
        insulator_ohm = insulator_ohm * span_factor(ri_ohm, struck.wire_ohm, struck.span_us, front_us)
    strength_kv = short_tail_factor(tail_us, strength_cap) * (struck.strength_kv - POWER_SHARE * power_kv)
    return Stress(ri_ohm, re_ohm, front_us, tail_us, top_ohm, crossarm_ohm, insulator_ohm, strength_kv)


def span_factor(
    footing_ohm: ArrayLike, wire_ohm: ArrayLike, span_us: ArrayLike, front_us: ArrayLike
) -> FloatOrArray:
    """Crest of the tower's potential with the reflections from equal neighbours, over that without.

    Parameters
    ----------
    footing_ohm, wire_ohm : float or array
        Footing under the stroke, surge impedance of the shield wires of one direction [Ω].
    span_us, front_us : float or array
        Travel time of a span, front of the stroke [µs].

    Returns
    -------
    float or array
        1 where the first reflection comes after the crest.

    Notes
    -----
    1 − aR·(1 − a2)·Σ (aR·a2)^(k−1)·(1 − 2k·Ts/tf) over the positive brackets; aR = Zg/(Zg + 2R),
    a2 = (Zg − 2R)/(Zg + 2R).

    References
    ----------
    CIGRE Technical Brochure 63 (1991); Hileman (1999); from memory. Structure as in Yin et al., eq. 20.

    Examples
    --------
    >>> print(span_factor(100.0, 556.5, 1.0007, [2.0, 4.0, 6.0]).round(3))
    [1.    0.806 0.696]
    """
    to_wire = 1.0 / (1.0 + 2.0 * np.divide(footing_ohm, wire_ohm))
    passed, delay = 2.0 * to_wire - 1.0, 2.0 * np.divide(span_us, front_us)
    return 1.0 - to_wire * (1.0 - passed) * _sum_of_brackets(to_wire * passed, delay)


def _sum_of_brackets(q, delay):
    """Σ q^(k−1)·(1 − k·delay) over the positive brackets, in closed form."""
    with np.errstate(divide="ignore", invalid="ignore"):
        count = np.floor(1.0 / delay)
        off, last = 1.0 - q, q**count
        geometric = (1.0 - last) / off
        weighted = (1.0 - last * (1.0 + count * off)) / off**2
        plain = (
            count - delay * count * (count + 1.0) / 2.0
        )  # for q = 1, near which the fractions lose their figures
        return np.where(np.abs(off) * count < 1e-4, plain, geometric - delay * weighted)


def flashover_voltage(strike_length_m: ArrayLike) -> FloatOrArray:
    """50 % flashover voltage of an insulator or gap for the standard lightning impulse.

    Parameters
    ----------
    strike_length_m : float or array
        Shortest path in air [m]: between the arcing horns where there are any; neither creepage distance nor BIL.

    Returns
    -------
    float or array
        560 kV/m · L [kV]: conductor positive against the tower, as a negative stroke makes it.

    References
    ----------
    Hileman (1999); CIGRE Technical Brochure 63 (1991); from memory.

    Examples
    --------
    >>> print(flashover_voltage(1.31))
    733.6
    """
    return number("flashover_positive_kv_m") * np.asarray(strike_length_m, float)


def short_tail_factor(tail_us: ArrayLike, cap: float | None = None) -> FloatOrArray:
    """Strength against the short-tailed stress at a tower, over that against the standard wave.

    Parameters
    ----------
    tail_us : float or array
        Time constant of the tail, τ = Ts·Zg/Ri [µs].
    cap : float, optional
        Highest factor; else ``short_tail_cap``, reached below 6.7 µs. inf for none.

    Returns
    -------
    float or array
        0.977 + 2.82/τ, meant for 10 to 100 µs; below it would grow without end, and very high footings would
        look stronger than they are.

    References
    ----------
    Hileman (1999), ch. 10, after CIGRE Technical Brochure 63 (1991); from memory. The cap is our own.

    Examples
    --------
    >>> print(short_tail_factor([10.0, 100.0, 2.0]))
    [1.259  1.0052 1.4   ]
    """
    cap = number("short_tail_cap") if cap is None else cap
    with np.errstate(divide="ignore"):
        return np.minimum(0.977 + 2.82 / np.asarray(tail_us, float), cap)


def struck_footing(
    footing_ohm: ArrayLike, ionising_ka: ArrayLike, wire_ohm: ArrayLike, current_ka: ArrayLike
) -> FloatOrArray:
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
    The footing carries IR = I·Zg/(Zg + 2·Ri) and has Ri = R0/√(1 + IR/Ig) at it: for concentrated footings within
    some 30 m, not for counterpoise or long radials. With u = Ri/R0, a = I/Ig and b = 2·R0/Zg, u is the one positive
    root of b·u³ + (1 + a)·u² − b·u − 1, convex there: Newton's steps from above never pass it.

    References
    ----------
    As for `ionising_current`.

    Examples
    --------
    >>> print(struck_footing(10.0, 127.324, 556.493, 80.104))
    7.8767
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = np.divide(current_ka, ionising_ka), np.divide(np.multiply(2.0, footing_ohm), wire_ohm)
        more, u = 1.0 + a, 1.0 / np.sqrt(1.0 + a / (1.0 + b))
        u = 1.0 / np.sqrt(1.0 + a / (1.0 + b * u))  # both still above the root
        for _ in range(6):
            before, slant = u, b * u
            bend = slant + more
            u = (1.0 + u * u * (bend + slant)) / (u * (bend + bend + slant) - b)
            if not np.any(before > 1.00001 * u):  # the remaining error is the square of that
                break
        return np.where(np.isinf(footing_ohm), np.inf, np.multiply(footing_ohm, u))


def ionising_current(
    footing_ohm: ArrayLike, resistivity_ohm_m: ArrayLike, gradient_kv_m: float | None = None
) -> FloatOrArray:
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
    return gradient_kv_m * (np.asarray(resistivity_ohm_m, float) / footing_ohm) / (2.0 * np.pi * footing_ohm)


def raised_resistivity(
    footing_ohm: ArrayLike, resistivity_ohm_m: ArrayLike, least_ratio_m: float | None = None
) -> tuple[np.ndarray, np.ndarray]:
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
        electrode, or a false reading, and the ionised resistance would come out far too low.

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


def assumed_resistivity(footing_ohm: ArrayLike) -> FloatOrArray:
    """Soil resistivity to assume where none is known; results from it are marked as assumed.

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
