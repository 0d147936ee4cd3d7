"""The simple rules do what they say; station-zone towers that go together."""

import pandas as pd
import pytest

from towerlib.plan.heuristic import greedy, worst_first
from towerlib.plan.optimise import optimise
from towerlib.plan.problem import Constraints, together_in_zones

ONE = Constraints(budget=(20.0,), horizon_years=2, discount_rate=0.0)


def towers(**columns):
    """Three towers: the worst gives little, the next most for the money, the third most of all."""
    rows = {"tower_id": ["1", "2", "3"], "option": "rods", "benefit_per_year": [1.0, 3.0, 4.0]}
    rows |= {"cost": [10.0, 5.0, 15.0], "access_group": ["A", "B", "C"], "must_do": False, "life_years": 30.0}
    return pd.DataFrame(rows).assign(**columns)


def done(plan):
    return dict(zip(plan.works["tower_id"], plan.works["year"], strict=True))


def test_worst_ohms_first_goes_down_the_list_and_passes_over_what_does_not_fit():
    ohms = pd.Series({"1": 90.0, "3": 40.0, "2": 20.0})
    assert done(worst_first(towers(), ONE, ohms)) == {"1": 1, "2": 1}


def test_towers_without_ohms_come_last():
    assert done(worst_first(towers(), ONE, pd.Series({"3": 5.0}))) == {"3": 1, "2": 1}


def test_worst_ohms_first_takes_the_option_with_most_benefit_for_its_cost():
    options = pd.concat([towers(), towers(option="ring", benefit_per_year=2.0, cost=12.0)])
    plan = worst_first(options, ONE, pd.Series({"1": 90.0}))
    assert plan.works.set_index("tower_id")["option"]["1"] == "ring"  # 2 for 12 against 1 for 10


def test_greedy_takes_the_best_ratio_next_and_counts_the_mobilisation():
    assert done(greedy(towers(), ONE)) == {"2": 1, "3": 1}
    # By hand, 5 of mobilisation each: 2.9 for 10 comes before 2 for 10, and then money is short for a third.
    paired = towers(benefit_per_year=[2.0, 2.9, 2.0], cost=5.0, access_group=["A", "B", "A"])
    constraints = Constraints(budget=(20.0,), mobilisation=5.0, horizon_years=2, discount_rate=0.0)
    assert done(greedy(paired, constraints)) == {"2": 1, "1": 1}


def test_rules_do_must_do_works_first():
    options = towers(must_do=[True, False, False])
    assert "1" in done(greedy(options, ONE))
    assert "1" in done(worst_first(options, ONE, pd.Series({"3": 90.0})))


def test_a_rule_that_cannot_meet_a_must_do_says_so():
    plan = greedy(towers(must_do=[False, False, True]), Constraints(budget=(10.0,), horizon_years=2))
    assert plan.how == "Greedy by benefit per cost. It fails: a must-do is not met."


def test_the_gain_of_the_plan_is_visible():
    # By hand: 4 + 3 against 1 + 3 for the worst ohms first.
    best, rule = optimise(towers(), ONE, gap=0.0), worst_first(towers(), ONE, pd.Series({"1": 90.0}))
    assert (best.benefit, rule.benefit) == (7.0, 4.0)


def test_runs_of_zone_towers_get_one_label():
    line = pd.DataFrame({"tower_id": list("abcdefg")})
    zone = [True, True, False, False, False, True, True]
    labels = together_in_zones(line.assign(in_station_zone=zone), ["a", "b", "c", "g"])
    assert labels.to_dict() == {"a": "a to b", "b": "a to b"}  # g has no neighbour with works, c no zone


def test_zone_towers_that_need_nothing_do_not_part_their_neighbours():
    line = pd.DataFrame({"tower_id": list("abc"), "in_station_zone": True})
    assert together_in_zones(line, ["a", "c"]).to_dict() == {"a": "a to c", "c": "a to c"}


def test_labels_serve_as_the_column_together():
    line = pd.DataFrame({"tower_id": ["1", "2", "3"], "in_station_zone": [True, True, False]})
    labels = together_in_zones(line, ["1", "2", "3"])
    options = towers(together=towers()["tower_id"].map(labels))
    plan = optimise(options, Constraints(budget=(14.0,), horizon_years=2, discount_rate=0.0), gap=0.0)
    assert done(plan) == {}  # 1 and 2 cost 15 together, 3 alone costs 15
    assert done(optimise(options, Constraints(budget=(15.0,), horizon_years=2), gap=0.0)) in (
        {"1": 1, "2": 1},
        {"3": 1},
    )


def test_a_tower_outside_the_line_is_refused():
    with pytest.raises(ValueError, match="tower x is not on the line"):
        together_in_zones(pd.DataFrame({"tower_id": ["a"], "in_station_zone": True}), ["x"])
