"""Electrodes: laws of metal in the ground, combination with a measured footing, bad input."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ellipkm1

from tests.reference.electrode_closed_forms import (
    combined_resistance,
    covered_ohm,
    equivalent_radius,
    filled_rod_resistance,
    four_legs_resistance,
    hemisphere_resistance,
    layered_rod_resistance,
    plate_resistance,
    radial_mutual,
    rod_group,
    rod_resistance,
    shape_resistance,
    star_resistance,
    strip_resistance,
    wire_resistance,
)
from tests.reference.electrode_shapes import on_legs, resistance, ring
from tests.reference.treated_footing import treated_resistance
from towerlib.physics.electrode.footing import (
    prepare,
    with_footing,
)
from towerlib.physics.electrode.matrix import (
    inverse,
    mutual_resistances,
    potential,
    solve,
)
from towerlib.physics.electrode.segments import (
    Electrode,
    block,
    cut,
    join,
    leg_positions,
    pad_and_chimney,
    radials,
    rod,
    square,
    wire,
)
from towerlib.physics.layered_soil import Soil, uniform

RADIUS, DEPTH = 0.004, 0.6
LEGS = leg_positions(8.0)


@st.composite
def electrodes(draw):
    """Radials, a ring or rods about a tower, of any usual size."""
    kind = draw(st.sampled_from(["radials", "square", "ring", "rods"]))
    size_m = draw(st.floats(2.0, 40.0))
    if kind == "radials":
        return radials(draw(st.integers(1, 8)), size_m, RADIUS, DEPTH, 5.0)
    if kind == "square":
        return square(9.0 + size_m, RADIUS, DEPTH)
    if kind == "ring":
        return ring(12.0 + size_m, RADIUS, DEPTH, sides=12)
    return rod(size_m, 0.008, leg_positions(10.0)[: draw(st.integers(1, 4))], DEPTH)


@st.composite
def soils(draw):
    """Uniform soil or two layers, from clay over rock to rock over clay."""
    upper = draw(st.floats(10.0, 5000.0))
    if draw(st.booleans()):
        return uniform(upper)
    return Soil(
        upper,
        upper * draw(st.sampled_from([0.02, 0.1, 0.5, 0.9, 2.0, 10.0, 50.0])),
        draw(st.floats(0.3, 20.0)),
    )


def few(electrode, soil):
    """Parts enough for a law."""
    return cut(electrode, soil.depth_m, 6)


@settings(max_examples=40, deadline=None)
@given(electrodes(), soils())
def test_mutual_resistances_are_symmetric_positive_definite(electrode, soil):
    matrix = mutual_resistances(few(electrode, soil), soil)
    assert (matrix == matrix.T).all()
    assert (matrix > 0).all()
    assert np.linalg.eigvalsh(matrix).min() > 0
    assert (np.diag(matrix)[:, None] >= matrix * (1 - 1e-9)).any(axis=1).all()


@settings(max_examples=40, deadline=None)
@given(electrodes(), electrodes(), soils())
def test_added_metal_never_raises_the_resistance(one, other, soil):
    first, second = few(one, soil), few(other, soil)
    apart_m = np.array([0.013, 0.017, 0.05])  # no two pieces in one place
    second = Electrode(second.start_m + apart_m, second.end_m + apart_m, second.radius_m)
    if np.isfinite(soil.depth_m):
        second = cut(second, soil.depth_m, 1)
    both = mutual_resistances(join(first, second), soil)
    alone = 1 / inverse(both[: len(first.radius_m), : len(first.radius_m)]).sum()
    assert 1 / inverse(both).sum() <= alone * (1 + 1e-9)


@settings(max_examples=30, deadline=None)
@given(electrodes(), soils(), st.floats(0.01, 100.0))
def test_resistance_scales_with_the_soil(electrode, soil, scale):
    denser = Soil(soil.upper_ohm_m * scale, soil.lower_ohm_m * scale, soil.depth_m)
    if soil.lower_ohm_m == soil.upper_ohm_m:
        denser = uniform(soil.upper_ohm_m * scale)
    assert resistance(electrode, denser, 6) == pytest.approx(scale * resistance(electrode, soil, 6), rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(electrodes(), st.floats(10.0, 5000.0), st.floats(0.2, 20.0))
def test_two_equal_layers_are_none(electrode, resistivity, depth_m):
    layered, plain = Soil(resistivity, resistivity, depth_m), uniform(resistivity)
    pieces = cut(electrode, depth_m, 6)
    assert mutual_resistances(pieces, layered) == pytest.approx(mutual_resistances(pieces, plain), rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(electrodes(), soils())
def test_between_the_two_layers(electrode, soil):
    pieces = cut(electrode, soil.depth_m, 6)
    low, own, high = (
        1 / inverse(mutual_resistances(pieces, ground)).sum()
        for ground in (
            uniform(min(soil.upper_ohm_m, soil.lower_ohm_m)),
            soil,
            uniform(max(soil.upper_ohm_m, soil.lower_ohm_m)),
        )
    )
    assert low * (1 - 1e-3) <= own <= high * (1 + 1e-3)


@settings(max_examples=20, deadline=None)
@given(electrodes(), soils())
def test_shares_are_the_current(electrode, soil):
    solution = solve(electrode, soil, 6)
    assert solution.share.sum() == pytest.approx(1.0)
    assert len(solution.share) == len(solution.pieces.radius_m)


def test_a_bad_conductor_below_keeps_the_current_up():
    # By hand: with a boundary at 3 m the lower half of a rod of 6 m has little of the current over rock, most over clay.
    for lower, low, high in ((10000.0, 0.0, 0.1), (10.0, 0.9, 1.0)):
        solution = solve(rod(6.0, 0.008), Soil(300.0, lower, 3.0))
        deep = solution.pieces.start_m[:, 2] >= 3.0
        assert low < solution.share[deep].sum() < high


def test_potential_is_continuous_through_the_boundary():
    solution = solve(rod(6.0, 0.008), Soil(300.0, 30.0, 3.0), 12)
    above, below = potential(solution, [(2.0, 0.0, 3.0 - 1e-6), (2.0, 0.0, 3.0 + 1e-6)])
    assert above == pytest.approx(below, rel=1e-5)


def test_potential_within_the_metal_is_that_of_its_mantle():
    solution = solve(rod(3.0, 0.008), uniform(100.0), 40)
    inside, mantle = potential(solution, [(0.0, 0.0, 1.5), (0.008, 0.0, 1.5)])
    assert inside == pytest.approx(mantle, rel=1e-9)
    assert mantle == pytest.approx(solution.resistance_ohm, rel=0.01)


def test_cutting_keeps_the_metal():
    electrode = join(rod(6.0, 0.008), square(10.0, RADIUS, DEPTH))
    parts = cut(electrode, 4.0)
    assert parts.length_m.sum() == pytest.approx(electrode.length_m.sum())
    assert not ((parts.start_m[:, 2] < 4.0) & (parts.end_m[:, 2] > 4.0)).any()
    assert len(electrode.radius_m) == 5


def test_ring_is_as_long_as_its_circle():
    assert ring(10.0, RADIUS, DEPTH).length_m.sum() == pytest.approx(10 * np.pi)


def test_four_legs_against_their_panels():
    tower = on_legs(block(1.0, 2.0), 10.0)
    own = resistance(tower, uniform(100.0))
    one_m = equivalent_radius(100.0, resistance(block(1.0, 2.0), uniform(100.0)))
    assert four_legs_resistance(100.0, one_m, 10.0) == pytest.approx(own, rel=0.02)
    assert own > hemisphere_resistance(100.0, one_m) / 4


def test_a_rod_cut_at_the_boundary_may_end_a_rounding_error_beyond_it():
    boundary_m = (
        1.7720001088165962  # of a fitted sounding; the upper part of the rod ends at its next neighbour
    )
    pieces = wire([(0, 0, 0.6), (0, 0, np.nextafter(boundary_m, 2)), (0, 0, 3.6)], 0.008)
    matrix = mutual_resistances(pieces, Soil(100.0, 300.0, boundary_m))
    assert np.isfinite(matrix).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: wire([(0, 0, -0.1), (1, 0, 0.1)], RADIUS), "at a depth of 0 m or more"),
        (lambda: wire([(0, 0, np.nan), (1, 0, 0.1)], RADIUS), "at a known place"),
        (lambda: rod(0.0, 0.008), "a length and a radius greater than 0 m"),
        (lambda: rod(3.0, 0.0), "a length and a radius greater than 0 m"),
        (lambda: wire([(0, 0, 0.5)], RADIUS), "at least one piece of metal"),
        (lambda: Electrode(np.zeros((1, 3)), np.ones((2, 3)), np.ones(1)), "1 pieces need 1 starts and ends"),
        (
            lambda: resistance(join(rod(3.0, 0.008), rod(3.0, 0.008)), uniform(1.0)),
            "two pieces of the electrode lie",
        ),
        (lambda: mutual_resistances(rod(3.0, 0.008), Soil(1.0, 2.0, 1.0)), "a piece crosses the boundary"),
        (
            lambda: with_footing(prepare(rod(3.0, 0.008), LEGS, uniform(1.0)), 0.0),
            "must be greater than 0 ohm",
        ),
        (
            lambda: treated_resistance(rod(3.0, 0.008), LEGS, 10.0, -1.0),
            "a resistivity must be greater than 0",
        ),
        (lambda: combined_resistance(0.0, 1.0, 0.0), "must be greater than 0 ohm"),
        (lambda: rod_resistance(100.0, -3.0, 0.008), "rods must be greater than 0"),
        (lambda: rod_group(100.0, 3.0, 0.008, [(0, 0), (0, 0)]), "two rods of a group stand at one place"),
        (lambda: layered_rod_resistance(Soil(1.0, 2.0, 1.0), 3.0, 0.008), "reaches through the boundary"),
        (lambda: wire_resistance(100.0, 30.0, 0.004, 0.0), "depth of a wire must be greater than 0"),
        (lambda: star_resistance(100.0, 5, 10.0, 0.004, 0.6), "no series for a star of 5 arms"),
        (
            lambda: shape_resistance(100.0, "spiral", 10.0, 0.004, 0.6),
            "'spiral' has no shape factor: straight",
        ),
        (lambda: strip_resistance(100.0, 30.0, 0.03, 0.01, 0.6), "an eighth of its width"),
        (lambda: plate_resistance(100.0, 0.5, 0.5), "only deeper than its radius"),
        (lambda: pad_and_chimney(1.0, 0.4, 2.0, 1.2), "a chimney must be narrower than its pad"),
        (lambda: block(2.0, 1.0, top_m=0.9), "take a plate for thinner ones"),
        (lambda: filled_rod_resistance(100.0, 20.0, 3.0, 0.05, 0.04), "as wide and as long as its rod"),
        (lambda: covered_ohm(90.0, 3.0, 0.05, 0.04), "at least the radius of its metal"),
    ],
)
def test_bad_input(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_arrays_and_unknowns():
    resistivity = np.array([100.0, np.nan, 1000.0])
    for own in (
        rod_resistance(resistivity, 3.0, 0.008),
        wire_resistance(resistivity, 30.0, 0.004, 0.6),
        shape_resistance(resistivity, "circle", 30.0, 0.004, 0.6),
        hemisphere_resistance(resistivity, 1.0),
        rod_group(resistivity, 3.0, 0.008, [(0, 0), (3, 0)]),
        filled_rod_resistance(resistivity, 20.0, 3.0, 0.008, 0.1),
        radial_mutual(resistivity, 30.0, 5.0, 4.0),
    ):
        assert np.isnan(own).tolist() == [False, True, False]
        assert own[2] > own[0]


def test_longer_wider_and_deeper_is_lower():
    # Every dimension of metal that grows lowers the resistance, and so does a deeper wire, further from the air.
    assert (np.diff(rod_resistance(100.0, np.array([1.0, 3.0, 9.0]), 0.008)) < 0).all()
    assert (np.diff(rod_resistance(100.0, 3.0, np.array([0.005, 0.01, 0.02]))) < 0).all()
    assert (np.diff(wire_resistance(100.0, 30.0, 0.004, np.array([0.3, 0.6, 1.0]))) < 0).all()
    depths = [resistance(wire([(0, 0, h), (30, 0, h)], 0.004), uniform(100.0), 8) for h in (0.3, 0.6, 1.0)]
    assert (np.diff(depths) < 0).all()


def whole_rod(ratio, side=60, tip=12):
    """Resistance of a rod of radius 1 m in 1 Ω·m, by charges on its side and its flat tip, with their image.

    Rings of even charge, finer towards the edge, points of collocation in their middles; the potential of a ring is
    2K(m)/(π·√((r + r')² + (z − z')²)) (any textbook of potential theory). Nothing of `towerlib` is used.
    """
    along, across = (
        ratio * np.sin(np.linspace(0, np.pi / 2, side + 1)),
        np.sin(np.linspace(0, np.pi / 2, tip + 1)),
    )
    rings = [(1.0, 1.0, z0, z1) for z0, z1 in pairwise(along)] + [
        (r0, r1, ratio, ratio) for r0, r1 in pairwise(across)
    ]
    rings = np.array(rings)
    r, z = rings[:, :2].mean(axis=1)[:, None], rings[:, 2:].mean(axis=1)[:, None]
    nodes, weights = np.polynomial.legendre.leggauss(16)
    graded = 0.5 * ((nodes + 1) / 2) ** 3  # close to the middle, where the potential has its logarithm
    places = np.r_[0.5 - graded, 0.5 + graded]
    weights = np.tile(weights / 2 * 1.5 * ((nodes + 1) / 2) ** 2, 2)
    columns = []
    for r0, r1, z0, z1 in rings:
        radius, depth, charge = r0 + (r1 - r0) * places, z0 + (z1 - z0) * places, weights.copy()
        if r1 > r0:
            charge *= radius / ((r0 + r1) / 2)
        column = 0.0
        for image in (depth, -depth):
            apart, across2 = (r - radius) ** 2 + (z - image) ** 2, (r + radius) ** 2 + (z - image) ** 2
            column = column + (2 / np.pi * ellipkm1(apart / across2) / np.sqrt(across2) * charge).sum(axis=1)
        columns.append(column)
    return 1 / (4 * np.pi * np.linalg.solve(np.transpose(columns), np.ones(len(rings))).sum())


@pytest.mark.parametrize(("ratio", "high"), [(17.0, 0.027), (375.0, 0.009), (1000.0, 0.006)])
def test_rod_formula_is_as_high_as_it_says(ratio, high):
    assert rod_resistance(1.0, ratio, 1.0) / whole_rod(ratio) - 1 == pytest.approx(high, abs=5e-4)


@pytest.mark.parametrize("boundary_m", np.round(np.arange(1.0, 4.0, 0.1), 1))
def test_no_part_of_a_rod_crosses_the_boundary_by_rounding(boundary_m):
    parts = cut(rod(4.0, 0.008, top_m=0.6), boundary_m)
    depth_m = np.column_stack([parts.start_m[:, 2], parts.end_m[:, 2]])
    assert not np.any((depth_m.min(axis=1) < boundary_m) & (depth_m.max(axis=1) > boundary_m))
