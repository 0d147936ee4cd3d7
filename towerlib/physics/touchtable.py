"""Table of touch fractions over kind of structure, leg spacing and two-layer soil: written here, read by `touchfractions`.

``python -m towerlib.physics.touchtable`` writes ``touchfractions.csv`` anew; it takes some 20 minutes of one core.
"""

import csv
import sys
from importlib.resources import files
from pathlib import Path

import numpy as np

from towerlib.physics.electrode.footings import block, pad_and_chimney, plate
from towerlib.physics.electrode.fourfold import solve_fourfold
from towerlib.physics.electrode.matrix import solve
from towerlib.physics.electrode.pieces import join, radials, rod, square, wire
from towerlib.physics.soil.layers import Soil, uniform
from towerlib.physics.touchfractions import solved_touch_fraction

SPACINGS_M = (3.0, 7.5, 20.0)
CONTRASTS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
DEPTHS_M = (0.5, 1.0, 1.7, 2.5, 3.5, 5.0, 8.0, 14.0)
UPPER_OHM_M = 100.0  # a fraction does not depend on it
COUNT = 8  # parts of the longest piece
WIRE_RADIUS_M, WIRE_DEPTH_M = 0.004, 0.6
STUB_RADIUS_M = 0.08
PAD_THICKNESS_M, CHIMNEY_M = 0.5, 0.6
PAD_BY_SPACING = 0.6  # pads of neighbouring legs do not touch


def soil_of(contrast, depth_m):
    """Soil of a contrast ρ2/ρ1 and a depth of the boundary.

    Parameters
    ----------
    contrast, depth_m : float
        Lower over upper resistivity [1], boundary [m].

    Returns
    -------
    towerlib.physics.soil.layers.Soil

    Examples
    --------
    >>> soil_of(0.1, 3.5).lower_ohm_m
    10.0
    """
    if contrast == 1:
        return uniform(UPPER_OHM_M)
    return Soil(UPPER_OHM_M, UPPER_OHM_M * contrast, depth_m)


def foot(kind, size_m, depth_m, at_m=(0.0, 0.0)):
    """One footing and half the width of what stands above the ground.

    Parameters
    ----------
    kind : str
        ``block``, ``pad``, ``pile`` or ``grillage``.
    size_m, depth_m : float
        Side, or diameter of a pile; depth of its underside [m].
    at_m : pair of float
        x and y of its middle [m].

    Returns
    -------
    tuple of Electrode and float
        The second: half a width [m].

    Examples
    --------
    >>> foot("pile", 0.3, 3.0)[1]
    0.15
    """
    if kind == "block":
        return block(size_m, depth_m, at_m, panels=2 if size_m < 1 else 3), size_m / 2
    if kind == "pad":
        panels = int(np.clip(np.ceil(size_m / 0.8), 3, 5))
        return (
            pad_and_chimney(size_m, PAD_THICKNESS_M, depth_m, CHIMNEY_M, at_m, panels=panels),
            CHIMNEY_M / 2,
        )
    if kind == "grillage":
        stub = rod(depth_m - 0.05, STUB_RADIUS_M, at_m)
        return join(plate(size_m, depth_m, at_m, panels=3), stub), STUB_RADIUS_M
    return rod(depth_m, size_m / 2, at_m), size_m / 2


def touch_fraction_of(kind, spacing_m, feet, soil, count=COUNT):
    """Touch fraction of one structure.

    Parameters
    ----------
    kind : str
        ``four``, ``four ring``, ``single``, ``single ring``.
    spacing_m : float
        Side of the square of the legs [m]; not used for a single foot.
    feet : tuple
        Kind, size and depth of the footing as for `foot`; with a ring also its distance from the face of the legs
        and the length of four radials [m], 0 for none; without a ring, optionally the length of a rod at each foot.
    soil : towerlib.physics.soil.layers.Soil
        Soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    float
        Greatest share of the rise between a leg and the ground 1 m from its face.

    Examples
    --------
    >>> from towerlib.physics.soil.layers import uniform
    >>> print(round(touch_fraction_of("four", 8.0, ("block", 0.6, 2.0), uniform(100.0)), 2))
    0.39
    """
    shape, size_m, depth_m, *more = feet
    is_four = kind.startswith("four")
    at_m = (spacing_m / 2, spacing_m / 2) if is_four else (0.0, 0.0)
    metal, half_m = foot(shape, size_m, depth_m, at_m)
    parts = [metal]
    if kind.endswith("ring"):
        apart_m, radial_m = more
        edge_m = at_m[0] + half_m + apart_m
        if is_four:
            ends = [(edge_m, side * edge_m, WIRE_DEPTH_M) for side in (-1, 1)]
            parts.append(wire(ends, WIRE_RADIUS_M))
        else:
            parts.append(square(2 * edge_m, WIRE_RADIUS_M, WIRE_DEPTH_M))
        if radial_m:
            number = 1 if is_four else 4
            parts.append(radials(number, radial_m, WIRE_RADIUS_M, WIRE_DEPTH_M, edge_m * np.sqrt(2) + 0.02))
    elif more:
        beside_m = max(half_m, size_m / 2 if shape in ("pad", "grillage") else 0.0) + 0.3
        parts.append(rod(more[0], 0.008, np.add(at_m, beside_m), 0.5))
    metal = join(*parts)
    solution = solve_fourfold(metal, soil, count) if is_four else solve(metal, soil, count)
    return solved_touch_fraction(solution, at_m, half_m, is_round=shape in ("pile", "grillage"))


def family(kind, spacing_m):
    """Structures of a kind that reach furthest to either side.

    Parameters
    ----------
    kind : str
        As for `touch_fraction_of`.
    spacing_m : float
        Side of the square of the legs [m].

    Returns
    -------
    list of tuple
        Feet as for `touch_fraction_of`.

    Examples
    --------
    >>> family("four", 10.0)[0]
    ('block', 0.6, 1.5)
    """
    pad_m = min(4.0, PAD_BY_SPACING * spacing_m)
    if kind == "four":
        wide = [("pad", pad_m, 2.5), ("pad", pad_m, 3.5), ("pad", pad_m, 2.5, 6.0)]
        return [("block", 0.6, 1.5), ("block", 0.6, 2.0), ("grillage", 1.2, 2.5), *wide]
    if kind == "four ring":
        slim = [("block", 0.6, 1.5, 0.3, 0.0), ("block", 0.6, 1.5, 2.5, 0.0)]
        slim += [("block", 0.6, 1.5, 0.5, 40.0), ("block", 0.6, 2.0, 2.5, 40.0)]
        return [*slim, ("pad", pad_m, 2.5, 0.7, 0.0), ("pad", pad_m, 2.5, 1.5, 20.0)]
    if kind == "single":
        slim = [("pile", 0.24, 2.0), ("pile", 0.3, 3.0), ("block", 0.6, 1.5)]
        wide = [("pad", 4.5, 2.5), ("pad", 4.5, 3.5), ("pad", 4.5, 2.5, 6.0)]
        return [*slim, *wide, ("pile", 2.0, 10.0)]
    slim = [("pile", 0.24, 2.0, 0.3, 0.0), ("pile", 0.24, 2.0, 2.5, 0.0), ("pile", 0.3, 3.0, 2.5, 10.0)]
    slim += [("pile", 0.24, 2.0, 0.5, 40.0), ("pile", 0.3, 2.0, 2.5, 40.0)]
    return [*slim, ("pad", 4.5, 2.5, 0.7, 0.0), ("pad", 4.5, 2.5, 1.5, 20.0)]


def row(kind, spacing_m, contrast, depth_m):
    """One row of the table.

    Parameters
    ----------
    kind : str
        As for `touch_fraction_of`.
    spacing_m, contrast, depth_m : float
        Leg spacing [m], lower over upper resistivity [1], boundary [m].

    Returns
    -------
    tuple of float
        Least and greatest fraction of the `family` [1].
    """
    soil = soil_of(contrast, depth_m)
    values = [touch_fraction_of(kind, spacing_m, feet, soil) for feet in family(kind, spacing_m)]
    return min(values), max(values)


def entries():
    """All rows of the table without their fractions.

    Returns
    -------
    list of tuple
        Kind, spacing, contrast and depth; a spacing or depth of 0 where there is none.

    Examples
    --------
    >>> len(entries())
    520
    """
    soils = [(1.0, 0.0)] + [(c, depth_m) for c in CONTRASTS if c != 1 for depth_m in DEPTHS_M]
    kinds = [(kind, s) for kind in ("four", "four ring") for s in SPACINGS_M]
    kinds += [("single", 0.0), ("single ring", 0.0)]
    return [(kind, s, *soil) for kind, s in kinds for soil in soils]


def main(argv):
    """Write the table, or the part of it of the kinds named."""
    path = Path(argv[0] if argv else str(files("towerlib.physics") / "touchfractions.csv"))
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["kind", "spacing_m", "contrast", "depth_m", "low", "high"])
        for kind, *place in entries():
            if len(argv) < 2 or kind in argv[1:]:
                out.writerow([kind, *(f"{x:g}" for x in place), *(f"{x:.4f}" for x in row(kind, *place))])
                file.flush()


if __name__ == "__main__":
    main(sys.argv[1:])
