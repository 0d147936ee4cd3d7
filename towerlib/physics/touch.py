"""Permissible touch voltages of EN 50522 and IEEE Std 80, for short clearing times.

Figures to sort towers by, no proof of safety: that takes the local code, measurement and a licensed person.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.values import number

EDITIONS = (2010, 2022)
BODY_FACTOR = {50: "ieee80_body_50_kg", 70: "ieee80_body_70_kg"}
TOUCH_FEET = 1.5  # feet side by side: IEEE Std 80, earth as a disc of 8 cm


def touch_limit_en50522(
    clearing_s: ArrayLike, added_ohm: ArrayLike = 0.0, edition: int = 2022
) -> FloatOrArray:
    """Permissible touch voltage of EN 50522, with resistances in series with the body.

    Parameters
    ----------
    clearing_s : float or array
        Time for which the fault current flows [s], above 0.
    added_ohm : float or array
        Footwear and standing surface in series with the body [Ω]: see `added_resistance`.
    edition : int
        2010 or 2022.

    Returns
    -------
    float or array
        Prospective touch voltage that is permissible [V].

    Raises
    ------
    ValueError
        A clearing time or a resistance out of its range, an edition that is not included.

    Notes
    -----
    U_vTp = U_Tp + I_B·R_a: the form that lies on the safe side, since the voltage drives the body current of
    its own time through the added resistance. Between the times of the table by straight lines in log–log.
    Below 0.05 s the value of 0.05 s applies, which is the safe side; beyond 10 s that of 10 s, as in the standard.

    References
    ----------
    EN 50522:2010 table B.3 and EN 50522:2022; body currents and the series form from memory.

    Examples
    --------
    >>> print(np.round(touch_limit_en50522([0.5, 1.0], 1750.0, edition=2010)))
    [570. 257.]
    """
    clearing_s, added_ohm = _time(clearing_s), np.asarray(added_ohm, float)
    if np.any(added_ohm < 0):
        raise ValueError("an added resistance is not below 0 ohm")
    times_s, touch_v, _ = _table(edition)
    return (_at(clearing_s, times_s, touch_v) + body_current_en50522(clearing_s, edition) * added_ohm)[()]


def body_current_en50522(clearing_s: ArrayLike, edition: int = 2022) -> FloatOrArray:
    """Body current on which the touch voltages of EN 50522 rest.

    Parameters
    ----------
    clearing_s : float or array
        Time for which the fault current flows [s], above 0.
    edition : int
        2010 or 2022.

    Returns
    -------
    float or array
        Current [A].

    References
    ----------
    EN 50522 Annex A after IEC 60479-1, curve c2 (from memory).

    Examples
    --------
    >>> print(body_current_en50522(1.0))
    0.08
    """
    times_s, _, body_a = _table(edition)
    return _at(_time(clearing_s), times_s, body_a)[()]


@cache
def _table(edition):
    """Clearing times [s], permissible touch voltages [V] and body currents [A] of an edition."""
    text = files("towerlib.physics").joinpath("touch.csv").read_text(encoding="utf-8")
    rows = [row for row in csv.DictReader(text.splitlines()) if row["edition"] == str(edition)]
    if not rows:
        raise ValueError(
            f"EN 50522 of {edition} is not included; the editions are {', '.join(map(str, EDITIONS))}"
        )
    return tuple(np.array([float(row[name]) for row in rows]) for name in ("clearing_s", "touch_v", "body_a"))


def _at(clearing_s, times_s, values):
    """Value at a time by straight lines between the logarithms; the ends hold beyond the table."""
    return np.exp(np.interp(np.log(clearing_s), np.log(times_s), np.log(values)))


def _time(clearing_s):
    """Clearing times as an array, refused where not above 0."""
    clearing_s = np.asarray(clearing_s, float)
    if np.any(clearing_s <= 0):
        raise ValueError("a clearing time must be greater than 0 s")
    return clearing_s


def added_resistance(surface_ohm_m: ArrayLike, footwear_ohm: ArrayLike = 0.0) -> FloatOrArray:
    """Resistance in series with the body when somebody touches a tower: footwear and standing surface.

    Parameters
    ----------
    surface_ohm_m : float or array
        Resistivity of the ground under the feet [Ω·m].
    footwear_ohm : float or array
        Both shoes together [Ω]; 0 for bare feet, 1000 for old and wet ones.

    Returns
    -------
    float or array
        Resistance [Ω].

    Notes
    -----
    R_a = R_F1 + 1.5·ρ_s. With 1000 Ω and 500 Ω·m the 1750 Ω of the curve U_D2 of EN 50341-1.

    References
    ----------
    EN 50522, EN 50341-1 (from memory).

    Examples
    --------
    >>> print(added_resistance(500.0, 1000.0))
    1750.0
    """
    return (np.asarray(footwear_ohm, float) + TOUCH_FEET * np.asarray(surface_ohm_m, float))[()]


def touch_limit_ieee80(
    clearing_s: ArrayLike, surface_ohm_m: ArrayLike = 0.0, derating: ArrayLike = 1.0, body_kg: int = 50
) -> FloatOrArray:
    """Tolerable touch voltage of IEEE Std 80.

    Parameters
    ----------
    clearing_s : float or array
        Time for which the fault current flows [s]; the formula holds from 0.03 to 3 s.
    surface_ohm_m : float or array
        Resistivity of the surface layer, of the soil where there is none [Ω·m]; 0 is metal to metal.
    derating : float or array
        Surface layer derating factor [1]: see `surface_derating`.
    body_kg : int
        50 or 70.

    Returns
    -------
    float or array
        Voltage [V]; NaN at times outside the range of the formula.

    Raises
    ------
    ValueError
        A clearing time that is not above 0, a weight other than 50 or 70 kg.

    Notes
    -----
    E = (1000 + 1.5·C_s·ρ_s)·k/√t, k = 0.116 for 50 kg and 0.157 for 70 kg. No footwear.

    References
    ----------
    IEEE Std 80-2000/2013, touch voltage criteria.

    Examples
    --------
    >>> print(round(touch_limit_ieee80(0.5, 2500.0, 0.74, body_kg=70), 1))
    838.2
    """
    return _tolerable(
        clearing_s, TOUCH_FEET * np.multiply(derating, np.asarray(surface_ohm_m, float)), body_kg
    )


def _tolerable(clearing_s, feet_ohm, body_kg):
    """Voltage that drives the tolerable current through a body of 1000 Ω and the ground under its feet [V]."""
    if body_kg not in BODY_FACTOR:
        raise ValueError(f"IEEE Std 80 has body weights of 50 and 70 kg, not {body_kg} kg")
    if np.any(np.asarray(feet_ohm) < 0):
        raise ValueError("a surface resistivity is not below 0 ohm·m")
    clearing_s = _time(clearing_s)
    held = (clearing_s >= number("ieee80_shortest_s")) & (clearing_s <= number("ieee80_longest_s"))
    current_a = number(BODY_FACTOR[body_kg]) / np.sqrt(np.where(held, clearing_s, np.nan))
    return ((number("ieee80_body_ohm") + feet_ohm) * current_a)[()]


def surface_derating(soil_ohm_m: ArrayLike, surface_ohm_m: ArrayLike, depth_m: ArrayLike) -> FloatOrArray:
    """Surface layer derating factor of IEEE Std 80.

    Parameters
    ----------
    soil_ohm_m, surface_ohm_m : float or array
        Resistivity of the soil and of the layer on it [Ω·m].
    depth_m : float or array
        Thickness of the layer [m].

    Returns
    -------
    float or array
        C_s [1]; 1 where both are alike.

    Notes
    -----
    C_s = 1 − 0.09·(1 − ρ/ρ_s)/(2·h_s + 0.09).

    References
    ----------
    IEEE Std 80-2000/2013, equation 27.

    Examples
    --------
    >>> print(round(surface_derating(400.0, 2500.0, 0.102), 2))
    0.74
    """
    ratio = np.asarray(soil_ohm_m, float) / np.asarray(surface_ohm_m, float)
    return (1 - 0.09 * (1 - ratio) / (2 * np.asarray(depth_m, float) + 0.09))[()]
