"""Answer of a ladder to its drive when one bond or one span has a fault, by rank-one updates."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.physics.ladder import ladder
from towerlib.values import number

NONE = ("none", -1)
WORN_OHM = number("scan_worn_ohm")  # a worn bond is taken for this, within WORN_U of its logarithm
WORN_U = number("scan_worn_spread")
FLOATING = 1e-9  # what is left of an element's own share in its node when nothing else leads to earth


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
    line: object
    span: int = -1
    worn: int = -1


def with_fault(line, kind, position):
    """Ladder with one bond or one span open, or one bond worn.

    Parameters
    ----------
    line : Ladder
        n towers.
    kind : str
        ``bond``, ``span`` or ``worn``: a bond that has become `WORN_OHM` more than it was.
    position : int
        Tower of the bond, or tower before the span; 0 is the first.

    Returns
    -------
    Ladder

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


def known_footings(line, known_u, usual_spread):
    """Ladder with the median in place of footings that are not known, and the uncertainty of each ln R.

    Parameters
    ----------
    line : Ladder
        n towers, NaN for a footing that is not known.
    known_u : float or array, shape (n,)
        Uncertainty of ln R where it is known.
    usual_spread : float
        Spread of ln R along a line, for lines of which fewer than five footings are known.

    Returns
    -------
    tuple of Ladder and array, shape (n,)

    Raises
    ------
    ValueError
        No footing is known at all.
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


def inverse(line):
    """Inverse of the nodal matrix of a ladder [Ω], shape (n, n)."""
    g = line.span_s
    matrix = np.diag(line.tower_s + line.station_s + np.r_[0, g] + np.r_[g, 0])
    matrix = matrix - np.diag(g, 1) - np.diag(g, -1)
    return np.linalg.inv(matrix)


def possible(line, node_ohm):
    """Hypotheses that can be asked of a ladder: each bond and each span that is not open and bears opening.

    Each such bond is asked whether it is worn besides.

    Parameters
    ----------
    line : Ladder
        n towers.
    node_ohm : array, shape (n, n)
        Its `inverse`.

    Returns
    -------
    list of (str, int)
    """
    own = np.diag(node_ohm)
    bond_left = np.abs(1.0 - line.tower_s * own)
    across = own[:-1] + own[1:] - 2.0 * np.diag(node_ohm, 1)
    span_left = np.abs(1.0 - line.span_s * across)
    bonds = np.flatnonzero((line.tower_s != 0) & (bond_left > FLOATING))
    spans = np.flatnonzero((line.span_s != 0) & (span_left > FLOATING))
    kinds = (("bond", bonds), ("span", spans), ("worn", bonds))
    return [(kind, int(position)) for kind, positions in kinds for position in positions]


def respond(line, node_ohm, hypothesis, rows):
    """Response of a ladder under a hypothesis, at some of its towers, by a rank-one update.

    Parameters
    ----------
    line, node_ohm : Ladder, array of shape (n, n)
        The ladder and its `inverse`.
    hypothesis : (str, int)
        Kind and position, or `NONE`.
    rows : array of int, shape (m,)
        The towers.

    Returns
    -------
    Response

    References
    ----------
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


def ambient_model(response, forced_a, capacitive_a):
    """Currents in service down each tower that a response expects.

    Parameters
    ----------
    response : Response
        m towers of n.
    forced_a, capacitive_a : array, shapes (n − 1,) and (n,)
        Current that each span would carry alone, current into the wire at each tower [A].

    Returns
    -------
    tuple of three arrays, shape (m,)
        Current by induction and by capacitance [A]; variance [A²] at an unevenness of 1, induction being of
        independent size in each span.
    """
    y = response.tower_s[response.rows]
    live_a = np.where(response.line.span_s != 0, forced_a, 0.0)
    per_span = y[:, None] * np.diff(response.node_ohm, axis=1) * live_a
    # Sums by numpy itself: threads of a matrix library cost more than so few terms.
    capacitive = y * (response.node_ohm * capacitive_a).sum(axis=1) if np.any(capacitive_a) else 0.0 * y
    return per_span.sum(axis=1), capacitive, (np.abs(per_span) ** 2).sum(axis=1)


def impedance_model(response, footing_u, errors):
    """Mean of ln|Z| without coils, and what each uncertain quantity does to it.

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
