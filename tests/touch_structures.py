"""Random structures in random soil, the touch fraction of each by the electrode matrix, and how a register shows them."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from towerlib.config import parse
from towerlib.physics.electrode.matrix import solve
from towerlib.physics.electrode.segments import Electrode, join, plate, rod
from towerlib.physics.layered_soil import layered_resistivity
from towerlib.physics.soil import wenner
from towerlib.physics.touch_fractions import COUNT, foot, soil_of, solved_touch_fraction, touch_fraction_of

CLEARING_S = 0.5
SETTINGS = '[line]\nid = "low-moor"\nvoltage_kv = 132\nfrequency_hz = 50\n[earth_fault]\nclearing_s = 0.5\n'
SPACINGS_M = ([1, 2, 4], [1, 2, 3, 5], [1, 2, 4, 8, 16], [0.5, 1, 2, 3, 5, 8, 12])


def draw(count, seed):
    """Random structures: a table of what they are, with their fraction, and the records a user has of them."""
    random = np.random.default_rng(seed)
    towers, soundings = [], []
    for place in range(count):
        tower, sounding = _one(random)
        towers.append({"tower_id": str(place)} | tower)
        if sounding is not None:
            soundings.append(sounding.assign(tower_id=str(place), date=pd.Timestamp("2024-05-06")))
    towers = pd.DataFrame(towers)
    blank = pd.DataFrame(columns=["tower_id", "date", "spacing_m", "resistance_ohm"])
    records = SimpleNamespace(
        towers=towers.assign(ring=towers["ring"].astype("boolean")),
        soil=pd.concat(soundings, ignore_index=True) if soundings else blank,
        works=pd.DataFrame(columns=["tower_id", "date", "treatment"]),
        line=parse(SETTINGS),
    )
    return towers, records


def _one(random):
    """One structure as it is and as it is on record, and its sounding."""
    is_uniform = random.random() < 0.25
    contrast = 1.0 if is_uniform else float(np.exp(random.uniform(-1, 1) * np.log(20)))
    depth_m = float(np.exp(random.uniform(np.log(0.5), np.log(10))))
    upper_ohm_m = float(np.exp(random.uniform(np.log(20), np.log(3000))))
    kind = random.choice(
        ["four", "four ring", "single", "single ring", "two", "guyed"], p=[0.36, 0.2, 0.18, 0.08, 0.1, 0.08]
    )
    spacing_m = float(random.uniform(3, 16)) if kind != "two" else float(random.uniform(1.2, 8))
    fraction, feet = _fraction(random, kind, spacing_m, soil_of(contrast, depth_m))
    structure, legs = {
        "four": ("lattice", 4),
        "two": (random.choice(["portal", "monopole"]), 2),
        "guyed": ("guyed", random.choice([1, 5])),
    }.get(kind.split()[0], ("monopole", 1))
    occupancy = random.choice(["", "bare feet", "frequented", "accessible"])
    shown = {
        "kind": kind,
        "feet": feet,
        "contrast": contrast,
        "boundary_m": depth_m,
        "ground_ohm_m": upper_ohm_m,
        "fraction": fraction,
        "occupancy": occupancy or None,
        "structure": structure if random.random() < 0.85 else None,
        "leg_count": float(legs) if random.random() < 0.8 else np.nan,
        "leg_spacing_m": spacing_m * random.uniform(0.97, 1.03) if random.random() < 0.7 else np.nan,
        "ring": kind.endswith("ring") if random.random() < 0.8 else None,
    }
    return _soil_on_record(random, shown, upper_ohm_m, contrast, depth_m)


def _fraction(random, kind, spacing_m, soil):
    """Touch fraction by the electrode matrix, and the feet in words."""
    shape, size_m, depth_m = _feet(random, kind, spacing_m)
    if kind in ("two", "guyed"):
        return _by_hand(random, kind, spacing_m, (shape, size_m, depth_m), soil)
    more = ()
    if kind.endswith("ring"):
        apart_m = random.uniform(0.3, 2.5)
        more = (apart_m, random.uniform(10, 40) if random.random() < 0.4 else 0.0)
    elif random.random() < 0.35:
        more = (random.uniform(2, 6),)
    feet = (shape, size_m, depth_m, *more)
    return touch_fraction_of(kind, spacing_m, feet, soil), str(feet)


def _feet(random, kind, spacing_m):
    """Kind, size and depth of a footing that such a structure has."""
    if kind.startswith("four"):
        shape = random.choice(["block", "pad", "pile", "grillage"], p=[0.4, 0.3, 0.15, 0.15])
        pad_m = random.uniform(1.5, max(1.6, min(4.0, 0.6 * spacing_m)))
        size_m = {
            "block": random.uniform(0.6, 1.4),
            "pad": pad_m,
            "pile": random.uniform(0.3, 1.2),
            "grillage": 1.2,
        }
        depth_m = {
            "block": random.uniform(1.5, 4),
            "pad": random.uniform(max(2.0, 0.9 + 0.4 * pad_m), 3.5),
            "pile": random.uniform(3, 8),
            "grillage": random.uniform(2, 3),
        }
        if shape == "pad" and spacing_m < 3.2:
            shape = "block"
        return shape, size_m[shape], depth_m[shape]
    shape = random.choice(["pole", "block", "pad", "pile"], p=[0.5, 0.2, 0.2, 0.1])
    if kind == "two":
        shape = random.choice(["pole", "block"])
    if shape == "pole":
        return "pile", random.uniform(0.24, 0.6), random.uniform(2, 4)
    if shape == "block":
        return "block", random.uniform(0.6, 1.2), random.uniform(1.5, 3.5)
    if shape == "pad":
        return "pad", random.uniform(2, 4.5), random.uniform(2.6, 3.5)
    return "pile", random.uniform(0.6, 2.0), random.uniform(4, 8)


def _by_hand(random, kind, spacing_m, feet, soil):
    """Touch fraction of two feet, or of a mast with four anchors: the worst of all that can be touched."""
    is_round = feet[0] == "pile"
    if kind == "two":
        spacing_m = max(spacing_m, feet[1] + 0.3)
        sides = [foot(*feet, (x, 0.0)) for x in (-spacing_m / 2, spacing_m / 2)]
        solution = solve(join(*(metal for metal, _ in sides)), soil, COUNT)
        return solved_touch_fraction(solution, (-spacing_m / 2, 0.0), sides[0][1], is_round=is_round), str(
            feet
        )
    mast, half_m = foot(*feet)
    wide_m, deep_m, thin_m = random.uniform(1, 2), random.uniform(2, 3), random.uniform(0.012, 0.03)
    anchor = join(plate(wide_m, deep_m, panels=3), rod(deep_m - 0.05, thin_m))
    away_m = random.uniform(8, 20)
    places = [(away_m, 0.0), (-away_m, 0.0), (0.0, away_m), (0.0, -away_m)]
    shifts = [np.append(place, 0.0) for place in places]
    metal = join(mast, *(Electrode(anchor.start_m + s, anchor.end_m + s, anchor.radius_m) for s in shifts))
    solution = solve(metal, soil, COUNT)
    at_mast = solved_touch_fraction(solution, (0.0, 0.0), half_m, is_round=is_round)
    return max(at_mast, solved_touch_fraction(solution, places[0], thin_m, is_round=True)), f"{feet}, anchors"


def _soil_on_record(random, shown, upper_ohm_m, contrast, depth_m):
    """The register's soil columns, each with its error or blank, and a sounding where one was taken."""
    lower_ohm_m = contrast * upper_ohm_m
    err = random.uniform(0.85, 1.15, 3)
    pins_ohm_m = float(layered_resistivity(wenner(6.0), upper_ohm_m, lower_ohm_m, depth_m))
    has = random.choice(["nothing", "one", "upper", "pair", "layers", "sounding", "sounding and one"])
    shown["on_record"] = has
    shown["soil_resistivity_ohm_m"] = (
        pins_ohm_m * err[0] if has in ("one", "upper", "sounding and one") else np.nan
    )
    layered = has in ("upper", "pair", "layers")
    shown["upper_layer_ohm_m"] = upper_ohm_m * err[0] if layered else np.nan
    shown["lower_layer_ohm_m"] = lower_ohm_m * err[1] if has in ("pair", "layers") else np.nan
    shown["layer_depth_m"] = depth_m * err[2] if has == "layers" else np.nan
    if not has.startswith("sounding"):
        return shown, None
    spacing_m = np.array(SPACINGS_M[random.integers(len(SPACINGS_M))], float)
    read = layered_resistivity(wenner(spacing_m), upper_ohm_m, lower_ohm_m, depth_m)
    read = read * np.exp(0.02 * random.standard_normal(len(spacing_m)))
    return shown, pd.DataFrame({"spacing_m": spacing_m, "resistance_ohm": read / (2 * np.pi * spacing_m)})
