"""Which towers and stations a map shows, where, and what is said of those it does not."""

import numpy as np
import pandas as pd
from pyproj import Transformer

from towerlib.publish import lettering, markers, shown

BEYOND = 0.25  # a doubtful place further off the rest than this part of their extent stays outside the frame

NEEDED = [
    *("impedance_class", "footing_ohm", "lower_bound_ohm", "impedance_rank", "target_ohm", "limit_ohm"),
    *("gap_fraction", "gap_rank", "ring", "footing_date", "leakage_date"),
]


def placed(route, condition, by):
    """Towers of the route with their place on the grid, and what the map shows of each.

    Parameters
    ----------
    route : towerlib.route.Route
        Towers in a projected CRS [m].
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it; may have no columns if it has no rows.
    by : str
        ``impedance`` or ``gap``.

    Returns
    -------
    pandas.DataFrame
        One row a tower of the route, with ``x``, ``y`` [m], ``kind`` (a key of `markers.MARKS` or
        `markers.BANDS`), ``value``, ``words``, ``rank`` and ``circled`` (a ring joins the legs).
    """
    places = pd.DataFrame(route.towers[["tower_id", "chainage_m", "place_remark"]])
    places = places.assign(x=route.towers.geometry.x, y=route.towers.geometry.y)
    known = condition if len(condition.columns) else condition.reindex(columns=["tower_id", *NEEDED])
    towers = places.merge(known[["tower_id", *NEEDED]], on="tower_id", how="left", validate="1:1")
    if by == "impedance":
        valued = shown.with_value(towers)
        return valued.assign(value=valued["value_ohm"], rank=valued["impedance_rank"], circled=False)
    return _by_gap(towers)


def _by_gap(towers):
    """Towers with their band of the gap fraction."""
    value = towers["gap_fraction"].astype("float64")
    starts = [start for start, _ in markers.BANDS.values()][1:]
    band = np.searchsorted(starts, value.fillna(0), side="right") * value.notna()
    circled = towers["ring"].astype("boolean").fillna(False).astype(bool)
    kind, words = np.array(list(markers.BANDS))[band], value.map("{:.2f}".format)
    return towers.assign(kind=kind, value=value, words=words, rank=towers["gap_rank"], circled=circled)


def framed(towers):
    """Towers inside the frame, and what is said of the others.

    Parameters
    ----------
    towers : pandas.DataFrame
        As `placed` gives it.

    Returns
    -------
    inside : pandas.DataFrame
        Rows of `towers`; none if no tower has a place.
    remarks : list of str
        Of those far off the rest with a place in doubt, and of those without a place.
    """
    nowhere = towers["x"].isna() | towers["y"].isna()
    sure = towers[~nowhere & (towers["place_remark"].fillna("") == "")]
    sure = towers[~nowhere] if sure.empty else sure
    if sure.empty:
        return sure, []
    reach = BEYOND * _extent(sure)
    near = towers["x"].between(sure["x"].min() - reach, sure["x"].max() + reach)
    near &= towers["y"].between(sure["y"].min() - reach, sure["y"].max() + reach)
    far, lost = towers.loc[~nowhere & ~near, "tower_id"], towers.loc[nowhere, "tower_id"]
    return towers[near], [
        f"Outside the frame, place in doubt: {lettering.listed(far)}." if len(far) else "",
        f"Not drawn, no position: {lettering.listed(lost)}." if len(lost) else "",
    ]


def _extent(towers):
    """Larger side of the box that the towers take, at least 4 km [m]."""
    return max(np.ptp(towers["x"]), np.ptp(towers["y"]), 4000)


def stations(towers, crs, line):
    """Both stations, at their own place or else at the tower of their end; and what is said of them.

    Parameters
    ----------
    towers : pandas.DataFrame
        Towers inside the frame, one or more.
    crs : pyproj.CRS
        Of the route.
    line : towerlib.line.Line
        Names and positions of the stations, where known.

    Returns
    -------
    stations : pandas.DataFrame
        Two rows: ``name``, ``x``, ``y``, and the tower of their end ``end_x``, ``end_y`` [m].
    remarks : list of str
        Of positions too far off to be true.
    """
    ends = towers.sort_values("chainage_m", kind="stable").iloc[[0, -1]][["x", "y"]].to_numpy("float64")
    to_grid, rows, remarks = Transformer.from_crs(4326, crs, always_xy=True), [], []
    for end, word in zip(ends, ("first", "last"), strict=True):
        station = getattr(line.stations, word)
        place, name = end, station.name or f"{word} station"
        if None not in (station.longitude_deg, station.latitude_deg):
            place = np.array(to_grid.transform(station.longitude_deg, station.latitude_deg))
        if not np.hypot(*(place - end)) <= BEYOND * _extent(towers):
            place = end
            remarks.append(
                f"The position given for {name} lies far off its end of the route and is not drawn."
            )
        rows.append((name, *place, *end))
    return pd.DataFrame(rows, columns=["name", "x", "y", "end_x", "end_y"]), remarks
