"""Names, units and number formats of the columns of lists and GIS layers, from the data dictionary."""

from __future__ import annotations

from functools import cache

from towerlib.dictionary import about, names

LIST, RETESTS, PACKAGES, CHANGES = "priority list", "retests", "plan packages", "changes"
TABLES = {LIST: "priority", PACKAGES: "packages"}  # of sheets that are called otherwise
IN_THE_FORMAT = {PACKAGES: ("currency",)}  # columns of the CSV that a sheet has in its number formats
MONEY = "money"  # replaced by the currency of the line
SUFFIXES = ("ohm", "ma", "v", "km", "m", "deg", "date")  # units that end the name of a column


@cache
def dictionary(part: str = LIST) -> dict[str, dict[str, str]]:
    """Unit, number format and meaning of every column of a list or layer.

    >>> dictionary()["gap_ma"]["unit"]
    'mA'
    >>> dictionary("retests")["due_date"]["format"]
    'yyyy-mm-dd'
    """
    table = TABLES.get(part, part.replace(" ", "-"))
    rows = {name: about(name, table) for name in names(table) if name not in IN_THE_FORMAT.get(part, ())}
    return {
        name: {
            "unit": "date" if row.type == "date" else row.unit,
            "format": row.format,
            "meaning": row.meaning,
        }
        for name, row in rows.items()
        if row is not None
    }


def in_currency(text: str, currency: str) -> str:
    """A unit or number format in the currency of a line; unchanged where it has none.

    >>> in_currency("1/money", "EUR"), in_currency("1/money", ""), in_currency("mA", "EUR")
    ('1/EUR', '1/money', 'mA')
    """
    return text.replace(MONEY, currency) if currency else text


def label(column: str, unit: str) -> str:
    """Name of a column as people read it.

    >>> label("footing_low_ohm", "Ω"), label("trip_outs_per_year", "1/year"), label("gap_z", "1")
    ('footing low [Ω]', 'trip outs per year [1/year]', 'gap z')
    """
    words = column.split("_")
    if unit not in ("", "1") and words[-1] in SUFFIXES and (unit != "date" or len(words) > 2):
        words = words[:-1]
    return " ".join(words) + (f" [{unit}]" if unit not in ("", "1", "date") else "")
