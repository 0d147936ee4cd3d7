"""Concrete footings as metal in the ground: blocks, pads with a chimney, four legs of a tower."""

import numpy as np

from towerlib.physics.electrode.pieces import Electrode, join

STRIP_RADIUS = 0.2015  # round wire of a square's length and mean self-potential, by its side
PANELS_ACROSS = 4


def block(width_m, depth_m, position_m=(0.0, 0.0), *, top_m=0.0, panels=PANELS_ACROSS):
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
        One short piece a panel, too short to be cut further.

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
    >>> from towerlib.physics.electrode.matrix import resistance
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(resistance(block(1.0, 0.5), uniform(2 * np.pi)))
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


def plate(width_m, depth_m, position_m=(0.0, 0.0), *, panels=PANELS_ACROSS):
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
        One short piece a panel. The stub that leads to it is a rod of its own: without it a footing comes out by a
        sixth to a quarter too small.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import resistance
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(resistance(plate(1.0, 1.5), uniform(100.0)))
    24.8
    """
    return _face(_corners(width_m, position_m), depth_m, panels)


def pad_and_chimney(pad_m, thickness_m, base_m, chimney_m, position_m=(0.0, 0.0), *, panels=PANELS_ACROSS):
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
        One short piece a panel.

    Raises
    ------
    ValueError
        A chimney wider than its pad, or a pad thicker than it lies deep.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import resistance
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(1 / resistance(pad_and_chimney(2.5, 0.5, 2.5, 0.6), uniform(2 * np.pi)))
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


def on_legs(footing, spacing_m):
    """One footing, drawn about the origin, under each of four legs.

    Parameters
    ----------
    footing : Electrode
        Footing of one leg.
    spacing_m : float
        Side of the square of the legs [m].

    Returns
    -------
    Electrode

    Examples
    --------
    >>> len(on_legs(block(1.0, 2.0), 8.0).radius_m) // len(block(1.0, 2.0).radius_m)
    4
    """
    shifts = [np.append(place, 0.0) for place in leg_positions(spacing_m)]
    return join(
        *(Electrode(footing.start_m + shift, footing.end_m + shift, footing.radius_m) for shift in shifts)
    )


def leg_positions(spacing_m):
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
