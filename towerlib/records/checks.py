"""Cells against the data dictionary: unreadable, out of range, blank where they must not be, or no name at all."""

import pandas as pd

from towerlib.records import ledger
from towerlib.records.tables import schema

SETTLED = ("towers", "visits")  # their positions are held against the line's towers before they are judged
_POSITION = ("latitude_deg", "longitude_deg")
_NAMELESS = {
    "is an error of the spreadsheet, not a name": ("#N/A", "#REF!", "#VALUE!", "#NAME?", "#DIV/0!", "#NULL!", "#NUM!", "#N/V"),
    "names nothing": ("n/a", "N/A", "n.a.", "-", "--", "---", "–", "—", "?", "??", ".", "nan", "NaN", "null", "NULL", "None"),
}
_SUMS = ("total", "totals", "sum", "mean", "average", "summe", "gesamt", "mittelwert", "somme", "moyenne", "suma", "soma", "média", "media", "promedio")


def flaws(rows, written, read, table):
    """Every flaw of the rows of one file.

    Parameters
    ----------
    rows : pandas.DataFrame
        Typed.
    written : dict of str to Series
        Cells as the file has them, by column.
    read : dict of str to Parsed
        What the readers made of the columns that needed one.
    table : str

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.ledger.flaws`.
    """
    wrong = [_unreadable(written[name], cells, name) for name, cells in read.items() if (cells.problem != "").any()]
    found = pd.concat([ledger.none(), *wrong]) if wrong else ledger.none()
    parts = [part for part in (found, _outside(rows, written, table, found), _nameless(rows, table)) if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else ledger.none()


def _unreadable(written, read, name):
    """The cells of one column that cannot be read."""
    bad = read.problem.index[read.problem != ""]
    return ledger.flaws(bad, name.replace("_leg_", "leg "), written.loc[bad], read.problem.loc[bad])


def _nameless(rows, table):
    """Rows whose own name is a dash, or an error value of a spreadsheet."""
    parts = []
    for name in schema(table).metadata["key"] or ():
        for reason, words in _NAMELESS.items():
            bad = rows.index[rows[name].isin(words)]
            if len(bad):
                parts.append(ledger.flaws(bad, name, rows.loc[bad, name], reason))
    return pd.concat(parts) if parts else ledger.none()


def _outside(rows, written, table, known):
    """Cells that are blank where they must not be, or out of the range of the dictionary."""
    from pandera.errors import SchemaErrors

    if _inside(rows, table):
        return ledger.none()
    try:
        schema(table).validate(rows[list(schema(table).columns)], lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases.dropna(subset=["index"])
    else:
        return ledger.none()
    cases = cases.assign(index=cases["index"].astype("int64"))
    if table in SETTLED:
        cases = cases[~cases["column"].isin(_POSITION)]
    told = pd.MultiIndex.from_frame(known[["index", "column"]])
    cases = cases[~pd.MultiIndex.from_frame(cases[["index", "column"]]).isin(told)]
    pairs = list(zip(cases["column"], cases["check"], strict=True))
    reasons = {pair: _sentence(table, *pair) for pair in set(pairs)}
    hints = _sums(rows.loc[cases["index"]])
    return pd.DataFrame(
        {
            "index": cases["index"],
            "column": cases["column"],
            "value": [_as_written(written, column, index) for column, index in zip(cases["column"], cases["index"], strict=True)],
            "reason": [reasons[pair] + (hint if pair[1] == "not_nullable" else "") for pair, hint in zip(pairs, hints, strict=True)],
        }
    ).astype({"column": "str", "value": "str", "reason": "str"})


def _as_written(written, column, index):
    """A cell as text, blank where there is none."""
    cell = written[column].loc[index] if column in written else None
    return "" if cell is None or cell is pd.NA or cell != cell else str(cell)


def _sums(rows):
    """A hint for rows that look like the totals below a table."""
    texts = rows.select_dtypes("str")
    first = texts.iloc[:, :4].apply(lambda column: column.str.strip(" :.=").str.lower().isin(_SUMS)).any(axis=1)
    return first.map({True: "; it looks like a row of totals", False: ""})


def _inside(rows, table):
    """Whether every number lies in its range and nothing needed is blank: the usual case, told at once."""
    for name, column in schema(table).columns.items():
        if not column.nullable and rows[name].isna().any():
            return False
        if column.metadata["kind"] == "number" and not (table in SETTLED and name in _POSITION):
            low, high = rows[name].min(), rows[name].max()
            if pd.notna(low) and not all(_holds(check, low, high) for check in column.checks):
                return False
    return True


def _holds(check, low, high):
    """Whether a range check holds for all numbers from low to high."""
    (bound,) = check.statistics.values()
    within = {
        "greater_than_or_equal_to": low >= bound,
        "less_than_or_equal_to": high <= bound,
        "greater_than": low > bound,
    }
    return within[check.name]


def _sentence(table, column, check):
    """Why a cell is out of range."""
    if check == "not_nullable":
        return "is blank, but every row needs it"
    unit = schema(table).columns[column].metadata["unit"]
    name, _, bound = str(check).partition("(")
    words = {"greater_than_or_equal_to": "at least", "less_than_or_equal_to": "at most", "greater_than": "above"}
    limit = f"{float(bound.rstrip(')')):,.10g}"
    return f"must be {words.get(name, name)} {limit} {'' if unit == '1' else unit}".strip()
