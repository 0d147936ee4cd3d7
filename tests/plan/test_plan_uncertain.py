"""The plan under uncertainty, against closed forms of two towers and one budget."""

from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

from towerlib.errors import RecordsError
from towerlib.plan.problem import Constraints
from towerlib.plan.sensitivity import next_tests
from towerlib.plan.uncertainty import TENTH, Draws, at, draw, selection_probability
from towerlib.values import number

PHI = NormalDist().cdf
ONE = Constraints(
    budget=(10.0,), horizon_years=2, discount_rate=0.0
)  # one tower, and one year of its benefit


def two(sure=1.0, middle=1.0, factor=2.0):
    """A tower with a sure benefit, and one whose lognormal band is a factor wide on either side."""
    rows = {"tower_id": ["1", "2"], "option": "rods", "benefit_per_year": [sure, middle], "cost": 10.0}
    bands = {"benefit_low": [sure, middle / factor], "benefit_high": [sure, middle * factor]}
    return pd.DataFrame({**rows, **bands, "access_group": "A", "must_do": False, "life_years": 30.0})


def call(mean, spread, strike):
    """E[max(X − K, 0)] of a lognormal X of that mean: F. Black, J. Financial Economics 3 (1976) 167, undiscounted."""
    d = (np.log(mean / strike) + spread**2 / 2) / spread
    return mean * PHI(d) - strike * PHI(d - spread)


def test_draws_keep_the_quantiles_of_the_bands():
    options = two(factor=3.0).assign(cost_low=8.0, cost_high=15.0)
    found = draw(options, 20_000)
    assert np.quantile(found.benefit[:, 1], [0.1, 0.5, 0.9]) == pytest.approx([1 / 3, 1.0, 3.0], rel=0.04)
    assert np.quantile(found.cost[:, 1], [0.1, 0.5, 0.9]) == pytest.approx([8, 10, 15], rel=0.02)
    assert (found.benefit[:, 0] == 1.0).all()
    assert (found.cost[:, 0] == found.cost[:, 1]).all()  # one price for one treatment


def test_options_of_a_tower_share_their_spread():
    options = two().assign(tower_id="1", option=["rods", "ring"], benefit_low=0.5, benefit_high=2.0)
    logs = np.log(draw(options, 20_000, shared=0.6).benefit)
    assert np.corrcoef(logs.T)[0, 1] == pytest.approx(0.6, abs=0.03)


def test_at_the_ends_of_a_band():
    ends = np.array([0.5, -1.0, np.nan]), np.array([1.0, 0.0, np.nan]), np.array([4.0, 3.0, np.nan])
    for z, end in zip((-TENTH, 0.0, TENTH), ends, strict=True):
        assert at(np.full(3, z), ends) == pytest.approx(end, nan_ok=True)


def test_a_band_must_hold_its_middle():
    with pytest.raises(RecordsError, match="the interval of benefit of tower 2 rods does not contain"):
        draw(two().assign(benefit_low=[1.0, 1.5]))


def test_same_seed_same_draws():
    first, second, other = (draw(two(), 20, seed).benefit for seed in (1, 1, 2))
    assert (first == second).all()
    assert (first[:, 1] != other[:, 1]).any()


def test_chance_of_a_tower_is_the_chance_to_be_better():
    # By hand: the second tower is in the plan when its benefit is above 1: P = Φ(ln m / σ).
    options = two(middle=1.4, factor=2.0)
    found = selection_probability(options, ONE, draw(options, 2000), checked=1)
    chance = found.towers.set_index("tower_id")["chance"]
    assert chance["2"] == pytest.approx(PHI(np.log(1.4) / (np.log(2.0) / TENTH)), abs=0.03)
    assert chance.sum() == pytest.approx(1.0)
    assert found.error == pytest.approx(0.0, abs=1e-6)


def test_regret_is_the_value_of_perfect_information():
    # Mean of max(1, X) less max(1, E X): a call on X.
    options, spread = two(middle=0.8), np.log(2.0) / TENTH
    mean = 0.8 * np.exp(spread**2 / 2)
    drawn = draw(options, 8_000)
    found = selection_probability(options, ONE, drawn, checked=0)
    assert found.regret["perfect"] - 1.0 == pytest.approx(call(mean, spread, 1.0), rel=0.04)
    assert found.regret["planned"] == pytest.approx(max(1.0, drawn.benefit[:, 1].mean()))
    assert found.regret["regret"] == pytest.approx(found.regret["perfect"] - found.regret["planned"])


def test_no_spread_no_regret_and_sure_places():
    options = two(sure=2.0, factor=1.0)
    found = selection_probability(options, ONE, draw(options, 50))
    assert found.regret["regret"] == 0.0
    assert found.towers["chance"].tolist() == [1.0, 0.0]
    assert found.towers["in_plan"].tolist() == [True, False]
    assert found.overspend.tolist() == [0.0]


def test_drawn_costs_shut_a_tower_out_and_tell_the_overspend():
    options = two(sure=2.0, factor=1.0)
    cost = np.where(np.arange(40)[:, None] < 10, [12.0, 9.0], [10.0, 10.0])
    found = selection_probability(options, ONE, Draws(np.tile([2.0, 1.0], (40, 1)), cost))
    assert found.towers.set_index("tower_id")["chance"].to_dict() == {"1": 0.75, "2": 0.25}
    assert found.overspend[1] == 0.25


def test_must_do_is_in_every_plan_at_any_cost_that_fits():
    options = two(sure=2.0).assign(must_do=[False, True])
    cost = np.where(np.arange(20)[:, None] < 5, [1.0, 12.0], [1.0, 9.0])
    found = selection_probability(options, ONE, Draws(np.tile([2.0, 0.1], (20, 1)), cost))
    assert found.draws == 15  # where it costs 12 no plan keeps to the budget
    assert found.towers.set_index("tower_id")["chance"].to_dict() == {"1": 1.0, "2": 1.0}


@pytest.mark.parametrize("middle", [0.6, 0.8, 1.2])
def test_gain_of_a_test_is_a_call_on_what_it_tells(middle):
    # Preposterior mean of a lognormal is lognormal with the part of the spread that the test tells.
    options, spread = two(middle=middle), np.log(2.0) / TENTH
    told = np.sqrt(number("plan_shared_spread") * 0.9) * spread
    mean = middle * np.exp(spread**2 / 2)
    found = next_tests(options, ONE, removes=0.9)
    gain = call(mean, told, 1.0) + 1.0 - max(1.0, mean)
    assert found.towers["tower_id"].tolist() == ["2"]
    assert found.towers["gain"].item() == pytest.approx(
        gain, rel=0.12, abs=0.005
    )  # nine results for a whole law
    assert found.benefit == pytest.approx(max(1.0, mean), rel=0.02)


def test_a_test_that_tells_nothing_is_worth_nothing():
    assert len(next_tests(two(), ONE, removes=0.0).towers) == 0
    assert len(next_tests(two(factor=1.0), ONE).towers) == 0


def test_a_test_that_changes_nothing_is_worth_nothing():
    # With money for both towers, or with one far ahead, no result changes the plan.
    assert len(next_tests(two(), Constraints(budget=(20.0,), horizon_years=2)).towers) == 0
    assert len(next_tests(two(sure=50.0), ONE).towers) == 0


def test_the_doubtful_tower_near_the_line_comes_first():
    rows = [two(), two(sure=3.0, middle=0.9).assign(tower_id=["3", "4"])]
    wide = two(sure=9.0, middle=1.1, factor=3.0).assign(tower_id=["5", "6"])
    options = pd.concat([*rows, wide], ignore_index=True)
    found = next_tests(options, Constraints(budget=(30.0,), horizon_years=2, discount_rate=0.0))
    assert found.towers["tower_id"].iloc[0] == "6"
    assert (found.towers["gain"].diff().dropna() <= 0).all()
    assert found.towers["chance_changes"].between(0, 1).all()
    assert not set(found.towers["tower_id"]) & {"1", "3", "5"}
