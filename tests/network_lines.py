"""Small lines for tests of the network, made by hand, and their answers by a dense nodal matrix."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd

from towerlib.config import parse

HEAD = '[line]\nid = "low-moor"\nvoltage_kv = 132\nfrequency_hz = 50\n'
STATIONS = "[stations]\nfirst = { earth_ohm = 0.4 }\nlast = { earth_ohm = 0.9 }\n"
WIRES = "[shield_wires]\nwires = [{ x_m = 0, y_m = 30, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.36 }]\n"
PHASES = '[phases]\nconductors = [{ phase = "a", x_m = 0, y_m = 21 }]\n'
FAULT = "[earth_fault]\nfrom_first_a = 4200\nfrom_last_a = 2600\nclearing_s = 0.5\n"
WHOLE = HEAD + STATIONS + WIRES + PHASES + FAULT
SPAN_M = 350.0
SOIL_OHM_M = 100.0


def line(footing_ohm, settings=WHOLE, *, no_coils_ohm=None, hertz=128.0, interval=1.3, **register):
    """A line of towers 350 m apart with a reading of each footing, and of the line in parallel where given.

    `register` holds columns of the towers; returned are the arguments of `towerlib.network.assess`.
    """
    footing_ohm = np.asarray(footing_ohm, float)
    count = len(footing_ohm)
    names = [str(k) for k in range(count)]
    register = {"shield_wire": "bonded", "occupancy": None, "ring": False, "structure": "lattice"} | register
    towers = pd.DataFrame({"tower_id": names, "leg_count": 4.0, "upper_layer_ohm_m": np.nan})
    towers = towers.assign(lower_layer_ohm_m=np.nan, layer_depth_m=np.nan, leg_spacing_m=8.0)
    towers = towers.assign(**{"soil_resistivity_ohm_m": SOIL_OHM_M, "earth_paths_in_coils": True} | register)
    condition = towers[["tower_id", "shield_wire", "occupancy"]].assign(
        footing_ohm=footing_ohm,
        footing_low_ohm=footing_ohm / interval,
        footing_high_ohm=footing_ohm * interval,
        lower_bound_ohm=np.nan,
        suspected_cause="none",
        evidence="Said before.",
    )
    return (
        SimpleNamespace(
            towers=towers,
            soil=pd.DataFrame(columns=["tower_id", "date", "spacing_m", "resistance_ohm"]),
            works=pd.DataFrame(columns=["tower_id", "date", "treatment"]),
            line=parse(settings),
        ),
        _route(names),
        condition,
        *_visits(names, footing_ohm, no_coils_ohm, hertz),
        "2026-06",
    )


def _route(names):
    spans = pd.DataFrame({"from_tower_id": names[:-1], "to_tower_id": names[1:], "length_m": SPAN_M})
    spans["span_id"] = [f"{one} – {other}" for one, other in pairwise(names)]
    return SimpleNamespace(towers=pd.DataFrame({"tower_id": names}), spans=spans)


def _visits(names, footing_ohm, no_coils_ohm, hertz):
    """Leg currents as summarised, and graded visits: one a tower."""
    visit_id = ["v" + name for name in names]
    blank = np.full(len(names), np.nan)
    visits = pd.DataFrame(
        {
            "visit_id": visit_id,
            "tower_id": names,
            "date": pd.Timestamp("2026-06-02"),
            "method": "leg coils",
            "footing_verdict": "usable",
            "leakage_verdict": "usable",
            "test_frequency_hz": hertz,
            "impedance_ohm": footing_ohm,
            "impedance_no_coils_ohm": blank if no_coils_ohm is None else no_coils_ohm,
            "injected_ma": np.nan,
            "legs_ma": np.nan,
            "leakage_total_ma": np.nan,
            "in_service": pd.array([True] * len(names), dtype="boolean"),
        }
    )
    currents = pd.DataFrame(
        {"visit_id": visit_id, "leg_share_lambda": blank, "leg_share_u": blank, "suspected_cause": "none"}
    )
    return currents, SimpleNamespace(visits=visits)


def wire_ohm_m(hertz, r_ohm_m=0.36e-3, gmr_m=5e-3, height_m=30.0):
    """The wire with earth return [Ω/m]: Carson (1926) to 150 Hz, above it by complex depth.

    De = 658.9·√(ρ/f) of Bell Syst. Tech. J. 5; Semlyen and Shirmohammadi, IEEE PAS-101 (1982), from memory.
    """
    if hertz <= 150:
        depth_m = 658.87 * np.sqrt(SOIL_OHM_M / hertz)
        return r_ohm_m + np.pi**2 * hertz * 1e-7 + 4e-7j * np.pi * hertz * np.log(depth_m / gmr_m)
    depth_m = 1 / np.sqrt(8e-7j * np.pi**2 * hertz / SOIL_OHM_M)
    return r_ohm_m + 4e-7j * np.pi * hertz * np.log(2 * (height_m + depth_m) / gmr_m)


def seen_at_towers(footing_ohm, hertz=128.0, bonds=None, opened=(), stations=(0.4, 0.9)):
    """Impedance at each tower body by inverting the matrix of towers and wire nodes: Kirchhoff's laws alone."""
    count = len(footing_ohm)
    bond_ohm = np.full(count, 1e-6)
    for place, ohm in (bonds or {}).items():
        bond_ohm[place] = ohm
    matrix = np.zeros((2 * count, 2 * count), complex)
    towers, nodes = np.arange(count), count + np.arange(count)
    matrix[towers, towers] += 1 / np.asarray(footing_ohm)
    branches = [(t, n, b) for t, n, b in zip(towers, nodes, bond_ohm, strict=True) if np.isfinite(b)]
    span_ohm = wire_ohm_m(hertz) * SPAN_M
    branches += [(nodes[k], nodes[k + 1], span_ohm) for k in range(count - 1) if k not in opened]
    for one, other, ohm in branches:
        matrix[[one, other], [one, other]] += 1 / ohm
        matrix[[one, other], [other, one]] -= 1 / ohm
    matrix[nodes[0], nodes[0]] += 1 / stations[0]
    matrix[nodes[-1], nodes[-1]] += 1 / stations[1]
    return np.abs(np.diag(np.linalg.inv(matrix))[:count])


def dense_fault(parts, tower, fault_a, mutual_ohm, station_share=(1.0, 1.0)):
    """Potentials of tower bodies and of the wire in an earth fault: the whole nodal system, dense.

    `parts` are footings, bonds, spans and stations [Ω], inf where open. Node k is a body, node n + k the wire
    there; a sound bond is a branch current that keeps both at one potential. Pieces of the wire without a path to
    earth get NaN. Kirchhoff's laws alone: nothing of `towerlib` is used.
    """
    footing_ohm, bond_ohm, span_ohm, station_ohm = parts
    count, bonds = len(footing_ohm), np.flatnonzero(np.isfinite(bond_ohm))
    spans, size = np.flatnonzero(np.isfinite(span_ohm)), 2 * count + len(bonds)
    matrix, source, nodes = np.zeros((size, size), complex), np.zeros(size, complex), count + np.arange(count)
    matrix[np.arange(count), np.arange(count)] = 1 / np.asarray(footing_ohm)
    matrix[nodes[0], nodes[0]] += 1 / station_ohm[0]
    matrix[nodes[-1], nodes[-1]] += 1 / station_ohm[1]
    for k in spans:
        one, other = nodes[k], nodes[k + 1]
        matrix[[one, other], [one, other]] += 1 / span_ohm[k]
        matrix[[one, other], [other, one]] -= 1 / span_ohm[k]
        # On the first station's side its current runs away from it, on the other side the last one's comes.
        forced_a = (-mutual_ohm[k] * fault_a[0] if k < tower else mutual_ohm[k] * fault_a[1]) / span_ohm[k]
        source[[one, other]] += -forced_a, forced_a
    for row, k in enumerate(bonds, 2 * count):
        matrix[[k, nodes[k]], row] = -1, 1  # the current of the bond, from the wire to the body
        matrix[row, [nodes[k], k, row]] = 1, -1, -bond_ohm[k]
    source[tower] += sum(fault_a)
    source[nodes[0]] -= station_share[0] * fault_a[0]
    source[nodes[-1]] -= station_share[1] * fault_a[1]
    floating = nodes[_without_earth(count, bonds, spans)]
    matrix[floating, floating] += 1.0
    potential = np.linalg.solve(matrix, source)
    potential[floating] = np.nan
    return potential[:count], potential[nodes]


def _without_earth(count, bonds, spans):
    """Places along the wire from which no walk through spans reaches a bond or a station."""
    held = np.zeros(count, bool)
    held[[0, -1, *bonds]] = True
    for k in [*spans, *reversed(spans)]:
        held[[k, k + 1]] = held[k] or held[k + 1]
    return np.flatnonzero(~held)
