"""Pieces of the leakage picture: lines of equal gap fraction, and the towers among them."""

import numpy as np

from towerlib.publish import boxes, labels, lettering, markers, scales, shown, style

SHARES = (0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.98)  # lines of equal gap fraction


def notes(count, read, drawn):
    """Sentences for the foot: what the gap is, how many towers are drawn, what a ring does to it.

    Parameters
    ----------
    count : int
        Towers of the line.
    read, drawn : pandas.DataFrame
        Those with leg currents and vector total, and those of them that can be drawn.

    Returns
    -------
    list of str
    """
    lost = read.loc[~read.index.isin(drawn.index), "tower_id"]
    return [
        f"Gap fraction = gap / arithmetic sum; {shown.GAP_MEANING}",
        f"{len(read)} of {count} towers with leg currents and vector total.",
        "A ring or counterpoise that joins the legs makes a large gap with every connection sound.",
        f"Not drawn, current below zero or sum zero: {lettering.listed(lost)}." if len(lost) else "",
    ]


def handles(towers):
    """Legend entries of towers without and with a ring, with their number.

    Parameters
    ----------
    towers : pandas.DataFrame
        The towers drawn.

    Returns
    -------
    list of matplotlib.lines.Line2D
    """
    count = shown.ring_words(towers).value_counts()
    names = {words: f"{words} ({count.get(words, 0)})" for words in markers.RINGS}
    return [markers.entry(mark, names[words], 5) for words, mark in markers.RINGS.items()]


def draw(axes, towers):
    """Towers among the lines of equal gap fraction; the worst by gap rank named (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Square panel; its place must be final.
    towers : pandas.DataFrame
        One row or more, with a sum above zero and a total of zero or more.
    """
    _scale(axes, towers)
    _draw_shares(axes)
    covered, low = _draw_towers(axes, towers), axes.get_ylim()[0]
    wishes = [
        (t.leakage_sum_ma, max(t.leakage_total_ma, low), f"{t.tower_id}: {t.gap_fraction:.2f}")
        for t in shown.worst(towers, "gap_rank", shown.NAMED).itertuples()
    ]
    labels.place(axes, wishes, covered)


def _scale(axes, towers):
    """Set both axes to the same decades, so that equal gap fractions run at 45 degrees."""
    current = towers[["leakage_sum_ma", "leakage_total_ma"]].to_numpy("float64")
    low, high = current[current > 0].min() / 1.6, current.max() * 1.6
    scales.log_axis(axes.xaxis, low, high)
    scales.log_axis(axes.yaxis, low, high)
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
    scales.edge_labels(axes, names)


def _draw_towers(axes, towers):
    """Draw the towers; give the boxes they take."""
    size, low = 5.5 if len(towers) <= 300 else 4, axes.get_ylim()[0]
    ring, covered = shown.ring_words(towers), [np.empty((0, 4))]
    for words, mark in markers.RINGS.items():
        some = towers[ring == words]
        total = some["leakage_total_ma"].astype("float64").clip(lower=low)  # zero stands on the lower edge
        markers.dots(axes, some["leakage_sum_ma"], total, mark, name=words, size=size, clip_on=False)
        covered.append(boxes.of(axes, some["leakage_sum_ma"], total, size * mark.size))
    return np.vstack(covered)
