"""Map of a line: its towers by footing impedance or by leakage gap, to scale and turned to true north."""

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.publish import (
    boxes,
    furniture,
    grid,
    labels,
    lettering,
    map_layers,
    map_page,
    map_towers,
    page,
    shown,
    style,
)

TITLES = {"impedance": "Footing impedance on the map", "gap": "Leakage gap on the map"}
MEANINGS = {
    "impedance": "Arrow: only a lower bound is known, the impedance is at least what the colour says.",
    "gap": f"Gap fraction = gap / arithmetic sum; {shown.GAP_MEANING} The bands of the legend are no limits.",
}


def route_map(route, condition, line, by="impedance", *, month=None, context=(), suspicion=None):
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
    suspicion : pandas.DataFrame, optional
        Spans with span_scan, as `towerlib.network.assess` gives them: those suspected are marked.

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
    towers = map_towers.placed(route, condition, by)
    framed, left_out = map_towers.framed(towers)
    if framed.empty:
        return page.blank(TITLES[by], "No tower of this line has a position that can be drawn.")
    with style.house():
        context = list(context)
        stations, remarks = map_towers.stations(framed, route.crs, line)
        places = np.vstack([framed[["x", "y"]], stations[["x", "y"]]])
        layout = map_page.fit(places, rows=8 + len(context))
        dated = f"{_date_words(towers, month)} {grid.words(route.crs, *layout.centre)}"
        notes = [MEANINGS[by], dated, *left_out, *remarks, *map_layers.unplaced(context)]
        figure, foot = page.sheet(layout.body_mm, TITLES[by], line.title, notes, width=layout.page_mm)
        axes = map_page.frame(figure, layout, foot)
        layers = map_layers.draw_context(axes, context, route.crs)
        handles, colours, covered = map_layers.draw_towers(axes, framed, by)
        handles = [*handles, *map_layers.draw_suspected(axes, route.spans, suspicion)]
        _label(axes, framed, stations, np.vstack([covered, map_layers.draw_route(axes, route)]))
        furniture.draw_legend(figure, layout, foot, [*handles, *layers], colours)
        furniture.draw_scale_and_north(figure, layout, foot, route.crs)
        return figure


def _date_words(towers, month):
    """Month that the map is as of, or else that of the newest reading."""
    if month:
        return f"As of {month}."
    newest = pd.concat([pd.to_datetime(towers[day]) for day in ("footing_date", "leakage_date")]).max()
    return "No reading." if pd.isna(newest) else f"Newest reading {newest:%Y-%m}."


def _label(axes, towers, stations, covered):
    """Draw and name stations and round kilometres; name the worst towers and both ends, given room."""
    _draw_stations(axes, stations)
    ticks = furniture.chainages(towers)
    furniture.draw_chainages(axes, ticks)
    marks = np.vstack([covered, *(boxes.of(axes, some["x"], some["y"], 8) for some in (stations, ticks))])
    wishes = [
        (s.x, s.y, lettering.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in stations.itertuples()
    ]
    taken = labels.place(axes, wishes, marks, fontsize=style.TEXT_PT, weight="bold")
    worst = shown.worst(towers, "rank", shown.NAMED)
    wishes = [(t.x, t.y, f"{lettering.shortened(t.tower_id, 30)}: {t.words}") for t in worst.itertuples()]
    taken = labels.place(axes, wishes, marks, taken)
    kilometres = [(t.x, t.y, f"{lettering.plain(t.metres / 1000)} km") for t in ticks.itertuples()]
    taken = labels.place(axes, kilometres, marks, taken, style="italic", color="#444444")
    ends = towers.sort_values("chainage_m", kind="stable").iloc[[0, -1]].drop_duplicates("tower_id")
    ends = ends[~ends["tower_id"].isin(worst["tower_id"])]
    wishes = [(t.x, t.y, lettering.shortened(t.tower_id, 30)) for t in ends.itertuples()]
    labels.place(axes, wishes, marks, taken)


def _draw_stations(axes, stations):
    """Draw a square at each station, tied to the tower of its end."""
    square = {"marker": "s", "markersize": 7, "fillstyle": "none", "zorder": 6, "gid": "station"}
    for s in stations.itertuples():
        axes.plot([s.end_x, s.x], [s.end_y, s.y], color=style.INK, linewidth=0.8, linestyle=":", zorder=3)
        axes.plot(s.x, s.y, color=style.INK, **square)
