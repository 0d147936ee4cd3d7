"""Months as reports count them: ``YYYY-MM``, seen up to its last day."""

import re

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
