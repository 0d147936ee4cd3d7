"""Files and folders that are written whole or not at all, and what an interrupted write left behind.

Everything grows in a hidden folder beside its target and is renamed when it is complete. The process that
writes holds a lock on that folder; the system drops the lock when the process ends, however it ends. A hidden
folder without a lock is therefore the leftover of a dead process.
"""

import os
import re
import secrets
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path

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
def files(folder):
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
    ...     with files(folder) as place:
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
