"""Back-flashover rate of each tower, exact (`tower_rates`) or interpolated for many draws (`tabulated_rates`).

`Towers` and `Method` are the inputs, `input_flaws` names inputs that allow no rate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from towerlib.physics import FloatOrArray
from towerlib.physics.lightning.flashover import (
    BEYOND_KA,
    Struck,
    critical_current,
    flashover_voltage,
    ionising_current,
    raised_resistivity,
)
from towerlib.physics.lightning.strokes import (
    DISTRIBUTIONS,
    collected_flashes,
    collecting_width,
    exceedance,
    exceeded_current,
)
from towerlib.physics.lightning.surge import LineGeometry, surges, travel_time
from towerlib.values import number

CHUNK = 10_000  # towers times pairs solved at once: what fits the processor cache
NODES = np.cos(np.pi * np.array([7.0, 5.0, 3.0, 1.0]) / 8.0)  # of the crest: Chebyshev points of a cubic
MOST_KA = 1e6  # replaces infinite currents, which no cubic can represent


@dataclass(frozen=True)
class Method:
    """Method of calculation; the defaults are the recommended one.

    Attributes
    ----------
    distribution : str
        Peak currents of first strokes: "IEEE" or "CIGRE"; never mix both in one report.
    angles : int
        Equal steps of the power-frequency cycle.
    gradient_kv_m : float
        Field at which soil ionises [kV/m]; inf leaves ionisation out (counterpoise, long radials).
    soil_ratio_min_m : float
        Least resistivity over footing resistance that a concentrated footing can have [m]; where the soil is
        given lower, the calculation uses this ratio and flags the tower. 0 switches the guard off.
    strength_cap : float
        Highest factor for the short tail of the stress [1].
    span_reflections : bool
        Relief from the neighbouring towers counts; off is the cautious choice.
    """

    distribution: str = "IEEE"
    angles: int = int(number("lightning_angles"))
    gradient_kv_m: float = number("soil_ionisation_kv_m")
    soil_ratio_min_m: float = number("soil_over_footing_min_m")
    strength_cap: float = number("short_tail_cap")
    span_reflections: bool = False

    def __post_init__(self) -> None:
        """Refuse methods that do not exist."""
        if self.distribution not in DISTRIBUTIONS:
            raise ValueError(
                f"no stroke distribution {self.distribution!r}; known are {', '.join(DISTRIBUTIONS)}"
            )
        if self.angles < 1:
            raise ValueError(f"the cycle is averaged over 1 angle or more, not {self.angles}")
        if not (self.gradient_kv_m > 0 and self.strength_cap >= 1 and self.soil_ratio_min_m >= 0):
            raise ValueError(
                f"gradient_kv_m = {self.gradient_kv_m:g} above 0, strength_cap = {self.strength_cap:g} of 1 or more and "
                f"soil_ratio_min_m = {self.soil_ratio_min_m:g} not below 0 are needed"
            )


DEFAULT = Method()


@dataclass(frozen=True)
class Towers:
    """Inputs that differ from tower to tower and from draw to draw: arrays (n,) or (m, n) that broadcast.

    Attributes
    ----------
    footing_ohm : float or array
        Low-current resistance of the tower's own footing, shield wire excluded [Ω], above 0; inf and NaN pass.
    resistivity_ohm_m : float or array
        Soil resistivity at the tower [Ω·m], above 0; NaN where unknown gives NaN: see `assumed_resistivity`.
    span_m : float or array
        Half the span behind plus half the span ahead [m].
    flash_density : float or array
        Ground flashes per km² and year; 1 gives relative rates.
    strength_kv : float or array, optional
        50 % flashover voltage of the insulation [kV]; else 560 kV/m times the strike length of the geometry.
    height_m : float or array, optional
        Height of the tower [m]; else that of the geometry. Another height moves the head up or down as a whole.
    """

    footing_ohm: ArrayLike
    resistivity_ohm_m: ArrayLike
    span_m: ArrayLike
    flash_density: ArrayLike = 1.0
    strength_kv: ArrayLike | None = None
    height_m: ArrayLike | None = None


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
        Probability that the first stroke of a flash exceeds the critical current, averaged over the cycle.
    critical_ka : array
        Current that is exceeded with that probability [kA].
    soil_raised : array of bool
        Soil and footing do not belong together (broken lead or false reading?): the least ratio was used.
    """

    backflashovers_per_year: np.ndarray
    collected_per_year: np.ndarray
    probability: np.ndarray
    critical_ka: np.ndarray
    soil_raised: np.ndarray


@dataclass(frozen=True)
class Cycle:
    """The power-frequency cycle without its repetitions: equal phases at equal voltages are solved once.

    Attributes
    ----------
    kinds : array, shape (k,)
        Positions, among the free phases, of k phases that differ in coupling or crossarm.
    pair_kind, pair_kv : array, shape (u,)
        Every pair of a kind and a voltage [kV] that occurs.
    pairs : array, shape (angles, q)
        Which pairs meet at each angle.
    crest_kv : float
        Crest of the voltage to earth [kV].
    """

    kinds: np.ndarray
    pair_kind: np.ndarray
    pair_kv: np.ndarray
    pairs: np.ndarray
    crest_kv: float


@dataclass(frozen=True)
class Case:
    """N towers or draws of towers in one row, ready to be solved; `shape` is their original shape."""

    shape: tuple
    tower_ohm: float
    footing_ohm: np.ndarray
    ionising_ka: np.ndarray
    span_us: np.ndarray
    strength_kv: np.ndarray
    place: np.ndarray  # of each tower's height among the distinct heights
    wire_ohm: np.ndarray
    coupling: np.ndarray
    top_us: np.ndarray
    crossarm_us: np.ndarray
    collected: np.ndarray
    soil_raised: np.ndarray
    cycle: Cycle
    method: Method


def tower_rates(geometry: LineGeometry, towers: Towers, method: Method = DEFAULT) -> TowerRates:
    """Back-flashovers of each tower and year.

    Parameters
    ----------
    geometry : LineGeometry
        The line.
    towers : Towers
        Its towers, (n,) or (m draws, n).
    method : Method
        Method of calculation.

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
    >>> from towerlib.physics.lightning.surge import typical_geometry
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


def tabulated_rates(geometry: LineGeometry, towers: Towers, method: Method = DEFAULT) -> TowerRates:
    """Back-flashovers as `tower_rates` finds them, interpolated: for Monte Carlo.

    Parameters
    ----------
    geometry, towers, method
        As for `towerlib.physics.lightning.rate.tower_rates`.

    Returns
    -------
    TowerRates
        Within 0.5 % of what `tower_rates` gives.

    Notes
    -----
    The critical current of each tower, draw and phase is solved at four voltages of the cycle; its logarithm is
    so nearly straight that a cubic through them serves for all angles.

    Examples
    --------
    >>> from towerlib.physics.lightning.rate import Towers
    >>> from towerlib.physics.lightning.surge import typical_geometry
    >>> draws = Towers([[9.0], [10.0], [11.0]], 200.0, [300.0, 350.0])
    >>> tabulated_rates(typical_geometry(132.0), draws).backflashovers_per_year.shape
    (3, 2)
    """
    return rates_by(geometry, towers, method, _at_four_voltages)


def _at_four_voltages(struck, cycle, options):
    """Critical current at every pair of the cycle, from a cubic through four of each kind."""
    kinds, count = np.arange(len(cycle.kinds)), len(NODES)
    node_kv = np.tile(NODES * cycle.crest_kv, len(kinds))
    solved_ka = critical_current(struck(np.repeat(kinds, count)), node_kv, **options)
    logs = np.log(np.minimum(solved_ka, MOST_KA)).reshape(len(solved_ka), len(kinds), count)
    x = cycle.pair_kv / cycle.crest_kv
    weights = [
        np.prod([(x - other) / (node - other) for other in NODES if other != node], axis=0) for node in NODES
    ]
    of_pair = logs[:, cycle.pair_kind]
    return np.exp(sum(of_pair[..., place] * weight for place, weight in enumerate(weights)))


def rates_by(
    geometry: LineGeometry, towers: Towers, method: Method, currents: Callable[..., np.ndarray]
) -> TowerRates:
    """Rates with the critical currents of a part of the towers found by `currents`, as `probabilities` calls it."""
    case = build_case(geometry, towers, method)
    probability = probabilities(case, currents)
    per_year = number("lightning_harmful_share") * case.collected * probability
    critical_ka = exceeded_current(probability, method.distribution)
    parts = (per_year, case.collected, probability, critical_ka, case.soil_raised)
    return TowerRates(*(part.reshape(case.shape)[()] for part in parts))


def build_case(geometry: LineGeometry, towers: Towers, method: Method) -> Case:
    """Towers as arrays; raises as `tower_rates`."""
    names = ("footing_ohm", "resistivity_ohm_m", "span_m", "flash_density", "strength_kv", "height_m")
    given = dict(zip(names, (getattr(towers, name) for name in names), strict=True))
    if given["strength_kv"] is None:
        given["strength_kv"] = flashover_voltage(geometry.strike_length_m)
    if given["height_m"] is None:
        given["height_m"] = geometry.height_m
    shape, columns = _rows(given)
    footing_ohm, soil_ohm_m, span_m, density, strength_kv, height_m = columns
    heights_m, place = np.unique(height_m, return_inverse=True)
    met = surges(geometry, np.where(np.isnan(heights_m), geometry.height_m, heights_m))
    crossarm_m = (
        np.array(geometry.crossarm_y_m)[list(geometry.free)] + (heights_m - geometry.height_m)[:, None]
    )
    if np.any(crossarm_m <= 0):
        raise ValueError("height_m leaves a crossarm below ground: check the heights of the towers")
    ionising_ka, raised = _ionising(footing_ohm, soil_ohm_m, method)
    usual = surges(geometry).coupling
    width_m = collecting_width(heights_m, geometry.wire_spacing_m)[place]
    return Case(
        shape=shape,
        tower_ohm=geometry.surge_impedance_ohm,
        footing_ohm=footing_ohm,
        ionising_ka=ionising_ka,
        span_us=travel_time(span_m),
        strength_kv=strength_kv,
        place=place,
        wire_ohm=met.wire_ohm,
        coupling=met.coupling,
        top_us=travel_time(heights_m, number("lightning_tower_speed")),
        crossarm_us=travel_time(crossarm_m, number("lightning_tower_speed")),
        collected=collected_flashes(density, width_m, span_m),
        soil_raised=raised,
        cycle=power_cycle(geometry, usual, method.angles),
        method=method,
    )


def _rows(given):
    """Shape to which the arrays broadcast, and each of them as one row, checked."""
    try:
        arrays = np.broadcast_arrays(*(np.asarray(values, float) for values in given.values()))
    except ValueError:
        shapes = ", ".join(f"{name} {np.shape(values)}" for name, values in given.items())
        raise ValueError(f"the towers' arrays do not go together: {shapes}") from None
    for name, values in zip(given, arrays, strict=True):
        bad = values < 0 if name == "flash_density" else values <= 0
        if bad.any():
            wanted = "0 or more" if name == "flash_density" else "above 0"
            raise ValueError(
                f"{name} must be {wanted}: {bad.sum()} of {bad.size} are not, the first {values[bad][0]:g}; "
                "what is not known is NaN"
            )
    return arrays[0].shape, [values.ravel() for values in arrays]


def _ionising(footing_ohm, soil_ohm_m, method):
    """Ionising current [kA], and where the soil had to be raised; inf without ionisation, whatever the soil."""
    if np.isinf(method.gradient_kv_m):
        return np.full(footing_ohm.shape, np.inf), np.zeros(footing_ohm.shape, dtype=bool)
    soil_ohm_m, raised = raised_resistivity(footing_ohm, soil_ohm_m, method.soil_ratio_min_m)
    with np.errstate(invalid="ignore"):
        return ionising_current(footing_ohm, soil_ohm_m, method.gradient_kv_m), raised


def power_cycle(geometry: LineGeometry, coupling: np.ndarray, angles: int) -> Cycle:
    """Power-frequency cycle of a line in so many steps, with the coupling (p,) of each free phase."""
    free = list(geometry.free)
    crossarm_m, degrees = (np.array(v)[free] for v in (geometry.crossarm_y_m, geometry.phase_angle_deg))
    likeness = np.c_[np.round(coupling, 9), np.round(crossarm_m, 9)]
    _, kinds, kind = np.unique(likeness, axis=0, return_index=True, return_inverse=True)
    crest_kv = float(crest_voltage(geometry.voltage_kv))
    kv = crest_kv * np.sin(cycle_angles(angles)[:, None] + np.radians(degrees))
    both = np.stack([np.broadcast_to(kind.ravel(), kv.shape), np.round(kv, 6)], axis=-1)
    rows, pairs = np.unique(both.reshape(-1, 2), axis=0, return_inverse=True)
    pairs = np.unique(pairs.reshape(kv.shape), axis=1)
    return Cycle(kinds, rows[:, 0].astype(int), rows[:, 1], pairs, crest_kv)


def crest_voltage(voltage_kv: ArrayLike) -> FloatOrArray:
    """Crest of the voltage from phase to earth [kV], from the effective voltage between phases [kV].

    Examples
    --------
    >>> print(crest_voltage(132.0))
    107.78
    """
    return np.asarray(voltage_kv, float) * np.sqrt(2.0 / 3.0)


def cycle_angles(steps: int | None = None) -> np.ndarray:
    """Angles at which the power-frequency cycle is averaged, each in the middle of its step [rad].

    Parameters
    ----------
    steps : int, optional
        Equal steps of the cycle; else ``lightning_angles``.

    Returns
    -------
    array, shape (steps,)

    Examples
    --------
    >>> print(np.degrees(cycle_angles(4)))
    [ 45. 135. 225. 315.]
    """
    steps = int(number("lightning_angles")) if steps is None else steps
    if steps < 1:
        raise ValueError(f"the cycle is averaged over 1 angle or more, not {steps}")
    return 2.0 * np.pi * (np.arange(steps) + 0.5) / steps


def probabilities(case: Case, currents: Callable[..., np.ndarray]) -> np.ndarray:
    """Probability that a first stroke exceeds the critical current, averaged over the cycle.

    Parameters
    ----------
    case : Case
        Towers.
    currents : callable
        (struck, cycle, options) -> critical currents (towers, u) [kA], where struck(kinds) gives the `Struck`
        of a part of the towers for a row of kinds.

    Returns
    -------
    array, shape (N,)
    """
    cycle, method, count = case.cycle, case.method, case.footing_ohm.size
    if not cycle.kinds.size:
        return np.where(np.isnan(case.footing_ohm), np.nan, 0.0)
    options = {"strength_cap": method.strength_cap, "span_reflections": method.span_reflections}
    found, size = np.empty(count), max(1, CHUNK // len(cycle.pair_kv))
    for begin in range(0, count, size):
        part = slice(begin, begin + size)
        current_ka = currents(_struck(case, part), cycle, options)
        exceeded = exceedance(current_ka, method.distribution)
        found[part] = exceeded[:, cycle.pairs].max(axis=-1).mean(axis=-1)
    return found


def _struck(case, part):
    """Function that gives the towers of a part, for a row of kinds of phases."""
    place = case.place[part]
    rows = (case.footing_ohm[part], case.ionising_ka[part], case.wire_ohm[place])
    footing_ohm, ionising_ka, wire_ohm = (row[:, None] for row in rows)
    top_us, span_us, strength_kv = case.top_us[place], case.span_us[part], case.strength_kv[part]

    def struck(kinds):
        of_phase = case.cycle.kinds[kinds]
        return Struck(
            footing_ohm=footing_ohm,
            ionising_ka=ionising_ka,
            wire_ohm=wire_ohm,
            coupling=case.coupling[place][:, of_phase],
            tower_ohm=case.tower_ohm,
            top_us=top_us[:, None],
            crossarm_us=case.crossarm_us[place][:, of_phase],
            span_us=span_us[:, None],
            strength_kv=strength_kv[:, None],
        )

    return struck


def input_flaws(
    footing_ohm: ArrayLike,
    resistivity_ohm_m: ArrayLike,
    strength_kv: ArrayLike = np.inf,
    span_m: ArrayLike = np.inf,
    *,
    height_m: ArrayLike = np.inf,
    least_height_m: float = 0,
) -> np.ndarray:
    """Reason why each tower has no rate or a doubtful one, in a few words.

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
        "" where nothing is wrong; the gravest where several reasons apply.

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
