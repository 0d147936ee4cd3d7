"""Runs that are cut short: one line fails and the others go on, what was written before stays, nothing is left over.

The notebooks here are small ones of the test's own: each does one thing that goes wrong.
"""

import importlib.metadata
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest
from folders import LINE, line_folder
from test_runs import command

import towerlib
from towerlib import assessment, cli, runs
from towerlib.errors import TowerlibError
from towerlib.report import fieldsheet, intake, workbook

PARAMETERS = 'line: str = ""\nmonth: str = ""\nrecords_folder: str = ""\nreports_folder: str = ""\n'
DRIVER = """
import signal, sys
from pathlib import Path
from towerlib import cli, runs

for number in (signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_DFL)  # whatever the tests were started under
runs.NOTEBOOKS = ("3-plan",)
runs.notebook = lambda name, folder=sys.argv.pop(1): Path(folder) / f"{name}.ipynb"
{before}
cli.main()
"""


def small_notebook(folder, code, name="3-plan"):
    """A notebook with the parameters of a run and one cell."""
    cells = [
        nbformat.v4.new_code_cell(PARAMETERS, metadata={"tags": ["parameters"]}, id="parameters"),
        nbformat.v4.new_code_cell(code, id="work"),
    ]
    kernel = {"kernelspec": {"name": "python3", "display_name": "Python", "language": "python"}}
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells, metadata=kernel), path)
    return path


@pytest.fixture
def with_cell(tmp_path, monkeypatch):
    """Runs whose only notebook is one cell."""

    def use(code):
        small_notebook(tmp_path / "notebooks", code)
        monkeypatch.setattr(runs, "NOTEBOOKS", ("3-plan",))
        monkeypatch.setattr(runs, "notebook", lambda name: tmp_path / "notebooks" / f"{name}.ipynb")

    return use


@pytest.fixture
def lines(tmp_path):
    """A portfolio of two lines."""
    for name in ("a-first", "b-second"):
        line_folder(tmp_path / "lines" / name, line_toml=LINE.replace("low-moor", f"{name}-line"))
    return tmp_path / "lines"


def written(reports):
    """Every file and hidden folder of the reports."""
    paths = (path.relative_to(reports).as_posix() for path in reports.rglob("*"))
    return {path for path in paths if not path.endswith("-line")}


def test_two_folders_of_one_line_are_refused_before_anything_runs(tmp_path):
    for name in ("east", "west"):
        line_folder(tmp_path / "lines" / name)
    for asked in ("run", "check"):
        status, said = command(asked, tmp_path / "lines", "--reports", tmp_path / "reports")
        assert status == 2
        assert f"{tmp_path / 'lines' / 'east'} and {tmp_path / 'lines' / 'west'}" in said
        assert "both the line 'low-moor'" in said
        assert not (tmp_path / "reports").exists()


def test_a_line_called_like_a_month_is_refused(tmp_path):
    folder = line_folder(tmp_path / "x", line_toml=LINE.replace("low-moor", "2026-05"))
    status, said = command("run", folder, "--reports", tmp_path / "reports")
    assert status == 2
    assert "reads like a month" in said


def test_a_limit_without_measure_is_refused_in_a_sentence(tmp_path):
    folder = line_folder(tmp_path / "x", line_toml=LINE + "[limits]\nlimit_ohm = 1e308\n")
    status, said = command("run", folder, "--reports", tmp_path / "reports")
    assert status == 2
    assert "limit_ohm = 1e+308 in [limits]: input should be less than or equal to 10000" in said


FAILURES = {
    "the kernel dies": ("os._exit(9)", "stopped: Kernel died"),
    "a file of the run cannot be written": ("raise OSError(28, 'No space left on device')", "No space left"),
    "the working folder disappears": ("shutil.rmtree(os.getcwd())", "doesn't exist"),
    "an input disappears": ("(Path(records_folder) / line / 'visits.csv').unlink()", "visits.csv"),
}


@pytest.mark.parametrize("what", FAILURES)
def test_the_other_lines_still_run(lines, tmp_path, with_cell, what):
    code, sentence = FAILURES[what]
    with_cell(f"import os, shutil\nfrom pathlib import Path\nif line == 'a-first':\n    {code}")
    old = tmp_path / "reports" / "a-first-line" / "2026-03"
    old.mkdir(parents=True)
    (old / "run.json").write_text("old")
    status, said = command("run", lines, "--reports", tmp_path / "reports")
    assert status == 1
    assert "a-first: " in said
    assert sentence in said
    assert "Traceback" not in said
    assert (old / "run.json").read_text() == "old"
    assert written(tmp_path / "reports") == {
        "a-first-line/2026-03",
        "a-first-line/2026-03/run.json",
        "b-second-line/2026-03",
        "b-second-line/2026-03/run.json",
        "b-second-line/2026-03/3-plan.ipynb",
    }


@pytest.mark.parametrize("flaw", [OSError(28, "No space left on device"), KeyError("x")])
def test_what_stops_one_line_from_within_leaves_the_others(lines, tmp_path, with_cell, monkeypatch, flaw):
    with_cell("pass")
    real = runs.execute

    def execute(name, folder, parameters, manager):
        if parameters["line"] == "a-first":
            raise flaw
        real(name, folder, parameters, manager)

    monkeypatch.setattr(runs, "execute", execute)
    status, said = command("run", lines, "--reports", tmp_path / "reports")
    assert status == 1
    assert any(part in said for part in ("No space left on device", "fault of the program"))
    assert (tmp_path / "reports" / "b-second-line" / "2026-03" / "run.json").is_file()


def test_missing_notebooks_are_one_sentence(lines, tmp_path, with_cell):
    with_cell("pass")
    shutil.rmtree(tmp_path / "notebooks")
    status, said = command("run", lines, "--reports", tmp_path / "reports")
    assert status == 2
    assert "3-plan.ipynb cannot be read or written: No such file" in said


def started(tmp_path, code, *words, before=""):
    """The command in a process of its own, with one small notebook."""
    small_notebook(tmp_path / "notebooks", code)
    asked = [str(word) for word in ("run", *words, "--reports", tmp_path / "reports")]
    return subprocess.Popen(
        [sys.executable, "-c", DRIVER.replace("{before}", before), str(tmp_path / "notebooks"), *asked],
        env=os.environ | {"PYTHONPATH": str(Path(towerlib.__file__).parents[1])},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("bytes_", [1000, 20_000])
def test_a_limit_on_file_sizes_ends_in_sentences(lines, tmp_path, bytes_):
    """As a full disk: the smaller limit hits the notebook as it is saved, the other a file that a cell writes."""
    before = f"import resource\nresource.setrlimit(resource.RLIMIT_FSIZE, ({bytes_}, {bytes_}))"
    run = started(
        tmp_path,
        "from pathlib import Path\nPath('big').write_bytes(bytes(30_000))",
        lines / "a-first",
        before=before,
    )
    _, said = run.communicate()
    assert run.returncode == 2
    assert "Traceback" not in said
    assert "a-first: " in said
    assert "File too large" in said
    assert written(tmp_path / "reports") == set()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_a_run_as_ctrl_c_does(lines, tmp_path, number):
    code = (
        "import os, time\nfrom pathlib import Path\nPath(records_folder, 'pid').write_text(str(os.getpid()))"
    )
    run = started(tmp_path, f"{code}\ntime.sleep(120)", lines)
    pid = lines / "pid"
    for _ in range(600):
        if pid.exists() and pid.read_text():
            break
        time.sleep(0.1)
    kernel = int(pid.read_text())
    run.send_signal(number)
    _, said = run.communicate(timeout=60)
    assert run.returncode == 128 + number
    assert "Traceback" not in said
    assert written(tmp_path / "reports") == set()
    with pytest.raises(ProcessLookupError):
        os.kill(kernel, 0)


def test_a_half_written_file_never_takes_the_place_of_a_whole_one(tmp_path, monkeypatch):
    folder = line_folder(tmp_path / "low-moor")
    study = assessment.assess(tmp_path / "low-moor")
    sheet, paths = runs.write_fieldsheet(folder, tmp_path / "sheet", towers="all")
    lists = intake.write(study.records, tmp_path / "check")
    before = {path: path.read_bytes() for path in (*paths, *lists)}

    def cut_short(write, size):
        def half(*asked):
            *others, last = asked
            write(*others, last[:size] if isinstance(last, bytes) else last)
            raise OSError(28, "No space left on device")

        return half

    monkeypatch.setattr(Path, "write_bytes", cut_short(Path.write_bytes, 10))
    monkeypatch.setattr(workbook, "write_list", cut_short(lambda table, path: path.write_text("half"), None))
    with pytest.raises(TowerlibError, match="No space left on device"):
        fieldsheet.write(sheet, tmp_path / "sheet")
    with pytest.raises(OSError, match="No space left on device"):
        intake.write(study.records, tmp_path / "check")
    with pytest.raises(TowerlibError, match="No space left on device"):
        runs.check_line(folder, tmp_path)
    assert {path: path.read_bytes() for path in before} == before
    assert not list(tmp_path.rglob(".*"))


def test_a_source_tree_without_metadata_still_writes_its_manifest(tmp_path, monkeypatch):
    def unknown(name):
        raise importlib.metadata.PackageNotFoundError(name)

    line_folder(tmp_path / "low-moor")
    study = assessment.assess(tmp_path / "low-moor")
    monkeypatch.setattr(importlib.metadata.Distribution, "from_name", unknown)
    runs.write_manifest(study, tmp_path, {})
    versions = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["versions"]
    assert versions["towerlib"] == towerlib.__version__
    assert versions["pandas"] == "unknown"


def test_the_package_runs_from_a_source_tree(tmp_path):
    """From a copy that is not installed: its own notebooks, and a kernel that imports this very copy."""
    tree = tmp_path / "tree"
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(Path(towerlib.__file__).parent, tree / "towerlib", ignore=ignored)
    (tree / "towerlib" / "__init__.py").write_text('"""A copy."""\n\n__version__ = "9.9.9"\n')
    for name in runs.NOTEBOOKS:
        small_notebook(tree / "notebooks", "import towerlib\nprint(towerlib.__version__)", name)
    line_folder(tmp_path / "low-moor")
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "towerlib",
            "run",
            str(tmp_path / "low-moor"),
            "--reports",
            str(tmp_path / "out"),
        ],
        cwd=tree,
        env={key: value for key, value in os.environ.items() if key != "PYTHONPATH"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    report = tmp_path / "out" / "low-moor" / "2026-03"
    assert json.loads((report / "run.json").read_text())["versions"]["towerlib"] == "9.9.9"
    assert nbformat.read(report / "1-condition.ipynb", as_version=4).cells[-1].outputs[0].text == "9.9.9\n"


def test_a_file_that_the_command_cannot_read_is_one_sentence(monkeypatch, capsys):
    def stop():
        raise PermissionError(13, "Permission denied", "lines")

    monkeypatch.setattr(cli, "app", stop)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == 2
    assert "towerlib: lines cannot be read or written: Permission denied" in capsys.readouterr().err
