"""How far tests have reached over the months, and what waits for one: a line, and a portfolio of lines."""

import pandas as pd

from towerlib import retest
from towerlib.errors import RecordsError
from towerlib.months import last_day
from towerlib.readings.methods import FOOTING_ALONE, bound

COUNTS = ["towers", "tested", "usable", "overdue", "never_tested", "above_limit"]
SHARES = COUNTS[1:]
PLACE = ["tower_id", "chainage_km", "latitude_deg", "longitude_deg", "access", "occupancy", "limit_ohm"]


def coverage(study, months=None):
    """Coverage and backlog of a line, month by month.

    Parameters
    ----------
    study : Assessment
    months : sequence of str, optional
        ``YYYY-MM``, none later than the study's; else every month from that of the first visit on.

    Returns
    -------
    pandas.DataFrame
        One row a month: line_id, month; counts of towers, tested (by any visit), usable (a usable reading of the
        footing alone stands), overdue, never_tested, above_limit (a lower bound above it counts); and each of
        them as ``…_percent`` of the towers.

    Raises
    ------
    RecordsError
        A month lies after that of the study.

    Notes
    -----
    By the records of today: towers, limits, verdicts and intervals are those of now, visits those up to the
    last day of each month. A visit whose file came late counts from its own date.
    """
    months = _since_first(study) if months is None else list(months)
    if late := [month for month in months if month > study.month]:
        raise RecordsError(f"coverage is asked for {late[0]}, and the line was assessed as of {study.month}")
    visits = study.grades.visits
    kept = _standing(visits)
    counted = [_month(study, month, visits, kept) for month in months]
    table = pd.DataFrame(counted, columns=COUNTS, dtype="int64")
    table.insert(0, "line_id", pd.array([study.line.id] * len(table), dtype="str"))
    table.insert(1, "month", pd.array(months, dtype="str"))
    return _with_shares(table)


def portfolio(coverages):
    """Coverage and backlog of several lines together.

    Parameters
    ----------
    coverages : sequence of pandas.DataFrame
        As `coverage` gives them, one a line.

    Returns
    -------
    pandas.DataFrame
        As there, without line_id: every month up to the last that all lines reach. Before the first month of a
        line its towers count as never tested.

    Raises
    ------
    ValueError
        No line, or one without a month.
    """
    lines = [table.set_index("month")[COUNTS] for table in coverages]
    if not lines or any(table.empty for table in lines):
        raise ValueError("coverage of a portfolio needs at least one line, each with at least one month")
    last = min(table.index.max() for table in lines)
    months = sorted({month for table in lines for month in table.index if month <= last})
    total = sum(_filled(table, months) for table in lines)
    return _with_shares(total.rename_axis("month").reset_index())


def _filled(table, months):
    """The counts of one line in all months; untested before its first, as the month before where one lacks."""
    towers = table["towers"].iloc[0]
    untested = dict.fromkeys(COUNTS, 0) | {"towers": towers, "never_tested": towers}
    wide = table.reindex(sorted({*table.index, *months})).ffill()
    return wide.fillna(untested).astype("int64").reindex(months)


def _since_first(study):
    """Every month from that of the first visit to that of the study."""
    dates = study.grades.visits["date"].dropna()
    first = min(f"{dates.min():%Y-%m}" if len(dates) else study.month, study.month)
    return [str(month) for month in pd.period_range(first, study.month, freq="M")]


def _standing(visits):
    """Visits that can stand for a tower, by what they give, in the order in which the last one stands."""
    usable = visits["footing_verdict"] != "not usable"
    read = usable & visits["impedance_ohm"].notna() & visits["date"].notna()
    alone, limit = visits["method"].isin(FOOTING_ALONE), bound(visits)
    value = read & alone & (limit != ">")
    least = read & ((alone & (limit == ">")) | ((visits["method"] == "no coils") & (limit != "<")))
    order = visits.assign(_usable=visits["footing_verdict"] == "usable").sort_values(
        ["date", "_usable"], kind="stable"
    )
    columns = ["tower_id", "date", "impedance_ohm"]
    return {"value": order.loc[value[order.index], columns], "least": order.loc[least[order.index], columns]}


def _month(study, month, visits, kept):
    """The counts of one month."""
    end = last_day(month)
    if not (visits["date"] <= end).any():
        return [len(study.condition), 0, 0, 0, len(study.condition), 0]
    newest = {
        name: part[part["date"] <= end].drop_duplicates("tower_id", keep="last").set_index("tower_id")
        for name, part in kept.items()
    }
    towers = study.condition[PLACE]
    ids = towers["tower_id"]
    read, least = ids.map(newest["value"]["impedance_ohm"]), ids.map(newest["least"]["impedance_ohm"])
    above = read.fillna(least) > towers["limit_ohm"]
    tested = ids.isin(visits["tower_id"][visits["date"] <= end])
    table = towers.assign(
        footing_ohm=read.astype(float),
        lower_bound_ohm=least.astype(float),
        footing_date=newest["value"]["date"].astype("datetime64[ns]").reindex(ids).to_numpy(),
        impedance_class=above.map({True: "above limit", False: ""}),
        verdict=tested.map({True: "", False: "not tested"}),
    )
    reasons = retest.retest_list(table, study.grades, study.line, month)["reason"]
    counts = (
        len(ids),
        tested.sum(),
        read.notna().sum(),
        (reasons == "overdue").sum(),
        (~tested).sum(),
        above.sum(),
    )
    return [int(count) for count in counts]


def _with_shares(table):
    """The table with every count as a part of the towers [%]."""
    return table.assign(**{f"{name}_percent": 100.0 * table[name] / table["towers"] for name in SHARES})
