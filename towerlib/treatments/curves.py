"""Trip-outs of each tower at any footing, and the draws that bands are taken from."""

from dataclasses import dataclass, replace

import numpy as np

from towerlib.outages import geometry, rates
from towerlib.physics.lightning.tabulated import tabulated_rates
from towerlib.physics.statistics import SEED
from towerlib.values import number

LOG_STEP = 0.2
LOG_OHMS = np.arange(np.log(0.05), np.log(3000.0) + LOG_STEP, LOG_STEP)


@dataclass(frozen=True)
class RateCurves:
    """Trip-outs a year of each of n towers at any footing.

    Attributes
    ----------
    log_rate : array, shape (n, k)
        ln of the rate at footings exp(`LOG_OHMS`); NaN for a tower without a rate.
    by_strength, by_soil : array, shape (n, k)
        What ln of the rate gains with ln of the strength of the insulation, and of the resistivity.
    """

    log_rate: np.ndarray
    by_strength: np.ndarray
    by_soil: np.ndarray


@dataclass(frozen=True)
class Lightning:
    """All that trip-outs avoided are found with.

    Attributes
    ----------
    compact, long : RateCurves
        Of footings about which soil ionises, and of long wires, about which it does not.
    exposed : pandas.DataFrame
        As `towerlib.outages.rates.filled` gives it.
    shape : LineGeometry
    line : Line
    draws : dict of str to array
        Standard normal draws: own (draws, n), season, strength, density (draws, 1), soil, gain (draws, n).
    density_u : float
        Standard uncertainty of ln of the flash density.
    """

    compact: RateCurves
    long: RateCurves
    exposed: object
    shape: object
    line: object
    draws: dict
    density_u: float


def lightning(records, route, condition, outages, *, draws=None, seed=SEED):
    """What trip-outs avoided are found with, or the reason why they cannot be.

    Parameters
    ----------
    records, route, condition, outages
        The line as `towerlib.outages.assess` took it, and what that gave.
    draws, seed : int, optional
        Draws for the bands.

    Returns
    -------
    Lightning or None, str
        None and a sentence where there are no rates.
    """
    if outages is None or outages.geometry is None:
        return None, "Trip-outs avoided are off: the line has no trip-out rates."
    shape, line = outages.geometry, records.line
    exposed = geometry.towers_exposed(records, route, condition, outages.density, shape)
    exposed = rates.filled(exposed, shape)
    if exposed["flash_density"].isna().all():
        return None, "Trip-outs avoided are off: give [lightning] ground_flash_density, or flashes.csv."
    count = int(draws or number("treatment_draws"))
    random = np.random.default_rng([seed, 2])
    drawn = {name: random.standard_normal((count, len(exposed))) for name in ("own", "soil", "gain", "share")}
    drawn |= {name: random.standard_normal((count, 1)) for name in ("strength", "density")}
    method = rates.method_of(line)
    compact = _curves(shape, exposed, line, method)
    long = _curves(shape, exposed, line, replace(method, gradient_kv_m=np.inf))
    density_u = _density_u(exposed, line, outages.density)
    return Lightning(compact, long, exposed, shape, line, drawn, density_u), ""


def _density_u(exposed, line, local):
    """Standard uncertainty of ln of the flash density, as the rates themselves have it."""
    if local is not None and exposed["flash_density_source"].eq("flashes along the line").any():
        return local.u_log
    return float(np.log1p(line.lightning.ground_flash_density_percent / 100))


def _curves(shape, exposed, line, method):
    """Rates over the footing, and what strength and soil do to them."""
    strength, soil = 1 + number("strength_percent") / 100, 1 + number("soil_value_percent") / 100
    base = _log_rates(shape, exposed, line, method)
    by_strength = (_log_rates(shape, exposed, line, method, strength=strength) - base) / np.log(strength)
    ionises = np.isfinite(method.gradient_kv_m)
    by_soil = np.zeros_like(base)
    if ionises:
        by_soil = (_log_rates(shape, exposed, line, method, soil=soil) - base) / np.log(soil)
    return RateCurves(base, by_strength, by_soil)


def _log_rates(shape, exposed, line, method, *, strength=1.0, soil=1.0, log_ohms=LOG_OHMS):
    """Ln of the rate of every tower at given footings, (n, k)."""
    usable = (exposed["flaw"] == "").to_numpy()
    footing = np.broadcast_to(np.exp(log_ohms)[:, None], (len(log_ohms), len(exposed)))
    towers = rates.physics_towers(
        exposed,
        np.where(usable, footing, np.nan),
        strength_kv=exposed["strength_kv"].to_numpy(float) * strength,
        resistivity_ohm_m=exposed["resistivity_ohm_m"].to_numpy(float) * soil,
    )
    per_year = tabulated_rates(shape, towers, method).backflashovers_per_year
    per_year = np.where(exposed["flash_density"].isna(), np.nan, per_year)
    with np.errstate(divide="ignore"):
        return np.log(np.maximum(per_year * line.lightning.trip_outs_per_flashover, 1e-300)).T


def rate(curves, footing_ohm, strength_log=0.0, soil_log=0.0):
    """Trip-outs a year of each tower at given footings.

    Parameters
    ----------
    curves : RateCurves
    footing_ohm : array, shape (n,) or (draws, n)
        Footings [Ω].
    strength_log, soil_log : float or array
        ln of factors on strength and resistivity.

    Returns
    -------
    array
        Trip-outs a year; NaN where footing or rate is unknown.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        place = (np.log(np.asarray(footing_ohm, float)) - LOG_OHMS[0]) / LOG_STEP
    first = np.clip(np.nan_to_num(np.floor(place)), 0, LOG_OHMS.size - 2).astype(int)
    row, part = np.broadcast_to(np.arange(len(curves.log_rate)), first.shape), place - first
    base, strength, soil = (
        table[row, first] + part * (table[row, first + 1] - table[row, first])
        for table in (curves.log_rate, curves.by_strength, curves.by_soil)
    )
    return np.exp(base + strength * strength_log + soil * soil_log)


def at_towers(light, rows):
    """The same for some towers of the line.

    Parameters
    ----------
    light : Lightning
    rows : array of int
        Which towers.

    Returns
    -------
    Lightning
    """
    curves = {
        name: RateCurves(
            *(getattr(getattr(light, name), part)[rows] for part in ("log_rate", "by_strength", "by_soil"))
        )
        for name in ("compact", "long")
    }
    return replace(light, **curves, exposed=light.exposed.iloc[rows])
