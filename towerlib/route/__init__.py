"""The route of a line: its towers in order, with chainage, spans, bearings and questions on their positions.

`lay` is the entry. Lengths and bearings are those of geodesics on the ellipsoid. A projected grid (`drawing_crs`) is
used for drawing only. `probe_bearings`, `angle_off_line` and `nearest_span` answer questions about a route.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from towerlib.errors import RecordsError, SettingsError
from towerlib.route import order as route_order
from towerlib.route.geometry import ELLIPSOID, Ground, off_chord
from towerlib.route.order import listed, natural, put_in_order
from towerlib.text import counted
from towerlib.values import number

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.config import Line

__all__ = ["Route", "angle_off_line", "lay", "local_crs", "nearest_span", "probe_bearings"]


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


def lay(towers: pd.DataFrame, line: Line) -> Route:
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
    >>> route = lay(towers, SimpleNamespace(crs=None, stations=None))
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
    strays = route_order.strays(Ground.under(register))
    measured["place_remark"] = route_order.place_remarks(
        measured, strays, sequenced=register["sequence"].notna().all()
    )
    crs, crs_remarks = drawing_crs(line.crs, measured.drop(index=strays.index))
    laid, undrawn = drawn(measured, crs)
    remarks += [
        *route_order.station_remarks(measured, line),
        *route_order.doubt_remarks(measured),
        *crs_remarks,
        *undrawn,
    ]
    return Route(laid, _spans(laid, span_bearing_deg), crs, float(measured["chainage_m"].iloc[-1]), remarks)


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


def _spans(laid: gpd.GeoDataFrame, bearing_deg: np.ndarray) -> gpd.GeoDataFrame:
    """One row per span, as a straight line on the grid; an empty line where a tower could not be drawn."""
    here, there = laid.iloc[:-1].reset_index(drop=True), laid.iloc[1:].reset_index(drop=True)
    xy = np.stack([laid.geometry.x, laid.geometry.y], axis=-1)
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
    return gpd.GeoDataFrame(columns, geometry=lines, crs=laid.crs)


def drawn(measured: pd.DataFrame, crs: CRS) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Towers as points on the grid, and the remark on those that it does not reach."""
    points = points_on_grid(measured["latitude_deg"], measured["longitude_deg"], crs)
    laid = gpd.GeoDataFrame(measured, geometry=points, crs=crs)
    beyond = laid.loc[laid.geometry.is_empty, "tower_id"]
    if beyond.empty:
        return laid, []
    return laid, [
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


def points_on_grid(latitude_deg: Any, longitude_deg: Any, crs: CRS) -> np.ndarray:
    """Points on the grid, empty without a position or beyond the reach of the grid."""
    points = gpd.GeoSeries(gpd.points_from_xy(longitude_deg, latitude_deg), crs=4326).to_crs(crs)
    points[~(np.isfinite(points.x) & np.isfinite(points.y))] = shapely.Point()
    return points.to_numpy()


def probe_bearings(bearing_deg: ArrayLike) -> tuple[Any, Any]:
    """Both directions across the line, left and right [°], for placing probes; NaN where the line has no bearing.

    >>> print(*probe_bearings(30.0))
    300.0 120.0
    """
    return _compass(np.subtract(bearing_deg, 90.0)), _compass(np.add(bearing_deg, 90.0))


def angle_off_line(probe_bearing_deg: ArrayLike, line_bearing_deg: ArrayLike) -> Any:
    """Angle between the lead to a probe and the line, either direction [°]: 0 along the line to 90 across it.

    >>> print(angle_off_line(300.0, 30.0), angle_off_line(200.0, 30.0))
    90.0 10.0
    """
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
