"""The notebook span-explorer and what stands behind it: pictures, words, controls; found by what was planted."""

import json
import re
from pathlib import Path

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest

from towerlib import assessment, runs
from towerlib.errors import SettingsError
from towerlib.network import what_if
from towerlib.report import condition_words
from towerlib.report.spans import case, charts, live

DEMO = Path(__file__).parents[2] / "data" / "demo"
SHORT = "ambermoss-harrowmere"
NOTEBOOK = json.loads(runs.notebook("span-explorer").read_text(encoding="utf-8"))
CODE = [cell for cell in NOTEBOOK["cells"] if cell["cell_type"] == "code"]


@pytest.fixture(scope="module")
def study():
    return assessment.assess(DEMO / SHORT)


@pytest.fixture(scope="module")
def line(study):
    return case.line_case(study)


@pytest.fixture(scope="module")
def open_bonds():
    """Towers whose bond was planted open."""
    truth = pd.read_csv(DEMO / SHORT / "truth.csv", dtype={"tower_id": str})
    return truth.loc[truth["defect"] == "open bond", "tower_id"].tolist()


def stored(word):
    """Stored text of the cell whose source has a word."""
    cell = next(cell for cell in CODE if word in "".join(cell["source"]))
    return "".join(
        "".join(output.get("text") or output.get("data", {}).get("text/plain", ""))
        for output in cell["outputs"]
    )


def test_the_notebook_is_short_and_plain():
    assert len(CODE) <= 12
    for cell in CODE:
        source = "".join(cell["source"])
        assert source.count("\n") < 12, source
        assert not re.search(r"^\s*(def|class) ", source, re.MULTILINE)
    assert CODE[0]["metadata"]["tags"] == ["parameters"]
    opening = "".join(NOTEBOOK["cells"][0]["source"])
    assert opening.splitlines()[0].endswith("?")
    assert "Never open a bond" in opening


def test_the_notebook_stores_rounded_text_alone():
    assert "widgets" not in NOTEBOOK["metadata"]
    for cell in CODE:
        assert {output["output_type"] for output in cell["outputs"]} <= {"stream", "execute_result"}
        assert not any("image/png" in output.get("data", {}) for output in cell["outputs"])
        draws = "display(" in "".join(cell["source"])
        assert draws == ("nbval-ignore-output" in cell["metadata"].get("tags", []))


def test_the_stored_notebook_found_the_planted_open_span():
    truth = pd.read_csv(DEMO / "brackwater-stonefell" / "truth.csv", dtype={"tower_id": str})
    place = int(np.flatnonzero(truth["span_ahead_open_since"].notna())[0])
    # the readings decide the place within one span, and the evidence says so
    names = ["-".join(truth["tower_id"].iloc[at : at + 2]) for at in (place - 1, place, place + 1)]
    found = [name for name in names if f"span {name}" in stored("tables.places")]
    assert len(found) == 1
    assert f"span {found[0]} " in stored("case.evidence")
    assert "It may be the span before or behind" in stored("case.evidence")
    said = stored("case.answer").replace("\n", " ")
    off = re.search(r"(\d+) % from the line as recorded, (\d+) % from that with span", said)
    assert int(off[1]) > 3 * int(off[2])


def test_three_cells_from_the_map_to_the_evidence_of_a_span():
    sources = ["".join(cell["source"]) for cell in NOTEBOOK["cells"] if cell["cell_type"] == "code"]
    at_map = next(place for place, source in enumerate(sources) if "plot.map" in source)
    at_evidence = next(place for place, source in enumerate(sources) if "plot_evidence" in source)
    assert at_evidence - at_map <= 3


def test_the_notebook_runs_headless_on_another_line(tmp_path):
    papermill = pytest.importorskip("papermill")
    parameters = {
        "line": SHORT,
        "month": "2026-06",
        "records_folder": str(DEMO),
        "from_km": 1.7,
        "to_km": 5.6,
        "open_span": "",
        "open_bond": "012A",
        "footing_tower": "013",
        "footing_ohm": 4.0,
    }
    path = runs.notebook("span-explorer")
    book = papermill.execute_notebook(
        path, tmp_path / "run.ipynb", parameters, cwd=tmp_path, progress_bar=False
    )
    text = "".join(output.get("text", "") for cell in book.cells for output in cell.get("outputs", []))
    assert "bond of 012A open, footing of 013 4 Ω" in text.replace("\n", " ")
    assert "Traceback" not in text


def test_planted_open_bonds_are_listed(study, open_bonds):
    found = case.suspected(study)
    assert open_bonds
    for tower in open_bonds:
        row = found[found["place"] == f"bond {tower}"].iloc[0]
        assert row["from_km"] < study.condition.set_index("tower_id")["chainage_km"][tower] < row["to_km"]
        assert f"bond {tower}" in case.places(study)["place"].to_list()


def test_a_planted_open_bond_fits_its_what_if(study, line, open_bonds):
    stretch = what_if.stretch(study.route, 0, 0)
    for tower in open_bonds:
        table = (
            what_if.compare(line.case, what_if.change(study.route, tower), stretch)
            .set_index("tower_id")
            .loc[tower]
        )
        read, now, then = (table[f"no_coils_ohm{end}"] for end in ("", "_now", "_then"))
        assert abs(np.log(read / then)) < 0.2 < abs(np.log(read / now))


def test_the_best_reading_is_at_the_bond_itself(study, line):
    stretch = what_if.stretch(study.route, 1.7, 5.6)
    found = case.deciding(line.case, stretch, what_if.change(study.route, "012A"), 3)
    assert found["tower"].iloc[0] == "012A"
    assert "with leg coils" not in found["reading"].to_list()
    assert len(found) == 3


def test_tables_tell_the_numbers_of_the_what_if(study, line):
    stretch, change = what_if.stretch(study.route, 1.7, 5.6), what_if.change(study.route, "012A")
    found = case.compared(line.case, stretch, change).set_index("tower")
    assert len(found) == stretch.last - stretch.first + 1
    row = found.loc["012A"]
    expected = what_if.predict(line.case, change).set_index("tower_id").loc["012A", "no_coils_ohm"]
    assert row["without coils [Ω] what-if"] == pytest.approx(expected, rel=1e-3)
    assert row["legs [%] what-if"] == pytest.approx(100)  # of an injected current all is in the legs


def test_no_what_if_says_so(study, line):
    stretch = what_if.stretch(study.route, 1.7, 5.6)
    assert "No what-if is set" in case.deciding(line.case, stretch, what_if.Change()).caption
    assert "with nothing changed" not in case.answer(line, stretch, what_if.Change())


def test_panels_share_one_axis_and_show_what_is_suspected(study, line):
    stretch = what_if.stretch(study.route, 1.7, 5.6)
    figure = charts.span_picture(line, stretch)
    strip, *panels = figure.axes
    assert len(panels) == 5
    assert len({axes.get_xlim() for axes in panels}) == 1
    suspects = case.suspected(study)
    inside = suspects[(suspects["first"] >= stretch.first) & (suspects["last"] <= stretch.last)]
    assert len(inside) == 2
    for axes in panels:
        marked = [mark.get_xdata()[0] for mark in axes.lines if mark.get_gid() == "suspected bond"]
        assert marked == study.condition["chainage_km"].iloc[inside["first"]].tolist()
        assert list(axes.get_xticks()) == study.condition["chainage_km"].iloc[stretch.towers].tolist()
    # Every tower of the stretch stands once on the strip.
    towers = [dots for dots in strip.collections if (dots.get_gid() or "").startswith("towers: ")]
    assert sum(len(dots.get_offsets()) for dots in towers) == stretch.last - stretch.first + 1


def test_north_stands_right_on_the_turned_strip(study, line):
    # The arrow of the page against the azimuth of the chord on the ellipsoid (PROJ by pyproj, Geod.inv).
    import pyproj

    stretch = what_if.stretch(study.route, 0, 0)
    figure = charts.span_picture(line, stretch)
    arrow = next(artist for artist in figure.get_children() if artist.get_gid() == "north arrow")
    tip, _, tail = arrow.get_xy()[0], None, arrow.get_xy()[2]
    on_page = np.degrees(np.arctan2(*(tip - tail)[::-1]))
    register = study.route.towers
    first, last = register.iloc[0], register.iloc[-1]
    geod = pyproj.Geod(ellps="WGS84")
    azimuth = geod.inv(first.longitude_deg, first.latitude_deg, last.longitude_deg, last.latitude_deg)[0]
    # The chord points right, so north lies its azimuth to the left of it.
    assert (on_page - azimuth + 180) % 360 - 180 == pytest.approx(0, abs=1)


def test_measured_readings_stand_where_they_were_read(study, line):
    stretch, change = what_if.stretch(study.route, 1.7, 5.6), what_if.change(study.route, "012A")
    axes = charts.whatif_picture(line, stretch, change).axes[0]
    table = what_if.compare(line.case, change, stretch)
    read = np.vstack([dots.get_offsets() for dots in axes.collections if "measured" in str(dots.get_gid())])
    fresh = table[(table["no_coils_ohm"] > 0) & ~table["injected_old"]]
    np.testing.assert_allclose(np.ma.getdata(read), fresh[["chainage_km", "no_coils_ohm"]].to_numpy(float))


def test_a_line_that_is_no_ladder_says_why(study, line):
    from dataclasses import replace

    off = replace(line, case=None, why_not="The network analysis is off: line.toml has no [shield_wires].")
    stretch, change = what_if.stretch(study.route, 1.7, 5.6), what_if.change(study.route, "012A")
    assert off.why_not in case.answer(off, stretch, change)
    assert off.why_not in charts.whatif_picture(off, stretch, change).texts[-1].get_text()
    assert any("is off" in text.get_text() for text in charts.span_picture(off, stretch).texts)


def test_what_if_colours_can_be_told_apart_in_grey():
    from towerlib.report.spans import charts

    grey = [
        np.dot(matplotlib.colors.to_rgb(colour), [0.299, 0.587, 0.114])
        for colour in (charts.READ, charts.NOW, charts.THEN)
    ]
    assert abs(grey[0] - grey[1]) > 0.15
    assert abs(grey[0] - grey[2]) > 0.15


def _ask(route, from_km, to_km, *names):
    """As the notebook asks for its stretch and its what-if."""
    return what_if.stretch(route, from_km, to_km), what_if.change(route, *names)


@pytest.mark.parametrize(
    "wrong",
    [{"from_km": 5.0, "to_km": 3.0}, {"open_bond": "999"}, {"open_span": "1-3"}, {"footing_tower": "013"}],
)
def test_bad_parameters_end_in_one_sentence(study, wrong):
    asked = {"from_km": 1.7, "to_km": 5.6, "open_bond": "", "open_span": "", "footing_tower": ""} | wrong
    with pytest.raises(SettingsError) as caught:
        _ask(study.route, *asked.values())
    assert "\n" not in str(caught.value)


def controls_of(box):
    """Every control of the explorer by its words."""
    return {
        part.description: part
        for row in box.children[:4]
        for part in getattr(row, "children", None) or [row]
        if hasattr(part, "description")
    }


def drawn(views):
    """What the views of the explorer hold: two pictures and the numbers."""
    evidence, picture = views.children[0].children[1], views.children[1].children[0]
    return bytes(evidence.value), bytes(picture.value), views.children[2].value


@pytest.fixture
def explorer(study):
    stretch, change = what_if.stretch(study.route, 1.7, 5.6), what_if.change(study.route, "012A")
    return live.explorer(DEMO, study, stretch, change, study.of_line)


def test_controls_begin_as_told_and_every_view_is_drawn(explorer):
    found, views = controls_of(explorer), explorer.children[-1]
    assert found["stretch [km]"].value == (1.7, 5.6)
    assert found["open the bond of"].value == "012A"
    told, evidence = views.children[0].children
    assert "bond 012A" in told.value
    assert bytes(evidence.value).startswith(b"\x89PNG")
    assert "bond of 012A open" in explorer.children[-2].value
    assert SHORT in found["line"].options
    # A suspected place takes all views with it.
    before = drawn(views)
    found["suspected place"].index = 1
    assert found["open the bond of"].value == "006"
    assert found["stretch [km]"].value[0] == 0
    assert all(one != other for one, other in zip(before, drawn(views), strict=True))
    assert "006" in views.children[2].value


def test_a_tower_is_taken_with_the_footing_that_it_has(explorer, line):
    found = controls_of(explorer)
    found["change footing of"].value = "013"
    footings = dict(zip(line.case.model.tower_id, line.case.model.footing_ohm, strict=True))
    assert found["to [Ω]"].value == pytest.approx(footings["013"])
    # Ends without towers between them are told, and nothing breaks.
    found["stretch [km]"].value = (1.8, 1.81)
    assert "takes two towers at least" in explorer.children[-2].value


def test_what_ambient_currents_show_is_said_with_its_limits():
    said = condition_words.ambient_text().replace("\n ", "")
    for words in ("The injected test decides", "lost footing looks", "A transposition", "no published ones"):
        assert words in re.sub(r"\s+", " ", said)
    assert max(map(len, condition_words.ambient_text(80).splitlines())) <= 80


def test_what_one_line_could_show_counts_its_towers(study):
    network = study.network
    said = condition_words.ambient_on_line(network)
    known = int((network.towers["bond_testable"].eq(True)).sum())
    assert f"an open bond at {known} of {int(network.towers['bond_testable'].notna().sum())} towers" in said
