"""Leg currents of a visit: sum, vector total, gap, shares, reversed coils, wrong turns, and the place among its peers.

Readings of the legs are arrays with one row per visit and one column per leg.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from scipy.special import ndtri

from towerlib.errors import RecordsError
from towerlib.physics.leakage_gap import (
    DEFAULT_COILS,
    LEG_COUNT_MAX,
    gap,
    gap_uncertainty,
    leg_count,
    leg_ratios,
    leg_sum,
    sign_patterns,
    smallest_sum,
    total_bounds,
)
from towerlib.readings.causes import judged
from towerlib.readings.methods import no, yes
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.physics.leakage_gap import CoilSpec


def by_leg(visits: pd.DataFrame, legs: pd.DataFrame) -> dict[str, np.ndarray]:
    """Arrays (visits × legs) in the order of the rows; `RecordsError` where a visit has the same leg twice.

    ``leg`` (blank where there is none), ``leakage_ma``, ``impedance_ohm`` and ``coil_turns`` (NaN).
    """
    twice = legs.duplicated(["visit_id", "leg"])
    if twice.any():
        visit, leg = legs.loc[twice, ["visit_id", "leg"]].iloc[0]
        raise RecordsError(f"legs: visit {visit} has leg {leg} twice; keep one row per leg and visit")
    row = pd.Index(visits["visit_id"]).get_indexer(cast("Any", legs["visit_id"]))
    order = np.argsort(row, kind="stable")
    order = order[row[order] >= 0]
    row = row[order]
    place = np.arange(len(row)) - np.searchsorted(row, row)
    shape = (len(visits), int(place.max(initial=0)) + 1)
    readings = {"leg": np.full(shape, "", dtype=object)}
    readings["leg"][row, place] = legs["leg"].to_numpy(dtype=object)[order]
    for column in ("leakage_ma", "impedance_ohm", "coil_turns"):
        readings[column] = np.full(shape, np.nan)
        readings[column][row, place] = legs[column].to_numpy(dtype=float)[order]
    return readings


def conductance(readings: dict[str, np.ndarray]) -> np.ndarray:
    """Apparent conductance of each leg [S], in proportion to its injected current; NaN without a positive impedance."""
    return 1.0 / np.where(readings["impedance_ohm"] > 0, readings["impedance_ohm"], np.nan)


def pick(values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Value of each visit at one place among its legs; `values` is (visits × legs), `at` (visits × 1)."""
    return np.take_along_axis(values, at, axis=1)[:, 0]


def turns(table: pd.DataFrame, legs_worn: np.ndarray) -> dict[str, np.ndarray]:
    """Turns where those worn and those set differ most (``turns_worn``, ``turns_set``, ``turns_factor`` = worn/set).

    Blank where the record has not both.
    """
    worn = np.column_stack([legs_worn, table["coil_turns"]])
    turns_set = table["coil_turns_recorded"].fillna(table["coil_turns"]).to_numpy(dtype=float)
    at = np.argmax(np.nan_to_num(np.abs(np.log(worn / turns_set[:, None])), nan=-1.0), axis=1)[:, None]
    worst = pick(worn, at)
    return {"turns_worn": worst, "turns_set": turns_set, "turns_factor": worst / turns_set}


def steps(table: pd.DataFrame, readings: dict[str, np.ndarray]) -> dict[str, Any]:
    """Leg that alone changed by a whole turns factor against another visit (``step_leg``; blank where none did).

    With its ratio to the other legs now (``step_ratio``) and then (``step_usual``).
    """
    names, large = readings["leg"], yes(cast("pd.Series", table["large_enough"])).to_numpy()[:, None]
    injected_s, leakage_ma = conductance(readings), np.where(large, readings["leakage_ma"], np.nan)
    # The injected test knows neither load nor currents that circulate in the soil: it goes first.
    usual = _at_another_visit(table, names, leg_ratios(injected_s))
    by_leakage = np.isnan(usual)
    usual = np.where(by_leakage, _at_another_visit(table, names, leg_ratios(leakage_ma)), usual)
    ratios = np.where(by_leakage, leg_ratios(leakage_ma), leg_ratios(injected_s))
    then_s, then_ma = (_at_another_visit(table, names, values) for values in (injected_s, leakage_ma))
    alone = np.where(by_leakage, _others_still(leakage_ma, then_ma), _others_still(injected_s, then_s))
    step = np.divide(ratios, usual, out=np.full(usual.shape, np.nan), where=usual > 0)
    # Only the visit at which the leg stands out more can be the one with the wrong turns.
    up = _near(step, 2.0) | _near(step, 3.0)
    stepped = alone & ((up & (ratios * usual > 1.0)) | (_near(step, 0.5) & (ratios * usual < 1.0)))
    at = np.argmax(stepped, axis=1)[:, None]
    return {
        "step_leg": pd.Series(pick(names, at), dtype="str").where(stepped.any(axis=1)),
        "step_ratio": pick(ratios, at),
        "step_usual": pick(usual, at),
    }


def _others_still(values, then):
    """Legs beside which no two others moved apart by as much as a turns factor; wrong turns show at one leg alone."""
    least_step = np.log(2.0) - number("turns_tolerance")
    known = (values >= 0) & (then >= 0) & (values + then > 0)
    still = np.zeros(values.shape, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):  # a leg that went to nothing moved without bound
        change = np.log(values) - np.log(then)
        for place in range(values.shape[1]):
            others = known & (np.arange(values.shape[1]) != place)
            most = np.max(change, axis=1, where=others, initial=-np.inf)
            least = np.min(change, axis=1, where=others, initial=np.inf)
            still[:, place] = most - least < least_step
    return still


def _at_another_visit(table, names, values):
    """The same leg at the visit to the tower before, or the one after; blank where there is none."""
    row, place = np.nonzero(~np.isnan(values))
    known = pd.DataFrame({"value": values[row, place], "date": table["date"].to_numpy()[row]})
    known["tower"] = pd.factorize(table["tower_id"])[0][row]
    known["leg"] = pd.factorize(names[row, place])[0]
    known = known.sort_values(["tower", "leg", "date"], kind="stable")
    of_leg = known.groupby(["tower", "leg"])["value"]
    there = np.full(values.shape, np.nan)
    there[row, place] = of_leg.shift(1).fillna(of_leg.shift(-1)).sort_index()
    return there


def turns_in_gap(table: pd.DataFrame, coils: CoilSpec) -> pd.Series:
    """Turns factor g with which (1 − 1/g) of one reading is the gap: 2 or 3 of the strongest leg, 0.5 of the weakest.

    Blank where none fits; a total formed from the same coils shows no such gap.
    """
    # A pattern is told by the coils alone: with the drift of the load in u, every pattern would fit.
    gap_ma, u_ma = table["gap_ma"] - table["gap_bias_ma"], table["coil_u_ma"]
    real = gap_ma.abs() > number("reversed_misfit_u") * u_ma
    guess = pd.Series(np.nan, table.index)
    for factor, leg in ((3.0, "strongest"), (2.0, "strongest"), (0.5, "weakest")):
        added_ma = (1.0 - 1.0 / factor) * table[f"{leg}_ma"]
        fits = (gap_ma - added_ma).abs() <= number("reversed_fit_u") * u_ma
        fits &= _near(table[f"{leg}_leg_ratio"], factor, "turns_leg_scatter")
        guess = guess.mask(fits & real & (not coils.shared_total), factor)
    return guess


def _near(ratios, factor, tolerance="turns_tolerance"):
    """Whether ratios are close to a turns factor."""
    room = np.exp(number(tolerance))
    return (ratios >= factor / room) & (ratios <= factor * room)


def reversals(table: pd.DataFrame, readings: dict[str, np.ndarray], coils: CoilSpec) -> dict[str, Any]:
    """Coils that, turned over, explain the gap of the leakage or the one of the injected test: ``reversed_legs`` as text.

    With the test that shows it, ``reversal_u_ma``, and ``legs_parallel_ohm`` of the single legs.
    """
    legs_ma, sum_ma = readings["leakage_ma"], table["leakage_sum_ma"].to_numpy()
    total_ma = sum_ma - table["gap_ma"].to_numpy()
    # With a total from the same coils their gains cancel in every pattern, as in the plain sum in phase.
    leak_u = gap_uncertainty(legs_ma, sum_ma if coils.shared_total else total_ma, coils)
    by_leakage, _ = _turned_over(readings["leg"], legs_ma, total_ma, leak_u)
    leg_s = conductance(readings)
    whole_s = 1.0 / table["footing_ohm"].where(table["method"] == "leg coils").to_numpy()
    reading_u = number("impedance_reading_percent") / 100.0 / np.sqrt(3.0)
    injected_u = reading_u * np.sqrt(np.nansum(leg_s**2, axis=1) + whole_s**2)
    by_injected, agree = _turned_over(readings["leg"], leg_s, whole_s, injected_u)
    # A pattern that comes back on another day belongs to the tower, not to a coil.
    dates = cast("pd.Series", table["date"])
    days = cast("pd.Series", dates.groupby([table["tower_id"], by_leakage]).transform("nunique"))
    return {
        "reversed_injected": by_injected.notna(),
        "reversed_leakage": by_leakage.notna() & ~agree & ~(days > 1),
        "reversed_legs": by_injected.fillna(by_leakage.where(~agree & ~(days > 1))),
        "reversal_u_ma": leak_u,
        "legs_parallel_ohm": 1.0 / leg_sum(leg_s),
    }


def _turned_over(names, parts, whole, u):
    """Names of the coils one of which explains the gap, and whether there is no gap to explain."""
    most = LEG_COUNT_MAX
    names, whole = names[:, :most], np.where(leg_count(parts[:, most:]) > 0, np.nan, whole)
    parts = parts[:, :most]
    found = sign_patterns(parts, whole, u)
    chosen = np.where(found.unique[:, None], found.reversed_legs, found.candidates)
    # The phase of a weak leg is the soil's: circulating currents turn it round without any coil's help.
    chosen &= leg_ratios(parts) >= number("leg_weak_ratio")
    text = np.full(len(parts), None, dtype=object)
    for row in np.flatnonzero(found.single & chosen.any(axis=1)):
        text[row] = " or ".join(names[row][chosen[row]])
    agree = np.abs(leg_sum(parts) - whole) <= number("reversed_misfit_u") * u
    return pd.Series(text, dtype="str"), agree


def against_line(table: pd.DataFrame, coils: CoilSpec) -> dict[str, pd.Series]:
    """Robust z of ln total, sum and rise among the towers of the day or, where too few, of the campaign; else blank.

    ``total_vs_line``, ``sum_vs_line``, ``rise_vs_line``; ``peers``, their count and median total. Noise and display
    step of the coils count as spread.
    """
    days, served = table["date"].dt.normalize(), ~no(cast("pd.Series", table["in_service"]))
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


_COLUMN_NAMES = """
    visit_id tower_id date leg_count_read all_legs_read leakage_sum_ma leakage_total_ma total_source
    load_drift gap_ma gap_u_ma gap_bias_ma gap_z gap_fraction gap_fraction_low large_enough ring peer_class
    weakest_leg weakest_leg_ratio strongest_leg strongest_leg_ratio highest_impedance_leg
    highest_impedance_ratio reversed_legs step_leg total_vs_line sum_vs_line rise_vs_line peers peer_count
    peer_total_ma leg_share_lambda leg_share_u suspected_cause evidence
"""
COLUMNS = _COLUMN_NAMES.split()
_VISIT_COLUMNS = [
    *("visit_id", "tower_id", "date", "in_service", "method", "over_range", "impedance_ohm"),
    *("impedance_no_coils_ohm", "injected_ma", "legs_ma", "leakage_total_ma", "coil_turns"),
    "coil_turns_recorded",
]


def summarise(
    visits: pd.DataFrame, legs: pd.DataFrame, towers: pd.DataFrame, coils: CoilSpec = DEFAULT_COILS
) -> pd.DataFrame:
    """Sum, total, gap and shares of the leg currents of each visit, with the suspected cause.

    Parameters
    ----------
    visits, legs, towers
        Tables of one line, as loaded. Legs of other visits are ignored.
    coils
        Specification of the coils, and whether the total is formed from the same coils.

    Returns
    -------
    DataFrame
        One row per visit with a leakage reading or a share of an injected current, in the order given:

        - ``leakage_sum_ma``, ``leakage_total_ma``, ``total_source`` (measured, or blank: gap unknown),
          ``load_drift`` of the line, ``gap_ma`` with u, bias and z; fraction and its low end only where ``large_enough``;
        - ``peer_class``: legs alone, ring or other path, no bonded wire; each is compared within itself;
        - weakest, strongest and highest-impedance leg with the ratio to the median of the others;
          ``reversed_legs``: the coil, or those of which one, turned over, explains the gap; ``step_leg``:
          the one that stepped by a turns factor against another visit;
        - ``total_vs_line``, ``sum_vs_line``, ``rise_vs_line``: robust z of the logarithm of total, sum and
          total × footing impedance among the line's towers of that day, or of that campaign (``peers``);
        - ``leg_share_lambda``: share of the injected current in the legs, from the currents, else from the
          impedances without and with coils;
        - ``suspected_cause``, one of ``CAUSES``, and ``evidence``: numbers, and other explanations of the same readings.

    Raises
    ------
    RecordsError
        A visit has the same leg twice.

    Notes
    -----
    With legs missing the gap stays blank. Legs and total are read one after the other while the load moves: that drift
    (`load_drift`) is a part of u. A total counts as low only while the tower's potential rise is low too: a
    high footing alone draws little current. The injected test goes before the gap: a leg share from 0.5 on
    suspects the bond, a smaller one clears it. Wrong turns show in the gap of a total measured on its own, or
    against another visit; the ratio of legs alone does not show them. In logarithms a total shown
    as 0 counts as half a display step. A tower counts among its own peers.
    """
    table = _facts(visits, towers, coils)
    readings = by_leg(table, legs)
    held = table["leakage_total_ma"].notna() | table["leg_share_lambda"].notna()
    held = (held | (leg_count(readings["leakage_ma"]) > 0)).to_numpy()
    table = table[held].reset_index(drop=True)
    readings = {name: values[held] for name, values in readings.items()}
    table = _with_drift(table.assign(**_gap(table, readings["leakage_ma"], coils)), coils)
    table = table.assign(**_extremes(readings), **turns(table, readings["coil_turns"]))
    table = table.assign(**reversals(table, readings, coils), **against_line(table, coils))
    table = table.assign(turns_guess=turns_in_gap(table, coils))
    table = table.assign(**steps(table, readings))
    cause, evidence = judged(table, coils)
    return cast("pd.DataFrame", table.assign(suspected_cause=cause, evidence=evidence)[COLUMNS])


def _facts(visits, towers, coils):
    """Visits with the register of their tower, their class of comparison and the leg share."""
    register = towers[["tower_id", "leg_count", "ring", "earth_paths_in_coils", "shield_wire"]]
    table = visits[_VISIT_COLUMNS].merge(register, how="left", on="tower_id", validate="m:1")
    beside = yes(table["ring"]) | no(table["earth_paths_in_coils"])
    unbonded = table["shield_wire"].isin(["insulated", "none"])
    kind = np.select([unbonded, beside], ["no bonded wire", "ring or other path"], "legs alone")
    source = pd.Series("measured", table.index, dtype="str").where(table["leakage_total_ma"].notna())
    return table.assign(peer_class=kind, total_source=source, **_leg_share(table, coils))


def _leg_share(visits, coils):
    """Share of the injected current in the legs, with its standard uncertainty; blank under overload."""
    valid = ~yes(visits["over_range"])
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


def load_drift(table: pd.DataFrame) -> float:
    """Drift of a line's load between the legs and their total, one standard deviation, as a part of the sum.

    No geometry makes a total larger than the sum of its legs: what negative gaps exceed the uncertainty of the coils by
    is drift. From the median of the negative gaps over the sum where the legs are nearly in phase, which is 0.6745
    standard deviations if the drift is normal, less the coils' part, in squares; at least ``load_drift_least``. With
    fewer than ``load_drift_visits`` such gaps ``load_drift_usual``. Takes leakage_sum_ma, gap_ma, gap_u_ma (of the coils
    alone), gap_bias_ma, large_enough.
    """
    sum_ma, free_ma = table["leakage_sum_ma"], table["gap_ma"] - table["gap_bias_ma"]
    seen = yes(cast("pd.Series", table["large_enough"])) & (free_ma < 0)
    seen &= table["gap_ma"] <= (1.0 - number("load_drift_total")) * sum_ma
    if seen.sum() < number("load_drift_visits"):
        return number("load_drift_usual")
    spread = -(free_ma / sum_ma)[seen].median() / float(ndtri(0.75))
    by_coils = (table["gap_u_ma"] / sum_ma)[seen].median()
    return max(float(np.sqrt(max(spread**2 - by_coils**2, 0.0))), number("load_drift_least"))


def _with_drift(table, coils):
    """Gap with the drift of the line's load in its uncertainty; a total formed from the same coils has none."""
    drift = 0.0 if coils.shared_total else load_drift(table)
    if drift == 0.0:
        return table.assign(load_drift=0.0, coil_u_ma=table["gap_u_ma"])
    sum_ma = table["leakage_sum_ma"]
    u_ma = np.hypot(table["gap_u_ma"], drift * sum_ma)
    free_ma = table["gap_ma"] - table["gap_bias_ma"]
    low = ((free_ma - 2.0 * u_ma) / sum_ma.where(sum_ma > 0)).clip(lower=0.0)
    return table.assign(
        load_drift=drift,
        coil_u_ma=table["gap_u_ma"],
        gap_u_ma=u_ma,
        gap_z=free_ma / u_ma.where(u_ma > 0),
        gap_fraction_low=low.where(table["gap_fraction_low"].notna()),
    )


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
