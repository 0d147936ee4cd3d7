"""Workbooks: the cells of one sheet as last calculated, with merged cells filled and formulas never evaluated."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pandas as pd

from towerlib.errors import RecordsError
from towerlib.records.headers import MOST_COLUMNS, NONE, TITLE_ROWS, Recognise, best_header_row, with_units

Rows = dict[int, tuple]  # row number to cells
MOST_CELLS = 12_000_000
MOST_ROWS = 1_048_576  # of a sheet; ECMA-376 sets no limit, programs do (from memory)
_AGAIN = "open it in a spreadsheet program and save it again as .xlsx"
MENDABLE = (
    60_000_000  # bytes unpacked up to which merged cells are searched, since that loads the whole workbook
)


def read_sheet(
    path: Path, sheet: str | None, recognise: Recognise
) -> tuple[list[str], pd.DataFrame, list[int], list[tuple[int, int]]]:
    """Header, cells, row numbers and cells hidden by a merge of one sheet (None: the first visible one).

    Hidden cells are (position of the row, place of the column); their value is the one that the sheet shows there.
    """
    sheet = sheet or next(iter(sheet_names(path)), None)
    try:
        table = _with_formulas(_filled_rows(path, sheet), path, sheet)
        merged = _merged(path, sheet)
    except RecordsError:
        raise
    except Exception as flaw:  # openpyxl passes on every error of zip and XML
        raise RecordsError(f"cannot be read as a workbook ({_brief(flaw)}); save it again as .xlsx") from None
    top = [
        (row, ["" if cell is None else str(cell).strip() for cell in cells])
        for row, cells in table.items()
        if row <= TITLE_ROWS + min(table)
    ]
    place, header, _ = best_header_row([texts for _, texts in top], recognise)
    first = top[place][0] + 1
    header, used = with_units(header, top[place + 1][1] if len(top) > place + 1 else [])
    body = {row: cells for row, cells in table.items() if row >= first}
    if used:
        body.pop(next(iter(body)))
    rows = list(body)
    # Cells beside the table are kept as a column without a name.
    header = header + [""] * (max(map(len, body.values()), default=0) - len(header))
    filled = _fill(body, merged, len(header))
    cells = pd.DataFrame(
        [_fit(body[row], len(header)) for row in rows], columns=list(range(len(header))), dtype=object
    )
    typed = pd.DataFrame({place: _plain(cells[place]) for place in cells}) if len(cells) else cells
    return header, typed, rows, filled


def _filled_rows(path: Path, sheet: str | None) -> Rows:
    """Rows that have any cell: row number to cells."""
    book = _opened(path, read_only=True, data_only=True)
    table: Rows = {}
    cells = 0
    try:
        for number, row in _rows(book, sheet):
            table[number] = row
            cells += len(row)
            if cells > MOST_CELLS:
                raise RecordsError(f"has more than {MOST_CELLS:,} cells; save the table as CSV")
    finally:
        book.close()
    if not table:
        raise RecordsError(NONE)
    return table


def _rows(book: Any, sheet: str | None) -> Iterator[tuple[int, tuple]]:
    """Number and cells, up to the last that is not blank, of every row of a sheet that has any.

    The stated extent of a sheet is ignored, since some writers state it too small. The rows are taken from the parser
    of openpyxl: its own loop silently drops rows and cells that are out of order.
    """
    from openpyxl.worksheet._reader import WorkSheetParser

    page, last = book[sheet], 0
    with page._get_source() as source:
        parser = WorkSheetParser(
            source,
            page._shared_strings,
            data_only=book.data_only,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        for number, cells in parser.parse():
            if not last < number <= MOST_ROWS:
                raise RecordsError(f"has row {number} out of order, after row {last}; {_AGAIN}")
            last = number
            if row := _in_order(cells, number):
                yield number, tuple(row)


def _in_order(cells: Iterable[dict[str, Any]], number: int) -> list:
    """Values of one row at their places, up to the last that is not blank."""
    row: list[Any] = []
    before = 0
    for cell in cells:
        place, value = cell["column"], cell["value"]
        if place <= before:
            raise RecordsError(f"has cells of row {number} out of order; {_AGAIN}")
        before = place
        if value is None or value == "":
            continue
        if place > MOST_COLUMNS:
            raise RecordsError(f"has more than {MOST_COLUMNS:,} columns; keep only the needed ones")
        if place > len(row) + 1:
            row += [None] * (place - 1 - len(row))
        row.append(value)
    return row


def _with_formulas(table: Rows, path: Path, sheet: str | None) -> Rows:
    """Rows in which a formula without a stored value is its own text, so that it does not look blank."""
    if not _anywhere(path, b"<f>", b"<f "):
        return table
    table = dict(table)
    book = _opened(path, read_only=True, data_only=False)
    for number, row in _rows(book, sheet):
        shown = _fit(table.get(number, ()), len(row))
        lost = [
            isinstance(cell, str) and cell[:1] == "=" and value is None
            for cell, value in zip(row, shown, strict=True)
        ]
        if any(lost):
            table[number] = tuple(
                cell if is_lost else value for cell, value, is_lost in zip(row, shown, lost, strict=True)
            )
    book.close()
    return dict(sorted(table.items()))


def _merged(path: Path, sheet: str | None) -> list[tuple[int, int, int]]:
    """Merged cells that span more than one row: column, first row, last row."""
    if not _anywhere(path, b"<mergeCell "):
        return []
    book = _opened(path)
    ranges = [area.bounds for area in book[sheet].merged_cells.ranges]
    book.close()
    return [(left, top, bottom) for left, top, _, bottom in ranges if bottom > top]


def _anywhere(path: Path, *tags: bytes) -> bool:
    """Whether any sheet of a workbook that is not too large contains one of the tags."""
    with zipfile.ZipFile(path) as archive:
        sheets = [
            entry for entry in archive.infolist() if re.fullmatch(r"xl/worksheets/[^/]+\.xml", entry.filename)
        ]
        if sum(entry.file_size for entry in archive.infolist()) > MENDABLE:
            return False
        return any(tag in archive.read(entry) for entry in sheets for tag in tags)


def _fill(body: Rows, merged: list[tuple[int, int, int]], width: int) -> list[tuple[int, int]]:
    """Put the value of a merged cell into every row that it covers; returns the filled places."""
    filled = []
    positions = {row: position for position, row in enumerate(body)}
    for left, top, bottom in merged:
        if top not in body or left > width or body[top][left - 1 : left] in ((), (None,)):
            continue
        for row in range(top + 1, bottom + 1):
            if row in body:
                cells = [*body[row]] + [None] * (left - len(body[row]))
                cells[left - 1] = body[top][left - 1]
                body[row] = tuple(cells)
                filled.append((positions[row], left - 1))
    return filled


def _fit(cells: tuple, width: int) -> list:
    """Cells of one row, as many as the header has."""
    return [*cells[:width]] + [None] * (width - len(cells))


def _plain(column):
    """A workbook column: numbers where all cells are numbers, else text as people would write it."""
    filled = column.dropna()
    if len(filled) and filled.map(lambda cell: type(cell) in (int, float)).all():
        return column.astype(float)
    return column.map(_text, na_action="ignore").astype("str")


def _text(cell: Any) -> str:
    """A workbook cell as text: whole numbers without a fraction, dates in ISO form."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ").removesuffix(" 00:00:00")
    if isinstance(cell, date | time):
        return cell.isoformat()
    return str(cell).strip()


def sheet_names(path: Path) -> list[str]:
    """Names of the visible sheets of a workbook; `RecordsError` where it cannot be opened."""
    book = _opened(path, read_only=True)
    names = [sheet.title for sheet in book.worksheets if sheet.sheet_state == "visible"]
    book.close()
    return names


def _opened(path: Path, **options: Any) -> Any:
    """A workbook of openpyxl; any failure to open it is one sentence."""
    import io

    import openpyxl

    try:  # from memory: openpyxl leaves the file open where its contents are broken
        return openpyxl.load_workbook(io.BytesIO(path.read_bytes()), **options)
    except Exception as flaw:  # openpyxl passes on every error of zip and XML
        raise RecordsError(f"cannot be read as a workbook ({_brief(flaw)}); save it again as .xlsx") from None


def _brief(flaw: Exception) -> str:
    """The first line of an error of another library."""
    return (str(flaw).splitlines() or [type(flaw).__name__])[0][:120]
