"""Tables of a line folder: their schemas, from the data dictionary.

A column that is not required may be missing or blank; a blank means "not recorded", never zero.
"""

from __future__ import annotations

from typing import Any

from pandera.pandas import Column, DataFrameSchema

from towerlib import dictionary
from towerlib.errors import RecordsError, nearest

TABLES = {name: dictionary.schema(name) for name, table in dictionary.tables().items() if table.is_input}
NEEDED = ("towers", "visits")  # without these two nothing can be ranked
SPLIT = ("visits", "legs", "sweeps")  # may come as many files, in a folder of that name


def schema(name: str) -> DataFrameSchema:
    """The schema of one table of a line folder, unit and kind of each column in its metadata; `RecordsError` without one."""
    if name not in TABLES:
        raise RecordsError(f"{name!r} is not a table of a line folder{nearest(name, TABLES)}")
    return TABLES[name]


def about(part: Column | DataFrameSchema) -> dict[str, Any]:
    """Properties that pandera has no field for: kind, unit and is_past of a column; key of a table."""
    return part.metadata or {}


def key(name: str) -> list[str]:
    """Columns that together name a row of a table; empty where rows have no name."""
    return list(about(schema(name))["key"])


def required(name: str) -> list[str]:
    """Columns without which a table cannot be read."""
    return [one for one, column in schema(name).columns.items() if column.required]
