"""Laws that every ladder keeps: sums of currents, reciprocity, passivity, monotonicity, uniform induction."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib.physics.ladder import driving_points, fault_drive, ladder, leg_share, solve

WIRE, MUTUAL = 0.4093e-3 + 0.7625e-3j, 0.0493e-3 + 0.2915e-3j
STATIONS = (0.4, 0.9)
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


@settings(deadline=None)
@given(lines(), st.integers(0, 24))
def test_current_in_is_current_out(parts, place):
    line = ladder(*parts, STATIONS)
    injected = np.zeros(len(line.footing_ohm))
    injected[place % len(injected)] = 1.0
    flow = solve(line, injected)
    assert flow.footing_a.sum() + flow.station_a.sum() == pytest.approx(1.0, abs=1e-9)


@settings(deadline=None)
@given(lines(), st.integers(0, 24))
def test_what_comes_from_the_stations_returns_to_them(parts, place):
    line = ladder(*parts, STATIONS)
    place %= len(line.footing_ohm)
    flow = solve(line, *fault_drive(place, 4000.0, 1500.0, MUTUAL / WIRE * parts[2]))
    assert flow.footing_a.sum() + flow.station_a.sum() == pytest.approx(0.0, abs=1e-6)


@settings(deadline=None)
@given(lines(), st.integers(0, 24), st.integers(0, 24))
def test_reciprocity(parts, one, other):
    line = ladder(*parts, STATIONS)
    count = len(line.footing_ohm)
    tower_v = solve(line, np.eye(count)).tower_v
    one, other = one % count, other % count
    assert tower_v[one, other] == pytest.approx(tower_v[other, one], rel=1e-9, abs=1e-12)


@settings(deadline=None)
@given(lines())
def test_two_sweeps_are_the_diagonal_of_the_inverse(parts):
    line = ladder(*parts, STATIONS)
    dense = np.diag(line.tower_s + line.station_s)
    for i, g in enumerate(line.span_s):
        dense[i : i + 2, i : i + 2] += g * np.array([[1, -1], [-1, 1]])
    points = driving_points(line)
    assert points.wire_ohm == pytest.approx(np.diag(np.linalg.inv(dense)), rel=1e-8)
    assert points.tower_ohm == pytest.approx(np.diag(solve(line, np.eye(len(dense))).tower_v), rel=1e-8)


@settings(deadline=None)
@given(lines(real=True))
def test_the_shield_wire_never_raises_a_resistive_reading(parts):
    footing, bond, span = parts
    tower_ohm = driving_points(ladder(footing, bond, span, STATIONS)).tower_ohm.real
    assert (tower_ohm <= footing * (1 + 1e-12)).all()
    without_last = driving_points(ladder(footing, bond, np.r_[span[:-1], np.inf], STATIONS)).tower_ohm.real
    assert (tower_ohm <= without_last * (1 + 1e-9)).all()


@settings(deadline=None)
@given(lines())
def test_a_reading_without_coils_is_a_lower_bound(parts):
    line = ladder(*parts, STATIONS)
    tower_ohm = driving_points(line).tower_ohm
    assert (np.abs(tower_ohm) <= line.footing_ohm * (1 + 1e-9)).all()
    assert (leg_share(line, driving_points(line)) <= 1 + 1e-9).all()


@settings(deadline=None)
@given(lines(), st.integers(0, 2**32 - 1))
def test_power_is_taken_and_never_given(parts, seed):
    # Passive: whatever is injected where, the sources give power, and all of it turns to heat in the parts.
    line, rng = ladder(*parts, STATIONS), np.random.default_rng(seed)
    injected_a = rng.normal(size=len(parts[0])) + 1j * rng.normal(size=len(parts[0]))
    flow = solve(line, injected_a)
    given_va = np.sum(flow.tower_v * injected_a.conj())
    bond_a = flow.footing_a - injected_a
    bonded = np.isfinite(parts[1])
    heat_w = (
        np.sum(parts[0] * np.abs(flow.footing_a) ** 2)
        + np.sum(parts[1][bonded] * np.abs(bond_a[bonded]) ** 2)
        + np.sum(parts[2].real * np.abs(flow.wire_a) ** 2)
        + np.sum(STATIONS * np.abs(flow.station_a) ** 2)
    )
    assert given_va.real == pytest.approx(heat_w, rel=1e-7)
    assert (driving_points(line).tower_ohm.real > 0).all()
    assert (driving_points(line).rest_s.real >= 0).all()


@settings(deadline=None)
@given(lines(), st.floats(0.1, 100))
def test_uniform_induction_gives_no_footing_current(parts, forced_a):
    # E/Z the same in every span, both ends held at earth: V = 0 solves the equations of any such line.
    flow = solve(ladder(*parts, (1e-9, 1e-9)), span_emf_v=forced_a * parts[2])
    assert np.abs(flow.footing_a).max() < 1e-6 * forced_a
    assert flow.wire_a == pytest.approx(np.full(len(parts[2]), forced_a), rel=1e-6)


@settings(deadline=None)
@given(lines())
def test_open_everything_leaves_each_footing_alone(parts):
    footing, _, span = parts
    for bond_ohm, span_ohm in (
        (np.inf, span),
        (np.inf, np.inf * np.ones(len(span))),
        (parts[1], np.inf * span.real),
    ):
        points = driving_points(ladder(footing, bond_ohm, span_ohm))
        assert points.tower_ohm == pytest.approx(footing, rel=1e-12)


@settings(deadline=None)
@given(lines())
def test_perfect_footings_leave_nothing(parts):
    _, bond, span = parts
    points = driving_points(ladder(np.full(len(bond), 1e-9), bond, span))
    assert np.abs(points.tower_ohm).max() <= 1e-9 * (1 + 1e-6)


@settings(deadline=None)
@given(lines(real=True), st.integers(0, 24), st.floats(1.0, 20.0))
def test_more_resistance_anywhere_never_lowers_a_reading(parts, place, factor):
    # Rayleigh's monotonicity law, for lines of resistors.
    footing, bond, span = parts
    before = driving_points(ladder(footing, bond, span, STATIONS)).tower_ohm.real
    here = np.arange(len(footing)) == place % len(footing)
    for changed in (
        (np.where(here, footing * factor, footing), bond, span),
        (footing, np.where(here, bond + factor, bond), span),
        (footing, bond, np.where(here[1:], span * factor, span)),
    ):
        after = driving_points(ladder(*changed, STATIONS)).tower_ohm.real
        assert (after >= before * (1 - 1e-9)).all()
