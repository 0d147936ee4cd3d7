"""Gain of a plan on the true footings: laws without and with much noise, and lines whose truth is known."""

import numpy as np
import pandas as pd
import pytest

from towerlib.plan.problem import Constraints, pose
from towerlib.plan.uncertainty import _posterior, compared, true_benefits

ONE = Constraints(budget=(1e9,), horizon_years=2, discount_rate=0.0)  # one year of benefit counts
HALF = 1.96  # half of the 95 % interval in standard deviations


def line(read_ohm, noise, effect_noise=0.0, rate_per_ohm=1e-3):
    """Options that halve the footing at every tower, claimed from the readings; the rate is proportional to the footing."""
    read_ohm = np.asarray(read_ohm, float)
    ids = [f"T{k}" for k in range(len(read_ohm))]
    condition = pd.DataFrame({"tower_id": ids, "footing_ohm": read_ohm})
    condition = condition.assign(
        footing_low_ohm=read_ohm * np.exp(-HALF * noise),
        footing_high_ohm=read_ohm * np.exp(HALF * noise),
        trip_outs_per_year=rate_per_ohm * read_ohm,
    )
    width = np.exp(HALF * np.hypot(noise, effect_noise))
    options = pd.DataFrame({"tower_id": ids, "option": "rods", "footing_ohm": read_ohm})
    options = options.assign(
        predicted_ohm=read_ohm / 2,
        predicted_low_ohm=read_ohm / 2 / width,
        predicted_high_ohm=read_ohm / 2 * width,
        avoided_per_year=rate_per_ohm * read_ohm / 2,
        cost=1.0,
        access_group="A",
        must_do=False,
        life_years=30.0,
    )
    return options.assign(benefit_per_year=options["avoided_per_year"]), condition


def choice_of(problem, towers):
    """Works at some towers in the first year."""
    return problem.options["tower_id"].isin([f"T{k}" for k in towers]).to_numpy(int)


def gain_over(options, condition, mine, other):
    problem = pose(options, ONE)
    plans = [(problem, choice_of(problem, mine)), (problem, choice_of(problem, other))]
    return compared(plans, options, condition).iloc[1]


def test_without_noise_the_gain_is_that_of_the_plans_own_estimates():
    options, condition = line([10.0, 20.0, 30.0, 40.0], noise=0.0)
    found = gain_over(options, condition, [2, 3], [0, 1])
    assert found[["gain", "gain_low", "gain_high"]].tolist() == pytest.approx([70 / 30 - 1] * 3)
    assert found["expected"] == pytest.approx(1e-3 * 30 / 2)
    benefits = true_benefits(options, condition, 5)
    assert benefits.to_numpy() == pytest.approx(
        np.tile(options["benefit_per_year"].to_numpy()[:, None], (1, 5))
    )


def test_with_noise_alone_nothing_is_gained():
    # All towers have the same footing; the readings differ by their noise only, less than it states.
    z = np.array([-1.5, -1.0, -0.5, 0.0, 0.0, 0.5, 1.0, 1.5])
    options, condition = line(20.0 * np.exp(0.5 * z), noise=0.5)
    own = options["benefit_per_year"].to_numpy()
    assert own[4:].sum() / own[:4].sum() - 1 > 1  # by the readings: more than twice as much
    assert gain_over(options, condition, range(4, 8), range(4))["gain"] == pytest.approx(0.0, abs=1e-9)


def test_the_posterior_is_that_of_a_normal_mean():
    # By hand: readings 1 and 3 have variance 2; with u² = 0.5 the line keeps τ² = 1.5 and a reading the weight 0.75.
    log_ohm, log_u = np.array([1.0, 3.0]), np.full(2, np.sqrt(0.5))
    mean, spread = _posterior(log_ohm, log_u)
    assert mean.tolist() == pytest.approx([2 - 0.75, 2 + 0.75])
    assert spread**2 == pytest.approx([0.375, 0.375])


def test_more_noise_never_claims_more():
    z = np.linspace(-1.5, 1.5, 12)
    gains = []
    for noise in (0.0, 0.2, 0.4, 0.8):
        options, condition = line(20.0 * np.exp(0.5 * z), noise)
        gains.append(gain_over(options, condition, range(6, 12), range(6))["gain"])
    assert (np.diff(gains) < 0.02).all()
    assert gains[-1] < 0.05 < gains[0]


@pytest.fixture(scope="module")
def lines():
    """Claimed, own and true gain of 150 lines with known footings: the ten highest readings against the first ten towers."""
    random, rows = np.random.default_rng(7), []
    for _ in range(150):
        true_ohm = 20.0 * np.exp(0.4 * random.standard_normal(60))
        read_ohm = true_ohm * np.exp(0.4 * random.standard_normal(60))
        effect = np.log(2) * np.maximum(1 + 0.3 / np.log(2) * random.standard_normal(60), 0.0)
        options, condition = line(read_ohm, 0.4, effect_noise=0.3)
        high, first = np.argsort(-read_ohm)[:10], np.arange(10)
        found = gain_over(options, condition, high, first)
        avoided = true_ohm * (1 - np.exp(-effect))
        true = avoided[high].sum() / avoided[first].sum() - 1
        own = read_ohm[high].sum() / read_ohm[first].sum() - 1
        rows.append((found["gain"], found["gain_low"], found["gain_high"], own, true))
    return pd.DataFrame(rows, columns=["claimed", "low", "high", "own", "true"])


def test_the_claimed_gain_is_the_true_one_on_average(lines):
    error = lines["claimed"] - lines["true"]
    assert abs(error.mean()) < 3 * error.std() / np.sqrt(len(lines)) + 0.05
    assert (lines["own"] - lines["true"]).mean() > 5 * abs(error.mean())


def test_the_true_gain_lies_in_the_stated_interval(lines):
    # 80 %; four standard deviations of a share of 150 are 0.13.
    inside = lines["true"].between(lines["low"], lines["high"])
    assert abs(inside.mean() - 0.8) < 0.13
