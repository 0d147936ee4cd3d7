"""The line as one circuit on a day: wires, bonds, towers, legs, feet that see each other, stations, induction."""

from dataclasses import dataclass

import numpy as np

from tests.scores.second_make.circuit import EARTH, Circuit, series_ohm_m
from tests.scores.second_make.ground import together_ohm
from tests.scores.second_make.made_line import bonds_at, electrodes, wired_at

WIRE_RADIUS_M, WIRE_OHM_M = 0.0055, 0.00034
GANTRY_M = 70.0
REACH = 3  # towers whose feet see each other through the ground
PHASORS = np.exp(-2j * np.pi * np.arange(3) / 3)


@dataclass
class Network:
    """A circuit with the numbers of what is read."""

    circuit: Circuit
    bodies: np.ndarray  # node of each tower
    legs: list  # per tower: branches of the legs
    seen: list  # per tower: branches whose current a coil round all legs sees
    out: list  # per tower: the branch from all its electrodes into the ground


def build(made, when, hz, season=1.0, *, load_a=0.0, wires=True):
    """The line on a day.

    Parameters
    ----------
    made : MadeLine
    when : pandas.Timestamp
    hz : float
        Frequency [Hz].
    season : float
        Factor of the upper layer's resistivity.
    load_a : float
        Current of each circuit [A]; 0 leaves the phases out.
    wires : bool
        False lifts every shield wire off.

    Returns
    -------
    Network
    """
    circuit, n = Circuit(), len(made.towers)
    bodies = np.array([circuit.node("tower", k) for k in range(n)])
    omega = 2 * np.pi * hz
    legs, seen, out, own = [], [], [], []
    slope = np.random.default_rng([made.seed, 7]).normal(0, 1, (n, 4)) @ np.array([[1, 0], [1j, 0], [0, 1], [0, 1j]])
    stand = _stand(made, when, season)
    for k in range(n):
        parts = stand[k]
        places = np.vstack([made.feet[k], np.zeros((len(parts["leads"]) - parts["feet"], 2))])
        emf = (places @ slope[k]) * 1.5e-3 * load_a / made.house[6]
        nodes = [circuit.node("foot", k, j) for j in range(len(parts["leads"]))]
        leads = []
        for j, foot in enumerate(nodes):
            if j == parts["ring"]:  # reached through the feet, not through a lead of its own
                for leg in range(parts["feet"]):
                    circuit.branch(nodes[leg], foot, 0.012 + 0.003 * (leg % 3) + 1j * omega * 4e-6)
                continue
            leads.append((circuit.branch(bodies[k], foot, parts["leads"][j] + 1j * omega * 3e-6, emf[j]), j))
        legs.append([branch for branch, j in leads if j < parts["feet"]])
        seen.append([branch for branch, j in leads if parts["seen"][j]])
        # through the resistances among its own feet to the ground of the tower, which lies on what others raise it to
        base = circuit.node("ground", k)
        down = [circuit.branch(foot, base, parts["matrix"][j, j]) for j, foot in enumerate(nodes)]
        for one in range(len(down)):
            for other in range(one + 1, len(down)):
                circuit.couple(down[one], down[other], parts["matrix"][one, other])
        out.append(circuit.branch(base, EARTH, 0.0))
        own.append(together_ohm(parts["matrix"], parts["leads"]))
    _through_the_ground(made, circuit, out, own)
    if wires or load_a:
        _wires(made, circuit, bodies, when, hz, load_a, wires)
    _joined(made, circuit, bodies, hz, load_a)
    return Network(circuit, bodies, legs, seen, out)


def _stand(made, when, season):
    """Electrodes of every tower on a day; those of the day before last are forgotten."""
    if (when, season) not in made.kept:
        made.kept.clear()
        made.kept[when, season] = [electrodes(made, k, when, season) for k in range(len(made.towers))]
    return made.kept[when, season]


def _through_the_ground(made, circuit, out, own):
    """Mutual resistance between towers near each other, by the lower layer."""
    lower = made.towers["lower_ohm_m"].to_numpy()
    chain = np.concatenate([[0], np.cumsum(made.span_m)])
    for k in range(len(out)):
        for m in range(k + 1, min(k + REACH, len(out) - 1) + 1):
            ohm = np.sqrt(lower[k] * lower[m]) / (2 * np.pi * (chain[m] - chain[k]))
            circuit.couple(out[k], out[m], min(ohm, 0.2 * own[k], 0.2 * own[m]))


def _wires(made, circuit, bodies, when, hz, load_a, tied):
    """Shield wires span by span, bonds, station grids, and what the phases induce."""
    n, count = len(made.towers), len(made.wires)
    bonds, running = bonds_at(made, when), wired_at(made, when)
    grids = [circuit.node("grid", end) for end in range(2)]
    for grid, ohm in zip(grids, made.station_ohm, strict=True):
        circuit.branch(grid, EARTH, ohm)
    nodes = np.array([[circuit.node("wire", w, k) for k in range(n)] for w in range(count)])
    for w in range(count):
        for k in range(n):
            if tied and np.isfinite(bonds[w, k]):
                circuit.branch(nodes[w, k], bodies[k], bonds[w, k])
            circuit.branch(nodes[w, k], EARTH, 1e7)  # keeps a wire that floats defined
    soil = np.sqrt(made.towers["upper_ohm_m"] * made.towers["lower_ohm_m"]).to_numpy()
    for k in range(-1, n):
        outer = k in (-1, n - 1)
        length = GANTRY_M if outer else made.span_m[k]
        near = min(max(k, 0), n - 2)
        ohm, emf = _span(made, near, length, hz, soil[max(k, 0)], load_a)
        live = [w for w in range(count) if outer or running[w, k]]
        branches = {}
        for w in live:
            start = grids[0] if k == -1 else nodes[w, k]
            end = grids[1] if k == n - 1 else nodes[w, k + 1]
            branches[w] = circuit.branch(start, end, ohm[w, w], emf[w])
        for w in live:
            for other in live:
                if w < other:
                    circuit.couple(branches[w], branches[other], ohm[w, other])


def _span(made, k, length, hz, soil, load_a):
    """Impedance of the wires of a span [Ω] and the EMF in each [V]."""
    height = made.house[1]
    wires = [(x, y - 0.1 * height) for x, y in made.wires]
    phases = [(x, y - 0.16 * height) for circuit in made.phases for x, y in circuit]
    places = np.array(wires + phases)
    count = len(wires)
    own = np.r_[np.full(count, WIRE_OHM_M), np.zeros(len(phases))]
    whole = series_ohm_m(places, np.full(len(places), WIRE_RADIUS_M), own, hz, soil)
    if not load_a:
        return whole[:count, :count] * length, np.zeros(count)
    uneven = np.array([1.0, 1.012, 0.985])
    turned = np.roll(PHASORS * uneven, made.swing[k])
    currents = np.concatenate([turned * (1.0, 0.83)[c] for c in range(len(made.phases))]) * load_a
    bump = 1 + 0.05 * np.random.default_rng([made.seed, 11, k]).normal()
    return whole[:count, :count] * length, -(whole[:count, count:] @ currents) * length * bump


def _joined(made, circuit, bodies, hz, load_a):
    """Counterpoises that run from tower to tower."""
    for k in np.flatnonzero(made.towers["joins_next"]):
        length = made.span_m[k]
        emf = 0.0
        if load_a:
            places = np.array([(3.0, 0.3), *((x, 0.8 * y) for c in made.phases for x, y in c)])
            z = series_ohm_m(places, np.full(len(places), 0.005), np.zeros(len(places)), hz, 200.0)
            turned = np.roll(PHASORS, made.swing[k])
            emf = -length * load_a * (z[0, 1:] @ np.concatenate([turned] * len(made.phases)))
        circuit.branch(bodies[k], bodies[k + 1], (0.0012 + 2j * np.pi * hz * 2.2e-6) * length, emf)


def footings_ohm(made, when, season=1.0):
    """Footing of every tower with all that hangs on it, shield wires off, at low frequency [Ω]."""
    network = build(made, when, 0.01, season, wires=False)
    injected = np.zeros((len(network.circuit.names), len(network.bodies)))
    injected[network.bodies, np.arange(len(network.bodies))] = 1.0
    volts, _ = network.circuit.solve(injected)
    return np.abs(volts[network.bodies, np.arange(len(network.bodies))])
