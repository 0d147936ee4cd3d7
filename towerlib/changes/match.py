"""Matching of the towers of two months: by name, and by position where names changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.changes.months import NEEDED
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.changes.months import Snapshot


EARTH_RADIUS_M = 6_371_000.0  # a sphere is close enough for distances of some tens of metres
SPREAD = 1.959963984540054  # an interval of 95 % reaches this many standard deviations to either side
READ = {  # key of a leg-current reading (date in the condition, value), and the columns to add
    "gap": ("leakage_date", "gap_ma", ("gap_u_ma", "leakage_sum_ma", "peer_class")),
    "share": ("cause_date", "leg_share_lambda", ("leg_share_u",)),
}


def beside(now: Snapshot, before: Snapshot) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Towers of both months with their data in columns ``…_now`` and ``…_before``; and all pairs, from `pair`."""
    pairs = pair(now.condition, before.condition)
    both = pairs[pairs["tower_id"].notna() & pairs["earlier_id"].notna()].reset_index(drop=True)
    later, earlier = (_known(month).add_suffix(end) for month, end in ((now, "_now"), (before, "_before")))
    both = both.merge(later, left_on="tower_id", right_on="tower_id_now", validate="1:1")
    return both.merge(earlier, left_on="earlier_id", right_on="tower_id_before", validate="1:1"), pairs


def pair(now: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Matched towers of two months.

    Parameters
    ----------
    now, before : pandas.DataFrame
        Conditions of the two months: tower_id, latitude_deg, longitude_deg.

    Returns
    -------
    pandas.DataFrame
        One row per tower of either month: tower_id (blank: missing now), earlier_id (blank: new), moved_m between the
        two positions, renamed.

    Notes
    -----
    First by equal name and position (within ``renamed_within_m``). Then the remaining towers by position, where two
    are each other's nearest: renamed towers. The rest is matched by name, since a position may have been corrected.

    Examples
    --------
    >>> towers = pd.DataFrame({"tower_id": ["1", "2"], "latitude_deg": [-32.0, -32.003], "longitude_deg": -18.0})
    >>> pair(towers.assign(tower_id=["1", "2A"]), towers)[["tower_id", "earlier_id", "renamed"]].values.tolist()
    [['1', '1', False], ['2A', '2', True]]
    """
    now, before = _placed(now), _placed(before)
    shared = now.index.intersection(before.index)
    stays = shared[_apart(now.loc[shared], before.loc[shared]) <= number("renamed_within_m")]
    by_place = _nearest(now.drop(stays), before.drop(stays))
    later, earlier = now.drop([*stays, *by_place]), before.drop([*stays, *by_place.values()])
    by_name = later.index.intersection(earlier.index)
    pairs = [*((name, name) for name in [*stays, *by_name]), *by_place.items()]
    paired = pd.DataFrame(pairs, columns=["tower_id", "earlier_id"], dtype="str")
    paired["moved_m"] = _apart(now.loc[paired["tower_id"]], before.loc[paired["earlier_id"]])
    alone = [
        pd.DataFrame({"tower_id": later.index.difference(by_name)}, dtype="str"),
        pd.DataFrame({"earlier_id": earlier.index.difference(by_name)}, dtype="str"),
    ]
    table = pd.concat([paired, *alone], ignore_index=True)
    renamed = table["tower_id"].notna() & table["earlier_id"].notna()
    table = table.assign(renamed=renamed & (table["tower_id"] != table["earlier_id"]))
    route = {name: place for place, name in enumerate(now.index)}
    return table.sort_values("tower_id", key=lambda names: names.map(route), kind="stable").reset_index(
        drop=True
    )


def _placed(condition):
    """Positions of the towers on a sphere [m], by name."""
    north, east = np.radians(condition["latitude_deg"]), np.radians(condition["longitude_deg"])
    along = np.cos(north)
    points = np.column_stack([along * np.cos(east), along * np.sin(east), np.sin(north)]) * EARTH_RADIUS_M
    return pd.DataFrame(points, index=pd.Index(condition["tower_id"], dtype="str"))


def _apart(one, other):
    """Distances between points, pair by pair [m]."""
    return np.linalg.norm(one.to_numpy() - other.to_numpy(), axis=1)


def _nearest(now, before):
    """Earlier name by present name, of towers that are each other's nearest and close enough."""
    from scipy.spatial import KDTree

    if now.empty or before.empty:
        return {}
    within = number("renamed_within_m")
    there = np.asarray(KDTree(before).query(now, distance_upper_bound=within)[1])
    back = np.asarray(KDTree(now).query(before, distance_upper_bound=within)[1])
    found = [(row, place) for row, place in enumerate(there) if place < len(before) and back[place] == row]
    return {now.index[row]: before.index[place] for row, place in found}


def _known(month):
    """Condition, queue and the uncertainties of the leg currents of each tower."""
    table = month.condition[NEEDED["condition"]].merge(
        month.priority[NEEDED["priority"]], on="tower_id", validate="1:1"
    )
    for date, value, wanted in READ.values():
        keys = {"date": date, value: value}
        read = month.currents[["tower_id", *keys, *wanted]].dropna(subset=list(keys))
        read = read.drop_duplicates(["tower_id", *keys], keep="last").rename(columns=keys)
        table = table.assign(**{date: table[date].astype("datetime64[ns]")})
        read = read.assign(**{date: read[date].astype("datetime64[ns]")})
        left = table[["tower_id", date, value]]
        # keys may be blank in the condition: then there is no reading to find
        found = left.merge(read, on=["tower_id", date, value], how="left", validate="m:1")
        table = table.assign(**{name: found[name].to_numpy() for name in wanted})
    return table


def earlier_names(tower_ids: pd.Series, pairs: pd.DataFrame) -> pd.Series:
    """Names of towers in the earlier month, with the same index; blank for a new tower."""
    earlier = pairs.dropna(subset="tower_id").set_index("tower_id")["earlier_id"]
    return tower_ids.map(cast("pd.Series", earlier)).astype("str")
