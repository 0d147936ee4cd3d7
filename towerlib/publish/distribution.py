"""Pieces of the histogram of footing impedances: bars by class, limits, and the cumulative share."""

import numpy as np
from matplotlib.lines import Line2D

from towerlib.publish import markers, scales, shown, style


def handles(tested):
    """Legend entries of the classes with the number of towers, and of the curve.

    Parameters
    ----------
    tested : pandas.DataFrame
        The towers drawn.

    Returns
    -------
    list of artists
    """
    count = tested["kind"].value_counts()
    bars = [markers.area(markers.fill(name), f"{name} ({count.get(name, 0)})") for name in shown.TESTED]
    return [*bars, Line2D([], [], color=style.INK, linewidth=1.2, label="share at or below (right axis)")]


def draw(axes, tested):
    """Bars by class, targets and limits, and the cumulative share (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel.
    tested : pandas.DataFrame
        As `shown.with_value` gives it; one row or more, all above zero.
    """
    _draw_histogram(axes, tested)
    _draw_cumulative(axes, tested)


def _draw_histogram(axes, towers):
    """Draw the bars by class and the limits."""
    ohm, classes = towers["value_ohm"].to_numpy("float64"), towers["kind"].to_numpy()
    limits = towers[["target_ohm", "limit_ohm"]].to_numpy("float64", na_value=np.nan)
    every = np.r_[ohm, limits[limits > 0]]
    first, last = np.floor(8 * np.log10(every.min())) - 1, np.ceil(8 * np.log10(every.max())) + 1
    bins = 10 ** (np.arange(first, last + 1) / 8)
    groups = [ohm[classes == name] for name in shown.TESTED]
    looks = {"color": [markers.fill(name) for name in shown.TESTED], "edgecolor": style.INK, "linewidth": 0.5}
    axes.hist(groups, bins, stacked=True, label=shown.TESTED, **looks)
    scales.log_axis(axes.xaxis, bins[0], bins[-1])
    scales.linear_axis(axes.yaxis, min(6, max(1, int(axes.get_ylim()[1]))))
    axes.set(xlabel=shown.IMPEDANCE, ylabel="Towers [count]")
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
        shown.limit_words(word, ohm),
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
    scales.linear_axis(share.yaxis, 6)
    share.spines["right"].set_visible(True)
    share.set_ylabel("Share at or below [%]")
