"""Files in and out: the checks before a user's file is opened, tables shipped with the package, atomic writing.

Reading. `guard` and `content` are the only way in for a user's files, and `fingerprint` records what was read.
`shipped_rows` reads the tables of the package itself.

Writing. `replace_files` and `replace_folder` let finished files take the place of old ones as a whole or not at all.
`restore` puts back what a killed process left between two renames.
"""

from __future__ import annotations

import csv
import hashlib
import os
import re
import secrets
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from towerlib.errors import RecordsError

try:
    import fcntl
except ImportError:  # no such locks on this system: leftovers then stay where they are
    fcntl = None

SHEETS = (".xlsx", ".xlsm")
LARGEST_FILE = 2_000_000_000  # bytes; a million sweep rows take some 30 million
LARGEST_TEXT = 2_000_000  # bytes of settings or of a table of limits; the shipped sets take 10 thousand
LARGEST_GIS = 200_000_000  # bytes; read at once into memory; a register of 50,000 towers takes 15 million
LARGEST_UNZIPPED = 600_000_000  # bytes; a workbook of 50,000 visits unpacks to about a sixth of this
MOST_SQUEEZED = 200  # times; XML of real sheets packs to a tenth or a thirtieth
SQUEEZED_FROM = 20_000_000  # bytes unpacked; below this no ratio does harm

_UNFINISHED = re.compile(r"\.(.+)\.unfinished-[0-9a-f]{16}")
_REPLACED = re.compile(r"\.(.+)\.replaced-[0-9a-f]+")


def guard(path: Path, folder: Path, most: int | None = None, *, may_be_empty: bool = False) -> None:
    """Refuse a file before it is opened: outside the folder, not a regular file, too large, or an archive trap.

    The line folder must contain the file; a link may not lead out of it. `most` is the largest size [byte], else
    `LARGEST_FILE`; `may_be_empty` where the reader itself reports what an empty file lacks. `RecordsError` in one
    sentence with the mend; the caller puts the name of the file in front.
    """
    try:
        inside = path.resolve(strict=True).is_relative_to(folder.resolve())
        size = path.stat().st_size
    except (OSError, RuntimeError):  # a link to itself is one or the other, by the version of Python
        raise RecordsError("is a link that leads nowhere; copy the file itself into the folder") from None
    if not inside:
        raise RecordsError(
            "is a link to a file outside the line folder; copy the file itself into the folder"
        )
    if not path.is_file():
        raise RecordsError("is not a file")
    if size == 0 and not may_be_empty:
        raise RecordsError("is empty")
    _insist_on_size(size, most)
    if path.suffix.lower() in SHEETS:
        _guard_workbook(path)


def content(path: Path, folder: Path, most: int, *, may_be_empty: bool = False) -> bytes:
    """All bytes of one file that `guard` accepts, never more than `most` even if the file grows meanwhile.

    `FileNotFoundError` where neither a file nor a link has that name; `RecordsError` as for `guard`, or if it cannot be
    opened.
    """
    path.lstat()
    guard(path, folder, most, may_be_empty=may_be_empty)
    try:
        with path.open("rb") as file:
            read = file.read(most + 1)
    except OSError as flaw:
        raise RecordsError(f"cannot be opened: {flaw.strerror or flaw}") from None
    _insist_on_size(len(read), most)
    return read


@dataclass(frozen=True)
class Fingerprint:
    """The content of a file when it was read, and the stamp that reveals a later change."""

    sha256: str
    stamp: tuple[int, ...] | None


def fingerprint(path: Path, folder: Path) -> Fingerprint | None:
    """The fingerprint of one file; None for a file that the guard refuses."""
    try:
        guard(path, folder)
        before = stamp(path)
        with path.open("rb") as file:
            return Fingerprint(hashlib.file_digest(file, "sha256").hexdigest(), before)
    except (RecordsError, OSError):
        return None


def stamp(path: Path) -> tuple[int, ...] | None:
    """Identity, size and times of a file; None where it does not exist.

    The time of the last status change is among them: no program can set it at will.
    """
    try:
        here = os.stat(path)  # noqa: PTH116
    except OSError:
        return None
    return here.st_dev, here.st_ino, here.st_size, here.st_mtime_ns, here.st_ctime_ns


def shipped_rows(package: str, name: str) -> list[dict[str, str]]:
    """Rows of a CSV table `name` shipped in a package (dotted name): header to cell, a blank cell as "".

    >>> shipped_rows("towerlib.config", "limits.csv")[0]["limit_ohm"]
    '15'
    """
    text = files(package).joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def _insist_on_size(size: int, most: int | None) -> None:
    """Refuse a file that is larger than its kind may be."""
    if most is None and size > LARGEST_FILE:
        raise RecordsError(
            f"has {size / 1e9:.1f} GB; split it into files of at most {LARGEST_FILE / 1e9:.0f} GB"
        )
    if most is not None and size > most:
        raise RecordsError(f"has {size / 1e6:,.1f} MB; a file of its kind has at most {most / 1e6:.0f} MB")


def _guard_workbook(path: Path) -> None:
    """Refuse a workbook that is not a zip archive, or one that unpacks beyond all measure."""
    with path.open("rb") as file:
        start = file.read(8)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise RecordsError("is protected by a password or an old .xls; save it as .xlsx without a password")
    try:
        with zipfile.ZipFile(path) as archive:
            unzipped = sum(entry.file_size for entry in archive.infolist())
    except zipfile.BadZipFile:
        raise RecordsError("is damaged or is not a workbook; save it again as .xlsx") from None
    if unzipped > LARGEST_UNZIPPED:
        raise RecordsError(f"would unpack to {unzipped / 1e9:.1f} GB; split it into smaller files")
    if unzipped > max(SQUEEZED_FROM, MOST_SQUEEZED * path.stat().st_size):
        raise RecordsError(
            f"unpacks to {unzipped / path.stat().st_size:.0f} times its size, which no real table does; "
            "delete empty formatted rows, or save the table as CSV"
        )


@contextmanager
def staging(parent: str | Path, name: str) -> Iterator[Path]:
    """A hidden folder to write in, beside the place `name` in `parent` that the finished work will take.

    No other process writes there. It is removed at the end unless `replace_folder` moved it to its target. Leftovers of
    dead processes in the same parent are first put back or removed. `OSError` where the parent cannot be written to.
    """
    parent = Path(parent)
    parent.mkdir(parents=True, exist_ok=True)
    restore(parent)
    _clear(parent)
    place, handle = _made(parent, name)
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
        _release(handle)


@contextmanager
def replace_files(folder: str | Path) -> Iterator[Path]:
    """A hidden folder whose files replace their namesakes in `folder` once all of them are written.

    If anything fails before the end, no file in `folder` has changed. `OSError` where it cannot be written to.
    """
    folder = Path(folder)
    with staging(folder, "files") as place:
        yield place
        written = sorted(place.iterdir())
        for path in written:
            with path.open("rb") as file:
                os.fsync(file.fileno())  # a name must not reach the disk before its contents
        for path in written:
            path.replace(folder / path.name)


def replace_folder(target: Path, place: Path) -> None:
    """Replace the folder `target`, which need not exist, by a finished one from `staging` beside it.

    The old folder stays beside the target until the new one is in place. If the process is killed between the two
    renames, `restore` puts the old one back.
    """
    old = target.with_name(f".{target.name}.replaced-{secrets.token_hex(8)}")
    with _held(target.parent):
        if target.exists():
            target.rename(old)
        try:
            place.rename(target)
        except BaseException:
            if old.exists():
                old.rename(target)
            raise
    shutil.rmtree(old, ignore_errors=True)


def restore(parent: str | Path) -> None:
    """Put back every folder in `parent` whose replacement by `replace_folder` was interrupted between its two renames.

    A parent that does not exist or cannot be written to is left unchanged.
    """
    parent = Path(parent)
    if not _left(parent, _REPLACED):
        return
    with suppress(OSError), _held(parent):
        # looked at again under the lock: another process may just have been between its two renames
        for name, olds in _left(parent, _REPLACED).items():
            if not (parent / name).exists():
                max(olds, key=_written).rename(parent / name)


def _clear(parent: Path) -> None:
    """Remove leftovers of dead processes: unfinished folders, and old folders whose successor is in place."""
    if _left(parent, _REPLACED):
        with _held(parent):
            for name, olds in _left(parent, _REPLACED).items():
                for old in olds if (parent / name).exists() else ():
                    shutil.rmtree(old, ignore_errors=True)
    for places in _left(parent, _UNFINISHED).values():
        for place in places:
            handle = _lock(place, wait=False)
            if handle is not None:
                shutil.rmtree(place, ignore_errors=True)
                _release(handle)


def _left(parent: Path, form: re.Pattern[str]) -> dict[str, list[Path]]:
    """Hidden folders of one form, by the name of their target."""
    found: dict[str, list[Path]] = {}
    with suppress(OSError):
        for path in parent.iterdir():
            if (match := form.fullmatch(path.name)) and path.is_dir() and not path.is_symlink():
                found.setdefault(match[1], []).append(path)
    return found


def _written(folder: Path) -> int:
    """When a report was finished; the later of two leftovers is put back."""
    with suppress(OSError):
        return (folder / "run.json").stat().st_mtime_ns
    return -1


def _made(parent: Path, name: str) -> tuple[Path, int | None]:
    """A new folder with a unique name, and the lock on it."""
    while True:
        place = parent / f".{name}.unfinished-{secrets.token_hex(8)}"
        place.mkdir()
        handle = _lock(place, wait=True)
        # another process may have taken it for a leftover before the lock was on it
        if place.is_dir() and (handle is None or os.path.samestat(os.fstat(handle), place.stat())):
            return place, handle
        _release(handle)


@contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Lock a folder while its entries are renamed; without locks on this system nothing is locked."""
    handle = _lock(folder, wait=True)
    try:
        yield
    finally:
        _release(handle)


def _lock(folder: Path, *, wait: bool) -> int | None:
    """Handle of a folder that this process alone holds; None where it cannot be obtained."""
    if fcntl is None:
        return None
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


def _release(handle: int | None) -> None:
    """Release a lock."""
    if handle is not None:
        os.close(handle)
