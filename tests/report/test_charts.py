"""Charts: what is drawn, in words and numbers; no snapshots of pixels."""

import re
from itertools import pairwise

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from matplotlib.patches import Rectangle, StepPatch
from pictures import LINE, condition, crowded, drawn, png, ranked, words, written
from scipy.stats import ecdf

from towerlib.errors import SettingsError
from towerlib.report import condition_charts, style

CHARTS = [
    condition_charts.route_profile,
    condition_charts.ranked_bars,
    condition_charts.gap_scatter,
    condition_charts.impedance_distribution,
]

# ---- every chart


@pytest.mark.parametrize("draw", CHARTS)
@pytest.mark.parametrize("count", [1, 60, 220])
def test_nothing_overlaps_or_leaves_the_page(draw, count):
    assert crowded(draw(condition(count), LINE)) == []


@pytest.mark.parametrize("draw", CHARTS)
def test_long_names_and_a_limit_of_its_own_for_each_stretch_fit(draw):
    long = LINE.model_copy(update={"name": "A line with a name that never ends " * 6})
    assert crowded(draw(condition(60, limits=(10, 30, 15), ids="Northern section tower {} bis"), long)) == []


@pytest.mark.parametrize("draw", CHARTS)
def test_every_axis_has_a_unit(draw):
    figure = draw(condition(60), LINE)
    for axes in figure.axes:
        ids = [label.get_text() for label in axes.get_yticklabels()]
        assert re.search(r"\[.+\]$", axes.get_xlabel()) or not axes.xaxis.get_visible()
        assert re.search(r"\[.+\]$", axes.get_ylabel()) or any(name.startswith("T") for name in ids)


@pytest.mark.parametrize("draw", CHARTS)
def test_page_fits_a4(draw):
    wide, high = draw(condition(220), LINE).get_size_inches() * 25.4
    assert wide <= 210 - 2 * 15  # ISO 216: A4 is 210 mm by 297 mm
    assert high <= 297 - 2 * 15


@pytest.mark.parametrize("draw", CHARTS)
def test_same_bytes_every_time(draw):
    figure = draw(condition(60), LINE)
    once = png(figure)
    assert once == png(figure)
    assert once == png(draw(condition(60), LINE))


@pytest.mark.parametrize("draw", CHARTS)
def test_the_callers_style_and_table_stay_apart(draw):
    plain, towers = png(draw(condition(60), LINE)), condition(60)
    with mpl.style.context(
        ["dark_background", {"font.size": 20, "xtick.labelsize": 20, "font.family": "serif"}]
    ):
        settings_before = dict(mpl.rcParams)
        figure = draw(towers, LINE)
        assert dict(mpl.rcParams) == settings_before
        assert png(figure) == plain
    assert plt.get_fignums() == []
    pd.testing.assert_frame_equal(towers, condition(60))


@pytest.mark.parametrize("draw", CHARTS)
def test_tower_ids_are_never_read_as_formulas(draw):
    figure = draw(condition(40, ids="${}^_x$"), LINE)
    png(figure)
    assert not any(text.get_parse_math() for text in written(figure))
    if draw is not condition_charts.impedance_distribution:  # names no tower
        assert re.search(r"\$\d+\^_x\$", words(figure))


@pytest.mark.parametrize("draw", CHARTS)
@pytest.mark.parametrize("towers", [pd.DataFrame(), condition(8).iloc[:0]], ids=["no columns", "no rows"])
def test_an_empty_table_is_answered_in_words(draw, towers):
    figure = draw(towers, LINE)
    assert "No tower of this line has" in words(figure)
    assert crowded(figure) == []


def test_gap_is_defined_wherever_it_is_shown():
    for draw in (condition_charts.ranked_bars, condition_charts.gap_scatter):
        for towers in (condition(60), pd.DataFrame()):
            text = words(draw(towers, LINE)).replace("\n", " ")
            assert "gap = arithmetic sum of leg currents − vector total; an indicator, not a fault" in text


# ---- route profile


def test_profile_draws_every_tower_by_its_class():
    towers = condition(60)
    assert drawn(condition_charts.route_profile(towers, LINE)) == {
        "good": (towers["impedance_class"] == "good").sum(),
        "acceptable": (towers["impedance_class"] == "acceptable").sum(),
        "upper limit only": (towers["impedance_class"] == "upper limit only").sum(),
        "above limit": (towers["impedance_class"] == "above limit").sum() - 1,
        "above limit, lower limit only": 1,
        "lower limit only": (towers["impedance_class"] == "lower limit only").sum(),
        "not tested": (towers["impedance_class"] == "not tested").sum(),
    }


def test_profile_steps_follow_the_limit_of_each_tower():
    towers = condition(60, limits=(10, 30, 15))
    target, limit = condition_charts.route_profile(towers, LINE).findobj(StepPatch)
    np.testing.assert_array_equal(target.get_data().values, 5.0)
    np.testing.assert_array_equal(limit.get_data().values, towers["limit_ohm"])
    middles = limit.get_data().edges[1:] - 0.175  # half of the 0.35 km between the towers
    np.testing.assert_allclose(middles, towers["chainage_km"])


def test_profile_names_both_stations_and_the_worst_tower():
    towers = condition(60)
    worst = towers.loc[towers["footing_ohm"].idxmax(), "tower_id"]
    text = words(condition_charts.route_profile(towers, LINE))
    assert "◀ Brackwater" in text
    assert "Stonefell ▶" in text
    assert f"{worst}: " in text


def test_profile_says_what_a_logarithm_cannot_show():
    towers = condition(60)
    towers.loc[0, ["footing_ohm", "footing_low_ohm", "footing_high_ohm"]] = [-3.0, -4.0, 2.0]
    towers.loc[1, "footing_low_ohm"] = -1.0
    towers.loc[2, "chainage_km"] = np.nan
    figure = condition_charts.route_profile(towers, LINE)
    assert "Not drawn, reading at or below zero: T1." in words(figure)
    assert "Not drawn, no chainage: T3." in words(figure)
    assert sum(drawn(figure).values()) == 58


# ---- worst towers


def test_bars_stand_in_the_order_of_the_ranks():
    towers = condition(60)
    left, right = condition_charts.ranked_bars(towers, LINE, top=7).axes[:2]
    by_ohm = towers.nlargest(7, "footing_ohm")
    by_gap = towers[~towers["ring"].astype(bool)].nlargest(7, "gap_fraction")
    for axes, worst, column in ((left, by_ohm, "footing_ohm"), (right, by_gap, "gap_fraction")):
        assert [label.get_text() for label in axes.get_yticklabels()] == worst["tower_id"].tolist()
        np.testing.assert_allclose([bar.get_width() for bar in axes.patches], worst[column])
    ends = [text.get_text() for text in right.texts]
    assert [float(end.split()[1]) for end in ends] == pytest.approx(by_gap["gap_ma"].tolist(), rel=0.005)
    assert all(end.endswith(" mA") for end in ends)


def test_the_limit_is_marked_at_every_bar():
    towers = condition(60, limits=(10, 30, 15))
    left = condition_charts.ranked_bars(towers, LINE, top=5).axes[0]
    marks = [segment[0][0] for segment in left.collections[-1].get_segments()]
    assert marks == towers.nlargest(5, "footing_ohm")["limit_ohm"].tolist()


def test_one_missing_panel_leaves_the_other():
    towers = condition(30).assign(gap_fraction=np.nan)
    figure = condition_charts.ranked_bars(towers, LINE)
    assert "nothing to rank yet" in words(figure)
    assert crowded(figure) == []


def test_negative_gaps_reach_to_the_left():
    towers = condition(30)
    towers["gap_fraction"] = -0.1
    right = condition_charts.ranked_bars(ranked(towers), LINE).axes[1]
    assert right.get_xlim()[0] <= -0.1
    assert all(bar.get_width() == pytest.approx(-0.1) for bar in right.patches)


def test_no_room_for_no_tower():
    with pytest.raises(SettingsError, match="top = 0: ranked_bars needs room for at least 1 tower"):
        condition_charts.ranked_bars(condition(5), LINE, top=0)


# ---- leakage


def test_lines_of_equal_gap_fraction():
    """By hand: gap fraction f = (sum − total)/sum, so total = (1 − f)·sum."""
    axes = condition_charts.gap_scatter(condition(60), LINE).axes[0]
    lines = [line for line in axes.lines if line.get_gid() != "leader"]
    shares = [1 - line.get_ydata()[1] / line.get_xdata()[1] for line in lines]
    np.testing.assert_allclose(shares[:3], [0, 0.2, 0.5], atol=1e-12)
    for line, share in zip(lines, shares, strict=True):
        np.testing.assert_allclose(line.get_ydata(), (1 - share) * np.asarray(line.get_xdata()))
    assert axes.get_xlim() == axes.get_ylim()


def test_scatter_draws_every_measured_tower_rings_apart():
    towers = condition(60)
    measured = towers[towers["leakage_total_ma"].notna()]
    ring = measured["ring"].astype(bool)
    expected = {"no ring recorded": (~ring).sum(), "ring or counterpoise joins the legs": ring.sum()}
    assert drawn(condition_charts.gap_scatter(towers, LINE)) == expected


def test_a_total_of_zero_stands_on_the_lower_edge():
    towers = condition(60)
    towers.loc[0, ["leakage_sum_ma", "leakage_total_ma", "gap_ma", "gap_fraction"]] = [50.0, 0.0, 50.0, 1.0]
    towers.loc[1, "leakage_total_ma"] = -2.0
    figure = condition_charts.gap_scatter(ranked(towers), LINE)
    axes = figure.axes[0]
    lowest = min(artist.get_offsets()[:, 1].min() for artist in axes.collections)
    assert lowest == axes.get_ylim()[0] > 0
    assert "T1: 1.00" in words(figure)
    assert "Not drawn, current below zero or sum zero: T2." in words(figure)


# ---- distribution


def test_bars_hold_every_impedance_once():
    towers = condition(220)
    axes = condition_charts.impedance_distribution(towers, LINE).axes[0]
    assert sum(bar.get_height() for bar in axes.findobj(Rectangle) if bar is not axes.patch) == (
        towers["footing_ohm"].notna().sum()
    )


def test_curve_is_the_empirical_distribution():
    """Against SciPy's empirical cumulative distribution function."""
    towers = condition(60)
    (curve,) = condition_charts.impedance_distribution(towers, LINE).findobj(StepPatch)
    percent, edges, _ = curve.get_data()
    reference = ecdf(towers["footing_ohm"].dropna()).cdf
    np.testing.assert_allclose(percent[1:], 100 * reference.evaluate(edges[1:-1]))


def test_distribution_counts_what_it_does_not_draw():
    text = words(condition_charts.impedance_distribution(condition(60), LINE))
    by_hand = (
        "60 towers: 47 with an impedance, 9 lower limit only, 4 not tested."  # 3, 10, … 59 and 5, 16, 27, 49
    )
    assert by_hand in text


# ---- marks


def test_the_worse_the_darker_in_grey_print_too():
    """Relative luminance of sRGB as in WCAG 2.1 (W3C), from memory."""

    def luminance(name):
        rgb = np.array(mpl.colors.to_rgb(style.MARKS[name].colour))
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    bright = [
        luminance(name) for name in ("not tested", "good", "acceptable", "lower limit only", "above limit")
    ]
    assert all(above - below > 0.05 for above, below in pairwise(bright))
