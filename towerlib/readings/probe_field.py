"""What the places of the probes let expect of a reading: its ratio to the footing, by the share of the current in the legs.

The shield wires take most of the injected current, the current probe all of it. So the field of the probe counts
against that of a footing which carries a small share, and distances that suit a lone electrode read too high.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import pandas as pd

from towerlib.physics.probes import four_leg_hemisphere_m, hemisphere_reading_ratio
from towerlib.readings.methods import yes
from towerlib.values import number

WITHOUT_WIRE = ("none", "insulated")
_PROBES = [
    f"{probe}_probe_{figure}"
    for figure in ("distance_m", "bearing_deg")
    for probe in ("potential", "current")
]


def leg_share(readings: pd.DataFrame) -> pd.Series:
    """Share of the injected current in the coils [1]: by the impedances without and with coils, else by the currents.

    Blank where the visit has neither, and where it is not between 0 and 1.
    """
    figures = ("impedance_no_coils_ohm", "impedance_ohm", "legs_ma", "injected_ma")
    lower, whole, legs, injected = (_figure(readings, name) for name in figures)
    share = (lower / whole).fillna(legs / injected).where(readings["method"] != "no coils")
    return share.where((share > 0) & (share <= 1))


def read_over_true(readings: pd.DataFrame, towers: pd.DataFrame) -> pd.Series:
    """Ratio of each reading to the footing that its probe places let expect [1]; blank where they are not known.

    Parameters
    ----------
    readings
        tower_id, method, impedance_ohm [Ω]; where there are any, distances [m] and bearings [°] of both probes,
        over_range, and what `leg_share` takes.
    towers
        tower_id; leg_spacing_m [m] and shield_wire where there are any.

    Notes
    -----
    `towerlib.physics.probes.hemisphere_reading_ratio` of a hemisphere of the tower's size: the resistivity of a register
    is too rough for its radius. Where a visit does not show the share λ, λ = Z/(Z + R) with the impedance Z of the wires,
    the median of λR/(1 − λ) over the other readings, else ``wires_impedance_ohm``. Without bonded wires, or with the
    wire lifted, λ = 1. Bearings that are blank count as equal. The ratio stays within ``probe_ratio_most`` to either
    side: beyond, the probes are too near for a hemisphere to say how far off they read.
    """
    register = towers.set_index("tower_id").reindex(readings["tower_id"]).set_axis(readings.index)
    radius_m = four_leg_hemisphere_m(number("leg_hemisphere_m"), _figure(register, "leg_spacing_m"))
    radius_m = pd.Series(radius_m, readings.index).fillna(number("footing_hemisphere_m"))
    inner, reach, potential, current = (_figure(readings, name) for name in _PROBES)
    apart_deg = ((potential - current + 180.0) % 360.0 - 180.0).abs().fillna(0.0)
    known = (inner > 0) & (reach > 0)
    ratio = hemisphere_reading_ratio(
        radius_m, inner.where(known), reach.where(known), apart_deg, _share_or_expected(readings, register)
    )
    most = number("probe_ratio_most")
    return pd.Series(ratio, readings.index).clip(1.0 / most, most)


def _share_or_expected(readings, register):
    """Share of each reading, else the one that the line's other readings let expect."""
    share, ohm = leg_share(readings), _figure(readings, "impedance_ohm")
    wires = (share * ohm / (1.0 - share)).where((share < number("leg_share_suspect")) & (ohm > 0)).median()
    wires = number("wires_impedance_ohm") if np.isnan(wires) else wires
    share = share.fillna(wires / (wires + ohm.where(ohm > 0)))
    alone = readings["method"].ne("leg coils")
    if "shield_wire" in register:
        alone |= register["shield_wire"].isin(WITHOUT_WIRE)
    return share.mask(alone, 1.0)


def _figure(table, name):
    """A column of numbers, blank where the table has none; of an overloaded instrument nothing counts."""
    if name not in table:
        return pd.Series(np.nan, table.index)
    figure = cast("pd.Series", table[name].astype(float))
    return figure.mask(yes(table["over_range"])) if "over_range" in table and name in _OF_TEST else figure


_OF_TEST = ("impedance_no_coils_ohm", "legs_ma", "injected_ma")
