"""The lists as CSV and workbook: types, header, filters, colours, print, and text that stays text."""

import zipfile
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pandas as pd
import pytest
from folders import line_folder

from towerlib import assessment, changes, condition, plan
from towerlib.changes import Changes, differences
from towerlib.plan import packages
from towerlib.report import cautions, workbook

SHEETS = ["priority list", "retests", "plan packages", "changes", "data dictionary", "notes"]
DANGEROUS = """=1+1|+1|-1-1|@SUM(A1)|=cmd|{=1}|https://example.org|012|1e5|TRUE|2026-03-01|<script>alert(1)</script>|
"quoted" & 'both'|ברק|⚡🗼|#REF!|x y""".replace("\n", "").split("|")
# WCAG 2.1 (W3C 2018), success criterion 1.4.3: contrast of text at least 4.5 to 1
LEAST_CONTRAST = 4.5


def blank(columns, texts=(), rows=2):
    """A table of blanks."""
    kinds = {name: "str" if name in texts else "Float64" for name in columns}
    return pd.DataFrame({name: pd.Series(pd.NA, index=range(rows), dtype=kinds[name]) for name in columns})


@pytest.fixture
def priority():
    """A list of two towers, one with an id that a spreadsheet would take for a formula."""
    known = {"rank": [1, 2], "tower_id": ["=1+1", "012"], "footing_ohm": [31.25, None]}
    known |= {"footing_date": pd.to_datetime(["2026-03-01", None]), "queue": ["safety", "none"]}
    return blank(plan.COLUMNS, plan.TEXTS).assign(**known)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A small line without a plan."""
    place = tmp_path_factory.mktemp("records")
    line_folder(place / "low-moor")
    return assessment.assess(place / "low-moor")


@pytest.fixture(scope="module")
def planned(study):
    """The same line with one work, whose tower has a dangerous name, and the currency of its settings."""
    works = blank(plan.budget.WORKS + plan.budget.QUANTITIES, rows=1).astype("object")
    works = works.assign(**dict.fromkeys(plan.budget.QUANTITIES, 0.0), crew_weeks=0.5, must_do=True)
    works = works.assign(package="Y1 SA-01", year=1, access_group="SA-01", tower_id="=2+2", chainage_km=0.3)
    works = works.assign(cost=1000.0, cost_low=800.0, cost_high=1300.0, avoided_per_year=np.nan)
    settings = study.line.model_copy(
        update={"plan": study.line.plan.model_copy(update={"currency": 'E"&UR'})}
    )
    records = replace(study.records, line=settings)
    return study.with_results(records=records, budget=replace(study.budget, works=works))


@pytest.fixture(scope="module")
def found(study):
    """What changed: one tower got worse, told in a text that looks like a formula."""
    row = differences.rows("worsened", ["=2+2"], ["=HYPERLINK(1)"], before=[4.0], after=[9.5], unit=["Ω"])
    dates = pd.to_datetime(["2025-03-01"])
    table = row.assign(line_id="low-moor", month="2026-03", against="2025-03", date_before=dates)
    return Changes("2026-03", "2025-03", "as written", table[changes.COLUMNS], ("One remark.",))


@pytest.fixture
def sheet(priority, tmp_path):
    workbook.write_xlsx(priority, tmp_path / "list.xlsx", notes=cautions.CAUTIONS)
    return openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"]


@pytest.fixture(scope="module")
def book(planned, found, tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "list.xlsx"
    workbook.write(planned, path, found=found, notes=["A note.", *cautions.CAUTIONS])
    return openpyxl.load_workbook(path)


def cell(sheet, name, row):
    """Cell of a column by its header."""
    header = [head.value for head in sheet[1]]
    return sheet.cell(row, header.index(name) + 1)


def test_text_is_never_a_formula(sheet, book):
    found = cell(sheet, "tower_id", 2)
    assert (found.value, found.data_type) == ("=1+1", "s")
    assert cell(sheet, "tower_id", 3).value == "012"
    assert cell(book["plan packages"], "tower_ids", 2).value == "=2+2"
    assert cell(book["changes"], "sentence", 2).value == "=HYPERLINK(1)"
    kinds = {each.data_type for page in book for row in page.iter_rows() for each in row}
    assert "f" not in kinds
    assert not any(page._hyperlinks for page in book)


@pytest.mark.parametrize("text", DANGEROUS)
def test_dangerous_texts_come_back_as_they_were(priority, tmp_path, text):
    workbook.write_xlsx(priority.assign(tower_id=text), tmp_path / "list.xlsx", notes=[text])
    back = openpyxl.load_workbook(tmp_path / "list.xlsx")
    for found in (cell(back["priority list"], "tower_id", 2), cell(back["notes"], "note", 2)):
        assert (found.value, found.data_type) == (text, "s")


def test_numbers_and_dates_are_real(sheet, book):
    footing = cell(sheet, "footing_ohm", 2)
    assert (footing.value, footing.number_format) == (31.25, "0.00")
    assert cell(sheet, "footing_date", 2).value == pd.Timestamp("2026-03-01")
    assert cell(sheet, "footing_date", 2).is_date
    assert cell(sheet, "footing_ohm", 3).value is None
    assert cell(book["plan packages"], "cost", 2).value == 1000.0
    assert cell(book["changes"], "after", 2).value == 9.5
    assert cell(book["changes"], "date_before", 2).is_date


def test_money_shows_its_currency_whatever_it_is_called(book):
    assert cell(book["plan packages"], "cost", 2).number_format == '#,##0 "E&UR"'


def test_header_is_frozen_filtered_and_explained(sheet):
    assert sheet.freeze_panes == "F2"
    assert sheet.auto_filter.ref == f"A1:{openpyxl.utils.get_column_letter(len(plan.COLUMNS))}3"
    assert "[Ω]" in cell(sheet, "footing_ohm", 1).comment.text
    assert "not a fault" in cell(sheet, "gap_ma", 1).comment.text


def test_sheets_stand_in_order_each_with_its_header_in_sight(book):
    assert book.sheetnames == SHEETS
    for page in book:
        assert page.freeze_panes.endswith("2")
        assert all(head.value and head.font.bold and head.comment.text for head in page[1])


def test_print_is_a4_landscape_with_the_header_on_each_page(book):
    for page in book:
        assert (page.page_setup.orientation, int(page.page_setup.paperSize)) == ("landscape", 9)
        assert page.print_title_rows == "$1:$1"
        assert "cautions" in page.oddFooter.left.text
        assert "&P" in page.oddFooter.right.text
    assert book["priority list"].print_title_cols == "$E:$E"
    assert book["priority list"].page_setup.scale * 10 / 100 >= 7  # letters of 10 points on paper


def test_every_column_of_every_sheet_is_explained(book):
    assert list(workbook.dictionary()) == plan.COLUMNS
    assert list(workbook.dictionary("retests")) == condition.COLUMNS
    assert list(workbook.dictionary("plan packages")) == packages.PACKAGES
    assert list(workbook.dictionary("changes")) == changes.COLUMNS
    rows = list(book["data dictionary"].iter_rows(min_row=2, values_only=True))
    shown = [(page.title, head.value) for page in list(book)[:4] for head in page[1]]
    assert [row[:2] for row in rows] == shown
    assert all(row[3] for row in rows)
    about = {row[:2]: row for row in rows}
    assert about["plan packages", "cost"][2] == 'E"&UR'
    assert about["plan packages", "cost"][4:] == (1, 1)
    assert about["priority list", "package"][4:] == (0, 3)
    assert about["priority list", "footing_ohm"][4:] == (2, 3)  # the third tower was never tested


def test_cautions_come_first_and_are_named(book):
    rows = list(book["notes"].iter_rows(min_row=2, values_only=True))
    assert rows[: len(cautions.CAUTIONS)] == [("caution", text) for text in cautions.CAUTIONS]
    assert rows[len(cautions.CAUTIONS) :] == [("note", "A note.")]


def test_empty_sheets_say_why(study, tmp_path):
    nothing = Changes("2026-03", "", "", differences.rows("overdue", [], []), ("No earlier report.",))
    nothing = replace(nothing, table=blank(changes.COLUMNS, rows=0))
    empty = study.with_results(retest=study.retest.iloc[:0], priority=study.priority.iloc[:0])
    workbook.write(empty, tmp_path / "list.xlsx", found=nothing)
    book = openpyxl.load_workbook(tmp_path / "list.xlsx")
    told = {page.title: page["A2"].value for page in book}
    assert told["plan packages"].startswith(workbook.NO_PLAN)
    assert all(why in told["plan packages"] for why in study.budget.off)
    assert told["retests"] == workbook.NO_RETEST
    assert "No earlier report." in told["changes"]
    assert told["priority list"] == workbook.NO_TOWER
    workbook.write(study, tmp_path / "list.xlsx")
    book = openpyxl.load_workbook(tmp_path / "list.xlsx")
    assert book["changes"]["A2"].value == workbook.NOT_COMPARED
    assert study.budget.off  # else the reason above was none


def test_colours_follow_the_words(book):
    ranges = {str(rule.sqref): rule.rules for rule in book["priority list"].conditional_formatting}
    assert [rule.formula for rule in ranges["B2:B4"]] == [
        [f'"{queue}"'] for queue in ("safety", "repair", "bond", "footing", "retest")
    ]
    assert all(rule.type == "cellIs" for rules in ranges.values() for rule in rules)


def test_colours_stand_for_words_that_there_are():
    words = workbook.FILLS
    assert set(words["priority list", "queue"]) == set(plan.QUEUES) - {"none"}
    assert set(words["changes", "kind"]) <= set(changes.KINDS)


def test_coloured_words_can_be_read():
    for looks in workbook.FILLS.values():
        for colour in looks.values():
            light = sorted([luminance(colour), luminance(workbook.ink_on(colour))])
            assert (light[1] + 0.05) / (light[0] + 0.05) >= LEAST_CONTRAST


def test_urgent_is_darker_also_without_colour():
    queues = [luminance(colour) for colour in workbook.FILLS["priority list", "queue"].values()]
    assert np.all(np.diff(queues) > 0.02)


@pytest.mark.parametrize(
    ("colour", "light"), [("#ffffff", 1.0), ("#000000", 0.0), ("#ff0000", 0.2126), ("#777777", 0.1845)]
)
def test_luminance(colour, light):
    """WCAG 2.1, relative luminance; #777777 on white has the well-known contrast of 4.48."""
    assert luminance(colour) == pytest.approx(light, abs=2e-4)


luminance = workbook.luminance


def test_the_same_lists_give_the_same_bytes(priority, planned, found, tmp_path):
    for name in ("a", "b"):
        workbook.write_xlsx(priority, tmp_path / f"{name}.xlsx")
        workbook.write(planned, tmp_path / f"{name}{name}.xlsx", found=found)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    assert (tmp_path / "aa.xlsx").read_bytes() == (tmp_path / "bb.xlsx").read_bytes()


def test_an_empty_list_still_opens(priority, tmp_path):
    workbook.write_xlsx(priority.iloc[:0], tmp_path / "empty.xlsx")
    names = openpyxl.load_workbook(tmp_path / "empty.xlsx").sheetnames
    assert names == ["priority list", "data dictionary", "notes"]


def test_what_has_no_number_in_the_format_is_told_in_words(priority, tmp_path):
    odd = {"footing_high_ohm": [np.inf, 2.0], "footing_low_ohm": [-np.inf, 1.0]}
    odd |= {"footing_date": pd.to_datetime(["1897-06-01", None])}
    workbook.write_xlsx(priority.assign(**odd), tmp_path / "list.xlsx")
    page = openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"]
    told = [cell(page, name, 2).value for name in ("footing_high_ohm", "footing_low_ohm", "footing_date")]
    assert told == ["no upper bound", "no lower bound", "1897-06-01"]


@pytest.mark.parametrize("letter", ["x", "⚡", "🗼"])
def test_too_long_a_text_is_cut_and_says_so(priority, tmp_path, letter):
    """32 767 characters a cell: Excel specifications and limits (from memory); an emoji counts as two."""
    workbook.write_xlsx(priority.assign(evidence=letter * 40_000), tmp_path / "list.xlsx")
    told = cell(openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"], "evidence", 2).value
    assert told.endswith(workbook.CUT)
    assert 32_765 <= len(told.encode("utf-16-le")) / 2 <= 32_767


def test_every_part_is_well_formed_whatever_the_line_is_called(planned, tmp_path):
    line = planned.line.model_copy(update={"name": "a&P\x01<b> " + 300 * "long "})
    workbook.write(planned.with_results(records=replace(planned.records, line=line)), tmp_path / "list.xlsx")
    with zipfile.ZipFile(tmp_path / "list.xlsx") as parts:
        for name in parts.namelist():
            ElementTree.fromstring(parts.read(name))
    header = openpyxl.load_workbook(tmp_path / "list.xlsx")["notes"].oddHeader.left.text
    assert header.startswith("a&&P<b>")
    assert len(header) < 200


def test_long_texts_get_rows_high_enough(priority, tmp_path):
    """A column of 80 digits holds 80 letters at least: 400 letters need 5 lines of 10 points or more."""
    workbook.write_xlsx(priority.assign(evidence=["word " * 80, "short"]), tmp_path / "list.xlsx")
    page = openpyxl.load_workbook(tmp_path / "list.xlsx")["priority list"]
    assert 5 * 10 <= page.row_dimensions[2].height <= 7 * 15
    assert (page.row_dimensions[3].height or 15) <= 16  # 15 points unless told otherwise


def test_csv_is_known_as_utf8_by_spreadsheets(priority, tmp_path):
    workbook.write_csv(priority.assign(evidence="footing 31.25 Ω"), tmp_path / "list.csv")
    assert (tmp_path / "list.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    back = pd.read_csv(tmp_path / "list.csv", dtype={"tower_id": str})
    assert back["tower_id"].to_list() == ["=1+1", "012"]
    assert back["footing_date"].to_list()[0] == "2026-03-01"
