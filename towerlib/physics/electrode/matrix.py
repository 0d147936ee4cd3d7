"""Electrodes of any shape in two-layer soil: resistance, current distribution and potential in the ground.

The metal is cut into straight pieces at one potential. Images of each piece stand for the surface and the boundary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics.electrode.segments import PIECE_COUNT, Electrode, cut, join
from towerlib.physics.layered_soil import Soil, image_weights

ENGINE_TOLERANCE = 1e-7
NEAR_POINTS, FAR_POINTS = 6, 2
FAR_PIECES = 1.5  # from so many times their lengths together on, two pieces see each other as two points each
FAR_IMAGES = 2.0  # the same for images, by the longest piece
TURNS = np.array([[[1, 0], [0, 1]], [[0, -1], [1, 0]], [[-1, 0], [0, -1]], [[0, 1], [-1, 0]]], float)


@dataclass(frozen=True)
class Solution:
    """Resistance of an electrode, and the current that leaves each piece per ampere.

    Attributes
    ----------
    resistance_ohm : float
        Resistance to remote earth [Ω].
    share : array, shape (p,)
        Part of the current that leaves each piece; together 1.
    pieces : towerlib.physics.electrode.segments.Electrode
        The p pieces as they were cut.
    soil : towerlib.physics.layered_soil.Soil
        Soil in which they lie.
    """

    resistance_ohm: float
    share: np.ndarray
    pieces: Electrode
    soil: Soil


def solve(electrode: Electrode, soil: Soil, count: int = PIECE_COUNT) -> Solution:
    """Resistance of an electrode and the current that leaves each of its parts.

    Parameters
    ----------
    electrode : towerlib.physics.electrode.segments.Electrode
        The metal.
    soil : towerlib.physics.layered_soil.Soil
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
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(solve(rod(3.0, 0.008), uniform(100.0)).share.sum())
    1.0
    """
    pieces = cut(electrode, soil.depth_m, count)
    current_a = inverse(mutual_resistances(pieces, soil)).sum(axis=1)
    return Solution(float(1 / current_a.sum()), current_a / current_a.sum(), pieces, soil)


def solve_fourfold(quarter: Electrode, soil: Soil, count: int = PIECE_COUNT) -> Solution:
    """Resistance and currents of an electrode of four equal quarters, from the equations of one quarter.

    Parameters
    ----------
    quarter : Electrode
        One quarter; the others follow by turns of 90°.
    soil : towerlib.physics.layered_soil.Soil
        Uniform or two-layer soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    Solution
        Of the whole electrode, its pieces quarter by quarter.

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
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
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
    return Solution(float(1 / total_a), np.tile(current_a, 4) / total_a, pieces, soil)


def fourfold(quarter: Electrode) -> Electrode:
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
    >>> from towerlib.physics.electrode.segments import rod
    >>> fourfold(rod(3.0, 0.008, (4.0, 4.0))).start_m[1]
    array([-4.,  4.,  0.])
    """
    return join(*(_turned(quarter, turn) for turn in TURNS))


def _turned(quarter, turn):
    """Pieces turned about the middle of the tower."""
    start_m, end_m = (
        np.column_stack([end_m[:, :2] @ turn.T, end_m[:, 2]]) for end_m in (quarter.start_m, quarter.end_m)
    )
    return Electrode(start_m, end_m, quarter.radius_m)


def potential(solution: Solution, points_m: ArrayLike, current_a: float = 1.0) -> np.ndarray:
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
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
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


def mutual_resistances(pieces: Electrode, soil: Soil) -> np.ndarray:
    """Mean potential of each piece for one ampere out of each other, and out of itself.

    Parameters
    ----------
    pieces : towerlib.physics.electrode.segments.Electrode
        p pieces, none of which crosses the boundary.
    soil : towerlib.physics.layered_soil.Soil
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
    the other is far away.

    References
    ----------
    Sunde (1949); G. F. Tagg, Earth Resistances (1964), images of a two-layer soil; from memory.

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
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


def _is_below(pieces, boundary_m):
    """Whether each piece lies in the bottom layer."""
    depth_m = np.column_stack([pieces.start_m[:, 2], pieces.end_m[:, 2]])
    slack_m = 1e-9  # a piece cut at the boundary may end a rounding error beyond it
    if np.any((depth_m.min(axis=1) < boundary_m - slack_m) & (depth_m.max(axis=1) > boundary_m + slack_m)):
        raise ValueError(f"a piece crosses the boundary of the layers at {boundary_m:g} m: cut it there")
    return depth_m.mean(axis=1) > boundary_m


def inverse(mutual_ohm: np.ndarray) -> np.ndarray:
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


def some(pieces: Electrode, index: np.ndarray) -> Electrode:
    """Selected pieces, repeated where the index repeats.

    Parameters
    ----------
    pieces : towerlib.physics.electrode.segments.Electrode
        p pieces.
    index : array of int
        Which of them.

    Returns
    -------
    towerlib.physics.electrode.segments.Electrode

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import square
    >>> some(square(2.0, 0.004, 0.6), [0, 0, 3]).radius_m.size
    3
    """
    return type(pieces)(pieces.start_m[index], pieces.end_m[index], pieces.radius_m[index])


def image_table(
    soil: Soil, field_below: bool, source_below: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depth and strength of the images of a source.

    Parameters
    ----------
    soil : towerlib.physics.layered_soil.Soil
        Uniform or two-layer soil.
    field_below, source_below : bool
        Field point and source lie in the bottom layer.

    Returns
    -------
    tuple of array, each of shape (t,)
        Sign s and offset o [m] of the depth of each image, s·c + o for a source at depth c, and its strength
        ρ·weight/(4π) [Ω·m].

    References
    ----------
    Sunde (1949); Tagg (1964), from memory.

    Examples
    --------
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(np.round(image_table(uniform(100.0), False, False)[2], 3))
    [7.958 7.958]
    """
    factor, twice_m = soil.factor, 2 * soil.depth_m
    order, weight = image_weights(factor, ENGINE_TOLERANCE)
    if not order.size:
        pair = np.array([1.0, -1.0])
        return pair, np.zeros(2), np.full(2, soil.upper_ohm_m / (4 * np.pi))
    zero, one = np.zeros_like(order), np.ones_like(order)
    if not field_below and not source_below:
        sign = np.r_[1, -1, one, -one, one, -one]
        offset_m = np.r_[0, 0, -order, -order, order, order] * twice_m
        return sign, offset_m, soil.upper_ohm_m / (4 * np.pi) * np.r_[1, 1, weight, weight, weight, weight]
    if field_below and source_below:
        sign, offset_m = np.r_[1, -1, -1, zero - 1], np.r_[0, 1, 0, -order] * twice_m
        past = 1 - factor**2
        return sign, offset_m, soil.lower_ohm_m / (4 * np.pi) * np.r_[1, -factor, past, past * weight]
    # The current crosses the boundary: images above the source as seen from below, below it as seen from above.
    side = -1 if field_below else 1
    sign, offset_m = np.r_[1, -1, one, -one], np.r_[0, 0, side * order, -order] * twice_m
    strength = soil.upper_ohm_m * (1 + factor) / (4 * np.pi)
    return sign, offset_m, strength * np.r_[1, 1, weight, weight]


def mean_potentials(fields: Electrode, sources: Electrode, images: Sequence[np.ndarray]) -> np.ndarray:
    """Mean potential over each field piece per ampere from each source, all images together.

    Parameters
    ----------
    fields, sources : towerlib.physics.electrode.segments.Electrode
        f and s pieces, each within one layer.
    images : tuple of array
        From `image_table`.

    Returns
    -------
    array, shape (f, s)
        Mean potential [Ω].

    Notes
    -----
    Pieces that lie apart, and images that lie deep, as two of Gauss's points on either side; the others by the
    potential of an evenly leaking piece at six points. A mean differs by some 1e-3 of itself at most from the one by
    six points, a resistance by some 1e-5.

    References
    ----------
    Gauss's rule; E. D. Sunde, Earth Conduction Effects in Transmission Systems (1949), potential of a piece.

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
    >>> pair = rod(3.0, 0.008), rod(3.0, 0.008, (3.0, 0.0))
    >>> print(mean_potentials(*pair, image_table(uniform(100.0), False, False)))
    [[4.38]]
    """
    is_near = ~_is_far(fields, sources, images)
    near, far = ([part[chosen] for part in images] for chosen in (is_near, ~is_near))
    far_means = _point_means(fields, sources, far)
    means = far_means + _point_means(fields, sources, near)
    i, j = np.nonzero(_are_near(fields, sources, near))
    if i.size:
        means[i, j] = far_means[i, j] + _pair_means(some(fields, i), some(sources, j), near)
    return means


def _is_far(fields, sources, images):
    """Images that every piece sees from afar."""
    longest_m = max(fields.length_m.max(), sources.length_m.max())
    ends_m = (fields.start_m, fields.end_m, sources.start_m, sources.end_m)
    deepest_m = max(end_m[:, 2].max() for end_m in ends_m)
    return np.abs(images[1]) - 2 * deepest_m > FAR_IMAGES * longest_m


def _are_near(fields, sources, images):
    """Pairs of pieces, (f, s), of which one lies near the other or near one of its images."""
    at_m, from_m = ((part.start_m + part.end_m) / 2 for part in (fields, sources))
    reach2 = (FAR_PIECES * (fields.length_m[:, None] + sources.length_m)) ** 2
    are_near = np.zeros(reach2.shape, bool)
    flat2 = _flat2(at_m[:, None], from_m)
    for sign, offset_m, _ in zip(*images, strict=True):
        are_near |= flat2 + (at_m[:, 2:] - (sign * from_m[:, 2] + offset_m)) ** 2 < reach2
    return are_near


def _point_means(fields, sources, images):
    """Mean potentials of pieces taken as two points each."""
    at_m, from_m = (gauss_points(part, FAR_POINTS)[0].reshape(-1, 3) for part in (fields, sources))
    flat2 = _flat2(at_m[:, None], from_m)
    flat2 += np.tile(sources.radius_m**2, FAR_POINTS)
    total, apart = np.zeros_like(flat2), np.empty_like(flat2)
    for sign, offset_m, strength in zip(*images, strict=True):
        np.subtract(at_m[:, 2:], sign * from_m[:, 2] + offset_m, out=apart)
        apart *= apart
        apart += flat2
        np.sqrt(apart, out=apart)
        np.divide(strength, apart, out=apart)
        total += apart
    shape = (FAR_POINTS, len(fields.radius_m), FAR_POINTS, len(sources.radius_m))
    return total.reshape(shape).mean(axis=(0, 2))


def _pair_means(fields, sources, images):
    """Mean potentials of pairs of pieces, by evenly leaking sources."""
    points_m, share = gauss_points(fields, NEAR_POINTS)
    return share @ _along(points_m, sources, images, sources.radius_m**2)


def gauss_points(pieces, count):
    """Gauss's points along each piece, (count, p, 3), and their weights, together 1."""
    node, share = gauss(count)
    along = ((1 + node) / 2)[:, None, None]
    return pieces.start_m + along * (pieces.end_m - pieces.start_m), share / 2


@cache
def gauss(count):
    """Gauss's rule on (−1, 1)."""
    return np.polynomial.legendre.leggauss(count)


def point_potentials(points_m: ArrayLike, sources: Electrode, images: Sequence[np.ndarray]) -> np.ndarray:
    """Potential at points per ampere from each source, all images together.

    Parameters
    ----------
    points_m : array, shape (m, 3)
        x, y and depth of each point [m].
    sources : towerlib.physics.electrode.segments.Electrode
        s pieces.
    images : tuple of array
        From `image_table`.

    Returns
    -------
    array, shape (m, s)
        Potential [Ω].

    Notes
    -----
    ρ/(4πL)·ln[(r1 + r2 + L)/(r1 + r2 − L)], r1 = |X − P|, r2 = |X − Q|, and the same for images. A point within the
    metal is moved out to its mantle.

    References
    ----------
    As `mean_potentials`.

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
    >>> at = np.array([[100.0, 0.0, 0.0]])
    >>> print(point_potentials(at, rod(3.0, 0.008), image_table(uniform(100.0), False, False)))
    [[0.159]]
    """
    points_m = np.asarray(points_m, float)[:, None]
    towards = (sources.end_m - sources.start_m) / sources.length_m[:, None]
    apart_m = points_m - sources.start_m
    along_m = (apart_m * towards).sum(axis=-1)
    axis2 = (apart_m**2).sum(axis=-1) - along_m**2
    return _along(points_m, sources, images, np.clip(sources.radius_m**2 - axis2, 0.0, None))


def point_source_potentials(
    points_m: ArrayLike, positions_m: ArrayLike, depth_m: float, soil: Soil
) -> np.ndarray:
    """Potential at points per ampere out of points at one depth.

    Parameters
    ----------
    points_m : array, shape (..., 3)
        x, y and depth of each point [m].
    positions_m : array, shape (k, 2)
        x and y of each source [m].
    depth_m : float
        Depth of all sources [m].
    soil : towerlib.physics.layered_soil.Soil
        Uniform or two-layer soil.

    Returns
    -------
    array, shape (..., k)
        Potential [Ω]; inf at a source itself.

    References
    ----------
    As `image_table`.

    Examples
    --------
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(point_source_potentials([[10.0, 0.0, 0.0]], [[0.0, 0.0]], 0.0, uniform(100.0)))
    [[1.59]]
    """
    points_m, positions_m = np.asarray(points_m, float), np.asarray(positions_m, float)
    apart2 = ((points_m[..., None, :2] - positions_m) ** 2).sum(axis=-1)
    point_depth_m = points_m[..., 2][..., None]
    below = point_depth_m > soil.depth_m
    total = np.zeros(apart2.shape)
    for field_below in (False, True):
        if np.any(below == field_below):
            images = image_table(soil, field_below, depth_m > soil.depth_m)
            with np.errstate(divide="ignore"):
                volts = sum(
                    strength / np.sqrt(apart2 + (sign * depth_m + offset_m - point_depth_m) ** 2)
                    for sign, offset_m, strength in zip(*images, strict=True)
                )
            total = np.where(below == field_below, volts, total)
    return total


def _along(points_m, sources, images, a2):
    """Potential at points (..., s or 1, 3) per ampere from s evenly leaking pieces, a2 added to squared distances."""
    length_m = sources.length_m
    flat = [_flat2(points_m, end_m) + a2 for end_m in (sources.start_m, sources.end_m)]
    depth_m = points_m[..., 2]
    total = np.zeros(flat[0].shape)
    for sign, offset_m, strength in zip(*images, strict=True):
        drops = (sign * end_m[:, 2] + offset_m - depth_m for end_m in (sources.start_m, sources.end_m))
        reach = sum(np.sqrt(part + drop * drop) for part, drop in zip(flat, drops, strict=True))
        total += strength * np.log((reach + length_m) / (reach - length_m))
    return total / length_m


def _flat2(points_m, other_m):
    """Squared horizontal distance of points."""
    x, y = points_m[..., 0] - other_m[..., 0], points_m[..., 1] - other_m[..., 1]
    return x * x + y * y
