"""The critical current by travelling waves in time, which share nothing with the formulas but circuit and strength.

Bewley's lattice on numpy arrays: a ramp enters the top of a tower that stands between shield wires; waves run up and
down it, the footing follows its current at every moment, neighbours reflect. L. V. Bewley, Traveling Waves on
Transmission Systems (1933), and H. W. Dommel, IEEE Trans. PAS-88 (1969), for lossless lines; from memory.
"""

from dataclasses import replace

import numpy as np
import pytest
from lightning_lines import LINES, struck
from numpy.testing import assert_allclose

from tests.reference.two_point_current import two_point
from towerlib.physics.lightning.flashover import critical_current, span_factor, stress
from towerlib.physics.lightning.rate import crest_voltage
from towerlib.physics.lightning.strokes import front_time

STEPS = 120  # along the tower


def footing_at(wave, r0, ig, zt):
    """Ionised footing that a wave meets at the foot of a tower, by iteration at every moment."""
    r = np.full(np.shape(wave), 1.0) * r0
    for _ in range(40):
        r = 0.5 * (r + r0 / np.sqrt(1.0 + np.abs(2.0 * wave / (zt + r)) / ig))
    return r


def lattice(current, zs, zt, r0, ig, top_us, span_us, neighbours):
    """Tower top and waves of the struck tower in steps of top_us/STEPS; a last axis holds cases.

    `current` (t, cases) enters the tower in the middle of 2·neighbours + 1; behind the last ones, wires go on.
    """
    times, cases, towers = *current.shape, 2 * neighbours + 1
    span = round(span_us / top_us * STEPS)
    shape = (times + STEPS, towers, cases)
    down, up, top = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    left, right = np.zeros(shape), np.zeros(shape)  # waves that leave a tower along the wires
    entering = np.zeros((times, towers, cases))
    entering[:, neighbours] = current

    def delayed(wave, begin, by):
        """Block of a wave as it was `by` steps before; nothing came before the stroke."""
        rows = np.arange(begin, begin + STEPS) - by
        return np.where((rows >= 0)[:, None, None], wave[np.maximum(rows, 0)], 0.0)

    for begin in range(0, times - STEPS + 1, STEPS):  # nothing arrives that left within the same block
        block = slice(begin, begin + STEPS)
        from_foot = delayed(up, begin, STEPS)
        from_left, from_right = np.zeros_like(from_foot), np.zeros_like(from_foot)
        from_left[:, 1:] = delayed(right, begin, span)[:, :-1]
        from_right[:, :-1] = delayed(left, begin, span)[:, 1:]
        sources = entering[block] + 2 * from_foot / zt + 2 * (from_left + from_right) / zs
        top[block] = sources / (1 / zt + 2 / zs)
        down[block] = top[block] - from_foot
        left[block], right[block] = top[block] - from_left, top[block] - from_right
        arriving = delayed(down, begin, STEPS)
        r = footing_at(arriving, r0, ig, zt)
        up[block] = arriving * (2 * r / (r + zt) - 1)
    return tuple(wave[:times, neighbours] for wave in (top, down, up))


def ramp(front_us, top_us, beyond=1.3):
    """Currents of 1 kA that rise in front_us (cases) and stay, in steps of top_us/STEPS."""
    count = int(np.ceil(beyond * np.max(front_us) / top_us)) * STEPS
    time_us = np.arange(count)[:, None] * top_us / STEPS
    return np.minimum(time_us / np.atleast_1d(front_us), 1.0)


def insulator_crest(tower, currents_ka):
    """Crest of the insulator voltage of one phase of a tower without neighbours, under each of several currents [kV]."""
    r0, ig = tower.footing_ohm.item(), tower.ionising_ka.item()
    current = ramp(front_time(currents_ka), tower.top_us) * currents_ka
    top, down, up = lattice(current, tower.wire_ohm, tower.tower_ohm, r0, ig, tower.top_us, tower.span_us, 0)
    rise = round(STEPS * tower.crossarm_us / tower.top_us)
    arm = later(down, STEPS - rise) + later(up, rise)
    return (arm - tower.coupling * top).max(axis=0)


def later(wave, steps):
    """A wave as it arrives some steps later."""
    return np.r_[np.zeros((steps, wave.shape[1])), wave[: len(wave) - steps]]


def critical_by_waves(voltage, footing_ohm, phase, power_kv):
    """Current at which the crest meets the strength, by straight lines between currents."""
    tower = struck(voltage, footing_ohm)
    tower = replace(tower, coupling=tower.coupling[phase], crossarm_us=tower.crossarm_us[phase])
    guess_ka = critical_current(tower, power_kv).item()
    currents_ka = guess_ka * np.linspace(0.8, 1.25, 7)
    stress_kv = insulator_crest(tower, currents_ka)
    through_ka = stress(tower, currents_ka, power_kv)  # tail of the wave: by the footing at that current
    margin_kv = stress_kv - (through_ka.strength_kv[0] - power_kv)
    assert margin_kv[0] < 0 < margin_kv[-1]
    return np.interp(0.0, margin_kv, currents_ka), guess_ka


@pytest.mark.parametrize("phase", [0, 2])
@pytest.mark.parametrize("footing_ohm", [5.0, 20.0, 100.0])
@pytest.mark.parametrize("voltage", LINES)
def test_critical_current_by_travelling_waves(voltage, footing_ohm, phase):
    # The formulas take a first-order term for the tower and the footing at its last value.
    found_ka, by_formula_ka = critical_by_waves(
        voltage, footing_ohm, phase, 0.4 * crest_voltage(float(voltage))
    )
    assert by_formula_ka == pytest.approx(found_ka, rel=0.04)


@pytest.mark.parametrize("voltage", LINES)
@pytest.mark.parametrize("footing_ohm", [5.0, 30.0, 100.0])
def test_tower_top_of_the_two_point_method(voltage, footing_ohm):
    # Exact for a front of 2 µs without neighbours.
    tower = struck(voltage, footing_ohm)
    top, *_ = lattice(
        ramp(2.0, tower.top_us), tower.wire_ohm, tower.tower_ohm, footing_ohm, np.inf, tower.top_us, 1.0, 0
    )
    at_front = round(2.0 / tower.top_us * STEPS)
    found = two_point(tower, 0.0, LINES[voltage].strike_length_m)
    assert found.top_2_ohm.item() == pytest.approx(top[at_front].item(), rel=0.006)


@pytest.mark.parametrize("footing_ohm", [30.0, 100.0])
@pytest.mark.parametrize("front_us", [2.0, 4.0, 6.0])
def test_reflections_of_the_neighbours(footing_ohm, front_us):
    # One neighbour on either side, no tower height, as the formula has it: crest with over crest without.
    short_us, arguments = 0.02, (556.5, 190.0, footing_ohm, np.inf, 0.02, 1.0007)
    current = ramp(front_us, short_us, beyond=1.0)
    alone, among = (lattice(current, *arguments, count)[0].max() for count in (0, 1))
    expected = span_factor(footing_ohm, 556.5, 1.0007, front_us)
    assert among / alone == pytest.approx(float(expected), abs=0.012)


def test_late_voltage_is_that_of_resistances():
    # Long after the front, tower and waves are gone: footing beside two halves of the wires.
    current = ramp(0.5, 0.1, beyond=60.0)
    top, *_ = lattice(current, 500.0, 190.0, 25.0, np.inf, 0.1, 1.0, 0)
    assert top[-1].item() == pytest.approx(1 / (1 / 25 + 2 / 500), rel=1e-6)


def test_lattice_of_one_reflection_by_hand():
    # Before the foot answers, the top sees tower and both wires: 1/(1/190 + 2/500); then 2·(R − Z)/(R + Z) of that.
    current = np.ones((3 * STEPS, 1))
    top, *_ = lattice(current, 500.0, 190.0, 25.0, np.inf, 0.1, 1.0, 0)
    first = 1 / (1 / 190 + 2 / 500)
    back = first * (25 - 190) / (25 + 190)
    assert_allclose(top[[0, 2 * STEPS]].ravel(), [first, first + 2 * back / 190 * first], rtol=1e-12)
