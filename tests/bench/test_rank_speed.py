"""Ranks under uncertainty against plain Python loops, timed in one run and compared as a ratio."""

import math
from random import Random
from statistics import NormalDist
from time import perf_counter

import numpy as np
import pytest

from towerlib.physics.statistics import line_distribution, rank_intervals

TOWERS, DRAWS, LOOP_DRAWS = 500, 1000, 10


@pytest.fixture(scope="module")
def line():
    """500 towers, one in five of them with a lower limit only."""
    value = np.exp(np.random.default_rng(1).normal(2.3, 0.7, TOWERS))
    bounded = np.arange(TOWERS) % 5 == 0
    return np.where(bounded, np.nan, value), np.where(bounded, value / 5, np.nan)


def seconds(call, times=5):
    """Shortest of a few runs: other work on the machine only ever adds."""
    spent = []
    for _ in range(times):
        begin = perf_counter()
        call()
        spent.append(perf_counter() - begin)
    return min(spent)


def by_counting(sample):
    """Rank of each tower, tower by tower: how many are worse."""
    return [1 + sum(other > mine for other in sample) for mine in sample]


def by_sorting(sample):
    """The same by one sort."""
    ranks = [0] * len(sample)
    for place, tower in enumerate(sorted(range(len(sample)), key=sample.__getitem__, reverse=True), 1):
        ranks[tower] = place
    return ranks


def looped(value, bound, mean, spread, ranked):
    """The same intervals and chances, draw by draw and tower by tower."""
    lot, unit = Random(1), NormalDist()
    deviation = math.log(1.3) / unit.inv_cdf(0.975)
    ranks = []
    for _ in range(LOOP_DRAWS):
        sample = []
        for mine, least in zip(value, bound, strict=True):
            if math.isnan(mine):
                below = unit.cdf((math.log(least) - mean) / spread)
                sample.append(mean + spread * unit.inv_cdf(below + (1 - below) * lot.random()))
            else:
                sample.append(math.log(mine) + deviation * lot.gauss(0, 1))
        ranks.append(ranked(sample))
    ordered = [sorted(of_tower) for of_tower in zip(*ranks, strict=True)]
    return [(of[len(of) // 10], of[len(of) * 9 // 10 - 1], sum(rank <= 10 for rank in of)) for of in ordered]


@pytest.mark.parametrize(("ranked", "ratio"), [(by_counting, 100), (by_sorting, 5)])
def test_a_loop_over_towers_takes_many_times_as_long(line, ranked, ratio):
    value, bound = line
    known, bounded = value[~np.isnan(value)], bound[~np.isnan(bound)]
    mean, spread = line_distribution(known, bounded)
    plain = [part.tolist() for part in (value, bound)]
    loop = seconds(lambda: looped(*plain, mean, spread, ranked), 3) * DRAWS / LOOP_DRAWS
    ours = seconds(lambda: rank_intervals(value / 1.3, value, value * 1.3, bound, draws=DRAWS))
    print(f"{loop:.2f} s looped, {ours:.3f} s here: {loop / ours:.0f} times")
    assert loop > ratio * ours
