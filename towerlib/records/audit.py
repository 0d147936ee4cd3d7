"""The audit of rows: every input row is used, repaired (with the original) or rejected (with the reason).

Readers describe what is wrong as a table of *flaws* and what they changed as a table of *repairs*, both by the index
of the rows. `reject` and `repaired_cells` turn them into entries with file and row number, as people look them up;
`by_file` counts them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.records.load import Table

REJECTED = ["table", "file", "row", "column", "value", "reason"]
REPAIRS = ["column", "value", "used", "reason"]
REPAIRED = ["table", "file", "row", "column", "value", "used", "reason"]


def rejected(entries: Iterable[tuple] = ()) -> pd.DataFrame:
    """The table of rejected rows, one per input row that is not used; the row is None where a whole file is refused."""
    return _entries(entries, REJECTED)


def repaired(entries: Iterable[tuple] = ()) -> pd.DataFrame:
    """The table of repaired cells: table, file, row, column, value as written, value used, reason."""
    return _entries(entries, REPAIRED)


def _entries(entries: Iterable[tuple], columns: Sequence[str]) -> pd.DataFrame:
    """Entries as a table; one empty table serves every caller without entries."""
    entries = list(entries)
    return _typed(entries, columns) if entries else _no_entries(tuple(columns))


@cache
def _no_entries(columns: tuple[str, ...]) -> pd.DataFrame:
    """A table without entries; building it each time would take longer than reading a small file."""
    return _typed([], columns)


def _typed(entries: list[tuple], columns: Sequence[str]) -> pd.DataFrame:
    """Entries as a table with text columns and an integer row number."""
    texts = {name: "str" for name in columns if name != "row"}
    return pd.DataFrame(entries, columns=[*columns]).astype({**texts, "row": "Int64"})


def flaws(index: pd.Index, column: str, value: str | pd.Series, reason: str | pd.Series) -> pd.DataFrame:
    """Flaws of some rows in one column, in the form that `reject` takes: index, column, value as written, reason.

    A Series of values or reasons is aligned to `index`.
    """
    frame = pd.DataFrame({"column": column, "value": value, "reason": reason}, index=index)
    return frame.rename_axis("index").reset_index().astype({"value": "str", "reason": "str"})


@cache
def no_flaws() -> pd.DataFrame:
    """No flaws, in the form of `flaws`."""
    return flaws(pd.RangeIndex(0), "", "", "")


def repairs(index: ArrayLike, column: str, value: Any, used: Any, reason: Any) -> pd.DataFrame:
    """Repairs of some rows in one column, in the form that `repaired_cells` takes."""
    cells = {"index": index, "column": column, "value": value, "used": used, "reason": reason}
    return pd.DataFrame(cells).astype(dict.fromkeys(REPAIRS, "str"))


@cache
def no_repairs() -> pd.DataFrame:
    """No repairs, in the form that `repaired_cells` takes."""
    return repairs(np.empty(0, "int64"), "", [], [], [])


def reject(table: str, read: pd.DataFrame, flaws: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The rows without flaws, index unchanged, and one audit entry per row with flaws: the first, the others in its reason.

    `read` has the `file` and `row` of each in `_file` and `_row`; `flaws` has index (of `read`), column, value, reason.
    """
    if flaws.empty:
        return read, rejected()
    first = flaws.drop_duplicates("index").set_index("index")
    more = flaws[flaws.duplicated("index")]
    sentences = pd.Series(more["column"] + " " + more["reason"])
    also = sentences.groupby(more["index"]).agg("; ".join)
    reason = first["reason"].where(
        ~first.index.isin(also.index), first["reason"].str.rstrip(".") + "; also " + also.reindex(first.index)
    )
    rows = read.loc[first.index]
    entries = pd.DataFrame(
        {
            "table": table,
            "file": rows["_file"],
            "row": rows["_row"],
            "column": first["column"],
            "value": first["value"],
            "reason": reason,
        }
    )
    return read.drop(index=first.index), cast("pd.DataFrame", entries[REJECTED])


def rejected_ids(table: str, read: pd.DataFrame, flaws: pd.DataFrame) -> frozenset[str]:
    """Names of the rejected towers or visits, so that the rows that refer to them are rejected with that reason.

    `read` is before the rejection. Empty for a table to which no other table refers.
    """
    if table not in ("towers", "visits") or flaws.empty:
        return frozenset()
    name = f"{table.removesuffix('s')}_id"
    return frozenset(read.loc[flaws["index"].unique(), name].dropna())


def repaired_cells(table: str, read: pd.DataFrame, repairs: pd.DataFrame) -> pd.DataFrame:
    """The repaired cells of the rows in use, in the form of `repaired`; `repairs` has index, column, value, used, reason."""
    if repairs.empty:
        return repaired()
    in_use = repairs[repairs["index"].isin(list(read.index))]
    places = read.loc[in_use["index"], ["_file", "_row"]].set_axis(["file", "row"], axis=1)
    entries = in_use.drop(columns="index").assign(
        table=table, file=places["file"].to_numpy(), row=places["row"].to_numpy()
    )
    return cast("pd.DataFrame", entries[REPAIRED]).astype({"row": "Int64"})


def by_file(read: Mapping[str, Table]) -> pd.DataFrame:
    """One row per table and file: rows_in, used, repaired (of the used), rejected."""
    parts = {(name, file): _counts(table, file) for name, table in read.items() for file in table.rows_in}
    columns = ["rows_in", "used", "repaired", "rejected"]
    index = pd.MultiIndex.from_tuples(list(parts), names=["table", "file"])
    return pd.DataFrame(list(parts.values()), index=index, columns=columns).astype("int64")


def _counts(table: Table, file: str) -> dict[str, int]:
    """Rows of one file of a table: in, used, repaired, rejected."""
    is_only = len(table.rows_in) == 1  # then the rows need not be compared with the name of the file
    repaired = table.repaired.loc[table.repaired["file"] == file, "row"]
    rejected = table.rejected["row"].notna() & (table.rejected["file"] == file)
    return {
        "rows_in": table.rows_in[file],
        "used": len(table.rows) if is_only else int(np.count_nonzero(table.rows["_file"] == file)),
        "repaired": len(set(repaired)),
        "rejected": int(np.count_nonzero(rejected)),
    }
