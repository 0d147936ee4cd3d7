"""The workbook of a month: sheets, formats, words coloured by urgency; and lists as CSV that are safe to open."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any, cast

import pandas as pd
from matplotlib.colors import to_hex, to_rgb

from towerlib.plan import packages
from towerlib.report.cautions import CAUTIONS
from towerlib.report.column_labels import CHANGES, LIST, PACKAGES, RETESTS, dictionary, in_currency, label
from towerlib.report.style import HOLLOW, NO_VERDICT, QUEUES, VERDICTS, scaled
from towerlib.report.tower_marks import number_of
from towerlib.text import one_line

if TYPE_CHECKING:
    from matplotlib.typing import ColorType
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

    from towerlib.assessment import Study
    from towerlib.changes import Changes

FONT = {"font_name": "Arial", "font_size": 10}
URGENT, HIGH, MIDDLE, LOW, MILD = (scaled(share) for share in (0.97, 0.8, 0.55, 0.3, 0.08))
QUEUE_FILLS = {name: look.colour for name, look in QUEUES.items() if look.colour != HOLLOW}
VERDICT_FILLS = {name: look.colour for name, look in VERDICTS.items() if name != "usable"}

FILLS = {  # sheet, column: fill of each word, the darker the more urgent; the word itself stays
    (LIST, "queue"): QUEUE_FILLS,
    (LIST, "verdict"): VERDICT_FILLS,
    (LIST, "safety_screen"): {"above": URGENT, "cannot tell": MILD},
    (LIST, "rank_confidence"): {"open": MILD},
    ("retests", "reason"): {
        "never tested": URGENT,
        "only read without coils": MIDDLE,
        "no usable reading": LOW,
        "overdue": MILD,
    },
    (CHANGES, "kind"): {
        "worsened": URGENT,
        "treatment did not work": URGENT,
        "treated, still above limit": HIGH,
        "fixed not verified": LOW,
        "overdue": MILD,
        "never tested": MILD,
        "gone from data": NO_VERDICT,
        "record corrected": NO_VERDICT,
    },
    ("notes", "kind"): {"caution": URGENT},
}


def luminance(colour: ColorType) -> float:
    """Relative luminance of a colour from 0 (black) to 1 (white), as WCAG 2.1 (W3C 2018) defines it.

    >>> luminance("white")
    1.0
    """
    parts = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour)]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), parts, strict=True))


def ink_on(colour: ColorType) -> str:
    """Black or white, whichever reads better on a colour.

    >>> ink_on("navy"), ink_on("yellow")
    ('#FFFFFF', '#000000')
    """
    # contrast is (L1 + 0.05) / (L2 + 0.05): both inks are as far off where L + 0.05 is sqrt(0.05 * 1.05)
    return "#000000" if luminance(colour) > (0.05 * 1.05) ** 0.5 - 0.05 else "#FFFFFF"


def colour_words(book: Workbook, sheet: Worksheet, name: str, place: int, column: str, rows: int) -> None:
    """Colour the words of a column in every cell, also after sorting (changes the sheet)."""
    for word, colour in FILLS.get((name, column), {}).items():
        look = {"bg_color": to_hex(colour), "font_color": ink_on(colour), "bold": colour in (URGENT, HIGH)}
        rule = {"type": "cell", "criteria": "==", "value": f'"{word}"', "format": book.add_format(look)}
        sheet.conditional_format(1, place, rows, place, rule)


def number_format(about: dict[str, Any], currency: str) -> str:
    """Number format of a column, with the currency behind sums of money.

    >>> number_format({"unit": "money", "format": "#,##0"}, "EUR")
    '#,##0 "EUR"'
    """
    sign = one_line(currency).replace('"', "")[:12]
    return f'{about["format"]} "{sign}"' if about["unit"] == "money" and sign else about["format"]


LONGEST = 32_767  # characters of a cell: limit of the file format
CUT = " … (cut here; the CSV has it all)"
FIRST_YEAR = 1900  # days before it have no number in the file format


def write_cell(sheet: Worksheet, place: tuple[int, int], cell: Any, style: Format) -> None:
    """Write one cell; a blank stays blank (changes the sheet).

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


def shortened(text: str) -> str:
    """A text that fits a cell.

    >>> shortened("short"), len(shortened("x" * 40_000))
    ('short', 32767)
    """
    # the file format counts UTF-16 units, of which an emoji takes two
    units = text.encode("utf-16-le", "surrogatepass")
    if len(units) <= 2 * LONGEST:
        return text
    kept = units[: 2 * (LONGEST - len(CUT))].decode("utf-16-le", "ignore")
    return kept + CUT


NO_TOWER = "The line has no tower."
NO_RETEST = "No tower has to be tested again: each has a usable reading that is not overdue."
NO_PLAN = "The plan holds no work."
NO_CHANGE = "Nothing changed beyond the uncertainties, nothing is overdue and no tower is untested."
NOT_COMPARED = "The month was not compared with an earlier one."


@dataclass(frozen=True)
class Sheet:
    """One sheet; up to the column `fixed` it stays in sight and is repeated in print."""

    name: str
    table: pd.DataFrame
    why_empty: str
    fixed: str
    columns: dict
    currency: str = ""


def of(study: Study, found: Changes | None = None) -> list[Sheet]:
    """The lists of an assessment as sheets, with the changes since the last month where they are known."""
    currency = study.line.plan.currency
    works = cast("pd.DataFrame", packages.packages(study.budget, study.treatments.mobilisation))
    changed = pd.DataFrame(columns=list(dictionary(CHANGES))) if found is None else found.table
    unchanged = NOT_COMPARED if found is None else " ".join([NO_CHANGE, *found.remarks])
    return [
        priority_sheet(study.priority, currency),
        Sheet(RETESTS, study.retest, NO_RETEST, "tower_id", dictionary(RETESTS)),
        Sheet(
            PACKAGES, works, " ".join([NO_PLAN, *study.budget.off]), "package", dictionary(PACKAGES), currency
        ),
        Sheet(CHANGES, changed, unchanged, "tower_id", dictionary(CHANGES)),
    ]


def priority_sheet(priority: pd.DataFrame, currency: str = "") -> Sheet:
    """The priority list as a sheet."""
    return Sheet(LIST, priority, NO_TOWER, "tower_id", dictionary(LIST), currency)


def explained(sheets: list[Sheet]) -> Sheet:
    """The data dictionary: every column of every sheet."""
    rows = [
        (sheet.name, name, in_currency(about["unit"], sheet.currency), about["meaning"], sheet.table[name])
        for sheet in sheets
        for name in sheet.table.columns
        for about in [sheet.columns[name]]
    ]
    table = pd.DataFrame(
        [(*row[:4], number_of(row[4].notna() & row[4].astype("object").ne("")), len(row[4])) for row in rows],
        columns=["sheet", "column", "unit", "meaning", "filled", "rows"],
    )
    about = {
        "sheet": "Sheet of this workbook",
        "column": "Column of that sheet",
        "unit": "Unit; 1 for counts and ratios, blank for texts",
        "meaning": "What it says",
        "filled": "Rows in which it is not blank; the notes say what is not available",
        "rows": "Rows of that sheet",
    }
    return Sheet("data dictionary", table, "No column.", "column", _plain_columns(about, ("filled", "rows")))


def noted(notes: Iterable[str]) -> Sheet:
    """Cautions first, then every other note."""
    notes = list(notes)
    cautions = [note for note in notes if note in CAUTIONS]
    rest = [note for note in notes if note not in CAUTIONS]
    table = pd.DataFrame(
        {"kind": ["caution"] * len(cautions) + ["note"] * len(rest), "note": cautions + rest}, dtype="str"
    )
    about = {
        "kind": "caution: heed it before any work",
        "note": "Cautions, rules, what is not available and what is assumed",
    }
    return Sheet("notes", table, "No note.", "kind", _plain_columns(about))


def _plain_columns(meanings, counts=()):
    """Columns without unit; counts are whole numbers."""
    return {
        name: {"unit": "", "format": "0" if name in counts else "", "meaning": meaning}
        for name, meaning in meanings.items()
    }


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


def write_csv(table: pd.DataFrame, path: str | Path) -> None:
    """Write a table as CSV: UTF-8 with a mark that spreadsheets know it by, dates in ISO form."""
    table.to_csv(path, index=False, encoding="utf-8-sig", date_format="%Y-%m-%d", lineterminator="\n")


def write_list(table: pd.DataFrame, path: str | Path) -> None:
    """Write a list that people open in a spreadsheet: as `write_csv`, and no text can run as a formula."""
    write_csv(harmless(table), path)


def harmless(table: pd.DataFrame) -> pd.DataFrame:
    """A table in which no text begins like a formula of a spreadsheet.

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


def write(study: Study, path: str | Path, *, found: Changes | None = None, notes: Iterable[str] = ()) -> None:
    """Write the workbook of a month: priority list, retests, plan packages, changes, data dictionary, notes.

    Text is written as text, whatever it begins with; numbers and dates are real ones. A list without rows says why.
    """
    _write(of(study, found), path, notes, f"{study.line.title}, as of {study.month}")


def write_xlsx(priority: pd.DataFrame, path: str | Path, *, notes: Iterable[str] = ()) -> None:
    """Write the priority list alone as a workbook: list, data dictionary, notes."""
    _write([priority_sheet(priority)], path, notes, "Remediation priority list")


def _write(sheets, path, notes, title):
    """The sheets, what their columns mean, and the notes."""
    import xlsxwriter

    options = {
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
        "default_format_properties": FONT,
    }
    with xlsxwriter.Workbook(path, options) as book:
        book.set_properties({"title": "Remediation priority list", "created": CREATED})
        for sheet in [*sheets, explained(sheets), noted(notes)]:
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
            write_cell(page, (row, place), cell, style)
        colour_words(book, page, sheet.name, place, name, max(len(table), 1))
    for row, lines in enumerate(_lines(sheet, widths), start=1):
        page.set_row(row, min(lines * LINE_PT + 2, HIGHEST_PT))
    page.freeze_panes(1, fixed + 1)
    if len(table):
        page.autofilter(0, 0, len(table), len(table.columns) - 1)
        # a tower may be called 012: that is no slip
        page.ignore_errors({"number_stored_as_text": f"A1:XFD{len(table) + 1}"})
    else:
        why = book.add_format({"italic": True, **FONT})
        page.write_string(1, 0, shortened(sheet.why_empty), why)
    _paper(page, widths, fixed, title)


def _head(book, page, sheet):
    """Names of the columns; a comment says what each means and in which unit."""
    look = {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top", "bg_color": "#EDEDED"}
    head = book.add_format(look | TEXT | FONT)
    above_numbers = book.add_format(look | ABOVE_NUMBERS | FONT)
    for place, name in enumerate(sheet.table.columns):
        about = sheet.columns[name]
        unit = one_line(in_currency(about["unit"], sheet.currency))
        page.write_string(0, place, name, above_numbers if about["format"] else head)
        comment = f"{label(name, unit)}: {about['meaning']}"
        page.write_comment(0, place, comment, {"x_scale": 2, "y_scale": 1.2, "author": ""})


def _style(book, sheet, name):
    """Format of the cells of a column."""
    look = {"valign": "top", "bottom": 4, "bottom_color": "#BFBFBF"} | FONT
    form = number_format(sheet.columns[name], sheet.currency)
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
    heading = one_line(title)[:80].replace("&", "&&")
    page.set_header(f"&L{heading}&R&A")
    page.set_footer(f"&L{HEED}&RPage &P of &N")
