"""Electrodes of the printed examples: footings under four legs, round rings, and their resistance."""

import numpy as np

from towerlib.physics.electrode.matrix import solve
from towerlib.physics.electrode.segments import PIECE_COUNT, Electrode, join, leg_positions, wire

RING_SIDES = 32


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
    >>> from towerlib.physics.electrode.segments import block
    >>> len(on_legs(block(1.0, 2.0), 8.0).radius_m) // len(block(1.0, 2.0).radius_m)
    4
    """
    shifts = [np.append(place, 0.0) for place in leg_positions(spacing_m)]
    return join(
        *(Electrode(footing.start_m + shift, footing.end_m + shift, footing.radius_m) for shift in shifts)
    )


def ring(diameter_m, radius_m, depth_m, sides=RING_SIDES):
    """Round ring of wire about the middle of a tower, as a polygon of the same length.

    Parameters
    ----------
    diameter_m, radius_m, depth_m : float
        Diameter of the ring, radius and depth of its wire [m].
    sides : int
        Number of straight pieces.

    Returns
    -------
    Electrode

    Examples
    --------
    >>> print(ring(10.0, 0.004, 0.6).length_m.sum())
    31.416
    """
    corner_m = np.pi * diameter_m / sides / (2 * np.sin(np.pi / sides))
    angle = 2 * np.pi * np.arange(sides + 1) / sides
    points = np.column_stack(
        [corner_m * np.cos(angle), corner_m * np.sin(angle), np.full(sides + 1, depth_m)]
    )
    points[-1] = points[0]
    return wire(points, radius_m)


def resistance(electrode, soil, count=PIECE_COUNT):
    """Resistance to remote earth of bonded metal in the ground.

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
    float
        Resistance [Ω].

    Examples
    --------
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
    >>> print(resistance(rod(3.0, 0.008), uniform(100.0)))
    33.2
    """
    return solve(electrode, soil, count).resistance_ohm
