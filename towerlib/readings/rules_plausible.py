"""Rules on the reading itself: against soil, stray voltage, sweep, repeats and other towers.

Every rule takes the context and its threshold of ``rules.csv`` and returns a Series of bool over the visits:
true where all is well, or where nothing was recorded that could tell.
"""

import numpy as np
import pandas as pd

from towerlib.readings.answers import no
from towerlib.values import number

DIGITS = 9  # 1.3 − 1.0 is a trifle above 0.3 in binary: the limit itself is still good


def columns(visits, records):
    """Derived columns that the rules on the reading need.

    Parameters
    ----------
    visits : DataFrame
        Visits beside their tower, with the columns of the rules on probes and coils.
    records : Records
        Its ``sweeps`` are used.

    Returns
    -------
    dict of str to array or Series
        ``soil_ohm`` and ``soil_factor``, ``ambient_ohm`` and ``ambient_factor``, ``sweep_ohm`` at the test
        frequency, spread of same-day repeats, and the tower whose readings are the same to the digit.
    """
    sweep_ohm = _at_test_frequency(visits, records.sweeps)
    return {
        **_soil(visits),
        **_ambient(visits),
        "sweep_ohm": sweep_ohm,
        "sweep_off": (sweep_ohm / visits["impedance_ohm"].where(visits["impedance_ohm"] > 0) - 1.0)
        .abs()
        .round(DIGITS),
        **_repeats(visits),
        "same_as_tower_id": _same_as(visits),
    }


def _soil(visits):
    """What soil and size let expect, and how far the reading is off, as a factor of at least one."""
    expected = visits["resistivity_ohm_m"] / (2 * np.pi * visits["size_m"])
    times = visits["impedance_ohm"].where(visits["impedance_ohm"] > 0) / expected
    # In parallel with the shield wires a reading may lie far below the footing, never far above it.
    below = (1.0 / times).where(visits["footing_alone"], 1.0)
    return {"soil_ohm": expected, "soil_factor": np.maximum(times, below)}


def _ambient(visits):
    """Stray voltage over leakage current, where both stand clear of noise: it needs no injected current."""
    volt, total = visits["stray_voltage_potential_v"], visits["leakage_total_ma"]
    clear = (volt >= number("stray_floor_v")) & (total > number("ambient_clear_u") * visits["total_u_ma"])
    clear &= ~no(visits["in_service"]) & (visits["impedance_ohm"] > 0) & visits["method"].notna()
    ambient = (1000.0 * volt / total).where(clear)
    ratio = np.log(ambient / visits["impedance_ohm"].where(clear))
    # Beside the shield wires a reading is a lower bound: only an ambient value below it contradicts it.
    told = visits["footing_alone"] | (ratio < 0)
    return {"ambient_ohm": ambient, "ambient_factor": np.exp(ratio.abs()).where(told)}


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
    stray = ["stray_voltage_potential_v", "stray_voltage_current_v"]
    digits = ["impedance_ohm", *stray, "leg_sum_ma", "least_total_ma"]
    telling = visits["impedance_ohm"].notna() & visits[digits[1:]].notna().any(axis=1)
    seen = visits[telling]
    tower, names = pd.factorize(seen["tower_id"])
    alike = [seen["date"].dt.normalize(), seen["crew"], *(seen[column] for column in digits)]
    group = pd.Series(tower, seen.index).groupby(alike, dropna=False, sort=False)
    first, last = group.transform("min"), group.transform("max")
    other = first.where(first != tower, last)
    twin = pd.Series(names.to_numpy(object)[other], seen.index, dtype=object)
    return twin.where(other != tower).reindex(visits.index)


def impedance_not_tiny(context, threshold):
    """A footing alone reads at least what the best of towers have."""
    return ~((context.visits["impedance_ohm"] < threshold) & context.visits["footing_alone"])


def impedance_not_huge(context, threshold):
    """The impedance is one that a footing in contact with soil has."""
    return ~(context.visits["impedance_ohm"] > threshold)


def impedance_fits_soil(context, threshold):
    """The impedance lies within a factor of what soil and size of the tower let expect."""
    return ~(context.visits["soil_factor"] > threshold)


def ambient_agrees(context, threshold):
    """Stray voltage over leakage current tells about the same impedance as the test."""
    return ~(context.visits["ambient_factor"] > threshold)


def sweep_agrees(context, threshold):
    """The sweep passes near the single reading at its frequency."""
    return ~(context.visits["sweep_off"] > threshold)


def repeats_agree(context, threshold):
    """Readings of one tower on one day by one method agree."""
    seen = context.visits
    allowed = np.maximum(threshold * seen["repeat_median_ohm"], number("repeat_floor_ohm"))
    return ~((seen["repeat_most_ohm"] - seen["repeat_least_ohm"]).round(DIGITS) > allowed)


def readings_its_own(context, threshold):
    """The readings are not those of another tower of the same crew and day, digit for digit."""
    return context.visits["same_as_tower_id"].isna()
