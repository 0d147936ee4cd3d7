"""The route of a line: its towers in order, with chainage, spans, bearings and questions on their positions.

`build` is the entry. Lengths and bearings are those of geodesics on the ellipsoid. A projected grid (`drawing_crs`) is
used for drawing only. `put_in_order` follows the sequence numbers and, where they are blank, the shortest path from the
first station. `strays` finds towers off the route; `place_remarks`, `doubt_remarks` and `station_remarks` put the doubts
into words. `probe_bearings`, `angle_off_line` and `nearest_span` answer questions about a route.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from pyproj import CRS, Geod
from pyproj.exceptions import CRSError

from towerlib.errors import RecordsError, SettingsError
from towerlib.text import counted
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.config import Line


ELLIPSOID = Geod(ellps="WGS84")


def cartesian(latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> np.ndarray:
    """Geocentric x, y, z [m] of places on the ellipsoid, in the last axis."""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    normal = ELLIPSOID.a / np.sqrt(1.0 - ELLIPSOID.es * np.sin(latitude) ** 2)
    across = normal * np.cos(latitude)
    up = normal * (1.0 - ELLIPSOID.es) * np.sin(latitude)
    return np.stack([across * np.cos(longitude), across * np.sin(longitude), up], axis=-1)


@dataclass(frozen=True)
class Ground:
    """Towers in space, with the directions east and north at each tower."""

    xyz: np.ndarray
    east: np.ndarray
    north: np.ndarray

    @classmethod
    def under(cls, register: pd.DataFrame) -> Ground:
        """The ground under the towers of a table."""
        latitude, longitude = np.radians(register["latitude_deg"]), np.radians(register["longitude_deg"])
        east = np.stack([-np.sin(longitude), np.cos(longitude), np.zeros(len(register))], axis=-1)
        inward = -np.sin(latitude)
        north = np.stack([inward * np.cos(longitude), inward * np.sin(longitude), np.cos(latitude)], axis=-1)
        return cls(cartesian(register["latitude_deg"], register["longitude_deg"]), east, north)

    def beside(self, here: np.ndarray, *others: np.ndarray) -> list[np.ndarray]:
        """Other towers relative to the towers `here`: east + j·north [m] on the tangent plane."""
        steps = [self.xyz[there] - self.xyz[here] for there in others]
        return [(step * self.east[here]).sum(-1) + 1j * (step * self.north[here]).sum(-1) for step in steps]


def off_chord(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Distance [m] from the origin to the segment between two points of the plane."""
    chord = other - one
    share = -np.real(one * chord.conj()) / np.maximum(np.abs(chord) ** 2, 1e-12)
    return np.abs(one + np.clip(share, 0.0, 1.0) * chord)


def off_straight(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Distance [m] from the origin to the straight line through two points; inf where the points coincide."""
    apart = np.abs(other - one)
    return np.where(apart > 0.0, np.abs(np.imag(one.conj() * other)) / np.maximum(apart, 1e-6), np.inf)


def turn_deg(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Turn at the origin [°] of a path from one point of the plane to another, right positive."""
    return -np.degrees(np.angle(-after * before.conj()))


def put_in_order(register: pd.DataFrame, line: Line) -> tuple[np.ndarray, list[str]]:
    """Rows of the register in route order, and the remarks on how it was found."""
    sequence = register["sequence"].to_numpy()
    given = np.flatnonzero(~np.isnan(sequence))
    given = given[np.argsort(sequence[given])]
    if given.size == len(register):
        return given, []
    if len(register) == 1:
        return np.array([0]), []
    xyz = cartesian(register["latitude_deg"], register["longitude_deg"])
    if given.size > 1:
        blank = register.loc[np.isnan(sequence), "tower_id"]
        remark = (
            f"The sequence number is blank for {blank.size} of {len(register)} towers ({listed(blank)})."
            " Each was placed where it adds the least length. Check them against the tower schedule."
        )
        return _shortest_path(xyz, given), [remark]
    blank = "all but one" if given.size else "all"
    remark = (
        f"The order of the {len(register)} towers was found from their positions (the shortest path through all"
        f" of them), because the sequence number is blank for {blank}. Check it against the tower schedule."
    )
    path, direction = _directed(_shortest_path(xyz, given[:0]), register, line)
    return path, [remark, direction]


def _directed(path: np.ndarray, register: pd.DataFrame, line: Line) -> tuple[np.ndarray, str]:
    """The path from the first station, and the remark on how the direction was decided."""
    misfit = station_misfit_m(register.iloc[path], line)
    if misfit is None:
        first, last = register["tower_id"].iloc[path[[0, -1]]]
        path = path if natural(first) < natural(last) else path[::-1]
        why = (
            "the end whose name comes first. Give the position of a station in line.toml, or sequence"
            " numbers, to be sure of the direction."
        )
    else:
        path = path if misfit <= 0 else path[::-1]
        why = "the end that fits the station positions in line.toml."
    return path, f"The route starts at tower {register['tower_id'].iloc[path[0]]}, {why}"


def known_stations(line: Line) -> list[tuple[int, str, np.ndarray]]:
    """Stations with a known position: (0 for first or -1 for last, name, xyz)."""
    found = []
    for end, which in ((0, "first"), (-1, "last")):
        station = getattr(line.stations, which, None)
        latitude, longitude = (getattr(station, f"{axis}_deg", None) for axis in ("latitude", "longitude"))
        if latitude is not None and longitude is not None:
            name = getattr(station, "name", None) or f"the {which} station"
            found.append((end, name, cartesian(latitude, longitude)))
    return found


def station_misfit_m(mapped: pd.DataFrame, line: Line) -> float | None:
    """By how much the ends would be nearer to the stations in reverse order [m]; None without station positions."""
    ends = cartesian(mapped["latitude_deg"].iloc[[0, -1]], mapped["longitude_deg"].iloc[[0, -1]])
    gaps = [np.linalg.norm(ends[[end, -1 - end]] - xyz, axis=1) for end, _, xyz in known_stations(line)]
    return sum(own - other for own, other in gaps) if gaps else None


def natural(name: str) -> tuple[list[int | str], str]:
    """Sort key: T2 before T10; text of equal rank, such as 12 and 012, by its characters."""
    return [int(part) if part.isdecimal() else part.casefold() for part in re.split(r"(\d+)", name)], name


def listed(names: Iterable[str], most: int = 8) -> str:
    """Names for a sentence; a long list is shortened."""
    names = list(names)
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _shortest_path(xyz: np.ndarray, given: np.ndarray) -> np.ndarray:
    """Short open path through all points that keeps the order of the `given` ones.

    Straight distances are compared, because unlike degrees they have no antimeridian and no pole. One more point, at
    no distance from all others, closes the path to a tour, so that its ends need no rules of their own.
    """
    from scipy.spatial.distance import cdist

    count = len(xyz)
    distance = np.zeros((count + 1, count + 1))
    distance[:count, :count] = cdist(xyz, xyz)
    path = given if given.size else _backbone(distance[:count, :count])
    if path.size == count:  # a spanning tree without branches: no path can be shorter
        return path
    kept = np.isin(np.arange(count + 1), given)
    tour = _with_the_rest(np.concatenate([[count], path, [count]]), distance)
    better = True
    while better:
        tour, reversed_some = _with_stretches_reversed(tour, distance, kept)
        tour, moved_some = _with_stretches_moved(tour, distance, kept)
        better = reversed_some or moved_some
    return tour[1:-1]


def _backbone(distance: np.ndarray) -> np.ndarray:
    """Longest path in the minimum spanning tree: most of a line in its order."""
    from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

    # One metre more on each edge does not change the tree, and keeps towers at one place connected.
    tree = minimum_spanning_tree(distance + 1.0)
    start = np.argmax(dijkstra(tree, directed=False, indices=0))
    reach, came_from = dijkstra(tree, directed=False, indices=start, return_predecessors=True)
    path = [np.argmax(reach)]
    while path[-1] != start:
        path.append(came_from[path[-1]])
    return np.array(path)


def _with_the_rest(tour: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Tour with every missing point inserted where it adds the least length, the nearest point first."""
    away = distance[tour[1:-1]].min(axis=0)
    away[tour] = np.inf
    while np.isfinite(away).any():
        point = np.argmin(away)
        one, next_one = tour[:-1], tour[1:]
        added = distance[one, point] + distance[point, next_one] - distance[one, next_one]
        tour = np.insert(tour, np.argmin(added) + 1, point)
        away = np.minimum(away, distance[point])
        away[tour] = np.inf
    return tour


def _with_stretches_reversed(
    tour: np.ndarray, distance: np.ndarray, kept: np.ndarray
) -> tuple[np.ndarray, bool]:
    """Tour after reversing every section whose reversal shortens it and moves no given order, and whether there was one."""
    tour, improved = tour.copy(), False
    for start in range(1, len(tour) - 2):
        before, first, last, after = tour[start - 1], tour[start], tour[start + 1 : -1], tour[start + 2 :]
        saved = (
            distance[before, first] + distance[last, after] - distance[before, last] - distance[first, after]
        )
        saved[np.cumsum(kept[tour[start:-1]])[1:] > 1] = 0.0
        best = np.argmax(saved)
        if saved[best] > 1e-6:
            tour[start : start + best + 2] = tour[start : start + best + 2][::-1].copy()
            improved = True
    return tour, improved


def _with_stretches_moved(
    tour: np.ndarray, distance: np.ndarray, kept: np.ndarray, longest: int = 3
) -> tuple[np.ndarray, bool]:
    """Tour after moving every short section that fits better elsewhere, and whether there was one."""
    improved = False
    for size in range(1, longest + 1):
        for start in range(1, len(tour) - size):
            stretch = tour[start : start + size]
            before, after = tour[start - 1], tour[start + size]
            saved = distance[before, stretch[0]] + distance[stretch[-1], after] - distance[before, after]
            if saved < 1e-6 or kept[stretch].any():
                continue
            rest = np.concatenate([tour[:start], tour[start + size :]])
            one, next_one = rest[:-1], rest[1:]
            ways = (stretch, stretch[::-1])
            added = [
                distance[one, way[0]] + distance[way[-1], next_one] - distance[one, next_one] for way in ways
            ]
            way, place = np.unravel_index(np.argmin(added), np.shape(added))
            if added[way][place] < saved - 1e-6:
                tour = np.concatenate([rest[: place + 1], ways[way], rest[place + 1 :]])
                improved = True
    return tour, improved


def strays(ground: Ground) -> pd.DataFrame:
    """Towers off the route, one row each, indexed by their place in the route; columns as in `_judged`.

    The worst tower of each neighbourhood is removed and the rest judged again, so that no tower is questioned because
    of its neighbour's position. The threshold depends on how straight the line is elsewhere.
    """
    remaining, strays = np.arange(len(ground.xyz)), []
    aside_m, back_m, back_deg = np.inf, number("route_off_m"), number("route_turn_back_deg")
    while remaining.size > 2:
        judged = _judged(ground, remaining)
        if not strays:
            aside_m = _far_off_m(judged["offset_m"])
        judged["aside"] = judged["in_line_without"] & (judged["off_all_m"] > aside_m)
        turned_back = (judged["turn_deg"].abs() > back_deg) & (judged["detour_m"] > back_m)
        detour = np.where(judged["aside"] | turned_back, judged["detour_m"], -np.inf)
        around = np.lib.stride_tricks.sliding_window_view(np.pad(detour, 2, constant_values=-np.inf), 5)
        worst = judged[np.isfinite(detour) & (around.argmax(axis=1) == 2)]
        if worst.empty:
            break
        strays.append(worst)
        remaining = np.setdiff1d(remaining, worst.index)
    return pd.concat(strays).sort_index() if strays else pd.DataFrame()


def _far_off_m(offset_m) -> float:
    """Offset from which a tower of this line is questioned [m]."""
    usual = offset_m.median()
    deviation = 1.4826 * (offset_m - usual).abs().median()  # the standard deviation, if it were a normal one
    return max(number("route_off_m"), usual + number("route_off_spreads") * deviation)


def _judged(ground: Ground, remaining: np.ndarray) -> pd.DataFrame:
    """Position of each tower relative to the two before and the two after it.

    A sound tower is near one of three straight lines: the chord of its neighbours or, where the line has an angle, the
    straight line through the two towers before or after it. A stray tower is off all three, and without it its
    neighbours are in line with the tower beyond.
    """
    here, before, after = remaining[1:-1], remaining[:-2], remaining[2:]
    # Beyond an end there is no second tower: the first one takes its place, and gives no straight line.
    before2, after2 = np.append(remaining[:1], remaining[:-3]), np.append(remaining[3:], remaining[-1:])
    one, other, one2, other2 = ground.beside(here, before, after, before2, after2)
    offset = off_chord(one, other)
    in_line = number("route_in_line_deg")
    straight_before = np.abs(turn_deg(*ground.beside(before, before2, after))) < in_line
    straight_after = np.abs(turn_deg(*ground.beside(after, before, after2))) < in_line
    columns = {
        "before": before,
        "after": after,
        "offset_m": offset,
        "off_all_m": np.min([offset, off_straight(one2, one), off_straight(other, other2)], axis=0),
        "in_line_without": (straight_before & (before2 != before)) | (straight_after & (after2 != after)),
        "turn_deg": turn_deg(one, other),
        "detour_m": np.abs(one) + np.abs(other) - np.abs(other - one),
    }
    return pd.DataFrame(columns, index=here)


def place_remarks(measured: pd.DataFrame, strays: pd.DataFrame, *, sequenced: bool) -> list[str]:
    """Questions on the position of each tower in words; blank where there is none."""
    name = measured["tower_id"]
    questions: list[list[str]] = [[] for _ in range(len(measured))]
    for row, twin, apart in _same_place(measured):
        questions[row].append(
            f"Same position as tower {name[twin]} ({apart:.1f} m apart): was one position copied from the other,"
            " or is one tower recorded twice?"
        )
    place = "sequence number" if sequenced else "place in the order"
    length, usual = measured["span_ahead_m"], measured["span_ahead_m"].median()
    stray: Any
    for stray in strays.itertuples():
        between = f"between towers {name[stray.before]} and {name[stray.after]}"
        if not stray.aside:
            question = (
                f"The line turns back here (by {abs(stray.turn_deg):.0f}°), {stray.offset_m:.0f} m from the"
                f" section {between}: check position and {place} of these three towers."
            )
        elif stray.offset_m > usual:
            question = (
                f"Lies {stray.offset_m:.0f} m off the straight line {between}: check position and {place}."
            )
        else:
            question = f"Lies {stray.offset_m:.0f} m off the straight line {between}: check the position."
        questions[stray.Index].append(question)
    for row in _long_spans(length, strays.index):
        for here, there, way in ((row, row + 1, "to"), (row + 1, row, "from")):
            questions[here].append(
                f"The span {way} tower {name[there]} is {length[row]:.0f} m long; {usual:.0f} m is usual on this"
                " line. Are towers missing between them, is a position wrong, or is it a long crossing?"
            )
    return [" ".join(sentences) for sentences in questions]


def _same_place(measured: pd.DataFrame) -> list[tuple[np.intp, np.intp, float]]:
    """Towers at the place of another tower: (row, row of the other, distance [m])."""
    from scipy.spatial import KDTree

    if len(measured) < 2:
        return []
    xyz = cartesian(measured["latitude_deg"], measured["longitude_deg"])
    apart, nearest = map(np.asarray, KDTree(xyz).query(xyz, k=2))
    rows = np.flatnonzero(apart[:, 1] < number("route_same_place_m"))
    # Of two points at one place either may come first in the result.
    return [
        (row, nearest[row, 1] if nearest[row, 0] == row else nearest[row, 0], apart[row, 1]) for row in rows
    ]


def _long_spans(length_m, stray_rows) -> np.ndarray:
    """Rows of the towers before a span that is long for this line, unless a stray tower explains it."""
    long = length_m > max(number("route_long_span_m"), number("route_long_span_ratio") * length_m.median())
    rows = np.flatnonzero(long)
    return rows[~np.isin(rows, stray_rows) & ~np.isin(rows + 1, stray_rows)]


def doubt_remarks(measured: pd.DataFrame) -> list[str]:
    """Remarks on what remains open for the route as a whole."""
    doubtful = measured.loc[measured["place_remark"] != "", "tower_id"]
    remarks = []
    if doubtful.size:
        remarks.append(
            f"The position is in question at {doubtful.size} of {len(measured)} towers: {listed(doubtful)}."
            " No tower was moved: chainage and bearings there follow the recorded positions."
        )
    if doubtful.size > max(4, len(measured) / 5):
        remarks.append("So many at once point to the order or to the file rather than to single towers.")
    if len(measured) == 1:
        remarks.append("There is one tower only: no span, no direction of the line and no probe direction.")
    elif (none := measured.loc[measured["bearing_deg"].isna(), "tower_id"]).size:
        remarks.append(
            f"No direction of the line and no probe direction at towers {listed(none)}: two towers at one place."
        )
    return remarks


def station_remarks(measured: pd.DataFrame, line: Line) -> list[str]:
    """Remarks on stations that the route does not reach, or reaches in reverse order."""
    remarks = []
    if len(measured) > 1 and (station_misfit_m(measured, line) or 0.0) > 0.0:
        remarks.append(
            "By the station positions in line.toml the route runs the other way. Does the sequence count from the"
            " last station, or were the stations exchanged?"
        )
        return remarks
    limit = max(
        number("route_long_span_m"), number("route_long_span_ratio") * measured["span_ahead_m"].median()
    )
    for end, station, xyz in known_stations(line):
        tower = measured.iloc[end]
        gap = np.linalg.norm(cartesian(tower["latitude_deg"], tower["longitude_deg"]) - xyz)
        if gap > limit:
            remarks.append(
                f"Tower {tower['tower_id']}, the {'first' if end == 0 else 'last'} tower, is {gap:.0f} m from"
                f" {station}. Are towers missing there, or is a position wrong?"
            )
    return remarks


@dataclass(frozen=True)
class Route:
    """The towers of a line in order, with the spans between them.

    Attributes
    ----------
    towers
        One row per tower in route order, index 0 to n-1: ``tower_id``, ``latitude_deg``, ``longitude_deg``,
        ``chainage_m`` (from the first tower), ``span_ahead_m`` (NaN at the last), ``bearing_deg`` (direction
        of the line there, true north, clockwise), ``deviation_deg`` (turn of the line, right positive, NaN
        at the ends), ``offset_m`` (distance off the chord of the two neighbours, NaN at the ends),
        ``place_remark`` (a question, or "").
    spans
        One row per span: ``span_id``, ``from_tower_id``, ``to_tower_id``, ``from_chainage_m``,
        ``to_chainage_m``, ``length_m``, ``bearing_deg`` (where the span starts).
    crs
        Projected, in metres; for drawing only.
    length_m
        From the first tower to the last.
    remarks
        Remarks that a reader of the route needs.
    """

    towers: gpd.GeoDataFrame
    spans: gpd.GeoDataFrame
    crs: CRS
    length_m: float
    remarks: list[str]


def build(towers: pd.DataFrame, line: Line) -> Route:
    """Route of a line: its towers in order, with chainage, spans, bearings and questions on their positions.

    Parameters
    ----------
    towers
        The register: ``tower_id``, ``latitude_deg``, ``longitude_deg`` (WGS 84), ``sequence`` (may be blank).
    line
        Its ``crs`` (None: chosen) and the positions of its ``stations``, where known.

    Returns
    -------
    Route
        No tower is left out, however unlikely its position.

    Raises
    ------
    RecordsError
        There is no tower, a tower has no name or position, or a name or sequence number is used twice.
    SettingsError
        The ``crs`` is unknown, not projected or not in metres.

    Notes
    -----
    Lengths and bearings are those of geodesics on the WGS 84 ellipsoid (C. F. F. Karney, J. Geodesy 87 (2013) 43-55), since
    the grid of a UTM zone is off by -0.04 % in the middle and up to +0.1 % at the edge. Heights are ignored: a slope of 1 in
    10 makes a span 0.5 % longer. Without a full ``sequence`` the order is the shortest path through all towers, found by
    improving a good one. It is correct as long as the line does not come back to within about a span of itself.
    The direction of the line at a tower bisects the angle between the arriving and the leaving span, both taken at
    that tower, since an azimuth changes along a geodesic.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> import pandas as pd
    >>> towers = pd.DataFrame({"tower_id": ["T1", "T2", "T3"], "sequence": [1.0, 2.0, 3.0],
    ...                        "latitude_deg": [0.0, 0.0, 0.003], "longitude_deg": [36.1, 36.103, 36.103]})
    >>> route = build(towers, SimpleNamespace(crs=None, stations=None))
    >>> route.towers[["tower_id", "chainage_m", "bearing_deg", "deviation_deg"]].round(1)
      tower_id  chainage_m  bearing_deg  deviation_deg
    0       T1         0.0         90.0            NaN
    1       T2       334.0         45.0          -90.0
    2       T3       665.7          0.0            NaN
    """
    register = _checked(towers)
    order, remarks = put_in_order(register, line)
    register = register.iloc[order].reset_index(drop=True)
    measured, span_bearing_deg = _measured(register)
    doubtful = strays(Ground.under(register))
    measured["place_remark"] = place_remarks(measured, doubtful, sequenced=register["sequence"].notna().all())
    crs, crs_remarks = drawing_crs(line.crs, measured.drop(index=doubtful.index))
    mapped, undrawn = drawn(measured, crs)
    remarks += [
        *station_remarks(measured, line),
        *doubt_remarks(measured),
        *crs_remarks,
        *undrawn,
    ]
    return Route(
        mapped, _spans(mapped, span_bearing_deg), crs, float(measured["chainage_m"].iloc[-1]), remarks
    )


def _checked(towers: pd.DataFrame) -> pd.DataFrame:
    """Columns in use, sorted by name so that the order of the rows in the file never matters."""
    if towers.empty:
        raise RecordsError(
            "towers.csv: no tower. Give one row per tower: tower_id, latitude_deg, longitude_deg."
        )
    register = towers.reindex(columns=["tower_id", "latitude_deg", "longitude_deg", "sequence"])
    name = register["tower_id"]
    if (blank := name.isna() | (name.astype("str").str.strip() == "")).any():
        raise RecordsError(
            f"towers.csv: tower_id is blank in {counted(int(blank.sum()), 'row')}. Name every tower."
        )
    register = register.astype({"tower_id": "str"}).astype(dict.fromkeys(register.columns[1:], float))
    keys = register["tower_id"].map(natural).to_list()
    register = register.iloc[sorted(range(len(keys)), key=keys.__getitem__)]
    twice = register["tower_id"].duplicated(keep=False)
    lost = ~(register["latitude_deg"].abs().le(90.0) & np.isfinite(register["longitude_deg"]))
    tied = register["sequence"].notna() & register["sequence"].duplicated(keep=False)
    for wrong, what in (
        (twice, "tower_id is used more than once: {}. Give every tower its own name"),
        (
            lost,
            "latitude_deg or longitude_deg is missing or out of range at tower {}. Correct it or delete the row",
        ),
        (tied, "sequence has a number more than once: {}. Number each tower once, or leave it blank"),
    ):
        if wrong.any():
            raise RecordsError(f"towers.csv: {what.format(listed(_tied_label(register[wrong])))}.")
    return register.reset_index(drop=True)


def _tied_label(register) -> list[str]:
    """Towers with their sequence number, where they have one."""
    numbered = zip(register["tower_id"], register["sequence"], strict=True)
    return [name if np.isnan(place) else f"{name} (sequence {place:g})" for name, place in numbered]


def _measured(register: pd.DataFrame) -> tuple[pd.DataFrame, np.ndarray]:
    """Table of the towers with chainage, bearings and offsets, and the bearing of each span at its start."""
    latitude, longitude = register["latitude_deg"].to_numpy(), register["longitude_deg"].to_numpy()
    leaving, back, length = ELLIPSOID.inv(longitude[:-1], latitude[:-1], longitude[1:], latitude[1:])
    pointless = length < number("route_same_place_m")  # two towers at one place: no direction
    leaving, arriving = (
        np.where(pointless, np.nan, _compass(azimuth)) for azimuth in (leaving, back + 180.0)
    )
    bearing, deviation, offset = np.full((3, len(register)), np.nan)
    deviation[1:-1] = np.mod(leaving[1:] - arriving[:-1] + 180.0, 360.0) - 180.0
    if len(register) > 1:
        bearing[0], bearing[-1] = leaving[0], arriving[-1]
        bearing[1:-1] = _compass(arriving[:-1] + deviation[1:-1] / 2.0)
    rows = np.arange(len(register))
    offset[1:-1] = off_chord(*Ground.under(register).beside(rows[1:-1], rows[:-2], rows[2:]))
    measured = register[["tower_id", "latitude_deg", "longitude_deg"]].assign(
        chainage_m=np.concatenate([[0.0], np.cumsum(length)]),
        span_ahead_m=np.append(length, np.nan),
        bearing_deg=bearing,
        deviation_deg=deviation,
        offset_m=offset,
    )
    return measured, leaving


def _compass(angle_deg: ArrayLike) -> Any:
    """Angle as 0 <= bearing < 360; reduced twice, because -1e-17 becomes 360 the first time."""
    return np.mod(np.mod(angle_deg, 360.0), 360.0)


def _spans(mapped: gpd.GeoDataFrame, bearing_deg: np.ndarray) -> gpd.GeoDataFrame:
    """One row per span, as a straight line on the grid; an empty line where a tower could not be drawn."""
    here, there = mapped.iloc[:-1].reset_index(drop=True), mapped.iloc[1:].reset_index(drop=True)
    xy = np.stack([mapped.geometry.x, mapped.geometry.y], axis=-1)
    reached = np.isfinite(xy[:-1]).all(axis=1) & np.isfinite(xy[1:]).all(axis=1)
    lines = np.full(len(here), shapely.LineString(), object)
    lines[reached] = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[reached])
    columns = {
        "span_id": here["tower_id"] + " – " + there["tower_id"],
        "from_tower_id": here["tower_id"],
        "to_tower_id": there["tower_id"],
        "from_chainage_m": here["chainage_m"],
        "to_chainage_m": there["chainage_m"],
        "length_m": here["span_ahead_m"],
        "bearing_deg": bearing_deg,
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=mapped.crs)


def drawn(measured: pd.DataFrame, crs: CRS) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Towers as points on the grid, and the remark on those that it does not reach."""
    points = points_on_grid(measured["latitude_deg"], measured["longitude_deg"], crs)
    mapped = gpd.GeoDataFrame(measured, geometry=points, crs=crs)
    beyond = mapped.loc[mapped.geometry.is_empty, "tower_id"]
    if beyond.empty:
        return mapped, []
    return mapped, [
        f"Too far away to be drawn in {crs.to_string()}: tower {listed(beyond)}. Check the position."
    ]


def drawing_crs(asked: str | None, towers: pd.DataFrame) -> tuple[CRS, list[str]]:
    """Coordinate system for drawing, and the remarks on it; the middle tower decides."""
    middle = towers.iloc[len(towers) // 2]
    local = local_crs(middle["latitude_deg"], middle["longitude_deg"])
    if asked is None:
        return local, [
            f"Maps are drawn in {local.name} ({local.to_string()}), chosen for tower {middle['tower_id']} in the"
            " middle of the line. Lengths and bearings do not depend on it."
        ]
    place = f'line.toml [line] crs = "{asked}"'
    mend = (
        f'Name a projected one in metres, such as "{local.to_string()}", or leave crs out to have it chosen.'
    )
    try:
        crs = CRS.from_user_input(asked)
    except CRSError as error:
        raise SettingsError(f"{place} is not a known coordinate system. {mend}") from error
    if not crs.is_projected:
        raise SettingsError(f"{place} ({crs.name}) is not a projected coordinate system. {mend}")
    if any(axis.unit_conversion_factor != 1.0 for axis in crs.axis_info[:2]):
        raise SettingsError(f"{place} ({crs.name}) is in {crs.axis_info[0].unit_name}, not in metres. {mend}")
    if crs.area_of_use and not _near_area(middle, crs.area_of_use.bounds):
        return crs, [
            f"The line lies outside the area of {asked} ({crs.name}). Check crs in line.toml:"
            f" {local.to_string()} ({local.name}) fits here. Only maps depend on it."
        ]
    return crs, []


def _near_area(tower, bounds: tuple[float, float, float, float], margin_deg: float = 3.0) -> bool:
    """Whether a tower is in an area or up to half a UTM zone beside it; areas may cross the antimeridian."""
    west, south, east, north = bounds
    width = (east - west) % 360.0 or 360.0
    beside = (tower["longitude_deg"] - west + margin_deg) % 360.0 <= width + 2 * margin_deg
    return beside and south - margin_deg <= tower["latitude_deg"] <= north + margin_deg


def local_crs(latitude_deg: float, longitude_deg: float) -> CRS:
    """Projected coordinate system, in metres, for drawing a line that passes a place [°, WGS 84].

    The UTM zone with its exceptions off Norway and Svalbard; beyond 84° N and 80° S the polar stereographic UPS, with
    easting before northing. Source: NGA.SIG.0012 (2014): zones and exceptions *from memory*; EPSG dataset: codes 326zz,
    327zz, 5041, 5042.
    """
    if latitude_deg > 84.0:
        return CRS.from_epsg(5041)
    if latitude_deg < -80.0:
        return CRS.from_epsg(5042)
    east = (longitude_deg + 180.0) % 360.0 - 180.0
    zone = int((east + 180.0) // 6) + 1
    if 56 <= latitude_deg < 64 and 3 <= east < 12:
        zone = 32
    if latitude_deg >= 72 and 0 <= east < 42:
        zone = 31 + 2 * int((east + 3) // 12)
    return CRS.from_epsg((32600 if latitude_deg >= 0 else 32700) + zone)


def points_on_grid(latitude_deg: Any, longitude_deg: Any, crs: CRS) -> np.ndarray:
    """Points on the grid, empty without a position or beyond the reach of the grid."""
    points = gpd.GeoSeries(gpd.points_from_xy(longitude_deg, latitude_deg), crs=4326).to_crs(crs)
    points[~(np.isfinite(points.x) & np.isfinite(points.y))] = shapely.Point()
    return points.to_numpy()


def probe_bearings(bearing_deg: ArrayLike) -> tuple[Any, Any]:
    """Both directions across the line, left and right [°], for placing probes; NaN where the line has no bearing."""
    return _compass(np.subtract(bearing_deg, 90.0)), _compass(np.add(bearing_deg, 90.0))


def angle_off_line(probe_bearing_deg: ArrayLike, line_bearing_deg: ArrayLike) -> Any:
    """Angle between the lead to a probe and the line, either direction [°]: 0 along the line to 90 across it."""
    angle = np.mod(np.subtract(probe_bearing_deg, line_bearing_deg), 180.0)
    return np.minimum(angle, 180.0 - angle)


def nearest_span(latitude_deg: ArrayLike, longitude_deg: ArrayLike, route: Route) -> pd.DataFrame:
    """Nearest span of each place [°, WGS 84]: ``span_id``, ``distance_m`` (geodesic), ``chainage_m`` of the foot on it.

    One row per place, with the index of `latitude_deg` if it has one; blank without position or span. The foot is found
    on the grid of ``route.crs``, whose scale hardly changes over a span; the distance is measured on the ellipsoid.
    """
    latitude, longitude = np.atleast_1d(latitude_deg), np.atleast_1d(longitude_deg)
    found = pd.DataFrame(
        {"span_id": pd.Series(pd.NA, range(latitude.size), "str"), "distance_m": np.nan, "chainage_m": np.nan}
    )
    places = points_on_grid(latitude, longitude, route.crs)
    known = np.flatnonzero(~shapely.is_empty(places))
    to_be_seen = np.flatnonzero(~route.spans.geometry.is_empty)
    if known.size and to_be_seen.size:
        lines = route.spans.geometry.to_numpy()
        nearest = to_be_seen[shapely.STRtree(lines[to_be_seen]).nearest(places[known])]
        share = shapely.line_locate_point(lines[nearest], places[known], normalized=True)
        foot = shapely.line_interpolate_point(lines[nearest], share, normalized=True)
        foot = gpd.GeoSeries(foot, crs=route.crs).to_crs(4326)
        span = route.spans.iloc[nearest].reset_index(drop=True)
        found.loc[known, "span_id"] = span["span_id"].to_numpy()
        found.loc[known, "distance_m"] = ELLIPSOID.inv(longitude[known], latitude[known], foot.x, foot.y)[2]
        found.loc[known, "chainage_m"] = (span["from_chainage_m"] + share * span["length_m"]).to_numpy()
    return found.set_axis(latitude_deg.index) if isinstance(latitude_deg, pd.Series) else found
