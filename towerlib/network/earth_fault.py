"""Earth fault at each tower: earth-fault potential rise, footing current, and the touch-voltage screening."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.network.model import LineModel, ladder_at, shield_wires, span_impedance
from towerlib.physics import overhead_line
from towerlib.physics.ladder import admittance, driving_points, fault_drive, solve
from towerlib.physics.overhead_line import mean_height
from towerlib.physics.touch import added_resistance, surface_derating, touch_limit_en50522, touch_limit_ieee80
from towerlib.physics.touch_fractions import touch_fraction_limits
from towerlib.readings.methods import no, yes
from towerlib.readings.tower_soil import soil_limits
from towerlib.text import figure
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.records.load import Records


@dataclass(frozen=True)
class Faults:
    """A fault at each of n towers in turn.

    Attributes
    ----------
    rise_v, rise_low_v, rise_high_v : array, shape (n,)
        Earth-fault potential rise of the faulted tower, with the interval by footing, wires and a suspected bond [V].
    footing_a : array, shape (n,)
        Current into the earth through that tower [A].
    limited : array of bool, shape (n,)
        The currents as given cannot flow there: the rise is set to the voltage of a phase.
    """

    rise_v: np.ndarray
    rise_low_v: np.ndarray
    rise_high_v: np.ndarray
    footing_a: np.ndarray
    limited: np.ndarray


def missing(line: Line) -> str:
    """Why the earth-fault screening is off.

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
        return f"The earth-fault screening is off: line.toml lacks {' and '.join(gone)}."
    if not (fault.from_first_a or 0) + (fault.from_last_a or 0) > 0:
        return "The earth-fault screening is off: no fault current comes from either end."
    return ""


def assumed(line: Line) -> tuple[str, ...]:
    """Assumptions of the earth-fault screening.

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
        "station wherever the fault is, all of it supplied by neutrals earthed there. An earth-fault potential rise "
        "that is a large part of the voltage of a phase would limit the current and comes out too high.",
        "A suspected bond raises the upper end of an earth-fault potential rise only; the rise itself is that of a sound bond.",
    ]
    if line.phases.conductors:
        words.append(
            "Of the phases the one that couples least with the shield wires is taken: the worst case."
        )
    else:
        words.append(
            "line.toml has no [phases]: without the coupling of phase and shield wires the earth-fault "
            "potential rise comes out too high."
        )
    return tuple(words)


def faults(model: LineModel, line: Line, suspected_ohm: np.ndarray) -> Faults:
    """Earth-fault potential rise and footing current of each tower for a fault there.

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
    from_first_a, from_last_a = (
        cast("float", line.earth_fault.from_first_a),
        cast("float", line.earth_fault.from_last_a),
    )
    fault_a = from_first_a + from_last_a
    towers = np.arange(len(model.tower_id))
    drive = fault_drive(
        towers,
        from_first_a,
        from_last_a,
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


def mutual(model: LineModel, line: Line) -> complex:
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
    coupling = overhead_line.mutual_impedance(
        np.hypot(across_m, wires.y_m[:, None] - y_m), hertz, soil, wires.y_m[:, None] + y_m, across_m
    )
    matrix = overhead_line.impedance_matrix(wires, hertz, soil)
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


BELOW, ABOVE, CANNOT_TELL = "below", "above", "cannot tell"
BARE_FEET = "bare feet"
TRIAGE = (
    "The touch-voltage screening is a triage and no certificate: below is no proof of safety, cannot tell is no proof of "
    "danger. The local code, measurement on site and a licensed person decide."
)
LIMIT_DIGITS = 3  # of a permissible voltage: EN 50522 has 115, 225 and 725 V
WIDE_WORKS = ("ring", "radial", "counterpoise")  # earthing works that spread the potential beyond the legs
NARROWEST_LEGS_M = 2.5  # legs nearer to one another may stand on one foundation
STEP = "Step voltage and voltages carried away by fences or pipes are not screened; a long wire has its worst at its end."


def screening_missing(line: Line) -> str:
    """Why the touch-voltage screening is off, in one sentence; blank where nothing is missing."""
    clearing_s = line.earth_fault.clearing_s
    if clearing_s is None:
        return "The touch-voltage screening is off: line.toml lacks [earth_fault] clearing_s."
    shortest, longest = number("ieee80_shortest_s"), number("ieee80_longest_s")
    if line.safety.standard == "IEEE 80" and not shortest <= clearing_s <= longest:
        return (
            f"The touch-voltage screening is off: IEEE Std 80 holds from {shortest:g} to {longest:g} s and the clearing "
            f"time is {clearing_s:g} s."
        )
    return ""


def screen(
    condition: pd.DataFrame,
    records: Records,
    end: pd.Timestamp,
    rise_low_v: np.ndarray,
    rise_high_v: np.ndarray,
) -> pd.DataFrame:
    """Touch-voltage screening of each tower, with its evidence.

    Parameters
    ----------
    condition : pandas.DataFrame
        Condition of the line.
    records : Records
        Register, soundings, works, and settings with a clearing time.
    end : pandas.Timestamp
        Later soundings and works are not seen.
    rise_low_v, rise_high_v : array, shape (n,)
        Interval of the earth-fault potential rise for a fault at the tower [V].

    Returns
    -------
    pandas.DataFrame
        Index of `condition`: safety_screen (``below``, ``above``, ``cannot tell``) and safety_evidence.

    Notes
    -----
    Touch voltage = share of the rise within reach × rise. *below*: its upper end lies under the lower end of
    what is permissible. *above*: its lower end passes the upper end of what is permissible. Share of the rise: as
    set, else by kind of structure, ring, leg spacing and soil layers, each as far as it is on record. Ground under
    the feet: as set, else the top layer on record; a resistivity without layers leaves it open. Unknown
    occupancy: bare feet to shoes. That the rise stays under twice the permissible voltage is stated and decides
    nothing: a pole in soil that is better below shows more than half of its rise.

    References
    ----------
    EN 50522, EN 50341-1, IEEE Std 80, as in `towerlib.physics.touch`.
    """
    line = records.line
    at = _exposure(condition, records, end)
    low, high = at["fraction_low"] * rise_low_v, at["fraction_high"] * rise_high_v
    allowed_low, allowed_high = _permissible(at, line)
    known = np.isfinite(rise_low_v) & np.isfinite(rise_high_v)
    words = np.select(
        [known & (high <= allowed_low), known & (low > allowed_high)], [BELOW, ABOVE], CANNOT_TELL
    )
    figures = at.assign(
        touch_low_v=low,
        touch_high_v=high,
        rise_low_v=rise_low_v,
        rise_high_v=rise_high_v,
        allowed_low_v=allowed_low,
        allowed_high_v=allowed_high,
        known=known,
    )
    return pd.DataFrame(
        {
            "safety_screen": pd.array(words, dtype="str"),
            "safety_evidence": pd.array([_words(tower, line) for tower in figures.itertuples()], dtype="str"),
        },
        index=condition.index,
    )


def _exposure(condition, records, end):
    """Occupancy, ground under the feet and share of the rise within reach at each tower."""
    safety, towers = records.line.safety, condition["tower_id"]
    register = records.towers.set_index("tower_id").reindex(towers)
    given = condition["occupancy"].astype("object").to_numpy()
    occupancy = np.where(pd.isna(given), safety.occupancy or "", given)
    tops, boxes = soil_limits(records, towers, end)
    low, high = tops["upper_low_ohm_m"].to_numpy(float), tops["upper_high_ohm_m"].to_numpy(float)
    if safety.touch_fraction_low is not None:
        fraction_low, fraction_high, kind = safety.touch_fraction_low, safety.touch_fraction_high, "as set"
    else:
        fraction_low, fraction_high, kind = _fractions(register, _widened(records.works, towers, end), boxes)
        kind = [f"{one}, {layers}" for one, layers in zip(kind, tops["layers"], strict=True)]
    laid = safety.surface_ohm_m is not None
    return pd.DataFrame(
        {
            "occupancy": occupancy,
            "surface_low_ohm_m": safety.surface_ohm_m if laid else low,
            "surface_high_ohm_m": safety.surface_ohm_m if laid else high,
            "surface_origin": "as set" if laid else tops["layers"].to_numpy(object),
            "soil_low_ohm_m": low,
            "soil_high_ohm_m": high,
            "fraction_low": fraction_low,
            "fraction_high": fraction_high,
            "fraction_origin": kind,
        },
        index=condition.index,
    )


def _widened(works, towers, end):
    """Towers with works on record that spread the rise beyond the legs, a ring or radials."""
    done = works[~(pd.to_datetime(works["date"]) > end)]
    wide = done["treatment"].astype(str).str.lower().str.contains("|".join(WIDE_WORKS))
    return towers.isin(set(done.loc[wide, "tower_id"])).to_numpy()


def _fractions(register, widened, boxes):
    """Share of the rise within reach: its ends, and the kinds of structure that the record leaves open."""
    kinds = _kinds(register, widened)
    ends = np.full((2, len(register)), [[np.inf], [-np.inf]])
    place = boxes["place"].to_numpy(int)
    box = boxes.drop(columns="place").to_numpy(float).T
    spacing_m = register["leg_spacing_m"].to_numpy(float)[place]
    usual = number("soil_contrast_usual")
    unknown = (box[0] <= 1 / usual) & (box[1] >= usual) & (box[2] == 0) & np.isinf(box[3])
    for kind, (holds, row, _) in kinds.items():
        one = np.array([[number(f"touch_fraction_{row}_{end}")] for end in ("low", "high")])
        one = np.repeat(one, len(place), axis=1)
        if kind != "guyed":
            low, high = touch_fraction_limits(kind, spacing_m, *box)
            # Where no soil is on record both hold: what its legs leave room for, and what any structure may show.
            one[0] = np.where(unknown, np.maximum(one[0], low), low)
            one[1] = np.where(unknown, np.minimum(one[1], high), high)
        within = holds[place]
        np.minimum.at(ends[0], place[within], one[0][within])
        np.maximum.at(ends[1], place[within], one[1][within])
    names = [
        " or ".join(words for holds, _, words in kinds.values() if holds[tower])
        for tower in range(len(register))
    ]
    return *ends, names


def _kinds(register, widened):
    """Kinds of structure: which towers may be of the kind, the name of its values, and its words."""
    structure = register["structure"].astype("object").to_numpy()
    legs, spacing_m = (register[name].to_numpy(float) for name in ("leg_count", "leg_spacing_m"))
    blank, unknown = pd.isna(structure), np.isnan(legs)
    lattice = structure == "lattice"
    four = (lattice & (unknown | (legs > 1))) | (~lattice & ((legs > 1) | (blank & unknown)))
    four |= (structure == "portal") | (structure == "guyed")
    # Two or three feet lie between one and four; narrow legs may share a foundation.
    single = (~lattice & ~(blank & (legs == 4))) | (lattice & ~unknown & (legs != 4))
    single |= spacing_m < NARROWEST_LEGS_M
    guyed = (structure == "guyed") | (blank & ~(legs == 4))
    ringed = ~no(register["ring"]).to_numpy() | widened
    plain = ~yes(register["ring"]).to_numpy()
    return {
        "four": (four & plain, "footing", "four footings"),
        "four ring": (four & ringed, "ring", "ring round the legs"),
        "single": (single & plain, "single", "single foot"),
        "single ring": (single & ringed, "ring", "ring round a single foot"),
        "guyed": (guyed, "guyed", "guys"),
    }


def _permissible(at, line):
    """Low and high end of the permissible touch voltage [V]."""
    clearing_s, safety = line.earth_fault.clearing_s, line.safety
    if safety.standard == "IEEE 80":
        return tuple(
            touch_limit_ieee80(
                clearing_s,
                at[f"surface_{end}_ohm_m"].to_numpy(float),
                _derating(at, end, safety),
                safety.body_kg,
            )
            for end in ("low", "high")
        )
    edition = int(safety.standard.split(":")[1])
    return tuple(
        touch_limit_en50522(clearing_s, ohm, edition)
        for ohm in _added(at, number("touch_footwear_ohm"), safety)
    )


def _derating(at, end, safety):
    """Derating of a laid surface layer over the tower's own soil; 1 where none was laid."""
    if safety.surface_depth_m is None:
        return 1.0
    # Over soil that is not known from a good conductor upwards: the low end lies on the safe side.
    soil, surface = (at[f"{name}_{end}_ohm_m"].to_numpy(float) for name in ("soil", "surface"))
    return surface_derating(soil, surface, safety.surface_depth_m)


def _added(at, shoes_ohm, safety):
    """Low and high end of the resistance in series with the body [Ω]; bare feet count as none."""
    shoes_ohm = shoes_ohm if safety.footwear_ohm is None else safety.footwear_ohm
    bare, unknown = at["occupancy"] == BARE_FEET, at["occupancy"] == ""
    low = added_resistance(at["surface_low_ohm_m"].to_numpy(float), shoes_ohm)
    high = added_resistance(at["surface_high_ohm_m"].to_numpy(float), shoes_ohm)
    return np.where(bare | unknown, 0.0, low), np.where(bare, 0.0, high)


def _words(tower, line):
    """Evidence of one tower, with every number that was assumed."""
    if not tower.known:
        return "The earth-fault potential rise is not known."
    safety = line.safety
    who = tower.occupancy or "occupancy not known"
    low, high = tower.surface_low_ohm_m, tower.surface_high_ohm_m
    ground = _span(low, high) if low > 0 else f"any ground up to {figure(high)}"
    feet = f"on {ground} Ω·m ({tower.surface_origin})"
    if safety.standard == "IEEE 80":
        basis = f"{safety.standard}, {safety.body_kg} kg, {feet}"
    elif tower.occupancy == BARE_FEET:
        basis = f"{safety.standard}, no resistance added"
    else:
        shoes = number("touch_footwear_ohm") if safety.footwear_ohm is None else safety.footwear_ohm
        basis = f"{safety.standard}, shoes {shoes:g} Ω {feet}"
        basis += "" if tower.occupancy else ", or bare feet"
    allowed = _span(tower.allowed_low_v, tower.allowed_high_v, LIMIT_DIGITS)
    words = (
        f"Earth-fault potential rise {_span(tower.rise_low_v, tower.rise_high_v)} V, of which {tower.fraction_low:.2g} to "
        f"{tower.fraction_high:.2g} within reach ({tower.fraction_origin}): {_span(tower.touch_low_v, tower.touch_high_v)}"
        f" V against {allowed} V for {line.earth_fault.clearing_s:g} s "
        f"({basis}; {who})."
    )
    if tower.occupancy in ("accessible", "remote") and safety.standard != "IEEE 80":
        words += " Where people seldom come EN 50341-1 asks for no proof if faults are cleared at once (from memory)."
    if (
        safety.standard != "IEEE 80"
        and tower.rise_high_v <= number("touch_rise_factor") * tower.allowed_low_v
    ):
        words += " EN 50341-1 asks for no further proof up to twice the permissible voltage (from memory)."
    return words


def _span(low, high, digits=2):
    """Two figures as an interval, one where they are alike."""
    low, high = figure(low, digits), figure(high, digits)
    return low if low == high else f"{low} to {high}"
