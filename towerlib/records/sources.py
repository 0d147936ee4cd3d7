"""Which files of a line folder hold which table."""

import os
from dataclasses import dataclass
from pathlib import Path

from towerlib.errors import RecordsError
from towerlib.inputs import SHEETS, guard
from towerlib.records.tables import SPLIT, TABLES

TEXT = (".csv", ".tsv", ".txt")
GEO = (".gpkg", ".geojson")
ENDINGS = (*TEXT, *SHEETS, ".parquet", *GEO)
LOOKS_LIKE_TABLE = (*TEXT[:2], *SHEETS, ".xls", ".xlsb", ".ods", ".parquet", *GEO)
WORKBOOK = "records"  # records.xlsx: one sheet a table


@dataclass(frozen=True)
class Source:
    """One file, or one sheet of a workbook, that holds rows of a table."""

    table: str
    path: Path
    name: str  # as people see it: relative to the line folder, with the sheet behind it
    sheet: str | None = None
    may_be_other: bool = False  # one sheet of several, not named by a table: it may hold notes


def find(folder):
    """Every source of every table in a line folder.

    Parameters
    ----------
    folder : pathlib.Path
        A line folder.

    Returns
    -------
    dict of str to list of Source
        By table name, files in alphabetical order; a table without a file has an empty list.

    Raises
    ------
    RecordsError
        The folder cannot be read, or a table that may not be split comes in two files.
    """
    found = {name: [] for name in TABLES}
    for path in _listed(folder):
        for source in _of_entry(path, folder):
            found[source.table].append(source)
    for name, sources in found.items():
        if len(sources) > 1 and name not in SPLIT and not any(source.may_be_other for source in sources):
            names = " and ".join(source.name for source in sources)
            raise RecordsError(f"{folder}: the table {name} stands in {names}; keep one of them")
    return found


def _of_entry(path, folder):
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


def _of_file(table, path, folder):
    """A file of one table; a workbook of several sheets may hold others, and sheets that are no table."""
    if path.suffix.lower() not in SHEETS:
        return [_source(table, path, folder)]
    try:
        sheets = _sheets(path, folder)
    except RecordsError:
        return [_source(table, path, folder)]  # the reader will say what is wrong with it
    if len(sheets) == 1:
        return [_source(table, path, folder)]
    return [_source(name or table, path, folder, sheet, may_be_other=not name) for name, sheet in sheets]


def unread(folder, sources):
    """Files that look like tables but are none of the contract's: perhaps a slip in the name.

    Parameters
    ----------
    folder : pathlib.Path
    sources : dict
        As `find` gives it.

    Returns
    -------
    list of str
        Names relative to the folder.
    """
    read = {source.path for found in sources.values() for source in found}
    loose = [path for path in _listed(folder) if path.suffix.lower() in LOOKS_LIKE_TABLE]
    split = [path for path in _listed(folder) if path.is_dir() and path.name.lower() in SPLIT]
    inside = [entry for path in split for entry in _listed(path)]  # all of it was sent for that table
    return [path.relative_to(folder).as_posix() for path in [*loose, *inside] if path not in read]


def _sheets(path, folder):
    """(table or "", name) of every visible sheet of a workbook, after the same guard."""
    from towerlib.records.workbooks import sheet_names

    try:
        guard(path, folder)
        names = sheet_names(path)
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    tables = [name.strip().lower() for name in names]
    return [(table if table in TABLES else "", name) for table, name in zip(tables, names, strict=True)]


def context(folder):
    """Layers to be drawn under the map of a line: ``context/*.gpkg``.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    list of pathlib.Path
        In alphabetical order, the same on every system; empty where there is no such folder.

    Raises
    ------
    RecordsError
        There is one that cannot be read as a folder.
    """
    place = folder / "context"
    if not os.path.lexists(place):
        return []
    return [path for path in _listed(place) if path.suffix.lower() == ".gpkg"]


def _listed(folder):
    """Entries of a folder in alphabetical order, without hidden and lock files."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: (path.name.lower(), path.name))
    except OSError as flaw:
        raise RecordsError(f"{folder} cannot be read as a folder: {flaw.strerror}") from None
    return [path for path in entries if not path.name.startswith((".", "~$"))]


def _source(table, path, folder, sheet=None, *, may_be_other=False):
    name = path.relative_to(folder).as_posix() + (f" [{sheet}]" if sheet else "")
    return Source(table, path, name, sheet, may_be_other)
