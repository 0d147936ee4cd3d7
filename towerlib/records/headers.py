"""Which row of a file is its header, below whatever titles stand above it."""

import csv
import re
import unicodedata
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache, lru_cache
from importlib.resources import files

from towerlib.errors import RecordsError
from towerlib.records.numbers import find
from towerlib.records.tables import required, schema

TITLE_ROWS = 30  # the header is looked for in so many first rows
MOST_COLUMNS = 2_000
NONE = "has no header row"
LONGEST_HEADER = 200  # characters; longer ones are no header
LONGEST = 200  # characters of a header; a longer text is none
_LEG_WORD = "leg|eckstiel|stiel|pied|pata|perna"
_CURRENT = (
    "i|current|leakage|leakage current|leak|strom|ableitstrom|courant|courant de fuite|corriente|corriente de fuga"
    "|corrente|corrente de fuga"
)
_LABEL = r"(?P<label>[a-h]|[1-9]|1[0-2]|n|e|s|w|ne|nw|se|sw)"
_TAIL = r"(?: leg)?(?: (?:leakage|current|ma))*"
# A leg current in a file with one row a visit: "I leg A (mA)", "leg 3"; beside others of its kind also "leakage_b_ma".
_LEG_NAMED = re.compile(rf"(?:(?:{_CURRENT}) ?)?(?:{_LEG_WORD}) ?{_LABEL}{_TAIL}")
_LEG_AMONG = re.compile(rf"(?:{_CURRENT}) ?{_LABEL}{_TAIL}")


@dataclass(frozen=True)
class Heading:
    """What one column of a file means."""

    text: str  # as the file has it
    name: str | None = None  # column of the dictionary, or None for one of the utility's own
    unit: str = ""  # unit in the header, where it is not that of the dictionary
    leg: str | None = None  # leg whose current the column holds


def headings(header, table, own=None):
    """What each column of a file means.

    Parameters
    ----------
    header : list of str
        As the file has them.
    table : str
        Name of the table.
    own : dict of str to str, optional
        The crew's own headers, from ``line.toml [columns]``; they go before everything else.

    Returns
    -------
    list of Heading

    Examples
    --------
    >>> [heading.name for heading in headings(["Mast Nr", "painted in", "R [kΩ]"], "visits")]
    ['tower_id', None, 'impedance_ohm']
    """
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


def _heading(text, table, mine):
    """One header by the words that are known; blank or overlong ones are the utility's own."""
    if not text.strip() or len(text) > LONGEST:
        return Heading(text)
    if fold(text) in mine:
        return Heading(text, mine[fold(text)])
    if fold(text) in spellings(table):
        return Heading(text, spellings(table)[fold(text)])
    bare, unit = split_unit(text)
    name = mine.get(fold(bare)) or spellings(table).get(fold(bare))
    return Heading(text, name, unit) if name else Heading(text)


def _leg(heading, among):
    """A header that is no column of the dictionary, as the leg whose current it holds, if any."""
    if heading.name or len(heading.text) > LONGEST:
        return heading
    bare, unit = split_unit(heading.text)
    found = _LEG_NAMED.fullmatch(fold(bare)) or among
    return Heading(heading.text, None, unit, found["label"].upper()) if found else heading


def own_headers(columns, file):
    """A crew's own headers for one file.

    Parameters
    ----------
    columns : dict
        ``[columns]`` of ``line.toml``: header to column, or file pattern to such a table.
    file : str
        Name of the file relative to the line folder.

    Returns
    -------
    dict of str to str

    Examples
    --------
    >>> own_headers({"Pole": "tower_id", "visits/*crew-b*": {"When": "date"}}, "visits/2026-03-crew-b.csv")
    {'Pole': 'tower_id', 'When': 'date'}
    """
    everywhere = {text: name for text, name in columns.items() if isinstance(name, str)}
    matching = [
        table for pattern, table in columns.items() if isinstance(table, dict) and fnmatch(file, pattern)
    ]
    return everywhere | {text: name for table in matching for text, name in table.items()}


def kinds(header, table, own=None):
    """Kind of each column ("text", "number", "date", …), None where it is not of the dictionary.

    Examples
    --------
    >>> kinds(["tower_id", "height_m", "painted in"], "towers")
    ['text', 'number', None]
    """
    columns = schema(table).columns
    found = headings(header, table, own)
    return [
        columns[heading.name].metadata["kind"]
        if heading.name in columns
        else "number"
        if heading.leg
        else None
        for heading in found
    ]


def insist(found, table):
    """Refuse a file in which a needed column is missing, or two columns claim one meaning.

    Parameters
    ----------
    found : list of Heading
    table : str

    Raises
    ------
    RecordsError
        The sentence has no file name in front.
    """
    names = [heading.name or (f"leg {heading.leg}" if heading.leg else "") for heading in found]
    for name in names:
        if name and names.count(name) > 1:
            claims = " and ".join(
                repr(heading.text) for heading, other in zip(found, names, strict=True) if other == name
            )
            raise RecordsError(f"has two columns for {name}: {claims}; keep one of them, or rename the other")
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
def spellings(table):
    """Every folded spelling of every column of a table.

    Parameters
    ----------
    table : str

    Returns
    -------
    dict of str to str
        Folded spelling to column of the dictionary.

    Examples
    --------
    >>> spellings("visits")["mast nr"]
    'tower_id'
    """
    columns = schema(table).columns
    text = files("towerlib.records").joinpath("headers.csv").read_text(encoding="utf-8")
    rows = [
        row
        for row in csv.DictReader(text.splitlines())
        if row["table"] in ("*", table) and row["column"] in columns
    ]
    rows.sort(key=lambda row: row["table"] == "*", reverse=True)  # what a table says itself goes before
    words = {fold(word): row["column"] for row in rows for word in row["also written as"].split("|")}
    return words | {fold(name): name for name in columns}


@cache
def synonyms(column):
    """Other words for the options of a column that holds words from a list.

    Parameters
    ----------
    column : str

    Returns
    -------
    dict of str to str
        Word to the option that it stands for.

    Examples
    --------
    >>> synonyms("method")["ohne Spulen"]
    'no coils'
    """
    text = files("towerlib.records").joinpath("choices.csv").read_text(encoding="utf-8")
    rows = [row for row in csv.DictReader(text.splitlines()) if row["column"] == column]
    return {word.strip(): row["value"] for row in rows for word in row["also written as"].split("|")}


@lru_cache(maxsize=10_000)
def fold(text):
    """A header without case, accents, punctuation and spare spaces, so that spellings meet.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> fold("Résistance_de  Terre:")
    'resistance de terre'
    """
    plain = "".join(
        mark for mark in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(mark)
    )
    return " ".join(re.sub(r"[^\w°ωρ%]+|_", " ", plain).split())


def split_unit(text):
    """A header and the unit in brackets at its end, or behind a comma.

    Parameters
    ----------
    text : str

    Returns
    -------
    (str, str)
        The unit is blank where there is none that is known.

    Examples
    --------
    >>> split_unit("R [Ω]"), split_unit("I leg A (mA)"), split_unit("Remarks (crew)")
    (('R', 'Ω'), ('I leg A', 'mA'), ('Remarks (crew)', ''))
    """
    if len(text) > LONGEST:
        return text, ""
    found = re.fullmatch(r"(.+?)\s*(?:[\[(]\s*([^\])]+?)\s*[\])]|,\s*(?:in )?(\S+)|\s+in (\S+))\s*", text)
    bare, *units = found.groups(default="") if found else (text,)
    unit = next(filter(None, units), "")
    return (bare, unit) if unit and find(unit) else (text, "")


def best_header_row(rows, recognise):
    """The header among the first rows of a file: the one with most known columns.

    Parameters
    ----------
    rows : list of list of str
        The first rows.
    recognise : callable
        From a list of texts to a list of the kinds of the columns that are known (None: unknown).

    Returns
    -------
    (int, list of str, int)
        Place in `rows`, the header without blank cells at its end, and how many of its columns are known. Where
        no row has a known column, the first row that is not blank stands for it.

    Raises
    ------
    RecordsError
        All rows are blank, or the header is too wide; the sentence has no file name in front.

    Examples
    --------
    >>> known = lambda texts: ["text" if text in ("date", "leg") else None for text in texts]
    >>> best_header_row([["Sheet 3"], ["date", "leg", ""], ["2026-03-01", "A"]], known)
    (1, ['date', 'leg'], 2)
    """
    most, place = -1, None
    for number, cells in enumerate(rows):
        if any(map(str.strip, cells)):
            known = header_score(cells, recognise)
            most, place = (known, number) if known > most else (most, place)
            if known == len(cells) > 1:
                break  # nothing below can be better
    if place is None:
        raise RecordsError(NONE)
    header = [cell.strip() for cell in rows[place]]
    while not header[-1]:
        header.pop()
    if len(header) > MOST_COLUMNS:
        raise RecordsError(f"has more than {MOST_COLUMNS:,} columns; keep those that it needs")
    return place, header, most


def header_score(cells, recognise):
    """Number of known columns in a row.

    Examples
    --------
    >>> header_score(["date", "painted in"], lambda texts: ["date", None])
    1
    """
    if len(cells) > MOST_COLUMNS:
        return 0
    return sum(kind is not None for kind in recognise([cell.strip()[:LONGEST_HEADER] for cell in cells]))


def with_units(header, row):
    """The header with the units that stand in a row of their own below it.

    Parameters
    ----------
    header, row : list of str
        Header, and the row below it.

    Returns
    -------
    (list of str, bool)
        Header, and whether the row held nothing but units.

    Examples
    --------
    >>> with_units(["Tower", "R"], ["", "[kΩ]"])
    (['Tower', 'R [kΩ]'], True)
    >>> with_units(["Tower", "R"], ["12", "4.2"])
    (['Tower', 'R'], False)
    """
    units = [cell.strip().strip("[]()").strip() for cell in row[: len(header)]]
    filled = [unit for unit in units if unit]
    if not filled or any(map(str.strip, row[len(header) :])) or not all(find(unit) for unit in filled):
        return header, False
    units += [""] * (len(header) - len(units))
    return [f"{text} [{unit}]" if unit else text for text, unit in zip(header, units, strict=True)], True
