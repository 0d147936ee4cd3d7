"""The account of every input row: used, repaired (with the original) or rejected (with the reason)."""

from functools import cache

import pandas as pd

REJECTED = ["table", "file", "row", "column", "value", "reason"]
REPAIRED = ["table", "file", "row", "column", "value", "used", "reason"]


def rejected(entries=()):
    """The table of rejected rows, one row an input row that is not used.

    Parameters
    ----------
    entries : iterable of tuple
        (table, file, row, column, value, reason); row may be None where a whole file is refused.

    Returns
    -------
    pandas.DataFrame
        Columns table, file, row, column, value, reason.

    Examples
    --------
    >>> rejected([("visits", "visits.csv", 7, "date", "soon", "is no date")]).loc[0, "row"]
    np.int64(7)
    """
    return _frame(entries, REJECTED)


def repaired(entries=()):
    """The table of repaired cells: the value as written, the value used, and why.

    Parameters
    ----------
    entries : iterable of tuple
        (table, file, row, column, value, used, reason).

    Returns
    -------
    pandas.DataFrame
        Columns table, file, row, column, value, used, reason.
    """
    return _frame(entries, REPAIRED)


def _frame(entries, columns):
    entries = list(entries)
    return _typed(entries, columns) if entries else _without_entries(tuple(columns))


@cache
def _without_entries(columns):
    """The empty ledger; it is asked for so often that making it anew would take longer than reading a file."""
    return _typed([], list(columns))


def _typed(entries, columns):
    frame = pd.DataFrame(entries, columns=columns)
    texts = {name: "str" for name in columns if name != "row"}
    return frame.astype({**texts, "row": "Int64"})


def reject(table, read, flaws):
    """Rows of a table that stand, and the ledger entries of those that do not.

    A row with several flaws is one entry: its first flaw, with the others in the reason.

    Parameters
    ----------
    table : str
        Name of the table.
    read : pandas.DataFrame
        Rows so far, with `file` and `row` of each in `_file` and `_row`.
    flaws : pandas.DataFrame
        Columns index (of `read`), column, value, reason.

    Returns
    -------
    (pandas.DataFrame, pandas.DataFrame)
        Standing rows with their index as before, and entries in the form of `rejected`.
    """
    if flaws.empty:
        return read, rejected()
    first = flaws.drop_duplicates("index").set_index("index")
    more = flaws[flaws.duplicated("index")]
    also = (more["column"] + " " + more["reason"]).groupby(more["index"]).agg("; ".join)
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
    return read.drop(index=first.index), entries[REJECTED]


def fallen(table, read, flaws):
    """Names of the rows that a rejection takes away, so that what hangs on them can be told why it falls.

    Parameters
    ----------
    table : str
    read : pandas.DataFrame
        Rows before.
    flaws : pandas.DataFrame
        As `reject` takes them.

    Returns
    -------
    frozenset of str
        Empty for a table on which nothing hangs.
    """
    if table not in ("towers", "visits") or flaws.empty:
        return frozenset()
    name = f"{table.removesuffix('s')}_id"
    return frozenset(read.loc[flaws["index"].unique(), name].dropna())


def flaws(index, column, value, reason):
    """Flaws of some rows in one column, in the form that `reject` takes.

    Parameters
    ----------
    index : pandas.Index
        Rows.
    column : str
    value, reason : str or pandas.Series
        As written, and the sentence; a Series is aligned to `index`.

    Returns
    -------
    pandas.DataFrame
        Columns index, column, value, reason.
    """
    frame = pd.DataFrame({"column": column, "value": value, "reason": reason}, index=index)
    return frame.rename_axis("index").reset_index().astype({"value": "str", "reason": "str"})


@cache
def none():
    """No flaws, in the form of `flaws`."""
    return flaws(pd.RangeIndex(0), "", "", "")


@cache
def no_repairs():
    """No repairs, in the form that `mended` takes."""
    columns = ["index", "column", "value", "used", "reason"]
    return pd.DataFrame(columns=columns).astype(dict.fromkeys(columns[1:], "str") | {"index": "int64"})


def mended(table, read, repairs):
    """The repaired cells of the rows that stand, in the form of `repaired`.

    Parameters
    ----------
    table : str
        Name of the table.
    read : pandas.DataFrame
        Standing rows with `_file` and `_row`.
    repairs : pandas.DataFrame
        Columns index (of `read`), column, value, used, reason.

    Returns
    -------
    pandas.DataFrame
    """
    if repairs.empty:
        return repaired()
    standing = repairs[repairs["index"].isin(read.index)]
    places = read.loc[standing["index"], ["_file", "_row"]].set_axis(["file", "row"], axis=1)
    entries = standing.drop(columns="index").assign(
        table=table, file=places["file"].to_numpy(), row=places["row"].to_numpy()
    )
    return entries[REPAIRED].astype({"row": "Int64"})


def by_file(read):
    """Rows in, used, repaired and rejected of each file.

    Parameters
    ----------
    read : dict of str to Table
        Tables with their rows, rejected and repaired entries, and `rows_in` by file.

    Returns
    -------
    pandas.DataFrame
        One row a table and file; columns rows_in, used, repaired (of the used), rejected.
    """
    parts = {
        (name, file): {
            "rows_in": count,
            "used": len(table.rows) if len(table.rows_in) == 1 else int((table.rows["_file"] == file).sum()),
            "repaired": table.repaired.loc[table.repaired["file"] == file, "row"].nunique(),
            "rejected": int((table.rejected["row"].notna() & (table.rejected["file"] == file)).sum()),
        }
        for name, table in read.items()
        for file, count in table.rows_in.items()
    }
    columns = ["rows_in", "used", "repaired", "rejected"]
    index = pd.MultiIndex.from_tuples(list(parts), names=["table", "file"])
    return pd.DataFrame(list(parts.values()), index=index, columns=columns).astype("int64")
