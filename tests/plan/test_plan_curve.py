"""The budget curve, its knee, and the three levels."""

import numpy as np
import pandas as pd
import pytest

from towerlib.errors import SettingsError
from towerlib.plan.optimise import optimise
from towerlib.plan.problem import Constraints, with_total
from towerlib.plan.sensitivity import budget_curve, cost_of_everything, knee, three_levels


def options(**columns):
    """Twelve towers in three access groups: benefits fall, costs are alike."""
    tower = np.arange(12)
    rows = {
        "tower_id": [f"{t:02d}" for t in tower],
        "option": "rods",
        "benefit_per_year": 0.6**tower,
        "cost": 10.0,
    }
    rows |= {"access_group": [f"G{t // 4}" for t in tower], "must_do": False, "life_years": 30.0}
    return pd.DataFrame(rows).assign(**columns)


TERMS = Constraints(budget=(40.0, 40.0), mobilisation=5.0, horizon_years=10, discount_rate=0.0)


def test_knee_of_a_square_root():
    # By hand: √x is furthest above its chord where its slope 1/(2√x) is 1, at x = 1/4.
    budget = np.linspace(0.0, 1.0, 101)
    assert budget[knee(budget, np.sqrt(budget))] == pytest.approx(0.25)


def test_knee_of_the_kneedle_paper():
    # Satopää et al. (2011), figure 2: y = −1/(x + 0.1) + 5 on 0 … 1 at ten even points has its knee at x = 0.22 (from memory).
    x = np.linspace(0.0, 1.0, 10)
    assert x[knee(x, -1 / (x + 0.1) + 5)] == pytest.approx(0.22, abs=0.005)


@pytest.mark.parametrize("benefit", [[0, 1, 2, 3], [0, 0, 0, 0], [np.nan, np.nan, 0, 1], [0, 1, 3, 9]])
def test_no_knee_in_a_straight_flat_short_or_hollow_curve(benefit):
    assert knee([0, 1, 2, 3], benefit) is None


def test_knee_does_not_depend_on_the_currency_and_passes_over_blanks():
    budget, benefit = np.arange(6.0), np.array([np.nan, 0.0, 6.0, 9.0, 10.0, 10.5])
    assert knee(budget, benefit) == knee(1000 * budget, 7 * benefit) == 3


def test_cost_of_everything():
    assert cost_of_everything(options(), TERMS) == 12 * 10 + 3 * 5


@pytest.mark.parametrize("search", [False, True])
def test_curve_never_falls_and_ends_with_every_tower(search):
    curve = budget_curve(options(), TERMS, np.linspace(0, 300, 13), search=search)
    assert (curve["benefit"].diff().dropna() >= 0).all()
    assert (curve["spent"] <= curve["budget"] + 1e-9).all()
    assert (curve["bound"] >= curve["benefit"] - 1e-9).all()
    assert curve["towers"].iloc[[0, -1]].tolist() == [0, 12]
    assert curve["at_knee"].sum() == 1
    assert curve.loc[curve["at_knee"], "budget"].item() < 150


def test_curve_is_blank_below_the_must_do_works():
    curve = budget_curve(options(must_do=[True] * 4 + [False] * 8), TERMS, [10.0, 90.0, 120.0])
    assert curve["benefit"].isna().tolist() == [True, False, False]
    assert curve["towers"].iloc[1] >= 4


def test_curve_needs_rising_budgets():
    with pytest.raises(SettingsError, match="must increase"):
        budget_curve(options(), TERMS, [2.0, 1.0])


def test_curve_does_not_hide_what_is_wrong_with_the_options():
    with pytest.raises(SettingsError, match="no option has a cost"):
        budget_curve(options(cost=np.nan), TERMS, [1.0, 2.0])


def test_three_levels_are_the_optimum_at_each_budget():
    levels, plans = three_levels(options(), TERMS, gap=0.0)
    assert list(levels["level"]) == ["low", "middle", "high"] == list(plans)
    assert list(levels["budget"]) == [40.0, 80.0, 120.0]
    alone = [optimise(options(), with_total(TERMS, total), gap=0.0).benefit for total in levels["budget"]]
    assert levels["benefit"].to_numpy() == pytest.approx(alone)
    assert levels["cost_per_benefit"].to_numpy() == pytest.approx(
        (levels["spent"] / levels["benefit"]).to_numpy()
    )
    rise = (alone[1] - alone[0]) / 40
    assert levels["added_per_cost"].iloc[1] == pytest.approx(rise)


def test_a_level_that_cannot_carry_the_must_do_says_by_how_much():
    levels, plans = three_levels(options(must_do=[True] * 6 + [False] * 6), TERMS)
    assert plans["low"] is None
    assert "more than the budget allows" in levels["how"].iloc[0]
    assert len(plans["middle"].works) >= 6
