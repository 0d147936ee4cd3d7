"""The mutual-resistance matrix against exact cases, closed forms within their known errors, other computations."""

import numpy as np
import pytest

from tests.reference.electrode_closed_forms import (
    body_resistance,
    footing_radius,
    grid_resistance,
    hemisphere_resistance,
    layered_rod_resistance,
    plate_resistance,
    ring_resistance,
    rod_group,
    rod_resistance,
    rods_mutual,
    shape_resistance,
    star_resistance,
    strip_resistance,
    surface_wire_resistance,
    two_rods_resistance,
    wire_resistance,
)
from tests.reference.electrode_shapes import on_legs, resistance, ring
from towerlib.physics.electrode.matrix import (
    mutual_resistances,
    potential,
    solve,
)
from towerlib.physics.electrode.segments import (
    Electrode,
    block,
    join,
    leg_positions,
    pad_and_chimney,
    plate,
    radials,
    rod,
    square,
    wire,
)
from towerlib.physics.layered_soil import Soil, uniform

SOIL = uniform(100.0)
UNIT = uniform(2 * np.pi)  # in which a hemisphere of 1 m has 1 ohm
RADIUS, DEPTH = 0.004, 0.6
PAD = pad_and_chimney(2.5, 0.5, 2.5, 0.6)
TOWER = on_legs(PAD, 8.0)


def straight(length_m):
    """Wire of the usual radius and depth."""
    return wire([(0.0, 0.0, DEPTH), (length_m, 0.0, DEPTH)], RADIUS)


def test_cube():
    # Capacitance of a cube, C/(4πε0·side) = 0.6606782 (C.-O. Hwang and M. Mascagni, J. Appl. Phys. 95 (2004), from
    # memory): a flush block half as deep as wide is a cube with its mirror. Panels are good to 0.5 %.
    assert 1 / resistance(block(1.0, 0.5, panels=6), UNIT) == pytest.approx(0.6606782, rel=0.005)


def test_sphere_far_below():
    # A straight thin wire in endless ground: half the mutual resistance of a buried one without image; the exact
    # prolate spheroid of the same length and middle radius: R = ρ/(4πc)·artanh(c/half-length)·... as L/a grows.
    half_m, radius_m = 1.0, 0.001
    focus_m = np.sqrt(half_m**2 - radius_m**2)
    spheroid_ohm = 100 / (4 * np.pi * focus_m) * np.arctanh(focus_m / half_m)
    deep = wire([(0.0, 0.0, 1e4), (2 * half_m, 0.0, 1e4)], radius_m)
    # A cylinder has more metal than the spheroid within it, and less than one longer by half.
    assert spheroid_ohm / 1.1 < resistance(deep, SOIL, 40) < spheroid_ohm


def test_evenly_leaking_rods_are_exact():
    # Double integral of 1/r over rods and mirror images, by elementary integration.
    pair = rod(3.0, 0.008, [(0.0, 0.0), (2.0, 0.0)])
    assert mutual_resistances(pair, SOIL)[0, 1] == pytest.approx(rods_mutual(100.0, 3.0, 2.0), rel=1e-4)
    assert rods_mutual(100.0, 3.0, 1e7) == pytest.approx(100 / (2 * np.pi * 1e7), rel=1e-9)
    assert rods_mutual(100.0, 3.0, 1e-4) == pytest.approx(rod_resistance(100.0, 3.0, 1e-4), rel=1e-4)


def test_rod_and_wire_of_another_computation():
    # Moment method made apart from this code (2026): rod 33.178 and 33.158 ohm (40 and 80 parts), wire 6.094 ohm.
    assert resistance(rod(3.0, 0.008), SOIL, 40) == pytest.approx(33.17, rel=1e-3)
    assert resistance(straight(30.0), SOIL, 40) == pytest.approx(6.094, rel=1e-3)


@pytest.mark.parametrize(("length_m", "radius_m"), [(3, 0.008), (10, 0.01), (1, 0.06)])
def test_rod_formula(length_m, radius_m):
    # J. D. Jackson, Am. J. Phys. 68 (2000), capacitance of a straight wire in powers of 1/ln(2h/a), from memory; a rod
    # and its mirror image are such a wire. Dwight (1936) lies some 1 % above the matrix for slender rods.
    log = np.log(2 * length_m / radius_m)
    series = 1 + (1 - np.log(2)) / log + (1 + (1 - np.log(2)) ** 2 - np.pi**2 / 12) / log**2
    own = resistance(rod(length_m, radius_m), SOIL, 40)
    assert own == pytest.approx(100 * log / (2 * np.pi * length_m * series), rel=0.01)
    assert 0.006 < rod_resistance(100.0, length_m, radius_m) / own - 1 < 0.022


@pytest.mark.parametrize(
    ("spacing_m", "low", "high"), [(1, 0.01, 0.014), (3, 0.04, 0.047), (6, 0.008, 0.011)]
)
def test_two_rods(spacing_m, low, high):
    # Dwight (1936): the series is 4.3 % high at s = L, where the mutual resistance of this code is not.
    own = resistance(rod(3.0, 0.008, [(0.0, 0.0), (spacing_m, 0.0)]), SOIL, 40)
    assert low < two_rods_resistance(100.0, 3.0, 0.008, spacing_m) / own - 1 < high
    by_matrix = rod_group(100.0, 3.0, 0.008, [(0.0, 0.0), (spacing_m, 0.0)])
    assert by_matrix == pytest.approx(own, rel=0.013)


@pytest.mark.parametrize("length_m", [10, 20, 100])
def test_straight_wire(length_m):
    # Dwight (1936), within 0.5 to 1 %; short form of GB/T 50065 and BS 7430:2011, 9.5.5, within 1 %.
    own = resistance(straight(length_m), SOIL, 32)
    assert 0.004 < wire_resistance(100.0, length_m, RADIUS, DEPTH) / own - 1 < 0.012
    assert shape_resistance(100.0, "straight", length_m, RADIUS, DEPTH) == pytest.approx(own, rel=0.012)
    british = 100 / (2 * np.pi * length_m) * np.log(length_m**2 / (1.85 * DEPTH * 2 * RADIUS))
    assert shape_resistance(100.0, "straight", length_m, RADIUS, DEPTH) == pytest.approx(british, rel=0.003)


@pytest.mark.parametrize("length_m", [20, 50])
def test_wire_at_the_surface_is_a_bound(length_m):
    # EN 50522 Annex J (from memory): 54 to 63 % above a wire at 0.8 m.
    own = resistance(wire([(0, 0, 0.8), (length_m, 0, 0.8)], RADIUS), SOIL)
    assert 0.5 < surface_wire_resistance(100.0, length_m, RADIUS) / own - 1 < 0.65


@pytest.mark.parametrize("diameter_m", [5, 10, 40])
def test_ring(diameter_m):
    # Dwight (1936), within 0.2 %.
    own = resistance(ring(diameter_m, RADIUS, DEPTH, sides=64), SOIL)
    assert ring_resistance(100.0, diameter_m, RADIUS, DEPTH) == pytest.approx(own, rel=0.0025)


def test_strip_is_a_wire_of_a_quarter_of_its_width():
    # Dwight (1936) for the strip; equivalent radius of a thin strip: common practice, here within 1.5 %.
    own = resistance(wire([(0, 0, 0.6), (30, 0, 0.6)], 0.03 / 4), SOIL)
    assert strip_resistance(100.0, 30.0, 0.03, 0.001, 0.6) == pytest.approx(own, rel=0.015)


@pytest.mark.parametrize(
    ("arms", "low", "high"), [(3, 0.013, 0.021), (4, 0.026, 0.037), (6, 0.055, 0.071), (8, 0.084, 0.104)]
)
@pytest.mark.parametrize("length_m", [10, 50])
def test_stars(arms, low, high, length_m):
    # Dwight's series are high by 1 % (3 arms) to 10 % (8 arms); GB/T 50065 is within 2 %.
    own = resistance(radials(arms, length_m, RADIUS, DEPTH), SOIL)
    assert low < star_resistance(100.0, arms, length_m, RADIUS, DEPTH) / own - 1 < high
    short = shape_resistance(100.0, f"star of {arms}", arms * length_m, RADIUS, DEPTH)
    assert short == pytest.approx(own, rel=0.021)


@pytest.mark.parametrize("length_m", [10, 30, 50])
def test_bend_square_and_tower(length_m):
    # GB/T 50065-2011, Appendix A, factors from memory: within 1.6 %.
    bend = wire([(0, length_m, DEPTH), (0, 0, DEPTH), (length_m, 0, DEPTH)], RADIUS)
    around = square(length_m, RADIUS, DEPTH)
    tower = join(square(10.0, RADIUS, DEPTH), radials(4, length_m, RADIUS, DEPTH, np.sqrt(50)))
    assert star_resistance(100.0, 2, length_m, RADIUS, DEPTH) == pytest.approx(
        resistance(bend, SOIL), rel=0.01
    )
    for name, electrode, wire_m in (
        ("bend", bend, 2 * length_m),
        ("square", around, 4 * length_m),
        ("square with 4 radials", tower, 4 * (10 + length_m)),
    ):
        short = shape_resistance(100.0, name, wire_m, RADIUS, DEPTH)
        assert short == pytest.approx(resistance(electrode, SOIL), rel=0.016), name


def test_square_plate():
    # Capacitance of a square plate, C/(4πε0·side) = 0.3667892 (literature, from memory), far below the surface.
    assert 100 / (4 * np.pi * resistance(plate(1.0, 500.0, panels=8), SOIL)) == pytest.approx(
        0.36679, rel=0.012
    )


@pytest.mark.parametrize("depth_m", [0.6, 1.5])
def test_buried_plate(depth_m):
    # Dwight (1936), series from memory: round plate of the same area, which has 2 % less capacitance than the square.
    flat = plate(np.sqrt(np.pi) * 0.5, depth_m)
    assert plate_resistance(100.0, 0.5, depth_m) == pytest.approx(resistance(flat, SOIL), rel=0.03)


def test_grid_of_the_substation_guide_in_full():
    # IEEE Std 80-2000, B.1, by formula 2.78 ohm; moment method made apart from this code: 2.651 ohm.
    lines = np.arange(0, 71, 7.0)
    along = [wire([(x, 0, 0.5), (x, 70, 0.5)], 0.005) for x in lines]
    across = [wire([(0, y, 0.5), (70, y, 0.5)], 0.005) for y in lines]
    own = resistance(join(*along, *across), uniform(400.0))
    assert own == pytest.approx(2.651, rel=0.005)
    assert 1.03 < grid_resistance(400.0, 1540.0, 4900.0, 0.5) / own < 1.06


BLOCKS = [
    (0.6, 2, 0.950),
    (1, 2, 1.194),
    (1, 3, 1.490),
    (2, 2, 1.719),
    (2, 1, 1.320),
    (3, 2, 2.191),
    (3, 3, 2.578),
]
PADS = [
    ((1.5, 0.4, 2, 0.5), 1.287),
    ((2, 0.4, 2, 0.6), 1.524),
    ((2.5, 0.5, 2.5, 0.6), 1.895),
    ((3, 0.5, 3, 0.8), 2.253),
    ((4, 0.6, 3, 0.8), 2.741),
]


@pytest.mark.parametrize(("width_m", "depth_m", "radius_m"), BLOCKS)
def test_blocks(width_m, depth_m, radius_m):
    # Boundary elements made apart from this code (2026); the area rule of Chow and Yovanovich (1982) within 5 %.
    assert 1 / resistance(block(width_m, depth_m), UNIT) == pytest.approx(radius_m, rel=0.01)
    assert footing_radius(width_m**2 + 4 * width_m * depth_m) == pytest.approx(radius_m, rel=0.05)


@pytest.mark.parametrize(("sizes", "radius_m"), PADS)
def test_pads_with_chimneys(sizes, radius_m):
    # As above; Chisholm and Janischewskyj (1989) within 6 % for these.
    pad_m, thickness_m, base_m, chimney_m = sizes
    assert 1 / resistance(pad_and_chimney(*sizes), UNIT) == pytest.approx(radius_m, rel=0.015)
    shaft_m2 = 4 * chimney_m * (base_m - thickness_m)
    area_m2 = shaft_m2 + 2 * pad_m**2 - chimney_m**2 + 4 * pad_m * thickness_m
    assert footing_radius(area_m2) == pytest.approx(radius_m, rel=0.05)
    body_ohm = body_resistance(2 * np.pi, (pad_m / 2, pad_m / 2, base_m), area_m2)
    assert 1 / body_ohm == pytest.approx(radius_m, rel=0.065)


def test_a_dead_leg_raises_a_tower_by_a_sixth():
    # Moment method made apart from this code (2026): 1.17, where four legs without coupling would give 4/3.
    three = leg_positions(8.0)[:3]
    shifts = [np.append(place, 0.0) for place in three]
    legs = [Electrode(PAD.start_m + shift, PAD.end_m + shift, PAD.radius_m) for shift in shifts]
    dead = solve(join(*legs), SOIL)
    assert dead.resistance_ohm / resistance(TOWER, SOIL) == pytest.approx(1.17, abs=0.01)
    shares = dead.share.reshape(3, -1).sum(axis=1)
    assert shares == pytest.approx([0.34, 0.31, 0.34], abs=0.01)


def test_rod_over_a_boundary():
    # G. F. Tagg (1964), from memory: 40.465 ohm; moment method made apart from this code: 40.463 ohm.
    own = resistance(rod(3.0, 0.008), Soil(100.0, 1000.0, 4.0), 40)
    assert own == pytest.approx(40.463, rel=1e-3)
    conductor = Soil(1000.0, 100.0, 4.0)
    assert layered_rod_resistance(conductor, 3.0, 0.008) / resistance(
        rod(3.0, 0.008), conductor, 40
    ) - 1 == pytest.approx(0.019, abs=0.004)


def corners(offset_m):
    """Rods outside the legs by so much in x and in y."""
    return leg_positions(8.0 + 2 * offset_m)


# Moment method with surface panels, made apart from this code (2026), R over that of the bare tower of TOWER's size.
TREATED = {
    "radial of 10": (radials(1, 10, RADIUS, DEPTH, 5.66), 0.944),
    "radial of 80": (radials(1, 80, RADIUS, DEPTH, 5.66), 0.517),
    "2 radials of 30": (radials(2, 30, RADIUS, DEPTH, 5.66), 0.636),
    "4 radials of 10": (radials(4, 10, RADIUS, DEPTH, 5.66), 0.806),
    "4 radials of 30": (radials(4, 30, RADIUS, DEPTH, 5.66), 0.480),
    "4 rods of 3 near": (rod(3.0, 0.008, corners(1.5), DEPTH), 0.962),
    "4 rods of 24 near": (rod(24.0, 0.008, corners(1.5), DEPTH), 0.517),
    "4 rods of 6": (rod(6.0, 0.008, corners(5.0), DEPTH), 0.769),
    "4 rods of 24": (rod(24.0, 0.008, corners(5.0), DEPTH), 0.461),
    "ring 1 outside": (square(10.0, RADIUS, DEPTH), 0.956),
    "ring 5 outside": (square(18.0, RADIUS, DEPTH), 0.728),
}


def test_bare_tower():
    # The same computation: 3.418 (3.429 with finer parts) ohm in 100 ohm m.
    assert resistance(TOWER, SOIL) == pytest.approx(3.424, rel=0.02)


@pytest.mark.parametrize("name", TREATED)
def test_treated_tower(name):
    electrode, printed = TREATED[name]
    own = resistance(join(TOWER, electrode), SOIL) / resistance(TOWER, SOIL)
    assert own == pytest.approx(printed, rel=0.02)


LAYERED = [  # soil, bare tower, then over it: 4 rods of 6, 12, 24 m; 4 radials of 20, 50 m; ring 3 m outside
    (Soil(1000.0, 100.0, 4.0), 16.5, (0.436, 0.232, 0.132, 0.595, 0.341, 0.786)),
    (Soil(1000.0, 100.0, 8.0), 23.5, (0.833, 0.233, 0.106, 0.550, 0.293, 0.798)),
    (Soil(100.0, 1000.0, 4.0), 9.3, (0.973, 0.947, 0.869, 0.684, 0.434, 0.909)),
]


@pytest.mark.parametrize(("soil", "bare_ohm", "printed"), LAYERED)
def test_treated_tower_in_two_layers(soil, bare_ohm, printed):
    # The same computation, which had coarser footings: theirs are 2 % smaller, and near a conductor that counts.
    own_ohm = resistance(TOWER, soil)
    assert own_ohm == pytest.approx(bare_ohm, rel=0.04)
    rods = [rod(length_m, 0.008, corners(1.5), DEPTH) for length_m in (6, 12, 24)]
    wires = [radials(4, length_m, RADIUS, DEPTH, 5.66) for length_m in (20, 50)]
    for electrode, ratio in zip([*rods, *wires, square(14.0, RADIUS, DEPTH)], printed, strict=True):
        assert resistance(join(TOWER, electrode), soil, 8) / own_ohm == pytest.approx(ratio, rel=0.04)


def test_far_away_every_electrode_is_a_point():
    # Coulomb's law: potential ρ/(2πx) at the surface.
    far = potential(solve(TOWER, SOIL), [(1e4, 0.0, 0.0)], 2.0)
    assert far == pytest.approx([2 * hemisphere_resistance(100.0, 1e4)], rel=1e-4)


def test_metal_is_at_one_potential():
    # What the matrix solves: on the mantle of a rod the potential is that of the rod, but near its ends.
    one = solve(rod(3.0, 0.008), SOIL, 40)
    mantle = [(0.008, 0.0, depth) for depth in (0.5, 1.0, 2.0)]
    assert potential(one, mantle) == pytest.approx(one.resistance_ohm, rel=0.01)
