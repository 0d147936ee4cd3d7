"""Soil at each tower: two layers where a sounding shows them, else the register, else not known."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.records.load import Records


COLUMNS = [
    *("upper_ohm_m", "lower_ohm_m", "depth_m", "is_layered", "resistivity_ohm_m", "soil_u", "soil_source")
]
SOUNDING, LAYERS, REGISTER, MEAN = (
    "two layers, sounding",
    "two layers, register",
    "register",
    "sounding, mean",
)
ASSUMED = "assumed: 20 m times the footing"
SPACINGS_LEAST = 2  # one spacing is one depth, not the soil that a tower meets


def tower_soil(records: Records, tower_ids: pd.Series, end: pd.Timestamp) -> pd.DataFrame:
    """Soil of each tower for predictions, one row per tower in the order wanted.

    upper_ohm_m, lower_ohm_m [Ω·m] and depth_m [m] of the boundary (inf in uniform soil); is_layered; resistivity_ohm_m,
    the geometric mean of both; soil_u, standard uncertainty of its logarithm; soil_source, and NaN with a blank source
    where nothing is known. Soundings later than `end` are not seen; the newest day of a tower counts.

    In this order: two layers that fit a sounding, two layers of the register, one resistivity of the register, the mean
    of a sounding that shows no layers. Never a guess from the footing: that would predict a treatment from itself.
    """
    soundings = {tower: _fit(*sounding) for tower, sounding in _newest(records.soil, end).items()}
    register = records.towers.set_index("tower_id")
    rows = [_one(soundings.get(tower), register.loc[tower]) for tower in tower_ids]
    return pd.DataFrame(rows, columns=COLUMNS, index=tower_ids.index)


def soil_or_assumed(soil: pd.DataFrame, footing_ohm: pd.Series) -> pd.DataFrame:
    """Soil of `tower_soil`; where none is known, uniform soil of 20 m times the tower's own footing [Ω].

    With the wide spread of such a ratio (``soil_ratio_spread``). A prediction from it follows from the footing alone: it
    gives a size and an interval for a plan, and is no evidence on the treatment.
    """
    from towerlib.physics.lightning.flashover import assumed_resistivity

    found = soil.copy()
    lost = found["resistivity_ohm_m"].isna() & (footing_ohm > 0)
    guess = assumed_resistivity(footing_ohm[lost].to_numpy(float))
    for name in ("upper_ohm_m", "lower_ohm_m", "resistivity_ohm_m"):
        found.loc[lost, name] = guess
    found.loc[lost, "depth_m"] = np.inf
    found.loc[lost, "soil_u"] = number("soil_ratio_spread")
    found.loc[lost, "soil_source"] = ASSUMED
    return found


@lru_cache(maxsize=4096)  # the touch-voltage screening and the treatments ask for the same soundings
def _fit(spacing_m, resistance_ohm):
    """Two layers fitted to one sounding."""
    from towerlib.physics.layered_soil import fit_two_layers
    from towerlib.physics.soil import apparent_resistivity, wenner

    array = wenner(np.array(spacing_m))
    return fit_two_layers(array, apparent_resistivity(array, np.array(resistance_ohm)))


def _newest(soil, end):
    """Spacings and resistances of the newest sounding of each tower, as tuples."""
    date = soil["date"] if "date" in soil else pd.Series(pd.NaT, soil.index)
    seen = soil.assign(day=pd.to_datetime(date))
    seen = seen[~(seen["day"] > end)]
    found = {}
    for tower, rows in seen.groupby("tower_id"):
        newest = (
            rows[rows["day"].isna()] if rows["day"].isna().all() else rows[rows["day"] == rows["day"].max()]
        )
        if newest["spacing_m"].nunique() < SPACINGS_LEAST:
            continue
        found[tower] = tuple(tuple(newest[name].astype(float)) for name in ("spacing_m", "resistance_ohm"))
    return found


def _one(fit, own):
    """Soil of one tower."""
    least = np.log1p(number("soil_value_percent") / 100)
    if fit is not None and fit.is_layered:
        variances = np.diag(fit.log_covariance)
        soil_u = max(least, float(np.sqrt(variances[:2].mean())))
        return _layers(fit.soil.upper_ohm_m, fit.soil.lower_ohm_m, fit.soil.depth_m, soil_u, SOUNDING)
    names = ("upper_layer_ohm_m", "lower_layer_ohm_m", "layer_depth_m")
    upper, lower, depth_m = (float(own.get(name, np.nan)) for name in names)
    if np.isfinite([upper, lower, depth_m]).all():
        return _layers(upper, lower, depth_m, least, LAYERS)
    uniform = float(own.get("soil_resistivity_ohm_m", np.nan))
    if np.isfinite(uniform):
        return (uniform, uniform, np.inf, False, uniform, least, REGISTER)
    if fit is not None:
        mean, spread = fit.soil.upper_ohm_m, float(np.sqrt(fit.log_covariance[0, 0]))
        return (mean, mean, np.inf, False, mean, max(least, spread), MEAN)
    return (np.nan, np.nan, np.nan, False, np.nan, np.nan, "")


def soil_limits(
    records: Records, tower_ids: pd.Series, end: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Limits of the two layers of each tower, as far as they are on record; takes what `tower_soil` takes.

    First, one row per tower in the order wanted: upper_low_ohm_m and upper_high_ohm_m, resistivity of the ground at the
    surface [Ω·m], and layers, where it comes from in words. Second, one or more rows per tower, any of which may hold:
    place (of the tower in the first), contrast_low and contrast_high (lower over upper layer), depth_low_m and
    depth_high_m.

    Nothing that is not on record is assumed: a single resistivity says nothing of layers, so the contrast may be
    anything that is usual. Where a sounding and the register both show layers, either may hold. A sounding whose
    apparent resistivities are alike leaves a contrast open only above half its least and below 0.6 of its greatest
    spacing.
    """
    soundings = _newest(records.soil, end)
    register = records.towers.set_index("tower_id").reindex(columns=REGISTERED)
    tops, boxes = [], []
    for place, tower in enumerate(tower_ids):
        top, own = _limits(soundings.get(tower), register.loc[tower])
        tops.append(top)
        boxes += [(place, *box) for box in own]
    tops = pd.DataFrame(
        tops, columns=["upper_low_ohm_m", "upper_high_ohm_m", "layers"], index=tower_ids.index
    )
    return tops, pd.DataFrame(
        boxes, columns=["place", "contrast_low", "contrast_high", "depth_low_m", "depth_high_m"]
    )


REGISTERED = ["soil_resistivity_ohm_m", "upper_layer_ohm_m", "lower_layer_ohm_m", "layer_depth_m"]


def _limits(sounding, own):
    """Limits of one tower: of its surface, with their origin, and of its layers."""
    usual, spread = number("soil_contrast_usual"), 1 + number("soil_value_percent") / 100
    soil, upper, lower, depth_m = (float(own[name]) for name in REGISTERED)
    any_layers = (1 / usual, usual, 0.0, np.inf)
    found = []
    if sounding is not None:
        found += _sounding_limits(sounding, usual, spread)
    if upper > 0:
        contrast = any_layers[:2] if not lower > 0 else (lower / upper / spread**2, lower / upper * spread**2)
        # A layer of no depth on record may end anywhere.
        depths = (depth_m / spread, depth_m * spread) if depth_m > 0 else (0.0, np.inf)
        depths = depths if lower > 0 else (0.0, np.inf)
        origin = "the layers of the register" if lower > 0 else "layers not on record"
        found.append(((upper / spread, upper * spread, origin), [(*contrast, *depths)]))
    if found:
        tops = [top for top, _ in found]
        origins = list(dict.fromkeys(top[2] for top in tops))
        if len(origins) > 1:
            origins = [origin for origin in origins if origin != "layers not on record"]
        top = (min(top[0] for top in tops), max(top[1] for top in tops), " and ".join(origins))
        known = [boxes for (_, _, origin), boxes in found if origin in origins]
        return top, [box for boxes in known for box in boxes]
    if soil > 0:
        reach = usual * spread
        return (soil / reach, soil * reach, "layers not on record"), [any_layers]
    return (0.0, number("touch_surface_unknown_ohm_m"), "soil not on record"), [any_layers]


def _sounding_limits(sounding, usual, spread):
    """Limits that one sounding sets; none where it says nothing."""
    fit = _fit(*sounding)
    spacing_m, apparent = np.array(sounding[0]), 2 * np.pi * np.array(sounding[0]) * np.array(sounding[1])
    least_m, most_m = spacing_m.min(), spacing_m.max()
    if fit.is_layered:
        contrast = fit.soil.lower_ohm_m / fit.soil.upper_ohm_m
        covariance = fit.log_covariance
        log_u = np.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1], 0.0))
        # Few readings leave a factor that no soil has: the usual contrast bounds it.
        reach = min(max(np.exp(2 * log_u), spread**2), usual)
        deeper = min(max(fit.high[2] / fit.soil.depth_m, spread), 3.0)
        wider = min(max(fit.high[0] / fit.soil.upper_ohm_m, spread), 3.0)
        top = (fit.soil.upper_ohm_m / wider, fit.soil.upper_ohm_m * wider, "the layers of a sounding")
        depths = (fit.soil.depth_m / deeper, fit.soil.depth_m * deeper)
        return [(top, [(contrast / reach, contrast * reach, *depths)])]
    flat = apparent.max() / apparent.min()
    top = (apparent.min() / spread / flat, apparent.max() * spread * flat)
    if len(np.unique(spacing_m)) >= number("sounding_spacings_min") and flat <= number("sounding_flat_ratio"):
        near, far = (1 / usual, usual, 0.0, least_m / 2), (1 / usual, usual, 0.6 * most_m, np.inf)
        return [((*top, "a sounding without layers"), [(0.5, 2.0, 0.0, np.inf), near, far])]
    if apparent.size and np.isfinite(top).all():
        low, high = apparent.min() / usual / spread, apparent.max() * usual * spread
        return [((low, high, "layers not on record"), [(1 / usual, usual, 0.0, np.inf)])]
    return []


def _layers(upper, lower, depth_m, soil_u, source):
    """One row of two layers; equal ones are uniform soil."""
    same = upper == lower
    return (
        upper,
        lower,
        np.inf if same else depth_m,
        not same,
        float(np.sqrt(upper * lower)),
        soil_u,
        source,
    )
