"""Files that change while they are read or during a run: the report says so, and never mixes."""

import hashlib
import json
import os
import shutil

import pytest
from folders import LINE, VISITS, line_folder
from typer.testing import CliRunner

from towerlib import assessment, cli, runs
from towerlib.errors import RecordsError
from towerlib.records import sources
from towerlib.records.load import changed, load

MORE = VISITS + "v3,4A,2026-03-03,leg coils,7\n"
LIMITS = {"line_toml": LINE + '[limits]\nrules = "limits.csv"\n', "limits_csv": "limit_ohm\n12\n"}


def test_the_hashes_are_those_of_the_bytes_read(tmp_path):
    folder = line_folder(tmp_path / "low-moor", **LIMITS)
    read = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
    records = load(folder)
    (folder / "visits.csv").write_text(MORE)
    assert records.sha256 == read
    assert set(records.files) == set(read)
    assert changed(records) == ["visits.csv"]


CHANGES = {
    "written to": (lambda folder: (folder / "towers.csv").open("a").write("5,-31,-19.99\n"), ["towers.csv"]),
    "taken away": (lambda folder: (folder / "limits.csv").unlink(), ["limits.csv"]),
    "settings": (lambda folder: (folder / "line.toml").open("a").write("\n"), ["line.toml"]),
    "came": (
        lambda folder: (folder / "soil.csv").write_text("tower_id,spacing_m,resistance_ohm\n"),
        ["soil.csv"],
    ),
    "came to a folder": (lambda folder: (folder / "visits" / "b.csv").write_text(MORE), ["visits/b.csv"]),
    "became a pipe": (
        lambda folder: ((folder / "towers.csv").unlink(), os.mkfifo(folder / "towers.csv")),
        ["towers.csv"],
    ),
    "touched": (lambda folder: os.utime(folder / "towers.csv", (1, 1)), []),
    "notes": (lambda folder: (folder / "notes.txt").write_text("no table"), []),
}


@pytest.mark.parametrize("kind", list(CHANGES))
@pytest.mark.filterwarnings("ignore:unclosed file")
def test_what_changed_is_named(tmp_path, kind):
    folder = line_folder(tmp_path / "low-moor", visits_csv=None, visits__a_csv=VISITS, **LIMITS)
    records = load(folder)
    assert changed(records) == []
    change, names = CHANGES[kind]
    change(folder)
    assert changed(records) == names


def test_a_file_that_is_written_to_while_it_is_read_is_refused(tmp_path, monkeypatch):
    folder = line_folder(tmp_path / "low-moor")

    def read(source, *rest, whole=sources.read):
        found = whole(source, *rest)
        if source.table == "visits":
            source.path.write_text(MORE)
        return found

    monkeypatch.setattr(sources, "read", read)
    with pytest.raises(RecordsError, match=r"visits\.csv changed while it was read; run again"):
        load(folder)


def change_after(monkeypatch, name, change):
    """A change to the files when one notebook has run."""

    def execute(book, *rest, whole=runs.execute):
        whole(book, *rest)
        if book == name:
            change()

    monkeypatch.setattr(runs, "execute", execute)


def test_a_run_over_changing_files_leaves_the_old_report(tmp_path, monkeypatch):
    """The command says which file, ends with 2, and what was there before stays to the byte."""
    folder = line_folder(tmp_path / "low-moor")
    target = tmp_path / "reports" / "low-moor" / "2026-03"
    target.mkdir(parents=True)
    (target / "run.json").write_text("of the run before")
    change_after(monkeypatch, "1-condition", lambda: (folder / "visits.csv").write_text(MORE))
    said = CliRunner().invoke(cli.app, ["run", str(folder), "--reports", str(tmp_path / "reports")])
    assert said.exit_code == 2
    assert "visits.csv changed during the run; run again" in said.output
    assert [path.name for path in target.parent.iterdir()] == ["2026-03"]
    assert (target / "run.json").read_text() == "of the run before"


def test_a_refused_file_is_no_input_of_the_manifest(tmp_path, monkeypatch):
    """A pipe among the visits is listed as refused; hashing it would never end."""
    folder = line_folder(tmp_path / "low-moor", visits_csv=None, visits__a_csv=VISITS)
    os.mkfifo(folder / "visits" / "b.csv")
    monkeypatch.setattr(runs, "execute", lambda *_: None)
    report = runs.run_line(folder, tmp_path / "reports")
    manifest = json.loads((report.folder / "run.json").read_text(encoding="utf-8"))
    assert set(manifest["inputs"]) == {"line.toml", "towers.csv", "visits/a.csv"}
    assert report.study.records.rejected["reason"].to_list() == ["the file is not a file"]


def test_memory_does_not_answer_for_another_file_of_the_same_size_and_time(tmp_path):
    """As a copy that keeps the times leaves it."""
    folder = line_folder(tmp_path / "low-moor")
    (tmp_path / "other.csv").write_text(VISITS.replace("22.5", "23.5"))
    for path in (folder / "visits.csv", tmp_path / "other.csv"):
        os.utime(path, (10**9, 10**9))
    before = assessment.assess(tmp_path / "low-moor").records.visits["impedance_ohm"].to_list()
    shutil.copy2(tmp_path / "other.csv", folder / "visits.csv")
    after = assessment.assess(tmp_path / "low-moor").records.visits["impedance_ohm"].to_list()
    assert (before, after) == ([4.2, 22.5], [4.2, 23.5])
