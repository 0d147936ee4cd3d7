"""Headers: the row of a file that contains them, and the column of the dictionary that each one means.

`best_header_row` finds the header below any titles. `headings` gives each text its meaning by the crew's own headers
(``line.toml [columns]``), by the spellings in ``headers.csv``, or as the current of a leg; it takes a unit off the
text. `insist` refuses a file in which a needed column is missing or has two claimants.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache, lru_cache

from towerlib.config import Columns
from towerlib.errors import RecordsError
from towerlib.records.numbers import find
from towerlib.records.tables import about, required, schema
from towerlib.safe_files import shipped_rows

Recognise = Callable[[list[str]], list[str | None]]  # header texts to kinds of columns, None where unknown
TITLE_ROWS = 30  # first rows among which the header is searched
MOST_COLUMNS = 2_000
NONE = "has no header row"
LONGEST = 200  # characters; a longer text is not a header
_LEG_WORD = "leg|eckstiel|stiel|pied|pata|perna"
_CURRENT = (
    "i|current|leakage|leakage current|leak|strom|ableitstrom|courant|courant de fuite|corriente|corriente de fuga"
    "|corrente|corrente de fuga"
)
_LABEL = r"(?P<label>[a-h]|[1-9]|1[0-2]|n|e|s|w|ne|nw|se|sw)"
_TAIL = r"(?: leg)?(?: (?:leakage|current|ma))*"
# A leg current in a file with one row per visit: "I leg A (mA)", "leg 3"; beside others of its kind also "leakage_b_ma".
_LEG_NAMED = re.compile(rf"(?:(?:{_CURRENT}) ?)?(?:{_LEG_WORD}) ?{_LABEL}{_TAIL}")
_LEG_AMONG = re.compile(rf"(?:{_CURRENT}) ?{_LABEL}{_TAIL}")


@dataclass(frozen=True)
class Heading:
    """The meaning of one column of a file."""

    text: str  # as in the file
    name: str | None = None  # column of the dictionary, or None for a column of the utility's own
    unit: str = ""  # unit in the header, where it is not that of the dictionary
    leg: str | None = None  # leg whose current the column contains


def headings(header: list[str], table: str, own: dict[str, str] | None = None) -> list[Heading]:
    """The meaning of each column of a file; the crew's `own` headers, from ``line.toml [columns]``, take precedence."""
    mine = {fold(text): name for text, name in (own or {}).items()}
    known = [_heading(text, table, mine) for text in header]
    if table != "visits":
        return known
    among = [
        _LEG_AMONG.fullmatch(fold(split_unit(heading.text)[0])) if not heading.name else None
        for heading in known
    ]
    several = sum(found is not None for found in among) > 1  # a single "I E" may be the current to earth
    return [_leg(heading, found if several else None) for heading, found in zip(known, among, strict=True)]


def _heading(text: str, table: str, mine: dict[str, str]) -> Heading:
    """One header by the known spellings; blank or overlong headers are the utility's own."""
    if not text.strip() or len(text) > LONGEST:
        return Heading(text)
    if fold(text) in mine:
        return Heading(text, mine[fold(text)])
    if fold(text) in spellings(table):
        return Heading(text, spellings(table)[fold(text)])
    bare, unit = split_unit(text)
    name = mine.get(fold(bare)) or spellings(table).get(fold(bare))
    return Heading(text, name, unit) if name else Heading(text)


def _leg(heading: Heading, among: re.Match[str] | None) -> Heading:
    """A header that is not in the dictionary, as the leg whose current it contains, if any."""
    if heading.name or len(heading.text) > LONGEST:
        return heading
    bare, unit = split_unit(heading.text)
    found = _LEG_NAMED.fullmatch(fold(bare)) or among
    return Heading(heading.text, None, unit, found["label"].upper()) if found else heading


def own_headers(columns: Columns, file: str) -> dict[str, str]:
    """A crew's own headers for one file, from ``[columns]``: header to column, or file pattern to such a table."""
    everywhere = {text: name for text, name in columns.items() if isinstance(name, str)}
    matching = [
        table for pattern, table in columns.items() if isinstance(table, dict) and fnmatch(file, pattern)
    ]
    return everywhere | {text: name for table in matching for text, name in table.items()}


def kinds(header: list[str], table: str, own: dict[str, str] | None = None) -> list[str | None]:
    """Kind of each column ("text", "number", "date", …), None where it is not in the dictionary."""
    columns = schema(table).columns
    found = headings(header, table, own)
    return [
        about(columns[heading.name])["kind"] if heading.name in columns else "number" if heading.leg else None
        for heading in found
    ]


def insist(found: list[Heading], table: str) -> None:
    """`RecordsError` for a file in which a needed column is missing, or two columns have one meaning."""
    names = [heading.name or (f"leg {heading.leg}" if heading.leg else "") for heading in found]
    for name in names:
        if name and names.count(name) > 1:
            claims = " and ".join(
                repr(heading.text) for heading, other in zip(found, names, strict=True) if other == name
            )
            raise RecordsError(f"has two columns for {name}: {claims}; keep one of them and rename the other")
    missing = [name for name in required(table) if name not in names]
    places = {"latitude_deg", "longitude_deg"} <= {*names} or {"easting_m", "northing_m"} <= {*names}
    if table == "towers" and not places:
        missing.append("latitude_deg and longitude_deg (or easting_m and northing_m)")
    if missing:
        header = ", ".join(heading.text for heading in found)
        header = header if len(header) < LONGEST else header[:LONGEST] + "…"
        raise RecordsError(
            f"lacks the needed column {missing[0]}; its header reads: {' '.join(header.split())}"
        )


@cache
def spellings(table: str) -> dict[str, str]:
    """Every folded spelling of every column of a table, to the column of the dictionary."""
    columns = schema(table).columns
    rows = [
        row
        for row in shipped_rows("towerlib.records", "headers.csv")
        if row["table"] in ("*", table) and row["column"] in columns
    ]
    rows.sort(
        key=lambda row: row["table"] == "*", reverse=True
    )  # spellings of the table itself take precedence
    words = {fold(word): row["column"] for row in rows for word in row["also written as"].split("|")}
    return words | {fold(name): name for name in columns}


@cache
def synonyms(column: str) -> dict[str, str]:
    """Other words for the options of a column, each to the option that it means."""
    rows = [row for row in shipped_rows("towerlib.records", "choices.csv") if row["column"] == column]
    return {word.strip(): row["value"] for row in rows for word in row["also written as"].split("|")}


@lru_cache(maxsize=10_000)
def fold(text: str) -> str:
    """A header without case, accents, punctuation and spare spaces, so that spellings compare equal."""
    plain = "".join(
        sign for sign in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(sign)
    )
    return " ".join(re.sub(r"[^\w°ωρ%]+|_", " ", plain).split())


def split_unit(text: str) -> tuple[str, str]:
    """A header, and the unit in brackets at its end or behind a comma; blank where none is given or known.

    >>> split_unit("R [Ω]"), split_unit("I leg A (mA)"), split_unit("Remarks (crew)")
    (('R', 'Ω'), ('I leg A', 'mA'), ('Remarks (crew)', ''))
    """
    if len(text) > LONGEST:
        return text, ""
    found = re.fullmatch(r"(.+?)\s*(?:[\[(]\s*([^\])]+?)\s*[\])]|,\s*(?:in )?(\S+)|\s+in (\S+))\s*", text)
    bare, *units = found.groups(default="") if found else (text,)
    unit = next(filter(None, units), "")
    return (bare, unit) if unit and find(unit) else (text, "")


def best_header_row(rows: list[list[str]], recognise: Recognise) -> tuple[int, list[str], int]:
    """Place, texts and number of known columns of the header: the first row with most known columns, else not blank."""
    most, place = -1, None
    for number, cells in enumerate(rows):
        if any(map(str.strip, cells)):
            known = header_score(cells, recognise)
            most, place = (known, number) if known > most else (most, place)
            if known == len(cells) > 1:
                break  # no row below can be better
    if place is None:
        raise RecordsError(NONE)
    header = [cell.strip() for cell in rows[place]]
    while not header[-1]:
        header.pop()
    if len(header) > MOST_COLUMNS:
        raise RecordsError(f"has more than {MOST_COLUMNS:,} columns; keep only the needed ones")
    return place, header, most


def header_score(cells: list[str], recognise: Recognise) -> int:
    """Number of known columns in a row."""
    if len(cells) > MOST_COLUMNS:
        return 0
    return sum(kind is not None for kind in recognise([cell.strip()[:LONGEST] for cell in cells]))


def with_units(header: list[str], row: list[str]) -> tuple[list[str], bool]:
    """The header with the units of a separate row below it, and whether that row contained only units.

    >>> with_units(["Tower", "R"], ["", "[kΩ]"])
    (['Tower', 'R [kΩ]'], True)
    """
    units = [cell.strip().strip("[]()").strip() for cell in row[: len(header)]]
    filled = [unit for unit in units if unit]
    if not filled or any(map(str.strip, row[len(header) :])) or not all(find(unit) for unit in filled):
        return header, False
    units += [""] * (len(header) - len(units))
    return [f"{text} [{unit}]" if unit else text for text, unit in zip(header, units, strict=True)], True
