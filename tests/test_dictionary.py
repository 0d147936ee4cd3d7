"""No column without a meaning: what reports hold is in the data dictionary, and nothing else is."""

import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from folders import line_folder
from openpyxl import load_workbook
from portfolio_lines import line, planned

from towerlib import assessment, dictionary, portfolio
from towerlib.report import line_explorer, summary, write

DEMO = Path(__file__).parents[1] / "data" / "demo"
SHEETS_ABOUT_SHEETS = {"data dictionary", "notes"}


def reported(folder, month, place):
    """A study and the folder of its report, without pictures and pages."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(write, "PICTURES", {})
        patch.setattr(write, "OUTLOOKS", {})
        patch.setattr(write, "TOWERS_SHOWN", 0)
        patch.setattr(summary, "write", lambda *_, **__: None)
        patch.setattr(line_explorer, "write", lambda *_, **__: None)
        study = assessment.assess(folder, month)
        write.write_report(study, place / study.line.id / month, outlook=object())
    return study, place / study.line.id / month


@pytest.fixture(scope="module", params=["demo", "tiny"])
def report(request, tmp_path_factory):
    place = tmp_path_factory.mktemp(request.param)
    if request.param == "demo":
        return reported(DEMO / "ambermoss-harrowmere", "2026-06", place / "reports")
    return reported(line_folder(place / "records" / "low-moor"), "2026-03", place / "reports")


def of_files(ending):
    """Table of each file of the report with an ending."""
    return {
        file: table.table
        for table in dictionary.tables().values()
        for file in table.found_in
        if file.endswith(ending)
    }


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_every_table_of_a_report_is_documented(report, ending):
    folder, known = report[1], of_files(ending)
    written = {path.relative_to(folder).as_posix(): path for path in folder.rglob(f"*{ending}")}
    assert set(written) == set(known)
    read = {".parquet": pd.read_parquet, ".csv": pd.read_csv}[ending]
    for file, path in written.items():
        table, columns = known[file], list(read(path).columns)
        listed = dictionary.names(table)
        assert [name for name in columns if not dictionary.meaning(name, table)] == [], file
        if not dictionary.carries_own_columns(table):
            assert set(columns) <= set(listed), file
        assert [name for name, may_miss in listed.items() if not may_miss and name not in columns] == [], file


def test_tables_read_back_from_a_report_keep_their_types(report):
    for file, table in of_files(".parquet").items():
        dictionary.schema(table).validate(pd.read_parquet(report[1] / file))


def test_one_row_is_what_the_dictionary_says(report):
    for file, table in of_files(".parquet").items():
        key = list(dictionary.tables()[table].key)
        rows = pd.read_parquet(report[1] / file)
        assert not (key and rows.duplicated(key).any()), file


def test_results_of_the_stages_meet_their_schemas(report):
    study, _ = report
    for table, frame in {"ranks": study.ranks, "condition": study.condition, "retests": study.retest}.items():
        assert list(frame.columns) == list(dictionary.names(table))
        dictionary.checked(table, frame)


def test_every_layer_is_documented(report):
    for layer in ("towers", "spans", "route"):
        table = f"layer-{layer}"
        with closing(sqlite3.connect(report[1] / "line.gpkg")) as book:
            columns = [row[1] for row in book.execute(f"PRAGMA table_info({layer})")]
        columns = [name for name in columns if name not in ("fid", "geom")]
        assert set(columns) <= set(dictionary.names(table)), layer


def test_every_sheet_is_documented(report):
    known = {f"sheet {name}": name for name in load_workbook(report[1] / "priority-list.xlsx").sheetnames}
    sheets = {place: table for table in dictionary.tables().values() for place in table.found_in}
    book = load_workbook(report[1] / "priority-list.xlsx")
    for place, name in known.items():
        if name not in SHEETS_ABOUT_SHEETS:
            header = [cell.value for cell in book[name][1] if cell.value]
            assert set(header) <= set(dictionary.names(sheets[place].table)), name


def test_portfolio_tables_meet_their_schemas():
    lines = [line("north", works=planned(1, 0)), line("south", cost_per_trip_out=500.0)]
    dictionary.checked("portfolio-lines", portfolio.lines_table(lines))
    split = portfolio.split(lines)
    assert len(split.table) == 2
    dictionary.checked("portfolio-split", split.table)
    dictionary.checked("portfolio-works", split.works)


def test_every_row_of_the_dictionary_has_a_column():
    used = {
        dictionary.about(name, table) for table in dictionary.tables() for name in dictionary.names(table)
    }
    assert [row for row in dictionary.meanings() if row not in used] == []


def test_a_meaning_has_one_row():
    places = [(table, row.column) for row in dictionary.meanings() for table in row.table.split()]
    assert len(places) == len(set(places))
    assert {table for table, _ in places} <= {"*", *dictionary.tables()}


def test_every_column_has_type_meaning_and_unit():
    for row in dictionary.meanings():
        assert row.type in dictionary.DTYPES, row
        assert row.meaning, row
        assert bool(row.unit) == (row.type in dictionary.NUMBERS), row


def test_units_meet_the_endings_of_the_names():
    """`quantity_unit` is the house's rule for names of columns."""
    units = {
        "ohm": "Ω",
        "ma": "mA",
        "ka": "kA",
        "km": "km",
        "deg": "deg",
        "hz": "Hz",
        "percent": "%",
        "v": "V",
    }
    for row in dictionary.meanings():
        ending = row.column.rsplit("_", 1)[-1]
        if ending in units and row.type == "number" and not row.column.endswith("layer_ohm_m"):
            assert row.unit == units[ending], row


def test_the_document_names_every_column():
    text = dictionary.document()
    for table in dictionary.tables():
        assert f"## {table}: one row is" in text
        assert all(f"`{name}`" in text for name in dictionary.names(table))


ROUTE = pd.DataFrame({"line_id": ["7"], "length_km": [2.5]})


def test_a_table_that_fits_is_handed_back():
    pd.testing.assert_frame_equal(dictionary.checked("layer-route", ROUTE), ROUTE)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (ROUTE.assign(length_km="far"), "length_km"),
        (ROUTE.drop(columns="length_km"), "length_km"),
        (ROUTE.assign(colour="red"), "colour"),
    ],
)
def test_a_slip_is_named(table, words):
    with pytest.raises(TypeError, match=f"table layer-route, column {words}"):
        dictionary.checked("layer-route", table)


def test_a_column_without_any_value_gets_its_type():
    blank = dictionary.checked("layer-route", ROUTE.assign(length_km=pd.Series([None], dtype=object)))
    assert blank["length_km"].dtype == np.float64
    assert dictionary.checked("layer-route", ROUTE.iloc[:0].astype(object))["line_id"].dtype == "str"


def test_columns_of_the_utility_pass_where_records_are_carried_along():
    legs = pd.DataFrame({"visit_id": ["v"], "leg": ["A"], "leakage_ma": [8.0], "painted": ["red"]})
    assert list(dictionary.checked("legs", legs)) == list(legs)
    with pytest.raises(TypeError, match="table legs, column leakage_ma"):
        dictionary.checked("legs", legs.assign(leakage_ma="8"))
