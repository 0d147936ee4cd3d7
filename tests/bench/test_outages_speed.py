"""Bands of a line of 500 towers over 1000 draws against the exact rate called draw by draw, as a ratio in one run."""

import time

import numpy as np
import pytest
from test_outages import line_of

from towerlib.outages import geometry, rates
from towerlib.physics.lightning.rate import tower_rates

TOWERS, DRAWS, EXACT_DRAWS = 500, 1000, 10
FASTER = 1.8


@pytest.fixture(scope="module")
def line():
    """A 132 kV line of 500 towers: geometry, what the rates need, settings."""
    footing = np.exp(np.log(15) + 0.9 * np.random.default_rng(1).standard_normal(TOWERS))
    register = {"height_m": 30 + np.random.default_rng(2).uniform(-2, 4, TOWERS)}
    records, laid, condition = line_of(footing, register=register)
    shape, *_ = geometry.line_geometry(records.line)
    return (
        shape,
        rates.filled(geometry.towers_exposed(records, laid, condition, None, shape), shape),
        records.line,
    )


def seconds(call):
    """Processor time of one call."""
    begun = time.process_time()
    call()
    return time.process_time() - begun


def exact(shape, exposed, draws):
    """The rates now and at the target, draw by draw, without interpolation."""
    random = np.random.default_rng(0)
    ohm = exposed["footing_ohm"].to_numpy()
    for _ in range(draws):
        footing = ohm * np.exp(0.15 * random.standard_normal(TOWERS))
        for part in (footing, np.minimum(footing, 10.0)):
            tower_rates(shape, rates.physics_towers(exposed, part))


def test_a_thousand_draws_against_the_exact_rate(line):
    shape, exposed, settings = line
    exact(shape, exposed, 1)  # imports and tables
    rates.draw(shape, exposed, settings, 0.2, draws=2)
    ratios = []
    while len(ratios) < 2 or (max(ratios) < FASTER and len(ratios) < 5):
        ours = seconds(lambda: rates.draw(shape, exposed, settings, 0.2, draws=DRAWS))
        theirs = seconds(lambda: exact(shape, exposed, EXACT_DRAWS)) * DRAWS / EXACT_DRAWS
        ratios.append(theirs / ours)
        print(f"{DRAWS} draws of {TOWERS} towers: {ours:.2f} s against {theirs:.0f} s")
    assert max(ratios) >= FASTER, ratios
