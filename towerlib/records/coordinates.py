"""Positions: cells to latitude and longitude, slips repaired where the line's towers prove them, and grid metres.

`coordinates` reads decimal degrees, minutes, seconds and letters as crews, receivers and maps write them. `settle`
compares positions with the line. A swap of axes or a lost sign is repaired only where exactly one exchange leads back to
the line; everything else that lies far away is a problem.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from towerlib.errors import SettingsError
from towerlib.records import audit
from towerlib.records.parsing import Parsed, keyboard, parsed, placed, plain_numbers, shown, tidy, unread
from towerlib.values import number

if TYPE_CHECKING:
    from pyproj import CRS
    from scipy.spatial import KDTree

    from towerlib.config import Line
    from towerlib.records.load import Table


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


_REPAIRS = {  # the slip: whether the axes were swapped, and the signs that repair latitude and longitude
    "latitude and longitude were swapped": (True, 1, 1),
    "the latitude had the wrong sign": (False, -1, 1),
    "the longitude had the wrong sign": (False, 1, -1),
    "both had the wrong sign": (False, -1, -1),
    "latitude and longitude were swapped, and the latitude had the wrong sign": (True, -1, 1),
    "latitude and longitude were swapped, and the longitude had the wrong sign": (True, 1, -1),
    "latitude and longitude were swapped, and both had the wrong sign": (True, -1, -1),
}
_LIMITS = (90, 180)
_KM_PER_DEGREE = 60 * 1.852  # a nautical mile is a minute of arc: accurate enough for a sentence
POSITION = ["latitude_deg", "longitude_deg"]
NO_FIX = "latitude 0, longitude 0 is what a receiver stores without a fix: left blank"


def towers(table: Table, line: Line) -> tuple[Table, pd.DataFrame]:
    """Towers with a latitude and longitude each, proven slips repaired, and the flaws of the rest.

    The line's `crs` turns eastings and northings into positions.
    """
    if table.rows.empty:
        return table, audit.no_flaws()
    rows, lost = _from_grid(table.rows, line.crs)
    settled = _settled(rows, rows)
    wrong = rows.index[(settled.problem != "").to_numpy()]
    table = _with_settled("towers", replace(table, rows=rows), settled)
    flaws = audit.flaws(wrong, "latitude_deg", _pairs(rows.loc[wrong]), settled.problem.loc[wrong])
    parts = [part for part in (lost, flaws) if len(part)]
    return table, pd.concat(parts, ignore_index=True) if parts else audit.no_flaws()


def visits(table: Table, register: pd.DataFrame) -> tuple[Table, pd.DataFrame]:
    """Visits with positions repaired where the line proves the slip, blank without a fix, and impossible ones as flaws.

    A position far from the line is not changed; the quality rules judge it together with the reading.
    """
    rows = cast("Any", table.rows[table.rows[POSITION].notna().any(axis=1)])
    if rows.empty:
        return table, audit.no_flaws()
    settled = _settled(rows, register)
    has_problem = settled.problem != ""
    no_fix = has_problem & (rows[POSITION] == 0).all(axis=1)
    impossible = has_problem & ~((rows["latitude_deg"].abs() <= 90) & (rows["longitude_deg"].abs() <= 180))
    wrong = rows.index[impossible]
    flaws = audit.flaws(wrong, "latitude_deg", _pairs(rows.loc[wrong]), settled.problem.loc[wrong])
    as_written = has_problem & ~no_fix
    kept = replace(
        settled,
        latitude_deg=settled.latitude_deg.mask(as_written, rows["latitude_deg"]),
        longitude_deg=settled.longitude_deg.mask(as_written, rows["longitude_deg"]),
        repair=settled.repair.mask(no_fix, NO_FIX),
    )
    return _with_settled("visits", table, kept), flaws


@dataclass(frozen=True, eq=False)
class Settled:
    """Positions [°] after the comparison with the line's towers; NaN where blank or a problem.

    `repair` is the repaired slip, `problem` why the position cannot be used and how to mend it; both else ``""``.
    """

    latitude_deg: pd.Series
    longitude_deg: pd.Series
    repair: pd.Series
    problem: pd.Series


def settle(
    latitude_deg: pd.Series,
    longitude_deg: pd.Series,
    reference_latitude_deg: ArrayLike,
    reference_longitude_deg: ArrayLike,
) -> Settled:
    """Positions [°] with swapped axes and lost signs repaired where the line's towers (references) leave no doubt.

    The line is the place where most of its towers lie together: the half nearest to their median, and every tower
    within `position_near_deg` (of arc) of a tower that belongs to it. A position within that distance of the line is
    accepted. A position farther off than `position_far_deg` is repaired when exactly one exchange of axes and signs
    leads to the line. Every other position is a problem, and so is 0/0. With fewer than three towers for comparison
    nothing is repaired, and only an impossible position is a problem. A slip that most towers share is not detected.
    """
    written = np.column_stack([latitude_deg, longitude_deg]).astype(float)
    line = _line(np.column_stack([reference_latitude_deg, reference_longitude_deg]).astype(float))
    away_deg = _away(written, line)
    nowhere = (written == 0).all(axis=1)
    is_blank = np.isnan(written).any(axis=1) & ~(np.abs(written) > _LIMITS).any(axis=1)
    is_off = ~nowhere & ~is_blank & ~(away_deg <= number("position_near_deg"))
    is_far = is_off & ~(away_deg <= number("position_far_deg"))
    settled, repair = _repaired(written, line, is_far)
    lost = nowhere | (is_off & (repair == ""))
    problem = [
        _problem(latitude, longitude, away) if is_lost else ""
        for (latitude, longitude), away, is_lost in zip(written, away_deg, lost, strict=True)
    ]
    latitude, longitude = np.where(lost, np.nan, settled.T)
    index = latitude_deg.index
    return Settled(
        pd.Series(latitude, index=index),
        pd.Series(longitude, index=index),
        pd.Series(repair, index=index, dtype="str"),
        pd.Series(problem, index=index, dtype="str"),
    )


def _settled(rows, register) -> Settled:
    """Positions after the comparison with the line's towers."""
    return settle(
        rows["latitude_deg"], rows["longitude_deg"], register["latitude_deg"], register["longitude_deg"]
    )


def _line(towers: np.ndarray) -> KDTree | None:
    """The towers of the line on the unit sphere, as a search tree; None where they are too few."""
    from scipy.spatial import KDTree

    towers = towers[_is_position(towers) & (towers != 0).any(axis=1)]
    if len(towers) < number("position_towers_min"):
        return None
    points = on_sphere(towers)
    away = np.linalg.norm(points - np.median(points, axis=0), axis=1)
    belongs = away <= np.median(away)
    while True:
        line = KDTree(points[belongs])
        near = _arc(line.query(points)[0]) <= number("position_near_deg")
        if (near <= belongs).all():
            return line
        belongs |= near


def _is_position(places: np.ndarray) -> Any:
    """Whether latitude and longitude are numbers within 90 and 180 degrees."""
    return (np.abs(places) <= _LIMITS).all(axis=1)


def on_sphere(places: np.ndarray) -> np.ndarray:
    """Points on the unit sphere, where longitude does not jump at 180 degrees."""
    latitude, longitude = np.radians(places).T
    return np.column_stack(
        [np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)]
    )


def _arc(chord: np.ndarray) -> np.ndarray:
    """Arc [deg] of a chord of the unit sphere."""
    return np.degrees(2 * np.arcsin(np.clip(chord / 2, 0, 1)))


def _away(places: np.ndarray, line: KDTree | None) -> np.ndarray:
    """Arc [deg] from each place to the line's nearest tower; 0 without a line, infinite for an impossible place."""
    away = np.where(_is_position(places), 0.0, np.inf)
    known = np.isfinite(away)
    if line is not None and known.any():
        away[known] = _arc(line.query(on_sphere(places[known]))[0])
    return away


def _repaired(written: np.ndarray, line: KDTree | None, is_far: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places, repaired where exactly one exchange leads to the line, and the slip of each."""
    settled, repair = written.copy(), np.full(len(written), "", dtype=object)
    if line is None or not is_far.any():
        return settled, repair
    far = written[is_far]
    options = np.stack([far[:, :: -1 if swapped else 1] * signs for swapped, *signs in _REPAIRS.values()])
    fits = np.stack([_away(option, line) <= number("position_near_deg") for option in options])
    first = fits.argmax(axis=0)
    chosen = options[first, np.arange(is_far.sum())]
    other = fits & (options != chosen).any(axis=2)  # two exchanges may end at the same place
    proven = fits.any(axis=0) & ~other.any(axis=0)
    rows = np.flatnonzero(is_far)[proven]
    settled[rows] = chosen[proven]
    repair[rows] = np.array(list(_REPAIRS), dtype=object)[first[proven]]
    return settled, repair


def _problem(latitude: float, longitude: float, away_deg: float) -> str:
    """Why a position cannot be used, and what to do."""
    if latitude == 0 and longitude == 0:
        return "latitude 0, longitude 0 is what a receiver stores without a fix; read the position again."
    place = f"latitude {latitude:.7g}, longitude {longitude:.7g}".replace("nan", "blank")
    if not np.isfinite(away_deg):
        return f"{place} is not a position on earth; check for a slip, swapped columns or grid metres."
    return (
        f"{place} lies about {away_deg * _KM_PER_DEGREE:,.0f} km from the line's nearest other tower, "
        "and neither swapped axes nor a lost sign explain it beyond doubt; read the position again."
    )


def _with_settled(name: str, table: Table, settled: Settled) -> Table:
    """A table with the settled positions, and each changed cell in its list of repairs."""
    changed = settled.repair.index[(settled.repair != "").to_numpy()]
    if changed.empty:
        return table
    rows, parts = table.rows.copy(), []
    for column in POSITION:
        before, after = rows.loc[changed, column], getattr(settled, column).loc[changed]
        differs = changed[((before != after) & ~(before.isna() & after.isna())).to_numpy()]
        value, used = _shown(before.loc[differs]), _shown(after.loc[differs])
        parts.append(audit.repairs(differs, column, value, used, settled.repair.loc[differs]))
        rows.loc[changed, column] = after
    mended = audit.repaired_cells(name, rows, pd.concat(parts, ignore_index=True))
    return replace(table, rows=rows, repaired=pd.concat([table.repaired, mended], ignore_index=True))


def _pairs(rows) -> pd.Series:
    """Positions as a list shows them."""
    return _shown(rows["latitude_deg"]) + ", " + _shown(rows["longitude_deg"])


def _shown(numbers) -> pd.Series:
    """Numbers as a list shows them; "" where they are blank."""
    return pd.Series(
        ["" if pd.isna(one) else f"{one:.10g}" for one in numbers], index=numbers.index, dtype="str"
    )


def _from_grid(rows, crs: str | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows with the latitude and longitude of towers given in grid metres, and the flaws of towers without a place."""
    blank = rows["latitude_deg"].isna() | rows["longitude_deg"].isna()
    if not blank.any():
        return rows, audit.no_flaws()
    grid = blank & rows["easting_m"].notna() & rows["northing_m"].notna()
    reason = ""
    if grid.any() and crs is None:
        reason = 'has easting and northing, but line.toml names no crs; add crs = "EPSG:…" under [line]'
    elif grid.any() and crs is not None:
        reason = f"has easting and northing outside of {crs}; check both, and the crs in line.toml"
        placed = from_grid(rows.loc[grid, "easting_m"], rows.loc[grid, "northing_m"], crs)
        rows = rows.assign(
            **{name: rows[name].mask(grid, placed[name].reindex(rows.index)) for name in POSITION}
        )
        blank = rows["latitude_deg"].isna() | rows["longitude_deg"].isna()
    lost, bare = rows.index[blank & grid], rows.index[blank & ~grid]
    none = "has no position: give latitude_deg and longitude_deg, or easting_m and northing_m"
    return rows, pd.concat(
        [
            audit.flaws(lost, "easting_m", _shown(rows.loc[lost, "easting_m"]), reason),
            audit.flaws(bare, "latitude_deg", "", none),
        ]
    )


def from_grid(easting: pd.Series, northing: pd.Series, crs: str | CRS) -> pd.DataFrame:
    """Latitudes and longitudes [°, WGS 84] of positions on a projected grid such as ``"EPSG:32736"``, in its units.

    NaN where one is blank or beyond the projection; `SettingsError` where the system is unknown or not projected.
    """
    from pyproj import Transformer
    from pyproj.crs import CRS
    from pyproj.exceptions import CRSError

    try:
        system = CRS.from_user_input(crs)
    except CRSError:
        raise SettingsError(
            f'line.toml, line.crs: {crs!r} is not known; write a code, as "EPSG:32736"'
        ) from None
    if not system.is_projected:
        raise SettingsError(
            f"line.toml, line.crs: {crs!r} has no easting and northing; name a projected system"
        )
    transform = Transformer.from_crs(system, "EPSG:4326", always_xy=True).transform
    longitude, latitude = transform(easting.to_numpy("float64"), northing.to_numpy("float64"))
    places = pd.DataFrame({"latitude_deg": latitude, "longitude_deg": longitude}, index=easting.index)
    return places.where(np.isfinite(places).all(axis=1))
