"""What the crews' instruments show: probes, coils, readings, leakage, sweeps."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.physics.probes import equivalent_hemisphere_m, hemisphere_reading_ratio
from towerlib.simulate.electrics import TEST_HZ, State, Stray, footings, in_service, injection
from towerlib.simulate.rounding import blank_but, significant
from towerlib.simulate.schedule import planted
from towerlib.simulate.specs import Sensor, sensor_of
from towerlib.simulate.towers import PATHS, Built

# From 41 Hz to 5 kHz, off the harmonics of 50 Hz.
SWEEP_HZ = (41.0, 62.0, 92.0, 128.0, 182.0, 274.0, 421.0, 628.0, 922.0, 1377.0, 2074.0, 3125.0, 4975.0)
COIL_GAINS = {"two turns on one leg": 2.0, "half the turns on one leg": 0.5, "reversed coil": -1.0}
STAKE_PER_M = 0.9  # resistance over resistivity of a probe: two stakes of 0.4 m and 12 mm, watered
DRY_OHM = 60_000.0  # of a probe that barely holds


@dataclass(frozen=True)
class Scene:
    """A campaign: the line, what drives it, its state, the visits, one row each, and the coils.

    `footing_ohm` (n,) and `share` (n, 5) are the footings and the shares of the paths in that state.
    """

    settings: dict
    built: Built
    flows: Stray
    now: State
    visits: pd.DataFrame
    sensor: Sensor
    footing_ohm: np.ndarray
    share: np.ndarray

    @property
    def stood(self):
        """Position of the tower at which each reading was really taken."""
        return self.visits["stood"].to_numpy()

    def tower(self, column):
        """Column of the towers, one value a visit."""
        return self.built.towers[column].to_numpy()[self.stood]

    def flawed(self, *flaws):
        """Visits with any of the flaws."""
        return self.visits["flaw"].isin(flaws).to_numpy()

    def by(self, method):
        """Visits by that method."""
        return (self.visits["method"] == method).to_numpy()


def set_scene(settings, built, flows, now, visits):
    """Scene with the footings worked out."""
    visits = visits.reset_index(drop=True)
    return Scene(settings, built, flows, now, visits, sensor_of(settings), *footings(built, now))


def coils(scene, rng):
    """Complex gain of the coil on each path at each visit.

    Parameters
    ----------
    scene : Scene
        v visits.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    array of complex, shape (v, 5)
        1 where a coil reads true; 0 where there is none.
    """
    shape = (len(scene.visits), PATHS)
    turn = np.radians(scene.sensor.phase_deg) * rng.standard_normal(shape)
    gain = (1 + scene.sensor.gain * rng.standard_normal(shape)) * np.exp(1j * turn)
    gain = gain * scene.built.in_coils[scene.stood]
    gain = gain * np.where(scene.flawed("turns not entered"), 2.0, 1.0)[:, None]
    here = np.arange(PATHS) == scene.visits["flaw_leg"].to_numpy()[:, None]
    return np.where(here, scene.visits["flaw"].map(COIL_GAINS).fillna(1.0).to_numpy()[:, None], 1.0) * gain


def probes(scene, rng):
    """Probe distances, bearings and resistances, one row a visit, and the factor by which a reading errs."""
    count, near = len(scene.visits), scene.flawed("probes too near")
    side_deg = np.where(rng.random(count) < 0.5, 90, -90) + 15 * np.clip(rng.standard_normal(count), -2, 2)
    along_deg = 6 * rng.standard_normal(count)
    off_line_deg = np.where(scene.flawed("probes along the line"), along_deg, side_deg)
    usual_m = _usual_distance(scene) + 5.0 * rng.integers(0, 5, count)
    current_m = np.where(near, rng.integers(12, 18, count), usual_m)
    bearing_deg = np.round(scene.tower("bearing_deg") + off_line_deg) % 360
    scatter = np.exp(0.35 * rng.standard_normal((2, count)))
    dry_ohm = np.where(
        scene.flawed("high probe resistance"), DRY_OHM * np.exp(0.2 * rng.standard_normal(count)), 0
    )
    stake_ohm = significant(STAKE_PER_M * scene.tower("upper_layer_ohm_m") * scatter + dry_ohm, 2)
    potential_m = np.round(np.where(near, 0.5, 0.62) * current_m)
    return pd.DataFrame(
        {
            "potential_probe_ohm": stake_ohm[0],
            "current_probe_ohm": stake_ohm[1],
            "potential_probe_distance_m": potential_m,
            "current_probe_distance_m": current_m,
            "potential_probe_bearing_deg": bearing_deg,
            "current_probe_bearing_deg": bearing_deg,
            "factor": _probe_factor(scene, potential_m, current_m),
        }
    )


def _usual_distance(scene):
    """Current probe at five diagonals of the legs, 60 m at least, farther where a ring lies [m]."""
    spacing_m = np.nan_to_num(scene.tower("leg_spacing_m"))
    return np.maximum(60.0, 5 * np.ceil(np.sqrt(2) * spacing_m)) + np.where(scene.tower("ring"), 30, 0)


def _probe_factor(scene, potential_m, current_m):
    """Factor of reading over truth; leads laid along a ring read low, a tenth always comes through."""
    footing_ohm = np.abs(scene.footing_ohm[scene.stood])
    radius_m = equivalent_hemisphere_m(scene.tower("soil_resistivity_ohm_m"), footing_ohm)
    factor = np.maximum(hemisphere_reading_ratio(radius_m, potential_m, current_m), 0.1)
    return factor * np.where(scene.flawed("probes along the line") & scene.tower("ring"), 0.6, 1.0)


def injected(scene, gain, probe, rng):
    """Impedances and currents that the injected-current test shows.

    Parameters
    ----------
    scene : Scene
        v visits.
    gain : array of complex, shape (v, 5)
        From `coils`.
    probe : DataFrame
        From `probes`.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of DataFrame and array
        One row a visit: impedance_ohm, impedance_no_coils_ohm, injected_ma, legs_ma, test_voltage_v,
        range_divisor; and the apparent impedance of each leg [Ω], shape (v, 5).
    """
    line, points = injection(scene.built, scene.settings, scene.now, scene.footing_ohm, TEST_HZ)
    alone_ohm, tower_ohm = line.footing_ohm[scene.stood], points.tower_ohm[scene.stood]
    coil = scene.by("leg coils")
    path = np.where(coil[:, None], gain * np.nan_to_num(scene.share[scene.stood]), 0)
    caught = path.sum(axis=1)
    seen_ohm = np.where(scene.by("no coils"), tower_ohm, alone_ohm / np.where(coil, caught, 1.0))
    noise = probe["factor"].to_numpy() * (1 + 0.015 * rng.standard_normal((2, len(coil))))
    wild = np.where(scene.flawed("overload"), np.exp(rng.standard_normal(len(coil))), 1.0)
    second = coil & _second_taken(scene, rng)
    table = _source(scene, tower_ohm, np.abs(tower_ohm / alone_ohm * caught), probe, rng).assign(
        impedance_ohm=significant(np.abs(seen_ohm) * noise[0] * wild),
        impedance_no_coils_ohm=significant(blank_but(second, np.abs(tower_ohm) * noise[1])),
    )
    # A path without current, open or without a coil, has no apparent impedance to show.
    flows = np.abs(path) > 1e-6
    return table, blank_but(flows, np.abs(alone_ohm[:, None] / np.where(flows, path, 1))) * noise[0][:, None]


def _second_taken(scene, rng):
    """Visits with a second reading, without coils: rare at first, usual later, always where planted."""
    usual = np.where(scene.visits["date"].dt.year < 2021, 0.2, 0.75)
    stated = ~scene.flawed("method not stated")
    return stated & ((rng.random(len(usual)) < usual) | planted(scene.built)[scene.stood])


def _source(scene, tower_ohm, leg_share, probe, rng):
    """Source voltage, injected current and its part in the legs; a high probe resistance leaves little."""
    probe_ohm = probe["current_probe_ohm"].to_numpy()
    voltage = np.where(probe_ohm > 800, 40, 20)
    current_ma = (
        1000 * voltage / (probe_ohm + np.abs(tower_ohm)) * (1 + 0.02 * rng.standard_normal(len(probe_ohm)))
    )
    legs_ma = np.abs(current_ma * leg_share + 0.02 * rng.standard_normal(len(probe_ohm)))
    return pd.DataFrame(
        {
            "test_voltage_v": voltage,
            "injected_ma": np.round(current_ma, 1),
            "legs_ma": blank_but(scene.by("leg coils"), np.round(legs_ma, 2)),
            "range_divisor": np.where(current_ma > 100, 10, 1),
        }
    )


def leaking(scene, gain, rng):
    """Leakage and stray voltage in service.

    Parameters
    ----------
    scene : Scene
        v visits.
    gain : array of complex, shape (v, 5)
        From `coils`.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of DataFrame and array
        One row a visit: leakage_total_ma, stray voltages and their frequency; and the leakage of each leg
        [mA], shape (v, 5), NaN where no coil was read.
    """
    count, step_ma = len(scene.visits), scene.sensor.step_ma
    load = np.exp(0.25 * rng.standard_normal() + 0.08 * rng.standard_normal(count))
    current_a = load[:, None] * in_service(scene.built, scene.settings, scene.now, scene.flows)[scene.stood]
    noise = rng.standard_normal(gain.shape) + 1j * rng.standard_normal(gain.shape)
    read = (gain != 0) & scene.by("leg coils")[:, None]
    shown_ma = np.where(read, 1e3 * gain * np.nan_to_num(current_a) + scene.sensor.noise_ma * noise, 0)
    rise_v = np.abs(np.nansum(current_a, axis=1) * scene.footing_ohm[scene.stood])
    stray_v = np.abs(
        rise_v * (1 + 0.03 * rng.standard_normal((2, count))) + 0.004 * rng.standard_normal((2, count))
    )
    live = ~scene.by("shield wire lifted")
    table = pd.DataFrame(
        {
            "leakage_total_ma": blank_but(read.any(axis=1), _shown(shown_ma.sum(axis=1), step_ma)),
            "stray_voltage_potential_v": blank_but(live, np.round(stray_v[0], 2)),
            "stray_voltage_current_v": blank_but(live, np.round(1.05 * stray_v[1], 2)),
            "stray_frequency_hz": blank_but(live, scene.settings["line"]["frequency_hz"]),
        }
    )
    return table, blank_but(read, _shown(shown_ma, step_ma))


def _shown(current_ma, step_ma):
    """What the display shows of a current."""
    return np.round(np.abs(current_ma) / step_ma) * step_ma


def sweeps(scene, gain, rng):
    """Sweeps of a fifth of the sound visits, one row a frequency.

    Parameters
    ----------
    scene : Scene
        v visits.
    gain : array of complex, shape (v, 5)
        From `coils`.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    DataFrame
        visit_id, frequency_hz, impedance_ohm, phase_deg. The electrode's inductance and, where leads lie side
        by side, their coupling add to what the soil's dispersion takes away.
    """
    chosen = np.flatnonzero((rng.random(len(scene.visits)) < 0.2) & (scene.visits["flaw"] == "").to_numpy())
    ring = scene.built.towers["ring"].to_numpy()
    own_h = 1e-6 * np.where(ring, 8 + 17 * rng.random(len(ring)), 1 + 3 * rng.random(len(ring)))
    side_by_side = rng.random(len(chosen)) < 0.1
    lead_h = 1e-6 * np.where(side_by_side, 36, 4 * rng.standard_normal(len(chosen)))
    scale = 1 + 0.015 * rng.standard_normal(len(chosen))
    parts = []
    for frequency_hz in SWEEP_HZ:
        omega = 2 * np.pi * frequency_hz
        seen_ohm = _seen_at(scene, gain, scene.footing_ohm + 1j * omega * own_h, frequency_hz)[chosen]
        seen_ohm = (seen_ohm + 1j * omega * lead_h) * scale
        parts.append(_sweep_rows(scene.visits["visit_id"].iloc[chosen], seen_ohm, frequency_hz, rng))
    return pd.concat(parts).sort_values(["visit_id", "frequency_hz"], ignore_index=True)


def _seen_at(scene, gain, footing_ohm, frequency_hz):
    """Impedance that each visit's method sees at one frequency [Ω]."""
    line, points = injection(scene.built, scene.settings, scene.now, footing_ohm, frequency_hz)
    coil = scene.by("leg coils")
    caught = (gain * np.nan_to_num(scene.share[scene.stood])).sum(axis=1)
    alone_ohm = line.footing_ohm[scene.stood] / np.where(coil, caught, 1.0)
    return np.where(scene.by("no coils"), points.tower_ohm[scene.stood], alone_ohm)


def _sweep_rows(visit_id, seen_ohm, frequency_hz, rng):
    """One frequency of every sweep, with what the instrument adds."""
    noise = 1 + 0.006 * rng.standard_normal(len(seen_ohm))
    phase_deg = np.degrees(np.angle(seen_ohm)) + 0.7 * rng.standard_normal(len(seen_ohm))
    return pd.DataFrame(
        {
            "visit_id": visit_id,
            "frequency_hz": frequency_hz,
            "impedance_ohm": significant(np.abs(seen_ohm) * noise),
            "phase_deg": np.round(phase_deg, 1),
        }
    )
