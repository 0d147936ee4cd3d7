"""What was read otherwise than it was written, and why, in words for the crew that wrote it."""

import re

import pandas as pd

from towerlib.records import ledger

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
    return pd.concat(parts, ignore_index=True) if parts else ledger.no_repairs()


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
