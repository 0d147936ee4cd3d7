"""The order of the towers along a line, and the positions that contradict it.

`put_in_order` follows the sequence numbers and, where they are blank, the shortest path from the first station.
`strays` finds towers off the route; `place_remarks`, `doubt_remarks` and `station_remarks` put the doubts into words.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from towerlib.route.geometry import Ground, cartesian, off_chord, off_straight, turn_deg
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.config import Line


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


def station_misfit_m(laid: pd.DataFrame, line: Line) -> float | None:
    """By how much the ends would be nearer to the stations in reverse order [m]; None without station positions."""
    ends = cartesian(laid["latitude_deg"].iloc[[0, -1]], laid["longitude_deg"].iloc[[0, -1]])
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
