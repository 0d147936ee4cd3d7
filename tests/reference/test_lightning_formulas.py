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


@pytest.mark.parametrize(("front_us", "median_ka"), [(1.9, 20.8), (7.75, 43.3)])
def test_conditional_median_of_the_peak(front_us, median_ka):
    # Alipio A, section on fast and slow fronts: 20.8 and 43.3 kA, spread 0.54.
    peak_ka, spread = strokes.conditional_lognormal(front_us, (3.83, 30.0), (0.553, 0.61), 0.47)
    assert peak_ka == pytest.approx(median_ka, abs=0.1)
    assert spread == pytest.approx(0.54, abs=0.005)


@pytest.mark.parametrize(
    ("front_us", "critical_ka", "percent"),
    [
        (1.9, 104, 0.14),
        (1.9, 71, 1.16),
        (1.9, 61, 2.34),
        (7.75, 125, 2.45),
        (7.75, 82, 11.72),
        (7.75, 69, 19.13),
    ],
)
def test_conditional_exceedance(front_us, critical_ka, percent):
    # Alipio A, Tables 3 and 4; the currents are printed without decimals.
    peak_ka, spread = strokes.conditional_lognormal(front_us, (3.83, 30.0), (0.553, 0.61), 0.47)
    share = 1 - NormalDist().cdf(math.log(critical_ka / peak_ka) / spread)
    assert 100 * share == pytest.approx(percent, rel=0.03)


def test_anderson_eriksson_median():
    # Anderson and Eriksson 1980, quoted by Yin et al. (bifurcation structure pylon): median of final crests 31.1 kA.
    assert strokes.exceedance(31.1, "Anderson-Eriksson") == pytest.approx(0.5)


@pytest.mark.parametrize("distribution", strokes.DISTRIBUTIONS)
def test_exceeded_current_is_the_inverse(distribution):
    current_ka = np.array([4.0, 12.0, 19.0, 26.0, 60.0, 150.0])
    share = strokes.exceedance(current_ka, distribution)
    assert_allclose(strokes.exceeded_current(share, distribution), current_ka, rtol=1e-9)


@pytest.mark.parametrize(
    ("current_ka", "front_us", "rise_ka_us"),
    [(5, 2.40, 15.8), (20, 3.11, 20.0), (31, 3.72, 23.6), (100, 6.01, 36.7), (200, 8.00, 47.7)],
)
def test_unchanged_front_and_steepness(current_ka, front_us, rise_ka_us):
    # CIGRE Technical Brochure 63 (1991), formulas of the conditional medians from memory; values computed from them.
    assert strokes.front_time(current_ka) == pytest.approx(front_us, abs=0.005)
    assert strokes.steepness(current_ka) == pytest.approx(rise_ka_us, abs=0.05)


def test_front_agrees_with_the_median_of_all_strokes():
    # Anderson and Eriksson 1980 (in Yin et al.): median front 3.83 µs, median peak 31.1 kA.
    assert strokes.front_time(31.1) == pytest.approx(3.83, rel=0.04)


# Ground flash density and collection.


@pytest.mark.parametrize(
    ("days", "density"),
    [(5, 0.299), (10, 0.711), (20, 1.692), (30, 2.808), (40, 4.024), (60, 6.680), (80, 9.570), (100, 12.649)],
)
def test_unchanged_thunder_days(days, density):
    # Anderson and Eriksson 1980, 0.04·Td^1.25, from memory.
    assert strokes.density_from_thunder_days(days) == pytest.approx(density, abs=5e-4)


@pytest.mark.parametrize(
    ("hours", "density"), [(5, 0.317), (10, 0.680), (20, 1.457), (50, 3.993), (100, 8.558), (200, 18.345)]
)
def test_unchanged_thunder_hours(hours, density):
    # MacGorman 1984 in IEEE Std 1410, 0.054·Th^1.1, from memory.
    assert strokes.density_from_thunder_hours(hours) == pytest.approx(density, abs=5e-4)


def test_both_thunder_day_rules_cross_near_40_days():
    # IEC 62305-2:2010, 0.1·Td, against 0.04·Td^1.25: equal where Td^0.25 = 2.5.
    days = 2.5**4
    linear = strokes.density_from_thunder_days_linear(days)
    assert strokes.density_from_thunder_days(days) == pytest.approx(linear, rel=1e-12)


def test_satellite_density():
    # IEEE Std 1410-2010, one third reaches the ground, from memory.
    assert strokes.density_from_total(9.0) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("latitude_deg", "share"), [(0, 0.14), (20, 0.16), (30, 0.19), (40, 0.245), (60, 0.33)]
)
def test_ground_share(latitude_deg, share):
    # Prentice and Mackerras 1977, z = 4.16 + 2.16·cos(3·latitude), from memory.
    assert strokes.ground_share_at([latitude_deg, -latitude_deg]) == pytest.approx([share] * 2, abs=0.005)


def test_ground_share_beyond_60_degrees_is_not_known():
    assert np.isnan(strokes.ground_share_at(61.0))


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


def test_parallel_lines_share_what_lies_between_them():
    alone, pair = (
        240.0,
        strokes.width_beside_parallel(np.array([240.0, 180.0]), np.array([180.0, 240.0]), 60.0),
    )
    assert pair.sum() == pytest.approx(240 / 2 + 60 + 180 / 2)  # geometry: union of two strips
    assert strokes.width_beside_parallel(alone, 180.0, 210.0) == alone  # strips that just touch


# Tower.

HEIGHT_M, RADIUS_M = 45.1, 4.243  # Salarieh's tower; radius inferred: half the diagonal of a base of 6 m


@pytest.mark.parametrize(
    ("formula", "printed_ohm", "tolerance"),
    [
        (surge.cone_surge_impedance, 160, 0.02),  # row 4
        (surge.slender_surge_impedance, 184, 0.004),  # row 6
        (surge.vertical_wire_surge_impedance, 166, 0.007),  # row 11
    ],
)
def test_tower_surge_impedance(formula, printed_ohm, tolerance):
    # Salarieh, Table I; tolerances from the inferred radius.
    assert formula(HEIGHT_M, RADIUS_M) == pytest.approx(printed_ohm, rel=tolerance)


def test_cylinder_lies_60_ohm_below_its_first_term():
    # Salarieh, Table I: row 1 prints 205 Ω for 60·ln(2√2·h/r), row 3 is the same less 60 Ω.
    assert surge.cylinder_surge_impedance(HEIGHT_M, RADIUS_M) + 60.0 == pytest.approx(205, rel=0.005)


@pytest.mark.parametrize(
    ("top_m", "foot_width_m", "head_width_m", "printed_ohm"),
    [(6.85, 6.0, 4.267, 121), (13.7, 4.267, 2.533, 171), (20.55, 2.533, 0.8, 223), (27.3, 0.8, 0.8, 272)],
)
def test_four_legs(top_m, foot_width_m, head_width_m, printed_ohm):
    # Alipio A, section 2.3, and Alipio B: four sections of a 138 kV tower, legs of 5 cm, base of 6 m. The width of
    # 0.8 m from 20.55 m upwards is inferred; each section is taken at its middle width.
    width_m = (foot_width_m + head_width_m) / 2
    found_ohm = surge.legs_surge_impedance(top_m, 0.05, [width_m, width_m, math.sqrt(2) * width_m])
    assert found_ohm == pytest.approx(printed_ohm, rel=0.008)


def test_waist_of_a_cone_and_of_a_cylinder():
    # CIGRE Technical Brochure 63 (1991) form, in Liu et al., eqs 5–6: base radius for a cone, 2r for a cylinder.
    assert surge.mean_radius(40.0, 20.0, 0.0, 2.0, 4.0) == pytest.approx(4.0)
    assert surge.mean_radius(40.0, 25.0, 3.0, 3.0, 3.0) == pytest.approx(6.0)
    cone_ohm = surge.slender_surge_impedance(40.0, 4.0)
    assert surge.waist_surge_impedance(40.0, 20.0, 0.0, 2.0, 4.0) == pytest.approx(cone_ohm)


def test_reduced_waist_form():
    # Salarieh, Table I, row 9: the cone's value of row 6 less 60·ln √2, times √(π/4).
    by_hand = 0.886227 * (60 * math.log(1 / math.tan(0.5 * math.atan(0.1))) - 20.7944)
    assert surge.reduced_waist_surge_impedance(30.0, 3.0) == pytest.approx(by_hand, rel=1e-5)


def test_travel_time():
    # SI Brochure (2019): light takes 1 µs over 299.792458 m.
    assert surge.travel_time(299.792458) == pytest.approx(1.0)
    assert surge.travel_time(30.0, 0.85) == pytest.approx(30 / 254.8235893)


# Footing under current.


@pytest.mark.parametrize(
    ("footing_ohm", "soil_ohm_m", "ionising_ka", "ionised_ohm"),
    [
        (10, 200, 127.32, [9.81, 9.63, 9.30, 9.00, 8.47, 7.48]),
        (20, 400, 63.66, [19.26, 18.59, 17.45, 16.49, 14.97, 12.47]),
        (50, 1000, 25.46, [45.71, 42.37, 37.42, 33.88, 29.04, 22.53]),
        (100, 2000, 12.73, [84.74, 74.84, 62.37, 54.59, 45.05, 33.61]),
        (50, 250, 6.37, [37.42, 31.18, 24.57, 20.92, 16.80, 12.23]),
    ],
)
def test_unchanged_ionised_footing(footing_ohm, soil_ohm_m, ionising_ka, ionised_ohm):
    # Formula of CIGRE Technical Brochure 63 (1991), from memory; values computed from it at 5 to 100 kA.
    found_ka = flashover.ionising_current(footing_ohm, soil_ohm_m)
    assert found_ka == pytest.approx(ionising_ka, abs=0.005)
    found_ohm = flashover.ionised_footing(footing_ohm, found_ka, np.array([5, 10, 20, 30, 50, 100]))
    assert_allclose(found_ohm, ionised_ohm, atol=0.006)


def test_hemisphere_ionises_at_its_surface_field():
    # Field of a point source: E = ρ·I/(2π·a²); a hemisphere of radius a has R = ρ/(2π·a).
    soil_ohm_m, radius_m = 300.0, 1.2
    footing_ohm = soil_ohm_m / (2 * math.pi * radius_m)
    surface_ka = 400.0 * 2 * math.pi * radius_m**2 / soil_ohm_m
    assert flashover.ionising_current(footing_ohm, soil_ohm_m) == pytest.approx(surface_ka)


def test_hemisphere_grows_until_its_surface_bears_the_field():
    # Far above Ig the ionised zone is a hemisphere with E0 at its surface: R = √(E0·ρ/(2π·I)).
    soil_ohm_m, footing_ohm, current_ka = 300.0, 40.0, 1e6
    ionising_ka = flashover.ionising_current(footing_ohm, soil_ohm_m)
    grown_ohm = math.sqrt(400.0 * soil_ohm_m / (2 * math.pi * current_ka))
    assert flashover.ionised_footing(footing_ohm, ionising_ka, current_ka) == pytest.approx(
        grown_ohm, rel=1e-5
    )


@pytest.mark.parametrize("current_ka", [0.0, 1.0, 30.0, 300.0, 3e4])
@pytest.mark.parametrize("footing_ohm", [0.1, 5.0, 80.0, 900.0])
@pytest.mark.parametrize("ratio_m", [0.5, 20.0, 2000.0])
def test_struck_footing_solves_both_equations(current_ka, footing_ohm, ratio_m):
    wire_ohm, ionising_ka = 340.0, flashover.ionising_current(footing_ohm, ratio_m * footing_ohm)
    found_ohm = flashover.struck_footing(footing_ohm, ionising_ka, wire_ohm, current_ka)
    # Kirchhoff: the footing lies beside two halves of the shield wires.
    through_ka = current_ka * wire_ohm / (wire_ohm + 2 * found_ohm)
    assert flashover.ionised_footing(footing_ohm, ionising_ka, through_ka) == pytest.approx(
        found_ohm, rel=1e-9
    )


# Insulation and power-frequency voltage.


@pytest.mark.parametrize(("time_us", "kv_m"), [(2.0, 820), (6.0, 585)])
def test_volt_time_curve(time_us, kv_m):
    # Anderson (1982), ch. 12: constants of the two-point method, 820 and 585 kV/m; from memory.
    assert flashover.volt_time_strength(1.0, time_us) == pytest.approx(kv_m, rel=0.003)


@pytest.mark.parametrize(
    ("time_us", "kv_m"),
    [
        (0.5, 1594),
        (1, 1110),
        (1.5, 924),
        (2, 822),
        (3, 712),
        (4, 651),
        (6, 585),
        (8, 549),
        (10, 526),
        (16, 489),
    ],
)
def test_unchanged_volt_time_curve(time_us, kv_m):
    # (400 + 710/t^0.75)·L of IEEE Std 1243-1997, from memory; values computed from it.
    assert flashover.volt_time_strength(1.0, time_us) == pytest.approx(kv_m, abs=0.6)


def test_volt_time_curve_ends():
    assert np.isnan(flashover.volt_time_strength(1.0, [0.4, 16.1])).all()


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
