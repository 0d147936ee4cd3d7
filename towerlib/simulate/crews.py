"""Field crews of a synthetic line: visits, instruments, flaws of readings, and the tables they bring back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.physics.probes import equivalent_hemisphere_m, hemisphere_reading_ratio
from towerlib.simulate.electrics import TEST_HZ, State, Stray, footings, in_service, injection, state, stray
from towerlib.simulate.specs import Sensor, sensor_of
from towerlib.simulate.towers import PATHS, Built, leg_names

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.simulate.specs import LineSpec


PER_DAY = 9  # towers that a crew tests in a day
KEPT_ROUNDS = 3  # the last rounds, in which every tower with a planted defect or works is tested
INSTRUMENTS = {"A": ("E-2207",), "B": ("E-3318", "E-3341"), "C": ("E-4402",), "D": ("E-5519",)}
LAPSED = ("E-3341", 2023)  # this calibration had run out before that year's round
COIL_FLAWS = ("reversed coil", "two turns on one leg", "half the turns on one leg", "turns not entered")
# From 41 Hz to 5 kHz, off the harmonics of 50 Hz.
SWEEP_HZ = (41.0, 62.0, 92.0, 128.0, 182.0, 274.0, 421.0, 628.0, 922.0, 1377.0, 2074.0, 3125.0, 4975.0)
COIL_GAINS = {"two turns on one leg": 2.0, "half the turns on one leg": 0.5, "reversed coil": -1.0}
STAKE_PER_M = 0.9  # resistance over resistivity of a probe: two stakes of 0.4 m and 12 mm, watered
DRY_OHM = 60_000.0  # of a probe with hardly any contact
VISIT_COLUMNS = """
    visit_id tower_id date crew instrument_serial calibration_due in_service soil_state method
    test_frequency_hz test_voltage_v impedance_ohm impedance_no_coils_ohm injected_ma legs_ma
    leakage_total_ma interference_potential_probe_v interference_current_probe_v interference_frequency_hz
    potential_probe_ohm current_probe_ohm potential_probe_distance_m current_probe_distance_m
    potential_probe_bearing_deg current_probe_bearing_deg coil_turns coil_turns_recorded
    current_scale_factor over_range leads_missing corrosion bond_seen photo latitude_deg longitude_deg note
""".split()
NOTES = {
    "over_range": "display unsteady, overload sign on",
    "probes too near": "wall and road, no room for the leads",
    "probes along the line": "steep, leads laid along the right-of-way",
    "high probe resistance": "dry stony ground, probes barely hold",
}
ONE_COIL_FLAWS = ("reversed coil", "two turns on one leg", "half the turns on one leg")


@dataclass(frozen=True)
class Scene:
    """One campaign: line, sources, state, visits (one row each) and coils.

    `footing_ohm` (n,) and `share` (n, 5) are the footings and the current shares of the paths in that state.
    """

    settings: dict[str, Any]
    built: Built
    flows: Stray
    now: State
    visits: pd.DataFrame
    sensor: Sensor
    footing_ohm: np.ndarray
    share: np.ndarray

    @property
    def stood(self) -> np.ndarray:
        """Position of the tower at which each reading was actually taken."""
        return self.visits["stood"].to_numpy()

    def tower(self, column: str) -> np.ndarray:
        """Column of the towers, one value per visit."""
        return self.built.towers[column].to_numpy()[self.stood]

    def flawed(self, *flaws: str) -> np.ndarray:
        """Visits with any of the flaws."""
        return self.visits["flaw"].isin(flaws).to_numpy()

    def by(self, method: str) -> np.ndarray:
        """Visits by that method."""
        return (self.visits["method"] == method).to_numpy()


def readings(
    spec: LineSpec, settings: dict[str, Any], built: Built, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """Visits, legs and sweeps recorded by the crews of a line, in the columns of the records.

    Also ``truth-visits``: one row per flawed visit.
    """
    plan = schedule(spec, built, rng)
    flows = stray(built, spec.drive, rng)
    rounds = []
    for _, visits in plan.groupby("campaign"):
        # One state per round: no defect begins or ends during a round.
        now = state(built, cast("Any", visits["date"].min()).to_numpy(), visits["soil_state"].iloc[0])
        rounds.append(_visits_round(set_scene(settings, built, flows, now, visits), rng))
    return {name: pd.concat([tables[name] for tables in rounds], ignore_index=True) for name in rounds[0]}


def _visits_round(scene, rng):
    """Tables of one campaign."""
    gain = coils(scene, rng)
    probe = probes(scene, rng)
    tested, leg_ohm = injected(scene, gain, probe, rng)
    leakage, leg_ma = leaking(scene, gain, rng)
    return {
        "visits": _visits_table(scene, [probe, tested, leakage, _seen(scene, rng)]),
        "legs": _legs_table(scene, leg_ma, leg_ohm),
        "sweeps": sweeps(scene, gain, rng),
        "truth-visits": _truth_table(scene),
    }


def coils(scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Complex gain (v, 5) of the coil on each path at each visit: 1 for a correct coil; 0 without a coil."""
    shape = (len(scene.visits), PATHS)
    turn = np.radians(scene.sensor.phase_deg) * rng.standard_normal(shape)
    gain = (1 + scene.sensor.gain * rng.standard_normal(shape)) * np.exp(1j * turn)
    gain = gain * scene.built.in_coils[scene.stood]
    gain = gain * np.where(scene.flawed("turns not entered"), 2.0, 1.0)[:, None]
    here = np.arange(PATHS) == scene.visits["flaw_leg"].to_numpy()[:, None]
    factor = cast("Any", scene.visits["flaw"]).map(COIL_GAINS).fillna(1.0).to_numpy()
    return np.where(here, factor[:, None], 1.0) * gain


def probes(scene: Scene, rng: np.random.Generator) -> pd.DataFrame:
    """Probe distances, bearings and resistances, one row per visit, and the error factor of the reading."""
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
    """Distance of the current probe: five diagonals of the legs, at least 60 m, more with a ring [m]."""
    spacing_m = np.nan_to_num(scene.tower("leg_spacing_m"))
    return np.maximum(60.0, 5 * np.ceil(np.sqrt(2) * spacing_m)) + np.where(scene.tower("ring"), 30, 0)


def significant(values: ArrayLike, digits: int = 3) -> np.ndarray:
    """Numbers rounded to significant digits; zero, NaN and inf remain unchanged."""
    values = np.asarray(values, float)
    size = np.where(np.isfinite(values) & (values != 0), np.abs(values), 1.0)
    places = digits - 1 - np.floor(np.log10(size)).astype(int)
    # Only powers of ten from 1 upwards are exact, so either multiply or divide.
    scale = 10.0 ** np.abs(places)
    return np.where(places < 0, np.round(values / scale) * scale, np.round(values * scale) / scale)


def _probe_factor(scene, potential_m, current_m):
    """Ratio of reading to truth; low for leads along a ring, at least 0.1."""
    footing_ohm = np.abs(scene.footing_ohm[scene.stood])
    radius_m = equivalent_hemisphere_m(scene.tower("soil_resistivity_ohm_m"), footing_ohm)
    factor = np.maximum(hemisphere_reading_ratio(radius_m, potential_m, current_m), 0.1)
    return factor * np.where(scene.flawed("probes along the line") & scene.tower("ring"), 0.6, 1.0)


def injected(
    scene: Scene, gain: np.ndarray, probe: pd.DataFrame, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray]:
    """Readings of the injected-current test, one row per visit, and the apparent impedance of each leg [Ω], (v, 5)."""
    line, points = injection(scene.built, scene.settings, scene.now, scene.footing_ohm, TEST_HZ)
    alone_ohm, tower_ohm = line.footing_ohm[scene.stood], points.tower_ohm[scene.stood]
    coil = scene.by("leg coils")
    path = np.where(coil[:, None], gain * np.nan_to_num(scene.share[scene.stood]), 0)
    caught = path.sum(axis=1)
    seen_ohm = np.where(scene.by("no coils"), tower_ohm, alone_ohm / np.where(coil, caught, 1.0))
    noise = probe["factor"].to_numpy() * (1 + 0.015 * rng.standard_normal((2, len(coil))))
    wild = np.where(scene.flawed("over_range"), np.exp(rng.standard_normal(len(coil))), 1.0)
    second = coil & _second_taken(scene, rng)
    table = _source(scene, tower_ohm, np.abs(tower_ohm / alone_ohm * caught), probe, rng).assign(
        impedance_ohm=significant(np.abs(seen_ohm) * noise[0] * wild),
        impedance_no_coils_ohm=significant(blank_but(second, np.abs(tower_ohm) * noise[1])),
    )
    # A path without current, open or without a coil, has no apparent impedance.
    flows = np.abs(path) > 1e-6
    return table, blank_but(flows, np.abs(alone_ohm[:, None] / np.where(flows, path, 1))) * noise[0][:, None]


def _second_taken(scene, rng):
    """Visits with a second reading without coils: rare at first, usual later, always at planted towers."""
    usual = np.where(scene.visits["date"].dt.year < 2021, 0.2, 0.75)
    stated = ~scene.flawed("method not stated")
    return stated & ((rng.random(len(usual)) < usual) | planted(scene.built)[scene.stood])


def planted(built: Built) -> np.ndarray:
    """Towers whose hidden truth must appear in the records: defects, works, neighbours of an open span."""
    towers = built.towers
    ahead = towers["span_ahead_open_since"].notna().to_numpy()
    beside = ahead | np.roll(ahead, 1) | np.roll(ahead, -1) | np.roll(ahead, 2)
    return (towers["defect"] != "none").to_numpy() | towers["treated_on"].notna().to_numpy() | beside


def _source(scene, tower_ohm, leg_share, probe, rng):
    """Source voltage, injected current and its part in the legs; small with a high probe resistance."""
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
            "current_scale_factor": np.where(current_ma > 100, 10, 1),
        }
    )


def blank_but(known: ArrayLike, values: ArrayLike) -> np.ndarray:
    """Values where a condition is true, NaN elsewhere."""
    return np.where(known, values, np.nan)


def leaking(scene: Scene, gain: np.ndarray, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Leakage total [mA] and interference voltage of each visit in service, and the leakage of each leg [mA], (v, 5).

    NaN where no coil was read; `gain` is from `coils`.
    """
    count, step_ma = len(scene.visits), scene.sensor.step_ma
    load = np.exp(0.25 * rng.standard_normal() + 0.08 * rng.standard_normal(count))
    current_a = load[:, None] * in_service(scene.built, scene.settings, scene.now, scene.flows)[scene.stood]
    noise = rng.standard_normal(gain.shape) + 1j * rng.standard_normal(gain.shape)
    read = (gain != 0) & scene.by("leg coils")[:, None]
    shown_ma = np.where(read, 1e3 * gain * np.nan_to_num(current_a) + scene.sensor.noise_ma * noise, 0)
    rise_v = np.abs(np.nansum(current_a, axis=1) * scene.footing_ohm[scene.stood])
    interference_v = np.abs(
        rise_v * (1 + 0.03 * rng.standard_normal((2, count))) + 0.004 * rng.standard_normal((2, count))
    )
    live = ~scene.by("shield wire lifted")
    table = pd.DataFrame(
        {
            "leakage_total_ma": blank_but(read.any(axis=1), _shown(shown_ma.sum(axis=1), step_ma)),
            "interference_potential_probe_v": blank_but(live, np.round(interference_v[0], 2)),
            "interference_current_probe_v": blank_but(live, np.round(1.05 * interference_v[1], 2)),
            "interference_frequency_hz": blank_but(live, scene.settings["line"]["frequency_hz"]),
        }
    )
    return table, blank_but(read, _shown(shown_ma, step_ma))


def _shown(current_ma, step_ma):
    """Displayed current."""
    return np.round(np.abs(current_ma) / step_ma) * step_ma


def _visits_table(scene, parts):
    """Visits in the columns of the records."""
    visits = pd.concat([scene.visits, *parts], axis=1)
    findings = (visits["leads_missing"] > 0) | (visits["corrosion"] == "heavy")
    findings |= visits["bond_seen"].isin(["missing", "damaged"])
    coiled = visits["method"] == "leg coils"
    return visits.assign(
        tower_id=scene.built.towers["tower_id"].to_numpy()[visits["place"]],
        in_service=yes_no(visits["method"] != "shield wire lifted"),
        method=visits["method"].mask(visits["flaw"] == "method not stated"),
        test_frequency_hz=TEST_HZ,
        coil_turns=visits["coil_turns"].where(coiled),
        coil_turns_recorded=visits["coil_turns_recorded"].where(coiled),
        over_range=yes_no(visits["flaw"] == "over_range"),
        photo=(visits["visit_id"] + "-1.jpg").where(findings),
        note=cast("Any", visits["flaw"])
        .map(NOTES)
        .mask(visits["repeat"] == "later", "second visit, set-up changed"),
    )[VISIT_COLUMNS]


def yes_no(flags: ArrayLike) -> np.ndarray:
    """Booleans as written in the records, "yes" and "no"."""
    return np.where(flags, "yes", "no")


def _seen(scene, rng):
    """Inspection findings; most defects remain unseen, and some findings are not recorded."""
    begun = scene.tower("defect_since") <= scene.visits["date"].to_numpy()
    defect = np.where(begun, scene.tower("defect"), "none")
    draw = rng.random((4, len(defect)))
    position = np.c_[scene.tower("latitude_deg"), scene.tower("longitude_deg")]
    position = np.round(position + 8e-5 * rng.standard_normal(position.shape), 6)
    return pd.DataFrame(
        {
            "leads_missing": np.where((defect == "open leg") & (draw[0] < 0.9), 1, 0),
            "corrosion": pd.Series(_corrosion(defect, draw[0])).mask(draw[3] < 0.06),
            "bond_seen": pd.Series(_bond(defect, scene.tower("shield_wire"), draw[1:3])).mask(draw[3] > 0.96),
            "latitude_deg": position[:, 0],
            "longitude_deg": position[:, 1],
        }
    )


def _corrosion(defect, draw):
    """Recorded corrosion class."""
    usual = np.select([draw < 0.78, draw < 0.97], ["none", "light"], "heavy")
    return np.where(defect == "corroded leg", np.where(draw < 0.75, "heavy", "light"), usual)


def _bond(defect, shield_wire, draw):
    """Recorded state of the bond, often not visible from the ground."""
    noticed = np.select([defect == "open bond", defect == "worn bond"], [0.5, 0.35], 0.55)
    broken = np.where(draw[1] < 0.5, "missing", "damaged")
    kind = np.select([defect == "open bond", defect == "worn bond"], [broken, "damaged"], "sound")
    return np.where((draw[0] > noticed) | (shield_wire == "insulated"), "not seen", kind)


def _legs_table(scene, leg_ma, leg_ohm):
    """One row per coil and visit, from arrays (visits, 5)."""
    row, path = np.nonzero(np.isfinite(leg_ma))
    visits = scene.visits.iloc[row]
    flawed = visits["flaw"].isin(ONE_COIL_FLAWS[1:]) & (visits["flaw_leg"] == path) & visits["turn_written"]
    really_worn = np.where(visits["flaw"] == "two turns on one leg", 2, 1)
    return pd.DataFrame(
        {
            "visit_id": visits["visit_id"].to_numpy(),
            "leg": leg_names(scene.built.towers)[visits["stood"], path],
            "leakage_ma": leg_ma[row, path],
            "impedance_ohm": significant(leg_ohm[row, path]),
            "coil_turns": np.where(flawed, really_worn, visits["coil_turns"]),
        }
    )


def sweeps(scene: Scene, gain: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Frequency sweeps at a fifth of the visits without a flaw: visit_id, frequency_hz, impedance_ohm, phase_deg.

    The dispersion of the soil, the inductance of the electrode and, for parallel leads, their coupling are included.
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
    """Impedance by each visit's method at one frequency [Ω]."""
    line, points = injection(scene.built, scene.settings, scene.now, footing_ohm, frequency_hz)
    coil = scene.by("leg coils")
    caught = (gain * np.nan_to_num(scene.share[scene.stood])).sum(axis=1)
    alone_ohm = line.footing_ohm[scene.stood] / np.where(coil, caught, 1.0)
    return np.where(scene.by("no coils"), points.tower_ohm[scene.stood], alone_ohm)


def _sweep_rows(visit_id, seen_ohm, frequency_hz, rng):
    """One frequency of every sweep, with instrument noise."""
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


def _truth_table(scene):
    """Truth about flawed visits, for comparison with the grades."""
    visits = scene.visits
    lapsed = (visits["calibration_due"] < visits["date"]) & (visits["flaw"] == "")
    names = pd.Series(leg_names(scene.built.towers)[visits["stood"], visits["flaw_leg"]])
    table = pd.DataFrame(
        {
            "visit_id": visits["visit_id"],
            "tower_id": scene.built.towers["tower_id"].to_numpy()[visits["place"]],
            "flaw": visits["flaw"].mask(lapsed, "calibration lapsed"),
            "leg": names.where(visits["flaw"].isin(ONE_COIL_FLAWS)),
        }
    )
    return table[table["flaw"] != ""]


def set_scene(
    settings: dict[str, Any], built: Built, flows: Stray, now: State, visits: pd.DataFrame
) -> Scene:
    """Scene with the computed footings."""
    visits = visits.reset_index(drop=True)
    return Scene(settings, built, flows, now, visits, sensor_of(settings), *footings(built, now))


def schedule(spec: LineSpec, built: Built, rng: np.random.Generator) -> pd.DataFrame:
    """Visits of all campaigns, one row each in order of date.

    `place` and `stood` are the positions in `built` of the intended and of the actual tower; a sound reading has a
    blank flaw.
    """
    rounds = [_round(spec, built, number, rng) for number in range(len(spec.campaigns))]
    visits = pd.concat(rounds).sort_values(["date", "crew", "order"], kind="stable", ignore_index=True)
    year = visits["date"].dt.strftime("%y")
    number = visits.groupby(year).cumcount() + 1
    return visits.assign(visit_id=[f"{spec.prefix}{y}-{k:03d}" for y, k in zip(year, number, strict=True)])


def _round(spec, built, number, rng):
    """One campaign with its repeats."""
    campaign = spec.campaigns[number]
    kept = planted(built) & (number >= len(spec.campaigns) - KEPT_ROUNDS)
    places = _reached(campaign, built, kept, rng)
    crew, date = _crew_days(places, campaign)
    visits = pd.DataFrame({"place": places, "campaign": number, "crew": crew, "date": date})
    visits = visits.assign(order=range(len(visits)), soil_state=campaign.soil_state, repeat="")
    visits = visits.assign(method=_methods(campaign, kept[places], rng))
    visits = visits.assign(flaw=_flaws(spec.flaws, built, visits, rng))
    # Works and the newest visit to a defect have no flaw; older visits may have one.
    last = number == len(spec.campaigns) - 1
    sound = kept[places] & (last | built.towers["treated_on"].notna().to_numpy()[places])
    visits = visits.assign(flaw=visits["flaw"].mask(sound, ""))
    return _with_details(_with_repeats(visits, rng), built, rng)


def _reached(campaign, built, kept, rng):
    """Stretches of the line that a campaign reaches, and the towers that it must include."""
    count = len(built.towers)
    stretch = np.arange(count) // 6
    reached = rng.random(stretch[-1] + 1) < campaign.share
    chosen = kept | (reached[stretch] & (rng.random(count) < 0.95))
    return np.flatnonzero(chosen & built.towers["tested"].to_numpy())


def _crew_days(places, campaign):
    """Crew and working day of each visit; each crew works through its own stretch."""
    crews = np.array(list(campaign.crews))
    block = np.arange(len(places)) * len(crews) // max(len(places), 1)
    within = np.arange(len(places)) - np.searchsorted(block, block)
    date = np.busday_offset(campaign.start, within // PER_DAY, roll="forward")
    return crews[block], pd.to_datetime(date)


def _methods(campaign, kept, rng):
    """Method of each visit: mostly leg coils, without coils in older rounds, rarely with the shield wire lifted."""
    draw = rng.random(len(kept))
    method = np.select(
        [draw < campaign.no_coils_share, draw > 0.988], ["no coils", "shield wire lifted"], "leg coils"
    )
    return np.where(kept, "leg coils", method)


def _flaws(shares, built, visits, rng):
    """At most one flaw per visit; coil flaws only with coils round four legs or more."""
    names = np.array([*shares, ""], dtype=object)
    flaw = names[np.searchsorted(np.cumsum(list(shares.values())), rng.random(len(visits)), side="right")]
    coiled = (visits["method"] == "leg coils").to_numpy()
    legged = built.towers["leg_count"].to_numpy()[visits["place"]] >= 4
    impossible = (np.isin(flaw, COIL_FLAWS) & ~legged) | (
        np.isin(flaw, [*COIL_FLAWS, "method not stated"]) & ~coiled
    )
    return np.where(impossible, "", flaw)


def _with_details(visits, built, rng):
    """Actual tower, leg of a coil flaw, actual and entered turns, instrument."""
    count, flaw, place = len(visits), visits["flaw"], visits["place"].to_numpy()
    aside = np.where(place < len(built.towers) - 1, place + 1, place - 1)
    doubled = (visits["crew"] == "D") | (flaw == "half the turns on one leg")
    doubled &= ~flaw.isin(["two turns on one leg", "turns not entered"])
    turns_set = np.where(doubled, 2, 1)
    return visits.assign(
        stood=np.where(flaw == "stood at the neighbour", aside, place),
        flaw_leg=rng.integers(0, 4, count),
        turn_written=rng.random(count) < 0.5,
        coil_turns_recorded=turns_set,
        coil_turns=np.where(flaw == "turns not entered", 2, turns_set),
        **_instruments(visits, rng),
    )


def _instruments(visits, rng):
    """Instrument, and the end of its calibration: a year from some day before the round."""
    spare = rng.random(len(visits)) < 0.35
    serial = np.array([INSTRUMENTS[c][-1 if s else 0] for c, s in zip(visits["crew"], spare, strict=True)])
    first = visits["date"].min()
    names = sorted(name for group in INSTRUMENTS.values() for name in group)
    days_left = np.array([325 - 53 * names.index(name) for name in serial])
    lapsed = (serial == LAPSED[0]) & (first.year == LAPSED[1])
    due = first + pd.to_timedelta(np.where(lapsed, -33, days_left), unit="D")
    return {"instrument_serial": serial, "calibration_due": due}


def _with_repeats(visits, rng):
    """Visits with repeats: a few on the same day, half of the flawed readings by coils a week later."""
    draw = rng.random(len(visits))
    flawed = visits["flaw"] != ""
    same_day = visits[(draw < 0.03) & ~flawed].assign(repeat="same day")
    later = visits[(draw < 0.5) & flawed & (visits["method"] == "leg coils")]
    later = later.assign(flaw="", repeat="later", date=later["date"] + pd.Timedelta(days=7))
    return pd.concat([visits, same_day, later], ignore_index=True)
