"""Months as reports count them: ``YYYY-MM``, seen up to its last day."""

import os
import re
from datetime import UTC, datetime, timedelta

import pandas as pd

from towerlib.errors import SettingsError

MONTH = re.compile(r"(19|20|21)\d\d-(0[1-9]|1[0-2])")  # the name of a folder of reports, too


def last_day(month):
    """Last day of a month.

    Parameters
    ----------
    month : str
        ``YYYY-MM``.

    Returns
    -------
    pandas.Timestamp

    Raises
    ------
    SettingsError
        The text is no month.

    Examples
    --------
    >>> print(last_day("2024-02").date())
    2024-02-29
    """
    if not MONTH.fullmatch(str(month)):
        raise SettingsError(f"{month!r} is no month; write it as YYYY-MM, such as 2026-06")
    return pd.Period(month, freq="M").end_time.normalize()


def newest(dates):
    """The month of the newest date.

    Parameters
    ----------
    dates : pandas.Series of datetime64

    Returns
    -------
    str
        ``YYYY-MM``.

    Examples
    --------
    >>> newest(pd.Series(pd.to_datetime(["2026-05-30", "2025-11-02"])))
    '2026-05'
    """
    return f"{dates.max():%Y-%m}"


TODAY = "TOWERLIB_TODAY"  # environment variable that stands for the clock, as YYYY-MM-DD
FARTHEST_EAST_H = 14  # hours; where the calendar is farthest ahead of universal time


def today():
    """The day that it is, where it is latest on earth: a crew there may have tested on it already.

    Returns
    -------
    pandas.Timestamp
        At midnight; that of the environment variable ``TOWERLIB_TODAY`` where it is set, so that a run can be
        repeated as of another day.

    Raises
    ------
    SettingsError
        The variable holds no day.
    """
    stated = os.environ.get(TODAY)
    if not stated:
        return pd.Timestamp((datetime.now(UTC) + timedelta(hours=FARTHEST_EAST_H)).date())
    day = pd.to_datetime(stated, format="%Y-%m-%d", errors="coerce")
    if pd.isna(day):
        raise SettingsError(f"{TODAY} is {stated!r}, which is no day; write it as YYYY-MM-DD, or unset it")
    return day


def latest(month=""):
    """The last day that a record can be of: today, or the end of a month beyond today that was asked for.

    Parameters
    ----------
    month : str, optional
        ``YYYY-MM``.

    Returns
    -------
    pandas.Timestamp
        The same for a blank month and for any month up to that of today.

    Raises
    ------
    SettingsError
        The text is no month.

    Examples
    --------
    >>> print(latest("2199-02").date())
    2199-02-28
    """
    day = today()
    if not month or month <= f"{day:%Y-%m}":
        return day
    return last_day(month)
