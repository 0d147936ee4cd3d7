"""Coils worn upside down: which of them, turned over, would make the leg currents meet their total."""

from dataclasses import dataclass
from itertools import product

import numpy as np

from towerlib.physics.gaps import leg_count, leg_sum
from towerlib.values import number

LEG_COUNT_MAX = 6


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
    if legs_ma.shape[-1] > LEG_COUNT_MAX:
        raise ValueError(f"{legs_ma.shape[-1]} legs: sign patterns are tried for at most {LEG_COUNT_MAX}")
    # Legs that are there come first: the first one stands for s ≡ −s, and an absent one is never turned.
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
