"""The workbook in another program: opened without a warning, and saved again with the same values."""

import shutil
import subprocess

import openpyxl
import pandas as pd
import pytest
from folders import line_folder
from test_workbook import DANGEROUS

from towerlib import assessment
from towerlib.report import cautions, workbook

OFFICE = shutil.which("soffice")
JAVA = "Warning: failed to launch javaldx - java may not function correctly"  # of the program, not of a file
ODD = ["_x0041_", " spaced ", "a\nb"]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A line of dangerous names, written as a workbook."""
    place = tmp_path_factory.mktemp("office")
    names = [*(text for text in DANGEROUS if text not in ("#REF!",)), *ODD]
    line_folder(place / "low-moor")
    study = assessment.assess(place / "low-moor")
    listed = pd.concat([study.priority.iloc[[0]]] * len(names), ignore_index=True)
    listed = listed.assign(tower_id=names, evidence=names, rank=range(1, len(names) + 1), gap_ma=-0.1)
    study = study.with_results(priority=listed)
    workbook.write(study, place / "list.xlsx", notes=cautions.CAUTIONS)
    return place / "list.xlsx"


@pytest.fixture(scope="module")
def saved_again(written):
    """The same workbook, opened and saved by LibreOffice."""
    if OFFICE is None:
        pytest.skip("LibreOffice is not installed (Debian: libreoffice-calc)")
    folder = written.parent / "again"
    profile = f"-env:UserInstallation={(written.parent / 'profile').as_uri()}"
    order = [OFFICE, "--headless", profile, "--convert-to", "xlsx", "--outdir", str(folder), str(written)]
    done = subprocess.run(order, capture_output=True, text=True, timeout=120, check=True)
    said = [line for line in done.stderr.splitlines() if line.strip() and line != JAVA]
    assert said == [], said
    return folder / "list.xlsx"


def values(path):
    """Value and kind of every cell that is not blank, by sheet and place."""
    book = openpyxl.load_workbook(path)
    return {
        (page.title, each.coordinate): (each.value, each.data_type)
        for page in book
        for row in page.iter_rows()
        for each in row
        if each.value is not None
    }


def test_values_come_back_the_same(written, saved_again):
    before, after = values(written), values(saved_again)
    assert len(before) > 300
    assert list(after) == list(before)
    for place, (value, kind) in before.items():
        # the other program writes 15 digits
        wanted = pytest.approx(value, rel=1e-14) if kind == "n" else value
        assert after[place] == (wanted, kind), place


def test_no_text_became_a_formula(saved_again):
    assert {kind for _, kind in values(saved_again).values()} == {"s", "n", "d"}


def test_filters_and_repeated_headers_are_understood(written, saved_again):
    before, after = openpyxl.load_workbook(written), openpyxl.load_workbook(saved_again)
    for page in before:
        assert after[page.title].auto_filter.ref == page.auto_filter.ref
        assert after[page.title].print_title_rows == page.print_title_rows


def test_prints_on_a4_landscape(written, saved_again):
    """ISO 216: A4 is 297 mm by 210 mm."""
    pdfinfo = shutil.which("pdfinfo")
    if pdfinfo is None:
        pytest.skip("pdfinfo is not installed (Debian: poppler-utils)")
    profile = f"-env:UserInstallation={(written.parent / 'profile').as_uri()}"
    order = [OFFICE, "--headless", profile, "--convert-to", "pdf", "--outdir", str(saved_again.parent)]
    subprocess.run([*order, str(written)], capture_output=True, timeout=120, check=True)
    told = subprocess.run(
        [pdfinfo, str(saved_again.with_suffix(".pdf"))], capture_output=True, text=True, check=True
    ).stdout
    size = next(line for line in told.splitlines() if line.startswith("Page size")).split()
    mm = [float(size[2]) * 25.4 / 72, float(size[4]) * 25.4 / 72]
    assert mm == pytest.approx([297, 210], abs=0.5)
