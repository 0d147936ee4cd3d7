"""What is drawn on a map, from the bottom up: context layers, spans, towers."""

from itertools import pairwise

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import LogNorm, Normalize
from matplotlib.lines import Line2D
from matplotlib.path import Path
from shapely import get_coordinates, get_parts, is_empty
from shapely.geometry.polygon import orient

from towerlib.publish import boxes, lettering, map_page, markers, style

LEAST_PT = 7  # of a tower that labels keep clear of, however small its marker


def draw_context(axes, context, crs):
    """Layers under the line (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of the map.
    context : list of geopandas.GeoDataFrame
        In any CRS; those without one are left out.
    crs : pyproj.CRS
        Of the map.

    Returns
    -------
    list of matplotlib.lines.Line2D
        Legend entries of the layers whose ``attrs["name"]`` is set.
    """
    handles, placed = [], [layer for layer in context if _has_place(layer)]
    for number, layer in enumerate(placed):
        colour = style.CONTEXT[number % len(style.CONTEXT)]
        parts = get_parts(layer.to_crs(crs).geometry.dropna().to_numpy())
        _draw_parts(axes, get_parts(parts), colour)  # twice: a collection can hold a multipolygon
        if layer.attrs.get("name"):
            name = lettering.shortened(layer.attrs["name"], map_page.SIDE_MM - 16)
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
    rings = [Path(get_coordinates(ring), closed=True) for ring in (polygon.exterior, *polygon.interiors)]
    return Path.make_compound_path(*rings)


def unplaced(context):
    """Remark on context layers that have no CRS.

    Parameters
    ----------
    context : list of geopandas.GeoDataFrame
        Layers.

    Returns
    -------
    list of str
        Empty if every layer has one.
    """
    bare = sum(not _has_place(layer) for layer in context)
    return [f"Not drawn, context layers without a CRS: {bare}."] if bare else []


def _has_place(layer):
    """Whether a layer has a CRS tied to the earth; GeoPackages can say "undefined" in the form of one."""
    return layer.crs is not None and not layer.crs.is_engineering


def draw_route(axes, route):
    """Spans of the line (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of the map.
    route : towerlib.route.Route
        Spans in the CRS of the map.

    Returns
    -------
    (n, 4) array
        Boxes along the spans, for the labels [pixels of the figure].
    """
    lines = [get_coordinates(span) for span in route.spans.geometry.dropna()]
    axes.add_collection(LineCollection(lines, colors=style.FAINT, linewidths=0.9, zorder=2), autolim=False)
    stretches = [stretch for line in lines for stretch in pairwise(axes.transData.transform(line))]
    points = [np.linspace(a, b, int(np.hypot(*(b - a)) / 4) + 2) for a, b in stretches]
    return boxes.around(np.vstack(points), 3) if points else np.empty((0, 4))


def draw_suspected(axes, spans, suspicion):
    """Spans in which the shield wire is suspected (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of the map.
    spans : geopandas.GeoDataFrame
        Spans of the route in the CRS of the map.
    suspicion : pandas.DataFrame or None
        Spans with span_scan, as `towerlib.network.assess` gives them.

    Returns
    -------
    list of matplotlib.lines.Line2D
        Legend entry; empty without a suspected span.
    """
    if suspicion is None or not suspicion["span_scan"].eq("suspected").any():
        return []
    told = suspicion.loc[suspicion["span_scan"] == "suspected", ["from_tower_id", "to_tower_id"]]
    shown = spans.dropna(subset="geometry").merge(told, on=["from_tower_id", "to_tower_id"], validate="1:1")
    look = {"color": style.ALARM, "linewidth": 2.2, "linestyle": (0, (1.5, 1)), "zorder": 5}
    for line in shown.geometry:
        x, y = get_coordinates(line).T
        axes.plot(x, y, **look)
        axes.plot(x.mean(), y.mean(), marker="x", markersize=9, markeredgewidth=1.8, **look)
    return [Line2D([], [], marker="x", markersize=7, label="shield wire: inspect this span", **look)]


def draw_towers(axes, towers, by):
    """Towers by kind, coloured by value (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of the map.
    towers : pandas.DataFrame
        Towers inside the frame, as `map_towers.placed` gives them.
    by : str
        ``impedance`` or ``gap``.

    Returns
    -------
    handles : list of matplotlib.lines.Line2D
        Legend entries.
    colours : matplotlib.cm.ScalarMappable
        Colours of the values.
    covered : (n, 4) array
        Boxes of the markers, for the labels [pixels of the figure].
    """
    colours, size, covered = _colours(towers, by), _size_pt(axes, towers), []
    scale = {"cmap": colours.cmap, "norm": colours.norm, "plotnonfinite": True}
    marks = {name: mark for name, (_, mark) in markers.BANDS.items()} if by == "gap" else markers.MARKS
    for order, (name, mark) in enumerate(marks.items()):
        for circled, some in towers[towers["kind"] == name].groupby("circled"):
            title = f"{name}, circled" if circled else name
            shape = _circled(mark) if circled else mark
            looks = {"zorder": 4 + 0.1 * order, "name": title, "size": size}
            looks |= scale | {"c": some["value"]} if some["value"].notna().any() else {}
            markers.dots(axes, some["x"], some["y"], shape, **looks)
            covered.append(boxes.of(axes, some["x"], some["y"], max(LEAST_PT, size * shape.size)))
    return _entries(towers, marks, by), colours, np.vstack(covered)


def _size_pt(axes, towers):
    """Diameter of a marker, as large as the spacing of the towers lets it be [pt]."""
    along_m = np.hypot(*np.diff(towers[["x", "y"]].to_numpy("float64"), axis=0).T).sum()
    return float(np.clip(72 / 25.4 * along_m / map_page.m_per_mm(axes) / len(towers), 3.2, 5.5))


def _circled(mark):
    """The same mark with a circle round it."""
    return markers.Mark(markers.ringed(mark.shape), mark.colour, 1.8 * mark.size)


def _entries(towers, marks, by):
    """Legend entries with the number of towers, worst first."""
    counts, limits = towers["kind"].value_counts(), {} if by == "gap" else _limit_words(towers)
    names = {name: f"{name}{limits.get(name, '')} ({counts.get(name, 0)})" for name in reversed(marks)}
    entries = [markers.entry(marks[name], words) for name, words in names.items()]
    if by == "gap":
        ring = markers.Mark(markers.ringed("o"), "white", 1.6)
        entries.append(markers.entry(ring, f"circled: ring joins the legs ({towers['circled'].sum()})"))
    return entries


def _limit_words(towers):
    """Value of target and limit behind the classes they bound, where all towers share them."""
    words = {}
    for name, column in {"good": "target_ohm", "acceptable": "limit_ohm"}.items():
        ohm = towers[column].astype("float64").dropna().unique()
        words[name] = f", up to {lettering.plain(ohm[0])} Ω" if len(ohm) == 1 else ""
    return words


def _colours(towers, by):
    """Colour of a value: from no gap to all gap, or on a logarithmic scale over all impedances and limits."""
    if by == "gap":
        return ScalarMappable(Normalize(0, 1), style.COLOURS)
    numbers = towers[["value", "target_ohm", "limit_ohm"]].to_numpy("float64", na_value=np.nan)
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min(), numbers.max()) if len(numbers) else (1, 10)
    return ScalarMappable(LogNorm(low, high if high > low else 2 * low), style.COLOURS)
