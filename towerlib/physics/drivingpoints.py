"""What a source at each tower of a ladder would see, and the share of its current that the legs take."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.ladder import admittance
from towerlib.physics.legshare import leg_share_expected

NO_EARTH = "no path to earth: the bond and the spans on both sides are open"
ALONE = "only its own footing: the spans on both sides are open, or what is behind them has no path to earth"


@dataclass(frozen=True)
class DrivingPoint:
    """What a source at each tower in turn would see.

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


def driving_points(line):
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


def sides(line):
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


def leg_share(line, points):
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
