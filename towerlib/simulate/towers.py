"""The line as built: structures, feet, what stands around them, and the defects hidden in them."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.physics.legs import foot_positions
from towerlib.simulate.defects import plant
from towerlib.simulate.ground import correlated, lay, lay_soil

PATHS = 5  # most paths to earth that a tower has here: four feet and a tail, or a mast and four guys
LEG_NAMES = {
    "lattice": ("A", "B", "C", "D", "tail"),
    "monopole": ("L1", "L2"),
    "guyed": ("mast", "guy 1", "guy 2", "guy 3", "guy 4"),
}
GUY_SPACING_M = 24.0
TAIL_M = 25.0  # where a counterpoise that leaves below the coils reaches the earth, from the axis


@dataclass(frozen=True)
class Built:
    """The line as it is, known to the simulator alone; n towers.

    Attributes
    ----------
    towers : DataFrame
        One row a tower: the register without its blanks, and the defects.
    span_m : array, shape (n − 1,)
        Lengths of the spans [m].
    own_ohm : array, shape (n, 5)
        Own resistance of each path to earth in normal soil [Ω]; NaN where there is no such path.
    feet_m : array of complex, shape (n, 5)
        Places of the paths round the axis [m].
    in_coils : array of bool, shape (n, 5)
        Paths that the crew's coils enclose.
    """

    towers: pd.DataFrame
    span_m: np.ndarray
    own_ohm: np.ndarray
    feet_m: np.ndarray
    in_coils: np.ndarray


def build(spec, rng):
    """Line as built, from its specification.

    Parameters
    ----------
    spec : LineSpec
        What to build.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Built
    """
    towers, span_m = lay(spec.route, rng)
    towers = towers.assign(**lay_soil(towers["chainage_m"].to_numpy(), spec.ground, rng))
    towers = towers.assign(**_structures(spec, len(towers), rng))
    towers = towers.assign(**_surroundings(spec, towers, rng), **_seasons(towers, rng))
    own_ohm, in_coils = _paths(towers, rng)
    towers = towers.assign(**plant(spec.planted, towers, own_ohm, rng))
    return Built(towers, span_m, own_ohm, _feet(towers, np.isfinite(own_ohm).sum(axis=1)), in_coils)


def leg_names(towers):
    """Names of the paths of every tower, shape (n, 5); blank where there is none."""
    names = np.full((len(towers), PATHS), "", dtype=object)
    for structure, words in LEG_NAMES.items():
        rows = (towers["structure"] == structure).to_numpy()
        names[rows, : len(words)] = words
    return names


def within(count, ranges):
    """Positions inside any of the ranges.

    Examples
    --------
    >>> within(5, ((1, 3),)).tolist()
    [False, True, True, False, False]
    """
    place = np.arange(count)
    return np.any([place < 0, *((place >= low) & (place < high) for low, high in ranges)], axis=0)


def _structures(spec, count, rng):
    """Kind of tower, its legs, what joins them, and which paths the coils leave out."""
    structure = np.where(within(count, spec.route.monopoles), "monopole", "lattice")
    structure = np.where(within(count, spec.route.guyed), "guyed", structure)
    lattice, guyed = structure == "lattice", structure == "guyed"
    guy_count, lead_count = np.where(rng.random(count) < 0.7, 5, 1), np.where(rng.random(count) < 0.4, 2, 1)
    leg_count = np.select([lattice, guyed], [4, guy_count], lead_count)
    ring = lattice & (rng.random(count) < spec.ground.ring_share)
    tail = lattice & ~ring & (rng.random(count) < 0.03)
    spacing_m = np.select([lattice, guyed], [spec.ground.leg_spacing_m, GUY_SPACING_M], 1.6)
    spacing_m = np.round(spacing_m * (1 + 0.08 * rng.standard_normal(count)), 1)
    return {
        "structure": structure,
        "leg_count": leg_count,
        "leg_spacing_m": np.where(leg_count > 1, spacing_m, np.nan),
        "earth_paths_in_coils": ~tail & ~(guyed & (leg_count == 1)),
        "ring": ring,
        "tail": tail,
        "shield_wire": np.where(within(count, spec.route.insulated), "insulated", "bonded"),
    }


def _surroundings(spec, towers, rng):
    """Ground to dig in, people near, access; more people near the ends, access by stretches of towers."""
    count = len(towers)
    place = np.arange(count)
    stretch = place // 8
    people = rng.random(count) + np.where(np.minimum(place, count - 1 - place) < 8, 0.35, 0.0)
    access = rng.choice(4, stretch[-1] + 1, p=[0.3, 0.45, 0.2, 0.05])[stretch]
    step_m = np.diff(towers["chainage_m"], prepend=-300.0)
    soil = np.digitize(towers["soil_resistivity_ohm_m"], [120, 450, 1500])
    return {
        "soil_class": np.array(["soft", "ordinary", "stony", "rock"])[soil],
        "occupancy": np.array(["remote", "accessible", "frequented", "bare feet"])[
            np.digitize(people, [0.6, 0.97, 1.27])
        ],
        "access": np.array(["road", "track", "foot", "helicopter"])[access],
        "access_group": [f"{spec.prefix}-{k + 1:02d}" for k in stretch],
        "density_factor": np.exp(0.12 * correlated(step_m, 6000.0, rng)),
        "height_factor": 1 + 0.08 * rng.standard_normal(count),
    }


def _seasons(towers, rng):
    """How far dry and wet soil move a footing: shallow electrodes more than deep ones."""
    dry, wet = rng.random((2, len(towers)))
    ring = towers["ring"].to_numpy()
    return {
        "dry_factor": np.where(ring, 1.20 + 0.25 * dry, 1.05 + 0.20 * dry),
        "wet_factor": np.where(ring, 0.80 + 0.10 * wet, 0.88 + 0.09 * wet),
    }


def _paths(towers, rng):
    """Own resistance of each path [Ω], and whether a coil goes round it."""
    count = len(towers)
    structure, legs = towers["structure"].to_numpy()[:, None], towers["leg_count"].to_numpy()[:, None]
    per_metre = np.select(
        [structure == "lattice", structure == "guyed"], [0.06 + 0.07 * rng.random((count, 1)), 0.11], 0.075
    )
    own_ohm = towers["soil_resistivity_ohm_m"].to_numpy()[:, None] * per_metre
    own_ohm = own_ohm * np.exp(0.15 * rng.standard_normal((count, PATHS)))
    all_paths = (structure == "guyed") | towers["tail"].to_numpy()[:, None]
    present = np.arange(PATHS) < np.where(all_paths, PATHS, legs)
    return np.where(present, own_ohm, np.nan), np.arange(PATHS) < legs


def _feet(towers, path_count):
    """Places of the paths round the axis [m]."""
    usual_m = towers["structure"].map({"guyed": GUY_SPACING_M}).fillna(1.0)
    spacing_m = towers["leg_spacing_m"].fillna(usual_m).to_numpy()
    feet_m = np.full((len(towers), PATHS), np.nan, complex)
    for count in np.unique(path_count):
        rows = path_count == count
        feet_m[rows, :count] = foot_positions(int(count), spacing_m[rows])
    tail = towers["tail"].to_numpy()
    feet_m[tail] = np.c_[foot_positions(4, spacing_m[tail]), np.full(tail.sum(), TAIL_M)]
    return feet_m
