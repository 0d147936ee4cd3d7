"""Towers of a synthetic line: route, soil, structures, seasons and planted defects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from pyproj import Geod

from towerlib.physics.leg_network import foot_positions

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike

    from towerlib.simulate.specs import Ground, LineSpec, Planted, Route


GEOD = Geod(ellps="WGS84")
BOND_OHM = (10.0, 60.0)  # a worn bond
LEAD_FACTOR = (3.0, 8.0)  # resistance of a corroded lead, in own resistances of its foot
WORK_FACTOR = (0.30, 0.55)  # ratio of the footings after and before successful works
FAILED_FACTOR = 0.98
PATHS = 5  # largest number of paths to earth: four feet and a tail, or a mast and four guys
LEG_NAMES = {
    "lattice": ("A", "B", "C", "D", "tail"),
    "monopole": ("L1", "L2"),
    "guyed": ("mast", "guy 1", "guy 2", "guy 3", "guy 4"),
}
GUY_SPACING_M = 24.0
TAIL_M = 25.0  # distance from the axis at which a counterpoise below the coils meets the earth


@dataclass(frozen=True)
class Built:
    """The line as built, known only to the simulator; n towers.

    `towers`: complete register, and the defects. `span_m` (n − 1,): lengths of the spans [m]. `own_ohm` (n, 5): own
    resistance of each path to earth in normal soil [Ω], NaN without a path. `feet_m` (n, 5): positions of the paths
    relative to the axis [m], complex. `in_coils` (n, 5): paths that the crew's coils enclose.
    """

    towers: pd.DataFrame
    span_m: np.ndarray
    own_ohm: np.ndarray
    feet_m: np.ndarray
    in_coils: np.ndarray


def build(spec: LineSpec, rng: np.random.Generator) -> Built:
    """Line as built, from its specification."""
    towers, span_m = place_towers(spec.route, rng)
    towers = towers.assign(**soil_along(towers["chainage_m"].to_numpy(), spec.ground, rng))
    towers = towers.assign(**_structures(spec, len(towers), rng))
    towers = towers.assign(**_surroundings(spec, towers, rng), **_seasons(towers, rng))
    own_ohm, in_coils = _paths(towers, rng)
    towers = towers.assign(**plant(spec.planted, towers, own_ohm, rng))
    return Built(towers, span_m, own_ohm, _feet(towers, np.isfinite(own_ohm).sum(axis=1)), in_coils)


def place_towers(route: Route, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Towers along the route, straight between angles, and the spans [m].

    One row per tower: tower_id, latitude_deg, longitude_deg, chainage_m, bearing_deg.
    """
    bearing_deg = np.concatenate([np.full(count, float(bearing)) for bearing, count in route.sections])
    span_m = route.span_m * (1 + 0.13 * np.clip(rng.standard_normal(len(bearing_deg) - 1), -3, 3))
    places = [(route.longitude_deg, route.latitude_deg)]
    for bearing, length_m in zip(bearing_deg, span_m, strict=False):
        places.append(GEOD.fwd(*places[-1], bearing, length_m)[:2])
    longitude_deg, latitude_deg = np.round(places, 6).T
    return pd.DataFrame(
        {
            "tower_id": tower_names(route.names, len(bearing_deg)),
            "latitude_deg": latitude_deg,
            "longitude_deg": longitude_deg,
            "chainage_m": np.r_[0.0, np.cumsum(span_m)],
            "bearing_deg": bearing_deg,
        }
    ), span_m


def tower_names(style: str, count: int) -> list[str]:
    """Tower names in the style ``padded``, ``plain`` or ``section``; a tower added later has a letter appended."""
    if style == "padded":
        return _with_additions([f"{k:03d}" for k in range(1, count)], ("012A",))
    if style == "plain":
        return _with_additions([str(k) for k in range(1, count - 1)], ("12A", "47A"))
    return [f"{'ABCDEF'[k // 74]}/{k % 74 + 1}" for k in range(count)]


def _with_additions(names, additions):
    """Names with each addition directly after the tower of the same number."""
    for name in additions:
        place = names.index(name[:-1]) + 1
        names = [*names[:place], name, *names[place:]]
    return names


def soil_along(chainage_m: np.ndarray, ground: Ground, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Soil along the line, by chainage [m]: patches with sharp borders, and gradual changes within them."""
    step_m = np.diff(chainage_m, prepend=chainage_m[0] - 300.0)
    patch = np.cumsum(rng.random(len(chainage_m)) < 1 - np.exp(-step_m / 4000.0))
    values = rng.standard_normal((patch[-1] + 1, 3))[patch]
    slow = correlated(step_m, 1500.0, rng)
    upper = np.exp(ground.spread * (0.75 * values[:, 0] + 0.65 * slow))
    lower = upper * np.exp(0.6 * values[:, 1])
    depth_m = np.clip(3.0 * np.exp(0.4 * values[:, 2]), 1.0, 9.0)
    apparent = wenner_resistivity(upper, lower, depth_m, 6.0)
    scale = ground.resistivity_ohm_m / np.median(apparent)
    return {
        "upper_layer_ohm_m": scale * upper,
        "lower_layer_ohm_m": scale * lower,
        "layer_depth_m": depth_m,
        "soil_resistivity_ohm_m": scale * apparent,
    }


def correlated(step_m: ArrayLike, length_m: float, rng: np.random.Generator) -> np.ndarray:
    """Standard normal values along the line with the correlation length `length_m`."""
    keep = np.exp(-np.asarray(step_m) / length_m)
    values = rng.standard_normal(len(keep))
    for k in range(1, len(values)):
        values[k] = keep[k] * values[k - 1] + np.sqrt(1 - keep[k] ** 2) * values[k]
    return values


def wenner_resistivity(
    upper_ohm_m: ArrayLike, lower_ohm_m: ArrayLike, depth_m: ArrayLike, spacing_m: ArrayLike
) -> np.ndarray:
    """Apparent resistivity [Ω·m] of two layers, by four pins at equal spacing [m].

    ρa = ρ1·(1 + 4·Σ Kⁿ·[1/√(1 + (2nh/a)²) − 1/√(4 + (2nh/a)²)]), K = (ρ2 − ρ1)/(ρ2 + ρ1), 200 images. Source: Sunde,
    Earth Conduction Effects (1949); Tagg, Earth Resistances (1964); IEEE Std 81 (from memory).
    """
    upper, lower, depth_m = (np.asarray(a, float)[..., None] for a in (upper_ohm_m, lower_ohm_m, depth_m))
    n = np.arange(1, 201)
    reach = (2 * n * depth_m / np.asarray(spacing_m, float)[..., None]) ** 2
    images = ((lower - upper) / (lower + upper)) ** n * (1 / np.sqrt(1 + reach) - 1 / np.sqrt(4 + reach))
    return upper[..., 0] * (1 + 4 * images.sum(axis=-1))


def _structures(spec, count, rng):
    """Structure, legs, ring, and paths outside the coils."""
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


def within(count: int, ranges: Iterable[tuple[int, int]]) -> np.ndarray:
    """Positions inside any of the ranges."""
    place = np.arange(count)
    return np.any([place < 0, *((place >= low) & (place < high) for low, high in ranges)], axis=0)


def _surroundings(spec, towers, rng):
    """Soil class, occupancy and access; more people near the ends, access by stretches of towers."""
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
    """Seasonal factors of the footing, larger for shallow electrodes."""
    dry, wet = rng.random((2, len(towers)))
    ring = towers["ring"].to_numpy()
    return {
        "dry_factor": np.where(ring, 1.20 + 0.25 * dry, 1.05 + 0.20 * dry),
        "wet_factor": np.where(ring, 0.80 + 0.10 * wet, 0.88 + 0.09 * wet),
    }


def _paths(towers, rng):
    """Own resistance of each path [Ω], and whether a coil encloses it."""
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


def plant(
    planted: Planted, towers: pd.DataFrame, own_ohm: np.ndarray, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Planted defects and works with dates and sizes; defect_leg is −1 where there is none."""
    role = _roles(planted, towers, own_ohm, rng)
    return _bonds_and_legs(planted, role, rng) | _works(role, rng) | _open_span(planted, len(role))


def _roles(planted, towers, own_ohm, rng):
    """Role of each tower, at most one; not near the ends and an open span."""
    place = np.arange(len(towers))
    bonded = ((towers["shield_wire"] == "bonded") & ~towers["tail"]).to_numpy()
    inner = bonded & (place > 3) & (place < len(place) - 4)
    if planted.open_span is not None:
        inner &= np.abs(place - planted.open_span - 0.5) > 3
    legged = inner & ((towers["structure"] == "lattice") & ~towers["ring"]).to_numpy()
    parallel_ohm = 1 / np.nansum(1 / own_ohm, axis=1)
    role = np.full(len(towers), "none", dtype=object)
    for name, count, allowed in (
        ("corroded leg", planted.corroded_legs, legged),
        ("open leg", planted.open_legs, legged),
        ("open bond", planted.open_bonds, inner),
        ("worn bond", planted.worn_bonds, inner),
        ("treated", planted.treated, legged & (parallel_ohm > np.quantile(parallel_ohm, 0.7))),
        ("untested", planted.untested, bonded),
    ):
        role[rng.choice(np.flatnonzero(allowed & (role == "none")), count, replace=False)] = name
    return role


def _bonds_and_legs(planted, role, rng):
    """Electrical defects: impedance of the bond, or leg and its lead."""
    count = len(role)
    lame = np.isin(role, ["corroded leg", "open leg"])
    begun = lame | np.isin(role, ["open bond", "worn bond"])
    since = rng.choice(np.array(planted.since, "datetime64[D]"), count)
    leg = rng.integers(0, 4, count)
    worn_ohm, lead = (low + (high - low) * rng.random(count) for low, high in (BOND_OHM, LEAD_FACTOR))
    return {
        "defect": np.where(begun, role, "none").astype(str),
        "defect_since": np.where(begun, since, np.datetime64("NaT")),
        "bond_ohm": np.select([role == "open bond", role == "worn bond"], [np.inf, worn_ohm], 0.0),
        "defect_leg": np.where(lame, leg, -1),
        "lead_factor": np.select([role == "open leg", lame], [np.inf, lead], 0.0),
        "tested": role != "untested",
    }


def _works(role, rng):
    """Works of early 2025; those at the last treated tower have no effect."""
    treated = np.flatnonzero(role == "treated")
    low, high = WORK_FACTOR
    factor = np.full(len(role), np.nan)
    factor[treated] = low + (high - low) * rng.random(len(treated))
    factor[treated[-1:]] = FAILED_FACTOR
    day = np.datetime64("2025-03-10") + rng.integers(0, 40, len(role))
    return {
        "treated_on": np.where(np.isfinite(factor), day, np.datetime64("NaT")),
        "treatment_factor": factor,
    }


def _open_span(planted, count):
    """Day on which the shield wire broke, at the tower before the span."""
    since = np.full(count, np.datetime64("NaT", "D"))
    if planted.open_span is not None:
        since[planted.open_span] = np.datetime64(planted.open_span_since)
    return {"span_ahead_open_since": since}


def _feet(towers, path_count):
    """Positions of the paths relative to the axis [m]."""
    usual_m = towers["structure"].map({"guyed": GUY_SPACING_M}).fillna(1.0)
    spacing_m = towers["leg_spacing_m"].fillna(usual_m).to_numpy()
    feet_m = np.full((len(towers), PATHS), np.nan, complex)
    for count in np.unique(path_count):
        rows = path_count == count
        feet_m[rows, :count] = foot_positions(int(count), spacing_m[rows])
    tail = towers["tail"].to_numpy()
    feet_m[tail] = np.c_[foot_positions(4, spacing_m[tail]), np.full(tail.sum(), TAIL_M)]
    return feet_m


def leg_names(towers: pd.DataFrame) -> np.ndarray:
    """Names of the paths of every tower, shape (n, 5); blank without a path."""
    names = np.full((len(towers), PATHS), "", dtype=object)
    for structure, words in LEG_NAMES.items():
        rows = (towers["structure"] == structure).to_numpy()
        names[rows, : len(words)] = words
    return names
