"""A visit that passes every quality rule, and a short line for it: tests change one thing at a time."""

from types import SimpleNamespace

import pandas as pd
from pyproj import Geod

TEXT = [
    *("visit_id", "tower_id", "crew", "instrument_serial", "soil_state", "method"),
    *("corrosion", "bond_seen", "photo", "note", "structure", "shield_wire"),
]
YES_NO = ["in_service", "over_range", "ring", "earth_paths_in_coils"]
DATES = ["date", "calibration_due"]

TOWER = {
    "structure": "lattice",
    "leg_count": 4,
    "leg_spacing_m": 6.0,
    "earth_paths_in_coils": True,
    "ring": False,
    "shield_wire": "bonded",
    "soil_resistivity_ohm_m": 300.0,
    "upper_layer_ohm_m": None,
    "lower_layer_ohm_m": None,
}
VISIT = {
    "visit_id": "V1",
    "tower_id": "T2",
    "date": "2026-03-10",
    "crew": "north",
    "instrument_serial": "S-100",
    "calibration_due": "2026-12-31",
    "in_service": True,
    "soil_state": "normal",
    "method": "leg coils",
    "test_frequency_hz": 128.0,
    "test_voltage_v": 48.0,
    "impedance_ohm": 10.0,
    "impedance_no_coils_ohm": 2.0,
    "injected_ma": 50.0,
    "legs_ma": 10.0,
    "leakage_total_ma": 195.0,
    "interference_potential_probe_v": 1.95,
    "interference_current_probe_v": 2.05,
    "interference_frequency_hz": 50.0,
    "potential_probe_ohm": 300.0,
    "current_probe_ohm": 200.0,
    "potential_probe_distance_m": 61.8,
    "current_probe_distance_m": 100.0,
    "potential_probe_bearing_deg": 90.0,
    "current_probe_bearing_deg": 90.0,
    "coil_turns": 2.0,
    "coil_turns_recorded": 2.0,
    "current_scale_factor": 1.0,
    "over_range": False,
    "leads_missing": 0.0,
    "corrosion": "none",
    "bond_seen": "sound",
    "photo": None,
    "latitude_deg": None,
    "longitude_deg": None,
    "note": None,
}
LEGS = [(50.0, 40.0, 2.0), (52.0, 40.0, 2.0), (48.0, 40.0, 2.0), (50.0, 40.0, 2.0)]
SWEEP = [(41.0, 10.0), (100.0, 10.0), (160.0, 10.0), (5000.0, 11.0)]


def sound(*changes, tower=None, soil=()):
    """Records and route of a sound line with one visit for each of the given changes (one unchanged if none).

    A change is a dict of visit columns; its ``legs`` [(mA, ohm, turns)] and ``sweep`` [(Hz, ohm)] fill those
    tables.
    """
    changes = changes or ({},)
    visits = [{**VISIT, "visit_id": f"V{place}", **change} for place, change in enumerate(changes, 1)]
    legs = [
        {
            "visit_id": visit["visit_id"],
            "leg": str(leg),
            "leakage_ma": ma,
            "impedance_ohm": ohm,
            "coil_turns": turns,
        }
        for visit in visits
        for leg, (ma, ohm, turns) in enumerate(visit.pop("legs", LEGS), 1)
    ]
    sweeps = [
        {"visit_id": visit["visit_id"], "frequency_hz": hertz, "impedance_ohm": ohm, "phase_deg": None}
        for visit in visits
        for hertz, ohm in visit.pop("sweep", SWEEP)
    ]
    towers = [{"tower_id": name, **TOWER, **(tower or {})} for name in ("T1", "T2", "T3")]
    records = SimpleNamespace(
        towers=typed(towers),
        visits=typed(visits),
        legs=typed(legs, ["visit_id", "leg", "leakage_ma", "impedance_ohm", "coil_turns"]),
        sweeps=typed(sweeps, ["visit_id", "frequency_hz", "impedance_ohm", "phase_deg"]),
        soil=typed(
            [dict(zip(("tower_id", "spacing_m", "resistance_ohm"), row, strict=True)) for row in soil],
            ["tower_id", "spacing_m", "resistance_ohm"],
        ),
        line=SimpleNamespace(frequency_hz=50.0),
    )
    return records, SimpleNamespace(towers=route_towers())


def typed(rows, columns=None):
    """Rows as a table with the column types that the records promise."""
    table = pd.DataFrame(rows, columns=columns)
    kinds = dict.fromkeys(table.columns, "float64")
    kinds |= dict.fromkeys([*TEXT, "leg"], "str") | dict.fromkeys(YES_NO, "boolean")
    dates = {column: pd.to_datetime(table[column]) for column in DATES if column in table}
    table = table.assign(**dates)
    return table.astype({column: kinds[column] for column in table.columns if column not in DATES})


def route_towers():
    """Three towers due north of each other, 300 m apart; T2 is at the origin of positions."""
    place = {name: shifted(north, 0.0) for name, north in (("T1", -300.0), ("T2", 0.0), ("T3", 300.0))}
    return pd.DataFrame(
        {
            "tower_id": pd.array(list(place), dtype="str"),
            "latitude_deg": [where["latitude_deg"] for where in place.values()],
            "longitude_deg": [where["longitude_deg"] for where in place.values()],
            "chainage_m": [0.0, 300.0, 600.0],
            "bearing_deg": 0.0,
            "deviation_deg": 0.0,
        }
    )


def shifted(north_m, east_m):
    """Position north and east of tower T2."""
    ellipsoid = Geod(ellps="WGS84")
    longitude, latitude, _ = ellipsoid.fwd(31.0, -18.0, 0.0, north_m)
    longitude, latitude, _ = ellipsoid.fwd(longitude, latitude, 90.0, east_m)
    return {"latitude_deg": latitude, "longitude_deg": longitude}
