"""Readings of the legs as arrays, one row a visit and one column a leg."""

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError


def by_leg(visits, legs):
    """Leg names, currents, impedances and turns as arrays, in the order of the rows.

    Parameters
    ----------
    visits, legs : DataFrame
        Legs of visits that are not in `visits` are left out.

    Returns
    -------
    dict of str to array (visits × legs)
        ``leg`` (blank where there is none), ``leakage_ma``, ``impedance_ohm``, ``coil_turns_worn`` (NaN).

    Raises
    ------
    RecordsError
        A visit has the same leg twice.

    Examples
    --------
    >>> visits = pd.DataFrame({"visit_id": ["V1", "V2"]})
    >>> legs = pd.DataFrame({"visit_id": ["V2", "V2"], "leg": ["A", "B"], "leakage_ma": [4.0, 5.0]})
    >>> by_leg(visits, legs.assign(impedance_ohm=40.0, coil_turns_worn=1.0))["leakage_ma"]
    array([[nan, nan],
           [ 4.,  5.]])
    """
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


def conductance(readings):
    """Apparent conductance of each leg, which stands for its current in the injected test [S].

    Parameters
    ----------
    readings : dict of str to array
        As of `by_leg`.

    Returns
    -------
    array (visits × legs)
        NaN where the impedance is blank or not positive.

    Examples
    --------
    >>> conductance({"impedance_ohm": np.array([[40.0, 0.0]])})
    array([[0.025,   nan]])
    """
    return 1.0 / np.where(readings["impedance_ohm"] > 0, readings["impedance_ohm"], np.nan)


def pick(values, at):
    """Value of each visit at a place among its legs.

    Parameters
    ----------
    values : array (visits × legs)
    at : array of int (visits × 1)
        Place of the leg.

    Returns
    -------
    array (visits,)

    Examples
    --------
    >>> pick(np.array([[3.0, 4.0], [5.0, 6.0]]), np.array([[1], [0]]))
    array([4., 5.])
    """
    return np.take_along_axis(values, at, axis=1)[:, 0]
