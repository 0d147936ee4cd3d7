"""Leg currents of each visit: what sum, total and shares say, and what to look at first.

`gap` is the arithmetic sum of the leg currents minus their vector total: an indicator, not a fault. That a
wide gap hints at an open bond is reasoned from a model and found in no print. A ring, a reversed coil or a
quiet stretch of line shows the same, and a gap near zero proves nothing.
"""

import numpy as np
import pandas as pd

from towerlib.physics.detection import smallest_sum
from towerlib.physics.gaps import DEFAULT_COILS, gap, leg_count, leg_ratios, total_bounds
from towerlib.readings import coilfaults
from towerlib.readings.answers import no, yes
from towerlib.readings.byleg import by_leg, pick
from towerlib.readings.causes import judged
from towerlib.readings.peers import against_line
from towerlib.values import number

_COLUMN_NAMES = """
    visit_id tower_id date leg_count_read all_legs_read leakage_sum_ma leakage_total_ma total_source
    gap_ma gap_u_ma gap_bias_ma gap_z gap_fraction gap_fraction_low large_enough ring peer_class
    weakest_leg weakest_leg_ratio strongest_leg strongest_leg_ratio highest_impedance_leg
    highest_impedance_ratio reversed_legs step_leg total_vs_line sum_vs_line rise_vs_line peers peer_count
    peer_total_ma leg_share_lambda leg_share_u suspected_cause evidence
"""
COLUMNS = _COLUMN_NAMES.split()
_VISIT_COLUMNS = [
    *("visit_id", "tower_id", "date", "in_service", "method", "overload", "impedance_ohm"),
    *("impedance_no_coils_ohm", "injected_ma", "legs_ma", "leakage_total_ma", "coil_turns_worn"),
    "coil_turns_set",
]


def summarise(visits, legs, towers, coils=DEFAULT_COILS):
    """Sum, total, gap and shares of the leg currents of each visit, and what to look at first.

    Parameters
    ----------
    visits, legs, towers : DataFrame
        Tables of one line, as loaded. Legs of visits that are not in `visits` are not looked at.
    coils : CoilSpec
        What the coils promise, and whether the total is formed from the same coils.

    Returns
    -------
    DataFrame
        One row a visit with a leakage reading or a share of an injected current, in the order given:

        - ``leakage_sum_ma``, ``leakage_total_ma``, ``total_source`` (measured, or blank: gap unknown),
          ``gap_ma`` with u, bias and z; fraction and lower bound only where ``large_enough``;
        - ``peer_class``: legs alone, ring or other path, no bonded wire; each is compared within itself;
        - weakest, strongest and highest-impedance leg with the ratio to the median of the others;
          ``reversed_legs``: the coil, or those of which one, turned over, explains the gap; ``step_leg``:
          the one that stepped by a turns factor against another visit;
        - ``total_vs_line``, ``sum_vs_line``, ``rise_vs_line``: robust z of the logarithm of total, sum and
          total × footing impedance among the line's towers of that day, or of that campaign (``peers``);
        - ``leg_share_lambda``: share of the injected current in the legs, from the currents, else from the
          impedances without and with coils;
        - ``suspected_cause``, one of ``CAUSES``, and ``evidence``: numbers, and what else looks the same.

    Raises
    ------
    RecordsError
        A visit has the same leg twice.

    Notes
    -----
    With legs missing the gap stays blank. A total counts as low only while the tower's rise is low too: a
    high footing alone draws little current. The injected test goes before the gap: a leg share from 0.5 on
    suspects the bond, a smaller one clears it. Wrong turns show in the gap of a total measured on its own, or
    against another visit; the ratio of legs alone does not tell them from legs. In logarithms a total shown
    as 0 stands as half a display step. A tower counts among its own peers.

    Examples
    --------
    >>> blank = dict.fromkeys(["impedance_no_coils_ohm", "injected_ma", "legs_ma", "coil_turns_set"], np.nan)
    >>> blank["overload"] = None
    >>> visit = {"visit_id": "V1", "tower_id": "12A", "date": pd.Timestamp("2026-03-02"), "in_service": True}
    >>> visit |= {"leakage_total_ma": 406.0, "method": "leg coils", "impedance_ohm": 9, "coil_turns_worn": 1}
    >>> legs = pd.DataFrame({"visit_id": "V1", "leg": [*"ABCD"], "leakage_ma": [171.0, 215.0, 158.0, 204.0]})
    >>> legs = legs.assign(impedance_ohm=np.nan, coil_turns_worn=np.nan)
    >>> tower = {"tower_id": "12A", "leg_count": 4, "ring": False, "earth_paths_in_coils": True}
    >>> towers = pd.DataFrame([tower | {"shield_wire": "bonded"}])
    >>> found = summarise(pd.DataFrame([visit | blank]), legs, towers)
    >>> print(found.loc[0, "gap_ma"], found.loc[0, "suspected_cause"], found.loc[0, "reversed_legs"])
    342.0 coil reversed A
    """
    table = _facts(visits, towers, coils)
    readings = by_leg(table, legs)
    held = table["leakage_total_ma"].notna() | table["leg_share_lambda"].notna()
    held = (held | (leg_count(readings["leakage_ma"]) > 0)).to_numpy()
    table = table[held].reset_index(drop=True)
    readings = {name: values[held] for name, values in readings.items()}
    table = table.assign(**_gap(table, readings["leakage_ma"], coils))
    table = table.assign(**_extremes(readings), **coilfaults.turns(table, readings["coil_turns_worn"]))
    table = table.assign(**coilfaults.reversals(table, readings, coils), **against_line(table, coils))
    table = table.assign(turns_guess=coilfaults.turns_in_gap(table, coils))
    table = table.assign(**coilfaults.steps(table, readings))
    cause, evidence = judged(table, coils)
    return table.assign(suspected_cause=cause, evidence=evidence)[COLUMNS]


def _facts(visits, towers, coils):
    """Visits with what the register says of their tower, their class of comparison and the leg share."""
    register = towers[["tower_id", "leg_count", "ring", "earth_paths_in_coils", "shield_wire"]]
    table = visits[_VISIT_COLUMNS].merge(register, how="left", on="tower_id", validate="m:1")
    beside = yes(table["ring"]) | no(table["earth_paths_in_coils"])
    unbonded = table["shield_wire"].isin(["insulated", "none"])
    kind = np.select([unbonded, beside], ["no bonded wire", "ring or other path"], "legs alone")
    source = pd.Series("measured", table.index, dtype="str").where(table["leakage_total_ma"].notna())
    return table.assign(peer_class=kind, total_source=source, **_leg_share(table, coils))


def _leg_share(visits, coils):
    """Share of the injected current in the legs, with its standard uncertainty; blank under overload."""
    valid = ~yes(visits["overload"])
    injected, part = (visits[name].where(valid & (visits[name] > 0)) for name in ("injected_ma", "legs_ma"))
    alone = valid & (visits["method"] != "no coils") & (visits["impedance_ohm"] > 0)
    footing, by_current = visits["impedance_ohm"].where(alone), part / injected
    share = by_current.fillna(visits["impedance_no_coils_ohm"] / footing)
    noise = coils.noise_ma * np.hypot(1.0 / injected, 1.0 / part)
    by_impedance_u = np.sqrt(2.0 / 3.0) * number("impedance_reading_percent") / 100.0
    relative_u = np.sqrt(2.0 * coils.gain_u**2 + noise**2).where(by_current.notna(), by_impedance_u)
    return {"footing_ohm": footing, "leg_share_lambda": share, "leg_share_u": share * relative_u}


def _gap(table, legs_ma, coils):
    """Sum, gap and its bounds; the gap is unknown where the register has more legs than were read."""
    read = leg_count(legs_ma)
    complete = pd.Series(read >= table["leg_count"], dtype="boolean")
    complete = complete.where((read > 0) & table["leg_count"].notna())
    total_ma = table["leakage_total_ma"].where(complete.fillna(True)).to_numpy()
    found = gap(legs_ma, total_ma, coils)
    floor = smallest_sum(read, coils)
    large = pd.Series(found.sum_ma >= floor, dtype="boolean").where(read > 0)
    return {
        "leg_count_read": read,
        "all_legs_read": complete,
        "leakage_sum_ma": found.sum_ma,
        "gap_ma": found.gap_ma,
        "gap_u_ma": found.u_ma,
        "gap_bias_ma": found.bias_ma,
        "gap_z": found.z,
        "gap_fraction": np.where(large.fillna(False), found.fraction, np.nan),
        "gap_fraction_low": np.where(large.fillna(False), found.fraction_low, np.nan),
        "large_enough": large,
        "floor_ma": floor,
        "least_total_ma": total_bounds(legs_ma)[0],
        "total_u_ma": coils.gain_u * np.sqrt(np.nansum(legs_ma**2, axis=1)),
    }


def _extremes(readings):
    """Weakest and strongest leg, the one of highest impedance, and their ratios to the other legs."""
    names, legs_ma, leg_ohm = readings["leg"], readings["leakage_ma"], readings["impedance_ohm"]
    ratios, impedance_ratios = leg_ratios(legs_ma), leg_ratios(leg_ohm)
    weakest, strongest, highest = _largest(-ratios), _largest(ratios), _largest(impedance_ratios)
    return {
        "weakest_leg": _named(names, ratios, weakest),
        "weakest_leg_ratio": pick(ratios, weakest),
        "weakest_ma": pick(legs_ma, weakest),
        "weakest_impedance_ratio": pick(impedance_ratios, weakest),
        "strongest_leg": _named(names, ratios, strongest),
        "strongest_leg_ratio": pick(ratios, strongest),
        "strongest_ma": pick(legs_ma, strongest),
        "highest_impedance_leg": _named(names, impedance_ratios, highest),
        "highest_impedance_ratio": pick(impedance_ratios, highest),
        "unread_legs": _without_impedance(names, legs_ma, leg_ohm),
    }


def _without_impedance(names, legs_ma, leg_ohm):
    """Legs of which no impedance was read, though of several others; blank where there are none."""
    unread = ~np.isnan(legs_ma) & np.isnan(leg_ohm) & (leg_count(leg_ohm) > 1)[:, None]
    text = np.full(len(names), None, dtype=object)
    for row in np.flatnonzero(unread.any(axis=1)):
        text[row] = " and ".join(names[row][unread[row]])
    return pd.Series(text, dtype="str")


def _largest(ratios):
    """Place of each visit's largest ratio."""
    return np.argmax(np.where(np.isnan(ratios), -np.inf, ratios), axis=1)[:, None]


def _named(names, ratios, at):
    """Name of the leg at a place; blank where it has no ratio."""
    return pd.Series(pick(names, at), dtype="str").where(~np.isnan(pick(ratios, at)))
