"""The plan on the map: which tower in which year, told by shape, colour and number."""

import numpy as np

from towerlib.publish import (
    boxes,
    furniture,
    grid,
    labels,
    lettering,
    map_layers,
    map_page,
    map_towers,
    markers,
    page,
    style,
)
from towerlib.publish.plan_words import no_plan

SHAPES = ("^", "s", "D", "v", "P", "p", "X", "h")  # of the years, told apart without colour
LEFT = "left as it is"
NAMED = 24  # packages named on the map at most


def plan_map(route, condition, budget, line, *, month="", context=()):
    """Map of the route with the towers of the plan by year, and its packages named.

    Parameters
    ----------
    route : towerlib.route.Route
        Towers and spans in a projected CRS [m].
    condition : pandas.DataFrame
        One row a tower.
    budget : Budget
        As `towerlib.plan.draw_up` gives it.
    line : towerlib.line.Line
    month : str
        ``YYYY-MM`` that the plan is as of.
    context : iterable of geopandas.GeoDataFrame
        Layers drawn under the line.

    Returns
    -------
    matplotlib.figure.Figure
    """
    title = "The plan on the map"
    if budget.works.empty:
        return page.blank(title, " ".join(no_plan(budget)) or "Nothing is planned.")
    framed, left_out = map_towers.framed(placed(route, condition, budget.works))
    if framed.empty:
        return page.blank(title, "No tower of this line has a position that can be drawn.")
    with style.house():
        context = list(context)
        stations, remarks = map_towers.stations(framed, route.crs, line)
        places = np.vstack([framed[["x", "y"]], stations[["x", "y"]]])
        marks = marks_of(budget.terms.years)
        layout = map_page.fit(places, rows=len(marks) + 2 + len(context))
        notes = [*_notes(month, route, layout), *left_out, *remarks, *map_layers.unplaced(context)]
        figure, foot = page.sheet(layout.body_mm, title, line.title, notes, width=layout.page_mm)
        axes = map_page.frame(figure, layout, foot)
        layers = map_layers.draw_context(axes, context, route.crs)
        covered = [*_draw(axes, framed, marks), map_layers.draw_route(axes, route)]
        _name(axes, framed, stations, np.vstack(covered))
        _legend(figure, layout, foot, [*_entries(framed, marks), *layers])
        furniture.draw_scale_and_north(figure, layout, foot, route.crs)
        return figure


def placed(route, condition, works):
    """Towers of the route with their year.

    Parameters
    ----------
    route : towerlib.route.Route
    condition, works : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame
        As `map_towers.placed` gives it, ``kind`` being the year in words, with package, option and must_do.
    """
    towers = map_towers.placed(route, condition, "impedance")
    told = works[["tower_id", "year", "package", "option", "must_do"]]
    towers = towers.merge(told, on="tower_id", how="left", validate="1:1")
    kind = [LEFT if year != year else f"year {year:.0f}" for year in towers["year"].astype(float)]
    owed = towers["must_do"].astype("boolean").fillna(False).astype(bool)
    return towers.assign(kind=kind, circled=owed)


def marks_of(years):
    """Mark of each year; earlier ones darker.

    Parameters
    ----------
    years : int

    Returns
    -------
    dict of str to markers.Mark
    """
    shades = np.linspace(0.95, 0.3, max(years, 2))
    told = {LEFT: markers.Mark("o", "white", 0.6)}
    for number in range(years):
        told[f"year {number + 1}"] = markers.Mark(
            SHAPES[number % len(SHAPES)], style.COLOURS(shades[number]), 1.5
        )
    return told


def _notes(month, route, layout):
    """Sentences at the foot of the map."""
    dated = f"As of {month}. " if month else ""
    return [
        "A name such as “Y2 BS-14: 5” is a package: year, access group, number of towers. Nothing here is a permit to work.",
        f"{dated}{grid.words(route.crs, *layout.centre)}",
    ]


def _draw(axes, towers, marks):
    """Boxes of the towers drawn, year by year."""
    covered = []
    for order, (name, mark) in enumerate(marks.items()):
        for circled, some in towers[towers["kind"] == name].groupby("circled"):
            size = 5.0
            shape = (
                markers.Mark(markers.ringed(mark.shape), mark.colour, 1.5 * mark.size) if circled else mark
            )
            title = f"{name}, circled" if circled else name
            markers.dots(axes, some["x"], some["y"], shape, size=size, name=title, zorder=4 + 0.1 * order)
            covered.append(boxes.of(axes, some["x"], some["y"], max(map_layers.LEAST_PT, size * shape.size)))
    return covered


def _name(axes, towers, stations, covered):
    """Name both stations and the packages, given room (changes the axes)."""
    for s in stations.itertuples():
        axes.plot([s.end_x, s.x], [s.end_y, s.y], color=style.INK, linewidth=0.8, linestyle=":", zorder=3)
        axes.plot(
            s.x, s.y, color=style.INK, marker="s", markersize=7, fillstyle="none", zorder=6, gid="station"
        )
    marks = np.vstack([covered, boxes.of(axes, stations["x"], stations["y"], 8)])
    wishes = [
        (s.x, s.y, lettering.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in stations.itertuples()
    ]
    taken = labels.place(axes, wishes, marks, fontsize=style.TEXT_PT, weight="bold")
    labels.place(axes, _packages(towers), marks, taken)


def _packages(towers):
    """Packages, those with most towers first, each at its middle tower."""
    planned = towers[towers["package"].notna()].sort_values("chainage_m", kind="stable")
    middles = [
        (some["x"].iloc[len(some) // 2], some["y"].iloc[len(some) // 2], name, len(some))
        for name, some in planned.groupby("package")
    ]
    middles.sort(key=lambda middle: (-middle[3], middle[2]))
    return [(x, y, f"{lettering.shortened(name, 30)}: {count}") for x, y, name, count in middles[:NAMED]]


def _entries(towers, marks):
    """Legend entries with the number of towers."""
    counts = towers["kind"].value_counts()
    entries = [markers.entry(mark, f"{name} ({counts.get(name, 0)})") for name, mark in marks.items()]
    owed = int(towers["circled"].sum())
    ring = markers.Mark(markers.ringed("o"), "white", 1.6)
    return [*entries[1:], *([markers.entry(ring, f"circled: must-do ({owed})")] if owed else []), entries[0]]


def _legend(figure, layout, foot, handles):
    """Legend where a map's legend stands (changes the figure)."""
    left, top = map_page.scales_corner(layout, foot)
    place = (left, top - 14) if layout.beside else (map_page.LEFT_MM, top)
    page.legend(figure, handles, *place, 0, corner="upper left")
