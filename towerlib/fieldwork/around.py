"""What lies around a line as far as files tell: its own spans, its stations, other lines, drawn layers."""

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd
import shapely

from towerlib import route
from towerlib.errors import TowerlibError
from towerlib.records.load import load
from towerlib.route.drawing import points_on_grid


@dataclass(frozen=True)
class Around:
    """What to keep clear of, on the grid of the route.

    Attributes
    ----------
    lines : GeoDataFrame
        ``name``, geometry, and ``tower_ids`` (towers at the ends of one of this line's own spans, else empty).
    stations : GeoDataFrame
        ``name``, geometry.
    crs : pyproj.CRS
    remarks : list of str
        What could not be read or is not known.
    """

    lines: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    crs: object
    remarks: list[str]


def neighbours(study, context=()):
    """Lines, stations and layers around a line.

    Parameters
    ----------
    study : Assessment
        Other line folders beside its own are read for their route.
    context : iterable of GeoDataFrame
        Layers with a coordinate system and their name in ``attrs["name"]``.

    Returns
    -------
    Around
    """
    own = study.route
    ends = zip(own.spans["from_tower_id"], own.spans["to_tower_id"], strict=True)
    rows = [("this line", geometry, pair) for geometry, pair in zip(own.spans.geometry, ends, strict=True)]
    stations, remarks = _stations(study.line), _unknown_stations(study.line)
    for folder in _beside(study.records.folder):
        try:
            records = load(folder)
            spans = route.lay(records.towers, records.line).spans.to_crs(own.crs)
        except TowerlibError as flaw:
            remarks.append(
                f"The line folder {folder.name} could not be read, so its place is not known: {flaw}"
            )
        else:
            rows += [(records.line.title, geometry, ()) for geometry in spans.geometry]
            stations += _stations(records.line)
    for layer in context:
        name = f"layer {layer.attrs.get('name', '')}"
        rows += [(name, geometry, ()) for geometry in _on_grid(layer, own.crs)]
    remarks.append(
        "Other lines, stations, fences, pipes, cables and buried metal are known here only as far as the line "
        "folders and drawn layers hold them: look round before laying a lead."
    )
    return Around(_table(rows, own.crs), _places(stations, own.crs), own.crs, remarks)


def _beside(folder):
    """Line folders beside that of the line."""
    folder = folder.resolve()
    entries = sorted(folder.parent.iterdir())
    return [entry for entry in entries if entry != folder and (entry / "line.toml").is_file()]


def _stations(line):
    """Name and position of the stations whose position is known."""
    both = (line.stations.first, line.stations.last)
    return [
        (station.name, station.latitude_deg, station.longitude_deg)
        for station in both
        if station.latitude_deg is not None and station.longitude_deg is not None
    ]


def _unknown_stations(line):
    """A remark on each station without position."""
    both = (("first", line.stations.first), ("last", line.stations.last))
    return [
        f"The position of the {end} station{f' ({station.name})' if station.name else ''} is not known: keep clear "
        f"of its earth grid at that end of the line."
        for end, station in both
        if station.latitude_deg is None or station.longitude_deg is None
    ]


def _on_grid(layer, crs):
    """Geometries of a layer; one without a coordinate system has no place."""
    return [] if layer.crs is None else list(layer.to_crs(crs).geometry)


def _table(rows, crs):
    """Geometries that can be measured to, with their names."""
    seen = [row for row in rows if row[1] is not None and not shapely.is_empty(row[1])]
    columns = {"name": [row[0] for row in seen], "tower_ids": [row[2] for row in seen]}
    return gpd.GeoDataFrame(columns, geometry=[row[1] for row in seen], crs=crs)


def _places(stations, crs):
    """Stations as points, each place once."""
    told = pd.DataFrame(stations, columns=["name", "latitude_deg", "longitude_deg"]).drop_duplicates()
    points = points_on_grid(told["latitude_deg"].to_numpy(float), told["longitude_deg"].to_numpy(float), crs)
    return gpd.GeoDataFrame({"name": told["name"].to_list()}, geometry=list(points), crs=crs)
