"""Towers and the power-frequency cycle laid out as arrays, and the chance of a flashover from them."""

from dataclasses import dataclass

import numpy as np

from towerlib.physics.lightning.collection import collected_flashes, collecting_width
from towerlib.physics.lightning.critical import Struck
from towerlib.physics.lightning.geometry import surges
from towerlib.physics.lightning.insulation import flashover_voltage
from towerlib.physics.lightning.ionisation import ionising_current, raised_resistivity
from towerlib.physics.lightning.strokes import exceedance
from towerlib.physics.lightning.tower import travel_time
from towerlib.physics.lightning.voltage import crest_voltage, cycle_angles
from towerlib.values import number

CHUNK = 10_000  # towers times pairs worked on at once: what stays near the processor


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
    """N towers or draws of towers in one row, ready to be solved; `shape` is what they came in."""

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
    method: object


def power_cycle(geometry, coupling, angles):
    """The power-frequency cycle of a line.

    Parameters
    ----------
    geometry : LineGeometry
        The line.
    coupling : array, shape (p,)
        Coupling of each free phase.
    angles : int
        Steps.

    Returns
    -------
    Cycle
    """
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


def build_case(geometry, towers, method):
    """Towers as arrays.

    Parameters
    ----------
    geometry, towers, method : LineGeometry, Towers, Method
        As for `towerlib.physics.lightning.rate.tower_rates`.

    Returns
    -------
    Case

    Raises
    ------
    ValueError
        As for `towerlib.physics.lightning.rate.tower_rates`.
    """
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


def probabilities(case, currents):
    """Chance that a first stroke exceeds the critical current, averaged over the cycle.

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
        chance = exceedance(current_ka, method.distribution)
        found[part] = chance[:, cycle.pairs].max(axis=-1).mean(axis=-1)
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
