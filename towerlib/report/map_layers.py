"""What a map of a line shows: context layers, route, stations, towers by class, suspected spans.

Places are in the projected coordinate system of the route. The explorer and the page of a line take their places from
here too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.lines import Line2D
from matplotlib.path import Path as Outline
from pyproj import Transformer
from shapely import get_coordinates, get_parts, is_empty
from shapely.geometry.polygon import orient

from towerlib.errors import RecordsError
from towerlib.records import gis, sources
from towerlib.report import layout, map_elements, style, tower_marks
from towerlib.text import listed

if TYPE_CHECKING:
    import geopandas as gpd
    from matplotlib.axes import Axes
    from pyproj import CRS

    from towerlib.config import Line
    from towerlib.route import Route


def layers(folder: str | Path) -> list[gpd.GeoDataFrame]:
    """Every layer with geometry of the GeoPackages in the folder ``context`` of a line; its name in ``attrs["name"]``.

    Files in alphabetical order; none where there is no such folder. Raises `RecordsError` where a file cannot be read.

    >>> layers("a folder without context")
    []
    """
    folder = Path(folder)
    return [layer for path in sources.context(folder) for layer in _read(path, folder)]


def _read(path, folder):
    """Layers of one file, through the same door as every file of a line folder."""
    try:
        found = gis.read_layers(path, folder, _with_geometry, columns=[])
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    except Exception as flaw:  # the errors of GDAL, SQLite and Shapely have no parent in common
        mend = "save it again as GeoPackage or take it out of the folder"
        raise RecordsError(f"{path} cannot be read as a GeoPackage; {mend}") from flaw
    for name, layer in found.items():
        layer.attrs["name"] = name
    return cast("list[gpd.GeoDataFrame]", list(found.values()))


def _with_geometry(layers):
    """Names of the layers that can be drawn."""
    return [name for name, shape in layers if shape is not None]


BEYOND = 0.25  # a doubtful place further off the rest than this part of their extent stays outside the frame

NEEDED = [
    *("impedance_class", "footing_ohm", "lower_bound_ohm", "impedance_rank", "target_ohm", "limit_ohm"),
    *("gap_fraction", "gap_rank", "ring", "footing_date", "leakage_date"),
]


def placed(route: Route, condition: pd.DataFrame, by: str) -> pd.DataFrame:
    """Towers of the route with their place on the grid, and what the map shows of each.

    Adds ``x``, ``y`` [m], ``kind`` (a key of `style.CLASSES` or `style.GAPS`), ``value``, ``words``, ``rank`` and
    ``circled`` (a ring joins the legs). `by`: ``impedance`` or ``gap``. The condition may have no columns.
    """
    places = pd.DataFrame(route.towers[["tower_id", "chainage_m", "place_remark"]])
    places = places.assign(x=route.towers.geometry.x, y=route.towers.geometry.y)
    known = condition if len(condition.columns) else condition.reindex(columns=["tower_id", *NEEDED])
    towers = places.merge(known[["tower_id", *NEEDED]], on="tower_id", how="left", validate="1:1")
    if by == "impedance":
        valued = tower_marks.with_value(towers)
        return valued.assign(value=valued["value_ohm"], rank=valued["impedance_rank"], circled=False)
    return _by_gap(towers)


def _by_gap(towers):
    """Towers with their class of the gap fraction."""
    value = towers["gap_fraction"].astype("float64")
    starts = [start for start, _ in style.GAPS.values()][1:]
    place = np.searchsorted(starts, value.fillna(0), side="right") * value.notna()
    circled = towers["ring"].astype("boolean").fillna(False).astype(bool)
    kind, words = np.array(list(style.GAPS))[place], value.map("{:.2f}".format)
    return towers.assign(kind=kind, value=value, words=words, rank=towers["gap_rank"], circled=circled)


def framed(towers: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Towers inside the frame, and remarks on those without a place or far off with a place in doubt."""
    nowhere = towers["x"].isna() | towers["y"].isna()
    sure = towers[~nowhere & (towers["place_remark"].fillna("") == "")]
    sure = towers[~nowhere] if sure.empty else sure
    if sure.empty:
        return cast("pd.DataFrame", sure), []
    reach = BEYOND * _extent(sure)
    near = towers["x"].between(sure["x"].min() - reach, sure["x"].max() + reach)
    near &= towers["y"].between(sure["y"].min() - reach, sure["y"].max() + reach)
    far, lost = towers.loc[~nowhere & ~near, "tower_id"], towers.loc[nowhere, "tower_id"]
    return cast("pd.DataFrame", towers[near]), [
        f"Outside the frame, place in doubt: {listed(far)}." if len(far) else "",
        f"Not drawn, no position: {listed(lost)}." if len(lost) else "",
    ]


def _extent(towers):
    """Larger side of the box that the towers take, at least 4 km [m]."""
    return max(np.ptp(towers["x"]), np.ptp(towers["y"]), 4000)


def stations(towers: pd.DataFrame, crs: CRS, line: Line) -> tuple[pd.DataFrame, list[str]]:
    """Both stations, at their own place or else at the tower of their end; and remarks on doubtful positions.

    Two rows: ``name``, ``x``, ``y``, and the tower of their end ``end_x``, ``end_y`` [m].
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


LEAST_PT = 7  # of a tower that labels keep clear of, however small its marker


def draw_context(axes: Axes, context: Sequence[gpd.GeoDataFrame], crs: CRS) -> list[Line2D]:
    """Layers under the line (changes the axes); legend entries of those with a name."""
    handles, placed = [], [layer for layer in context if _has_place(layer)]
    for number, layer in enumerate(placed):
        colour = style.CONTEXT[number % len(style.CONTEXT)]
        parts = get_parts(layer.to_crs(crs).geometry.dropna().to_numpy())
        _draw_parts(axes, get_parts(parts), colour)  # twice: a collection can hold a multipolygon
        if layer.attrs.get("name"):
            name = layout.shortened(layer.attrs["name"], map_elements.SIDE_MM - 16)
            handles.append(Line2D([], [], color=colour, linewidth=2.5, label=name))
    return handles


def _draw_parts(axes, parts, colour):
    """Draw the areas, the lines and the points of a layer, each as one artist: layers can have thousands."""
    parts = parts[~is_empty(parts)]
    shape = np.array([part.geom_type for part in parts], dtype=object)
    areas = [_outline(part) for part in parts[shape == "Polygon"]]
    lines = [get_coordinates(part) for part in parts[np.isin(shape, ["LineString", "LinearRing"])]]
    points = get_coordinates(parts[shape == "Point"])
    looks = {"facecolors": colour, "edgecolors": "none", "alpha": 0.5, "zorder": 0}
    axes.add_collection(PathCollection(areas, **looks), autolim=False)
    axes.add_collection(LineCollection(lines, colors=colour, linewidths=1.2, zorder=1), autolim=False)
    axes.plot(*points.T, linestyle="", marker="+", markersize=4, color=colour, zorder=1)


def _outline(polygon):
    """Outline of an area with its holes, which run the other way round: else they would be filled."""
    polygon = orient(polygon)
    rings = [Outline(get_coordinates(ring), closed=True) for ring in (polygon.exterior, *polygon.interiors)]
    return Outline.make_compound_path(*rings)


def unplaced(context: Iterable[gpd.GeoDataFrame]) -> list[str]:
    """Remark on context layers that have no CRS. Empty if every layer has one."""
    bare = sum(not _has_place(layer) for layer in context)
    return [f"Not drawn, context layers without a CRS: {bare}."] if bare else []


def _has_place(layer):
    """Whether a layer has a CRS tied to the earth; GeoPackages can say "undefined" in the form of one."""
    return layer.crs is not None and not layer.crs.is_engineering


def draw_route(axes: Axes, route: Route) -> np.ndarray:
    """Spans of the line (changes the axes). Boxes along the spans, for the labels [pixels of the figure]."""
    lines = [get_coordinates(span) for span in route.spans.geometry.dropna()]
    axes.add_collection(LineCollection(lines, colors=style.FAINT, linewidths=0.9, zorder=2), autolim=False)
    stretches = [stretch for line in lines for stretch in pairwise(axes.transData.transform(line))]
    points = [np.linspace(a, b, int(np.hypot(*(b - a)) / 4) + 2) for a, b in stretches]
    return layout.box_around(np.vstack(points), 3) if points else np.empty((0, 4))


def draw_suspected(axes: Axes, spans: gpd.GeoDataFrame, suspicion: pd.DataFrame | None) -> list[Line2D]:
    """Spans in which the shield wire is suspected (changes the axes).

    Legend entry; empty without a suspected span.
    """
    if suspicion is None or not bool(suspicion["span_scan"].eq("suspected").any()):
        return []
    suspected = suspicion.loc[suspicion["span_scan"] == "suspected", ["from_tower_id", "to_tower_id"]]
    shown = spans.dropna(subset="geometry").merge(
        suspected, on=["from_tower_id", "to_tower_id"], validate="1:1"
    )
    span = style.SPANS["suspected"]
    look = {"color": span.colour, "linewidth": 2.2, "linestyle": (0, (1.5, 1)), "zorder": 5}
    for line in shown.geometry:
        x, y = get_coordinates(line).T
        axes.plot(x, y, **look)
        axes.plot(x.mean(), y.mean(), marker="x", markersize=9, markeredgewidth=1.8, **look)
    return [Line2D([], [], marker="x", markersize=7, label=span.label, **look)]


def draw_towers(axes: Axes, towers: pd.DataFrame, by: str) -> tuple[list[Line2D], np.ndarray]:
    """Towers by class (changes the axes).

    `handles`: Legend entries. `covered`: Boxes of the markers, for the labels [pixels of the figure]. `by`:
    ``impedance`` or ``gap``.
    """
    size, covered = _size_pt(axes, towers), []
    looks = {name: look for name, (_, look) in style.GAPS.items()} if by == "gap" else style.CLASSES
    for order, (name, look) in enumerate(looks.items()):
        for circled, some in towers[towers["kind"] == name].groupby("circled"):
            title = f"{name}, circled" if circled else name
            mark = circled_mark(look.mark) if circled else look.mark
            style.dots(axes, some["x"], some["y"], mark, zorder=4 + 0.1 * order, name=title, size=size)
            covered.append(layout.box_of(axes, some["x"], some["y"], max(LEAST_PT, size * mark.size)))
    return _entries(towers, looks, by), np.vstack(covered)


def _size_pt(axes: Axes, towers: pd.DataFrame) -> float:
    """Diameter of a marker, as large as the spacing of the towers lets it be [pt]."""
    along_m = np.hypot(*np.diff(towers[["x", "y"]].to_numpy("float64"), axis=0).T).sum()
    return float(np.clip(72 / 25.4 * along_m / map_elements.m_per_mm(axes) / len(towers), 3.2, 5.5))


def circled_mark(mark: style.Mark) -> style.Mark:
    """The same mark with a circle round it."""
    return style.Mark(style.ringed(mark.shape), mark.colour, 1.8 * mark.size)


def _entries(towers: pd.DataFrame, looks: Mapping[str, style.Look], by: str) -> list[Line2D]:
    """Legend entries with the number of towers, worst first."""
    counts = towers["kind"].value_counts()
    labels = {name: look.label for name, look in looks.items()}
    labels |= {} if by == "gap" else tower_marks.class_labels(towers)
    entries = [
        style.entry(looks[name].mark, f"{labels[name]} ({counts.get(name, 0)})")
        for name in reversed([*looks])
    ]
    if by == "gap":
        ring = style.Mark(style.ringed("o"), "white", 1.6)
        entries.append(style.entry(ring, f"circled: {style.RING.label} ({towers['circled'].sum()})"))
    return entries
