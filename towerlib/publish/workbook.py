"""The priority list as CSV and as a workbook that opens without a warning."""

import csv
import datetime
from functools import cache
from importlib.resources import files

import pandas as pd

WIDEST = 60  # characters; longer texts wrap
CREATED = datetime.datetime(2000, 1, 1)  # fixed, so that the same list gives the same bytes


@cache
def dictionary():
    """Unit, number format and meaning of every column of the priority list.

    Returns
    -------
    dict of str to dict

    Examples
    --------
    >>> dictionary()["gap_ma"]["unit"]
    'mA'
    """
    text = files("towerlib.publish").joinpath("columns.csv").read_text(encoding="utf-8")
    return {row["column"]: row for row in csv.DictReader(text.splitlines())}


def write_csv(table, path):
    """Write a table as CSV: UTF-8 with a mark that spreadsheets know it by, dates in ISO form.

    Parameters
    ----------
    table : pandas.DataFrame
    path : path
    """
    table.to_csv(path, index=False, encoding="utf-8-sig", date_format="%Y-%m-%d", lineterminator="\n")


def write_xlsx(priority, path, *, notes=()):
    """Write the priority list as a workbook: list, columns explained, notes.

    Parameters
    ----------
    priority : pandas.DataFrame
        As `towerlib.plan.priority_list` gives it.
    path : path
    notes : iterable of str
        Cautions and rules, one a row of the sheet "notes".

    Notes
    -----
    Text is written as text, whatever it begins with; numbers and dates are real ones.
    """
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties({"title": "Remediation priority list", "created": CREATED})
        _list_sheet(book, priority)
        _text_sheet(book, "columns", ["column", "unit", "meaning"], _explained(priority))
        _text_sheet(book, "notes", ["note"], [[note] for note in notes])


def _list_sheet(book, priority):
    """The list itself: frozen header with units in notes, a filter on every column."""
    sheet = book.add_worksheet("priority list")
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    plain = book.add_format({"valign": "top", "text_wrap": True})
    for place, name in enumerate(priority.columns):
        about = dictionary()[name]
        unit = f" [{about['unit']}]" if about["unit"] not in ("", "1") else ""
        sheet.write_string(0, place, name, head)
        sheet.write_comment(0, place, f"{about['meaning']}{unit}")
        style = (
            book.add_format({"num_format": about["format"], "valign": "top"}) if about["format"] else plain
        )
        sheet.set_column(place, place, _width(priority[name], name))
        for row, cell in enumerate(priority[name], start=1):
            _write(sheet, row, place, cell, style)
    sheet.freeze_panes(1, list(priority.columns).index("tower_id") + 1)
    sheet.autofilter(0, 0, max(len(priority), 1), len(priority.columns) - 1)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _write(sheet, row, place, cell, style):
    """One cell by its own type; a blank stays blank."""
    if pd.isna(cell):
        sheet.write_blank(row, place, None, style)
    elif isinstance(cell, pd.Timestamp):
        sheet.write_datetime(row, place, cell.to_pydatetime(), style)
    elif isinstance(cell, str):
        sheet.write_string(row, place, cell, style)
    else:
        sheet.write_number(row, place, float(cell), style)


def _width(column, name):
    """Wide enough for its header and its longest cell, within reason."""
    longest = column.dropna().astype("str").str.len().max()
    text = column.dtype == "str"
    return min(max(len(name) + 3, (longest if pd.notna(longest) and text else 0) + 1), WIDEST)


def _explained(priority):
    """One row a column: name, unit, meaning."""
    return [[name, dictionary()[name]["unit"], dictionary()[name]["meaning"]] for name in priority.columns]


def _text_sheet(book, name, header, rows):
    """A sheet of plain text."""
    sheet = book.add_worksheet(name)
    bold, wrap = (
        book.add_format({"bold": True, "bottom": 1}),
        book.add_format({"text_wrap": True, "valign": "top"}),
    )
    for place, text in enumerate(header):
        longest = max([len(text), *(len(row[place]) for row in rows)])
        sheet.set_column(place, place, min(longest + 2, 100))
        sheet.write_string(0, place, text, bold)
    for number, row in enumerate(rows, start=1):
        for place, text in enumerate(row):
            sheet.write_string(number, place, text, wrap)
    sheet.freeze_panes(1, 0)
