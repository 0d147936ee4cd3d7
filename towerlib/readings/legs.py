"""Leg currents of each visit: what sum, total and shares say, and what to look at first.

`gap` is the arithmetic sum of the leg currents minus their vector total: an indicator, not a fault. That a
wide gap hints at an open bond is reasoned from a model and found in no print. A ring, a reversed coil or a
quiet stretch of line shows the same, and a gap near zero proves nothing.
"""

from string import Formatter

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.physics import gaps
from towerlib.physics.gaps import DEFAULT_COILS
from towerlib.readings.answers import no, yes
from towerlib.values import number

_COLUMN_NAMES = """
    visit_id tower_id date leg_count_read all_legs_read leakage_sum_ma leakage_total_ma total_source
    gap_ma gap_u_ma gap_bias_ma gap_z gap_fraction gap_fraction_low large_enough ring peer_class
    weakest_leg weakest_leg_ratio strongest_leg strongest_leg_ratio highest_impedance_leg
    highest_impedance_ratio reversed_legs total_vs_line sum_vs_line rise_vs_line peers peer_count
    peer_total_ma leg_share_lambda leg_share_u suspected_cause evidence
"""
COLUMNS = _COLUMN_NAMES.split()
_VISIT_COLUMNS = [
    *("visit_id", "tower_id", "date", "in_service", "method", "overload", "impedance_ohm"),
    *("impedance_no_coils_ohm", "injected_ma", "legs_ma", "leakage_total_ma", "coil_turns_worn"),
    "coil_turns_set",
]

_INSPECT = " Inspect the bond under the utility's licensed procedure; never open it for a test."
_SHARE = " Injected test: the legs take {leg_share_lambda:g} of the current."
_SHARE_BESIDE = (
    " Injected test: {leg_share_lambda:g} of the current is in the coils, but other paths lie beside."
)
_AMONG = (
    "(robust z {total_vs_line:g} among {peer_count:g} towers of that {peers}, median {peer_total_ma:g} mA)"
)

# In order of precedence: the first rule met gives the cause, the numbers and what else looks the same.
_RULES = {
    "turns_recorded": (
        "wrong coil turns",
        "The record has {turns_worn:g} turns worn and {turns_set:g} set: readings are {turns_factor:g} "
        "times the current, unless corrected since. Clear that before anything else is judged.",
    ),
    "share_over_one": (
        "wrong coil turns",
        "The legs take {leg_share_lambda:g} ± {leg_share_u:g} of the injected current, more than all of"
        " it. Wrong turns, the gain of a coil or a slip in one of the two readings look the same.",
    ),
    "share_high_doubtful": (
        "bond or coils: inspect",
        "The legs take {leg_share_lambda:g} of the injected current, but their sum of {leakage_sum_ma:g} mA "
        "and the total of {leakage_total_ma:g} mA contradict each other. Little or no bond and coils wrongly "
        "set look the same. Check the coils first.",
    ),
    "share_nearly_all": (
        "bond: inspect",
        "The legs take {leg_share_lambda:g} of the injected current: hardly any finds the shield wires. "
        "A bond that carries nothing and wires insulated or ended here look the same.",
    ),
    "share_high": (
        "bond: inspect",
        "The legs take {leg_share_lambda:g} of the injected current; 0.05 to 0.3 is usual with a sound bond, "
        "1 without. A worn bond, spans broken nearby or a footing under about 1 Ω look the same.",
    ),
    "out_of_service": (
        "cannot tell",
        "The line was out of service: the currents in the legs are not those that the gap is about.",
    ),
    "legs_missing": (
        "cannot tell",
        "{leg_count_read:g} of {leg_count:g} legs read: without the others neither sum nor gap is known.",
    ),
    "total_over_sum_half": (
        "reading impossible",
        "The total of {leakage_total_ma:g} mA passes the legs' sum of {leakage_sum_ma:g} mA by about "
        "what leg {weakest_leg} reads, as if its coil had half the turns set. A unit slip, an earth "
        "path left out or a load that changed meanwhile look the same: read again.",
    ),
    "total_over_sum": (
        "reading impossible",
        "The total of {leakage_total_ma:g} mA passes the legs' sum of {leakage_sum_ma:g} mA by more "
        "than 3 × {gap_u_ma:g} mA. Too few turns on a coil, a unit slip, an earth path left out or a "
        "load that changed meanwhile look the same: read again.",
    ),
    "total_under_bound": (
        "reading impossible",
        "The total of {leakage_total_ma:g} mA is under the {least_total_ma:g} mA that leg "
        "{strongest_leg} must leave, by more than 3 × {gap_u_ma:g} mA. Too many turns on that coil, a "
        "slip or a load that changed meanwhile look the same: read again.",
    ),
    "quiet_among_peers": (
        "bond: inspect",
        "The legs sum to {leakage_sum_ma:g} mA and together carry {leakage_total_ma:g} mA "
        + _AMONG
        + ". A lost footing or a quiet stretch of the line looks the same; the injected test decides.",
    ),
    "turns_step": (
        "wrong coil turns",
        "Leg {step_leg} takes {step_ratio:g} times the median of the others, {step_usual:g} times at another "
        "visit: a step by a whole turns factor. Work on that leg in between looks the same.",
    ),
    "reversed_injected": (
        "coil reversed",
        "Injected test: all coils together give {footing_ohm:g} Ω, the single legs in parallel "
        "{legs_parallel_ohm:g} Ω, as with the coil on leg {reversed_legs} turned over; the footing then "
        "reads too high as well. A slip in one of the readings looks the same: turn the coil and read again.",
    ),
    "high_leg": (
        "weak leg",
        "Leg {highest_impedance_leg} has {highest_impedance_ratio:g} times the median apparent impedance of "
        "the others. A corroded or parted stub or lead, a coil not closed and a leg earthed less by design "
        "look the same.",
    ),
    "too_small": (
        "too small to judge",
        "The legs sum to {leakage_sum_ma:g} mA; these coils need {floor_ma:g} mA. A quiet stretch, a "
        "high footing and an open path look the same.",
    ),
    "own_class": (
        "ring or other earth path",
        "A ring, or an earth path beside the coils, carries current that no total shows: the "
        "{leakage_sum_ma:g} mA in the legs say nothing about the bond, and a total is unsure by "
        "{total_u_ma:g} mA. Compare such towers among themselves.",
    ),
    "turns_gap": (
        "wrong coil turns",
        "The gap of {gap_ma:g} mA is what leg {strongest_leg}, at {strongest_leg_ratio:g} times the "
        "median of the others, adds if its coil has {turns_guess:g} turns for each one set. Legs out of"
        " phase look the same.",
    ),
    "reversed": (
        "coil reversed",
        "The gap of {gap_ma:g} mA in {leakage_sum_ma:g} mA vanishes within 2 × {reversal_u_ma:g} mA "
        "with the coil on leg {reversed_legs} turned over. Legs far out of phase can look the same: "
        "turn the coil and read again.",
    ),
    "weak_leg": (
        "weak leg",
        "Leg {weakest_leg} carries {weakest_leg_ratio:g} times the median of the others. A corroded or "
        "parted stub or lead, a coil not closed and a leg earthed less by design look the same.",
    ),
    "low_and_spread": (
        "bond: inspect",
        "The total of {leakage_total_ma:g} mA is low "
        + _AMONG
        + " and {gap_fraction:g} of the sum of {leakage_sum_ma:g} mA is gap. Two reversed coils, a ring "
        "not in the register or a lost footing look the same; the injected test decides.",
    ),
    "spread_unbonded": (
        "none",
        "The gap of {gap_ma:g} ± {gap_u_ma:g} mA is {gap_fraction:g} of the sum. No shield wire is "
        "bonded here by design, so little flows in total.",
    ),
    "spread_bond_sound": (
        "cannot tell",
        "The gap of {gap_ma:g} ± {gap_u_ma:g} mA is {gap_fraction:g} of the sum, though the injected "
        "test finds the bond carrying (of two bonds, one at least). Reversed coils or a ring not in the"
        " register fit.",
    ),
    "spread": (
        "bond or coils: inspect",
        "The gap of {gap_ma:g} ± {gap_u_ma:g} mA is {gap_fraction:g} of the sum. Reversed coils, a ring"
        " not in the register and a poor bond look the same. Check the coils first.",
    ),
    "very_low": (
        "bond: inspect",
        "The total of {leakage_total_ma:g} mA is very low "
        + _AMONG
        + "; a poor bond needs no gap. A high footing or a quiet stretch of the line looks the same; the "
        "injected test decides.",
    ),
    "no_legs": (
        "cannot tell",
        "A total of {leakage_total_ma:g} mA without the legs: the gap is unknown.",
    ),
    "no_total": (
        "cannot tell",
        "The legs sum to {leakage_sum_ma:g} mA; no vector total, so the gap is unknown.",
    ),
    "no_leakage": ("none", "No leakage current was read."),
    "gap_real": (
        "none",
        "The gap of {gap_ma:g} ± {gap_u_ma:g} mA is more than the coils explain, but only "
        "{gap_fraction:g} of the sum: sound towers show such gaps.",
    ),
    "gap_explained": (
        "none",
        "The gap of {gap_ma:g} ± {gap_u_ma:g} mA on {leakage_sum_ma:g} mA is no more than the coils "
        "explain. That does not prove the bond: a poor one under strong drive reads the same.",
    ),
}
CAUSES = tuple(dict.fromkeys(cause for cause, _ in _RULES.values()))


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
          ``reversed_legs``: the coil, or those of which one, turned over, explains the gap;
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
    readings = _by_leg(table, legs)
    held = table["leakage_total_ma"].notna() | table["leg_share_lambda"].notna()
    held = (held | (gaps.leg_count(readings["leakage_ma"]) > 0)).to_numpy()
    table = table[held].reset_index(drop=True)
    readings = {name: values[held] for name, values in readings.items()}
    table = table.assign(**_gap(table, readings["leakage_ma"], coils))
    table = table.assign(**_extremes(readings), **_turns(table, readings["coil_turns_worn"]))
    table = table.assign(**_reversals(table, readings, coils), **_against_line(table, coils))
    table = table.assign(**_steps(table, readings), turns_guess=_turns_in_gap(table, coils))
    cause, evidence = _judged(table, _flags(table, coils))
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


def _by_leg(visits, legs):
    """Leg names, currents, impedances and turns as arrays (visits × legs), in the order of the rows."""
    twice = legs.duplicated(["visit_id", "leg"])
    if twice.any():
        visit, leg = legs.loc[twice, ["visit_id", "leg"]].iloc[0]
        raise RecordsError(f"legs: visit {visit} has leg {leg} twice; keep one row a leg and visit")
    row = pd.Index(visits["visit_id"]).get_indexer(legs["visit_id"])
    order = np.argsort(row, kind="stable")
    order = order[row[order] >= 0]
    row = row[order]
    place = np.arange(len(row)) - np.searchsorted(row, row)
    shape = (len(visits), int(place.max(initial=0)) + 1)
    readings = {"leg": np.full(shape, "", dtype=object)}
    readings["leg"][row, place] = legs["leg"].to_numpy(dtype=object)[order]
    for column in ("leakage_ma", "impedance_ohm", "coil_turns_worn"):
        readings[column] = np.full(shape, np.nan)
        readings[column][row, place] = legs[column].to_numpy(dtype=float)[order]
    return readings


def _gap(table, legs_ma, coils):
    """Sum, gap and its bounds; the gap is unknown where the register has more legs than were read."""
    read = gaps.leg_count(legs_ma)
    complete = pd.Series(read >= table["leg_count"], dtype="boolean")
    complete = complete.where((read > 0) & table["leg_count"].notna())
    total_ma = table["leakage_total_ma"].where(complete.fillna(True)).to_numpy()
    found = gaps.gap(legs_ma, total_ma, coils)
    floor = gaps.smallest_sum(read, coils)
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
        "least_total_ma": gaps.total_bounds(legs_ma)[0],
        "total_u_ma": coils.gain_u * np.sqrt(np.nansum(legs_ma**2, axis=1)),
    }


def _extremes(readings):
    """Weakest and strongest leg, the one of highest impedance, and their ratios to the other legs."""
    names, legs_ma, leg_ohm = readings["leg"], readings["leakage_ma"], readings["impedance_ohm"]
    ratios, impedance_ratios = gaps.leg_ratios(legs_ma), gaps.leg_ratios(leg_ohm)
    weakest, strongest, highest = _largest(-ratios), _largest(ratios), _largest(impedance_ratios)
    return {
        "weakest_leg": _named(names, ratios, weakest),
        "weakest_leg_ratio": _pick(ratios, weakest),
        "weakest_ma": _pick(legs_ma, weakest),
        "weakest_impedance_ratio": _pick(impedance_ratios, weakest),
        "strongest_leg": _named(names, ratios, strongest),
        "strongest_leg_ratio": _pick(ratios, strongest),
        "strongest_ma": _pick(legs_ma, strongest),
        "highest_impedance_leg": _named(names, impedance_ratios, highest),
        "highest_impedance_ratio": _pick(impedance_ratios, highest),
    }


def _largest(ratios):
    """Place of each visit's largest ratio."""
    return np.argmax(np.where(np.isnan(ratios), -np.inf, ratios), axis=1)[:, None]


def _pick(values, at):
    """Value of each visit at a place among its legs."""
    return np.take_along_axis(values, at, axis=1)[:, 0]


def _named(names, ratios, at):
    """Name of the leg at a place; blank where it has no ratio."""
    return pd.Series(_pick(names, at), dtype="str").where(~np.isnan(_pick(ratios, at)))


def _steps(table, readings):
    """Leg whose share changed by a whole turns factor against another visit; blank where none did."""
    large = yes(table["large_enough"]).to_numpy()[:, None]
    names, of_leakage = readings["leg"], np.where(large, gaps.leg_ratios(readings["leakage_ma"]), np.nan)
    of_injected = gaps.leg_ratios(_conductance(readings))
    # The injected test knows neither load nor currents that circulate in the soil: it goes first.
    usual = _at_another_visit(table, names, of_injected)
    ratios = np.where(np.isnan(usual), of_leakage, of_injected)
    usual = np.where(np.isnan(usual), _at_another_visit(table, names, of_leakage), usual)
    step = np.divide(ratios, usual, out=np.full(usual.shape, np.nan), where=usual > 0)
    # Only the visit at which the leg stands out more can be the one with the wrong turns.
    up = _near(step, 2.0) | _near(step, 3.0)
    stepped = (up & (ratios * usual > 1.0)) | (_near(step, 0.5) & (ratios * usual < 1.0))
    at = np.argmax(stepped, axis=1)[:, None]
    return {
        "step_leg": pd.Series(_pick(names, at), dtype="str").where(stepped.any(axis=1)),
        "step_ratio": _pick(ratios, at),
        "step_usual": _pick(usual, at),
    }


def _near(ratios, factor, tolerance="turns_tolerance"):
    """Whether ratios are close to a turns factor."""
    room = np.exp(number(tolerance))
    return (ratios >= factor / room) & (ratios <= factor * room)


def _at_another_visit(table, names, ratios):
    """Ratio of the same leg at the visit to the tower before, or the one after; blank where there is none."""
    row, place = np.nonzero(~np.isnan(ratios))
    known = pd.DataFrame({"ratio": ratios[row, place], "date": table["date"].to_numpy()[row]})
    known["tower"] = pd.factorize(table["tower_id"])[0][row]
    known["leg"] = pd.factorize(names[row, place])[0]
    known = known.sort_values(["tower", "leg", "date"], kind="stable")
    by_leg = known.groupby(["tower", "leg"])["ratio"]
    other = by_leg.shift(1).fillna(by_leg.shift(-1)).sort_index()
    usual = np.full(ratios.shape, np.nan)
    usual[row, place] = other
    return usual


def _turns(table, legs_worn):
    """Where turns worn and set differ most; blank where the record has not both."""
    worn = np.column_stack([legs_worn, table["coil_turns_worn"]])
    turns_set = table["coil_turns_set"].fillna(table["coil_turns_worn"]).to_numpy(dtype=float)
    at = np.argmax(np.nan_to_num(np.abs(np.log(worn / turns_set[:, None])), nan=-1.0), axis=1)[:, None]
    worst = np.take_along_axis(worn, at, axis=1)[:, 0]
    return {"turns_worn": worst, "turns_set": turns_set, "turns_factor": worst / turns_set}


def _reversals(table, readings, coils):
    """Coils that, turned over, explain the gap of the leakage or the one of the injected test."""
    legs_ma, sum_ma = readings["leakage_ma"], table["leakage_sum_ma"].to_numpy()
    total_ma = sum_ma - table["gap_ma"].to_numpy()
    # With a total from the same coils their gains cancel in every pattern, as in the plain sum in phase.
    leak_u = gaps.gap_uncertainty(legs_ma, sum_ma if coils.shared_total else total_ma, coils)
    by_leakage, _ = _turned_over(readings["leg"], legs_ma, total_ma, leak_u)
    leg_s = _conductance(readings)
    whole_s = 1.0 / table["footing_ohm"].where(table["method"] == "leg coils").to_numpy()
    reading_u = number("impedance_reading_percent") / 100.0 / np.sqrt(3.0)
    injected_u = reading_u * np.sqrt(np.nansum(leg_s**2, axis=1) + whole_s**2)
    by_injected, agree = _turned_over(readings["leg"], leg_s, whole_s, injected_u)
    # A pattern that comes back on another day belongs to the tower, not to a coil.
    days = table["date"].groupby([table["tower_id"], by_leakage]).transform("nunique")
    return {
        "reversed_injected": by_injected.notna(),
        "reversed_leakage": by_leakage.notna() & ~agree & ~(days > 1),
        "reversed_legs": by_injected.fillna(by_leakage.where(~agree & ~(days > 1))),
        "reversal_u_ma": leak_u,
        "legs_parallel_ohm": 1.0 / gaps.leg_sum(leg_s),
    }


def _conductance(readings):
    """Apparent conductance of each leg, which stands for its current in the injected test."""
    return 1.0 / np.where(readings["impedance_ohm"] > 0, readings["impedance_ohm"], np.nan)


def _turned_over(names, parts, whole, u):
    """Names of the coils one of which explains the gap, and whether there is no gap to explain."""
    most = gaps.LEG_COUNT_MAX
    names, whole = names[:, :most], np.where(gaps.leg_count(parts[:, most:]) > 0, np.nan, whole)
    parts = parts[:, :most]
    found = gaps.sign_patterns(parts, whole, u)
    chosen = np.where(found.unique[:, None], found.reversed_legs, found.candidates)
    # The phase of a weak leg is the soil's: circulating currents turn it round without any coil's help.
    chosen &= gaps.leg_ratios(parts) >= number("leg_weak_ratio")
    text = np.full(len(parts), None, dtype=object)
    for row in np.flatnonzero(found.single & chosen.any(axis=1)):
        text[row] = " or ".join(names[row][chosen[row]])
    agree = np.abs(gaps.leg_sum(parts) - whole) <= number("reversed_misfit_u") * u
    return pd.Series(text, dtype="str"), agree


def _against_line(table, coils):
    """Robust z of ln total, sum and rise among the towers of the day, where too few of the campaign."""
    days, served = table["date"].dt.normalize(), ~no(table["in_service"])
    least_ma = max(coils.step_ma / 2.0, 0.01)  # a logarithm of nothing has no value
    total_ma = table["leakage_total_ma"].where(served).clip(lower=least_ma)
    sum_ma = table["leakage_sum_ma"].where(served).clip(lower=least_ma)
    logs = np.log(pd.DataFrame({"total": total_ma, "sum": sum_ma, "rise": total_ma * table["footing_ohm"]}))
    day, campaign = (_robust_z(logs, [table["peer_class"], when], coils) for when in (days, _campaigns(days)))
    of_day = day["total_vs_line"].notna()
    found = day.where(of_day, campaign)
    known = found["total_vs_line"].notna()
    peers = pd.Series(np.where(of_day, "day", "campaign"), dtype="str").where(known)
    return {**dict(found.where(known)), "peers": peers}


def _campaigns(days):
    """Which campaign each day belongs to: a run of test days without a long pause."""
    ordered = pd.Series(days.dropna().unique()).sort_values()
    begins = ordered.diff().dt.days > number("campaign_gap_days")
    return days.map(pd.Series(begins.cumsum().to_numpy(), ordered.to_numpy()))


def _robust_z(logs, groups, coils):
    """Distance of each logarithm from its group's median in robust deviations; blank in a small group."""
    by_group = logs.groupby(groups)
    centre, count = by_group.transform("median"), by_group.transform("count")
    spread = 1.4826 * (logs - centre).abs().groupby(groups).transform("median")
    # The reading's own uncertainty keeps a handful of equal readings from making every other one stand out.
    own = (coils.noise_ma**2 + coils.step_ma**2 / 12.0) * np.exp(-2.0 * centre["total"]) + coils.gain_u**2
    z = (logs - centre) / np.sqrt((spread**2).add(own, axis=0))
    z = z.where(count >= number("peer_count_min")).add_suffix("_vs_line")
    return z.assign(peer_count=count["total"], peer_total_ma=np.exp(centre["total"]))


def _flags(table, coils):
    """Which rules of ``_RULES`` each visit meets, as a dict of boolean columns."""
    record, bond, leg = _flags_of_record(table), _flags_of_bond(table, coils), _flags_of_legs(table)
    doubtful = bond["share_high"] & (record["total_over_sum"] | record["total_under_bound"])
    half = leg["total_over_sum_half"] & record["total_over_sum"]
    return {**record, **bond, **leg, "share_high_doubtful": doubtful, "total_over_sum_half": half}


def _flags_of_record(table):
    """Rules that stop a judgement of the leakage readings, and those that say there is none to judge."""
    read, has_total = table["leg_count_read"] > 0, table["leakage_total_ma"].notna()
    margin_ma = number("impossible_u") * table["gap_u_ma"]
    total_ma = table["leakage_sum_ma"] - table["gap_ma"]
    return {
        "turns_recorded": (table["turns_factor"] - 1.0).abs() > 1e-9,
        "share_over_one": table["leg_share_lambda"] > 1.0 + 3.0 * table["leg_share_u"],
        "out_of_service": (read | has_total) & no(table["in_service"]),
        "legs_missing": read & no(table["all_legs_read"]),
        "total_over_sum": table["gap_ma"] < -margin_ma,
        "total_under_bound": total_ma < table["least_total_ma"] - margin_ma,
        "too_small": no(table["large_enough"]),
        "own_class": read & (table["peer_class"] == "ring or other path"),
        "no_legs": ~read & has_total,
        "no_total": read & ~has_total,
        "no_leakage": ~read & ~has_total,
    }


def _flags_of_bond(table, coils):
    """Rules about the bond, by the injected test and by the total against the line's other towers."""
    unbonded, share = table["peer_class"] == "no bonded wire", table["leg_share_lambda"]
    cleared = share < number("leg_share_suspect")
    in_doubt = (table["peer_class"] == "legs alone") & ~cleared
    # A high footing explains a low total, but not a low rise.
    low, very_low = (
        in_doubt & (table["total_vs_line"] <= number(name)) & ~(table["rise_vs_line"] > number(name))
        for name in ("low_total_z", "very_low_total_z")
    )
    real = table["gap_z"] > gaps.z_limit(number("gap_false_alarm"), shared_total=coils.shared_total)
    spread = real & (table["gap_fraction"] > 1.0 - number("phase_spread_fraction"))
    # Turning coils over leaves the sum as it is; a lost bond takes the sum along.
    collapsed = low & (table["sum_vs_line"] <= number("low_sum_z"))
    enough_about = table["peer_total_ma"] >= table["floor_ma"]
    return {
        "share_nearly_all": ~unbonded & (share >= number("leg_share_open")),
        "share_high": ~unbonded & (share >= number("leg_share_suspect")),
        "quiet_among_peers": no(table["large_enough"]) & low & enough_about,
        "low_and_spread": collapsed & spread,
        "spread_unbonded": spread & unbonded,
        "spread_bond_sound": spread & cleared,
        "spread": spread,
        "very_low": very_low,
        "gap_real": real,
        "gap_explained": table["gap_ma"].notna(),
    }


def _turns_in_gap(table, coils):
    """Find the turns factor g with which (1 − 1/g) of one reading is the gap; blank where none is."""
    gap_ma, real = table["gap_ma"] - table["gap_bias_ma"], table["gap_z"].abs() > number("reversed_misfit_u")
    guess = pd.Series(np.nan, table.index)
    for factor, leg in ((3.0, "strongest"), (2.0, "strongest"), (0.5, "weakest")):
        added_ma = (1.0 - 1.0 / factor) * table[f"{leg}_ma"]
        fits = (gap_ma - added_ma).abs() <= number("reversed_fit_u") * table["gap_u_ma"]
        fits &= _near(table[f"{leg}_leg_ratio"], factor, "turns_leg_scatter")
        guess = guess.mask(fits & real & (not coils.shared_total), factor)
    return guess


def _flags_of_legs(table):
    """Rules about a single leg or its coil."""
    alone = table["peer_class"] != "ring or other path"
    # A leg weak in service but not in the injected test only has circulating currents against it.
    weak = (table["weakest_leg_ratio"] < number("leg_weak_ratio")) & ~(table["gap_fraction_low"] > 0.1)
    weak &= ~(table["weakest_impedance_ratio"] < np.sqrt(number("leg_impedance_ratio")))
    several = table["leg_count_read"] > 2
    return {
        "total_over_sum_half": table["turns_guess"] == 0.5,
        "turns_gap": table["turns_guess"] > 1.0,
        "turns_step": alone & table["step_leg"].notna(),
        "reversed_injected": alone & table["reversed_injected"],
        "reversed": table["reversed_leakage"],
        "weak_leg": several & weak,
        "high_leg": alone & several & (table["highest_impedance_ratio"] > number("leg_impedance_ratio")),
    }


def _judged(table, flags):
    """Cause and evidence of each visit: those of the first rule in the order of ``_RULES`` that it meets."""
    met = np.column_stack([np.asarray(flags[name], dtype=bool) for name in _RULES])
    first = np.argmax(met, axis=1)
    causes, evidence = np.full((2, len(table)), "", dtype=object)
    for place, (cause, sentence) in enumerate(_RULES.values()):
        caution = _INSPECT if "inspect" in cause else ""
        causes[first == place] = cause
        evidence[first == place] = _sentences(sentence + caution, table, first == place)
    beside, said = no(table["earth_paths_in_coils"]).to_numpy(), [name.startswith("share") for name in _RULES]
    shown = table["leg_share_lambda"].notna().to_numpy() & ~np.array(said)[first]
    for rows, sentence in ((shown & ~beside, _SHARE), (shown & beside, _SHARE_BESIDE)):
        evidence[rows] += np.array(_sentences(sentence, table, rows), dtype=object)
    return pd.Series(causes, dtype="str"), pd.Series(evidence, dtype="str")


def _sentences(sentence, table, rows):
    """One sentence for each of the rows, with its numbers to three figures."""
    fields = list(dict.fromkeys(name for _, name, _, _ in Formatter().parse(sentence) if name))
    if not fields:
        return [sentence] * int(rows.sum())
    columns = [_three_figures(table[name][rows]).tolist() for name in fields]
    return [sentence.format(**dict(zip(fields, row, strict=True))) for row in zip(*columns, strict=True)]


def _three_figures(column):
    """Numbers rounded to three significant figures, text as it is."""
    if not pd.api.types.is_numeric_dtype(column):
        return column
    values = column.to_numpy(dtype=float)
    size = np.floor(np.log10(np.where(values == 0, 1.0, np.abs(values))))
    return np.round(values / 10.0 ** (size - 2)) * 10.0 ** (size - 2)
