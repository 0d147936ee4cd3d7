"""Which readings of a tower may be compared over time: same method, frequency, season and set-up."""

import numpy as np
import pandas as pd

from towerlib.line.judging import Comparable
from towerlib.readings.methods import bound
from towerlib.readings.season import class_of_season

_FIELDS = {
    "frequency": ["test_frequency_hz"],
    "set-up": [
        *("potential_probe_distance_m", "current_probe_distance_m"),
        *("potential_probe_bearing_deg", "current_probe_bearing_deg"),
    ],
}
ASPECTS = ("method", "frequency", "season", "set-up", "works")  # in the order in which they are told


def comparable(visits, works=None, alike=None):
    """Group of each visit: readings with the same key may be compared over time.

    Parameters
    ----------
    visits : pandas.DataFrame
        Visits, with ``footing_verdict`` where they are graded.
    works : pandas.DataFrame, optional
        Treatments done: ``tower_id``, ``date``.
    alike : Comparable, optional
        Tolerances of the user's own: ``[comparable]`` of ``line.toml``.

    Returns
    -------
    pandas.Series of str
        Identifier of the newest visit of the group, in the index of `visits`. Missing where the reading
        can be compared with none: unusable, beyond the instrument's range, or its set-up not recorded.

    Notes
    -----
    Two readings are alike if tower, method (and with it whether the shield wire was lifted) and season class
    are the same, test frequency, probe distances and probe directions agree within the tolerances, and no
    treatment lies between. Each group is gathered about its newest reading, so tolerances do not add up from
    one to the next. A treatment dated on the day of a visit counts as done before it.

    Examples
    --------
    >>> probes = {"potential_probe_distance_m": 46, "current_probe_distance_m": 75}
    >>> probes |= {"potential_probe_bearing_deg": 90, "current_probe_bearing_deg": 90}
    >>> visit = {"tower_id": "7", "method": "leg coils", "test_frequency_hz": 128} | probes
    >>> visit |= {"soil_state": "dry"}
    >>> days = pd.to_datetime(["2021-09-01", "2024-09-03", "2026-09-02"])
    >>> visits = pd.DataFrame({"visit_id": ["V1", "V2", "V3"], "date": days, "impedance_ohm": 8.0} | visit)
    >>> works = pd.DataFrame({"tower_id": ["7"], "date": pd.to_datetime(["2022-05-01"])})
    >>> comparable(visits, works).tolist()
    ['V1', 'V3', 'V3']
    """
    alike = alike or Comparable()
    facts = facts_of(visits, works)
    left = np.flatnonzero(readable(visits) & (_recorded(facts) | alike.blank_agrees))
    order = np.lexsort((left, facts["date"].to_numpy()[left], facts["tower"].to_numpy()[left]))[::-1]
    left, newest = left[order], np.full(len(visits), -1)
    while left.size:
        tower = facts["tower"].to_numpy()[left]
        starts = np.flatnonzero(np.r_[True, tower[1:] != tower[:-1]])
        leader = left[starts][np.cumsum(np.isin(np.arange(left.size), starts)) - 1]
        same = ~np.column_stack(list(differences(facts, left, leader, alike).values())).any(axis=1)
        newest[left[same]] = leader[same]
        left = left[~same]
    keys = visits["visit_id"].to_numpy(object)[newest]
    return pd.Series(np.where(newest >= 0, keys, None), visits.index, dtype="str")


def readable(visits):
    """Which visits have a value that may be compared: read, in range, and not refused by the quality rules.

    Parameters
    ----------
    visits : pandas.DataFrame
        Visits, graded or not.

    Returns
    -------
    numpy.ndarray of bool
    """
    good = (visits["impedance_ohm"] > 0) & visits["date"].notna() & visits["method"].notna()
    good &= bound(visits) == ""
    if "footing_verdict" in visits:
        good &= visits["footing_verdict"] != "not usable"
    return good.fillna(False).to_numpy(bool)


def facts_of(visits, works=None):
    """What makes readings alike, in numbers.

    Parameters
    ----------
    visits, works : pandas.DataFrame
        As for `comparable`.

    Returns
    -------
    pandas.DataFrame
        One row a visit: codes of tower, method and season; treatments done before; and what was set up.
    """
    tower, names = pd.factorize(visits["tower_id"])
    wanted = [column for columns in _FIELDS.values() for column in columns]
    setup = visits.reindex(columns=wanted).astype(float).reset_index(drop=True)
    codes = {
        "tower": tower,
        "date": visits["date"].dt.normalize().to_numpy(),
        "method": pd.factorize(visits["method"])[0],
        "season": pd.factorize(class_of_season(visits))[0],
        "works": _works_before(tower, names, visits["date"], works),
    }
    return setup.assign(**codes)


def differences(facts, rows, others, alike):
    """In which aspects readings differ from others.

    Parameters
    ----------
    facts : pandas.DataFrame
        As `facts_of` gives it.
    rows, others : array of int
        Positions of the readings, pair by pair.
    alike : Comparable
        Tolerances.

    Returns
    -------
    dict of str to array of bool
        One entry for each of `ASPECTS`.
    """
    column = {name: facts[name].to_numpy() for name in facts}
    differ = {name: column[name][rows] != column[name][others] for name in ("method", "season", "works")}
    for aspect, names in _FIELDS.items():
        pairs = [(column[name][rows], column[name][others]) for name in names]
        far = [_far(name, *pair, alike) for name, pair in zip(names, pairs, strict=True)]
        differ[aspect] = np.any(far + [_blank(*pair, alike.blank_agrees) for pair in pairs], axis=0)
    return {aspect: differ[aspect] for aspect in ASPECTS}


def _far(name, one, other, alike):
    """Pairs further apart than the tolerance of their column."""
    if name.endswith("bearing_deg"):
        return np.abs((one - other + 180.0) % 360.0 - 180.0) > alike.bearing_deg
    percent = alike.frequency_percent if name.endswith("_hz") else alike.distance_percent
    return np.fmax(one, other) > np.fmin(one, other) * (1.0 + percent / 100.0)


def _blank(one, other, blank_agrees):
    """Pairs of which one value is not recorded, or both where that does not count as agreeing."""
    return np.isnan(one) != np.isnan(other) if blank_agrees else np.isnan(one) | np.isnan(other)


def _recorded(facts):
    """Readings whose set-up is recorded in full."""
    return (
        facts[[column for columns in _FIELDS.values() for column in columns]].notna().all(axis=1).to_numpy()
    )


def _works_before(tower, names, dates, works):
    """How many treatments were done at the tower up to the day of each visit."""
    if works is None or works.empty:
        return np.zeros(len(tower), dtype=int)
    place = pd.Index(names).get_indexer(works["tower_id"])
    done = np.column_stack([place, _days(works["date"])])[place >= 0]
    span = 1_000_000  # more days than any record covers
    done = np.sort(done[:, 0] * span + done[:, 1])
    upto = np.searchsorted(done, tower * span + _days(dates), side="right")
    return upto - np.searchsorted(done, tower * span, side="left")


def _days(dates):
    """Days since 1900; a missing date counts as the first of them."""
    return (dates - pd.Timestamp("1900-01-01")).dt.days.fillna(0).to_numpy(np.int64)
