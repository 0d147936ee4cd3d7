"""Corrections learned from completed works: achieved against predicted footings."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.months import last_day
from towerlib.readings import trends
from towerlib.readings.tower_soil import ASSUMED
from towerlib.treatments.catalogue import Treatment, shipped
from towerlib.treatments.prediction import banded, digs, lengths, response
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from towerlib.records.load import Records


WORKS = """
    tower_id works_date treatment quantity cost kind soil_class before_date before_ohm predicted_ohm predicted_low_ohm
    predicted_high_ohm after_date after_ohm log_ratio improved works_verdict
""".split()
CORRECTIONS = "kind soil_class n mean_log_ratio learned_factor".split()
MOST_PIECES, MOST_LENGTH_M = 100, 500.0  # larger quantities are typing errors, as in [treatments] own
WORDS = [  # start of a word in the name of a work, kind, count, length [m], unit of the quantity
    ("radial", "radials", 4, 30.0, "metres"),
    ("ring", "ring", 0, 0.0, ""),
    ("counterpoise", "radials", 4, 30.0, "metres"),
    ("deep", "drilled", 1, 12.0, "metres"),
    ("drilled", "drilled", 1, 12.0, "metres"),
    ("rod", "rods", 4, 3.0, "pieces"),
    ("lead", "lead", 0, 0.0, ""),
    ("bond", "rebond", 0, 0.0, ""),
    ("(?:back)?fill", "rods", 1, 3.0, "metres"),
    ("arrester", "arresters", 0, 0.0, ""),
]
_NAMES = {
    "before_works_date": "before_date",
    "before_works_ohm": "before_ohm",
    "after_works_date": "after_date",
    "after_works_ohm": "after_ohm",
}


def works_done(
    records: Records, sites: pd.DataFrame, catalogue: Sequence[Treatment], month: str, visits: pd.DataFrame
) -> pd.DataFrame:
    """Completed works compared with later comparable readings: `WORKS` of each tower's last work, up to a month.

    predicted_ohm [Ω] starts from the reading before the work; log_ratio = ln(achieved/predicted); improved is blank where
    no two readings can be compared. Visits may be graded or not.
    """
    end, line = last_day(month), records.line
    works = records.works.loc[records.works["date"] <= end]
    if not len(works):
        return pd.DataFrame(columns=WORKS)
    history = trends.history(
        visits.loc[visits["date"] <= end], works, records.towers, alike=line.comparable, seasons=line.seasons
    )
    history = history[history["works_date"].notna()].drop(columns=["jump_verdict"])
    last = works.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    kept = last.reindex(columns=["tower_id", "treatment", "quantity", "cost"])
    table = kept.merge(history, on="tower_id", validate="1:1").rename(columns=_NAMES)
    table = table.merge(sites, on="tower_id", validate="1:1", suffixes=("", "_now"))
    table = table.join(_predicted(table, catalogue, line.treatments))
    with np.errstate(invalid="ignore"):
        ratio = np.log(table["after_ohm"].astype(float) / table["predicted_ohm"].astype(float))
    verdict = table["works_verdict"].astype("object")
    better = pd.array(verdict.str.contains("down"), dtype="boolean")
    unknown = (table["after_ohm"].isna() | table["before_ohm"].isna()).to_numpy()
    better[unknown] = pd.NA
    return cast("pd.DataFrame", table.assign(log_ratio=ratio, improved=better)[WORKS]).reset_index(drop=True)


def _predicted(table, catalogue, settings):
    """Kind and predicted footing of each work, from the reading before it."""
    rows = []
    for place in range(len(table)):
        work = table.iloc[[place]]
        treatment = as_treatment(work["treatment"].iloc[0], work["quantity"].astype(float).iloc[0], catalogue)
        kind = treatment.kind if treatment else ""
        found = (np.nan,) * 3
        # a prediction from the footing alone teaches nothing about the treatment
        by_soil = work["soil_source"].iloc[0] != ASSUMED
        if treatment and digs(treatment) and by_soil and work["before_ohm"].notna().all():
            before = work["before_ohm"].astype(float)
            spread = 1 + number("operating_uncertainty_percent") / 100
            site = work.assign(
                footing_ohm=before, footing_low_ohm=before / spread, footing_high_ohm=before * spread
            )
            found_response = response(treatment, site, settings, lengths(treatment, site))
            found = tuple(float(part[0]) for part in banded(found_response, site))
        rows.append((kind, *found))
    names = ["kind", "predicted_ohm", "predicted_low_ohm", "predicted_high_ohm"]
    return pd.DataFrame(rows, columns=names, index=table.index)


def as_treatment(name: str, quantity: float, catalogue: Sequence[Treatment]) -> Treatment | None:
    """Treatment that corresponds to a work of ``works.csv``: of the catalogue by name, else by its words; None where neither.

    `quantity` in metres or pieces; NaN takes the usual size.

    Examples
    --------
    >>> found = as_treatment("radial counterpoise", 120.0, ())
    >>> found.kind, found.count, found.length_m
    ('radials', 4, 30.0)
    """
    text = str(name).strip().lower()
    for treatment in (*catalogue, *shipped()):
        if treatment.option.lower() == text:
            return treatment
    for word, kind, count, length_m, counts in WORDS:
        if re.search(rf"\b{word}", text):
            fill_mm = 200.0 if "fill" in text else 0.0
            if quantity > 0 and counts == "metres":
                count = count if kind == "radials" else max(1, round(quantity / length_m))
                length_m = quantity / count
            if quantity > 0 and counts == "pieces":
                count = max(1, round(quantity))
            return Treatment(name, kind, count, length_m, fill_mm) if _buildable(count, length_m) else None
    return None


def _buildable(count, length_m):
    """Whether one treatment of one tower can have that size."""
    return count <= MOST_PIECES and length_m <= MOST_LENGTH_M


def corrections(done: pd.DataFrame) -> pd.DataFrame:
    """Learned correction factors by kind of treatment and soil class.

    Parameters
    ----------
    done : pandas.DataFrame
        From `works_done`.

    Returns
    -------
    pandas.DataFrame
        One row per kind and soil class: columns as in `CORRECTIONS`. learned_factor multiplies the next prediction.

    Notes
    -----
    exp(n·m/(n + σ²/τ²)): the mean log-ratio m of n works is weighted towards 0, the more strongly the fewer works
    there are. σ and τ are `learned_pair_spread` and `learned_bias_spread`.

    References
    ----------
    Posterior mean of a normal mean with known variances; any textbook of Bayesian statistics.

    Examples
    --------
    >>> done = pd.DataFrame({"kind": ["rods"], "soil_class": ["soft"], "log_ratio": [0.5]})
    >>> print(corrections(done)["learned_factor"].iloc[0])
    1.0714
    """
    compared = done.loc[done["log_ratio"].notna()]
    if not len(compared):
        return pd.DataFrame(
            {"kind": [], "soil_class": [], "n": [], "mean_log_ratio": [], "learned_factor": []}
        )
    soil = (
        cast("pd.Series", compared["soil_class"]).astype("object").where(compared["soil_class"].notna(), "")
    )
    groups = compared.assign(soil_class=soil, log_ratio=compared["log_ratio"].astype(float)).groupby(
        ["kind", "soil_class"]
    )
    table = groups["log_ratio"].agg(n="size", mean_log_ratio="mean").reset_index()
    prior = (number("learned_pair_spread") / number("learned_bias_spread")) ** 2
    return table.assign(learned_factor=np.exp(table["n"] * table["mean_log_ratio"] / (table["n"] + prior)))


def log_factors(taught: pd.DataFrame, treatment: Treatment, sites: pd.DataFrame) -> np.ndarray:
    """Learned ln(achieved/predicted) of a treatment at each tower, from `corrections`; 0 without one."""
    soil = sites["soil_class"].astype("object").where(sites["soil_class"].notna(), "")
    of_kind = taught[taught["kind"] == treatment.kind]
    factor = dict(zip(of_kind["soil_class"], of_kind["learned_factor"], strict=True))
    return np.log(cast("Any", soil).map(factor).astype(float).fillna(1.0).to_numpy())
