"""Electrical state of a synthetic line: footings, injected currents and currents in service."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from towerlib.physics import overhead_line
from towerlib.physics.ladder import admittance, driving_points, ladder, solve
from towerlib.physics.leg_network import Legs, earth_matrix, footing_resistance, leg_currents
from towerlib.physics.overhead_line import Wires, mean_height
from towerlib.simulate.towers import PATHS

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.physics.ladder import DrivingPoint, Ladder
    from towerlib.simulate.specs import Drive
    from towerlib.simulate.towers import Built


TEST_HZ = 128.0
LEG_OHM = 0.5e-3 + 2e-3j  # of a tower leg at 50 Hz
RING_OHM_M = 0.9e-3 + 1e-3j  # of a buried ring conductor at 50 Hz, per metre
RING_EARTH_FACTOR = 0.75  # a ring is an electrode itself and carries part of the footing's current
BODY_A_KV = 3e-6  # leakage of the insulators, per kV of the line
VACUUM_PERMITTIVITY = 8.854e-12


@dataclass(frozen=True)
class State:
    """State of a line on one day; n towers.

    `earth_factor` (n,): season and works on the resistance of the electrodes. `lead_factor` (n, 5): resistance of the
    lead of each path over the path's own, inf where open. `bond_ohm` (n,): bonds [Ω], inf where open. `span_open` (n −
    1,): spans in which the shield wire is broken.
    """

    earth_factor: np.ndarray
    lead_factor: np.ndarray
    bond_ohm: np.ndarray
    span_open: np.ndarray


@dataclass(frozen=True)
class Stray:
    """Effects of the phase currents at every tower and span, constant apart from the load.

    `soil_v` (n, 5): potential of the soil at each foot [V]. `ring_v` (n, 5): EMF of each side of a ring [V]. `forced_a`
    (n − 1,): current that each span would carry alone [A].
    """

    soil_v: np.ndarray
    ring_v: np.ndarray
    forced_a: np.ndarray


def state(built: Built, day: np.datetime64, soil_state: str) -> State:
    """State of a line on one day; a defect applies from its first day. `soil_state` is ``dry``, ``normal`` or ``wet``."""
    towers = built.towers
    season = {"dry": towers["dry_factor"], "normal": 1.0, "wet": towers["wet_factor"]}[soil_state]
    worked = np.where(towers["treated_on"] <= day, towers["treatment_factor"], 1.0)
    begun = (towers["defect_since"] <= day).to_numpy()
    lame = begun[:, None] & (np.arange(PATHS) == towers["defect_leg"].to_numpy()[:, None])
    bond_ohm = np.where(begun, towers["bond_ohm"], 0.0)
    return State(
        earth_factor=np.asarray(season * worked, float),
        lead_factor=np.where(lame, towers["lead_factor"].to_numpy()[:, None], 0.0),
        bond_ohm=np.where(towers["shield_wire"] == "insulated", np.inf, bond_ohm),
        span_open=(towers["span_ahead_open_since"] <= day).to_numpy()[:-1],
    )


def stray(built: Built, drive: Drive, rng: np.random.Generator) -> Stray:
    """Soil fields, ring EMFs and forced currents of a line."""
    count = len(built.towers)
    field_v_m = 5e-3 * np.exp(0.6 * rng.standard_normal(count)) * np.exp(2j * np.pi * rng.random(count))
    ring_v = 3e-3 * (rng.standard_normal((count, PATHS)) + 1j * rng.standard_normal((count, PATHS)))
    uneven = (rng.standard_normal(count - 1) + 1j * rng.standard_normal(count - 1)) / np.sqrt(2)
    sections = np.searchsorted(np.asarray(drive.transpositions), np.arange(count - 1), side="right")
    return Stray(
        soil_v=field_v_m[:, None] * np.real(np.nan_to_num(built.feet_m)),
        ring_v=ring_v,
        # A transposition turns the phase of the induced voltage by a third of a period.
        forced_a=drive.forced_a * np.exp(2j * np.pi * sections / 3) * (1 + drive.unevenness * uneven),
    )


def dispersion(frequency_hz: ArrayLike, resistivity_ohm_m: ArrayLike) -> np.ndarray:
    """Impedance of a compact electrode over its resistance to direct current, by frequency [Hz] and resistivity [Ω·m].

    σ0/(σ + jωε) with ρ = ρ0/(1 + 4.7e-6·ρ0^0.73·f^0.54) and ε = 9.5e4·ε0·ρ0^−0.27·f^−0.46 + 12·ε0; fitted to soils of
    60 to 18000 Ω·m. Source: Alipio and Visacro, IEEE Trans. EMC (2014); CIGRE Technical Brochure 781 (2019).
    """
    f, rho = np.asarray(frequency_hz, float), np.asarray(resistivity_ohm_m, float)
    conductivity = (1 + 4.7e-6 * rho**0.73 * f**0.54) / rho
    permittivity = VACUUM_PERMITTIVITY * (9.5e4 * rho**-0.27 * f**-0.46 + 12)
    return 1 / (rho * (conductivity + 2j * np.pi * f * permittivity))


def footings(built: Built, now: State) -> tuple[np.ndarray, np.ndarray]:
    """Footing of every tower with all paths together [Ω], (n,), and share of each path, (n, 5), NaN without a path."""
    footing_ohm = np.zeros(len(built.towers), complex)
    share = np.full((len(built.towers), PATHS), np.nan, complex)
    for rows, legs in _legs(built, now):
        footing_ohm[rows] = footing_resistance(legs)
        share[rows, : legs.lead_ohm.shape[1]] = leg_currents(legs, 0.0, 0.0, body_a=1.0)
    return footing_ohm, share


def injection(
    built: Built, settings: dict[str, Any], now: State, footing_ohm: np.ndarray, frequency_hz: float
) -> tuple[Ladder, DrivingPoint]:
    """Ladder and driving points of all towers at a test frequency [Hz].

    `footing_ohm` (n,) is without the dispersion of the soil, which is applied here; `settings` is ``line.toml``.
    """
    at_frequency = footing_ohm * dispersion(frequency_hz, built.towers["soil_resistivity_ohm_m"].to_numpy())
    span_ohm = span_impedance(built, settings, frequency_hz)
    line = _ladder(at_frequency, settings, now, span_ohm)
    return line, driving_points(line)


def in_service(built: Built, settings: dict[str, Any], now: State, flows: Stray) -> np.ndarray:
    """Currents [A] in each path of every tower in service, (n, 5), NaN without a path."""
    frequency_hz, voltage_kv = settings["line"]["frequency_hz"], settings["line"]["voltage_kv"]
    span_ohm = span_impedance(built, settings, frequency_hz)
    line = _ladder(footings(built, now)[0], settings, now, span_ohm)
    rest_s = driving_points(line).rest_s
    wire_v = solve(line, span_emf_v=cast("Any", flows.forced_a * span_ohm)).wire_v
    # Voltage of the wire with this tower disconnected, i.e. without the load of its own current.
    unhooked_v = wire_v * (rest_s + line.tower_s) / rest_s
    source_s = admittance(np.where(np.isinf(now.bond_ohm), np.inf, now.bond_ohm + 1 / rest_s))
    current_a = np.full((len(wire_v), PATHS), np.nan, complex)
    for rows, legs in _legs(built, now, flows):
        paths = leg_currents(legs, unhooked_v[rows], source_s[rows], body_a=BODY_A_KV * voltage_kv)
        current_a[rows, : paths.shape[1]] = paths
    return current_a


def _ladder(footing_ohm, settings, now, span_ohm):
    """Ladder of the line, broken spans included."""
    stations = tuple(settings["stations"][end]["earth_ohm"] for end in ("first", "last"))
    return ladder(footing_ohm, now.bond_ohm, np.where(now.span_open, np.inf, span_ohm), stations)


def span_impedance(built: Built, settings: dict[str, Any], frequency_hz: float) -> np.ndarray:
    """Impedance [Ω] of the equivalent shield wire of each span, (n − 1,), without broken spans."""
    x_m, y_m, sag_m, gmr_mm, r_ohm_km = np.array(
        [
            [wire[key] for key in ("x_m", "y_m", "sag_m", "gmr_mm", "r_ohm_km")]
            for wire in settings["shield_wires"]["wires"]
        ],
        float,
    ).T
    wires = Wires(x_m, mean_height(y_m, sag_m), gmr_mm / 1e3, r_ohm_km / 1e3)
    resistivity = built.towers["soil_resistivity_ohm_m"].median()
    matrix = overhead_line.impedance_matrix(wires, frequency_hz, resistivity)
    return overhead_line.equivalent_wire(matrix) * built.span_m


def _legs(built, now, flows=None):
    """Rows and `Legs` of the towers, grouped by number of paths; with the soil's fields where given."""
    towers = built.towers
    path_count = np.isfinite(built.own_ohm).sum(axis=1)
    ring = towers["ring"].to_numpy()
    earth_factor = now.earth_factor * np.where(ring, RING_EARTH_FACTOR, 1.0)
    ring_ohm = np.where(ring, RING_OHM_M * towers["leg_spacing_m"].to_numpy(), np.inf)
    resistivity = towers["soil_resistivity_ohm_m"].to_numpy()
    for count in np.unique(path_count):
        rows = np.flatnonzero(path_count == count)
        own_ohm, lead = built.own_ohm[rows, :count], now.lead_factor[rows, :count]
        earth_ohm = earth_matrix(own_ohm, resistivity[rows], built.feet_m[rows, :count])
        still = np.zeros(own_ohm.shape)
        yield (
            rows,
            Legs(
                earth_ohm=earth_ohm * earth_factor[rows, None, None],
                lead_ohm=np.where(np.isinf(lead), np.inf, LEG_OHM + lead * own_ohm),
                ring_ohm=ring_ohm[rows],
                soil_v=still if flows is None else flows.soil_v[rows, :count],
                ring_v=still if flows is None else flows.ring_v[rows, :count],
            ),
        )
