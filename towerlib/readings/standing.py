"""Which reading is in force at a tower on a day: one rule for the condition, the explorer's months and the coverage.

The newest reading counts. Of several on one day a usable one goes before one that is usable with caution, then the
one listed last. It stays in force until a newer one comes. Three kinds of readings are kept apart: the footing alone,
a lower limit of the footing (read without coils, or beyond the range), and the leakage gap. A reading with leg coils
where earth paths lie beside the coils is an upper limit of the footing; it counts as a reading of the footing alone
until there is one of all paths. A sheet that repeats an older one of the tower is no new reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

import pandas as pd

from towerlib.readings.methods import FOOTING_ALONE, bound, no, yes

REFUSED = "not usable"


def beside_coils(visits: pd.DataFrame, towers: pd.DataFrame) -> pd.Series:
    """Whether each visit reads an upper limit of the footing: leg coils, and earth paths that no coil surrounds.

    A part of the footing's current then passes beside the coils, and the impedance reads high. ``earth_paths_in_coils``
    of the register decides; where it is blank, the guys of a guyed tower count as outside.
    """
    outside = no(cast("pd.Series", towers["earth_paths_in_coils"]))
    if "structure" in towers:
        outside |= towers["earth_paths_in_coils"].isna() & towers["structure"].eq("guyed").fillna(False)
    return visits["method"].eq("leg coils") & visits["tower_id"].isin(towers["tower_id"][outside])


def footings(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits with a value of the footing alone that may be used.

    Those not refused by the quality rules, read with coils or with the shield wire lifted, and not beyond the range of
    the instrument. A value below the range counts as its upper limit. Graded visits need method, impedance_ohm,
    footing_verdict and, where there are any, impedance_ohm_bound, upper_limit_only (as `beside_coils` gives it; left out
    from the day on that the tower has a reading of all its paths) and repeats_visit_id.
    """
    alone = visits["method"].isin(FOOTING_ALONE) & (bound(visits) != ">")
    read = cast("pd.DataFrame", visits[_read(visits) & alone])
    upper = upper_limits(read)
    if not upper.any():
        return read
    known_from = read["date"].mask(upper).groupby(read["tower_id"]).transform("min")
    return cast("pd.DataFrame", read[~(upper & (read["date"] >= known_from))])


def upper_limits(visits: pd.DataFrame) -> pd.Series:
    """Column ``upper_limit_only`` of graded visits; nowhere true where there is none."""
    if "upper_limit_only" in visits:
        return yes(cast("pd.Series", visits["upper_limit_only"]))
    return pd.Series(False, visits.index)


def lower_limits(visits: pd.DataFrame) -> pd.DataFrame:
    """Visits after which the footing is certainly as high as the value read, or higher; takes what `footings` takes.

    Those read without coils, since the rest of the line in parallel can only lower the value, or beyond the range of
    the instrument.
    """
    side = bound(visits)
    beyond = visits["method"].isin(FOOTING_ALONE) & (side == ">")
    parallel = (visits["method"] == "no coils") & (side != "<")
    return cast("pd.DataFrame", visits[_read(visits) & (beyond | parallel)])


def gaps(visits: pd.DataFrame, currents: pd.DataFrame) -> pd.DataFrame:
    """Visits with a leakage gap that may be used, one row each: date, leakage_verdict, the columns of `currents`.

    Graded visits have visit_id, date, leakage_verdict; `currents` is from `towerlib.readings.leg_currents.summarise`.
    Also gap_of_sum, the gap over the sum of the leg currents [1] (gap_fraction of `currents` is blank where the sum is
    small).
    """
    graded = visits.loc[_own(visits), ["visit_id", "date", "leakage_verdict"]]
    read = graded.merge(currents.drop(columns="date", errors="ignore"), on="visit_id", validate="1:1")
    read = cast("pd.DataFrame", read[read["gap_ma"].notna() & (read["leakage_verdict"] != REFUSED)])
    sum_ma = cast("pd.Series", read["leakage_sum_ma"])
    return read.assign(gap_of_sum=read["gap_ma"] / sum_ma.where(sum_ma > 0))


def in_force(readings: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """The newest reading of each tower, by tower_id, of those up to the day in question.

    `verdict` names the column that decides between two readings of one day.
    """
    return _ordered(readings, verdict).drop_duplicates("tower_id", keep="last").set_index("tower_id")


def changes(readings: pd.DataFrame, verdict: str) -> pd.DataFrame:
    """The reading in force at each tower at the end of every month in which a reading came; takes what `in_force` takes.

    The rows, oldest first, with ``month`` as `month_number` counts it. Each is in force until the next row of its
    tower.
    """
    when = readings["date"]
    numbered = readings.assign(month=12 * when.dt.year + when.dt.month - 1)
    return _ordered(numbered, verdict).drop_duplicates(["tower_id", "month"], keep="last")


def at_month(changed: pd.DataFrame, month: str) -> pd.DataFrame:
    """Last row of each tower up to the end of a month ``YYYY-MM``, by tower_id; `changed` from `changes`, oldest first."""
    seen = cast("pd.DataFrame", changed[changed["month"] <= month_number(month)])
    return seen.drop_duplicates("tower_id", keep="last").set_index("tower_id")


def at_months(
    changed: pd.DataFrame, column: str, months: Sequence[str], tower_ids: Sequence[str] | pd.Series
) -> pd.DataFrame:
    """One figure of the readings in force at the end of many months: one row per month, one column per tower.

    `changed` is from `changes`, `months` (``YYYY-MM``) rise, `tower_ids` are in the order wanted. Blank before the
    first reading.
    """
    wide = changed.pivot(index="month", columns="tower_id", values=column)
    numbers = [month_number(month) for month in months]
    whole = wide.reindex(index=sorted({*wide.index, *numbers}), columns=list(tower_ids)).ffill()
    return whole.reindex(numbers).set_axis(list(months)).astype(changed[column].dtype)


def months_until(visits: pd.DataFrame, month: str) -> list[str]:
    """Every month ``YYYY-MM`` from the first visit to a last month; that alone where there is no visit before its end.

    >>> months_until(pd.DataFrame({"date": pd.to_datetime(["2025-11-03", "2026-01-20"])}), "2026-02")
    ['2025-11', '2025-12', '2026-01', '2026-02']
    """
    first = cast("pd.Timestamp", visits["date"].min())
    begin = month if pd.isna(first) else min(month, f"{first:%Y-%m}")
    return [str(each) for each in pd.period_range(begin, month, freq="M")]


def month_number(month: str) -> int:
    """Months since the year 0 of a month ``YYYY-MM``."""
    year, of_year = month.split("-")
    return 12 * int(year) + int(of_year) - 1


def _read(visits):
    """Visits with an impedance of their own that the quality rules do not refuse."""
    return visits["impedance_ohm"].notna() & (visits["footing_verdict"] != REFUSED) & _own(visits)


def _own(visits):
    """Visits whose sheet does not repeat an older one of the tower."""
    if "repeats_visit_id" not in visits:
        return pd.Series(True, visits.index)
    return visits["repeats_visit_id"].isna() | visits["repeats_visit_id"].eq("")


def _ordered(readings, verdict):
    """Readings with a date, in the order in which they come into force."""
    dated = readings[readings["date"].notna()]
    order = dated.assign(_usable=dated[verdict] == "usable").sort_values(["date", "_usable"], kind="stable")
    return order.drop(columns="_usable")
