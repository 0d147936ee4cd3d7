"""Where towers, spans, stations and context layers stand on the map of the page: kilometres of the grid."""

import numpy as np
import pandas as pd

from towerlib.publish import map_layers, map_towers

DIGITS = 3  # of a kilometre: one metre
ROUND = 0.25  # of the extent of the line that context layers are kept around it
FINE = 2000  # parts of that extent below which a bend of a context layer is left out


def towers_placed(study):
    """Towers of the condition with their place.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    towers : pandas.DataFrame
        One row a tower in the order of the condition: tower_id, chainage_km, x, y [km]; no place where it is
        in doubt and far off the rest.
    stations : pandas.DataFrame
        name, x, y [km]; none where no tower has a place.
    remarks : list of str
        What is not drawn, and why.
    """
    placed = map_towers.placed(study.route, study.condition, "impedance")
    framed, remarks = map_towers.framed(placed)
    places = framed[["tower_id", "x", "y"]]
    towers = study.condition[["tower_id", "chainage_km"]].merge(
        places, on="tower_id", how="left", validate="1:1"
    )
    stations = pd.DataFrame(columns=["name", "x", "y"])
    if len(framed) and framed["chainage_m"].notna().any():
        stations, doubts = map_towers.stations(framed, study.route.crs, study.line)
        remarks = [*remarks, *doubts]
    return _kilometres(towers), _kilometres(stations), [remark for remark in remarks if remark]


def _kilometres(places):
    """Places in kilometres, to the metre."""
    return places.assign(
        **{axis: (places[axis].astype("float64") / 1000).round(DIGITS) for axis in ("x", "y")}
    )


def context_shapes(layers, towers, crs):
    """Context layers around the line, in numbers that a page can carry.

    Parameters
    ----------
    layers : list of geopandas.GeoDataFrame
        In any CRS.
    towers : pandas.DataFrame
        As `towers_placed` gives it.
    crs : pyproj.CRS
        Of the route.

    Returns
    -------
    shapes : list of dict
        One a layer that comes near: name, areas (xs and ys of the rings), lines, points [km].
    remarks : list of str
        Of layers without a place on the earth.
    """
    x, y = (towers[axis].dropna().to_numpy() * 1000 for axis in ("x", "y"))
    remarks = map_layers.unplaced(layers)
    if not len(x):
        return [], remarks
    extent = max(np.ptp(x), np.ptp(y), 4000)
    reach = ROUND * extent
    box = (x.min() - reach, y.min() - reach, x.max() + reach, y.max() + reach)
    bare = {id(layer) for layer in layers if map_layers.unplaced([layer])}
    shapes = [_shapes(layer, crs, box, extent / FINE) for layer in layers if id(layer) not in bare]
    return [shape for shape in shapes if shape["areas"] or shape["lines"] or shape["points"]], remarks


def _shapes(layer, crs, box, fine):
    """Areas, lines and points of one layer inside a box."""
    from shapely import get_parts, make_valid

    geometry = layer.to_crs(crs).geometry.dropna()
    geometry = geometry[~geometry.is_empty]
    near = geometry[geometry.intersects(_box(box))].to_numpy()
    cut = _cut(make_valid(near), box, fine)
    found = {"name": str(layer.attrs.get("name") or "context"), "areas": [], "lines": [], "points": []}
    for part in get_parts(get_parts(cut)):
        if part.is_empty:
            continue
        if part.geom_type == "Polygon":
            rings = [_numbers(ring) for ring in (part.exterior, *part.interiors)]
            found["areas"].append(([[xs for xs, _ in rings]], [[ys for _, ys in rings]]))
        elif part.geom_type in ("LineString", "LinearRing"):
            found["lines"].append(_numbers(part))
        elif part.geom_type == "Point":
            found["points"].append((round(part.x / 1000, DIGITS), round(part.y / 1000, DIGITS)))
    return found


def _box(box):
    """The box as an area."""
    from shapely import box as area

    return area(*box)


def _cut(shapes, box, fine):
    """Shapes inside the box without bends too small to be seen."""
    from shapely import intersection, simplify

    return simplify(intersection(shapes, _box(box)), fine)


def _numbers(line):
    """Easting and northing of a line [km]."""
    from shapely import force_2d, get_coordinates

    x, y = (get_coordinates(force_2d(line)) / 1000).round(DIGITS).T
    return x.tolist(), y.tolist()
