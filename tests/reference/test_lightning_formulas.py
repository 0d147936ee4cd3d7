"""Formulas of lightning performance against printed values; each number with its source.

"From memory" marks a figure of a standard or book that was not at hand. Papers were read:

- Alipio A: Alipio et al., Electr. Power Syst. Res. 214 (2023) 108951.
- Alipio B: Alipio et al., tower-foot grounding model, Electr. Power Syst. Res. (2023).
- Schroeder: Schroeder et al., frequency-dependent soil models, Electr. Power Syst. Res. (2017).
- Salarieh: Salarieh et al., IEEE Trans. Power Delivery 2020, doi 10.1109/TPWRD.2020.3003250.
"""

import math
from statistics import NormalDist

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.reference.lightning_lines import ionised_footing
from towerlib.physics.lightning import flashover, strokes, surge
from towerlib.physics.lightning.rate import crest_voltage, cycle_angles

# Peak currents.


@pytest.mark.parametrize(("current_ka", "share"), [(31.0, 0.5), (200.0, 0.0078)])
def test_ieee_distribution(current_ka, share):
    # IEEE Std 1243-1997, clause 5: median 31 kA by definition; 0.78 % above 200 kA; from memory.
    assert strokes.exceedance(current_ka) == pytest.approx(share, abs=5e-5)


@pytest.mark.parametrize(("current_ka", "percent"), [(3, 99), (5, 97), (10, 91), (16, 84)])
def test_cigre_distribution_below_20_ka(current_ka, percent):
    # IEC 62305-1:2010, Table 5, from memory: shares of strokes above the smallest peak of protection levels I to IV.
    assert 100 * strokes.exceedance(current_ka, "CIGRE") == pytest.approx(percent, abs=0.5)


def test_cigre_branches_meet():
    # CIGRE Technical Brochure 63 (1991), from memory: one curve of two straight lines, which meet at 20 kA.
    below, above = strokes.exceedance([20.0, np.nextafter(20.0, 21.0)], "CIGRE")
    assert below == pytest.approx(0.80, abs=0.001)
    assert above == pytest.approx(below, abs=0.001)


def test_cigre_upper_branch():
    # CIGRE Technical Brochure 63 (1991), from memory: median 33.3 kA and 0.263 decades above 20 kA.
    for current_ka in (25.0, 33.3, 80.0, 200.0):
        decades = math.log10(current_ka / 33.3) / 0.263
        assert strokes.exceedance(current_ka, "CIGRE") == pytest.approx(
            1 - NormalDist().cdf(decades), abs=0.001
        )


@pytest.mark.parametrize(
    ("critical_ka", "percent"), [(197, 0.10), (143, 0.52), (125, 0.96), (115, 1.41), (78, 5.89), (67, 9.44)]
)
def test_berger_distribution(critical_ka, percent):
    # Alipio A, Table 2; the currents are printed without decimals, half of a kA moves the share by 2 %.
    assert 100 * strokes.exceedance(critical_ka, "Berger") == pytest.approx(percent, rel=0.025)


def test_anderson_eriksson_median():
    # Anderson and Eriksson 1980, quoted by Yin et al. (bifurcation structure pylon): median of final crests 31.1 kA.
    assert strokes.exceedance(31.1, "Anderson-Eriksson") == pytest.approx(0.5)


@pytest.mark.parametrize("distribution", strokes.DISTRIBUTIONS)
def test_exceeded_current_is_the_inverse(distribution):
    current_ka = np.array([4.0, 12.0, 19.0, 26.0, 60.0, 150.0])
    share = strokes.exceedance(current_ka, distribution)
    assert_allclose(strokes.exceeded_current(share, distribution), current_ka, rtol=1e-9)


@pytest.mark.parametrize(
    ("current_ka", "front_us"),
    [(5, 2.40), (20, 3.11), (31, 3.72), (100, 6.01), (200, 8.00)],
)
def test_unchanged_front(current_ka, front_us):
    # CIGRE Technical Brochure 63 (1991), formula of the conditional median from memory; values computed from them.
    assert strokes.front_time(current_ka) == pytest.approx(front_us, abs=0.005)


def test_front_agrees_with_the_median_of_all_strokes():
    # Anderson and Eriksson 1980 (in Yin et al.): median front 3.83 µs, median peak 31.1 kA.
    assert strokes.front_time(31.1) == pytest.approx(3.83, rel=0.04)


# Collection.


@pytest.mark.parametrize(
    ("height_m", "width_m"),
    [(10, 111.5), (15, 142.2), (20, 169.0), (25, 193.2), (30, 215.5), (40, 256.1), (50, 292.8), (60, 326.6)],
)
def test_unchanged_collecting_width(height_m, width_m):
    # Eriksson 1987, 28·h^0.6 + b; formula as printed in Alipio A, eq. 13.
    assert strokes.collecting_width(height_m) == pytest.approx(width_m, abs=0.05)
    assert strokes.collecting_width(height_m, 7.0) == pytest.approx(width_m + 7.0, abs=0.05)


def test_collection_of_100_km_in_the_printed_form():
    # Alipio A, eq. 13: NL = (Ng/10)·(28·h^0.6 + b) per 100 km and year.
    width_m = strokes.collecting_width(30.0, 10.0)
    assert strokes.collected_flashes(4.0, width_m, 100e3) == pytest.approx(4.0 / 10 * (28 * 30**0.6 + 10))


# Tower.

HEIGHT_M, RADIUS_M = 45.1, 4.243  # Salarieh's tower; radius inferred: half the diagonal of a base of 6 m


@pytest.mark.parametrize(
    ("formula", "printed_ohm", "tolerance"),
    [
        (surge.cone_surge_impedance, 160, 0.02),  # row 4
        (surge.slender_surge_impedance, 184, 0.004),  # row 6
    ],
)
def test_tower_surge_impedance(formula, printed_ohm, tolerance):
    # Salarieh, Table I; tolerances from the inferred radius.
    assert formula(HEIGHT_M, RADIUS_M) == pytest.approx(printed_ohm, rel=tolerance)


def test_waist_of_a_cone_and_of_a_cylinder():
    # CIGRE Technical Brochure 63 (1991) form, in Liu et al., eqs 5–6: base radius for a cone, 2r for a cylinder.
    assert surge.mean_radius(40.0, 20.0, 0.0, 2.0, 4.0) == pytest.approx(4.0)
    assert surge.mean_radius(40.0, 25.0, 3.0, 3.0, 3.0) == pytest.approx(6.0)
    cone_ohm = surge.slender_surge_impedance(40.0, 4.0)
    assert surge.waist_surge_impedance(40.0, 20.0, 0.0, 2.0, 4.0) == pytest.approx(cone_ohm)


def test_travel_time():
    # SI Brochure (2019): light takes 1 µs over 299.792458 m.
    assert surge.travel_time(299.792458) == pytest.approx(1.0)
    assert surge.travel_time(30.0, 0.85) == pytest.approx(30 / 254.8235893)


# Footing under current.


def test_hemisphere_ionises_at_its_surface_field():
    # Field of a point source: E = ρ·I/(2π·a²); a hemisphere of radius a has R = ρ/(2π·a).
    soil_ohm_m, radius_m = 300.0, 1.2
    footing_ohm = soil_ohm_m / (2 * math.pi * radius_m)
    surface_ka = 400.0 * 2 * math.pi * radius_m**2 / soil_ohm_m
    assert flashover.ionising_current(footing_ohm, soil_ohm_m) == pytest.approx(surface_ka)


@pytest.mark.parametrize("current_ka", [0.0, 1.0, 30.0, 300.0, 3e4])
@pytest.mark.parametrize("footing_ohm", [0.1, 5.0, 80.0, 900.0])
@pytest.mark.parametrize("ratio_m", [0.5, 20.0, 2000.0])
def test_struck_footing_solves_both_equations(current_ka, footing_ohm, ratio_m):
    wire_ohm, ionising_ka = 340.0, flashover.ionising_current(footing_ohm, ratio_m * footing_ohm)
    found_ohm = flashover.struck_footing(footing_ohm, ionising_ka, wire_ohm, current_ka)
    # Kirchhoff: the footing lies beside two halves of the shield wires.
    through_ka = current_ka * wire_ohm / (wire_ohm + 2 * found_ohm)
    assert ionised_footing(footing_ohm, ionising_ka, through_ka) == pytest.approx(found_ohm, rel=1e-9)


# Insulation and power-frequency voltage.


@pytest.mark.parametrize(
    ("tail_us", "factor"),
    [(10, 1.259), (20, 1.118), (30, 1.071), (50, 1.033), (100, 1.005), (5, 1.4), (0.01, 1.4)],
)
def test_unchanged_short_tail(tail_us, factor):
    # 0.977 + 2.82/τ of Hileman (1999), from memory; the cap of 1.4 is our own.
    assert flashover.short_tail_factor(tail_us) == pytest.approx(factor, abs=6e-4)


def test_short_tail_without_cap():
    assert flashover.short_tail_factor(5.0, np.inf) == pytest.approx(0.977 + 2.82 / 5)


@pytest.mark.parametrize(("strike_length_m", "strength_kv"), [(1.31, 733.6), (2.04, 1142.4), (3.20, 1792.0)])
def test_flashover_voltage(strike_length_m, strength_kv):
    # 560 kV/m, Hileman (1999) and CIGRE Technical Brochure 63 (1991), from memory.
    assert flashover.flashover_voltage(strike_length_m) == pytest.approx(strength_kv)


def test_crest_voltage():
    # Phase-to-earth crest of a three-phase system: √2/√3 of the voltage between phases.
    assert crest_voltage([132.0, 220.0, 400.0]) == pytest.approx([107.8, 179.6, 326.6], abs=0.05)


def test_cycle_angles_are_even():
    angles = cycle_angles(24)
    assert len(angles) == 24
    assert np.sin(angles).sum() == pytest.approx(0.0, abs=1e-12)
    assert (np.sin(angles) ** 2).mean() == pytest.approx(0.5)
    with pytest.raises(ValueError, match="averaged over 1 angle or more, not 0"):
        cycle_angles(0)
