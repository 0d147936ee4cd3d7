"""Cells of one file to typed rows: values in the units of the dictionary, flaws, and the list of repairs.

`read` decides per column whether a reader is needed at all and gives the others to the reader of their kind
(`numbers`, `dates`, `coordinates`). `cell_flaws` lists the cells that cannot be read or break a rule of the
dictionary. `repairs` lists the cells that were read in another form than written, with the reason for the crew.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.records import audit, dates, numbers
from towerlib.records.headers import synonyms
from towerlib.records.numbers import LONE_POINT, factor
from towerlib.records.parsing import Parsed, parsed
from towerlib.records.tables import about, key, schema

if TYPE_CHECKING:
    from pandera.pandas import Column

    from towerlib.records.headers import Heading
    from towerlib.records.sources import Raw
_WHY_COMMA = "the comma was read as the decimal separator"
_CLOCK = re.compile(r"[0-9]:[0-9]{2}")
SETTLED = ("towers", "visits")  # their positions are compared with the line's towers before they are judged
_NAMELESS = {
    "is an error value of the spreadsheet, not a name; write the name": """
        #N/A #REF! #VALUE! #NAME? #DIV/0! #NULL! #NUM! #N/V
    """.split(),
    "is not a name; write the name, or delete the row": """
        n/a N/A n.a. - -- --- – — ? ?? . nan NaN null NULL None
    """.split(),
}
_SUMS = """
    total totals sum mean average summe gesamt mittelwert somme moyenne suma soma média media promedio
""".split()
_SUM = "is a sum, not a leg; enter it as leakage_total_ma of the visit"
BLANK = "is blank, but every row needs it"
_RULES = {
    "greater_than_or_equal_to": ("at least", operator.ge),
    "less_than_or_equal_to": ("at most", operator.le),
    "greater_than": ("above", operator.gt),
}
CELLS_BLANK = {
    "number": "float64",
    "date": "datetime64[ns]",
    "instant": "datetime64[ns, UTC]",
    "yes/no": "boolean",
}
POSITION = ("latitude_deg", "longitude_deg")
LEG = "_leg_"  # begins the leg currents of a file with one row per visit, until they become rows of legs
BOUND = "_bound"  # ends the name of the column that states on which side of the reading the true value lies
LONGEST = 200  # characters of a cell other than free text
_LONE = rf"{LONE_POINT}|{LONE_POINT.replace(chr(92) + '.', ',')}"  # 1.234 and 1,234
_COMMA = r"[+-]?[0-9]*,(?:[0-9]{1,2}|[0-9]{4,})|[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+|[+-]?0,[0-9]+"
_POINT = r"[+-]?[0-9]*\.(?:[0-9]{1,2}|[0-9]{4,})|[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+|[+-]?0\.[0-9]+"


@dataclass(frozen=True)
class Cells:
    """Typed rows of one file, their flaws and their repairs."""

    rows: pd.DataFrame
    flaws: pd.DataFrame
    repairs: pd.DataFrame


def read(raw: Raw, headings: list[Heading], table: str, file: str, latest: pd.Timestamp) -> Cells:
    """Typed rows of one file; a record after the day `latest` is a flaw.

    `rows` of the result has every column of the dictionary (blank where the file has none), the utility's own columns,
    `_file` and `_row`. Flaws and repairs refer to its index.
    """
    columns = schema(table).columns
    named = {
        heading.name or f"{LEG}{heading.leg}": place
        for place, heading in enumerate(headings)
        if heading.name or heading.leg
    }
    written = {name: cast("pd.Series", raw.cells[place]) for name, place in named.items()}
    plain = {
        name: _plain(written[name], columns.get(name), headings[place].unit, raw.is_tight)
        for name, place in named.items()
    }
    plain = {name: values for name, values in plain.items() if values is not None}
    decimal = _decimal(raw, written, columns)
    hard = {name: headings[place].unit for name, place in named.items() if name not in plain}
    read = {name: _parsed(written[name], columns.get(name), unit, decimal) for name, unit in hard.items()}
    read |= _days(
        written, [name for name in hard if name in columns and about(columns[name])["kind"] == "date"], read
    )
    if {*POSITION} <= {*written} and not {*POSITION} <= {*plain}:
        read |= _positions(written, may_be_settled=table in SETTLED)
        plain = {name: values for name, values in plain.items() if name not in POSITION}
    rows = _rows(raw, headings, plain, read, columns).assign(_file=file, _row=raw.rows.to_numpy())
    flaws = cell_flaws(rows, written, read, table, latest)
    return Cells(rows, flaws, repairs(raw, headings, read, columns))


def empty(table: str) -> pd.DataFrame:
    """A table without rows, with every column of the dictionary."""
    none = pd.RangeIndex(0)
    columns = {name: _blank(column, none) for name, column in schema(table).columns.items()}
    return pd.DataFrame(columns).assign(_file=pd.Series(dtype="str"), _row=pd.Series(dtype="int64"))


def _rows(raw: Raw, headings: list[Heading], plain, read, columns) -> pd.DataFrame:
    """All columns side by side: the dictionary's, the sides of one-sided readings, and the utility's own."""
    values = plain | {name: cells.values for name, cells in read.items()}
    blank = {name: _blank(column, raw.cells.index) for name, column in columns.items() if name not in values}
    bounds = {name + BOUND: cells.censored for name, cells in read.items() if (cells.censored != "").any()}
    ordered = {name: (values | blank)[name] for name in columns}
    ours = ordered | {name: values[name] for name in values if name not in columns} | bounds
    return pd.DataFrame(ours | _own(raw, headings, {*ours, "_file", "_row", "tower_as_written"}), copy=False)


def _own(raw: Raw, headings: list[Heading], taken: set[str]) -> dict[str, pd.Series]:
    """The utility's own columns under their headers, numbered where a name is taken; blank columns are left out."""
    own = {}
    for place, heading in enumerate(headings):
        if heading.name or heading.leg:
            continue
        cells = cast("Any", raw.cells[place])
        if not heading.text and cells.isna().all():
            continue
        name = text = heading.text or f"column {place + 1}"
        count = 1
        while name in taken or name in own or name.startswith(LEG):
            count += 1
            name = f"{text} ({count})".lstrip("_")
        own[name] = cells if cells.dtype != object else cells.astype("str")
    return own


def _decimal(raw: Raw, written: dict[str, pd.Series], columns: dict[str, Column]) -> str | None:
    """The decimal separator of a text file: "," or "."; "?" where it uses both or shows neither; None for unknown.

    Between semicolons a comma may be the decimal separator, so the file must show which one it uses; elsewhere each
    column decides for itself.
    """
    if not raw.separator:
        return None
    numbers = [
        cells
        for name, cells in written.items()
        if name not in POSITION and (name not in columns or about(columns[name])["kind"] == "number")
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


def _plain(cells, column: Column | None, unit: str, is_tight: bool) -> pd.Series | None:
    """A column that needs no reader: numbers in their unit, days, instants, booleans, trimmed text; else None."""
    kind = about(column)["kind"] if column else "number"
    if kind == "text":
        return cells if is_tight and cells.dtype == "str" else _text(cells)
    is_truth = pd.api.types.is_bool_dtype(cells.dtype)
    if kind == "number" and not unit and pd.api.types.is_numeric_dtype(cells.dtype) and not is_truth:
        numbers = cells.astype("float64")
        return None if np.isinf(numbers.to_numpy()).any() else numbers
    if isinstance(cells.dtype, pd.DatetimeTZDtype):
        return cells.dt.tz_convert("UTC").dt.as_unit("ns") if kind == "instant" else None
    if kind == "date" and pd.api.types.is_datetime64_any_dtype(cells.dtype):
        days = cells.dropna()
        return cells.dt.as_unit("ns") if np.array_equal(days.dt.normalize(), days) else None
    if kind in ("choice", "yes/no"):
        return cells.astype("boolean") if is_truth else _plain_words(cells, column)
    return None


def _plain_words(cells, column) -> pd.Series | None:
    """A column that contains only the dictionary's own words, as most do; else None."""
    is_yes_no = about(column)["kind"] == "yes/no"
    words = ("yes", "no") if is_yes_no else column.checks[0].statistics["allowed_values"]
    text = cells.astype("str")
    if not set(text.dropna().unique()) <= {*words}:
        return None
    return (text == "yes").astype("boolean").mask(text.isna()) if is_yes_no else text


def _parsed(cells, column, unit: str, decimal: str | None) -> Parsed:
    """One column through the reader of its kind."""
    kind = about(column)["kind"] if column else "number"
    if kind == "number":
        return _number(cells, about(column)["unit"] if column else "mA", unit, decimal)
    readers = {
        "choice": lambda text: numbers.choice(
            text, column.checks[0].statistics["allowed_values"], synonyms(column.name)
        ),
        "date": dates.dates,
        "instant": dates.instants,
        "yes/no": numbers.yes_no,
    }
    return _each_once(readers[kind], _text(cells))


def _days(written: dict[str, pd.Series], names: list[str], read: dict[str, Parsed]) -> dict[str, Parsed]:
    """Columns of dates whose order the other date columns of the file decide, since one person wrote them all."""
    doubtful = [name for name in names if read[name].problem.str.contains(dates.NO_PROOF, regex=False).any()]
    if not doubtful or len(names) < 2:
        return {}
    together = pd.concat([_text(written[name]) for name in names], keys=range(len(names)))
    whole = _each_once(dates.dates, together.reset_index(drop=True))
    count = len(together) // len(names)
    decided = {}
    for name in doubtful:
        first = names.index(name) * count
        parts = (
            getattr(whole, part).iloc[first : first + count]
            for part in ("values", "repaired", "censored", "problem")
        )
        decided[name] = Parsed(*(part.set_axis(written[name].index) for part in parts))
    return decided


def _each_once(reader, text) -> Parsed:
    """A column through a reader, each distinct text once: few texts occur many times."""
    codes, distinct = text.factorize(use_na_sentinel=False)
    read = _guarded(reader, pd.Series(distinct, dtype="str"))
    spread = (
        part.take(codes).set_axis(text.index)
        for part in (read.values, read.repaired, read.censored, read.problem)
    )
    return Parsed(*spread)


def _guarded(reader, text) -> Parsed:
    """Texts through a reader; overlong texts are a problem and never reach it."""
    long = text.str.len() > LONGEST
    if not long.any():
        return reader(text)
    read = reader(text.mask(long))
    problem = (
        "'"
        + text.str.slice(0, 40)
        + "…' has more than "
        + str(LONGEST)
        + " characters; check the contents of this cell."
    )
    return Parsed(read.values, read.repaired, read.censored, read.problem.mask(long, problem))


def _number(cells, unit: str, unit_in_header: str, decimal: str | None) -> Parsed:
    """One column of numbers, in the unit of the dictionary."""
    here = unit_in_header or unit
    if pd.api.types.is_numeric_dtype(cells.dtype) and not pd.api.types.is_bool_dtype(cells.dtype):
        plain = cells.astype("float64")
        endless = np.isinf(plain)
        problem = pd.Series("", index=cells.index, dtype="str").mask(
            endless, "is not a finite number; write >2000 or OL for a reading beyond the range."
        )
        read = parsed(plain.mask(endless), problem=problem)
    else:
        text = _text(cells)
        read = _guarded(
            lambda part: numbers.numbers(part, here, decimal=None if decimal == "?" else decimal), text
        )
        read = _without_ambiguous(read, text) if decimal == "?" else read
    scale = factor(here, unit) if here != unit else 1.0
    if pd.isna(scale):
        problem = pd.Series("", index=cells.index, dtype="str").mask(
            cells.notna(),
            f"is given in {here} by the header, but the column is in {unit}; correct the header",
        )
        return parsed(read.values, problem=problem)
    return read if scale == 1.0 else Parsed(read.values * scale, read.repaired, read.censored, read.problem)


def _without_ambiguous(read: Parsed, text) -> Parsed:
    """Refuse 1.234 in a file that does not show its decimal separator, unless the column itself does."""
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
        + ", and the file does not show whether it uses decimal commas or points; "
        "write it without a separator or with two decimals."
    )
    return Parsed(
        read.values.mask(lone), read.repaired & ~lone, read.censored, read.problem.mask(lone, sentence)
    )


def _positions(written: dict[str, pd.Series], *, may_be_settled: bool) -> dict[str, Parsed]:
    """Latitude and longitude, read together because one may contain the other's hemisphere.

    Numbers beyond 90 and 180 are kept where the line's towers may still explain them.
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


def _with_beyond(read: Parsed, as_written) -> Parsed:
    """A column of angles including those beyond the range."""
    beyond = (read.problem != "") & as_written.notna()
    return Parsed(
        read.values.mask(beyond, as_written), read.repaired, read.censored, read.problem.mask(beyond, "")
    )


def _text(cells):
    """Cells as trimmed text with blanks as missing; whole numbers without a fraction."""
    if pd.api.types.is_float_dtype(cells.dtype):
        filled = cells.dropna()
        whole = (filled % 1 == 0).all() and (filled.abs() < 1e15).all()
        cells = cells.astype("Int64") if whole else cells
    text = cells.astype("str").str.strip()
    blank = text == ""
    return text.mask(blank) if blank.any() else text


def _blank(column: Column, index: pd.Index) -> pd.Series:
    """A column that the file does not have."""
    return pd.Series(index=index, dtype=CELLS_BLANK.get(about(column)["kind"], "str"))


def cell_flaws(
    rows: pd.DataFrame,
    written: dict[str, pd.Series],
    read: dict[str, Parsed],
    table: str,
    latest: pd.Timestamp,
) -> pd.DataFrame:
    """Every flaw of the rows of one file, in the form of `audit.flaws`; a record after the day `latest` is one.

    `written` are the cells by column, `read` the results of the readers for the columns that needed one.
    """
    wrong = [
        _unreadable(written[name], cells, name) for name, cells in read.items() if (cells.problem != "").any()
    ]
    found = cast("pd.DataFrame", pd.concat([audit.no_flaws(), *wrong])) if wrong else audit.no_flaws()
    parts: list[pd.DataFrame] = [
        part
        for part in (found, _outside(rows, written, table, found, latest), _nameless(rows, table))
        if len(part)
    ]
    return pd.concat(parts, ignore_index=True) if parts else audit.no_flaws()


def _unreadable(written, read, name: str) -> pd.DataFrame:
    """Flaws of the cells of one column that cannot be read."""
    bad = read.problem.index[read.problem != ""]
    return audit.flaws(bad, name.replace("_leg_", "leg "), written.loc[bad], read.problem.loc[bad])


def _outside(rows, written, table: str, known, latest: pd.Timestamp) -> pd.DataFrame:
    """Flaws of cells that are blank where they must not be, or outside the range of the dictionary."""
    parts = []
    for name, column in schema(table).columns.items():
        for bad, reason in _breaches(rows[name], name, column, table, latest):
            bad = bad[~bad.isin(known.loc[known["column"] == name, "index"])]
            if len(bad):
                value = written[name].loc[bad].astype("str").fillna("") if name in written else ""
                parts.append(audit.flaws(bad, name, value, reason))
    return _with_hints(pd.concat(parts, ignore_index=True), rows) if parts else audit.no_flaws()


def _with_hints(found, rows) -> pd.DataFrame:
    """Flaws in which a row of totals is reported as such, and only once."""
    is_sum = _sums(rows.loc[found["index"]]).to_numpy() & (found["reason"] == BLANK)
    found = found.assign(reason=found["reason"].mask(is_sum, BLANK + "; this looks like a row of totals"))
    return cast("pd.DataFrame", found[~(is_sum & found.duplicated("index"))])


def _breaches(
    cells, name: str, column: Column, table: str, latest: pd.Timestamp
) -> Iterator[tuple[pd.Index, str]]:
    """Rows that break a rule of a column, and the sentence about it, rule by rule."""
    if not column.nullable and cells.isna().any():
        yield cells.index[cells.isna()], BLANK
    if about(column)["is_past"]:
        end = latest + pd.Timedelta(days=1)  # instants count up to the end of that day in universal time
        late = cells >= (end.tz_localize("UTC") if about(column)["kind"] == "instant" else end)
        yield (
            cells.index[late],
            f"lies in the future: dates up to {latest:%Y-%m-%d} are accepted; correct the date",
        )
    if about(column)["kind"] != "number" or (table in SETTLED and name in POSITION):
        return
    numbers = cells.to_numpy()
    low, high = (np.fmin.reduce(numbers), np.fmax.reduce(numbers)) if len(numbers) else (np.nan, np.nan)
    if np.isnan(low):
        return
    for check in column.checks:
        (limit,) = check.statistics.values()
        words, holds = _RULES[check.name]
        if not (holds(low, limit) and holds(high, limit)):  # only then are the cells compared one by one
            unit = about(column)["unit"]
            broken = cells.index[cells.notna() & ~holds(cells, limit)]
            yield broken, f"must be {words} {limit:,.10g} {'' if unit == '1' else unit}".strip()


def _sums(rows):
    """Whether each row looks like the totals below a table."""
    texts = rows.select_dtypes("str").iloc[:, :4]
    return texts.apply(lambda column: column.str.strip(" :.=").str.lower().isin(_SUMS)).any(axis=1)


def _nameless(rows, table: str) -> pd.DataFrame:
    """Flaws of rows named by a dash, a spreadsheet error or, in place of a leg, the sum of all legs."""
    name = (key(table) or [""])[-1]  # a visit_id beside a leg is compared with the visits
    if not name or rows.empty:
        return audit.no_flaws()
    words = dict(_NAMELESS)
    if table == "legs":
        words[_SUM] = [leg for leg in rows["leg"].dropna().unique() if leg.strip(" :.=").lower() in _SUMS]
    parts = [_among(rows, name, reason, list(of_it)) for reason, of_it in words.items() if len(of_it)]
    return pd.concat([audit.no_flaws(), *parts])


def _among(rows, name: str, reason: str, words: list[str]) -> pd.DataFrame:
    """Flaws of the cells of one column that hold one of some words."""
    bad = rows.index[rows[name].isin(words)]
    return audit.flaws(bad, name, rows.loc[bad, name], reason) if len(bad) else audit.no_flaws()


def repairs(
    raw: Raw, headings: list[Heading], read: dict[str, Parsed], columns: dict[str, Column]
) -> pd.DataFrame:
    """The repaired cells of one file: index, column, value, used, reason; `read` as for `cell_flaws`."""
    places = {heading.name or f"_leg_{heading.leg}": place for place, heading in enumerate(headings)}
    parts = [
        _column(raw.cells[places[name]], cells, name, columns.get(name))
        for name, cells in read.items()
        if cells.repaired.any()
    ]
    parts += [_merged(raw.cells, position, place, headings) for position, place in raw.merged]
    return pd.concat(parts, ignore_index=True) if parts else audit.no_repairs()


def _column(written, read, name: str, column: Column | None) -> pd.DataFrame:
    """The repaired cells of one column; each distinct text is explained once."""
    changed = read.repaired.index[read.repaired & (read.problem == "")]
    kind = about(column)["kind"] if column is not None else "number"
    unit = about(column)["unit"] if column is not None else "mA"
    cells = pd.DataFrame(
        {
            "text": written.loc[changed].astype("str"),
            "value": read.values.loc[changed],
            "side": read.censored.loc[changed],
        }
    )
    explained = {}
    for text, value, side in cells.drop_duplicates("text").itertuples(index=False):
        explained[text] = (side + _shown(value), _why(text.strip(), value, side, kind, unit, name))
    used, reason = ([explained[text][part] for text in cells["text"]] for part in (0, 1))
    return audit.repairs(changed, name.replace("_leg_", "leg "), cells["text"].to_numpy(), used, reason)


def _merged(cells, position, place, headings):
    """The repair of a cell that is hidden by a merge."""
    value, column = cells.iloc[position, place], headings[place].name or headings[place].text
    used = "" if pd.isna(value) else str(value)
    why = "merged with the cell above: the value shown there was used"
    return audit.repairs([position], column, [""], [used], [why])


def _shown(value):
    """A value as a list shows it; "" where it is blank."""
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d") if value.tzinfo is None else value.isoformat()
    if str(value) in ("True", "False"):
        return "yes" if value else "no"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _why(text: str, value, side: str, kind: str, unit: str, name: str) -> str:
    """The reason of a repair."""
    if pd.isna(value):
        return (
            "beyond the range of the instrument: recorded as over range, without a value"
            if side
            else "placeholder text for a missing reading: left blank"
        )
    if name in ("latitude_deg", "longitude_deg"):
        return (
            _WHY_COMMA
            if re.fullmatch("[+-]?[0-9]+,[0-9]+", text)
            else "converted to decimal degrees, south and west negative"
        )
    if kind == "date":
        return _why_date(text, value)
    if kind == "number":
        return _why_number(text, value, side, unit)
    return {
        "choice": "written in the spelling of this column",
        "yes/no": "a word or sign for yes or no",
        "instant": "the time zone was written as Z",
    }.get(kind, "read in another form than it was written")


def _why_number(text: str, value: float, side: str, unit: str) -> str:
    """The reason of a repaired number."""
    if side:
        limit, place = ("an upper", "below") if side == "<" else ("a lower", "above")
        return f"{limit} limit only: the true value lies {place} it"
    if re.search(r"[^0-9.,' \u00a0\u202f+\-−eE]", text):
        return (
            "the unit was removed from the cell"
            if unit == "1"
            else f"the unit in the cell was converted to {unit}"
        )
    if "," in text and _is_number(text.replace(",", "."), value):
        return _WHY_COMMA
    if re.search(r"[0-9][.,' \u00a0\u202f][0-9]{3}", text):
        return "thousands separators were removed"
    return "the number was converted to the usual form"


def _is_number(text: str, value: float) -> bool:
    """Whether a text is that number."""
    try:
        return float(text) == value
    except ValueError:
        return False


def _why_date(text: str, day: pd.Timestamp) -> str:
    """The reason of a repaired date."""
    rest = "; the time of day was removed" if _CLOCK.search(text) else ""
    if re.fullmatch(r"[0-9]{5}(?:\.[0-9]+)?", text):
        return f"converted from the day number of a spreadsheet{rest}"
    found = re.match(r"([0-9]{1,2})[/.-] ?([0-9]{1,2})[/.-]", text)
    if found and found[1] != found[2]:
        return f"read with the {'day' if int(found[1]) == day.day else 'month'} first{rest}"
    return (
        f"converted to year-month-day{rest}"
        if not text.startswith(str(day.date()))
        else "the time of day was removed"
    )
