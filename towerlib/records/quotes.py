"""Lines to rows where cells are in quotation marks, some of which are never closed."""

import csv
import re
from functools import cache

MOST_LINES = 30  # that one quoted cell may run over
MOST_CHARACTERS = 100_000  # of one row; the csv module takes cells of up to 131,072


def rows(lines, separator, most):
    r"""The first rows of some lines.

    Parameters
    ----------
    lines : list of str
        Without their ends.
    separator : str
    most : int

    Returns
    -------
    list of list of str

    Examples
    --------
    >>> rows(['Tower,"Impedance', '(ohm)"', '1,4.2'], ",", 2)
    [['Tower', 'Impedance\n(ohm)'], ['1', '4.2']]
    """
    return [
        cells
        for cells, _ in (found for found, _ in zip(records(lines, separator), range(most), strict=False))
    ]


def records(lines, separator, width=None):
    """Row by row its cells, and why it cannot be one.

    Parameters
    ----------
    lines : list of str
        Without their ends.
    separator : str
    width : int, optional
        Cells of the header: a line that has as many is no part of a cell above it.

    Yields
    ------
    (list of str, str)
        Cells as far as they can be told, and a reason or a blank.

    Notes
    -----
    A quotation mark counts at the beginning of a cell only. One that is never closed, or that would swallow
    whole rows, makes its own line misshapen; the lines below are read as if it were not there.

    Examples
    --------
    >>> list(records(['1,"wet', '2,dry'], ",", 2))
    [(['1', '"wet'], 'opens a quotation mark that is never closed; close it or take it away'), (['2', 'dry'], '')]
    """
    place = 0
    while place < len(lines):
        line, taken, reason = lines[place], 1, ""
        if len(line) > MOST_CHARACTERS:
            yield [line[:200]], f"the row has {len(line):,} characters; no row of a table has so many"
            place += 1
            continue
        if '"' in line and not _closed(separator).fullmatch(line):
            taken = _lines_of_row(lines, place, separator, width)
            reason = "" if taken else "opens a quotation mark that is never closed; close it or take it away"
        if reason:
            yield line.split(separator), reason
        else:
            texts = [text.replace("\r", " ") + "\n" for text in lines[place : place + taken]]
            yield next(csv.reader(texts, delimiter=separator), []), ""
        place += taken or 1


def _lines_of_row(lines, place, separator, width):
    """How many lines a row takes whose quotation mark is open at the end of the first; 0 if it stays open."""
    text = lines[place]
    for taken in range(2, MOST_LINES + 1):
        if place + taken > len(lines):
            return 0
        line = lines[place + taken - 1]
        text += "\n" + line
        if len(text) > MOST_CHARACTERS:
            return 0
        if _closed(separator).fullmatch(text):
            return 0 if width and _swallows(lines[place + 1 : place + taken], separator, width) else taken
    return 0


def _swallows(lines, separator, width):
    """Whether a line inside a quoted cell looks like a row of its own."""
    return width > 2 and any(line.count(separator) >= width - 1 for line in lines)


@cache
def _closed(separator):
    """Rows in which every quotation mark at the beginning of a cell is closed."""
    mark = re.escape(separator)
    cell = rf'(?:"(?:[^"]|"")*+"[^{mark}]*+|[^"{mark}][^{mark}]*+|)'
    return re.compile(rf"{cell}(?:{mark}{cell})*+")
