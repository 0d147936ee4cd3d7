"""Tower line as a ladder network: footings, bonds, spans and station earths at one frequency.

Potentials and currents under any drive, earth faults among them; the impedance seen from each tower; the share of an
injected current that takes the legs, and the bond resistance that it implies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray

NO_EARTH = "no path to earth: the bond and the spans on both sides are open"
ALONE = "only its own footing: the spans on both sides are open, or what is behind them has no path to earth"


@dataclass(frozen=True)
class Ladder:
    """A line of n towers and n − 1 spans, at one frequency.

    Attributes
    ----------
    footing_ohm : array, shape (n,)
        Footing of each tower to remote earth [Ω].
    bond_ohm : array, shape (n,)
        Bond between tower and shield wire [Ω]; inf where open.
    tower_s : array, shape (n,)
        Admittance from the shield wire through bond and footing to earth [S].
    station_s : array, shape (n,)
        Admittance of the station earths, at the two end nodes only [S].
    span_s : array, shape (n − 1,)
        Admittance of each span of the shield wire [S]; 0 where open.
    body_share, body_ohm : array, shape (n,)
        Potential V_t of a body by that of the wire, V, and a current J injected into it: V_t = share·V + Z·J, with
        R/(R + Zb) [1] and R ∥ Zb [Ω]. The wire takes the same share of J. Open bond: 0 and R; lost footing: 1 and
        Zb; NaN Ω with both. Worked out from the rest when first needed.
    """

    footing_ohm: np.ndarray
    bond_ohm: np.ndarray
    tower_s: np.ndarray
    station_s: np.ndarray
    span_s: np.ndarray

    @cached_property
    def body_share(self) -> np.ndarray:
        """Part of the wire's potential that a body takes; all of it where only the bond conducts."""
        lost, is_open = np.isinf(self.footing_ohm), np.isinf(self.bond_ohm)
        return np.where(lost & ~is_open, 1.0, self.tower_s * np.where(lost, 0.0, self.footing_ohm))

    @cached_property
    def body_ohm(self) -> np.ndarray:
        """Footing and bond in parallel; one may be open, and with both open there is no answer."""
        is_open = np.isinf(self.bond_ohm)
        alone_ohm = np.where(np.isinf(self.footing_ohm), np.nan, self.footing_ohm)
        return np.where(is_open, alone_ohm, self.body_share * np.where(is_open, 0.0, self.bond_ohm))


@dataclass(frozen=True)
class Flow:
    """Potentials and currents of a ladder of n towers under a drive; m drives add an axis of m.

    Attributes
    ----------
    wire_v, tower_v : array, shape (n,) or (n, m)
        Potential of the shield wire and of the tower body against remote earth [V].
    footing_a : array, shape (n,) or (n, m)
        Current from the tower into the earth [A].
    wire_a : array, shape (n − 1,) or (n − 1, m)
        Current of the shield wire from each tower to the next [A].
    station_a : array, shape (2,) or (2, m)
        Current into the earth of the first and the last station [A].
    """

    wire_v: np.ndarray
    tower_v: np.ndarray
    footing_a: np.ndarray
    wire_a: np.ndarray
    station_a: np.ndarray


@dataclass(frozen=True)
class DrivingPoint:
    """Impedances that a source at each tower in turn would see.

    Attributes
    ----------
    tower_ohm : array, shape (n,)
        Impedance at the tower body: its footing in parallel with the rest of the line [Ω].
    wire_ohm : array, shape (n,)
        Impedance at the node of the shield wire [Ω]; NaN where the wire has no path to earth.
    rest_s : array, shape (n,)
        Admittance of everything except this tower, seen from its node on the shield wire [S].
    remark : array of str, shape (n,)
        Why the node of the shield wire has no impedance, or that it sees nothing but its own tower; blank else.
    """

    tower_ohm: np.ndarray
    wire_ohm: np.ndarray
    rest_s: np.ndarray
    remark: np.ndarray


def ladder(
    footing_ohm: ArrayLike,
    bond_ohm: ArrayLike,
    span_ohm: ArrayLike,
    station_ohm: Sequence[complex] = (np.inf, np.inf),
) -> Ladder:
    """Ladder of a line, from its parts.

    Parameters
    ----------
    footing_ohm : array, shape (n,)
        Footing of each tower [Ω], greater than 0; NaN where unknown makes every result NaN.
    bond_ohm : float or array, shape (n,)
        Bond between tower and shield wire [Ω]: 0 sound, inf open.
    span_ohm : array, shape (n − 1,)
        Impedance of each span of the (equivalent) shield wire [Ω]: inf open.
    station_ohm : pair of float
        Earth of the first and the last station [Ω]: inf where the shield wire is not led in.

    Returns
    -------
    Ladder
        With admittances, in which an open element is a plain 0.

    Raises
    ------
    ValueError
        Shapes that do not belong together; no tower; a part whose resistance is negative; a footing, a span or a
        station of 0 Ω.

    Notes
    -----
    The tower body connects to nothing but its footing and its bond, so y = 1/(R + Zb) keeps one node per tower.

    Examples
    --------
    >>> print(ladder([10.0, 10.0], [0.0, np.inf], [0.1]).tower_s.real)
    [0.1 0. ]
    """
    footing_ohm = np.atleast_1d(np.asarray(footing_ohm))
    if footing_ohm.ndim > 1 or not len(footing_ohm):
        raise ValueError("a line has one row of footings, and at least one tower")
    bond_ohm = np.broadcast_to(np.asarray(bond_ohm), footing_ohm.shape)
    span_ohm = np.atleast_1d(np.asarray(span_ohm))
    if span_ohm.shape != (len(footing_ohm) - 1,):
        raise ValueError(f"{len(footing_ohm)} towers have {len(footing_ohm) - 1} spans, not {len(span_ohm)}")
    _refuse("footings", footing_ohm, np.real(footing_ohm) <= 0, "greater than 0 ohm")
    _refuse("bonds", bond_ohm, np.real(bond_ohm) < 0, "0 ohm or more")
    _refuse("spans", span_ohm, (np.real(span_ohm) < 0) | (np.abs(span_ohm) == 0), "greater than 0 ohm")
    _refuse("stations", np.asarray(station_ohm), np.real(station_ohm) <= 0, "greater than 0 ohm")
    station_s = np.zeros(len(footing_ohm), complex)
    station_s[0] += admittance(station_ohm[0])
    station_s[-1] += admittance(station_ohm[1])
    return Ladder(footing_ohm, bond_ohm, _tower_s(footing_ohm, bond_ohm), station_s, admittance(span_ohm))


def _refuse(what, impedance_ohm, is_bad, wanted):
    """Refuse impedances that no passive part of a line has."""
    for first in np.flatnonzero(is_bad):
        raise ValueError(
            f"{what} must be {wanted} in resistance: number {first}, from 0, has {impedance_ohm[first]:g}"
        )


def admittance(impedance_ohm: ArrayLike) -> np.ndarray:
    """Admittance of an impedance, a plain 0 for an open one.

    Parameters
    ----------
    impedance_ohm : complex or array
        Impedance [Ω], inf where open.

    Returns
    -------
    array of complex
        Admittance [S].

    Examples
    --------
    >>> print(admittance([2.0, np.inf]).real)
    [0.5 0. ]
    """
    impedance_ohm = np.asarray(impedance_ohm)
    is_open = np.isinf(impedance_ohm)
    with np.errstate(invalid="ignore"):  # an unknown impedance passes as NaN
        return np.where(is_open, 0.0, 1.0 / np.where(is_open, 1.0, impedance_ohm).astype(complex))


def _tower_s(footing_ohm, bond_ohm):
    """Bond and footing in series; the sum is never formed where one of them is open."""
    is_open = np.isinf(footing_ohm) | np.isinf(bond_ohm)
    return np.where(is_open, 0.0, admittance(np.where(is_open, 1.0, footing_ohm + bond_ohm)))


def fault_drive(
    tower: int | np.ndarray,
    from_first_a: ArrayLike,
    from_last_a: ArrayLike,
    mutual_ohm: ArrayLike,
    station_share: Sequence[float] = (1.0, 1.0),
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Drive of the ladder by an earth fault at a tower, or at each of several towers.

    Parameters
    ----------
    tower : int or array of int, shape (m,)
        Position of the faulted tower, 0 to n − 1; with an array, one column per fault.
    from_first_a, from_last_a : complex or array, shape (m,)
        Fault current that comes from each end [A].
    mutual_ohm : array, shape (n − 1,)
        Mutual impedance of faulted phase and equivalent shield wire, span by span [Ω].
    station_share : pair of float
        Share of each current that is supplied by neutrals earthed at that station, and so returns to it.

    Returns
    -------
    tuple of array
        In the order of `solve`: currents into the tower bodies [A], shape (n,) or (n, m); EMF of the spans [V],
        shape (n − 1,) or (n − 1, m); currents into the shield wire [A], shape (n,) or (n, m).

    Raises
    ------
    ValueError
        A tower that the line does not have.

    Notes
    -----
    J = I_A + I_B into the faulted tower's body, −I_A and −I_B into the wire at the end towers, where the stations
    connect: an open bond of an end tower disconnects its body, not the station. E_i = −Z_m·I_A on the
    first station's side and +Z_m·I_B on the other: the phase current changes direction at the fault.

    References
    ----------
    IEC 60909-3, currents through earth (from memory).

    Examples
    --------
    >>> injected_a, span_emf_v, wire_injected_a = fault_drive(1, 1000.0, 500.0, [0.1, 0.1])
    >>> print(injected_a.real, span_emf_v.real, wire_injected_a.real)
    [   0. 1500.    0.] [-100.   50.] [-1000.     0.  -500.]
    """
    towers = np.atleast_1d(tower)
    mutual_ohm = np.asarray(mutual_ohm)[:, None]
    if np.any((towers < 0) | (towers > len(mutual_ohm))):
        raise ValueError(f"the line has towers 0 to {len(mutual_ohm)}: no fault can be at {towers.tolist()}")
    from_first_a, from_last_a = (np.broadcast_to(a, towers.shape) for a in (from_first_a, from_last_a))
    before = np.arange(len(mutual_ohm))[:, None] < towers
    span_emf_v = np.where(before, -mutual_ohm * from_first_a, mutual_ohm * from_last_a).astype(complex)
    injected_a = np.zeros((len(mutual_ohm) + 1, len(towers)), complex)
    wire_injected_a = np.zeros_like(injected_a)
    injected_a[towers, np.arange(len(towers))] = from_first_a + from_last_a
    wire_injected_a[0] -= station_share[0] * from_first_a
    wire_injected_a[-1] -= station_share[1] * from_last_a
    if np.ndim(tower):
        return injected_a, span_emf_v, wire_injected_a
    return injected_a[:, 0], span_emf_v[:, 0], wire_injected_a[:, 0]


def solve(
    line: Ladder, injected_a: ArrayLike = 0.0, span_emf_v: ArrayLike = 0.0, wire_injected_a: ArrayLike = 0.0
) -> Flow:
    """Potentials and currents of a ladder under a drive.

    Parameters
    ----------
    line : Ladder
        n towers.
    injected_a : complex or array, shape (n,) or (n, m)
        Current injected into each tower body [A].
    span_emf_v : complex or array, shape (n − 1,) or (n − 1, m)
        EMF of each span [V], positive when it drives current towards the next tower.
    wire_injected_a : complex or array, shape (n,) or (n, m)
        Current injected into the shield wire at each tower [A]: a station's neutral is tied to the wire there,
        whatever the bond of that tower.

    Returns
    -------
    Flow
        NaN in a piece of the wire that has no path to earth: its potential is undefined.

    Notes
    -----
    Nodal equations of the wire, one tridiagonal solve for all drives:
    (y_k + g_(k−1) + g_k)·V_k − g_(k−1)·V_(k−1) − g_k·V_(k+1) = J_k − g_k·E_k + g_(k−1)·E_(k−1).
    A current injected into a body behind a bond reaches the wire as J·R/(R + Zb); one injected into the wire counts
    in full.

    References
    ----------
    Kirchhoff's laws; the ladder of J. Endrenyi, IEEE Trans. PAS-86 (1967), from memory.

    Examples
    --------
    >>> two = ladder([10.0, 10.0], 0.0, [1e-9])
    >>> print(np.round(np.abs(solve(two, [1.0, 0.0]).tower_v), 6))
    [5. 5.]
    """
    size = len(line.tower_s)
    injection_a, emf_v = _columns(injected_a, size), _columns(span_emf_v, size - 1)
    at_wire_a = _columns(wire_injected_a, size)
    count = max(part.shape[-1] for part in (injection_a, emf_v, at_wire_a))
    source_a = np.empty((size, count), complex)
    source_a[:] = injection_a * line.body_share[:, None] + at_wire_a
    driven_a = line.span_s[:, None] * emf_v
    source_a[:-1] -= driven_a
    source_a[1:] += driven_a
    parts = _parts(line, wire_potential(line, source_a), injection_a, emf_v)
    drives = (injected_a, span_emf_v, wire_injected_a)
    flat = source_a.shape[1] == 1 and max(np.ndim(drive) for drive in drives) < 2
    return Flow(*(part[:, 0] if flat else part for part in parts))


def _columns(drive: ArrayLike, size: int) -> np.ndarray:
    """Drive as a complex array (size, m)."""
    drive = np.asarray(drive, complex)
    if drive.ndim == 0:
        drive = np.full(size, drive)
    if len(drive) != size:
        raise ValueError(f"a drive of {size} values is needed here, not of {len(drive)}")
    return drive if drive.ndim == 2 else drive[:, None]


def _parts(line, wire_v, injected_a, emf_v):
    """Fields of `Flow` in their order, from the potentials of the wire."""
    share, g, lost = line.body_share[:, None], line.span_s[:, None], np.isinf(line.footing_ohm)[:, None]
    # Where nothing connects, nothing flows, whether the other side is known or not.
    tower_v = np.where(share == 0, 0.0, share * wire_v)
    tower_v = tower_v + np.where(injected_a == 0, 0.0, line.body_ohm[:, None] * injected_a)
    # A body without any connection has no defined potential.
    tower_v = np.where(lost & (share == 0), np.nan, tower_v)
    with np.errstate(invalid="ignore"):  # an unknown footing passes as NaN
        footing_a = np.where(lost, 0.0, tower_v / np.where(lost, 1.0, line.footing_ohm[:, None]))
    wire_a = np.where(g == 0, 0.0, g * (wire_v[:-1] - wire_v[1:] + emf_v))
    ends = [0, -1]
    station_s = line.station_s[ends] if len(wire_v) > 1 else np.r_[line.station_s, 0]
    station_a = np.where(station_s[:, None] == 0, 0.0, station_s[:, None] * wire_v[ends])
    return wire_v, tower_v, footing_a, wire_a, station_a


def wire_potential(line: Ladder, source_a: ArrayLike) -> np.ndarray:
    """Potential of the shield wire under currents injected into its nodes.

    Parameters
    ----------
    line : Ladder
        n towers.
    source_a : array, shape (n, m)
        Current injected into each node of the wire [A], m drives; unit columns give columns of the inverse.

    Returns
    -------
    array, shape (n, m)
        Potential [V]; NaN in a piece of the wire that has no path to earth.

    Notes
    -----
    (y_k + g_(k−1) + g_k)·V_k − g_(k−1)·V_(k−1) − g_k·V_(k+1) = J_k, one tridiagonal solve for all drives. The
    matrix is symmetric, and its diagonal is at least as large as the rest of the row: no pivots are needed.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> print(wire_potential(ladder([10.0, 10.0], 0.0, [20.0]), np.eye(2)).real)
    [[7.5 2.5]
     [2.5 7.5]]
    """
    from scipy.linalg import solve_banded

    node_s, g = line.tower_s + line.station_s, line.span_s
    floating = _floating(node_s, g)
    banded = np.zeros((3, len(node_s)), complex)
    banded[0, 1:] = banded[2, :-1] = -g
    # A floating piece has no solution: 1 S to earth keeps the matrix regular, and NaN replaces the result.
    banded[1] = node_s + floating
    banded[1, :-1] += g
    banded[1, 1:] += g
    wire_v = solve_banded((1, 1), banded, np.asarray(source_a, complex), check_finite=False)
    if floating.any():
        wire_v[floating] = np.nan
    return wire_v


def _floating(node_s, g):
    """Nodes of the pieces of wire, between open spans, of which none has a path to earth."""
    if node_s.all() or (g.all() and node_s.any()):
        return np.zeros(len(node_s), bool)
    piece = pieces(g)
    return np.bincount(piece, weights=node_s != 0)[piece] == 0


def pieces(span_s: np.ndarray) -> np.ndarray:
    """Number of the piece of shield wire at each tower, counted from 0; an open span separates two pieces.

    Parameters
    ----------
    span_s : array, shape (n − 1,)
        Admittance of the spans [S], 0 where open.

    Returns
    -------
    array of int, shape (n,)

    Examples
    --------
    >>> print(pieces(np.array([5.0, 0.0, 5.0])))
    [0 0 1 1]
    """
    return np.r_[0, np.cumsum(span_s == 0)]


def driving_points(line: Ladder) -> DrivingPoint:
    """Impedance that a source at each tower in turn would see, all towers by two sweeps.

    Parameters
    ----------
    line : Ladder
        n towers.

    Returns
    -------
    DrivingPoint
        Tower impedance, admittance of the rest of the line, and a remark where there is none.

    Notes
    -----
    Left sweep L_0 = 0, L_k = g·a/(g + a) with a = y_(k−1) + L_(k−1); right sweep alike; rest Y = L + N. Then
    Z_tower = R ∥ (Zb + 1/Y). The diagonal of the inverse of a tridiagonal matrix in 2n steps.

    References
    ----------
    Continued fractions of a tridiagonal matrix; checked against the dense inverse.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> print(np.round(driving_points(ladder([10.0, 10.0], 0.0, [1e-9])).tower_ohm.real, 6))
    [5. 5.]
    """
    rest_s = np.add(*sides(line)) + line.station_s
    node_s = rest_s + line.tower_s
    return DrivingPoint(
        tower_ohm=_at_tower(line, rest_s),
        wire_ohm=_impedance(node_s),
        rest_s=rest_s,
        remark=np.select([node_s == 0, rest_s == 0], [NO_EARTH, ALONE], ""),
    )


def sides(line: Ladder) -> tuple[np.ndarray, np.ndarray]:
    """Admittance of the line on either side of each tower, seen from its node on the shield wire.

    Parameters
    ----------
    line : Ladder
        n towers.

    Returns
    -------
    tuple of array, shape (n,)
        Towards the first tower, and towards the last one [S]; the tower's own and a station there not counted.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> before_s, behind_s = sides(ladder([10.0, 10.0], 0.0, [10.0]))
    >>> print(before_s.real, behind_s.real)
    [0.   0.05] [0.05 0.  ]
    """
    earth_s, g = (line.tower_s + line.station_s).tolist(), line.span_s.tolist()
    return np.array(_sweep(earth_s, g)), np.array(_sweep(earth_s[::-1], g[::-1])[::-1])


def _sweep(node_s, g):
    """Admittance that each node sees towards the start of the row, spans included."""
    seen = [0j]
    for node, span in zip(node_s, g, strict=False):
        behind = node + seen[-1]
        seen.append(span * behind / (span + behind) if span and behind else 0j)
    return seen


def _at_tower(line, rest_s):
    """R ∥ (Zb + 1/Y); an open bond or a rest without earth leaves R alone."""
    alone = np.isinf(line.bond_ohm) | (rest_s == 0)
    path_ohm = np.where(alone, 0.0, line.bond_ohm) + _impedance(rest_s)
    return _impedance(admittance(line.footing_ohm) + np.where(alone, 0.0, admittance(path_ohm)))


def _impedance(admittance_s):
    """Impedance of an admittance [Ω]; NaN where nothing conducts."""
    nowhere = admittance_s == 0
    with np.errstate(invalid="ignore"):  # an unknown footing passes as NaN
        return np.where(nowhere, np.nan, 1.0 / np.where(nowhere, 1.0, admittance_s))


def leg_share(line: Ladder, points: DrivingPoint) -> np.ndarray:
    """Share of an injected current that goes through the legs of each tower of a ladder.

    Parameters
    ----------
    line : Ladder
        n towers, at the test frequency.
    points : DrivingPoint
        Of the same ladder.

    Returns
    -------
    array, shape (n,)
        |I_legs/I_injected|: some 0.05 to 0.3 with a sound bond, 1 with an open one.

    Notes
    -----
    As `leg_share_expected`; the same as |Z_tower/R|. Belongs to the frequency of the ladder.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0, 10.0], [0.0, np.inf, 0.0], [0.1, 0.1])
    >>> print(np.round(leg_share(line, driving_points(line)), 3))
    [0.505 1.    0.505]
    """
    return leg_share_expected(line.footing_ohm, points.rest_s, line.bond_ohm)


def leg_share_expected(footing_ohm: ArrayLike, rest_s: ArrayLike, bond_ohm: ArrayLike = 0.0) -> FloatOrArray:
    """Share of an injected current that flows through the legs [1]; the shield wires carry the rest.

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
        0 where the footing is lost (infinite); NaN where the current has no path at all.

    References
    ----------
    Current divider.

    Examples
    --------
    >>> print(leg_share_expected(10.0, 0.2, 5.0))
    0.5
    """
    rest_s, is_open, lost = np.asarray(rest_s), np.isinf(bond_ohm), np.isinf(footing_ohm)
    with np.errstate(invalid="ignore"):  # an unknown footing passes as NaN
        wires_s = np.where(is_open, 0.0, rest_s / (1.0 + np.where(is_open, 0.0, bond_ohm) * rest_s))
        share = 1.0 / np.abs(1.0 + np.where(lost, 1.0, footing_ohm) * wires_s)
    return np.where(lost, np.where(np.abs(wires_s) > 0, 0.0, np.nan), share)[()]


def bond_resistance(leg_share: ArrayLike, footing_ohm: ArrayLike, rest_s: ArrayLike) -> FloatOrArray:
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
        Negative where the legs take less than a sound bond leaves them (the line conducts less than assumed); infinite at
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
