"""One source as it stands: its header, its cells by column, and the row number of each."""

import csv
import io
import mmap
import warnings
from dataclasses import dataclass, field

import pandas as pd

from towerlib.errors import RecordsError
from towerlib.records.sources import GEO, SHEETS, TEXT, guard

SAMPLE = 1 << 20  # bytes looked at before a file is read
TITLE_ROWS = 30  # the header is looked for in so many first rows
MOST_COLUMNS = 2_000


@dataclass(frozen=True)
class Raw:
    """A table as its file has it; columns of `cells` are positions in `header`."""

    header: list
    cells: pd.DataFrame
    rows: pd.Index  # row numbers in the file, as a text editor or spreadsheet shows them
    misshapen: list = field(default_factory=list)  # (row number, text, reason) of rows that do not fit
    semicolons: bool = False  # between the cells: then a comma may be the decimal mark


def read(source, folder, recognise):
    """The raw table of one source.

    Parameters
    ----------
    source : Source
        File or sheet.
    folder : pathlib.Path
        The line folder, which the file may not leave.
    recognise : callable
        From a list of header texts to a list of the kinds of the columns that are known (None: unknown);
        the row of the file with most known columns is its header.

    Returns
    -------
    Raw

    Raises
    ------
    RecordsError
        The file cannot be read at all; the sentence has no file name in front.
    """
    guard(source.path, folder)
    ending = source.path.suffix.lower()
    if ending in TEXT:
        return _delimited(source.path, recognise)
    if ending in SHEETS:
        return _sheet(source, recognise)
    return _typed(source.path, ending)


def _delimited(path, recognise):
    """A CSV file: encoding, separator and header row found from its beginning."""
    encoding, sample = _opening(path)
    start, separator, header = _header(sample, recognise)
    kinds = recognise(header)
    options = {
        "sep": separator,
        "encoding": encoding,
        "header": None,
        "names": range(len(header)),
        "skiprows": start + 1,
        "index_col": False,
        "keep_default_na": False,
        "na_values": [""],
        "skip_blank_lines": False,
        "low_memory": False,
        "dtype": _text_at_once(sample, start, separator, kinds),
    }
    misshapen = []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            cells = _texts_kept(path, pd.read_csv(path, **options), kinds, options)
    except (pd.errors.ParserError, pd.errors.ParserWarning):
        cells, misshapen = _row_by_row(path, encoding, separator, start, len(header))
    except pd.errors.EmptyDataError:
        cells = pd.DataFrame(columns=range(len(header)))
    except UnicodeDecodeError:
        raise RecordsError("holds bytes that are neither UTF-8 nor Windows-1252; save it as UTF-8") from None
    rows = cells.index + start + 2
    return _without_blank_rows(Raw(header, cells, rows, misshapen, separator == ";"))


def _texts_kept(path, cells, kinds, options):
    """Cells whose text columns are text even where all of it looks like numbers: 012 is no 12."""
    numbers = [place for place, kind in enumerate(kinds) if kind in ("text", None) and cells[place].dtype != "str"]
    if numbers:
        again = pd.read_csv(path, **options | {"usecols": numbers, "dtype": str})
        return pd.DataFrame({place: again[place] if place in numbers else cells[place] for place in cells})
    return cells


def _text_at_once(sample, start, separator, kinds):
    """Text columns that begin with a figure are asked for as text; the others are quicker left to pandas."""
    first = next(csv.reader(sample.splitlines()[start + 1 : start + 2], delimiter=separator), [])
    pairs = enumerate(zip(kinds, first, strict=False))
    return {place: str for place, (kind, cell) in pairs if kind in ("text", None) and cell[:1].isdigit()}


def _opening(path):
    """Encoding of a text file and its first megabyte as text."""
    with path.open("rb") as file:
        start = file.read(SAMPLE)
        if start.startswith((b"\xff\xfe", b"\xfe\xff")):
            encoding = "utf-16"
        elif b"\0" in start[:200] and start[1:200:2].count(0) > 80:
            encoding = "utf-16-le"
        elif _has_nul(file):
            raise RecordsError("holds NUL bytes, so it is no text file; save it again as CSV")
        else:
            encoding = "utf-8-sig" if _is_utf8(path) else "cp1252"
    sample = start.decode(encoding, errors="ignore")
    if len(start) == SAMPLE and "\n" not in sample and "\r" not in sample:
        raise RecordsError("has no line end in its first megabyte, so it is no table; save it again as CSV")
    return encoding, sample


def _has_nul(file):
    """Whether a zero byte stands anywhere in an open file."""
    with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as view:
        return view.find(b"\0") >= 0


def _is_utf8(path):
    """Whether a file is UTF-8 from end to end (read in pieces)."""
    try:
        with path.open(encoding="utf-8") as file:
            while file.read(SAMPLE):
                continue
    except UnicodeDecodeError:
        return False
    return True


def _header(sample, recognise):
    """Row number (from 0), separator and texts of the header: the row with most known columns.

    Where no row has a known column, the first row that is not blank stands for it.
    """
    lines = sample.splitlines()[:TITLE_ROWS]
    best = None
    for place, text in enumerate(lines):
        for separator in (",", ";", "\t"):
            cells = next(csv.reader([text], delimiter=separator), [])
            if not any(cell.strip() for cell in cells):
                continue
            score = (sum(kind is not None for kind in recognise(cells[:MOST_COLUMNS])), -place, len(cells))
            if best is None or score > best[0]:
                best = (score, place, separator, cells)
        if best and best[0][0] == len(best[3]) > 1:
            break  # every column of this row is known: it is the header
    if best is None:
        raise RecordsError("has no header row")
    _, place, separator, cells = best
    if len(cells) > MOST_COLUMNS:
        raise RecordsError(f"has {len(cells)} columns; more than {MOST_COLUMNS} are not read")
    return place, separator, [cell.strip() for cell in cells]


def _row_by_row(path, encoding, separator, start, width):
    """Slow but sure: rows with more cells than the header are set aside, the others kept."""
    with path.open(encoding=encoding, newline="") as file:
        reader = csv.reader(file, delimiter=separator)
        try:
            rows = list(reader)[start + 1 :]
        except csv.Error as flaw:
            raise RecordsError(f"cannot be read beyond line {reader.line_num}: {flaw}") from None
    fits = [not any(cell.strip() for cell in row[width:]) for row in rows]
    misshapen = [
        (start + 2 + place, separator.join(row), f"the row has {len(row)} cells, the header {width}")
        for place, (row, fit) in enumerate(zip(rows, fits, strict=True))
        if not fit
    ]
    kept = [(row[:width] + [""] * width)[:width] if fit else [""] * width for row, fit in zip(rows, fits, strict=True)]
    cells = pd.DataFrame(kept, columns=range(width), dtype=str)
    return cells.mask(cells == ""), misshapen


def _sheet(source, recognise):
    """One sheet of a workbook: values as last calculated, formulas never evaluated."""
    import openpyxl

    try:
        book = openpyxl.load_workbook(source.path, read_only=True, data_only=True)
        sheet = book[source.sheet] if source.sheet else book.worksheets[0]
        table = [row for row in sheet.iter_rows(values_only=True, max_col=MOST_COLUMNS + 1)]
        book.close()
    except Exception as flaw:  # openpyxl lets every error of zip and XML through
        raise RecordsError(f"cannot be read as a workbook ({flaw}); save it again as .xlsx") from None
    texts = [["" if cell is None else str(cell).strip() for cell in row] for row in table[:TITLE_ROWS]]
    scores = [sum(kind is not None for kind in recognise(row)) for row in texts]
    if not any(any(row) for row in texts):
        raise RecordsError("has no header row")
    start = scores.index(max(scores)) if max(scores) else next(place for place, row in enumerate(texts) if any(row))
    header = texts[start]
    while header and not header[-1]:
        header.pop()
    if len(header) > MOST_COLUMNS:
        raise RecordsError(f"has more than {MOST_COLUMNS} columns")
    body = [row[: len(header)] for row in table[start + 1 :]]
    cells = pd.DataFrame(body, columns=range(len(header)), dtype=object)
    cells = cells.apply(_plain) if len(cells) else cells
    return _without_blank_rows(Raw(header, cells, cells.index + start + 2))


def _plain(column):
    """A workbook column: all numbers stay numbers, anything else becomes text as people would write it."""
    filled = column.dropna()
    if len(filled) and filled.map(lambda cell: type(cell) in (int, float)).all():
        return column.astype(float)
    return column.map(_text, na_action="ignore").astype("str")


def _text(cell):
    """A workbook cell as text: whole numbers without a fraction, dates in ISO form."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if hasattr(cell, "isoformat"):
        return cell.isoformat(sep=" ").removesuffix(" 00:00:00") if hasattr(cell, "hour") else cell.isoformat()
    return str(cell).strip()


def _typed(path, ending):
    """A Parquet or GIS file: its columns are typed already, its rows are counted from 1."""
    try:
        if ending in GEO:
            table = _positions(path)
        else:
            table = pd.read_parquet(path)
    except RecordsError:
        raise
    except Exception as flaw:  # the reader libraries have no error of their own in common
        raise RecordsError(f"cannot be read ({flaw}); write the file again") from None
    header = [str(name) for name in table.columns]
    cells = table.reset_index(drop=True).set_axis(range(len(header)), axis=1)
    return _without_blank_rows(Raw(header, cells, cells.index + 1))


def _positions(path):
    """Towers of a GIS layer, with latitude and longitude in place of the geometry."""
    import geopandas

    layer = geopandas.read_file(path)
    if layer.crs is None:
        raise RecordsError("states no coordinate system; write it again with one")
    points = layer.geometry.to_crs(4326)
    if not (points.geom_type == "Point").all():
        raise RecordsError("holds shapes other than points; towers are points")
    table = pd.DataFrame(layer.drop(columns=layer.geometry.name))
    return table.assign(latitude_deg=points.y, longitude_deg=points.x)


def _without_blank_rows(raw):
    """A row without any cell is no row: spreadsheets leave them at the end."""
    if len(raw.cells.columns) and raw.cells[0].notna().all():
        return raw
    filled = raw.cells.notna().any(axis=1).to_numpy()
    cells = raw.cells[filled].reset_index(drop=True)
    return Raw(raw.header, cells, raw.rows[filled], raw.misshapen, raw.semicolons)


