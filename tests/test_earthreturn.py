"""Earth return: printed matrices, Carson's integral, limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from towerlib.physics.earthreturn import (
    complex_depth,
    earth_return_depth,
    equivalent_wire,
    impedance_matrix,
    mutual_impedance,
    reduction_factor,
    self_impedance,
)
from towerlib.physics.wires import Wires, mean_height, solid_wire_gmr

MU0 = 4e-7 * np.pi
MILE_M, FOOT_M = 1609.344, 0.3048


def carson(frequency_hz, resistivity_ohm_m, height_sum_m, across_m, distance_m):
    """Reactance and earth part of a loop by Carson's integral [Ω/m]; Carson, Bell Syst. Tech. J. 5 (1926)."""
    m2 = 2j * np.pi * frequency_hz * MU0 / resistivity_ohm_m

    def integrand(u, part):
        value = 2 * np.exp(-height_sum_m * u) * np.cos(across_m * u) / (u + np.sqrt(u * u + m2))
        return getattr(value, part)

    depth = np.sqrt(abs(m2))
    j = sum(
        factor * quad(integrand, 0, 60 / height_sum_m + 40 * depth, args=(part,), limit=400)[0]
        for part, factor in (("real", 1), ("imag", 1j))
    )
    image_m = np.hypot(height_sum_m, across_m)
    return 1j * frequency_hz * MU0 * (np.log(image_m / distance_m) + j)


def test_return_depth_as_printed():
    # IEC 60909-3 prints 931 m at 50 Hz and 850 m at 60 Hz for 100 Ω·m (from memory), with 1.85 for 1.8514.
    assert earth_return_depth(100.0, [50.0, 60.0]) == pytest.approx([931.0, 850.0], rel=1e-3)


def test_return_depth_constant_as_printed():
    # Diabi, Int. J. of Electrical and Computer Engineering (WASET) 7(6) 2013: De = 658·√(ρ/f).
    assert earth_return_depth(1.0, 1.0) == pytest.approx(658, rel=2e-3)


def test_earth_resistance_as_printed():
    # Same page: π²·f·10⁻⁴ Ω/km.
    assert mutual_impedance(10.0, 50.0, 100.0).real == pytest.approx(np.pi**2 * 50e-7, rel=1e-12)


def test_primitive_and_phase_matrix_of_a_four_wire_line():
    # W. H. Kersting, Distribution System Modeling and Analysis, example 4.1: matrix as printed in test data
    # of an open-source line-constants package, conductor data from memory.
    feet = np.array([[0.0, 29.0], [2.5, 29.0], [7.0, 29.0], [4.0, 25.0]]) * FOOT_M
    wires = Wires(
        feet[:, 0],
        feet[:, 1],
        np.array([0.0244, 0.0244, 0.0244, 0.00814]) * FOOT_M,
        np.array([0.306, 0.306, 0.306, 0.592]) / MILE_M,
    )
    z = impedance_matrix(wires, 60.0, 100.0) * MILE_M
    phases = z[:3, :3] - z[:3, 3:] @ z[3:, :3] / z[3, 3]
    printed = [
        [0.4576 + 1.0780j, 0.1560 + 0.5017j, 0.1535 + 0.3849j],
        [0.1560 + 0.5017j, 0.4666 + 1.0482j, 0.1580 + 0.4236j],
        [0.1535 + 0.3849j, 0.1580 + 0.4236j, 0.4615 + 1.0651j],
    ]
    assert phases == pytest.approx(np.array(printed), rel=3e-4)
    turn = np.exp(2j * np.pi / 3)
    fortescue = np.array([[1, 1, 1], [1, turn**2, turn], [1, turn, turn**2]])
    sequence = np.linalg.solve(fortescue, phases @ fortescue)
    assert np.diag(sequence)[:2] == pytest.approx(np.array([0.7735 + 1.9373j, 0.3061 + 0.6270j]), rel=3e-4)


def test_doubled_resistivity_as_printed():
    # P. Varjú, Budapest University of Technology, lecture "Earth return": +2.6 % for a wire of 1 mm radius,
    # +18.4 % for the mutual term at 100 m, both of the logarithm.
    log_self = np.log(earth_return_depth([50.0, 100.0], 50.0) / 1e-3)
    log_mutual = np.log(earth_return_depth([50.0, 100.0], 50.0) / 100.0)
    assert log_self[1] / log_self[0] - 1 == pytest.approx(0.026, abs=5e-4)
    assert log_mutual[1] / log_mutual[0] - 1 == pytest.approx(0.184, abs=5e-4)


@pytest.mark.parametrize(
    ("r_ohm_km", "diameter_mm", "printed", "tolerance"),
    [(0.6573, 11.2, 0.77, 0.02), (0.0949, 24.5, 0.61, 0.04)],
)
def test_reduction_factor_as_printed(r_ohm_km, diameter_mm, printed, tolerance):
    # EN 50522 Annex I (from memory): 110 kV, 100 Ω·m, 50 Hz, mean distance 8 to 10 m; Al/St 44/32, 300/50.
    gmr_m = solid_wire_gmr(diameter_mm / 2e3)
    shield = self_impedance(r_ohm_km / 1e3, gmr_m, 50.0, 100.0).reshape(1, 1)
    factors = [
        abs(reduction_factor(shield, mutual_impedance(d, 50.0, 100.0).reshape(1))) for d in (8.0, 10.0)
    ]
    assert factors == pytest.approx([printed, printed], rel=tolerance)


@pytest.mark.parametrize(
    ("rho", "f", "self_error", "mutual_error"),
    [(10, 50, 0.018, 0.053), (100, 50, 0.006, 0.016), (100, 128, 0.011, 0.025), (1000, 50, 0.006, 0.014)],
)
def test_below_the_switch_against_carson(rho, f, self_error, mutual_error):
    # Reference: numerical quadrature of Carson's integral. Wire at 30 m, phase at 20 m, 5 m across.
    exact_self = 0.36e-3 + carson(f, rho, 60.0, 0.0, 5e-3)
    exact_mutual = carson(f, rho, 50.0, 5.0, np.hypot(10.0, 5.0))
    assert abs(self_impedance(0.36e-3, 5e-3, f, rho) / exact_self - 1) < self_error
    assert abs(mutual_impedance(np.hypot(10.0, 5.0), f, rho) / exact_mutual - 1) < mutual_error


@pytest.mark.parametrize(("rho", "f"), [(10, 1000), (100, 274), (100, 1000), (100, 5000), (1000, 5000)])
def test_above_the_switch_against_carson(rho, f):
    exact_self = 0.36e-3 + carson(f, rho, 60.0, 0.0, 5e-3)
    exact_mutual = carson(f, rho, 50.0, 5.0, np.hypot(10.0, 5.0))
    assert abs(self_impedance(0.36e-3, 5e-3, f, rho, height_m=30.0) / exact_self - 1) < 0.007
    mutual = mutual_impedance(np.hypot(10.0, 5.0), f, rho, height_sum_m=50.0, across_m=5.0)
    assert abs(mutual / exact_mutual - 1) < 0.03


def test_the_two_forms_meet_at_the_switch():
    low, high = (self_impedance(0.36e-3, 5e-3, f, 100.0, height_m=30.0) for f in (150.0, 150.0001))
    assert abs(high / low - 1) < 0.015
    assert high != low


def test_solid_copper_wire():
    # Textbook: the GMR of a non-magnetic round wire is 0.7788 of its radius.
    assert solid_wire_gmr(1.0) == pytest.approx(0.7788, abs=5e-5)


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


def test_a_perfect_wire_on_the_phase_takes_all():
    assert reduction_factor(np.array([[1j]]), np.array([1j])) == pytest.approx(0.0)


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
