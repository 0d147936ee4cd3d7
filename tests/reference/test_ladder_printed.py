"""Earth return and ladder against published numbers: source and printed precision beside each."""

import numpy as np
import pytest

from tests.reference.shield_wires import reduction_factor, solid_wire_gmr
from tests.reference.uniform_line import decay, far_distance, finite_from_station, from_station
from towerlib.physics.ladder import driving_points, ladder
from towerlib.physics.overhead_line import (
    Wires,
    earth_return_depth,
    impedance_matrix,
    mutual_impedance,
    self_impedance,
)

MILE_M, FOOT_M = 1609.344, 0.3048


def test_doubled_resistivity():
    # P. Varjú, Budapest University of Technology, lecture slides "Earth return, phenomena and impedance":
    # 50 Hz, 50 to 100 Ω·m: +2.6 % for a wire of 1 mm radius, +18.4 % for the mutual term at 100 m. Both of the
    # logarithm, which the resistance of the earth leaves alone.
    resistivity = np.array([50.0, 100.0])
    own, mutual = self_impedance(0.0, 1e-3, 50.0, resistivity), mutual_impedance(100.0, 50.0, resistivity)
    assert own[1].imag / own[0].imag - 1 == pytest.approx(0.026, abs=5e-4)
    assert mutual[1].imag / mutual[0].imag - 1 == pytest.approx(0.184, abs=5e-4)


def four_wires():
    # W. H. Kersting, Distribution System Modeling and Analysis, example 4.1 (from memory): 60 Hz, 100 Ω·m.
    feet = np.array([[0.0, 29.0], [2.5, 29.0], [7.0, 29.0], [4.0, 25.0]]) * FOOT_M
    gmr_m = np.array([0.0244, 0.0244, 0.0244, 0.00814]) * FOOT_M
    wires = Wires(feet[:, 0], feet[:, 1], gmr_m, np.array([0.306, 0.306, 0.306, 0.592]) / MILE_M)
    z = impedance_matrix(wires, 60.0, 100.0) * MILE_M
    return z[:3, :3] - z[:3, 3:] @ z[3:, :3] / z[3, 3]


def test_phase_matrix_of_a_four_wire_line():
    # The same example, Ω/mile to four places; the matrix as printed in the test data of an open-source package
    # for line constants.
    printed = [
        [0.4576 + 1.0780j, 0.1560 + 0.5017j, 0.1535 + 0.3849j],
        [0.1560 + 0.5017j, 0.4666 + 1.0482j, 0.1580 + 0.4236j],
        [0.1535 + 0.3849j, 0.1580 + 0.4236j, 0.4615 + 1.0651j],
    ]
    assert np.abs(four_wires() - printed).max() < 2e-4


def test_sequence_impedances_of_a_four_wire_line():
    # The same example and test data.
    turn = np.exp(2j * np.pi / 3)
    fortescue = np.array([[1, 1, 1], [1, turn**2, turn], [1, turn, turn**2]])
    sequence = np.diag(np.linalg.solve(fortescue, four_wires() @ fortescue))
    assert np.abs(sequence[:2] - [0.7735 + 1.9373j, 0.3061 + 0.6270j]).max() < 1e-4


def test_constant_of_the_return_depth():
    # Diabi, World Academy of Science, Engineering and Technology 7(6) 2013: De = 658·√(ρ/f). The constant is
    # 658.9: 658 is it rounded down.
    assert earth_return_depth(1.0, 1.0) == pytest.approx(658, rel=2e-3)


def test_earth_resistance():
    # The same page: π²·f·10⁻⁴ Ω/km, exact.
    for frequency_hz in (50.0, 60.0, 128.0, 150.0):
        found = 1e3 * mutual_impedance(10.0, frequency_hz, 100.0).real
        assert found == pytest.approx(np.pi**2 * frequency_hz * 1e-4, rel=1e-12)


def test_return_depth():
    # IEC 60909-3 (from memory): 931 m at 50 Hz, 850 m at 60 Hz, 100 Ω·m; printed with 1.85 for 1.8514.
    assert earth_return_depth(100.0, [50.0, 60.0]) == pytest.approx([931.0, 850.0], rel=9.5e-4)


@pytest.mark.parametrize(("footing_ohm", "printed"), [(15.0, 2.64 + 0.60j), (100.0, 6.44 + 1.37j)])
def test_line_seen_from_a_station(footing_ohm, printed):
    # IEEE Std 80-2000, table C.1, one line with one shield wire (from memory, after Garrett, Myers and Patel
    # 1987): 7 No. 10 aluminium-clad steel, 3.88 Ω/mile, GMR 0.001658 ft, spans of 500 ft, 60 Hz, 100 Ω·m.
    # Resistance and reactance to a hundredth; the table's own wire data are not printed, hence 2 %.
    z = self_impedance(3.88 / MILE_M, 0.001658 * FOOT_M, 60.0, 100.0) * 500 * FOOT_M
    assert z == pytest.approx(0.3765 + 0.1647j, rel=5e-4)
    line = ladder(np.full(2000, footing_ohm), 0.0, np.full(1999, z))
    for seen in (from_station(footing_ohm, z), z + driving_points(line).tower_ohm[0]):
        assert abs(seen / printed - 1) < 0.007
        assert (seen.real, seen.imag) == pytest.approx((printed.real, printed.imag), rel=0.02)


def test_golden_ratio():
    # Classical: an endless ladder of equal resistors, Feynman Lectures on Physics II-22-6. Exact.
    line = ladder(np.full(200, 1.0), 0.0, np.full(199, 1.0))
    for seen in (
        1.0 + driving_points(line).tower_ohm[0],
        from_station(1.0, 1.0),
        finite_from_station(200, 1.0, 1.0),
    ):
        assert seen == pytest.approx(1.6180339887, rel=1e-10)


@pytest.mark.parametrize(
    ("wire", "r_ohm_km", "diameter_mm", "permeability", "printed", "tolerance"),
    [
        ("Al/St 44/32", 0.6573, 11.2, 1.0, 0.77, 0.016),
        ("Al/St 300/50", 0.0949, 24.5, 1.0, 0.61, 0.036),
        # Resistance and permeability of a steel wire rise with its current: taken at 4 Ω/km and 75.
        ("steel 50 mm²", 4.0, 9.0, 75.0, 0.98, 0.06),
    ],
)
def test_reduction_factor(wire, r_ohm_km, diameter_mm, permeability, printed, tolerance):
    # EN 50522, Annex I (from memory): 110 kV, 100 Ω·m, 50 Hz, mean distance 8 to 10 m, to a hundredth.
    gmr_m = solid_wire_gmr(diameter_mm / 2e3, permeability)
    shield = self_impedance(r_ohm_km / 1e3, gmr_m, 50.0, 100.0).reshape(1, 1)
    mutual = [mutual_impedance(distance_m, 50.0, 100.0).reshape(1) for distance_m in (8.0, 10.0)]
    factors = [abs(reduction_factor(shield, of)) for of in mutual]
    assert factors == pytest.approx([printed, printed], rel=tolerance), wire


@pytest.mark.parametrize(("footing_ohm", "r_ohm_km"), [(5.0, 0.36), (15.0, 0.36), (15.0, 3.5), (50.0, 0.36)])
def test_far_from_station(footing_ohm, r_ohm_km):
    # IEC 60909-3 (from memory): "far" is where the wave has faded to e⁻³, 5 %. The distance is derived for short
    # spans, κ close to 1.
    z = 300 * self_impedance(r_ohm_km / 1e3, 5e-3, 50.0, 100.0)
    spans = far_distance(footing_ohm, z, 300.0) / 300
    assert abs(decay(footing_ohm, z)) ** -spans == pytest.approx(0.05, abs=0.0025)
