"""Metal added to a measured footing: bounds, full computations, closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_electrode import electrodes, soils

from tests.reference.electrode_closed_forms import (
    combined_resistance,
    equivalent_radius,
    radial_mutual,
    ring_mutual,
    rod_group,
    rod_mutual,
    shape_resistance,
)
from tests.reference.electrode_shapes import on_legs, resistance
from tests.reference.treated_footing import treated_resistance
from towerlib.physics.electrode.footing import (
    Added,
    prepare,
    with_footing,
)
from towerlib.physics.electrode.segments import (
    join,
    leg_positions,
    pad_and_chimney,
    radials,
    rod,
    square,
)
from towerlib.physics.layered_soil import Soil, uniform

RADIUS, DEPTH = 0.004, 0.6
LEGS = leg_positions(8.0)


@settings(max_examples=60, deadline=None)
@given(electrodes(), soils(), st.lists(st.floats(0.5, 500.0), min_size=1, max_size=5))
def test_treated_footing_lies_between_its_bounds(electrode, soil, footings):
    added = prepare(electrode, LEGS, soil, count=5)
    footing_ohm = np.array(footings)
    own_ohm = with_footing(added, footing_ohm)
    parallel_ohm = footing_ohm * added.resistance_ohm / (footing_ohm + added.resistance_ohm)
    assert (own_ohm <= np.minimum(footing_ohm, added.resistance_ohm) * (1 + 1e-9)).all()
    assert (own_ohm >= parallel_ohm * (1 - 1e-9)).all()


@settings(max_examples=30, deadline=None)
@given(electrodes(), st.floats(5.0, 100.0), st.floats(100.0, 2000.0), st.floats(0.1, 10.0))
def test_treated_footing_scales(electrode, footing_ohm, resistivity, scale):
    own, scaled = treated_resistance(
        electrode, LEGS, np.array([1.0, scale]) * footing_ohm, np.array([1.0, scale]) * resistivity
    )
    assert scaled == pytest.approx(scale * own, rel=1e-9)


TREATMENTS = {
    "radial": radials(1, 30, RADIUS, DEPTH, 5.66),
    "radials": radials(4, 30, RADIUS, DEPTH, 5.66),
    "short radials": radials(4, 10, RADIUS, DEPTH, 5.66),
    "long radials": radials(2, 80, RADIUS, DEPTH, 4.0, 0.0),
    "rods": rod(6.0, 0.008, leg_positions(11.0), DEPTH),
    "deep rods": rod(24.0, 0.008, leg_positions(11.0), DEPTH),
    "ring": square(14.0, RADIUS, DEPTH),
    "ring and radials": join(square(10.0, RADIUS, DEPTH), radials(4, 30, RADIUS, DEPTH, 7.08)),
}
GROUNDS = [uniform(1000.0), Soil(1000.0, 100.0, 4.0), Soil(1000.0, 100.0, 8.0), Soil(100.0, 1000.0, 4.0)]
FOOTING = pad_and_chimney(2.5, 0.5, 2.5, 0.6, panels=3)


@pytest.mark.parametrize("soil", GROUNDS)
def test_measured_footing_against_its_full_computation(soil):
    # The same matrix with every panel of the concrete. Legs as points promise no more than 1 % too much.
    tower = on_legs(FOOTING, 8.0)
    bare_ohm = resistance(tower, soil)
    for name, electrode in TREATMENTS.items():
        full_ohm = resistance(join(tower, electrode), soil, 8)
        own_ohm = with_footing(prepare(electrode, LEGS, soil), bare_ohm)
        assert -0.015 < own_ohm / full_ohm - 1 < 0.08, name
        added_ohm = resistance(electrode, soil, 8)
        assert bare_ohm * added_ohm / (bare_ohm + added_ohm) < 0.96 * full_ohm, name


def test_low_footing_on_bad_soil_is_taken_as_one_hemisphere():
    # By hand: 2 ohm in 1000 ohm m is a hemisphere of 80 m, in which a ring of 14 m changes nothing.
    assert equivalent_radius(1000.0, 2.0) == pytest.approx(79.6, abs=0.05)
    ring_added = prepare(square(14.0, RADIUS, DEPTH), LEGS, uniform(1000.0))
    assert with_footing(ring_added, 2.0) == pytest.approx(2.0, rel=1e-3)


def test_low_footing_with_wires_beyond_its_reach():
    # By formula: 15 ohm in 1000 ohm m is more than four legs 8 m apart can have; one hemisphere of 10.6 m instead, and
    # of wires that begin within it only what lies outside couples less than fully. Evenly leaking wires: some 4 % high.
    wires = radials(4, 80, RADIUS, DEPTH, 5.66)
    footing_m = equivalent_radius(1000.0, 15.0)
    inside = (footing_m - 5.66) / 80
    mutual_ohm = inside * 15.0 + (1 - inside) * radial_mutual(
        1000.0, 80 - (footing_m - 5.66), footing_m, footing_m
    )
    printed = combined_resistance(15.0, resistance(wires, uniform(1000.0)), mutual_ohm)
    assert with_footing(prepare(wires, LEGS, uniform(1000.0)), 15.0) == pytest.approx(printed, rel=0.06)


def test_where_the_matrix_has_no_meaning_no_gain_is_promised():
    # One piece of 5 ohm wholly within the reach of a footing of 10 ohm: no such metal exists, and 5 ohm stands.
    deep = np.full((1, 6, 1), 30.0)
    impossible = Added(5.0, np.array([[0.2]]), deep, deep, np.zeros((1, 1)))
    assert with_footing(impossible, 10.0) == pytest.approx(5.0)


def test_poor_footing_leaves_the_added_metal():
    # By hand: a footing of nearly no contact adds nothing.
    added = prepare(TREATMENTS["radials"], LEGS, uniform(1000.0))
    assert with_footing(added, 1e6) == pytest.approx(added.resistance_ohm, rel=1e-3)


def test_unknown_footing_or_soil_cannot_be_predicted():
    own = treated_resistance(TREATMENTS["rods"], LEGS, [30.0, np.nan, 30.0], [500.0, 500.0, np.nan])
    assert np.isnan(own).tolist() == [False, True, True]
    assert np.ndim(treated_resistance(TREATMENTS["rods"], LEGS, 30.0, 500.0)) == 0


# Moment method with surface panels, made apart from this code (2026), R over R0 of a tower with 34.2 ohm in
# 1000 ohm m, and in brackets what its closed forms gave.
CLOSED = [
    ("radial", (1, 10), 0.937),
    ("radial", (1, 80), 0.518),
    ("radial", (2, 30), 0.644),
    ("radial", (4, 10), 0.831),
    ("radial", (4, 30), 0.510),
    ("radial", (4, 80), 0.248),
    ("rod", (1.5, 12), 0.725),
    ("rod", (5.0, 3), 0.859),
    ("rod", (5.0, 24), 0.467),
    ("ring", (1,), 0.966),
    ("ring", (3,), 0.834),
    ("ring", (5,), 0.719),
]
SHAPES = {1: "straight", 2: "straight", 4: "star of 4"}


def closed_form(kind, sizes):
    """Tower of 34.2 ohm in 1000 ohm m after a treatment, by formulas alone."""
    if kind == "radial":
        arms, length_m = sizes
        added_ohm = shape_resistance(1000.0, SHAPES[arms], arms * length_m, RADIUS, DEPTH)
        mutual_ohm = radial_mutual(1000.0, length_m, 5.66, equivalent_radius(1000.0, 34.2))
    elif kind == "rod":
        out_m, length_m = sizes
        place_m = leg_positions(8.0 + 2 * out_m)
        added_ohm = rod_group(1000.0, length_m, 0.008, place_m)
        mutual_ohm = rod_mutual(1000.0, length_m, np.hypot(*place_m[0]), DEPTH)
    else:
        side_m = 8.0 + 2 * sizes[0]
        added_ohm = shape_resistance(1000.0, "square", 4 * side_m, RADIUS, DEPTH)
        mutual_ohm = ring_mutual(1000.0, side_m / np.sqrt(np.pi), DEPTH)
    return combined_resistance(34.2, added_ohm, mutual_ohm)


@pytest.mark.parametrize(("kind", "sizes", "printed"), CLOSED)
def test_closed_combination(kind, sizes, printed):
    assert closed_form(kind, sizes) / 34.2 == pytest.approx(printed, rel=0.012)


ohms = st.floats(0.5, 500.0)


@given(ohms, ohms, st.floats(0.0, 1000.0))
def test_combination_lies_between_its_bounds(footing_ohm, added_ohm, mutual_ohm):
    own = combined_resistance(footing_ohm, added_ohm, mutual_ohm)
    parallel = footing_ohm * added_ohm / (footing_ohm + added_ohm)
    assert parallel * (1 - 1e-9) <= own <= min(footing_ohm, added_ohm) * (1 + 1e-9)
    assert own == pytest.approx(combined_resistance(added_ohm, footing_ohm, mutual_ohm), rel=1e-9)


def test_mutual_resistances_by_hand():
    # ρ/(2πℓ)·ln((d + ℓ)/d) with d the radius of the footing where the wire begins within it: ln 7 for 30 m from 5 m.
    assert radial_mutual(1000.0, 30.0, 2.0, 5.0) == pytest.approx(1000 / (60 * np.pi) * np.log(7))
    assert radial_mutual(1000.0, 30.0, 5.0, 2.0) == pytest.approx(1000 / (60 * np.pi) * np.log(7))
    # ρ/(2πD) for a rod that is short beside its distance, and a ring at 3-4-5.
    assert rod_mutual(1000.0, 0.01, 10.0) == pytest.approx(1000 / (20 * np.pi), rel=1e-6)
    assert ring_mutual(1000.0, 4.0, 3.0) == pytest.approx(1000 / (10 * np.pi))


def test_combination_by_hand():
    # (30·20 − 10²)/(30 + 20 − 20) = 500/30; without coupling plain parallel, 12.
    assert combined_resistance(30.0, 20.0, 10.0) == pytest.approx(500 / 30)
    assert combined_resistance(30.0, 20.0, 0.0) == pytest.approx(12.0)
    # Beyond the lower of the two the formula alone would give 10 and less: 0.98 of it stands in.
    assert combined_resistance(30.0, 20.0, 25.0) == pytest.approx((600 - 19.6**2) / (50 - 39.2))
    assert np.isnan(combined_resistance([30.0, np.nan], 20.0, 5.0)).tolist() == [False, True]
