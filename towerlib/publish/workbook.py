"""The lists as CSV and as a workbook that opens without a warning."""

import datetime
from textwrap import wrap

from towerlib.publish import workbook_cells, workbook_looks, workbook_sheets
from towerlib.publish.workbook_columns import dictionary, in_currency, label, one_line

__all__ = ["dictionary", "harmless", "write", "write_csv", "write_list", "write_xlsx"]

WIDEST, STORY = 80, 120  # characters; longer texts wrap, very long ones (5 lines and more) in a wider column
NARROWEST = 7
LINE_PT, HIGHEST_PT = 13, 409  # height of a line of text; the most that a row can have
ONE_PAGE = 230  # characters that still read well when fitted to the width of one page
SCALE = 70  # percent: letters of 10 points become the smallest of our pictures, 7 points
CREATED = datetime.datetime(2000, 1, 1)  # fixed, so that the same lists give the same bytes
TEXT = {"align": "left", "indent": 1}  # apart from the numbers at its left
NUMBER = {"align": "right", "indent": 1}
ABOVE_NUMBERS = {"align": "right", "indent": 2}  # room for the arrow of the filter
_FORMULA = (
    r"^\s*[=@]|^\s*[+\-](?![0-9.,]+(?:, [+\-]?[0-9.,]+)?$)|^[\t\r]"  # a spreadsheet would run such a text
)
HEED = "Read the cautions in the sheet “notes” before any work."


def write_csv(table, path):
    """Write a table as CSV: UTF-8 with a mark that spreadsheets know it by, dates in ISO form.

    Parameters
    ----------
    table : pandas.DataFrame
    path : path
    """
    table.to_csv(path, index=False, encoding="utf-8-sig", date_format="%Y-%m-%d", lineterminator="\n")


def write_list(table, path):
    """Write a list that people open in a spreadsheet: as `write_csv`, and no text can run as a formula.

    Parameters
    ----------
    table : pandas.DataFrame
    path : path
    """
    write_csv(harmless(table), path)


def harmless(table):
    """A table in which no text begins like a formula of a spreadsheet.

    Parameters
    ----------
    table : pandas.DataFrame

    Returns
    -------
    pandas.DataFrame

    Examples
    --------
    >>> import pandas as pd
    >>> harmless(pd.DataFrame({"value": ["=1+1", "-31.0, -20.5", "+1+cmd"]}))["value"].to_list()
    ["'=1+1", '-31.0, -20.5', "'+1+cmd"]
    """
    texts = table.select_dtypes("str")
    return table.assign(
        **{
            name: texts[name].mask(texts[name].str.contains(_FORMULA, na=False), "'" + texts[name])
            for name in texts
        }
    )


def write(study, path, *, found=None, notes=()):
    """Write the workbook of a month: priority list, retests, plan packages, changes, data dictionary, notes.

    Parameters
    ----------
    study : Assessment
    path : path
    found : Changes, optional
        What changed since the last month, as `towerlib.changes.against_last` gives it.
    notes : iterable of str
        Cautions and rules, one a row of the sheet "notes".

    Notes
    -----
    Text is written as text, whatever it begins with; numbers and dates are real ones. A list without rows says why.
    """
    _write(workbook_sheets.of(study, found), path, notes, f"{study.line.title}, as of {study.month}")


def write_xlsx(priority, path, *, notes=()):
    """Write the priority list alone as a workbook: list, data dictionary, notes.

    Parameters
    ----------
    priority : pandas.DataFrame
        As `towerlib.plan.priority_list` gives it.
    path : path
    notes : iterable of str
        Cautions and rules, one a row of the sheet "notes".

    Notes
    -----
    As for `write`.
    """
    _write([workbook_sheets.priority_sheet(priority)], path, notes, "Remediation priority list")


def _write(sheets, path, notes, title):
    """The sheets, what their columns mean, and the notes."""
    import xlsxwriter

    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_format_properties": workbook_looks.FONT,
    }
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties({"title": "Remediation priority list", "created": CREATED})
        for sheet in [*sheets, workbook_sheets.explained(sheets), workbook_sheets.noted(notes)]:
            _fill(book, sheet, title)


def _fill(book, sheet, title):
    """One sheet: header with meaning and unit as a comment, cells, filters, colours, print set-up."""
    page, table = book.add_worksheet(sheet.name), sheet.table
    fixed = list(table.columns).index(sheet.fixed)
    widths = [_width(sheet, name) for name in table.columns]
    _head(book, page, sheet)
    page.set_row(0, LINE_PT + 5)
    for place, name in enumerate(table.columns):
        page.set_column(place, place, widths[place])
        style = _style(book, sheet, name)
        for row, cell in enumerate(table[name], start=1):
            workbook_cells.write(page, (row, place), cell, style)
        workbook_looks.colour_words(book, page, sheet.name, place, name, max(len(table), 1))
    for row, lines in enumerate(_lines(sheet, widths), start=1):
        page.set_row(row, min(lines * LINE_PT + 2, HIGHEST_PT))
    page.freeze_panes(1, fixed + 1)
    if len(table):
        page.autofilter(0, 0, len(table), len(table.columns) - 1)
        # a tower may be called 012: that is no slip
        page.ignore_errors({"number_stored_as_text": f"A1:XFD{len(table) + 1}"})
    else:
        why = book.add_format({"italic": True, **workbook_looks.FONT})
        page.write_string(1, 0, workbook_cells.shortened(sheet.why_empty), why)
    _paper(page, widths, fixed, title)


def _head(book, page, sheet):
    """Names of the columns; a comment says what each means and in which unit."""
    look = {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top", "bg_color": "#EDEDED"}
    head = book.add_format(look | TEXT | workbook_looks.FONT)
    above_numbers = book.add_format(look | ABOVE_NUMBERS | workbook_looks.FONT)
    for place, name in enumerate(sheet.table.columns):
        about = sheet.columns[name]
        unit = one_line(in_currency(about["unit"], sheet.currency))
        page.write_string(0, place, name, above_numbers if about["format"] else head)
        comment = f"{label(name, unit)}: {about['meaning']}"
        page.write_comment(0, place, comment, {"x_scale": 2, "y_scale": 1.2, "author": ""})


def _style(book, sheet, name):
    """Format of the cells of a column."""
    look = {"valign": "top", "bottom": 4, "bottom_color": "#BFBFBF"} | workbook_looks.FONT
    form = workbook_looks.number_format(sheet.columns[name], sheet.currency)
    return book.add_format(look | (NUMBER | {"num_format": form} if form else TEXT | {"text_wrap": True}))


def _lines(sheet, widths):
    """Lines of text of each row: not every program makes rows high enough by itself."""
    counts = [1] * len(sheet.table)
    for name, width in zip(sheet.table.columns, widths, strict=True):
        room = int(1.1 * width)  # widths count digits, and letters are a little narrower on average
        for row, cell in enumerate(sheet.table[name]):
            if isinstance(cell, str) and (len(cell) > room or "\n" in cell):
                parts = cell[: room * HIGHEST_PT // LINE_PT].split("\n")  # more than the highest row shows
                counts[row] = max(counts[row], sum(len(wrap(part, room)) or 1 for part in parts))
    return counts


def _width(sheet, name):
    """Wide enough for its header with the filter's arrow and for its longest text, within reason [characters]."""
    column = sheet.table[name]
    least = len(name) + 5
    if sheet.columns[name]["format"]:
        return max(least, 12 if len(column) else 0)
    longest = max((len(str(cell)) for cell in column.dropna()), default=0)
    return min(max(least, NARROWEST, longest + 2), WIDEST if longest < 5 * WIDEST else STORY)


def _paper(page, widths, fixed, title):
    """A4 landscape, header row on each page; broad sheets go over several, with the name of the tower on each."""
    page.set_landscape()
    page.set_paper(9)  # A4
    page.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
    page.repeat_rows(0)
    if sum(widths) <= ONE_PAGE:
        page.fit_to_pages(1, 0)
    else:
        page.set_print_scale(SCALE)
        page.repeat_columns(fixed)
        page.print_across()
    told = one_line(title)[:80].replace("&", "&&")
    page.set_header(f"&L{told}&R&A")
    page.set_footer(f"&L{HEED}&RPage &P of &N")
