"""Uniform line in closed form: against the ladder, by hand, for very long lines."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.uniform_line import (
    at_end_tower,
    at_mid_tower,
    decay,
    far_distance,
    far_fault_rise,
    finite_from_station,
    from_station,
    split_factor,
    wire_current_beside_fault,
)
from towerlib.physics.ladder import driving_points, fault_drive, ladder, solve
from towerlib.physics.overhead_line import self_impedance

PAIRS = [(15.0, 0.12 + 0.23j), (5.0, 1.05 + 0.3j), (100.0, 0.02 + 0.3j), (0.05, 3.0 + 1.0j)]


def uniform(r, z, count):
    return ladder(np.full(count, float(r)), 0.0, np.full(count - 1, z))


@pytest.mark.parametrize(("r", "z"), PAIRS)
def test_the_three_impedances_of_a_ladder(r, z):
    # A line long enough that its ends do not matter; the spans and footings counted by hand.
    points = driving_points(uniform(r, z, 1201))
    assert at_mid_tower(r, z) == pytest.approx(points.tower_ohm[600], rel=1e-9)
    assert at_end_tower(r, z) == pytest.approx(points.tower_ohm[0], rel=1e-9)
    assert from_station(r, z) == pytest.approx(z + points.tower_ohm[0], rel=1e-9)
    # Definition: an endless line with one more span and tower in front is the same line.
    assert from_station(r, z) == pytest.approx(z + 1 / (1 / r + 1 / from_station(r, z)), rel=1e-12)


@pytest.mark.parametrize(("r", "z"), PAIRS)
def test_decay_from_tower_to_tower(r, z):
    # The middle tower of 41 is far enough from both ends of the poorer lines only; the wave is what counts.
    wire_v = solve(uniform(r, z, 1201), np.eye(1201)[600]).wire_v
    assert decay(r, z) == pytest.approx(wire_v[600] / wire_v[601], rel=1e-9)
    assert np.cosh(np.log(decay(r, z))) == pytest.approx(1 + z / (2 * r), rel=1e-9)
    assert abs(decay(r, z)) > 1


@pytest.mark.parametrize("count", [0, 1, 3, 10, 40, 299, 301, 5000])
@pytest.mark.parametrize("station_ohm", [0.1, 1.0, 10.0, np.inf])
@pytest.mark.parametrize(("r", "z"), PAIRS)
def test_finite_line(count, station_ohm, r, z):
    found = finite_from_station(count, r, z, station_ohm)
    # Element by element from the far end: a span, then a footing beside it.
    seen = station_ohm + z if np.isfinite(station_ohm) else np.inf
    for _ in range(count):
        seen = z + 1 / (1 / r + (1 / seen if np.isfinite(seen) else 0))
    assert found == pytest.approx(seen, rel=1e-11)


def test_finite_line_by_hand():
    # Ohms of 1: station and span in series are 2, beside the footing 2/3, behind the span 5/3.
    assert finite_from_station(1, 1.0, 1.0, 1.0) == pytest.approx(5 / 3)
    assert finite_from_station(2, 1.0, 1.0, 1.0) == pytest.approx(13 / 8)
    assert finite_from_station(3, 1.0, 1.0, 0.0) == pytest.approx(1 + 8 / 13)


@settings(deadline=None)
@given(st.floats(0.5, 500), st.floats(0.01, 3), st.floats(0, 3), st.integers(0, 10**6))
def test_long_lines_do_not_overflow(r, re, im, count):
    z = complex(re, im)
    found = finite_from_station(count, r, z, 1.0)
    assert np.isfinite(found)
    if abs(decay(r, z)) ** -count < 1e-8:
        assert found == pytest.approx(from_station(r, z), rel=1e-9)


def test_arrays_and_blanks():
    r, z = np.array([5.0, 15.0, np.nan]), 0.12 + 0.23j
    for of in (from_station, at_end_tower, at_mid_tower, decay):
        found = of(r, z)
        assert found.shape == (3,)
        assert np.isnan(found).tolist() == [False, False, True]
        assert found[1] == of(15.0, z)
    assert finite_from_station(np.array([[1], [1000]]), r, z, [0.1, 1.0, np.inf]).shape == (2, 3)
    assert far_distance(r, z, 300.0).shape == (3,)


@pytest.mark.parametrize(
    ("r_ohm_km", "footing_ohm", "by_hand"),
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
def test_table_of_a_uniform_line(r_ohm_km, footing_ohm, by_hand):
    # IEC 60909-3 formulas (from memory) by hand: 300 m spans, 100 Ω·m, 50 Hz, wire GMR 5 mm: |Z∞|, |Z_T|, |κ|.
    # The ladder, element by element, gives the same.
    z = 300 * self_impedance(r_ohm_km / 1e3, 5e-3, 50.0, 100.0)
    closed = [abs(of(footing_ohm, z)) for of in (from_station, at_mid_tower, decay)]
    assert closed == pytest.approx(by_hand, rel=5e-4)
    points = driving_points(uniform(footing_ohm, z, 2001))
    laddered = [abs(z + points.tower_ohm[0]), abs(points.tower_ohm[1000])]
    assert laddered == pytest.approx(closed[:2], rel=1e-9)


def test_far_fault():
    # Element by element: 401 towers, fault in the middle, fed from both ends.
    r, z, zm = 15.0, 0.12279 + 0.22875j, 0.01479 + 0.08745j
    line = ladder(np.full(401, r), 0.0, np.full(400, z), (0.5, 0.5))
    flow = solve(line, *fault_drive(200, 3000.0, 2000.0, np.full(400, zm)))
    reduction = 1 - zm / z
    assert far_fault_rise(r, z, reduction, 5000.0) == pytest.approx(flow.tower_v[200], rel=1e-6)
    assert far_fault_rise(r, z, reduction, 5000.0) / r == pytest.approx(flow.footing_a[200], rel=1e-6)
    beside = wire_current_beside_fault(r, z, reduction, 3000.0, 2000.0)
    assert beside == pytest.approx(flow.wire_a[199], rel=1e-6)
    # What goes into the tower comes out of it: the span behind has the mirror image.
    behind = -wire_current_beside_fault(r, z, reduction, 2000.0, 3000.0)
    assert 5000.0 + beside - behind == pytest.approx(flow.footing_a[200], rel=1e-5)


def test_a_line_is_far_from_itself_nowhere():
    # Ten times the far distance away, the other station does not matter; at the station it does.
    r, z = 15.0, 0.12 + 0.23j
    near, far = (round(k * far_distance(r, z, 300.0) / 300) for k in (0.1, 10))
    apart = [abs(finite_from_station(n, r, z, 0.1) / from_station(r, z) - 1) for n in (near, far)]
    assert apart[0] > 0.3
    assert apart[1] < 1e-12


def test_split_of_a_station_fault():
    # Current divider by hand: two lines of 2 Ω are 1 Ω beside a grid of 3 Ω: a quarter.
    assert split_factor(3.0, [2.0, 2.0]) == pytest.approx(0.25)
    assert split_factor(3.0, [np.inf, 1.0]) == pytest.approx(0.25)
    found = split_factor(np.array([1.0, 3.0]), np.array([[1.0j, np.nan], [2.0, 2.0]]))
    assert np.isnan(found[0])
    assert found[1] == pytest.approx(0.25)
    # IEEE Std 80 (from memory): the station's share by the ladder itself.
    line = ladder(np.full(300, 15.0), 0.0, np.full(299, 0.12 + 0.23j), (np.inf, 0.5))
    seen = 0.12 + 0.23j + driving_points(line).tower_ohm[0]
    whole = ladder(np.r_[0.8, np.full(300, 15.0)], 0.0, np.full(300, 0.12 + 0.23j), (np.inf, 0.5))
    share = abs(solve(whole, np.eye(301)[0]).footing_a[0])
    assert split_factor(0.8, [seen]) == pytest.approx(share, rel=1e-9)
