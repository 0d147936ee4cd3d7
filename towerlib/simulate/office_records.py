"""Office records of a synthetic line: register, soil tests, works and prices; and the truth behind them."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.simulate.crews import blank_but, significant, yes_no
from towerlib.simulate.towers import LEG_NAMES, wenner_resistivity

if TYPE_CHECKING:
    from typing import Any

    from towerlib.simulate.specs import LineSpec
    from towerlib.simulate.towers import Built


REGISTER_COLUMNS = [
    *(
        "tower_id",
        "latitude_deg",
        "longitude_deg",
        "sequence",
        "structure",
        "leg_count",
        "leg_spacing_m",
        "height_m",
    ),
    *("earth_paths_in_coils", "ring", "shield_wire", "soil_resistivity_ohm_m", "upper_layer_ohm_m"),
    *("lower_layer_ohm_m", "layer_depth_m", "soil_class", "occupancy", "access", "access_group"),
    "ground_flash_density",
]
LAYER_COLUMNS = ("upper_layer_ohm_m", "lower_layer_ohm_m", "layer_depth_m")
PIN_SPACINGS_M = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0])
WORKS = (("radial counterpoise", 120), ("deep rod", 12), ("extra rods", 4), ("conductive backfill", 6))
SOURCE = "invented for the demo"


def register(settings: dict[str, Any], built: Built, rng: np.random.Generator) -> pd.DataFrame:
    """Register of the utility: rounded, and blank where not surveyed."""
    towers, count = built.towers, len(built.towers)
    estimate = np.exp(0.2 * rng.standard_normal(count))
    surveyed, layered = rng.random(count) < 0.75, rng.random(count) < 0.3
    layers = {name: blank_but(layered, significant(towers[name] * estimate, 2)) for name in LAYER_COLUMNS[:2]}
    table = towers.assign(
        sequence=np.arange(1, count + 1),
        height_m=np.round(2 * settings["tower"]["height_m"] * towers["height_factor"]) / 2,
        earth_paths_in_coils=yes_no(towers["earth_paths_in_coils"]),
        ring=yes_no(towers["ring"]),
        soil_resistivity_ohm_m=blank_but(
            surveyed, significant(towers["soil_resistivity_ohm_m"] * estimate, 2)
        ),
        layer_depth_m=blank_but(layered, significant(towers["layer_depth_m"], 2)),
        ground_flash_density=np.round(
            settings["lightning"]["ground_flash_density"] * towers["density_factor"], 1
        ),
        **layers,
    )
    return cast("pd.DataFrame", table[REGISTER_COLUMNS])


def soil_tests(spec: LineSpec, built: Built, rng: np.random.Generator) -> pd.DataFrame:
    """Four-pin soil tests at some towers, in the second campaign."""
    chosen = np.flatnonzero(rng.random(len(built.towers)) < 0.12)
    towers = built.towers.iloc[chosen]
    upper, lower, depth = (towers[name].to_numpy()[:, None] for name in LAYER_COLUMNS)
    resistance = wenner_resistivity(upper, lower, depth, PIN_SPACINGS_M) / (2 * np.pi * PIN_SPACINGS_M)
    day = np.busday_offset(spec.campaigns[1].start, chosen // 25, roll="forward")
    return pd.DataFrame(
        {
            "tower_id": np.repeat(towers["tower_id"].to_numpy(), len(PIN_SPACINGS_M)),
            "date": pd.to_datetime(np.repeat(day, len(PIN_SPACINGS_M))),
            "spacing_m": np.tile(PIN_SPACINGS_M, len(chosen)),
            "resistance_ohm": significant(
                resistance * (1 + 0.02 * rng.standard_normal(resistance.shape))
            ).ravel(),
        }
    )


def works(built: Built, rng: np.random.Generator) -> pd.DataFrame:
    """Completed treatments with quantity and cost."""
    treated = built.towers.loc[built.towers["treated_on"].notna()].sort_values("treated_on", kind="stable")
    kinds = [WORKS[k % len(WORKS)] for k in range(len(treated))]
    return pd.DataFrame(
        {
            "tower_id": treated["tower_id"].to_numpy(),
            "date": treated["treated_on"].to_numpy(),
            "treatment": [name for name, _ in kinds],
            "quantity": [quantity for _, quantity in kinds],
            "cost": np.round(2500 + 3000 * rng.random(len(treated)), -1),
        }
    )


def prices() -> pd.DataFrame:
    """Invented unit prices for the demo; the package ships none."""
    rows = (
        ("trench", "m", 28, "soft", None),
        ("trench", "m", 45, "ordinary", None),
        ("trench", "m", 90, "stony", None),
        ("trench", "m", 210, "rock", None),
        ("wire", "m", 9, None, None),
        ("rod", "m", 60, "soft", None),
        ("rod", "m", 75, "ordinary", None),
        ("rod", "m", 160, "stony", None),
        ("drilled rod", "m", 190, None, None),
        ("backfill", "m", 38, None, None),
        ("leg lead", "piece", 260, None, None),
        ("mobilisation", "group", 1200, None, "road"),
        ("mobilisation", "group", 1900, None, "track"),
        ("mobilisation", "group", 3100, None, "foot"),
        ("mobilisation", "group", 9800, None, "helicopter"),
        ("retest", "tower", 240, None, None),
        ("arrester set", "tower", 6800, None, None),
        ("shield-wire bond", "piece", 380, None, None),
        ("under-built wire", "m", 34, None, None),
    )
    table = pd.DataFrame(rows, columns=["item", "unit", "price", "soil_class", "access"])
    low, high = significant(0.8 * table["price"]), significant(1.35 * table["price"])
    return table.assign(price_low=low, price_high=high, source=SOURCE, year=2026)


def truth(built: Built) -> pd.DataFrame:
    """Planted truth, one row per tower."""
    towers = built.towers
    leg = towers["defect_leg"].to_numpy()
    names = pd.Series(np.array(LEG_NAMES["lattice"])[np.maximum(leg, 0)])
    return pd.DataFrame(
        {
            "tower_id": towers["tower_id"],
            "chainage_m": np.round(towers["chainage_m"], 1),
            "footing_ohm": significant(towers["footing_ohm"]),
            "soil_resistivity_ohm_m": significant(towers["soil_resistivity_ohm_m"]),
            "ring": yes_no(towers["ring"]),
            "earth_paths_in_coils": yes_no(towers["earth_paths_in_coils"]),
            "shield_wire": towers["shield_wire"],
            "defect": towers["defect"],
            "defect_since": towers["defect_since"],
            "defect_leg": names.where(leg >= 0),
            "bond_ohm": significant(towers["bond_ohm"]),
            "span_ahead_open_since": towers["span_ahead_open_since"],
            "treated_on": towers["treated_on"],
            "treatment_factor": significant(towers["treatment_factor"], 2),
            "tested": yes_no(towers["tested"]),
        }
    )
