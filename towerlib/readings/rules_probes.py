"""Rules on the probes: resistance, stray voltage, frequency, direction and distance.

Every rule takes the context and its threshold of ``rules.csv`` and returns a Series of bool over the visits:
true where all is well, or where nothing was recorded that could tell.
"""

import numpy as np
import pandas as pd

from towerlib.physics.probes import (
    angle_off_line_deg,
    equivalent_hemisphere_m,
    expected_spread,
    four_leg_hemisphere_m,
    hemisphere_reading_ratio,
)
from towerlib.readings.answers import no, yes
from towerlib.values import number

DIGITS = 9  # 2.95 − 1.95 is a trifle above 1 in binary: the limit itself is still good
HIGHEST_HARMONIC = 40  # network harmonics above this order are too weak to disturb a test


def columns(visits, records):
    """Derived columns that the rules on probes need.

    Parameters
    ----------
    visits : DataFrame
        Visits beside their tower, with the columns of the rules on records.
    records : Records

    Returns
    -------
    dict of str to array or Series
        Highest and difference of stray voltages, offsets of frequencies from the network's, size of the
        footing as a hemisphere (``hemisphere_m`` from the reading where it can be told, else from the leg
        spacing), place of the probes against line and footing, ``probe_error`` of the reading and
        ``zone_spread`` to expect.
    """
    sized = _electrode(visits)
    return {**_interference(visits, records.line.frequency_hz), **sized, **_probes(visits.assign(**sized))}


def _interference(visits, mains_hz):
    """Stray voltages of the two probes, and how far frequencies lie from those of the network."""
    potential, current = visits["stray_voltage_potential_v"], visits["stray_voltage_current_v"]
    stray, test = visits["stray_frequency_hz"], visits["test_frequency_hz"]
    harmonic_hz = (test / mains_hz).round().clip(1, HIGHEST_HARMONIC) * mains_hz
    return {
        "mains_hz": mains_hz,
        "stray_highest_v": np.maximum(potential, current),
        "stray_part_v": number("stray_part") * np.maximum(potential, current),
        "stray_difference_v": (potential - current).abs().round(DIGITS),
        "stray_offset_hz": np.minimum((stray - mains_hz).abs(), (stray - 3 * mains_hz).abs()).round(DIGITS),
        "harmonic_hz": harmonic_hz,
        "harmonic_offset_hz": (test - harmonic_hz).abs().round(DIGITS),
    }


def _electrode(visits):
    """How large the footing is: its diagonal, and the hemisphere that it acts like."""
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
    """Where the probes stood, seen from the tower, the line and each other."""
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


def probe_resistance_low(context, threshold):
    """Both probes are earthed well enough for a quiet reading."""
    return ~(context.visits["probe_highest_ohm"] > threshold)


def probe_resistance_measurable(context, threshold):
    """Both probes are earthed well enough for an instrument to read at all."""
    return ~(context.visits["probe_highest_ohm"] > threshold)


def stray_voltages_agree(context, threshold):
    """Both probes see about the same stray voltage, as two places at remote earth do."""
    # At some ten volts a sound lay leaves more than a volt: the nearer probe stands in the tower's funnel.
    return ~(
        context.visits["stray_difference_v"] > np.maximum(threshold, context.visits["stray_part_v"].fillna(0))
    )


def stray_voltage_present(context, threshold):
    """A stray voltage is seen at one probe at least, unless line or shield wire give no reason for one."""
    none_due = no(context.visits["in_service"]) | context.visits["shield_wire"].isin(["none", "insulated"])
    return ~(context.visits["stray_highest_v"] < threshold) | none_due


def stray_frequency_of_network(context, threshold):
    """The stray voltage has the network's frequency or its third harmonic."""
    return ~(context.visits["stray_offset_hz"] > threshold)


def frequency_clear(context, threshold):
    """The test frequency stays clear of the network's frequency and harmonics."""
    return ~(context.visits["harmonic_offset_hz"] < threshold)


def current_probe_off_the_line(context, threshold):
    """The current probe stands well away from the line's axis."""
    return ~(context.visits["line_clearance_m"] < threshold)


def current_probe_off_the_footing(context, threshold):
    """The current probe stands several times the footing's diagonal away from the tower."""
    return ~(context.visits["probe_extents"] < threshold)


def probes_across_the_line(context, threshold):
    """The leads leave the line at an angle at which it induces little in them."""
    return ~(context.visits["probe_angle_deg"] < threshold)


def probes_off_the_counterpoise(context, threshold):
    """At a tower with ring or counterpoise, the leads keep well away from the right of way."""
    return ~((context.visits["probe_angle_deg"] < threshold) & yes(context.visits["ring"]))


def potential_probe_placed(context, threshold):
    """The place of the potential probe lets the reading be true within a small error."""
    return ~(context.visits["probe_error"].abs() > threshold)


def potential_probe_outside_zones(context, threshold):
    """The potential probe stands outside the zones of footing and current probe."""
    return ~(context.visits["probe_error"].abs() > threshold)


def zones_apart(context, threshold):
    """The current probe is far enough for the zones of footing and probe not to overlap."""
    return ~(context.visits["zone_spread"] > threshold)
