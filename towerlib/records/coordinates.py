"""Latitudes and longitudes as crews, receivers and maps write them."""

import re

import pandas as pd

from towerlib.records.parsing import keyboard, parsed, placed, plain_numbers, shown, tidy, unread

_PART = "[0-9]{1,2}(?:[.,][0-9]+)?"
_ANGLE = re.compile(  # letter, sign, degrees, minutes, seconds, letter; a mark or a space between the parts
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
    "O": ("o",),  # Ost or oeste: the column tells
}
_LETTER = {word: letter for letter, words in _HEMISPHERES.items() for word in words}
_AXIS = {"N": "latitude", "S": "latitude", "E": "longitude", "W": "longitude", "O": "longitude", "": ""}
_LIMIT = {"latitude": 90, "longitude": 180}
_EXAMPLE = {"latitude": "-33.8697 or 33°52'10.9\"S", "longitude": "151.2093 or 151°12'33.5\"E"}


def coordinates(latitude_cells, longitude_cells):
    r"""Latitudes and longitudes in decimal degrees, south and west negative.

    Parameters
    ----------
    latitude_cells, longitude_cells : Series
        Raw cells, with one index.

    Returns
    -------
    tuple of Parsed
        Latitude, longitude.

    Notes
    -----
    Decimal degrees with a point are the usual form. A decimal comma, degrees with minutes (and seconds) and
    letters of the hemisphere count as repaired; so does a pair whose letters show that the two stand in each
    other's column. The letter O is east (Ost) where the column has W too, and west (oeste) where it has E;
    else it is a problem. A number beyond 90 or 180 is a problem here; `as_written` keeps it for
    `towerlib.records.positions.settle`.

    References
    ----------
    ISO 6709:2022: latitude before longitude, north and east positive.

    Examples
    --------
    >>> read, _ = coordinates(pd.Series(["33°52'10.8\"S", "-33,8697", "91"]), pd.Series(["151.2093"] * 3))
    >>> read.values.round(4).tolist()
    [-33.8697, -33.8697, nan]
    >>> print(read.problem[2])
    '91' lies beyond 90 degrees, so it is no latitude; check for a slip, swapped columns or grid metres.
    """
    pair = _pair(latitude_cells, longitude_cells)
    return tuple(_within_limit(column, axis) for column, axis in zip(pair, _LIMIT, strict=True))


def as_written(latitude_cells, longitude_cells):
    """Latitudes and longitudes as `coordinates` reads them, those beyond 90 and 180 included.

    Parameters
    ----------
    latitude_cells, longitude_cells : Series
        Raw cells, with one index.

    Returns
    -------
    tuple of Series of float
        Latitude and longitude [deg]; NaN where blank or unreadable.

    Examples
    --------
    >>> latitude_deg, _ = as_written(pd.Series(["151.2093"]), pd.Series(["-33.8697"]))
    >>> latitude_deg.tolist()
    [151.2093]
    """
    return tuple(column["value"] for column in _pair(latitude_cells, longitude_cells))


def _pair(latitude_cells, longitude_cells):
    """Both columns read, each value in the column that its letter names."""
    latitude, longitude = _read(latitude_cells, "latitude"), _read(longitude_cells, "longitude")
    axes = [column["letter"].map(_AXIS).where(column["value"].notna()) for column in (latitude, longitude)]
    crossed = (axes[0] == "longitude") & (axes[1] == "latitude")
    return (
        _on_axis(latitude, longitude["value"], crossed, "latitude"),
        _on_axis(longitude, latitude["value"], crossed, "longitude"),
    )


def _on_axis(column, other, crossed, axis):
    """A column with crossed pairs set right, and a problem where a letter belongs to the other axis."""
    strange = ~crossed & ~column["letter"].map(_AXIS).isin(["", axis]) & column["value"].notna()
    sentence = (
        shown(column["text"]) + " carries the letter " + column["letter"] + f", which no {axis} has; "
        "check whether latitude and longitude stand in each other's column."
    )
    return column.assign(
        value=column["value"].where(~crossed, other).mask(strange),
        problem=column["problem"].mask(strange, sentence),
    )


def _within_limit(column, axis):
    """The readings of a column, with a problem for each that is no angle of its kind."""
    limit = _LIMIT[axis]
    beyond = column["value"].abs() > limit
    sentence = shown(column["text"]) + (
        f" lies beyond {limit} degrees, so it is no {axis}; check for a slip, swapped columns or grid metres."
    )
    problem = column["problem"].mask(beyond, sentence)
    return parsed(column["value"].mask(beyond), repaired=column["hard"] & (problem == ""), problem=problem)


def _read(cells, axis):
    """One column: text, value [deg], hemisphere letter, problem, and whether it is no plain number."""
    text = tidy(cells)
    plain = plain_numbers(text)
    hard = plain.isna() & (text != "")
    none = pd.Series("", index=text.index, dtype="str")
    column = pd.DataFrame({"text": text, "hard": hard, "value": plain, "letter": none, "problem": none})
    if not hard.any():
        return column
    angles = _angles(text[hard], axis)
    return column.assign(**{name: placed(column[name], hard, angles[name]) for name in angles})


def _angles(text, axis):
    """Value [deg], letter and problem of cells that are not plain decimal degrees."""
    found = [_ANGLE.fullmatch(typed) for typed in keyboard(text).tolist()]
    letters = _told_apart([_letter(angle) if angle else None for angle in found])
    complaints = [_complaint(angle, letter, axis) for angle, letter in zip(found, letters, strict=True)]
    degrees = [
        None if complaint else _degrees(angle, letter)
        for angle, letter, complaint in zip(found, letters, complaints, strict=True)
    ]
    complaint = pd.Series(complaints, index=text.index, dtype="str")
    lost = complaint != ""
    problem = placed(complaint, lost, unread(text[lost], complaint[lost]))
    angles = {"value": pd.array(degrees, "float64"), "letter": [letter or "" for letter in letters]}
    return pd.DataFrame(angles, index=text.index).assign(problem=problem)


def _letter(angle):
    """Letter of the hemisphere, ``""`` for none, None for a word that names no hemisphere."""
    front, back = angle["front"], angle["back"]
    if back == "s" and angle["minute_mark"] in ("m", "min"):
        back = ""  # the mark of the seconds
    if front and back:
        return None
    word = (front or back).lower()
    return _LETTER.get(word) if word else ""


def _told_apart(letters):
    """Letters with O as east or west, where the column has only the other of the two."""
    stands = {"E", "W"} & set(letters)
    meant = {"E": "W", "W": "E"}[stands.pop()] if len(stands) == 1 else "O"
    return [meant if letter == "O" else letter for letter in letters]


def _parts(angle):
    """Degrees, minutes, seconds as text with a point; None where not written."""
    return [part and part.replace(",", ".") for part in angle.group("degrees", "minutes", "seconds")]


def _degrees(angle, letter):
    """Decimal degrees with sign."""
    degrees, minutes, seconds = (float(part or 0) for part in _parts(angle))
    size = degrees + minutes / 60 + seconds / 3600
    return -size if angle["sign"] == "-" or letter in ("S", "W") else size


def _complaint(angle, letter, axis):
    """Why a cell is no angle, and what to write; ``""`` where it is one."""
    mend = f"is not a {axis}; write one angle, such as {_EXAMPLE[axis]}."
    if angle is None or letter is None:
        return mend
    degrees, minutes, seconds = _parts(angle)
    if (minutes and "." in degrees) or (seconds and "." in minutes):
        return mend  # a fraction can only stand in the smallest part
    if max(float(minutes or 0), float(seconds or 0)) >= 60:
        return "has 60 or more minutes or seconds; read the position again."
    if letter == "O":
        return "has the letter O, which is east in German and west in Spanish; write E or W."
    if (angle["sign"] == "-" and letter in ("N", "E")) or (angle["sign"] == "+" and letter in ("S", "W")):
        return "has a sign and a letter that contradict each other; keep the one that is right."
    return ""
