"""The scan for open bonds and spans: reference densities, another solver, planted faults, false alarms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import i0e

from towerlib.physics.fault_scan import scan as scans
from towerlib.physics.fault_scan.calibration import node_admittances, node_potentials, weight
from towerlib.physics.fault_scan.likelihood import (
    _square_bessel,
    impedance_normal,
    normal,
    normal_log_density,
    rice_each,
    rice_grid,
    rice_sum,
)
from towerlib.physics.fault_scan.response import (
    NONE,
    WORN_OHM,
    ambient_model,
    impedance_model,
    inverse,
    known_footings,
    possible,
    respond,
    with_fault,
)
from towerlib.physics.fault_scan.scan import (
    Ambient,
    Errors,
    Injected,
    ScanOptions,
    scan_faults,
    single_faults,
)
from towerlib.physics.ladder import driving_points, ladder, solve

TOWERS = 40
QUICK = ScanOptions(copies=60, power_copies=12)
WIRE = 0.31e-3 + 0.76e-3j  # Ω/m
FAULTS = [("bond", 0), ("bond", 11), ("span", 0), ("span", 20), ("worn", 11), ("worn", 39)]


def some_line(seed=1, count=TOWERS, **changed):
    """Footings, bonds and spans of a line between two stations."""
    rng = np.random.default_rng(seed)
    parts = {
        "footing_ohm": 15 * np.exp(0.6 * rng.standard_normal(count)),
        "bond_ohm": np.zeros(count),
        "span_ohm": WIRE * rng.uniform(220, 480, count - 1),
        "station_ohm": (0.4, 0.9),
    }
    return ladder(**{**parts, **changed})


def with_errors(values, share, rng):
    return values * np.exp(share * rng.standard_normal(len(values)))


def injected(line, faults=(), every=1, seed=2, error=0.05):
    """A round of tests on a line with faults, of which the scan is told nothing."""
    rng, true = np.random.default_rng(seed), line
    for fault in faults:
        true = with_fault(true, *fault)
    read_ohm = with_errors(np.abs(driving_points(true).tower_ohm), error, rng)
    told = replace_footing(line, with_errors(line.footing_ohm, error, rng))
    return Injected(told, np.where(np.arange(len(read_ohm)) % every == 0, read_ohm, np.nan))


def replace_footing(line, footing_ohm):
    filled = ladder(footing_ohm, line.bond_ohm, np.ones(len(footing_ohm) - 1))
    return replace(filled, span_s=line.span_s, station_s=line.station_s)


def in_service(line, faults=(), forced_a=10.0, uneven=0.1, noise_a=0.004, seed=3):
    """A round in service on a line with faults; `forced_a` may be an array."""
    rng, true = np.random.default_rng(seed), line
    for fault in faults:
        true = with_fault(true, *fault)
    chance = rng.standard_normal((2, len(line.span_s))) / np.sqrt(2)
    drive_a = forced_a * (1 + uneven * (chance[0] + 1j * chance[1]))
    noise = noise_a * (rng.standard_normal(len(line.tower_s)) + 1j * rng.standard_normal(len(line.tower_s)))
    footing_a = solve(true, span_emf_v=drive_a / line.span_s).footing_a
    told = replace_footing(line, with_errors(np.abs(line.footing_ohm), 0.05, rng))
    return Ambient(told, np.abs(footing_a + noise), forced_a)


def named(scan):
    return {(fault.kind, fault.position) for fault in scan.faults}


# ---- densities against SciPy


def test_normal_density_against_scipy():
    rng = np.random.default_rng(4)
    root, mean, values = rng.standard_normal((7, 7)), rng.standard_normal(7), rng.standard_normal((5, 7))
    covariance = root @ root.T + np.eye(7)
    expected = stats.multivariate_normal(mean, covariance).logpdf(values) + 3.5 * np.log(2 * np.pi)
    assert normal_log_density(normal(mean, covariance), values) == pytest.approx(expected, rel=1e-10)


def test_impedance_density_against_scipy():
    # The covariance put together by hand from the effects of each uncertain quantity.
    line, errors, rows = some_line(), Errors(), np.arange(3, 12)
    response = respond(line, inverse(line), ("span", 6), rows)
    footing_u = np.full(TOWERS, 0.07)
    mean, load = impedance_model(response, footing_u, errors)
    values = mean + 0.1 * np.random.default_rng(1).standard_normal((4, len(rows)))
    covariance = sum(np.outer(effect, effect) for effect in load.T) + errors.reading**2 * np.eye(len(rows))
    expected = stats.multivariate_normal(mean, covariance).logpdf(values) + len(rows) / 2 * np.log(2 * np.pi)
    assert normal_log_density(impedance_normal(response, footing_u, errors), values) == pytest.approx(
        expected
    )


def test_rice_sums_are_sums_of_densities():
    line, errors = some_line(), Errors(noise_a=0.003, own_a=0.001)
    drive, nothing = np.full(TOWERS - 1, 8.0 + 0j), np.zeros(TOWERS)
    response = respond(line, inverse(line), ("bond", 5), np.arange(TOWERS))
    grid = rice_grid(response, drive, nothing, np.full(TOWERS, 0.1), errors)
    total_a = np.abs(np.random.default_rng(1).normal(0.02, 0.02, (2, TOWERS)))
    summed = rice_sum(grid, total_a)
    assert rice_each(grid, total_a).sum(axis=1) == pytest.approx(summed, rel=1e-9)
    induced, _, uneven_a2 = ambient_model(response, drive, nothing)
    for s, uneven in enumerate(errors.uneven):
        for c, size in enumerate(errors.scale):
            mean = size * np.abs(induced)
            variance = (size * uneven) ** 2 * uneven_a2 + 0.001**2 + 2 * 0.003**2 + (0.1 * mean) ** 2
            expected = stats.rice(mean / np.sqrt(variance / 2), scale=np.sqrt(variance / 2)).logpdf(total_a)
            assert summed[:, s, c] == pytest.approx((expected - np.log(total_a)).sum(axis=1), rel=1e-9)


# ---- responses against the solver of the whole ladder


@pytest.mark.parametrize("fault", [NONE, *FAULTS])
def test_impedances_of_a_hypothesis_are_those_of_the_ladder_rebuilt(fault):
    line = some_line()
    rebuilt = line if fault == NONE else with_fault(line, *fault)
    mean, _ = impedance_model(
        respond(line, inverse(line), fault, np.arange(TOWERS)), np.zeros(TOWERS), Errors()
    )
    assert mean == pytest.approx(np.log(np.abs(driving_points(rebuilt).tower_ohm)), rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("fault", [NONE, *FAULTS])
def test_currents_of_a_hypothesis_are_those_of_the_ladder_rebuilt(fault):
    line, rng = some_line(), np.random.default_rng(5)
    rebuilt = line if fault == NONE else with_fault(line, *fault)
    forced_a = rng.standard_normal(TOWERS - 1) + 1j * rng.standard_normal(TOWERS - 1)
    capacitive_a = rng.standard_normal(TOWERS) * 0.01
    response = respond(line, inverse(line), fault, np.arange(TOWERS))
    induced, capacitive, uneven_a2 = ambient_model(response, forced_a, capacitive_a)
    emf_v = forced_a / line.span_s
    assert induced == pytest.approx(solve(rebuilt, span_emf_v=emf_v).footing_a, rel=1e-8, abs=1e-10)
    each = solve(rebuilt, span_emf_v=np.diag(emf_v)).footing_a
    assert uneven_a2 == pytest.approx((np.abs(each) ** 2).sum(axis=1), rel=1e-8, abs=1e-14)
    # A current into the wire is one into a body whose bond is sound.
    if fault[0] in ("none", "span"):
        assert capacitive == pytest.approx(solve(rebuilt, capacitive_a).footing_a, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("fault", [NONE, ("bond", 11), ("span", 20), ("worn", 11)])
def test_effects_on_impedances_are_differences_of_the_ladder_rebuilt(fault):
    bond_ohm = np.where(np.arange(TOWERS) == 25, 7.0, 0.0)
    line, step = some_line(bond_ohm=bond_ohm), 1e-6
    errors = Errors(wire=1.0, station=1.0)
    response = respond(line, inverse(line), fault, np.arange(TOWERS))
    _, load = impedance_model(response, np.ones(TOWERS), errors)

    def seen(footing=None, wire=0.0, station=(0.0, 0.0)):
        """Logarithms of the impedances of the ladder with something a little larger."""
        changed = (
            line
            if footing is None
            else replace_footing(
                line, line.footing_ohm * np.where(np.arange(TOWERS) == footing, np.exp(step), 1.0)
            )
        )
        earths = np.zeros(TOWERS)
        earths[[0, -1]] = station
        changed = replace(
            changed, span_s=line.span_s * np.exp(-wire), station_s=line.station_s * np.exp(-earths)
        )
        changed = changed if fault == NONE else with_fault(changed, *fault)
        return np.log(np.abs(driving_points(changed).tower_ohm))

    sound = seen()
    for tower in (0, 5, 10, 11, 12, 25, 39):
        assert load[:, tower] == pytest.approx((seen(footing=tower) - sound) / step, rel=1e-3, abs=1e-5)
    assert load[:, TOWERS] == pytest.approx((seen(wire=step) - sound) / step, rel=1e-3, abs=1e-5)
    assert load[:, TOWERS + 1] == pytest.approx((seen(station=(step, 0)) - sound) / step, rel=1e-3, abs=1e-5)
    assert load[:, TOWERS + 2] == pytest.approx((seen(station=(0, step)) - sound) / step, rel=1e-3, abs=1e-5)


def test_effect_of_a_worn_bond_is_a_difference_of_ladders(monkeypatch):
    line, step = some_line(), 1e-6
    response = respond(line, inverse(line), ("worn", 11), np.arange(TOWERS))
    _, load = impedance_model(response, np.zeros(TOWERS), Errors())
    worn_ohm = np.where(np.arange(TOWERS) == 11, WORN_OHM, 0.0)
    seen = [
        np.log(np.abs(driving_points(some_line(bond_ohm=worn_ohm * np.exp(more))).tower_ohm))
        for more in (0, step)
    ]
    from towerlib.physics.fault_scan.response import WORN_U

    assert load[:, -1] / WORN_U == pytest.approx((seen[1] - seen[0]) / step, rel=1e-3, abs=1e-5)


def test_many_ladders_at_once_are_the_single_ones():
    lines = [some_line(seed) for seed in (1, 2)]
    lines.append(with_fault(with_fault(lines[0], "span", 7), "bond", 20))
    node_s = np.stack([line.tower_s + line.station_s for line in lines], axis=1)
    span_s = np.stack([line.span_s for line in lines], axis=1)
    drive_a = np.random.default_rng(1).standard_normal((TOWERS, len(lines)))
    potential = node_potentials(node_s, span_s, drive_a)
    admittance_s = node_admittances(node_s, span_s)
    for k, line in enumerate(lines):
        points = driving_points(line)
        assert 1 / admittance_s[:, k] == pytest.approx(points.wire_ohm, rel=1e-10)
        matrix = inverse(line)
        assert potential[:, k] == pytest.approx(matrix @ drive_a[:, k], rel=1e-8)


# ---- laws


def test_even_induction_is_blind_to_a_bond_far_from_the_ends():
    # A current that is the same in every span goes on from span to span and enters no footing in between.
    line = some_line(count=121, footing_ohm=np.full(121, 5.0))
    responses = [respond(line, inverse(line), fault, np.arange(121)) for fault in (NONE, ("bond", 60))]
    sound, opened = (ambient_model(one, np.full(120, 10.0), np.zeros(121))[0] for one in responses)
    assert np.abs(sound[50:71]).max() < 1e-3
    assert np.abs(opened - sound).max() < 1e-3
    broken = respond(line, inverse(line), ("span", 60), np.arange(121))
    assert np.abs(ambient_model(broken, np.full(120, 10.0), np.zeros(121))[0])[[60, 61]].min() > 0.5


def test_open_bond_and_lost_footing_are_the_same_in_service():
    line = some_line()
    footing_ohm = np.where(np.arange(TOWERS) == 11, np.inf, line.footing_ohm)
    lost = some_line(footing_ohm=footing_ohm)
    opened = respond(line, inverse(line), ("bond", 11), np.arange(TOWERS))
    forced_a = np.random.default_rng(1).uniform(5, 15, TOWERS - 1)
    current_a = ambient_model(opened, forced_a, np.zeros(TOWERS))[0]
    assert current_a == pytest.approx(solve(lost, span_emf_v=forced_a / line.span_s).footing_a, abs=1e-9)


def test_weight_of_normal_scores():
    # ln of the mean of exp(w·x) is w·m + w²V/2 for a normal x: 0 at w = −2m/V.
    x = np.random.default_rng(1).standard_normal((200_000, 1))
    assert weight(-0.5 + x) == pytest.approx(1.0, abs=0.02)
    assert weight(-0.3 + x) == pytest.approx(0.6, abs=0.02)
    assert weight(-2.0 + x) == pytest.approx(1.0)
    assert weight(0.1 + x) == pytest.approx(0.0, abs=1e-6)


def test_a_true_likelihood_ratio_keeps_its_weight():
    # Injected tests alone, all errors as told: the weights of hypotheses near enough to be seen stay near 1.
    once = single_faults([], [injected(some_line(), every=2)], Errors(), QUICK, np.random.default_rng(1))
    assert np.median(once.calibration.injected_weight) > 0.9


# ---- planted faults


@pytest.mark.parametrize("fault", [("bond", 0), ("bond", 11), ("span", 20), ("span", 38), ("worn", 11)])
def test_injected_tests_at_every_tower_find_a_fault(fault):
    assert named(scan_faults(injected=[injected(some_line(), [fault])], options=QUICK)) == {fault}


def test_currents_in_service_find_an_open_span():
    scan = scan_faults([in_service(some_line(), [("span", 20)])], options=QUICK)
    assert named(scan) == {("span", 20)}
    assert scan.span_verdict[20] == scans.OPEN


def test_an_open_span_is_found_where_the_drive_is_not_known():
    survey = replace(in_service(some_line(), [("span", 20)], forced_a=4.0), forced_a=None)
    assert named(scan_faults([survey], options=QUICK)) == {("span", 20)}


def test_several_faults_are_found_one_after_another():
    faults = [("bond", 8), ("span", 19), ("bond", 30), ("worn", 35)]
    scan = scan_faults([in_service(some_line(), faults)], [injected(some_line(), faults)], options=QUICK)
    assert named(scan) == set(faults)
    assert list(scan.bond_verdict[[8, 30, 35]]) == [
        scans.OPEN,
        scans.OPEN,
        scans.WORN,
    ]
    assert scan.span_verdict[19] == scans.OPEN
    assert all(fault.score > fault.threshold for fault in scan.faults)


def test_rounds_of_other_months_and_frequencies_count_together():
    # Every other tower in either round: only both together have read all of them.
    sound, high = some_line(), some_line(span_ohm=2.4 / some_line().span_s)
    fault = [("bond", 11)]
    rounds = [injected(sound, fault, every=2), injected(high, fault, seed=7)]
    rounds[1] = replace(
        rounds[1], impedance_ohm=np.where(np.arange(TOWERS) % 2, rounds[1].impedance_ohm, np.nan)
    )
    first = scan_faults(injected=rounds[:1], options=QUICK)
    assert ("bond", 11) not in named(first)
    assert first.bond_verdict[11] == scans.NOT_TESTABLE
    assert named(scan_faults(injected=rounds, options=QUICK)) == {("bond", 11)}


def test_a_transposed_line_shows_an_open_bond_in_service():
    forced_a = 10.0 * np.exp(2j * np.pi * (np.arange(TOWERS - 1) * 3 // TOWERS) / 3)
    scan = scan_faults(
        [in_service(some_line(), [("bond", 14)], forced_a)], options=QUICK, errors=Errors(gain=0.03)
    )
    assert ("bond", 14) in named(scan)


# ---- what cannot be told


def test_bonds_of_towers_that_nobody_read_are_not_testable():
    scan = scan_faults(injected=[injected(some_line(), every=4)], options=QUICK)
    read = np.arange(TOWERS) % 4 == 0
    assert (scan.bond_power[read] > 0.9).all()
    assert (scan.bond_power[~read] < 0.5).mean() > 0.7
    assert set(scan.bond_verdict[~read][scan.bond_power[~read] < 0.5]) == {scans.NOT_TESTABLE}
    assert set(scan.bond_verdict[read]) == {scans.NO_SIGN}


def test_even_drive_leaves_bonds_of_the_middle_not_testable_and_spans_testable():
    survey = in_service(some_line(), forced_a=3.0, uneven=0.02, noise_a=0.01)
    scan = scan_faults([survey], errors=Errors(noise_a=0.01, uneven=(0.02,)), options=QUICK)
    assert (scan.bond_verdict[8:-8] == scans.NOT_TESTABLE).mean() > 0.8
    assert (scan.span_power[8:-8] > 0.9).all()


def test_power_is_the_share_of_lines_on_which_it_is_found():
    # The powers of one line against 60 lines of that kind on which each such bond is really open.
    line, bond = some_line(5), 13
    scan = scan_faults(injected=[injected(line, every=3)], options=replace(QUICK, power_copies=200))
    found = [
        (("bond", bond) in named_once(injected(line, [("bond", bond)], every=3, seed=seed)))
        for seed in range(60)
    ]
    assert scan.bond_power[bond] == pytest.approx(np.mean(found), abs=4 * np.sqrt(0.25 / 60))


def named_once(survey):
    """Every hypothesis above the threshold of one pass."""
    once = single_faults([], [survey], Errors(), QUICK, np.random.default_rng(1))
    return {once.hypotheses[k] for k in np.flatnonzero(once.score > once.calibration.threshold)}


def test_bonds_open_by_design_are_not_asked():
    line = some_line(bond_ohm=np.where(np.arange(TOWERS) < 3, np.inf, 0.0))
    scan = scan_faults(injected=[injected(line)], options=QUICK)
    assert list(scan.bond_verdict[:4]) == [scans.BY_DESIGN] * 3 + [scans.NO_SIGN]
    assert np.isnan(scan.bond_score[:3]).all()


def test_a_span_whose_end_has_no_other_earth_is_not_asked():
    line = some_line(bond_ohm=np.where(np.arange(TOWERS) == 0, np.inf, 0.0), station_ohm=(np.inf, np.inf))
    scan = scan_faults(injected=[injected(line)], options=QUICK)
    assert scan.span_verdict[0] == scans.NO_EARTH
    assert ("span", 0) not in possible(line, inverse(line))


# ---- false alarms


@pytest.mark.parametrize("kind", ["injected", "in service", "both"])
def test_lines_without_a_fault_alarm_no_more_than_promised(kind):
    # 60 lines at 5 %: more than 9 alarms have a chance of 0.1 % (binomial).
    options, alarms = replace(QUICK, copies=100), 0
    assert stats.binom(60, 0.05).sf(9) < 0.002
    for seed in range(60):
        line, rng = some_line(seed, 24), np.random.default_rng(1000 + seed)
        told = replace(line, span_s=line.span_s * np.exp(0.12 * rng.standard_normal()))
        tests = replace(injected(line, every=2, seed=2000 + seed))
        tests = replace(tests, line=replace(tests.line, span_s=told.span_s))
        service = in_service(line, uneven=rng.uniform(0.03, 0.15), seed=3000 + seed)
        service = replace(service, total_a=service.total_a * rng.uniform(0.7, 1.4))
        rounds = ([] if kind == "injected" else [service], [] if kind == "in service" else [tests])
        once = single_faults(*rounds, Errors(gain=0.03), options, rng)
        alarms += once.score.max() > once.calibration.threshold
    assert alarms <= 9


# ---- missing and bad input


def test_footings_that_are_not_known_take_the_median_and_its_spread():
    footing_ohm = np.array([10.0, 20.0, 40.0, 5.0, 80.0, np.nan])
    filled, footing_u = known_footings(ladder(footing_ohm, 0.0, np.ones(5)), 0.05, 0.6)
    assert filled.footing_ohm[-1] == 20.0
    assert footing_u == pytest.approx([0.05] * 5 + [np.log(2) * np.sqrt(2.5)])
    few, footing_u = known_footings(ladder([10.0, np.nan, 12.0], 0.0, np.ones(2)), 0.05, 0.6)
    assert few.footing_ohm[1] == 11.0
    assert footing_u[1] == 0.6


def test_an_open_bond_is_found_with_half_the_footings_unknown():
    survey = injected(some_line(), [("bond", 11)])
    footing_ohm = np.where(np.arange(TOWERS) % 2 == 0, np.nan, survey.line.footing_ohm)
    survey = replace(survey, line=replace_footing(survey.line, footing_ohm))
    scan = scan_faults(injected=[survey], options=QUICK)
    assert named(scan) == {("bond", 11)}


def test_the_scan_changes_nothing_and_repeats_itself():
    survey = injected(some_line(), [("bond", 11)], every=2)
    before = survey.impedance_ohm.copy(), survey.line.tower_s.copy()
    one, other = (scan_faults(injected=[survey], options=QUICK) for _ in range(2))
    np.testing.assert_array_equal(survey.impedance_ohm, before[0])
    np.testing.assert_array_equal(survey.line.tower_s, before[1])
    np.testing.assert_array_equal(one.bond_score, other.bond_score)
    np.testing.assert_array_equal(one.bond_power, other.bond_power)


def bad(**changed):
    survey = injected(some_line())
    return replace(survey, **changed)


@pytest.mark.parametrize(
    ("rounds", "message"),
    [
        ({}, "no reading to scan"),
        ({"injected": [bad(impedance_ohm=np.full(TOWERS, np.nan))]}, "no reading to scan"),
        ({"injected": [bad(), bad(impedance_ohm=np.ones(3))]}, "same towers"),
        ({"injected": [bad(impedance_ohm=np.full(TOWERS, -1.0))]}, "magnitudes"),
        ({"injected": [bad(impedance_ohm=np.zeros(TOWERS))]}, "an impedance of 0 ohm"),
        ({"injected": [Injected(ladder([1.0, 1.0], 0.0, [1.0]), np.ones(2))]}, "too short"),
        ({"injected": [bad(line=some_line(footing_ohm=np.full(TOWERS, np.nan)))]}, "no footing of the line"),
        ({"ambient": [Ambient(some_line(), np.ones(TOWERS), np.full(TOWERS - 1, np.nan))]}, "forced current"),
    ],
)
def test_bad_input_is_named(rounds, message):
    with pytest.raises(ValueError, match=message):
        scan_faults(**rounds)


@pytest.mark.parametrize(
    ("settings", "changed", "message"),
    [
        (Errors, {"noise_a": -1.0}, "not negative"),
        (Errors, {"reading": 0.0}, "greater than 0"),
        (Errors, {"scale": ()}, "sizes and unevenness"),
        (ScanOptions, {"false_alarm": 0.0}, "false alarm rate"),
        (ScanOptions, {"copies": 10}, "1/rate copies"),
        (ScanOptions, {"reach_towers": 0}, "reach"),
    ],
)
def test_bad_settings_are_named(settings, changed, message):
    with pytest.raises(ValueError, match=message):
        settings(**changed)


def test_bessel_function_of_many_readings_is_that_of_scipy():
    z = np.concatenate([[0.0], np.geomspace(1e-6, 1e7, 3000)])
    assert _square_bessel(z) == pytest.approx(i0e(z) ** 2, rel=1e-8)
