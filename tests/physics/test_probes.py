"""Probe geometry against printed tables and hand-worked limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from towerlib.physics.probes import (
    angle_off_line_deg,
    equivalent_hemisphere_m,
    expected_spread,
    four_leg_hemisphere_m,
    hemisphere_reading_ratio,
)


def test_probe_at_618_of_the_current_probe_reads_true():
    # MIL-HDBK-419A vol. 1, eq. 2-41 to 2-46: 61.8 %, printed to three digits
    exact = (np.sqrt(5) - 1) / 2
    assert round(exact, 3) == 0.618
    assert hemisphere_reading_ratio(1.0, exact * 10, 10.0) == pytest.approx(1.0, abs=1e-12)
    assert hemisphere_reading_ratio(1.0, 6.18, 10.0) == pytest.approx(1.0, abs=0.0005)


@pytest.mark.parametrize(
    ("current_over_radius", "half", "seven_tenths", "eight_tenths"),
    [(5, 1 - 1 / 5, 1 + 0.9048 / 5, 1 + 2.75 / 5), (20, 1 - 1 / 20, 1 + 0.9048 / 20, 1 + 2.75 / 20)],
)
def test_hemisphere_by_hand(current_over_radius, half, seven_tenths, eight_tenths):
    # by hand: 1 − 1/p − 1 + 1/(1−p), times a/c, at p = 0.5: −1; 0.7: +0.9048; 0.8: +2.75
    read = hemisphere_reading_ratio(1.0, np.array([0.5, 0.7, 0.8]) * current_over_radius, current_over_radius)
    assert read == pytest.approx([half, seven_tenths, eight_tenths], abs=1e-4)


def test_probes_at_an_angle_by_hand():
    # by hand: equal distances, q = 2c·sin(θ/2); at 180° 1 − 1.5 a/c; true at 2·sin(θ/2) = 1/2
    assert hemisphere_reading_ratio(1.0, 10.0, 10.0, 180.0) == pytest.approx(0.85)
    assert hemisphere_reading_ratio(1.0, 10.0, 10.0, 90.0) == pytest.approx(1 - 0.2 + 0.1 / np.sqrt(2))
    true_at = 2 * np.degrees(np.arcsin(0.25))
    assert hemisphere_reading_ratio(1.0, 10.0, 10.0, true_at) == pytest.approx(1.0)


def test_both_probes_in_one_place_read_without_bound():
    assert hemisphere_reading_ratio(1.0, 10.0, 10.0) == np.inf


def test_expected_spread_is_the_difference_of_two_readings():
    at = hemisphere_reading_ratio(2.0, np.array([70.0, 50.0]), 100.0)
    assert expected_spread(2.0, 100.0) == pytest.approx(at[0] - at[1])
    assert expected_spread(1.0, 1.0) == pytest.approx(1.905, abs=0.0005)


def test_equivalent_hemisphere_by_hand():
    # by hand: a hemisphere of 1 m in 2π Ω·m has 1 Ω
    assert equivalent_hemisphere_m(2 * np.pi, 1.0) == pytest.approx(1.0)
    assert np.isnan(equivalent_hemisphere_m(100.0, np.array([0.0, -1.0, np.nan]))).all()


def test_four_legs_far_apart_are_four_in_parallel_and_close_ones_worse():
    # limit by hand: no coupling leaves a quarter of one leg's resistance, so four times the radius
    assert four_leg_hemisphere_m(1.5, 1e9) == pytest.approx(6.0)
    assert four_leg_hemisphere_m(1.5, 6.0) < 6.0
    assert np.isnan(four_leg_hemisphere_m(1.5, np.nan))


@pytest.mark.parametrize(
    ("bearing", "line", "angle"),
    [(0, 90, 90), (350, 20, 30), (200, 20, 0), (20, 200, 0), (110, 20, 90), (65, 20, 45)],
)
def test_angle_folds_on_a_straight_line(bearing, line, angle):
    assert angle_off_line_deg(bearing, line) == pytest.approx(angle)


def test_angle_tower_counts_the_spans_as_they_leave():
    # by hand: line comes in at 60°, leaves at 120°: the spans leave towards 240° and 120°
    assert angle_off_line_deg(0.0, 90.0, 60.0) == pytest.approx(120.0)
    assert angle_off_line_deg(180.0, 90.0, 60.0) == pytest.approx(60.0)
    assert np.isnan(angle_off_line_deg(np.nan, 90.0, 60.0))


@given(st.floats(0, 360), st.floats(0, 360))
def test_angle_on_a_straight_line_is_between_0_and_90_and_the_same_from_either_side(bearing, line):
    angle = angle_off_line_deg(bearing, line)
    assert -1e-9 <= angle <= 90 + 1e-9
    assert angle_off_line_deg(bearing + 180, line) == pytest.approx(angle, abs=1e-6)


@given(st.floats(0.1, 5.0), st.floats(0.05, 0.95), st.floats(20.0, 200.0))
def test_reading_rises_as_the_potential_probe_moves_out(radius, place, current):
    nearer = hemisphere_reading_ratio(radius, place * current, current)
    farther = hemisphere_reading_ratio(radius, (place + 0.01) * current, current)
    assert farther > nearer


@given(
    st.floats(0.5, 6.0),
    st.floats(0.1, 20.0),
    st.floats(0.4, 0.8),
    st.floats(60.0, 200.0),
    st.floats(0.0, 90.0),
)
def test_beside_shield_wires_the_reading_is_that_of_sources_in_the_ground(
    radius, wires_ohm, place, current, angle
):
    """Potentials of point sources, worked from the start: 1 A goes in at the tower and out at the current probe.

    The footing R = ρ/(2πa) lies in the probe's field -ρ/(2πc), the wires lead to remote earth. Kirchhoff at the tower
    gives the current of the footing; the potential probe sees both currents.
    """
    rho, potential = 300.0, place * current
    apart = abs(potential - current * np.exp(1j * np.radians(angle)))
    ohm, field = rho / (2 * np.pi * radius), rho / (2 * np.pi)
    foot_a = (wires_ohm + field / current) / (ohm + wires_ohm)
    tower_v = wires_ohm * (1 - foot_a)
    probe_v = field * (foot_a / potential - 1 / apart)
    read = (tower_v - probe_v) / foot_a / ohm
    found = hemisphere_reading_ratio(radius, potential, current, angle, leg_share=foot_a)
    assert found == pytest.approx(read, rel=1e-9)
