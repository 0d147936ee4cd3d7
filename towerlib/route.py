"""Where a line runs: order, chainage, spans and bearings of its towers, and those that seem out of place."""

import re
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod
from pyproj.exceptions import CRSError

from towerlib.errors import RecordsError, SettingsError
from towerlib.values import number

ELLIPSOID = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Route:
    """The towers of a line in order, with the spans between them.

    Attributes
    ----------
    towers : GeoDataFrame
        One row a tower in route order, index 0 to n-1: ``tower_id``, ``latitude_deg``, ``longitude_deg``,
        ``chainage_m`` (from the first tower), ``span_ahead_m`` (NaN at the last), ``bearing_deg`` (direction
        of the line there, true north, clockwise), ``deviation_deg`` (turn of the line, right positive, NaN
        at the ends), ``offset_m`` (distance off the chord of the two neighbours, NaN at the ends),
        ``place_remark`` (a question, or "").
    spans : GeoDataFrame
        One row a span: ``span_id``, ``from_tower_id``, ``to_tower_id``, ``from_chainage_m``,
        ``to_chainage_m``, ``length_m``, ``bearing_deg`` (where the span starts).
    crs : pyproj.CRS
        Projected, in metres; for drawing only.
    length_m : float
        From the first tower to the last.
    remarks : list of str
        What a reader of the route has to know.
    """

    towers: gpd.GeoDataFrame
    spans: gpd.GeoDataFrame
    crs: CRS
    length_m: float
    remarks: list[str]


def lay(towers, line):
    """Route of a line: its towers in order, with chainage, spans, bearings and questions on their place.

    Parameters
    ----------
    towers : DataFrame
        The register: ``tower_id``, ``latitude_deg``, ``longitude_deg`` (WGS 84), ``sequence`` (may be blank).
    line : Line
        Used are its ``crs`` (None: chosen) and the positions of its ``stations``, where known.

    Returns
    -------
    Route
        See there. No tower is left out, however odd its place.

    Raises
    ------
    RecordsError
        No tower at all; a tower without name or position; a name or a sequence number used twice.
    SettingsError
        A ``crs`` that is unknown, not projected or not in metres.

    Notes
    -----
    Lengths and bearings are those of geodesics on the WGS 84 ellipsoid: in a UTM zone the grid is off by
    -0.04 % in the middle and up to +0.1 % at the edge. Heights are left out: a slope of 1 in 10 makes a span
    0.5 % longer. Without a full ``sequence`` the order is the shortest path through all towers (found by
    improving a good one): right as long as the line does not come back to within about a span of itself.

    The line's direction at a tower halves the angle between the span that arrives and the span that leaves,
    both taken at that tower, since an azimuth changes along a geodesic.

    References
    ----------
    C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87 (2013) 43-55.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> import pandas as pd
    >>> towers = pd.DataFrame({"tower_id": ["T1", "T2", "T3"], "sequence": [1.0, 2.0, 3.0],
    ...                        "latitude_deg": [0.0, 0.0, 0.003], "longitude_deg": [36.1, 36.103, 36.103]})
    >>> route = lay(towers, SimpleNamespace(crs=None, stations=None))
    >>> route.towers[["tower_id", "chainage_m", "bearing_deg", "deviation_deg"]].round(1)
      tower_id  chainage_m  bearing_deg  deviation_deg
    0       T1         0.0         90.0            NaN
    1       T2       334.0         45.0          -90.0
    2       T3       665.7          0.0            NaN
    """
    register = _checked(towers)
    order, remarks = _order(register, line)
    register = register.iloc[order].reset_index(drop=True)
    measured, span_bearing_deg = _measured(register)
    strays = _strays(_Ground.under(register))
    measured["place_remark"] = _place_remarks(measured, strays, sequenced=register["sequence"].notna().all())
    crs, crs_remarks = _drawing_crs(line.crs, measured.drop(index=strays.index))
    laid, undrawn = _drawn(measured, crs)
    remarks += [*_station_remarks(measured, line), *_doubt_remarks(measured), *crs_remarks, *undrawn]
    return Route(laid, _spans(laid, span_bearing_deg), crs, float(measured["chainage_m"].iloc[-1]), remarks)


def probe_bearings(bearing_deg):
    """Both directions across the line, in which probes are laid out.

    Parameters
    ----------
    bearing_deg : float or array
        Direction of the line at the tower [°], true north, clockwise.

    Returns
    -------
    left, right : float or array
        Across the line to its left and right [°], 0 to 360; NaN where the line has no bearing.

    Examples
    --------
    >>> print(*probe_bearings(30.0))
    300.0 120.0
    """
    return _compass(bearing_deg - 90.0), _compass(bearing_deg + 90.0)


def angle_off_line(probe_bearing_deg, line_bearing_deg):
    """Angle between a probe's lead and the line, whichever way the line is read.

    Parameters
    ----------
    probe_bearing_deg, line_bearing_deg : float or array
        Directions [°], true north, clockwise.

    Returns
    -------
    float or array
        0 (along the line) to 90 (across it) [°].

    Examples
    --------
    >>> print(angle_off_line(300.0, 30.0), angle_off_line(200.0, 30.0))
    90.0 10.0
    """
    angle = np.mod(np.subtract(probe_bearing_deg, line_bearing_deg), 180.0)
    return np.minimum(angle, 180.0 - angle)


def local_crs(latitude_deg, longitude_deg):
    """Projected coordinate system, in metres, to draw a line that passes a place.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        WGS 84 [°].

    Returns
    -------
    pyproj.CRS
        The UTM zone with its exceptions off Norway and Svalbard; beyond 84° N and 80° S the polar
        stereographic UPS, with easting before northing.

    References
    ----------
    NGA.SIG.0012, The universal grids and the transverse Mercator and polar stereographic map projections
    (2014): zones and exceptions *from memory*; EPSG dataset: codes 326zz, 327zz, 5041, 5042.

    Examples
    --------
    >>> print(local_crs(-1.3, 36.8), local_crs(60.4, 5.3))
    EPSG:32737 EPSG:32632
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


def nearest_span(latitude_deg, longitude_deg, route):
    """Span nearest to each place, how far it is, and where along the line.

    Parameters
    ----------
    latitude_deg, longitude_deg : array
        WGS 84 [°], such as those of located flashes.
    route : Route

    Returns
    -------
    DataFrame
        One row a place, with the index of `latitude_deg` if it has one: ``span_id``, ``distance_m``
        (geodesic, to the foot on the span), ``chainage_m`` (of the foot). Blank without position or span.

    Notes
    -----
    The foot is found on the grid of ``route.crs``, whose scale hardly changes over a span; the distance is
    measured on the ellipsoid.
    """
    latitude, longitude = np.atleast_1d(latitude_deg), np.atleast_1d(longitude_deg)
    found = pd.DataFrame(
        {"span_id": pd.Series(pd.NA, range(latitude.size), "str"), "distance_m": np.nan, "chainage_m": np.nan}
    )
    places = _points(latitude, longitude, route.crs)
    known = np.flatnonzero(~shapely.is_empty(places))
    drawn = np.flatnonzero(~route.spans.geometry.is_empty)
    if known.size and drawn.size:
        lines = route.spans.geometry.to_numpy()
        nearest = drawn[shapely.STRtree(lines[drawn]).nearest(places[known])]
        share = shapely.line_locate_point(lines[nearest], places[known], normalized=True)
        foot = shapely.line_interpolate_point(lines[nearest], share, normalized=True)
        foot = gpd.GeoSeries(foot, crs=route.crs).to_crs(4326)
        span = route.spans.iloc[nearest].reset_index(drop=True)
        found.loc[known, "span_id"] = span["span_id"].to_numpy()
        found.loc[known, "distance_m"] = ELLIPSOID.inv(longitude[known], latitude[known], foot.x, foot.y)[2]
        found.loc[known, "chainage_m"] = (span["from_chainage_m"] + share * span["length_m"]).to_numpy()
    return found.set_axis(latitude_deg.index) if isinstance(latitude_deg, pd.Series) else found


def _checked(towers):
    """Columns in use, sorted by name so that the order of the rows in the file never matters."""
    if towers.empty:
        raise RecordsError(
            "towers.csv: no tower. Give one row a tower: tower_id, latitude_deg, longitude_deg."
        )
    register = towers.reindex(columns=["tower_id", "latitude_deg", "longitude_deg", "sequence"])
    name = register["tower_id"]
    if (blank := name.isna() | (name.astype("str").str.strip() == "")).any():
        raise RecordsError(f"towers.csv: tower_id is blank in {blank.sum()} row(s). Name every tower.")
    register = register.astype({"tower_id": "str"}).astype(dict.fromkeys(register.columns[1:], float))
    keys = register["tower_id"].map(_natural).to_list()
    register = register.iloc[sorted(range(len(keys)), key=keys.__getitem__)]
    twice = register["tower_id"].duplicated(keep=False)
    lost = ~(register["latitude_deg"].abs().le(90.0) & np.isfinite(register["longitude_deg"]))
    tied = register["sequence"].notna() & register["sequence"].duplicated(keep=False)
    for wrong, what in (
        (twice, "tower_id is used more than once: {}. Give every tower its own name"),
        (
            lost,
            "latitude_deg or longitude_deg is missing or out of range at tower {}. Mend it or drop the row",
        ),
        (tied, "sequence has one number more than once: {}. Number each tower once, or leave it blank"),
    ):
        if wrong.any():
            raise RecordsError(f"towers.csv: {what.format(_listed(_tied_label(register[wrong])))}.")
    return register.reset_index(drop=True)


def _tied_label(register):
    """Towers with their sequence number, where they have one."""
    numbered = zip(register["tower_id"], register["sequence"], strict=True)
    return [name if np.isnan(place) else f"{name} (sequence {place:g})" for name, place in numbered]


def _natural(name):
    """Sort key: T2 before T10; text of equal rank, such as 12 and 012, by its characters."""
    return [int(part) if part.isdecimal() else part.casefold() for part in re.split(r"(\d+)", name)], name


def _listed(names, most=8):
    """Names for a sentence, a long list cut short."""
    names = list(names)
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _compass(angle_deg):
    """Angle as 0 <= bearing < 360; twice, because -1e-17 becomes 360 the first time."""
    return np.mod(np.mod(angle_deg, 360.0), 360.0)


# Order


def _order(register, line):
    """Rows of the register in route order, and what to say about how it was found."""
    sequence = register["sequence"].to_numpy()
    given = np.flatnonzero(~np.isnan(sequence))
    given = given[np.argsort(sequence[given])]
    if given.size == len(register):
        return given, []
    if len(register) == 1:
        return np.array([0]), []
    xyz = _cartesian(register["latitude_deg"], register["longitude_deg"])
    if given.size > 1:
        blank = register.loc[np.isnan(sequence), "tower_id"]
        remark = (
            f"The sequence number is blank for {blank.size} of {len(register)} towers ({_listed(blank)}):"
            " each was put where it adds the least length. Check them against the tower schedule."
        )
        return _shortest_path(xyz, given), [remark]
    blank = "all but one" if given.size else "all"
    remark = (
        f"The order of the {len(register)} towers was found from their positions (the shortest path through"
        f" all of them): the sequence number is blank for {blank}. Check it against the tower schedule."
    )
    path, direction = _directed(_shortest_path(xyz, given[:0]), register, line)
    return path, [remark, direction]


def _directed(path, register, line):
    """Path turned to start at the first station, and a sentence on how that was decided."""
    misfit = _station_misfit_m(register.iloc[path], line)
    if misfit is None:
        first, last = register["tower_id"].iloc[path[[0, -1]]]
        path = path if _natural(first) < _natural(last) else path[::-1]
        why = (
            "the end whose name comes first. Give the position of a station in line.toml, or sequence"
            " numbers, to be sure of the direction."
        )
    else:
        path = path if misfit <= 0 else path[::-1]
        why = "the end that fits the station positions in line.toml."
    return path, f"The route starts at tower {register['tower_id'].iloc[path[0]]}, {why}"


def _stations(line):
    """Stations whose position is known: (0 for first or -1 for last, name, xyz)."""
    found = []
    for end, which in ((0, "first"), (-1, "last")):
        station = getattr(line.stations, which, None)
        latitude, longitude = (getattr(station, f"{axis}_deg", None) for axis in ("latitude", "longitude"))
        if latitude is not None and longitude is not None:
            name = getattr(station, "name", None) or f"the {which} station"
            found.append((end, name, _cartesian(latitude, longitude)))
    return found


def _station_misfit_m(laid, line):
    """How much nearer to the stations the ends were the other way round; None without station positions."""
    ends = _cartesian(laid["latitude_deg"].iloc[[0, -1]], laid["longitude_deg"].iloc[[0, -1]])
    gaps = [np.linalg.norm(ends[[end, -1 - end]] - xyz, axis=1) for end, _, xyz in _stations(line)]
    return sum(own - other for own, other in gaps) if gaps else None


def _shortest_path(xyz, given):
    """Short open path through all points that keeps the order of the `given` ones.

    Straight distances serve to compare: unlike degrees they know no antimeridian and no pole. One more point,
    at no distance from all others, closes the path to a tour, so that its ends need no rules of their own.
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


def _backbone(distance):
    """Longest path in the minimum spanning tree: most of a line in its order."""
    from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

    # One metre more on each edge changes no tree, and keeps towers at one place from counting as not joined.
    tree = minimum_spanning_tree(distance + 1.0)
    start = np.argmax(dijkstra(tree, directed=False, indices=0))
    reach, came_from = dijkstra(tree, directed=False, indices=start, return_predecessors=True)
    path = [np.argmax(reach)]
    while path[-1] != start:
        path.append(came_from[path[-1]])
    return np.array(path)


def _with_the_rest(tour, distance):
    """Tour with every missing point put in where it adds the least length, the nearest point first."""
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


def _with_stretches_reversed(tour, distance, kept):
    """Tour after reversing every stretch that shortens it, and whether there was one.

    A stretch with two points of given order is left alone.
    """
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


def _with_stretches_moved(tour, distance, kept, longest=3):
    """Tour after moving every short stretch that fits better elsewhere, and whether there was one."""
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


# Measures on the ellipsoid


def _measured(register):
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
    offset[1:-1] = _off_chord(*_Ground.under(register).beside(rows[1:-1], rows[:-2], rows[2:]))
    measured = register[["tower_id", "latitude_deg", "longitude_deg"]].assign(
        chainage_m=np.concatenate([[0.0], np.cumsum(length)]),
        span_ahead_m=np.append(length, np.nan),
        bearing_deg=bearing,
        deviation_deg=deviation,
        offset_m=offset,
    )
    return measured, leaving


def _cartesian(latitude_deg, longitude_deg):
    """Geocentric x, y, z [m] of places on the ellipsoid, in the last axis."""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    normal = ELLIPSOID.a / np.sqrt(1.0 - ELLIPSOID.es * np.sin(latitude) ** 2)
    across = normal * np.cos(latitude)
    up = normal * (1.0 - ELLIPSOID.es) * np.sin(latitude)
    return np.stack([across * np.cos(longitude), across * np.sin(longitude), up], axis=-1)


@dataclass(frozen=True)
class _Ground:
    """Towers in space, with the directions east and north at each: a plane to look around from."""

    xyz: np.ndarray
    east: np.ndarray
    north: np.ndarray

    @classmethod
    def under(cls, register):
        """Ground under the towers of a table."""
        latitude, longitude = np.radians(register["latitude_deg"]), np.radians(register["longitude_deg"])
        east = np.stack([-np.sin(longitude), np.cos(longitude), np.zeros(len(register))], axis=-1)
        inward = -np.sin(latitude)
        north = np.stack([inward * np.cos(longitude), inward * np.sin(longitude), np.cos(latitude)], axis=-1)
        return cls(_cartesian(register["latitude_deg"], register["longitude_deg"]), east, north)

    def beside(self, here, *others):
        """Other towers as seen from towers `here`: east + j·north [m] on the plane that touches there."""
        steps = [self.xyz[there] - self.xyz[here] for there in others]
        return [(step * self.east[here]).sum(-1) + 1j * (step * self.north[here]).sum(-1) for step in steps]


def _off_chord(one, other):
    """Distance [m] from the origin to the stretch between two points of the plane."""
    chord = other - one
    share = -(one * chord.conj()).real / np.maximum(np.abs(chord) ** 2, 1e-12)
    return np.abs(one + np.clip(share, 0.0, 1.0) * chord)


def _off_straight(one, other):
    """Distance [m] from the origin to the straight through two points of the plane; inf if they are one."""
    apart = np.abs(other - one)
    return np.where(apart > 0.0, np.abs((one.conj() * other).imag) / np.maximum(apart, 1e-6), np.inf)


def _turn_deg(before, after):
    """Turn at the origin [°] of a walk that comes from one point of the plane and goes on to another."""
    return -np.degrees(np.angle(-after * before.conj()))


# Towers whose place is in doubt


def _strays(ground):
    """Towers off the route, one row each, indexed by their place in the route; columns as in `_judged`.

    The worst tower of each neighbourhood is taken out and the rest judged again: so no tower is blamed for
    the position of the one beside it. What counts as far off depends on what this line does elsewhere.
    """
    standing, strays = np.arange(len(ground.xyz)), []
    aside_m, back_m, back_deg = np.inf, number("route_off_m"), number("route_turn_back_deg")
    while standing.size > 2:
        judged = _judged(ground, standing)
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
        standing = np.setdiff1d(standing, worst.index)
    return pd.concat(strays).sort_index() if strays else pd.DataFrame()


def _far_off_m(offset_m):
    """How far off a tower of this line has to be before it is questioned."""
    usual = offset_m.median()
    deviation = 1.4826 * (offset_m - usual).abs().median()  # the standard deviation, if it were a normal one
    return max(number("route_off_m"), usual + number("route_off_spreads") * deviation)


def _judged(ground, standing):
    """How each tower lies to the two before and the two after it.

    A sound tower is near one of three straights: the chord of its neighbours or, where the line has an angle,
    the straight through the two towers before or after it. A stray one is off all three, and once it is left
    out its neighbours are in line with the tower beyond.
    """
    here, before, after = standing[1:-1], standing[:-2], standing[2:]
    # Past an end there is no second tower: the first stands in, and gives no straight.
    before2, after2 = np.append(standing[:1], standing[:-3]), np.append(standing[3:], standing[-1:])
    one, other, one2, other2 = ground.beside(here, before, after, before2, after2)
    offset = _off_chord(one, other)
    in_line = number("route_in_line_deg")
    straight_before = np.abs(_turn_deg(*ground.beside(before, before2, after))) < in_line
    straight_after = np.abs(_turn_deg(*ground.beside(after, before, after2))) < in_line
    columns = {
        "before": before,
        "after": after,
        "offset_m": offset,
        "off_all_m": np.min([offset, _off_straight(one2, one), _off_straight(other, other2)], axis=0),
        "in_line_without": (straight_before & (before2 != before)) | (straight_after & (after2 != after)),
        "turn_deg": _turn_deg(one, other),
        "detour_m": np.abs(one) + np.abs(other) - np.abs(other - one),
    }
    return pd.DataFrame(columns, index=here)


def _place_remarks(measured, strays, *, sequenced):
    """Questions on the place of each tower, in words; blank where there is none."""
    name, questions = measured["tower_id"], [[] for _ in range(len(measured))]
    for row, twin, apart in _same_place(measured):
        questions[row].append(
            f"Stands at the place of tower {name[twin]} ({apart:.1f} m apart): is one position a copy of the"
            " other, or is one tower on record twice?"
        )
    place = "sequence number" if sequenced else "place in the order"
    length, usual = measured["span_ahead_m"], measured["span_ahead_m"].median()
    for stray in strays.itertuples():
        between = f"between towers {name[stray.before]} and {name[stray.after]}"
        if not stray.aside:
            question = (
                f"The line turns back here (by {abs(stray.turn_deg):.0f}°), {stray.offset_m:.0f} m from the"
                f" stretch {between}: are position and {place} of these three towers right?"
            )
        elif stray.offset_m > usual:
            question = (
                f"Lies {stray.offset_m:.0f} m off the straight {between}: are position and {place} right?"
            )
        else:
            question = f"Lies {stray.offset_m:.0f} m off the straight {between}: is the position right?"
        questions[stray.Index].append(question)
    for row in _long_spans(length, strays.index):
        for here, there, way in ((row, row + 1, "to"), (row + 1, row, "from")):
            questions[here].append(
                f"The span {way} tower {name[there]} is {length[row]:.0f} m long, where {usual:.0f} m is"
                " usual: are towers missing between them, is a position wrong, or is it a long crossing?"
            )
    return [" ".join(sentences) for sentences in questions]


def _same_place(measured):
    """Towers that stand where another one stands: (row, row of the other, distance [m])."""
    from scipy.spatial import KDTree

    if len(measured) < 2:
        return []
    xyz = _cartesian(measured["latitude_deg"], measured["longitude_deg"])
    apart, nearest = KDTree(xyz).query(xyz, k=2)
    rows = np.flatnonzero(apart[:, 1] < number("route_same_place_m"))
    # Of two points at one place either may come first in the answer.
    return [
        (row, nearest[row, 1] if nearest[row, 0] == row else nearest[row, 0], apart[row, 1]) for row in rows
    ]


def _long_spans(length_m, stray_rows):
    """Rows of the towers before a span that is long for this line, unless a stray tower is why."""
    long = length_m > max(number("route_long_span_m"), number("route_long_span_ratio") * length_m.median())
    rows = np.flatnonzero(long)
    return rows[~np.isin(rows, stray_rows) & ~np.isin(rows + 1, stray_rows)]


def _doubt_remarks(measured):
    """Sentences on what the route as a whole leaves open."""
    doubtful = measured.loc[measured["place_remark"] != "", "tower_id"]
    remarks = []
    if doubtful.size:
        remarks.append(
            f"Place in question at {doubtful.size} of {len(measured)} towers: {_listed(doubtful)}."
            " Nothing was moved: chainage and bearings there follow the positions on record."
        )
    if doubtful.size > max(4, len(measured) / 5):
        remarks.append("So many at once point to the order or to the file rather than to single towers.")
    if len(measured) == 1:
        remarks.append("There is one tower only: no span, no direction of the line and none for the probes.")
    elif (none := measured.loc[measured["bearing_deg"].isna(), "tower_id"]).size:
        remarks.append(
            f"No direction of the line, and none for the probes, at towers {_listed(none)}: two at one place."
        )
    return remarks


def _station_remarks(measured, line):
    """Stations that the route does not reach, or reaches the wrong way round."""
    remarks = []
    if len(measured) > 1 and (_station_misfit_m(measured, line) or 0.0) > 0.0:
        remarks.append(
            "By the station positions in line.toml the route runs the other way: does the sequence count from"
            " the last station, or are the stations exchanged?"
        )
        return remarks
    limit = max(
        number("route_long_span_m"), number("route_long_span_ratio") * measured["span_ahead_m"].median()
    )
    for end, station, xyz in _stations(line):
        tower = measured.iloc[end]
        gap = np.linalg.norm(_cartesian(tower["latitude_deg"], tower["longitude_deg"]) - xyz)
        if gap > limit:
            remarks.append(
                f"Tower {tower['tower_id']}, the {'first' if end == 0 else 'last'} one, is {gap:.0f} m from"
                f" {station}: are towers missing there, or is a position wrong?"
            )
    return remarks


# Drawing


def _drawing_crs(asked, standing):
    """Coordinate system to draw in, and what to say about it; the middle tower decides."""
    middle = standing.iloc[len(standing) // 2]
    local = local_crs(middle["latitude_deg"], middle["longitude_deg"])
    if asked is None:
        return local, [
            f"Maps are drawn in {local.name} ({local.to_string()}), which fits tower {middle['tower_id']} in"
            " the middle of the line; lengths and bearings do not depend on it."
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
            f"The line lies outside the area that {asked} ({crs.name}) is made for: is crs in line.toml"
            f" right? Here {local.to_string()} ({local.name}) fits. Only maps depend on it."
        ]
    return crs, []


def _near_area(tower, bounds, margin_deg=3.0):
    """Whether a tower is in an area or half a UTM zone beside it; areas may cross the antimeridian."""
    west, south, east, north = bounds
    width = (east - west) % 360.0 or 360.0
    beside = (tower["longitude_deg"] - west + margin_deg) % 360.0 <= width + 2 * margin_deg
    return beside and south - margin_deg <= tower["latitude_deg"] <= north + margin_deg


def _points(latitude_deg, longitude_deg, crs):
    """Points on the grid, empty where there is no position or the grid does not reach."""
    points = gpd.GeoSeries(gpd.points_from_xy(longitude_deg, latitude_deg), crs=4326).to_crs(crs)
    points[~(np.isfinite(points.x) & np.isfinite(points.y))] = shapely.Point()
    return points.to_numpy()


def _drawn(measured, crs):
    """Towers as points on the grid, and which of them it does not reach."""
    points = _points(measured["latitude_deg"], measured["longitude_deg"], crs)
    laid = gpd.GeoDataFrame(measured, geometry=points, crs=crs)
    beyond = laid.loc[laid.geometry.is_empty, "tower_id"]
    if beyond.empty:
        return laid, []
    return laid, [
        f"Too far off to be drawn in {crs.to_string()}: tower {_listed(beyond)}. Is the position right?"
    ]


def _spans(laid, bearing_deg):
    """One row a span, as a straight on the grid; an empty line where a tower could not be drawn."""
    here, there = laid.iloc[:-1].reset_index(drop=True), laid.iloc[1:].reset_index(drop=True)
    xy = np.stack([laid.geometry.x, laid.geometry.y], axis=-1)
    drawn = np.isfinite(xy[:-1]).all(axis=1) & np.isfinite(xy[1:]).all(axis=1)
    lines = np.full(len(here), shapely.LineString(), object)
    lines[drawn] = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)[drawn])
    columns = {
        "span_id": here["tower_id"] + " – " + there["tower_id"],
        "from_tower_id": here["tower_id"],
        "to_tower_id": there["tower_id"],
        "from_chainage_m": here["chainage_m"],
        "to_chainage_m": there["chainage_m"],
        "length_m": here["span_ahead_m"],
        "bearing_deg": bearing_deg,
    }
    return gpd.GeoDataFrame(columns, geometry=lines, crs=laid.crs)
