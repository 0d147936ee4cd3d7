"""Touch fraction: the touch voltage at a leg as a share of the earth-fault potential rise of the tower.

The fraction depends on footing, ring and soil. `touch_fraction_limits` reads its least and greatest value from
``touch_fractions.csv``, and this module also computes that table:

    python -m towerlib.physics.touch_fractions table.csv
    python -m towerlib.physics.touch_fractions table.csv --kind single --kind "single ring"

Rows are written as they are computed: 520 rows of six or seven structures each.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics.electrode.matrix import Solution, solve, solve_fourfold
from towerlib.physics.electrode.segments import (
    Electrode,
    block,
    join,
    pad_and_chimney,
    plate,
    radials,
    rod,
    square,
    wire,
)
from towerlib.physics.layered_soil import Soil, uniform
from towerlib.values import number

KINDS = ("four", "four ring", "single", "single ring")
STEPS = 5  # points at which the table is read along an interval of contrast or depth
SPACINGS_M = (3.0, 7.5, 20.0)
CONTRASTS = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
DEPTHS_M = (0.5, 1.0, 1.7, 2.5, 3.5, 5.0, 8.0, 14.0)
UPPER_OHM_M = 100.0  # a fraction does not depend on it
COUNT = 8  # parts of the longest piece
WIRE_RADIUS_M, WIRE_DEPTH_M = 0.004, 0.6
STUB_RADIUS_M = 0.08
PAD_THICKNESS_M, CHIMNEY_M = 0.5, 0.6
PAD_BY_SPACING = 0.6  # pads of neighbouring legs do not touch


def touch_fraction_limits(
    kind: str,
    spacing_m: ArrayLike,
    contrast_low: ArrayLike,
    contrast_high: ArrayLike,
    depth_low_m: ArrayLike,
    depth_high_m: ArrayLike,
) -> tuple[np.ndarray, np.ndarray]:
    """Least and greatest touch fraction of structures of a kind, in soil that lies between limits.

    Parameters
    ----------
    kind : str
        ``four``, ``four ring``, ``single`` or ``single ring``.
    spacing_m : array, shape (n,)
        Leg spacing [m]; NaN where not known, not used for a single foot.
    contrast_low, contrast_high : array, shape (n,)
        Lower over upper resistivity [1].
    depth_low_m, depth_high_m : array, shape (n,)
        Depth of the boundary [m]; 0 and inf where not known.

    Returns
    -------
    tuple of array, each of shape (n,)
        Least and greatest share of the potential rise [1], the margins of the table included.

    Notes
    -----
    The footing is not known: each entry of the table spans slim blocks to wide pads. Between the entries by
    straight lines over the logarithms of spacing, contrast and depth; beyond the table its ends apply,
    except for the contrast: there the limits are 0 and 1.

    References
    ----------
    Own method-of-moments computation, ``python -m towerlib.physics.touch_fractions``.

    Examples
    --------
    >>> low, high = touch_fraction_limits("four", [8.0], [1.0], [1.0], [1.0], [1.0])
    >>> bool(low[0] < 0.1 < 0.45 < high[0] < 0.5)
    True
    """
    from scipy.interpolate import RegularGridInterpolator

    axes, low, high = _limits_table(kind)
    contrast = np.log(np.array([contrast_low, contrast_high], float))
    depth_m = np.array([depth_low_m, depth_high_m], float)
    depth = np.log(np.clip(depth_m, np.exp(axes[2][0]), np.exp(axes[2][-1])))
    spacing_m = np.asarray(spacing_m, float)
    known = np.clip(np.where(np.isnan(spacing_m), 1.0, spacing_m), np.exp(axes[0][0]), np.exp(axes[0][-1]))
    spacing = np.where(np.isnan(spacing_m), np.array([[axes[0][0]], [axes[0][-1]]]), np.log(known))
    at = np.stack(
        np.broadcast_arrays(
            spacing[:, None, None],
            _along(np.clip(contrast, axes[1][0], axes[1][-1]), axes[1])[None, :, None],
            _along(depth, axes[2])[None, None, :],
        ),
        axis=-1,
    )
    margin = number("touch_fraction_margin")
    spread = number("touch_fraction_ring_margin") if kind.endswith("ring") else margin
    least = RegularGridInterpolator(axes, low)(at).min(axis=(0, 1, 2)) / (1 + spread)
    greatest = RegularGridInterpolator(axes, high)(at).max(axis=(0, 1, 2)) * (1 + margin)
    within = (contrast[0] >= axes[1][0] - 1e-9) & (contrast[1] <= axes[1][-1] + 1e-9)
    return np.where(within, least, 0.0), np.where(within, np.minimum(greatest, 1.0), 1.0)


def _along(ends, nodes):
    """Places between two ends, (STEPS + nodes, n): evenly, and at the nodes of the table that lie between."""
    evenly = ends[0] + np.linspace(0, 1, STEPS)[:, None] * (ends[1] - ends[0])
    places = np.vstack([evenly, np.clip(nodes[:, None], ends[0], ends[1])])
    return np.clip(places, nodes[0], nodes[-1])  # rounding must not lead past the table


@cache
def _limits_table(kind):
    """Axes (logarithms of spacing, contrast and depth) and both ends of the fraction of a kind."""
    text = files("towerlib.physics").joinpath("touch_fractions.csv").read_text(encoding="utf-8")
    names = ("spacing_m", "contrast", "depth_m", "low", "high")
    rows = np.array(
        [[float(one[n]) for n in names] for one in csv.DictReader(text.splitlines()) if one["kind"] == kind]
    )
    if not len(rows):
        raise ValueError(f"there are no touch fractions of the kind {kind!r}")
    spacings, contrasts = np.unique(rows[:, 0]), np.unique(rows[:, 1])
    depths = np.unique(rows[rows[:, 1] != 1, 2])
    ends = np.empty((2, len(spacings), len(contrasts), len(depths)))
    for spacing_m, contrast, depth_m, *pair in rows:
        # uniform soil has no boundary: it counts for every depth
        place = slice(None) if contrast == 1 else np.searchsorted(depths, depth_m)
        for end, value in zip(ends, pair, strict=True):
            end[np.searchsorted(spacings, spacing_m), np.searchsorted(contrasts, contrast), place] = value
    if len(spacings) == 1:  # a single foot has no legs: any spacing will do
        spacings, ends = np.array([1.0, 100.0]), np.repeat(ends, 2, axis=1)
    return (np.log(spacings), np.log(contrasts), np.log(depths)), *ends


def solved_touch_fraction(
    solution: Solution,
    leg_m: Sequence[float],
    half_m: float,
    reach_m: float | None = None,
    *,
    is_round: bool = False,
) -> float:
    """Greatest touch fraction of an electrode at a leg, with the feet a reach from its face.

    Parameters
    ----------
    solution : towerlib.physics.electrode.matrix.Solution
        The electrode, from `towerlib.physics.electrode.matrix.solve` or `solve_fourfold`.
    leg_m : pair of float
        x and y of the middle of the leg [m].
    half_m : float
        Half its width, or its radius, at the surface [m].
    reach_m : float, optional
        Distance of the feet from the face [m]; else that of the standards.
    is_round : bool
        The leg is round; else square, its sides along x and y.

    Returns
    -------
    float
        Touch voltage over potential rise [1]: the worst of eight directions.

    References
    ----------
    EN 50522: touch voltage over 1 m.

    Examples
    --------
    >>> from towerlib.physics.electrode.matrix import solve
    >>> from towerlib.physics.electrode.segments import rod
    >>> from towerlib.physics.layered_soil import uniform
    >>> pole = solve(rod(3.0, 0.15), uniform(100.0))
    >>> print(round(solved_touch_fraction(pole, (0.0, 0.0), 0.15, is_round=True), 2))
    0.52
    """
    from towerlib.physics.electrode.matrix import potential

    reach_m = number("touch_reach_m") if reach_m is None else reach_m
    angle = np.arange(8) * np.pi / 4
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    face = towards if is_round else np.sign(np.round(towards, 9))
    at_m = np.asarray(leg_m) + half_m * face + reach_m * towards
    ground_v = potential(solution, np.column_stack([at_m, np.zeros(8)]))
    return float(1 - ground_v.min() / solution.resistance_ohm)


def main(argv: Sequence[str]) -> None:
    """Compute the table of touch fractions and write it, row by row.

    Parameters
    ----------
    argv : sequence of str
        Arguments of the command line; ``--help`` lists them.
    """
    parser = argparse.ArgumentParser(
        prog="python -m towerlib.physics.touch_fractions",
        description="Compute the table of touch fractions, row by row. The package reads touch_fractions.csv.",
    )
    parser.add_argument("file", type=Path, help="table to write; an existing one is replaced")
    parser.add_argument(
        "--kind",
        action="append",
        choices=KINDS,
        help="kind of structure to compute, may be repeated; else all",
    )
    options = parser.parse_args(argv)
    with options.file.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["kind", "spacing_m", "contrast", "depth_m", "low", "high"])
        for kind, *place in entries():
            if kind in (options.kind or KINDS):
                out.writerow([kind, *(f"{x:g}" for x in place), *(f"{x:.4f}" for x in row(kind, *place))])
                file.flush()


def entries() -> list[tuple[str, float, float, float]]:
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


def row(kind: str, spacing_m: float, contrast: float, depth_m: float) -> tuple[float, float]:
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


def family(kind: str, spacing_m: float) -> list[tuple]:
    """Structures of a kind with the lowest and the highest fractions.

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


def touch_fraction_of(kind: str, spacing_m: float, feet: tuple, soil: Soil, count: int = COUNT) -> float:
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
    soil : towerlib.physics.layered_soil.Soil
        Soil.
    count : int
        Parts into which the longest piece is cut.

    Returns
    -------
    float
        Greatest share of the rise between a leg and the ground 1 m from its face.

    Examples
    --------
    >>> from towerlib.physics.layered_soil import uniform
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


def foot(
    kind: str, size_m: float, depth_m: float, at_m: Sequence[float] = (0.0, 0.0)
) -> tuple[Electrode, float]:
    """One footing and half the width of the part above the ground.

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


def soil_of(contrast: float, depth_m: float) -> Soil:
    """Soil of a contrast ρ2/ρ1 and a depth of the boundary.

    Parameters
    ----------
    contrast, depth_m : float
        Lower over upper resistivity [1], boundary [m].

    Returns
    -------
    towerlib.physics.layered_soil.Soil

    Examples
    --------
    >>> soil_of(0.1, 3.5).lower_ohm_m
    10.0
    """
    if contrast == 1:
        return uniform(UPPER_OHM_M)
    return Soil(UPPER_OHM_M, UPPER_OHM_M * contrast, depth_m)


if __name__ == "__main__":
    main(sys.argv[1:])
