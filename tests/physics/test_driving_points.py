"""Bond impedance from readings with and without coils: by hand, there and back, impossible readings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib.physics.ladder import (
    bond_impedance,
    bond_resistance,
    driving_points,
    ladder,
    leg_share_expected,
    sides,
)

WIRE = 0.4093e-3 + 0.7625e-3j


def test_bond_by_hand():
    # 10 Ω of footing read as 5 Ω: 10 Ω lie beside it, 5 Ω of them the rest of the line, 5 Ω the bond.
    bond_ohm, possible = bond_impedance(5.0, 10.0, 0.2)
    assert bond_ohm == pytest.approx(5.0)
    assert possible


@settings(deadline=None)
@given(
    st.integers(0, 9),
    st.sampled_from([0.0, 0.5, 3.0, 40.0 + 9j, np.inf]),
    st.lists(st.floats(1, 300), min_size=10, max_size=10),
)
def test_bond_there_and_back(tower, bond_ohm, footing_ohm):
    bonds = np.zeros(10, complex)
    bonds[tower] = bond_ohm
    line = ladder(np.array(footing_ohm), bonds, np.full(9, 300 * WIRE), (0.4, 0.9))
    points = driving_points(line)
    found, possible = bond_impedance(points.tower_ohm, line.footing_ohm, points.rest_s)
    if np.isinf(bond_ohm):
        # The reading with coils and that without are the same: nothing is left beside the footing.
        assert abs(found[tower]) > 1e12
    else:
        assert found[tower] == pytest.approx(bond_ohm, rel=1e-6, abs=1e-9)
        assert possible[tower] or bond_ohm == 0
    others = np.arange(10) != tower
    assert np.abs(found[others]).max() < 1e-9


def test_bond_that_is_open():
    assert bond_impedance(10.0, 10.0, 0.2)[0] == np.inf
    assert bond_impedance(10.0, 10.0, 0.2)[1]


def test_bond_of_a_lost_footing():
    # Only bond and line conduct: 8 Ω less the line's 5.
    assert bond_impedance(8.0, np.inf, 0.2)[0] == pytest.approx(3.0)


def test_readings_that_no_bond_explains():
    # Without coils less than a sound bond leaves (3.33 Ω), and more than the footing alone: neither is possible.
    bond_ohm, possible = bond_impedance(np.array([3.0, 12.0, 6.0]), 10.0, 0.2)
    assert possible.tolist() == [False, False, True]
    # By hand: 1/(1/3 − 1/10) − 5; 1/(1/12 − 1/10) − 5; 1/(1/6 − 1/10) − 5.
    assert bond_ohm.real == pytest.approx([30 / 7 - 5, -65.0, 10.0])


def test_no_line_no_bond():
    # Spans open on both sides: the bond leads nowhere, no reading tells of it.
    bond_ohm, possible = bond_impedance([10.0, 8.0], 10.0, 0.0)
    assert np.isnan(bond_ohm).all()
    assert not possible.any()
    assert np.isnan(bond_impedance(np.nan, 10.0, 0.2)[0])


@settings(deadline=None)
@given(st.floats(0.01, 100), st.floats(1, 300), st.floats(0.1, 5))
def test_phasors_and_magnitudes_agree_on_a_resistive_line(bond_ohm, footing_ohm, rest_ohm):
    share = leg_share_expected(footing_ohm, 1 / rest_ohm, bond_ohm)
    found, possible = bond_impedance(share * footing_ohm, footing_ohm, 1 / rest_ohm)
    assert found == pytest.approx(bond_ohm, rel=1e-6, abs=1e-8)
    assert bond_resistance(share, footing_ohm, 1 / rest_ohm) == pytest.approx(bond_ohm, rel=1e-6, abs=1e-8)
    assert possible


def test_sides_by_hand():
    # 10 Ω towers, spans of 10 Ω: one span and one tower are 20 Ω; that beside 10 Ω, and 10 Ω more, is 50/3 Ω.
    before_s, behind_s = sides(ladder(np.full(3, 10.0), 0.0, [10.0, 10.0]))
    assert before_s == pytest.approx([0.0, 1 / 20, 3 / 50])
    assert behind_s == pytest.approx([3 / 50, 1 / 20, 0.0])
