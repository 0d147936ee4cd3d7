"""Tower names as crews write them, matched against the register.

A name takes several forms: folded (without capitals and kinds of dash), its core (without prefix words, leading zeros
and separators), a loose core (without the side and shared letters), and the dates or numbers into which a spreadsheet
turns it. `match` compares these forms with those of the register. The position of the crew is further evidence
(`_with_location`): it decides between candidates or contradicts a match, but never names a tower alone.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, cast

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from towerlib.records.coordinates import on_sphere
from towerlib.values import number

_TOKEN = re.compile(r"[0-9]+|[^\W0-9_]+|[\s_./\\:#,-]+|.")
SEPARATOR = re.compile(r"[\s_./\\:#,-]+")
_TWO_NAMES = re.compile(r",\s")
_NUMBER_SIGN = re.compile(r"\bn\s?[°º]|№")
_PREFIX = re.compile(
    r"(?:towers?|twr|tow|t|mast|pylon|pyl[oô]ne|pole|structure|struct|str|support|torre|apoyo)?"
    r"(?:number|num|no|nr)?"
)
_WORDS = {"left": "l", "lh": "l", "right": "r", "rh": "r"}
_ENDINGS = {"bis": "b", "new": "n", "l": "", "r": ""}
_MIDNIGHT = re.compile(r"[ t](?:0?0:00(?::00(?:\.0+)?)?|12:00(?::00)? ?am)$")
_DAY_MONTH_YEAR = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4}|[0-9]{2})")
_YEAR_MONTH_DAY = re.compile(r"([0-9]{4})[./-]([0-9]{1,2})[./-]([0-9]{1,2})")
_DAY_MONTH_NAME = re.compile(r"([0-9]{1,2})[ ./-]{0,2}([^\W\d_]+)\.?(?:[ ./-]{1,2}([0-9]{4}|[0-9]{2}))?")
_MONTH_NAME = re.compile(r"([^\W\d_]+)\.?[ ./-]{0,2}([0-9]{4}|[0-9]{1,2})")
_MONTH_NAMES = [  # as spreadsheets shorten them in English, German, French, Spanish; nothing but these
    "jan janv ene", "feb févr fev", "mar mär mrz mars", "apr avr abr", "may mai", "jun juin",
    "jul juil", "aug août ago", "sep sept", "oct okt", "nov", "dec dez déc dic",
]  # fmt: skip
_MONTHS = {name: month for month, names in enumerate(_MONTH_NAMES, 1) for name in names.split()}
_POINT_NUMBER = re.compile(r"[0-9]+[.,][0-9]+")
_POWER_NUMBER = re.compile(r"[0-9](?:[.,]([0-9]{0,6}))?e\+?(0?[0-9]|10)")
ASK = "Which tower was it?"
ANSWER = ["tower_id", "certainty", "reason", "candidates"]


def match(
    names: pd.Series,
    register_ids: Iterable[str],
    *,
    positions: pd.DataFrame | None = None,
    register_positions: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The register tower that each written name means: tower_id, certainty, reason, candidates; index of `names`.

    tower_id is missing where unmatched; certainty is "sure", "probable" or "none"; reason is "" where the name is the
    register's own and nothing contradicts it; candidates are separated by "; ". `positions` (of the crew) and
    `register_positions` (by tower id) have latitude_deg and longitude_deg [°, WGS 84]; ValueError where `positions` has
    another index than `names`.

    A name that equals a register id to the letter is sure, whatever else is in the register; so is a name that differs
    in capitals, outer spaces or look-alike signs from one id only. Otherwise every tower that the name could mean is a
    candidate, and only a single candidate is accepted, as probable. Candidates are first the ids that differ in prefix,
    separators, leading zeros or the form that a spreadsheet gives a name. Without any of these, they are the ids that
    differ in the side (left, right), *bis*, *new* or the letters that all ids share. The position of the crew is
    location evidence: it decides between candidates of a name or contradicts one, but never names a tower alone. Its
    distances are in ``values.csv``: identity_near_m, identity_clear_m, identity_away_m.
    """
    if positions is not None and not positions.index.equals(names.index):
        raise ValueError("positions must have the index of names, one row per name")
    register = _register(register_ids)
    codes, written = pd.factorize(names.astype("str"))
    readings = [_read(text, register) for text in [*written, ""]]  # a missing name reads as a blank one
    rows = [(each.tower_id, each.certainty, each.reason, "; ".join(each.candidates)) for each in readings]
    answers = pd.DataFrame(rows, columns=ANSWER, dtype="str")
    codes = np.where(codes < 0, len(written), codes)
    found = answers.iloc[codes].reset_index(drop=True)
    if positions is not None and register_positions is not None:
        places = cast("Any", register_positions[register_positions.index.isin(list(register.cores))])
        coded = found.assign(code=codes, written=names.to_numpy())
        found = _with_location(coded, readings, positions, places)
    return cast("pd.DataFrame", found[ANSWER]).set_axis(names.index)


@dataclass(frozen=True)
class Reading:
    """The meaning of one written name, without the position of the crew.

    `near` are the towers whose distance from the crew matters for it, `fits` those of them that it could mean.
    """

    tower_id: str | None
    certainty: str
    reason: str
    candidates: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    fits: tuple[str, ...] = ()


@dataclass(frozen=True)
class Register:
    """The towers of a register by each form that their names can take."""

    cores: dict[str, str]
    letters: str  # that all ids begin with
    by_fold: dict[str, list[str]]
    by_core: dict[str, list[str]]
    by_value: dict[str, list[str]]
    by_loose: dict[str, list[str]]
    by_digits: dict[str, list[str]]


# A name against the register


def _register(register_ids: Iterable[str]) -> Register:
    """The register's towers under each form of their names; the order of the ids does not matter."""
    ids = pd.Series(list(register_ids), dtype="str").dropna().unique()
    cores = {tower: core_of(fold(tower)) for tower in sorted(ids) if tower.strip()}
    heads = {re.split("[0-9]", core, maxsplit=1)[0] for core in cores.values() if digits(core)}
    letters = heads.pop() if len(heads) == 1 else ""
    return Register(
        cores=cores,
        letters=letters,
        by_fold=_grouped((fold(tower), tower) for tower in cores),
        by_core=_grouped((core, tower) for tower, core in cores.items()),
        by_value=_grouped((value, tower) for tower, core in cores.items() for value in values(core)),
        by_loose=_grouped((loose(core, letters), tower) for tower, core in cores.items()),
        by_digits=_grouped((digits(core), tower) for tower, core in cores.items() if digits(core)),
    )


def _grouped(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Towers by form, each in the order given."""
    groups: dict[str, list[str]] = {}
    for form, tower in pairs:
        groups.setdefault(form, []).append(tower)
    return groups


def _read(written: str, register: Register) -> Reading:
    """The meaning of one written name, without the position of the crew."""
    folded = fold(written)
    core = core_of(folded)
    alike = register.by_fold.get(folded, [])
    if written in register.cores:
        return _sure(written, "", core, register)
    if len(alike) == 1:
        return _sure(alike[0], _why(written, alike[0], "fold"), core, register)
    if not re.search(r"[^\W_]", folded):
        return Reading(None, "none", f"No tower name was written. {ASK}")
    found = _candidates(folded, core, register)
    if not found:
        same = tuple(register.by_digits.get(digits(core), ()))
        hint = f" Of the same number: {_listed(same)}." if same else ""
        return Reading(None, "none", f'"{written}" is no tower of the register.{hint} {ASK}', same)
    towers = tuple(sorted(found))
    fits = tuple(tower for tower in towers if found[tower] != "other side")
    if len(towers) == len(fits) == 1:
        return Reading(fits[0], "probable", _why(written, fits[0], found[fits[0]]), fits, fits, fits)
    return Reading(None, "none", _which(written, towers), towers, towers, fits)


def _sure(tower: str, reason: str, core: str, register: Register) -> Reading:
    """A certain reading; towers of almost the same name count as near, since the crew may have stood at one."""
    others = [other for other in register.by_loose[loose(core, register.letters)] if other != tower]
    return Reading(tower, "sure", reason, (tower,), (tower, *others), (tower,))


def _candidates(folded: str, core: str, register: Register) -> dict[str, str]:
    """Towers that a name could mean, with the kind of difference; wide differences only without a narrow one."""
    found = _gathered(
        ("name", [core], register.by_core),
        ("spreadsheet", dated(folded), register.by_core),
        ("spreadsheet", values_written(folded), register.by_value),
    )
    if found:
        return found
    found = _gathered(
        ("ending", [loose(core, register.letters)], register.by_loose),
        ("spreadsheet", [core], register.by_value),
    )
    sides = {tower: {side(core), side(register.cores[tower])} for tower in found}
    return {tower: "other side" if sides[tower] == {"l", "r"} else kind for tower, kind in found.items()}


def _gathered(*searches: tuple[str, Iterable[str], Mapping[str, list[str]]]) -> dict[str, str]:
    """Towers under any of the forms, each with the first kind of difference that leads to it."""
    found: dict[str, str] = {}
    for kind, forms, towers_by_form in searches:
        for form in forms:
            for tower in towers_by_form.get(form, ()):
                found.setdefault(tower, kind)
    return found


def fold(text: str) -> str:
    """A name without differences that nobody notices: capitals, outer spaces, kinds of dash, digit and space."""
    if not text.isascii():
        text = "".join(_plain_sign(char) for char in unicodedata.normalize("NFC", text))
    words = " ".join(text.split())
    return words.removeprefix("'").casefold()  # in a spreadsheet this apostrophe means: text


def _plain_sign(char: str) -> str:
    """A sign of a keyboard: any dash a hyphen, any digit 0 to 9, nothing for an invisible sign."""
    category = unicodedata.category(char)
    if category == "Pd" or char == "\N{MINUS SIGN}":
        return "-"
    if char in "\N{FRACTION SLASH}\N{DIVISION SLASH}\N{FULLWIDTH SOLIDUS}":
        return "/"
    return "" if category == "Cf" else str(unicodedata.decimal(char, char))


def split(folded: str) -> tuple[list[str], list[str]]:
    """Prefix words of a folded name ("tower no"), and the tokens from there on, separators included."""
    tokens = _TOKEN.findall(_TWO_NAMES.sub("&", _NUMBER_SIGN.sub("no ", folded)))
    start = 0
    if any(token.isdigit() for token in tokens):
        while SEPARATOR.fullmatch(tokens[start]) or _PREFIX.fullmatch(tokens[start]):
            start += 1
    return [token for token in tokens[:start] if token.isalpha()], tokens[start:]


def core_of(folded: str) -> str:
    """A folded name without prefix words, leading zeros and separators; `/` separates two numbers."""
    tokens = [token for token in split(folded)[1] if not SEPARATOR.fullmatch(token)]
    words = [(token.lstrip("0") or "0") if token.isdigit() else _WORDS.get(token, token) for token in tokens]
    return re.sub(r"(?<=[0-9]) (?=[0-9])", "/", " ".join(words)).replace(" ", "")


def loose(core: str, letters: str) -> str:
    """A core without its side and the letters that all ids share; endings in their short form."""
    core = core.removeprefix(letters)
    ending = re.fullmatch(r"(.*[0-9])(bis|new|l|r)", core)
    return ending[1] + _ENDINGS[ending[2]] if ending else core


def side(core: str) -> str:
    """Left, right or neither."""
    return core[-1] if re.search(r"[0-9][lr]$", core) else ""


def digits(core: str) -> str:
    """The numbers of a core, whatever is between them."""
    return "/".join(re.findall(r"[0-9]+", core))


def values(core: str) -> list[str]:
    """A register name as a spreadsheet shows it after reading a number: 12/10 as 12.1, 1E2 as 1.00E+02."""
    parts = re.fullmatch(r"([0-9]{1,15})(?:/([0-9]{1,9})|e([0-9]|10))?", core)
    if not parts:
        return []
    whole, decimals, power = parts.groups(default="0")
    value = Decimal(f"{whole}.{decimals}e{power}")
    return [_plain(value), *(f"{value:.{shown}e}" for shown in range(1, 7) if not parts[2])]


def _plain(value: Decimal) -> str:
    """A number written out without needless zeros."""
    return format(value.normalize(), "f")


def values_written(folded: str) -> list[str]:
    """The form in which a spreadsheet may have shown a name; none for most names."""
    if _POINT_NUMBER.fullmatch(folded):
        return values(core_of(folded))[:1]
    parts = _POWER_NUMBER.fullmatch(folded)
    if not parts or not re.search("[.,+]", folded):  # 1E2 itself is a name
        return []
    value, decimals = Decimal(folded.replace(",", ".")), len(parts[1] or "")
    return [f"{value:.{decimals}e}" if decimals else _plain(value)]


def dated(folded: str) -> set[str]:
    """Cores of the names that a spreadsheet turns into the date that this name looks like."""
    folded = _MIDNIGHT.sub("", folded)
    if parts := _YEAR_MONTH_DAY.fullmatch(folded):
        year, month, day = map(int, parts.groups())
        return _of_date(day, month, year)
    if parts := _DAY_MONTH_YEAR.fullmatch(folded):
        first, second, year = map(int, parts.groups())
        return _of_date(first, second, year) | _of_date(second, first, year)
    if parts := _DAY_MONTH_NAME.fullmatch(folded):
        return _of_date(int(parts[1]), _MONTHS.get(parts[2], 0), int(parts[3] or 0))
    if parts := _MONTH_NAME.fullmatch(folded):
        month, day_or_year = _MONTHS.get(parts[1], 0), int(parts[2])
        return _of_date(day_or_year, month) | _of_month(month, day_or_year)
    return set()


def _of_date(day: int, month: int, year: int = 0) -> set[str]:
    """Pairs of numbers that become this date when typed; the first of a month may have been month and year."""
    if not (1 <= day <= 31 and 1 <= month <= 12):
        return set()
    return {f"{day}/{month}", f"{month}/{day}"} | (_of_month(month, year) if day == 1 else set())


def _of_month(month: int, year: int) -> set[str]:
    """Pairs of numbers that become this month of this year when typed."""
    return {f"{month}/{year % 100}", f"{month}/{year}"} if month and year else set()


def _with_location(found, readings: list[Reading], positions, places) -> pd.DataFrame:
    """The matches after the location evidence; rows without a position are not changed."""
    columns = ["latitude_deg", "longitude_deg"]
    places = places[columns].astype("float64").dropna()
    stood = positions[columns].astype("float64").reset_index(drop=True)
    stood = stood[stood["latitude_deg"].abs().le(90) & stood["longitude_deg"].abs().le(180)]
    if places.empty or stood.empty:
        return found
    seen = found.join(_nearest(stood, places), how="inner")
    seen = seen.join(_measured(seen[["code", "tower_id"]], readings, stood, places))
    seen = seen[_adds(seen)]
    located = [_located(row) for row in seen.itertuples()]
    answers = pd.DataFrame(located, index=seen.index, columns=ANSWER, dtype="str")
    return pd.concat([found.drop(index=answers.index), answers]).sort_index()


def _nearest(stood, places) -> pd.DataFrame:
    """The register tower nearest to each position: nearest_id, nearest_m, and second_m to the next one."""
    from scipy.spatial import KDTree

    tree = KDTree(on_sphere(places.to_numpy()))
    chords, which = map(np.asarray, tree.query(on_sphere(stood.to_numpy()), k=2))
    metres = 2 * number("earth_mean_radius_m") * np.arcsin(np.minimum(chords / 2, 1))
    second_m = np.where(np.isinf(chords[:, 1]), np.inf, metres[:, 1])  # a register of one tower has no second
    ids = places.index.to_numpy()[which[:, 0]]
    return pd.DataFrame(
        {"nearest_id": ids, "nearest_m": metres[:, 0], "second_m": second_m}, index=stood.index
    )


def _measured(matched, readings: list[Reading], stood, places) -> pd.DataFrame:
    """Distances from the crew to the towers of a name: own_m, other_m, and the one tower that they leave."""
    near_by_code = pd.DataFrame(
        [(code, tower, tower in each.fits) for code, each in enumerate(readings) for tower in each.near],
        columns=["code", "near_id", "fits"],
    )
    pairs = matched.rename_axis("row").reset_index().merge(near_by_code, on="code", validate="many_to_many")
    here, there = stood.loc[pairs["row"]].to_numpy().T, places.reindex(pairs["near_id"]).to_numpy().T
    metres = great_circle_m(*here, *there)
    is_own = pairs["tower_id"] == pairs["near_id"]
    pairs = pairs.assign(
        own_m=np.where(is_own, metres, np.nan),
        other_m=np.where(is_own, np.nan, metres),
        at=pairs["fits"] & (metres <= number("identity_near_m")),
        open=~(metres > number("identity_clear_m")),  # a tower without a position stays open
    )
    by_row = pairs.groupby("row").agg({"own_m": "min", "other_m": "min", "at": "sum", "open": "sum"})
    decided = by_row.index[(by_row["at"] == 1) & (by_row["open"] == 1)]
    left = pairs.assign(own_m=metres)[pairs["at"] & pairs["row"].isin(decided)].set_index("row")
    return by_row[["own_m", "other_m"]].assign(left=left["near_id"]).fillna({"own_m": left["own_m"]})


def _adds(seen):
    """Where a position adds information: names short of sure, and sure names whose tower is elsewhere."""
    own, other, nearest = seen["own_m"], seen["other_m"], seen["nearest_m"]
    near, clear, away = number("identity_near_m"), number("identity_clear_m"), number("identity_away_m")
    is_elsewhere = (own > away) | ((own > clear) & (nearest <= near)) | ((own > near) & (other < own))
    return (seen["certainty"] != "sure") | is_elsewhere


def _located(row: Any) -> tuple[str | None, str, str, str]:
    """One match with its location evidence: tower, certainty, reason, candidates."""
    if pd.isna(row.tower_id):
        return _located_question(row)
    if pd.isna(row.own_m):
        return row.tower_id, row.certainty, row.reason, row.candidates
    note = f"{_who(row)} {_length(row.own_m)} from it"
    if row.nearest_id != row.tower_id:
        note += f"; the nearest tower is {row.nearest_id}, {_length(row.nearest_m)} away"
    elif row.own_m < row.second_m / 2 < np.inf:
        note += f"; the next tower is {_length(row.second_m)} away"
    if row.certainty == "probable" and _is_at_another(row):
        reason = f'"{row.written}" could be tower {row.tower_id}, but {note}. {ASK}'
        return None, "none", reason, f"{row.candidates}; {row.nearest_id}"
    return row.tower_id, row.certainty, f"{row.reason} {_sentence(note)}.".lstrip(), row.candidates


def _is_at_another(row: Any) -> bool:
    """Whether the crew was so clearly at another tower that a name short of sure becomes a question."""
    near, clear, away = number("identity_near_m"), number("identity_clear_m"), number("identity_away_m")
    return (row.own_m > clear and row.nearest_m <= near) or row.own_m > away >= row.nearest_m


def _located_question(row: Any) -> tuple[str | None, str, str, str]:
    """An open name with its location evidence: settled where one candidate is left, else with the nearest tower."""
    if not pd.isna(row.left):
        reason = (
            f'"{row.written}" could mean {row.candidates.replace("; ", ", ")}. It is taken as {row.left}: '
            f"the crew stood {_length(row.own_m)} from that tower and not near the others."
        )
        return row.left, "probable", reason, row.candidates
    where = _sentence(f"{_who(row)} {_length(row.nearest_m)} from tower {row.nearest_id}")
    if row.nearest_m > number("identity_away_m"):
        return None, "none", f"{row.reason} {where}, the nearest.", row.candidates
    known = row.candidates.split("; ") if row.candidates else []
    candidates = "; ".join(dict.fromkeys([*known, row.nearest_id]))
    return None, "none", f"{row.reason} {where}; a position alone does not name a tower.", candidates


def _who(row: Any) -> str:
    """The crew, or only the recorded position where it is far from every tower."""
    return "the crew stood" if row.nearest_m <= number("identity_away_m") else "the recorded position is"


def _sentence(clause: str) -> str:
    """A clause with a capital letter."""
    return clause[0].upper() + clause[1:]


def _length(metres: float) -> str:
    """A distance for a sentence, in kilometres from ten of them."""
    return f"{metres:,.0f} m" if metres < 10_000 else f"{metres / 1000:,.0f} km"


def great_circle_m(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, to_latitude_deg: ArrayLike, to_longitude_deg: ArrayLike
) -> Any:
    """Distance [m] between positions [°, WGS 84] along a sphere, within 0.6 % of the geodesic on the ellipsoid.

    Haversine: d = 2 R asin √(sin²(Δφ/2) + cos φ₁ cos φ₂ sin²(Δλ/2)), R the mean radius of the ellipsoid.
    """
    south, west, north, east = map(
        np.radians, (latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg)
    )
    half = np.sin((north - south) / 2) ** 2 + np.cos(south) * np.cos(north) * np.sin((east - west) / 2) ** 2
    return 2 * number("earth_mean_radius_m") * np.arcsin(np.sqrt(np.minimum(half, 1)))


# Sentences


def _why(written: str, tower: str, kind: str) -> str:
    """Why a single candidate is accepted."""
    taken = f'"{written}" is taken as tower {tower}'
    if kind == "fold":
        return f"{taken}: the names differ only in capitals, spaces or look-alike signs."
    if kind == "name":
        return f"{taken}: the names differ only in {_differences(written, tower)}, and no other tower fits."
    if kind == "ending":
        return f"{taken}: the names differ only in ending or first letters, and no other tower is as similar."
    return f"{taken}: a spreadsheet turns that name into this form, and no other tower fits."


def _which(written: str, towers: Sequence[str]) -> str:
    """Why a candidate is not accepted."""
    if len(towers) > 1:
        return f'"{written}" could mean more than one tower of the register: {_listed(towers)}. {ASK}'
    return f'"{written}" is no tower of the register, which has only the other side: {towers[0]}. {ASK}'


def _differences(written: str, tower: str) -> str:
    """The differences between two names of the same core, in words."""
    prefix, (signs, numbers, words) = _parts(fold(written))
    register_prefix, (register_signs, register_numbers, register_words) = _parts(fold(tower))
    differs = {
        "prefix": prefix != register_prefix,
        "leading zeros": numbers != register_numbers,
        "the word for the side": words != register_words,
        "spaces or signs": signs != register_signs,
    }
    return " and ".join(what for what, is_so in differs.items() if is_so) or "spaces or signs"


def _parts(folded: str) -> tuple[list[str], tuple[list[str], list[str], str]]:
    """Prefix words of a folded name, and the separators, numbers and run-on words that follow."""
    prefix, tokens = split(folded)
    signs = [token for token in tokens if SEPARATOR.fullmatch(token)]
    numbers = [token for token in tokens if token.isdigit()]
    words = "".join(token for token in tokens if token not in signs and token not in numbers)
    return prefix, (signs, numbers, words)


def _listed(towers: Sequence[str]) -> str:
    """At most six names for a sentence."""
    more = f" and {len(towers) - 6} more" if len(towers) > 6 else ""
    return ", ".join(towers[:6]) + more
