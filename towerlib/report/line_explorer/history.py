"""What stood at each tower at the end of every month, from the graded visits alone."""

import numpy as np
import pandas as pd

from towerlib import condition
from towerlib.months import last_day
from towerlib.readings import season
from towerlib.readings.methods import FOOTING_ALONE, bound

COLUMNS = ["tower_id", "month", "date", "value", "low", "high", "verdict", "bounded"]


def months(visits, month):
    """Every month from the first visit to the month of the study.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their dates.
    month : str
        ``YYYY-MM``; the last one.

    Returns
    -------
    list of str
        ``YYYY-MM`` without a hole; the month of the study alone where there is no visit before its end.

    Examples
    --------
    >>> months(pd.DataFrame({"date": pd.to_datetime(["2025-11-03", "2026-01-20"])}), "2026-02")
    ['2025-11', '2025-12', '2026-01', '2026-02']
    """
    last = pd.Period(month, freq="M")
    first = visits["date"].min()
    first = last if pd.isna(first) else min(last, pd.Period(first, freq="M"))
    return [str(each) for each in pd.period_range(first, last, freq="M")]


def footings(visits, towers, seasons, month):
    """Changes of the footing impedance that stands, or of its lower bound while nothing better is known.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their verdicts.
    towers : pandas.DataFrame
        tower_id, ring.
    seasons : towerlib.config.Seasons
        What the season leaves open.
    month : str
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        One row a tower and month in which a reading came: tower_id, month (months since the year 0), date,
        value, low, high [Ω], verdict, bounded (the value is a lower bound). It stands until the next row of
        the tower.

    Notes
    -----
    The rules are those of `towerlib.condition.assess`: the newest usable reading of the footing alone stands,
    and a lower bound counts only before the first of them.
    """
    visits = _seen(visits, month)
    read = visits["impedance_ohm"].notna() & (visits["footing_verdict"] != "not usable")
    alone, side = visits["method"].isin(FOOTING_ALONE), bound(visits)
    least = read & (((visits["method"] == "no coils") & (side != "<")) | (alone & (side == ">")))
    stands = _last_of_month(visits[read & alone & (side != ">")], "footing_verdict")
    bounds = _last_of_month(visits[least], "footing_verdict")
    interval = _interval(stands, towers, seasons)
    known = _rows(stands, "impedance_ohm", stands["footing_verdict"], **interval)
    known = known.assign(bounded=False)
    certain = _rows(bounds, "impedance_ohm", bounds["footing_verdict"]).assign(bounded=True)
    return _merged([known, certain])


def verdicts(visits, standing, month):
    """Changes of the verdict on the reading that stands.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their verdicts.
    standing : pandas.DataFrame
        As `footings` gives it.
    month : str
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        As `footings`; "not usable" from the first visit on until a reading stands.
    """
    visits = _seen(visits, month)
    flawed = _last_of_month(visits, "footing_verdict").assign(
        footing_verdict="not usable", impedance_ohm=np.nan
    )
    return _merged([standing, _rows(flawed, "impedance_ohm", flawed["footing_verdict"])])


def gaps(visits, currents, month):
    """Changes of the gap fraction that stands.

    Parameters
    ----------
    visits : pandas.DataFrame
        With their verdicts.
    currents : pandas.DataFrame
        What the leg currents of each visit say.
    month : str
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        As `footings`: value is the gap over the arithmetic sum, low its low end.
    """
    visits = _seen(visits, month)[["visit_id", "tower_id", "date", "leakage_verdict"]]
    told = currents[["visit_id", "gap_ma", "leakage_sum_ma", "gap_fraction_low"]]
    read = visits.merge(told, on="visit_id", validate="1:1")
    read = read[read["gap_ma"].notna() & (read["leakage_verdict"] != "not usable")]
    fraction = read["gap_ma"] / read["leakage_sum_ma"].where(read["leakage_sum_ma"] > 0)
    stands = _last_of_month(read.assign(fraction=fraction), "leakage_verdict")
    return _merged([_rows(stands, "fraction", stands["leakage_verdict"], low=stands["gap_fraction_low"])])


def at(changes, month):
    """What stands at each tower at the end of a month.

    Parameters
    ----------
    changes : pandas.DataFrame
        As `footings`, `verdicts` or `gaps` gives it.
    month : str
        ``YYYY-MM``.

    Returns
    -------
    pandas.DataFrame
        The last row of each tower up to then, by tower_id.
    """
    seen = changes[changes["month"] <= number(month)]
    return seen.drop_duplicates("tower_id", keep="last").set_index("tower_id")


def number(month):
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
    >>> number("2026-01") - number("2025-11")
    2
    """
    year, of_year = month.split("-")
    return 12 * int(year) + int(of_year) - 1


def _seen(visits, month):
    """Visits up to the last day of a month."""
    return visits[visits["date"] <= last_day(month)]


def _last_of_month(visits, verdict):
    """The newest visit of each tower and month; on one day the better verdict, then the one listed last."""
    month = 12 * visits["date"].dt.year + visits["date"].dt.month - 1
    order = visits.assign(_month=month, _usable=visits[verdict] == "usable")
    order = order.sort_values(["date", "_usable"], kind="stable")
    return order.drop_duplicates(["tower_id", "_month"], keep="last")


def _interval(stands, towers, seasons):
    """Low and high end of each reading, by instrument and season."""
    ring = towers.set_index("tower_id")["ring"].reindex(stands["tower_id"]).set_axis(stands.index)
    band = season.band(season.class_of_season(stands), ring, seasons)
    ends = condition.footing_interval(
        stands, season_low=band["season_low_factor"], season_high=band["season_high_factor"]
    )
    return {"low": ends["footing_low_ohm"], "high": ends["footing_high_ohm"]}


def _rows(visits, value, verdict, low=np.nan, high=np.nan):
    """Changes in their columns."""
    return pd.DataFrame(
        {
            "tower_id": visits["tower_id"],
            "month": visits["_month"],
            "date": visits["date"],
            "value": visits[value].astype("float64"),
            "low": low,
            "high": high,
            "verdict": verdict,
        }
    )


def _merged(streams):
    """Changes of all streams; one gives way for good from the month in which a better one begins."""
    kept, begins = [], pd.Series(dtype="float64")
    for stream in streams:
        first = stream["tower_id"].map(begins).astype("float64").fillna(np.inf)
        kept.append(stream[stream["month"] < first])
        starts = stream.groupby("tower_id")["month"].min().astype("float64")
        begins = pd.concat([begins, starts]).groupby(level=0).min() if len(begins) else starts
    found = pd.concat([part for part in kept if len(part)] or kept[:1])
    found = found.reindex(columns=COLUMNS).assign(bounded=found.get("bounded", False))
    found["bounded"] = found["bounded"].astype("boolean").fillna(False).astype(bool)
    return found.sort_values(["tower_id", "month"], kind="stable").reset_index(drop=True)
