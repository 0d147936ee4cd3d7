"""The list as CSV and workbook: types, header, filters, and text that stays text."""

import openpyxl
import pandas as pd
import pytest

from towerlib import plan
from towerlib.publish import cautions, workbook


@pytest.fixture
def priority():
    """A list of two towers, one with an id that a spreadsheet would take for a formula."""
    listed = pd.DataFrame({"rank": [1, 2], "tower_id": ["=1+1", "012"], "footing_ohm": [31.25, None]})
    listed["footing_date"] = pd.to_datetime(["2026-03-01", None])
    for name in plan.COLUMNS:
        if name not in listed:
            listed[name] = pd.Series(
                pd.NA, index=listed.index, dtype="str" if name in plan.TEXTS else "Float64"
            )
    return listed[plan.COLUMNS]


@pytest.fixture
def sheet(priority, tmp_path):
    workbook.write_xlsx(priority, tmp_path / "list.xlsx", notes=cautions.CAUTIONS)
    return openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"]


def cell(sheet, name, row):
    return sheet.cell(row, plan.COLUMNS.index(name) + 1)


def test_text_is_never_a_formula(sheet):
    found = cell(sheet, "tower_id", 2)
    assert (found.value, found.data_type) == ("=1+1", "s")
    assert cell(sheet, "tower_id", 3).value == "012"


def test_numbers_and_dates_are_real(sheet):
    assert (cell(sheet, "footing_ohm", 2).value, cell(sheet, "footing_ohm", 2).number_format) == (
        31.25,
        "0.00",
    )
    assert cell(sheet, "footing_date", 2).value == pd.Timestamp("2026-03-01")
    assert cell(sheet, "footing_date", 2).is_date
    assert cell(sheet, "footing_ohm", 3).value is None


def test_header_is_frozen_filtered_and_explained(sheet):
    assert sheet.freeze_panes.endswith("2")
    assert sheet.auto_filter.ref == f"A1:{openpyxl.utils.get_column_letter(len(plan.COLUMNS))}3"
    assert "[Ω]" in cell(sheet, "footing_ohm", 1).comment.text
    assert "not a fault" in cell(sheet, "gap_ma", 1).comment.text


def test_every_column_of_the_list_is_explained():
    assert list(workbook.dictionary()) == plan.COLUMNS


def test_the_same_list_gives_the_same_bytes(priority, tmp_path):
    for name in ("a", "b"):
        workbook.write_xlsx(priority, tmp_path / f"{name}.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_an_empty_list_still_opens(priority, tmp_path):
    workbook.write_xlsx(priority.iloc[:0], tmp_path / "empty.xlsx")
    assert openpyxl.load_workbook(tmp_path / "empty.xlsx").sheetnames == ["priority list", "columns", "notes"]


def test_csv_is_known_as_utf8_by_spreadsheets(priority, tmp_path):
    workbook.write_csv(priority.assign(evidence="footing 31.25 Ω"), tmp_path / "list.csv")
    assert (tmp_path / "list.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    back = pd.read_csv(tmp_path / "list.csv", dtype={"tower_id": str})
    assert back["tower_id"].to_list() == ["=1+1", "012"]
    assert back["footing_date"].to_list()[0] == "2026-03-01"
