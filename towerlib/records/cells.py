"""Cells of one file to the types of the data dictionary, with a flaw for each cell that cannot be read."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.records import checks, dates, parse, repairs
from towerlib.records.columns import synonyms
from towerlib.records.marks import LONE_POINT
from towerlib.records.parsed import Parsed, parsed
from towerlib.records.tables import schema
from towerlib.records.units import factor

BLANK = {"number": "float64", "date": "datetime64[ns]", "instant": "datetime64[ns, UTC]", "yes/no": "boolean"}
POSITION = ("latitude_deg", "longitude_deg")
LEG = "_leg_"  # marks the leg currents of a file with one row a visit, until they become rows of legs
BOUND = "_bound"  # ends the name of the column that says on which side of the value the truth lies
LONGEST = 200  # characters of a cell that is no free text
_LONE = rf"{LONE_POINT}|{LONE_POINT.replace(chr(92) + '.', ',')}"  # 1.234 and 1,234
_COMMA = r"[+-]?[0-9]*,(?:[0-9]{1,2}|[0-9]{4,})|[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+|[+-]?0,[0-9]+"
_POINT = r"[+-]?[0-9]*\.(?:[0-9]{1,2}|[0-9]{4,})|[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+|[+-]?0\.[0-9]+"


@dataclass(frozen=True)
class Cells:
    """Typed rows of one file, what is wrong in them, and what was repaired."""

    rows: pd.DataFrame
    flaws: pd.DataFrame
    repairs: pd.DataFrame


def read(raw, headings, table, file, latest):
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
    latest : pandas.Timestamp
        Last day that a record can be of.

    Returns
    -------
    Cells
        `rows` has every column of the dictionary (blank where the file has none), the utility's own columns,
        and `_file`, `_row`; flaws and repairs refer to its index.
    """
    columns = schema(table).columns
    named = {
        heading.name or LEG + heading.leg: place
        for place, heading in enumerate(headings)
        if heading.name or heading.leg
    }
    written = {name: raw.cells[place] for name, place in named.items()}
    plain = {
        name: _plain(written[name], columns.get(name), headings[place].unit, raw.is_tight)
        for name, place in named.items()
    }
    plain = {name: values for name, values in plain.items() if values is not None}
    decimal = _decimal(raw, written, columns)
    hard = {name: headings[place].unit for name, place in named.items() if name not in plain}
    read = {name: _parsed(written[name], columns.get(name), unit, decimal) for name, unit in hard.items()}
    read |= _days(
        written, [name for name in hard if name in columns and columns[name].metadata["kind"] == "date"], read
    )
    if {*POSITION} <= {*written} and not {*POSITION} <= {*plain}:
        read |= _positions(written, may_be_settled=table in checks.SETTLED)
        plain = {name: values for name, values in plain.items() if name not in POSITION}
    rows = _rows(raw, headings, plain, read, columns).assign(_file=file, _row=raw.rows.to_numpy())
    flaws = checks.flaws(rows, written, read, table, latest)
    mended = repairs.repairs(raw, headings, read, columns)
    return Cells(rows, flaws, mended)


def empty(table):
    """A table without rows, with every column of the dictionary."""
    none = pd.RangeIndex(0)
    columns = {name: _blank(column, none) for name, column in schema(table).columns.items()}
    return pd.DataFrame(columns).assign(_file=pd.Series(dtype="str"), _row=pd.Series(dtype="int64"))


def _rows(raw, headings, plain, read, columns):
    """All columns side by side: the dictionary's, those that say on which side of a bound a reading lies, the rest."""
    values = plain | {name: cells.values for name, cells in read.items()}
    blank = {name: _blank(column, raw.cells.index) for name, column in columns.items() if name not in values}
    bounds = {name + BOUND: cells.censored for name, cells in read.items() if (cells.censored != "").any()}
    ordered = {name: (values | blank)[name] for name in columns}
    ours = ordered | {name: values[name] for name in values if name not in columns} | bounds
    return pd.DataFrame(ours | _own(raw, headings, {*ours, "_file", "_row", "tower_as_written"}), copy=False)


def _own(raw, headings, taken):
    """The utility's own columns under their headers, with a number where a name is taken; blank ones are left out."""
    own = {}
    for place, heading in enumerate(headings):
        if heading.name or heading.leg:
            continue
        cells = raw.cells[place]
        if not heading.text and cells.isna().all():
            continue
        name = text = heading.text or f"column {place + 1}"
        count = 1
        while name in taken or name in own or name.startswith(LEG):
            count += 1
            name = f"{text} ({count})".lstrip("_")
        own[name] = cells if cells.dtype != object else cells.astype("str")
    return own


def _decimal(raw, written, columns):
    """The decimal mark that a text file uses: "," or ".", "?" where it uses both or shows neither, None for unknown.

    Between semicolons a comma may be the decimal mark, so there the file must show which it is; elsewhere a
    file without any decimal comma has points, and its columns are told one by one.
    """
    if not raw.separator:
        return None
    numbers = [
        cells
        for name, cells in written.items()
        if name not in POSITION and (name not in columns or columns[name].metadata["kind"] == "number")
    ]
    texts = [cells.str.strip() for cells in numbers if cells.dtype == "str"]
    if raw.separator != ";" and not texts:
        return None
    comma = any(cells.str.fullmatch(_COMMA, na=False).any() for cells in texts)
    point = any(cells.str.fullmatch(_POINT, na=False).any() for cells in texts)
    point = point or any(pd.api.types.is_float_dtype(cells.dtype) and _is_broken(cells) for cells in numbers)
    if comma != point:
        return "," if comma else None
    return "?" if comma or raw.separator == ";" else None


def _is_broken(numbers):
    """Whether any finite number has a fraction."""
    finite = numbers[np.isfinite(numbers)]
    return bool((finite % 1 != 0).any())


def _plain(cells, column, unit, is_tight):
    """A column that needs no reading, or None: numbers in their unit, days, instants, truths and trimmed text."""
    kind = column.metadata["kind"] if column else "number"
    if kind == "text":
        return cells if is_tight and cells.dtype == "str" else _text(cells)
    is_truth = pd.api.types.is_bool_dtype(cells.dtype)
    if kind == "number" and not unit and pd.api.types.is_numeric_dtype(cells.dtype) and not is_truth:
        numbers = cells.astype("float64")
        return None if np.isinf(numbers.to_numpy()).any() else numbers
    if isinstance(cells.dtype, pd.DatetimeTZDtype):
        return cells.dt.tz_convert("UTC").dt.as_unit("ns") if kind == "instant" else None
    if kind == "date" and pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return cells.dt.as_unit("ns") if (cells.dropna().dt.normalize() == cells.dropna()).all() else None
    if kind in ("choice", "yes/no"):
        return cells.astype("boolean") if is_truth else _plain_words(cells, column)
    return None


def _plain_words(cells, column):
    """A column that holds nothing but the dictionary's own words, as most do; else None."""
    words = (
        ("yes", "no")
        if column.metadata["kind"] == "yes/no"
        else column.checks[0].statistics["allowed_values"]
    )
    text = cells.astype("str")
    if not set(text.dropna().unique()) <= {*words}:
        return None
    return (
        (text == "yes").astype("boolean").mask(text.isna()) if column.metadata["kind"] == "yes/no" else text
    )


def _parsed(cells, column, unit, decimal):
    """One column through the reader of its kind."""
    kind = column.metadata["kind"] if column else "number"
    if kind == "number":
        return _number(cells, column.metadata["unit"] if column else "mA", unit, decimal)
    readers = {
        "choice": lambda text: parse.choice(
            text, column.checks[0].statistics["allowed_values"], synonyms(column.name)
        ),
        "date": dates.dates,
        "instant": dates.instants,
        "yes/no": parse.yes_no,
    }
    return _each_once(readers[kind], _text(cells))


def _days(written, names, read):
    """Columns of days whose order only the other such columns of the file tell: one hand wrote them all."""
    doubtful = [
        name for name in names if read[name].problem.str.contains("no day past the 12th", regex=False).any()
    ]
    if not doubtful or len(names) < 2:
        return {}
    together = pd.concat([_text(written[name]) for name in names], keys=range(len(names)))
    whole = _each_once(dates.dates, together.reset_index(drop=True))
    count = len(together) // len(names)
    told = {}
    for name in doubtful:
        first = names.index(name) * count
        parts = (
            getattr(whole, part).iloc[first : first + count]
            for part in ("values", "repaired", "censored", "problem")
        )
        told[name] = Parsed(*(part.set_axis(written[name].index) for part in parts))
    return told


def _each_once(reader, text):
    """What a reader makes of a column in which few texts stand many times: each is read once."""
    codes, distinct = text.factorize(use_na_sentinel=False)
    read = _guarded(reader, pd.Series(distinct, dtype="str"))
    spread = (
        part.take(codes).set_axis(text.index)
        for part in (read.values, read.repaired, read.censored, read.problem)
    )
    return Parsed(*spread)


def _guarded(reader, text):
    """What a reader makes of texts, of which overlong ones are a problem before they are looked at."""
    long = text.str.len() > LONGEST
    if not long.any():
        return reader(text)
    read = reader(text.mask(long))
    problem = (
        "'"
        + text.str.slice(0, 40)
        + "…' has more than "
        + str(LONGEST)
        + " characters; check what stands in this cell."
    )
    return Parsed(read.values, read.repaired, read.censored, read.problem.mask(long, problem))


def _number(cells, unit, unit_in_header, decimal):
    """One column of numbers, in the unit of the dictionary."""
    here = unit_in_header or unit
    if pd.api.types.is_numeric_dtype(cells.dtype) and not pd.api.types.is_bool_dtype(cells.dtype):
        numbers = cells.astype("float64")
        endless = np.isinf(numbers)
        problem = pd.Series("", index=cells.index, dtype="str").mask(
            endless, "is no finite number; write >2000 or OL for a reading beyond the range."
        )
        read = parsed(numbers.mask(endless), problem=problem)
    else:
        text = _text(cells)
        read = _guarded(
            lambda part: parse.numbers(part, here, decimal=None if decimal == "?" else decimal), text
        )
        read = _asked(read, text) if decimal == "?" else read
    scale = factor(here, unit) if here != unit else 1.0
    if pd.isna(scale):
        problem = pd.Series("", index=cells.index, dtype="str").mask(
            cells.notna(), f"the header states {here}, not {unit}"
        )
        return parsed(read.values, problem=problem)
    return read if scale == 1.0 else Parsed(read.values * scale, read.repaired, read.censored, read.problem)


def _asked(read, text):
    """In a file that does not show its decimal mark 1.234 is a question, unless its own column answers it."""
    lone = text.str.fullmatch(_LONE, na=False)
    if not lone.any() or text.str.fullmatch(f"{_COMMA}|{_POINT}", na=False).any():
        return read
    point = text.str.replace(",", ".", regex=False)
    sentence = (
        "'"
        + text
        + "' reads as "
        + point
        + " or as "
        + point.str.replace(".", "", regex=False)
        + ", and the file does not show whether it uses decimal commas or points; write it without a mark or with two decimals."
    )
    return Parsed(
        read.values.mask(lone), read.repaired & ~lone, read.censored, read.problem.mask(lone, sentence)
    )


def _positions(written, *, may_be_settled):
    """Latitude and longitude, read together: one may hold the other's hemisphere.

    Numbers beyond 90 and 180 stand where the line's towers may still explain them.
    """
    from towerlib.records import coordinates

    texts = [_text(written[name]) for name in POSITION]
    texts = [text.mask(text.str.len() > LONGEST, "(overlong)") for text in texts]
    pair = coordinates.coordinates(*texts)
    if may_be_settled:
        pair = [
            _with_beyond(read, beyond)
            for read, beyond in zip(pair, coordinates.as_written(*texts), strict=True)
        ]
    return dict(zip(POSITION, pair, strict=True))


def _with_beyond(read, as_written):
    """A reading of angles with those beyond the range in it."""
    beyond = (read.problem != "") & as_written.notna()
    return Parsed(
        read.values.mask(beyond, as_written), read.repaired, read.censored, read.problem.mask(beyond, "")
    )


def _text(cells):
    """Cells as trimmed text, blank as missing; whole numbers without a fraction."""
    if pd.api.types.is_float_dtype(cells.dtype):
        filled = cells.dropna()
        whole = (filled % 1 == 0).all() and (filled.abs() < 1e15).all()
        cells = cells.astype("Int64") if whole else cells
    text = cells.astype("str").str.strip()
    blank = text == ""
    return text.mask(blank) if blank.any() else text


def _blank(column, index):
    """A column that the file does not have."""
    return pd.Series(index=index, dtype=BLANK.get(column.metadata["kind"], "str"))
