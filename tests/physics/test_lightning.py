"""Rates per tower: strokes by lot against the closed form, limits, laws, arrays, what is not known, error texts."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from tests.reference.lightning_lines import with_arresters
from towerlib.physics.lightning.flashover import (
    Struck,
    assumed_resistivity,
    critical_current,
    flashover_voltage,
    ionising_current,
    raised_resistivity,
    span_factor,
    stress,
)
from towerlib.physics.lightning.rate import (
    Method,
    Towers,
    crest_voltage,
    input_flaws,
    tabulated_rates,
    tower_rates,
)
from towerlib.physics.lightning.strokes import exceeded_current
from towerlib.physics.lightning.surge import (
    classes,
    surges,
    travel_time,
    typical_geometry,
)

LINE = typical_geometry(132.0)
VOLTAGES = (66.0, 110.0, 132.0, 220.0, 400.0)


def probability(line=LINE, footing_ohm=20.0, soil_ohm_m=400.0, **method):
    return tower_rates(line, Towers(footing_ohm, soil_ohm_m, 300.0), Method(**method)).probability


def phases_struck(line, footing_ohm, soil_ohm_m, span_m=300.0):
    met = surges(line)
    return Struck(
        footing_ohm=footing_ohm,
        ionising_ka=ionising_current(footing_ohm, soil_ohm_m),
        wire_ohm=met.wire_ohm,
        coupling=met.coupling,
        tower_ohm=line.surge_impedance_ohm,
        top_us=travel_time(line.height_m, 0.85),
        crossarm_us=travel_time(line.crossarm_y_m, 0.85),
        span_us=travel_time(span_m),
        strength_kv=flashover_voltage(line.strike_length_m),
    )


@pytest.mark.parametrize(
    ("voltage", "footing_ohm"), [(132.0, 8.0), (132.0, 60.0), (220.0, 25.0), (400.0, 70.0)]
)
def test_strokes_by_lot(voltage, footing_ohm):
    # Each stroke of its own: current and angle by lot, then stress against strength. No critical current is sought.
    line, count, lot = typical_geometry(voltage), 200_000, np.random.default_rng(7)
    current_ka = exceeded_current(lot.random(count))[:, None]
    angle = 2 * np.pi * lot.random(count)[:, None]
    power_kv = crest_voltage(voltage) * np.sin(angle + np.radians(line.phase_angle_deg))
    met = stress(phases_struck(line, footing_ohm, 20 * footing_ohm), current_ka, power_kv)
    flashed = (met.insulator_ohm * current_ka + power_kv >= met.strength_kv).any(axis=1)
    expected = probability(line, footing_ohm, 20 * footing_ohm, angles=90)
    assert flashed.mean() == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / count))


def test_flashes_by_lot():
    # Flashes thrown on a map: those in the strip between the middles of the spans are the tower's.
    lot, count, side_m = np.random.default_rng(3), 400_000, 1000.0
    x_m, y_m = side_m * lot.random((2, count))
    width_m = 28 * 30**0.6  # Eriksson 1987
    caught = ((np.abs(x_m - 500) < 160) & (np.abs(y_m - 500) < width_m / 2)).mean()
    collected = tower_rates(LINE, Towers(10.0, 200.0, 320.0, 1.0)).collected_per_year
    assert caught == pytest.approx(collected, rel=0.02)  # one flash per km² on one km²


def test_share_of_harmless_strokes_counts_once():
    # Alipio et al., Electr. Power Syst. Res. 214 (2023) 108951, eq. 12: BFR = 0.6·NL·P.
    found = tower_rates(LINE, Towers(20.0, 400.0, 300.0, 5.0))
    by_hand = 0.6 * found.collected_per_year * found.probability
    assert found.backflashovers_per_year == pytest.approx(by_hand, rel=1e-12)


def test_perfect_footing_leaves_the_tower():
    # R → 0, V = 0: Ic = 0.977·CFO·tf(Ic)/(ZT·(TA − C·TT)), the footing drops out.
    tower = phases_struck(LINE, 1e-9, 100.0)
    current_ka = critical_current(tower, 0.0)
    front_us = 0.906 * current_ka**0.411
    slope = tower.tower_ohm * (tower.crossarm_us - tower.coupling * tower.top_us)
    assert_allclose(current_ka, 0.977 * tower.strength_kv * front_us / slope, rtol=1e-6)


def test_no_footing_leaves_the_shield_wires():
    # R → ∞, V = 0, by hand: half the wires' impedance, the tower's wave reversed, strength at its cap.
    tower = phases_struck(LINE, np.inf, 100.0)
    current_ka = critical_current(tower, 0.0)
    wave = tower.tower_ohm * (tower.crossarm_us - tower.coupling * tower.top_us) / (1.77 * current_ka**0.188)
    insulator_ohm = tower.wire_ohm / 2 * (1 - tower.coupling) - wave
    assert_allclose(current_ka, 1.4 * tower.strength_kv / insulator_ohm, rtol=1e-9)


def test_limits_are_approached():
    rates = tower_rates(LINE, Towers([1e-9, 1e-4, 1e6, 1e12, np.inf], 1e3, 300.0)).probability
    assert rates[0] == pytest.approx(rates[1], rel=1e-3)
    assert rates[2] == pytest.approx(rates[3], rel=1e-3)
    assert rates[3] == pytest.approx(rates[4], rel=1e-6)
    assert 0 < rates[0] < 0.01
    assert 0.9 < rates[4] < 1


def test_without_ionisation_soil_does_not_matter():
    found = probability(soil_ohm_m=np.array([10.0, 1e5, np.nan]), gradient_kv_m=np.inf)
    assert_allclose(found, found[0], rtol=1e-12)
    endless = probability(soil_ohm_m=1e12)
    assert endless == pytest.approx(found[0], rel=1e-6)


def test_flash_density_is_linear():
    density = np.array([0.0, 1.0, 2.0, 10.0])
    found = tower_rates(LINE, Towers(20.0, 400.0, 300.0, density)).backflashovers_per_year
    assert_allclose(found, density * found[1], rtol=1e-12)


@given(
    voltage=st.sampled_from(VOLTAGES),
    footing_ohm=st.floats(0.5, 800.0),
    ratio_m=st.floats(5.0, 500.0),
    more=st.floats(1.01, 3.0),
)
def test_monotone(voltage, footing_ohm, ratio_m, more):
    line, method = typical_geometry(voltage), Method(strength_cap=1.4)
    soil_ohm_m = ratio_m * footing_ohm
    base = Towers(footing_ohm, soil_ohm_m * more, 300.0)
    strength_kv = flashover_voltage(line.strike_length_m)
    rate = tower_rates(line, base, method).probability
    assert tower_rates(line, replace(base, strength_kv=strength_kv * more), method).probability < rate
    assert tower_rates(line, replace(base, resistivity_ohm_m=soil_ohm_m), method).probability <= rate * (
        1 + 1e-9
    )
    better = replace(base, footing_ohm=footing_ohm / more)
    assert tower_rates(line, better, method).probability <= rate * (1 + 1e-9)


@given(voltage=st.sampled_from(VOLTAGES), footing_ohm=st.floats(0.1, 1000.0), ratio_m=st.floats(5.0, 2000.0))
def test_critical_current_solves_its_equation(voltage, footing_ohm, ratio_m):
    tower = phases_struck(typical_geometry(voltage), footing_ohm, ratio_m * footing_ohm)
    for power_kv in np.array([-0.9, 0.0, 0.9]) * crest_voltage(voltage):
        current_ka = critical_current(tower, power_kv)
        met = stress(tower, current_ka, power_kv)
        reach_ka = (met.strength_kv - power_kv) / met.insulator_ohm
        assert_allclose(current_ka, np.maximum(reach_ka, 1.0), rtol=1e-6)


def test_cigre_currents_that_straddle_their_break():
    # Critical currents near 20 kA, where front and distribution change their formula: no step in the rates.
    footings = np.linspace(60.0, 140.0, 400)
    for distribution in ("IEEE", "CIGRE"):
        rates = probability(footing_ohm=footings, soil_ohm_m=20 * footings, distribution=distribution)
        assert np.all(np.diff(rates) > -1e-3)
        assert np.abs(np.diff(rates)).max() < 2e-3


def test_impossible_soil_is_raised_and_told():
    found = tower_rates(LINE, Towers([100.0, 100.0, 10.0], [100.0, 500.0, 100.0], 300.0))
    assert found.soil_raised.tolist() == [True, False, False]
    assert found.probability[0] == pytest.approx(found.probability[1])
    bare = tower_rates(LINE, Towers(100.0, 100.0, 300.0), Method(soil_ratio_min_m=0.0))
    assert not bare.soil_raised
    assert bare.probability < found.probability[0] / 2  # the miracle that the guard is there for


def test_soil_helpers():
    assert assumed_resistivity([5.0, np.nan]) == pytest.approx([100.0, np.nan], nan_ok=True)
    soil_ohm_m, raised = raised_resistivity([10.0, 10.0, np.nan], [49.0, np.nan, 10.0])
    assert soil_ohm_m == pytest.approx([50.0, np.nan, 10.0], nan_ok=True)
    assert raised.tolist() == [True, False, False]


def test_cap_of_the_short_tail():
    # Without the cap very high footings would look stronger: 400 kV, 300 Ω.
    line = typical_geometry(400.0)
    capped, bare = (
        probability(line, 300.0, 6000.0, gradient_kv_m=np.inf, strength_cap=cap) for cap in (1.4, np.inf)
    )
    assert bare < 0.7 * capped


def test_neighbours_help():
    footings = np.array([10.0, 50.0, 100.0])
    with_, without = (probability(footing_ohm=footings, span_reflections=on) for on in (True, False))
    assert np.all(with_ < without)
    far = tower_rates(LINE, Towers(50.0, 1000.0, 5000.0), Method(span_reflections=True)).probability
    alone = tower_rates(LINE, Towers(50.0, 1000.0, 5000.0)).probability
    assert far == pytest.approx(alone, rel=1e-12)  # the reflection of 33 µs comes too late


@pytest.mark.parametrize("footing_ohm", [1e-4, 3.0, 50.0, 278.25, 900.0, np.inf])
def test_sum_over_reflections(footing_ohm):
    # Term by term as the brackets are printed in CIGRE Technical Brochure 63 (1991), from memory.
    front_us, span_us = 10.0, 0.3
    to_wire = 1 / (1 + 2 * footing_ohm / 556.5)
    passed, relief = 2 * to_wire - 1, 0.0
    for k in range(1, 17):  # 2·17·0.3 lies beyond the front
        relief += (to_wire * passed) ** (k - 1) * (1 - 2 * k * span_us / front_us)
    expected = 1 - to_wire * (1 - passed) * relief
    assert span_factor(footing_ohm, 556.5, span_us, front_us) == pytest.approx(expected, rel=1e-7)


def test_interpolated_rates():
    lot = np.random.default_rng(5)
    for voltage in VOLTAGES:
        footing_ohm = np.exp(lot.normal(3.0, 1.3, (40, 12)))
        soil_ohm_m = footing_ohm * 20 * np.exp(lot.normal(0.0, 1.0, (40, 12)))
        strength_kv = flashover_voltage(typical_geometry(voltage).strike_length_m) * lot.uniform(
            0.8, 1.2, (40, 1)
        )
        towers = Towers(footing_ohm, soil_ohm_m, lot.uniform(150, 600, 12), 3.0, strength_kv)
        for method in (Method(), Method("CIGRE"), Method(gradient_kv_m=np.inf)):
            exact = tower_rates(typical_geometry(voltage), towers, method)
            found = tabulated_rates(typical_geometry(voltage), towers, method)
            assert_allclose(found.backflashovers_per_year, exact.backflashovers_per_year, rtol=0.005)
            assert_allclose(found.soil_raised, exact.soil_raised)


@pytest.mark.parametrize("rates", [tower_rates, tabulated_rates])
def test_shapes(rates):
    one = rates(LINE, Towers(20.0, 400.0, 300.0))
    assert np.ndim(one.backflashovers_per_year) == 0
    row = rates(LINE, Towers([20.0, 50.0], 400.0, [300.0, 250.0]))
    assert row.critical_ka.shape == (2,)
    assert row.probability[0] == pytest.approx(one.probability, rel=1e-12)
    draws = rates(
        LINE, Towers(np.full((3, 2), 20.0), 400.0, [300.0, 250.0], np.ones((3, 1)), height_m=[30.0, 33.0])
    )
    assert draws.soil_raised.shape == draws.collected_per_year.shape == (3, 2)
    assert_allclose(draws.probability[:, 0], one.probability, rtol=1e-12)
    assert rates(LINE, Towers([], [], [])).probability.shape == (0,)


@pytest.mark.parametrize("rates", [tower_rates, tabulated_rates])
@pytest.mark.parametrize(
    "name", ["footing_ohm", "resistivity_ohm_m", "span_m", "flash_density", "strength_kv", "height_m"]
)
def test_what_is_not_known_stays_so(rates, name):
    known = {
        "footing_ohm": 20.0,
        "resistivity_ohm_m": 400.0,
        "span_m": 300.0,
        "strength_kv": 700.0,
        "height_m": 30.0,
    }
    towers = Towers(**(known | {name: np.array([known.get(name, 1.0), np.nan])}))
    found = rates(LINE, towers).backflashovers_per_year
    assert np.isnan(found).tolist() == [False, True]


def test_chance_does_not_need_a_flash_density():
    found = tower_rates(LINE, Towers(20.0, 400.0, 300.0, np.nan))
    assert found.probability == pytest.approx(probability())
    assert np.isnan(found.backflashovers_per_year)


def test_every_phase_at_every_angle():
    # The plain way, phase by phase and angle by angle; the two lowest phases differ in their crossarms only.
    line = replace(
        LINE,
        phase_x_m=(3.2, 3.6, 3.4, -3.2, -4.1, -3.4),
        crossarm_y_m=(26.1, 22.4, 18.7, 25.6, 22.4, 19.3),
        phase_angle_deg=(0.0, -120.0, 120.0, 120.0, 0.0, -120.0),
    )
    tower, least_ka = phases_struck(line, 25.0, 400.0), []
    for step in range(24):
        degrees = 15.0 * (step + 0.5) + np.array(line.phase_angle_deg)
        least_ka.append(critical_current(tower, crest_voltage(132.0) * np.sin(np.radians(degrees))).min())
    by_hand = np.mean(1 / (1 + (np.array(least_ka) / 31) ** 2.6))
    assert probability(line, 25.0, 400.0) == pytest.approx(by_hand, rel=1e-6)


def test_two_wires_collect_more():
    # Eriksson 1987: the distance between the outer shield wires widens the strip.
    line = typical_geometry(400.0)
    collected = tower_rates(line, Towers(20.0, 400.0, 400.0, 2.0)).collected_per_year
    assert collected == pytest.approx(2.0 * (28 * 50**0.6 + 14) * 400e-6)


def test_nothing_that_was_handed_over_changes():
    footing_ohm, soil_ohm_m = np.array([20.0, 500.0]), np.array([400.0, 100.0])
    tower_rates(LINE, Towers(footing_ohm, soil_ohm_m, 300.0))
    assert footing_ohm.tolist() == [20.0, 500.0]
    assert soil_ohm_m.tolist() == [400.0, 100.0]


def test_taller_tower():
    # Another body under the same head: more flashes, longer tower, higher wires; as a geometry of that height.
    moved = {
        name: tuple(v + 6 for v in getattr(LINE, name)) for name in ("wire_y_m", "phase_y_m", "crossarm_y_m")
    }
    own = tower_rates(replace(LINE, height_m=36.0, **moved), Towers(20.0, 400.0, 300.0))
    found = tower_rates(LINE, Towers(20.0, 400.0, 300.0, height_m=[36.0, 30.0]))
    assert found.backflashovers_per_year[0] == pytest.approx(own.backflashovers_per_year, rel=1e-9)
    assert found.backflashovers_per_year[0] > found.backflashovers_per_year[1]


def test_one_circuit_has_the_rate_of_two_equal_ones():
    # Mirror-image circuits with the same phase on the same level stress their insulators alike.
    names = ("phase_x_m", "phase_y_m", "crossarm_y_m", "phase_sag_m", "phase_angle_deg")
    single = replace(LINE, **{name: getattr(LINE, name)[:3] for name in names})
    assert probability(single) == pytest.approx(probability(), rel=1e-12)
    crossed = replace(LINE, phase_angle_deg=(0.0, -120.0, 120.0, 120.0, -120.0, 0.0))
    assert probability(crossed) > probability()


def test_arresters():
    assert probability(with_arresters(LINE, range(6))) == 0.0
    lower = probability(with_arresters(LINE, (2, 5)))
    assert probability(with_arresters(LINE, (1, 2, 4, 5))) < lower < probability()
    more = surges(with_arresters(LINE, (2, 5)))
    usual = surges(LINE)
    assert more.wire_ohm < usual.wire_ohm
    assert np.all(more.coupling > usual.coupling[[0, 1, 3, 4]])
    assert np.isnan(tower_rates(with_arresters(LINE, range(6)), Towers(np.nan, 1.0, 300.0)).probability)


def test_two_far_wires_are_two_wires():
    # Wires far apart do not see each other: half the impedance of one.
    far = replace(
        LINE, wire_x_m=(-1e4, 1e4), wire_y_m=(30.0, 30.0), wire_sag_m=(5.0, 5.0), wire_radius_m=(0.005,) * 2
    )
    assert surges(far).wire_ohm == pytest.approx(surges(LINE).wire_ohm / 2, rel=1e-4)


def test_two_equal_wires_by_hand():
    # Handbook form: Zg = (Z11 + Z12)/2 and C = (Z1n + Z2n)/(Z11 + Z12).
    line = typical_geometry(400.0)
    h, a = 50.0 - 6.0, 14.0
    z11, z12 = 60 * np.log(2 * h / 0.007), 60 * np.log(np.hypot(2 * h, a) / a)
    phase_m, x = 38.0 - 8.0, 6.5
    to_phase = [60 * np.log(np.hypot(h + phase_m, x - w) / np.hypot(h - phase_m, x - w)) for w in (-7.0, 7.0)]
    met = surges(line)
    assert met.wire_ohm == pytest.approx((z11 + z12) / 2, rel=1e-12)
    assert met.coupling[0] == pytest.approx(sum(to_phase) / (z11 + z12), rel=1e-12)


def test_phase_that_rises_with_the_tower_never_flashes_over():
    tower = replace(phases_struck(LINE, 20.0, 400.0), coupling=np.full(6, 1.2))
    assert np.all(np.isinf(critical_current(tower, 0.0)))


def test_hopeless_insulation():
    found = tower_rates(LINE, Towers(20.0, 400.0, 300.0, strength_kv=1e-3))
    assert found.probability == pytest.approx(1 / (1 + 31**-2.6), rel=1e-7)  # the least current is 1 kA


def test_flaws_are_named():
    found = input_flaws(
        footing_ohm=[10.0, 0.0, np.nan, 1001.0, 10.0, 10.0, 10.0, 10.0],
        resistivity_ohm_m=[200.0, 200.0, 200.0, 2e4, np.nan, 200.0, -1.0, 200.0],
        strength_kv=[700.0, 700.0, 700.0, 700.0, 700.0, 0.0, 700.0, 700.0],
        height_m=[30.0, 30.0, 30.0, 30.0, 30.0, 30.0, 30.0, 12.0],
        least_height_m=LINE.least_height_m,
    )
    assert found.tolist() == [
        "",
        "footing resistance is not above 0",
        "footing resistance is not known",
        "footing resistance is above 1000 ohm",
        "soil resistivity is not known",
        "insulator strength is not above 0",
        "soil resistivity is not above 0",
        "tower height is not above the 17.5 m that the line's head needs",
    ]


def test_least_height_is_where_a_phase_touches_ground():
    # Lowest phase 17.2 m with a sag of 7 m hangs at 12.53 m on average; the tower of 30 m can lose that.
    assert LINE.least_height_m == pytest.approx(30 - (17.2 - 14 / 3))
    tower_rates(LINE, Towers(20.0, 400.0, 300.0, height_m=LINE.least_height_m + 0.1))
    with pytest.raises(ValueError, match="a wire would hang below ground"):
        tower_rates(LINE, Towers(20.0, 400.0, 300.0, height_m=LINE.least_height_m - 0.1))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"footing_ohm": [20.0, 0.0]}, r"footing_ohm must be above 0: 1 of 2 are not, the first 0;"),
        ({"footing_ohm": -4.0}, "footing_ohm must be above 0: 1 of 1 are not, the first -4"),
        ({"resistivity_ohm_m": 0.0}, "resistivity_ohm_m must be above 0"),
        ({"span_m": 0.0}, "span_m must be above 0"),
        ({"flash_density": -1.0}, "flash_density must be 0 or more"),
        ({"strength_kv": -700.0}, "strength_kv must be above 0"),
        ({"height_m": 0.0}, "height_m must be above 0"),
        ({"footing_ohm": [1.0, 2.0], "span_m": [1.0, 2.0, 3.0]}, r"do not go together: footing_ohm \(2,\)"),
    ],
)
def test_towers_that_cannot_be(change, message):
    towers = Towers(**({"footing_ohm": 20.0, "resistivity_ohm_m": 400.0, "span_m": 300.0} | change))
    with pytest.raises(ValueError, match=message):
        tower_rates(LINE, towers)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"strike_length_m": 0.0}, "strike_length_m = 0: a number above 0 is needed"),
        ({"strike_length_m": -1.0}, "strike_length_m = -1"),
        ({"strike_length_m": np.nan}, "strike_length_m = nan"),
        ({"height_m": 0.0}, "height_m = 0"),
        ({"voltage_kv": 0.0}, "voltage_kv = 0"),
        ({"surge_impedance_ohm": np.inf}, "surge_impedance_ohm = inf"),
        ({"wire_y_m": (20.0,)}, "a shield wire at 20 m does not lie above the phase at 24.6 m"),
        ({"wire_radius_m": (0.0,)}, "wire_radius_m = 0"),
        ({"wire_x_m": (), "wire_y_m": (), "wire_sag_m": (), "wire_radius_m": ()}, "no shield wire is given"),
        ({"phase_x_m": (1.0, 2.0)}, "each phase needs one value of each kind, but there are 2 in phase_x_m"),
        ({"crossarm_y_m": 6 * (31.0,)}, "a crossarm at 31 m lies above the tower of 30 m"),
        ({"held": (6,)}, r"phases \(6,\) are to be held, but there are only 0 to 5"),
    ],
)
def test_lines_that_cannot_be(change, message):
    with pytest.raises(ValueError, match=message):
        replace(LINE, **change)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"distribution": "ieee"}, "no stroke distribution 'ieee'; known are IEEE, CIGRE"),
        ({"angles": 0}, "averaged over 1 angle or more, not 0"),
        ({"gradient_kv_m": 0.0}, "gradient_kv_m = 0 above 0"),
        ({"strength_cap": 0.5}, "strength_cap = 0.5 of 1 or more"),
        ({"soil_ratio_min_m": -1.0}, "soil_ratio_min_m = -1 not below 0"),
    ],
)
def test_methods_that_cannot_be(settings, message):
    with pytest.raises(ValueError, match=message):
        Method(**settings)


@pytest.mark.parametrize("voltage", VOLTAGES)
def test_typical_towers_stand(voltage):
    line = typical_geometry(voltage)
    assert line.voltage_kv == voltage
    found = tower_rates(line, Towers([5.0, 50.0], [100.0, 1000.0], 300.0))
    assert 0 < found.probability[0] < found.probability[1] < 1


def test_typical_towers_follow_the_voltage():
    rows = classes()
    assert [row["from_kv"] for row in rows[1:]] == [row["below_kv"] for row in rows[:-1]]
    for name in ("height_m", "strike_length_m"):
        assert np.all(np.diff([float(row[name]) for row in rows]) > 0)


@pytest.mark.parametrize("voltage", [37.9, 421.0, 765.0])
def test_no_typical_tower(voltage):
    with pytest.raises(ValueError, match="the table goes from 38 to below 421 kV"):
        typical_geometry(voltage)
