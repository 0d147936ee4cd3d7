"""Dates and instants as crews and exports write them."""

import time
from datetime import UTC, date, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest
from babel.dates import format_date, get_month_names
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import from_excel

from towerlib.records.dates import dates, instants

law = settings(max_examples=60, deadline=None)
DAYS = st.dates(date(1990, 1, 1), date(2060, 12, 31))


def text(*cells):
    return pd.Series(cells, dtype="str")


def days(read):
    """What was read, as ISO dates; None where there is none."""
    return [None if pd.isna(value) else value.date().isoformat() for value in read.values]


# forms


@pytest.mark.parametrize("language", ["en", "de", "fr", "es", "pt", "de_AT"])
@pytest.mark.parametrize("width", ["wide", "abbreviated"])
@pytest.mark.parametrize("context", ["format", "stand-alone"])
def test_month_names_of_the_cldr(language, width, context):
    # source: Unicode CLDR, month names, through Babel
    names = get_month_names(width, context, language)
    cells = text(*(f"2 {names[month]} 2026" for month in range(1, 13)))
    assert days(dates(cells)) == [f"2026-{month:02d}-02" for month in range(1, 13)]


@pytest.mark.parametrize("language", ["en_GB", "en_US", "de", "fr", "es", "pt"])
@pytest.mark.parametrize("length", ["medium", "long"])
def test_written_out_dates_of_the_cldr(language, length):
    # source: Unicode CLDR, date formats, through Babel
    cells = text(
        format_date(date(2026, 3, 2), length, language), format_date(date(2026, 12, 25), length, language)
    )
    assert days(dates(cells)) == ["2026-03-02", "2026-12-25"]


def test_two_digit_years_follow_posix():
    # source: POSIX.1-2017, strptime %y, through the C library behind time.strptime
    years = [f"{year:02d}" for year in range(100)]
    read = dates(text(*(f"25/12/{year}" for year in years)))
    assert read.values.dt.year.tolist() == [time.strptime(year, "%y").tm_year for year in years]


def test_day_numbers_of_a_spreadsheet():
    # source: documentation of the DATE function of spreadsheets (from memory): 1 January 2008 is day 39448
    assert days(dates(text("39448"))) == ["2008-01-01"]
    # reference: openpyxl
    numbers = [32874, 36526, 45352, 45352.4375, 60000, 73415]
    expected = [from_excel(number).date().isoformat() for number in numbers]
    assert days(dates(text(*map(str, numbers)))) == expected


@pytest.mark.parametrize("cell", ["32873", "73416", "12345", "99999", "4535", "453520"])
def test_numbers_that_are_hardly_dates_are_no_dates(cell):
    assert "is not a date" in dates(text(cell)).problem[0]


@pytest.mark.parametrize(
    "cell",
    [
        "2026-03-02",
        "2026-3-2",
        "2026/03/02",
        "2026.03.02",
        "20260302",
        "2026-03-02T10:15:00",
        "2026-03-02 23:59",
        "2026-03-02T00:30:00+02:00",  # the day as written
        "02.03.2026",
        "2.3.2026",
        "2. 3. 2026",
        "02.03.26",
        "02.03.2026 14:30",
        "2-Mar-26",
        "02Mar2026",
        "2nd March 2026",
        "March 2, 2026",
        "2026-Mar-02",
        "02/Mar/2026",
        "2\u00a0mars\u00a02026",
        " 2026-03-02 ",
    ],
)
def test_forms_of_one_day(cell):
    read = dates(text(cell))
    assert days(read) == ["2026-03-02"]
    assert read.problem.tolist() == [""]


def test_repaired_is_what_is_not_iso():
    cells = text(
        "2026-03-02", "2026-03-02 00:00:00", "2026-03-02 10:15", "02.03.2026", "45352", "n/a", "", None
    )
    assert dates(cells).repaired.tolist() == [False, False, True, True, True, True, False, False]


# day first or month first


@pytest.mark.parametrize(
    ("column", "expected"),
    [
        (["03/04/2026"], [None]),
        (["03-04-2026"], [None]),
        (["03/04/2026", "2026-04-25"], [None, "2026-04-25"]),  # an ISO date proves nothing of the others
        (["05/05/2026"], ["2026-05-05"]),  # the same day either way
        (["03/04/2026", "25/04/2026"], ["2026-04-03", "2026-04-25"]),
        (["03/04/2026", "04/25/2026"], ["2026-03-04", "2026-04-25"]),
        (["03/04/2026", "25/04/2026", "04/25/2026"], [None, "2026-04-25", "2026-04-25"]),
        (["03.04.2026"], ["2026-04-03"]),  # with dots the day comes first
        (["03.04.2026", "04/25/2026"], [None, "2026-04-25"]),  # unless the column puts the month first
        (["03.04.2026", "04.25.2026"], [None, "2026-04-25"]),
        (["03/04/2026", "25.04.2026"], ["2026-04-03", "2026-04-25"]),
        (["03/04/26", "25/04/26"], ["2026-04-03", "2026-04-25"]),
        (["25-04-26"], [None]),  # 25 April 2026 or 26 April 2025
        (["03/04/2026", "25-04-26"], [None, None]),  # so it is no proof either
    ],
)
def test_the_column_decides_day_first_from_month_first(column, expected):
    read = dates(text(*column))
    assert days(read) == expected
    assert [problem == "" for problem in read.problem] == [day is not None for day in expected]


def test_sentences_say_what_would_settle_it():
    alone = dates(text("03/04/2026")).problem[0]
    assert all(part in alone for part in ("'03/04/2026'", "2026-04-03 or 2026-03-04", "no day past the 12th"))
    both = dates(text("03/04/2026", "25/04/2026", "04/25/2026")).problem[0]
    assert "25/04/2026 and 04/25/2026" in both
    assert "which number is the year" in dates(text("26-04-03")).problem[0]


@pytest.mark.parametrize(
    "cell",
    [
        "2026-02-30",
        "30/02/2026",
        "31.04.2026",
        "29 February 2025",
        "2026-13-01",
        "00.01.2026",
        "1066-10-14",
        "9999-12-31",
    ],
)
def test_days_that_no_calendar_has(cell):
    read = dates(text(cell))
    assert days(read) == [None]
    assert read.problem[0].startswith(f"'{cell}' is not a day of the calendar, 1900 to 2200")


@pytest.mark.parametrize(
    "cell",
    [
        "soon",
        "12-Jan",
        "Mar-26",
        "2026",
        "March 2026",
        "5 Foo 2026",
        "before 2 March 2026",
        "2026-03-02 25:00",
        "True",
        "1e5",
    ],
)
def test_what_is_no_date_is_a_problem(cell):
    read = dates(text(cell))
    assert days(read) == [None]
    assert read.problem[0].startswith(
        f"'{cell}' is not a date; write it as year-month-day, such as 2026-03-02"
    )


def test_words_for_nothing_and_for_the_row_above():
    read = dates(text("n/a", "nicht gemessen", "same as last"))
    assert read.values.isna().all()
    assert read.problem.tolist()[:2] == ["", ""]
    assert "points to another row" in read.problem[2]


def test_a_future_date_is_read():
    assert days(dates(text("2099-01-01"))) == ["2099-01-01"]


# laws

ORDERS = {
    "ISO": ("%Y-%m-%d", None),
    "day first, slashes": ("%d/%m/%Y", "25/12/2026"),
    "month first, slashes": ("%m/%d/%Y", "12/25/2026"),
    "day first, dots": ("%d.%m.%Y", None),
    "day first, short year": ("%d/%m/%y", "25/12/26"),
    "English month": ("%d %B %Y", None),
    "English month first": ("%b %d, %Y", None),
    "year first": ("%Y/%m/%d", None),
    "compact": ("%Y%m%d", None),
}


@law
@given(st.lists(DAYS, min_size=1, max_size=6), st.sampled_from(sorted(ORDERS)))
def test_dates_come_back_from_a_column_of_proven_order(written, order):
    layout, proof = ORDERS[order]
    cells = [day.strftime(layout) for day in written] + ([proof] if proof else [])
    read = dates(text(*cells))
    assert days(read)[: len(written)] == [day.isoformat() for day in written]


@law
@given(st.lists(DAYS, min_size=1, max_size=6))
def test_an_unproven_column_is_never_read_wrongly(written):
    read = dates(text(*(day.strftime("%d/%m/%Y") for day in written)))
    for day, value in zip(written, days(read), strict=True):
        assert value in (None, day.isoformat())


PIECES = st.sampled_from(
    ["1", "31", "2026", "/", ".", "-", " ", "Mar", "März", "de", "T", "10:15", "Z", "+02:00", "n/a", ","]
)
CELLS = st.lists(st.one_of(st.none(), st.text(), st.lists(PIECES, max_size=8).map("".join)), max_size=6)


@law
@given(CELLS)
def test_any_text_is_a_date_a_blank_or_a_problem(cells):
    column = pd.Series(cells, dtype="str", index=np.arange(len(cells)) // 2)  # an index with doubles
    before = column.copy()
    for read in (dates(column), instants(column)):
        problem, value = read.problem != "", read.values.notna()
        silent = ~problem & ~value & (column.fillna("").str.strip() != "")
        assert not (problem & (value | read.repaired)).any()
        assert read.repaired[silent].all()
        assert (read.censored == "").all()
        assert read.values.index.equals(column.index)
    pd.testing.assert_series_equal(column, before)


def test_types_hold_for_columns_without_a_date():
    for column in (text(), text(None, ""), text("soon")):
        assert dates(column).values.dtype == "datetime64[ns]"
        assert instants(column).values.dtype == "datetime64[ns, UTC]"


# instants

ZONES = st.integers(-14 * 4, 14 * 4).map(lambda quarters: timezone(timedelta(minutes=15 * quarters)))
MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1), timezones=ZONES)


@law
@given(
    st.lists(MOMENTS, min_size=1, max_size=5),
    st.sampled_from(["T", " "]),
    st.sampled_from(["milliseconds", "microseconds"]),
)
def test_instants_agree_with_the_standard_library(moments, between, precision):
    # reference: datetime.fromisoformat
    cells = [moment.isoformat(between, precision) for moment in moments]
    read = instants(text(*cells))
    assert read.values.tolist() == [datetime.fromisoformat(cell).astimezone(UTC) for cell in cells]
    assert not read.repaired.any()


@pytest.mark.parametrize(
    ("cell", "repaired"),
    [
        ("2026-03-02T08:15:00.250Z", False),
        ("2026-03-02T10:15:00.250+02:00", False),
        ("2026-03-02 10:15:00.250+0200", False),
        ("2026-03-02T03:15:00.250-05", False),
        ("2026-03-02 08:15:00,250 UTC", True),
    ],
)
def test_forms_of_one_instant(cell, repaired):
    read = instants(text(cell))
    assert read.values[0] == pd.Timestamp("2026-03-02T08:15:00.250Z")
    assert read.repaired[0] == repaired


def test_nanoseconds_are_kept():
    read = instants(text("2026-03-02T08:15:00.123456789Z", "2026-03-02T08:15:00Z"))
    assert read.values[0].nanosecond == 789


def test_a_time_without_zone_is_a_problem():
    read = instants(text("2026-03-02T10:15:00.250", "2026-03-02 10:15"))
    assert read.values.isna().all()
    assert read.problem.str.contains("states no time zone; add the offset").all()


@pytest.mark.parametrize(
    "cell",
    [
        "2026-03-02",
        "2026-02-30T10:00Z",
        "2026-03-02T25:00Z",
        "2026-03-02T10:15:00 CET",
        "9999-01-01T00:00Z",
        "02.03.2026 10:15Z",
        "45352.5",
    ],
)
def test_what_is_no_instant_is_a_problem(cell):
    read = instants(text(cell))
    assert read.values.isna().all()
    assert read.problem[0].startswith(f"'{cell}' is not a date with time and zone")
