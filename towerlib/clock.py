"""The one place where the clock is read: up to which day records can be of."""

import os
from datetime import UTC, datetime, timedelta

import pandas as pd

from towerlib import months
from towerlib.errors import SettingsError

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
    return months.last_day(month)
