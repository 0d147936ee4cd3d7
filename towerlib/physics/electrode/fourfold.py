"""Electrodes that look alike from four sides, solved by one of their quarters."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.electrode.integrals import image_table, mean_potentials, some
from towerlib.physics.electrode.matrix import inverse
from towerlib.physics.electrode.pieces import PIECE_COUNT, Electrode, cut, join

TURNS = np.array([[[1, 0], [0, 1]], [[0, -1], [1, 0]], [[-1, 0], [0, -1]], [[0, 1], [-1, 0]]], float)


@dataclass(frozen=True)
class FourfoldSolution:
    """How an electrode of four equal quarters carries one ampere into the ground.

    Attributes
    ----------
    resistance_ohm : float
        Resistance to remote earth [Ω].
    share : array, shape (4p,)
        Part of the current that leaves each piece; together 1.
    pieces : Electrode
        The 4p pieces, quarter by quarter.
    soil : towerlib.physics.soil.layers.Soil
        Soil in which they lie.
    """

    resistance_ohm: float
    share: np.ndarray
    pieces: Electrode
    soil: object


def fourfold(quarter):
    """Whole electrode of which a quarter is given.

    Parameters
    ----------
    quarter : Electrode
        p pieces, drawn where they lie about the middle of the tower.

    Returns
    -------
    Electrode
        4p pieces: the quarter turned by 0, 90, 180 and 270°.

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> fourfold(rod(3.0, 0.008, (4.0, 4.0))).start_m[1]
    array([-4.,  4.,  0.])
    """
    return join(*(Electrode(*_turned(quarter, turn), quarter.radius_m) for turn in TURNS))


def solve_fourfold(quarter, soil, count=PIECE_COUNT):
    """Solution of an electrode of four equal quarters, at a quarter of the work on each side.

    Parameters
    ----------
    quarter : Electrode
        One quarter; the others follow by turns of 90°.
    soil : towerlib.physics.soil.layers.Soil
        Uniform or two-layer soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    FourfoldSolution
        `towerlib.physics.electrode.matrix.potential` takes it as it takes a `Solution`.

    Raises
    ------
    ValueError
        As `towerlib.physics.electrode.matrix.inverse`.

    Notes
    -----
    Pieces that a turn maps onto each other carry the same current. Their four columns of the matrix of
    `mutual_resistances` are added up, and the rows of one quarter suffice.

    References
    ----------
    As `towerlib.physics.electrode.matrix.solve`; symmetry.

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(solve_fourfold(rod(3.0, 0.008, (2.5, 2.5)), uniform(100.0)).resistance_ohm)
    10.28
    """
    own = cut(quarter, soil.depth_m, count)
    pieces = fourfold(own)
    size = len(own.radius_m)
    below = (own.start_m[:, 2] + own.end_m[:, 2]) / 2 > soil.depth_m
    everywhere = np.tile(below, 4)
    matrix = np.empty((size, 4 * size))
    for field in (False, True):
        for source in (False, True):
            rows, columns = np.flatnonzero(below == field), np.flatnonzero(everywhere == source)
            if rows.size and columns.size:
                images = image_table(soil, field, source)
                block = mean_potentials(some(own, rows), some(pieces, columns), images)
                matrix[np.ix_(rows, columns)] = block
    summed = matrix.reshape(size, 4, size).sum(axis=1)
    current_a = inverse((summed + summed.T) / 2).sum(axis=1)
    total_a = 4 * current_a.sum()
    return FourfoldSolution(float(1 / total_a), np.tile(current_a, 4) / total_a, pieces, soil)


def _turned(quarter, turn):
    """Ends of pieces turned about the middle of the tower."""
    return (
        np.column_stack([end_m[:, :2] @ turn.T, end_m[:, 2]]) for end_m in (quarter.start_m, quarter.end_m)
    )
