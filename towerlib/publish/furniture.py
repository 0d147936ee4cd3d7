"""Furniture of a map: legend, scale of colours, scale bar, north arrow, round chainages."""

import numpy as np
import pandas as pd
from matplotlib.colorbar import Colorbar
from matplotlib.colors import LogNorm
from matplotlib.patches import Polygon, Rectangle

from towerlib.publish import grid, lettering, map_page, page, scales, shown, style


def draw_legend(figure, layout, foot, handles, colours):
    """Legend and scale of colours, below the map or beside it (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    layout : map_page.Layout
        Where the map stands.
    foot : float
        Where the body of the page starts, from the bottom [mm].
    handles : list of artists
        Legend entries.
    colours : matplotlib.cm.ScalarMappable
        Colours of the values.
    """
    left, top = map_page.scales_corner(layout, foot)
    legend_left, legend_top = (left, top - 36) if layout.beside else (map_page.LEFT_MM, top)
    page.legend(figure, handles, legend_left, legend_top, 0, corner="upper left")
    _draw_colours(page.panel(figure, left, top - 19, 54, 3.5), colours)


def _draw_colours(axes, colours):
    """Scale of colours with round numbers; of a gap fraction it has an end for those below zero."""
    extend = "neither" if colours.norm.vmin > 0 else "min"
    bar = Colorbar(axes, colours, orientation="horizontal", extend=extend)
    logarithmic = isinstance(colours.norm, LogNorm)
    ticks = scales.round_numbers(colours.norm.vmin, colours.norm.vmax) if logarithmic else np.arange(6) / 5
    bar.set_ticks(ticks, labels=[lettering.plain(tick) for tick in ticks])
    bar.set_label(shown.IMPEDANCE if logarithmic else shown.GAP_FRACTION)
    bar.minorticks_off()
    bar.outline.set_linewidth(0.5)
    axes.xaxis.get_majorticklabels()  # made now, in the house style, and not when the caller saves


def draw_scale_and_north(figure, layout, foot, crs):
    """Bar of a round true length, and arrow to true north (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    layout : map_page.Layout
        Where the map stands; both are true at its middle.
    foot : float
        Where the body of the page starts, from the bottom [mm].
    crs : pyproj.CRS
        Of the map.
    """
    left, top = map_page.scales_corner(layout, foot)
    lengths = np.outer(10.0 ** np.arange(0, 7), [1, 2, 5]).ravel()
    longest = 38 * layout.m_per_mm * 1000 / grid.grid_metres(crs, *layout.centre, 1000)
    true_m = float(lengths[lengths <= max(longest, 1)][-1])
    bar_mm = grid.grid_metres(crs, *layout.centre, true_m) / layout.m_per_mm
    _draw_bar(figure, (left, top), bar_mm, true_m)
    _draw_north(figure, left + 52, top - 5, -grid.convergence_deg(crs, *layout.centre))


def _draw_bar(figure, corner, bar_mm, true_m):
    """Bar in two halves with its lengths above it."""
    left, top = corner
    for part, colour in enumerate((style.INK, "white")):
        half = Rectangle((left + part * bar_mm / 2, top - 6), bar_mm / 2, 1.4)
        half.set(facecolor=colour, edgecolor=style.INK, linewidth=0.6, gid="scale bar")
        half.set_transform(page.millimetres(figure))
        figure.add_artist(half)
    unit, metres = ("km", 1000) if true_m >= 1000 else ("m", 1)
    for share in (0, 0.5, 1):
        words = lettering.plain(share * true_m / metres) + (f" {unit}" if share == 1 else "")
        page.write(figure, left + share * bar_mm, top - 4, words, ha="center")


def _draw_north(figure, x_mm, y_mm, turn_deg):
    """Arrow to true north, turned clockwise from the top of the page."""
    way = np.array([np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
    side, tip = np.array([way[1], -way[0]]) * 1.6, np.array([x_mm, y_mm]) + 3 * way
    tail = tip - 7.5 * way
    arrow = Polygon([tip, tail + side, tail + 1.8 * way, tail - side], transform=page.millimetres(figure))
    arrow.set(facecolor=style.INK, edgecolor="none", gid="north arrow")
    figure.add_artist(arrow)
    page.write(figure, *(tip + 2.2 * way), "N", size=style.TEXT_PT, weight="bold", ha="center", va="center")


def chainages(towers):
    """Round chainages, twelve at most, with their places and the direction of the line there.

    Parameters
    ----------
    towers : pandas.DataFrame
        Towers inside the frame.

    Returns
    -------
    pandas.DataFrame
        One row a chainage: ``metres``, ``x``, ``y`` [m], and the unit vector ``east``, ``north``.
    """
    laid = towers.sort_values("chainage_m", kind="stable").drop_duplicates("chainage_m")
    along, x, y = laid[["chainage_m", "x", "y"]].dropna().to_numpy("float64").T
    if len(along) < 2:
        return pd.DataFrame(columns=["metres", "x", "y", "east", "north"], dtype="float64")
    step = scales.round_step(along[-1] / 1000, 12) * 1000
    metres = np.arange(1, along[-1] // step + 1) * step
    metres = metres[metres >= along[0]]
    span = np.searchsorted(along, metres, side="left").clip(1)
    way = np.column_stack([x[span] - x[span - 1], y[span] - y[span - 1]])
    east, north = (way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]).T
    places = {"x": np.interp(metres, along, x), "y": np.interp(metres, along, y)}
    return pd.DataFrame({"metres": metres, **places, "east": east, "north": north})


def draw_chainages(axes, ticks):
    """Stroke across the line at every round chainage (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel of the map.
    ticks : pandas.DataFrame
        As `chainages` gives it.
    """
    half = 1.6 * map_page.m_per_mm(axes)
    for t in ticks.itertuples():
        across = [t.x - half * t.north, t.x + half * t.north], [t.y + half * t.east, t.y - half * t.east]
        axes.plot(*across, color=style.INK, linewidth=0.9, zorder=3, gid="chainage mark")
