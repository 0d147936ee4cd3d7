"""Dates and instants as crews and exports write them."""

import re
import unicodedata
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from towerlib.records.parsing import each_text, keyboard, parsed, patch, shown, tidy, unread
from towerlib.values import number

_CLOCK = r"(?:[01]?[0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]{1,9})?)?"
_ZONE = r"(?:Z|z|UTC|[+-][0-9]{2}(?::?[0-9]{2})?)"
_TIME = re.compile(rf"(?<=[0-9])(?:T|,? ){_CLOCK} ?{_ZONE}?$")
_USUAL = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ]00:00(?::00(?:\.0+)?)?"  # a date as a table of dates and times has it
)
_INSTANT = rf"[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}[T ]{_CLOCK}"
_YEAR_FIRST = re.compile("([0-9]{4})(?:[-/. ] ?([0-9]{1,2})[-/. ] ?([0-9]{1,2})|([0-9]{2})([0-9]{2}))")
_YEAR_LAST = re.compile("([0-9]{1,2})([-/. ]) ?([0-9]{1,2})[-/. ] ?([0-9]{4}|[0-9]{2})")
_SERIAL = re.compile(r"([0-9]{5})(?:\.[0-9]+)?")
_NAME, _YEAR = r"(?P<month>[^\W\d_]+)", "(?P<year>[0-9]{4}|[0-9]{2})"
_IN_WORDS = (
    re.compile(
        rf"(?P<day>[0-9]{{1,2}})(?:\.|°|st|nd|rd|th|er)?[ /-]*(?:of |de )?{_NAME}"
        rf"\.?[ ,/-]*(?:of |de |del )?'?{_YEAR}"
    ),
    re.compile(rf"{_NAME}\.?[ /-]*(?P<day>[0-9]{{1,2}})(?:st|nd|rd|th)?[ ,/-]+'?{_YEAR}"),
    re.compile(rf"(?P<year>[0-9]{{4}})[ /-]*{_NAME}\.?[ /-]*(?P<day>[0-9]{{1,2}})"),
)
_MONTHS = {  # English, German, French, Spanish, Portuguese; lower case, without accents
    1: ("jan", "january", "januar", "janner", "janvier", "janv", "enero", "ene", "janeiro"),
    2: ("feb", "february", "februar", "fevrier", "fevr", "fev", "febrero", "fevereiro"),
    3: ("mar", "march", "marz", "maerz", "mrz", "mars", "marzo", "marco"),
    4: ("apr", "april", "avril", "avr", "abril", "abr"),
    5: ("may", "mai", "mayo", "maio"),
    6: ("jun", "june", "juni", "juin", "junio", "junho"),
    7: ("jul", "july", "juli", "juillet", "juil", "julio", "julho"),
    8: ("aug", "august", "aout", "agosto", "ago"),
    9: ("sep", "sept", "september", "septembre", "septiembre", "setiembre", "setembro", "set"),
    10: ("oct", "october", "oktober", "okt", "octobre", "octubre", "outubro", "out"),
    11: ("nov", "november", "novembre", "noviembre", "novembro"),
    12: ("dec", "december", "dezember", "dez", "decembre", "diciembre", "dic", "dezembro"),
}
_MONTH_OF = {name: month for month, names in _MONTHS.items() for name in names}
_MEND = "write it as year-month-day, such as 2026-03-02."


def dates(cells):
    """Days of the calendar, the time of day left out.

    Parameters
    ----------
    cells : Series
        Raw cells.

    Returns
    -------
    Parsed
        Values as ``datetime64[ns]`` at midnight.

    Notes
    -----
    ISO 8601 is the usual form; all else that can be read counts as repaired: day.month.year, slashes, month
    names in five languages, two-digit years, day numbers of a spreadsheet (1900 system), times cut off.
    Whether 03/04/2026 is in March or April the whole column tells: a cell such as 25/03/2026 proves that the
    day comes first. Where the column proves neither or both, such cells are refused. With dots the day comes
    first, unless the column proves the month first. A day in the future is judged by `checks`.

    References
    ----------
    ISO 8601-1:2019, calendar dates. DIN 5008:2020 for day.month.year with dots (from memory). POSIX.1-2017,
    strptime, %y: 69 to 99 mean 1969 to 1999, 00 to 68 mean 2000 to 2068.

    Examples
    --------
    >>> read = dates(pd.Series(["2026-03-02", "25/03/2026", "3/4/2026", "2. März 2026", "30.02.2026"]))
    >>> read.values.astype("str").tolist()
    ['2026-03-02', '2026-03-25', '2026-04-03', '2026-03-02', nan]
    >>> print(read.problem[4])
    '30.02.2026' is no day of the calendar, 1900 to 2200; write it as year-month-day, such as 2026-03-02.
    """
    text = tidy(cells)
    values = _within(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce"))
    hard = values.isna() & (text != "")
    return patch(parsed(values), hard, _hard_dates(text[hard])) if hard.any() else parsed(values)


def _within(values):
    """Dates to the nanosecond type; NaT outside the years that records can be of."""
    years = values.dt.year.between(number("date_first_year"), number("date_last_year"))
    return values.where(years).dt.as_unit("ns")


@dataclass(frozen=True)
class _Meaning:
    """What one cell can mean: a day if the day comes first, one if the month does, None for no such day."""

    day_first: date | None = None
    month_first: date | None = None
    shape: str = ""  # "date", "dots" or "slashes" where the order counts, "year?", "" for no date at all


def _hard_dates(text):
    """Readings of the cells that are not plain ISO dates; a column has few different ones."""
    written = text.drop_duplicates()
    typed = keyboard(written)
    meanings = dict(zip(written.tolist(), map(_meaning, typed.tolist()), strict=True))
    proofs = _proofs(meanings)
    chosen = {one: _choose(meaning, *proofs) for one, meaning in meanings.items()}
    values = each_text(text, chosen.get, "datetime64[ns]")
    read = parsed(values, repaired=~text.str.fullmatch(_USUAL))
    lost = values.isna()
    if not lost.any():
        return read
    problem = unread(text[lost], each_text(text[lost], lambda one: _complaint(meanings[one], *proofs)))
    return patch(read, lost, parsed(values[lost], repaired=problem == "", problem=problem))


def _meaning(cell):
    """Meaning of one cell, the time of day left out."""
    day = _TIME.sub("", cell)
    if found := _YEAR_FIRST.fullmatch(day):
        return _settled(*(part for part in found.groups() if part))
    if found := _YEAR_LAST.fullmatch(day):
        first, mark, second, year = found.groups()
        if mark == "-" and len(year) == 2:
            return _Meaning(shape="year?")  # 26-03-02: the year may stand first
        shape = "dots" if mark == "." else "slashes"
        return _Meaning(_date(year, second, first), _date(year, first, second), shape)
    for layout in _IN_WORDS:
        found = layout.fullmatch(day)
        if found and (month := _MONTH_OF.get(_plain(found["month"]))):
            return _settled(found["year"], month, found["day"])
    if found := _SERIAL.fullmatch(day):
        return _serial(int(found[1]))
    return _Meaning()


def _settled(year, month, day):
    """Meaning of a date whose order is known."""
    here = _date(year, month, day)
    return _Meaning(here, here, "date")


def _date(year, month, day):
    """A day of the calendar, or None; the year as text, since two digits need a century."""
    whole = int(year)
    if len(year) == 2:
        whole += 1900 if whole >= number("two_digit_year_pivot") else 2000
    try:
        here = date(whole, int(month), int(day))
    except ValueError:
        return None
    return here if number("date_first_year") <= whole <= number("date_last_year") else None


def _serial(days):
    """Meaning of a spreadsheet's day number, within the years that make such a number likely."""
    here = date(1899, 12, 30) + timedelta(days=days)
    if number("serial_first_year") <= here.year <= number("serial_last_year"):
        return _Meaning(here, here, "date")
    return _Meaning()


def _plain(word):
    """A word in lower case and without accents."""
    letters = unicodedata.normalize("NFKD", word.lower())
    return "".join(letter for letter in letters if not unicodedata.combining(letter))


def _proofs(meanings):
    """First cell that only makes sense with the day first, and first that only does with the month first."""
    day = [cell for cell, meaning in meanings.items() if meaning.day_first and not meaning.month_first]
    month = [cell for cell, meaning in meanings.items() if meaning.month_first and not meaning.day_first]
    return "".join(day[:1]), "".join(month[:1])


def _choose(meaning, day_proof, month_proof):
    """The day that a cell means by the proofs of its column; None where they do not tell."""
    one, other = meaning.day_first, meaning.month_first
    if one == other or not one or not other:
        return one or other
    if not month_proof and (day_proof or meaning.shape == "dots"):
        return one
    return other if month_proof and not day_proof and meaning.shape == "slashes" else None


def _complaint(meaning, day_proof, month_proof):
    """What a cell is not, or why it cannot be told, and what to write."""
    if meaning.shape == "year?":
        return f"does not tell which number is the year; {_MEND}"
    if meaning.day_first:
        why = " and ".join(proof for proof in (day_proof, month_proof) if proof)
        why = f"the column also holds {why}" if why else "no day past the 12th in the column tells the order"
        return (
            f"is {meaning.day_first} or {meaning.month_first}, and {why}; write the one meant, in that form."
        )
    if meaning.shape:
        years = f"{number('date_first_year'):.0f} to {number('date_last_year'):.0f}"
        return f"is no day of the calendar, {years}; {_MEND}"
    return f"is not a date; {_MEND}"


def instants(cells):
    """Instants in universal time.

    Parameters
    ----------
    cells : Series
        Raw cells.

    Returns
    -------
    Parsed
        Values as ``datetime64[ns, UTC]``.

    Notes
    -----
    ISO 8601 with a zone is the usual form. A time without zone is a problem, since an hour's doubt joins the
    wrong flash to a trip-out. ``UTC`` in place of ``Z`` counts as repaired.

    References
    ----------
    ISO 8601-1:2019, date and time of day with time shift.

    Examples
    --------
    >>> read = instants(pd.Series(["2026-03-02T10:15:00.250+02:00", "2026-03-02 10:15"]))
    >>> read.values[0]
    Timestamp('2026-03-02 08:15:00.250000+0000', tz='UTC')
    >>> print(read.problem[1])
    '2026-03-02 10:15' states no time zone; add the offset, such as 2026-03-02T10:15:00+02:00, or Z.
    """
    text = tidy(cells)
    usual = text.str.replace(r" ?UTC$", "Z", regex=True).str.replace(",", ".", regex=False)
    zoned = text.str.fullmatch(f"{_INSTANT} ?{_ZONE}")
    moments = pd.to_datetime(usual.where(zoned), format="ISO8601", utc=True, errors="coerce")
    values = _within(moments)
    lost = values.isna() & (text != "")
    return patch(parsed(values, repaired=text != usual), lost, _no_instants(text[lost], values[lost]))


def _no_instants(text, blank):
    """Cells without an instant: not recorded, or a problem."""
    mend = "add the offset, such as 2026-03-02T10:15:00+02:00, or Z."
    problem = unread(text, "is not a date with time and zone, such as 2026-03-02T10:15:00.250+02:00.")
    problem = problem.mask(text.str.fullmatch(_INSTANT), shown(text) + f" states no time zone; {mend}")
    return parsed(blank, repaired=problem == "", problem=problem)
