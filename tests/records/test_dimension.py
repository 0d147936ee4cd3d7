"""Sheets whose stated extent is wrong: rows and columns beyond it count as any other.

ECMA-376 part 1, 18.3.1.35: "dimension" gives the used range, is optional, and nothing makes a writer keep it true.
"""

import re
import time
import zipfile

import openpyxl
import pytest
from folders import accounted, line_folder

from towerlib.records import workbooks
from towerlib.records.load import load

HEAD = ["visit_id", "tower_id", "date", "method", "impedance_ohm", "note"]
ROWS = [[f"v{k}", "1", f"2026-03-{k:02}", "leg coils", 4 + k, f"note {k}"] for k in range(1, 9)]


def workbook(path, rows, change):
    """A workbook of some rows whose sheet was changed as text."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path.with_suffix(".plain"))
    with (
        zipfile.ZipFile(path.with_suffix(".plain")) as old,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            text = old.read(entry)
            if entry.filename == "xl/worksheets/sheet1.xml":
                text = change(text)
            new.writestr(entry.filename, text)
    return path.read_bytes()


def stated(extent):
    """The sheet with another stated extent."""
    return lambda text: re.sub(rb'<dimension ref="[^"]*"', f'<dimension ref="{extent}"'.encode(), text)


@pytest.mark.parametrize("extent", ["A1:F5", "A1:C9", "A1:B2", "A1", "C3:D4", "A1:XFD1048576", "B2:ZZ100000"])
def test_a_stated_extent_is_not_believed(tmp_path, extent):
    content = workbook(tmp_path / "book.xlsx", [HEAD, *ROWS], stated(extent))
    records = load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content))
    assert records.visits["visit_id"].to_list() == [row[0] for row in ROWS]
    assert records.visits["impedance_ohm"].to_list() == [row[4] for row in ROWS]
    assert records.visits["note"].to_list() == [row[5] for row in ROWS]
    assert records.counts.loc["visits", "rows_in"] == 8
    assert accounted(records)


def test_formulas_without_value_beyond_the_stated_extent_are_seen(tmp_path):
    rows = [HEAD, *ROWS[:7], [*ROWS[7][:4], "=E2*2", ""]]
    content = workbook(tmp_path / "book.xlsx", rows, stated("A1:F5"))
    records = load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content))
    assert records.rejected[["row", "value"]].to_numpy().tolist() == [[9, "=E2*2"]]
    assert accounted(records)


def test_a_million_blank_rows_are_passed_soon(tmp_path):
    """A stray row at the end of the sheet, as a key too many leaves it."""
    stray = b'<row r="1048576"><c r="A1048576" t="inlineStr"><is><t>v9</t></is></c></row></sheetData>'
    content = workbook(
        tmp_path / "book.xlsx", [HEAD, *ROWS], lambda text: text.replace(b"</sheetData>", stray)
    )
    begun = time.process_time()
    records = load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content))
    assert (
        time.process_time() - begun < 10
    )  # of processor time: one or two are usual, the slow way takes a minute
    assert records.rejected["row"].to_list() == [1048576]
    assert len(records.visits) == 8


OUT_OF_ORDER = {
    "a row before its place": (rb'(<row r="3".*?</row>)(.*)</sheetData>', rb"\2\1</sheetData>"),
    "a row twice": (rb'<row r="4"', b'<row r="3"'),
    "a cell before its place": (rb'(<c r="D3".*?</c>)(<c r="E3".*?</c>)(<c r="F3".*?</c>)', rb"\1\3\2"),
    "a cell twice": (rb'<c r="E3"', b'<c r="D3"'),
}


@pytest.mark.parametrize("kind", list(OUT_OF_ORDER))
def test_rows_and_cells_out_of_order_are_refused_and_not_lost(tmp_path, kind):
    """ECMA-376 part 1, 18.3.1.73 and 18.3.1.4: each place once; a reader that goes by them drops what comes late."""
    pattern, other = OUT_OF_ORDER[kind]

    def change(text):
        changed = re.sub(pattern, other, text, count=1, flags=re.DOTALL)
        assert changed != text
        return changed

    content = workbook(tmp_path / "book.xlsx", [HEAD, *ROWS], change)
    folder = line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content)
    with pytest.raises(workbooks.RecordsError, match=r"visits\.xlsx: the file has .* out of order"):
        load(folder)
