"""Leg currents of a tower, measured with coils: the gap between their sum and their vector total, and reversed coils.

Arrays are (visits × legs) with NaN for an absent leg; totals are (visits,).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.values import number

LEG_COUNT_MAX = 6


@dataclass(frozen=True)
class CoilSpec:
    """Specification of the leg coils, ±(gain_percent of the reading + offset_ma), and the origin of the total.

    Parameters
    ----------
    gain_percent, offset_ma, step_ma : float
        Limits of error [%], [mA] and display step [mA]; not negative.
    shared_total : bool
        The total is the vector sum of the same coils; else a separate measurement, which is the cautious assumption.

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

    def __post_init__(self) -> None:
        """Refuse a specification with negative limits."""
        if not min(self.gain_percent, self.offset_ma, self.step_ma) >= 0.0:
            raise ValueError(f"a coil specification is not negative: {self}; copy it from the certificate")

    @property
    def gain_u(self) -> float:
        """Standard uncertainty of the gain [1]."""
        return self.gain_percent / 100.0 / np.sqrt(3.0)

    @property
    def noise_ma(self) -> float:
        """Standard uncertainty of the offset [mA]."""
        return self.offset_ma / np.sqrt(3.0)


DEFAULT_COILS = CoilSpec()


@dataclass(frozen=True)
class Gap:
    """The gap of each visit with its uncertainty; every field is an array (visits,)."""

    sum_ma: np.ndarray
    gap_ma: np.ndarray
    u_ma: np.ndarray
    bias_ma: np.ndarray
    z: np.ndarray
    fraction: np.ndarray
    fraction_low: np.ndarray


@dataclass(frozen=True)
class SignPatterns:
    """Coils whose reversal reconciles the leg readings with the total.

    ``reversed_legs`` and ``candidates`` are (visits × legs), the others (visits,).
    """

    reversed_legs: np.ndarray
    candidates: np.ndarray
    residual_ma: np.ndarray
    unique: np.ndarray
    single: np.ndarray


def leg_count(legs_ma: ArrayLike) -> np.ndarray:
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


def leg_sum(legs_ma: ArrayLike) -> np.ndarray:
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


def total_bounds(legs_ma: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
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


def leg_ratios(legs_ma: np.ndarray) -> np.ndarray:
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


def smallest_sum(count: ArrayLike, coils: CoilSpec = DEFAULT_COILS) -> FloatOrArray:
    """Sum of the legs below which no gap can be judged [mA].

    Parameters
    ----------
    count : int or array
        Legs read.
    coils : CoilSpec
        Specification of the coils.

    Returns
    -------
    float or array

    Examples
    --------
    >>> from towerlib.physics.leakage_gap import CoilSpec
    >>> print(smallest_sum(4, CoilSpec(3.0, 2.0, 1.0)))
    27.71
    """
    return number("leg_floor_multiple") * coils.noise_ma * np.asarray(count)


def gap(legs_ma: ArrayLike, total_ma: ArrayLike, coils: CoilSpec = DEFAULT_COILS) -> Gap:
    """Gap of each visit: arithmetic sum of the leg currents minus their vector total, with its uncertainty.

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        Specification of the coils.

    Returns
    -------
    Gap
        Sum S, gap G = S − T (negative ones stay), its standard uncertainty u and bias B, z, fraction G/S and its
        lower limit.

    Notes
    -----
    z tests whether there is a gap at all; sound towers have gaps too, and an open bond may have none. It is a normal
    score: 1 % of towers without a gap exceed 2.33. With a separate total it is (G − B)/u. With a total from the same
    coils u grows with the gap, and the gap that noise leaves is a skewed weighted sum of squares. It is taken for
    gamma-distributed with its first three cumulants k, which is χ² with ν = 8·k2³/k3² degrees of freedom, and z is
    the normal score of G − B by Wilson and Hilferty. Simulated false alarms of a nominal 1 % are 0.4 to 2 % for two
    to four legs of any shares, from the floor of judgement on; fewer where the display step outweighs the noise.

    The limit max(0, (G − B − 2u)/S) lies below the true fraction with 97.7 % or more, since S and G err together.
    With a total from the same coils 2u is taken with the worst angles that leave such a gap, one leg opposite to the
    others among them, whose gain error counts twice in the gap.

    References
    ----------
    E. B. Wilson and M. M. Hilferty, The distribution of chi-square, Proc. Natl. Acad. Sci. 17 (1931); P. Hall,
    Chi squared approximations to the distribution of a sum of independent random variables, Ann. Probab. 11
    (1983); both from memory.

    Examples
    --------
    >>> found = gap([[171.0, 215.0, 158.0, 204.0]], [318.0])
    >>> print(found.gap_ma[0], found.fraction[0])
    430.0 0.5749
    """
    sum_ma = leg_sum(legs_ma)
    gap_ma = sum_ma - np.asarray(total_ma, dtype=float)
    u_ma, bias_ma = gap_uncertainty(legs_ma, total_ma, coils), gap_bias(legs_ma, total_ma, coils)
    z, reach_ma = _ratio(gap_ma - bias_ma, u_ma), 2.0 * u_ma
    if coils.shared_total:
        third, none_u_ma = _across(legs_ma, coils).third, gap_uncertainty(legs_ma, sum_ma, coils)
        none_bias_ma = gap_bias(legs_ma, sum_ma, coils)
        z = _score(_ratio(gap_ma - none_bias_ma, none_u_ma), _freedom(none_u_ma**2, third))
        fraction = np.clip(_ratio(gap_ma - bias_ma, sum_ma), 0.0, 1.0)
        variance = none_u_ma**2 + _worst_variance(legs_ma, fraction, coils)
        reach_ma = np.sqrt(variance) * _skewed(2.0, _freedom(variance, third))
    low = np.maximum(_ratio(gap_ma - bias_ma - reach_ma, sum_ma), 0.0)
    return Gap(sum_ma, gap_ma, u_ma, bias_ma, z, _ratio(gap_ma, sum_ma), low)


def gap_uncertainty(legs_ma: ArrayLike, total_ma: ArrayLike, coils: CoilSpec = DEFAULT_COILS) -> np.ndarray:
    """Uncertainty of the gap, one standard deviation [mA].

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        Specification of the coils.

    Returns
    -------
    array (visits,)

    Notes
    -----
    N legs m, sum S, c = T/S, gain a, noise b, step q. A total measured on its own gives
    u² = a²(Σm² + T²) + (N+1)b² + (N+1)q²/12. In one formed from the same coils, gain errors cancel as far as
    the legs are in phase, and a leg at angle φ to the total brings noise 2b²(1 − cos φ): u² = (1−c)²a²Σm² +
    2N b²(1−c) + V + (N+1)q²/12, with the same angle for every leg; magnitudes do not reveal the angles, and the
    worst of them count for the lower limit of the fraction (`gap`). V is the variance that noise across legs in
    phase leaves, b⁴/2·[Σ1/m² − (2/S)Σ1/m + N²/S²] for legs well over b; a leg near b counts with the angles
    that it can have (`_across`).

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
    apart = np.maximum(1.0 - _ratio(total_ma, leg_sum(legs_ma)), 0.0)
    return np.sqrt(
        apart**2 * a**2 * squares + 2.0 * count * b**2 * apart + _across(legs_ma, coils).variance + step
    )


def gap_bias(legs_ma: ArrayLike, total_ma: ArrayLike, coils: CoilSpec = DEFAULT_COILS) -> np.ndarray:
    """Gap that noise alone shows on average [mA]: small magnitudes read high.

    Parameters
    ----------
    legs_ma, total_ma : array (visits × legs), (visits,)
        Leg currents and vector total [mA].
    coils : CoilSpec
        Specification of the coils.

    Returns
    -------
    array (visits,)

    Notes
    -----
    A magnitude |I + n| with noise b a quadrature follows Rice's distribution: its mean is near
    |I| + b²/(2|I|). A total measured on its own carries b. Magnitudes under the noise count as the noise, where
    the series ends to hold. With a total from the same coils each leg adds its mean m(1 − cos φ) and the total
    takes off Σs²/(2T), s what lies across the current (`_across`): the same for legs well over b, where s is b.

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
    if coils.shared_total:
        across = _across(legs_ma, coils)
        return across.legs_ma - _ratio(across.squares_ma2, 2.0 * np.maximum(total_ma, b * np.sqrt(count)))
    legs_high = np.nansum(_ratio(b**2, 2.0 * np.maximum(legs_ma, b)), axis=-1)
    return legs_high - _ratio(b**2, 2.0 * np.maximum(total_ma, b))


def z_limit(false_alarm: float) -> float:
    """One-sided limit that z of a tower without a gap passes with the given probability.

    Parameters
    ----------
    false_alarm : float
        Probability [1].

    Returns
    -------
    float

    Examples
    --------
    >>> print(z_limit(0.01))
    2.326
    """
    from scipy.special import ndtri

    return float(ndtri(1.0 - false_alarm))


@dataclass(frozen=True)
class _Across:
    """Gap caused by noise across legs in phase; the fields are arrays (visits,).

    Mean of Σm(1 − cos φ) [mA], Σs² [mA²], variance [mA²] and third cumulant [mA³] of the gap.
    """

    legs_ma: np.ndarray
    squares_ma2: np.ndarray
    variance: np.ndarray
    third: np.ndarray


def _across(legs_ma, coils):
    """Gap that noise alone causes with legs in phase and the total from the same coils, given the magnitudes.

    With y across the current, G = Σm(1 − cos φ) − Y²/(2S) = ½·yᵀAy, A = diag(1/m) − 11ᵀ/S, Y = Σy: a weighted sum of
    squares with the cumulants ½tr(DA), ½tr((DA)²), tr((DA)³), D = b²·1. At a given magnitude m of a current M the
    angle φ is distributed after von Mises with κ = mM/b²; so D holds s² = m²(1 − I2/I0)/2, which ends at m²/2 where
    b² does not, and each leg's own part takes the cumulants of m(1 − cos φ). M² is not known. m² − 2b² would meet it
    on average; m² − 3b² is taken, since sums just over the floor of judgement are those that read high: false alarms
    of a nominal 1 % then stay at 2 % there with a leg of 1.2b, and at 0.4 % with three of 2.4b.
    """
    from scipy.special import ive

    b, m = coils.noise_ma, np.nan_to_num(np.asarray(legs_ma, dtype=float))
    sum_ma = m.sum(axis=-1)
    if b == 0.0:
        none = np.zeros(sum_ma.shape)
        return _Across(none, none, none, none)
    kappa = m / b * np.sqrt(np.maximum((m / b) ** 2 - 3.0, 0.0))
    # Beyond, y is normal within 0.1 %, and differences of the Bessel functions lose their figures.
    is_slender = kappa > 1e3
    held = np.where(is_slender, 0.0, kappa)
    one, two, three = (ive(order, held) / ive(0, held) for order in (1, 2, 3))
    # s²/m and the cumulants of 1 − cos φ, over powers of m, so that a leg of 0 mA does no harm.
    part = np.where(is_slender, 1.0 / np.where(is_slender, kappa, 1.0), (1.0 - two) / 2.0)
    square = (1.0 + two) / 2.0
    mean, variance = 1.0 - one, square - one**2
    third = -((3.0 * one + three) / 4.0 - 3.0 * one * square + 2.0 * one**3)
    mean, variance, third = (
        np.where(is_slender, plain, own)
        for plain, own in ((part / 2.0, mean), (part**2 / 2.0, variance), (part**3, third))
    )
    squares, along = m**2 * part, m * part
    share = _ratio(squares, sum_ma[..., None])
    # tr((DA)^k) with DA = diag(s²/m) − (s²/S)·1ᵀ, written out.
    total, mixed, deep = share.sum(axis=-1), (share * along).sum(axis=-1), (share * along**2).sum(axis=-1)
    return _Across(
        legs_ma=(m * mean).sum(axis=-1),
        squares_ma2=squares.sum(axis=-1),
        variance=(m**2 * variance).sum(axis=-1) - mixed + total**2 / 2.0,
        third=(m**3 * third).sum(axis=-1) - 3.0 * deep + 3.0 * mixed * total - total**3,
    )


def _freedom(variance, third):
    """Degrees of freedom of the χ² of that variance and third cumulant; so many that it is normal where none."""
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = 8.0 * variance**3 / third**2
    return np.where(third > 0, np.minimum(freedom, 1e8), 1e8)


def _skewed(z, freedom):
    """χ² in units of its standard deviation, from its mean, at the normal score z."""
    part = 2.0 / (9.0 * freedom)
    return ((1.0 - part + z * np.sqrt(part)) ** 3 - 1.0) * np.sqrt(freedom / 2.0)


def _score(away, freedom):
    """Normal score of a χ² that lies so many of its standard deviations above its mean: the inverse of `_skewed`."""
    part = 2.0 / (9.0 * freedom)
    return (np.cbrt(1.0 + away * np.sqrt(2.0 / freedom)) - 1.0 + part) / np.sqrt(part)


def _worst_variance(legs_ma, fraction, coils):
    """Highest variance that G − f·S can have at any angles of the legs that leave that fraction f [mA²].

    The total is formed from the same coils. With v = 1 − cos φ and w = vm, Σw = fS: gains bring a²Σ(w − fm)², noise
    b²Σ[f² + 2(1 − f)v]. Σw² is convex, so it is highest with the largest legs opposite (w = 2m) and the rest in phase;
    Σv is highest and Σwm least with the smallest legs opposite. Each is taken at its worst.
    """
    m = np.sort(np.nan_to_num(np.asarray(legs_ma, dtype=float)), axis=-1)
    gap_ma, squares = fraction * m.sum(axis=-1), (m**2).sum(axis=-1)
    small, large = _opposite(m, gap_ma), _opposite(m[..., ::-1], gap_ma)
    gains = (large**2).sum(axis=-1) - 2.0 * fraction * (small * m).sum(axis=-1) + fraction**2 * squares
    angles = np.divide(small, m, out=np.zeros_like(m), where=m > 0).sum(axis=-1)
    noise = leg_count(legs_ma) * fraction**2 + 2.0 * (1.0 - fraction) * angles
    return coils.gain_u**2 * gains + coils.noise_ma**2 * noise


def _opposite(legs_ma, gap_ma):
    """Gap shared out leg by leg in the order given, up to twice the current of each."""
    before = np.cumsum(2.0 * legs_ma, axis=-1) - 2.0 * legs_ma
    return np.clip(gap_ma[..., None] - before, 0.0, 2.0 * legs_ma)


def _ratio(part, whole):
    """Part over whole, NaN where the whole is 0."""
    part, whole = np.broadcast_arrays(np.asarray(part, dtype=float), np.asarray(whole, dtype=float))
    return np.divide(part, whole, out=np.full(whole.shape, np.nan), where=whole != 0)


def sign_patterns(
    legs_ma: ArrayLike,
    total_ma: ArrayLike,
    u_ma: ArrayLike,
    *,
    fit_u: float | None = None,
    misfit_u: float | None = None,
) -> SignPatterns:
    """Pattern of reversed coils that fits the vector total best, for legs in phase.

    Parameters
    ----------
    legs_ma, total_ma, u_ma : array (visits × legs), (visits,), (visits,)
        Leg currents, vector total and standard uncertainty of their difference [mA]; at most 6 legs.
    fit_u, misfit_u : float, optional
        Multiples of u within which a pattern fits, and beyond which the unchanged readings do not.

    Returns
    -------
    SignPatterns
        ``reversed_legs``: the smaller set of coils whose reversal fits best, ``residual_ma`` what it leaves;
        ``candidates``: coils whose reversal alone fits; ``unique``: one pattern fits and the unchanged
        readings do not; ``single``: candidates fit, but neither the unchanged readings nor two reversed coils do.

    Raises
    ------
    ValueError
        More than 6 columns.

    Notes
    -----
    One reversed coil k gives T = |S − 2m_k|, so G = 2m_k while m_k < S/2. All s ∈ {±1}ᴺ but for s ≡ −s are
    tried. Legs of about equal reading cannot be distinguished, and two reversed coils of four look like an open
    bond.

    Examples
    --------
    >>> found = sign_patterns([[171.0, 215.0, 158.0, 204.0]], [406.0], [8.0])
    >>> found.reversed_legs[0], found.unique[0]
    (array([ True, False, False, False]), np.True_)
    """
    legs_ma, total_ma, u_ma = (np.asarray(given, dtype=float) for given in (legs_ma, total_ma, u_ma))
    fit_u = number("reversed_fit_u") if fit_u is None else fit_u
    misfit_u = number("reversed_misfit_u") if misfit_u is None else misfit_u
    if legs_ma.shape[-1] > LEG_COUNT_MAX:
        raise ValueError(f"{legs_ma.shape[-1]} legs: sign patterns are tried for at most {LEG_COUNT_MAX}")
    # Legs present come first: fixing the first one covers s ≡ −s, and an absent one is never turned.
    order, count = np.argsort(np.isnan(legs_ma), axis=-1, kind="stable"), leg_count(legs_ma)[:, None]
    turned = np.array([(False, *rest) for rest in product((False, True), repeat=legs_ma.shape[-1] - 1)])
    ordered = np.nan_to_num(np.take_along_axis(legs_ma, order, axis=-1))
    residual = np.abs(ordered @ np.where(turned, -1.0, 1.0).T) - total_ma[:, None]
    size = np.where(_last_turned(turned) < count, np.abs(residual), np.inf)
    fits, misfit = size <= fit_u * u_ma[:, None], size[:, 0] > misfit_u * u_ma
    best = np.argmin(np.nan_to_num(size, nan=np.inf), axis=-1)
    turned_count = np.minimum(turned.sum(axis=-1), count - turned.sum(axis=-1))
    alone = np.abs(np.abs(leg_sum(legs_ma)[:, None] - 2.0 * legs_ma) - total_ma[:, None])
    return SignPatterns(
        _smaller_set(turned[best], count, order),
        alone <= fit_u * u_ma[:, None],
        residual[np.arange(len(best)), best],
        misfit & (fits.sum(axis=-1) == 1),
        misfit & (fits & (turned_count == 1)).any(axis=-1) & ~(fits & (turned_count > 1)).any(axis=-1),
    )


def _last_turned(turned):
    """Place of the last leg that each pattern turns; −1 where it turns none."""
    return np.max(np.where(turned, np.arange(turned.shape[1]), -1), axis=-1)


def _smaller_set(turned, count, order):
    """Coils turned over or all the others, whichever are fewer, in the order in which the legs stood."""
    many = 2 * turned.sum(axis=-1, keepdims=True) > count
    turned = np.where(many, ~turned & (np.arange(turned.shape[1]) < count), turned)
    reversed_legs = np.zeros_like(turned)
    np.put_along_axis(reversed_legs, order, turned, axis=-1)
    return reversed_legs
