"""The stroke current at which a tower's insulators just flash over."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.lightning.insulation import short_tail_factor
from towerlib.physics.lightning.ionisation import struck_footing
from towerlib.physics.lightning.strokes import front_time

LEAST_KA, BEYOND_KA = 1.0, 1e6  # below the first the formulas mean nothing; beyond the second no stroke goes
START_KA, TOLERANCE, MOST_STEPS = 80.0, 1e-7, 60
USUAL_SLOPE = 0.73  # of what is missing, against the logarithm of the current: 0.55 to 0.9
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
    """What a current does to a struck tower; arrays.

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


def stress(struck, current_ka, power_kv, *, strength_cap=None, span_reflections=False):
    """What a stroke does to a tower: the steps of the calculation.

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


def span_factor(footing_ohm, wire_ohm, span_us, front_us):
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
    to_wire = 1.0 / (1.0 + 2.0 * np.asarray(footing_ohm, float) / wire_ohm)
    passed, delay = 2.0 * to_wire - 1.0, 2.0 * np.asarray(span_us, float) / front_us
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


def critical_current(struck, power_kv, *, start_ka=START_KA, strength_cap=None, span_reflections=False):
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
        # Two equal steps show no slope, and rounding makes what it likes of tiny ones.
        slope = np.where(np.isfinite(fresh), np.clip(fresh, 0.3, 10.0), 1.0)
        before, step = missing, missing / slope
        log_ka = log_ka + step
    raise RuntimeError("the critical current does not settle: a tower's figures are beyond the formulas")
