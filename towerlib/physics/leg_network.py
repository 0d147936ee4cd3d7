"""Circuit model of a tower on legs: coupled electrodes, leads, ring conductor and the shield wire that feeds it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics.ladder import admittance


@dataclass(frozen=True)
class Legs:
    """Paths to earth of n towers with m legs each.

    Attributes
    ----------
    earth_ohm : array, shape (n, m, m)
        Own resistances of the electrodes on the diagonal, mutual ones beside it [Ω].
    lead_ohm : array, shape (n, m)
        From the tower body to each electrode [Ω]: leg, lead, joint; inf where open.
    ring_ohm : array, shape (n,)
        Ring conductor between neighbouring feet, per side [Ω]; inf where there is no ring.
    soil_v : array, shape (n, m)
        Potential that the soil has at each foot without the tower [V].
    ring_v : array, shape (n, m)
        EMF in the loop of each side, from foot k to the next [V].
    """

    earth_ohm: np.ndarray
    lead_ohm: np.ndarray
    ring_ohm: np.ndarray
    soil_v: np.ndarray
    ring_v: np.ndarray


def foot_positions(leg_count: int, spacing_m: ArrayLike) -> np.ndarray:
    """Places of the feet round the tower's axis.

    Parameters
    ----------
    leg_count : int
        1 on the axis; 2, 3, 4 a regular figure; 5 a mast on the axis and four guy anchors.
    spacing_m : array, shape (n,)
        Distance of neighbouring feet; with 5, of neighbouring anchors [m].

    Returns
    -------
    array of complex, shape (n, leg_count)
        Along the line as real, across it as imaginary part [m].

    Raises
    ------
    ValueError
        Another count of legs.

    Examples
    --------
    >>> print(foot_positions(2, [6.0]).real)
    [[ 3. -3.]]
    """
    spacing_m = np.asarray(spacing_m, float)[..., None]
    if leg_count not in (1, 2, 3, 4, 5):
        raise ValueError(f"a tower has 1 to 5 paths to earth here, not {leg_count}")
    if leg_count in (1, 5):
        anchors = foot_positions(4, spacing_m[..., 0]) if leg_count == 5 else spacing_m[..., :0]
        return np.concatenate([np.zeros_like(spacing_m), anchors], axis=-1)
    start = 0.5 if leg_count == 4 else 0.0
    corners = np.exp(2j * np.pi * (np.arange(leg_count) + start) / leg_count)
    return spacing_m * corners / (2 * np.sin(np.pi / leg_count))


def earth_matrix(own_ohm: ArrayLike, resistivity_ohm_m: ArrayLike, feet_m: ArrayLike) -> np.ndarray:
    """Own and mutual resistances of the electrodes under the legs.

    Parameters
    ----------
    own_ohm : array, shape (n, m)
        Resistance of each electrode alone [Ω].
    resistivity_ohm_m : array, shape (n,)
        Soil resistivity [Ω·m].
    feet_m : array of complex, shape (n, m)
        Places of the feet [m].

    Returns
    -------
    array, shape (n, m, m)
        Matrix M of U = M·I [Ω].

    Notes
    -----
    M_kk as given, M_kj = ρ/(2π·s_kj): point sources, good where feet stand some 3 electrode radii apart.

    References
    ----------
    Sunde, Earth Conduction Effects (1949); Tagg, Earth Resistances (1964), both from memory.

    Examples
    --------
    >>> print(np.round(earth_matrix([[10.0, 10.0]], [100.0], [[0, 5]]), 2))
    [[[10.    3.18]
      [ 3.18 10.  ]]]
    """
    own_ohm = np.asarray(own_ohm, float)
    feet_m = np.asarray(feet_m)
    itself = np.eye(own_ohm.shape[-1], dtype=bool)
    apart_m = np.where(itself, 1.0, np.abs(feet_m[..., :, None] - feet_m[..., None, :]))
    mutual_ohm = np.asarray(resistivity_ohm_m, float)[..., None, None] / (2 * np.pi * apart_m)
    return np.where(itself, own_ohm[..., None], mutual_ohm)


def leg_currents(legs: Legs, source_v: ArrayLike, source_s: ArrayLike, body_a: ArrayLike = 0.0) -> np.ndarray:
    """Currents from the tower body down each leg.

    Parameters
    ----------
    legs : Legs
        n towers of m legs.
    source_v : complex or array, shape (n,)
        Potential of the shield wire with the tower disconnected [V].
    source_s : complex or array, shape (n,)
        Admittance from the body to that source, 1/(Zb + 1/Y) [S]; 0 with an open bond.
    body_a : complex or array, shape (n,)
        Current put into the body: an injection, or leakage of the insulators [A].

    Returns
    -------
    array of complex, shape (n, m)
        Leg currents [A]; their sum is the vector total. NaN where a body has no path to earth at all.

    Notes
    -----
    Unknown are the body T and the feet U: I_k = (T − U_k)/z_k; electrodes U = φ + M·I_E; ring currents
    (U_k − U_(k+1) + e_k)/z_ring; source (V_oc − T)·Y. Loops of leg, soil and ring carry currents that are in
    no vector total. Ring impedance and soil field are plausible values, not measured ones.

    References
    ----------
    Kirchhoff's laws; electrodes as in `earth_matrix`.

    Examples
    --------
    >>> feet_m = foot_positions(4, [6.0])
    >>> earth_ohm = earth_matrix(np.full((1, 4), 10.0), [100.0], feet_m)
    >>> still = np.zeros((1, 4))
    >>> legs = Legs(earth_ohm, still + 1e-3, np.array([np.inf]), soil_v=still, ring_v=still)
    >>> print(np.round(1000 * leg_currents(legs, 4.0, 1 / (1.35 + 0.9j)).real, 1))
    [[172.7 172.7 172.7 172.7]]
    """
    matrix, known = _equations(legs, source_v, source_s, body_a)
    count = legs.lead_ohm.shape[-1]
    stranded = (np.diagonal(matrix, axis1=-2, axis2=-1)[..., count] == 0)[..., None]
    matrix = matrix + np.where(stranded[..., None], np.diag([0] * count + [1]), 0)
    potential_v = np.linalg.solve(matrix, known[..., None])[..., 0]
    currents = admittance(legs.lead_ohm) * (potential_v[..., count:] - potential_v[..., :count])
    return np.where(stranded, np.nan, currents)


def _equations(legs, source_v, source_s, body_a):
    """Nodal equations of feet 0 to m − 1 and body m, as matrix (n, m + 1, m + 1) and right-hand side."""
    lead_s, ring_s = admittance(legs.lead_ohm), _ring_s(legs)
    earth_s = np.linalg.inv(legs.earth_ohm)
    count = lead_s.shape[-1]
    source_s = np.broadcast_to(source_s, lead_s.shape[:-1])
    # A side's EMF drives its current out of foot k into foot k + 1.
    ring_a = ring_s * legs.ring_v
    matrix = np.zeros((*lead_s.shape[:-1], count + 1, count + 1), complex)
    matrix[..., :count, :count] = earth_s + _ring_matrix(ring_s) + lead_s[..., None] * np.eye(count)
    matrix[..., :count, count] = matrix[..., count, :count] = -lead_s
    matrix[..., count, count] = lead_s.sum(axis=-1) + source_s
    feet_a = (earth_s @ legs.soil_v[..., None])[..., 0] - ring_a + np.roll(ring_a, 1, axis=-1)
    return matrix, np.concatenate([feet_a, (source_s * source_v + body_a)[..., None]], axis=-1)


def _ring_s(legs):
    """Admittance of each side of the ring, shape (n, m); two feet have one side, one foot none."""
    count = legs.lead_ohm.shape[-1]
    sides = np.arange(count) < (count if count > 2 else count - 1)
    return admittance(legs.ring_ohm)[..., None] * sides


def _ring_matrix(ring_s):
    """Nodal matrix of a ring over the feet in their order."""
    count = ring_s.shape[-1]
    step = np.eye(count) - np.roll(np.eye(count), 1, axis=1)
    return step.T @ (ring_s[..., None] * step)


def footing_resistance(legs: Legs) -> np.ndarray:
    """Footing of each tower with all its legs together.

    Parameters
    ----------
    legs : Legs
        n towers of m legs.

    Returns
    -------
    array, shape (n,)
        Impedance to remote earth of the body without the shield wire [Ω]; inf where every leg is open.

    Notes
    -----
    Body potential for 1 A put into the body. Higher than the legs in parallel: each foot raises the potential of
    the soil under the others.

    References
    ----------
    As for `leg_currents`.

    Examples
    --------
    >>> feet_m = foot_positions(4, [6.0])
    >>> earth_ohm = earth_matrix([[11.0, 9.5, 12.0, 10.0]], [100.0], feet_m)
    >>> still = np.zeros((1, 4))
    >>> legs = Legs(earth_ohm, still + 1e-6, np.array([np.inf]), soil_v=still, ring_v=still)
    >>> print(np.round(footing_resistance(legs).real, 2))
    [4.42]
    """
    matrix, _ = _equations(legs, 0.0, 0.0, 0.0)
    count = legs.lead_ohm.shape[-1]
    stranded = matrix[..., count, count] == 0
    matrix = matrix + np.where(stranded[..., None, None], np.diag([0] * count + [1]), 0)
    unit = np.zeros((*matrix.shape[:-1], 1))
    unit[..., count, 0] = 1.0
    return np.where(stranded, np.inf, np.linalg.solve(matrix, unit)[..., count, 0])
