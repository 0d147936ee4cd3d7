"""Charts of the condition of a line: profile along the route, worst towers, gap scatter, distribution.

Each chart is a figure of A4 width that the report saves; the profile and the distribution are also drawn on the page of
the line. A line without readings gives a page that says what is missing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from towerlib.errors import SettingsError
from towerlib.report import layout, style, tower_marks
from towerlib.report.tower_marks import each
from towerlib.text import listed, plain

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

    from towerlib.config import Line


def profile_notes(towers: pd.DataFrame) -> list[str]:
    """Sentences for the foot: how many towers, what bars and arrows mean, what is not drawn."""
    return [
        f"{tower_marks.counts(towers)} Bar: low to high end of the interval of a reading.",
        "Dot in the mark and arrow: lower limit only, the impedance lies above the mark.",
        *tower_marks.left_out(towers),
    ]


def profile_handles(towers: pd.DataFrame) -> list[Line2D]:
    """Legend entries of the classes with the number of towers, worst first."""
    count, labels = towers["kind"].value_counts(), tower_marks.class_labels(towers)
    marks = reversed(style.MARKS.items())
    return [style.entry(mark, f"{labels[name]} ({count.get(name, 0)})") for name, mark in marks]


def draw_profile(axes: Axes, towers: pd.DataFrame, line: Line) -> None:
    """Towers along the route with their intervals, targets and limits; the worst named (changes the axes)."""
    placed = cast("pd.DataFrame", towers[towers["chainage_km"].notna()])
    towers = placed.sort_values("chainage_km", kind="stable")
    _scale(axes, towers, line)
    covered = np.vstack([_draw_limits(axes, towers), _draw_towers(axes, towers)])
    worst = tower_marks.worst(
        cast("pd.DataFrame", towers[towers["value_ohm"] > 0]), "impedance_rank", tower_marks.NAMED
    )
    wishes = [(t.chainage_km, t.value_ohm, f"{t.tower_id}: {t.words}") for t in each(worst)]
    layout.place_all_labels(axes, wishes, covered)


def _scale(axes, towers, line):
    """Set both axes, and name the stations at the ends."""
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "target_ohm", "limit_ohm"]
    ohm = towers[columns].to_numpy("float64", na_value=np.nan)
    ohm = ohm[np.isfinite(ohm) & (ohm > 0)]
    layout.log_axis(axes.yaxis, ohm.min() / 1.8, ohm.max() * 2)
    route_axis(axes, towers, line)
    name_stations(axes, line)
    axes.set_ylabel(tower_marks.IMPEDANCE)


def route_axis(axes: Axes, towers: pd.DataFrame, line: Line) -> None:
    """Chainage along the lower edge (changes the axes)."""
    chainage_km = cast("pd.Series", towers["chainage_km"])
    low, high = chainage_km.min(), chainage_km.max()
    margin = 0.015 * (high - low) or 0.5
    axes.set_xlim(low - margin, high + margin)
    layout.linear_axis(axes.xaxis, 12)
    first = line.stations.first.name or "first station"
    axes.set_xlabel(f"Chainage from {layout.shortened(first, 80, style.TEXT_PT)} [km]")


def name_stations(axes: Axes, line: Line) -> None:
    """Both stations above the ends of a panel (changes the axes)."""
    first, last = line.stations.first.name or "first station", line.stations.last.name or "last station"
    axes.set_title(f"◀ {layout.shortened(first, 60, style.TEXT_PT)}", loc="left", fontsize=style.TEXT_PT)
    axes.set_title(f"{layout.shortened(last, 60, style.TEXT_PT)} ▶", loc="right", fontsize=style.TEXT_PT)


def _edges(chainage_km):
    """Borders of the stretches that belong to the towers: halfway to the neighbours."""
    if len(chainage_km) == 1:
        return chainage_km[0] + np.array([-0.5, 0.5])
    middles = (chainage_km[1:] + chainage_km[:-1]) / 2
    return np.concatenate([2 * chainage_km[:1] - middles[:1], middles, 2 * chainage_km[-1:] - middles[-1:]])


def _draw_limits(axes, towers):
    """Draw targets and limits as steps, named at the edge; give the boxes they take."""
    edges, names, points = _edges(towers["chainage_km"].to_numpy("float64")), [], []
    for word, dashes in {"target": (0, (1, 1.5)), "limit": (0, (5, 2))}.items():
        ohm = towers[f"{word}_ohm"].to_numpy("float64", na_value=np.nan)
        if np.isnan(ohm).all():
            continue
        axes.stairs(ohm, edges, baseline=None, color=style.INK, linewidth=0.9, linestyle=dashes, zorder=3)
        names.append((ohm[~np.isnan(ohm)][-1], tower_marks.limit_words(word, ohm)))
        along = np.linspace(edges[0], edges[-1], 400)
        stretch = np.searchsorted(edges, along, side="right").clip(1, len(ohm)) - 1
        points.append(axes.transData.transform(np.column_stack([along, ohm[stretch]])))
    layout.edge_labels(axes, names)
    return layout.box_around(np.vstack(points), 2) if points else np.empty((0, 4))


def _draw_towers(axes, towers):
    """Draw the towers; give the boxes that they and their bars take."""
    size, covered = 4.5 if len(towers) <= 300 else 3.2, [_draw_intervals(axes, towers)]
    for name, mark in style.MARKS.items():
        some = towers[towers["kind"] == name]
        if name == "not tested":
            looks = {"transform": axes.get_xaxis_transform(), "size": size}
            style.dots(axes, some["chainage_km"], np.full(len(some), 0.025), mark, name=name, **looks)
        else:
            some = some[some["value_ohm"] > 0]
            if name in style.BOUNDED:
                draw_open_ends(axes, some["chainage_km"], some["value_ohm"])
            style.dots(axes, some["chainage_km"], some["value_ohm"], mark, name=name, size=size)
            covered.append(layout.box_of(axes, some["chainage_km"], some["value_ohm"], size * mark.size))
    return np.vstack(covered)


def draw_open_ends(axes: Axes, x: ArrayLike, y: ArrayLike) -> None:
    """Arrows upwards from lower limits: the interval has no upper end (changes the axes)."""
    drawn = style.dots(axes, x, y, style.OPEN_END, zorder=2)
    drawn.set(gid="no upper end", edgecolors=style.FAINT, facecolors="none")


def _draw_intervals(axes, towers):
    """Draw the bars over the intervals; give their boxes."""
    x, low, high = (
        towers[["chainage_km", "footing_low_ohm", "footing_high_ohm"]].to_numpy("float64", na_value=np.nan).T
    )
    drawn = towers["kind"].isin(tower_marks.TESTED) & (towers["value_ohm"] > 0)
    known = drawn.to_numpy() & (high > 0) & np.isfinite(high) & ~np.isnan(low)
    floor = axes.get_ylim()[0]  # where a bar ends that reaches zero or below
    x, low, high = x[known], np.maximum(low[known], floor), high[known]
    axes.vlines(x, low, high, color=style.FAINT, linewidth=0.7, zorder=2)
    return interval_boxes(axes, x, low, high)


def interval_boxes(axes: Axes, x: ArrayLike, low: ArrayLike, high: ArrayLike) -> np.ndarray:
    """Boxes of upright bars, for the labels, shape (n, 4) [pixels of the figure]."""
    ends = [axes.transData.transform(np.column_stack([x, end])) for end in (low, high)]
    return np.hstack([ends[0] - 1, ends[1] + 1])


LEAST_ROWS = 6  # of which the height is kept free


def bar_notes(towers: pd.DataFrame) -> list[str]:
    """Sentences for the foot: what the gap is, who is not ranked by it, what the thin lines mean."""
    joined = towers["ring"].astype("boolean").fillna(False).astype(bool)
    unranked = (towers["gap_fraction"].notna() & towers["gap_rank"].isna() & joined).sum()
    return [
        f"Gap fraction = gap / arithmetic sum; {tower_marks.GAP_MEANING}",
        "Gaps are in the order of their rank: low end of the fraction by the coils, and a low total.",
        f"Measured but not ranked by gap, a ring joins the legs: {unranked}." if bool(unranked) else "",
        f"Thin line over a bar: low to high end of the interval of the reading. {tower_marks.counts(towers)}",
    ]


def bar_handles(footing: pd.DataFrame, gap: pd.DataFrame) -> list[Artist]:
    """Legend entries of both panels, as far as they occur."""
    found = [name for name in style.MARKS if bool((footing["kind"] == name).any())]
    entries: list[Artist] = [
        style.area(style.fill(name), style.CLASSES[name].label, style.hatch(name)) for name in found
    ]
    if bool(footing["limit_ohm"].notna().any()):
        looks = {"marker": "|", "markersize": 8, "markeredgewidth": 1.6, "color": style.INK}
        entries.append(Line2D([], [], linestyle="", label="limit of the tower", **looks))
    rings = [words for words in style.RINGS if (tower_marks.ring_words(gap) == words).any()]
    return entries + [style.area(style.tint(style.RINGS[words].colour), words) for words in rings]


def draw_impedance(figure: Figure, towers: pd.DataFrame, place: tuple[float, float, float]) -> None:
    """Left panel: worst by footing impedance, with intervals and limits; bottom, width, height [mm]."""
    axes = _panel(figure, layout.MARGIN_MM, place, towers, "Footing impedance")
    if towers.empty:
        return
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "limit_ohm"]
    value, low, high, limit = towers[columns].to_numpy("float64", na_value=np.nan).T
    low, high = np.where(towers["kind"].isin(tower_marks.TESTED) & np.isfinite(high), [low, high], np.nan)
    rows, colours = np.arange(len(towers)), [style.fill(name) for name in towers["kind"]]
    _draw_bars(axes, value, colours, towers["words"], np.fmax(np.fmax(value, high), limit))
    for bar, name in zip(axes.patches, towers["kind"], strict=True):
        bar.set_hatch(style.hatch(name))
    axes.hlines(rows, low, high, color=style.INK, linewidth=0.8, zorder=4)
    axes.vlines(limit, rows - 0.44, rows + 0.44, color=style.INK, linewidth=1.6, zorder=5)
    axes.set_xlabel(tower_marks.IMPEDANCE)


def draw_gap(figure: Figure, towers: pd.DataFrame, place: tuple[float, float, float]) -> None:
    """Right panel: worst by gap fraction, with the gap itself in words; bottom, width, height [mm]."""
    axes = _panel(figure, layout.WIDTH_MM / 2 + 2, place, towers, "Gap fraction, and gap in mA")
    if towers.empty:
        return
    value = towers["gap_fraction"].to_numpy("float64")
    gap = towers["gap_ma"].astype("float64").map(plain)
    words = [f"{fraction:.2f}   {current} mA" for fraction, current in zip(value, gap, strict=True)]
    colours = [style.tint(style.RINGS[ring].colour) for ring in tower_marks.ring_words(towers)]
    _draw_bars(axes, value, colours, words, value)
    axes.set_xlabel(tower_marks.GAP_FRACTION)


def _panel(figure, left_mm, place, towers, title):
    """Panel for bars with the tower ids at its left; its left side depends on the longest id."""
    bottom, wide, high = place
    names = [layout.shortened(name, 28) for name in towers["tower_id"]]
    indent = max([layout.width_mm(name) for name in names], default=0) + 4
    axes = layout.new_panel(figure, left_mm + indent, bottom, wide - indent - 3, high)
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
    text = np.array([layout.width_mm(phrase) + 2 for phrase in words])
    low = min(0, values.min())
    axes.set_xlim(low, low + ((ends - low) / (1 - np.minimum(text, 0.7 * room) / room)).max())
    axes.barh(rows, values, height=0.68, color=colours, edgecolor=style.INK, linewidth=0.5, zorder=3)
    for row, end, phrase in zip(rows, ends, words, strict=True):
        axes.annotate(
            phrase, (end, row), (3, 0), textcoords="offset points", va="center", fontsize=style.SMALL_PT
        )
    layout.linear_axis(axes.xaxis, 5)


SHARES = (0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.98)  # lines of equal gap fraction


def scatter_notes(count: int, read: pd.DataFrame, drawn: pd.DataFrame) -> list[str]:
    """Sentences for the foot: what the gap is, how many towers are drawn, what a ring does to it."""
    lost = read.loc[~read.index.isin(drawn.index), "tower_id"]
    return [
        f"Gap fraction = gap / arithmetic sum; {tower_marks.GAP_MEANING}",
        f"{len(read)} of {count} towers with leg currents and vector total.",
        "A ring or counterpoise that joins the legs makes a large gap with every connection sound.",
        f"Not drawn, current below zero or sum zero: {listed(lost)}." if len(lost) else "",
    ]


def scatter_handles(towers: pd.DataFrame) -> list[Line2D]:
    """Legend entries of towers without and with a ring, with their number."""
    count = tower_marks.ring_words(towers).value_counts()
    names = {words: f"{words} ({count.get(words, 0)})" for words in style.RINGS}
    return [style.entry(mark, names[words], 5) for words, mark in style.RINGS.items()]


def draw_scatter(axes: Axes, towers: pd.DataFrame) -> None:
    """Towers among the lines of equal gap fraction in a square panel; the worst named (changes the axes)."""
    _scatter_scale(axes, towers)
    _draw_shares(axes)
    covered, low = _draw_scattered_towers(axes, towers), axes.get_ylim()[0]
    wishes = [
        (t.leakage_sum_ma, max(t.leakage_total_ma, low), f"{t.tower_id}: {t.gap_fraction:.2f}")
        for t in each(tower_marks.worst(towers, "gap_rank", tower_marks.NAMED))
    ]
    layout.place_all_labels(axes, wishes, covered)


def _scatter_scale(axes, towers):
    """Set both axes to the same decades, so that equal gap fractions run at 45 degrees."""
    current = towers[["leakage_sum_ma", "leakage_total_ma"]].to_numpy("float64")
    low, high = current[current > 0].min() / 1.6, current.max() * 1.6
    layout.log_axis(axes.xaxis, low, high)
    layout.log_axis(axes.yaxis, low, high)
    axes.set(xlabel="Arithmetic sum of the leg currents [mA]", ylabel="Vector total of the leg currents [mA]")


def _draw_shares(axes):
    """Draw the lines of equal gap fraction, named at the edge as far as they stay apart."""
    low, high = axes.get_xlim()
    high_mm = axes.bbox.height / axes.figure.dpi * 25.4
    names, last = [], np.inf
    for share in SHARES:
        height = high_mm * np.log10((1 - share) * high / low) / np.log10(high / low)
        if height < 3 or last - height < 3.3:
            continue
        last = height
        ends = np.array([[low / (1 - share), low], [high, (1 - share) * high]])
        axes.plot(*ends.T, color=style.FAINT, linewidth=1.0 if share == 0 else 0.6, zorder=2)
        names.append(((1 - share) * high, "no gap" if share == 0 else f"gap fraction {share:g}"))
    layout.edge_labels(axes, names)


def _draw_scattered_towers(axes, towers):
    """Draw the towers; give the boxes they take."""
    size, low = 5.5 if len(towers) <= 300 else 4, axes.get_ylim()[0]
    ring, covered = tower_marks.ring_words(towers), [np.empty((0, 4))]
    for words, mark in style.RINGS.items():
        some = towers[ring == words]
        total = some["leakage_total_ma"].astype("float64").clip(lower=low)  # zero is drawn on the lower edge
        style.dots(axes, some["leakage_sum_ma"], total, mark, name=words, size=size, clip_on=False)
        covered.append(layout.box_of(axes, some["leakage_sum_ma"], total, size * mark.size))
    return np.vstack(covered)


def distribution_handles(tested: pd.DataFrame) -> list[Artist]:
    """Legend entries of the classes with the number of towers, and of the curve."""
    count = tested["kind"].value_counts()
    labels = tower_marks.class_labels(tested)
    bars = [
        style.area(style.fill(name), f"{labels[name]} ({count.get(name, 0)})") for name in tower_marks.TESTED
    ]
    return [*bars, Line2D([], [], color=style.INK, linewidth=1.2, label="share at or below (right axis)")]


def draw_distribution(axes: Axes, tested: pd.DataFrame) -> None:
    """Bars by class, targets and limits, and the cumulative share (changes the axes)."""
    _draw_histogram(axes, tested)
    _draw_cumulative(axes, tested)


def _draw_histogram(axes, towers):
    """Draw the bars by class and the limits."""
    ohm, classes = towers["value_ohm"].to_numpy("float64"), towers["kind"].to_numpy()
    limits = towers[["target_ohm", "limit_ohm"]].to_numpy("float64", na_value=np.nan)
    every = np.r_[ohm, limits[limits > 0]]
    first, last = np.floor(8 * np.log10(every.min())) - 1, np.ceil(8 * np.log10(every.max())) + 1
    bins = 10 ** (np.arange(first, last + 1) / 8)
    groups = [ohm[classes == name] for name in tower_marks.TESTED]
    looks = {
        "color": [style.fill(name) for name in tower_marks.TESTED],
        "edgecolor": style.INK,
        "linewidth": 0.5,
    }
    axes.hist(groups, bins, stacked=True, label=tower_marks.TESTED, **looks)
    layout.log_axis(axes.xaxis, bins[0], bins[-1])
    layout.linear_axis(axes.yaxis, min(6, max(1, int(axes.get_ylim()[1]))))
    axes.set(xlabel=tower_marks.IMPEDANCE, ylabel="Towers [count]")
    for word, side, dashes, ohm in zip(
        ["target", "limit"], ["right", "left"], [":", "--"], limits.T, strict=True
    ):
        _draw_limit_band(axes, ohm[~np.isnan(ohm)], word, side, dashes)


def _draw_limit_band(axes, ohm, word, side, dashes):
    """Draw one limit across the histogram: a line, or two where it differs from tower to tower."""
    if not len(ohm):
        return
    ends = np.unique([ohm.min(), ohm.max()])
    for end in ends:
        axes.axvline(end, color=style.INK, linewidth=0.9, linestyle=dashes)
    place = ends[0] if side == "right" else ends[-1]
    axes.annotate(
        tower_marks.limit_words(word, ohm),
        (place, 1.01),
        (2 if side == "left" else -2, 0),
        xycoords=axes.get_xaxis_transform(),
        textcoords="offset points",
        ha=side,
        fontsize=style.SMALL_PT,
    )


def _draw_cumulative(axes, towers):
    """Draw the share of towers at or below a value, on an axis of its own."""
    share = axes.twinx()
    ohm = np.sort(towers["value_ohm"].to_numpy("float64"))
    low, high = axes.get_xlim()
    percent = 100 * np.arange(len(ohm) + 1) / len(ohm)
    share.stairs(percent, np.r_[low, ohm, high], baseline=None, color=style.INK, linewidth=1.2)
    share.set_ylim(0, 105)
    layout.linear_axis(share.yaxis, 6)
    share.spines["right"].set_visible(True)
    share.set_ylabel("Share at or below [%]")


def _subtitle(line: Line, month: str) -> str:
    """The line, and the month that a chart is as of."""
    return f"{line.title}, as of {month}" if month else line.title


LEFT_MM, RIGHT_MM = 18, 24  # room for the numbers of an axis, and for the names of lines at the right edge
WIDE_MM = layout.WIDTH_MM - LEFT_MM - RIGHT_MM

NO_FOOTING = (
    "No tower of this line has a footing impedance that can be used. It comes from visits with the method "
    "“leg coils” or “shield wire lifted” that the quality rules did not refuse."
)
NO_GAP = (
    "No tower of this line has a leakage gap. It needs, from one visit, the leakage current of every leg "
    "(legs.csv) and the vector total of all legs (leakage_total_ma in visits.csv). Here "
    f"{tower_marks.GAP_MEANING}"
)


def route_profile(condition: pd.DataFrame, line: Line, *, month: str = "") -> Figure:
    """Footing impedance along the route, on a logarithmic scale, with targets and limits.

    Markers by class, bars over the interval of a reading, arrows at lower limits, towers not tested at the foot;
    the worst towers named. A reading at or below zero has no place on a logarithmic scale: it is named at the foot.

    >>> import pandas as pd
    >>> from towerlib.config import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(route_profile(pd.DataFrame(), line).texts[0].get_text())
    Footing impedance along the route
    """
    title, towers = "Footing impedance along the route", tower_marks.with_value(condition)
    if not bool((towers["value_ohm"] > 0).any()):
        return layout.blank(title, NO_FOOTING)
    with style.house():
        figure, foot = layout.new_sheet(105, title, _subtitle(line, month), profile_notes(towers))
        room = WIDE_MM + RIGHT_MM - layout.MARGIN_MM
        top = layout.legend(figure, profile_handles(towers), LEFT_MM, foot + 1, room)
        axes = layout.new_panel(figure, LEFT_MM, top + 12, WIDE_MM, foot + 99 - top - 12)
        draw_profile(axes, towers, line)
        return figure


def ranked_bars(condition: pd.DataFrame, line: Line, top: int = 20, *, month: str = "") -> Figure:
    """The `top` worst towers by footing impedance with interval and limit, and by gap fraction with the gap in mA.

    >>> import pandas as pd
    >>> from towerlib.config import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(ranked_bars(pd.DataFrame(), line).texts[0].get_text())
    Worst towers by footing impedance and by leakage gap
    """
    if top < 1:
        raise SettingsError(f"top = {top}: ranked_bars needs room for at least 1 tower")
    title, towers = "Worst towers by footing impedance and by leakage gap", tower_marks.with_value(condition)
    footing = tower_marks.worst(
        cast("pd.DataFrame", towers[towers["value_ohm"].notna()]), "impedance_rank", top
    )
    gap = tower_marks.worst(cast("pd.DataFrame", towers[towers["gap_fraction"].notna()]), "gap_rank", top)
    if footing.empty and gap.empty:
        return layout.blank(title, f"{NO_FOOTING} {NO_GAP}")
    with style.house():
        high, half = 4.4 * max(len(footing), len(gap), LEAST_ROWS), layout.WIDTH_MM / 2 - layout.MARGIN_MM
        figure, foot = layout.new_sheet(high + 27, title, _subtitle(line, month), bar_notes(towers))
        legend_top = layout.legend(figure, bar_handles(footing, gap), layout.MARGIN_MM, foot + 1, 2 * half)
        place = (legend_top + 11, half, foot + high + 20 - legend_top - 11)
        draw_impedance(figure, footing, place)
        draw_gap(figure, gap, place)
        return figure


def gap_scatter(condition: pd.DataFrame, line: Line, *, month: str = "") -> Figure:
    """Vector total against arithmetic sum of the leg currents; the worst by gap rank named.

    Equal gap fractions f are parallel lines on logarithmic axes: total = (1 − f)·sum. A point above the line f = 0 has
    a negative gap, as readings taken one after the other under a changing load can give.

    >>> import pandas as pd
    >>> from towerlib.config import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(gap_scatter(pd.DataFrame(), line).texts[0].get_text())
    Leakage: vector total against arithmetic sum
    """
    title, towers = "Leakage: vector total against arithmetic sum", tower_marks.with_value(condition)
    read = cast("pd.DataFrame", towers[towers["leakage_sum_ma"].notna() & towers["leakage_total_ma"].notna()])
    drawn = cast("pd.DataFrame", read[(read["leakage_sum_ma"] > 0) & (read["leakage_total_ma"] >= 0)])
    if drawn.empty:
        return layout.blank(title, NO_GAP)
    with style.house():
        figure, foot = layout.new_sheet(
            145, title, _subtitle(line, month), scatter_notes(len(towers), read, drawn)
        )
        top = layout.legend(figure, scatter_handles(drawn), LEFT_MM, foot + 1, WIDE_MM)
        side = foot + 144 - top - 12
        draw_scatter(layout.new_panel(figure, LEFT_MM, top + 12, side, side), drawn)
        return figure


def impedance_distribution(condition: pd.DataFrame, line: Line, *, month: str = "") -> Figure:
    """Histogram of the footing impedances, eight bins a decade, with their cumulative share, targets and limits.

    Lower limits are counted at the foot and not drawn: their true value is not known.

    >>> import pandas as pd
    >>> from towerlib.config import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(impedance_distribution(pd.DataFrame(), line).texts[0].get_text())
    Distribution of footing impedance
    """
    title, towers = "Distribution of footing impedance", tower_marks.with_value(condition)
    tested = cast("pd.DataFrame", towers[towers["kind"].isin(tower_marks.TESTED) & (towers["value_ohm"] > 0)])
    if tested.empty:
        return layout.blank(title, NO_FOOTING)
    with style.house():
        counts = f"{tower_marks.counts(towers)} Only towers with a footing impedance are drawn."
        figure, foot = layout.new_sheet(
            98, title, _subtitle(line, month), [counts, *tower_marks.left_out(towers)[:1]]
        )
        top = layout.legend(figure, distribution_handles(tested), LEFT_MM, foot + 1, WIDE_MM)
        draw_distribution(layout.new_panel(figure, LEFT_MM, top + 12, WIDE_MM, foot + 90 - top - 12), tested)
        return figure
