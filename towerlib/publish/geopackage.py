"""The line as a GeoPackage: towers with their condition, spans, and the route."""

import pandas as pd

LAYERS = ("towers", "spans", "route")


def write(route, priority, path, suspicion=None):
    """Write the three layers of a line, in the projected coordinate system of its route.

    Parameters
    ----------
    route : Route
        Towers and spans.
    priority : pandas.DataFrame
        Joined to the towers by tower_id.
    path : path
        ``.gpkg``; an existing file is replaced.
    suspicion : pandas.DataFrame, optional
        What is suspected of each span, joined by from_tower_id and to_tower_id.

    Notes
    -----
    The layer "route" is one line through all towers. A line of one tower has no spans and no route: both layers
    are there and empty.
    """
    import geopandas
    import pyogrio
    from shapely.geometry import LineString

    places = route.towers.drop(columns=["latitude_deg", "longitude_deg"])
    towers = places.merge(priority, on="tower_id", validate="1:1")
    towers = geopandas.GeoDataFrame(towers, geometry="geometry", crs=route.crs)
    ends = ["from_tower_id", "to_tower_id"]
    spans = route.spans
    if suspicion is not None:
        told = suspicion.drop(columns=[name for name in suspicion if name in spans and name not in ends])
        spans = spans.merge(told, on=ends, how="left", validate="1:1")
    points = list(route.towers.geometry)
    whole = {"line_id": [priority["line_id"].iloc[0]], "length_km": [route.length_m / 1000]}
    line = geopandas.GeoDataFrame(
        whole, geometry=[LineString(points) if len(points) > 1 else None], crs=route.crs
    )
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options(
        {"OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z"}
    )  # same input, same bytes
    for name, layer, shape in (
        ("towers", towers, "Point"),
        ("spans", spans, "LineString"),
        ("route", line[line.geometry.notna()], "LineString"),
    ):
        pyogrio.write_dataframe(
            _plain(layer), path, layer=name, driver="GPKG", geometry_type=shape, append=path.exists()
        )


def _plain(layer):
    """Columns in types that a GeoPackage has: nullable numbers as floats."""
    nullable = [
        name
        for name in layer
        if isinstance(layer[name].dtype, pd.Int64Dtype | pd.Float64Dtype | pd.BooleanDtype)
    ]
    return layer.astype(dict.fromkeys(nullable, float))
