"""Cells of one file to the types of the data dictionary, with a flaw for each cell that cannot be read."""

from dataclasses import dataclass

import pandas as pd

from towerlib.records import dates, ledger, parse
from towerlib.records.parsed import Parsed, parsed
from towerlib.records.tables import schema
from towerlib.records.units import factor

BLANK = {"number": "float64", "date": "datetime64[ns]", "instant": "datetime64[ns, UTC]", "yes/no": "boolean"}
POSITION = ("latitude_deg", "longitude_deg")
LEG = "_leg_"  # marks the leg currents of a file with one row a visit, until they become rows of legs


@dataclass(frozen=True)
class Cells:
    """Typed rows of one file, what is wrong in them, and what was repaired."""

    rows: pd.DataFrame
    flaws: pd.DataFrame
    repairs: pd.DataFrame


def read(raw, headings, table, file):
    """Typed rows of one file.

    Parameters
    ----------
    raw : Raw
        Cells as the file has them.
    headings : list of Heading
        What each column means.
    table : str
        Name of the table.
    file : str
        As people see it.

    Returns
    -------
    Cells
        `rows` has every column of the dictionary (blank where the file has none), the utility's own columns,
        and `_file`, `_row`; flaws and repairs refer to its index.
    """
    columns = schema(table).columns
    named = {heading.name or LEG + heading.leg: place for place, heading in enumerate(headings) if heading.name or heading.leg}
    written = {name: raw.cells[place] for name, place in named.items()}
    plain = {name: _plain(written[name], columns.get(name), headings[place].unit) for name, place in named.items()}
    plain = {name: values for name, values in plain.items() if values is not None}
    decimal = _decimal(raw, written, columns)
    read = {
        name: _parsed(written[name], columns.get(name), headings[place].unit, decimal)
        for name, place in named.items()
        if name not in plain
    }
    if {*POSITION} <= {*written} and not {*POSITION} <= {*plain}:
        read |= _positions(written)
        plain = {name: values for name, values in plain.items() if name not in POSITION}
    rows = _rows(raw, headings, plain, read, columns).assign(_file=file, _row=raw.rows.to_numpy())
    wrong = [_flaws(written[name], cells, name) for name, cells in read.items() if (cells.problem != "").any()]
    flaws = pd.concat([ledger.none(), *wrong])
    flaws = pd.concat([flaws, _outside(rows, table, flaws)], ignore_index=True)
    mended = [_repairs(written[name], cells, name) for name, cells in read.items() if cells.repaired.any()]
    repairs = [ledger.no_repairs(), *mended]
    return Cells(rows, flaws, pd.concat(repairs, ignore_index=True))


def empty(table):
    """A table without rows, with every column of the dictionary."""
    none = pd.RangeIndex(0)
    columns = {name: _blank(column, none) for name, column in schema(table).columns.items()}
    return pd.DataFrame(columns).assign(_file=pd.Series(dtype="str"), _row=pd.Series(dtype="int64"))


def _rows(raw, headings, plain, read, columns):
    """All columns side by side: the dictionary's, those that say on which side of a bound a reading lies, the rest."""
    values = plain | {name: cells.values for name, cells in read.items()}
    blank = {name: _blank(column, raw.cells.index) for name, column in columns.items() if name not in values}
    bounds = {f"{name}_bound": cells.censored for name, cells in read.items() if (cells.censored != "").any()}
    own = {
        heading.text or f"column {place + 1}": raw.cells[place]
        for place, heading in enumerate(headings)
        if not heading.name and not heading.leg
    }
    ordered = {name: (values | blank)[name] for name in columns}
    return pd.DataFrame(ordered | {name: values[name] for name in values if name not in columns} | bounds | own)


def _decimal(raw, written, columns):
    """The decimal mark of a file with ``;`` between its cells: a comma, unless a number of it shows a point."""
    if not raw.semicolons:
        return None
    numbers = [cells for name, cells in written.items() if name not in columns or columns[name].metadata["kind"] == "number"]
    points = any(pd.api.types.is_float_dtype(cells.dtype) and (cells.dropna() % 1 != 0).any() for cells in numbers)
    return None if points else ","


def _plain(cells, column, unit):
    """A column that needs no reading, or None: numbers in their unit, dates, truths and trimmed text."""
    kind = column.metadata["kind"] if column else "number"
    if kind == "text":
        return _text(cells)
    is_truth = pd.api.types.is_bool_dtype(cells.dtype)
    if kind == "number" and not unit and pd.api.types.is_numeric_dtype(cells.dtype) and not is_truth:
        return cells.astype("float64")
    if kind in ("date", "instant") and pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return cells
    return cells.astype("boolean") if kind == "yes/no" and is_truth else None


def _parsed(cells, column, unit, decimal):
    """One column through the reader of its kind."""
    kind = column.metadata["kind"] if column else "number"
    if kind == "number":
        return _number(cells, column.metadata["unit"] if column else "mA", unit, decimal)
    readers = {
        "choice": lambda text: parse.choice(text, column.checks[0].statistics["allowed_values"]),
        "date": dates.dates,
        "instant": dates.instants,
        "yes/no": parse.yes_no,
    }
    return _each_once(readers[kind], _text(cells))


def _each_once(reader, text):
    """What a reader makes of a column in which few texts stand many times: each is read once."""
    codes, distinct = text.factorize(use_na_sentinel=False)
    read = reader(pd.Series(distinct, dtype="str"))
    spread = (part.take(codes).set_axis(text.index) for part in (read.values, read.repaired, read.censored, read.problem))
    return Parsed(*spread)


def _number(cells, unit, unit_in_header, decimal):
    """One column of numbers, in the unit of the dictionary."""
    plain = pd.api.types.is_numeric_dtype(cells.dtype) and not pd.api.types.is_bool_dtype(cells.dtype)
    here = unit_in_header or unit
    read = parsed(cells.astype("float64")) if plain else parse.numbers(_text(cells), here, decimal=decimal)
    scale = factor(here, unit) if here != unit else 1.0
    if pd.isna(scale):
        problem = pd.Series("", index=cells.index, dtype="str").mask(cells.notna(), f"the header states {here}, not {unit}")
        return parsed(read.values, problem=problem)
    return read if scale == 1.0 else parsed(
        read.values * scale, repaired=read.repaired, censored=read.censored, problem=read.problem
    )


def _positions(written):
    """Latitude and longitude, read together: one may hold the other's hemisphere."""
    from towerlib.records import coordinates

    pair = coordinates.coordinates(*(_text(written[name]) for name in POSITION))
    return dict(zip(POSITION, pair, strict=True))


def _text(cells):
    """Cells as trimmed text, blank as missing; whole numbers without a fraction."""
    if pd.api.types.is_float_dtype(cells.dtype):
        whole = (cells.dropna() % 1 == 0).all()
        cells = cells.astype("Int64") if whole else cells
    text = cells.astype("str").str.strip()
    blank = text == ""
    return text.mask(blank) if blank.any() else text


def _blank(column, index):
    """A column that the file does not have."""
    return pd.Series(index=index, dtype=BLANK.get(column.metadata["kind"], "str"))


def _flaws(written, read, name):
    """The cells of one column that cannot be read."""
    bad = read.problem.index[read.problem != ""]
    return ledger.flaws(bad, name.removeprefix(LEG), written.loc[bad], read.problem.loc[bad])


def _repairs(written, read, name):
    """The cells of one column that were read as something other than their text."""
    mended = read.repaired.index[read.repaired & (read.problem == "")]
    entries = {
        "column": name.removeprefix(LEG),
        "value": written.loc[mended].astype("str"),
        "used": (read.censored.loc[mended] + read.values.loc[mended].astype("str")),
        "reason": "read in another form than it was written",
    }
    return pd.DataFrame(entries, index=mended).astype("str").rename_axis("index").reset_index()


def _outside(rows, table, known):
    """Cells that are blank where they must not be, or out of the range of the dictionary."""
    from pandera.errors import SchemaErrors

    if _inside(rows, schema(table)):
        return ledger.none()
    try:
        schema(table).validate(rows[list(schema(table).columns)], lazy=True)
    except SchemaErrors as errors:
        cases = errors.failure_cases.dropna(subset=["index"])
    else:
        return ledger.none()
    cases = cases.assign(index=cases["index"].astype("int64"))
    told = pd.MultiIndex.from_frame(known[["index", "column"]])
    cases = cases[~pd.MultiIndex.from_frame(cases[["index", "column"]]).isin(told)]
    reasons = {pair: _sentence(table, *pair) for pair in set(zip(cases["column"], cases["check"], strict=True))}
    return pd.DataFrame(
        {
            "index": cases["index"],
            "column": cases["column"],
            "value": cases["failure_case"].where(cases["failure_case"].notna(), "").astype("str"),
            "reason": [reasons[pair] for pair in zip(cases["column"], cases["check"], strict=True)],
        }
    ).astype({"column": "str", "value": "str", "reason": "str"})


def _inside(rows, dictionary):
    """Whether every number lies in its range and nothing needed is blank: the usual case, told at once."""
    for name, column in dictionary.columns.items():
        if not column.nullable and rows[name].isna().any():
            return False
        if column.metadata["kind"] == "number":
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
    return f"must be {words.get(name, name)} {bound.rstrip(')')} {'' if unit == '1' else unit}".strip()
