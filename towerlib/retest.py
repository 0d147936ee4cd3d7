"""Which towers to test again, why, and what to do better: the list that goes back to the crew."""

import numpy as np
import pandas as pd

from towerlib.line.safety import OFTEN_VISITED
from towerlib.months import last_day
from towerlib.values import number

COLUMNS = """
    tower_id chainage_km latitude_deg longitude_deg access reason last_ohm last_date due_date what_to_do
""".split()
WITH_COILS = "Put coils round all legs, with every path to earth inside a coil."


def retest_list(condition, grades, line, month):
    """Towers to test again, in route order.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    grades : Grades
        Visits with verdicts, and the rules that they failed.
    line : Line
        Its `retest` section holds the intervals.
    month : str
        ``YYYY-MM``; a test due by its last day is overdue.

    Returns
    -------
    pandas.DataFrame
        One row a tower without a usable reading of the footing alone, or overdue; columns as in `COLUMNS`.
        `what_to_do` repeats what the rules said of the newest visit that was not fully usable.

    Notes
    -----
    The interval is a rule a tower: short where the last value is above the limit or people are often there,
    long elsewhere.
    """
    end = last_day(month)
    due = condition["footing_date"] + _interval(condition, line)
    unread = condition["footing_ohm"].isna()
    overdue = ~unread & (due <= end)
    listed = condition.assign(
        reason=np.select(
            [
                condition["verdict"] == "not tested",
                condition["lower_bound_ohm"].notna() & unread,
                unread,
                overdue,
            ],
            ["never tested", "only read without coils", "no usable reading", "overdue"],
            default="",
        ),
        last_ohm=condition["footing_ohm"].fillna(condition["lower_bound_ohm"]),
        last_date=condition["footing_date"],
        due_date=due,
        what_to_do=_advice(condition, grades.visits[grades.visits["date"] <= end], grades.findings),
    )
    return listed.loc[unread | overdue, COLUMNS].reset_index(drop=True)


def _interval(condition, line):
    """Time between two tests of each tower."""
    close = (condition["impedance_class"] == "above limit") | condition["occupancy"].isin(OFTEN_VISITED)
    years = np.where(close, line.retest.close_years, line.retest.normal_years)
    return pd.to_timedelta(np.round(years * number("days_per_year")), unit="D")


def _advice(condition, visits, findings):
    """What the newest visit of each tower asks for, in the words of the rules; else how to test at all."""
    newest = visits.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    told = findings[findings["visit_id"].isin(newest["visit_id"])]
    words = told.groupby("tower_id")["sentence"].agg(" ".join)
    return condition["tower_id"].map(words).astype("str").fillna(WITH_COILS)
