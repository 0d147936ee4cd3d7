"""The GIS file: valid by the standard, styled, explained, and the same bytes each time."""

import sqlite3
import subprocess
import time
from contextlib import closing
from xml.etree import ElementTree

import geopandas
import numpy as np
import pandas as pd
import pytest
from folders import line_folder

from towerlib import assessment, plan
from towerlib.network import scan as network_spans
from towerlib.report import cautions, gis

SYSTEM_PYTHON = "/usr/bin/python3"  # GDAL's own Python files belong to the system, not to this environment
VALIDATOR = [SYSTEM_PYTHON, "-m", "osgeo_utils.samples.validate_gpkg", "--extra", "--warning-as-error"]
# Shapes of simple markers and strokes of simple lines in QGIS's user manual, chapter "Selecting styles" (from memory)
SHAPES = {"circle", "square", "triangle", "diamond", "star", "hexagon", "cross", "cross2"}
STROKES = {"solid", "dash", "dot", "dash dot"}


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A line of three towers, with a name that must stay text, and a plan for one of them."""
    place = tmp_path_factory.mktemp("records") / "low-moor"
    towers = 'tower_id,latitude_deg,longitude_deg\n1,-31,-20.000\n"<b>2",-31,-19.997\n4A,-31,-19.994\n'
    visits = (
        "visit_id,tower_id,date,method,impedance_ohm\nv1,1,2026-03-01,leg coils,4.2\n"
        "v2,<b>2,2026-03-02,leg coils,22.5\n"
    )
    found = assessment.assess(line_folder(place, towers_csv=towers, visits_csv=visits).parent / "low-moor")
    planned = {"plan_year": pd.array([None, 2, None], "Int64"), "trip_outs_low": [0.1, 0.2, np.nan]}
    condition = found.condition.assign(**planned)
    listed = found.priority.assign(
        package=found.priority["tower_id"].map({"<b>2": "Y2 SA-01"}).astype("str"),
        plan_year=found.priority["tower_id"].map({"<b>2": 2}).astype("Int64"),
        trip_outs_per_year=found.priority["tower_id"].map({"1": 0.15, "<b>2": 0.25}),
    )
    return found.with_results(condition=condition, priority=listed)


def written(study, path):
    """The file of an assessment."""
    told = {"condition": study.condition, "line": study.line}
    gis.write(study.route, study.priority, path, study.network.spans, **told)
    return path


@pytest.fixture(scope="module")
def package(study, tmp_path_factory):
    return written(study, tmp_path_factory.mktemp("gis") / "line.gpkg")


def asked(path, question):
    """Rows of a question to the file as a database."""
    with closing(sqlite3.connect(path)) as book:
        return book.execute(question).fetchall()


def columns_of(path, table):
    """Columns and types of a table."""
    return {row[1]: row[2] for row in asked(path, f"PRAGMA table_info({table})")}


def qmls(path):
    """Layer and style of every stored QML."""
    rows = asked(path, "SELECT f_table_name, styleName, styleQML FROM layer_styles ORDER BY id")
    return {(layer, name): ElementTree.fromstring(text) for layer, name, text in rows}


def validated(path):
    """What GDAL's validator says of a file."""
    return subprocess.run([*VALIDATOR, str(path)], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def validator():
    """GDAL's validator, where the system has it."""
    try:
        there = subprocess.run([*VALIDATOR, "--help"], capture_output=True, text=True, check=False)
    except OSError:
        pytest.skip(f"{SYSTEM_PYTHON} is missing")
    if "validate_gpkg" not in there.stdout:
        pytest.skip("GDAL's validate_gpkg is not installed (Debian: python3-gdal)")
    return validated


def test_gdals_validator_finds_no_fault(validator, package):
    done = validator(package)
    assert (done.returncode, done.stderr) == (0, "")


def test_gdals_validator_sees_a_fault(validator, package, tmp_path):
    """The check above can fail: a column that is explained and not there."""
    copy = tmp_path / "copy.gpkg"
    copy.write_bytes(package.read_bytes())
    with closing(sqlite3.connect(copy)) as book, book:
        book.execute("UPDATE gpkg_data_columns SET column_name = 'gone' WHERE column_name = 'queue'")
    assert validator(copy).returncode != 0


def test_file_has_what_the_standard_requires(package):
    """OGC 12-128r17 (GeoPackage 1.3, 2021), requirements 2, 6, 7, 10, 13 and 21."""
    assert asked(package, "PRAGMA application_id") == [(0x47504B47,)]
    assert asked(package, "PRAGMA user_version") == [(10300,)]
    assert asked(package, "PRAGMA integrity_check") == [("ok",)]
    assert asked(package, "PRAGMA foreign_key_check") == []
    names = {name for (name,) in asked(package, "SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert {"gpkg_spatial_ref_sys", "gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions"} <= names
    contents = dict(asked(package, "SELECT table_name, data_type FROM gpkg_contents"))
    features = dict.fromkeys(gis.LAYERS, "features")
    assert contents == features | {"layer_styles": "attributes"}


def test_every_layer_opens_with_one_style(package):
    rows = asked(package, "SELECT f_table_name, f_geometry_column, useAsDefault FROM layer_styles")
    assert sorted(layer for layer, _, first in rows if first) == sorted(gis.LAYERS)
    shapes = dict(asked(package, "SELECT table_name, column_name FROM gpkg_geometry_columns"))
    assert all(shapes[layer] == column for layer, column, _ in rows)


def test_styles_refer_to_columns_that_are_there(package):
    for (layer, _), root in qmls(package).items():
        there = list(columns_of(package, layer))
        named = [root.find("renderer-v2").get("attr")] + [
            text.get("fieldName") for text in root.iter("text-style")
        ]
        assert set(filter(None, named)) <= set(there)
        aliases = [(int(alias.get("index")), alias.get("field")) for alias in root.iter("alias")]
        fields = [name for name in there if name != "geom"]  # QGIS counts the key first, without the geometry
        assert aliases == [(place, name) for place, name in enumerate(fields) if name != "fid"]


def test_every_tower_and_span_falls_into_a_named_category(package):
    """None is left to what a style draws for words that it does not know."""
    shown = {}
    for (layer, name), root in qmls(package).items():
        column = root.find("renderer-v2").get("attr")
        if column is None:
            continue
        shown[layer, name] = column
        words = {category.get("value") for category in root.iter("category")}
        assert {word for (word,) in asked(package, f"SELECT {column} FROM {layer}")} <= words
    assert shown == {
        ("towers", "impedance class"): "impedance_class",
        ("towers", "queue"): "queue",
        ("spans", "suspicion"): "span_scan",
    }


def test_every_category_has_its_symbol(package):
    for root in qmls(package).values():
        symbols = [symbol.get("name") for symbol in root.iter("symbol")]
        assert [category.get("symbol") for category in root.iter("category")] in (symbols, [])
        shapes = {prop.get("v") for prop in root.iter("prop") if prop.get("k") in ("name", "line_style")}
        assert shapes <= SHAPES | STROKES


@pytest.mark.parametrize("looks", [gis.CLASSES, gis.QUEUES, gis.SPANS])
def test_no_class_is_told_by_colour_alone(looks):
    """Every class has a shape or stroke of its own."""
    assert len({look.shapes for look in looks.values()}) == len(looks)


def test_every_word_has_a_category(study):
    assert set(plan.QUEUES) <= set(gis.QUEUES)
    spans = {network_spans.SUSPECTED, network_spans.NONE, network_spans.NOT_TESTABLE}
    assert spans | {gis.OTHERS} == set(gis.SPANS)
    assert set(study.condition["impedance_class"]) == {"good", "above limit", "not tested"}
    assert set(study.condition["impedance_class"]) <= set(gis.CLASSES)


def test_towers_carry_the_plan_and_trip_outs(study, package):
    towers = geopandas.read_file(package, layer="towers").set_index("tower_id")
    assert list(towers.index) == list(study.route.towers["tower_id"])
    assert towers.loc["<b>2", ["plan_year", "package", "trip_outs_per_year"]].to_list() == [
        2,
        "Y2 SA-01",
        0.25,
    ]
    assert towers.loc["1", ["plan_year", "package"]].isna().all()
    assert towers.loc["<b>2", "impedance_class"] == "above limit"


def test_types_are_real_ones(package):
    kinds = columns_of(package, "towers")
    assert kinds["footing_date"] == "DATE"
    assert kinds["rank"] == kinds["plan_year"] == kinds["impedance_rank"] == "INTEGER"
    assert kinds["footing_ohm"] == "REAL"
    dates = asked(package, "SELECT footing_date FROM towers ORDER BY fid")
    assert dates == [("2026-03-01",), ("2026-03-02",), (None,)]


def test_spans_carry_suspicion(study, package):
    spans = geopandas.read_file(package, layer="spans")
    assert spans["span_scan"].to_list() == study.network.spans["span_scan"].to_list()


def test_every_column_is_explained(package):
    rows = asked(package, "SELECT table_name, column_name, title, description FROM gpkg_data_columns")
    told = {(layer, name) for layer, name, *_ in rows}
    there = {(layer, name) for layer in gis.LAYERS for name in columns_of(package, layer)}
    assert told == {(layer, name) for layer, name in there if name not in ("fid", "geom")}
    assert all(about for *_, about in rows)
    titles = {name: title for layer, name, title, _ in rows if layer == "towers"}
    assert (titles["footing_ohm"], titles["gap_ma"]) == ("footing [Ω]", "gap [mA]")


def test_cautions_travel_with_every_layer(package):
    texts = [text for (text,) in asked(package, "SELECT metadata FROM gpkg_metadata")]
    assert len(texts) == len(gis.LAYERS)
    for text in texts:
        told = "".join(ElementTree.fromstring(text).itertext())
        assert all(caution in told for caution in cautions.CAUTIONS)


def test_the_same_line_gives_the_same_bytes(study, package, tmp_path):
    time.sleep(1.1)  # a clock in the file would show
    assert written(study, tmp_path / "again.gpkg").read_bytes() == package.read_bytes()


def test_nothing_of_the_caller_is_changed(study, tmp_path):
    kept = study.priority.copy(), study.condition.copy()
    written(study, tmp_path / "line.gpkg")
    pd.testing.assert_frame_equal(study.priority, kept[0])
    pd.testing.assert_frame_equal(study.condition, kept[1])


@pytest.fixture
def bare(study, tmp_path):
    """Without condition and suspicion."""
    gis.write(study.route, study.priority, tmp_path / "bare.gpkg")
    return tmp_path / "bare.gpkg"


@pytest.fixture
def lonely(tmp_path):
    """A line of one tower."""
    files = {
        "towers_csv": "tower_id,latitude_deg,longitude_deg\n1,-31,-20.000\n",
        "visits_csv": "visit_id,tower_id,date,method,impedance_ohm\nv1,1,2026-03-01,leg coils,4.2\n",
    }
    line_folder(tmp_path / "low-moor", **files)
    return written(assessment.assess(tmp_path / "low-moor"), tmp_path / "line.gpkg")


def test_without_condition_and_suspicion_it_is_still_styled(bare):
    assert set(qmls(bare)) == {("towers", "queue"), ("spans", "plain"), ("route", "plain")}


def test_a_line_of_one_tower_has_empty_layers(lonely):
    counts = {name: asked(lonely, f"SELECT count(*) FROM {name}")[0][0] for name in gis.LAYERS}
    assert counts == {"towers": 1, "spans": 0, "route": 0}
    assert ("spans", "suspicion") in qmls(lonely)


@pytest.mark.parametrize("name", ["bare", "lonely"])
def test_gdals_validator_finds_no_fault_in_less(validator, request, name):
    done = validator(request.getfixturevalue(name))
    assert (done.returncode, done.stderr) == (0, "")
