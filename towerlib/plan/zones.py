"""Towers of a station zone that are treated together."""

import pandas as pd


def together_in_zones(towers, treated):
    """Labels of consecutive station-zone towers with works: the column `together` of the options.

    Parameters
    ----------
    towers : pandas.DataFrame
        The line in route order: tower_id, in_station_zone (True near a station).
    treated : sequence of str
        Towers that have options.

    Returns
    -------
    pandas.Series of str
        By tower_id, for towers that share a label with another: `options["tower_id"].map` of it is the column.

    Raises
    ------
    ValueError
        A treated tower is not on the line.

    Notes
    -----
    A strike close to a station sends a steep wave into it, so that zone is as good as its weakest tower; its
    towers are one package. *Common practice*. A tower of the zone without works does not part its neighbours.

    Examples
    --------
    >>> line = pd.DataFrame({"tower_id": ["1", "2", "3"], "in_station_zone": [True, True, False]})
    >>> together_in_zones(line, ["1", "2", "3"]).to_dict()
    {'1': '1 to 2', '2': '1 to 2'}
    """
    ids, zone = towers["tower_id"], towers["in_station_zone"].astype(bool)
    if strangers := sorted(set(treated) - set(ids)):
        raise ValueError(f"tower {strangers[0]} is not on the line")
    run = (zone != zone.shift()).cumsum()
    mine = zone & ids.isin(list(treated))
    by_run = ids[mine].groupby(run[mine])
    label = by_run.transform("first") + " to " + by_run.transform("last")
    shared = by_run.transform("size") > 1
    return pd.Series(label[shared].to_numpy(), index=ids[mine][shared].to_numpy(), dtype="str")
