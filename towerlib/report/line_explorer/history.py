"""Changes of footing impedance, verdict and gap at each tower, month by month, from the graded visits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import condition
from towerlib.months import last_day
from towerlib.readings import standing

if TYPE_CHECKING:
    from towerlib.config.sections import Seasons

COLUMNS = ["tower_id", "month", "date", "value", "low", "high", "verdict", "bounded"]


def footings(visits: pd.DataFrame, towers: pd.DataFrame, seasons: Seasons, month: str) -> pd.DataFrame:
    """Changes of the footing impedance in force, or of its lower limit while nothing better is known.

    One row per tower and month in which a reading came: tower_id, month (months since the year 0), date, value,
    low, high [Ω], verdict, bounded (the value is a lower limit only). Each row is in force until the next row of
    the tower. `month`: ``YYYY-MM``; later visits are not seen. The rules are those of `towerlib.readings.standing`.
    A lower limit counts only before the first reading of the footing alone.
    """
    visits = _seen(visits, month)
    read = standing.changes(standing.footings(visits), "footing_verdict")
    limits = standing.changes(standing.lower_limits(visits), "footing_verdict")
    interval = condition.reading_intervals(read, towers, seasons)
    ends = {"low": interval["footing_low_ohm"], "high": interval["footing_high_ohm"]}
    known = _rows(read, "impedance_ohm", read["footing_verdict"], **ends).assign(bounded=False)
    certain = _rows(limits, "impedance_ohm", limits["footing_verdict"]).assign(bounded=True)
    return _merged([known, certain])


def verdicts(visits: pd.DataFrame, in_force: pd.DataFrame, month: str) -> pd.DataFrame:
    """Changes of the verdict on the reading in force.

    As `footings`; "not usable" from the first visit on until a reading is in force. `month`: ``YYYY-MM``; later
    visits are not seen.
    """
    flawed = standing.changes(_seen(visits, month), "footing_verdict").assign(
        footing_verdict=standing.REFUSED, impedance_ohm=np.nan
    )
    return _merged([in_force, _rows(flawed, "impedance_ohm", flawed["footing_verdict"])])


def gaps(visits: pd.DataFrame, currents: pd.DataFrame, month: str) -> pd.DataFrame:
    """Changes of the gap fraction in force.

    As `footings`: value is the gap over the arithmetic sum, low its low end. `month`: ``YYYY-MM``; later visits are
    not seen.
    """
    read = standing.changes(standing.gaps(_seen(visits, month), currents), "leakage_verdict")
    return _merged([_rows(read, "gap_of_sum", read["leakage_verdict"], low=read["gap_fraction_low"])])


def _seen(visits, month):
    """Visits up to the last day of a month."""
    return cast("pd.DataFrame", visits[visits["date"] <= last_day(month)])


def _rows(visits, value, verdict, low: Any = np.nan, high: Any = np.nan):
    """Changes in their columns."""
    return pd.DataFrame(
        {
            "tower_id": visits["tower_id"],
            "month": visits["month"],
            "date": visits["date"],
            "value": visits[value].astype("float64"),
            "low": low,
            "high": high,
            "verdict": verdict,
        }
    )


def _merged(streams):
    """Changes of all streams; one gives way for good from the month in which a better one begins."""
    kept: list[pd.DataFrame] = []
    begins = pd.Series(dtype="float64")
    for stream in streams:
        first = stream["tower_id"].map(begins).astype("float64").fillna(np.inf)
        kept.append(cast("pd.DataFrame", stream[stream["month"] < first]))
        starts = cast("pd.Series", stream.groupby("tower_id")["month"].min().astype("float64"))
        begins = cast(
            "pd.Series", pd.concat([begins, starts]).groupby(level=0).min() if len(begins) else starts
        )
    found = pd.concat([part for part in kept if len(part)] or kept[:1])
    found = found.reindex(columns=COLUMNS).assign(bounded=found.get("bounded", False))
    found["bounded"] = found["bounded"].astype("boolean").fillna(False).astype(bool)
    return found.sort_values(["tower_id", "month"], kind="stable").reset_index(drop=True)
