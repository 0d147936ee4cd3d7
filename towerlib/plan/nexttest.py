"""The value of the next test: which tower's retest would most change what the plan brings."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import pandas as pd

from towerlib.plan import hull, mend, picks
from towerlib.plan.draws import at, band
from towerlib.plan.model import build, relax
from towerlib.plan.optimise import optimise
from towerlib.plan.uncertain import brought, every_option, values_of
from towerlib.values import number

OUTCOMES = 9  # results of a test that are looked at, all equally likely
WITHIN = 61  # points of what a test leaves open
TIME_LIMIT_S = 20.0


@dataclass(frozen=True)
class NextTests:
    """Which tests would change the plan.

    Attributes
    ----------
    towers : pandas.DataFrame
        The short list, most valuable first: rank, tower_id, gain (benefit that the test is expected to add to
        the plan), gain_part (of the plan's benefit), chance_changes (chance that its result changes what is
        done at that tower), in_plan.
    benefit : float
        Mean benefit of the best plan without any test.
    screened : int
        Towers with options; those of least promise by the prices alone were not looked at in full.
    """

    towers: pd.DataFrame
    benefit: float
    screened: int


def next_tests(options, terms, *, removes=None, most=12, gap=None, time_limit_s=TIME_LIMIT_S):
    """Short list of the tests that are worth most to the plan.

    Parameters
    ----------
    options : pandas.DataFrame
        As for `towerlib.plan.draws.draw`: benefits with their bands.
    terms : Terms
        As for `towerlib.plan.optimise.optimise`.
    removes : float or pandas.Series, optional
        Part of the variance shared by a tower's options that a test removes, for all towers or by tower_id;
        else ``plan_test_removes``.
    most : int
        Length of the list.
    gap, time_limit_s : float
        Of the search for the plan without tests.

    Returns
    -------
    NextTests

    Notes
    -----
    Preposterior analysis. A test of tower k can end in nine equally likely ways; each moves the mean of the
    benefits of its options (a two-piece law of `towerlib.plan.draws.at`, of which the test tells the part
    shared times removed), and means of the means are what they were before. Gain = mean over the results of
    the best plan's benefit, less the best plan's benefit now. Both are taken from one pool of plans: the plan
    now, the same with tower k left out or brought in by each of its options, mended, and the near-best plans
    of every result. So a gain is never below 0 and holds what else the plan would do with the money. It is a lower bound as far
    as the pool lacks better plans, and counts one test alone: gains of several do not add.
    Towers are screened first by the gain at the fixed prices of money and crews.

    References
    ----------
    H. Raiffa, R. Schlaifer, Applied Statistical Decision Theory (1961), preposterior analysis; R. A. Howard,
    Information value theory, IEEE Trans. SSC-2 (1966) 22 (both from memory).
    """
    means = _posterior_means(options, removes)
    counted = options.assign(row=np.arange(len(options)), benefit_per_year=means.mean(axis=0))
    plan = optimise(counted, terms, gap=gap, time_limit_s=time_limit_s)
    problem = plan.problem
    prices = picks.Prices(*relax(problem, build(problem), time_limit_s)[1:])
    results = values_of(problem, means[:, problem.options["row"].to_numpy(int)])
    promise = _promise(problem, results, prices)
    chosen = np.argsort(-promise, kind="stable")[: 2 * most]
    chosen = chosen[promise[chosen] > 0]
    scenes = _scenes(problem, results, chosen)
    pool = _pool(problem, plan, scenes, chosen, prices)
    now, then = brought(pool, problem.value[None])[:, 0], brought(pool, scenes)
    then = then.reshape(len(pool), len(chosen), OUTCOMES)
    gain = then.max(axis=0).mean(axis=1) - now.max()
    towers = pd.DataFrame(
        {
            "tower_id": problem.options["tower_id"].to_numpy()[problem.tower_starts[chosen]],
            "gain": np.maximum(gain, 0.0) * (gain > 1e-9 * now.max()),
            "gain_part": gain / now.max() if now.max() > 0 else np.nan,
            "chance_changes": _changes(problem, pool, now, then, chosen),
            "in_plan": (np.add.reduceat(plan.choice, problem.tower_starts) > 0)[chosen],
        }
    )
    towers = towers[towers["gain"] > 0].sort_values("gain", ascending=False, kind="stable").head(most)
    towers.insert(0, "rank", np.arange(1, len(towers) + 1))
    return NextTests(towers.reset_index(drop=True), float(now.max()), len(promise))


def _posterior_means(options, removes):
    """Mean benefit a year of each option after each result of a test of its tower, shape (results, n)."""
    removes = number("plan_test_removes") if removes is None else removes
    if isinstance(removes, pd.Series):
        removes = options["tower_id"].map(removes).astype(float).to_numpy()
    told = np.sqrt(number("plan_shared_spread") * np.broadcast_to(np.asarray(removes, float), len(options)))
    outcome, within = _points(OUTCOMES), _points(WITHIN)
    z = told * outcome[:, None, None] + np.sqrt(1 - told**2) * within[None, :, None]
    return at(z, band(options, "benefit_per_year", "benefit")).mean(axis=1)


def _points(count):
    """Equally likely points of a standard normal law, stretched to its variance."""
    points = np.array([NormalDist().inv_cdf((step + 0.5) / count) for step in range(count)])
    return points / points.std()


def _promise(problem, results, prices):
    """Gain of a test of each tower at fixed prices, mobilisations aside."""
    load = picks.loads_of(problem, prices)[0]
    open_to = every_option(problem)
    floor = np.where(problem.must_tower, -np.inf, 0.0)

    def best(value):
        net = np.where(open_to, value - load, -np.inf).max(axis=-1)
        return np.maximum(np.maximum.reduceat(net, problem.tower_starts, axis=-1), floor)

    return best(results).mean(axis=0) - best(problem.value)


def _scenes(problem, results, chosen):
    """Values after each result of a test of each chosen tower, shape (towers times results, n, y)."""
    scenes = np.tile(problem.value, (len(chosen) * OUTCOMES, 1, 1))
    for place, tower in enumerate(chosen):
        mine = problem.tower == tower
        scenes[place * OUTCOMES : (place + 1) * OUTCOMES, mine] = results[:, mine]
    return scenes


def _pool(problem, plan, scenes, chosen, prices):
    """Plans that may be the best after a test, all within the limits, the plan now first."""
    allowed = every_option(problem)
    variants = mend.neighbours(problem, plan.choice, allowed, chosen, prices)
    pool = np.vstack(
        [plan.choice[None], variants, hull.near_best(problem, scenes, allowed, prices, starts=2)]
    )
    keeps = mend.within_limits(problem, pool)
    keeps[0] = True
    return np.unique(pool[keeps], axis=0)


def _changes(problem, pool, now, then, chosen):
    """Part of the results after which something else is done at the tower than now."""
    changes = []
    best_now = pool[now.argmax()]
    for place, tower in enumerate(chosen):
        mine = problem.tower == tower
        best = then[:, place].argmax(axis=0)
        level = then[best, place, np.arange(OUTCOMES)]
        stays = then[now.argmax(), place] >= level - 1e-12 * np.abs(level)
        differs = (pool[best][:, mine] != best_now[mine]).any(axis=1)
        changes.append(float((differs & ~stays).mean()))
    return changes
