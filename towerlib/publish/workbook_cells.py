"""Cells of the workbook: each value by its own type, never a formula, never lost without a word."""

import math

import pandas as pd

LONGEST = 32_767  # characters of a cell: limit of the file format
CUT = " … (cut here; the CSV has it all)"
FIRST_YEAR = 1900  # days before it have no number in the file format


def write(sheet, place, cell, style):
    """Write one cell; a blank stays blank (changes the sheet).

    Parameters
    ----------
    sheet : xlsxwriter.worksheet.Worksheet
    place : (int, int)
        Row and column, from 0.
    cell : object
        Text, number, yes or no, date, or missing.
    style : xlsxwriter.format.Format

    Notes
    -----
    A text stays text, whatever it begins with. What the file format has no number for is written out as text: a day
    before 1900, a bound at infinity.
    """
    if pd.isna(cell) or cell == "":
        sheet.write_blank(*place, None, style)
    elif isinstance(cell, pd.Timestamp):
        _write_date(sheet, place, cell, style)
    elif isinstance(cell, str):
        sheet.write_string(*place, shortened(cell), style)
    elif isinstance(cell, bool) or type(cell).__name__ == "bool_":
        sheet.write_boolean(*place, bool(cell), style)
    elif math.isinf(cell):
        sheet.write_string(*place, "no upper bound" if cell > 0 else "no lower bound", style)
    else:
        sheet.write_number(*place, float(cell), style)


def _write_date(sheet, place, day, style):
    """A date, or its text where the file format has no number for it."""
    if day.year < FIRST_YEAR:
        sheet.write_string(*place, f"{day:%Y-%m-%d}", style)
    else:
        sheet.write_datetime(*place, day.to_pydatetime(), style)


def shortened(text):
    """A text that fits a cell.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> shortened("short"), len(shortened("x" * 40_000))
    ('short', 32767)
    """
    # the file format counts UTF-16 units, of which an emoji takes two
    units = text.encode("utf-16-le", "surrogatepass")
    if len(units) <= 2 * LONGEST:
        return text
    kept = units[: 2 * (LONGEST - len(CUT))].decode("utf-16-le", "ignore")
    return kept + CUT
