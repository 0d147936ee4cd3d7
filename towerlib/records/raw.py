"""One source as it stands: its header, its cells by column, and the row number of each."""

from dataclasses import dataclass, field, replace

import pandas as pd

from towerlib.errors import RecordsError
from towerlib.inputs import SHEETS, guard
from towerlib.records.sources import GEO, TEXT


@dataclass(frozen=True)
class Raw:
    """A table as its file has it; columns of `cells` are positions in `header`."""

    header: list
    cells: pd.DataFrame
    rows: pd.Index  # row numbers in the file, as a spreadsheet shows them
    misshapen: list = field(default_factory=list)  # (row number, text, reason) of rows that do not fit
    merged: list = field(default_factory=list)  # (index of `cells`, column) that a merged cell filled
    separator: str = ""  # between the cells of a text file
    is_tight: bool = False  # known to have no white space round its cells


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


def _text_file(path, recognise):
    """A CSV file."""
    from towerlib.records.delimited import read_delimited

    read = read_delimited(path, recognise)
    raw = Raw(
        read.header, read.cells, read.rows, read.misshapen, separator=read.separator, is_tight=read.is_tight
    )
    return _without_blank_rows(raw)


def _sheet(source, recognise):
    """A sheet of a workbook."""
    from towerlib.records.workbooks import read_sheet

    header, cells, rows, merged = read_sheet(source.path, source.sheet, recognise)
    return Raw(header, cells, pd.Index(rows, dtype="int64"), merged=merged)


def _typed(path, folder, ending):
    """A Parquet or GIS file: its columns are typed already, its rows are counted from 1."""
    try:
        table = _positions(path, folder) if ending in GEO else _parquet(path)
    except RecordsError:
        raise
    except Exception as flaw:  # the reader libraries have no error of their own in common
        brief = (str(flaw).splitlines() or [type(flaw).__name__])[0][:120]
        raise RecordsError(f"cannot be read ({brief}); write the file again") from None
    header = [str(name) for name in table.columns]
    cells = table.reset_index(drop=True).set_axis(range(len(header)), axis=1)
    return _without_blank_rows(Raw(header, cells, cells.index + 1))


def _parquet(path):
    """A Parquet file; a named index is a column like any other."""
    with path.open("rb") as file:
        table = pd.read_parquet(file)
    return table.reset_index() if any(name is not None for name in table.index.names) else table


def _positions(path, folder):
    """Towers of a GIS layer, with latitude and longitude in place of the geometry."""
    from towerlib.records import gis

    if path.suffix.lower() == ".geojson":
        layer = gis.read_geojson(path, folder)
    else:
        (layer,) = gis.read_layers(path, folder, _only_layer).values()
    if getattr(layer, "crs", None) is None:
        raise RecordsError("states no coordinate system; write it again with one")
    points = layer.geometry.to_crs(4326)
    if not (points.geom_type.fillna("Point") == "Point").all():
        raise RecordsError("holds shapes other than points; towers are points")
    points = points.where(~points.is_empty)
    table = pd.DataFrame(layer.drop(columns=layer.geometry.name))
    return table.assign(latitude_deg=points.y, longitude_deg=points.x)


def _only_layer(layers):
    """The layer to read: the only one, or the one named towers."""
    names = [name for name, _ in layers]
    if not names:
        raise RecordsError("holds no layer; write the towers into one")
    towers = names if len(names) == 1 else [name for name in names if name.lower() == "towers"]
    if len(towers) != 1:
        raise RecordsError(f'has the layers {", ".join(names)}; name the one with the towers "towers"')
    return towers


def _without_blank_rows(raw):
    """A row without any cell is no row: spreadsheets leave them at the end."""
    if not len(raw.cells.columns) or not len(raw.cells):
        return raw
    doubtful = _blank(raw.cells[0], raw.is_tight)
    if not doubtful.any():
        return raw
    part = raw.cells[doubtful]
    blank = pd.DataFrame({place: _blank(part[place], raw.is_tight) for place in part}).all(axis=1)
    gone = blank.reindex(raw.cells.index, fill_value=False).to_numpy()
    cells = raw.cells[~gone].reset_index(drop=True)
    return replace(raw, cells=cells, rows=raw.rows[~gone])


def _blank(cells, is_tight):
    """Which cells hold nothing, or white space alone."""
    if is_tight or cells.dtype != "str":
        return cells.isna()
    return cells.isna() | (cells.str.strip() == "")
