"""What-ifs of a ladder: each bond and each span opened alone, all of them at once, by rank-one updates."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.drivingpoints import NO_EARTH, driving_points, sides
from towerlib.physics.ladder import Flow, admittance, solve
from towerlib.physics.nodes import pieces, wire_potential

BOND, SPAN = "bond", "span"
UNKNOWN = "a footing, a bond or a span of the line is unknown"
OPEN_ALREADY = "open already: nothing changes"
CUT_OFF = "opening it leaves a piece of the shield wire without a path to earth"


@dataclass(frozen=True)
class Openings:
    """Elements of a ladder of n towers, each opened alone: h cases.

    Attributes
    ----------
    kind : array of str, shape (h,)
        ``bond`` or ``span``.
    position : array of int, shape (h,)
        Tower of the bond, or first tower of the span; 0 is the first of the line.
    rise_ohm : array, shape (h, n)
        Change of the potential of the shield wire at each tower, per ampere that the element carried while it
        was closed [Ω].
    wire_ohm, tower_ohm : array, shape (h, n)
        Impedance that a source at each node of the wire, and at each tower body, sees in the opened line [Ω].
    remark : array of str, shape (h,)
        Why a case has NaN, or changes nothing; blank else.
    """

    kind: np.ndarray
    position: np.ndarray
    rise_ohm: np.ndarray
    wire_ohm: np.ndarray
    tower_ohm: np.ndarray
    remark: np.ndarray


def openings(line, bonds=None, spans=None):
    """Impedances of a ladder with each of several bonds and spans opened alone.

    Parameters
    ----------
    line : Ladder
        n towers.
    bonds, spans : array of int, optional
        Towers whose bond, and spans that are opened, one a case; all where not given, none where empty.

    Returns
    -------
    Openings
        First the bonds, then the spans, in the order given.

    Raises
    ------
    ValueError
        A bond or a span that the line does not have.

    Notes
    -----
    Sherman-Morrison: without an element of admittance c between the nodes of u, the inverse A⁻¹ becomes
    A⁻¹ + c·(A⁻¹u)(uᵀA⁻¹)/(1 − c·uᵀA⁻¹u). It takes the columns of A⁻¹ at the nodes concerned only: one
    tridiagonal solve for all of them, n numbers a case. 1 − c·uᵀA⁻¹u comes from the admittances on both sides
    and not as a difference: it keeps its digits, and is a plain 0 where a piece is cut off from earth.

    References
    ----------
    J. Sherman and W. J. Morrison, Ann. Math. Statist. 21 (1950) 124-127 (from memory).

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> cases = openings(ladder([10.0, 20.0, 10.0], 0.0, [10.0, 5.0]), bonds=[1], spans=[0])
    >>> print(np.round(cases.tower_ohm.real, 3))
    [[ 7.143 20.     7.143]
     [10.     8.571  7.143]]
    """
    count = len(line.tower_s)
    bonds, spans = _positions(bonds, count, BOND), _positions(spans, count - 1, SPAN)
    kind, position = np.repeat([BOND, SPAN], [len(bonds), len(spans)]), np.r_[bonds, spans]
    points, nodes = driving_points(line), np.unique(np.r_[bonds, spans, spans + 1])
    columns_ohm = wire_potential(line, np.eye(count)[:, nodes]).T
    at_bond, at_first, at_last = (
        columns_ohm[np.searchsorted(nodes, ends)] for ends in (bonds, spans, spans + 1)
    )
    with np.errstate(invalid="ignore"):  # what is unknown passes as NaN
        of_bonds = _bonds_opened(line, bonds, points.rest_s, at_bond)
        of_spans = _spans_opened(line, spans, at_first, at_last)
        rise_ohm, gain_ohm = (np.concatenate(parts) for parts in zip(of_bonds, of_spans, strict=True))
        wire_ohm = points.wire_ohm + gain_ohm
        tower_ohm = _tower_ohm(line, wire_ohm)
    tower_ohm[np.arange(len(bonds)), bonds] = _footing_alone(line)[bonds]
    remark = _remarks(line, points, kind, position, rise_ohm)
    return Openings(kind, position, rise_ohm, wire_ohm, tower_ohm, remark)


def _positions(places, count, kind):
    """Positions of the elements that are opened; all where none are given."""
    places = np.arange(count) if places is None else np.atleast_1d(np.asarray(places, int))
    if np.any((places < 0) | (places >= count)):
        raise ValueError(
            f"the line has {count} {kind}s, 0 to {count - 1}: there is no {kind} {places.tolist()}"
        )
    return places


def _bonds_opened(line, bonds, rest_s, column_ohm):
    """Rise per ampere and gain of impedance (h, n) with bonds opened; a column of the inverse a case."""
    piece = pieces(line.span_s)
    concerned = (piece[bonds][:, None] == piece) & ~np.isinf(line.bond_ohm[bonds])[:, None]
    return _cut(column_ohm, rest_s[bonds], line.tower_s[bonds], concerned)


def _spans_opened(line, spans, first_ohm, last_ohm):
    """Rise per ampere and gain of impedance (h, n) with spans opened; the columns of both ends a case."""
    earth_s, piece, tower = line.tower_s + line.station_s, pieces(line.span_s), np.arange(len(line.tower_s))
    before_s, behind_s = sides(line)
    concerned = (piece[spans][:, None] == piece) & (line.span_s[spans] != 0)[:, None]
    is_before = tower <= spans[:, None]
    first = _cut(first_ohm, (earth_s + before_s)[spans], behind_s[spans], concerned & is_before)
    last = _cut(last_ohm, (earth_s + behind_s)[spans + 1], before_s[spans + 1], concerned & ~is_before)
    return first[0] - last[0], first[1] + last[1]


def _cut(column_ohm, kept_s, lost_s, concerned):
    """Answer of the nodes concerned when a node loses one of its admittances; NaN where it keeps none."""
    nothing = kept_s == 0
    growth = np.where(nothing, np.nan, (kept_s + lost_s) / np.where(nothing, 1.0, kept_s))
    rise_ohm = np.where(concerned, column_ohm * growth[:, None], 0.0)
    return rise_ohm, np.where(concerned, lost_s[:, None] * rise_ohm * column_ohm, 0.0)


def _tower_ohm(line, wire_ohm):
    """Impedance at the bodies (h, n): footing beside bond, and the wire through the bond."""
    share = line.body_share
    return np.where(share == 0, 0.0, share**2 * wire_ohm) + line.body_ohm


def _footing_alone(line):
    """What a source at a tower body sees with the bond open; NaN where the footing is lost too."""
    return np.where(np.isinf(line.footing_ohm), np.nan, line.footing_ohm)


def _remarks(line, points, kind, position, rise_ohm):
    """Why a case has NaN or changes nothing."""
    is_bond, spans = kind == BOND, np.where(kind == BOND, 0, position)
    span_s = np.append(line.span_s, 0.0)[spans]
    is_open = np.where(is_bond, np.isinf(line.bond_ohm[position]), span_s == 0)
    unknown = np.isnan(line.tower_s).any() or np.isnan(line.station_s).any() or np.isnan(line.span_s).any()
    because = [
        np.full(len(kind), unknown),
        is_open,
        points.remark[position] == NO_EARTH,
        np.isnan(rise_ohm).any(axis=1),
    ]
    return np.select(because, [UNKNOWN, OPEN_ALREADY, NO_EARTH, CUT_OFF], "")


def carried_current(line, cases, flow, injected_a=0.0):
    """Current of each element in the line as it stands, before it is opened.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.
    flow : Flow
        Answer of that line to the drive.
    injected_a : complex or array, shape (n,) or (n, m)
        Current injected into each tower body by the drive [A].

    Returns
    -------
    array, shape (h,) or (h, m)
        From the wire into the tower for a bond, towards the next tower for a span [A].

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder, solve
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> print(np.round(carried_current(line, openings(line), solve(line, [1.0, 0.0]), [1.0, 0.0]).real, 6))
    [-0.25  0.25  0.25]
    """
    many = flow.footing_a.ndim == 2
    injected_a = np.asarray(injected_a)
    into_tower_a = flow.footing_a - (injected_a[:, None] if many and injected_a.ndim == 1 else injected_a)
    bonds, spans = (cases.position[cases.kind == kind] for kind in (BOND, SPAN))
    return np.concatenate([into_tower_a[bonds], flow.wire_a[spans]])


def change_per_ampere(line, cases):
    """Change of every potential and current when an element opens, per ampere that it carried.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.

    Returns
    -------
    Flow
        Shapes (h, n), (h, n − 1) for the wire and (h, 2) for the stations; potentials in Ω, currents in A/A.

    Notes
    -----
    Opening an element has the effect of forcing the current that it carried back where it came from. So the
    answer to any drive in the opened line is that of the closed line plus this times `carried_current`: rank
    one, for potentials and currents alike.

    References
    ----------
    Compensation theorem of linear circuits.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> print(np.round(change_per_ampere(line, openings(line, bonds=[0], spans=[])).footing_a.real, 6))
    [[-1.  1.]]
    """
    share, rise_ohm, g, station_s = line.body_share, cases.rise_ohm, line.span_s, line.station_s
    case, place = np.arange(len(cases.kind)), cases.position
    closed = cases.remark != OPEN_ALREADY
    bond, span = (case[(cases.kind == kind) & closed] for kind in (BOND, SPAN))
    with np.errstate(invalid="ignore"):  # what is unknown passes as NaN
        tower_ohm = np.where(share == 0, 0.0, share * rise_ohm)
        tower_ohm[bond, place[bond]] = -_footing_alone(line)[place[bond]]
        footing = np.where(np.isinf(line.footing_ohm), 0.0, admittance(line.footing_ohm) * tower_ohm)
        wire = np.where(g == 0, 0.0, g * (rise_ohm[:, :-1] - rise_ohm[:, 1:]))
        wire[span, place[span]] = -1.0
        ends = station_s[[0, -1]] if len(station_s) > 1 else np.r_[station_s, 0]
        station = np.where(ends == 0, 0.0, ends * rise_ohm[:, [0, -1]])
    return Flow(rise_ohm, tower_ohm, footing, wire, station)


def flow_if_open(line, cases, injected_a=0.0, span_emf_v=0.0):
    """Potentials and currents under a drive with each element opened alone.

    Parameters
    ----------
    line : Ladder
        n towers.
    cases : Openings
        h cases of that line.
    injected_a : complex or array, shape (n,) or (n, m)
        Current injected into each tower body [A].
    span_emf_v : complex or array, shape (n − 1,) or (n − 1, m)
        EMF of each span [V], positive when it drives current towards the next tower.

    Returns
    -------
    Flow
        As of `solve`, with an axis of h in front of each array: (h, n), or (h, n, m) for m drives.

    Notes
    -----
    One solve of the closed line, then `change_per_ampere` times `carried_current`. An EMF in an opened span
    drives nothing.

    References
    ----------
    As for `openings`.

    Examples
    --------
    >>> from towerlib.physics.ladder import ladder
    >>> line = ladder([10.0, 10.0], 0.0, [20.0])
    >>> flow = flow_if_open(line, openings(line), injected_a=[1.0, 0.0])
    >>> print(np.round(flow.tower_v.real, 6))
    [[10.  0.]
     [10.  0.]
     [10.  0.]]
    """
    base = solve(line, injected_a, span_emf_v)
    carried_a = carried_current(line, cases, base, injected_a)
    change = change_per_ampere(line, cases)
    names = ("wire_v", "tower_v", "footing_a", "wire_a", "station_a")
    flow = Flow(*(_changed(getattr(base, name), getattr(change, name), carried_a) for name in names))
    is_span = np.flatnonzero(cases.kind == SPAN)
    flow.wire_a[is_span, cases.position[is_span]] = 0.0  # also where nobody knows what it carried
    return flow


def _changed(before, per_ampere, carried_a):
    """Before (k[, m]) plus the change (h, k) of each case times the current carried (h[, m])."""
    per_ampere = per_ampere.reshape(per_ampere.shape + (1,) * (before.ndim - 1))
    with np.errstate(invalid="ignore"):  # a case without an answer is NaN
        return before + np.where(per_ampere == 0, 0.0, per_ampere * carried_a[:, None])
