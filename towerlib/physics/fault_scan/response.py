"""Response of a ladder with one open or worn element, by rank-one updates of the sound ladder.

`respond` serves the scan: rows of the inverse under one hypothesis. `openings` serves the what-ifs: impedances with
each of many elements opened alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics.ladder import (
    NO_EARTH,
    Ladder,
    driving_points,
    ladder,
    pieces,
    sides,
    wire_potential,
)
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.physics.fault_scan.scan import Errors

Hypothesis: TypeAlias = tuple[str, int]  # kind of fault, and its position along the line
NONE: Hypothesis = ("none", -1)
WORN_OHM = number("scan_worn_ohm")  # assumed resistance of a worn bond, within WORN_U of its logarithm
WORN_U = number("scan_worn_spread")
FAR = 1e-6  # relative coupling below which towers do not feel one another
FLOATING = 1e-9  # remaining share below which nothing but the element leads to earth
BOND, SPAN = "bond", "span"
UNKNOWN = "a footing, a bond or a span of the line is unknown"
OPEN_ALREADY = "open already: nothing changes"
TOWER_FIELDS = ("footing_ohm", "bond_ohm", "tower_s", "station_s")
CUT_OFF = "opening it leaves a piece of the shield wire without a path to earth"


@dataclass(frozen=True)
class Response:
    """A ladder of n towers with one fault, seen from m of its towers.

    Attributes
    ----------
    rows : array of int, shape (m,)
        Those towers.
    node_ohm : array, shape (m, n)
        Rows of the inverse of the nodal matrix [Ω].
    tower_s, through : array, shape (n,)
        Admittance through bond and footing [S]; R/(R + Zb), 0 for an open bond.
    line : Ladder
        The ladder with the fault.
    span, worn : int
        The opened span, the tower whose bond is worn; −1 where none is.
    """

    rows: np.ndarray
    node_ohm: np.ndarray
    tower_s: np.ndarray
    through: np.ndarray
    line: Ladder
    span: int = -1
    worn: int = -1


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


def with_fault(line: Ladder, kind: str, position: int) -> Ladder:
    """Ladder with one bond or one span open, or one bond ``worn``: `WORN_OHM` more than it was.

    Position of the tower of the bond, or of the tower before the span; 0 is the first.

    Examples
    --------
    >>> print(with_fault(ladder([10.0, 10.0], 0.0, [0.1]), "bond", 1).tower_s.real)
    [0.1 0. ]
    """
    if kind == "span":
        return replace(line, span_s=np.where(np.arange(len(line.span_s)) == position, 0.0, line.span_s))
    here = np.arange(len(line.tower_s)) == position
    if kind == "worn":
        bond_ohm = line.bond_ohm + np.where(here, WORN_OHM, 0.0)
        with np.errstate(invalid="ignore"):  # an unknown footing passes as NaN
            tower_s = np.where(here, line.tower_s / (1.0 + WORN_OHM * line.tower_s), line.tower_s)
        return replace(line, bond_ohm=bond_ohm, tower_s=tower_s)
    return replace(
        line, bond_ohm=np.where(here, np.inf, line.bond_ohm), tower_s=np.where(here, 0.0, line.tower_s)
    )


def known_footings(line: Ladder, known_u: ArrayLike, usual_spread: float) -> tuple[Ladder, np.ndarray]:
    """Ladder with the median in place of footings that are not known (NaN), and the uncertainty (n,) of each ln R.

    `known_u` is that of known ones, `usual_spread` the spread of ln R where fewer than five are known. `ValueError` where
    none is.
    """
    known = ~np.isnan(line.footing_ohm)
    if not np.isfinite(line.footing_ohm).any():
        raise ValueError("no footing of the line is known; one reading with leg coils is needed at least")
    magnitude = np.abs(line.footing_ohm[np.isfinite(line.footing_ohm)])
    spread = np.std(np.log(magnitude), ddof=1) if len(magnitude) >= 5 else usual_spread
    footing_u = np.where(known, known_u, max(spread, np.max(known_u)))
    footing_ohm = np.where(known, line.footing_ohm, np.median(magnitude))
    filled = ladder(footing_ohm, line.bond_ohm, np.ones(len(known) - 1))
    return replace(filled, station_s=line.station_s, span_s=line.span_s), footing_u


def inverse(line: Ladder) -> np.ndarray:
    """Inverse of the nodal matrix of a ladder [Ω], shape (n, n), by tridiagonal solves."""
    from scipy.linalg import solve_banded

    g, count = line.span_s, len(line.tower_s)
    banded = np.zeros((3, count), complex)
    banded[0, 1:] = banded[2, :-1] = -g
    banded[1] = line.tower_s + line.station_s + np.r_[0, g] + np.r_[g, 0]
    return solve_banded((1, 1), banded, np.eye(count), check_finite=False)


def coupled(node_ohm: np.ndarray, least: float) -> int:
    """Number of towers beyond which no node couples to another by more than `least` of its own impedance."""
    root = np.sqrt(np.abs(np.diag(node_ohm)))
    relative = np.abs(node_ohm) / (root[:, None] * root)
    apart = np.abs(np.subtract.outer(np.arange(len(root)), np.arange(len(root))))
    return int(apart[relative > least].max(initial=0))


def piece_of(line: Ladder, part: slice) -> Ladder:
    """Some neighbouring towers of a ladder and the spans between them."""
    towers = {name: getattr(line, name)[part] for name in TOWER_FIELDS}
    return replace(line, **towers, span_s=line.span_s[part.start : part.stop - 1])


@dataclass(frozen=True)
class Couplings:
    """Sums over a sound ladder of n towers in service, from which those under any single fault follow by a few products.

    With Z the inverse of the nodal matrix and J the forced current, E = Z_(r,k+1)·J_k − Z_(r,k)·J_k: `per_span` is
    E [V], shape (n, n − 1); `induced` its sums over the spans [V]; `capacitive` Z times the capacitive currents [V];
    `gram` E·Eᴴ [V²]. `through_worn` is R/(R + Zb) of each worn bond, `reach` the number of towers within which a
    fault is felt.
    """

    line: Ladder
    node_ohm: np.ndarray
    per_span: np.ndarray
    induced: np.ndarray
    capacitive: np.ndarray
    gram: np.ndarray
    through_worn: np.ndarray
    reach: int

    @classmethod
    def of(
        cls, line: Ladder, node_ohm: np.ndarray, forced_a: np.ndarray, capacitive_a: np.ndarray, least: int
    ) -> Couplings:
        """Sums for a drive as that of `ambient_model`; faults are looked at within `least` towers or where felt."""
        per_span = np.diff(node_ohm, axis=1) * np.where(line.span_s != 0, forced_a, 0.0)
        gram, reach = np.zeros(node_ohm.shape, complex), coupled(node_ohm, FAR)
        width = max(reach, least) + 1
        for start in range(0, len(gram), 64):  # no pair of towers further apart is asked for
            rows = slice(start, start + 64)
            columns = slice(max(0, start - width), start + 64 + width)
            gram[rows, columns] = per_span[rows] @ per_span[columns].conj().T
        through = np.real(with_worn(line.tower_s) * np.where(np.isinf(line.bond_ohm), 0.0, line.footing_ohm))
        induced, capacitive = per_span.sum(axis=1), node_ohm @ capacitive_a
        return cls(line, node_ohm, per_span, induced, capacitive, gram, through, reach)

    def under(
        self, faults: Sequence[Hypothesis], rows: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What `ambient_model` gives under each of h faults, at m towers of each: rows and results of shape (h, m)."""
        kind, place = np.array([kind for kind, _ in faults]), np.array([at for _, at in faults], int)
        is_span, line, z = kind == "span", self.line, self.node_ohm
        second = np.where(is_span, np.minimum(place + 1, len(z) - 1), place)
        second_too = is_span.astype(float)
        y = line.tower_s[place]
        taken = np.select([kind == "bond", kind == "worn"], [y, y - with_worn(y)], 0.0)
        taken = np.where(is_span, np.r_[line.span_s, 0.0][place], taken)
        across = z[place, place] + second_too * (z[second, second] - 2.0 * z[place, second])

        def apart(of):
            return (of[place] - second_too * of[second])[:, None]

        def seen(of):
            return of[rows, place[:, None]] - second_too[:, None] * of[rows, second[:, None]]

        share = (taken / (1.0 - taken * across))[:, None] * seen(z)
        square = np.real(np.diag(self.gram))
        across2 = square[place] + second_too * (square[second] - 2.0 * np.real(self.gram[place, second]))
        induced = self.induced[rows] + share * apart(self.induced)
        capacitive = self.capacitive[rows] + share * apart(self.capacitive)
        uneven = (
            square[rows]
            + 2.0 * np.real(np.conj(share) * seen(self.gram))
            + np.abs(share) ** 2 * across2[:, None]
        )
        # The open span itself is no longer driven.
        span = np.minimum(place, self.per_span.shape[1] - 1)
        own = self.per_span[rows, span[:, None]]
        own = own + share * (self.per_span[place, span] - self.per_span[second, span])[:, None]
        own = np.where(is_span[:, None], own, 0.0)
        y = line.tower_s[rows]
        here = rows == place[:, None]
        y = np.where(here & (kind == "bond")[:, None], 0.0, y)
        y = np.where(here & (kind == "worn")[:, None], with_worn(y), y)
        left = np.maximum(uneven - np.abs(own) ** 2, 0.0)
        return y * (induced - own), y * capacitive, np.abs(y) ** 2 * left


def with_worn(tower_s: np.ndarray) -> np.ndarray:
    """Admittance through bond and footing with the bond worn [S]."""
    return tower_s / (1.0 + WORN_OHM * tower_s)


def possible(line: Ladder, node_ohm: np.ndarray) -> list[Hypothesis]:
    """Hypotheses that can be tested on a ladder whose `inverse` is given [Ω].

    Each bond and each span that is closed and can open without isolating a piece of wire; each such bond as worn too.
    """
    own = np.diag(node_ohm)
    bond_left = np.abs(1.0 - line.tower_s * own)
    across = own[:-1] + own[1:] - 2.0 * np.diag(node_ohm, 1)
    span_left = np.abs(1.0 - line.span_s * across)
    bonds = np.flatnonzero((line.tower_s != 0) & (bond_left > FLOATING))
    spans = np.flatnonzero((line.span_s != 0) & (span_left > FLOATING))
    kinds = (("bond", bonds), ("span", spans), ("worn", bonds))
    return [(kind, int(position)) for kind, positions in kinds for position in positions]


def respond(line: Ladder, node_ohm: np.ndarray, hypothesis: Hypothesis, rows: np.ndarray) -> Response:
    """Response of a ladder under a hypothesis, at some of its towers, by a rank-one update of its `inverse` [Ω].

    J. Sherman, W. J. Morrison, Ann. Math. Stat. 21 (1950).
    """
    kind, position = hypothesis
    faulty = line if kind == "none" else with_fault(line, kind, position)
    through = np.where(np.isinf(faulty.bond_ohm), 0.0, faulty.tower_s * faulty.footing_ohm)
    if kind == "none":
        return Response(rows, node_ohm[rows], line.tower_s, through, line)
    vector = node_ohm[:, position]
    taken = line.tower_s[position] - faulty.tower_s[position]
    left = 1.0 - taken * vector[position]
    if kind == "span":
        vector, taken = vector - node_ohm[:, position + 1], line.span_s[position]
        left = 1.0 - taken * (vector[position] - vector[position + 1])
    updated = node_ohm[rows] + np.outer(taken / left * vector[rows], vector)
    places = [position if kind == asked else -1 for asked in ("span", "worn")]
    return Response(rows, updated, faulty.tower_s, through, faulty, *places)


def ambient_model(
    response: Response, forced_a: np.ndarray, capacitive_a: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Expected currents in service down m towers: by induction and by capacitance [A], and a variance [A²].

    The variance is for an unevenness of 1, induction being of independent size in each span. `forced_a` is the current that
    each span would carry alone, `capacitive_a` that into the wire at each tower [A].
    """
    y = response.tower_s[response.rows]
    live_a = np.where(response.line.span_s != 0, forced_a, 0.0)
    per_span = y[:, None] * np.diff(response.node_ohm, axis=1) * live_a
    # Sums by numpy itself: threads of a matrix library cost more than so few terms.
    capacitive = y * (response.node_ohm * capacitive_a).sum(axis=1) if np.any(capacitive_a) else 0.0 * y
    return per_span.sum(axis=1), capacitive, (np.abs(per_span) ** 2).sum(axis=1)


def impedance_model(
    response: Response, footing_u: np.ndarray, errors: Errors
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of ln|Z| without coils, and its sensitivity to each uncertain quantity.

    Parameters
    ----------
    response : Response
        m towers of n.
    footing_u : array, shape (n,)
        Uncertainty of each ln R.
    errors : Errors
        Of wire and stations.

    Returns
    -------
    tuple of array
        Means, shape (m,); effects of one standard uncertainty of each footing, the wire, the two stations and
        a worn bond, shape (m, n + 4).

    Notes
    -----
    Z = p²·W + p·Zb with W the impedance at the node and p = R/(R + Zb); an open bond leaves Z = R. By first
    derivatives: ∂W_kk/∂ln R_j = p_j·y_j·W_kj², the same with 1 − p_j for ln Zb_j, with the earth's own
    admittance for a station; ∂W_kk/∂ln z = W_kk − Σ_j W_kj²·(all that leads from node j to earth).
    """
    rows, line = response.rows, response.line
    place = np.arange(len(rows))
    p, y = response.through, response.tower_s
    own, squares = response.node_ohm[place, rows], response.node_ohm**2
    here, sound = p[rows], p[rows] != 0
    bond_ohm = np.where(sound, line.bond_ohm[rows], 0.0)
    z = np.where(sound, here**2 * own + here * bond_ohm, line.footing_ohm[rows])
    outer = (here**2 / z)[:, None]
    turned = here * (1.0 - here) * (2.0 * here * own + bond_ohm) / z  # by p itself, as ln R goes up
    by_footing = outer * squares * (p * y)
    by_footing[place, rows] += np.where(sound, turned, 1.0)
    by_bond = outer * squares * ((1.0 - p) * y)
    by_bond[place, rows] += here * bond_ohm / z - turned
    by_worn = WORN_U * by_bond[:, [response.worn]] * (response.worn >= 0)
    by_wire = outer * (own - squares @ (y + line.station_s))[:, None] * errors.wire
    by_station = outer * squares[:, [0, -1]] * line.station_s[[0, -1]] * errors.station
    return np.log(np.abs(z)), np.hstack([by_footing * footing_u, by_wire, by_station, by_worn]).real


def openings(line: Ladder, bonds: ArrayLike | None = None, spans: ArrayLike | None = None) -> Openings:
    """Impedances of a ladder with each of several bonds and spans opened alone.

    Parameters
    ----------
    line : Ladder
        n towers.
    bonds, spans : array of int, optional
        Towers whose bond, and spans that are opened, one per case; all where not given, none where empty.

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
    tridiagonal solve for all of them, n numbers per case. 1 − c·uᵀA⁻¹u comes from the admittances on both sides
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
    """Rise per ampere and gain of impedance (h, n) with bonds opened; one column of the inverse per case."""
    piece = pieces(line.span_s)
    concerned = (piece[bonds][:, None] == piece) & ~np.isinf(line.bond_ohm[bonds])[:, None]
    return _cut(column_ohm, rest_s[bonds], line.tower_s[bonds], concerned)


def _spans_opened(line, spans, first_ohm, last_ohm):
    """Rise per ampere and gain of impedance (h, n) with spans opened; the columns of both ends per case."""
    earth_s, piece, tower = line.tower_s + line.station_s, pieces(line.span_s), np.arange(len(line.tower_s))
    before_s, behind_s = sides(line)
    concerned = (piece[spans][:, None] == piece) & (line.span_s[spans] != 0)[:, None]
    is_before = tower <= spans[:, None]
    first = _cut(first_ohm, (earth_s + before_s)[spans], behind_s[spans], concerned & is_before)
    last = _cut(last_ohm, (earth_s + behind_s)[spans + 1], before_s[spans + 1], concerned & ~is_before)
    return first[0] - last[0], first[1] + last[1]


def _cut(column_ohm, kept_s, lost_s, concerned):
    """Potentials per ampere and gain of impedance when a node loses an admittance; NaN where it keeps none."""
    nothing = kept_s == 0
    growth = np.where(nothing, np.nan, (kept_s + lost_s) / np.where(nothing, 1.0, kept_s))
    rise_ohm = np.where(concerned, column_ohm * growth[:, None], 0.0)
    return rise_ohm, np.where(concerned, lost_s[:, None] * rise_ohm * column_ohm, 0.0)


def _tower_ohm(line, wire_ohm):
    """Impedance at the bodies (h, n): footing beside bond, and the wire through the bond."""
    share = line.body_share
    return np.where(share == 0, 0.0, share**2 * wire_ohm) + line.body_ohm


def _footing_alone(line):
    """Impedance at a tower body with its bond open; NaN where the footing is lost too."""
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
