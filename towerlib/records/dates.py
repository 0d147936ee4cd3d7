"""Dates and instants as crews and exports write them.

`dates` reads days of the calendar in many forms and lets the column decide between day first and month first.
`instants` reads moments in time and insists on a time zone.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import cast

import pandas as pd

from towerlib.records.parsing import Parsed, each_text, keyboard, parsed, patch, shown, tidy, unread
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
NO_PROOF = "no day past the 12th in the column proves the order"  # of a date that the column leaves open
_MEND = "write it as year-month-day, such as 2026-03-02."


def dates(cells: pd.Series) -> Parsed:
    """Days of the calendar as ``datetime64[ns]`` at midnight.

    ISO 8601 is the usual form; everything else that can be read counts as repaired: day.month.year, slashes, month
    names in five languages, two-digit years, day numbers of a spreadsheet (1900 system), removed times. The whole
    column decides whether 03/04/2026 is in March or April: a cell such as 25/03/2026 proves that the day comes first.
    Where the column proves neither or both, such cells are refused. With dots the day comes first unless the column
    proves the month first. A day in the future is judged by `towerlib.records.convert.cell_flaws`.

    Source: ISO 8601-1:2019, calendar dates. DIN 5008:2020 for day.month.year with dots (from memory). POSIX.1-2017,
    strptime, %y: 69 to 99 mean 1969 to 1999, 00 to 68 mean 2000 to 2068.
    """
    text = tidy(cells)
    values = _within(pd.to_datetime(text, format="%Y-%m-%d", errors="coerce"))
    hard = values.isna() & (text != "")
    return patch(parsed(values), hard, _hard_dates(text[hard])) if hard.any() else parsed(values)


def _within(values):
    """Dates in the nanosecond type; NaT outside the years that records can have."""
    years = values.dt.year.between(number("date_first_year"), number("date_last_year"))
    return values.where(years).dt.as_unit("ns")


@dataclass(frozen=True)
class _Meaning:
    """The possible meanings of a cell: a day if the day comes first, a day if the month does, None for no such day."""

    day_first: date | None = None
    month_first: date | None = None
    shape: str = ""  # "date"; "dots" or "slashes" where the order counts; "year?"; "" for no date at all


def _hard_dates(text) -> Parsed:
    """Readings of the cells that are not plain ISO dates, each distinct text once."""
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
    left = text[lost]
    problem = unread(left, each_text(left, lambda one: _complaint(meanings[one], *proofs)))
    blank = cast("pd.Series", values[lost])
    return patch(read, lost, parsed(blank, repaired=problem == "", problem=problem))


def _meaning(cell: str) -> _Meaning:
    """Meaning of one cell, without the time of day."""
    day = _TIME.sub("", cell)
    if found := _YEAR_FIRST.fullmatch(day):
        return _settled(*(part for part in found.groups() if part))
    if found := _YEAR_LAST.fullmatch(day):
        first, between, second, year = found.groups()
        if between == "-" and len(year) == 2:
            return _Meaning(shape="year?")  # 26-03-02: the year may come first
        shape = "dots" if between == "." else "slashes"
        return _Meaning(_date(year, second, first), _date(year, first, second), shape)
    for layout in _IN_WORDS:
        found = layout.fullmatch(day)
        if found and (month := _MONTH_OF.get(_plain(found["month"]))):
            return _settled(found["year"], month, found["day"])
    if found := _SERIAL.fullmatch(day):
        return _serial(int(found[1]))
    return _Meaning()


def _settled(year: str, month: str | int, day: str) -> _Meaning:
    """Meaning of a date whose order is known."""
    here = _date(year, month, day)
    return _Meaning(here, here, "date")


def _date(year: str, month: str | int, day: str) -> date | None:
    """A day of the calendar, or None; the year as text, since two digits need a century."""
    whole = int(year)
    if len(year) == 2:
        whole += 1900 if whole >= number("two_digit_year_pivot") else 2000
    try:
        here = date(whole, int(month), int(day))
    except ValueError:
        return None
    return here if number("date_first_year") <= whole <= number("date_last_year") else None


def _serial(days: int) -> _Meaning:
    """Meaning of a spreadsheet's day number, within the years that make such a number likely."""
    here = date(1899, 12, 30) + timedelta(days=days)
    if number("serial_first_year") <= here.year <= number("serial_last_year"):
        return _Meaning(here, here, "date")
    return _Meaning()


def _plain(word: str) -> str:
    """A word in lower case and without accents."""
    letters = unicodedata.normalize("NFKD", word.lower())
    return "".join(letter for letter in letters if not unicodedata.combining(letter))


def _proofs(meanings: Mapping[str, _Meaning]) -> tuple[str, str]:
    """The first cell that is a date only with the day first, and the first that is one only with the month first."""
    day = [cell for cell, meaning in meanings.items() if meaning.day_first and not meaning.month_first]
    month = [cell for cell, meaning in meanings.items() if meaning.month_first and not meaning.day_first]
    return "".join(day[:1]), "".join(month[:1])


def _choose(meaning: _Meaning, day_proof: str, month_proof: str) -> date | None:
    """The day that a cell means by the proofs of its column; None where they do not decide."""
    one, other = meaning.day_first, meaning.month_first
    if one == other or not one or not other:
        return one or other
    if not month_proof and (day_proof or meaning.shape == "dots"):
        return one
    return other if month_proof and not day_proof and meaning.shape == "slashes" else None


def _complaint(meaning: _Meaning, day_proof: str, month_proof: str) -> str:
    """Why a cell is not a date or cannot be decided, and what to write."""
    if meaning.shape == "year?":
        return f"does not show which number is the year; {_MEND}"
    if meaning.day_first:
        proofs = " and ".join(proof for proof in (day_proof, month_proof) if proof)
        why = f"the column also contains {proofs}" if proofs else NO_PROOF
        return f"is {meaning.day_first} or {meaning.month_first}, and {why}; write the intended day in that form."
    if meaning.shape:
        years = f"{number('date_first_year'):.0f} to {number('date_last_year'):.0f}"
        return f"is not a day of the calendar, {years}; {_MEND}"
    return f"is not a date; {_MEND}"


def instants(cells: pd.Series) -> Parsed:
    """Instants as ``datetime64[ns, UTC]``.

    ISO 8601 with a zone is the usual form. A time without zone is a problem, since an error of an hour assigns the
    wrong flash to a trip-out. ``UTC`` in place of ``Z`` counts as repaired. Source: ISO 8601-1:2019, time of day with
    time shift.
    """
    text = tidy(cells)
    usual = text.str.replace(r" ?UTC$", "Z", regex=True).str.replace(",", ".", regex=False)
    zoned = text.str.fullmatch(f"{_INSTANT} ?{_ZONE}")
    moments = pd.to_datetime(usual.where(zoned), format="ISO8601", utc=True, errors="coerce")
    values = _within(moments)
    lost = values.isna() & (text != "")
    return patch(parsed(values, repaired=text != usual), lost, _no_instants(text[lost], values[lost]))


def _no_instants(text, blank) -> Parsed:
    """Cells without an instant: not recorded, or a problem."""
    mend = "add the offset, such as 2026-03-02T10:15:00+02:00, or Z."
    problem = unread(text, "is not a date with time and zone, such as 2026-03-02T10:15:00.250+02:00.")
    problem = problem.mask(text.str.fullmatch(_INSTANT), shown(text) + f" states no time zone; {mend}")
    return parsed(blank, repaired=problem == "", problem=problem)
