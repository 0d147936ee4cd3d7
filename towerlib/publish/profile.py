"""Pieces of the profile along the route: towers with their intervals, targets and limits as steps."""

from dataclasses import replace

import numpy as np

from towerlib.publish import boxes, labels, lettering, markers, scales, shown, style

MARKS = markers.MARKS | {
    "not tested": markers.Mark(markers.TICK, style.INK, 1.2),
    "lower bound only": replace(markers.MARKS["lower bound only"], shape=markers.STANDING, size=3),
    "above limit, lower bound": replace(
        markers.MARKS["above limit, lower bound"], shape=markers.STANDING, size=3
    ),
}


def notes(towers):
    """Sentences for the foot: how many towers, what bars and arrows mean, what is not drawn.

    Parameters
    ----------
    towers : pandas.DataFrame
        As `shown.with_value` gives it.

    Returns
    -------
    list of str
    """
    return [
        f"{shown.counts(towers)} Bar: low to high end of the interval of a reading.",
        "Arrow: the impedance is at least the value at the foot of the arrow.",
        *shown.left_out(towers),
    ]


def handles(towers):
    """Legend entries of the classes with the number of towers, worst first.

    Parameters
    ----------
    towers : pandas.DataFrame
        As `shown.with_value` gives it.

    Returns
    -------
    list of matplotlib.lines.Line2D
    """
    count = towers["kind"].value_counts()
    marks = markers.MARKS | {"not tested": MARKS["not tested"]}
    return [markers.entry(marks[name], f"{name} ({count.get(name, 0)})") for name in reversed(marks)]


def draw(axes, towers, line):
    """Towers along the route with their intervals, targets and limits; the worst named (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel; its place must be final.
    towers : pandas.DataFrame
        As `shown.with_value` gives it; at least one value above zero.
    line : towerlib.line.Line
        Names of the stations.
    """
    towers = towers[towers["chainage_km"].notna()].sort_values("chainage_km", kind="stable")
    _scale(axes, towers, line)
    covered = np.vstack([_draw_limits(axes, towers), _draw_towers(axes, towers)])
    worst = shown.worst(towers[towers["value_ohm"] > 0], "impedance_rank", shown.NAMED)
    wishes = [(t.chainage_km, t.value_ohm, f"{t.tower_id}: {t.words}") for t in worst.itertuples()]
    labels.place(axes, wishes, covered)


def _scale(axes, towers, line):
    """Set both axes, and name the stations at the ends."""
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "target_ohm", "limit_ohm"]
    ohm = towers[columns].to_numpy("float64", na_value=np.nan)
    ohm = ohm[np.isfinite(ohm) & (ohm > 0)]
    scales.log_axis(axes.yaxis, ohm.min() / 1.8, ohm.max() * 2)
    low, high = towers["chainage_km"].min(), towers["chainage_km"].max()
    margin = 0.015 * (high - low) or 0.5
    axes.set_xlim(low - margin, high + margin)
    scales.linear_axis(axes.xaxis, 12)
    first, last = line.stations.first.name or "first station", line.stations.last.name or "last station"
    axes.set_xlabel(f"Chainage from {lettering.shortened(first, 80, style.TEXT_PT)} [km]")
    axes.set_ylabel(shown.IMPEDANCE)
    axes.set_title(f"◀ {lettering.shortened(first, 60, style.TEXT_PT)}", loc="left", fontsize=style.TEXT_PT)
    axes.set_title(f"{lettering.shortened(last, 60, style.TEXT_PT)} ▶", loc="right", fontsize=style.TEXT_PT)


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
        names.append((ohm[~np.isnan(ohm)][-1], shown.limit_words(word, ohm)))
        along = np.linspace(edges[0], edges[-1], 400)
        stretch = np.searchsorted(edges, along, side="right").clip(1, len(ohm)) - 1
        points.append(axes.transData.transform(np.column_stack([along, ohm[stretch]])))
    scales.edge_labels(axes, names)
    return boxes.around(np.vstack(points), 2) if points else np.empty((0, 4))


def _draw_towers(axes, towers):
    """Draw the towers; give the boxes that they and their bars take."""
    size, covered = 4.5 if len(towers) <= 300 else 3.2, [_draw_intervals(axes, towers)]
    for name, mark in MARKS.items():
        some = towers[towers["kind"] == name]
        if name == "not tested":
            looks = {"transform": axes.get_xaxis_transform(), "linewidths": 0.8}
            markers.dots(axes, some["chainage_km"], np.full(len(some), 0.02), mark, name=name, **looks)
        else:
            some = some[some["value_ohm"] > 0]
            markers.dots(axes, some["chainage_km"], some["value_ohm"], mark, name=name, size=size)
            covered.append(boxes.of(axes, some["chainage_km"], some["value_ohm"], size * mark.size))
    return np.vstack(covered)


def _draw_intervals(axes, towers):
    """Draw the bars over the intervals; give their boxes."""
    x, low, high = (
        towers[["chainage_km", "footing_low_ohm", "footing_high_ohm"]].to_numpy("float64", na_value=np.nan).T
    )
    drawn = towers["kind"].isin(shown.TESTED) & (towers["value_ohm"] > 0)
    known = drawn.to_numpy() & (high > 0) & np.isfinite(high) & ~np.isnan(low)
    floor = axes.get_ylim()[0]  # where a bar ends that reaches zero or below
    x, low, high = x[known], np.maximum(low[known], floor), high[known]
    axes.vlines(x, low, high, color=style.FAINT, linewidth=0.7, zorder=2)
    ends = (
        axes.transData.transform(np.column_stack([x, low])),
        axes.transData.transform(np.column_stack([x, high])),
    )
    return np.hstack([ends[0] - 1, ends[1] + 1])
