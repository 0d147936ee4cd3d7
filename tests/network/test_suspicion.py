"""Probability of poor bonds and broken wires, and the field of the probes: closed forms, laws and cases by hand."""

import re

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from network_lines import SOIL_OHM_M, SPAN_M, line, seen_at_towers, wire_ohm_m

from towerlib import network
from towerlib.network import bonds, scan
from towerlib.network.probe_field import ProbeField, leg_current, reading_ohm, true_footing, without_field
from towerlib.physics.probes import hemisphere_reading_ratio
from towerlib.values import number

FOOTINGS = np.array([14.2, 8.7, 31.5, 12.0, 6.3, 55.0, 18.9, 9.4, 40.0, 22.6, 14.8, 11.1])
NONE = ProbeField(*np.zeros((5, 1)))


def field(near_ohm, far_ohm, apart_ohm):
    """A field of given potentials."""
    return ProbeField(*(np.atleast_1d(float(ohm)) for ohm in (near_ohm, far_ohm, apart_ohm, 0.0, 0.0)))


# ---- the field of the probes


@given(
    radius_m=st.floats(0.5, 5),
    potential_m=st.floats(30, 80),
    beyond=st.floats(1.2, 3),
    angle=st.floats(0, 90),
)
def test_without_wires_it_is_the_fall_of_potential(radius_m, potential_m, beyond, angle):
    """MIL-HDBK-419A, volume 1, equations 2-41 to 2-46, by `hemisphere_reading_ratio`."""
    current_m = beyond * potential_m
    soil = 100.0 / (2 * np.pi)
    apart_m = abs(potential_m - current_m * np.exp(1j * np.radians(angle)))
    seen = field(soil / potential_m, soil / current_m, soil / apart_m)
    ratio = reading_ohm(soil / radius_m, 0.0, seen) / (soil / radius_m)
    expected = abs(hemisphere_reading_ratio(radius_m, potential_m, current_m, angle))
    assert ratio[0] == pytest.approx(expected, rel=1e-9)


@given(footing=st.floats(1, 500), rest=st.floats(0.05, 20), angle=st.floats(0, 80))
def test_without_a_field_it_is_the_current_divider(footing, rest, angle):
    """Ohm's law: 1/(1 + R·Y) of the current, R in parallel with the rest."""
    rest_s = np.exp(-1j * np.radians(angle)) / rest
    assert abs(leg_current(footing, rest_s, NONE)[0]) == pytest.approx(abs(1 / (1 + footing * rest_s)))
    assert reading_ohm(footing, rest_s, NONE)[0] == pytest.approx(abs(1 / (1 / footing + rest_s)))


def test_by_hand():
    """R = 100 Ω, rest 1 Ω, potentials 1, 0.5 and 2 Ω: i = 1.5/101; V = i·99 + 1.5 = 2.9703 Ω against 0.990 Ω without."""
    seen = field(1.0, 0.5, 2.0)
    assert leg_current(100.0, 1.0, seen)[0] == pytest.approx(1.5 / 101)
    assert reading_ohm(100.0, 1.0, seen)[0] == pytest.approx(1.5 / 101 * 99 + 1.5)
    assert reading_ohm(100.0, 1.0, NONE)[0] == pytest.approx(100 / 101)


FIELDS = st.tuples(st.floats(0.001, 0.02), st.floats(0.001, 0.01), st.floats(0.01, 0.04))


@given(
    footing=st.floats(2, 500),
    rest=st.floats(0.1, 20),
    angle=st.floats(0, 70),
    parts=FIELDS,
    bond=st.floats(0, 1e3),
)
def test_footing_comes_back(footing, rest, angle, parts, bond):
    """What is read with coils is V/i; solving it again gives the footing, and never less than a tenth of what was read."""
    rest_s = 1 / (rest * np.exp(1j * np.radians(angle)) + bond)
    seen = field(*(footing * np.array(parts)))
    current, volts = leg_current(footing, rest_s, seen), reading_ohm(footing, rest_s, seen)
    read = volts / abs(current)
    expected = max(footing, 0.1 * float(read[0]))
    assert true_footing(read, rest_s, seen)[0] == pytest.approx(expected, rel=1e-6)


@given(footing=st.floats(2, 500), rest=st.floats(0.1, 20), parts=FIELDS, bond=st.floats(0, 1e3))
def test_share_without_the_field_needs_no_model_of_the_line(footing, rest, parts, bond):
    """Two readings give footing and share whatever the bond is like; real admittances."""
    rest_s, seen = 1 / (rest + bond), field(*(footing * np.array(parts)))
    volts = reading_ohm(footing, rest_s, seen)
    read = volts / abs(leg_current(footing, rest_s, seen))
    assume(read[0] < 9 * footing)  # a footing under a tenth of its reading is refused
    found, share = without_field(read, volts, seen)
    assert found[0] == pytest.approx(footing, rel=1e-6)
    assert share[0] == pytest.approx(1 / (1 + footing * rest_s), rel=1e-6)


def read_in_field(footing_ohm, near_m, far_m, hertz=128.0, stations=(0.4, 0.9)):
    """Voltage and leg current at each tower in the field of its own current probe: a dense matrix of Kirchhoff's laws."""
    count, span_ohm = len(footing_ohm), wire_ohm_m(hertz) * SPAN_M
    matrix = np.diag(1 / footing_ohm).astype(complex)
    for k in range(count - 1):
        matrix[k : k + 2, k : k + 2] += np.array([[1, -1], [-1, 1]]) / span_ohm
    matrix[0, 0] += 1 / stations[0]
    matrix[-1, -1] += 1 / stations[1]
    spread = SOIL_OHM_M / (2 * np.pi)
    volts, amps = np.zeros((2, count))
    for k, own in enumerate(footing_ohm):
        injected = np.zeros(count)
        injected[k] = 1 - spread / far_m / own  # the probe lowers the ground under the tower
        potential = np.linalg.solve(matrix, injected)[k]
        current = (potential + spread / far_m) / own
        volts[k], amps[k] = (
            abs(potential - current * spread / near_m + spread / (far_m - near_m)),
            abs(current),
        )
    return volts, amps


def test_the_field_of_the_probes_is_no_poor_bond():
    """High footings on this soil read 1.2 to 3 times what the ladder alone expects; every bond is sound."""
    footings = np.array([14.2, 48.7, 31.5, 92.0, 16.3, 255.0, 118.9, 69.4, 140.0, 22.6, 64.8, 11.1])
    volts, amps = read_in_field(footings, 37.0, 60.0)
    arguments = line(volts / amps, no_coils_ohm=volts)
    visits = arguments[4].visits
    visits["potential_probe_distance_m"], visits["current_probe_distance_m"] = 37.0, 60.0
    assert (volts / seen_at_towers(footings)).max() > 1.2
    found = network.assess(*arguments)
    assert not found.towers["bond_suspect"].any()
    assert found.towers["bond_z"].abs().max() < 1.5
    factors = [re.search(r"taken as ([\d.]+) times that of point sources", words) for words in found.assumed]
    assert [0.8 <= float(factor[1]) <= 1.2 for factor in factors if factor] == [True]


# ---- probability of a poor bond


def with_reading(ohm, place=6):
    """Probability at a tower with a reading without coils of some ohms; all others as of a sound line."""
    seen = seen_at_towers(FOOTINGS)
    seen[place] = ohm
    return network.assess(*line(FOOTINGS, no_coils_ohm=seen)).towers.loc[place]


def test_limits_of_the_probability():
    """All of the current in the legs: certain. The expected value: less than the prior."""
    prior = number("bond_prior")
    assert with_reading(FOOTINGS[6])["suspicion_probability"] > 0.95
    assert with_reading(FOOTINGS[6])["bond_decided"]
    expected = with_reading(seen_at_towers(FOOTINGS)[6])
    assert expected["suspicion_probability"] < prior / 5
    assert not expected["bond_decided"]


def test_probability_grows_with_the_share():
    least = seen_at_towers(FOOTINGS)[6]
    shares = np.geomspace(0.7 * least, FOOTINGS[6], 14)
    found = np.array([with_reading(ohm)["suspicion_probability"] for ohm in shares])
    assert (np.diff(found) > -0.01).all()


@given(worn=st.floats(0, 1e4), opened=st.floats(0, 1e4), more=st.floats(1, 10))
def test_posterior_by_bayes(worn, opened, more):
    """Odds are prior odds times the mean likelihood ratio; monotone in both, within 0 and 1."""
    prior, share = number("bond_prior"), number("bond_open_share")
    found = bonds._posterior(worn, opened)
    direct = prior * ((1 - share) * worn + share * opened)
    assert found == pytest.approx(direct / (direct + 1 - prior))
    assert 0 <= found <= bonds._posterior(worn * more, opened) <= 1
    assert found <= bonds._posterior(worn, opened * more) <= 1


def test_posterior_by_hand():
    """Prior 0.06, half of poor bonds open; worn ten times as likely as sound: 0.06·0.5·10 / (0.3 + 0.94) = 0.242."""
    assert (number("bond_prior"), number("bond_open_share")) == (0.06, 0.5)
    assert bonds._posterior(10.0, 0.0) == pytest.approx(0.3 / 1.24)


def test_currents_in_service():
    """Nothing read: 1. Far below the others: much for an open bond. A usual current: against it, and no proof."""
    nothing, low, usual = bonds.service_factor(np.array([np.nan, -4.0, 0.5]))
    assert nothing == 1.0
    assert low > 10
    assert number("bond_service_missed") <= usual < 1


@given(z=st.floats(-8, 6))
@settings(max_examples=40)
def test_a_current_in_service_decides_nothing_alone(z):
    """Whatever the robust z is, currents alone leave a bond undecided."""
    assert bonds._posterior(1.0, float(bonds.service_factor(np.array(z)))) < number("bond_decided")


def test_what_the_crew_saw_is_certain_and_no_suspicion():
    arguments = line(FOOTINGS, no_coils_ohm=seen_at_towers(FOOTINGS))
    condition = arguments[2]
    condition["bond_seen"] = "not seen"
    condition.loc[4, "bond_seen"] = "damaged"
    joined = network.join(condition, network.assess(*arguments))
    assert joined.loc[4, "suspicion_probability"] == 1.0
    assert "The crew saw the bond damaged." in joined.loc[4, "bond_evidence"]
    assert joined.loc[4, "suspected_cause"] == "none"


def test_the_network_clears_a_suspicion_of_the_visit():
    """A footing under 1 Ω takes a large share with a sound bond."""
    footings = FOOTINGS.copy()
    footings[6] = 0.9
    arguments = line(footings, no_coils_ohm=seen_at_towers(footings))
    condition = arguments[2]
    condition.loc[6, "suspected_cause"] = "bond: inspect"
    condition.loc[6, "evidence"] = "The legs take 0.5 of the current. " + bonds.INSPECT
    joined = network.join(condition, network.assess(*arguments)).loc[6]
    assert joined["suspected_cause"] in ("none", "cannot tell")
    assert "By the visit alone: The legs take 0.5 of the current." in joined["evidence"]
    assert "Probability of a poor bond: under 0.01" in joined["evidence"]
    assert "Inspect" not in joined["evidence"]


def test_one_open_bond_of_two_is_mentioned():
    from network_lines import FAULT, HEAD, PHASES, STATIONS, WIRES

    two = WIRES.replace("}]", "}, { x_m = 11, y_m = 30, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.36 }]")
    towers = network.assess(*line(FOOTINGS, HEAD + STATIONS + two + PHASES + FAULT)).towers
    assert not towers["bond_evidence"].str.contains("One open bond of two").any()  # nothing was read
    seen = towers["no_coils_expected_ohm"].to_numpy()
    towers = network.assess(*line(FOOTINGS, HEAD + STATIONS + two + PHASES + FAULT, no_coils_ohm=seen)).towers
    sound = towers["bond_state"] == "sound"
    assert sound.any()
    assert towers.loc[sound, "bond_evidence"].str.count("One open bond of two would not show").eq(1).all()


# ---- probability of a broken wire


def test_currents_in_service_accuse_no_span_alone():
    """The bound: prior 0.01 times a ratio of 30 is a probability of 0.23."""
    odds = number("span_prior") * number("span_service_factor")
    assert odds / (1 + odds) == pytest.approx(0.3 / 1.3)
    assert odds / (1 + odds) < scan.SUSPECT_FROM


def test_one_tower_accuses_no_span_alone():
    odds = number("span_prior") * np.exp(scan.ONE_TOWER)
    assert odds / (1 + odds) < scan.SUSPECT_FROM / 2


@pytest.mark.parametrize(("age_years", "expected"), [(6.0, 0.5), (3.0, 0.25), (0.0, 0.0), (20.0, 1.0)])
def test_a_reading_says_nothing_of_the_years_since(age_years, expected):
    """A reading that excludes a break leaves the share of the twelve years that came after it."""
    each, near = np.array([[-60.0]]), np.array([[True]])
    found = np.exp(scan._over_days(each, near, np.array([age_years])))
    assert number("span_horizon_years") == 12
    assert found[0] == pytest.approx(expected, abs=1e-9)


@given(logs=st.lists(st.floats(-20, 20), min_size=1, max_size=6), ages=st.data())
def test_evidence_lies_between_its_parts(logs, ages):
    """A mean over the day of the break of the running sums from the newest reading back, 0 before any."""
    age = np.array([ages.draw(st.floats(0, 15)) for _ in logs])
    found = scan._over_days(np.array([logs]), np.ones((1, len(logs)), bool), age)[0]
    sums = np.concatenate([[0.0], np.cumsum(np.array(logs)[np.argsort(age, kind="stable")])])
    assert sums.min() - 1e-9 <= found <= sums.max() + 1e-9


@given(odds=st.lists(st.floats(0, 1e4), min_size=2, max_size=30))
def test_probabilities_of_spans_within_reach_exclude_each_other(odds):
    found = scan._shared(np.array(odds))
    assert ((found >= 0) & (found <= 1)).all()
    assert found[int(np.argmax(odds))] >= max(odds) / (1 + sum(odds)) - 1e-12


def test_an_open_span_is_suspected_with_its_probability():
    found = network.assess(*line(FOOTINGS, no_coils_ohm=seen_at_towers(FOOTINGS, opened=(5,)))).spans
    assert found.loc[5, "span_probability"] >= 0.5
    assert (found["span_probability"].drop(5) < 0.1).all()
    assert (
        f"Probability of a broken shield wire: {found.loc[5, 'span_probability']:.2f}"
        in found.loc[5, "span_evidence"]
    )
