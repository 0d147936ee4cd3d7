"""Verdict on each visit: usable, usable with caution, or not usable, with the reasons in plain words.

``rules.csv`` holds the rules, `FAILS` what fails each. `prepare` computes the columns that the rules read, `in_force`
applies the user's overrides, `grade` gives the verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from string import Formatter
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError, nearest
from towerlib.physics.leakage_gap import DEFAULT_COILS, gap_uncertainty, total_bounds
from towerlib.physics.probes import (
    angle_off_line_deg,
    equivalent_hemisphere_m,
    expected_spread,
    four_leg_hemisphere_m,
    hemisphere_reading_ratio,
)
from towerlib.readings import standing
from towerlib.readings.methods import FOOTING_ALONE, SEES, no, yes
from towerlib.safe_files import shipped_rows
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.records.load import Records
    from towerlib.route import Route


WITHOUT_WIRE = ("none", "insulated")
DIGITS = 9  # 2.95 − 1.95 is a trifle above 1 in binary: the limit itself is still good
HIGHEST_HARMONIC = 40  # network harmonics above this order are too weak to disturb a test

# What fails each rule of ``rules.csv``, for the columns v of the visits and the rule's threshold t. A comparison with a
# blank is false: what was not recorded fails only the rules that ask for it.
FAILS: dict[str, Callable[[Context, float], pd.Series]] = {
    # record
    "method_known": lambda v, t: ~v["method"].isin(list(SEES)) & v["impedance_ohm"].notna(),
    "reading_recorded": lambda v, t: (
        v["impedance_ohm"].isna() & v["leakage_total_ma"].isna() & ~(v["legs_read"] > 0)
    ),
    "impedance_recorded": lambda v, t: v["impedance_ohm"].isna(),
    "impedance_positive": lambda v, t: v["impedance_ohm"] <= t,
    # in parallel with the shield wires it is not the footing alone
    "footing_read_alone": lambda v, t: (
        v["method"].eq("no coils") & v["impedance_ohm"].notna() & ~v["footing_alone"]
    ),
    "frequency_known": lambda v, t: v["test_frequency_hz"].isna() & v["impedance_ohm"].notna(),
    "over_range_absent": lambda v, t: yes(v["over_range"]),
    "serial_recorded": lambda v, t: v["instrument_serial"].fillna("").str.strip().eq(""),
    "calibration_current": lambda v, t: v["calibration_overdue_days"] > t,
    "soil_unfrozen": lambda v, t: v["soil_state"].eq("frozen"),
    # a position fix shows no more than metres
    "position_near": lambda v, t: (v["distance_m"].round() > t) & ~(v["agreed_off_m"] > 0),
    # several visits that agree on another place speak against the register, not against themselves
    "position_at_this_tower": lambda v, t: (v["spans_off"] > t) & ~(v["agreed_off_m"] > 0),
    "position_of_register": lambda v, t: v["agreed_off_m"] > t,
    # probes and interference
    "probe_resistance_low": lambda v, t: v["probe_highest_ohm"] > t,
    "probe_resistance_measurable": lambda v, t: v["probe_highest_ohm"] > t,
    # Two places at remote earth see about the same stray voltage. At some ten volts a sound layout differs by more than
    # a volt: the nearer probe lies in the tower's potential funnel.
    "interference_agrees": lambda v, t: (
        v["interference_difference_v"] > np.maximum(t, v["interference_part_v"].fillna(0))
    ),
    # unless line or shield wire give no reason for a stray voltage
    "interference_present": lambda v, t: (
        (v["interference_highest_v"] < t) & ~no(v["in_service"]) & ~v["shield_wire"].isin(WITHOUT_WIRE)
    ),
    "interference_frequency_of_network": lambda v, t: v["interference_offset_hz"] > t,
    "frequency_clear": lambda v, t: v["harmonic_offset_hz"] < t,
    "current_probe_off_the_line": lambda v, t: v["line_clearance_m"] < t,
    "current_probe_off_the_footing": lambda v, t: v["probe_extents"] < t,
    "probes_across_the_line": lambda v, t: (
        v["probe_angle_deg"] < t
    ),  # there the line induces little in the leads
    "probes_off_the_counterpoise": lambda v, t: (v["probe_angle_deg"] < t) & yes(v["ring"]),
    "potential_probe_placed": lambda v, t: v["probe_error"].abs() > t,
    "potential_probe_outside_zones": lambda v, t: v["probe_error"].abs() > t,
    "zones_apart": lambda v, t: v["zone_spread"] > t,
    # coils and leg currents
    "turns_as_set": lambda v, t: (v["coil_turns"] - v["coil_turns_recorded"]).abs() > t,
    "turns_equal_on_all_legs": lambda v, t: v["turns_most"] - v["turns_least"] > t,
    "current_scale_factor_possible": lambda v, t: v["current_scale_factor"] < t,
    "all_legs_in_coils": lambda v, t: _legs_missing(v) & v["method"].eq("leg coils"),
    "all_legs_read": lambda v, t: _legs_missing(v),
    "no_leg_too_many": lambda v, t: v["legs_read"] > v["leg_count"],
    # above the sum by more than the coils' uncertainty, or by a factor that no change of load explains
    "total_within_sum": lambda v, t: v["leakage_total_ma"] - v["leg_sum_ma"] > t * v["gap_u_ma"],
    "total_near_sum": lambda v, t: v["leakage_total_ma"] > t * (v["leg_sum_ma"] + v["gap_u_ma"]),
    # below the least total that the largest leg allows, likewise
    "total_above_least": lambda v, t: v["least_total_ma"] - v["leakage_total_ma"] > t * v["gap_u_ma"],
    "total_near_least": lambda v, t: v["least_total_ma"] > t * (v["leakage_total_ma"] + v["gap_u_ma"]),
    # lost in the errors that the coils leave of the leg currents
    "ring_total_resolved": lambda v, t: (
        yes(v["ring"]) & (v["leakage_total_ma"] < t * v["total_u_ma"]) & (v["legs_read"] > 1)
    ),
    "earth_paths_in_coils": lambda v, t: no(v["earth_paths_in_coils"]) & v["method"].eq("leg coils"),
    "legs_within_injected": lambda v, t: v["leg_share"] > t,
    "leg_shares_agree": lambda v, t: v["share_factor"] > t,  # by currents and by impedances
    "legs_make_the_whole": lambda v, t: (
        v["whole_factor"] > t
    ),  # their impedances in parallel, and the one read
    "legs_near_the_whole": lambda v, t: (
        v["whole_factor"] > t
    ),  # as far apart as a coil turned over makes them
    "no_coils_lower": lambda v, t: v["share_by_impedance"] > t,
    "no_coils_possible": lambda v, t: v["share_by_impedance"] > t,
    # plausibility of the reading
    "impedance_not_tiny": lambda v, t: (v["impedance_ohm"] < t) & v["footing_alone"],
    "impedance_not_huge": lambda v, t: v["impedance_ohm"] > t,
    "impedance_fits_soil": lambda v, t: v["soil_factor"] > t,
    "ambient_agrees": lambda v, t: v["ambient_factor"] > t,
    "sweep_agrees": lambda v, t: v["sweep_off"] > t,
    "repeats_agree": lambda v, t: (
        (v["repeat_most_ohm"] - v["repeat_least_ohm"]).round(DIGITS)
        > np.maximum(t * v["repeat_median_ohm"], number("repeat_floor_ohm"))
    ),
    "readings_its_own": lambda v, t: v["same_as_tower_id"].notna(),  # not those of another tower to the digit
    "readings_of_this_day": lambda v, t: v["repeats_visit_id"].notna(),  # nor those of an older visit
}


def _legs_missing(v):
    """Visits that read some legs, but not all of the register."""
    return (v["legs_read"] > 0) & (v["legs_read"] < v["leg_count"])


def record_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Columns for the rules on records.

    `spans_off` is the distance from the tower over the shorter adjoining span, `agreed_off_m` the distance of the place
    on which visits of several days agree, blank where they do not or where it is the tower's.
    """
    without_wire = visits["shield_wire"].isin(WITHOUT_WIRE)
    place = _place(visits)
    return {
        "footing_alone": visits["method"].isin(FOOTING_ALONE) | without_wire,
        "calibration_overdue_days": (visits["date"] - visits["calibration_due"]).dt.days,
        **place,
        "agreed_off_m": _agreed_off(visits.assign(**place)),
    }


def _agreed_off(visits):
    """Distance from the tower of the one place that visits of several days note [m]; blank where that is a tower.

    Positions agree that lie as near to their middle as a sound one may to its tower. A place at another tower is a slip
    of the crew, as often as it may come.
    """
    from pyproj import Geod

    near_m, where = table()["position_near"].threshold, ["latitude_deg", "longitude_deg"]
    noted = visits[visits["distance_m"].notna()]
    middle = noted.groupby("tower_id")[where].transform("median")
    ends = (middle["longitude_deg"], middle["latitude_deg"], noted["longitude_deg"], noted["latitude_deg"])
    apart = Geod(ellps="WGS84").inv(*(end.to_numpy(float) for end in ends))[2]
    of_tower = noted.assign(apart_m=apart).groupby("tower_id")
    agree = (of_tower["apart_m"].transform("max") <= near_m) & (of_tower["date"].transform("nunique") > 1)
    agree &= (of_tower["distance_m"].transform("min") > near_m) & (
        of_tower["nearest_m"].transform("min") > near_m
    )
    return of_tower["distance_m"].transform("median").where(agree).reindex(visits.index)


def _place(visits):
    """Distance of the crew's position from the tower, and the nearest tower of the line."""
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


def probe_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Columns for the rules on probes, from those of the rules on records.

    ``hemisphere_m`` is the footing as a hemisphere, from the reading where known, else from the leg spacing;
    ``probe_error`` is that of the reading, ``zone_spread`` the one to expect.
    """
    sized = _electrode(visits)
    return {**_interference(visits, records.line.frequency_hz), **sized, **_probes(visits.assign(**sized))}


def _interference(visits, mains_hz):
    """Stray voltages of the two probes, and how far frequencies lie from those of the network."""
    potential, current = visits["interference_potential_probe_v"], visits["interference_current_probe_v"]
    stray, test = visits["interference_frequency_hz"], visits["test_frequency_hz"]
    harmonic_hz = (test / mains_hz).round().clip(1, HIGHEST_HARMONIC) * mains_hz
    return {
        "mains_hz": mains_hz,
        "interference_highest_v": np.maximum(potential, current),
        "interference_part_v": number("interference_part") * np.maximum(potential, current),
        "interference_difference_v": (potential - current).abs().round(DIGITS),
        "interference_offset_hz": np.minimum((stray - mains_hz).abs(), (stray - 3 * mains_hz).abs()).round(
            DIGITS
        ),
        "harmonic_hz": harmonic_hz,
        "harmonic_offset_hz": (test - harmonic_hz).abs().round(DIGITS),
    }


def _electrode(visits):
    """Size of the footing: its diagonal, and the hemisphere that it acts like."""
    by_size_m = four_leg_hemisphere_m(number("leg_hemisphere_m"), visits["leg_spacing_m"])
    by_size_m = by_size_m.fillna(number("footing_hemisphere_m"))
    reading = visits["impedance_ohm"].where(visits["footing_alone"])
    by_reading_m = pd.Series(equivalent_hemisphere_m(visits["resistivity_ohm_m"], reading), visits.index)
    return {
        "extent_m": visits["leg_spacing_m"] * np.sqrt(2.0),
        "size_m": by_size_m,
        "hemisphere_m": by_reading_m.fillna(by_size_m),
    }


def _probes(visits):
    """Place of the probes against tower, line and each other."""
    inner, reach = visits["potential_probe_distance_m"], visits["current_probe_distance_m"]
    potential, current = visits["potential_probe_bearing_deg"], visits["current_probe_bearing_deg"]
    line, turn = visits["line_bearing_deg"], visits["line_deviation_deg"]
    off_line = angle_off_line_deg(current, line, turn)
    between = ((potential - current + 180.0) % 360.0 - 180.0).abs().fillna(0.0)
    return {
        "probe_highest_ohm": np.fmax(visits["potential_probe_ohm"], visits["current_probe_ohm"]),
        # a hand compass reads to a degree at best
        "probe_angle_deg": np.fmin(off_line, angle_off_line_deg(potential, line, turn)).round(),
        "line_clearance_m": reach * np.sin(np.radians(np.minimum(off_line, 90.0).fillna(90.0))),
        "probe_extents": reach / visits["extent_m"],
        "probe_fraction": inner / reach,
        "probe_error": hemisphere_reading_ratio(visits["hemisphere_m"], inner, reach, between) - 1.0,
        "zone_spread": expected_spread(visits["hemisphere_m"], reach.where(reach > 0)),
    }


def coil_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Columns for the rules on coils: legs read, sums, totals with uncertainty, turns, leg shares, legs in parallel."""
    of_visit = pd.Index(visits["visit_id"]).get_indexer(cast("Any", records.legs["visit_id"]))
    leakage, impedance, turns = (
        _beside_each_other(of_visit, records.legs[column], len(visits))
        for column in ("leakage_ma", "impedance_ohm", "coil_turns")
    )
    turns = np.column_stack([turns, visits["coil_turns"]])
    worn = {"turns_least": np.fmin.reduce(turns, axis=1), "turns_most": np.fmax.reduce(turns, axis=1)}
    return _leakage(visits, leakage) | _parallel(visits, impedance) | _shares(visits) | worn


def _beside_each_other(of_visit, values, count):
    """Leg readings as an array (visits × legs), NaN for a leg not there."""
    known = np.flatnonzero(of_visit >= 0)
    rows = of_visit[known]
    order = np.argsort(rows, kind="stable")
    rows, values = rows[order], values.to_numpy(float)[known[order]]
    legs = np.bincount(rows, minlength=count)
    place = np.arange(rows.size) - np.repeat(np.cumsum(legs) - legs, legs)
    table = np.full((count, max(legs.max(initial=0), 1)), np.nan)
    table[rows, place] = values
    return table


def _leakage(visits, leakage):
    """Sum of the legs, the totals that geometry allows, and the uncertainties of both."""
    total = visits["leakage_total_ma"].to_numpy(float)
    read = (~np.isnan(leakage)).sum(axis=1)
    least, most = total_bounds(leakage)
    squares = np.where(read > 0, np.nansum(leakage**2, axis=1), total**2)
    noise = np.maximum(read, 1) * DEFAULT_COILS.noise_ma**2
    complete = (read > 0) & ~(read < visits["leg_count"])
    return {
        "legs_read": read,
        "legs_flowing": (leakage > 0).sum(axis=1),
        "leg_digits": [tuple(row[~np.isnan(row)]) for row in leakage],
        "leg_sum_ma": np.where(complete, most, np.nan),
        "least_total_ma": np.where(complete, least, np.nan),
        "gap_u_ma": gap_uncertainty(leakage, total),
        "total_u_ma": np.sqrt(DEFAULT_COILS.gain_u**2 * squares + noise),
    }


def _parallel(visits, impedance):
    """Impedance of all legs in parallel, where every leg has one, and the factor that the reading is off."""
    siemens = np.divide(1.0, impedance, out=np.full_like(impedance, np.nan), where=impedance > 0)
    read = (~np.isnan(siemens)).sum(axis=1)
    whole = (read >= visits["leg_count"]) & visits["method"].eq("leg coils")
    together = 1.0 / pd.Series(np.nansum(siemens, axis=1), visits.index).where(whole)
    times = visits["impedance_ohm"].where(visits["impedance_ohm"] > 0) / together
    return {"legs_parallel_ohm": together, "whole_factor": np.maximum(times, 1.0 / times)}


def _shares(visits):
    """Part of the injected current that runs through the legs, by both currents and by both impedances."""
    legs = visits["legs_ma"].where(visits["legs_ma"] >= number("leg_injected_floor_ma"))
    by_current = legs / visits["injected_ma"].where(visits["injected_ma"] > 0)
    lower = visits["impedance_no_coils_ohm"].where(visits["footing_alone"])
    by_impedance = lower / visits["impedance_ohm"].where(visits["impedance_ohm"] > 0)
    times = by_current / by_impedance.where(by_impedance > 0)
    return {
        "leg_share": by_current,
        "share_by_impedance": by_impedance,
        "share_factor": np.maximum(times, 1.0 / times.where(times > 0)),
    }


def plausible_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Columns for the rules on the reading, from those of the rules on probes and coils."""
    sweep_ohm = _at_test_frequency(visits, records.sweeps)
    read_ohm = cast("pd.Series", visits["impedance_ohm"].where(visits["impedance_ohm"] > 0))
    return {
        **_soil(visits),
        **_ambient(visits),
        "sweep_ohm": sweep_ohm,
        "sweep_off": np.abs(sweep_ohm / read_ohm - 1.0).round(DIGITS),
        **_repeats(visits),
        "same_as_tower_id": _same_as(visits),
        "repeats_visit_id": _older_twin(visits),
    }


def _soil(visits):
    """Expected impedance by soil and size, and the deviation of the reading, as a factor of at least one."""
    expected = visits["resistivity_ohm_m"] / (2 * np.pi * visits["size_m"])
    times = visits["impedance_ohm"].where(visits["impedance_ohm"] > 0) / expected
    # In parallel with the shield wires a reading may lie far below the footing, never far above it.
    below = (1.0 / times).where(visits["footing_alone"], 1.0)
    return {"soil_ohm": expected, "soil_factor": np.maximum(times, below)}


def _ambient(visits):
    """Stray voltage over leakage current, where both are clear of noise: it needs no injected current."""
    volt, total = visits["interference_potential_probe_v"], visits["leakage_total_ma"]
    clear = (volt >= number("interference_floor_v")) & (
        total > number("ambient_clear_u") * visits["total_u_ma"]
    )
    clear &= ~no(visits["in_service"]) & (visits["impedance_ohm"] > 0) & visits["method"].notna()
    ambient = (1000.0 * volt / total).where(clear)
    ratio = np.log(ambient / visits["impedance_ohm"].where(clear))
    # Beside the shield wires a reading is a lower limit: only an ambient value below it contradicts it.
    decided = visits["footing_alone"] | (ratio < 0)
    return {"ambient_ohm": ambient, "ambient_factor": np.exp(ratio.abs()).where(decided)}


def _at_test_frequency(visits, sweeps):
    """Impedance of the sweep at the test frequency [Ω], NaN where it does not reach on both sides of it."""
    owner = pd.Index(visits["visit_id"]).get_indexer(sweeps["visit_id"])
    hertz, ohm = sweeps[["frequency_hz", "impedance_ohm"]].to_numpy(float).T
    wanted = visits["test_frequency_hz"].where(visits["test_frequency_hz"] > 0).to_numpy(float)
    apart = np.log(hertz / np.where(owner >= 0, wanted[owner], np.nan))
    under, at_under = _nearest(owner, -apart, ohm, len(visits))
    over, at_over = _nearest(owner, apart, ohm, len(visits))
    part = np.divide(under, under + over, out=np.zeros(len(visits)), where=under + over > 0)
    return at_under + part * (at_over - at_under)


def _nearest(owner, apart, ohm, count):
    """How far the nearest reading at or past the test frequency is, and its impedance; NaN if none."""
    side = np.flatnonzero(apart >= 0)
    owner, apart, ohm = owner[side], apart[side], ohm[side]
    least, impedance = np.full(count, np.inf), np.full(count, np.nan)
    np.minimum.at(least, owner, apart)
    nearest = apart == least[owner]
    impedance[owner[nearest]] = ohm[nearest]
    return np.where(np.isfinite(least), least, np.nan), impedance


def _repeats(visits):
    """Spread and median of readings of one tower on one day by one method and frequency."""
    alike = [visits["tower_id"], visits["date"].dt.normalize(), visits["method"], visits["test_frequency_hz"]]
    readings = visits["impedance_ohm"].groupby(alike, dropna=False, sort=False)
    least, most = readings.transform("min"), readings.transform("max")
    return {
        "repeat_least_ohm": least,
        "repeat_most_ohm": most,
        "repeat_median_ohm": readings.transform("median"),
    }


def _same_as(visits):
    """Another tower with the same impedance, stray voltages and leg currents, by one crew on one day."""
    stray = ["interference_potential_probe_v", "interference_current_probe_v"]
    digits = ["impedance_ohm", *stray, "leg_sum_ma", "least_total_ma"]
    telling = visits["impedance_ohm"].notna() & visits[digits[1:]].notna().any(axis=1)
    seen = visits[telling]
    tower, names = pd.factorize(cast("pd.Series", seen["tower_id"]))
    alike = [seen["date"].dt.normalize(), seen["crew"], *(seen[column] for column in digits)]
    group = pd.Series(tower, seen.index).groupby(alike, dropna=False, sort=False)
    first, last = group.transform("min"), group.transform("max")
    other = first.where(first != tower, last)
    twin = pd.Series(np.asarray(names, object)[other], seen.index, dtype=object)
    return twin.where(other != tower).reindex(visits.index)


def _older_twin(visits):
    """The first earlier visit of the tower with the same impedance, total and leg currents to the digit; else blank.

    Few digits agree by chance: at least two leg currents other than zero are asked for.
    """
    alike = [visits[name] for name in ("tower_id", "impedance_ohm", "leakage_total_ma", "leg_digits")]
    telling = visits["impedance_ohm"].notna() & visits["date"].notna() & (visits["legs_flowing"] > 1)
    seen = visits[telling].sort_values("date", kind="stable")
    twins = seen.groupby([column.reindex(seen.index) for column in alike], dropna=False, sort=False)
    first, day = twins["visit_id"].transform("first"), twins["date"].transform("min")
    return first.where(seen["date"].dt.normalize() > day.dt.normalize()).astype(object).reindex(visits.index)


OF_TOWER = ["leg_count", "leg_spacing_m", "earth_paths_in_coils", "ring", "shield_wire", "resistivity_ohm_m"]
DERIVED = (  # derived columns of each family of rules, in this order
    record_columns,
    probe_columns,
    coil_columns,
    plausible_columns,
)


@dataclass(frozen=True)
class Context:
    """One row per visit, in the order of the records, with columns of its tower and those that each theme derives.

    NaN in a derived column: not available from the records.
    """

    visits: pd.DataFrame

    def __getitem__(self, column: str) -> pd.Series:
        """One column of the visits."""
        return cast("pd.Series", self.visits[column])


def prepare(records: Records, route: Route) -> Context:
    """Columns that the rules read, computed once for all visits."""
    visits = _beside_towers(records, route.towers)
    for derive in DERIVED:
        visits = visits.assign(**derive(visits, records))
    return Context(visits)


def _beside_towers(records, along):
    """Visits with the columns of their tower and of its place on the route."""
    towers = records.towers.assign(resistivity_ohm_m=_resistivity(records))[["tower_id", *OF_TOWER]]
    visits = records.visits.drop(columns=OF_TOWER, errors="ignore").reset_index(drop=True)
    visits = visits.merge(towers, on="tower_id", how="left", validate="m:1")
    return visits.merge(_neighbours(along), on="tower_id", how="left", validate="m:1")


def _resistivity(records):
    """Soil resistivity of each tower [Ω·m]: its own, else the mean of soundings, else of two layers."""
    towers, soil = records.towers, records.soil
    logarithm = np.log(2 * np.pi * soil["spacing_m"] * soil["resistance_ohm"])
    sounded = np.exp(logarithm.groupby(soil["tower_id"]).mean())
    layers = np.sqrt(towers["upper_layer_ohm_m"] * towers["lower_layer_ohm_m"])
    return towers["soil_resistivity_ohm_m"].fillna(towers["tower_id"].map(sounded)).fillna(layers)


def _neighbours(along):
    """Direction and shorter span at each tower, its place and those of the towers before and after."""
    span = np.concatenate([[np.nan], np.diff(along["chainage_m"]), [np.nan]])
    table = {
        "tower_id": along["tower_id"],
        "line_bearing_deg": along["bearing_deg"],
        "line_deviation_deg": along["deviation_deg"].fillna(0.0) if "deviation_deg" in along else 0.0,
        "shorter_span_m": np.fmin(span[:-1], span[1:]),
    }
    for name, step in (("own", 0), ("before", 1), ("after", -1)):
        for column in ("tower_id", "latitude_deg", "longitude_deg"):
            table[f"{name}_{column}"] = along[column].shift(step)
    return pd.DataFrame(table)


SEVERITIES = ("caution", "not usable")  # from mild to severe
OFF = "off"
LARGEST = 1e9  # no threshold of any unit is greater


@dataclass(frozen=True)
class Rule:
    """One row of ``rules.csv``.

    `concerns` is the reading that a failure concerns: that of the "footing", of the "leakage", or "both". `severity` is
    the verdict of a visit that fails: "caution" or "not usable"; "off" by an override. `threshold` is in `unit`, NaN
    for a rule without one. Where the stricter rule `unless` fails too, this one is not listed. `value` and `sentence`
    are templates of the value found and of the message to the crew; `status` and `source` belong to the threshold.
    """

    rule: str
    concerns: str
    severity: str
    threshold: float
    unit: str
    unless: str
    value: str
    status: str
    source: str
    sentence: str


@cache
def table() -> dict[str, Rule]:
    """All rules by name, in the order of the table."""
    rows = shipped_rows("towerlib.readings", "rules.csv")
    return {row["rule"]: Rule(**{**row, "threshold": float(row["threshold"] or "nan")}) for row in rows}


def in_force(overrides: dict[str, dict[str, Any]] | None = None) -> list[Rule]:
    """The rules that apply, in the order of the table, with the user's thresholds and severities; without those that are off.

    `overrides` has rule name to ``threshold`` and ``severity`` ("caution", "not usable" or "off"). An unknown rule or
    setting, or a value that the setting cannot have, raises `SettingsError`.
    """
    changed = dict(table())
    for name, settings in (overrides or {}).items():
        if name not in changed:
            raise SettingsError(f"there is no quality rule {name!r}{nearest(name, changed)}")
        changed[name] = replace(changed[name], **_checked(changed[name], settings))
    return [rule for rule in changed.values() if rule.severity != OFF]


def _checked(rule, settings):
    """The settings of one rule, checked."""
    if not isinstance(settings, dict):
        raise SettingsError(
            f"quality rule {rule.rule} = {settings!r} is not a table of severity and threshold"
        )
    for key, value in settings.items():
        place = f"quality rule {rule.rule}: {key} = {value!r}"
        if key == "severity" and value not in (*SEVERITIES, OFF):
            raise SettingsError(f"{place} is not one of {', '.join((*SEVERITIES, OFF))}")
        if key == "threshold" and math.isnan(rule.threshold):
            raise SettingsError(f"{place}, but this rule has no threshold; set its severity instead")
        if key == "threshold" and (
            not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value)
        ):
            raise SettingsError(f"{place} is not a number of {rule.unit}")
        if key == "threshold" and abs(cast("float", value)) > LARGEST:
            raise SettingsError(f"{place} must lie between -{LARGEST:.0f} and {LARGEST:.0f}")
        if key not in ("severity", "threshold"):
            raise SettingsError(f"{place}: only severity and threshold can be set")
    return {key: float(value) if key == "threshold" else value for key, value in settings.items()}


VERDICTS = ("usable", "usable with caution", "not usable")  # all but the first answer to a severity
FINDINGS = ["visit_id", "tower_id", "rule", "severity", "value", "sentence"]


@dataclass(frozen=True)
class Grades:
    """Verdicts of the quality rules.

    `visits` are those of the records, in their order, with ``verdict``, ``footing_verdict``, ``leakage_verdict`` (a flaw
    of one reading does not condemn the other), ``reasons`` (sentences, "" where usable), ``upper_limit_only`` (the
    impedance is an upper limit of the footing) and ``repeats_visit_id`` (the older visit whose readings this one repeats,
    else ""). `findings` has one row per failed rule and visit, in the order of the visits, the gravest first:
    ``visit_id``, ``tower_id``, ``rule``, ``severity``, ``value`` as found, ``sentence`` for the crew.
    """

    visits: pd.DataFrame
    findings: pd.DataFrame


def grade(records: Records, route: Route, overrides: dict[str, dict[str, Any]] | None = None) -> Grades:
    """Verdict and reasons for each visit, and every failed rule.

    `overrides` gives a rule a ``threshold`` or ``severity`` ("caution", "not usable", "off") of the user's own;
    `SettingsError` where it names no rule, or a value that the rule cannot have. A verdict is the gravest severity
    among the rules that a visit fails. What was not recorded fails no rule but those that ask for it. Nothing is
    corrected: a reading with wrong turns is kept as it is, with that verdict.
    """
    rules = in_force(overrides)
    context = prepare(records, route)
    found = _found(context.visits, _failures(context, rules), rules)
    verdicts, twin = _verdicts(found, rules, len(records.visits)), context["repeats_visit_id"]
    kinds = {
        "upper_limit_only": standing.beside_coils(records.visits, records.towers).to_numpy(bool),
        "repeats_visit_id": pd.array(twin.fillna("").to_numpy(object), dtype="str"),
    }
    return Grades(records.visits.assign(**verdicts, **kinds), _table(found))


def _failures(context, rules):
    """Positions of the visits that fail each rule, without those that fail a stricter rule on the same."""
    failed = {rule.rule: FAILS[rule.rule](context, rule.threshold).to_numpy(bool) for rule in rules}
    never = np.zeros(len(context.visits), dtype=bool)
    return {rule.rule: np.flatnonzero(failed[rule.rule] & ~failed.get(rule.unless, never)) for rule in rules}


def _found(visits, failed, rules):
    """All findings in order, each behind the position of its visit, its severity and its rule."""
    found = []
    for place, rule in enumerate(rules):
        rows, level = failed[rule.rule], SEVERITIES.index(rule.severity) + 1
        if rows.size == 0:
            continue
        whose = (visits[column].to_numpy(object)[rows] for column in ("visit_id", "tower_id"))
        texts = (_fill(template, visits, rows, rule.threshold) for template in (rule.value, rule.sentence))
        found += [
            (row, -level, place, visit, tower, rule.rule, rule.severity, value, sentence)
            for row, visit, tower, value, sentence in zip(rows, *whose, *texts, strict=True)
        ]
    return sorted(found)


def _table(found):
    """The findings as a table of text."""
    columns = list(zip(*found, strict=True))[-len(FINDINGS) :] or [()] * len(FINDINGS)
    texts = (pd.array(list(column), dtype="str") for column in columns)
    return pd.DataFrame(dict(zip(FINDINGS, texts, strict=True)))


def _verdicts(found, rules, count):
    """Gravest severity of each visit, as a whole and for each of its two readings, and its sentences."""
    aspects = {"verdict": ("footing", "leakage", "both")}
    aspects |= {f"{aspect}_verdict": (aspect, "both") for aspect in ("footing", "leakage")}
    levels, reasons = {name: [0] * count for name in aspects}, [""] * count
    for row, less, place, *_, sentence in found:
        for name, concerned in aspects.items():
            if rules[place].concerns in concerned:
                levels[name][row] = max(levels[name][row], -less)
        reasons[row] = f"{reasons[row]} {sentence}".lstrip()
    graded = {
        name: pd.array([VERDICTS[gravest] for gravest in level], dtype="str")
        for name, level in levels.items()
    }
    return graded | {"reasons": pd.array(reasons, dtype="str")}


def _fill(template, visits, rows, limit):
    """The template's text for the visits at these positions."""
    pieces = []
    for words, field, form, _ in Formatter().parse(template):
        pieces.append([words] * len(rows))
        if field == "limit":
            pieces.append([_text(limit, form)] * len(rows))
        elif field:
            pieces.append([_text(value, form) for value in visits[field].to_numpy(object)[rows]])
    return ["".join(parts) for parts in zip(*pieces, strict=True)]


def _text(value, form):
    """A value as people write it: three figures or whole numbers, no powers of ten."""
    if form:
        return format(value, form)
    if isinstance(value, str):
        return value
    return f"{value:.0f}" if abs(value) >= 100 else f"{float(f'{value:.3g}'):.10g}"
