"""The grid that a line is drawn on."""

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from towerlib.errors import SettingsError
from towerlib.route.order import listed


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


def drawing_crs(asked, standing):
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


def points_on_grid(latitude_deg, longitude_deg, crs):
    """Points on the grid, empty where there is no position or the grid does not reach."""
    points = gpd.GeoSeries(gpd.points_from_xy(longitude_deg, latitude_deg), crs=4326).to_crs(crs)
    points[~(np.isfinite(points.x) & np.isfinite(points.y))] = shapely.Point()
    return points.to_numpy()


def drawn(measured, crs):
    """Towers as points on the grid, and which of them it does not reach."""
    points = points_on_grid(measured["latitude_deg"], measured["longitude_deg"], crs)
    laid = gpd.GeoDataFrame(measured, geometry=points, crs=crs)
    beyond = laid.loc[laid.geometry.is_empty, "tower_id"]
    if beyond.empty:
        return laid, []
    return laid, [
        f"Too far off to be drawn in {crs.to_string()}: tower {listed(beyond)}. Is the position right?"
    ]
