"""Pictures of one tower: what they draw and say, and that nothing of it overlaps."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from towerlib.assessment import assess
from towerlib.errors import SettingsError
from towerlib.report import style
from towerlib.report.tower_case import case, tables_of
from towerlib.report.tower_sheet import CAUTION, history_chart, legs_chart, sweep_chart, tower_picture


@pytest.fixture(scope="module")
def line():
    """Tables of a demo line as of its newest month."""
    return tables_of(assess(Path("data/demo") / "brackwater-stonefell"))


def written(figure):
    """Texts that are drawn, tick labels within the limits only."""
    hidden = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            outside = [tick for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high]
            hidden |= {
                label for tick in [*outside, *axis.get_minor_ticks()] for label in (tick.label1, tick.label2)
            }
            hidden |= {tick.label2 for tick in axis.get_major_ticks()}
    return [
        text for text in figure.findobj(Text) if text not in hidden and text.get_visible() and text.get_text()
    ]


def said(figure):
    return " ".join(text.get_text() for text in written(figure))


def crowded(figure):
    """Texts that overlap, leave the page or are too small to read."""
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    texts = written(figure)
    outlines = [shapely.box(*text.get_window_extent(renderer).extents) for text in texts]
    page = shapely.box(*figure.bbox.extents)
    flaws = [
        text.get_text() for text, outline in zip(texts, outlines, strict=True) if not page.contains(outline)
    ]
    for one, other in zip(*shapely.STRtree(outlines).query(outlines, predicate="intersects"), strict=True):
        if one < other and outlines[one].intersection(outlines[other]).area > 1:
            flaws.append((texts[one].get_text(), texts[other].get_text()))
    return flaws + [text.get_text() for text in texts if text.get_fontsize() < style.SMALL_PT]


def keys(figure):
    """Labels of the first legend."""
    return [text.get_text() for text in figure.legends[0].get_texts()]


def heights(axes):
    """Heights of the bars of a panel."""
    return [patch.get_height() for patch in axes.patches if isinstance(patch, Rectangle)]


def with_currents(line, tower_id, total_ma, **legs_ma):
    """The tables with other leg currents at the newest visit that read them at a tower."""
    read = line.currents[(line.currents["tower_id"] == tower_id) & (line.currents["leg_count_read"] > 0)]
    visit = read.sort_values("date", kind="stable").index[-1]
    name, currents = line.currents.loc[visit, "visit_id"], line.currents.copy()
    leg_sum = float(sum(legs_ma.values()))
    currents.loc[visit, ["leakage_sum_ma", "leakage_total_ma"]] = leg_sum, total_ma
    currents.loc[visit, "gap_ma"] = leg_sum - total_ma
    currents.loc[visit, "gap_fraction"] = (leg_sum - total_ma) / leg_sum
    own = pd.DataFrame(
        {"visit_id": name, "leg": list(legs_ma), "leakage_ma": list(map(float, legs_ma.values()))}
    )
    legs = pd.concat([line.legs[line.legs["visit_id"] != name], own], ignore_index=True)
    return replace(line, legs=legs, currents=currents)


# 46: open bond; 22: reversed coil; 36: ring; 59: ring and open bond; 66 and 109: treated.
@pytest.mark.parametrize("tower_id", ["46", "22", "36", "59", "66", "109"])
def test_nothing_overlaps_or_leaves_the_page(line, tower_id):
    figure = tower_picture(tower_id, line)
    assert crowded(figure) == []
    wide, high = figure.get_size_inches() * 25.4
    assert wide <= 210  # A4: ISO 216
    assert high <= 297


def test_long_names_many_legs_and_many_sweeps_fit(line):
    legs = {f"leg number {number} to the north": 1000.0 * number for number in range(1, 9)}
    tables = with_currents(line, "36", 12345.0, **legs)
    sweep = line.sweeps[line.sweeps["visit_id"] == line.shapes["visit_id"].iloc[0]]
    shape, visit = line.shapes.iloc[:1], line.visits[line.visits["tower_id"] == "36"].iloc[:1]
    names = [f"X{number}" for number in range(9)]
    more = {"tower_id": "36", "date": pd.Timestamp("2020-01-01")}
    tables = replace(
        tables,
        title="A line with a name that never ends " * 6,
        sweeps=pd.concat([line.sweeps, *(sweep.assign(visit_id=name) for name in names)]),
        shapes=pd.concat([line.shapes, *(shape.assign(visit_id=name, **more) for name in names)]),
        visits=pd.concat([line.visits, *(visit.assign(visit_id=name, **more) for name in names)]),
    )
    assert crowded(tower_picture("36", tables)) == []


def test_leg_currents_are_drawn_as_read(line):
    figure = legs_chart("66", with_currents(line, "66", 100.0, A=40, B=60, C=30, D=20))
    (axes,) = figure.axes
    assert heights(axes)[:4] == [40, 60, 30, 20]
    stack = heights(axes)[4:8]
    assert sum(stack) == 150
    assert heights(axes)[8:] == [100, 50]
    assert axes.patches[-1].get_y() == 100  # the gap stands on the total, so that both reach up to the sum
    for words in ("sum 150 mA", "total 100 mA", "gap 50 mA", "33 % of the sum", "an indicator, not a fault"):
        assert words in said(figure)
    assert [label.get_text() for label in axes.get_xticklabels()] == [*"ABCD", "sum", "vector total"]


def test_a_total_above_the_sum_is_drawn_without_a_gap(line):
    figure = legs_chart("66", with_currents(line, "66", 160.0, A=40, B=60, C=30, D=20))
    assert len(heights(figure.axes[0])) == 9
    assert "gap −10 mA" in said(figure)
    assert figure.axes[0].get_ylim()[1] > 160
    assert crowded(figure) == []


def test_a_total_that_was_not_read_is_said(line):
    figure = legs_chart("66", with_currents(line, "66", np.nan, A=40, B=60, C=30, D=20))
    assert "total not read" in said(figure)
    assert "the gap is not known" in said(figure)


def test_a_coil_that_may_be_reversed_is_hatched(line):
    (axes,) = legs_chart("22", line).axes
    # Coil C was turned over (truth-visits.csv); from these readings A or C cannot be told apart.
    assert [bool(patch.get_hatch()) for patch in axes.patches[:4]] == [True, False, True, False]
    assert not any(patch.get_hatch() for patch in legs_chart("66", line).axes[0].patches[:4])


def leg_labels(figure):
    """Tick labels of the legs: text and weight."""
    return [(label.get_text(), label.get_fontweight()) for label in figure.axes[0].get_xticklabels()[:-2]]


def test_leg_impedances_stand_below_the_legs_and_the_weak_leg_is_bold(line):
    # 18: leg C corroded to 274 Ω; 6: the lead of leg A parted, so its coil read nothing (truth.csv).
    assert leg_labels(legs_chart("18", line))[2] == ("C\n274 Ω", "bold")
    assert [weight for _, weight in leg_labels(legs_chart("18", line))].count("bold") == 1
    assert leg_labels(legs_chart("6", line))[0] == ("A\nnot read", "bold")


def test_the_leg_that_is_told_is_the_leg_that_is_marked(line):
    told = line.currents[line.currents["suspected_cause"].isin(["weak leg", "wrong coil turns"])]
    told = told.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    seen = 0
    for visit in told[told["evidence"].str.startswith("Leg ")].tail(7).itertuples():
        if case(visit.tower_id, line).currents.iloc[-1]["visit_id"] == visit.visit_id:
            bold = [text for text, weight in leg_labels(legs_chart(visit.tower_id, line)) if weight == "bold"]
            assert [text.split("\n")[0] for text in bold] == [visit.evidence.split()[1]]
            seen += 1
    assert seen >= 4


def test_shares_of_the_injected_current_are_drawn_and_the_newest_named(line):
    figure = tower_picture("125", line)  # bond worn since 2023-07 (truth.csv)
    axes = figure.axes[1]
    drawn = np.array([dots.get_offsets()[0] for dots in axes.collections if dots.get_gid()])
    shares = case("125", line).currents["leg_share_lambda"].dropna()
    assert drawn[:, 0].tolist() == shares.tolist()
    assert drawn[-1, 1] > drawn[:-1, 1].max()
    assert f"{shares.iloc[-1]:.2f} on 2026-06-08" in said(figure)
    for words in ("usual with a sound bond", "no bond", "A share of 0.05 to 0.3 is usual"):
        assert words in said(figure)


def test_a_share_read_with_doubtful_coils_says_so(line):
    assert "coils are in doubt" in said(tower_picture("22", line))  # a coil turned over
    assert "coils are in doubt" not in said(tower_picture("125", line))
    assert "may read low" in said(tower_picture("59", line))  # ring
    unbonded = line.currents.assign(peer_class="no bonded wire")
    assert "No shield wire is bonded here" in said(tower_picture("125", replace(line, currents=unbonded)))


@pytest.mark.parametrize("share", [0.02, 0.28, 0.51, 0.74, 1.3])
def test_the_name_of_the_newest_share_stays_on_the_page(line, share):
    shares = line.currents["leg_share_lambda"].where(line.currents["tower_id"] != "46", share)
    assert (
        crowded(tower_picture("46", replace(line, currents=line.currents.assign(leg_share_lambda=shares))))
        == []
    )


def test_history_shows_every_reading_with_its_band(line):
    (axes,) = history_chart("66", line).axes
    read = line.visits[(line.visits["tower_id"] == "66") & (line.visits["impedance_ohm"] > 0)]
    drawn = [
        ohm for dots in axes.collections for ohm in np.asarray(dots.get_offsets())[:, 1] if dots.get_gid()
    ]
    assert sorted(drawn) == sorted(read["impedance_ohm"])
    (bands,) = [lines.get_segments() for lines in axes.collections if not lines.get_gid()]
    dry = read["impedance_ohm"][read["soil_state"] == "dry"].max()
    assert any(
        np.allclose(band[:, 1], [dry / 1.5, dry]) for band in bands
    )  # dry over wet 1.5: see test_season
    assert axes.get_yscale() == "log"


def test_history_marks_treatments_limits_and_what_may_be_compared(line):
    figure = history_chart("66", line)
    assert "W1" in said(figure)
    assert "Treatments: W1: radial counterpoise on 2025-03-13." in said(figure)
    assert "down over the treatment (17.2 to 8.66 Ω)" in said(figure)
    assert "limit 15 Ω" in said(figure)
    assert "target 5 Ω" in said(figure)
    assert "comparable readings" not in keys(figure)
    assert "comparable readings" in keys(history_chart("46", line))


def test_treatments_close_to_each_other_share_a_label(line):
    done = pd.DataFrame(
        {"tower_id": "66", "date": pd.to_datetime(["2021-03-01", "2025-03-13", "2025-04-20"])}
    )
    figure = history_chart(
        "66", replace(line, works=done.assign(treatment="deep rod", quantity=6.0, cost=1.0))
    )
    labels = [text.get_text() for text in written(figure) if text.get_text().startswith("W")]
    assert sorted(labels) == ["W1", "W2–3"]


def test_method_and_verdict_show_in_shape_and_fill(line):
    (axes,) = history_chart("22", line).axes
    kinds = {dots.get_gid().removeprefix("towers: "): dots for dots in axes.collections if dots.get_gid()}
    assert {"leg coils, usable", "leg coils, not usable", "no coils, usable with caution"} <= set(kinds)
    shapes = {name: kinds[name].get_paths()[0].vertices.shape for name in kinds}
    assert shapes["leg coils, usable"] != shapes["no coils, usable with caution"]
    fills = [kinds[f"leg coils, {verdict}"].get_facecolor()[0] for verdict in ("usable", "not usable")]
    assert np.abs(fills[0] - fills[1]).max() > 0.5  # apart in grey too


def test_sweeps_are_log_log_and_the_newest_of_the_footing_alone_is_strong(line):
    figure = sweep_chart("22", line)
    (axes,) = figure.axes
    assert (axes.get_xscale(), axes.get_yscale()) == ("log", "log")
    # Tower 22 was swept with leg coils in 2023 and without in 2024: only the former tells of the footing.
    shapes = case("22", line).shapes
    assert shapes["sees"].to_list() == ["footing alone", "footing and shield wires"]
    ohm = line.sweeps.loc[line.sweeps["visit_id"] == shapes["visit_id"].iloc[0], "impedance_ohm"]
    strong, weak = sorted(axes.lines[:2], key=lambda drawn: -drawn.get_linewidth())
    assert list(strong.get_ydata()) == list(ohm)
    assert (strong.get_linestyle(), weak.get_linestyle()) == ("-", "--")
    assert "Impedance over frequency, 2023" in said(figure)
    assert "tells no impulse impedance" in said(figure)


def test_a_flat_sweep_looks_flat(line):
    low, high = sweep_chart("66", line).axes[0].get_ylim()
    assert high / low == pytest.approx(2)


def test_every_axis_has_a_unit(line):
    labels = [axes.get_ylabel() for axes in tower_picture("66", line).axes]
    assert labels == ["Leakage current [mA]", "", "Impedance [Ω]", "Impedance |Z| [Ω]"]  # a share has no unit
    assert sweep_chart("66", line).axes[0].get_xlabel() == "Test frequency [Hz]"


def test_the_case_of_an_open_bond_claims_no_fault_and_asks_to_open_nothing(line):
    words = said(tower_picture("46", line))
    assert "The legs would take 0.97 of the current" in words
    assert "Inspect the bond under the utility's licensed procedure" in words
    assert CAUTION in words
    assert "bond open" not in words
    assert "open bond" not in words


def test_a_tower_never_tested_says_what_is_missing(line):
    untested = line.condition.loc[line.condition["verdict"] == "not tested", "tower_id"].iloc[0]
    words = said(tower_picture(untested, line))
    for sentence in ("Never tested", "No leg current", "No share", "No impedance", "No sweep"):
        assert sentence in words
    assert not tower_picture(untested, line).axes


def test_a_ring_is_named(line):
    assert "a ring or counterpoise joins the legs" in said(legs_chart("36", line))
    assert "counterpoise joins" not in said(legs_chart("66", line))


def test_unknown_tower(line):
    with pytest.raises(SettingsError, match=r"tower '12 A' is not on Brackwater.*did you mean .*'12A'"):
        tower_picture("12 A", line)


def test_tables_end_with_the_month():
    early = tables_of(assess(Path("data/demo") / "brackwater-stonefell", "2024-12"))
    assert early.visits["date"].max() < pd.Timestamp("2025-01-01")
    assert early.works.empty
    assert not early.currents["visit_id"].isin(set(early.visits["visit_id"])).eq(False).any()
    assert (early.history["works_verdict"] == "").all()


def test_pictures_leave_the_tables_as_they_were(line):
    before = line.visits.copy(), line.currents.copy()
    tower_picture("59", line)
    pd.testing.assert_frame_equal(line.visits, before[0])
    pd.testing.assert_frame_equal(line.currents, before[1])
