"""Maps of a line: towers by footing impedance, by leakage gap, or by year of the plan.

Maps are to scale, with an arrow to true north, chainage marks, both stations and the worst towers named.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.report import layout, map_elements, map_layers, style, tower_marks
from towerlib.report.plan_words import no_plan
from towerlib.report.tower_marks import each
from towerlib.text import plain

if TYPE_CHECKING:
    import geopandas as gpd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    from towerlib.config import Line
    from towerlib.plan import Budget
    from towerlib.route import Route

TITLES = {"impedance": "Footing impedance on the map", "gap": "Leakage gap on the map"}
MEANINGS = {
    "impedance": "Dot in the mark: lower limit only, the impedance lies above the reading.",
    "gap": f"Gap fraction = gap / arithmetic sum; {tower_marks.GAP_MEANING} The classes of the legend are no limits.",
}


def route_map(
    route: Route,
    condition: pd.DataFrame,
    line: Line,
    by: str = "impedance",
    *,
    month: str | None = None,
    context: Iterable[gpd.GeoDataFrame] = (),
    suspicion: pd.DataFrame | None = None,
) -> Figure:
    """Map of the route with every tower by footing impedance or by gap fraction.

    `by`: ``impedance`` or ``gap``, else `SettingsError`; `month`: month of the condition, else of the newest reading.
    Scale bar and north are true at the middle of the map. A tower whose place is in doubt and far off the rest is
    named at the foot.

    >>> from towerlib.config import parse
    >>> from towerlib.route import build
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> places = {"latitude_deg": [0.0, 0.0], "longitude_deg": [33.0, 33.003], "sequence": [1.0, 2.0]}
    >>> route = build(pd.DataFrame({"tower_id": ["T1", "T2"]} | places), line)
    >>> print(route_map(route, pd.DataFrame(), line).texts[0].get_text())
    Footing impedance on the map
    """
    if by not in TITLES:
        raise SettingsError(f"by = {by!r}: a route map shows 'impedance' or 'gap'")
    towers = map_layers.placed(route, condition, by)
    framed, left_out = map_layers.framed(towers)
    if framed.empty:
        return layout.blank(TITLES[by], "No tower of this line has a position that can be drawn.")
    with style.house():
        remarks = [MEANINGS[by], _date_words(towers, month), *left_out]
        sheet = _sheet(route, framed, line, context, TITLES[by], 8, remarks)
        handles, covered = map_layers.draw_towers(sheet.axes, framed, by)
        handles = [*handles, *map_layers.draw_suspected(sheet.axes, route.spans, suspicion)]
        covered = np.vstack([covered, map_layers.draw_route(sheet.axes, route)])
        _label(sheet.axes, framed, sheet.stations, covered)
        return _finished(sheet, route, handles)


@dataclass(frozen=True)
class _Sheet:
    """A page with the panel of a map, its stations, and the legend entries of its context layers."""

    figure: Figure
    axes: Axes
    page: map_elements.Layout
    foot: float
    stations: pd.DataFrame
    layers: list[Line2D]


def _sheet(route, framed, line, context, title, rows, remarks):
    """Page of a map with its context layers; the grid joins the second remark, which dates the map."""
    context = list(context)
    stations, doubts = map_layers.stations(framed, route.crs, line)
    places = np.vstack([framed[["x", "y"]], stations[["x", "y"]]])
    page = map_elements.fit(places, rows=rows + len(context))
    first, dated, *others = remarks
    dated = f"{dated} {map_elements.words(route.crs, *page.centre)}".strip()
    notes = [first, dated, *others, *doubts, *map_layers.unplaced(context)]
    figure, foot = layout.new_sheet(page.body_mm, title, line.title, notes, width=page.page_mm)
    axes = map_elements.frame(figure, page, foot)
    return _Sheet(figure, axes, page, foot, stations, map_layers.draw_context(axes, context, route.crs))


def _finished(sheet, route, handles):
    """The page with its legend, scale bar and arrow to true north."""
    map_elements.draw_legend(sheet.figure, sheet.page, sheet.foot, [*handles, *sheet.layers])
    map_elements.draw_scale_and_north(sheet.figure, sheet.page, sheet.foot, route.crs)
    return sheet.figure


def _date_words(towers, month):
    """Month that the map is as of, or else that of the newest reading."""
    if month:
        return f"As of {month}."
    newest = pd.concat([pd.to_datetime(towers[day]) for day in ("footing_date", "leakage_date")]).max()
    return "No reading." if bool(pd.isna(newest)) else f"Newest reading {newest:%Y-%m}."


def _label(axes, towers, stations, covered):
    """Draw and name stations and round kilometres; name the worst towers and both ends, given room."""
    _draw_stations(axes, stations)
    ticks = map_elements.chainages(towers)
    map_elements.draw_chainages(axes, ticks)
    marks = np.vstack(
        [covered, *(layout.box_of(axes, some["x"], some["y"], 8) for some in (stations, ticks))]
    )
    wishes = [(s.x, s.y, layout.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in each(stations)]
    taken = layout.place_labels(axes, wishes, marks, fontsize=style.TEXT_PT, weight="bold")
    worst = tower_marks.worst(towers, "rank", tower_marks.NAMED)
    wishes = [(t.x, t.y, f"{layout.shortened(t.tower_id, 30)}: {t.words}") for t in each(worst)]
    taken = layout.place_all_labels(axes, wishes, marks, taken)
    kilometres = [(t.x, t.y, f"{plain(t.metres / 1000)} km") for t in each(ticks)]
    taken = layout.place_labels(axes, kilometres, marks, taken, style="italic", color="#444444")
    ends = towers.sort_values("chainage_m", kind="stable").iloc[[0, -1]].drop_duplicates("tower_id")
    ends = ends[~ends["tower_id"].isin(worst["tower_id"])]
    wishes = [(t.x, t.y, layout.shortened(t.tower_id, 30)) for t in each(ends)]
    layout.place_labels(axes, wishes, marks, taken)


def _draw_stations(axes, stations):
    """Draw a square at each station, tied to the tower of its end."""
    square = {"marker": "s", "markersize": 7, "fillstyle": "none", "zorder": 6, "gid": "station"}
    for s in each(stations):
        axes.plot([s.end_x, s.x], [s.end_y, s.y], color=style.INK, linewidth=0.8, linestyle=":", zorder=3)
        axes.plot(s.x, s.y, color=style.INK, **square)


LEFT = style.NO_WORK.label
NAMED = 24  # packages named on the map at most
PACKAGE_NAMES = (
    "A name such as “Y2 BS-14: 5” is a package: year, access group, number of towers. "
    "Nothing here is a permit to work."
)


def plan_map(
    route: Route,
    condition: pd.DataFrame,
    budget: Budget,
    line: Line,
    *,
    month: str = "",
    context: Iterable[gpd.GeoDataFrame] = (),
) -> Figure:
    """Map of the route with the towers of the plan by year, and its packages named; `month`: ``YYYY-MM``."""
    title = "The plan on the map"
    if budget.works.empty:
        return layout.blank(title, " ".join(no_plan(budget)) or "Nothing is planned.")
    framed, left_out = map_layers.framed(placed(route, condition, budget.works))
    if framed.empty:
        return layout.blank(title, "No tower of this line has a position that can be drawn.")
    with style.house():
        marks = marks_of(cast("Any", budget.constraints).years)
        remarks = [PACKAGE_NAMES, f"As of {month}." if month else "", *left_out]
        sheet = _sheet(route, framed, line, context, title, len(marks) + 2, remarks)
        covered = [*_draw(sheet.axes, framed, marks), map_layers.draw_route(sheet.axes, route)]
        _name(sheet.axes, framed, sheet.stations, np.vstack(covered))
        return _finished(sheet, route, _entries(framed, marks))


def placed(route: Route, condition: pd.DataFrame, works: pd.DataFrame) -> pd.DataFrame:
    """Towers as `map_layers.placed` gives them, ``kind`` being the year, with package, option and must_do."""
    towers = map_layers.placed(route, condition, "impedance")
    planned = works[["tower_id", "year", "package", "option", "must_do"]]
    planned = planned.sort_values("year", kind="stable").drop_duplicates(
        "tower_id"
    )  # the first work of a tower
    towers = towers.merge(planned, on="tower_id", how="left", validate="1:1")
    kind = [LEFT if year != year else f"year {year:.0f}" for year in towers["year"].astype(float)]
    owed = towers["must_do"].astype("boolean").fillna(False).astype(bool)
    return towers.assign(kind=kind, circled=owed)


def marks_of(years: int) -> dict[str, style.Mark]:
    """Mark of each year of the plan and of the towers without work, by label."""
    return {look.label: look.mark for look in (style.NO_WORK, *style.years(years).values())}


def _draw(axes, towers, marks):
    """Boxes of the towers drawn, year by year."""
    covered = []
    for order, (name, mark) in enumerate(marks.items()):
        for circled, some in towers[towers["kind"] == name].groupby("circled"):
            size = 5.0
            shape = map_layers.circled_mark(mark) if circled else mark
            title = f"{name}, circled" if circled else name
            style.dots(axes, some["x"], some["y"], shape, size=size, name=title, zorder=4 + 0.1 * order)
            covered.append(
                layout.box_of(axes, some["x"], some["y"], max(map_layers.LEAST_PT, size * shape.size))
            )
    return covered


def _name(axes, towers, stations, covered):
    """Name both stations and the packages, given room (changes the axes)."""
    _draw_stations(axes, stations)
    marks = np.vstack([covered, layout.box_of(axes, stations["x"], stations["y"], 8)])
    wishes = [(s.x, s.y, layout.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in each(stations)]
    taken = layout.place_labels(axes, wishes, marks, fontsize=style.TEXT_PT, weight="bold")
    layout.place_labels(axes, _packages(towers), marks, taken)


def _packages(towers):
    """Packages, those with most towers first, each at its middle tower."""
    planned = towers[towers["package"].notna()].sort_values("chainage_m", kind="stable")
    middles = [
        (some["x"].iloc[len(some) // 2], some["y"].iloc[len(some) // 2], name, len(some))
        for name, some in planned.groupby("package")
    ]
    middles.sort(key=lambda middle: (-middle[3], middle[2]))
    return [(x, y, f"{layout.shortened(name, 30)}: {count}") for x, y, name, count in middles[:NAMED]]


def _entries(towers, marks):
    """Legend entries with the number of towers."""
    counts = towers["kind"].value_counts()
    entries = [style.entry(mark, f"{name} ({counts.get(name, 0)})") for name, mark in marks.items()]
    owed = int(towers["circled"].sum())
    ring = style.Mark(style.ringed("o"), "white", 1.6)
    return [*entries[1:], *([style.entry(ring, f"circled: must-do ({owed})")] if owed else []), entries[0]]
