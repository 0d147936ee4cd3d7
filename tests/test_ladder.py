"""The line as a ladder: an independent circuit solver, printed values, closed forms, laws."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from towerlib.physics.drivingpoints import NO_EARTH, driving_points, leg_share
from towerlib.physics.earthreturn import self_impedance
from towerlib.physics.ladder import admittance, fault_drive, ladder, solve

REFERENCE = Path(__file__).parent / "reference" / "ladder-ngspice.csv"
# The twelve-tower line of reference/ladder-ngspice.cir.
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


def twelve_towers(case="sound"):
    bonds, spans = CASES[case]
    bond_ohm = np.zeros(12)
    bond_ohm[list(bonds)] = list(bonds.values())
    span_ohm = WIRE * SPANS_M
    span_ohm[list(spans)] = np.inf
    return ladder(FOOTINGS, bond_ohm, span_ohm, STATIONS)


def uniform(r, z, count=401, bond_ohm=0.0):
    return ladder(np.full(count, float(r)), bond_ohm, np.full(count - 1, z))


def infinite(r, z):
    """Infinite line seen from a station: IEC 60909-3; Endrenyi, IEEE PAS-86 (1967); from memory."""
    return z / 2 + np.sqrt(z * z / 4 + r * z)


def reference(case, drive):
    with REFERENCE.open() as file:
        rows = [row for row in csv.DictReader(file) if row["case"] == case and row["drive"] == drive]
    return (
        np.array([complex(float(r[f"{n}_re_v"]), float(r[f"{n}_im_v"])) for r in rows])
        for n in ("tower", "wire")
    )


@pytest.mark.parametrize("case", CASES)
def test_fault_against_ngspice(case):
    # ngspice 39.3, reference/ladder-ngspice.cir: nodes for tower and wire, spans of R, L and source.
    tower_v, wire_v = reference(case, "fault")
    drive = fault_drive(5, 4200.0, 2600.0, MUTUAL * SPANS_M, station_share=(0.0, 0.0))
    flow = solve(twelve_towers(case), *drive)
    assert flow.tower_v == pytest.approx(tower_v, rel=1e-9, abs=1e-9)
    assert flow.wire_v == pytest.approx(wire_v, rel=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_driving_points_against_ngspice(case):
    tower_v, wire_v = reference(case, "driving point")
    line = twelve_towers(case)
    points = driving_points(line)
    assert points.tower_ohm == pytest.approx(tower_v, rel=1e-9)
    bonded = line.bond_ohm == 0
    assert points.wire_ohm[bonded] == pytest.approx(wire_v[bonded], rel=1e-9)


def test_infinite_ladder_of_equal_ohms():
    # Feynman Lectures on Physics II-22: equal resistors give the golden ratio.
    line = ladder(np.full(200, 1.0), 0.0, np.full(199, 1.0))
    assert driving_points(line).tower_ohm[0] + 1.0 == pytest.approx((1 + np.sqrt(5)) / 2, rel=1e-12)


@pytest.mark.parametrize(("footing_ohm", "printed"), [(15.0, 2.64 + 0.60j), (100.0, 6.44 + 1.37j)])
def test_ladder_seen_from_a_station_as_printed(footing_ohm, printed):
    # IEEE Std 80-2000 table C.1, one line, one shield wire (from memory; after Garrett et al. 1987):
    # 7 No. 10 aluminium-clad steel, 3.88 Ω/mile, GMR 0.001658 ft, spans of 500 ft, 60 Hz, 100 Ω·m.
    z = self_impedance(3.88 / 1609.344, 0.001658 * 0.3048, 60.0, 100.0) * 500 * 0.3048
    seen = z + driving_points(uniform(footing_ohm, z, 2000)).tower_ohm[0]
    assert seen == pytest.approx(printed, rel=0.01)


@pytest.mark.parametrize(("r", "z"), [(15.0, 0.12 + 0.23j), (5.0, 1.05 + 0.3j), (100.0, 0.02 + 0.3j)])
def test_closed_forms_of_a_uniform_line(r, z):
    # IEC 60909-3 driving-point impedances and decay (from memory).
    z_inf = infinite(r, z)
    points = driving_points(uniform(r, z, 1201))
    assert points.tower_ohm[600] == pytest.approx(1 / (1 / r + 2 / z_inf), rel=1e-9)
    assert points.tower_ohm[600] == pytest.approx(r * z / np.sqrt(z * z + 4 * r * z), rel=1e-9)
    assert points.tower_ohm[0] == pytest.approx(z_inf - z, rel=1e-9)
    wire_v = solve(uniform(r, z, 1201), np.eye(1201)[600]).wire_v
    assert wire_v[600] / wire_v[601] == pytest.approx(1 + z_inf / r, rel=1e-9)
    assert np.cosh(np.log(wire_v[600] / wire_v[601])) == pytest.approx(1 + z / (2 * r), rel=1e-9)


@pytest.mark.parametrize("count", [1, 3, 10, 40])
@pytest.mark.parametrize("station_ohm", [0.1, 1.0, 10.0])
def test_finite_chain(count, station_ohm):
    # IEC 60909-3, finite chain of n towers and n + 1 spans closed by a station (from memory).
    r, z = 15.0, 0.12 + 0.23j
    z_inf = infinite(r, z)
    k, b = 1 + z_inf / r, z_inf - z
    above = z_inf * (station_ohm + z_inf) * k**count + b * (station_ohm - b) * k**-count
    printed = above / ((station_ohm + z_inf) * k**count - (station_ohm - b) * k**-count)
    # The last span and the station are one more tower whose footing is the station.
    line = ladder(np.r_[np.full(count, r), station_ohm], 0.0, np.full(count, z))
    assert z + driving_points(line).tower_ohm[0] == pytest.approx(printed, rel=1e-12)


def test_far_from_station():
    # IEC 60909-3: at 3·√R/Re√Z spans "far" is e^-3, 5 % (from memory).
    r, z = 15.0, 0.12 + 0.23j
    spans = 3 * np.sqrt(r) / np.sqrt(z).real
    assert abs(1 + infinite(r, z) / r) ** -spans == pytest.approx(0.05, rel=0.01)


@pytest.mark.parametrize(
    ("r_ohm_km", "footing_ohm", "printed"),
    [
        (3.5, 5, (2.938, 1.137, 1.584)),
        (3.5, 15, (4.620, 2.004, 1.306)),
        (3.5, 50, (7.942, 3.681, 1.158)),
        (3.5, 100, (10.99, 5.212, 1.109)),
        (0.36, 5, (1.256, 0.568, 1.216)),
        (0.36, 15, (2.088, 0.986, 1.120)),
        (0.36, 50, (3.716, 1.801, 1.064)),
        (0.36, 100, (5.208, 2.547, 1.045)),
    ],
)
def test_table_of_a_uniform_line(r_ohm_km, footing_ohm, printed):
    # IEC 60909-3 formulas by hand, 300 m spans, 100 Ω·m, 50 Hz, wire GMR 5 mm: |Z∞|, |Z_T|, |κ|.
    z = 300 * self_impedance(r_ohm_km / 1e3, 5e-3, 50.0, 100.0)
    points = driving_points(uniform(footing_ohm, z, 2001))
    z_inf = z + points.tower_ohm[0]
    found = [abs(z_inf), abs(points.tower_ohm[1000]), abs(1 + z_inf / footing_ohm)]
    assert found == pytest.approx(printed, rel=2e-3)


def test_far_fault():
    # IEC 60909-3 (from memory): tower rise r_s·(I_A + I_B)·Z_T, far from both ends.
    r, length_m = 15.0, 300.0
    z, zm = WIRE * length_m, MUTUAL * length_m
    line = ladder(np.full(401, r), 0.0, np.full(400, z), (0.5, 0.5))
    flow = solve(line, *fault_drive(200, 3000.0, 2000.0, np.full(400, zm)))
    z_inf = infinite(r, z)
    r_s, z_t = 1 - zm / z, 1 / (1 / r + 2 / z_inf)
    assert flow.tower_v[200] == pytest.approx(r_s * 5000 * z_t, rel=1e-6)
    beside = -zm / z * 3000 - r_s * 5000 * z_t / z_inf
    assert flow.wire_a[199] == pytest.approx(beside, rel=1e-6)


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
    assert points.remark.tolist() == ["", "", NO_EARTH, ""]
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


def test_one_emf_for_many_injections():
    flow = solve(twelve_towers(), np.eye(12), np.ones(11))
    assert flow.wire_a.shape == (11, 12)


def test_one_tower():
    line = ladder([10.0], 0.0, [], (10.0, 5.0))
    assert driving_points(line).tower_ohm == pytest.approx([2.5])
    assert solve(line, [1.0]).tower_v == pytest.approx([2.5])


def test_shapes_that_do_not_belong_together():
    with pytest.raises(ValueError, match="3 towers have 2 spans, not 3"):
        ladder([10.0, 10.0, 10.0], 0.0, [0.1, 0.1, 0.1])
    with pytest.raises(ValueError, match="greater than 0 ohm"):
        ladder([10.0, 0.0], 0.0, [0.1])
    with pytest.raises(ValueError, match="a drive of 12 values"):
        solve(twelve_towers(), np.ones(11))


ohms = st.floats(0.5, 500)


@st.composite
def lines(draw, real=False):
    """Draw 2 to 25 towers, some of them without a bond."""
    count = draw(st.integers(2, 25))
    footing = np.array(draw(st.lists(ohms, min_size=count, max_size=count)))
    bond = np.array(draw(st.lists(st.sampled_from([0.0, 0.0, 3.0, np.inf]), min_size=count, max_size=count)))
    length = np.array(draw(st.lists(st.floats(100, 600), min_size=count - 1, max_size=count - 1)))
    span = (WIRE.real if real else WIRE) * length
    return footing, bond, span


@given(lines(), st.integers(0, 24))
def test_current_in_is_current_out(parts, place):
    line = ladder(*parts, STATIONS)
    injected = np.zeros(len(line.footing_ohm))
    injected[place % len(injected)] = 1.0
    flow = solve(line, injected)
    assert flow.footing_a.sum() + flow.station_a.sum() == pytest.approx(1.0, abs=1e-9)


@given(lines(), st.integers(0, 24))
def test_what_comes_from_the_stations_returns_to_them(parts, place):
    line = ladder(*parts, STATIONS)
    place %= len(line.footing_ohm)
    flow = solve(line, *fault_drive(place, 4000.0, 1500.0, MUTUAL / WIRE * parts[2]))
    assert flow.footing_a.sum() + flow.station_a.sum() == pytest.approx(0.0, abs=1e-6)


@given(lines(), st.integers(0, 24), st.integers(0, 24))
def test_reciprocity(parts, one, other):
    line = ladder(*parts, STATIONS)
    count = len(line.footing_ohm)
    tower_v = solve(line, np.eye(count)).tower_v
    one, other = one % count, other % count
    assert tower_v[one, other] == pytest.approx(tower_v[other, one], rel=1e-9, abs=1e-12)


@given(lines())
def test_two_sweeps_are_the_diagonal_of_the_inverse(parts):
    line = ladder(*parts, STATIONS)
    dense = np.diag(line.tower_s + line.station_s)
    for i, g in enumerate(line.span_s):
        dense[i : i + 2, i : i + 2] += g * np.array([[1, -1], [-1, 1]])
    points = driving_points(line)
    assert points.wire_ohm == pytest.approx(np.diag(np.linalg.inv(dense)), rel=1e-8)
    assert points.tower_ohm == pytest.approx(np.diag(solve(line, np.eye(len(dense))).tower_v), rel=1e-8)


@given(lines(real=True))
def test_the_shield_wire_never_raises_a_resistive_reading(parts):
    footing, bond, span = parts
    tower_ohm = driving_points(ladder(footing, bond, span, STATIONS)).tower_ohm.real
    assert (tower_ohm <= footing * (1 + 1e-12)).all()
    without_last = driving_points(ladder(footing, bond, np.r_[span[:-1], np.inf], STATIONS)).tower_ohm.real
    assert (tower_ohm <= without_last * (1 + 1e-9)).all()


@given(lines())
def test_a_reading_without_coils_is_a_lower_bound(parts):
    line = ladder(*parts, STATIONS)
    tower_ohm = driving_points(line).tower_ohm
    assert (np.abs(tower_ohm) <= line.footing_ohm * (1 + 1e-9)).all()
    assert (leg_share(line, driving_points(line)) <= 1 + 1e-9).all()
