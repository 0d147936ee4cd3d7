"""The ways in which the work can stop, each told in one sentence."""

from pathlib import Path


class TowerlibError(Exception):
    """What was wrong in the user's files, where, and how to mend it."""


class RecordsError(TowerlibError):
    """A table, file or folder without which the work makes no sense."""


class SettingsError(TowerlibError):
    """A setting, parameter or option that is unknown, out of range or missing."""


def sentence(flaw):
    """What stopped the work, as people read it.

    Parameters
    ----------
    flaw : Exception

    Returns
    -------
    str
        One sentence; for a fault of the program it names the place in the code.

    Examples
    --------
    >>> sentence(FileNotFoundError(2, "No such file or directory", "visits.csv"))
    'visits.csv cannot be read or written: No such file or directory'
    >>> sentence(OSError(28, "No space left on device"))
    'a file cannot be read or written: No space left on device'
    """
    if isinstance(flaw, TowerlibError):
        return str(flaw)
    if isinstance(flaw, OSError):
        if not flaw.strerror:
            return str(flaw) or type(flaw).__name__
        return f"{flaw.filename or 'a file'} cannot be read or written: {flaw.strerror}"
    if isinstance(flaw, MemoryError):
        return "the memory of this machine is full"
    step = flaw.__traceback__
    while step is not None and step.tb_next is not None:
        step = step.tb_next
    place = f" ({Path(step.tb_frame.f_code.co_filename).name}, line {step.tb_lineno})" if step else ""
    return f"a fault of the program, please report it: {type(flaw).__name__}: {flaw}{place}"
