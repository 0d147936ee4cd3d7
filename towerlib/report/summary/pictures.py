"""Pictures of the page of a line: route strip, profile, histogram."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import FancyArrowPatch
from pyproj import Transformer

from towerlib.report import condition_charts, layout, map_layers, pages, style, tower_marks
from towerlib.report.tower_marks import each
from towerlib.text import plain

if TYPE_CHECKING:
    import pandas as pd

    from towerlib.assessment import Study

STRIP_MM = (24, 46)  # least and most height of the strip
EDGE_MM = 11  # from the route to the edge of the strip: room for names
HISTOGRAM_MM = (100, 58)
PROFILE_MM = 66  # height of the profile
BAR_MM = 40  # length of the scale bar at most


def pictures(study: Study) -> dict[str, dict[str, Any]]:
    """Pictures of a line for its page, each with its words for those who do not see it.

    strip, profile, histogram: src (data URI of a PNG), alt, wide_mm and high_mm; or, where there is nothing to
    draw, why (a sentence).
    """
    with warnings.catch_warnings():
        # a name in letters that the font lacks shows boxes; in the tables of the page it stands in full
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        return _drawn(study)


def _drawn(study):
    """The pictures, one after the other."""
    return {
        "strip": _picture(strip(study), _strip_words(study), "No tower of this line has a position."),
        "profile": _picture(route_profile(study), _profile_words(study), condition_charts.NO_FOOTING),
        "histogram": _picture(histogram(study), _histogram_words(study), condition_charts.NO_FOOTING),
    }


def _picture(figure: Figure | None, alt: str, why: str) -> dict[str, Any]:
    """One picture as the page takes it, or why there is none."""
    return pages.picture(figure, why if figure is None else alt)


def sheet(wide_mm: float, high_mm: float) -> Figure:
    """Page of a picture without heading: the text around it has one.

    Not registered with pyplot. `wide_mm`, `high_mm`: Size [mm].
    """
    figure = Figure(figsize=(wide_mm / 25.4, high_mm / 25.4), dpi=pages.DOTS, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def route_profile(study: Study) -> Figure | None:
    """Footing impedance along the route; None where there is none."""
    towers = tower_marks.with_value(study.condition)
    if not bool((towers["value_ohm"] > 0).any()):
        return None
    with style.house():
        figure = sheet(layout.WIDTH_MM, PROFILE_MM)
        room = layout.WIDTH_MM - condition_charts.LEFT_MM - layout.MARGIN_MM
        top = layout.legend(
            figure, condition_charts.profile_handles(towers), condition_charts.LEFT_MM, 1.5, room
        )
        axes = layout.new_panel(
            figure, condition_charts.LEFT_MM, top + 10, condition_charts.WIDE_MM, PROFILE_MM - top - 10 - 6
        )
        condition_charts.draw_profile(axes, towers, study.line)
        return figure


def histogram(study: Study) -> Figure | None:
    """Histogram of the footing impedances with limits; None where there is none."""
    towers = tower_marks.with_value(study.condition)
    tested = cast("pd.DataFrame", towers[towers["kind"].isin(tower_marks.TESTED) & (towers["value_ohm"] > 0)])
    if tested.empty:
        return None
    with style.house():
        figure = sheet(*HISTOGRAM_MM)
        top = layout.legend(figure, condition_charts.distribution_handles(tested), 4, 1.5, 98)
        condition_charts.draw_distribution(
            layout.new_panel(figure, 14, top + 10, 74, HISTOGRAM_MM[1] - top - 10 - 9), tested
        )
        return figure


def strip(study: Study) -> Figure | None:
    """The route to scale, turned so that the first station lies left; None without positions.

    Towers by class, the first of the priority list named, a scale bar, and an arrow to true north.
    """
    towers, _ = map_layers.framed(map_layers.placed(study.route, study.condition, "impedance"))
    if towers.empty:
        return None
    towers = towers.sort_values("chainage_m", kind="stable")
    stations, _ = map_layers.stations(towers, study.route.crs, study.line)
    turn, centre = turned(towers[["x", "y"]].to_numpy(float))
    towers, stations = (_placed(some, turn, centre) for some in (towers, stations))
    with style.house():
        figure, axes = _strip_panel(np.vstack([towers[["x", "y"]], stations[["x", "y"]]]))
        axes.plot(towers["x"], towers["y"], color=style.FAINT, linewidth=0.9, zorder=2)
        covered = _strip_towers(axes, towers)
        axes.plot(stations["x"], stations["y"], "s", markersize=6, color=style.INK, zorder=3)
        _strip_names(axes, towers, stations, study.priority, covered)
        _scale_bar(figure, axes)
        _north(figure, study.route.crs, turn, centre)
        return figure


def turned(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Turn that lays a route along the page, first tower left, and its middle.

    Rows: along the page, and up. `places`: Towers in route order on the grid [m].

    >>> turned(np.array([[0.0, 0.0], [0.0, 5.0]]))[0].round(9) + 0.0
    array([[ 0.,  1.],
           [-1.,  0.]])
    """
    centre = (places.min(axis=0) + places.max(axis=0)) / 2
    along = places[-1] - places[0]
    if not np.hypot(*along) > 0:
        along = np.array([1.0, 0.0])
    along = along / np.hypot(*along)
    return np.array([along, [-along[1], along[0]]]), centre


def _placed(some, turn, centre):
    """The same rows with their places turned."""
    places = (some[["x", "y"]].to_numpy(float) - centre) @ turn.T
    return some.assign(x=places[:, 0], y=places[:, 1])


def _strip_panel(places):
    """Page and panel of the strip, to scale."""
    low, high = places.min(axis=0), places.max(axis=0)
    wide, tall = np.maximum(high - low, 1.0)
    room = layout.WIDTH_MM - 2 * EDGE_MM
    metres = max(wide / room, tall / (STRIP_MM[1] - 2 * EDGE_MM))
    height = max(STRIP_MM[0], tall / metres + 2 * EDGE_MM)
    figure = sheet(layout.WIDTH_MM, height + 8)
    axes = layout.new_panel(figure, 0, 8, layout.WIDTH_MM, height)
    middle, half = (low + high) / 2, np.array([layout.WIDTH_MM, height]) * metres / 2
    axes.set(xlim=middle[0] + half[0] * np.array([-1, 1]), ylim=middle[1] + half[1] * np.array([-1, 1]))
    axes.set_axis_off()
    return figure, axes


def _strip_towers(axes, towers):
    """Draw the towers by class; give the boxes that they take."""
    size, covered = 4.2 if len(towers) <= 200 else 3.0, [np.empty((0, 4))]
    for order, (name, mark) in enumerate(style.MARKS.items()):
        some = towers[towers["kind"] == name]
        style.dots(axes, some["x"], some["y"], mark, name=name, size=size, zorder=4 + 0.1 * order)
        covered.append(layout.box_of(axes, some["x"], some["y"], size * mark.size))
    return np.vstack(covered)


def _strip_names(axes, towers, stations, priority, covered):
    """Name both stations, the first ten of the list, and round kilometres, given room."""
    covered = np.vstack([covered, layout.box_of(axes, stations["x"], stations["y"], 8)])
    wishes = [(s.x, s.y, layout.shortened(s.name, 45, style.TEXT_PT, "bold")) for s in each(stations)]
    taken = layout.place_labels(axes, wishes, covered, fontsize=style.TEXT_PT, weight="bold")
    first = priority.head(10).merge(towers[["tower_id", "x", "y"]], on="tower_id", validate="1:1")
    wishes = [(t.x, t.y, f"{t.rank}: {layout.shortened(t.tower_id, 24)}") for t in each(first)]
    layout.place_labels(axes, wishes, covered, taken)


def _scale_bar(figure, axes):
    """A bar of a round length at the foot."""
    metres = np.ptp(axes.get_xlim()) / layout.WIDTH_MM
    length = layout.round_step(BAR_MM * metres, 2)  # no longer than the bar may be
    wide = length / metres
    left, foot = layout.MARGIN_MM, 4.5
    figure.add_artist(_bar(figure, left, wide, foot))
    text = f"{plain(length / 1000)} km" if length >= 1000 else f"{plain(length)} m"
    layout.write_on(figure, left + wide + 2, foot, text, va="center")
    layout.write_on(
        figure, left + wide + 18, foot, "Number: rank in the priority list, then the tower.", va="center"
    )


def _bar(figure, left, wide, foot):
    """The bar itself."""
    return Line2D(
        [left, left, left + wide, left + wide],
        [foot + 1, foot, foot, foot + 1],
        color=style.INK,
        linewidth=1.2,
        transform=layout.millimetres(figure),
    )


def _north(figure, crs, turn, centre):
    """An arrow to true north at the right foot."""
    back = Transformer.from_crs(crs, 4326, always_xy=True)
    longitude, latitude = back.transform(*centre)
    step = -0.01 if latitude > 80 else 0.01
    there = Transformer.from_crs(4326, crs, always_xy=True).transform(longitude, latitude + step)
    way = turn @ ((np.array(there) - centre) * np.sign(step))
    way = 3.2 * way / np.hypot(*way)
    at = np.array([layout.WIDTH_MM - 9, 4.6])
    looks = {"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0}
    arrow = FancyArrowPatch(
        at - way, at + way, mutation_scale=7, transform=layout.millimetres(figure), **looks
    )
    figure.add_artist(arrow)
    layout.write_on(figure, at[0] - 5.5, at[1], "true north", ha="right", va="center")


def _strip_words(study):
    """The strip in words."""
    first = ", ".join(study.priority["tower_id"].head(10))
    return (
        f"Map strip of the route, {len(study.condition)} towers to scale, first station left. The first of the "
        f"priority list, in its order: {first}."
    )


def _profile_words(study):
    """The profile in words."""
    towers = tower_marks.with_value(study.condition)
    worst = tower_marks.worst(cast("pd.DataFrame", towers[towers["value_ohm"] > 0]), "impedance_rank", 5)
    return (
        f"Footing impedance along the route with bars for the interval of each reading, target and limit as steps. "
        f"{tower_marks.counts(towers)} Highest: {', '.join(f'{t.tower_id} {t.words}' for t in each(worst))}."
    )


def _histogram_words(study):
    """The histogram in words."""
    ohm = study.condition["footing_ohm"].astype(float).dropna()
    ends = ohm.quantile([0.1, 0.5, 0.9]).tolist() if len(ohm) else [float("nan")] * 3
    low, middle, high = (plain(float(f"{end:.3g}")) for end in ends)
    return (
        f"Histogram of {len(ohm)} footing impedances with target and limit: half of them at or below {middle} Ω, "
        f"a tenth at or below {low} Ω, a tenth above {high} Ω."
    )
