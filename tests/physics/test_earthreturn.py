"""Earth return: limits by hand, shapes, laws. Printed values and Carson's integral are in `reference`."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib.physics.overhead_line import (
    Wires,
    complex_depth,
    earth_return_depth,
    equivalent_wire,
    impedance_matrix,
    mean_height,
    mutual_impedance,
    self_impedance,
)


def test_the_two_forms_meet_at_the_switch():
    low, high = (self_impedance(0.36e-3, 5e-3, f, 100.0, height_m=30.0) for f in (150.0, 150.0001))
    assert abs(high / low - 1) < 0.015
    assert high != low


def test_mean_height_is_the_mean_of_a_parabola():
    x = np.linspace(-1, 1, 20001)
    assert mean_height(30.0, 6.0) == pytest.approx(np.mean(30.0 - 6.0 * (1 - x**2)), abs=1e-3)


def test_one_wire_needs_no_partner():
    wires = Wires(np.zeros(1), np.full(1, 25.0), np.full(1, 5e-3), np.full(1, 0.36e-3))
    z = impedance_matrix(wires, 50.0, 100.0)
    assert z[0, 0] == pytest.approx(self_impedance(0.36e-3, 5e-3, 50.0, 100.0), rel=1e-12)
    assert equivalent_wire(z) == pytest.approx(z[0, 0], rel=1e-12)


def test_wires_far_apart_share_like_resistors():
    assert equivalent_wire(np.diag([2.0, 3.0])) == pytest.approx(1.2)


def test_shapes_and_blanks():
    assert complex_depth(100.0, 50.0).ndim == 0
    assert earth_return_depth(np.array([[50.0], [100.0]]), np.array([50.0, 60.0])).shape == (2, 2)
    wires = Wires(np.zeros(2), np.array([20.0, 30.0]), np.full(2, 5e-3), np.full(2, 0.36e-3))
    assert impedance_matrix(wires, np.array([50.0, 1000.0, 5000.0]), 100.0).shape == (3, 2, 2)
    assert np.isnan(self_impedance(0.36e-3, 5e-3, 50.0, np.nan))


def test_no_height_where_one_is_needed():
    with pytest.raises(ValueError, match="give the heights"):
        self_impedance(0.36e-3, 5e-3, 1000.0, 100.0)
    with pytest.raises(ValueError, match="give the heights"):
        mutual_impedance(9.0, np.array([50.0, 1000.0]), 100.0)


@settings(deadline=None)
@given(
    st.floats(10, 5000),
    st.floats(40, 5000),
    st.lists(
        st.tuples(st.floats(-15, 15), st.floats(15, 50)),
        min_size=1,
        max_size=4,
        unique_by=lambda p: round(p[0]),
    ),
)
def test_matrices_are_symmetric_and_passive(rho, f, places):
    x, y = np.array(places).T
    wires = Wires(x, y, np.full(len(x), 5e-3), np.full(len(x), 0.36e-3))
    z = impedance_matrix(wires, f, rho)
    assert np.abs(z - z.T).max() <= 1e-12 * np.abs(z).max()
    assert np.linalg.eigvalsh(z.real).min() > 0
    one = equivalent_wire(z)
    assert one.real > 0
    assert abs(one) <= np.abs(np.diag(z)).max() * (1 + 1e-9)
