"""The line as a ladder: circuits by hand, bad input. Laws and a circuit simulator are in `reference`."""

import numpy as np
import pytest
from network_lines import dense_fault

from towerlib.physics.ladder import (
    ALONE,
    NO_EARTH,
    admittance,
    driving_points,
    fault_drive,
    ladder,
    leg_share,
    solve,
)
from towerlib.physics.overhead_line import self_impedance

FOOTINGS = np.array([14.2, 8.7, 31.5, 12.0, 6.3, 55.0, 18.9, 9.4, 120.0, 22.6, 4.8, 11.1])
SPANS_M = np.array([312, 287, 405, 350, 228, 466, 331, 298, 377, 264, 419])
WIRE, MUTUAL = 0.4093e-3 + 0.7625e-3j, 0.0493e-3 + 0.2915e-3j
STATIONS = (0.4, 0.9)


def twelve_towers():
    return ladder(FOOTINGS, 0.0, WIRE * SPANS_M, STATIONS)


def uniform(r, z, count=401, bond_ohm=0.0):
    return ladder(np.full(count, float(r)), bond_ohm, np.full(count - 1, z))


def infinite(r, z):
    """Infinite line seen from a station: IEC 60909-3; Endrenyi, IEEE PAS-86 (1967); from memory."""
    return z / 2 + np.sqrt(z * z / 4 + r * z)


@pytest.mark.parametrize(
    ("bond_ohm", "reading", "share"),
    [
        (0, 1.61, 0.107),
        (1, 2.25, 0.150),
        (5, 4.52, 0.302),
        (20, 8.82, 0.588),
        (50, 11.6, 0.774),
        (np.inf, 15.0, 1.0),
    ],
)
def test_leg_share_by_hand(bond_ohm, reading, share):
    # Current divider: 15 Ω beside Zb + 1/Y, Y = 2/Z∞; wire of 0.46 Ω/km, GMR 5 mm, 350 m, 128 Hz.
    z = 350 * self_impedance(0.46e-3, 5e-3, 128.0, 100.0)
    by_hand = abs(
        1 / (1 / 15 + admittance(bond_ohm + infinite(15.0, z) / 2 if np.isfinite(bond_ohm) else np.inf))
    )
    bonds = np.zeros(401)
    bonds[200] = bond_ohm
    line = ladder(np.full(401, 15.0), bonds, np.full(400, z))
    points = driving_points(line)
    assert abs(points.tower_ohm[200]) == pytest.approx(by_hand, rel=1e-9)
    assert abs(points.tower_ohm[200]) == pytest.approx(reading, rel=6e-3)
    assert leg_share(line, points)[200] == pytest.approx(share, rel=6e-3)


def test_an_open_span_doubles_its_neighbours_and_an_open_bond_does_not():
    r, z = 15.0, 350 * self_impedance(0.46e-3, 5e-3, 128.0, 100.0)
    sound = np.abs(driving_points(uniform(r, z, 61)).tower_ohm)
    spans = np.full(60, z)
    spans[30] = np.inf
    broken = np.abs(driving_points(ladder(np.full(61, r), 0.0, spans)).tower_ohm)
    bonds = np.zeros(61)
    bonds[30] = np.inf
    unbonded = np.abs(driving_points(ladder(np.full(61, r), bonds, np.full(60, z))).wire_ohm)
    # With one direction gone, a tower sees half a line: Z_h = Z∞ − Z instead of Z_T.
    z_h, z_t = infinite(r, z) - z, 1 / (1 / r + 2 / infinite(r, z))
    assert broken[30] / sound[30] == pytest.approx(abs(z_h / z_t), rel=0.01)
    assert unbonded[31] / sound[31] == pytest.approx(1.075, abs=0.01)


def test_uniform_induction_makes_no_footing_current():
    # If E/Z is the same in every span, V = 0 solves the equations, whatever footings, bonds and spans are.
    rng = np.random.default_rng(7)
    span_ohm = WIRE * rng.uniform(200, 500, 60)
    bond_ohm = np.where(rng.random(61) < 0.2, np.inf, 0.0)
    ends = (1e-9, 1e-9)
    line = ladder(np.exp(rng.normal(np.log(15), 0.8, 61)), bond_ohm, span_ohm, ends)
    flow = solve(line, span_emf_v=5.0 * span_ohm)
    assert np.abs(flow.footing_a).max() < 1e-6
    assert np.abs(flow.wire_a - 5.0).max() < 1e-6


def test_an_open_span_throws_the_forced_current_into_its_neighbours():
    span_ohm = np.where(np.arange(60) == 30, np.inf, WIRE * 350)
    line = ladder(np.full(61, 15.0), 0.0, span_ohm, STATIONS)
    flow = solve(line, span_emf_v=np.full(60, 5.0 * WIRE * 350))
    # Away from the break the currents fade by κ = 1 + Z∞/R a tower; across it they are opposite.
    fade = flow.footing_a[30] / flow.footing_a[29]
    assert fade == pytest.approx(1 + infinite(15.0, WIRE * 350) / 15, rel=0.01)
    assert flow.footing_a[31] == pytest.approx(-flow.footing_a[30], rel=0.02)
    assert flow.wire_a[30] == 0


def test_open_everything_leaves_the_footing():
    points = driving_points(ladder(FOOTINGS, np.inf, np.full(11, np.inf)))
    assert points.tower_ohm == pytest.approx(FOOTINGS)


def test_a_piece_of_wire_without_earth_has_no_answer():
    bonds = np.array([0.0, 0.0, np.inf, 0.0])
    line = ladder(np.full(4, 10.0), bonds, np.array([0.1, np.inf, np.inf]))
    points = driving_points(line)
    assert points.remark.tolist() == ["", "", NO_EARTH, ALONE]
    assert np.isnan(points.wire_ohm).tolist() == [False, False, True, False]
    assert points.tower_ohm[2] == pytest.approx(10.0)
    flow = solve(line, np.ones(4))
    assert np.isnan(flow.wire_v).tolist() == [False, False, True, False]
    assert flow.tower_v[2] == pytest.approx(10.0)
    assert flow.tower_v[3] == pytest.approx(10.0)


def test_an_unknown_footing_makes_the_answers_unknown():
    line = ladder([10.0, np.nan, 10.0], 0.0, [0.1, 0.1])
    assert np.isnan(solve(line, [1.0, 0.0, 0.0]).wire_v).all()
    assert np.isnan(driving_points(line).tower_ohm).all()


def test_a_lost_footing_is_no_path_but_its_bond_still_is():
    line = ladder([10.0, np.inf, 10.0], [0.0, 5.0, 0.0], [1e-9, 1e-9])
    flow = solve(line, [0.0, 1.0, 0.0])
    assert flow.wire_v == pytest.approx(np.full(3, 5.0), rel=1e-6)
    assert flow.tower_v[1] == pytest.approx(10.0, rel=1e-6)
    assert driving_points(line).tower_ohm[1] == pytest.approx(10.0, rel=1e-6)


def test_many_faults_at_once():
    line = twelve_towers()
    together = solve(line, *fault_drive(np.arange(12), 4200.0, 2600.0, MUTUAL * SPANS_M))
    alone = solve(line, *fault_drive(3, 4200.0, 2600.0, MUTUAL * SPANS_M))
    assert together.tower_v.shape == (12, 12)
    assert together.tower_v[:, 3] == pytest.approx(alone.tower_v, rel=1e-12)


def test_station_currents_return_through_the_wire_though_the_end_tower_is_insulated():
    """Worked out by hand: three towers of 20 Ω, the first insulated and faulted, 5 + 3 kA, all resistances.

    The body has only its footing: 8000 A · 20 Ω = 160 kV. The wire has the first station (0.5 Ω), two spans of
    1 Ω, towers of 20 Ω on its nodes 1 and 2, and the last station (0.5 Ω); the stations draw 5000 and 3000 A
    out of its end nodes (Kirchhoff):
    3·V0 − V1 = −5000; −V0 + 2.05·V1 − V2 = 0; −V1 + 3.05·V2 = −3000.
    So V0 = (V1 − 5000)/3, V2 = (V1 − 3000)/3.05, and (2.05 − 1/3 − 1/3.05)·V1 = −5000/3 − 3000/3.05: with both
    sides times 9.15, 12.7075·V1 = −24250, V1 = −1908.32 V, V0 = −2302.77 V, V2 = −1609.28 V.
    """
    line = ladder([20.0] * 3, [np.inf, 0.0, 0.0], [1.0, 1.0], (0.5, 0.5))
    flow = solve(line, *fault_drive(0, 5000.0, 3000.0, [0.0, 0.0]))
    assert flow.tower_v == pytest.approx([160e3, -1908.32, -1609.28], abs=0.01)
    assert flow.footing_a == pytest.approx([8000.0, -95.416, -80.464], abs=0.001)
    assert flow.wire_v[0] == pytest.approx(-2302.77, abs=0.01)
    # All that enters the earth leaves it again.
    assert flow.footing_a.sum() + flow.station_a.sum() == pytest.approx(0.0, abs=1e-9)


def random_line(rng, count):
    """Footings, bonds, spans and stations; about a third of bonds and end bonds open, some spans without a wire."""
    bond_ohm = rng.choice([0.0, 4.0, np.inf], count, p=[0.5, 0.2, 0.3])
    bond_ohm[[0, -1]] = rng.choice([0.0, np.inf], 2)
    without = rng.random(count) < 0.15  # a tower without a shield wire: no bond, and both its spans open
    bond_ohm[without] = np.inf
    span_ohm = WIRE * rng.uniform(150, 500, count - 1)
    span_ohm[without[:-1] | without[1:]] = np.inf
    return np.exp(rng.normal(np.log(15), 0.8, count)), bond_ohm, span_ohm, tuple(rng.uniform(0.1, 5.0, 2))


@pytest.mark.parametrize("seed", range(40))
def test_earth_faults_against_the_whole_nodal_system(seed):
    """Kirchhoff's laws of all 2n nodes, dense: open bonds at the ends and inside, towers without a shield wire."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 14))
    parts, mutual_ohm = random_line(rng, count), MUTUAL * rng.uniform(150, 500, count - 1)
    share = tuple(rng.uniform(0.3, 1.0, 2))
    # The end towers are where the stations hang; each of them is faulted too.
    together = solve(ladder(*parts), *fault_drive(np.arange(count), 5000.0, 3000.0 + 400j, mutual_ohm, share))
    for tower in range(count):
        tower_v, wire_v = dense_fault(parts, tower, (5000.0, 3000.0 + 400j), mutual_ohm, share)
        assert together.tower_v[:, tower] == pytest.approx(tower_v, rel=1e-9, abs=1e-8)
        assert together.wire_v[:, tower] == pytest.approx(wire_v, rel=1e-9, abs=1e-8, nan_ok=True)
        alone = solve(ladder(*parts), *fault_drive(tower, 5000.0, 3000.0 + 400j, mutual_ohm, share))
        assert alone.tower_v == pytest.approx(tower_v, rel=1e-9, abs=1e-8)


def test_one_emf_for_many_injections():
    flow = solve(twelve_towers(), np.eye(12), np.ones(11))
    assert flow.wire_a.shape == (11, 12)


def test_one_tower():
    line = ladder([10.0], 0.0, [], (10.0, 5.0))
    assert driving_points(line).tower_ohm == pytest.approx([2.5])
    assert solve(line, [1.0]).tower_v == pytest.approx([2.5])


def test_a_line_of_one_span():
    # By hand: 10 Ω, and beside it 2 + 8 Ω; the other way 8 Ω beside 2 + 10 Ω.
    line = ladder([10.0, 8.0], 0.0, [2.0])
    assert driving_points(line).tower_ohm == pytest.approx([5.0, 4.8])
    assert solve(line, [1.0, 0.0]).footing_a == pytest.approx([0.5, 0.5])
    assert solve(line, span_emf_v=[20.0]).wire_a == pytest.approx([1.0])


def test_open_spans_on_both_sides_are_named():
    line = ladder(np.full(4, 10.0), 0.0, [np.inf, np.inf, 0.1])
    points = driving_points(line)
    assert points.remark.tolist() == [ALONE, ALONE, "", ""]
    assert points.tower_ohm[1] == pytest.approx(10.0)
    assert leg_share(line, points)[:2] == pytest.approx([1.0, 1.0])


@pytest.mark.parametrize(
    ("parts", "match"),
    [
        (
            ([10.0, 0.0], 0.0, [0.1]),
            "footings must be greater than 0 ohm in resistance: number 1, from 0, has 0",
        ),
        (([10.0, -3.0 + 9j], 0.0, [0.1]), "footings must be greater than 0 ohm"),
        (([10.0, -np.inf], 0.0, [0.1]), "footings must be greater than 0 ohm"),
        (([10.0, 10.0], [0.0, -2.0], [0.1]), "bonds must be 0 ohm or more in resistance: number 1"),
        (([10.0, 10.0], 0.0, [0.0]), "spans must be greater than 0 ohm"),
        (([10.0, 10.0], 0.0, [-0.1 + 0.3j]), "spans must be greater than 0 ohm"),
        (([10.0, 10.0], 0.0, [0.1], (0.0, 1.0)), "stations must be greater than 0 ohm"),
        (([10.0, 10.0], 0.0, [0.1], (1.0, -1.0)), "stations must be .* number 1, from 0, has -1"),
        (([10.0] * 3, 0.0, [0.1] * 3), "3 towers have 2 spans, not 3"),
        (([], 0.0, []), "at least one tower"),
    ],
)
def test_parts_that_no_line_has(parts, match):
    with pytest.raises(ValueError, match=match):
        ladder(*parts)


def test_drives_that_do_not_belong_to_the_line():
    with pytest.raises(ValueError, match="a drive of 12 values"):
        solve(twelve_towers(), np.ones(11))
    for tower in (-1, 12, [3, 12]):
        with pytest.raises(ValueError, match="the line has towers 0 to 11"):
            fault_drive(tower, 1.0, 1.0, MUTUAL * SPANS_M)
