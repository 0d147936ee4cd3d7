"""The footing that a treatment would leave, with its band: reading, soil and what a computation cannot know."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.electrode.effective import credited_length
from towerlib.physics.electrode.measured import prepare, with_footing
from towerlib.physics.soil.layers import Soil, uniform
from towerlib.treatments.catalogue import EARTHING, WIRES
from towerlib.treatments.layout import legs_at, metal
from towerlib.values import number

LOG_STEP = 0.1
LOG_RATIOS = np.arange(-10.0, 6.0 + LOG_STEP, LOG_STEP)  # of footing over resistivity [1/m]
COUNTERPOISE_STEP_M = 10.0
TWO_SIDED = 1.96  # the interval of a footing is one of 95 %


@dataclass(frozen=True)
class Response:
    """What a treatment makes of any footing at each of n towers.

    Attributes
    ----------
    log_ratio : array, shape (n, k)
        ln(R/ρ1) after it, at footings of ρ1·exp(`LOG_RATIOS`); NaN where it cannot be predicted.
    scale_ohm_m : array, shape (n,)
        ρ1, the soil or its upper layer [Ω·m].
    """

    log_ratio: np.ndarray
    scale_ohm_m: np.ndarray


def lengths(treatment, sites):
    """Length of each wire of a treatment at each tower.

    Parameters
    ----------
    treatment : Treatment
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.

    Returns
    -------
    array, shape (n,)
        Length [m]; of a continuous counterpoise half of the mean span, which is the tower's share of it.
    """
    if treatment.kind != "counterpoise":
        return np.full(len(sites), float(treatment.length_m))
    both = sites[["span_behind_m", "span_ahead_m"]].mean(axis=1).to_numpy(float) / 2
    return np.floor(both / COUNTERPOISE_STEP_M) * COUNTERPOISE_STEP_M


def lightning_lengths(treatment, sites):
    """The same, without the metres that lightning does not see.

    Parameters
    ----------
    treatment, sites
        As for `lengths`.

    Returns
    -------
    array, shape (n,)
        Length [m], cut to what `credited_length` counts in the better of the layers, in whole steps of 5 m.
    """
    length_m = lengths(treatment, sites)
    if treatment.kind not in WIRES:
        return length_m
    soil = sites[["upper_ohm_m", "lower_ohm_m"]].min(axis=1).to_numpy(float)
    known = np.isfinite(soil) & (length_m > 0)
    counted = np.full(len(sites), np.nan)
    counted[known] = credited_length(soil[known], length_m[known])
    step_m = number("treatment_lightning_step_m")
    whole = np.maximum(np.floor(counted / step_m + 1e-9), 1) * step_m
    return np.where(counted < length_m, np.minimum(whole, length_m), length_m)


def response(treatment, sites, settings, length_m):
    """What a treatment makes of any footing at each tower.

    Parameters
    ----------
    treatment : Treatment
        One that digs.
    sites : pandas.DataFrame
        As `towerlib.treatments.sites.sites` gives it.
    settings : towerlib.line.treating.Treatments
        Sizes of metal.
    length_m : array, shape (n,)
        From `lengths` or `lightning_lengths`.

    Returns
    -------
    Response

    Notes
    -----
    R/ρ1 depends on R0/ρ1, ρ2/ρ1, the boundary and the geometry alone: towers that share these share one matrix.
    Footing and metal always stand in each other's voltage cone (`with_footing`); never plain parallel.
    """
    table = np.full((len(sites), LOG_RATIOS.size), np.nan)
    keys = sites[["legs", "spacing_m", "upper_ohm_m", "lower_ohm_m", "depth_m"]].assign(length_m=length_m)
    keys["contrast"] = keys.pop("lower_ohm_m") / keys["upper_ohm_m"]
    scale = keys.pop("upper_ohm_m").to_numpy(float)
    known = keys.notna().all(axis=1) & ((keys["length_m"] > 0) | (treatment.kind == "ring"))
    for key, rows in keys[known].reset_index(drop=True).groupby(list(keys.columns)).groups.items():
        place = np.flatnonzero(known.to_numpy())[rows]
        table[place] = _one(treatment, dict(zip(keys.columns, key, strict=True)), settings)
    return Response(table, scale)


def _one(treatment, key, settings):
    """ln(R/ρ1) over `LOG_RATIOS` for towers of one kind in one kind of soil."""
    soil = (
        uniform(1.0) if np.isinf(key["depth_m"]) else Soil(1.0, float(key["contrast"]), float(key["depth_m"]))
    )
    added = prepare(
        metal(treatment, key["spacing_m"], settings, key["length_m"]),
        legs_at(int(key["legs"]), key["spacing_m"]),
        soil,
    )
    return np.log(with_footing(added, np.exp(LOG_RATIOS)))


def after(found, footing_ohm, soil_factor=1.0):
    """Footing after a treatment.

    Parameters
    ----------
    found : Response
    footing_ohm, soil_factor : float or array, shape (n,) or (draws, n)
        Footing before [Ω], and what the resistivities are multiplied by.

    Returns
    -------
    array
        Footing [Ω], never above the one before.
    """
    scale = found.scale_ohm_m * soil_factor
    with np.errstate(invalid="ignore", divide="ignore"):
        place = (np.log(footing_ohm / scale) - LOG_RATIOS[0]) / LOG_STEP
        first = np.clip(np.nan_to_num(np.floor(place)), 0, LOG_RATIOS.size - 2).astype(int)
        row = np.broadcast_to(np.arange(len(found.log_ratio)), first.shape)
        low, high = found.log_ratio[row, first], found.log_ratio[row, first + 1]
        return np.minimum(scale * np.exp(low + (place - first) * (high - low)), footing_ohm)


def corrected(footing_ohm, after_ohm, log_factor, gain_factor=1.0):
    """A prediction after what earlier works taught, and with another gain.

    Parameters
    ----------
    footing_ohm, after_ohm : array
        Before and after [Ω].
    log_factor : float or array
        Learned ln(achieved/predicted).
    gain_factor : float or array
        The gain ln(before/after) is multiplied by it.

    Returns
    -------
    array
        Footing [Ω], never above the one before.

    Examples
    --------
    >>> print(corrected(40.0, 20.0, 0.0, 0.5))
    28.28
    """
    gain = np.log(np.asarray(footing_ohm, float) / after_ohm) - log_factor
    return footing_ohm * np.exp(-np.maximum(gain * gain_factor, 0.0))


def banded(found, sites, log_factor=0.0):
    """Predicted footing of each tower with both ends of its band.

    Parameters
    ----------
    found : Response
    sites : pandas.DataFrame
        Footing with its interval, and soil_u.
    log_factor : float or array, shape (n,)
        Learned ln(achieved/predicted).

    Returns
    -------
    tuple of array, each of shape (n,)
        predicted, low, high [Ω].

    Notes
    -----
    Interval of the reading, resistivity, and the gain itself (`treatment_gain_percent` of ln(before/after)) are
    moved one at a time; the logarithms of what each does add in squares, on either side.

    References
    ----------
    JCGM 100:2008, 5.1.2, law of propagation.
    """
    footing, low, high = (
        sites[name].to_numpy(float) for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")
    )
    soil_u = np.exp(TWO_SIDED * sites["soil_u"].to_numpy(float))
    gain_u = TWO_SIDED * number("treatment_gain_percent") / 100
    low, high = (np.where(np.isfinite(end) & (end > 0), end, footing) for end in (low, high))
    cases = [
        (footing, 1.0, 1.0),
        *((end, 1.0, 1.0) for end in (low, high)),
        *((footing, factor, 1.0) for factor in (1 / soil_u, soil_u)),
        *((footing, 1.0, 1 + side * gain_u) for side in (-1, 1)),
    ]
    with np.errstate(invalid="ignore"):
        logs = np.log(
            [corrected(ohm, after(found, ohm, soil), log_factor, gain) for ohm, soil, gain in cases]
        )
    moved = logs[1:] - logs[0]
    down, up = (np.sqrt((np.maximum(side * moved, 0.0) ** 2).sum(axis=0)) for side in (-1, 1))
    return np.exp(logs[0]), np.exp(logs[0] - down), np.exp(logs[0] + up)


def repaired(sites):
    """Footing after missing leads were put back, where their number is known.

    Parameters
    ----------
    sites : pandas.DataFrame
        legs, leads_missing, footing, resistivity_ohm_m and spacing_m.

    Returns
    -------
    tuple of array, each of shape (n,)
        predicted, low, high [Ω]; NaN where the number of leads or the soil is not known.

    Notes
    -----
    Legs as equal hemispheres that see each other: their own resistance follows from the reading with the legs that
    are left. The high end is the reading: where metal in the ground joins the legs, a lead changes nothing.
    """
    footing, high = sites["footing_ohm"].to_numpy(float), sites["footing_high_ohm"].to_numpy(float)
    gone = np.nan_to_num(sites["leads_missing"].to_numpy(float)).astype(int)
    predicted = np.full(len(sites), np.nan)
    for row in np.flatnonzero((gone > 0) & (gone < sites["legs"].to_numpy())):
        site = sites.iloc[row]
        predicted[row] = footing[row] * _restored(
            legs_at(site["legs"], site["spacing_m"]), gone[row], footing[row] / site["resistivity_ohm_m"]
        )
    low = predicted * sites["footing_low_ohm"].to_numpy(float) / footing
    return predicted, low, np.where(np.isnan(predicted), np.nan, high)


def _restored(places_m, gone, ratio):
    """Part of a footing that is left when lost legs are bonded again; R0/ρ given."""
    apart_m = np.linalg.norm(places_m[:, None] - places_m, axis=-1)
    with np.errstate(divide="ignore"):
        mutual = np.where(apart_m > 0, 1 / (2 * np.pi * apart_m), 0.0)
    left = len(places_m) - gone
    own = left * ratio - mutual[:left, :left].sum() / left
    if not own > mutual.max():
        return np.nan
    return _together(mutual + own * np.eye(len(places_m))) / _together(
        mutual[:left, :left] + own * np.eye(left)
    )


def _together(matrix):
    """Resistance of bonded legs."""
    return 1 / np.linalg.solve(matrix, np.ones(len(matrix))).sum()


def digs(treatment):
    """Whether a treatment puts metal into the ground."""
    return treatment.kind in EARTHING
