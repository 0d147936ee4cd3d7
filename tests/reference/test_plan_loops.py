"""The compiled loops of the quick plans find what plain Python finds step by step."""

import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from tests.reference import plan_loops as plain
from towerlib.plan import heuristic
from towerlib.plan.problem import Constraints, pose

SEEDS = range(24)


def posed(seed):
    """A random problem of up to 14 towers; whole numbers make ties, must-dos and towers that go together occur."""
    rng = np.random.default_rng(seed)
    towers, years = int(rng.integers(2, 15)), int(rng.integers(1, 5))
    kinds = rng.integers(1, 5, towers)
    tower = np.repeat(np.arange(towers), kinds)
    count, whole = len(tower), seed % 3 == 0
    spend, benefit = rng.uniform(1, 12, count), rng.gamma(1.0, 1.0, count)
    options = pd.DataFrame(
        {
            "tower_id": [f"T{number:02d}" for number in tower],
            "option": [f"o{number}" for number in np.arange(count)],
            "benefit_per_year": benefit.round() if whole else benefit,
            "cost": spend.round() if whole else spend,
            "crew_weeks": rng.integers(0, 4, count) / 2,
            "access_group": [f"G{number // 4}" for number in tower],
            "must_do": (rng.random(count) < 0.2) & (tower < 2) & (seed % 2 == 0),
            "life_years": rng.choice([3.0, 30.0], count),
        }
    )
    elsewhere = rng.random(count) < 0.1  # an option that is reached from another side
    options["access_group"] = options["access_group"].mask(elsewhere, "G9")
    pairs = {f"T{number:02d}": "pair" for number in (towers - 2, towers - 1)} if seed % 4 == 1 else {}
    options = options.assign(together=options["tower_id"].map(pairs).astype("str"))
    constraints = Constraints(
        budget=tuple(rng.uniform(2, 2.5 * towers, years).round(0 if whole else 6)),
        mobilisation=float(rng.choice([0.0, 3.0, 7.5])),
        crew_weeks=None if seed % 5 else tuple(rng.uniform(1, towers, years)),
        horizon_years=12,
        discount_rate=0.05 * (seed % 2),
        must_do_by=None if seed % 6 else 1,
    )
    return pose(options, constraints), rng


def loads(problem, rng):
    years = problem.constraints.years
    prices = heuristic.Prices(rng.gamma(2.0, 0.1, years), rng.gamma(1.0, 0.1, years))
    return heuristic.loads_of(problem, prices)


def worth_of(problem, rng, draws=3):
    """Benefits of some draws; a few options may not be done in some years."""
    value = problem.value * rng.lognormal(0.0, 0.4, (draws, len(problem.unit)))[:, problem.tower, None]
    return np.where(rng.random(problem.value.shape) < 0.1, -np.inf, value)


@pytest.mark.parametrize("seed", SEEDS)
def test_choice_at_the_lowest_price_within_the_limits(seed):
    problem, rng = posed(seed)
    worth, load = worth_of(problem, rng), loads(problem, rng)
    expected = [plain.priced(problem, each, load, heuristic.REACH, heuristic.STEPS) for each in worth]
    # each draw by itself: the highest price follows from the greatest worth of all draws
    found = [heuristic._priced(problem, each[None], load)[0] for each in worth]
    assert np.array_equal(found, expected)


@pytest.mark.parametrize("seed", SEEDS)
def test_best_single_changes(seed):
    problem, rng = posed(seed)
    worth, load = worth_of(problem, rng), loads(problem, rng)
    start = heuristic.selected_of(problem, np.zeros((len(worth), len(problem.spend)), int))
    some = heuristic._priced(problem, np.where(rng.random(worth.shape) < 0.7, worth, -np.inf), load)
    for selected in (start, some):
        expected = [plain.improved(problem, *each, load) for each in zip(worth, selected, strict=True)]
        assert np.array_equal(heuristic.improved(problem, worth, selected, load), expected)


@pytest.mark.parametrize("seed", SEEDS[::4])
def test_best_single_changes_beside_a_tower_that_keeps_its_work(seed):
    problem, rng = posed(seed)
    worth, load = worth_of(problem, rng, 1), loads(problem, rng)
    barred = np.arange(len(problem.unit))
    selected = np.repeat(heuristic._priced(problem, worth, load), len(barred), axis=0)
    expected = [plain.improved(problem, worth[0], selected[0], load, tower) for tower in barred]
    assert np.array_equal(heuristic.improved(problem, worth, selected, load, barred), expected)


@pytest.mark.parametrize("seed", SEEDS)
def test_simple_rules(seed):
    problem, rng = posed(seed)
    ohms = rng.lognormal(3.0, 0.5, len(problem.unit)).round()
    names = problem.options["tower_id"].to_numpy()[problem.tower_starts]
    found = heuristic.worst_first_choice(problem, pd.Series(ohms, index=names))
    assert np.array_equal(found, plain.worst_first(problem, ohms))
    assert np.array_equal(heuristic.greedy_choice(problem), plain.best_rate_next(problem))


def test_the_searches_change_something():
    # Random problems that all stayed as they are would compare nothing.
    changed = 0
    for seed in SEEDS:
        problem, rng = posed(seed)
        worth, load = worth_of(problem, rng), loads(problem, rng)
        selected = heuristic._priced(problem, worth, load)
        changed += (heuristic.improved(problem, worth, selected, load) != selected).any()
    assert changed > len(SEEDS) / 4


def run(code, **environment):
    """Output of a fresh Python process."""
    given = os.environ | environment
    return subprocess.run(
        [sys.executable, "-c", code], env=given, check=True, capture_output=True, text=True
    ).stdout.strip()


def test_the_compiler_is_loaded_only_by_the_loops():
    code = "import sys, towerlib.assessment, towerlib.plan.sensitivity; print('numba' in sys.modules)"
    assert run(code) == "False"


WITHIN = "import numpy as np; from towerlib.plan import loops; print(loops._within(*np.ones((4, 2))), "


def test_compiled_loops_run_where_no_folder_can_be_written(tmp_path):
    (tmp_path / "file").touch()
    refused = (
        "import numba.core.caching as c; impl = getattr(c, 'CacheImpl', None) or c._CacheImpl; "
        "impl._locator_classes = []; "
    )
    assert run(refused + WITHIN + "loops._within.stats.cache_path)") == "True None"
    # a cache folder that cannot be made is passed over too
    found = run(WITHIN + "'')", NUMBA_CACHE_DIR=str(tmp_path / "file" / "below"))
    assert found.split()[0] == "True"


def test_compiled_loops_are_kept_for_the_next_process(tmp_path):
    code = WITHIN + "len(loops._within.stats.cache_hits))"
    assert run(code, NUMBA_CACHE_DIR=str(tmp_path)) == "True 0"
    assert run(code, NUMBA_CACHE_DIR=str(tmp_path)) == "True 1"
