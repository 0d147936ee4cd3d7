"""Lightning trip-outs avoided by each treatment, with intervals from random draws."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np

from towerlib.outages import geometry, rates
from towerlib.physics.lightning.rate import tabulated_rates
from towerlib.physics.statistics import SEED
from towerlib.treatments.catalogue import WIRES
from towerlib.treatments.prediction import TWO_SIDED, after, corrected
from towerlib.values import number

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike

    from towerlib.config import Line
    from towerlib.outages import Outages
    from towerlib.physics.lightning.surge import LineGeometry
    from towerlib.records.load import Records
    from towerlib.route import Route
    from towerlib.treatments.catalogue import Treatment
    from towerlib.treatments.prediction import Response


LOG_STEP = 0.2
LOG_OHMS = np.arange(np.log(0.05), np.log(3000.0) + LOG_STEP, LOG_STEP)


@dataclass(frozen=True)
class RateCurves:
    """Trip-outs a year of n towers as a function of the footing.

    Attributes
    ----------
    log_rate : array, shape (n, k)
        ln of the rate at footings exp(`LOG_OHMS`); NaN for a tower without a rate.
    by_strength, by_soil : array, shape (n, k)
        Derivative of ln(rate) with respect to ln(insulation strength), and to ln(resistivity).
    """

    log_rate: np.ndarray
    by_strength: np.ndarray
    by_soil: np.ndarray


@dataclass(frozen=True)
class Lightning:
    """Inputs for the calculation of trip-outs avoided.

    Attributes
    ----------
    compact, long : RateCurves
        For compact footings, around which soil ionises, and for long wires, around which it does not.
    exposed : pandas.DataFrame
        From `towerlib.outages.rates.filled`.
    shape : LineGeometry
    line : Line
    draws : dict of str to array
        Standard normal draws: own (draws, n), season, strength, density (draws, 1), soil, gain (draws, n).
    density_u : float
        Standard uncertainty of ln of the flash density.
    """

    compact: RateCurves
    long: RateCurves
    exposed: pd.DataFrame
    shape: LineGeometry
    line: Line
    draws: dict[str, np.ndarray]
    density_u: float


def lightning(
    records: Records,
    route: Route,
    condition: pd.DataFrame,
    outages: Outages | None,
    *,
    draws: int | None = None,
    seed: int = SEED,
) -> tuple[Lightning | None, str]:
    """Inputs for the calculation of trip-outs avoided, or the reason why it is not available.

    Parameters
    ----------
    records, route, condition, outages
        Inputs of `towerlib.outages.assess`, and its result.
    draws, seed : int, optional
        Number of draws for the intervals, and the seed.

    Returns
    -------
    Lightning or None, str
        None and a sentence where there are no rates.
    """
    if outages is None or outages.geometry is None:
        return None, "Trip-outs avoided are not available: the line has no trip-out rates."
    shape, line = cast("LineGeometry", outages.geometry), records.line
    exposed = geometry.towers_exposed(records, route, condition, outages.density, shape)
    exposed = rates.filled(exposed, shape)
    if bool(exposed["flash_density"].isna().all()):
        return (
            None,
            "Trip-outs avoided are not available: give [lightning] ground_flash_density, or flashes.csv.",
        )
    count = int(draws or number("treatment_draws"))
    random = np.random.default_rng([seed, 2])
    drawn = {name: random.standard_normal((count, len(exposed))) for name in ("own", "soil", "gain", "share")}
    drawn |= {name: random.standard_normal((count, 1)) for name in ("strength", "density")}
    method = rates.method_of(line)
    compact = _curves(shape, exposed, line, method)
    long = _curves(shape, exposed, line, replace(method, gradient_kv_m=np.inf))
    density_u = _density_u(exposed, line, outages.density)
    return Lightning(compact, long, exposed, shape, line, drawn, density_u), ""


def _curves(shape, exposed, line, method):
    """Rates over the footing, with their sensitivity to insulation strength and soil."""
    strength, soil = 1 + number("strength_percent") / 100, 1 + number("soil_value_percent") / 100
    base = _log_rates(shape, exposed, line, method)
    by_strength = (_log_rates(shape, exposed, line, method, strength=strength) - base) / np.log(strength)
    ionises = np.isfinite(method.gradient_kv_m)
    by_soil = np.zeros_like(base)
    if ionises:
        by_soil = (_log_rates(shape, exposed, line, method, soil=soil) - base) / np.log(soil)
    return RateCurves(base, by_strength, by_soil)


def _log_rates(shape, exposed, line, method, *, strength=1.0, soil=1.0, log_ohms=LOG_OHMS):
    """ln(rate) of every tower at given footings, (n, k)."""
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


def _density_u(exposed, line, local):
    """Standard uncertainty of ln(flash density), as in the trip-out rates."""
    if local is not None and exposed["flash_density_source"].eq("flashes along the line").any():
        return local.u_log
    return float(np.log1p(line.lightning.ground_flash_density_percent / 100))


def drawn_sites(light: Lightning, sites: pd.DataFrame) -> dict[str, np.ndarray]:
    """Footings [Ω], soil factors, gains and present rates [1/year] in every draw, each (draws, n).

    Keys footing_ohm, soil_factor, gain_factor, strength_log, soil_log, density, now.
    """
    footing, low, high = (
        np.log(sites[name].where(sites[name] > 0).to_numpy(float))
        for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")
    )
    z, u = light.draws, TWO_SIDED
    spread = np.where(z["own"] < 0, np.nan_to_num(footing - low), np.nan_to_num(high - footing)) / u
    assumed = (light.exposed["soil_source"] == "assumed").to_numpy()
    soil_u = np.where(assumed, number("soil_ratio_spread"), np.log1p(number("soil_value_percent") / 100))
    drawn = {
        "footing_ohm": np.exp(footing + z["own"] * spread),
        "soil_factor": np.exp(z["soil"] * sites["soil_u"].to_numpy(float)),
        "gain_factor": np.maximum(1 + z["gain"] * number("treatment_gain_percent") / 100, 0.0),
        "strength_log": z["strength"] * np.log1p(number("strength_percent") / 100),
        "soil_log": z["soil"] * soil_u,
        "density": np.exp(z["density"] * light.density_u),
    }
    now = rate(light.compact, drawn["footing_ohm"], drawn["strength_log"], drawn["soil_log"])
    return drawn | {"now": now * drawn["density"]}


def rate(
    curves: RateCurves, footing_ohm: ArrayLike, strength_log: ArrayLike = 0.0, soil_log: ArrayLike = 0.0
) -> np.ndarray:
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


def avoided_by_metal(
    light: Lightning,
    drawn: dict[str, np.ndarray],
    sites: pd.DataFrame,
    treatment: Treatment,
    found: Response,
    log_factor: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Trip-outs avoided by metal in the ground: avoided, low, high [1/year], and the footing for lightning afterwards [Ω].

    `found` is for the wire lengths that are effective against lightning, `log_factor` the learned ln(achieved/predicted).
    Present rate minus rate after treatment. Soil does not ionise along long wires, so their gain excludes ionisation.
    The old footing still ionises, so the tower is never worse than before.
    """
    curves = light.long if treatment.kind in WIRES else light.compact
    footing = sites["footing_ohm"].to_numpy(float)
    left_ohm = corrected(footing, after(found, footing), log_factor)
    now = rate(light.compact, footing)
    avoided = now - np.minimum(now, rate(curves, left_ohm))
    later_ohm = corrected(
        drawn["footing_ohm"],
        after(found, drawn["footing_ohm"], drawn["soil_factor"]),
        log_factor,
        drawn["gain_factor"],
    )
    later = rate(curves, later_ohm, drawn["strength_log"], drawn["soil_log"]) * drawn["density"]
    low, high = rates.ends(drawn["now"] - np.minimum(drawn["now"], later))
    return avoided, low, high, left_ohm


def avoided_by_repair(
    light: Lightning, sites: pd.DataFrame, predicted_ohm: np.ndarray, drawn: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Trip-outs avoided by a repaired lead that leaves `predicted_ohm` [Ω]: avoided, low (0), high [1/year]."""
    now = rate(light.compact, sites["footing_ohm"].to_numpy(float))
    avoided = now - np.minimum(now, rate(light.compact, predicted_ohm))
    return avoided, 0.0 * avoided, avoided * np.quantile(drawn["density"], 0.9)


def avoided_by_arresters(
    light: Lightning, drawn: dict[str, np.ndarray], sites: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Trip-outs avoided by arresters on all phases of one tower: avoided, low, high [1/year].

    The share avoided is uniform between `arrester_share_low` and 1: arresters protect the tower's own insulators, but
    not against strokes to the spans and to neighbours without arresters.
    """
    from scipy.special import ndtr

    least = number("arrester_share_low")
    share = least + (1 - least) * ndtr(light.draws["share"])
    low, high = rates.ends(drawn["now"] * share)
    return rate(light.compact, sites["footing_ohm"].to_numpy(float)) * (1 + least) / 2, low, high


def avoided_by_underbuilt(
    light: Lightning, drawn: dict[str, np.ndarray], sites: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Trip-outs avoided by one under-built wire: avoided, low, high [1/year]; NaN at footings without a published gain.

    The overvoltage falls by 19 to 32 %, as published for footings of 20 to 80 Ω (Visacro et al., IEEE Trans. Power
    Delivery 27 (2012), from memory; simulation at 230 kV); the insulation strength rises accordingly. The interval
    combines that range with the flash density.
    """
    footing = sites["footing_ohm"].to_numpy(float)
    fits = (footing >= number("underbuilt_footing_low_ohm")) & (
        footing <= number("underbuilt_footing_high_ohm")
    )
    now = rate(light.compact, footing)
    ends = number("underbuilt_gain_low"), number("underbuilt_gain_high")
    method, found = rates.method_of(light.line), []
    for gain in (np.mean(ends), *ends):
        exposed = light.exposed.assign(strength_kv=light.exposed["strength_kv"] / (1 - gain))
        towers = rates.physics_towers(exposed, np.where((exposed["flaw"] == "") & fits, footing, np.nan))
        later = tabulated_rates(light.shape, towers, method).backflashovers_per_year
        found.append(np.maximum(now - later * light.line.lightning.trip_outs_per_flashover, 0.0))
    low, high = np.quantile(drawn["density"], [0.1, 0.9])
    return found[0], found[1] * low, found[2] * high


def at_towers(light: Lightning, rows: np.ndarray) -> Lightning:
    """Inputs for a subset of the towers, by their positions."""
    curves = {
        name: RateCurves(
            *(getattr(getattr(light, name), part)[rows] for part in ("log_rate", "by_strength", "by_soil"))
        )
        for name in ("compact", "long")
    }
    return replace(light, **curves, exposed=light.exposed.iloc[rows])
