"""Earth-fault screen: potential rise and footing current of each tower when the fault is at that tower."""

from dataclasses import dataclass

import numpy as np

from towerlib.network.ladder import LineModel, ladder_at, shield_wires, span_impedance
from towerlib.physics import earthreturn
from towerlib.physics.drivingpoints import driving_points
from towerlib.physics.ladder import admittance, fault_drive, solve
from towerlib.physics.wires import mean_height
from towerlib.values import number


@dataclass(frozen=True)
class Faults:
    """A fault at each of n towers in turn.

    Attributes
    ----------
    rise_v, rise_low_v, rise_high_v : array, shape (n,)
        Potential rise of the faulted tower, and the interval that footing, wires and a suspected bond leave [V].
    footing_a : array, shape (n,)
        Current into the earth through that tower [A].
    limited : array of bool, shape (n,)
        The currents as given cannot flow there: the rise is put at the voltage of a phase.
    """

    rise_v: np.ndarray
    rise_low_v: np.ndarray
    rise_high_v: np.ndarray
    footing_a: np.ndarray
    limited: np.ndarray


def missing(line):
    """Why the earth-fault screen is off.

    Parameters
    ----------
    line : Line
        Settings.

    Returns
    -------
    str
        One sentence; blank where nothing is missing.
    """
    fault, stations = line.earth_fault, line.stations
    named = {
        "[earth_fault] from_first_a": fault.from_first_a,
        "[earth_fault] from_last_a": fault.from_last_a,
        "the earth_ohm of [stations] first": stations.first.earth_ohm,
        "the earth_ohm of [stations] last": stations.last.earth_ohm,
    }
    gone = [name for name, value in named.items() if value is None]
    if gone:
        return f"The earth-fault screen is off: line.toml lacks {' and '.join(gone)}."
    if not fault.from_first_a + fault.from_last_a > 0:
        return "The earth-fault screen is off: no fault current comes from either end."
    return ""


def assumed(line):
    """What the earth-fault screen takes for granted.

    Parameters
    ----------
    line : Line
        Settings.

    Returns
    -------
    tuple of str
        Sentences.
    """
    currents = line.earth_fault
    words = [
        f"Earth fault: {currents.from_first_a:g} A from the first and {currents.from_last_a:g} A from the last "
        "station wherever the fault is, all of it supplied by neutrals earthed there; a rise that is a large part of "
        "the voltage of a phase would hold the current back and comes out too high.",
        "A suspected bond raises the upper end of a rise only; the rise itself is that of a sound bond.",
    ]
    if line.phases.conductors:
        words.append(
            "Of the phases the one that couples least with the shield wires is taken: the worst case."
        )
    else:
        words.append(
            "line.toml has no [phases]: without the coupling of phase and shield wires the rise comes out too "
            "high."
        )
    return tuple(words)


def faults(model: LineModel, line, suspected_ohm):
    """Rise and footing current of each tower for a fault there.

    Parameters
    ----------
    model : LineModel
        n towers.
    line : Line
        Settings with both currents and both stations.
    suspected_ohm : array, shape (n,)
        Bond that is suspected [Ω], inf where open; 0 where none is.

    Returns
    -------
    Faults

    Notes
    -----
    The tower potential is that of the ladder fed from both ends with the EMF of each span. For another footing
    or bond of the same tower the Norton equivalent gives it: V = J/(y + Y) through the bond, with Y the rest of
    the line. The currents are held as given, so a tower that the wires do not relieve could pass the voltage of
    a phase; it cannot, and the rise stops there.

    References
    ----------
    IEC 60909-3, currents through earth; J. Endrenyi, IEEE Trans. PAS-86 (1967); both from memory.
    """
    ladder = ladder_at(model, line.frequency_hz)
    fault_a = line.earth_fault.from_first_a + line.earth_fault.from_last_a
    towers = np.arange(len(model.tower_id))
    drive = fault_drive(
        towers,
        line.earth_fault.from_first_a,
        line.earth_fault.from_last_a,
        mutual(model, line) * model.length_m,
    )
    tower_v = np.diagonal(solve(ladder, *drive).tower_v)
    rest_s = driving_points(ladder).rest_s
    # What the rest of the line feeds into the node of the tower, the fault itself included.
    node_a = np.where(model.bonded, tower_v * (rest_s + ladder.tower_s), 0.0)
    source = (node_a, rest_s, fault_a)
    least = _rise(model, source, model.footing_low_ohm, np.zeros(len(towers)))
    most = _rise(model, source, model.footing_high_ohm, suspected_ohm)
    wire = 1 + number("network_wire_percent") / 100
    phase_v = 1e3 * line.voltage_kv / np.sqrt(3)
    rise_v = np.abs(tower_v)
    return Faults(
        rise_v=np.minimum(rise_v, phase_v),
        rise_low_v=np.minimum(np.minimum(least / wire, rise_v), phase_v),
        rise_high_v=np.minimum(np.maximum(most * wire, rise_v), phase_v),
        footing_a=np.minimum(rise_v, phase_v) / model.footing_ohm,
        limited=(rise_v > phase_v) | (most * wire > phase_v),
    )


def mutual(model, line):
    """Mutual impedance of the equivalent shield wire and the phase that couples least, per metre [Ω/m].

    Parameters
    ----------
    model, line : LineModel, Line
        The line.

    Returns
    -------
    complex
        0 where the phases are not known.

    Notes
    -----
    Several shield wires: z' = z'eq·1ᵀ·Zww⁻¹·zwp, so that EMF over impedance of the equivalent wire gives the
    current that all wires together would carry.
    """
    conductors = line.phases.conductors
    if not conductors:
        return 0.0
    wires, hertz, soil = shield_wires(line), line.frequency_hz, model.resistivity_ohm_m
    x_m, y_m = (np.array([getattr(one, name) for one in conductors], float) for name in ("x_m", "y_m"))
    y_m = mean_height(y_m, line.phases.sag_m)
    across_m = wires.x_m[:, None] - x_m
    coupling = earthreturn.mutual_impedance(
        np.hypot(across_m, wires.y_m[:, None] - y_m), hertz, soil, wires.y_m[:, None] + y_m, across_m
    )
    matrix = earthreturn.impedance_matrix(wires, hertz, soil)
    carried = np.linalg.solve(matrix, coupling).sum(axis=0)
    returned = np.abs(1 - carried)
    return span_impedance(model, hertz)[0] / model.length_m[0] * carried[np.argmax(returned)]


def _rise(model, source, footing_ohm, bond_ohm):
    """Rise of each tower with another footing and bond of its own [V]."""
    node_a, rest_s, fault_a = source
    # Fault current enters at the body, the rest of what drives the node at the wire.
    wire_a = node_a - fault_a
    path_s = admittance(np.where(rest_s == 0, np.inf, bond_ohm + 1 / np.where(rest_s == 0, 1, rest_s)))
    path_s = np.where(np.isinf(bond_ohm) | ~model.bonded, 0.0, path_s)
    with np.errstate(divide="ignore", invalid="ignore"):
        open_v = np.where(rest_s == 0, 0.0, wire_a / rest_s)
    return np.abs((fault_a + open_v * path_s) / (1 / footing_ohm + path_s))
