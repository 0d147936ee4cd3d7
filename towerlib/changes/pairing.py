"""Which tower of this month is which tower of the month before: by name, and by place where names changed."""

import numpy as np
import pandas as pd

from towerlib.values import number

EARTH_RADIUS_M = 6_371_000.0  # a sphere is close enough for distances of some tens of metres


def pair(now, before):
    """Towers of two months side by side.

    Parameters
    ----------
    now, before : pandas.DataFrame
        Conditions of the two months: tower_id, latitude_deg, longitude_deg.

    Returns
    -------
    pandas.DataFrame
        One row a tower of either month: tower_id (blank: gone), earlier_id (blank: new), moved_m between the
        two positions, renamed.

    Notes
    -----
    First the same name at the same place (within ``renamed_within_m``); then what is left by place, where two
    towers are each other's nearest: a tower that is called otherwise now. What is still left is paired by name:
    the position of a tower may be corrected.

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


def earlier_names(tower_ids, pairs):
    """What towers were called the month before.

    Parameters
    ----------
    tower_ids : pandas.Series of str
    pairs : pandas.DataFrame
        As `pair` gives it.

    Returns
    -------
    pandas.Series of str
        Same index; blank for a new tower.
    """
    return tower_ids.map(pairs.dropna(subset="tower_id").set_index("tower_id")["earlier_id"]).astype("str")


def _placed(condition):
    """Points of the towers on a sphere [m], by name."""
    north, east = np.radians(condition["latitude_deg"]), np.radians(condition["longitude_deg"])
    along = np.cos(north)
    points = np.column_stack([along * np.cos(east), along * np.sin(east), np.sin(north)]) * EARTH_RADIUS_M
    return pd.DataFrame(points, index=pd.Index(condition["tower_id"], dtype="str"))


def _apart(one, other):
    """Distances between points, pair by pair [m]."""
    return np.linalg.norm(one.to_numpy() - other.to_numpy(), axis=1)


def _nearest(now, before):
    """Earlier name by name, of those that are each other's nearest and close enough."""
    from scipy.spatial import cKDTree

    if now.empty or before.empty:
        return {}
    within = number("renamed_within_m")
    _, there = cKDTree(before).query(now, distance_upper_bound=within)
    _, back = cKDTree(now).query(before, distance_upper_bound=within)
    found = [(row, place) for row, place in enumerate(there) if place < len(before) and back[place] == row]
    return {now.index[row]: before.index[place] for row, place in found}
