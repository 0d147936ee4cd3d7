"""Files that would break a reader or the machine: each is a clear sentence, soon, in little memory."""

import csv
import os
import subprocess
import sys
import time
import zipfile

import openpyxl
import pytest
from folders import LINE, VISITS, accounted, line_folder
from typer.testing import CliRunner

from towerlib import cli, safe_files
from towerlib.errors import RecordsError
from towerlib.records import csv_files
from towerlib.records.load import load
from towerlib.report import intake

SOON_S = 20  # of processor time: far above what any of them takes, whatever else the machine does
HEAD = VISITS.splitlines()[0] + "\n"


ROWS = (tuple(HEAD.strip().split(",")), ("v1", "1", "2026-03-01", "leg coils", 4.2))


def workbook(path, *, rows=ROWS):
    """A workbook with the given rows."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)
    return path.read_bytes()


def with_sheet(source, target, xml):
    """A copy of a workbook with other XML for its sheet."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            text = xml if entry.filename == "xl/worksheets/sheet1.xml" else old.read(entry)
            new.writestr(entry.filename, text)
    return target.read_bytes()


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "sound.xlsx"
    workbook(path)
    return path


TEXTS = [  # what stands in visits.csv, and words of the sentence
    pytest.param(b"", "is empty", id="empty"),
    pytest.param(b"\xef\xbb\xbf", "has no header row", id="mark only"),
    pytest.param(b"\xff\xfe", "has no header row", id="UTF-16 mark only"),
    pytest.param(b"\n\n \n", "has no header row", id="blank rows only"),
    pytest.param(HEAD.encode(), "is missing or has no rows", id="header only"),
    pytest.param(b"\0" * 5000, "NUL bytes", id="zero bytes only"),
    pytest.param(b"visit\0_id,tower_id,date\nv1,1,2026-03-01\n", "NUL bytes", id="zero byte in the header"),
    pytest.param(bytes(range(1, 256)) * 40, "neither UTF-8 nor Windows-1252", id="every byte there is"),
    pytest.param(
        HEAD.encode() + b"v\x81,1,2026-03-01,leg coils,4\xff\n",
        "neither UTF-8 nor Windows-1252",
        id="no encoding",
    ),
    pytest.param(b"\xff\xfe" + "a,b".encode("utf-16-le")[:-1], "begins as UTF-16", id="half of UTF-16"),
    pytest.param(
        (",".join(f"c{k}" for k in range(10_000)) + "\n1\n").encode(),
        "more than 2,000 columns",
        id="10,000 columns",
    ),
    pytest.param(b"x" * (3 << 20), "a line of more than a megabyte", id="one long line"),
    pytest.param(
        HEAD.encode() + b"v1,1,2026-03-01,leg coils," + b"9" * (3 << 20) + b"\n",
        "a line of more than a megabyte",
        id="one long cell",
    ),
    pytest.param(
        HEAD.encode() + b'"' + b"v1,1\n" * 300_000,
        "no row of the table visits can be used",
        id="a quotation mark over 300,000 lines",
    ),
    pytest.param(
        b"(" * 150_000 + b"\n" + HEAD.encode().replace(b"visit_id", b"[" * 150_000),
        "lacks the needed column",
        id="brackets",
    ),
]


@pytest.mark.parametrize(("content", "words"), TEXTS)
def test_a_text_file_that_is_none_is_one_sentence(tmp_path, content, words):
    begun = time.process_time()
    with pytest.raises(RecordsError, match=words) as caught:
        load(line_folder(tmp_path / "low-moor", visits_csv=content))
    assert time.process_time() - begun < SOON_S
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 1_000


@pytest.mark.parametrize(
    "cell",
    ["1 " * 99 + "x", "1," * 99 + "x", "9" * 100_000, "(" * 50_000, "°" * 300, "1e" * 5_000, "'" * 50_000],
)
@pytest.mark.parametrize("column", ["date", "impedance_ohm", "latitude_deg", "method"])
def test_no_cell_makes_the_reader_slow(tmp_path, cell, column):
    names = ["visit_id", "tower_id", "date", "method", "impedance_ohm", "latitude_deg", "longitude_deg"]
    rows = [
        ["v1", "1", "2026-03-01", "leg coils", "4.2", "-31", "-20"],
        ["v2", "2", "2026-03-02", "leg coils", "22.5", "-31", "-20"],
    ]
    rows[1][names.index(column)] = f'"{cell}"'
    text = "\n".join(",".join(row) for row in [names, *rows]) + "\n"
    begun = time.process_time()
    records = load(line_folder(tmp_path / "low-moor", visits_csv=text))
    assert time.process_time() - begun < SOON_S
    assert records.rejected["row"].to_list() == [3]
    assert accounted(records)


BOOKS = [  # what stands in visits.xlsx, and words of the sentence
    pytest.param(b"no zip at all", "damaged or is not a workbook", id="no zip"),
    pytest.param(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "protected by a password", id="password"),
    pytest.param(b"PK\x05\x06" + b"\0" * 18, "cannot be read as a workbook", id="empty zip"),
]


@pytest.mark.parametrize(("content", "words"), BOOKS)
def test_a_workbook_that_is_none_is_one_sentence(tmp_path, content, words):
    with pytest.raises(RecordsError, match=words) as caught:
        load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("name", ["visits_xlsx", "records_xlsx"])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_half_a_workbook_is_one_sentence(tmp_path, book, name, share):
    content = book.read_bytes()
    with pytest.raises(RecordsError, match="damaged or is not a workbook"):
        load(
            line_folder(
                tmp_path / "low-moor", visits_csv=None, **{name: content[: int(share * len(content))]}
            )
        )


def test_a_workbook_with_broken_xml_is_one_sentence(tmp_path, book):
    content = with_sheet(book, tmp_path / "broken.xlsx", b"<worksheet><sheetData><row><c><v>1</v>")
    with pytest.raises(RecordsError, match="cannot be read as a workbook"):
        load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsx=content))


def test_a_workbook_with_macros_is_read_without_them(tmp_path, book):
    path = tmp_path / "with-macros.xlsm"
    with zipfile.ZipFile(book) as old, zipfile.ZipFile(path, "w") as new:
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry))
        new.writestr("xl/vbaProject.bin", b"Sub Auto_Open()")
    records = load(line_folder(tmp_path / "low-moor", visits_csv=None, visits_xlsm=path.read_bytes()))
    assert records.visits["impedance_ohm"].to_list() == [4.2]


# ---- what would fill the memory: in a process of its own that may take so much and no more

MEMORY = 1_000 << 20  # bytes of address space beyond what the imports take
CHILD = """
import resource, sys
from towerlib.errors import TowerlibError
from towerlib.records import convert, coordinates, csv_files, load, workbooks
import openpyxl, pandera.pandas
taken = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (taken + int(sys.argv[1]),) * 2)
resource.setrlimit(resource.RLIMIT_CPU, (60, 60))  # of its own work, however busy the machine is
for folder in sys.argv[2:]:
    try:
        load.load(folder)
    except TowerlibError as flaw:
        print(flaw)
"""
SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>'
ROW = b'<row><c t="inlineStr"><is><t>%s</t></is></c></row>'


def zip_bomb(book, place):
    """A workbook of a few megabytes beside a picture that unpacks to 700."""
    path = place / "bomb.xlsx"
    with (
        zipfile.ZipFile(book) as old,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as new,
    ):
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry))
        with new.open("xl/media/a.bin", "w", force_zip64=True) as out:
            for _ in range(70):
                out.write(b"\0" * 10_000_000)
    assert path.stat().st_size < 10_000_000
    return {"visits_csv": None, "visits_xlsx": path.read_bytes()}


def inflating_sheet(book, place):
    """A sheet that takes a few hundred kilobytes packed and 80 MB unpacked."""
    content = with_sheet(book, place / "inflates.xlsx", SHEET % (ROW % b"aaaaaaaa" * 1_500_000))
    assert len(content) < 1_000_000
    return {"visits_csv": None, "visits_xlsx": content}


def multiplying_entities(book, place):
    """A sheet whose one cell means a billion letters."""
    entities = "".join(f'<!ENTITY e{k} "{f"&e{k - 1};" * 10}">' for k in range(1, 10))
    document = f'<!DOCTYPE w [<!ENTITY e0 "aaaaaaaaaa">{entities}]>'.encode()
    return {
        "visits_csv": None,
        "visits_xlsx": with_sheet(book, place / "entities.xlsx", document + SHEET % (ROW % b"&e9;")),
    }


HEAVY = [
    (zip_bomb, "would unpack to 0.7 GB"),
    (inflating_sheet, "times its size, which no real table does"),
    (multiplying_entities, "cannot be read as a workbook"),
]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="limits and /proc are of Linux")
def test_what_would_fill_the_memory_is_refused(tmp_path, book):
    folders = [line_folder(tmp_path / make.__name__, **make(book, tmp_path)) for make, _ in HEAVY]
    folders.append(line_folder(tmp_path / "long-line"))
    with (folders[-1] / "visits.csv").open("wb") as file:
        file.write(b"visit_id,")
        file.truncate(200_000_000)  # sparse: zero bytes, and none of them on the disk
    command = [sys.executable, "-c", CHILD, str(MEMORY), *map(str, folders)]
    run = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stderr) == (0, "")
    words = [*(words for _, words in HEAVY), "a line of more than a megabyte"]
    assert [word in line for word, line in zip(words, run.stdout.splitlines(), strict=True)] == [True] * 4


def test_a_file_above_the_limit_is_not_opened(tmp_path, monkeypatch):
    monkeypatch.setattr(safe_files, "LARGEST_FILE", 50)
    with pytest.raises(RecordsError, match=r"has 0\.0 GB; split it into files"):
        load(line_folder(tmp_path / "low-moor"))


def test_a_file_is_looked_at_in_pieces(tmp_path, monkeypatch):
    """A line end, a quotation mark and a letter of several bytes may lie on the edge of two pieces."""
    text = HEAD + "".join(f'v{k},1,2026-03-01,leg coils,{k},"Jörg, é"\n' for k in range(200)).replace(
        "\n", ",\r\n"
    )
    text = text.replace("impedance_ohm", "impedance_ohm,crew,note", 1)
    whole = load(line_folder(tmp_path / "whole", visits_csv=text)).visits
    for piece in (64, 65, 101):
        monkeypatch.setattr(csv_files, "PIECE", piece)
        monkeypatch.setattr(csv_files, "SAMPLE", 4096)
        assert load(line_folder(tmp_path / f"in-{piece}", visits_csv=text)).visits.equals(whole)


# ---- what is no file


def test_a_directory_named_like_a_file(tmp_path):
    folder = line_folder(tmp_path / "low-moor", visits_csv=None)
    (folder / "visits.csv").mkdir()
    with pytest.raises(RecordsError, match=r"visits\.csv: the file is not a file"):
        load(folder)


def test_a_pipe_is_no_file(tmp_path):
    folder = line_folder(tmp_path / "low-moor", visits_csv=None)
    os.mkfifo(folder / "visits.csv")
    with pytest.raises(RecordsError, match="is not a file"):
        load(folder)


LINKS = [
    ("../outside.csv", "a link to a file outside the line folder"),
    ("visits.csv", "leads nowhere"),
    ("gone.csv", "leads nowhere"),
]


@pytest.mark.parametrize(("target", "words"), LINKS)
def test_a_link_that_leads_out_or_nowhere(tmp_path, target, words):
    (tmp_path / "outside.csv").write_text(VISITS)
    folder = line_folder(tmp_path / "low-moor", visits_csv=None)
    (folder / "visits.csv").symlink_to(target)
    with pytest.raises(RecordsError, match=words):
        load(folder)


def test_a_linked_folder_outside_is_not_read(tmp_path):
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside" / "a.csv").write_text(VISITS)
    folder = line_folder(tmp_path / "low-moor", visits_csv=None)
    (folder / "visits").symlink_to(tmp_path / "outside")
    with pytest.raises(RecordsError, match="a link to a file outside the line folder"):
        load(folder)


def test_a_link_inside_the_folder_is_read(tmp_path):
    folder = line_folder(tmp_path / "low-moor", visits_csv=None, attic__visits_csv=VISITS)
    (folder / "visits.csv").symlink_to("attic/visits.csv")
    assert len(load(folder).visits) == 2


# ---- one bad file among several, and what the command says

COMMANDS = [
    (["visits__b_csv", b"a,b\n1,2\n"], 1),
    (["visits__b_xlsx", b"no workbook"], 1),
    (["visits__b_csv", VISITS.replace("v1", "v3").replace("v2", "v4").encode()], 0),
]


@pytest.mark.parametrize(("second", "status"), COMMANDS)
def test_one_bad_file_among_several_is_listed_and_the_run_goes_on(tmp_path, second, status):
    name, content = second
    folder = line_folder(tmp_path / "low-moor", visits_csv=None, visits__a_csv=VISITS, **{name: content})
    records = load(folder)
    assert {"v1", "v2"} <= set(records.visits["visit_id"])
    assert records.rejected["row"].isna().sum() == status
    assert accounted(records)
    said = CliRunner().invoke(cli.app, ["check", str(folder), "--reports", str(tmp_path / "reports")])
    assert said.exit_code == status


def test_the_only_file_of_a_needed_table_stops_the_command_with_2(tmp_path):
    folder = line_folder(tmp_path / "low-moor", visits_csv=b"\0\0\0")
    said = CliRunner().invoke(cli.app, ["check", str(folder), "--reports", str(tmp_path / "reports")])
    assert said.exit_code == 2
    assert "NUL bytes" in said.output
    assert "Traceback" not in said.output


def test_the_command_takes_the_worst_status_of_a_portfolio(tmp_path):
    line_folder(tmp_path / "lines" / "a")
    line_folder(
        tmp_path / "lines" / "b",
        line_toml=LINE.replace("low-moor", "b"),
        visits_csv=VISITS + "v3,1,soon,leg coils,4\n",
    )
    said = CliRunner().invoke(
        cli.app, ["check", str(tmp_path / "lines"), "--reports", str(tmp_path / "reports")]
    )
    assert said.exit_code == 1


# ---- text that a spreadsheet would run


INJECTIONS = ["=cmd|' /C calc'!A0", "+1+cmd", "@SUM(1)", "-2+3", '=HYPERLINK("http://x")', "\tv9"]


def test_text_that_looks_like_a_formula_stays_text(tmp_path):
    ids = [f'"{text.replace(chr(34), chr(34) * 2)}"' for text in INJECTIONS]
    visits = HEAD + "".join(f"{one},1,2026-03-01,leg coils,4\n" for one in ids)
    visits += "".join(f"w{k},{one},2026-03-01,leg coils,4\n" for k, one in enumerate(ids))
    records = load(line_folder(tmp_path / "low-moor", visits_csv=visits))
    assert records.visits["visit_id"].to_list() == [text.strip() for text in INJECTIONS]
    assert len(records.rejected) == len(INJECTIONS)
    paths = intake.write(records, tmp_path / "lists")
    with paths[0].open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in list(csv.reader(file))[1:] for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t"))]
