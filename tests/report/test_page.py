"""Pages: heading and foot stay on the paper, whatever is written and however coarse the pixels are."""

import io

import numpy as np
import pytest
from matplotlib.image import imread
from pictures import LINE, condition
from test_maps import route

from towerlib.report import condition_charts, layout, maps, style

RESOLUTIONS = [72, 96, 100, 120, 150, 200, 300]  # dots an inch: screens, the files of a report, print
SENTENCES = [
    *maps.MEANINGS.values(),
    "As of 2026-06. Grid: WGS 84 / UTM zone 27S (EPSG:32727); its north lies 1.22° west of true north at "
    "mid-map.",
    "Newest reading 2026-06. Grid: OSGB36 / British National Grid (EPSG:27700); its north lies 1.22° west of "
    "true north at mid-map.",
    "140 towers: 125 with an impedance, 11 lower limit only, 4 not tested. Bar: low to high end.",
    "Outside the frame, place in doubt: T1111111, T1111112, T1111113, T1111114, T1111115, T12 and 11 more.",
]
PICTURES = {
    "map": lambda: maps.route_map(route(60), condition(60), LINE),
    "gap map": lambda: maps.route_map(route(60, "north"), condition(60), LINE, by="gap"),
    "profile": lambda: condition_charts.route_profile(condition(60), LINE),
    "bars": lambda: condition_charts.ranked_bars(condition(60), LINE),
    "gap scatter": lambda: condition_charts.gap_scatter(condition(60), LINE),
    "distribution": lambda: condition_charts.impedance_distribution(condition(60), LINE),
}


@pytest.mark.parametrize("dots", RESOLUTIONS)
def test_a_full_line_never_reaches_the_edge_of_the_page(dots):
    """Letters are snapped to pixels and so wider than designed; every width of the page fills other lines."""
    for width in np.arange(100, 182, 16):
        with style.house():
            figure, _ = layout.new_sheet(10, "Title", "subtitle", SENTENCES, width=width)
            figure.set_dpi(dots)
            renderer = figure.canvas.get_renderer()
            reach = max(text.get_window_extent(renderer).x1 for text in figure.texts)
        assert reach < figure.bbox.x1 - dots / 25.4  # 1 mm


@pytest.mark.parametrize("draw", PICTURES.values(), ids=PICTURES)
def test_a_saved_picture_has_a_white_edge(draw):
    """At the resolution of a report's files, in the pixels themselves."""
    file = io.BytesIO()
    draw().savefig(file, dpi=150, format="png")
    pixels = imread(io.BytesIO(file.getvalue()))
    edge = 6  # pixels, 1 mm
    for strip in (pixels[:edge], pixels[-edge:], pixels[:, :edge], pixels[:, -edge:]):
        assert (strip == 1).all()


def test_no_sentence_loses_a_word():
    for sentence in SENTENCES:
        assert " ".join(layout.wrapped(sentence, 172)) == sentence


def test_a_word_wider_than_the_page_is_cut():
    (line,) = layout.wrapped("W" * 300, 172)
    assert line.endswith("…")
    assert layout.width_mm(line) <= 172
