"""What was read otherwise than it was written, and why, in words for the crew that wrote it."""

import operator
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.records import audit, dates, numbers
from towerlib.records.headers import synonyms
from towerlib.records.numbers import LONE_POINT, factor
from towerlib.records.parsing import Parsed, parsed
from towerlib.records.tables import schema

_WHY_COMMA = "the comma was read as the decimal mark"
_CLOCK = re.compile(r"[0-9]:[0-9]{2}")


def repairs(raw, headings, read, columns):
    """The repaired cells of one file.

    Parameters
    ----------
    raw : Raw
        Cells as the file has them.
    headings : list of Heading
        What each column means.
    read : dict of str to Parsed
        What the readers made of the columns that needed one.
    columns : dict of str to pandera Column
        Of the table.

    Returns
    -------
    pandas.DataFrame
        Columns index, column, value, used, reason.
    """
    places = {heading.name or f"_leg_{heading.leg}": place for place, heading in enumerate(headings)}
    parts = [
        _column(raw.cells[places[name]], cells, name, columns.get(name))
        for name, cells in read.items()
        if cells.repaired.any()
    ]
    parts += [_merged(raw.cells, *spot, headings) for spot in raw.merged]
    return pd.concat(parts, ignore_index=True) if parts else audit.no_repairs()


def _column(written, read, name, column):
    """The repaired cells of one column; few texts stand many times, so each is explained once."""
    mended = read.repaired.index[read.repaired & (read.problem == "")]
    kind = column.metadata["kind"] if column is not None else "number"
    unit = column.metadata["unit"] if column is not None else "mA"
    cells = pd.DataFrame(
        {
            "text": written.loc[mended].astype("str"),
            "value": read.values.loc[mended],
            "bound": read.censored.loc[mended],
        }
    )
    told = {}
    for text, value, bound in cells.drop_duplicates("text").itertuples(index=False):
        told[text] = (bound + _shown(value), _why(text.strip(), value, bound, kind, unit, name))
    return pd.DataFrame(
        {
            "index": mended,
            "column": name.replace("_leg_", "leg "),
            "value": cells["text"].to_numpy(),
            "used": [told[text][0] for text in cells["text"]],
            "reason": [told[text][1] for text in cells["text"]],
        }
    ).astype({"column": "str", "value": "str", "used": "str", "reason": "str"})


def _shown(value):
    """A value as a list shows it; nothing where it is blank."""
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d") if value.tzinfo is None else value.isoformat()
    if str(value) in ("True", "False"):
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _why(text, value, bound, kind, unit, name):
    """Why a cell was read as it was."""
    if pd.isna(value):
        return (
            "beyond the range of the instrument: no value, but not blank either"
            if bound
            else "says that nothing was recorded: left blank"
        )
    if name in ("latitude_deg", "longitude_deg"):
        return (
            _WHY_COMMA
            if re.fullmatch("[+-]?[0-9]+,[0-9]+", text)
            else "worked out to decimal degrees, south and west negative"
        )
    if kind == "date":
        return _why_date(text, value)
    if kind == "number":
        return _why_number(text, value, bound, unit)
    return {
        "choice": "spelt as this column has it",
        "yes/no": "a word or sign for yes or no",
        "instant": "the zone written as Z",
    }.get(kind, "read in another form than it was written")


def _why_number(text, value, bound, unit):
    """Why a number was read as it was."""
    if bound:
        return f"a bound: the value lies {'below' if bound == '<' else 'above'} it"
    if re.search(r"[^0-9.,' \u00a0\u202f+\-−eE]", text):
        return (
            "the unit was taken off the cell"
            if unit == "1"
            else f"the unit in the cell was brought to {unit}"
        )
    if "," in text and _is_number(text.replace(",", "."), value):
        return _WHY_COMMA
    if re.search(r"[0-9][.,' \u00a0\u202f][0-9]{3}", text):
        return "marks between thousands were left out"
    return "the number was brought into the usual form"


def _is_number(text, value):
    """Whether a text is that number."""
    try:
        return float(text) == value
    except ValueError:
        return False


def _why_date(text, day):
    """Why a date was read as it was."""
    rest = "; the time of day was left out" if _CLOCK.search(text) else ""
    if re.fullmatch(r"[0-9]{5}(?:\.[0-9]+)?", text):
        return f"the day number of a spreadsheet{rest}"
    found = re.match(r"([0-9]{1,2})[/.-] ?([0-9]{1,2})[/.-]", text)
    if found and found[1] != found[2]:
        return f"read with the {'day' if int(found[1]) == day.day else 'month'} first{rest}"
    return (
        f"brought to year-month-day{rest}"
        if not text.startswith(str(day.date()))
        else "the time of day was left out"
    )


def _merged(cells, position, place, headings):
    """A cell that a merge hides."""
    value = cells.iloc[position, place]
    return pd.DataFrame(
        {
            "index": [position],
            "column": [headings[place].name or headings[place].text],
            "value": [""],
            "used": ["" if pd.isna(value) else str(value)],
            "reason": ["merged with the cell above it: the value that is shown there"],
        }
    )


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


def cell_flaws(rows, written, read, table, latest):
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
        In the form of `towerlib.records.audit.flaws`.
    """
    wrong = [
        _unreadable(written[name], cells, name) for name, cells in read.items() if (cells.problem != "").any()
    ]
    found = pd.concat([audit.no_flaws(), *wrong]) if wrong else audit.no_flaws()
    parts = [
        part
        for part in (found, _outside(rows, written, table, found, latest), _nameless(rows, table))
        if len(part)
    ]
    return pd.concat(parts, ignore_index=True) if parts else audit.no_flaws()


def _unreadable(written, read, name):
    """The cells of one column that cannot be read."""
    bad = read.problem.index[read.problem != ""]
    return audit.flaws(bad, name.replace("_leg_", "leg "), written.loc[bad], read.problem.loc[bad])


def _nameless(rows, table):
    """Rows whose own name is a dash, an error value of a spreadsheet, or in place of a leg the sum of all legs."""
    name = (schema(table).metadata["key"] or ("",))[-1]  # a visit_id beside a leg is held against the visits
    if not name or rows.empty:
        return audit.no_flaws()
    words = dict(_NAMELESS) | ({_SUM: _sum_words(rows["leg"])} if table == "legs" else {})
    parts = [_among(rows, name, reason, list(of_it)) for reason, of_it in words.items() if len(of_it)]
    return pd.concat([audit.no_flaws(), *parts])


def _sum_words(legs):
    """Names of legs that mean all of them."""
    return [leg for leg in legs.dropna().unique() if leg.strip(" :.=").lower() in _SUMS]


def _among(rows, name, reason, words):
    """Flaws of the cells of one column that are one of some words."""
    bad = rows.index[rows[name].isin(words)]
    return audit.flaws(bad, name, rows.loc[bad, name], reason) if len(bad) else audit.no_flaws()


def _outside(rows, written, table, known, latest):
    """Cells that are blank where they must not be, or out of the range of the dictionary."""
    parts = []
    for name, column in schema(table).columns.items():
        for bad, reason in _breaches(rows[name], name, column, table, latest):
            bad = bad[~bad.isin(known.loc[known["column"] == name, "index"])]
            if len(bad):
                value = written[name].loc[bad].astype("str").fillna("") if name in written else ""
                parts.append(audit.flaws(bad, name, value, reason))
    return _with_hints(pd.concat(parts, ignore_index=True), rows) if parts else audit.no_flaws()


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


CELLS_BLANK = {
    "number": "float64",
    "date": "datetime64[ns]",
    "instant": "datetime64[ns, UTC]",
    "yes/no": "boolean",
}
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
        read |= _positions(written, may_be_settled=table in SETTLED)
        plain = {name: values for name, values in plain.items() if name not in POSITION}
    rows = _rows(raw, headings, plain, read, columns).assign(_file=file, _row=raw.rows.to_numpy())
    flaws = cell_flaws(rows, written, read, table, latest)
    mended = repairs(raw, headings, read, columns)
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
        "choice": lambda text: numbers.choice(
            text, column.checks[0].statistics["allowed_values"], synonyms(column.name)
        ),
        "date": dates.dates,
        "instant": dates.instants,
        "yes/no": numbers.yes_no,
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
        plain = cells.astype("float64")
        endless = np.isinf(plain)
        problem = pd.Series("", index=cells.index, dtype="str").mask(
            endless, "is no finite number; write >2000 or OL for a reading beyond the range."
        )
        read = parsed(plain.mask(endless), problem=problem)
    else:
        text = _text(cells)
        read = _guarded(
            lambda part: numbers.numbers(part, here, decimal=None if decimal == "?" else decimal),
            text,
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
    return pd.Series(index=index, dtype=CELLS_BLANK.get(column.metadata["kind"], "str"))
