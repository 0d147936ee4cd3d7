"""Map of a line: its towers by footing impedance or by leakage gap, to scale and turned to true north."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colorbar import Colorbar
from matplotlib.colors import LogNorm, Normalize
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.path import Path
from pyproj import Geod, Transformer
from shapely import get_coordinates, get_parts

from towerlib.errors import SettingsError
from towerlib.publish import style

ELLIPSOID = Geod(ellps="WGS84")
WORST = 8  # labelled towers
PAD_MM = 14  # between the route and the frame: room for labels
LEFT_MM = 18  # room for the numbers of the northing axis
RIGHT_MM = 7  # a number at the end of the easting axis reaches beyond the frame
AXIS_MM = 11  # room for the numbers of the easting axis
ROW_MM = 3.9  # height of one entry of the legend
KEY_MM = 30  # least height of the legend, the scales and the arrow where they stand below the map
SIDE_MM = 66  # their width where they stand beside it
LEAST_M = (1000, 250)  # extent of a route of one tower, east and north
BEYOND = 0.25  # a doubtful place further off the rest than this part of their extent stays outside the frame
TITLES = {"impedance": "Footing impedance on the map", "gap": "Leakage gap on the map"}
MEANINGS = {
    "impedance": "Arrow: only a lower bound is known, the impedance is at least what the colour says.",
    "gap": f"Gap fraction = gap / arithmetic sum; {style.GAP_MEANING} The bands of the legend are no limits.",
}
NEEDED = [
    *("impedance_class", "footing_ohm", "lower_bound_ohm", "impedance_rank", "target_ohm", "limit_ohm"),
    *("gap_fraction", "gap_rank", "ring", "footing_date", "leakage_date"),
]
BANDS = {  # of the gap fraction, by the value they start at: shapes to tell apart on the map, no limits
    "not measured": (np.nan, style.MARKS["not tested"]),
    "below 0": (-np.inf, style.Mark("v", style.COLOURS.get_under(), 1.2)),
    "0 to 0.2": (0.0, style.Mark("o", style.COLOURS(0.08))),
    "0.2 to 0.5": (0.2, style.Mark("s", style.COLOURS(0.35), 1.1)),
    "0.5 and more": (0.5, style.Mark("^", style.COLOURS(0.8), 1.6)),
}


@dataclass(frozen=True)
class Layout:
    """Where the map stands on the page [mm], its scale [grid m a mm] and its middle [grid m]."""

    beside: bool
    page_mm: float
    body_mm: float
    key_mm: float
    size_mm: tuple[float, float]
    m_per_mm: float
    centre: tuple[float, float]


def route_map(route, condition, line, by="impedance", *, month=None, context=()):
    """Map of the route with every tower by footing impedance or by gap fraction.

    Parameters
    ----------
    route : towerlib.route.Route
        Towers and spans in a projected CRS [m].
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Names of the line and its stations; positions of the stations where known.
    by : str
        ``impedance`` or ``gap``.
    month : str, optional
        ``YYYY-MM`` that the condition is as of; else the month of the newest reading is told.
    context : iterable of geopandas.GeoDataFrame
        Layers drawn under the line; named in the legend where their ``attrs["name"]`` is set.

    Returns
    -------
    matplotlib.figure.Figure
        Its height, and whether the legend stands below or beside the map, follow the shape of the route.

    Raises
    ------
    SettingsError
        `by` is neither of the two.

    Notes
    -----
    Scale bar and arrow are true at the middle of the map: a length on the ellipsoid, and true north. A tower
    whose place is in doubt and far off the rest stays outside the frame, named at the foot.

    Examples
    --------
    >>> from towerlib.line import parse
    >>> from towerlib.route import lay
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> places = {"latitude_deg": [0.0, 0.0], "longitude_deg": [33.0, 33.003], "sequence": [1.0, 2.0]}
    >>> route = lay(pd.DataFrame({"tower_id": ["T1", "T2"]} | places), line)
    >>> print(route_map(route, pd.DataFrame(), line).texts[0].get_text())
    Footing impedance on the map
    """
    if by not in TITLES:
        raise SettingsError(f"by = {by!r}: a route map shows 'impedance' or 'gap'")
    towers = _placed(route, condition, by)
    framed, left_out = _framed(towers)
    if framed.empty:
        return style.blank(TITLES[by], "No tower of this line has a position that can be drawn.")
    with style.context():
        context = list(context)
        stations, remarks = _stations(framed, route.crs, line)
        layout = _layout(np.vstack([framed[["x", "y"]], stations[["x", "y"]]]), rows=8 + len(context))
        grid = _grid_words(route.crs, towers, month, layout.centre)
        notes = [MEANINGS[by], grid, *left_out, *remarks, *_bare(context)]
        figure, foot = style.sheet(layout.body_mm, TITLES[by], line.title, notes, width=layout.page_mm)
        axes = _frame(figure, layout, foot)
        layers = _draw_context(axes, context, route.crs)
        handles, colours = _draw_towers(axes, framed, by)
        marks = np.vstack([_draw_route(axes, route), style.boxes_of(axes, framed["x"], framed["y"], 7)])
        _label(axes, framed, stations, marks)
        _furnish(figure, layout, foot, [*handles, *layers], colours)
        _scale_and_north(figure, layout, foot, route.crs)
        return figure


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


# ---- what to show ------------------------------------------------------------------------------------------


def _placed(route, condition, by):
    """Towers of the route with place on the grid, and kind, value, words and rank of what is shown."""
    places = pd.DataFrame(route.towers[["tower_id", "chainage_m", "place_remark"]])
    places = places.assign(x=route.towers.geometry.x, y=route.towers.geometry.y)
    known = condition if len(condition.columns) else condition.reindex(columns=["tower_id", *NEEDED])
    towers = places.merge(known[["tower_id", *NEEDED]], on="tower_id", how="left", validate="1:1")
    if by == "impedance":
        shown = style.with_value(towers)
        return shown.assign(value=shown["value_ohm"], rank=towers["impedance_rank"], circled=False)
    value = towers["gap_fraction"].astype("float64")
    starts = [start for start, _ in BANDS.values()][1:]
    band = np.searchsorted(starts, value.fillna(0), side="right") * value.notna()
    circled = towers["ring"].astype("boolean").fillna(False).astype(bool)
    words = value.map("{:.2f}".format)
    return towers.assign(
        kind=np.array(list(BANDS))[band], value=value, words=words, rank=towers["gap_rank"], circled=circled
    )


def _framed(towers):
    """Towers inside the frame, and what is said of the others."""
    nowhere = towers["x"].isna() | towers["y"].isna()
    sure = towers[~nowhere & (towers["place_remark"].fillna("") == "")]
    sure = towers[~nowhere] if sure.empty else sure
    if sure.empty:
        return sure, []
    reach = BEYOND * _extent(sure)
    near = towers["x"].between(sure["x"].min() - reach, sure["x"].max() + reach)
    near &= towers["y"].between(sure["y"].min() - reach, sure["y"].max() + reach)
    far, lost = towers.loc[~nowhere & ~near, "tower_id"], towers.loc[nowhere, "tower_id"]
    return towers[near], [
        f"Outside the frame, place in doubt: {style.listed(far)}." if len(far) else "",
        f"Not drawn, no position: {style.listed(lost)}." if len(lost) else "",
    ]


def _extent(towers):
    """Larger side of the box that the towers take, at least 4 km [m]."""
    return max(np.ptp(towers["x"]), np.ptp(towers["y"]), 4000)


def _stations(towers, crs, line):
    """Both stations, at their own place or else at the tower of their end; and what is said of them."""
    ends = towers.sort_values("chainage_m", kind="stable").iloc[[0, -1]][["x", "y"]].to_numpy("float64")
    grid, rows, remarks = Transformer.from_crs(4326, crs, always_xy=True), [], []
    for end, word in zip(ends, ("first", "last"), strict=True):
        station = getattr(line.stations, word)
        place, name = end, station.name or f"{word} station"
        if None not in (station.longitude_deg, station.latitude_deg):
            place = np.array(grid.transform(station.longitude_deg, station.latitude_deg))
        if not np.hypot(*(place - end)) <= BEYOND * _extent(towers):
            place = end
            remarks.append(
                f"The position given for {name} lies far off its end of the route and is not drawn."
            )
        rows.append((name, *place, *end))
    return pd.DataFrame(rows, columns=["name", "x", "y", "end_x", "end_y"]), remarks


def _grid_words(crs, towers, month, centre):
    """Date, CRS and north in words."""
    newest = pd.concat([pd.to_datetime(towers[day]) for day in ("footing_date", "leakage_date")]).max()
    dated = "No reading" if pd.isna(newest) else f"Newest reading {newest:%Y-%m}"
    dated = f"As of {month}" if month else dated
    code = ":".join(crs.to_authority() or ("no code",))
    turn = convergence_deg(crs, *centre)
    side = f"{abs(turn):.2f}° {'east' if turn > 0 else 'west'} of true north"
    return f"{dated}. Grid: {crs.name} ({code}); its north lies {side} at mid-map."


def _bare(context):
    """Remark on context layers that cannot be placed."""
    bare = sum(layer.crs is None for layer in context)
    return [f"Not drawn, context layers without a CRS: {bare}."] if bare else []


# ---- page --------------------------------------------------------------------------------------------------


def _layout(places, rows):
    """Layout with the larger scale: legend below the map, or beside it."""
    low, high = places.min(0), places.max(0)
    wide, tall = np.maximum(high - low, LEAST_M)
    centre, gap = tuple(map(float, (low + high) / 2)), 2 * PAD_MM
    room = style.PAGE_WIDTH_MM - LEFT_MM - RIGHT_MM
    below = max(wide / (room - gap), tall / (150 - gap))
    beside = max(wide / (room - SIDE_MM - gap), tall / (205 - gap))
    if below <= beside:
        size, key = (room, max(tall / below + gap, 55)), max(KEY_MM, ROW_MM * rows)
        return Layout(False, style.PAGE_WIDTH_MM, size[1] + AXIS_MM + key, key, size, below, centre)
    size = (max(wide / beside + gap, 80), max(tall / beside + gap, 60 + ROW_MM * rows))
    page = LEFT_MM + size[0] + SIDE_MM + style.MARGIN_MM
    return Layout(True, page, size[1] + AXIS_MM, 0, size, beside, centre)


def _frame(figure, layout, foot):
    """Panel of the map, to scale, with grid kilometres at its edges."""
    axes = style.panel(figure, LEFT_MM, foot + AXIS_MM + layout.key_mm, *layout.size_mm)
    half = np.array(layout.size_mm) * layout.m_per_mm / 2
    low, high = layout.centre - half, layout.centre + half
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), aspect="equal")
    axes.spines[["top", "right"]].set_visible(True)
    for axis, size, size_mm in zip((axes.xaxis, axes.yaxis), 2 * half, layout.size_mm, strict=True):
        decimals = 0 if size > 8000 else 1 if size > 800 else 2
        steps = max(2, int(size_mm / 28))
        style.linear_axis(axis, steps, lambda metres, digits=decimals: f"{metres / 1000:.{digits}f}")
    axes.set(xlabel="Easting [km]", ylabel="Northing [km]")
    return axes


# ---- route and towers --------------------------------------------------------------------------------------


def _draw_context(axes, context, crs):
    """Draw the layers under the line; give the legend entries of those with a name."""
    handles, placed = [], [layer for layer in context if layer.crs is not None]
    for number, layer in enumerate(placed):
        colour = style.CONTEXT[number % len(style.CONTEXT)]
        for part in get_parts(layer.to_crs(crs).geometry.dropna().to_numpy()):
            _draw_part(axes, part, colour)
        if layer.attrs.get("name"):
            name = style.shortened(layer.attrs["name"], SIDE_MM - 16)
            handles.append(Line2D([], [], color=colour, linewidth=2.5, label=name))
    return handles


def _draw_part(axes, part, colour):
    """Draw one polygon, line or point of a layer."""
    if part.geom_type == "Polygon" and not part.is_empty:
        rings = [Path(np.array(ring.coords)[:, :2], closed=True) for ring in (part.exterior, *part.interiors)]
        area = PathPatch(
            Path.make_compound_path(*rings), facecolor=colour, edgecolor="none", alpha=0.5, zorder=0
        )
        axes.add_patch(area)
    elif part.geom_type == "Point" and not part.is_empty:
        axes.plot(part.x, part.y, marker="+", markersize=4, color=colour, zorder=1)
    else:
        axes.plot(*get_coordinates(part).T, color=colour, linewidth=1.2, zorder=1)


def _draw_route(axes, route):
    """Draw the spans; give boxes along them."""
    lines = [get_coordinates(span) for span in route.spans.geometry.dropna()]
    axes.add_collection(LineCollection(lines, colors=style.FAINT, linewidths=0.9, zorder=2), autolim=False)
    stretches = [stretch for line in lines for stretch in pairwise(axes.transData.transform(line))]
    points = [np.linspace(a, b, int(np.hypot(*(b - a)) / 4) + 2) for a, b in stretches]
    return style.boxes_around(np.vstack(points), 3) if points else np.empty((0, 4))


def _draw_towers(axes, towers, by):
    """Draw the towers; give the legend entries and the colours of the values."""
    colours = _colours(towers, by)
    along_mm = np.hypot(*np.diff(towers[["x", "y"]].to_numpy("float64"), axis=0).T).sum() / _m_per_mm(axes)
    size = float(
        np.clip(72 / 25.4 * along_mm / len(towers), 3.2, 5.5)
    )  # as large as the spacing lets them be
    marks = {name: mark for name, (_, mark) in BANDS.items()} if by == "gap" else style.MARKS
    for order, (name, mark) in enumerate(marks.items()):
        for circled, some in towers[towers["kind"] == name].groupby("circled"):
            title = f"{name}, circled" if circled else name
            shape = style.Mark(style.ringed(mark.shape), mark.colour, 1.8 * mark.size) if circled else mark
            looks = {"zorder": 4 + 0.1 * order}
            if some["value"].notna().any():
                looks |= {
                    "c": some["value"],
                    "cmap": colours.cmap,
                    "norm": colours.norm,
                    "plotnonfinite": True,
                }
            style.dots(axes, some["x"], some["y"], shape, name=title, size=size, **looks)
    return _entries(towers, marks, by), colours


def _entries(towers, marks, by):
    """Legend entries with the number of towers, worst first."""
    counts, limits = towers["kind"].value_counts(), {} if by == "gap" else _limit_words(towers)
    names = {name: f"{name}{limits.get(name, '')} ({counts.get(name, 0)})" for name in reversed(marks)}
    entries = [style.entry(marks[name], words) for name, words in names.items()]
    if by == "gap":
        ring = style.Mark(style.ringed("o"), "white", 1.6)
        entries.append(style.entry(ring, f"circled: ring joins the legs ({towers['circled'].sum()})"))
    return entries


def _limit_words(towers):
    """Value of target and limit behind the classes they bound, where all towers share them."""
    words = {}
    for name, column in {"good": "target_ohm", "acceptable": "limit_ohm"}.items():
        ohm = towers[column].astype("float64").dropna().unique()
        words[name] = f", up to {style.plain(ohm[0])} Ω" if len(ohm) == 1 else ""
    return words


def _m_per_mm(axes):
    """Metres on the grid for each millimetre on the page."""
    return np.ptp(axes.get_xlim()) / (axes.bbox.width / axes.figure.dpi * 25.4)


def _colours(towers, by):
    """Colour of a value: from no gap to all gap, or on a logarithmic scale over all impedances and limits."""
    if by == "gap":
        return ScalarMappable(Normalize(0, 1), style.COLOURS)
    numbers = towers[["value", "target_ohm", "limit_ohm"]].to_numpy("float64", na_value=np.nan)
    numbers = numbers[np.isfinite(numbers) & (numbers > 0)]
    low, high = (numbers.min(), numbers.max()) if len(numbers) else (1, 10)
    return ScalarMappable(LogNorm(low, high if high > low else 2 * low), style.COLOURS)


# ---- labels ------------------------------------------------------------------------------------------------


def _label(axes, towers, stations, marks):
    """Name stations, worst towers, round kilometres and the towers at the ends, as far as there is room."""
    for s in stations.itertuples():
        axes.plot([s.end_x, s.x], [s.end_y, s.y], color=style.INK, linewidth=0.8, linestyle=":", zorder=3)
        axes.plot(
            s.x, s.y, marker="s", markersize=7, color=style.INK, fillstyle="none", zorder=6, gid="station"
        )
    ticks = _chainage_ticks(towers)
    _draw_ticks(axes, ticks)
    marks = np.vstack([marks, style.boxes_of(axes, stations["x"], stations["y"], 8)])
    marks = np.vstack([marks, style.boxes_of(axes, ticks["x"], ticks["y"], 8)])
    names = [
        (s.x, s.y, style.shortened(s.name, 45, style.TEXT_PT, "bold"))
        for s in stations.itertuples(index=False)
    ]
    taken = style.place_labels(axes, names, marks, fontsize=style.TEXT_PT, weight="bold")
    worst = style.worst(towers, "rank", WORST)
    wishes = [(t.x, t.y, f"{style.shortened(t.tower_id, 30)}: {t.words}") for t in worst.itertuples()]
    taken = style.place_labels(axes, wishes, marks, taken)
    kilometres = [(t.x, t.y, f"{style.plain(t.metres / 1000)} km") for t in ticks.itertuples()]
    taken = style.place_labels(axes, kilometres, marks, taken, style="italic", color="#444444")
    ends = towers.sort_values("chainage_m", kind="stable").iloc[[0, -1]].drop_duplicates("tower_id")
    ends = ends[~ends["tower_id"].isin(worst["tower_id"])]
    style.place_labels(
        axes, [(t.x, t.y, style.shortened(t.tower_id, 30)) for t in ends.itertuples()], marks, taken
    )


def _chainage_ticks(towers):
    """Round chainages with their places, and the direction of the line there."""
    laid = towers.sort_values("chainage_m", kind="stable").drop_duplicates("chainage_m")
    along, x, y = laid[["chainage_m", "x", "y"]].dropna().to_numpy("float64").T
    if len(along) < 2:
        return pd.DataFrame(columns=["metres", "x", "y", "east", "north"], dtype="float64")
    step = style.round_step(along[-1] / 1000, 12) * 1000
    metres = np.arange(1, along[-1] // step + 1) * step
    metres = metres[metres >= along[0]]
    span = np.searchsorted(along, metres, side="left").clip(1)
    way = np.column_stack([x[span] - x[span - 1], y[span] - y[span - 1]])
    east, north = (way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]).T
    places = {"x": np.interp(metres, along, x), "y": np.interp(metres, along, y)}
    return pd.DataFrame({"metres": metres, **places, "east": east, "north": north})


def _draw_ticks(axes, ticks):
    """Draw a stroke across the line at every round chainage."""
    half = 1.6 * _m_per_mm(axes)
    for t in ticks.itertuples():
        across = [t.x - half * t.north, t.x + half * t.north], [t.y + half * t.east, t.y - half * t.east]
        axes.plot(*across, color=style.INK, linewidth=0.9, zorder=3, gid="chainage mark")


# ---- furniture ---------------------------------------------------------------------------------------------


def _furnish(figure, layout, foot, handles, colours):
    """Place the legend and the scale of colours below the map or beside it."""
    left, top = _scales_place(layout, foot)
    legend_left, legend_top = (left, top - 36) if layout.beside else (LEFT_MM, top)
    style.legend(figure, handles, legend_left, legend_top, 0, corner="upper left")
    axes = style.panel(figure, left, top - 19, 54, 3.5)
    bar = Colorbar(
        axes, colours, orientation="horizontal", extend="neither" if colours.norm.vmin > 0 else "min"
    )
    logarithmic = isinstance(colours.norm, LogNorm)
    ticks = style.round_numbers(colours.norm.vmin, colours.norm.vmax) if logarithmic else np.arange(6) / 5
    bar.set_ticks(ticks, labels=[style.plain(tick) for tick in ticks])
    bar.set_label("Footing impedance [Ω]" if logarithmic else "Gap fraction [gap / sum]")
    bar.minorticks_off()
    bar.outline.set_linewidth(0.5)
    axes.xaxis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def _scales_place(layout, foot):
    """Upper left corner of the scales [mm]."""
    if layout.beside:
        return LEFT_MM + layout.size_mm[0] + 7, foot + AXIS_MM + layout.size_mm[1]
    return LEFT_MM + 85, foot + layout.key_mm - 2


def _scale_and_north(figure, layout, foot, crs):
    """Draw a bar of a round true length, in two halves, and the arrow to true north."""
    left, top = _scales_place(layout, foot)
    lengths = np.outer(10.0 ** np.arange(0, 7), [1, 2, 5]).ravel()
    longest = 38 * layout.m_per_mm * 1000 / grid_metres(crs, *layout.centre, 1000)
    true_m = float(lengths[lengths <= max(longest, 1)][-1])
    bar_mm = grid_metres(crs, *layout.centre, true_m) / layout.m_per_mm
    for part, colour in enumerate((style.INK, "white")):
        half = Rectangle(
            (left + part * bar_mm / 2, top - 6), bar_mm / 2, 1.4, transform=style.millimetres(figure)
        )
        half.set(facecolor=colour, edgecolor=style.INK, linewidth=0.6, gid="scale bar")
        figure.add_artist(half)
    unit, metres = ("km", 1000) if true_m >= 1000 else ("m", 1)
    for share in (0, 0.5, 1):
        words = style.plain(share * true_m / metres) + (f" {unit}" if share == 1 else "")
        style.write(figure, left + share * bar_mm, top - 4, words, ha="center")
    _north(figure, left + 52, top - 5, -convergence_deg(crs, *layout.centre))


def _north(figure, x_mm, y_mm, turn_deg):
    """Arrow to true north, turned clockwise from the top of the page."""
    way = np.array([np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
    side, tip = np.array([way[1], -way[0]]) * 1.6, np.array([x_mm, y_mm]) + 3 * way
    tail = tip - 7.5 * way
    arrow = Polygon([tip, tail + side, tail + 1.8 * way, tail - side], transform=style.millimetres(figure))
    arrow.set(facecolor=style.INK, edgecolor="none", gid="north arrow")
    figure.add_artist(arrow)
    style.write(figure, *(tip + 2.2 * way), "N", size=style.TEXT_PT, weight="bold", ha="center", va="center")
