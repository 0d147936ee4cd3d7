"""Sources: the files of a line folder that belong to each table, and the raw table of each one.

`find` assigns files and sheets to tables by name. `read` opens one source by its kind (text, workbook, Parquet, GIS)
and returns its cells as they are, before any header or value is interpreted.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import cast

import pandas as pd

from towerlib.errors import RecordsError
from towerlib.records.headers import Recognise
from towerlib.records.tables import SPLIT, TABLES
from towerlib.safe_files import SHEETS, guard

TEXT = (".csv", ".tsv", ".txt")
GEO = (".gpkg", ".geojson")
ENDINGS = (*TEXT, *SHEETS, ".parquet", *GEO)
LOOKS_LIKE_TABLE = (*TEXT[:2], *SHEETS, ".xls", ".xlsb", ".ods", ".parquet", *GEO)
WORKBOOK = "records"  # records.xlsx: one sheet per table


@dataclass(frozen=True)
class Source:
    """One file, or one sheet of a workbook, with rows of a table."""

    table: str
    path: Path
    name: str  # as shown to people: relative to the line folder, followed by the sheet
    sheet: str | None = None
    may_be_other: bool = False  # one sheet of several, not named by a table: it may contain notes


@dataclass(frozen=True)
class Raw:
    """A table as in its file; columns of `cells` are positions in `header`."""

    header: list[str]
    cells: pd.DataFrame
    rows: pd.Index  # row numbers in the file, as a spreadsheet shows them
    misshapen: list[tuple[int, str, str]] = field(default_factory=list)  # (row number, text, reason)
    merged: list[tuple[int, int]] = field(
        default_factory=list
    )  # (index of `cells`, column) filled by a merge
    separator: str = ""  # between the cells of a text file
    is_tight: bool = False  # without white space round its cells


def find(folder: Path) -> dict[str, list[Source]]:
    """Every source of every table in a line folder, files in alphabetical order; an empty list without a file.

    `RecordsError` where the folder cannot be read, or a table that may not be split comes in two files.
    """
    found: dict[str, list[Source]] = {name: [] for name in TABLES}
    for path in _listed(folder):
        for source in _of_entry(path, folder):
            found[source.table].append(source)
    for name, sources in found.items():
        if len(sources) > 1 and name not in SPLIT and not any(source.may_be_other for source in sources):
            names = " and ".join(source.name for source in sources)
            raise RecordsError(f"{folder}: the table {name} is in {names}; keep one of them")
    return found


def _of_entry(path: Path, folder: Path) -> list[Source]:
    """Sources of one entry of the line folder."""
    table, ending = path.stem.lower(), path.suffix.lower()
    if path.is_dir() and path.name.lower() in SPLIT:
        inside = [entry for entry in _listed(path) if entry.suffix.lower() in ENDINGS]
        return [source for entry in inside for source in _of_file(path.name.lower(), entry, folder)]
    if ending in SHEETS and table == WORKBOOK:
        return [_source(name, path, folder, sheet) for name, sheet in _sheets(path, folder) if name]
    if ending in ENDINGS and table in TABLES:
        return _of_file(table, path, folder)
    return []


def _of_file(table: str, path: Path, folder: Path) -> list[Source]:
    """Sources of a file of one table; a workbook of several sheets may contain other tables, and notes."""
    if path.suffix.lower() not in SHEETS:
        return [_source(table, path, folder)]
    try:
        sheets = _sheets(path, folder)
    except RecordsError:
        return [_source(table, path, folder)]  # the reader will report its flaw
    if len(sheets) == 1:
        return [_source(table, path, folder)]
    return [_source(name or table, path, folder, sheet, may_be_other=not name) for name, sheet in sheets]


def _sheets(path: Path, folder: Path) -> list[tuple[str, str]]:
    """(table or "", name) of every visible sheet of a workbook, after the same guard."""
    from towerlib.records.workbooks import sheet_names

    try:
        guard(path, folder)
        names = sheet_names(path)
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    tables = [name.strip().lower() for name in names]
    return [(table if table in TABLES else "", name) for table, name in zip(tables, names, strict=True)]


def _source(
    table: str, path: Path, folder: Path, sheet: str | None = None, *, may_be_other: bool = False
) -> Source:
    """A source with its name for people."""
    name = path.relative_to(folder).as_posix() + (f" [{sheet}]" if sheet else "")
    return Source(table, path, name, sheet, may_be_other)


def unread(folder: Path, sources: dict[str, list[Source]]) -> list[str]:
    """Files that look like tables but belong to no table of the dictionary, perhaps by a slip in the name."""
    read = {source.path for found in sources.values() for source in found}
    loose = [path for path in _listed(folder) if path.suffix.lower() in LOOKS_LIKE_TABLE]
    split = [path for path in _listed(folder) if path.is_dir() and path.name.lower() in SPLIT]
    inside = [entry for path in split for entry in _listed(path)]  # all of these were sent for that table
    return [path.relative_to(folder).as_posix() for path in [*loose, *inside] if path not in read]


def context(folder: Path) -> list[Path]:
    """Layers to draw under the map of a line, ``context/*.gpkg``, in alphabetical order; empty without such a folder.

    `RecordsError` where ``context`` exists but cannot be read as a folder.
    """
    place = folder / "context"
    if not os.path.lexists(place):
        return []
    return [path for path in _listed(place) if path.suffix.lower() == ".gpkg"]


def _listed(folder: Path) -> list[Path]:
    """Entries of a folder in alphabetical order, without hidden and lock files."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: (path.name.lower(), path.name))
    except OSError as flaw:
        raise RecordsError(f"{folder} cannot be read as a folder: {flaw.strerror}") from None
    return [path for path in entries if not path.name.startswith((".", "~$"))]


def read(source: Source, folder: Path, recognise: Recognise) -> Raw:
    """The raw table of one source, a file or sheet in the line folder; `RecordsError` where it cannot be read at all."""
    guard(source.path, folder)
    ending = source.path.suffix.lower()
    try:
        if ending in TEXT:
            return _text_file(source.path, recognise)
        if ending in SHEETS:
            return _sheet(source, recognise)
        return _typed(source.path, folder, ending)
    except OSError as flaw:
        raise RecordsError(f"cannot be opened: {flaw.strerror or flaw}") from None
    except MemoryError:
        raise RecordsError("is too large for this machine; split it into smaller files") from None


def _text_file(path: Path, recognise: Recognise) -> Raw:
    """A CSV file."""
    from towerlib.records.csv_files import read_delimited

    read = read_delimited(path, recognise)
    raw = Raw(
        read.header, read.cells, read.rows, read.misshapen, separator=read.separator, is_tight=read.is_tight
    )
    return _without_blank_rows(raw)


def _sheet(source: Source, recognise: Recognise) -> Raw:
    """A sheet of a workbook."""
    from towerlib.records.workbooks import read_sheet

    header, cells, rows, merged = read_sheet(source.path, source.sheet, recognise)
    return Raw(header, cells, pd.Index(rows, dtype="int64"), merged=merged)


def _typed(path: Path, folder: Path, ending: str) -> Raw:
    """A Parquet or GIS file: its columns are already typed, its rows are counted from 1."""
    try:
        table = _positions(path, folder) if ending in GEO else _parquet(path)
    except RecordsError:
        raise
    except Exception as flaw:  # the reader libraries share no error class
        brief = (str(flaw).splitlines() or [type(flaw).__name__])[0][:120]
        raise RecordsError(f"cannot be read ({brief}); write the file again") from None
    header = [str(name) for name in table.columns]
    cells = table.reset_index(drop=True).set_axis(list(range(len(header))), axis=1)
    return _without_blank_rows(Raw(header, cells, cells.index + 1))


def _parquet(path: Path) -> pd.DataFrame:
    """A Parquet file; a named index is a column like any other."""
    with path.open("rb") as file:
        table = pd.read_parquet(file)
    return table.reset_index() if any(name is not None for name in table.index.names) else table


def _positions(path: Path, folder: Path) -> pd.DataFrame:
    """Towers of a GIS layer, with latitude and longitude in place of the geometry."""
    from towerlib.records import gis

    if path.suffix.lower() == ".geojson":
        layer = gis.read_geojson(path, folder)
    else:
        (layer,) = gis.read_layers(path, folder, _only_layer).values()
    if getattr(layer, "crs", None) is None:
        raise RecordsError("does not state a coordinate system; write it again with one")
    points = layer.geometry.to_crs(4326)
    if not (points.geom_type.fillna("Point") == "Point").all():
        raise RecordsError("contains shapes other than points; write the towers as points")
    points = points.where(~points.is_empty)
    table = pd.DataFrame(layer.drop(columns=layer.geometry.name))
    return table.assign(latitude_deg=points.y, longitude_deg=points.x)


def _only_layer(layers: list[tuple[str, str | None]]) -> list[str]:
    """The layer to read: the only one, or the one named towers."""
    names = [name for name, _ in layers]
    if not names:
        raise RecordsError("contains no layer; write the towers into one")
    towers = names if len(names) == 1 else [name for name in names if name.lower() == "towers"]
    if len(towers) != 1:
        raise RecordsError(f'has the layers {", ".join(names)}; name the one with the towers "towers"')
    return towers


def _without_blank_rows(raw: Raw) -> Raw:
    """A table without blank rows, which spreadsheets leave at its end."""
    if not len(raw.cells.columns) or not len(raw.cells):
        return raw
    doubtful = cast("pd.Series", _blank(raw.cells[0], raw.is_tight))
    if not doubtful.any():
        return raw
    part = raw.cells[doubtful]
    blank = pd.DataFrame({place: _blank(part[place], raw.is_tight) for place in part}).all(axis=1)
    gone = blank.reindex(raw.cells.index, fill_value=False).to_numpy()
    cells = cast("pd.DataFrame", raw.cells[~gone]).reset_index(drop=True)
    return replace(raw, cells=cells, rows=raw.rows[~gone])


def _blank(cells, is_tight):
    """Which cells are blank or contain only white space."""
    if is_tight or cells.dtype != "str":
        return cells.isna()
    return cells.isna() | (cells.str.strip() == "")
