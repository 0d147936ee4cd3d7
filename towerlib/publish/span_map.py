"""Strip of a map along a stretch, turned so that the route runs from left to right."""

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patches import Polygon, Rectangle

from towerlib.publish import (
    boxes,
    grid,
    labels,
    lettering,
    markers,
    page,
    scales,
    span_axis,
    span_case,
    style,
)

HEAD = "Map, turned along the stretch"
NO_PLACE = "No two towers of this stretch have a position that can be drawn."


def draw_map(figure, place, found):
    """Draw the strip: spans, towers by class, suspected spans, scale bar and arrow to true north.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel, from the bottom of the page [mm].
    found : SpanCase
        The stretch.
    """
    route = found.line.study.route
    east, north = (getattr(route.towers.geometry, axis).to_numpy(float) for axis in "xy")
    points = np.column_stack([east, north])[found.stretch.towers]
    known = np.isfinite(points).all(axis=1)
    if known.sum() < 2:
        span_axis.missing(figure, place, HEAD, NO_PLACE)
        return
    turned, turn = _turned(points, known)
    high = place[1] - place[0] - span_axis.HEAD_MM - 4
    axes = page.panel(figure, span_axis.LEFT_MM, place[0] + 3, span_axis.WIDE_MM, high)
    m_per_mm = _frame(axes, turned[known], high)
    page.write(figure, span_axis.LEFT_MM, place[1] - 1, HEAD, weight="bold", va="top")
    covered = np.vstack([_draw_spans(axes, turned, found), *_draw_towers(axes, turned, found)])
    _name(axes, turned, found, covered)
    right = span_axis.LEFT_MM + span_axis.WIDE_MM + 2
    _draw_bar(figure, (right, place[0] + 6), m_per_mm)
    centre = points[known].mean(axis=0)
    way = np.deg2rad(grid.convergence_deg(route.crs, *centre))
    # True north lies convergence west of grid north; the page is turned by `turn` more.
    _draw_north(figure, (right + 8, place[1] - 14), np.pi / 2 + way - turn)


def _turned(points, known):
    """Places turned so that the chord from the first to the last tower points right, and its angle."""
    chord = points[known][-1] - points[known][0]
    angle = float(np.arctan2(chord[1], chord[0])) if np.hypot(*chord) > 0 else 0.0
    cos, sin = np.cos(angle), np.sin(angle)
    return (points - points[known][0]) @ np.array([[cos, -sin], [sin, cos]]), angle


def _frame(axes, places, high_mm):
    """Limits with one scale both ways; gives metres a millimetre."""
    low, top = places.min(axis=0), places.max(axis=0)
    m_per_mm = max(
        np.ptp(places[:, 0]) / (span_axis.WIDE_MM / 1.03), np.ptp(places[:, 1]) / (high_mm - 12), 1e-3
    )
    centre = (low + top) / 2
    half = np.array([span_axis.WIDE_MM, high_mm]) * m_per_mm / 2
    axes.set(xlim=centre[0] + half[0] * np.array([-1, 1]), ylim=centre[1] + half[1] * np.array([-1, 1]))
    axes.set(xticks=[], yticks=[])
    span_axis.boxed(axes)
    return m_per_mm


def _draw_spans(axes, turned, found):
    """Draw the spans, the suspected ones broad; give the boxes along them."""
    lines = np.stack([turned[:-1], turned[1:]], axis=1)
    scan = found.line.study.network.spans["span_scan"].iloc[found.stretch.spans] == "suspected"
    axes.add_collection(LineCollection(lines, colors=style.FAINT, linewidths=0.9, zorder=2), autolim=False)
    broad = LineCollection(lines[scan.to_numpy()], colors=span_axis.SUSPECT, linewidths=6, zorder=1)
    broad.set_gid("suspected span")
    axes.add_collection(broad, autolim=False)
    ends = axes.transData.transform(lines[np.isfinite(lines).all(axis=(1, 2))].reshape(-1, 2)).reshape(
        -1, 2, 2
    )
    steps = np.linspace(0, 1, 25)[:, None]
    return boxes.around(
        np.vstack([one + steps * (other - one) for one, other in ends] or [np.empty((0, 2))]), 4
    )


def _draw_towers(axes, turned, found):
    """Draw the towers by class, ringed where the bond is suspected; give their boxes."""
    covered = []
    for name, mark in markers.MARKS.items():
        here = (found.towers["kind"] == name).to_numpy() & np.isfinite(turned).all(axis=1)
        markers.dots(axes, *turned[here].T, mark, name=name, size=span_axis.size_pt(found))
        covered.append(boxes.of(axes, *turned[here].T, 6 * mark.size))
    suspected = found.line.study.network.towers["bond_suspect"].iloc[found.stretch.towers]
    here = suspected.eq(True).fillna(False).to_numpy(bool) & np.isfinite(turned).all(axis=1)
    axes.scatter(
        *turned[here].T, s=110, facecolors="none", edgecolors=span_axis.SUSPECT, linewidths=2, zorder=6
    )
    return covered


def _name(axes, turned, found, covered):
    """Name the towers, then the round kilometres, as many as there is room for."""
    known = np.isfinite(turned).all(axis=1)
    names = [lettering.shortened(name, 20) for name in found.tower_id]
    _, bonds = found.suspects
    ends = np.isin(np.arange(len(names)), [0, len(names) - 1])
    named = known & (np.isin(found.chainage_km, bonds) | ends | (len(names) <= span_case.MOST_CELLS))
    wishes = [(*place, name) for place, name, drawn in zip(turned, names, named, strict=True) if drawn]
    taken = labels.place(axes, wishes, covered)
    km = round_km(found)
    places = np.column_stack(
        [np.interp(km, found.chainage_km[known], turned[known, axis]) for axis in (0, 1)]
    )
    axes.scatter(*places.T, marker="|", s=60, color=style.INK, linewidths=0.8, zorder=3)
    wishes = [(*place, f"{lettering.plain(mark)} km") for place, mark in zip(places, km, strict=True)]
    labels.place(axes, wishes, covered, taken, style="italic", color="#444444")


def _draw_bar(figure, corner, m_per_mm):
    """Bar of a round length, as long as fits beside the strip."""
    lengths = np.outer(10.0 ** np.arange(0, 6), [1, 2, 5]).ravel()
    bar_m = float(lengths[lengths <= max(16 * m_per_mm, 1)][-1])
    bar = Rectangle(corner, bar_m / m_per_mm, 1.2, facecolor=style.INK, linewidth=0, gid="scale bar")
    bar.set_transform(page.millimetres(figure))
    figure.add_artist(bar)
    words = f"{lettering.plain(bar_m / 1000)} km" if bar_m >= 1000 else f"{lettering.plain(bar_m)} m"
    page.write(figure, corner[0], corner[1] + 2, words)


def _draw_north(figure, tip, angle):
    """Arrow to true north at an angle from the right of the page, counter-clockwise [rad]."""
    way = np.array([np.cos(angle), np.sin(angle)])
    side, tip = np.array([way[1], -way[0]]) * 1.6, np.asarray(tip) + 3.5 * way
    tail = tip - 7.5 * way
    arrow = Polygon([tip, tail + side, tail + 1.8 * way, tail - side], facecolor=style.INK, linewidth=0)
    arrow.set(transform=page.millimetres(figure), gid="north arrow")
    figure.add_artist(arrow)
    page.write(figure, *(tip + 2.2 * way), "N", size=style.TEXT_PT, weight="bold", ha="center", va="center")


def round_km(found):
    """Round chainages inside a stretch, six at most [km]."""
    low, high = np.nanmin(found.chainage_km), np.nanmax(found.chainage_km)
    step = scales.round_step(high - low, 6)
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
