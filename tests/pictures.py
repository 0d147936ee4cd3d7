"""Invented conditions for tests of pictures, and what can be read and seen in a picture."""

import io
from collections import Counter

import matplotlib as mpl
import numpy as np
import pandas as pd
import shapely
from matplotlib.text import Text

from towerlib.config import parse
from towerlib.report import style

EDGE_MM = 1  # texts end so far from the edge of the page at least
LINE = parse(
    """
    line = { id = "north-ridge", name = "North ridge 132 kV", voltage_kv = 132, frequency_hz = 50 }
    stations.first.name = "Brackwater"
    stations.last.name = "Stonefell"
    """
)


def condition(count, *, limits=(15.0,), ids="T{}"):
    """Invented condition of a line: with towers enough every class, rings, bounds and blanks occur."""
    random = np.random.default_rng(count)
    number = np.arange(count)
    footing = np.exp(random.normal(np.log(8), 0.8, count))
    bound = np.where(number % 7 == 3, footing / 2, np.nan)
    bound[number == 10] = 60.0  # a lower bound alone can lie above the limit
    footing[(number % 7 == 3) | (number % 11 == 5) | (number == 10)] = np.nan
    limit = np.resize(np.repeat(limits, 9), count).astype(float)
    certain = np.where(np.isnan(footing), bound, footing)
    known = ~np.isnan(footing)
    classes = np.select(
        [certain > limit, footing <= 5, known, ~np.isnan(certain)],
        ["above limit", "good", "acceptable", "lower limit only"],
        "not tested",
    )
    classes = np.where(known & (classes == "above limit") & (number % 4 == 1), "upper limit only", classes)
    ring = number % 8 == 6
    total = np.where(number % 13 == 9, np.nan, np.exp(random.normal(4.5, 1, count)))
    fraction = np.where(ring, 0.85, np.where(number % 17 == 4, 0.7, random.normal(0.02, 0.03, count)))
    leg_sum = total / (1 - fraction)
    towers = pd.DataFrame(
        {
            "tower_id": pd.array([ids.format(k + 1) for k in number], dtype="str"),
            "chainage_km": 0.35 * number,
            "footing_ohm": footing,
            "footing_low_ohm": footing / 1.3,
            "footing_high_ohm": footing * 1.3,
            "footing_date": pd.Timestamp("2026-03-14"),
            "lower_bound_ohm": bound,
            "target_ohm": 5.0,
            "limit_ohm": limit,
            "impedance_class": pd.array(classes, dtype="str"),
            "leakage_sum_ma": leg_sum,
            "leakage_total_ma": total,
            "gap_ma": leg_sum - total,
            "gap_fraction": (leg_sum - total) / leg_sum,
            "leakage_date": pd.Timestamp("2026-03-14"),
            "ring": pd.array(ring, dtype="boolean"),
        }
    )
    return ranked(towers)


def ranked(towers):
    """The same with both ranks; towers with a ring have no gap rank."""
    gap = towers["gap_fraction"].where(~towers["ring"].astype(bool))
    return towers.assign(
        impedance_rank=towers["footing_ohm"].rank(ascending=False, method="min").astype("Int64"),
        gap_rank=gap.rank(ascending=False, method="min").astype("Int64"),
    )


def written(figure):
    """Every visible text of a figure."""
    return [text for text in figure.findobj(Text) if text.get_visible() and text.get_text().strip()]


def words(figure):
    """All that can be read in a figure, in one string."""
    return "\n".join(text.get_text() for text in written(figure))


def crowded(figure):
    """Texts that overlap, come to the edge of the page or are too small to read, at two resolutions."""
    flaws = []
    for dots in (150, 200):
        figure.set_dpi(dots)
        figure.draw_without_rendering()
        renderer = figure.canvas.get_renderer()
        boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in written(figure)]
        inside = figure.bbox.padded(-EDGE_MM * dots / 25.4)
        flaws += [name for name, box in boxes if box.x0 < inside.x0 or box.y0 < inside.y0]
        flaws += [name for name, box in boxes if box.x1 > inside.x1 or box.y1 > inside.y1]
        outlines = [shapely.box(*box.extents) for _, box in boxes]
        tree = shapely.STRtree(outlines)
        for one, other in zip(*tree.query(outlines, predicate="intersects"), strict=True):
            if one < other and outlines[one].intersection(outlines[other]).area > 0:
                flaws.append((boxes[one][0], boxes[other][0]))
    return flaws + [text.get_text() for text in written(figure) if text.get_fontsize() < 7]


def drawn(figure):
    """Number of markers by class."""
    count = Counter()
    for artist in figure.findobj(mpl.collections.PathCollection):
        if (artist.get_gid() or "").startswith("towers: "):
            count[artist.get_gid().removeprefix("towers: ")] += len(artist.get_offsets())
    return {name: number for name, number in count.items() if number}


def png(figure):
    """Bytes of the picture as it is saved."""
    file = io.BytesIO()
    figure.savefig(file, **style.PNG)
    return file.getvalue()
