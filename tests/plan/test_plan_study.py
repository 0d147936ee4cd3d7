"""What stands around a plan: levels, curve, chances and next tests, on a line made by hand."""

import numpy as np
import pandas as pd
import pytest
from test_plan_budget import drawn_up, line_of, towers, treatments

from towerlib import plan
from towerlib.plan import heuristic, sensitivity
from towerlib.plan.problem import with_total
from towerlib.plan.uncertainty import draw

SMALL = {"draws": 10, "steps": 2, "tests": 2}


@pytest.fixture
def budget():
    return drawn_up()


def test_levels_are_the_sums_of_their_works(budget):
    table = sensitivity.levels(budget, towers()).set_index("level")
    assert table["budget"].tolist() == [30.0, 60.0, 90.0]
    middle, works = table.loc["middle"], budget.works
    assert middle["spent"] == pytest.approx(works["cost"].sum() + 4.0 * works["package"].nunique())
    for name in ("avoided_per_year", "avoided_low", "avoided_high", "cost_low", "cost_high", "crew_weeks"):
        assert middle[name] == pytest.approx(works[name].sum())
    assert middle["mobilisations"] == works["package"].nunique()


def test_levels_show_worst_ohms_first_beside_the_plan():
    could = treatments()  # predictions without an interval: the gain is then that of the estimates
    middle = could.choices["predicted_ohm"]
    could.choices = could.choices.assign(predicted_low_ohm=middle, predicted_high_ohm=middle)
    budget = drawn_up(could)
    condition = towers().assign(
        footing_ohm=np.arange(6.0)
    )  # the tower that avoids least has the worst footing
    table = sensitivity.levels(budget, condition)
    footings = condition.set_index("tower_id")["footing_ohm"]
    ruled = [
        heuristic.worst_first(budget.options, with_total(budget.constraints, total), footings).benefit
        for total in table["budget"]
    ]
    assert table["worst_first"].tolist() == ruled
    # By hand, 30 in two years of 15: rods at T5, then at T4; 0.2 × 0.8⁵ over 9 years and 0.2 × 0.8⁴ over 8.
    assert ruled[0] == pytest.approx(0.2 * 0.8**5 * 9 + 0.2 * 0.8**4 * 8)
    assert table["gain"].to_numpy() == pytest.approx(table["benefit"].to_numpy() / np.array(ruled) - 1)


def test_more_money_never_buys_less(budget):
    curve = sensitivity.whole_curve(budget, towers(), steps=6)
    assert (curve["benefit"].diff().dropna() >= 0).all()
    assert {30.0, 60.0, 90.0} <= set(curve["budget"])
    # By hand, everything: radials at six towers, 6 × 20, and four mobilisations of 4.
    assert curve["budget"].max() == 136.0
    assert curve["towers"].iloc[-1] == 6 or curve["spent"].iloc[-1] <= 136.0
    assert curve["at_knee"].sum() <= 1
    assert (sensitivity.levels(budget, towers())["benefit"].diff().dropna() >= 0).all()


def test_curve_starts_where_the_must_dos_can_be_carried():
    curve = sensitivity.whole_curve(drawn_up(must_treat='["T4"]'), towers(), steps=2)
    assert curve["budget"].iloc[0] > 0
    assert (sensitivity.whole_curve(drawn_up(), towers(), steps=2)["budget"].iloc[0]) == 0.0


def test_a_level_below_the_must_dos_is_blank_and_says_by_how_much():
    found = drawn_up(years=1, budget=40, must_treat='["T0", "T1"]')
    low = sensitivity.levels(found, towers()).iloc[0]
    # By hand: 10 + 10 + 4 = 24 against 20.
    assert "need at least 24" in low["how"]
    assert "4 more than the budget allows" in low["how"]
    assert np.isnan(low["benefit"])
    assert np.isnan(low["worst_first"])


def test_chances_know_what_the_plan_holds():
    found = drawn_up(must_treat='["T4"]')
    outlook = sensitivity.outlook(found, towers(), **SMALL)
    told = outlook.chances.set_index("tower_id")
    assert told["chance"].between(0, 1).all()
    assert told["in_plan"].sum() == len(found.works)
    assert told.loc["T4", ["chance", "must_do", "in_plan"]].tolist() == [1.0, True, True]
    assert told["must_do"].sum() == 1
    mine = told[told["in_plan"]]["planned_option"].to_dict()
    assert mine == found.works.set_index("tower_id")["option"].to_dict()


def test_sure_benefits_leave_no_doubt_and_nothing_to_test():
    could = treatments()
    could.choices = could.choices.assign(
        avoided_low=could.choices["avoided_per_year"], avoided_high=could.choices["avoided_per_year"]
    )
    outlook = sensitivity.outlook(drawn_up(could), towers(), **SMALL)
    assert set(outlook.chances["chance"]) <= {0.0, 1.0}
    assert outlook.regret["regret"] == pytest.approx(0.0, abs=1e-9)
    assert outlook.tests.empty


def test_same_records_same_figures(budget):
    first, second = (sensitivity.outlook(budget, towers(), **SMALL) for _ in range(2))
    for name in ("levels", "curve", "chances", "tests"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(second, name))
    assert first.regret.equals(second.regret)


def test_order_of_towers_and_currency_change_no_figure(budget):
    plain = sensitivity.outlook(budget, towers(), **SMALL)
    could = treatments(factor=650.0)
    dear = sensitivity.outlook(drawn_up(could, budget=60 * 650.0), towers().iloc[::-1], **SMALL)
    for name in ("benefit", "worst_first", "towers", "avoided_per_year"):
        assert dear.levels[name].to_numpy() == pytest.approx(plain.levels[name].to_numpy())
    assert dear.levels["spent"].to_numpy() == pytest.approx(650 * plain.levels["spent"].to_numpy())
    assert dear.curve["at_knee"].tolist() == plain.curve["at_knee"].tolist()
    assert dear.chances["chance"].tolist() == plain.chances["chance"].tolist()


def test_a_middle_near_nothing_has_no_tail_without_end():
    # A lognormal law through 1e-12 and 0.01 would reach 1e10 within three standard deviations.
    could = treatments().choices.assign(benefit_per_year=1e-12, avoided_low=1e-16, avoided_high=0.01)
    benefit = draw(sensitivity.banded(could), 500).benefit
    assert np.abs(benefit).max() < 0.01 * 4 / 1.28  # four standard deviations of a normal law
    narrow = sensitivity.banded(treatments().choices)
    assert (narrow["benefit_low"] == treatments().choices["avoided_low"]).all()


def test_without_a_plan_there_is_no_outlook():
    assert sensitivity.outlook(drawn_up(budget=None), towers()) is None


def test_with_nothing_to_spend_the_curve_still_tells_what_money_would_buy():
    outlook = sensitivity.outlook(drawn_up(budget=0), towers(), **SMALL)
    assert outlook.levels.empty
    assert outlook.curve["benefit"].max() > 0


def test_where_nothing_helps_there_is_no_curve():
    could = treatments(benefit_per_year=0.0, avoided_per_year=0.0, avoided_low=0.0, avoided_high=0.0)
    outlook = sensitivity.outlook(drawn_up(could), towers(), **SMALL)
    assert outlook.curve.empty
    assert outlook.tests.empty


def test_kinds_add_up_to_the_plan():
    found = drawn_up(budget=110)
    table = sensitivity.by_kind(found.works)
    assert set(table["kind"]) == {"rods", "radials"}
    assert table["towers"].sum() == len(found.works)
    assert table["avoided_per_year"].sum() == pytest.approx(found.works["avoided_per_year"].sum())
    assert table["avoided_per_year"].is_monotonic_decreasing


def test_what_is_handed_over_stays_as_it_is(budget):
    could, condition = treatments(), towers()
    kept = could.choices.copy(), condition.copy()
    sensitivity.outlook(plan.optimise_plan(could, condition, line_of()), condition, **SMALL)
    assert could.choices.equals(kept[0])
    assert condition.equals(kept[1])
