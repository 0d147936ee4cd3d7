"""Where the metal of a treatment lies about a tower."""

import numpy as np

from towerlib.physics.electrode.footings import leg_positions
from towerlib.physics.electrode.pieces import Electrode, join, rod, square


def legs_at(legs, spacing_m):
    """Places of the legs of a tower.

    Parameters
    ----------
    legs : int
        Number of legs; with five the fifth stands amid the others, as a mast amid its guys.
    spacing_m : float
        Distance between neighbours [m].

    Returns
    -------
    array, shape (legs, 2)
        x and y [m].

    Examples
    --------
    >>> legs_at(2, 4.0)
    array([[-2.,  0.],
           [ 2.,  0.]])
    """
    if legs == 1:
        return np.zeros((1, 2))
    if legs == 2:
        return np.array([[-spacing_m / 2, 0.0], [spacing_m / 2, 0.0]])
    if legs in (4, 5):
        return np.vstack([leg_positions(spacing_m), np.zeros((legs - 4, 2))])
    angle = 2 * np.pi * np.arange(legs) / legs + np.pi / 4
    radius_m = spacing_m / (2 * np.sin(np.pi / legs))
    return radius_m * np.column_stack([np.cos(angle), np.sin(angle)])


def rods_at(count, width_m, outside_m):
    """Places of rods outside the legs.

    Parameters
    ----------
    count : int
        Number of rods: one at a corner, two at opposite corners, four at all corners, else on a circle through
        the corners.
    width_m, outside_m : float
        Side of the square of the legs, and how far outside it the rods stand along x and y [m].

    Returns
    -------
    array, shape (count, 2)
        x and y [m].

    Examples
    --------
    >>> rods_at(2, 8.0, 1.5).tolist()
    [[5.5, 5.5], [-5.5, -5.5]]
    """
    corners_m = leg_positions(width_m + 2 * outside_m)
    if count <= 2:
        return corners_m[[0, 2]][:count]
    if count == 4:
        return corners_m
    angle = 2 * np.pi * np.arange(count) / count + np.pi / 4
    return np.hypot(*corners_m[0]) * np.column_stack([np.cos(angle), np.sin(angle)])


def metal(treatment, width_m, settings, length_m=None):
    """The electrode that a treatment adds to a tower.

    Parameters
    ----------
    treatment : towerlib.treatments.catalogue.Treatment
        One of the kinds that dig.
    width_m : float
        Side of the base of the tower [m].
    settings : towerlib.line.treating.Treatments
        Sizes of wire, rods and trench.
    length_m : float, optional
        Length of each wire in place of the treatment's own [m].

    Returns
    -------
    towerlib.physics.electrode.pieces.Electrode

    Notes
    -----
    Conductive fill counts as metal of its own thickness, as it may where the soil is twenty times worse.

    Examples
    --------
    >>> from towerlib.line.treating import Treatments
    >>> from towerlib.treatments.catalogue import Treatment
    >>> print(metal(Treatment("a", "radials", 4, 30.0), 8.0, Treatments()).length_m)
    [30. 30. 30. 30.]
    """
    length_m, depth_m = length_m or treatment.length_m, settings.trench_depth_m
    wire_m = max(settings.wire_mm, treatment.fill_mm) / 2000
    if treatment.kind in ("rods", "drilled"):
        places_m = rods_at(treatment.count, width_m, settings.rods_outside_m)
        return rod(length_m, max(settings.rod_mm, treatment.fill_mm) / 2000, places_m, depth_m)
    side_m = width_m + 2 * settings.ring_outside_m
    if treatment.kind == "ring":
        return square(side_m, wire_m, depth_m)
    if treatment.kind == "ring and radials":
        around = square(side_m, settings.wire_mm / 2000, depth_m)
        return join(around, wires(treatment.count, length_m, wire_m, side_m, depth_m))
    first_deg = 0.0 if treatment.kind == "counterpoise" else None  # a counterpoise follows the line
    return wires(treatment.count, length_m, wire_m, width_m, depth_m, first_deg=first_deg)


def wires(count, length_m, radius_m, width_m, depth_m, *, first_deg=None):
    """Straight wires at equal angles, each from the corner that is nearest to its way.

    Parameters
    ----------
    count : int
        Number of wires.
    length_m, radius_m : float
        Length and radius of each [m].
    width_m, depth_m : float
        Side of the square of the corners, and depth [m].
    first_deg : float, optional
        Direction of the first [°]; else along a diagonal, or two wires from each corner beside it.

    Returns
    -------
    towerlib.physics.electrode.pieces.Electrode

    Examples
    --------
    >>> print(wires(8, 20.0, 0.004, 8.0, 0.6).start_m[:2])
    [[4.  4.  0.6]
     [4.  4.  0.6]]
    """
    if first_deg is None:
        first_deg = 45.0 if count <= 4 else 45.0 - 180.0 / count
    angle = np.radians(first_deg + 360.0 / count * np.arange(count))
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    corners_m = leg_positions(width_m)
    start_m = corners_m[(towards @ corners_m.T).round(9).argmax(axis=1)]
    depths = np.full(count, float(depth_m))
    return Electrode(
        np.column_stack([start_m, depths]),
        np.column_stack([start_m + length_m * towards, depths]),
        np.full(count, float(radius_m)),
    )
