"""Errors that stop the work, the sentence that reports each, and the hint at the name that was meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from pathlib import Path

MOST_LISTED = 30  # names that a hint lists in full


class TowerlibError(Exception):
    """A fault in the user's files or settings: its place, its value and how to mend it."""


class RecordsError(TowerlibError):
    """A table, file or folder that the work cannot do without is missing or unusable."""


class SettingsError(TowerlibError):
    """A setting, parameter or option is unknown, out of range or missing."""


def sentence(flaw: BaseException) -> str:
    """An error in one sentence: the message of ours, the system's reason, or the place in the code of a program fault.

    >>> sentence(FileNotFoundError(2, "No such file or directory", "visits.csv"))
    'visits.csv cannot be read or written: No such file or directory'
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


def nearest(name: object, known: Iterable[str], most: int = 1) -> str:
    """A hint at the names that were probably meant, to end a sentence about an unknown name.

    At most `most` of the `known` names that are spelt alike. Without such a name, all known names up to `MOST_LISTED`
    of them, and a blank beyond that number.

    >>> nearest("volts", ["voltage_kv", "frequency_hz"]), nearest("colour", ["id", "crs"])
    ("; did you mean 'voltage_kv'?", '; known are id, crs')
    >>> nearest("12a", ["12", "112", "12A"])
    "; did you mean '12A'?"
    """
    names = [str(one) for one in known]
    folded: dict[str, list[str]] = {}
    for one in names:
        folded.setdefault(_folded(one), []).append(one)
    alike = get_close_matches(_folded(str(name)), folded, n=most, cutoff=0.5)
    near = [one for key in alike for one in folded[key]][:most]
    if near:
        return f"; did you mean {' or '.join(map(repr, near))}?"
    return f"; known are {', '.join(names)}" if 0 < len(names) <= MOST_LISTED else ""


def _folded(name: str) -> str:
    """A name without letter case and leading zeros, the commonest slips: they never make it less alike."""
    return name.casefold().lstrip("0")


def no_tower(name: object, known: Iterable[str], line: str = "the line") -> SettingsError:
    """The error for a name that no tower of a line has.

    >>> print(no_tower(91, ["90", "91"]))
    names of towers are text: write "91", not 91
    >>> print(no_tower("12a", ["12", "12A"], "North Ridge"))
    tower '12a' is not on North Ridge; did you mean '12A' or '12'?
    """
    names = [str(one) for one in known]
    if not isinstance(name, str):
        meant = [one for one in names if one == str(name)] or [
            one for one in names if _folded(one) == str(name)
        ]
        example = next(iter(meant or names), "12A")
        return SettingsError(f'names of towers are text: write "{example}", not {name!r}')
    return SettingsError(f"tower {name!r} is not on {line}{nearest(name, names, 3)}")
