"""Files and folders that are whole or not there, whatever ends the process that writes them."""

import os
import signal
import subprocess
import sys
import time

import pytest

from towerlib import safe_files

WRITER = """
import os, signal, sys, time
from pathlib import Path
from towerlib import safe_files

target, what = Path(sys.argv[1]), sys.argv[2]

def killed(*_):
    os.kill(os.getpid(), signal.SIGKILL)

with safe_files.staging(target.parent, target.name) as place:
    (place / "run.json").write_text("new")
    if what == "between":
        renames, real = [], Path.rename
        Path.rename = lambda path, to: killed() if renames else (renames.append(path), real(path, to))
    if what == "unfinished":
        killed()
    if what == "waits":
        print("writing", flush=True)
        sys.stdin.readline()
    safe_files.replace_folder(target, place)
"""


def writer(target, what, **more):
    """A process of its own that writes a folder, and is killed or waits on its way."""
    return subprocess.Popen([sys.executable, "-c", WRITER, str(target), what], text=True, **more)


def hidden(folder):
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


@pytest.fixture
def target(tmp_path):
    """A report that stands."""
    folder = tmp_path / "2026-05"
    folder.mkdir()
    (folder / "run.json").write_text("old")
    return folder


def test_a_folder_is_replaced(target):
    with safe_files.staging(target.parent, target.name) as place:
        (place / "run.json").write_text("new")
        assert place.parent == target.parent
        safe_files.replace_folder(target, place)
    assert (target / "run.json").read_text() == "new"
    assert hidden(target.parent) == []


def test_rights_are_those_of_any_new_folder(tmp_path):
    (tmp_path / "plain").mkdir()
    with safe_files.staging(tmp_path, "2026-05") as place:
        assert place.stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_kill_between_both_renames_loses_no_report(target):
    assert writer(target, "between").wait() == -signal.SIGKILL
    assert not target.exists()
    safe_files.restore(target.parent)
    assert (target / "run.json").read_text() == "old"
    with safe_files.staging(target.parent, target.name):
        pass
    assert hidden(target.parent) == []


def test_of_two_that_were_put_aside_the_later_comes_back(target):
    for age, name in ((9, "1a"), (5, "2b"), (7, "3c")):
        aside = target.with_name(f".2026-05.replaced-{name}")
        aside.mkdir()
        (aside / "run.json").write_text(name)
        os.utime(aside / "run.json", (time.time() - age,) * 2)
    (target / "run.json").unlink()
    target.rmdir()
    safe_files.restore(target.parent)
    assert (target / "run.json").read_text() == "2b"
    safe_files.restore(target.parent / "nowhere")


def test_what_a_dead_process_left_is_removed_by_the_next(target):
    assert writer(target, "unfinished").wait() == -signal.SIGKILL
    assert len(hidden(target.parent)) == 1
    with safe_files.staging(target.parent, "2026-06") as place:
        assert hidden(target.parent) == [place.name]


def test_what_another_run_is_writing_stays(target):
    with writer(target, "waits", stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout.readline() == "writing\n"
        with safe_files.staging(target.parent, target.name) as place:
            (place / "run.json").write_text("mine")
            assert len(hidden(target.parent)) == 2
            safe_files.replace_folder(target, place)
        assert len(hidden(target.parent)) == 1
        other.communicate("go on\n")
    assert other.returncode == 0
    assert (target / "run.json").read_text() == "new"
    assert hidden(target.parent) == []


def test_a_folder_that_only_looks_like_ours_stays(tmp_path):
    for name in (".2026-05.unfinished-17", ".git", ".notes.unfinished"):
        (tmp_path / name).mkdir()
    with safe_files.staging(tmp_path, "2026-05"):
        pass
    assert len(hidden(tmp_path)) == 3


def test_a_failed_second_rename_leaves_the_old_folder(target):
    with pytest.raises(OSError, match="nowhere"):
        safe_files.replace_folder(target, target.with_name("nowhere"))
    assert (target / "run.json").read_text() == "old"
    assert hidden(target.parent) == []


def test_files_change_together_or_not_at_all(tmp_path):
    (tmp_path / "a.csv").write_text("old")
    (tmp_path / "other.csv").write_text("other")

    def write(fail):
        with safe_files.replace_files(tmp_path) as place:
            (place / "a.csv").write_text("new")
            if fail:
                raise OSError(28, "No space left on device")
            (place / "b.csv").write_text("new")

    with pytest.raises(OSError, match="No space"):
        write(fail=True)
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "a.csv": "old",
        "other.csv": "other",
    }
    write(fail=False)
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "a.csv": "new",
        "b.csv": "new",
        "other.csv": "other",
    }
