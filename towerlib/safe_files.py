"""The one door through which files of a user come in: what is checked before a file is opened, and its fingerprint."""

import hashlib
import os
import re
import secrets
import shutil
import zipfile
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from towerlib.errors import RecordsError

SHEETS = (".xlsx", ".xlsm")
LARGEST_FILE = 2_000_000_000  # bytes; a million sweep rows take some 30 million
LARGEST_TEXT = 2_000_000  # bytes of settings or of a table of limits; the shipped sets take 10 thousand
LARGEST_GIS = 200_000_000  # bytes; read at once into memory; a register of 50,000 towers takes 15 million
LARGEST_UNZIPPED = 600_000_000  # bytes; a workbook of 50,000 visits unpacks to about a sixth of this
MOST_SQUEEZED = 200  # times; XML of real sheets packs to a tenth or a thirtieth
SQUEEZED_FROM = 20_000_000  # bytes unpacked; below this no ratio does harm


def guard(path, folder, most=None, *, may_be_empty=False):
    """Refuse a file before it is opened: outside the folder, no regular file, too large, or a trap of an archive.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    folder : pathlib.Path
        The line folder, which the file may not leave, by a link or otherwise.
    most : int, optional
        Largest size [byte]; `LARGEST_FILE` when missing.
    may_be_empty : bool
        Whether the reader says itself what an empty file lacks.

    Raises
    ------
    RecordsError
        One sentence with the mend, without the name of the file in front.
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


def content(path, folder, most, *, may_be_empty=False):
    """All bytes of one file, after the guard; never more than asked for, even if the file grows meanwhile.

    Parameters
    ----------
    path, folder : pathlib.Path
    most : int
        Largest size [byte].
    may_be_empty : bool
        As for `guard`.

    Returns
    -------
    bytes

    Raises
    ------
    FileNotFoundError
        There is nothing of that name, not even a link.
    RecordsError
        As for `guard`, and where the file cannot be opened.
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
    """What a file held when it was looked at, and what tells that it was written to since."""

    sha256: str
    stamp: tuple


def fingerprint(path, folder):
    """The fingerprint of one file; None for a file that the guard refuses, since nobody may read it.

    Parameters
    ----------
    path, folder : pathlib.Path

    Returns
    -------
    Fingerprint or None
    """
    try:
        guard(path, folder)
        before = stamp(path)
        with path.open("rb") as file:
            return Fingerprint(hashlib.file_digest(file, "sha256").hexdigest(), before)
    except (RecordsError, OSError):
        return None


def stamp(path):
    """Identity, size and times of a file; None where there is none.

    The time of the last change of its entry is among them, which no program sets at will.
    """
    try:
        here = os.stat(path)  # noqa: PTH116
    except OSError:
        return None
    return here.st_dev, here.st_ino, here.st_size, here.st_mtime_ns, here.st_ctime_ns


def _insist_on_size(size, most):
    """Refuse what is larger than such a file may be."""
    if most is None and size > LARGEST_FILE:
        raise RecordsError(
            f"has {size / 1e9:.1f} GB; split it into files of at most {LARGEST_FILE / 1e9:.0f} GB"
        )
    if most is not None and size > most:
        raise RecordsError(f"has {size / 1e6:,.1f} MB; a file of its kind has at most {most / 1e6:.0f} MB")


def _guard_workbook(path):
    """A workbook is a zip archive: anything else, or one that unpacks without bound, is refused."""
    with path.open("rb") as file:
        start = file.read(8)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise RecordsError("is protected by a password or an old .xls; save it as .xlsx without a password")
    try:
        with zipfile.ZipFile(path) as archive:
            unzipped = sum(entry.file_size for entry in archive.infolist())
    except zipfile.BadZipFile:
        raise RecordsError("is damaged or no workbook; save it again as .xlsx") from None
    if unzipped > LARGEST_UNZIPPED:
        raise RecordsError(f"would unpack to {unzipped / 1e9:.1f} GB; split it into smaller files")
    if unzipped > max(SQUEEZED_FROM, MOST_SQUEEZED * path.stat().st_size):
        raise RecordsError(
            f"unpacks to {unzipped / path.stat().st_size:.0f} times its size, as no real table does; "
            "delete empty formatted rows, or save the table as CSV"
        )


try:
    import fcntl
except ImportError:  # no such locks on this system: leftovers then stay where they are
    fcntl = None

_UNFINISHED = re.compile(r"\.(.+)\.unfinished-[0-9a-f]{16}")
_REPLACED = re.compile(r"\.(.+)\.replaced-[0-9a-f]+")


@contextmanager
def staging(parent, name):
    """Hidden folder in which something grows beside the place where it will stand.

    Parameters
    ----------
    parent : path
        Folder of the target; made where it does not exist.
    name : str
        Name of the target.

    Yields
    ------
    pathlib.Path
        Nobody else writes there. Removed at the end, unless `replace_folder` has moved it to its target.

    Raises
    ------
    OSError
        The parent cannot be written to.

    Notes
    -----
    Leftovers of dead processes in the same parent are put back or removed first.
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
def replace_files(folder):
    """Hidden folder whose files take the place of their namesakes in `folder` when all of them are written.

    Parameters
    ----------
    folder : path
        Made where it does not exist.

    Yields
    ------
    pathlib.Path
        Write the files there. If anything fails before the end, no file in `folder` has changed.

    Raises
    ------
    OSError
        The folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with replace_files(folder) as place:
    ...         _ = (place / "list.csv").write_text("tower_id")
    ...     [path.name for path in Path(folder).iterdir()]
    ['list.csv']
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


def replace_folder(target, place):
    """Let a finished folder take the place of an old one.

    Parameters
    ----------
    target : pathlib.Path
        Need not exist.
    place : pathlib.Path
        Finished folder beside it, as `staging` gives it.

    Notes
    -----
    The old folder stays beside the target until the new one is in place. If the process is killed between the
    two renames, `restore` puts the old one back.
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


def restore(parent):
    """Put back every folder whose replacement was interrupted between its two renames.

    Parameters
    ----------
    parent : path
        Folder whose folders `replace_folder` replaces; need not exist.

    Notes
    -----
    Where the parent cannot be written to, it stays as it is.
    """
    parent = Path(parent)
    if not _left(parent, _REPLACED):
        return
    with suppress(OSError), _held(parent):
        # looked at again under the lock: another process may just have been between its two renames
        for name, olds in _left(parent, _REPLACED).items():
            if not (parent / name).exists():
                max(olds, key=_written).rename(parent / name)


def _clear(parent):
    """Remove what dead processes left: what they had not finished, and what has its successor in place."""
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


def _left(parent, form):
    """Hidden folders of one form, by the name of their target."""
    found = {}
    with suppress(OSError):
        for path in parent.iterdir():
            if (match := form.fullmatch(path.name)) and path.is_dir() and not path.is_symlink():
                found.setdefault(match[1], []).append(path)
    return found


def _written(folder):
    """When a report was finished; of two leftovers the later one counts."""
    with suppress(OSError):
        return (folder / "run.json").stat().st_mtime_ns
    return -1


def _made(parent, name):
    """New folder of a name that no other process has, and the lock on it."""
    while True:
        place = parent / f".{name}.unfinished-{secrets.token_hex(8)}"
        place.mkdir()
        handle = _lock(place, wait=True)
        # another process may have taken it for a leftover before the lock was on it
        if place.is_dir() and (handle is None or os.path.samestat(os.fstat(handle), place.stat())):
            return place, handle
        _release(handle)


@contextmanager
def _held(folder):
    """Lock on a folder while its entries are renamed; none where the system has no such locks."""
    handle = _lock(folder, wait=True)
    try:
        yield
    finally:
        _release(handle)


def _lock(folder, *, wait):
    """Handle of a folder that this process alone holds; None where it cannot be had."""
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


def _release(handle):
    """End of a lock."""
    if handle is not None:
        os.close(handle)
