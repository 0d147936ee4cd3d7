"""Electrodes against plain Python loops, timed by turns in one run and compared as a ratio of processor times.

The matrix of a tower with footings, ring, radials and rods takes a fiftieth of a loop over its pieces at most, and the
options of a line, 500 towers with 12 treatments each, a tenth of computing each matrix with the loop at most, and a
thousandth where all towers are of one kind.
"""

import math
from time import process_time

import numpy as np
import pytest

from tests.reference.electrode_shapes import on_legs
from tests.reference.treated_footing import treated_resistance
from towerlib.physics.electrode.matrix import mutual_resistances
from towerlib.physics.electrode.segments import (
    cut,
    join,
    leg_positions,
    pad_and_chimney,
    radials,
    rod,
    square,
)
from towerlib.physics.layered_soil import uniform

MATRIX_LEAST, OPTIONS_LEAST, ALIKE_LEAST = 50, 10, 1000
TURNS, MOST_TURNS = 3, 12
TOWERS, SAMPLE = 500, 100
NODES = [(node, share / 2) for node, share in zip(*np.polynomial.legendre.leggauss(6), strict=True)]


def treatments(spacing_m):
    """Twelve electrodes about a tower of one leg spacing."""
    corner_m = spacing_m / np.sqrt(2)
    wires = [radials(count, length_m, 0.004, 0.6, corner_m) for count in (1, 2, 4) for length_m in (20, 40)]
    rods = [rod(length_m, 0.008, leg_positions(spacing_m + 3), 0.6) for length_m in (3, 6, 12)]
    around = square(spacing_m + 2, 0.004, 0.6)
    mixed = join(around, radials(4, 30, 0.004, 0.6, corner_m + 1.5))
    return [*wires, *rods, around, square(spacing_m + 8, 0.004, 0.6), mixed]


def looped(pieces, resistivity_ohm_m):
    """The same matrix piece by piece, point by point, image by image."""
    starts, ends, radii = (part.tolist() for part in (pieces.start_m, pieces.end_m, pieces.radius_m))
    lengths = [math.dist(start, end) for start, end in zip(starts, ends, strict=True)]
    matrix = []
    for start, end in zip(starts, ends, strict=True):
        row = []
        for begin, stop, radius, length in zip(starts, ends, radii, lengths, strict=True):
            mean = 0.0
            for node, share in NODES:
                x, y, z = (a + (1 + node) / 2 * (b - a) for a, b in zip(start, end, strict=True))
                for sign in (1, -1):
                    to_begin = (x - begin[0]) ** 2 + (y - begin[1]) ** 2 + (z - sign * begin[2]) ** 2
                    to_stop = (x - stop[0]) ** 2 + (y - stop[1]) ** 2 + (z - sign * stop[2]) ** 2
                    reach = math.sqrt(to_begin + radius**2) + math.sqrt(to_stop + radius**2)
                    mean += share * math.log((reach + length) / (reach - length))
            row.append(resistivity_ohm_m / (4 * math.pi * length) * mean)
        matrix.append(row)
    return matrix


def seconds(call):
    """Processor time of one call."""
    begin = process_time()
    call()
    return process_time() - begin


def ratio(slow, fast, least):
    """Least time of the one to that of the other; while it is too low, more turns of the fast one may mend it."""
    slow_s, fast_s = min(seconds(slow) for _ in range(2)), min(seconds(fast) for _ in range(TURNS))
    for _ in range(MOST_TURNS):
        if slow_s > least * fast_s:
            break
        fast_s = min(fast_s, seconds(fast))
    return slow_s / fast_s, fast_s


@pytest.fixture(scope="module")
def pieces():
    """Some 280 pieces: four footings of concrete, a ring, four radials, four rods."""
    tower = on_legs(pad_and_chimney(2.5, 0.5, 2.5, 0.6, panels=3), 8.0)
    around = join(
        square(10.0, 0.004, 0.6), radials(4, 30.0, 0.004, 0.6, 7.1), rod(6.0, 0.008, leg_positions(14), 0.6)
    )
    return join(tower, cut(around))


def test_matrix(pieces):
    loop = np.array(looped(pieces, 100.0))
    error = mutual_resistances(pieces, uniform(100.0)) / ((loop + loop.T) / 2) - 1
    assert np.abs(error).max() < 2e-3
    gained, fast_s = ratio(
        lambda: looped(pieces, 100.0), lambda: mutual_resistances(pieces, uniform(100.0)), MATRIX_LEAST
    )
    print(f"{len(pieces.radius_m)} pieces in {fast_s * 1e3:.1f} ms: {gained:.0f} times as fast as a loop")
    assert gained > MATRIX_LEAST


def test_options_of_a_line():
    rng = np.random.default_rng(1)
    spacings_m = rng.uniform(4.0, 14.0, SAMPLE)  # no two alike, so that nothing is computed once for many
    footing_ohm, resistivity = rng.lognormal(3, 0.7, SAMPLE), rng.lognormal(6, 0.8, SAMPLE)

    def options():
        for spacing_m, ohm, ohm_m in zip(spacings_m, footing_ohm, resistivity, strict=True):
            for electrode in treatments(spacing_m):
                treated_resistance(electrode, leg_positions(spacing_m), ohm, ohm_m)

    sample = [cut(electrode, count=8) for electrode in treatments(8.0)]
    loop_s = TOWERS * min(seconds(lambda: [looped(parts, 1.0) for parts in sample]) for _ in range(2))
    fast_s = TOWERS / SAMPLE * min(seconds(options) for _ in range(2))
    print(f"{TOWERS} towers with 12 options each in {fast_s:.1f} s, {loop_s:.0f} s looped")
    assert loop_s > OPTIONS_LEAST * fast_s


def test_options_of_a_line_with_one_kind_of_tower():
    rng = np.random.default_rng(1)
    footing_ohm, resistivity = rng.lognormal(3, 0.7, TOWERS), rng.lognormal(6, 0.8, TOWERS)
    sample = [cut(electrode, count=8) for electrode in treatments(8.0)]

    def options():
        for electrode in treatments(8.0):
            treated_resistance(electrode, leg_positions(8.0), footing_ohm, resistivity)

    loop_s = TOWERS * min(seconds(lambda: [looped(parts, 1.0) for parts in sample]) for _ in range(2))
    fast_s = min(seconds(options) for _ in range(TURNS))
    print(f"{TOWERS} towers of one kind with 12 options each in {fast_s:.2f} s, {loop_s:.0f} s looped")
    assert loop_s > ALIKE_LEAST * fast_s
