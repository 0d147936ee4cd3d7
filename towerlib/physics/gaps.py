"""Leg currents of a tower: their sum, their vector total, the gap between both and what it can prove.

Arrays are (visits × legs) with NaN for a leg that is not there; totals are (visits,).
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import ndtri

from towerlib.values import number

LEG_COUNT_MAX = 6


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


@dataclass(frozen=True)
class SignPatterns:
    """Which coils, turned over, make the readings meet the total.

    ``reversed_legs`` and ``candidates`` are (visits × legs), the others (visits,).
    """

    reversed_legs: np.ndarray
    candidates: np.ndarray
    residual_ma: np.ndarray
    unique: np.ndarray
    single: np.ndarray


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


def z_limit(false_alarm, *, shared_total=False):
    """One-sided limit that z of a tower without a gap passes with the given probability.

    Parameters
    ----------
    false_alarm : float
        Probability [1]; 0.001 to 0.05 with a shared total, whose z is skewed and known by simulation only.
    shared_total : bool
        The total is formed from the same coils.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        Shared total and a probability that was not simulated.

    Examples
    --------
    >>> print(z_limit(0.01), z_limit(0.01, shared_total=True))
    2.326 3.5
    """
    if not shared_total:
        return float(ndtri(1.0 - false_alarm))
    if not 0.001 <= false_alarm <= 0.05:
        raise ValueError(f"false_alarm {false_alarm}: a shared total was simulated for 0.001 to 0.05 only")
    known = [number(f"gap_shared_z_{name}_percent") for name in ("5", "1", "01")]
    return float(np.interp(-np.log(false_alarm), -np.log([0.05, 0.01, 0.001]), known))


def detection_limits(legs_ma, coils=DEFAULT_COILS, *, false_alarm=0.01, missed=0.05):
    """Smallest gap to call real, and smallest true gap that is then rarely missed [mA].

    Parameters
    ----------
    legs_ma : array (visits × legs)
        Leg currents [mA].
    coils : CoilSpec
        What the coils promise.
    false_alarm, missed : float
        Probabilities of both errors [1].

    Returns
    -------
    tuple of two arrays (visits,)
        Decision limit and detection limit, for G − B.

    Notes
    -----
    The decision limit is k(false_alarm)·u(0), the detection limit solves G = k(false_alarm)·u(0) +
    k(missed)·u(G) with u(G) at the total S − G; a few rounds settle it, as u changes slowly with G. NaN where
    it passes S: no gap is then safely seen.

    References
    ----------
    ISO 11929-1:2019, decision threshold and detection limit (from memory).

    Examples
    --------
    >>> decision, detection = detection_limits([[75.0] * 4])
    >>> print(decision[0], detection[0])
    14.87 24.81
    """
    sum_ma = leg_sum(legs_ma)
    decision = z_limit(false_alarm, shared_total=coils.shared_total) * gap_uncertainty(legs_ma, sum_ma, coils)
    detection = decision
    for _ in range(20):
        u_ma = gap_uncertainty(legs_ma, np.maximum(sum_ma - detection, 0.0), coils)
        detection = decision + ndtri(1.0 - missed) * u_ma
    return decision, np.where(detection <= sum_ma, detection, np.nan)


def smallest_sum(count, coils=DEFAULT_COILS):
    """Sum of the legs under which nothing can be judged [mA].

    Parameters
    ----------
    count : int or array
        Legs read.
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    float or array

    Examples
    --------
    >>> print(smallest_sum(4, CoilSpec(3.0, 2.0, 1.0)))
    27.71
    """
    return number("leg_floor_multiple") * coils.noise_ma * count


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


def phase_spread_deg(sum_ma, total_ma):
    """Circular standard deviation of the leg angles, weighted by current [degrees].

    Parameters
    ----------
    sum_ma, total_ma : float or array
        Arithmetic sum and vector total [mA].

    Returns
    -------
    float or array
        √(−2 ln(T/S)); 0 where T ≥ S, NaN where nothing flows.

    References
    ----------
    K. V. Mardia, Statistics of directional data (1972): T/S is the mean resultant length (from memory).

    Examples
    --------
    >>> print(phase_spread_deg(100.0, 60.653066))
    57.29578
    """
    with np.errstate(divide="ignore"):
        return np.degrees(np.sqrt(-2.0 * np.log(np.minimum(_ratio(total_ma, sum_ma), 1.0))))


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


def sign_patterns(legs_ma, total_ma, u_ma, *, fit_u=None, misfit_u=None):
    """Pattern of reversed coils that meets the vector total best, for legs in phase.

    Parameters
    ----------
    legs_ma, total_ma, u_ma : array (visits × legs), (visits,), (visits,)
        Leg currents, vector total and standard uncertainty of their difference [mA]; at most 6 legs.
    fit_u, misfit_u : float, optional
        Multiples of u within which a pattern fits, and beyond which the readings as they stand do not.

    Returns
    -------
    SignPatterns
        ``reversed_legs``: the smaller set of coils whose reversal fits best, ``residual_ma`` what it leaves;
        ``candidates``: coils whose reversal alone fits; ``unique``: one pattern fits and the readings as they
        stand do not; ``single``: candidates fit, but not the readings as they stand nor two reversed coils.

    Raises
    ------
    ValueError
        More than 6 columns.

    Notes
    -----
    One reversed coil k gives T = |S − 2m_k|, so G = 2m_k while m_k < S/2. All s ∈ {±1}ᴺ but for s ≡ −s are
    tried. Legs of about equal reading cannot be told apart, and two reversed coils of four look like an open
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
    width, count = legs_ma.shape[-1], leg_count(legs_ma)[:, None]
    if width > LEG_COUNT_MAX:
        raise ValueError(f"{width} legs: sign patterns are tried for at most {LEG_COUNT_MAX}")
    # Legs that are there come first: the first one stands for s ≡ −s, and an absent one is never turned.
    order = np.argsort(np.isnan(legs_ma), axis=-1, kind="stable")
    ordered = np.nan_to_num(np.take_along_axis(legs_ma, order, axis=-1))
    signs = np.array([(1.0, *rest) for rest in product((1.0, -1.0), repeat=width - 1)])
    last_turned = np.max(np.where(signs < 0, np.arange(width), -1), axis=-1)
    residual = np.abs(ordered @ signs.T) - total_ma[:, None]
    size = np.where(last_turned < count, np.abs(residual), np.inf)
    fits, misfit = size <= fit_u * u_ma[:, None], size[:, 0] > misfit_u * u_ma
    best = np.argmin(np.nan_to_num(size, nan=np.inf), axis=-1)
    turned_count = (signs < 0).sum(axis=-1)
    turned_count = np.minimum(turned_count, count - turned_count)
    turned = signs[best] < 0
    many = 2 * turned.sum(axis=-1) > count[:, 0]
    turned = np.where(many[:, None], ~turned & (np.arange(width) < count), turned)
    reversed_legs = np.zeros_like(turned)
    np.put_along_axis(reversed_legs, order, turned, axis=-1)
    alone = np.abs(np.abs(leg_sum(legs_ma)[:, None] - 2.0 * legs_ma) - total_ma[:, None])
    return SignPatterns(
        reversed_legs,
        alone <= fit_u * u_ma[:, None],
        residual[np.arange(len(best)), best],
        misfit & (fits.sum(axis=-1) == 1),
        misfit & (fits & (turned_count == 1)).any(axis=-1) & ~(fits & (turned_count > 1)).any(axis=-1),
    )


def leg_share_expected(footing_ohm, rest_s, bond_ohm=0.0):
    """Share of an injected current that takes the legs, the rest taking the shield wires [1].

    Parameters
    ----------
    footing_ohm, bond_ohm : float or array
        Footing resistance and bond impedance [Ω]; an infinite bond impedance is an open bond.
    rest_s : complex or array
        Admittance of all the line but this tower, seen from its bond, at the test frequency [S].

    Returns
    -------
    float or array
        λ = |1/(1 + R·Y)|, Y = 1/(Z_b + 1/Y_rest): also the reading without coils over the one with coils.

    References
    ----------
    Current divider.

    Examples
    --------
    >>> print(leg_share_expected(10.0, 0.2, 5.0))
    0.5
    """
    bond = np.where(np.isinf(bond_ohm), 0.0, bond_ohm)
    share = 1.0 / np.abs(1.0 + footing_ohm * np.asarray(rest_s) / (1.0 + bond * rest_s))
    return np.where(np.isinf(bond_ohm), 1.0, share)[()]


def bond_resistance(leg_share, footing_ohm, rest_s):
    """Bond resistance that explains a leg share of the injected current [Ω].

    Parameters
    ----------
    leg_share : float or array
        Share λ of the injected current in the legs, a magnitude [1].
    footing_ohm : float or array
        Footing impedance with coils [Ω].
    rest_s : complex or array
        Admittance of all the line but this tower, seen from its bond, at the test frequency [S].

    Returns
    -------
    float or array
        Negative where the legs take less than a sound bond leaves them (the ladder is overrated); infinite at
        λ ≥ 1; NaN where no bond resistance gives the share.

    Notes
    -----
    With phasors Z_b = Rλ/(1−λ) − 1/Y_rest. Readings are magnitudes: Z_b and R are taken as real, 1/Y_rest =
    r + jx as known; then Z_b = (λ²R + √(λ²R² − x²(1−λ²)²))/(1−λ²) − r. Two bonds explain the share where
    r(r + R) < x²: this is the larger. Two shield wires have two bonds in parallel; this is both together.

    References
    ----------
    Current divider, solved for the bond.

    Examples
    --------
    >>> print(bond_resistance(0.5, 10.0, 0.2))
    5.0
    """
    share, rest_ohm = np.asarray(leg_share, dtype=float), 1.0 / np.asarray(rest_s, dtype=complex)
    found_less = np.where(share < 1.0, 1.0 - share**2, np.nan)
    root = (share * footing_ohm) ** 2 - (rest_ohm.imag * found_less) ** 2
    behind = (share**2 * footing_ohm + np.sqrt(np.where(root >= 0, root, np.nan))) / found_less
    return np.where(share >= 1.0, np.inf, behind - rest_ohm.real)[()]


def _ratio(part, whole):
    """Part over whole, NaN where the whole is nothing: a share of no current has no value."""
    part, whole = np.broadcast_arrays(np.asarray(part, dtype=float), np.asarray(whole, dtype=float))
    return np.divide(part, whole, out=np.full(whole.shape, np.nan), where=whole != 0)
