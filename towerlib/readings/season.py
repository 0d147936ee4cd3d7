"""Season of a reading, and the factors by which the footing may differ from it at other times of the year.

Nothing here corrects a reading: the factors widen its interval, and the reading stays as it was taken.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import pandas as pd

from towerlib.config.sections import Seasons
from towerlib.readings.methods import yes

STATES = ("dry", "normal", "wet", "frozen")
UNKNOWN = "unknown"
_QUARTERS = ("summer", "autumn", "winter", "spring")  # from December in the south, from June in the north
COLUMNS = ["season_class", "season_low_factor", "season_high_factor", "dry_low_factor", "dry_high_factor"]


def class_of_season(visits: pd.DataFrame, latitude_deg: float | pd.Series | None = None) -> pd.Series:
    """Season class of each visit: ``dry``, ``normal``, ``wet``, ``frozen``; "unknown, winter" and the like; or "unknown".

    The recorded soil state decides, else the time of year: ``soil_state``, ``date``, ``latitude_deg`` of the visits, or
    `latitude_deg` [°] where they have none, whose sign gives the hemisphere. The month does not show the soil state:
    wet and dry seasons differ from region to region and from year to year. It only keeps visits apart that were made at
    other times of the year. Summer is December to February in the south, June to August in the north; in the tropics
    the word means no more than these months.

    >>> visits = pd.DataFrame({"soil_state": ["dry", None], "date": pd.to_datetime(["2026-01-10"] * 2)})
    >>> class_of_season(visits, latitude_deg=-32.0).tolist()
    ['dry', 'unknown, summer']
    """
    latitude = pd.Series(np.nan, visits.index) if latitude_deg is None else latitude_deg
    if "latitude_deg" in visits:
        latitude = visits["latitude_deg"].astype(float).fillna(latitude)
    latitude = pd.Series(latitude, visits.index, dtype=float)
    quarter = visits["date"].dt.month % 12 // 3 + np.where(latitude > 0, 2, 0)
    known = quarter.where(latitude.notna() & (latitude != 0)) % 4
    words = known.map(dict(enumerate(_QUARTERS)))
    unknown = (UNKNOWN + ", " + words).fillna(UNKNOWN)
    state = cast("pd.Series", visits["soil_state"])
    return state.where(state.isin(STATES), unknown).astype("str")


def factors(season_class: pd.Series, ring: pd.Series, seasons: Seasons | None = None) -> pd.DataFrame:
    """Factors between a reading and the footing in other seasons.

    Parameters
    ----------
    season_class
        Class of each reading, as `class_of_season` gives it.
    ring
        Whether a ring or counterpoise joins the legs; blank counts as no.
    seasons
        Ratios of the user's own: ``[seasons]`` of ``line.toml``.

    Returns
    -------
    pandas.DataFrame
        One row per reading, in the index of `season_class`: ``season_class``; ``season_low_factor`` ≤ 1 and
        ``season_high_factor`` ≥ 1, lowest and highest value through the year over the reading;
        ``dry_low_factor`` and ``dry_high_factor``, the value in dry soil over the reading.

    Notes
    -----
    With dry over wet between a and b: a reading in wet soil may rise to b, one in dry fall to 1/b. Normal
    soil is put half way in logarithms, √b to either side; unknown soil may be at either end. Frozen ground is
    normal soil below the frost. Deep footings change less than wires buried shallow, so one factor for all
    towers is wrong. Set the ratios of control towers where there are any.

    References
    ----------
    Aibangbee and Ikheloa, IJIRD 7(8), 2018 (four tower footings, 13 months); rows ``season_…`` and
    ``frozen_…`` of the values table.

    Examples
    --------
    >>> found = factors(pd.Series(["wet", "dry"]), pd.Series([False, False], dtype="boolean"))
    >>> print(found["season_high_factor"].tolist(), found["season_low_factor"].round(2).tolist())
    [1.5, 1.0] [1.0, 0.67]
    """
    seasons = seasons or Seasons.model_validate({})
    joined = yes(ring).to_numpy()
    least, most = seasons.ratio_low, np.where(joined, seasons.ring_ratio_high, seasons.ratio_high)
    frost = np.where(joined, seasons.frozen_ring_ratio, seasons.frozen_ratio)
    kinds = [season_class == state for state in STATES]
    root_least, root, one = np.sqrt(least), np.sqrt(most), np.ones(len(joined))
    choices = {  # dry, normal, wet, frozen; unknown
        "season_low_factor": ([1 / most, 1 / root, one, 1 / (root * frost)], 1 / most),
        "season_high_factor": ([one, root, most, root], most),
        "dry_low_factor": ([one, one * root_least, one * least, root_least / frost], one),
        "dry_high_factor": ([one, root, most, root], most),
    }
    factors = {name: np.select(kinds, of_kind, unknown) for name, (of_kind, unknown) in choices.items()}
    return pd.DataFrame({"season_class": season_class, **factors}, columns=COLUMNS)
