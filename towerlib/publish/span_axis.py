"""Panels one under the other over one chainage axis, with what is suspected marked through all of them."""

import numpy as np
from matplotlib.ticker import FixedFormatter, FixedLocator

from towerlib.publish import lettering, page, style, tower_layout

LEFT_MM, RIGHT_MM = 18, 24  # as of the profile along the whole route
WIDE_MM = page.WIDTH_MM - LEFT_MM - RIGHT_MM
HEAD_MM, AXIS_MM = 5, 6  # above and below the axes of a panel
SUSPECT = "#d9b23c"


def panel(figure, place, found, head, handles=()):
    """Axes of one panel over the towers of a stretch.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel with its heading, from the bottom of the page [mm].
    found : SpanCase
        The stretch.
    head : str
        Heading.
    handles : list of artists
        Legend, under the heading.

    Returns
    -------
    matplotlib.axes.Axes
    """
    bottom, top = place
    room = page.WIDTH_MM - LEFT_MM - page.MARGIN_MM
    page.write(
        figure, LEFT_MM, top - 1, lettering.shortened(head, room, weight="bold"), weight="bold", va="top"
    )
    top -= HEAD_MM
    if handles:
        page.legend(figure, handles, LEFT_MM, top, room, corner="upper left")
        top = figure.legends[-1].get_window_extent(figure.canvas.get_renderer()).y0 * 25.4 / figure.dpi
    axes = page.panel(figure, LEFT_MM, bottom + AXIS_MM, WIDE_MM, top - 2 - bottom - AXIS_MM)
    axes.set_xlim(*found.ends_km)
    name_towers(axes, found)
    mark_suspects(axes, found)
    return axes


def name_towers(axes, found):
    """Ticks at the towers, named as far as there is room (changes the axes)."""
    low, high = found.ends_km
    mm_per_km = WIDE_MM / (high - low)
    names, free = [], -np.inf
    for x, name in zip(found.chainage_km, found.tower_id, strict=True):
        short = lettering.shortened(name, 14)
        half = lettering.width_mm(short) / 2 + 0.5
        fits = (x - low) * mm_per_km - half >= free
        names.append(short if fits else "")
        free = (x - low) * mm_per_km + half if fits else free
    axes.xaxis.set_major_locator(FixedLocator(found.chainage_km))
    axes.xaxis.set_major_formatter(FixedFormatter(names))
    axes.get_xticklabels()


def mark_suspects(axes, found):
    """Bands over suspected spans, lines at suspected bonds (changes the axes)."""
    spans, bonds = found.suspects
    for low, high in spans:
        axes.axvspan(low, high, color=SUSPECT, alpha=0.35, linewidth=0, zorder=0, gid="suspected span")
    for x in bonds:
        axes.axvline(x, color=SUSPECT, linewidth=3, alpha=0.6, zorder=0, gid="suspected bond")


def log_scale(axes, values):
    """Logarithmic height that holds all values above 0 with some air, its numbers apart (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel.
    values : array
        What is drawn; one above 0 at least.
    """
    values = np.asarray(values, float).ravel()
    values = values[np.isfinite(values) & (values > 0)]
    air = max(1.3, (values.max() / values.min()) ** 0.12)
    low, high = values.min() / air, values.max() * air
    tower_layout.log_scale(axes.yaxis, low, high)
    high_mm = axes.bbox.height * 25.4 / axes.figure.dpi
    if len(axes.get_yticks()) * page.LINE_MM > high_mm:
        tens = 10.0 ** np.arange(np.ceil(np.log10(low)), np.floor(np.log10(high)) + 1)
        axes.yaxis.set_major_locator(FixedLocator(tens))
    axes.get_yticklabels()


def size_pt(found):
    """Diameter of the marker of a tower: smaller where there are many [pt]."""
    return 4.5 if len(found.towers) <= 40 else 2.5


def missing(figure, place, head, sentence):
    """Say in a panel's place what is missing (changes the figure)."""
    page.write(figure, LEFT_MM, place[1] - 1, head, weight="bold", va="top")
    for row, line in enumerate(lettering.wrapped(sentence, WIDE_MM + RIGHT_MM - 6)):
        page.write(figure, LEFT_MM, place[1] - 6 - page.LINE_MM * row, line, va="top", color="#444444")


def cells(found):
    """Half the width that each tower has on the axis without touching its neighbours [km], shape (n,)."""
    x = found.chainage_km
    gaps = np.diff(x)
    half = np.minimum(np.r_[gaps[:1], gaps], np.r_[gaps, gaps[-1:]]) / 2
    return 0.88 * half


def rows_of(figure, found, panels, top):
    """Draw panels one under the other (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    found : SpanCase
        The stretch.
    panels : list of (callable, float)
        How to draw each, and its height [mm].
    top : float
        Where the first one begins, from the bottom of the page [mm].
    """
    for draw, high in panels:
        draw(figure, (top - high, top), found)
        top -= high


def boxed(axes):
    """Frame on all four sides, so that a panel reads as one (changes the axes)."""
    for spine in axes.spines.values():
        spine.set(visible=True, linewidth=0.4, color=style.FAINT)
