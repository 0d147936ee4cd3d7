"""What the quality rules look at: every visit beside its tower, and what each theme works out of both."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.readings import rules_coils, rules_plausible, rules_probes, rules_record

OF_TOWER = ["leg_count", "leg_spacing_m", "earth_paths_in_coils", "ring", "shield_wire", "resistivity_ohm_m"]
THEMES = (rules_record, rules_probes, rules_coils, rules_plausible)


@dataclass(frozen=True)
class Context:
    """One row a visit, in the order of the records, with all that the rules ask for.

    Parameters
    ----------
    visits : DataFrame
        The visits, columns of their tower (``leg_count``, ``ring``, ``line_bearing_deg`` …) and the columns
        that each theme derives. NaN in a derived column: the records do not allow to tell.
    """

    visits: pd.DataFrame


def prepare(records, route):
    """Everything the rules look at, worked out once for all visits.

    Parameters
    ----------
    records : Records
        Its towers, visits, legs, sweeps, soil and line are used.
    route : Route
        Its towers give place, direction and spans.

    Returns
    -------
    Context
    """
    visits = _beside_towers(records, route.towers)
    for theme in THEMES:
        visits = visits.assign(**theme.columns(visits, records))
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
