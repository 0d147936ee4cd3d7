"""The calendar of the package: months as reports count them, and the only reading of the clock.

A report covers a month, ``YYYY-MM``, up to its last day. Everything that depends on the present day asks `today`,
so that a run can be repeated as of another day.
"""

from __future__ import annotations

import os
import re
from datetime import UTC, date, datetime, timedelta
from typing import cast

import pandas as pd

from towerlib.errors import SettingsError

MONTH = re.compile(r"(19|20|21)\d\d-(0[1-9]|1[0-2])")  # also the name of a folder of reports
TODAY = "TOWERLIB_TODAY"  # environment variable that replaces the clock, as YYYY-MM-DD
FARTHEST_EAST_H = 14  # hours by which the calendar is at most ahead of universal time


def written(month: object) -> str:
    """A month as ``YYYY-MM``: from a text of that kind, a `pandas.Period`, or a day in it.

    `SettingsError` for anything else, and for a period that is longer than a month.

    >>> written("2026-06"), written(pd.Period("2026-06")), written(date(2026, 6, 30))
    ('2026-06', '2026-06', '2026-06')
    """
    if isinstance(month, pd.Period):
        ends = {f"{month.start_time:%Y-%m}", f"{month.end_time:%Y-%m}"}
        month = ends.pop() if len(ends) == 1 else str(month)
    elif isinstance(month, date) and not pd.isna(cast("pd.Timestamp", month)):
        month = f"{month:%Y-%m}"
    if not (isinstance(month, str) and MONTH.fullmatch(month)):
        raise SettingsError(f"{month!r} is not a month: write YYYY-MM, such as 2026-06")
    return month


def last_day(month: str) -> pd.Timestamp:
    """Last day of a month ``YYYY-MM``; `SettingsError` where the text is not a month.

    >>> print(last_day("2024-02").date())
    2024-02-29
    """
    return cast("pd.Timestamp", pd.Timestamp(f"{written(month)}-01") + pd.offsets.MonthEnd(0))


def newest(dates: pd.Series) -> str:
    """The month of the newest date, ``YYYY-MM``."""
    return f"{dates.max():%Y-%m}"


def today() -> pd.Timestamp:
    """The present day at midnight in the easternmost time zone, since a crew there may have tested on it already.

    The environment variable ``TOWERLIB_TODAY`` replaces the clock; `SettingsError` where it does not hold a day.
    """
    stated = os.environ.get(TODAY)
    if not stated:
        return cast(
            "pd.Timestamp", pd.Timestamp((datetime.now(UTC) + timedelta(hours=FARTHEST_EAST_H)).date())
        )
    day = cast("pd.Timestamp", pd.to_datetime(stated, format="%Y-%m-%d", errors="coerce"))
    if pd.isna(day):
        raise SettingsError(f"{TODAY} is {stated!r}, which is not a day; write it as YYYY-MM-DD, or unset it")
    return day


def latest(month: str = "") -> pd.Timestamp:
    """The last day that a record can be of: today, or the end of a requested month that is still to come."""
    day = today()
    if not month or month <= f"{day:%Y-%m}":
        return day
    return last_day(month)
