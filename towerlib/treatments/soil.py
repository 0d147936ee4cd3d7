"""The soil at each tower: two layers where a sounding shows them, else what the register says, else nothing."""

import numpy as np
import pandas as pd

from towerlib.values import number

COLUMNS = [
    *("upper_ohm_m", "lower_ohm_m", "depth_m", "is_layered", "resistivity_ohm_m", "soil_u", "soil_source"),
]
SOUNDING, LAYERS, REGISTER, MEAN = (
    "two layers, sounding",
    "two layers, register",
    "register",
    "sounding, mean",
)
SPACINGS_LEAST = 2  # one spacing is one depth, and says nothing of the soil that a tower meets


def tower_soil(records, tower_ids, end):
    """Soil of each tower as predictions take it.

    Parameters
    ----------
    records : Records
        Soundings and register.
    tower_ids : Series of str, shape (n,)
        Towers, in the order wanted.
    end : pandas.Timestamp
        Later soundings are not seen; the newest day of a tower counts.

    Returns
    -------
    pandas.DataFrame
        One row a tower: upper_ohm_m, lower_ohm_m [Ω·m] and depth_m [m] of the boundary (inf in uniform soil);
        is_layered; resistivity_ohm_m, the geometric mean of both; soil_u, standard uncertainty of its logarithm;
        soil_source, and NaN with a blank source where nothing is known.

    Notes
    -----
    In this order: two layers that fit a sounding, two layers of the register, one resistivity of the register, the mean
    of a sounding that shows no layers. Never a guess from the footing: that would predict a treatment from
    itself.
    """
    soundings = _soundings(records.soil, end)
    register = records.towers.set_index("tower_id")
    rows = [_one(soundings.get(tower), register.loc[tower]) for tower in tower_ids]
    return pd.DataFrame(rows, columns=COLUMNS, index=tower_ids.index)


def _soundings(soil, end):
    """Fit of the newest sounding of each tower."""
    from towerlib.physics.soil.arrays import apparent_resistivity, wenner
    from towerlib.physics.soil.fit import fit_two_layers

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
        array = wenner(newest["spacing_m"].to_numpy(float))
        found[tower] = fit_two_layers(
            array, apparent_resistivity(array, newest["resistance_ohm"].to_numpy(float))
        )
    return found


def _one(fit, own):
    """Soil of one tower."""
    least = np.log1p(number("soil_value_percent") / 100)
    if fit is not None and fit.is_layered:
        variances = np.diag(fit.log_covariance)
        soil_u = max(least, float(np.sqrt(variances[:2].mean())))
        return _layers(fit.soil.upper_ohm_m, fit.soil.lower_ohm_m, fit.soil.depth_m, soil_u, SOUNDING)
    layers = [
        float(own.get(name, np.nan)) for name in ("upper_layer_ohm_m", "lower_layer_ohm_m", "layer_depth_m")
    ]
    if np.isfinite(layers).all():
        return _layers(*layers, least, LAYERS)
    uniform = float(own.get("soil_resistivity_ohm_m", np.nan))
    if np.isfinite(uniform):
        return (uniform, uniform, np.inf, False, uniform, least, REGISTER)
    if fit is not None:
        mean, spread = fit.soil.upper_ohm_m, float(np.sqrt(fit.log_covariance[0, 0]))
        return (mean, mean, np.inf, False, mean, max(least, spread), MEAN)
    return (np.nan, np.nan, np.nan, False, np.nan, np.nan, "")


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
