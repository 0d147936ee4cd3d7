"""Rules of quality: record, probes and interference, coils and leg currents, and plausibility of the reading.

Every rule takes the context and its threshold of ``rules.csv`` and returns a Series of bool over the visits:
true where the visit passes, or where the record does not allow a decision.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.physics.leg_currents import DEFAULT_COILS, gap_uncertainty, total_bounds
from towerlib.physics.probes import (
    angle_off_line_deg,
    equivalent_hemisphere_m,
    expected_spread,
    four_leg_hemisphere_m,
    hemisphere_reading_ratio,
)
from towerlib.readings.methods import no, yes
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.readings.quality import Context
    from towerlib.records.load import Records


METHODS = ("leg coils", "no coils", "shield wire lifted")


def record_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Derived columns that the rules on records need.

    ``footing_alone``, ``calibration_overdue_days``; ``distance_m`` from the tower, ``spans_off`` as a part of the
    shorter adjoining span, ``nearest_tower_id`` and ``nearest_m`` of tower and neighbours.
    """
    without_wire = visits["shield_wire"].isin(["none", "insulated"])
    return {
        "footing_alone": visits["method"].isin(["leg coils", "shield wire lifted"]) | without_wire,
        "calibration_overdue_days": (visits["date"] - visits["calibration_due"]).dt.days,
        **_place(visits),
    }


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


def method_known(context: Context, threshold: float) -> pd.Series:
    """An impedance comes with the method by which it was read."""
    return context["method"].isin(METHODS) | context["impedance_ohm"].isna()


def reading_recorded(context: Context, threshold: float) -> pd.Series:
    """An impedance or a leakage current was recorded."""
    return context["impedance_ohm"].notna() | context["leakage_total_ma"].notna() | (context["legs_read"] > 0)


def impedance_recorded(context: Context, threshold: float) -> pd.Series:
    """An impedance was recorded."""
    return context["impedance_ohm"].notna()


def impedance_positive(context: Context, threshold: float) -> pd.Series:
    """The impedance is above zero."""
    return ~(context["impedance_ohm"] <= threshold)


def footing_read_alone(context: Context, threshold: float) -> pd.Series:
    """The reading is the footing alone, not in parallel with the shield wires."""
    return ~(context["method"].eq("no coils") & context["impedance_ohm"].notna()) | context["footing_alone"]


def frequency_known(context: Context, threshold: float) -> pd.Series:
    """An impedance comes with its test frequency."""
    return context["test_frequency_hz"].notna() | context["impedance_ohm"].isna()


def over_range_absent(context: Context, threshold: float) -> pd.Series:
    """The instrument showed no overload."""
    return ~yes(context["over_range"])


def serial_recorded(context: Context, threshold: float) -> pd.Series:
    """The serial number of the instrument is known."""
    return context["instrument_serial"].fillna("").str.strip().ne("")


def calibration_current(context: Context, threshold: float) -> pd.Series:
    """The calibration held on the day of the test."""
    return ~(context["calibration_overdue_days"] > threshold)


def soil_unfrozen(context: Context, threshold: float) -> pd.Series:
    """The soil was not frozen."""
    return ~context["soil_state"].eq("frozen")


def position_near(context: Context, threshold: float) -> pd.Series:
    """The crew's position lies at the tower, as far as a position fix can tell."""
    return ~(context["distance_m"].round() > threshold)


def position_at_this_tower(context: Context, threshold: float) -> pd.Series:
    """The crew's position lies within half the shorter adjoining span."""
    return ~(context["spans_off"] > threshold)


DIGITS = 9  # 2.95 − 1.95 is a trifle above 1 in binary: the limit itself is still good
HIGHEST_HARMONIC = 40  # network harmonics above this order are too weak to disturb a test


def probe_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Derived columns that the rules on probes need, from those of the rules on records.

    Highest and difference of stray voltages, offsets of frequencies from the network's, size of the footing as a
    hemisphere (``hemisphere_m`` from the reading where known, else from the leg spacing), place of the probes against
    line and footing, ``probe_error`` of the reading and ``zone_spread`` to expect.
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


def probe_resistance_low(context: Context, threshold: float) -> pd.Series:
    """Both probes are earthed well enough for a quiet reading."""
    return ~(context["probe_highest_ohm"] > threshold)


def probe_resistance_measurable(context: Context, threshold: float) -> pd.Series:
    """Both probes are earthed well enough for an instrument to read at all."""
    return ~(context["probe_highest_ohm"] > threshold)


def interference_agrees(context: Context, threshold: float) -> pd.Series:
    """Both probes see about the same stray voltage, as two places at remote earth do."""
    # At some ten volts a sound layout differs by more than a volt: the nearer probe stands in the tower's potential funnel.
    return ~(
        context["interference_difference_v"] > np.maximum(threshold, context["interference_part_v"].fillna(0))
    )


def interference_present(context: Context, threshold: float) -> pd.Series:
    """A stray voltage is seen at one probe at least, unless line or shield wire give no reason for one."""
    none_due = no(context["in_service"]) | context["shield_wire"].isin(["none", "insulated"])
    return ~(context["interference_highest_v"] < threshold) | none_due


def interference_frequency_of_network(context: Context, threshold: float) -> pd.Series:
    """The stray voltage has the network's frequency or its third harmonic."""
    return ~(context["interference_offset_hz"] > threshold)


def frequency_clear(context: Context, threshold: float) -> pd.Series:
    """The test frequency stays clear of the network's frequency and harmonics."""
    return ~(context["harmonic_offset_hz"] < threshold)


def current_probe_off_the_line(context: Context, threshold: float) -> pd.Series:
    """The current probe stands well away from the line's axis."""
    return ~(context["line_clearance_m"] < threshold)


def current_probe_off_the_footing(context: Context, threshold: float) -> pd.Series:
    """The current probe stands several times the footing's diagonal away from the tower."""
    return ~(context["probe_extents"] < threshold)


def probes_across_the_line(context: Context, threshold: float) -> pd.Series:
    """The leads leave the line at an angle at which it induces little in them."""
    return ~(context["probe_angle_deg"] < threshold)


def probes_off_the_counterpoise(context: Context, threshold: float) -> pd.Series:
    """At a tower with ring or counterpoise, the leads keep well away from the right of way."""
    return ~((context["probe_angle_deg"] < threshold) & yes(context["ring"]))


def potential_probe_placed(context: Context, threshold: float) -> pd.Series:
    """The place of the potential probe makes a small error only."""
    return ~(context["probe_error"].abs() > threshold)


def potential_probe_outside_zones(context: Context, threshold: float) -> pd.Series:
    """The potential probe stands outside the zones of footing and current probe."""
    return ~(context["probe_error"].abs() > threshold)


def zones_apart(context: Context, threshold: float) -> pd.Series:
    """The current probe is far enough for the zones of footing and probe not to overlap."""
    return ~(context["zone_spread"] > threshold)


def coil_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Derived columns that the rules on coils need.

    Legs read, their sum, lowest total, uncertainties; least and most turns; leg share of the injected current by
    currents and by impedances; legs in parallel.
    """
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


def turns_as_set(context: Context, threshold: float) -> pd.Series:
    """The coil was worn with as many turns as were entered in the instrument."""
    worn, entered = context["coil_turns"], context["coil_turns_recorded"]
    return ~((worn - entered).abs() > threshold)


def turns_equal_on_all_legs(context: Context, threshold: float) -> pd.Series:
    """All legs were read with as many turns."""
    return ~(context["turns_most"] - context["turns_least"] > threshold)


def current_scale_factor_possible(context: Context, threshold: float) -> pd.Series:
    """The range divisor is one that can be set."""
    return ~(context["current_scale_factor"] < threshold)


def all_legs_in_coils(context: Context, threshold: float) -> pd.Series:
    """Where legs were read with leg coils, all legs of the register were."""
    return all_legs_read(context, threshold) | ~context["method"].eq("leg coils")


def all_legs_read(context: Context, threshold: float) -> pd.Series:
    """Where legs were read, all legs of the register were."""
    return ~((context["legs_read"] > 0) & (context["legs_read"] < context["leg_count"]))


def no_leg_too_many(context: Context, threshold: float) -> pd.Series:
    """No more legs were read than the register has."""
    return ~(context["legs_read"] > context["leg_count"])


def total_within_sum(context: Context, threshold: float) -> pd.Series:
    """The vector total is not above the sum of the legs by more than the coils' uncertainty."""
    return ~(context["leakage_total_ma"] - context["leg_sum_ma"] > threshold * context["gap_u_ma"])


def total_near_sum(context: Context, threshold: float) -> pd.Series:
    """The vector total is not above the sum of the legs by a factor that no change of load explains."""
    return ~(context["leakage_total_ma"] > threshold * (context["leg_sum_ma"] + context["gap_u_ma"]))


def total_above_least(context: Context, threshold: float) -> pd.Series:
    """The vector total is not below the least total that the largest leg allows."""
    return ~(context["least_total_ma"] - context["leakage_total_ma"] > threshold * context["gap_u_ma"])


def total_near_least(context: Context, threshold: float) -> pd.Series:
    """The vector total is not below the least total that the largest leg allows by more than a change of load explains."""
    return ~(context["least_total_ma"] > threshold * (context["leakage_total_ma"] + context["gap_u_ma"]))


def ring_total_resolved(context: Context, threshold: float) -> pd.Series:
    """At a tower with ring or counterpoise, the total exceeds the errors that the coils leave of the leg currents."""
    lost = context["leakage_total_ma"] < threshold * context["total_u_ma"]
    return ~(yes(context["ring"]) & lost & (context["legs_read"] > 1))


def earth_paths_in_coils(context: Context, threshold: float) -> pd.Series:
    """A reading with leg coils had every path to earth inside a coil."""
    return ~(no(context["earth_paths_in_coils"]) & context["method"].eq("leg coils"))


def legs_within_injected(context: Context, threshold: float) -> pd.Series:
    """The legs do not carry more than was injected."""
    return ~(context["leg_share"] > threshold)


def leg_shares_agree(context: Context, threshold: float) -> pd.Series:
    """Currents and impedances give the same leg share of the injected current."""
    return ~(context["share_factor"] > threshold)


def legs_make_the_whole(context: Context, threshold: float) -> pd.Series:
    """The legs' own impedances in parallel make the impedance read with all of them together."""
    return ~(context["whole_factor"] > threshold)


def legs_near_the_whole(context: Context, threshold: float) -> pd.Series:
    """The legs' impedances and the impedance of all are not so far apart as a coil turned over makes them."""
    return ~(context["whole_factor"] > threshold)


def no_coils_lower(context: Context, threshold: float) -> pd.Series:
    """The reading without coils is not above the footing alone."""
    return ~(context["share_by_impedance"] > threshold)


def no_coils_possible(context: Context, threshold: float) -> pd.Series:
    """The reading without coils is not above the footing alone by more than the errors of both readings."""
    return ~(context["share_by_impedance"] > threshold)


def plausible_columns(visits: pd.DataFrame, records: Records) -> dict[str, Any]:
    """Derived columns that the rules on the reading need, from those of the rules on probes and coils.

    ``soil_ohm`` and ``soil_factor``, ``ambient_ohm`` and ``ambient_factor``, ``sweep_ohm`` at the test frequency,
    spread of same-day repeats, and the tower whose readings are the same to the digit.
    """
    sweep_ohm = _at_test_frequency(visits, records.sweeps)
    read_ohm = cast("pd.Series", visits["impedance_ohm"].where(visits["impedance_ohm"] > 0))
    return {
        **_soil(visits),
        **_ambient(visits),
        "sweep_ohm": sweep_ohm,
        "sweep_off": np.abs(sweep_ohm / read_ohm - 1.0).round(DIGITS),
        **_repeats(visits),
        "same_as_tower_id": _same_as(visits),
    }


def _soil(visits):
    """Expected impedance by soil and size, and the deviation of the reading, as a factor of at least one."""
    expected = visits["resistivity_ohm_m"] / (2 * np.pi * visits["size_m"])
    times = visits["impedance_ohm"].where(visits["impedance_ohm"] > 0) / expected
    # In parallel with the shield wires a reading may lie far below the footing, never far above it.
    below = (1.0 / times).where(visits["footing_alone"], 1.0)
    return {"soil_ohm": expected, "soil_factor": np.maximum(times, below)}


def _ambient(visits):
    """Stray voltage over leakage current, where both stand clear of noise: it needs no injected current."""
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


def impedance_not_tiny(context: Context, threshold: float) -> pd.Series:
    """A footing alone reads at least what the best of towers have."""
    return ~((context["impedance_ohm"] < threshold) & context["footing_alone"])


def impedance_not_huge(context: Context, threshold: float) -> pd.Series:
    """The impedance is one that a footing in contact with soil has."""
    return ~(context["impedance_ohm"] > threshold)


def impedance_fits_soil(context: Context, threshold: float) -> pd.Series:
    """The impedance lies within a factor of that expected by soil and size of the tower."""
    return ~(context["soil_factor"] > threshold)


def ambient_agrees(context: Context, threshold: float) -> pd.Series:
    """Stray voltage over leakage current gives about the same impedance as the test."""
    return ~(context["ambient_factor"] > threshold)


def sweep_agrees(context: Context, threshold: float) -> pd.Series:
    """The sweep passes near the single reading at its frequency."""
    return ~(context["sweep_off"] > threshold)


def repeats_agree(context: Context, threshold: float) -> pd.Series:
    """Readings of one tower on one day by one method agree."""
    allowed = np.maximum(threshold * context["repeat_median_ohm"], number("repeat_floor_ohm"))
    return ~((context["repeat_most_ohm"] - context["repeat_least_ohm"]).round(DIGITS) > allowed)


def readings_its_own(context: Context, threshold: float) -> pd.Series:
    """The readings are not those of another tower of the same crew and day, digit for digit."""
    return context["same_as_tower_id"].isna()
