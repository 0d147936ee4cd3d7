"""Safety sentences: one wording on pages, in files and in notebooks."""

import re
from html import unescape
from pathlib import Path

import nbformat
import openpyxl
import pytest
from folders import line_folder

from towerlib import assessment, fieldwork
from towerlib.network import bonds, earth_fault
from towerlib.readings import causes
from towerlib.report import (
    cautions,
    fieldsheet,
    gis,
    line_explorer,
    pages,
    summary,
    tower_sheet,
    work_orders,
    workbook,
    write,
)
from towerlib.report.spans import case, charts

NOTEBOOKS = sorted(Path("notebooks").glob("*.ipynb"))
TEMPLATES = sorted(Path("towerlib/report/templates").glob("*.html"))


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return assessment.assess(line_folder(tmp_path_factory.mktemp("records") / "low-moor"))


@pytest.fixture(scope="module")
def told(study, tmp_path_factory):
    """Text of each output that may reach the field."""
    place = tmp_path_factory.mktemp("outputs")
    workbook.write(study, place / "list.xlsx", notes=write.notes(study))
    notes = openpyxl.load_workbook(place / "list.xlsx")["notes"]
    gis.write(study.route, study.priority, place / "line.gpkg", study.network.spans, line=study.line)
    return {
        "summary": unescape(summary.page(study)),
        "explorer": unescape(line_explorer.page(study)),
        "index": unescape(pages.render("index.html", lines=[], whole=[])),
        "field sheet": unescape(fieldsheet.page(fieldwork.prepare(study, "all"))),
        "workbook": "\n".join(str(cell.value) for row in notes for cell in row),
        "gis": unescape((place / "line.gpkg").read_bytes().decode("utf-8", "ignore")),
    }


@pytest.mark.parametrize("output", ["summary", "explorer", "index", "field sheet", "workbook", "gis"])
def test_every_output_has_every_caution_word_for_word(told, output):
    for caution in cautions.CAUTIONS:
        assert caution in told[output]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_open_with_the_short_form(path):
    cells = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown"]
    assert any(cautions.IN_SHORT.lower() in cell.lower() for cell in cells)


def test_pages_take_their_safety_sentences_from_the_table():
    """No template words its own: what a page says of permits, certificates and bonds comes from the table."""
    for path in TEMPLATES:
        text = re.sub(r"{{.*?}}", "", path.read_text(encoding="utf-8"))
        assert not re.search(r"permit\b|certificate|never open|not dead|triage", text, re.I), path.name


def test_rooms_that_cannot_import_the_table_use_its_words():
    assert bonds.INSPECT == causes._INSPECT.strip() == cautions.INSPECT_BOND == tower_sheet.CAUTION
    assert charts.CAUTION == cautions.INSPECT_SPAN
    assert case.BOUND.endswith(cautions.INSPECT_SPAN)
    assert earth_fault.TRIAGE.startswith(cautions.TRIAGE[:-1])


def test_way_points_and_work_orders_say_that_they_are_no_permit():
    assert cautions.NO_PERMIT in fieldsheet.NOTE
    assert all(
        text in work_orders.ALWAYS for text in (cautions.DEAD_LINE, cautions.THUNDER, cautions.NO_PERMIT)
    )
