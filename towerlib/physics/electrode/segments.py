"""Shapes of buried metal as straight pieces: rods, wires, radials, squares, blocks, plates and pads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

PIECE_COUNT = 16
SHORTEST = 4  # length of a part by its radius
STRIP_RADIUS = 0.2015  # round wire of a square's length and mean self-potential, by its side
PANELS_ACROSS = 4


@dataclass(frozen=True)
class Electrode:
    """Bonded metal in the ground, made of p straight round pieces.

    Attributes
    ----------
    start_m, end_m : array, shape (p, 3)
        Ends of each piece [m]: x, y, and depth below the surface, which is 0 or more.
    radius_m : array, shape (p,)
        Radius of each piece [m].

    Raises
    ------
    ValueError
        Shapes that do not belong together, metal above the surface, a piece without length or radius.

    Examples
    --------
    >>> rod(3.0, 0.008).start_m
    array([[0., 0., 0.]])
    """

    start_m: np.ndarray
    end_m: np.ndarray
    radius_m: np.ndarray

    def __post_init__(self) -> None:
        count = len(self.radius_m)
        if np.shape(self.start_m) != (count, 3) or np.shape(self.end_m) != (count, 3):
            raise ValueError(f"{count} pieces need {count} starts and ends of x, y and depth")
        if count == 0:
            raise ValueError("an electrode needs at least one piece of metal")
        depths_m = np.r_[self.start_m[:, 2], self.end_m[:, 2]]
        if not (np.isfinite(self.start_m).all() and np.isfinite(self.end_m).all() and (depths_m >= 0).all()):
            raise ValueError(
                "every piece of an electrode must lie at a known place, at a depth of 0 m or more"
            )
        if not (np.all(self.radius_m > 0) and np.all(self.length_m > 0)):
            raise ValueError("every piece of an electrode needs a length and a radius greater than 0 m")

    @property
    def length_m(self) -> np.ndarray:
        """Length of each piece [m]."""
        return np.linalg.norm(np.subtract(self.end_m, self.start_m), axis=1)


def rod(
    length_m: float, radius_m: float, position_m: ArrayLike = (0.0, 0.0), top_m: float = 0.0
) -> Electrode:
    """One vertical rod, or several alike.

    Parameters
    ----------
    length_m, radius_m : float
        Length in the ground and radius [m].
    position_m : array, shape (2,) or (p, 2)
        x and y of each rod [m].
    top_m : float
        Depth of the top [m].

    Returns
    -------
    Electrode
        One piece per rod.

    Examples
    --------
    >>> rod(3.0, 0.008, [(0.0, 0.0), (5.0, 0.0)], 0.6).end_m[:, 2]
    array([3.6, 3.6])
    """
    position_m = np.atleast_2d(np.asarray(position_m, float))
    tops, bottoms = (np.full(len(position_m), depth_m) for depth_m in (top_m, top_m + length_m))
    return Electrode(
        np.column_stack([position_m, tops]),
        np.column_stack([position_m, bottoms]),
        np.full(len(position_m), float(radius_m)),
    )


def wire(points_m: ArrayLike, radius_m: float) -> Electrode:
    """Wire along a chain of points.

    Parameters
    ----------
    points_m : array, shape (k, 3)
        x, y and depth of each corner [m].
    radius_m : float
        Radius [m].

    Returns
    -------
    Electrode
        k − 1 pieces.

    Examples
    --------
    >>> print(wire([(0.0, 0.0, 0.6), (30.0, 0.0, 0.6)], 0.004).length_m)
    [30.]
    """
    points_m = np.asarray(points_m, float)
    return Electrode(points_m[:-1], points_m[1:], np.full(len(points_m) - 1, float(radius_m)))


def radials(
    count: int,
    length_m: float,
    radius_m: float,
    depth_m: float,
    start_m: float = 0.0,
    first_deg: float = 45.0,
) -> Electrode:
    """Straight wires that run outwards from a tower, at equal angles.

    Parameters
    ----------
    count : int
        Number of wires.
    length_m, radius_m, depth_m : float
        Length of each, radius and depth [m].
    start_m : float
        Distance from the middle of the tower at which they begin [m].
    first_deg : float
        Direction of the first [°]; 45 leaves along the diagonal of a square tower.

    Returns
    -------
    Electrode
        One piece per wire.

    Examples
    --------
    >>> print(radials(4, 30.0, 0.004, 0.6, 5.66).length_m)
    [30. 30. 30. 30.]
    """
    angle = np.radians(first_deg + 360.0 / count * np.arange(count))
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    depths = np.full(count, float(depth_m))
    return Electrode(
        np.column_stack([start_m * towards, depths]),
        np.column_stack([(start_m + length_m) * towards, depths]),
        np.full(count, float(radius_m)),
    )


def square(side_m: float, radius_m: float, depth_m: float) -> Electrode:
    """Closed square of wire about the middle of a tower.

    Parameters
    ----------
    side_m, radius_m, depth_m : float
        Side, radius and depth of the wire [m].

    Returns
    -------
    Electrode
        Four pieces.

    Examples
    --------
    >>> print(square(10.0, 0.004, 0.6).length_m)
    [10. 10. 10. 10.]
    """
    half = side_m / 2
    corners = [(half, half), (-half, half), (-half, -half), (half, -half), (half, half)]
    return wire([(x, y, depth_m) for x, y in corners], radius_m)


def block(
    width_m: float,
    depth_m: float,
    position_m: Sequence[float] = (0.0, 0.0),
    *,
    top_m: float = 0.0,
    panels: int = PANELS_ACROSS,
) -> Electrode:
    """Outer surface of a square block of concrete, its top flush with the surface or covered.

    Parameters
    ----------
    width_m : float
        Side of the square [m].
    depth_m : float
        Depth of its base [m].
    position_m : pair of float
        x and y of its middle [m].
    top_m : float
        Depth of its top [m]: a top above which there is soil leaks too.
    panels : int
        Panels across a side.

    Returns
    -------
    Electrode
        One short piece per panel, too short to be cut further.

    Raises
    ------
    ValueError
        A block that is flat beside its panels.

    Notes
    -----
    Each face is covered by square panels, each taken as a round wire through its middle with the mean potential
    of the square, a = 0.2015·side. The concrete counts as a perfect conductor: moist concrete of
    30 to 200 Ω·m in soil of several hundred.

    References
    ----------
    Mean of 1/r over a square, 4·[ln(1 + √2) − (√2 − 1)/3]/side: elementary integral.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import solve
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(solve(block(1.0, 0.5), uniform(2 * np.pi)).resistance_ohm)
    1.51
    """
    if not depth_m - top_m > width_m / panels / 2:
        raise ValueError("a block must be thicker than half a panel is wide: take a plate for thinner ones")
    corners = _corners(width_m, position_m)
    faces = [_wall(corners[i - 1], corners[i], top_m, depth_m, panels) for i in range(4)]
    faces.append(_face(corners, depth_m, panels))
    if top_m > 0:
        faces.append(_face(corners, top_m, panels))
    return join(*faces)


def plate(
    width_m: float, depth_m: float, position_m: Sequence[float] = (0.0, 0.0), *, panels: int = PANELS_ACROSS
) -> Electrode:
    """Square plate that lies in the ground, as a grillage does.

    Parameters
    ----------
    width_m, depth_m : float
        Side of the square, and the depth at which it lies [m].
    position_m : pair of float
        x and y of its middle [m].
    panels : int
        Panels across a side; four make it some 2 % high.

    Returns
    -------
    Electrode
        One short piece per panel. The stub that leads to it is a rod of its own: without it a footing comes out by a
        sixth to a quarter too small.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import solve
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(solve(plate(1.0, 1.5), uniform(100.0)).resistance_ohm)
    24.8
    """
    return _face(_corners(width_m, position_m), depth_m, panels)


def pad_and_chimney(
    pad_m: float,
    thickness_m: float,
    base_m: float,
    chimney_m: float,
    position_m: Sequence[float] = (0.0, 0.0),
    *,
    panels: int = PANELS_ACROSS,
) -> Electrode:
    """Outer surface of a pad with a chimney up to the surface.

    Parameters
    ----------
    pad_m, thickness_m, base_m : float
        Side of the pad, its thickness, and the depth of its underside [m].
    chimney_m : float
        Side of the chimney [m].
    position_m : pair of float
        x and y of its middle [m].
    panels : int
        Panels across the pad.

    Returns
    -------
    Electrode
        One short piece per panel.

    Raises
    ------
    ValueError
        A chimney wider than its pad, or a pad thicker than it lies deep.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import solve
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(1 / solve(pad_and_chimney(2.5, 0.5, 2.5, 0.6), uniform(2 * np.pi)).resistance_ohm)
    1.9
    """
    if not (0 < chimney_m < pad_m and 0 < thickness_m < base_m):
        raise ValueError("a chimney must be narrower than its pad, and the pad thinner than its base is deep")
    top_m = base_m - thickness_m
    pad = block(pad_m, base_m, position_m, top_m=top_m, panels=panels)
    half, corners = chimney_m / 2, _corners(chimney_m, position_m)
    walls = [_wall(corners[i - 1], corners[i], 0.0, top_m, 1) for i in range(4)]
    covered = np.abs((pad.start_m + pad.end_m)[:, :2] / 2 - position_m).max(axis=1) < half
    outside = ~(covered & (np.abs((pad.start_m + pad.end_m)[:, 2] / 2 - top_m) < 1e-9))
    return join(Electrode(pad.start_m[outside], pad.end_m[outside], pad.radius_m[outside]), *walls)


def leg_positions(spacing_m: float) -> np.ndarray:
    """Middles of four legs on a square.

    Parameters
    ----------
    spacing_m : float
        Side of the square [m].

    Returns
    -------
    array, shape (4, 2)
        x and y of each leg [m].

    Examples
    --------
    >>> leg_positions(8.0)[0]
    array([4., 4.])
    """
    return spacing_m / 2 * np.array([(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)])


def _corners(width_m, position_m):
    """Corners of a square, (4, 2)."""
    return leg_positions(width_m) + np.asarray(position_m)


def _wall(from_m, to_m, top_m, base_m, panels):
    """Panels of a vertical face, as horizontal pieces."""
    width_m = np.linalg.norm(np.subtract(to_m, from_m))
    rows = max(1, round((base_m - top_m) / (width_m / panels)))
    return _panels(
        np.append(from_m, top_m),
        np.append(np.subtract(to_m, from_m), 0.0),
        (0.0, 0.0, base_m - top_m),
        panels,
        rows,
    )


def _face(corners_m, depth_m, panels):
    """Panels of a horizontal face."""
    origin = np.append(corners_m[2], depth_m)
    across, along = (np.append(corners_m[i] - corners_m[2], 0.0) for i in (3, 1))
    return _panels(origin, across, along, panels, panels)


def _panels(origin_m, across_m, along_m, columns, rows):
    """Pieces through the middles of a face's panels."""
    across_m, along_m = np.asarray(across_m) / columns, np.asarray(along_m) / rows
    i, j = (part.ravel()[:, None] for part in np.meshgrid(np.arange(columns), np.arange(rows) + 0.5))
    start_m = origin_m + i * across_m + j * along_m
    side_m = np.sqrt(np.linalg.norm(across_m) * np.linalg.norm(along_m))
    return Electrode(start_m, start_m + across_m, np.full(len(start_m), STRIP_RADIUS * side_m))


def join(*electrodes: Electrode) -> Electrode:
    """Several electrodes, bonded to one.

    Parameters
    ----------
    *electrodes : Electrode
        Electrodes to bond.

    Returns
    -------
    Electrode

    Examples
    --------
    >>> len(join(rod(3.0, 0.008), square(10.0, 0.004, 0.6)).radius_m)
    5
    """
    return Electrode(
        *(
            np.concatenate([getattr(one, name) for one in electrodes])
            for name in ("start_m", "end_m", "radius_m")
        )
    )


def cut(electrode: Electrode, boundary_m: float = np.inf, count: int = PIECE_COUNT) -> Electrode:
    """Pieces cut fine enough for a computation, finest at their ends.

    Parameters
    ----------
    electrode : Electrode
        Long pieces.
    boundary_m : float
        Depth of a boundary between layers that no piece may cross [m].
    count : int
        Parts of the longest piece; shorter ones are cut into fewer, down to a quarter of it.

    Returns
    -------
    Electrode
        Every part shorter than the whole, each at least four times as long as its radius.

    Notes
    -----
    Ends of the parts at (1 − cos(πi/n))/2 of the length. The number of parts falls with the square root of
    the length, so that a rod beside a long counterpoise is still cut.

    Examples
    --------
    >>> len(cut(rod(6.0, 0.008), boundary_m=4.0, count=8).radius_m)
    14
    """
    electrode = _split(electrode, boundary_m)
    length_m = electrode.length_m
    parts = np.ceil(count * np.maximum(np.sqrt(length_m / length_m.max()), 0.25)).astype(int)
    parts = np.clip(parts, 1, np.maximum(length_m / (SHORTEST * electrode.radius_m), 1).astype(int))
    owner = np.repeat(np.arange(len(parts)), parts)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    from_, to = ((1 - np.cos(np.pi * step / parts[owner])) / 2 for step in (place, place + 1))
    start_m, end_m = electrode.start_m[owner], electrode.end_m[owner]
    # Rounding must not carry the last part beyond the end of its piece: that may be the boundary of the layers.
    ends_m = [
        np.clip(
            start_m + share[:, None] * (end_m - start_m),
            np.minimum(start_m, end_m),
            np.maximum(start_m, end_m),
        )
        for share in (from_, to)
    ]
    return Electrode(*ends_m, electrode.radius_m[owner])


def _split(electrode, boundary_m):
    """Pieces that cross the boundary as two pieces each."""
    top, bottom = electrode.start_m[:, 2], electrode.end_m[:, 2]
    crosses = (np.minimum(top, bottom) < boundary_m) & (np.maximum(top, bottom) > boundary_m)
    if not crosses.any():
        return electrode
    share = ((boundary_m - top[crosses]) / (bottom - top)[crosses])[:, None]
    start_m, end_m = np.array(electrode.start_m, float), np.array(electrode.end_m, float)
    between_m = start_m[crosses] + share * (end_m[crosses] - start_m[crosses])
    between_m[:, 2] = boundary_m
    rest_m = end_m[crosses]
    end_m[crosses] = between_m
    return Electrode(
        np.vstack([start_m, between_m]),
        np.vstack([end_m, rest_m]),
        np.r_[electrode.radius_m, electrode.radius_m[crosses]],
    )
