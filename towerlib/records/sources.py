"""Which files of a line folder hold which table, and a guard before any of them is opened."""

import zipfile
from dataclasses import dataclass
from pathlib import Path

from towerlib.errors import RecordsError
from towerlib.records.tables import SPLIT, TABLES

TEXT = (".csv", ".tsv", ".txt")
SHEETS = (".xlsx", ".xlsm")
GEO = (".gpkg", ".geojson")
ENDINGS = (*TEXT, *SHEETS, ".parquet", *GEO)
WORKBOOK = "records"  # records.xlsx: one sheet a table
LARGEST_UNZIPPED = 1_000_000_000  # bytes; a workbook of 50,000 visits unpacks to about a tenth of this


@dataclass(frozen=True)
class Source:
    """One file, or one sheet of a workbook, that holds rows of a table."""

    table: str
    path: Path
    name: str  # as people see it: relative to the line folder, with the sheet behind it
    sheet: str | None = None


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
        table = path.stem.lower()
        if path.is_dir() and path.name.lower() in SPLIT:
            inside = [entry for entry in _listed(path) if entry.suffix.lower() in ENDINGS]
            found[path.name.lower()] += [_source(path.name.lower(), entry, folder) for entry in inside]
        elif path.suffix.lower() in SHEETS and table == WORKBOOK:
            for sheet in sheet_names(path, folder):
                if sheet.strip().lower() in TABLES:
                    found[sheet.strip().lower()].append(_source(sheet.strip().lower(), path, folder, sheet))
        elif path.suffix.lower() in ENDINGS and table in TABLES:
            found[table].append(_source(table, path, folder))
    for name, sources in found.items():
        if len(sources) > 1 and name not in SPLIT:
            names = " and ".join(source.name for source in sources)
            raise RecordsError(f"{folder}: the table {name} stands in {names}; keep one of them")
    return found


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
    looks = (*TEXT[:2], *SHEETS, ".xls", ".ods", ".parquet", *GEO)
    return [
        str(path.relative_to(folder))
        for path in _listed(folder)
        if path.is_file() and path.suffix.lower() in looks and path not in read
    ]


def guard(path, folder):
    """Refuse a file before it is opened: outside the folder, no file, or an archive that unpacks too large.

    Raises
    ------
    RecordsError
        One sentence with the mend.
    """
    if not path.resolve().is_relative_to(folder.resolve()):
        raise RecordsError("is a link to a file outside the line folder; copy the file itself into the folder")
    if not path.is_file():
        raise RecordsError("is not a file")
    if path.stat().st_size == 0:
        raise RecordsError("is empty")
    if path.suffix.lower() in SHEETS:
        _guard_workbook(path)


def sheet_names(path, folder):
    """Names of the sheets of a workbook, after the same guard."""
    import openpyxl

    try:
        guard(path, folder)
        book = openpyxl.load_workbook(path, read_only=True)
    except RecordsError as flaw:
        raise RecordsError(f"{path} {flaw}") from None
    except Exception as flaw:  # openpyxl lets every error of zip and XML through
        raise RecordsError(f"{path} cannot be read as a workbook ({flaw}); save it again as .xlsx") from None
    names = book.sheetnames
    book.close()
    return names


def _guard_workbook(path):
    """A workbook is a zip archive: anything else, or one that unpacks without bound, is refused."""
    with path.open("rb") as file:
        start = file.read(8)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise RecordsError("is protected by a password or an old .xls; save it as .xlsx without a password")
    try:
        with zipfile.ZipFile(path) as archive:
            unzipped = sum(entry.file_size for entry in archive.infolist())
    except zipfile.BadZipFile:
        raise RecordsError("is damaged or no workbook; save it again as .xlsx") from None
    if unzipped > LARGEST_UNZIPPED:
        raise RecordsError(f"would unpack to {unzipped / 1e9:.1f} GB; split it into smaller files")


def _listed(folder):
    """Entries of a folder in alphabetical order, without hidden and lock files."""
    try:
        entries = sorted(folder.iterdir(), key=lambda path: path.name.lower())
    except OSError as flaw:
        raise RecordsError(f"{folder} cannot be read as a folder: {flaw.strerror}") from None
    return [path for path in entries if not path.name.startswith((".", "~$"))]


def _source(table, path, folder, sheet=None):
    name = path.relative_to(folder).as_posix() + (f" [{sheet}]" if sheet else "")
    return Source(table, path, name, sheet)
