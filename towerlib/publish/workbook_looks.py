"""How the cells of the workbook look: formats, and the colours of words that stand for how urgent a tower is."""

from matplotlib.colors import to_hex, to_rgb

from towerlib.publish.style import COLOURS, tint
from towerlib.publish.workbook_columns import CHANGES, LIST, one_line

FONT = {"font_name": "Arial", "font_size": 10}
GREY = "#d9d9d9"
URGENT, HIGH = COLOURS(0.97), COLOURS(0.8)
MIDDLE, LOW, MILD = (tint(COLOURS(place)) for place in (0.55, 0.3, 0.08))

WORDS = {  # sheet, column: fill of each word, the darker the more urgent; the word itself always stands there
    (LIST, "queue"): {"safety": URGENT, "repair": HIGH, "bond": MIDDLE, "footing": LOW, "retest": MILD},
    (LIST, "verdict"): {"not usable": URGENT, "usable with caution": LOW, "not tested": GREY},
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
        "gone from data": GREY,
        "record corrected": GREY,
    },
    ("notes", "kind"): {"caution": URGENT},
}


def luminance(colour):
    """Relative luminance of a colour.

    Parameters
    ----------
    colour : colour
        Any that Matplotlib takes.

    Returns
    -------
    float
        From 0 (black) to 1 (white).

    References
    ----------
    WCAG 2.1, W3C 2018, definition of relative luminance.

    Examples
    --------
    >>> luminance("white")
    1.0
    """
    parts = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour)]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), parts, strict=True))


def ink_on(colour):
    """Black or white, whichever reads better on a colour.

    Parameters
    ----------
    colour : colour

    Returns
    -------
    str

    Examples
    --------
    >>> ink_on("navy"), ink_on("yellow")
    ('#FFFFFF', '#000000')
    """
    # contrast is (L1 + 0.05) / (L2 + 0.05): both inks are as far off where L + 0.05 is sqrt(0.05 * 1.05)
    return "#000000" if luminance(colour) > (0.05 * 1.05) ** 0.5 - 0.05 else "#FFFFFF"


def colour_words(book, sheet, name, place, column, rows):
    """Colour the words of a column wherever they come to stand, also after sorting (changes the sheet).

    Parameters
    ----------
    book, sheet : xlsxwriter.Workbook, xlsxwriter.worksheet.Worksheet
    name, column : str
        Sheet and column.
    place, rows : int
        Number of the column, from 0; rows below the header.
    """
    for word, colour in WORDS.get((name, column), {}).items():
        look = {"bg_color": to_hex(colour), "font_color": ink_on(colour), "bold": colour in (URGENT, HIGH)}
        rule = {"type": "cell", "criteria": "==", "value": f'"{word}"', "format": book.add_format(look)}
        sheet.conditional_format(1, place, rows, place, rule)


def number_format(about, currency):
    """Number format of a column, with the currency behind sums of money.

    Parameters
    ----------
    about : dict
        Row of the data dictionary.
    currency : str

    Returns
    -------
    str

    Examples
    --------
    >>> number_format({"unit": "money", "format": "#,##0"}, "EUR")
    '#,##0 "EUR"'
    """
    sign = one_line(currency).replace('"', "")[:12]
    return f'{about["format"]} "{sign}"' if about["unit"] == "money" and sign else about["format"]
