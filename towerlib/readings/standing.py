"""Which reading is in force at a tower on a day: one rule for the condition, the explorer's months and the coverage.

The newest reading counts. Of several on one day a usable one goes before one that is usable with caution, then the
one listed last. It stays in force until a newer one comes. Three kinds of readings are kept apart: the footing alone,
a lower limit of the footing (read without coils, or beyond the range), and the leakage gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import pandas as pd

from towerlib.readings.methods import FOOTING_ALONE, bound

REFUSED = "not usable"


def footings(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits with a value of the footing alone that may be used.

    Parameters
    ----------
    visits : pandas.DataFrame
        Graded visits: method, impedance_ohm, footing_verdict and, where there is one, impedance_ohm_bound.

    Returns
    -------
    pandas.DataFrame
        Those rows: not refused by the quality rules, read with coils or with the shield wire lifted, and not
        beyond the range of the instrument. A value below the range counts as its upper limit.
    """
    alone = visits["method"].isin(FOOTING_ALONE) & (bound(visits) != ">")
    return cast("pd.DataFrame", visits[_read(visits) & alone])


def lower_limits(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits after which the footing is certainly as high as the value read, or higher.

    Parameters
    ----------
    visits : pandas.DataFrame
        As for `footings`.

    Returns
    -------
    pandas.DataFrame
        Those rows: read without coils, since the rest of the line in parallel can only lower the value, or beyond
        the range of the instrument.
    """
    side = bound(visits)
    beyond = visits["method"].isin(FOOTING_ALONE) & (side == ">")
    parallel = (visits["method"] == "no coils") & (side != "<")
    return cast("pd.DataFrame", visits[_read(visits) & (beyond | parallel)])


def gaps(visits: pd.DataFrame, currents: pd.DataFrame) -> pd.DataFrame:
    """Visits with a leakage gap that may be used.

    Parameters
    ----------
    visits : pandas.DataFrame
        Graded visits: visit_id, date, leakage_verdict.
    currents : pandas.DataFrame
        As `towerlib.readings.leg_currents.summarise` gives it.

    Returns
    -------
    pandas.DataFrame
        One row per visit: its date, leakage_verdict, the columns of `currents`, and gap_of_sum, the gap over the
        sum of the leg currents [1] (gap_fraction of `currents` is blank where the sum is small).
    """
    graded = visits[["visit_id", "date", "leakage_verdict"]]
    read = graded.merge(currents.drop(columns="date", errors="ignore"), on="visit_id", validate="1:1")
    read = cast("pd.DataFrame", read[read["gap_ma"].notna() & (read["leakage_verdict"] != REFUSED)])
    sum_ma = cast("pd.Series", read["leakage_sum_ma"])
    return read.assign(gap_of_sum=read["gap_ma"] / sum_ma.where(sum_ma > 0))


def in_force(readings: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """The reading in force at each tower after all of the given ones.

    Parameters
    ----------
    readings : pandas.DataFrame
        Readings up to the day in question: tower_id, date and the column of the verdict.
    verdict : str
        Column of the verdict, which decides between two readings of one day.

    Returns
    -------
    pandas.DataFrame
        The newest row of each tower, by tower_id.

    Examples
    --------
    >>> days = pd.to_datetime(["2025-05-02", "2025-05-02", "2024-07-01"])
    >>> read = pd.DataFrame({"tower_id": "7", "date": days, "ohm": [8.0, 9.0, 7.0]})
    >>> in_force(read.assign(verdict=["usable", "usable with caution", "usable"]), "verdict")["ohm"].tolist()
    [8.0]
    """
    return _ordered(readings, verdict).drop_duplicates("tower_id", keep="last").set_index("tower_id")


def changes(readings: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """The reading in force at each tower at the end of every month in which a reading came.

    Parameters
    ----------
    readings, verdict
        As for `in_force`.

    Returns
    -------
    pandas.DataFrame
        The rows, oldest first, with ``month`` as `month_number` counts it. Each is in force until the next row of
        its tower.
    """
    when = readings["date"]
    numbered = readings.assign(month=12 * when.dt.year + when.dt.month - 1)
    return _ordered(numbered, verdict).drop_duplicates(["tower_id", "month"], keep="last")


def at_month(changed: pd.DataFrame, month: str) -> pd.DataFrame:
    """What is in force at each tower at the end of one month.

    Parameters
    ----------
    changed : pandas.DataFrame
        As `changes` gives it: oldest first.
    month : str
        ``YYYY-MM``.

    Returns
    -------
    pandas.DataFrame
        The last row of each tower up to then, by tower_id.
    """
    seen = cast("pd.DataFrame", changed[changed["month"] <= month_number(month)])
    return seen.drop_duplicates("tower_id", keep="last").set_index("tower_id")


def at_months(
    changed: pd.DataFrame, column: str, months: Sequence[str], tower_ids: Sequence[str] | pd.Series
) -> pd.DataFrame:
    """One figure of the readings in force at the end of many months.

    Parameters
    ----------
    changed : pandas.DataFrame
        As `changes` gives it.
    column : str
        Its column that is wanted.
    months : sequence of str
        ``YYYY-MM``, rising.
    tower_ids : sequence of str
        Towers, in the order wanted.

    Returns
    -------
    pandas.DataFrame
        One row per month, one column per tower; blank before the first reading.
    """
    wide = changed.pivot(index="month", columns="tower_id", values=column)
    numbers = [month_number(month) for month in months]
    whole = wide.reindex(index=sorted({*wide.index, *numbers}), columns=list(tower_ids)).ffill()
    return whole.reindex(numbers).set_axis(list(months)).astype(changed[column].dtype)


def months_until(visits: pd.DataFrame, month: str) -> list[str]:
    """Every month from the first visit to a last month.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their dates.
    month : str
        ``YYYY-MM``; the last one.

    Returns
    -------
    list of str
        ``YYYY-MM`` without a gap; the last month alone where there is no visit before its end.

    Examples
    --------
    >>> months_until(pd.DataFrame({"date": pd.to_datetime(["2025-11-03", "2026-01-20"])}), "2026-02")
    ['2025-11', '2025-12', '2026-01', '2026-02']
    """
    first = cast("pd.Timestamp", visits["date"].min())
    begin = month if pd.isna(first) else min(month, f"{first:%Y-%m}")
    return [str(each) for each in pd.period_range(begin, month, freq="M")]


def month_number(month: str) -> int:
    """Months since the year 0.

    Parameters
    ----------
    month : str
        ``YYYY-MM``.

    Returns
    -------
    int

    Examples
    --------
    >>> month_number("2026-01") - month_number("2025-11")
    2
    """
    year, of_year = month.split("-")
    return 12 * int(year) + int(of_year) - 1


def _read(visits):
    """Visits with an impedance that the quality rules do not refuse."""
    return visits["impedance_ohm"].notna() & (visits["footing_verdict"] != REFUSED)


def _ordered(readings, verdict):
    """Readings with a date, in the order in which they come into force."""
    dated = readings[readings["date"].notna()]
    order = dated.assign(_usable=dated[verdict] == "usable").sort_values(["date", "_usable"], kind="stable")
    return order.drop(columns="_usable")
