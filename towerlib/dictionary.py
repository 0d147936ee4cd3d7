"""The data dictionary: what every column of every table means, in which type and unit, and the schemas made of it.

``dictionary.csv`` holds one row per meaning. Its `table` names the tables in which a column has that meaning; ``*`` is
every other table that has the column. ``tables.csv`` lists the tables, what one row of each is, and their columns in
order: ``name?`` may be missing, ``(table)`` stands for all columns of another table.

Types: `text`; `choice` (a text out of a list); `number`; `whole` and `whole or blank`; `yes/no` (or blank) and
`true/false` (never blank); `date` (a day); `instant` (with zone).
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import pandas as pd
from pandera.errors import SchemaErrors
from pandera.pandas import Check, Column, DataFrameSchema

ANYWHERE = "*"
BOUND = "_bound"  # ends the name of a column that says on which side of a figure the truth lies
INPUT = "line folder"  # where the tables are found that a user writes
DTYPES = {
    "text": "str",
    "choice": "str",
    "number": "float64",
    "whole": "int64",
    "whole or blank": "Int64",
    "yes/no": "boolean",
    "true/false": "bool",
    "date": "datetime64[ns]",
    "instant": "datetime64[ns, UTC]",
}
NUMBERS = ("number", "whole", "whole or blank")
PAST, MAY_BE_BLANK, ONE_OF = "not in the future", "may be blank", "one of "
LIMITS = {"≥ ": Check.ge, "≤ ": Check.le, "> ": Check.gt}


@dataclass(frozen=True)
class Meaning:
    """One meaning of a column; `table` names the tables in which it has that, ``*`` every other one.

    `format` is that of the cells in a workbook; `limits` is what a user's cells are compared with, separated by
    semicolons.
    """

    table: str
    column: str
    type: str
    unit: str
    format: str
    limits: str
    meaning: str


@dataclass(frozen=True)
class Table:
    """One table: where it is found, what a row is, its key, the columns that a user must fill, and all columns."""

    table: str
    found_in: tuple[str, ...]
    row: str
    key: tuple[str, ...]
    required: tuple[str, ...]
    columns: tuple[str, ...]

    @property
    def is_input(self) -> bool:
        """Whether a user writes it."""
        return self.found_in[0] == INPUT


@cache
def meanings() -> tuple[Meaning, ...]:
    """Every row of ``dictionary.csv``."""
    return tuple(Meaning(**row) for row in _rows("dictionary.csv"))


@cache
def tables() -> dict[str, Table]:
    """Every table by name, the tables of a line folder first."""
    found = {}
    for row in _rows("tables.csv"):
        words = {name: tuple(row[name].split()) for name in ("key", "required", "columns")}
        found[row["table"]] = Table(row["table"], tuple(row["found_in"].split("; ")), row["row"], **words)
    return found


def _rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(files("towerlib").joinpath(name).read_text(encoding="utf-8").splitlines()))


@cache
def _by_place() -> dict[tuple[str, str], Meaning]:
    """Meanings by table and column."""
    return {(table, row.column): row for row in meanings() for table in row.table.split()}


def about(column: str, table: str = ANYWHERE) -> Meaning | None:
    """Type, unit and meaning of a column (in one table, where that matters); None for one that the dictionary lacks."""
    known, name = _by_place(), column
    if (table, name) not in known and (ANYWHERE, name) not in known and name.endswith(BOUND):
        name = ANYWHERE + BOUND
    return known.get((table, name)) or known.get((ANYWHERE, name))


def meaning(column: str, table: str = ANYWHERE) -> str:
    """What a column means, blank where the dictionary does not know it."""
    found = about(column, table)
    return found.meaning if found else ""


def names(table: str) -> dict[str, bool]:
    """Columns of a table in order, and whether each may be missing."""
    return {word.rstrip("?"): word.endswith("?") for word in _words(table)}


def _words(table: str) -> Iterator[str]:
    """Columns of a table as ``tables.csv`` has them, those of other tables put in their place."""
    for word in tables()[table].columns:
        if word.startswith("("):
            yield from _words(word.strip("()"))
        else:
            yield word


@cache
def schema(table: str) -> DataFrameSchema:
    """Schema of a table such as ``"visits"`` or ``"trip-outs"``: type, unit and meaning of every column.

    `kind` and `unit` are in the metadata of a column, `key` in that of the table. A table that users write is also
    checked against the limits of its columns, and may have columns of its own. `KeyError` for an unknown table.

    >>> schema("legs").columns["leakage_ma"].metadata["unit"]
    'mA'
    """
    whole = tables()[table]
    columns = {}
    for name, may_miss in names(table).items():
        row = about(name, table)
        if row is None:
            raise KeyError(f"{table}.{name} has no row in dictionary.csv")
        column = _input_column(row, whole) if whole.is_input else _output_column(row, may_miss)
        columns[column.name] = column
    return DataFrameSchema(
        columns,
        name=table,
        description=whole.row,
        metadata={"key": whole.key},
        strict=not carries_own_columns(table),
    )


def carries_own_columns(table: str) -> bool:
    """Whether columns of the utility's own are carried along, which no dictionary can know."""
    return tables()[table].is_input or any(word.startswith("(visits") for word in tables()[table].columns)


def _output_column(row: Meaning, may_miss: bool) -> Column:
    """A column that the program makes: its type alone is held."""
    pattern = row.column.startswith(ANYWHERE)
    return Column(
        DTYPES[row.type],
        nullable=row.type not in ("whole", "true/false"),
        required=not may_miss,
        name=f".+{BOUND}$" if pattern else row.column,
        regex=pattern,
        description=row.meaning,
        metadata={"kind": row.type, "unit": row.unit},
    )


def _input_column(row: Meaning, whole: Table) -> Column:
    """A column that users write, with its limits."""
    limits = [limit for limit in row.limits.split("; ") if limit]
    required = row.column in whole.required
    return Column(
        {"choice": "str", "text": "str"}.get(row.type, DTYPES[row.type]),
        checks=[_check(limit) for limit in limits if limit not in (PAST, MAY_BE_BLANK)],
        nullable=MAY_BE_BLANK in limits or not required,
        required=required,
        name=row.column,
        description=row.meaning,
        metadata={"kind": row.type, "unit": row.unit, "is_past": PAST in limits},
    )


def _check(limit: str) -> Check:
    """A limit as a check."""
    if limit.startswith(ONE_OF):
        return Check.isin(tuple(limit.removeprefix(ONE_OF).split(", ")))
    return LIMITS[limit[:2]](float(limit[2:]))


@cache
def _by_file() -> dict[str, str]:
    """Table of each file of a report."""
    return {file: table.table for table in tables().values() for file in table.found_in if "." in file}


def checked(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """A table of a report (or its file, such as ``tables/plan.parquet``), checked against its schema before it is written.

    A column without any value, or of whole figures among numbers, gets the type of the dictionary, so that files of
    several lines fit. `TypeError` where a column is missing, unknown or of another type: a fault of the program, not of
    the records.
    """
    name = _by_file().get(name, name)
    contract = schema(name)
    typed = table.astype(_lossless(table, name))
    try:
        contract.validate(typed, lazy=True)
    except SchemaErrors as flaws:
        first = flaws.failure_cases.iloc[0]
        of_table = first["schema_context"] == "DataFrameSchema"
        column = first["failure_case"] if of_table else first["column"]
        raise TypeError(
            f"table {name}, column {column}: {first['check']}, found {first['failure_case']}"
        ) from None
    return typed


def _lossless(table: pd.DataFrame, name: str) -> dict[str, str]:
    """Types of the columns that lose nothing by taking that of the dictionary: blank ones, whole figures."""
    found = {}
    for column in map(str, table.columns):
        row, cells = about(column, name), table[column]
        if row is None:
            continue
        blank = bool(cells.isna().all()) and (row.type not in ("whole", "true/false") or table.empty)
        if blank or (row.type == "number" and cells.dtype.kind == "i"):
            found[column] = DTYPES[row.type]
    return found


def document() -> str:
    """The data dictionary as Markdown, one section per table: those of a line folder first, then those of a report."""
    parts = []
    for name, table in tables().items():
        parts += [f"## {name}: one row is {table.row}", ""]
        parts += [] if table.is_input else [f"In {', '.join(table.found_in)}.", ""]
        parts += ["| column | unit or kind | meaning |", "|---|---|---|"]
        parts += [_document_row(column, about(column, name), table) for column in names(name)]
        parts.append("")
    return "\n".join(parts)


def _document_row(column: str, row: Meaning | None, table: Table) -> str:
    """One line of the documentation; a star marks a column that a user's table must have."""
    assert row is not None  # `schema` and the tests see to it
    unit = row.unit if row.type in NUMBERS else row.type
    limits = [_shown(limit) for limit in row.limits.split("; ") if limit and limit != MAY_BE_BLANK]
    words = [row.meaning, *(limits if table.is_input else [])]
    return f"| {'★ ' if column in table.required else ''}`{column}` | {unit} | {'; '.join(words)} |"


def _shown(limit: str) -> str:
    """A limit as people read it."""
    if limit.startswith(ONE_OF):
        return ONE_OF + ", ".join(f"`{word}`" for word in limit.removeprefix(ONE_OF).split(", "))
    return limit
