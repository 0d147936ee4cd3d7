"""Ladder and what-ifs against ngspice, a circuit simulator: a stored run, and random lines while the tests run.

The netlists have a node for every tower body and one for the shield wire there, spans of resistor, inductor and source,
bonds as zero-volt sources or resistors, and simply nothing where a bond or a span is open.
"""

import csv
import os
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from tests.reference.opened_line import flow_if_open
from towerlib.physics.fault_scan.response import openings
from towerlib.physics.ladder import driving_points, fault_drive, ladder, solve

HERE = Path(__file__).parent
live = pytest.mark.skipif(
    shutil.which("ngspice") is None, reason="ngspice is not installed (Debian: apt-get install ngspice)"
)
# The twelve-tower line of ladder-ngspice.cir.
FOOTINGS = np.array([14.2, 8.7, 31.5, 12.0, 6.3, 55.0, 18.9, 9.4, 120.0, 22.6, 4.8, 11.1])
SPANS_M = np.array([312, 287, 405, 350, 228, 466, 331, 298, 377, 264, 419])
WIRE, MUTUAL = 0.4093e-3 + 0.7625e-3j, 0.0493e-3 + 0.2915e-3j
STATIONS = (0.4, 0.9)
CASES = {
    "sound": ({}, ()),
    "open bond 6": ({6: np.inf}, ()),
    "25 ohm bond 4": ({4: 25.0}, ()),
    "open span 7": ({}, (7,)),
}


def twelve_towers(case):
    bonds, spans = CASES[case]
    bond_ohm, span_ohm = np.zeros(12), WIRE * SPANS_M
    bond_ohm[list(bonds)] = list(bonds.values())
    span_ohm[list(spans)] = np.inf
    return ladder(FOOTINGS, bond_ohm, span_ohm, STATIONS)


def stored(case, drive):
    """Tower and wire potentials of a stored run, ngspice 39.3."""
    with (HERE / "ladder-ngspice.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["case"] == case and row["drive"] == drive]
    return (
        np.array([complex(float(r[f"{n}_re_v"]), float(r[f"{n}_im_v"])) for r in rows])
        for n in ("tower", "wire")
    )


@pytest.mark.parametrize("case", CASES)
def test_stored_fault(case):
    tower_v, wire_v = stored(case, "fault")
    drive = fault_drive(5, 4200.0, 2600.0, MUTUAL * SPANS_M, station_share=(0.0, 0.0))
    flow = solve(twelve_towers(case), *drive)
    assert flow.tower_v == pytest.approx(tower_v, rel=1e-11, abs=1e-9)
    assert flow.wire_v == pytest.approx(wire_v, rel=1e-11)


@pytest.mark.parametrize("case", CASES)
def test_stored_driving_points(case):
    tower_v, wire_v = stored(case, "driving point")
    line = twelve_towers(case)
    points, bonded = driving_points(line), line.bond_ohm == 0
    assert points.tower_ohm == pytest.approx(tower_v, rel=1e-11)
    assert points.wire_ohm[bonded] == pytest.approx(wire_v[bonded], rel=1e-11)


@dataclass(frozen=True)
class Parts:
    """A random line and its drive."""

    footing_ohm: np.ndarray
    bond_ohm: np.ndarray
    span_ohm: np.ndarray
    is_cut: np.ndarray
    injected_a: np.ndarray
    span_emf_v: np.ndarray


def random_parts(seed, open_share):
    """Two to fifteen towers, all real footings; some bonds worn or open, some spans open."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 16))
    bond_ohm = rng.choice([0.0, np.inf, 12.5], count, p=[0.9 - open_share, open_share, 0.1])
    return Parts(
        footing_ohm=np.exp(rng.normal(np.log(15), 0.8, count)),
        bond_ohm=bond_ohm,
        span_ohm=WIRE * rng.uniform(150, 500, count - 1),
        is_cut=rng.random(count - 1) < open_share,
        injected_a=rng.normal(0, 100, count).astype(complex),
        span_emf_v=rng.normal(0, 50, count - 1) + 1j * rng.normal(0, 50, count - 1),
    )


def cut_off(parts):
    """Nodes of the wire that no bond and no station holds, by walking along the line."""
    nodes, piece = [], []
    for tower in range(len(parts.footing_ohm)):
        piece.append(tower)
        if tower == len(parts.footing_ohm) - 1 or parts.is_cut[tower]:
            earthed = 0 in piece or len(parts.footing_ohm) - 1 in piece
            if not earthed and all(np.isinf(parts.bond_ohm[node]) for node in piece):
                nodes += piece
            piece = []
    return nodes


def netlist(parts, sources_a):
    """Netlist of a line at 50 Hz with one analysis for each row of currents into the towers."""
    left_out = cut_off(parts)
    lines = ["* ladder", f"Ra w0 0 {STATIONS[0]!r}", f"Rz w{len(parts.footing_ohm) - 1} 0 {STATIONS[1]!r}"]
    for k, (footing, bond) in enumerate(
        zip(parts.footing_ohm.tolist(), parts.bond_ohm.tolist(), strict=True)
    ):
        lines += [f"Rf{k} t{k} 0 {footing!r}", f"I{k} 0 t{k} dc 0 ac 0 0"]
        if bond == 0:
            lines.append(f"Vb{k} t{k} w{k} 0")
        elif np.isfinite(bond):
            lines.append(f"Rb{k} t{k} w{k} {bond!r}")
    for i, (z, emf) in enumerate(zip(parts.span_ohm.tolist(), parts.span_emf_v.tolist(), strict=True)):
        if parts.is_cut[i] or i in left_out:
            continue
        lines.append(f"Ve{i} a{i} w{i} dc 0 ac {abs(emf)!r} {float(np.angle(emf, deg=True))!r}")
        lines.append(f"Rs{i} a{i} b{i} {z.real!r}")
        lines.append(f"Ls{i} b{i} w{i + 1} {z.imag / (2 * np.pi * 50)!r}")
    lines += [".control", "set numdgt=15"]
    for row in sources_a:
        lines += [f"alter @i{k}[acmag] = {float(a)!r}" for k, a in enumerate(row.real)]
        lines += ["ac lin 1 50 50", *(f"print v(t{k})" for k in range(len(parts.footing_ohm)))]
        lines += [f"print v(w{k})" for k in range(len(parts.footing_ohm)) if k not in left_out]
        lines += [f"print i(ve{i})" for i in range(len(parts.span_ohm)) if f"Ve{i} a{i}" in "\n".join(lines)]
    return "\n".join([*lines, "quit", ".endc", ".end", ""])


def ngspice(place, folder):
    """What ngspice prints of a netlist. A home of its own: nobody's settings, and it fails where there is none."""
    run = subprocess.run(
        ["ngspice", "-b", place],
        cwd=folder,
        env={**os.environ, "HOME": str(folder)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return run.stdout


def simulated(parts, sources_a, folder):
    """Potentials of towers and wire, currents of the wire by ngspice; one row an analysis."""
    place = folder / "line.cir"
    place.write_text(netlist(parts, sources_a))
    output = ngspice(place, folder)
    count, runs = len(parts.footing_ohm), len(sources_a)
    found = {
        kind: np.full((runs, size), empty, complex)
        for kind, size, empty in (("t", count, np.nan), ("w", count, np.nan), ("ve", count - 1, 0.0))
    }
    seen = {}
    for kind, number, real, imag in re.findall(r"^[vi]\((t|w|ve)(\d+)\) = (\S+),(\S+)$", output, re.M):
        at = seen[kind, number] = seen.get((kind, number), -1) + 1
        found[kind][at, int(number)] = complex(float(real), float(imag))
    assert set(seen.values()) == {runs - 1}, output
    # The simulator counts a source's current from its first node through it to the second.
    return found["t"], found["w"], -found["ve"]


def built(parts, cut=True):
    return ladder(
        parts.footing_ohm,
        parts.bond_ohm,
        np.where(parts.is_cut & cut, np.inf, parts.span_ohm),
        STATIONS,
    )


def close(found, expected):
    """The same to 1 part in 10⁹, or in 10¹¹ of the drives of some 100 A; NaN in the same places."""
    return found == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True)


def close_in_wire(found, expected, parts):
    """The same for currents of the wire, which are unknown (NaN) where it is cut off from earth."""
    left_out = [i for i in cut_off(parts) if i < len(found) and not parts.is_cut[i]]
    assert np.flatnonzero(np.isnan(found)).tolist() == left_out
    return close(np.delete(found, left_out), np.delete(expected, left_out))


@live
@pytest.mark.parametrize("seed", range(12))
def test_random_lines(seed, tmp_path):
    parts = random_parts(seed, 0.25)
    tower_v, wire_v, wire_a = simulated(parts, parts.injected_a[None], tmp_path)
    flow = solve(built(parts), parts.injected_a, parts.span_emf_v)
    assert close(flow.wire_v, wire_v[0])
    assert close(flow.tower_v, tower_v[0])
    assert close(flow.footing_a, tower_v[0] / parts.footing_ohm)
    assert close_in_wire(flow.wire_a, wire_a[0], parts)


@live
@pytest.mark.parametrize("seed", range(20, 26))
def test_driving_points_of_random_lines(seed, tmp_path):
    parts = random_parts(seed, 0.25)
    quiet = Parts(**{**vars(parts), "span_emf_v": np.zeros_like(parts.span_emf_v)})
    tower_v, _, _ = simulated(quiet, np.eye(len(parts.footing_ohm)), tmp_path)
    assert close(driving_points(built(parts)).tower_ohm, np.diag(tower_v))


@live
@pytest.mark.parametrize("seed", range(40, 52))
def test_what_if_one_more_opens(seed, tmp_path):
    parts, rng = random_parts(seed, 0.1), np.random.default_rng(seed)
    towers, is_bond = len(parts.footing_ohm), bool(seed % 2)
    place = int(rng.integers(towers if is_bond else towers - 1))
    opened = Parts(
        **{
            **vars(parts),
            "bond_ohm": np.where(is_bond & (np.arange(towers) == place), np.inf, parts.bond_ohm),
            "is_cut": parts.is_cut | (not is_bond) & (np.arange(towers - 1) == place),
        }
    )
    tower_v, wire_v, wire_a = simulated(opened, parts.injected_a[None], tmp_path)
    line = built(parts)
    cases = openings(line, bonds=[place] if is_bond else [], spans=[] if is_bond else [place])
    flow = flow_if_open(line, cases, parts.injected_a, parts.span_emf_v)
    assert close(flow.tower_v[0], tower_v[0])
    assert close(flow.wire_v[0], wire_v[0])
    assert close_in_wire(flow.wire_a[0], wire_a[0], opened)
    quiet = Parts(**{**vars(opened), "span_emf_v": np.zeros_like(parts.span_emf_v)})
    alone_v, _, _ = simulated(quiet, np.eye(towers), tmp_path)
    assert close(cases.tower_ohm[0], np.diag(alone_v))


@live
def test_the_stored_run_is_what_the_simulator_says(tmp_path):
    output = ngspice(HERE / "ladder-ngspice.cir", tmp_path)
    found = [complex(float(a), float(b)) for a, b in re.findall(r"^v\(t\d+\) = (\S+),(\S+)$", output, re.M)]
    assert np.array(found) == pytest.approx(next(stored("sound", "fault")), rel=1e-11)
