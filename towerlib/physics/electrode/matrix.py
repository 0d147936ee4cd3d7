"""Mutual resistances of all pieces of an electrode, in uniform and in two-layer soil, and what follows from them."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.electrode.integrals import image_table, mean_potentials, point_potentials, some
from towerlib.physics.electrode.pieces import PIECE_COUNT, cut


@dataclass(frozen=True)
class Solution:
    """How an electrode carries one ampere into the ground.

    Attributes
    ----------
    resistance_ohm : float
    Resistance to remote earth [Ω].
    share : array, shape (p,)
    Part of the current that leaves each piece; together 1.
    pieces : Electrode
    The p pieces as they were cut.
    soil : towerlib.physics.soil.layers.Soil
    Soil in which they lie.
    """

    resistance_ohm: float
    share: np.ndarray
    pieces: object
    soil: object


def resistance(electrode, soil, count=PIECE_COUNT):
    """Resistance to remote earth of bonded metal in the ground.

    Parameters
    ----------
    electrode : towerlib.physics.electrode.pieces.Electrode
        The metal.
    soil : towerlib.physics.soil.layers.Soil
        Uniform or two-layer soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    float
        Resistance [Ω].

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(resistance(rod(3.0, 0.008), uniform(100.0)))
    33.2
    """
    return solve(electrode, soil, count).resistance_ohm


def solve(electrode, soil, count=PIECE_COUNT):
    """Resistance of an electrode and the current that leaves each of its parts.

    Parameters
    ----------
    electrode : towerlib.physics.electrode.pieces.Electrode
        The metal.
    soil : towerlib.physics.soil.layers.Soil
        Uniform or two-layer soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    Solution

    Raises
    ------
    ValueError
        As `inverse`.

    Notes
    -----
    All parts at one potential: M·I = 1, R = 1/ΣI. The steel itself has no resistance here. Cutting finer
    (20 to 80 parts a rod) moves R by some 0.2 %.

    References
    ----------
    Average-potential method of G. W. O. Howe, as used by H. B. Dwight, Trans. AIEE 55 (1936); E. D. Sunde
    (1949), ch. 3; from memory.

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(solve(rod(3.0, 0.008), uniform(100.0)).share.sum())
    1.0
    """
    pieces = cut(electrode, soil.depth_m, count)
    current_a = inverse(mutual_resistances(pieces, soil)).sum(axis=1)
    return Solution(float(1 / current_a.sum()), current_a / current_a.sum(), pieces, soil)


def mutual_resistances(pieces, soil):
    """Mean potential of each piece for one ampere out of each other, and out of itself.

    Parameters
    ----------
    pieces : towerlib.physics.electrode.pieces.Electrode
        p pieces, none of which crosses the boundary.
    soil : towerlib.physics.soil.layers.Soil
        Uniform or two-layer soil.

    Returns
    -------
    array, shape (p, p)
        Symmetric; own resistances on the diagonal [Ω].

    Raises
    ------
    ValueError
        A piece that lies in both layers.

    Notes
    -----
    Each piece leaks evenly along its length. Potential at X of a straight piece from P to Q of radius a, per
    ampere: ρ/(4πL)·ln[(r1 + r2 + L)/(r1 + r2 − L)], r1² = |X − P|² + a², r2² = |X − Q|² + a², plus
    the same for its images. The mean over a piece is taken at six of Gauss's points, and at two where
    the other lies far.

    References
    ----------
    Sunde (1949); G. F. Tagg, Earth Resistances (1964), images of a two-layer soil; from memory.

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(np.round(mutual_resistances(rod(3.0, 0.008, [(0, 0), (3, 0)]), uniform(100.0)), 2))
    [[33.53  4.38]
     [ 4.38 33.53]]
    """
    below = _is_below(pieces, soil.depth_m)
    matrix = np.empty((below.size, below.size))
    for field in (False, True):
        for source in (False, True):
            rows, columns = np.flatnonzero(below == field), np.flatnonzero(below == source)
            if rows.size and columns.size:
                images = image_table(soil, field, source)
                block = mean_potentials(some(pieces, rows), some(pieces, columns), images)
                matrix[np.ix_(rows, columns)] = block
    return (matrix + matrix.T) / 2


def inverse(mutual_ohm):
    """Inverse of mutual resistances: currents out of the pieces by their potentials.

    Parameters
    ----------
    mutual_ohm : array, shape (p, p)
        From `mutual_resistances` [Ω].

    Returns
    -------
    array, shape (p, p)
        Symmetric [S].

    Raises
    ------
    ValueError
        A matrix that is not positive definite: metal was entered twice, or pieces are too thick for their length.

    Examples
    --------
    >>> print(inverse(np.array([[2.0, 1.0], [1.0, 2.0]])).sum())
    0.667
    """
    try:
        np.linalg.cholesky(mutual_ohm)
    except np.linalg.LinAlgError:
        raise ValueError(
            "two pieces of the electrode lie in one place, or are too thick for their length"
        ) from None
    inverse_s = np.linalg.inv(mutual_ohm)
    return (inverse_s + inverse_s.T) / 2


def potential(solution, points_m, current_a=1.0):
    """Potential in the ground about an electrode.

    Parameters
    ----------
    solution : Solution
        From `solve`.
    points_m : array, shape (m, 3)
        x, y and depth of each point [m].
    current_a : float
        Current of the electrode [A].

    Returns
    -------
    array, shape (m,)
        Potential against remote earth [V].

    Examples
    --------
    >>> from towerlib.physics.electrode.pieces import rod
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(potential(solve(rod(3.0, 0.008), uniform(100.0)), [(100.0, 0.0, 0.0)], 10.0))
    [1.59]
    """
    points_m = np.atleast_2d(np.asarray(points_m, float))
    pieces, soil = solution.pieces, solution.soil
    below, deep = _is_below(pieces, soil.depth_m), points_m[:, 2] > soil.depth_m
    volts = np.zeros(len(points_m))
    for field in (False, True):
        for source in (False, True):
            rows, columns = np.flatnonzero(deep == field), np.flatnonzero(below == source)
            if rows.size and columns.size:
                images = image_table(soil, field, source)
                per_ampere = point_potentials(points_m[rows], some(pieces, columns), images)
                volts[rows] += per_ampere @ solution.share[columns]
    return current_a * volts


def _is_below(pieces, boundary_m):
    """Whether each piece lies in the bottom layer."""
    depth_m = np.column_stack([pieces.start_m[:, 2], pieces.end_m[:, 2]])
    if np.any((depth_m.min(axis=1) < boundary_m) & (depth_m.max(axis=1) > boundary_m)):
        raise ValueError(f"a piece crosses the boundary of the layers at {boundary_m:g} m: cut it there")
    return depth_m.mean(axis=1) > boundary_m
