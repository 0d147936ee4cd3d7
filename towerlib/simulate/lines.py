"""One synthetic line: from its specification to the tables of its folder.

The crews' readings come from `crews`. Here are the office records (register, soil tests, works and prices), the lightning
flashes near the line, its trip-outs, and the truth behind all of them.
"""

from __future__ import annotations

import tomllib
import zlib
from dataclasses import replace
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.simulate.crews import blank_but, readings, significant, yes_no
from towerlib.simulate.electrics import footings, state
from towerlib.simulate.towers import GEOD, LEG_NAMES, build, wenner_resistivity

if TYPE_CHECKING:
    from typing import Any

    from towerlib.simulate.specs import LineSpec
    from towerlib.simulate.towers import Built


def simulate_line(spec: LineSpec, seed: int) -> dict[str, pd.DataFrame]:
    """All tables of a synthetic line by name, in the columns of the records, and the truth behind them.

    The same seed gives the same tables; ``truth`` has one row per tower, ``truth-visits`` one row per flawed visit.
    """
    settings = tomllib.loads(spec.settings)
    built = build(spec, _generator(spec, seed, "build"))
    footing_ohm = np.abs(footings(built, state(built, LAST_DAY, "normal"))[0])
    built = replace(built, towers=built.towers.assign(footing_ohm=footing_ohm))
    office = _generator(spec, seed, "office")
    return {
        "towers": register(settings, built, office),
        **readings(spec, settings, built, _generator(spec, seed, "visits")),
        **lightning(spec, settings, built, _generator(spec, seed, "lightning")),
        "soil": soil_tests(spec, built, office),
        "works": works(built, office),
        "prices": prices(),
        "truth": truth(built),
    }


def _generator(spec, seed, purpose):
    """Separate random number generator for each purpose, so that a change in one does not affect the others."""
    return np.random.default_rng([seed, zlib.crc32(f"{spec.line_id} {purpose}".encode())])


REGISTER_COLUMNS = """
    tower_id latitude_deg longitude_deg sequence structure leg_count leg_spacing_m height_m
    earth_paths_in_coils ring shield_wire soil_resistivity_ohm_m upper_layer_ohm_m lower_layer_ohm_m
    layer_depth_m soil_class occupancy access access_group ground_flash_density
""".split()
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


CORRIDOR_M = 1000.0  # flashes are listed up to this distance on both sides
FIRST_DAY, LAST_DAY = np.datetime64("2019-01-01"), np.datetime64("2026-06-30")
STORMS = 200
# Share of the storms by month, January first: the line lies in the southern hemisphere.
STORM_MONTHS = np.array([1.6, 1.5, 1.2, 0.7, 0.35, 0.2, 0.2, 0.3, 0.6, 1.0, 1.3, 1.6])
STORM_HOUR_UTC, STORM_HOURS_SD, STORM_LENGTH_S = 17.0, 2.5, 2400.0
DETECTED, BOOKED_AS_LIGHTNING, PATROLLED = 0.93, 0.8, 0.35
OTHER_CAUSES = ("bird", "wind-blown object", "pollution", "equipment")
OTHERS_PER_KM_YEAR = 0.012
LOCAL_HOURS = -1  # the control room's clock against UTC


def lightning(
    spec: LineSpec, settings: dict[str, Any], built: Built, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """Flashes near the line and its trip-outs (``flashes``, ``outages``) in the columns of the records.

    Flashes are a Poisson process over the corridor. Those inside the width 28·h^0.6 + b from which the line collects
    (Eriksson) strike it at the nearest tower; 60 % of them are effective and trip the line above 605·l/(4.3 + 0.4·R)
    kA: the withstand voltage of the strike length l over a rough surge impedance. This is suitable for a demo only.
    """
    flashes = _flashes(settings, built, rng)
    x_m = [wire["x_m"] for wire in settings["shield_wires"]["wires"]]
    collected_m = 28 * settings["tower"]["height_m"] ** 0.6 + max(x_m) - min(x_m)
    footing_ohm = built.towers["footing_ohm"].to_numpy()[flashes["place"]]
    critical_ka = 605 * settings["phases"]["strike_length_m"] / (4.3 + 0.4 * footing_ohm)
    trips = np.abs(flashes["across_m"]) < collected_m / 2
    trips &= (np.abs(flashes["peak_current_ka"]) > critical_ka) & (rng.random(len(flashes)) < 0.6)
    seen = rng.random(len(flashes)) < DETECTED
    return {
        "flashes": _located(built, flashes[seen], rng),
        "outages": _outages(spec, built, flashes[trips], rng),
    }


def _flashes(settings, built, rng):
    """True flashes: time, position along and across the line, current; in order of time."""
    length_m = built.towers["chainage_m"].iloc[-1]
    area_km2 = length_m * 2 * CORRIDOR_M / 1e6
    count = rng.poisson(settings["lightning"]["ground_flash_density"] * area_km2 * _years())
    along_m = length_m * rng.random(count)
    # Inverse of P(I > i) = 1/(1 + (i/31)^2.6).
    current_ka = 31 * (1 / rng.random(count) - 1) ** (1 / 2.6)
    sign = np.where(rng.random(count) < 0.9, -1, 1)
    return pd.DataFrame(
        {
            "time": _storm_times(count, rng),
            "along_m": along_m,
            "place": np.abs(along_m[:, None] - built.towers["chainage_m"].to_numpy()).argmin(axis=1),
            "across_m": CORRIDOR_M * (2 * rng.random(count) - 1),
            "peak_current_ka": np.round(sign * np.clip(current_ka, 3, 250), 1),
        }
    ).sort_values("time", ignore_index=True)


def _years():
    """Length of the simulated period [years]."""
    return (LAST_DAY - FIRST_DAY).astype(int) / 365.25


def _storm_times(count, rng):
    """Times in UTC: storms occur mainly in summer afternoons, and few of them have many flashes."""
    days = np.arange(FIRST_DAY, LAST_DAY)
    weight = STORM_MONTHS[days.astype("datetime64[M]").astype(int) % 12]
    storms = rng.choice(days, STORMS, replace=False, p=weight / weight.sum()).astype("datetime64[ms]")
    size = np.exp(rng.standard_normal(STORMS))
    storm = rng.choice(STORMS, count, p=size / size.sum())
    hour = STORM_HOUR_UTC + STORM_HOURS_SD * rng.standard_normal(STORMS)
    second = 3600 * hour[storm] + STORM_LENGTH_S * rng.standard_normal(count)
    return storms[storm] + np.round(1000 * np.clip(second, 0, 86399)).astype("timedelta64[ms]")


def _located(built, flashes, rng):
    """Flashes as reported by a location system, with the semi-major axis of the error ellipse."""
    towers = built.towers.iloc[flashes["place"]]
    semi_major_m = np.round(150 * np.exp(0.6 * rng.standard_normal(len(flashes))), -1) + 50
    place_m = np.c_[flashes["along_m"].to_numpy() - towers["chainage_m"].to_numpy(), flashes["across_m"]]
    # Half of the flashes lie inside the ellipse: 1.18 standard deviations in two dimensions.
    along_m, across_m = (place_m + semi_major_m[:, None] / 1.18 * rng.standard_normal(place_m.shape)).T
    azimuth_deg = towers["bearing_deg"].to_numpy() + np.degrees(np.arctan2(across_m, along_m))
    start_longitude, start_latitude = (towers[name].to_numpy() for name in ("longitude_deg", "latitude_deg"))
    longitude, latitude, _ = GEOD.fwd(
        start_longitude, start_latitude, azimuth_deg, np.hypot(along_m, across_m)
    )
    return pd.DataFrame(
        {
            "time": _iso(flashes["time"].to_numpy(), "Z"),
            "latitude_deg": np.round(latitude, 4),
            "longitude_deg": np.round(longitude, 4),
            "peak_current_ka": flashes["peak_current_ka"].to_numpy(),
            "semi_major_m": semi_major_m,
        }
    )


def _outages(spec, built, trips, rng):
    """Trip-outs by lightning, some recorded as unknown, and by other causes."""
    length_km = built.towers["chainage_m"].iloc[-1] / 1e3
    others = _other_trips(length_km, rng)
    booked = np.where(rng.random(len(trips)) < BOOKED_AS_LIGHTNING, "lightning", "unknown")
    relay = rng.integers(-2, 9, len(trips)).astype("timedelta64[ms]")
    struck = pd.DataFrame(
        {
            "instant": trips["time"].to_numpy().astype("datetime64[ms]") + relay,
            "cause": booked,
            "true_km": trips["along_m"].to_numpy() / 1e3,
            "tower_id": built.towers["tower_id"].to_numpy()[trips["place"]],
        }
    )
    table = pd.concat([struck, others]).sort_values("instant", kind="stable", ignore_index=True)
    patrolled = table["tower_id"].notna() & (rng.random(len(table)) < PATROLLED)
    error_km = np.round(0.2 + 0.5 * rng.random(len(table)), 1)
    distance_km = np.clip(table["true_km"] + error_km * rng.standard_normal(len(table)), 0, length_km)
    local = table["instant"].to_numpy() + np.timedelta64(LOCAL_HOURS, "h")
    return pd.DataFrame(
        {
            "outage_id": [f"{spec.prefix}-T{k + 1:03d}" for k in range(len(table))],
            "time": _iso(local, f"{LOCAL_HOURS:+03d}:00"),
            "cause": table["cause"],
            "tower_id": table["tower_id"].where(patrolled),
            "distance_km": np.round(distance_km, 1).mask(patrolled),
            "distance_error_km": pd.Series(error_km).mask(patrolled),
            "circuit": "1",
        }
    )


def _other_trips(length_km, rng):
    """Trip-outs by other causes; at least two, so that every list contains some."""
    count = rng.poisson(OTHERS_PER_KM_YEAR * length_km * _years()) + 2
    day = FIRST_DAY + rng.integers(0, (LAST_DAY - FIRST_DAY).astype(int), count)
    return pd.DataFrame(
        {
            "instant": day.astype("datetime64[ms]")
            + rng.integers(0, 86_400_000, count).astype("timedelta64[ms]"),
            "cause": rng.choice(OTHER_CAUSES, count),
            "true_km": length_km * rng.random(count),
            "tower_id": pd.Series([None] * count, dtype="str"),
        }
    )


def _iso(instants, zone):
    """Instants as text, to the millisecond."""
    return [f"{instant}{zone}" for instant in instants.astype("datetime64[ms]")]
