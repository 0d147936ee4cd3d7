"""Cells against the data dictionary: unreadable, out of range, blank where they must not be, or no name at all."""

import operator

import numpy as np
import pandas as pd

from towerlib.records import ledger
from towerlib.records.tables import schema

SETTLED = ("towers", "visits")  # their positions are held against the line's towers before they are judged
_POSITION = ("latitude_deg", "longitude_deg")
_NAMELESS = {
    "is an error of the spreadsheet, not a name": (
        "#N/A",
        "#REF!",
        "#VALUE!",
        "#NAME?",
        "#DIV/0!",
        "#NULL!",
        "#NUM!",
        "#N/V",
    ),
    "names nothing": (
        "n/a",
        "N/A",
        "n.a.",
        "-",
        "--",
        "---",
        "–",
        "—",
        "?",
        "??",
        ".",
        "nan",
        "NaN",
        "null",
        "NULL",
        "None",
    ),
}
_SUMS = (
    "total",
    "totals",
    "sum",
    "mean",
    "average",
    "summe",
    "gesamt",
    "mittelwert",
    "somme",
    "moyenne",
    "suma",
    "soma",
    "média",
    "media",
    "promedio",
)
_SUM = "is a sum, not a leg; leakage_total_ma of the visit takes it"
BLANK = "is blank, but every row needs it"
_RULES = {
    "greater_than_or_equal_to": ("at least", operator.ge),
    "less_than_or_equal_to": ("at most", operator.le),
    "greater_than": ("above", operator.gt),
}


def flaws(rows, written, read, table, latest):
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
    latest : pandas.Timestamp
        Last day that a record can be of.

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.ledger.flaws`.
    """
    wrong = [
        _unreadable(written[name], cells, name) for name, cells in read.items() if (cells.problem != "").any()
    ]
    found = pd.concat([ledger.none(), *wrong]) if wrong else ledger.none()
    parts = [
        part
        for part in (found, _outside(rows, written, table, found, latest), _nameless(rows, table))
        if len(part)
    ]
    return pd.concat(parts, ignore_index=True) if parts else ledger.none()


def _unreadable(written, read, name):
    """The cells of one column that cannot be read."""
    bad = read.problem.index[read.problem != ""]
    return ledger.flaws(bad, name.replace("_leg_", "leg "), written.loc[bad], read.problem.loc[bad])


def _nameless(rows, table):
    """Rows whose own name is a dash, an error value of a spreadsheet, or in place of a leg the sum of all legs."""
    name = (schema(table).metadata["key"] or ("",))[-1]  # a visit_id beside a leg is held against the visits
    if not name or rows.empty:
        return ledger.none()
    words = dict(_NAMELESS) | ({_SUM: _sum_words(rows["leg"])} if table == "legs" else {})
    parts = [_among(rows, name, reason, list(of_it)) for reason, of_it in words.items() if len(of_it)]
    return pd.concat([ledger.none(), *parts])


def _sum_words(legs):
    """Names of legs that mean all of them."""
    return [leg for leg in legs.dropna().unique() if leg.strip(" :.=").lower() in _SUMS]


def _among(rows, name, reason, words):
    """Flaws of the cells of one column that are one of some words."""
    bad = rows.index[rows[name].isin(words)]
    return ledger.flaws(bad, name, rows.loc[bad, name], reason) if len(bad) else ledger.none()


def _outside(rows, written, table, known, latest):
    """Cells that are blank where they must not be, or out of the range of the dictionary."""
    parts = []
    for name, column in schema(table).columns.items():
        for bad, reason in _breaches(rows[name], name, column, table, latest):
            bad = bad[~bad.isin(known.loc[known["column"] == name, "index"])]
            if len(bad):
                value = written[name].loc[bad].astype("str").fillna("") if name in written else ""
                parts.append(ledger.flaws(bad, name, value, reason))
    return _with_hints(pd.concat(parts, ignore_index=True), rows) if parts else ledger.none()


def _with_hints(found, rows):
    """Flaws in which a row of totals is called one, and counts as one flaw."""
    is_sum = _sums(rows.loc[found["index"]]).to_numpy() & (found["reason"] == BLANK)
    found = found.assign(reason=found["reason"].mask(is_sum, BLANK + "; it looks like a row of totals"))
    return found[~(is_sum & found.duplicated("index"))]


def _breaches(cells, name, column, table, latest):
    """Rows that break one rule of a column, and the rule in words."""
    if not column.nullable and cells.isna().any():
        yield cells.index[cells.isna()], BLANK
    if column.metadata["is_past"]:
        bound = latest + pd.Timedelta(days=1)  # instants count up to the end of that day in universal time
        late = cells >= (bound.tz_localize("UTC") if column.metadata["kind"] == "instant" else bound)
        yield cells.index[late], f"lies in the future: dates count up to {latest:%Y-%m-%d}; correct the date"
    if column.metadata["kind"] != "number" or (table in SETTLED and name in _POSITION):
        return
    numbers = cells.to_numpy()
    low, high = (np.fmin.reduce(numbers), np.fmax.reduce(numbers)) if len(numbers) else (np.nan, np.nan)
    if np.isnan(low):
        return
    for check in column.checks:
        (bound,) = check.statistics.values()
        words, holds = _RULES[check.name]
        if not (holds(low, bound) and holds(high, bound)):  # only then is every cell looked at
            unit = column.metadata["unit"]
            broken = cells.index[cells.notna() & ~holds(cells, bound)]
            yield broken, f"must be {words} {bound:,.10g} {'' if unit == '1' else unit}".strip()


def _sums(rows):
    """Whether rows look like the totals below a table."""
    texts = rows.select_dtypes("str").iloc[:, :4]
    return texts.apply(lambda column: column.str.strip(" :.=").str.lower().isin(_SUMS)).any(axis=1)
