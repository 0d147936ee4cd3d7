"""Text files of cells: encoding, separator and header found in the file, every row kept or reported with its reason.

`read_delimited` looks over the bytes once and lets pandas read the file in one pass where that is safe. Otherwise the
file is read line by line (`records`): a row that does not fit, or a quotation mark that is never closed, costs its own
line only.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.records import headers

MOST_LINES = 30  # that one quoted cell may run over
MOST_CHARACTERS = 100_000  # of one row; the csv module takes cells of up to 131,072
PIECE = 1 << 20  # bytes read at a time
SAMPLE = 1 << 18  # bytes among which the header is looked for
LONGEST_LINE = 1 << 20  # bytes; a longer line belongs to no table
SEPARATORS = (",", ";", "\t")
MOST_NULS = 0.05  # share of the beginning that may be zero bytes; beyond it the file is no text


@dataclass(frozen=True)
class Delimited:
    """The contents of a text file; `misshapen` rows are (row number, text, reason)."""

    header: list[str]
    cells: pd.DataFrame
    rows: pd.Index  # row numbers as a spreadsheet shows them
    misshapen: list[tuple[int, str, str]]
    separator: str
    is_tight: bool


@dataclass(frozen=True)
class Looked:
    """The findings of one pass over the bytes of a file."""

    encoding: str
    start: bytes
    line_end: str  # as a pattern
    lines: int | None  # None where no cell can contain a line end, so that rows are lines
    has_nul: bool
    is_tight: bool  # no white space anywhere, so that no cell needs trimming
    last: bytes  # the end of the file after its last line end


def read_delimited(path: Path, recognise: headers.Recognise) -> Delimited:
    """The contents of a text file of cells that the guard accepted; `RecordsError` for any other file."""
    source = _utf16_as_utf8(path) or path
    looked = _look(source)
    separator, start, header = _header(looked, recognise)
    cells = _at_once(source, looked, separator, start, recognise(header))
    if cells is not None:
        return Delimited(header, cells, cells.index + start + 1, [], separator, looked.is_tight)
    cells, rows, misshapen = _line_by_line(source, looked, separator, start, len(header))
    return Delimited(header, cells, rows, misshapen, separator, is_tight=False)


def _utf16_as_utf8(path: Path) -> io.BytesIO | None:
    """A file in UTF-16 as UTF-8 in memory; None for any other file."""
    with path.open("rb") as file:
        start = file.read(200)
        if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            encoding = "utf-16"
        elif len(start) > 20 and start[1::2].count(0) > 0.4 * len(start) and not start[::2].count(0):
            encoding = "utf-16-le"
        else:
            return None
        try:
            return io.BytesIO((start + file.read()).decode(encoding).encode("utf-8"))
        except UnicodeError:
            raise RecordsError("begins as UTF-16 but does not continue so; save it as UTF-8") from None


def _look(source: Path | io.BytesIO) -> Looked:
    """One pass over the file: encoding, line ends, zero bytes."""
    decoder, is_utf8 = codecs.getincrementaldecoder("utf-8")(), True
    start, last, has_nul, has_feed, has_doubt, is_tight = b"", b"", False, False, False, True
    for piece in _pieces(source):
        start += piece if len(start) < SAMPLE else b""
        is_utf8 = is_utf8 and ((piece.isascii() and not decoder.getstate()[0]) or _decodes(decoder, piece))
        has_nul, has_feed = has_nul or b"\0" in piece, has_feed or b"\n" in piece
        has_doubt = has_doubt or b'"' in piece or b"\r" in piece
        is_tight = is_tight and piece.isascii() and not (b" " in piece or b"\t" in piece)
        tail = piece[max(piece.rfind(b"\n"), piece.rfind(b"\r")) + 1 :]
        last = tail if len(tail) < len(piece) else last + tail
        if len(last) > LONGEST_LINE:
            raise RecordsError("has a line of more than a megabyte, which no table has; save it again as CSV")
    is_utf8 = is_utf8 and not decoder.getstate()[0]
    if start.count(b"\0") > MOST_NULS * len(start):
        raise RecordsError("contains NUL bytes, which no text file does; save it again as CSV")
    mark = b"\n" if has_feed else b"\r"
    lines = sum(piece.count(mark) for piece in _pieces(source)) + bool(last) if has_doubt else None
    encoding = ("utf-8-sig" if start.startswith(codecs.BOM_UTF8) else "utf-8") if is_utf8 else "cp1252"
    return Looked(encoding, start, r"\r?\n" if has_feed else r"\r", lines, has_nul, is_tight, last)


def _pieces(source: Path | io.BytesIO) -> Iterator[bytes]:
    """The bytes of a file, piece by piece."""
    with io.BytesIO(source.getbuffer()) if isinstance(source, io.BytesIO) else source.open("rb") as file:
        while piece := file.read(PIECE):
            yield piece


def _decodes(decoder: codecs.IncrementalDecoder, piece: bytes) -> bool:
    """Whether a piece continues as UTF-8."""
    try:
        decoder.decode(piece)
    except UnicodeDecodeError:
        return False
    return True


def _header(looked: Looked, recognise: headers.Recognise) -> tuple[str, int, list[str]]:
    """Separator, number of rows up to and including the header, and its texts."""
    most = 3 * headers.TITLE_ROWS  # lines: a header cell may run over several
    sample = looked.start[:SAMPLE].decode(looked.encoding, errors="ignore")
    lines = re.split(looked.line_end, sample, maxsplit=most)[:most]
    rows = {separator: quoted_rows(lines, separator, headers.TITLE_ROWS) for separator in SEPARATORS}
    found = {separator: headers.best_header_row(rows[separator], recognise) for separator in SEPARATORS}
    separator = max(found, key=lambda one: (found[one][2], len(found[one][1])))
    place, header, _ = found[separator]
    if any("\0" in text for text in header):
        raise RecordsError("contains NUL bytes in its header: the file is damaged; save it again as CSV")
    below = rows[separator][place + 1] if len(rows[separator]) > place + 1 else []
    header, has_units = headers.with_units(header, below)
    return separator, place + 1 + has_units, header


def _at_once(
    source: Path | io.BytesIO, looked: Looked, separator: str, start: int, kinds: list[str | None]
) -> pd.DataFrame | None:
    """The cells in one pass, or None where a row does not fit or the number of rows is not that of the lines."""
    if looked.has_nul or (looked.last and looked.last.count(separator.encode()) < len(kinds) - 1):
        return None  # the last row may have been cut off
    options = {
        "sep": separator,
        "encoding": looked.encoding,
        "header": None,
        "names": range(len(kinds)),
        "skiprows": start,
        "index_col": False,
        "keep_default_na": False,
        "na_values": [""],
        "skip_blank_lines": False,
    }
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            warnings.simplefilter("ignore", pd.errors.DtypeWarning)  # such columns are read again as text
            cells = _texts_kept(source, options, kinds, _text_at_once(looked, separator, start, kinds))
    except pd.errors.EmptyDataError:
        return pd.DataFrame(columns=list(range(len(kinds))), dtype="str")
    except (pd.errors.ParserError, pd.errors.ParserWarning, UnicodeDecodeError):
        return None
    return cells if looked.lines in (None, len(cells) + start) else None


def _texts_kept(
    source: Path | io.BytesIO, options: dict[str, Any], kinds: list[str | None], asked: dict[int, type]
) -> pd.DataFrame:
    """Cells whose text columns stay text even where all of it looks like numbers: 012 is not 12.

    Beside decimal commas, and where 1.200 is the only form with a point between semicolons, the text of numbers counts
    too: it may be a thousand.
    """
    cells = _parsed(source, options | {"dtype": asked})
    again = {place for place in cells if _must_be_text(cells[place], kinds[place])}
    floats = [place for place in cells if kinds[place] == "number" and cells[place].dtype == float]
    if floats and _commas(cells, kinds):
        again.update(floats)
    elif options["sep"] == ";":
        again.update(place for place in floats if _only_thousands(cells[place].to_numpy()))
    if not again:
        return cells
    texts = _parsed(source, options | {"usecols": sorted(again), "dtype": str})
    return pd.DataFrame({place: texts[place] if place in again else cells[place] for place in cells})


def _must_be_text(column, kind: str | None) -> bool:
    """Whether pandas converted a column whose text counts."""
    if column.dtype == "str" or column.isna().all():
        return False
    return kind != "number" or column.dtype in (bool, object)


def _commas(cells, kinds: list[str | None]) -> bool:
    """Whether any column of numbers has a comma between digits."""
    texts = (cells[place] for place in cells if kinds[place] == "number" and cells[place].dtype == "str")
    return any(column.str.contains("[0-9],[0-9]", regex=True, na=False).any() for column in texts)


def _only_thousands(numbers: np.ndarray) -> bool:
    """Whether every number with a point could be a thousand: one to three digits, a point, three digits."""
    finite = numbers[np.isfinite(numbers)]
    broken = finite[finite % 1 != 0]
    thousand = np.abs(broken) * 1000
    is_whole = np.abs(thousand - np.round(thousand)) < 1e-6
    return len(broken) > 0 and bool(((thousand >= 1000) & is_whole).all())


def _parsed(source: Path | io.BytesIO, options: dict[str, Any]) -> pd.DataFrame:
    """One pass of pandas; a file in memory is read from its beginning."""
    return pd.read_csv(
        io.BytesIO(source.getbuffer()) if isinstance(source, io.BytesIO) else source, **options
    )


def _text_at_once(looked: Looked, separator: str, start: int, kinds: list[str | None]) -> dict[int, type]:
    """Text columns whose first cell begins with a digit, which pandas must read as text; the others are faster without."""
    sample = looked.start[:SAMPLE].decode(looked.encoding, errors="ignore")
    line = re.split(looked.line_end, sample, maxsplit=start + 1)[start : start + 1]
    first = next(csv.reader([part.replace("\r", " ") for part in line], delimiter=separator), [])
    pairs = enumerate(zip(kinds, first, strict=False))
    return {place: str for place, (kind, cell) in pairs if kind in ("text", None) and cell[:1].isdigit()}


def _line_by_line(
    source: Path | io.BytesIO, looked: Looked, separator: str, start: int, width: int
) -> tuple[pd.DataFrame, pd.Index, list[tuple[int, str, str]]]:
    """The slow way: rows that do not fit are set aside with their reason, the others are kept."""
    try:
        text = b"".join(_pieces(source)).decode(looked.encoding)
    except UnicodeDecodeError:
        raise RecordsError("has bytes that are neither UTF-8 nor Windows-1252; save it as UTF-8") from None
    lines = re.split(looked.line_end, text)
    if not lines[-1]:
        lines.pop()
    found = list(enumerate(records(lines, separator, width), start=1))[start:]
    found = [(number, cells, reason or _misfit(cells, width)) for number, (cells, reason) in found]
    if looked.last:
        found = _without_broken_end(found, width)
    kept = [(number, cells) for number, cells, reason in found if not reason and any(map(str.strip, cells))]
    misshapen = [(number, separator.join(cells), reason) for number, cells, reason in found if reason]
    table = pd.DataFrame(
        [[*cells, *[""] * width][:width] for _, cells in kept], columns=list(range(width)), dtype=str
    )
    return table.mask(table == ""), pd.Index([number for number, _ in kept], dtype="int64"), misshapen


def _misfit(cells: list[str], width: int) -> str:
    """Why a row cannot be divided into columns; blank where it can."""
    if any("\0" in cell for cell in cells):
        return "contains NUL bytes: the file is damaged here; send it again"
    if any(map(str.strip, cells[width:])):
        return (
            f"the row has {len(cells)} cells, the header {width}; "
            "put quotation marks round a cell that contains the separator"
        )
    return ""


def _without_broken_end(
    found: list[tuple[int, list[str], str]], width: int
) -> list[tuple[int, list[str], str]]:
    """Rows in which a short last row without a line end is reported, where the other rows are not short."""
    if not found or found[-1][2] or not 0 < len(found[-1][1]) < width:
        return found
    number, cells, _ = found[-1]
    short = sum(len(others) < width for _, others, _ in found[:-1])
    if 2 * short > len(found) - 1:
        return found
    return [*found[:-1], (number, cells, "the file breaks off in the middle of this row; send it again")]


def quoted_rows(lines: list[str], separator: str, most: int) -> list[list[str]]:
    """The first rows of some lines (without their ends); a quoted cell may go over several of them."""
    return [
        cells
        for cells, _ in (found for found, _ in zip(records(lines, separator), range(most), strict=False))
    ]


def records(lines: list[str], separator: str, width: int | None = None) -> Iterator[tuple[list[str], str]]:
    """Row by row the cells, as far as they can be separated, and why they cannot be a row (or a blank).

    A line with as many cells as the header (`width`) is not part of a cell above it. A quotation mark counts only at
    the beginning of a cell. A mark that is never closed, or that would swallow whole rows, makes only its own line
    misshapen; the lines below are read as if it were absent.
    """
    place = 0
    while place < len(lines):
        line, taken, reason = lines[place], 1, ""
        if len(line) > MOST_CHARACTERS:
            yield (
                [line[:200]],
                f"the row has {len(line):,} characters, which no row of a table has; check it for a lost line end",
            )
            place += 1
            continue
        if '"' in line and not _closed(separator).fullmatch(line):
            taken = _lines_of_row(lines, place, separator, width)
            reason = "" if taken else "opens a quotation mark that is never closed; close it or remove it"
        if reason:
            yield line.split(separator), reason
        else:
            texts = [text.replace("\r", " ") + "\n" for text in lines[place : place + taken]]
            yield next(csv.reader(texts, delimiter=separator), []), ""
        place += taken or 1


def _lines_of_row(lines: list[str], place: int, separator: str, width: int | None) -> int:
    """Number of lines of a row whose quotation mark is open at the end of its first line; 0 if it stays open."""
    text = lines[place]
    for taken in range(2, MOST_LINES + 1):
        if place + taken > len(lines):
            return 0
        line = lines[place + taken - 1]
        text += "\n" + line
        if len(text) > MOST_CHARACTERS:
            return 0
        if _closed(separator).fullmatch(text):
            inside = lines[place + 1 : place + taken]
            if width and width > 2 and any(line.count(separator) >= width - 1 for line in inside):
                return 0  # a line inside the quoted cell looks like a row of its own
            return taken
    return 0


@cache
def _closed(separator: str) -> re.Pattern[str]:
    """Rows in which every quotation mark at the beginning of a cell is closed."""
    mark = re.escape(separator)
    cell = rf'(?:"(?:[^"]|"")*+"[^{mark}]*+|[^"{mark}][^{mark}]*+|)'
    return re.compile(rf"{cell}(?:{mark}{cell})*+")
