"""Leg currents of a tower: their sum, their vector total, and the gap between both with its uncertainty.

Arrays are (visits × legs) with NaN for a leg that is not there; totals are (visits,).
"""

from dataclasses import dataclass

import numpy as np

from towerlib.values import number


@dataclass(frozen=True)
class CoilSpec:
    """What the leg coils promise, ±(gain_percent of the reading + offset_ma), and where the total comes from.

    Parameters
    ----------
    gain_percent, offset_ma, step_ma : float
        Limits of error [%], [mA] and display step [mA]; not negative.
    shared_total : bool
        The total is the vector sum of the same coils (else a measurement of its own, the safer
        guess).

    Notes
    -----
    Limits are rectangular: a standard uncertainty is the limit over √3 (JCGM 100:2008, 4.3.7, from memory).

    Examples
    --------
    >>> print(CoilSpec(gain_percent=3.0, offset_ma=2.0).noise_ma)
    1.1547
    """

    gain_percent: float = number("coil_gain_percent")
    offset_ma: float = number("coil_offset_ma")
    step_ma: float = number("coil_step_ma")
    shared_total: bool = False

    def __post_init__(self):
        """Refuse a specification that promises less than nothing."""
        if not min(self.gain_percent, self.offset_ma, self.step_ma) >= 0.0:
            raise ValueError(f"a coil specification is not negative: {self}; copy it from the certificate")

    @property
    def gain_u(self):
        """Standard uncertainty of the gain [1]."""
        return self.gain_percent / 100.0 / np.sqrt(3.0)

    @property
    def noise_ma(self):
        """Standard uncertainty of the offset [mA]."""
        return self.offset_ma / np.sqrt(3.0)


DEFAULT_COILS = CoilSpec()


@dataclass(frozen=True)
class Gap:
    """The gap of each visit and how sure it is; every field is an array (visits,)."""

    sum_ma: np.ndarray
    gap_ma: np.ndarray
    u_ma: np.ndarray
    bias_ma: np.ndarray
    z: np.ndarray
    fraction: np.ndarray
    fraction_low: np.ndarray


def leg_count(legs_ma):
    """Count of legs read at each visit.

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA], NaN for a leg not there.

    Returns
    -------
    array of int (visits,)

    Examples
    --------
    >>> leg_count([[4.0, 5.0, np.nan]])
    array([2])
    """
    return (~np.isnan(np.asarray(legs_ma, dtype=float))).sum(axis=-1)


def leg_sum(legs_ma):
    """Arithmetic sum of the leg currents [mA], NaN where no leg was read.

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].

    Returns
    -------
    array (visits,)

    Examples
    --------
    >>> leg_sum([[4.5, 7.2, 8.0, 9.3], [np.nan] * 4])
    array([29., nan])
    """
    legs_ma = np.asarray(legs_ma, dtype=float)
    return np.where(leg_count(legs_ma) > 0, np.nansum(legs_ma, axis=-1), np.nan)


def gap_uncertainty(legs_ma, total_ma, coils=DEFAULT_COILS):
    """Uncertainty of the gap, one standard deviation [mA].

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    array (visits,)

    Notes
    -----
    N legs m, sum S, c = T/S, gain a, noise b, step q. A total measured on its own gives
    u² = a²(Σm² + T²) + (N+1)b² + (N+1)q²/12. In one formed from the same coils, gain errors cancel as far as
    the legs are in phase, and a leg at angle φ to the total brings noise 2b²(1 − cos φ): u² = (1−c)²a²Σm² +
    2N b²(1−c) + (N−1)b⁴/(2m̄²) + (N+1)q²/12. The third term is what noise across the current leaves (legs of
    about equal size, m̄ well over b).

    References
    ----------
    JCGM 100:2008, 5.1.2, law of propagation of uncertainty (from memory).

    Examples
    --------
    >>> print(gap_uncertainty([[75.0] * 4], [300.0], CoilSpec(3.0, 2.0, 1.0))[0])
    6.390
    """
    legs_ma, total_ma = np.asarray(legs_ma, dtype=float), np.asarray(total_ma, dtype=float)
    a, b, count = coils.gain_u, coils.noise_ma, leg_count(legs_ma)
    squares, step = np.nansum(legs_ma**2, axis=-1), (count + 1) * coils.step_ma**2 / 12.0
    if not coils.shared_total:
        return np.sqrt(a**2 * (squares + total_ma**2) + (count + 1) * b**2 + step)
    sum_ma = leg_sum(legs_ma)
    apart = np.maximum(1.0 - _ratio(total_ma, sum_ma), 0.0)
    across = (count - 1) * b**4 / 2.0 * _ratio(count, sum_ma) ** 2
    return np.sqrt(apart**2 * a**2 * squares + 2.0 * count * b**2 * apart + across + step)


def gap_bias(legs_ma, total_ma, coils=DEFAULT_COILS):
    """Gap that noise alone shows on average [mA]: small magnitudes read high.

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    array (visits,)

    Notes
    -----
    A magnitude |I + n| with noise b a quadrature follows Rice's distribution: its mean is near
    |I| + b²/(2|I|). The total carries b (a measurement of its own) or b√N (formed from N coils). Magnitudes
    under the noise count as the noise, where the series ends to hold.

    References
    ----------
    S. O. Rice, Mathematical analysis of random noise, Bell Syst. Tech. J. 24 (1945), 3.10 (from memory).

    Examples
    --------
    >>> print(gap_bias([[10.0] * 4], [40.0], CoilSpec(3.0, 2.0, 1.0))[0])
    0.25
    """
    legs_ma, total_ma = np.asarray(legs_ma, dtype=float), np.asarray(total_ma, dtype=float)
    b, count = coils.noise_ma, leg_count(legs_ma)
    spread = b * np.sqrt(count) if coils.shared_total else np.full(count.shape, b)
    legs_high = np.nansum(_ratio(b**2, 2.0 * np.maximum(legs_ma, b)), axis=-1)
    return legs_high - _ratio(spread**2, 2.0 * np.maximum(total_ma, spread))


def gap(legs_ma, total_ma, coils=DEFAULT_COILS):
    """Gap of each visit: arithmetic sum of the leg currents minus their vector total, with its uncertainty.

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    Gap
        Sum S, gap G = S − T (negative ones stay), its standard uncertainty u and bias B, z = (G − B)/u,
        fraction G/S and its lower bound max(0, (G − B − 2u)/S).

    Notes
    -----
    z asks whether there is a gap at all; sound towers have gaps too, and an open bond may have none. With a
    total from the same coils u grows with the gap, so z is taken against u of no gap, (G − B)/u(0). The true
    fraction is over its bound with 97.7 % or more, since S and G err together.

    Examples
    --------
    >>> found = gap([[171.0, 215.0, 158.0, 204.0]], [318.0])
    >>> print(found.gap_ma[0], found.fraction[0])
    430.0 0.5749
    """
    sum_ma = leg_sum(legs_ma)
    gap_ma = sum_ma - np.asarray(total_ma, dtype=float)
    u_ma, bias_ma = gap_uncertainty(legs_ma, total_ma, coils), gap_bias(legs_ma, total_ma, coils)
    none_u_ma = gap_uncertainty(legs_ma, sum_ma, coils) if coils.shared_total else u_ma
    low = np.maximum(_ratio(gap_ma - bias_ma - 2.0 * u_ma, sum_ma), 0.0)
    return Gap(
        sum_ma, gap_ma, u_ma, bias_ma, _ratio(gap_ma - bias_ma, none_u_ma), _ratio(gap_ma, sum_ma), low
    )


def total_bounds(legs_ma):
    """Lowest and highest total that any angles between the leg currents can give [mA].

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].

    Returns
    -------
    tuple of two arrays (visits,)
        max(0, 2 max m − S) and S: the triangle inequality, which holds for r.m.s. readings of distorted
        currents too (Minkowski).

    Examples
    --------
    >>> total_bounds([[10.0, 2.0, 3.0, 1.0]])
    (array([4.]), array([16.]))
    """
    sum_ma = leg_sum(legs_ma)
    largest = np.max(np.nan_to_num(np.asarray(legs_ma, dtype=float)), axis=-1, initial=0.0)
    return np.maximum(2.0 * largest - sum_ma, 0.0), sum_ma


def leg_ratios(legs_ma):
    """Each leg's current over the median of the other legs [1].

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].

    Returns
    -------
    array (visits × legs)
        NaN where the leg or all others are missing, or the others carry nothing.

    Examples
    --------
    >>> leg_ratios([[182.0, 247.0, 29.0, 234.0]]).round(2)
    array([[0.78, 1.36, 0.12, 1.29]])
    """
    legs_ma = np.asarray(legs_ma, dtype=float)
    ordered = np.sort(legs_ma, axis=-1)
    rank = np.argsort(np.argsort(legs_ma, axis=-1, kind="stable"), axis=-1)
    count = leg_count(legs_ma)[..., None]

    def of_the_others(place):
        """Value at a place among the sorted others: the leg's own place is stepped over."""
        place = np.clip(place + (place >= rank), 0, legs_ma.shape[-1] - 1)
        return np.take_along_axis(ordered, place, axis=-1)

    median = (of_the_others((count - 2) // 2) + of_the_others((count - 1) // 2)) / 2.0
    return _ratio(legs_ma, np.where(count > 1, median, np.nan))


def _ratio(part, whole):
    """Part over whole, NaN where the whole is nothing: a share of no current has no value."""
    part, whole = np.broadcast_arrays(np.asarray(part, dtype=float), np.asarray(whole, dtype=float))
    return np.divide(part, whole, out=np.full(whole.shape, np.nan), where=whole != 0)
