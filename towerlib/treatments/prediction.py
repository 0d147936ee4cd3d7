"""Predicted footing after treatment: layout of the added metal, response of the footing, and interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from towerlib.physics.electrode.footing import credited_length, prepare, with_footing
from towerlib.physics.electrode.segments import Electrode, join, leg_positions, rod, square
from towerlib.physics.layered_soil import Soil, uniform
from towerlib.treatments.catalogue import EARTHING, WIRES
from towerlib.values import number

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike

    from towerlib.config.sections import Treatments as TreatmentSettings
    from towerlib.treatments.catalogue import Treatment


LOG_STEP = 0.1
LOG_RATIOS = np.arange(-10.0, 6.0 + LOG_STEP, LOG_STEP)  # of footing over resistivity [1/m]
COUNTERPOISE_STEP_M = 10.0
TWO_SIDED = 1.96  # the interval of a footing is one of 95 %


@dataclass(frozen=True)
class Response:
    """Footing after a treatment as a function of the footing before, for n towers.

    Attributes
    ----------
    log_ratio : array, shape (n, k)
        ln(R/ρ1) after treatment, at footings of ρ1·exp(`LOG_RATIOS`); NaN where it cannot be predicted.
    scale_ohm_m : array, shape (n,)
        ρ1, resistivity of the soil or its upper layer [Ω·m].
    """

    log_ratio: np.ndarray
    scale_ohm_m: np.ndarray


def response(
    treatment: Treatment, sites: pd.DataFrame, settings: TreatmentSettings, length_m: np.ndarray
) -> Response:
    """Footing after a treatment as a function of the footing before, for each tower.

    Parameters
    ----------
    treatment : Treatment
        Of a kind that digs.
    sites : pandas.DataFrame
        From `towerlib.treatments.options.sites`.
    settings : towerlib.config.sections.Treatments
        Sizes of the metal.
    length_m : array, shape (n,)
        From `lengths` or `lightning_lengths`.

    Returns
    -------
    Response

    Notes
    -----
    R/ρ1 depends on R0/ρ1, ρ2/ρ1, the boundary and the geometry alone: towers that share these share one matrix.
    The mutual resistance of footing and metal is always included (`with_footing`); a plain parallel connection would
    be too optimistic.
    """
    table = np.full((len(sites), LOG_RATIOS.size), np.nan)
    keys = sites[["legs", "spacing_m", "upper_ohm_m", "lower_ohm_m", "depth_m"]].assign(length_m=length_m)
    keys["contrast"] = keys.pop("lower_ohm_m") / keys["upper_ohm_m"]
    scale = keys.pop("upper_ohm_m").to_numpy(float)
    known = keys.notna().all(axis=1) & ((keys["length_m"] > 0) | (treatment.kind == "ring"))
    for key, rows in keys[known].reset_index(drop=True).groupby(list(keys.columns)).groups.items():
        place = np.flatnonzero(known.to_numpy())[rows]
        table[place] = _one(treatment, dict(zip(keys.columns, cast("tuple", key), strict=True)), settings)
    return Response(table, scale)


def _one(treatment, key, settings):
    """ln(R/ρ1) over `LOG_RATIOS` for towers of one geometry in one soil."""
    soil = (
        uniform(1.0) if np.isinf(key["depth_m"]) else Soil(1.0, float(key["contrast"]), float(key["depth_m"]))
    )
    added = prepare(
        metal(treatment, key["spacing_m"], settings, key["length_m"]),
        legs_at(int(key["legs"]), key["spacing_m"]),
        soil,
    )
    return np.log(with_footing(added, np.exp(LOG_RATIOS)))


def metal(
    treatment: Treatment, width_m: float, settings: TreatmentSettings, length_m: float | None = None
) -> Electrode:
    """Electrode added to a tower by a treatment.

    Parameters
    ----------
    treatment : towerlib.treatments.catalogue.Treatment
        Of a kind that digs.
    width_m : float
        Side of the base of the tower [m].
    settings : towerlib.config.sections.Treatments
        Sizes of wire, rods and trench.
    length_m : float, optional
        Length of each wire, instead of the treatment's own [m].

    Returns
    -------
    towerlib.physics.electrode.segments.Electrode

    Notes
    -----
    Conductive fill counts as metal of its own diameter, which is valid in soil of twenty times its resistivity.

    Examples
    --------
    >>> from towerlib.config.sections import Treatments
    >>> from towerlib.treatments.catalogue import Treatment
    >>> print(metal(Treatment("a", "radials", 4, 30.0), 8.0, Treatments()).length_m)
    [30. 30. 30. 30.]
    """
    length_m, depth_m = length_m or treatment.length_m, settings.trench_depth_m
    wire_m = max(settings.wire_mm, treatment.fill_mm) / 2000
    if treatment.kind in ("rods", "drilled"):
        places_m = rods_at(treatment.count, width_m, settings.rods_outside_m)
        return rod(length_m, max(settings.rod_mm, treatment.fill_mm) / 2000, places_m, depth_m)
    side_m = width_m + 2 * settings.ring_outside_m
    if treatment.kind == "ring":
        return square(side_m, wire_m, depth_m)
    if treatment.kind == "ring and radials":
        around = square(side_m, settings.wire_mm / 2000, depth_m)
        return join(around, wires(treatment.count, length_m, wire_m, side_m, depth_m))
    first_deg = 0.0 if treatment.kind == "counterpoise" else None  # a counterpoise follows the line
    return wires(treatment.count, length_m, wire_m, width_m, depth_m, first_deg=first_deg)


def rods_at(count: int, width_m: float, outside_m: float) -> np.ndarray:
    """Positions (count, 2) of rods outside the legs [m]: one at a corner, two at opposite corners, four at all corners.

    Others on a circle through the corners of a square `outside_m` wider on each side than that of the legs, `width_m`.

    Examples
    --------
    >>> rods_at(2, 8.0, 1.5).tolist()
    [[5.5, 5.5], [-5.5, -5.5]]
    """
    corners_m = leg_positions(width_m + 2 * outside_m)
    if count <= 2:
        return corners_m[[0, 2]][:count]
    if count == 4:
        return corners_m
    angle = 2 * np.pi * np.arange(count) / count + np.pi / 4
    return np.hypot(*corners_m[0]) * np.column_stack([np.cos(angle), np.sin(angle)])


def wires(
    count: int,
    length_m: float,
    radius_m: float,
    width_m: float,
    depth_m: float,
    *,
    first_deg: float | None = None,
) -> Electrode:
    """Straight wires at equal angles, each starting at the nearest corner.

    Parameters
    ----------
    count : int
        Number of wires.
    length_m, radius_m : float
        Length and radius of each [m].
    width_m, depth_m : float
        Side of the square of the corners, and depth [m].
    first_deg : float, optional
        Direction of the first [°]; default: along a diagonal, or two wires on either side of each diagonal.

    Returns
    -------
    towerlib.physics.electrode.segments.Electrode

    Examples
    --------
    >>> print(wires(8, 20.0, 0.004, 8.0, 0.6).start_m[:2])
    [[4.  4.  0.6]
     [4.  4.  0.6]]
    """
    if first_deg is None:
        first_deg = 45.0 if count <= 4 else 45.0 - 180.0 / count
    angle = np.radians(first_deg + 360.0 / count * np.arange(count))
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    corners_m = leg_positions(width_m)
    start_m = corners_m[(towards @ corners_m.T).round(9).argmax(axis=1)]
    depths = np.full(count, float(depth_m))
    return Electrode(
        np.column_stack([start_m, depths]),
        np.column_stack([start_m + length_m * towards, depths]),
        np.full(count, float(radius_m)),
    )


def legs_at(legs: int, spacing_m: float) -> np.ndarray:
    """Positions (legs, 2) of the legs of a tower [m], `spacing_m` between neighbours.

    A fifth leg is placed in the centre, as a mast between its guys.

    Examples
    --------
    >>> legs_at(2, 4.0)
    array([[-2.,  0.],
           [ 2.,  0.]])
    """
    if legs == 1:
        return np.zeros((1, 2))
    if legs == 2:
        return np.array([[-spacing_m / 2, 0.0], [spacing_m / 2, 0.0]])
    if legs in (4, 5):
        return np.vstack([leg_positions(spacing_m), np.zeros((legs - 4, 2))])
    angle = 2 * np.pi * np.arange(legs) / legs + np.pi / 4
    radius_m = spacing_m / (2 * np.sin(np.pi / legs))
    return radius_m * np.column_stack([np.cos(angle), np.sin(angle)])


def lengths(treatment: Treatment, sites: pd.DataFrame) -> np.ndarray:
    """Length of each wire of a treatment at each tower [m].

    For a continuous counterpoise half of the mean span, which is the tower's share of it.
    """
    if treatment.kind != "counterpoise":
        return np.full(len(sites), float(treatment.length_m))
    both = sites[["span_behind_m", "span_ahead_m"]].mean(axis=1).to_numpy(float) / 2
    return np.floor(both / COUNTERPOISE_STEP_M) * COUNTERPOISE_STEP_M


def lightning_lengths(treatment: Treatment, sites: pd.DataFrame) -> np.ndarray:
    """Length of each wire that is effective against lightning [m].

    Limited to `credited_length` in the less resistive layer, in whole steps of 5 m.
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


def after(found: Response, footing_ohm: ArrayLike, soil_factor: ArrayLike = 1.0) -> np.ndarray:
    """Footing after a treatment.

    Parameters
    ----------
    found : Response
    footing_ohm, soil_factor : float or array, shape (n,) or (draws, n)
        Footing before [Ω], and factor on the resistivities.

    Returns
    -------
    array
        Footing [Ω], never above the one before.
    """
    footing_ohm = np.asarray(footing_ohm, float)
    scale = found.scale_ohm_m * np.asarray(soil_factor, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        place = (np.log(footing_ohm / scale) - LOG_RATIOS[0]) / LOG_STEP
        first = np.clip(np.nan_to_num(np.floor(place)), 0, LOG_RATIOS.size - 2).astype(int)
        row = np.broadcast_to(np.arange(len(found.log_ratio)), first.shape)
        low, high = found.log_ratio[row, first], found.log_ratio[row, first + 1]
        return np.minimum(scale * np.exp(low + (place - first) * (high - low)), footing_ohm)


def corrected(
    footing_ohm: ArrayLike, after_ohm: ArrayLike, log_factor: ArrayLike, gain_factor: ArrayLike = 1.0
) -> np.ndarray:
    """Predicted footing [Ω] with the learned ln(achieved/predicted) and a factor on the gain ln(before/after).

    Never above the footing before.

    Examples
    --------
    >>> print(corrected(40.0, 20.0, 0.0, 0.5))
    28.28
    """
    footing_ohm = np.asarray(footing_ohm, float)
    gain = np.log(footing_ohm / np.asarray(after_ohm, float)) - np.asarray(log_factor, float)
    return footing_ohm * np.exp(-np.maximum(gain * np.asarray(gain_factor, float), 0.0))


def banded(
    found: Response, sites: pd.DataFrame, log_factor: ArrayLike = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Predicted footing of each tower with its interval.

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
    The reading (within its interval), the resistivity and the gain (by `treatment_gain_percent` of ln(before/after))
    are varied one at a time; their effects on ln(R) are added in quadrature on either side.

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


def repaired(sites: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Predicted footing after missing leads are replaced, where their number is known.

    Parameters
    ----------
    sites : pandas.DataFrame
        legs, leads_missing, footing, resistivity_ohm_m and spacing_m.

    Returns
    -------
    tuple of array, each of shape (n,)
        predicted, low, high [Ω]; NaN where the number of leads or the soil is unknown.

    Notes
    -----
    Legs are modelled as equal, mutually coupled hemispheres; their own resistance follows from the reading with the
    remaining legs. The high end is the reading: where buried metal joins the legs, a lead changes nothing.
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
    """Ratio of the footings after and before lost legs are bonded again, for a given R0/ρ."""
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


def digs(treatment: Treatment) -> bool:
    """Whether a treatment puts metal into the ground."""
    return treatment.kind in EARTHING
