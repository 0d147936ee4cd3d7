"""Labels: they touch neither each other nor a marker, and a label without room leaves no trace."""

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.lines import Line2D

from towerlib.report import layout, style


@given(st.lists(st.tuples(*[st.floats(0, 10, width=16)] * 4), min_size=1, max_size=20), st.integers(0, 99))
def test_touching_and_crossing_agree_with_shapely(corners, seed):
    random = np.random.default_rng(seed)
    some = np.array([[min(a, c), min(b, d), max(a, c) + 0.1, max(b, d) + 0.1] for a, b, c, d in corners])
    others = random.uniform(0, 10, (6, 2))
    others = np.hstack([others, others + random.uniform(0.1, 3, (6, 2))])
    ground = shapely.union_all(shapely.box(*others.T))
    assert (
        layout.boxes_touching(some, others).tolist()
        == shapely.intersects(shapely.box(*some.T), ground).tolist()
    )
    lines = shapely.linestrings(np.stack([some[:, :2], some[:, 2:]], axis=1))
    assert (
        layout.boxes_crossing(some[:, :2], some[:, 2:], others).tolist()
        == shapely.intersects(lines, ground).tolist()
    )


@settings(max_examples=12, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=25))
def test_labels_never_touch_each_other_nor_a_marker(points):
    with style.house():
        figure, foot = layout.new_sheet(60, "Title", "subtitle")
        axes = layout.new_panel(figure, 20, foot + 10, 100, 45)
        axes.set(xlim=(0, 1), ylim=(0, 1))
        marks = layout.box_of(axes, *np.array(points).T, 4)
        layout.place_labels(axes, [(x, y, f"tower {k}") for k, (x, y) in enumerate(points)], marks)
    renderer = figure.canvas.get_renderer()
    placed = [text.get_window_extent(renderer).extents for text in figure.texts if text.get_gid() == "label"]
    assert placed
    assert not layout.boxes_touching(placed, marks).any()
    for number, label in enumerate(placed):
        assert not layout.boxes_touching([label], placed[:number]).any()


def test_labels_without_room_leave_no_trace():
    with style.house():
        figure, foot = layout.new_sheet(60, "Title", "subtitle")
        axes = layout.new_panel(figure, 20, foot + 10, 60, 25)
        axes.set(xlim=(0, 1), ylim=(0, 1))
        texts_before = len(figure.texts)
        wishes = [(0.5, 0.5, f"tower {number}") for number in range(99)]
        layout.place_labels(axes, wishes, layout.box_of(axes, [0.5], [0.5], 4))
    placed = [text.get_text() for text in figure.texts[texts_before:]]
    assert 0 < len(placed) < 99
    assert set(placed) <= {text for _, _, text in wishes}
    assert len(placed) == sum(line.get_gid() == "leader" for line in axes.artists + axes.lines)


def crowded(names):
    """A panel whose points all lie at one place in a row of markers, and the labels that it asks for."""
    with style.house():
        figure, foot = layout.new_sheet(60, "Title", "subtitle")
        axes = layout.new_panel(figure, 20, foot + 10, 100, 45)
        axes.set(xlim=(0, 1), ylim=(0, 1))
        marks = layout.box_of(axes, np.linspace(0, 1, 60), np.full(60, 0.5), 9)
        wishes = [(0.5 + 0.002 * place, 0.5, f"{name}: 38 Ω") for place, name in enumerate(names)]
        layout.place_all_labels(axes, wishes, marks)
    labels = [text for text in figure.texts if text.get_gid() == "label"]
    return figure, axes, labels, marks


def test_towers_that_a_reader_must_find_are_all_labelled_in_a_crowd():
    names = [f"tower {number}" for number in range(14)]
    figure, _, labels, marks = crowded(names)
    assert sorted(text.get_text() for text in labels) == sorted(f"{name}: 38 Ω" for name in names)
    boxes = [text.get_window_extent(figure.canvas.get_renderer()).extents for text in labels]
    assert not layout.boxes_touching(boxes, marks).any()
    assert not any(layout.boxes_touching([box], boxes[:number]).any() for number, box in enumerate(boxes))


def test_towers_without_any_room_for_a_label_are_named():
    names = [f"tower {number}" for number in range(150)]
    figure, _, labels, _ = crowded(names)
    assert 0 < len(labels) < len(names)
    first = next(name for name in names if f"{name}: 38 Ω" not in {text.get_text() for text in labels})
    assert any(text.get_text().startswith(f"No room for a label: {first}") for text in figure.texts)


def test_leaders_reach_their_points():
    _, axes, labels, _ = crowded(["a", "b", "c"])
    leaders = [line for line in axes.findobj(Line2D) if line.get_gid() == "leader"]
    assert len(leaders) == len(labels) == 3
    on_page = [line.get_transform().transform(line.get_xydata())[0] for line in leaders]
    ends = sorted(axes.transData.inverted().transform(on_page).tolist())
    np.testing.assert_allclose(ends, [[0.5, 0.5], [0.502, 0.5], [0.504, 0.5]], atol=1e-6)
