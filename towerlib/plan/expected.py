"""Expected trip-outs avoided by the best next step at each tower: one measure for works, inspections and retests.

Where a benefit is known it comes from the outage model. Where it is not, it is estimated from the other towers of the
line, and marked: the order of a list must not depend on which figure happens to be missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.readings.causes import BOND_CAUSES, BOND_GONE, SPAN_CAUSE, WEAK_LEG
from towerlib.readings.standing import upper_limits
from towerlib.values import number

if TYPE_CHECKING:
    from numpy.typing import NDArray


COLUMNS = ["expected_avoided_per_year", "expected_basis", "suspicion_probability"]
FEWEST = 5  # towers with a rate below which a line has no relation of its own
STEPS = 81  # of a footing's distribution, in logarithms
MARKED = 0.1  # share of the benefit from which an estimated repair is named
REACH = 3.5  # standard deviations of that distribution
NO_RATE = "not available: the line has no trip-out rates"
UPPER, LOWER = "estimated: the reading is an upper limit", "estimated: the reading is a lower limit"
UNREAD = "estimated from the other towers: no usable reading"
REPAIR = "repair: estimated"


def column(table: pd.DataFrame, name: str, blank: object = np.nan) -> pd.Series:
    """Column of a table, or blanks where its analysis is not available."""
    return cast("pd.Series", table[name]) if name in table else pd.Series(blank, index=table.index)


def expected_benefit(condition: pd.DataFrame) -> pd.DataFrame:
    """Expected trip-outs avoided per year by the best next step at each tower.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`, with the columns of the network and of the outages where
        these are available.

    Returns
    -------
    pandas.DataFrame
        Same index, columns as in `COLUMNS`. expected_avoided_per_year is NaN where the line has no trip-out rates;
        expected_basis names what had to be estimated and is blank where nothing was; suspicion_probability is that of a
        poor bond or of an open span beside the tower [1].

    Notes
    -----
    The sum of three parts. *Footing*: trip-outs avoided by bringing the footing to its target. Where the footing is
    not known, the expectation over a log-normal footing: around the line's own relation of footing to soil, above a
    lower limit, below an upper limit. *Shield wire*: probability of a poor bond or an open span, times what its repair
    avoids. An open bond is taken to add ``open_bond_added_ohm`` to the footing that a stroke meets. *Leg*:
    probability of a damaged leg, times what its repair avoids: one leg of ``legs_usual``.

    Examples
    --------
    >>> towers = pd.DataFrame({"footing_ohm": [5.0, 10.0, 20.0, 40.0, 80.0, np.nan], "target_ohm": 5.0})
    >>> towers["trip_outs_per_year"] = towers["footing_ohm"] / 1000
    >>> towers["avoided_to_target_per_year"] = towers["trip_outs_per_year"] - 0.005
    >>> expected_benefit(towers)["expected_avoided_per_year"].round(3).tolist()
    [0.0, 0.005, 0.015, 0.035, 0.075, 0.027]
    """
    probability, curve = suspicion(condition), _fitted(condition)
    if curve is None:
        blank = {"expected_avoided_per_year": np.nan, "expected_basis": NO_RATE}
        return pd.DataFrame(blank, condition.index).assign(suspicion_probability=probability)
    centre, spread = _prior(condition, curve)
    avoided, basis = _by_footing(condition, curve, centre, spread)
    ohm = condition["footing_ohm"].to_numpy(float)
    ohm = np.where(ohm > 0, ohm, np.exp(centre))
    wire, leg = np.maximum(probability.fillna(0.0), _seen(condition)), _leg_damaged(condition)
    left = 1 - 1 / number("legs_usual")
    with_open_bond, now = curve.rate(ohm + number("open_bond_added_ohm")), curve.rate(ohm)
    repair = curve.exposure * (wire * (with_open_bond - now) + leg * (now - curve.rate(left * ohm)))
    marked = np.where(
        repair > MARKED * (avoided + repair), np.where(basis == "", REPAIR, basis + "; " + REPAIR), basis
    )
    return pd.DataFrame(
        {
            "expected_avoided_per_year": avoided + repair,
            "expected_basis": pd.array(marked, dtype="str"),
            "suspicion_probability": probability,
        },
        index=condition.index,
    )


def suspicion(condition: pd.DataFrame) -> pd.Series:
    """Probability that the bond of a tower is poor or a span beside it open [1].

    Stated by the network analysis; without it, a suspected cause counts with the share of such suspicions that prove
    right (``suspicion_usual``). Blank where nothing was read.
    """
    stated = column(condition, "suspicion_probability").astype(float)
    cause = column(condition, "suspected_cause", "")
    named = cause.isin([*BOND_CAUSES, SPAN_CAUSE]) | column(condition, "span_suspected", "").fillna("").ne("")
    usual = named.map({True: number("suspicion_usual"), False: np.nan}).astype(float)
    return stated.fillna(usual)


def _seen(condition):
    """1 where the crew saw the bond damaged or missing, else 0."""
    return column(condition, "bond_seen", "").isin(BOND_GONE).to_numpy(float)


def _leg_damaged(condition):
    """Probability that a leg carries no current: certain where leads are missing, else by corrosion and currents."""
    missing = column(condition, "leads_missing").fillna(0).to_numpy(float) > 0
    doubted = column(condition, "corrosion", "").eq("heavy") | column(condition, "suspected_cause", "").eq(
        WEAK_LEG
    )
    return np.where(missing, 1.0, np.where(doubted, number("leg_damage_probability"), 0.0))


@dataclass(frozen=True)
class _Curve:
    """Trip-out rate of the line's usual tower over its footing: ln(rate) = level + slope·ln(footing)."""

    slope: float
    level: float
    exposure: NDArray  # rate of each tower over that of the usual tower at the same footing
    chosen: NDArray  # towers whose readings made the fit

    def rate(self, ohm: NDArray) -> NDArray:
        """Trip-outs per year of the usual tower at given footings [Ω]."""
        return np.exp(self.level + self.slope * np.log(np.maximum(ohm, 0.1)))


def _fitted(condition):
    """Curve of the towers whose footing is read; None where too few have a rate."""
    rate, ohm = (column(condition, name).to_numpy(float) for name in ("trip_outs_per_year", "footing_ohm"))
    read = (rate > 0) & (ohm > 0)
    sound = read & ~upper_limits(condition).to_numpy(bool)
    chosen = sound if sound.sum() >= FEWEST else read
    if chosen.sum() < FEWEST:
        return None
    log_ohm, log_rate = np.log(ohm[chosen]), np.log(rate[chosen])
    apart = log_ohm - log_ohm.mean()
    slope = float(apart @ log_rate / (apart @ apart)) if apart @ apart > 0 else 1.0
    slope = max(slope, 0.0)  # a rate does not fall as the footing rises
    level = float(np.median(log_rate - slope * log_ohm))
    with np.errstate(invalid="ignore", divide="ignore"):
        exposure = np.where(read, rate / np.exp(level + slope * np.log(ohm)), 1.0)
    return _Curve(slope, level, exposure, chosen)


def _prior(condition, curve):
    """Centre and spread of ln(footing) of each tower before its own reading: by its soil and by its neighbours."""
    ohm = np.log(condition["footing_ohm"].where(condition["footing_ohm"] > 0).to_numpy(float))
    soil = column(condition, "soil_resistivity_ohm_m").astype(float)
    soil = np.log(soil.where(soil > 0).to_numpy(float))
    least = number("footing_spread_least")
    inside = ohm[curve.chosen]
    centre = np.full(len(ohm), inside.mean())
    spread = np.full(len(ohm), max(inside.std(), least))
    both = curve.chosen & np.isfinite(soil)
    if both.sum() >= 2 * FEWEST and np.ptp(soil[both]) > 0:
        slope, level = np.polyfit(soil[both], ohm[both], 1)
        off = ohm[both] - level - slope * soil[both]
        known = np.isfinite(soil)
        centre[known] = level + slope * soil[known]
        spread[known] = max(off.std(ddof=2), least)
    return _from_neighbours(np.where(curve.chosen, ohm - centre, np.nan), centre, spread)


def _from_neighbours(off, centre, spread):
    """Centre and spread with what the nearest read tower on either side tells, as a first-order autoregression.

    The correlation of one tower with the next comes from the line itself; conditional mean and variance of a Gauss–Markov
    sequence between two known values: any textbook of time series.
    """
    read = np.flatnonzero(np.isfinite(off))
    beside = read[:-1][np.diff(read) == 1]
    if len(beside) < 2 * FEWEST or not np.std(off[read]) > 0:
        return centre, spread
    rho = float(np.clip(np.corrcoef(off[beside], off[beside + 1])[0, 1], 0.0, 0.95))
    places = np.arange(len(off))
    right = np.searchsorted(read, places, side="right")  # a tower's own reading is not its neighbour's
    left = np.searchsorted(read, places, side="left") - 1
    before, after = (
        np.where(found, np.abs(places - read[np.clip(k, 0, len(read) - 1)]), np.inf)
        for k, found in ((left, left >= 0), (right, right < len(read)))
    )
    a, b = rho**before, rho**after
    whole = 1 - (a * b) ** 2
    off_before, off_after = (off[read[np.clip(k, 0, len(read) - 1)]] for k in (left, right))
    shift = (a * (1 - b**2) * off_before + b * (1 - a**2) * off_after) / whole
    return centre + shift, spread * np.sqrt((1 - a**2) * (1 - b**2) / whole)


def _by_footing(condition, curve, centre, spread):
    """Avoided by bringing the footing to its target, and what had to be estimated."""
    known, target = (
        column(condition, name).to_numpy(float) for name in ("avoided_to_target_per_year", "target_ohm")
    )
    upper, bound = (
        upper_limits(condition).to_numpy(bool),
        column(condition, "lower_bound_ohm").to_numpy(float),
    )
    sure = np.isfinite(known) & ~upper
    low = np.where(upper, column(condition, "footing_low_ohm").to_numpy(float), bound)
    high = np.where(upper, condition["footing_ohm"].to_numpy(float), np.inf)
    z = np.linspace(-REACH, REACH, STEPS)[:, None]
    ohm = np.exp(centre + spread * z)
    inside = (ohm >= np.nan_to_num(low)) & (ohm <= high)
    weight = np.exp(-(z**2) / 2) * inside
    none = weight.sum(axis=0) == 0  # the limits lie outside the line's own range: the nearer limit counts
    nearest = np.where(
        np.exp(centre) < np.nan_to_num(low), np.nan_to_num(low), np.minimum(high, np.exp(centre))
    )
    ohm, weight = np.where(none, nearest, ohm), np.where(none, 1.0, weight)
    goal = np.fmin(ohm, np.where(target > 0, target, 0.0))
    saved = (curve.rate(ohm) - curve.rate(goal)) * weight
    estimated = curve.exposure * saved.sum(axis=0) / weight.sum(axis=0)
    basis = np.select([sure, upper, np.isfinite(bound)], ["", UPPER, LOWER], UNREAD).astype(object)
    return np.where(sure, np.maximum(np.nan_to_num(known), 0.0), estimated), basis
