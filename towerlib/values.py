"""Constants and defaults of towerlib, each with its unit, status and source, from ``values.csv``."""

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

STATUSES = ("confirmed", "from memory", "common practice", "assumed")


@dataclass(frozen=True)
class Value:
    """A number with its unit, its status (one of `STATUSES`) and its source."""

    name: str
    number: float
    unit: str
    status: str
    source: str


@cache
def table() -> dict[str, Value]:
    """All values by name.

    Returns
    -------
    dict of str to Value
        As shipped in ``values.csv``.

    Examples
    --------
    >>> table()["network_soil_ohm_m"].status
    'common practice'
    """
    text = files("towerlib").joinpath("values.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(text.splitlines())
    return {row["name"]: Value(**{**row, "number": float(row["number"])}) for row in rows}


def number(name: str) -> float:
    """The number of one value.

    Parameters
    ----------
    name : str
        Name of a row of ``values.csv``.

    Returns
    -------
    float
        In the unit that the row states.

    Raises
    ------
    KeyError
        No such row, which is an error of the program, not of the user.

    Examples
    --------
    >>> number("coil_gain_percent"), number("coil_offset_ma")
    (3.0, 2.0)
    """
    return table()[name].number
