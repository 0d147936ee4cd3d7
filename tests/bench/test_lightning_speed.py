"""Rates by arrays against the same calculation tower by tower, angle by angle and phase by phase in plain Python.

Ratios within one run, never clock times; the least of several runs counts, in processor time of this process.
"""

import math
import time

import numpy as np
import pytest
from numpy.testing import assert_allclose

from towerlib.physics.lightning.rate import Towers, tabulated_rates, tower_rates
from towerlib.physics.lightning.surge import surges, typical_geometry

TOWERS, DRAWS, ANGLES, LOOP_TOWERS = 500, 100, 24, 10
LEAST_RATIO = 200.0
# Time of 100 draws over that of the line once, 5 ms: 1,000 draws take 3.5 s at most, 1.8 s as measured.
MOST_LINES = 70.0


@pytest.fixture(scope="module")
def line():
    """500 towers on typical 132 kV structures."""
    lot = np.random.default_rng(1)
    footing_ohm = np.exp(lot.normal(2.7, 0.9, TOWERS))
    soil_ohm_m = footing_ohm * np.exp(lot.uniform(np.log(6.0), np.log(60.0), TOWERS))
    return typical_geometry(132.0), Towers(footing_ohm, soil_ohm_m, lot.uniform(200.0, 450.0, TOWERS))


def seconds(call, times=5):
    """Least processor time of a few runs: other work on the machine only ever adds."""
    spent = []
    for _ in range(times):
        begin = time.process_time()
        call()
        spent.append(time.process_time() - begin)
    return min(spent)


def critical_ka(tower, phase, power_kv):
    """Critical current of one phase of one tower at one voltage: steps damped by half until they are below 1e-6."""
    r0, soil, span_us, strength, zg, zt, top_us = tower
    coupling, arm_us = phase
    current, ri = 80.0, r0
    ig = 400.0 * soil / (2.0 * math.pi * r0 * r0)
    while True:
        through = current * zg / (zg + 2.0 * ri)
        new_ri = 0.5 * (ri + r0 / math.sqrt(1.0 + through / ig))
        re = new_ri * zg / (zg + 2.0 * new_ri)
        tail_us = span_us * zg / new_ri
        short = min(0.977 + 2.82 / tail_us, 1.4) * (strength - 0.2 * power_kv)
        front = 1.77 * current**0.188 if current <= 20.0 else 0.906 * current**0.411
        wave = (zt - new_ri) / (zt + new_ri) * zt / front
        insulator = re + wave * arm_us - coupling * (re + wave * top_us)
        new = 0.5 * (current + max((short - power_kv) / insulator, 1.0))
        settled = abs(new - current) < 1e-6 and abs(new_ri - ri) < 1e-6
        current, ri = new, new_ri
        if settled:
            return current


def looped(geometry, towers, count):
    """Rates of the first towers, in plain Python."""
    met, light = surges(geometry), 299.792458
    speed, crest = 0.85 * light, geometry.voltage_kv * math.sqrt(2.0 / 3.0)
    phases = [(float(c), arm / speed) for c, arm in zip(met.coupling, geometry.crossarm_y_m, strict=True)]
    shifts = [math.radians(degrees) for degrees in geometry.phase_angle_deg]
    zg, strength = float(met.wire_ohm), 560.0 * geometry.strike_length_m
    rates = []
    for r0, soil, span in zip(
        towers.footing_ohm[:count].tolist(),
        towers.resistivity_ohm_m[:count].tolist(),
        towers.span_m[:count].tolist(),
        strict=True,
    ):
        tower = (
            r0,
            soil,
            span / light,
            strength,
            zg,
            geometry.surge_impedance_ohm,
            geometry.height_m / speed,
        )
        total = 0.0
        for step in range(ANGLES):
            angle = 2.0 * math.pi * (step + 0.5) / ANGLES
            least = min(
                critical_ka(tower, phase, crest * math.sin(angle + shift))
                for phase, shift in zip(phases, shifts, strict=True)
            )
            total += 1.0 / (1.0 + (least / 31.0) ** 2.6)
        rates.append(0.6 * 28.0 * geometry.height_m**0.6 * span * 1e-6 * total / ANGLES)
    return rates


def test_rates_are_the_same(line):
    found = tower_rates(*line).backflashovers_per_year[:LOOP_TOWERS]
    assert_allclose(found, looped(*line, LOOP_TOWERS), rtol=1e-5)


def test_arrays_against_plain_python(line):
    tower_rates(*line)
    ratio = (
        seconds(lambda: looped(*line, LOOP_TOWERS), 3)
        * TOWERS
        / LOOP_TOWERS
        / seconds(lambda: tower_rates(*line))
    )
    assert ratio >= LEAST_RATIO, f"{ratio:.0f} times faster"


def test_draws_against_one_line(line):
    geometry, towers = line
    lot = np.random.default_rng(2)
    drawn = Towers(
        towers.footing_ohm * np.exp(lot.normal(0.0, 0.3, (DRAWS, TOWERS))),
        towers.resistivity_ohm_m * np.exp(lot.normal(0.0, 0.3, (DRAWS, TOWERS))),
        towers.span_m,
        np.exp(lot.normal(0.0, 0.3, (DRAWS, 1))),
        733.6 * np.exp(lot.normal(0.0, 0.05, (DRAWS, 1))),
    )
    ratio = seconds(lambda: tabulated_rates(geometry, drawn), 2) / seconds(lambda: tower_rates(*line))
    assert ratio <= MOST_LINES, f"{DRAWS} draws take {ratio:.0f} times as long as the line once"
