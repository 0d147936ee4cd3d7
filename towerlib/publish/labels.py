"""Labels beside their points that never overlap: each at the nearest free place, or left out."""

import numpy as np
from matplotlib.lines import Line2D

from towerlib.publish import boxes
from towerlib.publish.lettering import COARSE, one_line
from towerlib.publish.style import FAINT, SMALL_PT

ANGLES_DEG = np.r_[60, 120, 0, 180, 30, 150, 90, -30, -150, -60, -120, -90]
ANGLES_DEG = np.r_[ANGLES_DEG, ANGLES_DEG + 15, 60, 75, 105, 120, -60, -75, -105, -120]
SWAY = np.r_[np.full(24, 1.5), np.full(8, 4)]  # how soon a label stands beside its point rather than above it
PLATE = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.8}
LABEL = {"fontsize": SMALL_PT, "zorder": 9, "gid": "label", "ha": "center", "va": "center", "bbox": PLATE}
REACH_PT = (5, 8, 12, 17, 23, 30, 39, 50, 64, 80)


def place(axes, wishes, marks, taken=(), **looks):
    """Labels beside their points wherever there is room; a label without room is left out (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel; its place and limits must be final.
    wishes : list of (float, float, str)
        Point in the panel's units, and text; the most important first.
    marks : (n, 4) array
        Boxes of what is drawn [pixels of the figure]: no label lies on them, a leader line only if need be.
    taken : (m, 4) array
        Boxes of the labels that stand already: nothing lies on or crosses them.
    **looks
        Passed to the text.

    Returns
    -------
    (k, 4) array
        `taken` with the new labels and their leader lines.

    Notes
    -----
    Each label takes the nearest free one of 32 places at ten distances. If the order of the list leaves a
    label out, the orders along the panel are tried too, and the one with the most labels stands.
    """
    figure, unit = axes.figure, axes.figure.dpi / 72
    texts = [figure.text(0, 0, one_line(text), **(LABEL | looks)) for _, _, text in wishes]
    anchors = [axes.transData.transform(wish[:2]) for wish in wishes]
    marks, choices = np.asarray(marks, float).reshape(-1, 4), []
    for label, anchor in zip(texts, anchors, strict=True):
        extent = label.get_window_extent(figure.canvas.get_renderer())
        places = _places(anchor, np.array([extent.width * COARSE, extent.height]) + 2.4 * unit, unit)
        inside = (places[:, :2] >= axes.bbox.min).all(1) & (places[:, 2:] <= axes.bbox.max).all(1)
        choices.append(_off_the_marks(anchor, places[inside], marks))
    placed, taken = _arranged(anchors, choices, np.asarray(taken, float).reshape(-1, 4))
    to_page = figure.transFigure.inverted()
    for number, label in enumerate(texts):
        if number not in placed:
            label.remove()
            continue
        label.set_position(to_page.transform((placed[number][:2] + placed[number][2:]) / 2))
        _draw_leader(figure, anchors[number], placed[number], unit)
    return taken


def _arranged(anchors, choices, taken):
    """Boxes of the labels by number, in the order that finds room for most; and all that is taken then."""
    ways = [list(range(len(anchors)))]
    for axis in (0, 1):
        along = sorted(ways[0], key=lambda number, axis=axis: anchors[number][axis])
        ways += [along, along[::-1]]
    results = []
    for order in ways:
        results.append(_placed_in_order(order, anchors, choices, taken))
        if len(results[-1][0]) == len(anchors):
            break
    return max(results, key=lambda result: len(result[0]))


def _placed_in_order(order, anchors, choices, taken):
    """Boxes of the labels by number, each at its first free place; and all that is taken then."""
    placed = {}
    for number in order:
        places, anchor = choices[number], anchors[number]
        places = places[~boxes.touching(places, taken)]
        places = places[~boxes.crossing(*_leaders(anchor, places), taken)]
        if len(places):
            placed[number] = places[0]
            taken = np.vstack([taken, places[0], _along(*_leaders(anchor, places[:1]))])
    return placed, taken


def _places(anchor, size, unit):
    """Boxes a label could take about its point, nearest first."""
    angles = np.deg2rad(np.tile(ANGLES_DEG, len(REACH_PT)))
    steps = np.column_stack([np.cos(angles), np.sin(angles)])
    centres = anchor + steps * np.repeat(REACH_PT, len(ANGLES_DEG))[:, None] * unit
    centres = centres + np.clip(np.tile(SWAY, len(REACH_PT))[:, None] * steps, -1, 1) * size / 2
    return np.hstack([centres - size / 2, centres + size / 2])


def _off_the_marks(anchor, places, marks):
    """Places that lie on no marker: those whose leader crosses none, then those with a short leader."""
    if len(places):
        around = [*places[:, :2].min(0), *places[:, 2:].max(0)]
        marks = marks[boxes.touching(marks, [around])]  # the others are too far away to matter
    places = places[~boxes.touching(places, marks)]
    others = marks[~boxes.touching(marks, boxes.around(anchor, 10))]  # its own marker does not count
    starts, ends = _leaders(anchor, places)
    across = boxes.crossing(starts, ends, others)
    short = np.hypot(*(ends - starts).T) <= 1.5 * (places[:, 3] - places[:, 1])
    places, across = places[short | ~across], across[short | ~across]
    return places[np.argsort(across, kind="stable")]


def _leaders(anchor, places):
    """Leader lines from a point to the nearest points of its places: starts and ends."""
    way = np.clip(anchor, places[:, :2], places[:, 2:]) - anchor
    return anchor + 0.1 * way, anchor + 0.95 * way


def _along(starts, ends):
    """Boxes along one line."""
    steps = np.linspace(0, 1, int(np.hypot(*(ends - starts)[0]) / 2) + 2)[:, None]
    return boxes.around(starts + steps * (ends - starts), 1)


def _draw_leader(figure, anchor, box, unit):
    """Thin line from the edge of a marker to its label."""
    end = np.clip(anchor, box[:2], box[2:])
    start = anchor + 2.5 * unit * (end - anchor) / max(np.hypot(*(end - anchor)), 1)
    ends = figure.transFigure.inverted().transform([start, end])
    figure.add_artist(Line2D(*ends.T, transform=figure.transFigure, color=FAINT, linewidth=0.5, gid="leader"))
