"""Which row of a file is its header, below whatever titles stand above it."""

from towerlib.errors import RecordsError
from towerlib.records.units import find

TITLE_ROWS = 30  # the header is looked for in so many first rows
MOST_COLUMNS = 2_000
NONE = "has no header row"
LONGEST_HEADER = 200  # characters; longer ones are no header


def best(rows, recognise):
    """The header among the first rows of a file: the one with most known columns.

    Parameters
    ----------
    rows : list of list of str
        The first rows.
    recognise : callable
        From a list of texts to a list of the kinds of the columns that are known (None: unknown).

    Returns
    -------
    (int, list of str, int)
        Place in `rows`, the header without blank cells at its end, and how many of its columns are known. Where
        no row has a known column, the first row that is not blank stands for it.

    Raises
    ------
    RecordsError
        All rows are blank, or the header is too wide; the sentence has no file name in front.

    Examples
    --------
    >>> known = lambda texts: ["text" if text in ("date", "leg") else None for text in texts]
    >>> best([["Sheet 3"], ["date", "leg", ""], ["2026-03-01", "A"]], known)
    (1, ['date', 'leg'], 2)
    """
    most, place = -1, None
    for number, cells in enumerate(rows):
        if any(map(str.strip, cells)):
            known = score(cells, recognise)
            most, place = (known, number) if known > most else (most, place)
            if known == len(cells) > 1:
                break  # nothing below can be better
    if place is None:
        raise RecordsError(NONE)
    header = [cell.strip() for cell in rows[place]]
    while not header[-1]:
        header.pop()
    if len(header) > MOST_COLUMNS:
        raise RecordsError(f"has more than {MOST_COLUMNS:,} columns; keep those that it needs")
    return place, header, most


def score(cells, recognise):
    """Number of known columns in a row.

    Examples
    --------
    >>> score(["date", "painted in"], lambda texts: ["date", None])
    1
    """
    if len(cells) > MOST_COLUMNS:
        return 0
    return sum(kind is not None for kind in recognise([cell.strip()[:LONGEST_HEADER] for cell in cells]))


def with_units(header, row):
    """The header with the units that stand in a row of their own below it.

    Parameters
    ----------
    header, row : list of str
        Header, and the row below it.

    Returns
    -------
    (list of str, bool)
        Header, and whether the row held nothing but units.

    Examples
    --------
    >>> with_units(["Tower", "R"], ["", "[kΩ]"])
    (['Tower', 'R [kΩ]'], True)
    >>> with_units(["Tower", "R"], ["12", "4.2"])
    (['Tower', 'R'], False)
    """
    units = [cell.strip().strip("[]()").strip() for cell in row[: len(header)]]
    filled = [unit for unit in units if unit]
    if not filled or any(map(str.strip, row[len(header) :])) or not all(find(unit) for unit in filled):
        return header, False
    units += [""] * (len(header) - len(units))
    return [f"{text} [{unit}]" if unit else text for text, unit in zip(header, units, strict=True)], True
