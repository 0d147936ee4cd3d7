"""Rules on what was written down: method, instrument, circumstances and where the crew stood.

Every rule takes the context and its threshold of ``rules.csv`` and returns a Series of bool over the visits:
true where all is well, or where nothing was recorded that could tell.
"""

import numpy as np

from towerlib.readings.answers import yes

METHODS = ("leg coils", "no coils", "shield wire lifted")


def columns(visits, records):
    """Derived columns that the rules on records need.

    Parameters
    ----------
    visits : DataFrame
        Visits beside their tower.
    records : Records

    Returns
    -------
    dict of str to array or Series
        ``footing_alone``, ``calibration_overdue_days``; ``distance_m`` from the tower,
        ``spans_off`` as a part of the shorter adjoining span, ``nearest_tower_id`` and ``nearest_m`` of tower
        and neighbours.
    """
    without_wire = visits["shield_wire"].isin(["none", "insulated"])
    return {
        "footing_alone": visits["method"].isin(["leg coils", "shield wire lifted"]) | without_wire,
        "calibration_overdue_days": (visits["date"] - visits["calibration_due"]).dt.days,
        **_place(visits),
    }


def _place(visits):
    """How far from the tower the crew stood, and which tower of the line was the nearest."""
    from pyproj import Geod

    ellipsoid, distance = Geod(ellps="WGS84"), {}
    for name in ("own", "before", "after"):
        ends = [f"{name}_longitude_deg", f"{name}_latitude_deg", "longitude_deg", "latitude_deg"]
        distance[name] = ellipsoid.inv(*(visits[end].to_numpy(float) for end in ends))[2]
    far = np.column_stack([np.nan_to_num(metres, nan=np.inf) for metres in distance.values()])
    names = np.column_stack([visits[f"{name}_tower_id"].to_numpy(object) for name in distance])
    nearest, rows = far.argmin(axis=1), np.arange(len(visits))
    return {
        "distance_m": distance["own"],
        "spans_off": distance["own"] / visits["shorter_span_m"],
        "nearest_tower_id": names[rows, nearest],
        "nearest_m": far[rows, nearest],
    }


def method_known(context, threshold):
    """An impedance comes with the method by which it was read."""
    return context.visits["method"].isin(METHODS) | context.visits["impedance_ohm"].isna()


def reading_recorded(context, threshold):
    """An impedance or a leakage current was recorded."""
    seen = context.visits
    return seen["impedance_ohm"].notna() | seen["leakage_total_ma"].notna() | (seen["legs_read"] > 0)


def impedance_recorded(context, threshold):
    """An impedance was recorded."""
    return context.visits["impedance_ohm"].notna()


def impedance_positive(context, threshold):
    """The impedance is above zero."""
    return ~(context.visits["impedance_ohm"] <= threshold)


def footing_read_alone(context, threshold):
    """The reading is the footing alone, not in parallel with the shield wires."""
    seen = context.visits
    return ~(seen["method"].eq("no coils") & seen["impedance_ohm"].notna()) | seen["footing_alone"]


def frequency_known(context, threshold):
    """An impedance comes with its test frequency."""
    return context.visits["test_frequency_hz"].notna() | context.visits["impedance_ohm"].isna()


def overload_absent(context, threshold):
    """The instrument showed no overload."""
    return ~yes(context.visits["overload"])


def serial_recorded(context, threshold):
    """The serial number of the instrument is known."""
    return context.visits["instrument_serial"].fillna("").str.strip().ne("")


def calibration_current(context, threshold):
    """The calibration held on the day of the test."""
    return ~(context.visits["calibration_overdue_days"] > threshold)


def soil_unfrozen(context, threshold):
    """The soil was not frozen."""
    return ~context.visits["soil_state"].eq("frozen")


def position_near(context, threshold):
    """The crew's position lies at the tower, as far as a position fix can tell."""
    return ~(context.visits["distance_m"].round() > threshold)


def position_at_this_tower(context, threshold):
    """The crew's position lies within half the shorter adjoining span."""
    return ~(context.visits["spans_off"] > threshold)
