"""Simulated lightning flashes near a line, and its trip-outs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.simulate.towers import GEOD

if TYPE_CHECKING:
    from typing import Any

    from towerlib.simulate.specs import LineSpec
    from towerlib.simulate.towers import Built


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
