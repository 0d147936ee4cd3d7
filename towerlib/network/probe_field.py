"""Field of the probes in an injected test with the shield wires connected: what it adds to the readings of each tower.

Most of the current leaves by the shield wires, so the tower rises little. The field of the current probe at the potential
probe does not shrink with it, and at a high footing it exceeds the rise of the tower itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from towerlib.readings.tower_soil import tower_soil
from towerlib.values import number

if TYPE_CHECKING:
    import pandas as pd

    from towerlib.records.load import Records


PROBES = [
    *("potential_probe_distance_m", "current_probe_distance_m"),
    *("potential_probe_bearing_deg", "current_probe_bearing_deg"),
]
USUAL_M = (62.0, 100.0)  # probes at 62 and 100 m: common practice, where a sheet does not say


@dataclass(frozen=True)
class ProbeField:
    """Potentials between tower and probes per ampere injected [Ω], arrays of one shape.

    Attributes
    ----------
    near_ohm : array
        Potential at the potential probe per ampere in the footing.
    far_ohm : array
        Potential at the tower per ampere at the current probe.
    apart_ohm : array
        Potential at the potential probe per ampere at the current probe.
    log_u : array
        Standard uncertainty of the logarithm of all three.
    unknown_ohm : array
        Standard uncertainty of the reading where the places of the probes are not on record [Ω], else 0.
    """

    near_ohm: np.ndarray
    far_ohm: np.ndarray
    apart_ohm: np.ndarray
    log_u: np.ndarray
    unknown_ohm: np.ndarray

    def times(self, factor: float | np.ndarray) -> ProbeField:
        """The same field, larger by a factor [1]."""
        return replace(
            self,
            near_ohm=factor * self.near_ohm,
            far_ohm=factor * self.far_ohm,
            apart_ohm=factor * self.apart_ohm,
        )

    def rows(self, places: np.ndarray) -> ProbeField:
        """The field at some of the rows."""
        return ProbeField(*(getattr(self, name)[places] for name in self.__dataclass_fields__))


def probe_field(
    records: Records,
    towers: pd.Series,
    visits: pd.DataFrame,
    footing_ohm: np.ndarray,
    outside: np.ndarray,
    end: pd.Timestamp,
) -> ProbeField:
    """Field of the probes in each of n visits.

    Parameters
    ----------
    records : Records
        Soil and register.
    towers : Series of str, shape (n,)
        Tower of each visit.
    visits : DataFrame, n rows
        Places of the probes, as far as they are there.
    footing_ohm : array, shape (n,)
        Footing as read [Ω]; where the soil of a tower is not known, it scales the soil of the line.
    outside : array of bool, shape (n,)
        An earth path lies beside the coils, so the footing says little of the soil.
    end : Timestamp
        Later soundings are not seen.

    Returns
    -------
    ProbeField
        Zero where the places of the probes or the soil of the line are not known.

    Notes
    -----
    ρ/(2πd) of a point source on uniform soil. Soil at the depth of tens of metres differs from that at the tower:
    ``probe_soil_u``, and ``probe_soil_unknown_u`` where the tower's own is not known.
    """
    soil = tower_soil(records, towers.reset_index(drop=True), end)["resistivity_ohm_m"].to_numpy(float)
    known = soil > 0
    blank = np.zeros(len(towers))
    if not known.any():
        return ProbeField(blank, blank, blank, blank, blank)
    with np.errstate(invalid="ignore"):
        per_ohm = (
            np.nanmedian(np.where(outside, np.nan, soil / footing_ohm))
            if (known & ~outside).any()
            else np.nan
        )
        by_footing = np.where(np.isfinite(footing_ohm) & np.isfinite(per_ohm), per_ohm * footing_ohm, np.nan)
    median = float(np.median(soil[known]))
    by_footing = np.where(np.isnan(by_footing), median, by_footing)
    guess = np.where(outside, np.sqrt(by_footing * median), by_footing)
    resistivity = np.where(known, soil, guess)
    log_u = np.where(known, number("probe_soil_u"), number("probe_soil_unknown_u"))
    near_m, far_m, apart_m = _distances(visits)
    placed = (near_m > 0) & (far_m > 0) & (apart_m > 0)
    ohm_m = resistivity / (2 * np.pi)
    with np.errstate(divide="ignore", invalid="ignore"):
        near, far, apart = (np.where(placed, ohm_m / metres, 0.0) for metres in (near_m, far_m, apart_m))
    usual = ohm_m * (1 / (USUAL_M[1] - USUAL_M[0]) - 1 / USUAL_M[1])
    return ProbeField(near, far, apart, np.where(placed, log_u, 0.0), np.where(placed, 0.0, usual / 2))


def _distances(visits):
    """Tower to potential probe, tower to current probe, probe to probe [m]; probes of unknown bearing lie in one line."""
    near_m, far_m, near_deg, far_deg = visits.reindex(columns=PROBES).to_numpy(float, na_value=np.nan).T
    angle = np.radians(np.nan_to_num(near_deg - far_deg))
    return near_m, far_m, np.abs(near_m - far_m * np.exp(1j * angle))


def leg_current(footing_ohm: np.ndarray, rest_s: np.ndarray, field: ProbeField) -> np.ndarray:
    """Current in the footing per ampere injected, in the field of the current probe.

    Parameters
    ----------
    footing_ohm : array
        True footing [Ω].
    rest_s : array of complex
        Admittance of the rest of the line with the bond of the tower [S].
    field : ProbeField

    Returns
    -------
    array of complex
        (1 + e·Y)/(1 + R·Y) [1], with e the potential at the tower per ampere at the current probe.

    Notes
    -----
    The probe lowers the ground under the tower by e per ampere: V = R·i − e and V·Y + i = 1.

    References
    ----------
    Kirchhoff's laws with point sources on uniform soil (E. D. Sunde, Earth Conduction Effects, 1949, from memory).
    """
    return (1 + field.far_ohm * rest_s) / (1 + footing_ohm * rest_s)


def reading_ohm(footing_ohm: np.ndarray, rest_s: np.ndarray, field: ProbeField) -> np.ndarray:
    """Impedance that is read without coils [Ω], in the field of both probes.

    Parameters
    ----------
    footing_ohm, rest_s, field : array, array of complex, ProbeField
        As for `leg_current`.

    Returns
    -------
    array
        |i·(R − n) + a − e|, with n, a and e of `ProbeField` in its order near, apart, far.
    """
    current = leg_current(footing_ohm, rest_s, field)
    return np.abs(current * (footing_ohm - field.near_ohm) + field.apart_ohm - field.far_ohm)


def true_footing(read_ohm: np.ndarray, rest_s: np.ndarray, field: ProbeField) -> np.ndarray:
    """Footing behind a reading with coils round the legs, in the field of the probes [Ω].

    Parameters
    ----------
    read_ohm : array
        Voltage over the current in the legs [Ω].
    rest_s : array of complex
        Admittance of the rest of the line with the bond of the tower; 0 with the wires lifted [S].
    field : ProbeField

    Returns
    -------
    array
        At least a tenth of the reading.

    Notes
    -----
    V/i = R·(1 + d·Y/(1 + e·Y)) − n + d/(1 + e·Y), with d = a − e; its magnitude is the reading, a quadratic in R.
    Without wires: R − n + d, the fall of potential of the standards.
    """
    rise = (field.apart_ohm - field.far_ohm) / (1 + field.far_ohm * rest_s)
    slope, shift = 1 + rise * rest_s, rise - field.near_ohm
    a, half = np.abs(slope) ** 2, (slope * np.conj(shift)).real
    inner = half**2 - a * (np.abs(shift) ** 2 - read_ohm**2)
    with np.errstate(invalid="ignore"):
        found = (np.sqrt(np.where(inner >= 0, inner, np.nan)) - half) / a
    return np.where(np.isnan(read_ohm), np.nan, np.fmax(found, 0.1 * read_ohm))


def without_field(
    read_ohm: np.ndarray, parallel_ohm: np.ndarray, field: ProbeField
) -> tuple[np.ndarray, np.ndarray]:
    """Footing and impedance in parallel behind two readings of one visit, whatever the bond is like.

    Parameters
    ----------
    read_ohm, parallel_ohm : array
        Readings with coils and without [Ω].
    field : ProbeField

    Returns
    -------
    tuple of two arrays
        Footing [Ω], at least a tenth of the reading; and the leg share without any field [1], NaN where the field
        explains all of the reading.

    Notes
    -----
    With λ the ratio of the readings: R = R_read + n − d/λ; the tower rises by U = λR − e; the share without a field is
    U/(U + R(1 − λ)). Readings count as real.
    """
    share = np.minimum(parallel_ohm / read_ohm, 1.0)
    footing = read_ohm + field.near_ohm - (field.apart_ohm - field.far_ohm) / share
    footing = np.fmax(footing, 0.1 * read_ohm)
    rise = share * footing - field.far_ohm
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = np.where(rise > 0, rise / (rise + footing * (1 - share)), np.nan)
    return footing, np.where(share >= 1.0, np.fmax(alone, 1.0), alone)
