"""Measured footings with metal added, and the length of radial that may be credited.

The footing enters by its legs and its reading, the added metal by its matrix of mutual resistances.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.physics.electrode.matrix import (
    gauss,
    gauss_points,
    inverse,
    mutual_resistances,
    point_source_potentials,
)
from towerlib.physics.electrode.segments import Electrode, cut
from towerlib.physics.layered_soil import Soil
from towerlib.values import number

POINTS = 6
ADDED_COUNT = 8
CREDIT_RESISTIVITIES = (100, 300, 500, 1000, 2000, 4000)
LAID_RESISTIVITIES = (500, 1000, 2000, 5000)


@dataclass(frozen=True)
class Added:
    """Metal beside a tower, prepared for any number of footings in one soil.

    Attributes
    ----------
    resistance_ohm : float
        The metal alone [Ω].
    inverse_s : array, shape (p, p)
        Inverse of the mutual resistances of its pieces [S].
    leg_ohm, middle_ohm : array, shape (p, 6, k) and (p, 6, 1)
        Potential at points along each piece per ampere out of each leg, and out of a point amid the legs [Ω].
    between_ohm : array, shape (k, k)
        Mutual resistances of the legs, 0 on the diagonal [Ω].
    """

    resistance_ohm: float
    inverse_s: np.ndarray
    leg_ohm: np.ndarray
    middle_ohm: np.ndarray
    between_ohm: np.ndarray


def prepare(
    electrode: Electrode,
    legs_m: ArrayLike,
    soil: Soil,
    *,
    footing_depth_m: float = 0.0,
    count: int = ADDED_COUNT,
) -> Added:
    """Metal to be bonded to a tower, with everything that does not depend on the footing reading.

    Parameters
    ----------
    electrode : towerlib.physics.electrode.segments.Electrode
        The metal that is added.
    legs_m : array, shape (k, 2)
        x and y of each leg [m].
    soil : towerlib.physics.layered_soil.Soil
        Uniform or two-layer soil.
    footing_depth_m : float
        Depth at which the current of a leg is taken to leave it [m]: 0, or about half the depth of
        the footing where it lies in the bottom layer.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    Added

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import leg_positions, radials
    >>> from towerlib.physics.layered_soil import uniform
    >>> wires = radials(4, 30.0, 0.004, 0.6, start_m=5.66)
    >>> print(prepare(wires, leg_positions(8.0), uniform(1000.0)).resistance_ohm)
    19.2
    """
    legs_m = np.atleast_2d(np.asarray(legs_m, float))
    pieces = cut(electrode, soil.depth_m, count)
    inverse_s = inverse(mutual_resistances(pieces, soil))
    points_m = gauss_points(pieces, POINTS)[0].transpose(1, 0, 2)
    legs_and_middle_m = np.vstack([legs_m, legs_m.mean(axis=0)])
    from_ohm = point_source_potentials(points_m, legs_and_middle_m, footing_depth_m, soil)
    leg_ohm, middle_ohm = from_ohm[..., :-1], from_ohm[..., -1:]
    at_legs_m = np.column_stack([legs_m, np.full(len(legs_m), footing_depth_m)])
    between_ohm = point_source_potentials(at_legs_m, legs_m, footing_depth_m, soil)
    np.fill_diagonal(between_ohm, 0.0)
    return Added(float(1 / inverse_s.sum()), inverse_s, leg_ohm, middle_ohm, between_ohm)


def with_footing(added: Added, footing_ohm: ArrayLike) -> FloatOrArray:
    """Resistance of a tower after metal was bonded to its measured footing.

    Parameters
    ----------
    added : Added
        From `prepare`.
    footing_ohm : float or array, shape (t,)
        Footing of each tower before [Ω], greater than 0; NaN where unknown.

    Returns
    -------
    float or array, shape (t,)
        Resistance [Ω]; never above the footing or the metal alone, never below both in parallel.

    Raises
    ------
    ValueError
        A footing that is not greater than 0.

    Notes
    -----
    The footing is k legs of equal own resistance, chosen so that together they have what was measured:
    R_ii = k·R0 − (1/k)·ΣΣ_{i≠j} R_ij. Where that leaves less than the greatest R_ij, so that legs would
    overlap, one hemisphere amid them represents all. Within a leg's own radius its potential is R_ii. Legs and
    pieces at one potential: 1/R = (1 − b)ᵀ·S⁻¹·(1 − b) + 1/R1, b = Bᵀ·A⁻¹·1, S = D − Bᵀ·A⁻¹·B.
    Where metal lies so far within the footing's reach that the matrix has no meaning (S not positive), the
    lower of the two resistances is returned: no gain is credited.
    The shape of the footing does not enter: within some 5 % of footings computed in full.

    References
    ----------
    Average-potential method: Dwight (1936), Sunde (1949); hemispheres as in W. A. Chisholm and
    W. Janischewskyj, IEEE Trans. PWRD 4 (1989); from memory.

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import leg_positions, radials
    >>> from towerlib.physics.layered_soil import uniform
    >>> wires = prepare(radials(4, 30.0, 0.004, 0.6, start_m=5.66), leg_positions(8.0), uniform(1000.0))
    >>> print(np.round(with_footing(wires, [34.2, 10.0]), 1))
    [16.5  9.3]
    """
    footing_ohm = np.asarray(footing_ohm, float)
    flat = np.atleast_1d(footing_ohm).ravel()
    if np.any(flat <= 0):
        raise ValueError("a footing must be greater than 0 ohm")
    legs = len(added.between_ohm)
    own_ohm = legs * flat - added.between_ohm.sum() / legs
    overlap = ~(own_ohm > 2 * added.between_ohm.max())
    combined_ohm = np.full(flat.shape, np.nan)
    for rows, potentials, own, between in (
        (~overlap, added.leg_ohm, own_ohm, added.between_ohm),
        (overlap & ~np.isnan(flat), added.middle_ohm, flat, np.zeros((1, 1))),
    ):
        if rows.any():
            combined_ohm[rows] = _bonded(added, potentials, own[rows], between, flat[rows])
    return combined_ohm.reshape(footing_ohm.shape)[()]


def _bonded(added, potentials, own_ohm, between_ohm, footing_ohm):
    """Resistance of legs and pieces together, one for each footing."""
    node_share = gauss(POINTS)[1] / 2
    inside = np.minimum(potentials[None], own_ohm[:, None, None, None])
    mutual_ohm = np.einsum("tpgk,g->tpk", inside, node_share)
    footings, pieces, legs = mutual_ohm.shape
    # One product for all footings: many small ones cost several times as much.
    driven_s = added.inverse_s @ mutual_ohm.transpose(1, 0, 2).reshape(pieces, -1)
    driven_s = driven_s.reshape(pieces, footings, legs).transpose(1, 0, 2)
    own = between_ohm + own_ohm[:, None, None] * np.eye(len(between_ohm))
    schur_ohm = own - mutual_ohm.transpose(0, 2, 1) @ driven_s
    free = 1 - driven_s.sum(axis=1)
    sound = np.linalg.eigvalsh(schur_ohm).min(axis=1) > 0
    schur_ohm[~sound] = np.eye(len(between_ohm))
    legs_s = np.einsum("tk,tk->t", free, np.linalg.solve(schur_ohm, free[..., None])[..., 0])
    lower_ohm = np.minimum(footing_ohm, added.resistance_ohm)
    together_ohm = 1 / (legs_s + 1 / added.resistance_ohm)
    return np.where(sound, np.minimum(together_ohm, lower_ohm), lower_ohm)


def credited_length(resistivity_ohm_m: ArrayLike, length_m: ArrayLike) -> FloatOrArray:
    """Length of a radial that may be credited against a first stroke.

    Parameters
    ----------
    resistivity_ohm_m, length_m : float or array
        Resistivity of the soil [Ω·m], length of the wire [m].

    Returns
    -------
    float or array
        Length [m], never above that of the wire.

    Notes
    -----
    The lower of the length and of the one that brings peak voltage over peak current within 3 % of its least
    for a front of 3.7 µs: from 22 m in 100 Ω·m to 155 m in 4000 Ω·m, in between by logarithms, and as the root of
    the resistivity beyond. Published formulas differ by factors, since their definitions do.

    References
    ----------
    Own computation: lossy line with frequency-dependent soil (`radial_credit_…` of the values).

    Examples
    --------
    >>> print(credited_length([100.0, 1000.0], 60.0))
    [22. 60.]
    """
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    if np.any(resistivity_ohm_m <= 0) or np.any(np.asarray(length_m) <= 0):
        raise ValueError("resistivity and length of a radial must be greater than 0")
    steps = np.array(CREDIT_RESISTIVITIES, float)
    credits_m = np.array([number(f"radial_credit_{step}_ohm_m") for step in CREDIT_RESISTIVITIES])
    inside = np.clip(resistivity_ohm_m, steps[0], steps[-1])
    credit_m = np.exp(np.interp(np.log(inside), np.log(steps), np.log(credits_m)))
    return np.minimum(length_m, credit_m * np.sqrt(resistivity_ohm_m / inside))


def laid_length_limit(resistivity_ohm_m: ArrayLike) -> FloatOrArray:
    """Longest radial of common practice in a soil.

    Parameters
    ----------
    resistivity_ohm_m : float or array
        Resistivity [Ω·m].

    Returns
    -------
    float or array
        Length of one radial [m]; NaN above 5000 Ω·m, where the practice names none.

    References
    ----------
    GB 50169-2016, 4.7 and DL/T 621 (limits from memory): 40, 60, 80, 100 m up to 500, 1000, 2000, 5000 Ω·m.

    Examples
    --------
    >>> print(laid_length_limit([300.0, 1500.0, 9000.0]))
    [40. 80. nan]
    """
    limits_m = [number(f"radial_laid_{step}_ohm_m") for step in LAID_RESISTIVITIES]
    resistivity_ohm_m = np.asarray(resistivity_ohm_m, float)
    return np.append(limits_m, np.nan)[np.searchsorted(LAID_RESISTIVITIES, resistivity_ohm_m)]
