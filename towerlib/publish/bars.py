"""Pieces of the panels of worst towers: one bar a tower with its words behind it."""

import numpy as np
from matplotlib.lines import Line2D

from towerlib.publish import lettering, markers, page, scales, shown, style

LEAST_ROWS = 6  # of which the height is kept free


def notes(towers):
    """Sentences for the foot: what the gap is, who is not ranked by it, what the thin lines mean.

    Parameters
    ----------
    towers : pandas.DataFrame
        As `shown.with_value` gives it.

    Returns
    -------
    list of str
    """
    joined = towers["ring"].astype("boolean").fillna(False).astype(bool)
    unranked = (towers["gap_fraction"].notna() & towers["gap_rank"].isna() & joined).sum()
    return [
        f"Gap fraction = gap / arithmetic sum; {shown.GAP_MEANING}",
        "Gaps stand in the order of their rank: what the coils leave certain of the fraction, and a low total.",
        f"Measured but not ranked by gap, a ring joins the legs: {unranked}." if unranked else "",
        f"Thin line over a bar: low to high end of the interval of the reading. {shown.counts(towers)}",
    ]


def handles(footing, gap):
    """Legend entries of both panels, as far as they occur.

    Parameters
    ----------
    footing, gap : pandas.DataFrame
        The worst towers of each panel.

    Returns
    -------
    list of artists
    """
    found = [name for name in markers.MARKS if (footing["kind"] == name).any()]
    entries = [markers.area(markers.fill(name), name) for name in found]
    if footing["limit_ohm"].notna().any():
        looks = {"marker": "|", "markersize": 8, "markeredgewidth": 1.6, "color": style.INK}
        entries.append(Line2D([], [], linestyle="", label="limit of the tower", **looks))
    rings = [words for words in markers.RINGS if (shown.ring_words(gap) == words).any()]
    return entries + [markers.area(style.tint(markers.RINGS[words].colour), words) for words in rings]


def draw_impedance(figure, towers, place):
    """Left panel: worst by footing impedance, with intervals and limits (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    towers : pandas.DataFrame
        In the order of their rank; may be empty.
    place : (float, float, float)
        Bottom, width and height of the panel with its ids [mm].
    """
    axes = _panel(figure, page.MARGIN_MM, place, towers, "Footing impedance")
    if towers.empty:
        return
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "limit_ohm"]
    value, low, high, limit = towers[columns].to_numpy("float64", na_value=np.nan).T
    low, high = np.where(towers["kind"].isin(shown.TESTED) & np.isfinite(high), [low, high], np.nan)
    rows, colours = np.arange(len(towers)), [markers.fill(name) for name in towers["kind"]]
    _draw_bars(axes, value, colours, towers["words"], np.fmax(np.fmax(value, high), limit))
    axes.hlines(rows, low, high, color=style.INK, linewidth=0.8, zorder=4)
    axes.vlines(limit, rows - 0.44, rows + 0.44, color=style.INK, linewidth=1.6, zorder=5)
    axes.set_xlabel(shown.IMPEDANCE)


def draw_gap(figure, towers, place):
    """Right panel: worst by gap fraction, with the gap itself in words (changes the figure).

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page.
    towers : pandas.DataFrame
        In the order of their rank; may be empty.
    place : (float, float, float)
        Bottom, width and height of the panel with its ids [mm].
    """
    axes = _panel(figure, page.WIDTH_MM / 2 + 2, place, towers, "Gap fraction, and gap in mA")
    if towers.empty:
        return
    value = towers["gap_fraction"].to_numpy("float64")
    gap = towers["gap_ma"].astype("float64").map(lettering.plain)
    words = [f"{fraction:.2f}   {current} mA" for fraction, current in zip(value, gap, strict=True)]
    colours = [style.tint(markers.RINGS[ring].colour) for ring in shown.ring_words(towers)]
    _draw_bars(axes, value, colours, words, value)
    axes.set_xlabel(shown.GAP_FRACTION)


def _panel(figure, left_mm, place, towers, title):
    """Panel for bars with the tower ids at its left; its left side depends on the longest id."""
    bottom, wide, high = place
    names = [lettering.shortened(name, 28) for name in towers["tower_id"]]
    indent = max([lettering.width_mm(name) for name in names], default=0) + 4
    axes = page.panel(figure, left_mm + indent, bottom, wide - indent - 3, high)
    axes.set_yticks(np.arange(len(names)), names, parse_math=False)
    axes.set_ylim(max(len(names), LEAST_ROWS) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.set_title(title, loc="left", fontsize=style.TEXT_PT)
    if towers.empty:
        axes.set_axis_off()
        axes.text(0, 0.5, "nothing to rank yet", transform=axes.transAxes)
    return axes


def _draw_bars(axes, values, colours, words, ends):
    """Draw one bar a tower with its words behind whatever of the row reaches furthest right."""
    rows, ends = np.arange(len(values)), np.fmax(ends, 0)
    room = axes.bbox.width / axes.figure.dpi * 25.4
    text = np.array([lettering.width_mm(phrase) + 2 for phrase in words])
    low = min(0, values.min())
    axes.set_xlim(low, low + ((ends - low) / (1 - np.minimum(text, 0.7 * room) / room)).max())
    axes.barh(rows, values, height=0.68, color=colours, edgecolor=style.INK, linewidth=0.5, zorder=3)
    for row, end, phrase in zip(rows, ends, words, strict=True):
        axes.annotate(
            phrase, (end, row), (3, 0), textcoords="offset points", va="center", fontsize=style.SMALL_PT
        )
    scales.linear_axis(axes.xaxis, 5)
