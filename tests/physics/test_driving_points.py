"""Driving points of a ladder: bond impedances found again from them, admittances on both sides by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.reference.bond_phasors import bond_impedance
from towerlib.physics.ladder import (
    bond_resistance,
    driving_points,
    ladder,
    leg_share_expected,
    sides,
)

WIRE = 0.4093e-3 + 0.7625e-3j


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
