"""What each tower is like for whoever works on its earthing: footing, legs, soil, people, ways in, flaws first to be mended."""

import numpy as np
import pandas as pd

from towerlib.line.safety import OFTEN_VISITED
from towerlib.months import last_day
from towerlib.readings.answers import yes
from towerlib.readings.causes import BOND_CAUSES, COIL_CAUSES
from towerlib.readings.towersoil import tower_soil
from towerlib.values import number

FOOTING = [
    *("tower_id", "footing_ohm", "footing_low_ohm", "footing_high_ohm", "lower_bound_ohm", "verdict"),
    *("target_ohm", "limit_ohm", "impedance_class", "rank_confidence"),
    *("leads_missing", "corrosion", "bond_seen", "suspected_cause"),
]
REGISTER = [
    *("structure", "leg_count", "leg_spacing_m", "ring", "shield_wire", "soil_class", "occupancy"),
    *("access", "access_group"),
]


def sites(records, route, condition, network, month):
    """Towers as sites of work.

    Parameters
    ----------
    records, route : Records, Route
        The line.
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    network : Network or None
        As `towerlib.network.assess` gives it; without it there is no touch screen.
    month : str
        ``YYYY-MM``; later soundings are not seen.

    Returns
    -------
    pandas.DataFrame
        One row a tower in the order of `condition`: its footing, limit and what was seen; the register's
        columns; legs (number), spacing_m (rounded) and width_m of the base; span_behind_m, span_ahead_m; upper_ohm_m,
        lower_ohm_m, depth_m, is_layered, resistivity_ohm_m, soil_u, soil_source of `tower_soil`; is_public, has_ring,
        lead_gone, lead_weak, bond_doubt (of bond or coils), bond_suspected, touch_above; geometry_assumed.
    """
    register = records.towers.set_index("tower_id").reindex(columns=REGISTER)
    table = condition.reindex(columns=FOOTING).join(register, on="tower_id", validate="1:1")
    table = table.join(_spans(route), on="tower_id", validate="1:1").reset_index(drop=True)
    table = table.join(_base(table))
    soil = tower_soil(records, table["tower_id"], last_day(month))
    return pd.concat([table, soil, _first_to_mend(table, network)], axis=1)


def _spans(route):
    """Spans on both sides of each tower."""
    laid = pd.DataFrame(route.towers)[["tower_id", "span_ahead_m"]]
    spans = laid.assign(span_behind_m=laid["span_ahead_m"].shift())
    return spans.set_index("tower_id").astype(float)


def _base(table):
    """Legs and their distance, with what stands in for a blank register."""
    spacing_m, count = table["leg_spacing_m"].astype(float), table["leg_count"].astype(float)
    single = (table["structure"] == "monopole").to_numpy()
    legs = np.where(count.isna(), np.where(single, 1, 4), count).astype(int)
    known = spacing_m.fillna(number("treatment_spacing_m"))
    step_m = number("treatment_spacing_step_m")
    rounded_m = np.maximum(np.round(known / step_m), 1) * step_m
    width_m = np.where(legs == 1, number("treatment_pole_width_m"), rounded_m)
    assumed = count.isna() | (spacing_m.isna() & (legs > 1))
    return pd.DataFrame(
        {"legs": legs, "spacing_m": width_m, "width_m": width_m, "geometry_assumed": assumed.to_numpy()},
        index=table.index,
    )


def _first_to_mend(table, network):
    """People, rings, and what has to be mended or looked at before anybody digs."""
    gone = (table["leads_missing"].astype(float) > 0) | (table["corrosion"] == "heavy")
    bond = table["bond_seen"].isin(["damaged", "missing"]) | table["suspected_cause"].isin(BOND_CAUSES)
    coils = table["suspected_cause"].isin(COIL_CAUSES)
    above = pd.Series(False, table.index)
    if network is not None:
        nodes = network.towers.set_index("tower_id").reindex(table["tower_id"])
        bond = bond | nodes["bond_suspect"].eq(True).fillna(False).to_numpy(bool)
        above = pd.Series(nodes["safety_screen"].eq("above").fillna(False).to_numpy(bool), table.index)
    return pd.DataFrame(
        {
            "is_public": table["occupancy"].isin(OFTEN_VISITED).to_numpy(bool),
            "has_ring": yes(table["ring"].astype("boolean")).to_numpy(bool),
            "lead_gone": gone.fillna(False).to_numpy(bool),
            "lead_weak": (table["suspected_cause"] == "weak leg").fillna(False).to_numpy(bool),
            "bond_doubt": (bond | coils).to_numpy(bool),
            "bond_suspected": bond.to_numpy(bool),
            "touch_above": above.to_numpy(bool),
        },
        index=table.index,
    )
