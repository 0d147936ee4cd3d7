"""A projected grid against the earth: true north, and true lengths."""

import numpy as np
from pyproj import Geod, Transformer

ELLIPSOID = Geod(ellps="WGS84")


def convergence_deg(crs, x, y):
    """Angle from true north to grid north, clockwise: positive where grid north lies east.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected.
    x, y : float
        Place on the grid [m].

    Returns
    -------
    float
        [°].

    Examples
    --------
    >>> import pyproj
    >>> print(round(convergence_deg(pyproj.CRS("EPSG:32636"), 500000.0, 5000000.0), 6))
    0.0
    """
    globe = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = globe.transform(x, y)
    steps = latitude + np.array([-0.001, 0.001])
    east, north = globe.transform([longitude, longitude], steps, direction="INVERSE")
    return float(np.degrees(np.arctan2(east[0] - east[1], north[1] - north[0]))) + 0.0


def grid_metres(crs, x, y, true_m):
    """Length on the grid of a true length, from west to east about a place.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected.
    x, y : float
        Place on the grid [m].
    true_m : float
        Length on the ellipsoid [m].

    Returns
    -------
    float
        Length on the grid [m].

    Notes
    -----
    The length is scaled by what the same length on the grid measures on the WGS 84 ellipsoid.

    Examples
    --------
    >>> import pyproj
    >>> print(round(grid_metres(pyproj.CRS("EPSG:32636"), 500000.0, 5000000.0, 10000.0), 1))
    9996.0
    """
    globe = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = globe.transform([x - true_m / 2, x + true_m / 2], [y, y])
    return true_m * true_m / ELLIPSOID.inv(longitude[0], latitude[0], longitude[1], latitude[1])[2]


def words(crs, x, y):
    """Name and code of a grid, and how far its north lies off true north, in words.

    Parameters
    ----------
    crs : pyproj.CRS
        Projected.
    x, y : float
        Middle of the map on the grid [m].

    Returns
    -------
    str

    Examples
    --------
    >>> import pyproj
    >>> words(pyproj.CRS("EPSG:32636"), 600000.0, 5000000.0)
    'Grid: WGS 84 / UTM zone 36N (EPSG:32636); its north lies 0.90° east of true north at mid-map.'
    """
    code = ":".join(crs.to_authority() or ("no code",))
    turn = convergence_deg(crs, x, y)
    side = f"{abs(turn):.2f}° {'east' if turn > 0 else 'west'} of true north"
    return f"Grid: {crs.name} ({code}); its north lies {side} at mid-map."
