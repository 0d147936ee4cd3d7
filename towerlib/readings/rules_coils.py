"""Rules on the coils: turns, range, legs read, and currents and impedances that must fit together.

Every rule takes the context and its threshold of ``rules.csv`` and returns a Series of bool over the visits:
true where all is well, or where nothing was recorded that could tell.
"""

import numpy as np
import pandas as pd

from towerlib.physics.gaps import DEFAULT_COILS, gap_uncertainty, total_bounds
from towerlib.readings.answers import no, yes
from towerlib.values import number


def columns(visits, records):
    """Derived columns that the rules on coils need.

    Parameters
    ----------
    visits : DataFrame
        Visits beside their tower.
    records : Records
        Its ``legs`` are used.

    Returns
    -------
    dict of str to array or Series
        Legs read, their sum, lowest total, uncertainties; least and most turns; leg share of the injected
        current by currents and by impedances; legs in parallel.
    """
    of_visit = pd.Index(visits["visit_id"]).get_indexer(records.legs["visit_id"])
    leakage, impedance, turns = (
        _beside_each_other(of_visit, records.legs[column], len(visits))
        for column in ("leakage_ma", "impedance_ohm", "coil_turns_worn")
    )
    turns = np.column_stack([turns, visits["coil_turns_worn"]])
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
    """Sum of the legs, the totals that geometry allows, and how sure both are."""
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


def turns_as_set(context, threshold):
    """The coil was worn with as many turns as were entered in the instrument."""
    worn, entered = context.visits["coil_turns_worn"], context.visits["coil_turns_set"]
    return ~((worn - entered).abs() > threshold)


def turns_equal_on_all_legs(context, threshold):
    """All legs were read with as many turns."""
    return ~(context.visits["turns_most"] - context.visits["turns_least"] > threshold)


def range_divisor_possible(context, threshold):
    """The range divisor is one that can be set."""
    return ~(context.visits["range_divisor"] < threshold)


def all_legs_in_coils(context, threshold):
    """Where legs were read with leg coils, all legs of the register were."""
    return all_legs_read(context, threshold) | ~context.visits["method"].eq("leg coils")


def all_legs_read(context, threshold):
    """Where legs were read, all legs of the register were."""
    seen = context.visits
    return ~((seen["legs_read"] > 0) & (seen["legs_read"] < seen["leg_count"]))


def no_leg_too_many(context, threshold):
    """No more legs were read than the register has."""
    return ~(context.visits["legs_read"] > context.visits["leg_count"])


def total_within_sum(context, threshold):
    """The vector total is not above the sum of the legs by more than the coils' uncertainty."""
    seen = context.visits
    return ~(seen["leakage_total_ma"] - seen["leg_sum_ma"] > threshold * seen["gap_u_ma"])


def total_near_sum(context, threshold):
    """The vector total is not above the sum of the legs by a factor that no change of load explains."""
    seen = context.visits
    return ~(seen["leakage_total_ma"] > threshold * (seen["leg_sum_ma"] + seen["gap_u_ma"]))


def total_above_least(context, threshold):
    """The vector total is not below what the largest leg leaves over the others."""
    seen = context.visits
    return ~(seen["least_total_ma"] - seen["leakage_total_ma"] > threshold * seen["gap_u_ma"])


def total_near_least(context, threshold):
    """The vector total is not below what the largest leg leaves by more than a change of load explains."""
    seen = context.visits
    return ~(seen["least_total_ma"] > threshold * (seen["leakage_total_ma"] + seen["gap_u_ma"]))


def ring_total_resolved(context, threshold):
    """At a tower with ring or counterpoise, the total stands clear of what coil errors leave of the legs."""
    seen = context.visits
    lost = seen["leakage_total_ma"] < threshold * seen["total_u_ma"]
    return ~(yes(seen["ring"]) & lost & (seen["legs_read"] > 1))


def earth_paths_in_coils(context, threshold):
    """A reading with leg coils had every path to earth inside a coil."""
    return ~(no(context.visits["earth_paths_in_coils"]) & context.visits["method"].eq("leg coils"))


def legs_within_injected(context, threshold):
    """The legs do not carry more than was injected."""
    return ~(context.visits["leg_share"] > threshold)


def leg_shares_agree(context, threshold):
    """Currents and impedances tell the same leg share of the injected current."""
    return ~(context.visits["share_factor"] > threshold)


def legs_make_the_whole(context, threshold):
    """The legs' own impedances in parallel make the impedance read with all of them together."""
    return ~(context.visits["whole_factor"] > threshold)


def legs_near_the_whole(context, threshold):
    """The legs' impedances and the impedance of all are not so far apart as a coil turned over makes them."""
    return ~(context.visits["whole_factor"] > threshold)


def no_coils_lower(context, threshold):
    """The reading without coils is not above the footing alone."""
    return ~(context.visits["share_by_impedance"] > threshold)


def no_coils_possible(context, threshold):
    """The reading without coils is not above the footing alone by more than both readings can be wrong."""
    return ~(context.visits["share_by_impedance"] > threshold)
