"""Back-flashovers per tower and year: flashes collected, times the chance that one flashes an insulator over."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.lightning.case import build_case, probabilities
from towerlib.physics.lightning.critical import BEYOND_KA, critical_current
from towerlib.physics.lightning.ionisation import assumed_resistivity
from towerlib.physics.lightning.settings import DEFAULT, Method, Towers
from towerlib.physics.lightning.strokes import exceeded_current
from towerlib.values import number

__all__ = ["Method", "TowerRates", "Towers", "assumed_resistivity", "input_flaws", "line_rate", "tower_rates"]


@dataclass(frozen=True)
class TowerRates:
    """Lightning performance of towers; arrays of the shape to which the towers' arrays broadcast.

    Attributes
    ----------
    backflashovers_per_year : array
        Back-flashovers of each tower and year: 0.6 · collected · probability.
    collected_per_year : array
        Flashes that the tower and its two half spans collect in a year.
    probability : array
        Chance that the first stroke of a flash exceeds the critical current, averaged over the cycle.
    critical_ka : array
        Current that is exceeded with that chance [kA].
    soil_raised : array of bool
        Soil and footing do not belong together (broken lead or false reading?): the least ratio was used.
    """

    backflashovers_per_year: np.ndarray
    collected_per_year: np.ndarray
    probability: np.ndarray
    critical_ka: np.ndarray
    soil_raised: np.ndarray


def tower_rates(geometry, towers, method=DEFAULT):
    """Back-flashovers of each tower and year.

    Parameters
    ----------
    geometry : LineGeometry
        The line.
    towers : Towers
        Its towers, (n,) or (m draws, n).
    method : Method
        How.

    Returns
    -------
    TowerRates
        NaN where anything that the rate needs is NaN.

    Raises
    ------
    ValueError
        Footing, resistivity, span, strength or height that is not above 0; negative flash density; an unknown
        distribution; arrays that do not broadcast.

    Notes
    -----
    0.6·N·mean over the cycle of P(Ic), Ic the least over the phases. Span strokes count as harmless, hence 0.6;
    every flashover counts as a trip-out. Absolute rates are uncertain by a factor of 2 to 5; the order of towers
    and ratios before and after are far better.

    References
    ----------
    CIGRE Technical Brochure 63 (1991), IEEE Std 1243-1997, Hileman (1999), ch. 10, from memory; share of 0.6 in
    Alipio et al., Electr. Power Syst. Res. 214 (2023) 108951.

    Examples
    --------
    >>> from towerlib.physics.lightning.typical import typical_geometry
    >>> found = tower_rates(typical_geometry(132.0), Towers([10.0, 50.0], [200.0, 1000.0], 300.0))
    >>> print(found.backflashovers_per_year.round(4))
    [0.004  0.0251]
    """
    return rates_by(geometry, towers, method, _at_each_voltage)


def _at_each_voltage(struck, cycle, options):
    """Critical current at every voltage that the cycle brings: the plain way (towers, pairs)."""
    towers = struck(cycle.pair_kind)
    middle_ka = critical_current(struck(np.arange(len(cycle.kinds))), 0.0, **options)[:, cycle.pair_kind]
    # Strength falls by 0.2 V and the margin by V more, so a straight line is a good place to begin.
    start_ka = middle_ka * np.maximum(1.0 - 1.2 * cycle.pair_kv / towers.strength_kv, 0.1)
    return critical_current(towers, cycle.pair_kv, start_ka=np.minimum(start_ka, BEYOND_KA), **options)


def rates_by(geometry, towers, method, currents):
    """Rates with the critical currents found in a stated way.

    Parameters
    ----------
    geometry, towers, method
        As for `tower_rates`.
    currents : callable
        Critical currents of a part of the towers at all pairs of phase and voltage, as `probabilities` calls it.

    Returns
    -------
    TowerRates
    """
    case = build_case(geometry, towers, method)
    probability = probabilities(case, currents)
    per_year = number("lightning_harmful_share") * case.collected * probability
    critical_ka = exceeded_current(probability, method.distribution)
    parts = (per_year, case.collected, probability, critical_ka, case.soil_raised)
    return TowerRates(*(part.reshape(case.shape)[()] for part in parts))


def line_rate(rates_per_year, span_m):
    """Rate of a line, as the sum over its towers: rates are summed, resistances never averaged.

    Parameters
    ----------
    rates_per_year, span_m : array, shape (n,) or (m, n)
        Rate of each tower [1/year], NaN where it could not be found; half spans of each tower [m].

    Returns
    -------
    tuple of array or float
        Sum per year, the same per 100 km and year of the towers that have a rate (NaN where none has), and how
        many have none.

    Examples
    --------
    >>> per_year, per_100_km, lacking = line_rate([0.01, np.nan, 0.03], 400.0)
    >>> print(per_year, per_100_km, lacking)
    0.04 5.0 1
    """
    rates_per_year = np.asarray(rates_per_year, float)
    known = ~np.isnan(rates_per_year)
    length_km = np.where(known, span_m, 0.0).sum(axis=-1) / 1000.0
    per_year = np.where(known.any(axis=-1), np.nansum(rates_per_year, axis=-1), np.nan)
    with np.errstate(invalid="ignore"):
        return per_year[()], (100.0 * per_year / length_km)[()], (~known).sum(axis=-1)


def input_flaws(
    footing_ohm, resistivity_ohm_m, strength_kv=np.inf, span_m=np.inf, *, height_m=np.inf, least_height_m=0
):
    """What keeps a tower from having a rate, or makes it doubtful, in a few words each.

    Parameters
    ----------
    footing_ohm, resistivity_ohm_m, strength_kv, span_m : float or array, shape (n,)
        As `Towers` has them.
    height_m : float or array, shape (n,)
        Height of each tower [m].
    least_height_m : float
        That of ``LineGeometry.least_height_m`` [m].

    Returns
    -------
    array of str, shape (n,)
        "" where nothing is wrong; the gravest where several things are.

    Examples
    --------
    >>> print(input_flaws([10.0, 0.0, 5000.0, 10.0], [200.0, 200.0, 200.0, np.nan])[1:])
    ['footing resistance is not above 0' 'footing resistance is above 1000 ohm'
     'soil resistivity is not known']
    """
    most_ohm = number("footing_max_ohm")
    named = {
        "footing resistance": footing_ohm,
        "insulator strength": strength_kv,
        "span": span_m,
        "soil resistivity": resistivity_ohm_m,
        "tower height": height_m,
    }
    arrays = dict(
        zip(named, np.broadcast_arrays(*(np.asarray(v, float) for v in named.values())), strict=True)
    )
    checks = [(f"{name} is not known", np.isnan(values)) for name, values in arrays.items()]
    checks += [(f"{name} is not above 0", values <= 0) for name, values in arrays.items()]
    checks.insert(
        0, (f"footing resistance is above {most_ohm:g} ohm", arrays["footing resistance"] > most_ohm)
    )
    low = f"tower height is not above the {least_height_m:.1f} m that the line's head needs"
    checks.append((low, arrays["tower height"] <= least_height_m))
    words, flags = zip(*checks, strict=True)
    return np.select(flags, words, default="")
