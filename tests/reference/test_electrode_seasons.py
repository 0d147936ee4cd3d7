"""What a dry or wet top layer, and a fill about the metal, do to electrodes: a computation made apart from this code."""

import pytest

from tests.reference.electrode_closed_forms import wire_resistance
from tests.reference.electrode_shapes import on_legs, resistance
from towerlib.physics.electrode.segments import (
    join,
    leg_positions,
    pad_and_chimney,
    radials,
    rod,
)
from towerlib.physics.layered_soil import Soil, uniform

DEPTH = 0.6
FOOTINGS = on_legs(pad_and_chimney(2.5, 0.5, 2.5, 0.6, panels=3), 8.0)
WIRES = radials(4, 30.0, 0.004, DEPTH, 5.66)
ELECTRODES = {
    "footings": FOOTINGS,
    "wires": WIRES,
    "footings and wires": join(FOOTINGS, WIRES),
    "rods of 3": rod(3.0, 0.008, leg_positions(11.0)),
    "rods of 9": rod(9.0, 0.008, leg_positions(11.0)),
}
# Moment method (2026): R over that in uniform soil, top layer of a thickness [m] at a multiple of the resistivity.
TOP_LAYERS = [
    ("footings", 0.5, 10, 1.04),
    ("footings", 1.0, 10, 1.09),
    ("footings", 1.5, 10, 1.16),
    ("footings", 1.0, 0.5, 0.92),
    ("wires", 0.5, 10, 1.10),
    ("wires", 1.0, 2, 1.42),
    ("wires", 1.0, 10, 4.46),
    ("wires", 1.5, 10, 5.08),
    ("wires", 1.0, 0.5, 0.76),
    ("footings and wires", 1.0, 10, 1.83),
    ("rods of 3", 0.5, 10, 1.13),
    ("rods of 3", 1.0, 10, 1.31),
    ("rods of 9", 1.0, 10, 1.08),
    ("rods of 9", 1.5, 10, 1.13),
]


@pytest.mark.parametrize(("name", "thickness_m", "multiple", "printed"), TOP_LAYERS)
def test_top_layer(name, thickness_m, multiple, printed):
    layered = resistance(ELECTRODES[name], Soil(100.0 * multiple, 100.0, thickness_m), 10)
    assert layered / resistance(ELECTRODES[name], uniform(100.0), 10) == pytest.approx(printed, rel=0.03)


@pytest.mark.parametrize(("diameter_m", "printed"), [(0.1, 0.78), (0.2, 0.72), (0.3, 0.69)])
def test_wire_in_a_filled_trench(diameter_m, printed):
    # Dwight (1936) at the radius of an ideal fill, worked out apart from this code: 30 m of 8 mm at 0.6 m.
    filled = wire_resistance(100.0, 30.0, diameter_m / 2, DEPTH)
    assert filled / wire_resistance(100.0, 30.0, 0.004, DEPTH) == pytest.approx(printed, abs=0.01)


@pytest.mark.parametrize(("diameter_m", "printed"), [(0.1, 0.423), (0.3, 0.393)])
def test_a_tower_gains_less_than_its_wires(diameter_m, printed):
    # Moment method (2026): tower with 4 wires of 30 m in ideal fill over the bare tower; bare wires 0.480.
    wires = radials(4, 30.0, diameter_m / 2, DEPTH, 5.66)
    bare = resistance(FOOTINGS, uniform(100.0))
    assert resistance(join(FOOTINGS, wires), uniform(100.0)) / bare == pytest.approx(printed, rel=0.025)
