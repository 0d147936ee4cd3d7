"""Signs of a coil with wrong turns or turned over: in the record, in the gap, against another visit."""

import numpy as np
import pandas as pd

from towerlib.physics.gaps import gap_uncertainty, leg_count, leg_ratios, leg_sum
from towerlib.physics.reversals import LEG_COUNT_MAX, sign_patterns
from towerlib.readings.answers import yes
from towerlib.readings.byleg import conductance, pick
from towerlib.values import number


def turns(table, legs_worn):
    """Turns where those worn and those set differ most; blank where the record has not both.

    Parameters
    ----------
    table : DataFrame
        Visits with ``coil_turns_worn`` and ``coil_turns_set``.
    legs_worn : array (visits × legs)
        Turns worn on each leg.

    Returns
    -------
    dict of str to array (visits,)
        ``turns_worn``, ``turns_set`` and ``turns_factor``, the first over the second.

    Examples
    --------
    >>> visits = pd.DataFrame({"coil_turns_worn": [1.0], "coil_turns_set": [1.0]})
    >>> turns(visits, np.array([[1.0, 2.0]]))["turns_factor"]
    array([2.])
    """
    worn = np.column_stack([legs_worn, table["coil_turns_worn"]])
    turns_set = table["coil_turns_set"].fillna(table["coil_turns_worn"]).to_numpy(dtype=float)
    at = np.argmax(np.nan_to_num(np.abs(np.log(worn / turns_set[:, None])), nan=-1.0), axis=1)[:, None]
    worst = pick(worn, at)
    return {"turns_worn": worst, "turns_set": turns_set, "turns_factor": worst / turns_set}


def steps(table, readings):
    """Leg that alone changed by a whole turns factor against another visit; blank where none did.

    Parameters
    ----------
    table : DataFrame
        Visits with ``tower_id``, ``date`` and ``large_enough``.
    readings : dict of str to array
        As of `by_leg`.

    Returns
    -------
    dict of str to array (visits,)
        ``step_leg`` with its ratio to the other legs now (``step_ratio``) and then (``step_usual``).

    Examples
    --------
    >>> visits = pd.DataFrame({"tower_id": "12A", "date": pd.to_datetime(["2025-03-02", "2026-03-02"])})
    >>> readings = {"leg": np.array([[*"ABC"]] * 2), "leakage_ma": np.array([[60.0, 70, 65], [60, 140, 65]])}
    >>> readings["impedance_ohm"] = np.full((2, 3), np.nan)
    >>> steps(visits.assign(large_enough=True), readings)["step_leg"].tolist()
    [nan, 'B']
    """
    names, large = readings["leg"], yes(table["large_enough"]).to_numpy()[:, None]
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
    """Legs beside which no two others moved apart by as much as a turns factor; wrong turns touch one alone.

    A leg that is lost draws its neighbours' currents up by unlike amounts, so that one of them may stand out
    by a whole factor.
    """
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


def turns_in_gap(table, coils):
    """Turns factor g with which (1 − 1/g) of one reading is the gap; blank where none is.

    Parameters
    ----------
    table : DataFrame
        Visits with gap, strongest and weakest leg, as `summarise` works them out.
    coils : CoilSpec
        What the coils promise; a total formed from the same coils shows no such gap.

    Returns
    -------
    Series of float
        2 or 3 for the strongest leg, 0.5 for the weakest.

    Examples
    --------
    >>> from towerlib.physics.gaps import DEFAULT_COILS
    >>> visit = {"gap_ma": 214.0, "gap_bias_ma": 0.0, "gap_u_ma": 12.0, "gap_z": 18.0}
    >>> visit |= {"strongest_ma": 429.0, "strongest_leg_ratio": 2.5}
    >>> visit |= {"weakest_ma": 158.0, "weakest_leg_ratio": 0.77}
    >>> turns_in_gap(pd.DataFrame([visit]), DEFAULT_COILS).tolist()
    [2.0]
    """
    gap_ma, real = table["gap_ma"] - table["gap_bias_ma"], table["gap_z"].abs() > number("reversed_misfit_u")
    guess = pd.Series(np.nan, table.index)
    for factor, leg in ((3.0, "strongest"), (2.0, "strongest"), (0.5, "weakest")):
        added_ma = (1.0 - 1.0 / factor) * table[f"{leg}_ma"]
        fits = (gap_ma - added_ma).abs() <= number("reversed_fit_u") * table["gap_u_ma"]
        fits &= _near(table[f"{leg}_leg_ratio"], factor, "turns_leg_scatter")
        guess = guess.mask(fits & real & (not coils.shared_total), factor)
    return guess


def _near(ratios, factor, tolerance="turns_tolerance"):
    """Whether ratios are close to a turns factor."""
    room = np.exp(number(tolerance))
    return (ratios >= factor / room) & (ratios <= factor * room)


def reversals(table, readings, coils):
    """Coils that, turned over, explain the gap of the leakage or the one of the injected test.

    Parameters
    ----------
    table : DataFrame
        Visits with ``tower_id``, ``date``, ``method``, ``footing_ohm``, ``leakage_sum_ma``, ``gap_ma``.
    readings : dict of str to array
        As of `by_leg`.
    coils : CoilSpec
        What the coils promise.

    Returns
    -------
    dict of str to array (visits,)
        ``reversed_legs`` as text, ``reversed_injected`` and ``reversed_leakage`` for the test that shows it,
        ``reversal_u_ma``, and ``legs_parallel_ohm`` of the single legs.

    Examples
    --------
    >>> from towerlib.physics.gaps import DEFAULT_COILS
    >>> visits = pd.DataFrame({"tower_id": ["12A"], "date": pd.Timestamp("2026-03-02")})
    >>> visits = visits.assign(method="leg coils", footing_ohm=np.nan, leakage_sum_ma=748.0, gap_ma=342.0)
    >>> readings = {"leg": np.array([[*"ABCD"]]), "leakage_ma": np.array([[171.0, 215, 158, 204]])}
    >>> readings["impedance_ohm"] = np.full((1, 4), np.nan)
    >>> reversals(visits, readings, DEFAULT_COILS)["reversed_legs"].tolist()
    ['A']
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
    days = table["date"].groupby([table["tower_id"], by_leakage]).transform("nunique")
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
