"""Latitudes and longitudes as crews, receivers and maps write them: decimal degrees, minutes, seconds, letters."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, cast

import pandas as pd

from towerlib.records.parsing import Parsed, keyboard, parsed, placed, plain_numbers, shown, tidy, unread

_PART = "[0-9]{1,2}(?:[.,][0-9]+)?"
_ANGLE = re.compile(  # letter, sign, degrees, minutes, seconds, letter; a sign or a space between the parts
    r"(?P<front>[^\W\d_]*)\.? ?(?P<sign>[+-]?) ?(?P<degrees>[0-9]{1,3}(?:[.,][0-9]+)?)"
    rf"(?:(?: ?(?:°|degrees|deg|d|:) ?| )(?P<minutes>{_PART})"
    rf"(?:(?: ?(?P<minute_mark>'|min|m|:) ?| )(?P<seconds>{_PART}))?)?"
    r"(?: ?(?:[°'\"]|(?:degrees|deg|d|min|m|sec|s(?= ?[NSEWO]))(?![a-zäöü])))?,? ?(?P<back>[^\W\d_]*)\.?"
)
_HEMISPHERES = {  # English, German, French, Spanish, Portuguese
    "N": ("n", "north", "nord", "norden", "norte"),
    "S": ("s", "south", "süd", "süden", "sued", "sud", "sur", "sul"),
    "E": ("e", "east", "ost", "osten", "est", "este", "leste"),
    "W": ("w", "west", "westen", "ouest", "oeste"),
    "O": ("o",),  # Ost or oeste: the column decides
}
_LETTER = {word: letter for letter, words in _HEMISPHERES.items() for word in words}
_AXIS = {"N": "latitude", "S": "latitude", "E": "longitude", "W": "longitude", "O": "longitude", "": ""}
_LIMIT = {"latitude": 90, "longitude": 180}
_EXAMPLE = {"latitude": "-33.8697 or 33°52'10.9\"S", "longitude": "151.2093 or 151°12'33.5\"E"}


def coordinates(latitude_cells: pd.Series, longitude_cells: pd.Series) -> tuple[Parsed, Parsed]:
    r"""Latitudes and longitudes in decimal degrees, south and west negative.

    Decimal degrees with a point are the usual form. A decimal comma, degrees with minutes (and seconds) and letters of
    the hemisphere count as repaired; so does a pair whose letters show that the columns were exchanged. The letter O is
    east (Ost) where the column also has W, and west (oeste) where it also has E; otherwise it is a problem. A number
    beyond 90 or 180 is a problem here; `as_written` keeps it for `settle`. Source: ISO 6709:2022, latitude before
    longitude, north and east positive.

    >>> read, _ = coordinates(pd.Series(["33°52'10.8\"S", "-33,8697", "91"]), pd.Series(["151.2093"] * 3))
    >>> read.values.round(4).tolist()
    [-33.8697, -33.8697, nan]
    """
    latitude, longitude = _pair(latitude_cells, longitude_cells)
    return _within_limit(latitude, "latitude"), _within_limit(longitude, "longitude")


def as_written(latitude_cells: pd.Series, longitude_cells: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Latitudes and longitudes [°] as `coordinates` reads them, with those beyond 90 and 180; NaN where unreadable."""
    latitude, longitude = _pair(latitude_cells, longitude_cells)
    return cast("tuple[pd.Series, pd.Series]", (latitude["value"], longitude["value"]))


def _pair(latitude_cells, longitude_cells):
    """Both columns, each value in the column that its letter names."""
    latitude, longitude = _read(latitude_cells, "latitude"), _read(longitude_cells, "longitude")
    axes = [
        column["letter"].map(_AXIS.get).where(column["value"].notna()) for column in (latitude, longitude)
    ]
    crossed = (axes[0] == "longitude") & (axes[1] == "latitude")
    return (
        _on_axis(latitude, longitude["value"], crossed, "latitude"),
        _on_axis(longitude, latitude["value"], crossed, "longitude"),
    )


def _on_axis(column, other, crossed, axis: str):
    """A column with crossed pairs exchanged, and a problem where a letter belongs to the other axis."""
    strange = ~crossed & ~column["letter"].map(_AXIS.get).isin(["", axis]) & column["value"].notna()
    sentence = (
        shown(column["text"]) + " carries the letter " + column["letter"] + f", which no {axis} has; "
        "check whether the columns of latitude and longitude were exchanged."
    )
    return column.assign(
        value=column["value"].where(~crossed, other).mask(strange),
        problem=column["problem"].mask(strange, sentence),
    )


def _within_limit(column, axis: str) -> Parsed:
    """The readings of a column, with a problem for each angle beyond the limit of its axis."""
    limit = _LIMIT[axis]
    beyond = column["value"].abs() > limit
    sentence = shown(column["text"]) + (
        f" lies beyond {limit} degrees, so it is not a {axis}; check for a slip, swapped columns or grid metres."
    )
    problem = column["problem"].mask(beyond, sentence)
    return parsed(column["value"].mask(beyond), repaired=column["hard"] & (problem == ""), problem=problem)


def _read(cells, axis: str):
    """One column: text, value [deg], hemisphere letter, problem, and whether it is not a plain number."""
    text = tidy(cells)
    plain = plain_numbers(text)
    hard = plain.isna() & (text != "")
    none = pd.Series("", index=text.index, dtype="str")
    column = cast(
        "Any", pd.DataFrame({"text": text, "hard": hard, "value": plain, "letter": none, "problem": none})
    )
    if not hard.any():
        return column
    angles = cast("Any", _angles(text[hard], axis))
    return column.assign(**{name: placed(column[name], hard, angles[name]) for name in angles})


def _angles(text, axis: str):
    """Value [deg], letter and problem of cells that are not plain decimal degrees."""
    found = [_ANGLE.fullmatch(typed) for typed in keyboard(text).tolist()]
    letters = _with_east_or_west([_letter(angle) if angle else None for angle in found])
    complaints = [_complaint(angle, letter, axis) for angle, letter in zip(found, letters, strict=True)]
    degrees = [
        None if complaint or angle is None else _degrees(angle, letter)
        for angle, letter, complaint in zip(found, letters, complaints, strict=True)
    ]
    complaint = cast("Any", pd.Series(complaints, index=text.index, dtype="str"))
    lost = complaint != ""
    problem = placed(complaint, lost, unread(text[lost], complaint[lost]))
    angles = {"value": pd.array(degrees, "float64"), "letter": [letter or "" for letter in letters]}
    return pd.DataFrame(angles, index=text.index).assign(problem=problem)


def _letter(angle: re.Match[str]) -> str | None:
    """Letter of the hemisphere, ``""`` for none, None for a word that does not name a hemisphere."""
    front, back = angle["front"], angle["back"]
    if back == "s" and angle["minute_mark"] in ("m", "min"):
        back = ""  # the sign of the seconds
    if front and back:
        return None
    word = (front or back).lower()
    return _LETTER.get(word) if word else ""


def _with_east_or_west(letters: Sequence[str | None]) -> list[str | None]:
    """Letters with O as east or west, where the column has only the other of the two."""
    known = {"E", "W"} & set(letters)
    meant = {"E": "W", "W": "E"}[known.pop()] if len(known) == 1 else "O"
    return [meant if letter == "O" else letter for letter in letters]


def _parts(angle: re.Match[str]) -> list[str]:
    """Degrees, minutes, seconds as text with a point; "" where not written."""
    return [(part or "").replace(",", ".") for part in angle.group("degrees", "minutes", "seconds")]


def _degrees(angle: re.Match[str], letter: str | None) -> float:
    """Decimal degrees with sign."""
    degrees, minutes, seconds = (float(part or 0) for part in _parts(angle))
    size = degrees + minutes / 60 + seconds / 3600
    return -size if angle["sign"] == "-" or letter in ("S", "W") else size


def _complaint(angle: re.Match[str] | None, letter: str | None, axis: str) -> str:
    """Why a cell is not an angle, and what to write; ``""`` where it is one."""
    mend = f"is not a {axis}; write one angle, such as {_EXAMPLE[axis]}."
    if angle is None or letter is None:
        return mend
    degrees, minutes, seconds = _parts(angle)
    if (minutes and "." in degrees) or (seconds and "." in minutes):
        return mend  # only the smallest part can have a fraction
    if max(float(minutes or 0), float(seconds or 0)) >= 60:
        return "has 60 or more minutes or seconds; read the position again."
    if letter == "O":
        return "has the letter O, which is east in German and west in Spanish; write E or W."
    if (angle["sign"] == "-" and letter in ("N", "E")) or (angle["sign"] == "+" and letter in ("S", "W")):
        return "has a sign and a letter that contradict each other; keep the one that is right."
    return ""
