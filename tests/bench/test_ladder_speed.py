"""Ladder against the bare solver and the dense inverse, timed by turns in one run and compared as ratios.

Processor time of this thread, so that the threads of a library do not count, of which the least of several: other work on
the machine only ever adds. While a ratio misses its bound, further turns may mend it.
"""

from time import thread_time

import numpy as np
import pytest
from scipy.linalg import solve_banded

from towerlib.physics.fault_scan.response import openings
from towerlib.physics.ladder import driving_points, ladder, solve

WIRE = 0.4093e-3 + 0.7625e-3j
TURNS = 4


def random_line(count):
    rng = np.random.default_rng(count)
    footing_ohm = np.exp(rng.normal(np.log(15), 0.8, count))
    return ladder(footing_ohm, 0.0, WIRE * rng.uniform(200, 500, count - 1), (0.4, 0.9))


def seconds(call, calls):
    begun = thread_time()
    for _ in range(calls):
        call()
    return (thread_time() - begun) / calls


def ratio(ours, theirs, met, calls=(1, 1)):
    """Least time of ours over the least of theirs, after so many turns, or as many more as the bound needs."""
    spent = []
    while len(spent) < TURNS or (not met(_ratio(spent)) and len(spent) < 5 * TURNS):
        spent.append((seconds(ours, calls[0]), seconds(theirs, calls[1])))
    return _ratio(spent)


def _ratio(spent):
    ours, theirs = (min(times) for times in zip(*spent, strict=True))
    return ours / theirs


@pytest.fixture(scope="module")
def thousand():
    return random_line(1000)


def banded(line):
    g = line.span_s
    matrix = np.zeros((3, len(line.tower_s)), complex)
    matrix[0, 1:] = matrix[2, :-1] = -g
    matrix[1] = line.tower_s + line.station_s + np.r_[0, g] + np.r_[g, 0]
    return matrix


def test_one_solve_against_the_bare_solver(thousand):
    matrix, drive = banded(thousand), np.eye(1000, dtype=complex)[500]
    bare = solve_banded((1, 1), matrix, drive)
    assert solve(thousand, drive).wire_v == pytest.approx(bare, rel=1e-9)
    found = ratio(
        lambda: solve(thousand, drive),
        lambda: solve_banded((1, 1), matrix, drive),
        lambda least: least <= 3,
        (20, 20),
    )
    print(f"one solve: {found:.1f} times the bare solver")
    assert found <= 3


def test_driving_points_against_the_dense_inverse(thousand):
    g = thousand.span_s
    dense = np.diag(banded(thousand)[1]) - np.diag(g, 1) - np.diag(g, -1)
    diagonal = np.diag(np.linalg.inv(dense))
    assert driving_points(thousand).wire_ohm == pytest.approx(diagonal, rel=1e-9)
    found = ratio(
        lambda: np.linalg.inv(dense),
        lambda: driving_points(thousand),
        lambda least: least >= 50,
        (1, 20),
    )
    print(f"dense inverse: {found:.0f} times the two sweeps")
    assert found >= 50


def test_driving_points_take_time_in_proportion_to_the_towers():
    short, long = random_line(1_000), random_line(100_000)
    found = ratio(
        lambda: driving_points(long), lambda: driving_points(short), lambda least: least <= 200, (1, 20)
    )
    print(f"100 times the towers: {found:.0f} times the time")
    # Twice what is exact proportion: the memory of the machine has steps.
    assert found <= 200


def test_all_what_ifs_against_lines_built_anew():
    line = random_line(200)
    span_ohm = 1 / line.span_s

    def anew():
        for place in range(200):
            bond_ohm = np.where(np.arange(200) == place, np.inf, 0.0)
            driving_points(ladder(line.footing_ohm, bond_ohm, span_ohm, (0.4, 0.9)))
        for place in range(199):
            opened_ohm = np.where(np.arange(199) == place, np.inf, span_ohm)
            driving_points(ladder(line.footing_ohm, 0.0, opened_ohm, (0.4, 0.9)))

    found = ratio(anew, lambda: openings(line), lambda least: least >= 10, (1, 5))
    print(f"399 lines built anew: {found:.0f} times the what-ifs")
    assert found >= 10
