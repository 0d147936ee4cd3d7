"""Inspections and repairs first, conditional works after them: problems worked out on paper, and trying all choices."""

from itertools import product

import numpy as np
import pandas as pd
import pytest
from test_plan_budget import drawn_up, towers, treatments

from towerlib import plan
from towerlib.errors import SettingsError
from towerlib.plan import packages, sensitivity
from towerlib.plan.budget import QUANTITIES
from towerlib.plan.optimise import optimise
from towerlib.plan.outcome import broken_rules
from towerlib.plan.problem import Constraints, pose, scheduled, with_total
from towerlib.report import maps, work_orders

LEAD, BOND = "repair of the leads at T3 and a new test", "inspection of the shield-wire bond at {}"


def suspected(lead_cost=6.0):
    """The hand-made line with leads missing at T3 and the bonds of T0 and T4 in doubt."""
    could = treatments()
    rows = []
    for tower, option, kind, cost, decides in (
        (3, "repair leads", "lead", lead_cost, LEAD),
        (0, "re-bond", "rebond", 5.0, BOND.format("T0")),
        (4, "re-bond", "rebond", 8.0, BOND.format("T4")),
    ):
        row = could.choices[could.choices["tower_id"] == f"T{tower}"].iloc[0].to_dict()
        row |= {"option": option, "kind": kind, "cost": cost, "cost_low": cost, "cost_high": cost}
        row |= dict.fromkeys(("benefit_per_year", "avoided_per_year", "avoided_low", "avoided_high"), np.nan)
        row |= dict.fromkeys(QUANTITIES, 0.0) | {"crew_weeks": 0.1, "must_do": kind == "lead"}
        rows.append(row | {"decides": decides, "predicted_ohm": np.nan})
    waits = {"T3": LEAD, "T0": BOND.format("T0"), "T4": BOND.format("T4")}
    could.choices = could.choices.assign(
        decides="", conditional_on=could.choices["tower_id"].map(waits).fillna("")
    )
    could.choices = pd.concat([could.choices, pd.DataFrame(rows)], ignore_index=True).fillna(
        {"conditional_on": ""}
    )
    could.choices["must_do"] = could.choices["must_do"].astype(bool)
    lines = could.choices[could.choices["decides"] != ""].assign(
        item="leg lead", unit="piece", quantity=1.0, price=lambda t: t["cost"], price_row=3
    )
    lines = lines.assign(price_source="by hand", price_year=2026, low=lines["cost"], high=lines["cost"])
    could.cost_lines = pd.concat([could.cost_lines, lines[list(could.cost_lines.columns)]], ignore_index=True)
    return could


def seen(**more):
    """Condition of the towers as the crew saw it."""
    table = towers().assign(leads_missing=[0.0, 0, 0, 1, 0, 0], **more)
    doubted = table["tower_id"].isin(["T0", "T4"])
    return table.assign(suspected_cause=table["suspected_cause"].mask(doubted, "bond: inspect"))


def found(budget=60.0, could=None, condition=None, **changed):
    could = suspected() if could is None else could
    return drawn_up(could, seen() if condition is None else condition, budget=budget, **changed)


def years_of(works):
    return {(row.tower_id, row.option): row.year for row in works.itertuples()}


def test_inspections_and_repairs_come_first_and_their_mobilisation_serves_the_others():
    # By hand, 30 a year. Certain damage first: T3, 6 + 4 = 10 in year 1; T0, 5 + 4 = 9 in year 1; T4, 8 + 4 = 12 exceeds
    # the 11 left and goes to year 2. With the 11 left in year 1, T1 takes rods for 10, G0 being there (0.16 × 9 years).
    # Of the 18 left in year 2, T0 takes rods for 14 (0.2 × 8 years); its inspection was in year 1.
    budget = found()
    assert years_of(budget.works) == {
        ("T3", "repair leads"): 1,
        ("T0", "re-bond"): 1,
        ("T1", "4 rods 3 m"): 1,
        ("T4", "re-bond"): 2,
        ("T0", "4 rods 3 m"): 2,
    }
    assert budget.plan.proven
    assert budget.plan.benefit == pytest.approx(0.16 * 9 + 0.2 * 8)
    assert budget.plan.years["spent"].tolist() == [29.0, 26.0]
    assert budget.plan.years["mobilisations"].tolist() == [2, 2]
    assert any("year 1: T3, T0; year 2: T4" in sentence for sentence in budget.assumed)


@pytest.mark.parametrize("total", [0.0, 20.0, 45.0, 60.0, 90.0, 140.0, 300.0])
def test_works_and_mobilisation_add_up_to_what_is_spent_in_every_year(total):
    could = suspected()
    budget = found(total, could)
    works, years = budget.works, budget.plan.years.set_index("year")
    fees = works.drop_duplicates(["year", "access_group"]).groupby("year").size() * 4.0
    spent = (works.groupby("year")["cost"].sum() + fees).reindex(years.index).fillna(0.0)
    assert spent.tolist() == pytest.approx(years["spent"].tolist())
    assert (years["spent"] <= total / 2 + 1e-9).all()
    table = packages.packages(budget, could.mobilisation)
    lines = packages.cost_lines(budget, could.cost_lines, could.mobilisation)
    assert table["cost"].sum() == pytest.approx(budget.plan.spent)
    assert lines["cost"].sum() == pytest.approx(budget.plan.spent)


def test_expected_benefit_orders_what_is_equally_certain():
    # Both bonds are suspected alike; the trip-out rate follows the footing, which T4 now has the higher of.
    condition = seen(trip_outs_per_year=[0.01, 0.02, 0.03, 0.04, 0.5, 0.06]).assign(
        footing_ohm=[10.0, 20.0, 30.0, 40.0, 500.0, 60.0]
    )
    condition["avoided_to_target_per_year"] = condition["trip_outs_per_year"] / 2
    works = years_of(found(condition=condition).works)
    assert (works[("T4", "re-bond")], works[("T0", "re-bond")]) == (1, 2)


def test_what_exceeds_the_budget_is_named_and_its_conditional_works_wait():
    # By hand, 10 a year: T3 takes 10 of year 1, T0 takes 9 of year 2, T4 would need 12.
    budget = found(20.0)
    assert years_of(budget.works) == {("T3", "repair leads"): 1, ("T0", "re-bond"): 2}
    assert any("1 inspection or repair; in order: T4." in sentence for sentence in budget.off)


def test_crews_limit_inspections_too():
    could = suspected()
    could.choices.loc[could.choices["decides"] != "", "crew_weeks"] = 1.0
    works = years_of(found(300.0, could, years=3, crew_weeks_per_year=1.0).works)
    assert [works[key] for key in (("T3", "repair leads"), ("T0", "re-bond"), ("T4", "re-bond"))] == [1, 2, 3]


def test_inspections_give_way_to_must_treat_and_the_last_of_the_order_first():
    # By hand, 30 in one year: T5 needs 10 + 4; beside it T3 (10) fits, T0 (9) does not.
    budget = found(30.0, years=1, must_treat='["T5"]')
    works = years_of(budget.works)
    assert works[("T3", "repair leads")] == works[("T5", "4 rods 3 m")] == 1
    assert ("T0", "re-bond") not in works
    assert any("2 inspections or repairs; in order: T0, T4." in sentence for sentence in budget.off)


def test_must_dos_that_fit_in_no_way_stop_the_work_as_before():
    with pytest.raises(SettingsError, match=r"T5\) need at least 14 .* 4 more than the budget"):
        found(10.0, years=1, must_treat='["T5"]')


def test_in_the_last_year_a_conditional_work_may_follow_its_inspection_and_says_so():
    budget = found(60.0, years=1)
    works = budget.works.set_index(["tower_id", "option"])
    told = works.loc[("T0", "4 rods 3 m"), "conditional_on"]
    assert told == "inspection of the shield-wire bond at T0 in year 1, the same year: inspection first"


def test_an_inspection_without_a_price_has_a_year_and_a_package_and_is_told():
    could = suspected(lead_cost=np.nan)
    budget = found(could=could)
    work = budget.works.set_index(["tower_id", "option"]).loc[("T3", "repair leads")]
    assert work["year"] == 1
    assert work["package"] == "Y1 G1"
    assert np.isnan(work["cost"])
    assert any("count as 0: tower T3" in sentence for sentence in budget.off)
    # By hand: T3 now takes only its mobilisation, so T4 fits into year 1 too: 4 + 9 + 12 = 25.
    assert budget.works.set_index(["tower_id", "option"]).loc[("T4", "re-bond"), "year"] == 1


def test_a_tower_has_two_lines_in_the_works_and_one_in_the_list():
    budget, condition = found(), seen()
    works = budget.works
    assert works["tower_id"].duplicated().any()
    assert not works.duplicated(["tower_id", "option"]).any()
    mine = plan.join(condition, budget).set_index("tower_id")
    assert mine.loc["T0", ["treatment", "plan_year"]].tolist() == ["4 rods 3 m", 2]
    assert mine.loc["T0", "conditional_on"] == "inspection of the shield-wire bond at T0 in year 1"
    assert mine.loc["T4", ["treatment", "plan_year", "conditional_on"]].tolist() == ["re-bond", 2, ""]
    orders = work_orders.work_orders(budget, condition, "low-moor")
    assert not orders["work_order_id"].duplicated().any()
    waiting = orders.set_index(["tower_id", "option"]).loc[("T0", "4 rods 3 m")]
    assert waiting["scope"].startswith(
        "Only if still needed after the inspection of the shield-wire bond at T0"
    )
    assert "reserve" in waiting["remarks"]
    remarks = packages.packages(budget, suspected().mobilisation).set_index("package")["remarks"]
    assert remarks["Y2 G0"].startswith("Reserve of 10: tower T0")
    assert (remarks.drop("Y2 G0") == "").all()


def test_without_a_plan_the_next_step_is_the_inspection():
    best = found(None).best.set_index("tower_id")["option"]
    assert best[["T0", "T3", "T4"]].tolist() == ["re-bond", "repair leads", "re-bond"]


def test_the_outlook_counts_inspections_in_every_plan_and_lists_each_tower_once():
    budget = found()
    outlook = sensitivity.outlook(budget, seen(), draws=10, steps=3, tests=2)
    assert not outlook.chances["tower_id"].duplicated().any()
    middle = outlook.levels.set_index("level").loc["middle"]
    assert middle["spent"] == budget.plan.spent
    assert not outlook.tests["tower_id"].duplicated().any()


def small(seed):
    """Three towers in two groups, an inspection at one or two of them, two options each, by chance."""
    random, rows = np.random.default_rng(seed), []
    for tower in range(3):
        group = "AB"[tower % 2]
        waits = f"look at {tower}" if tower < 1 + seed % 2 else ""
        rows += [
            (tower, option, random.integers(1, 9), random.integers(3, 12), group, "", waits, np.nan)
            for option in ("a", "b")
        ]
        if waits:
            rows.append((tower, "look", np.nan, random.integers(1, 5), group, waits, "", float(tower)))
    names = "tower_id option benefit_per_year cost access_group decides conditional_on obligation".split()
    options = pd.DataFrame(rows, columns=names).astype({"tower_id": str})
    return options.assign(must_do=options["obligation"].notna(), life_years=30.0)


def by_trying_all(options, constraints):
    """Best benefit of all choices: inspections greedily first, conditional works from the year after; plain arithmetic."""
    years, fee = range(1, constraints.years + 1), constraints.mobilisation
    when, spent, visits = {}, dict.fromkeys(years, 0.0), set()
    for row in options[options["obligation"].notna()].sort_values("obligation").itertuples():
        for year in years:
            cost = row.cost + fee * ((row.access_group, year) not in visits)
            if spent[year] + cost <= constraints.budget[year - 1]:
                spent[year] += cost
                visits.add((row.access_group, year))
                when[row.decides] = year
                break
    moves = []
    for _, mine in options[options["obligation"].isna()].groupby("tower_id"):
        first = 1
        if waits := mine["conditional_on"].iloc[0]:
            first = min(when[waits] + 1, constraints.years) if waits in when else constraints.years + 1
        rows = list(mine.itertuples())
        moves.append([None, *((row, year) for row in rows for year in years if year >= first)])
    best = 0.0
    for choice in product(*moves):
        taken = [move for move in choice if move]
        total = {year: spent[year] + sum(row.cost for row, when_ in taken if when_ == year) for year in years}
        for group, year in {(row.access_group, year) for row, year in taken} - visits:
            total[year] += fee
            assert group
        if all(total[year] <= constraints.budget[year - 1] for year in years):
            best = max(best, sum(row.benefit_per_year * (10 - year) for row, year in taken))
    return best


@pytest.mark.parametrize("seed", range(12))
def test_no_choice_after_the_inspections_brings_more(seed):
    options = small(seed)
    constraints = Constraints(
        budget=(14.0 + seed, 12.0, 9.0), mobilisation=3.0, horizon_years=10, discount_rate=0.0
    )
    found_plan = optimise(options, constraints, gap=0.0)
    assert found_plan.benefit == pytest.approx(by_trying_all(options, constraints))
    assert not broken_rules(found_plan.problem, found_plan.choice)


def test_less_money_moves_inspections_and_more_brings_them_back():
    problem = pose(found().options, found().constraints)
    whole = problem.when
    poor = scheduled(problem, with_total(problem.constraints, 20.0))
    assert sorted(poor.when[problem.owed]) == [0, 1, 2]
    assert (scheduled(poor, problem.constraints).when == whole).all()
    assert not poor.open[(poor.when == 0) & poor.owed].any()


def test_a_conditional_work_before_its_inspection_breaks_a_rule():
    problem = pose(found().options, found().constraints)
    option, inspection = problem.waits[0]
    choice = problem.when.copy()
    choice[option] = 2
    assert not any("conditional" in rule for rule in broken_rules(problem, choice))
    choice[inspection], choice[option] = 2, 1
    assert any("conditional" in rule for rule in broken_rules(problem, choice))


def test_a_map_shows_a_tower_with_two_works_once_by_the_first(monkeypatch):
    monkeypatch.setattr(maps.map_layers, "placed", lambda route, condition, what: condition)
    shown = maps.placed(None, seen(), found().works).set_index("tower_id")
    assert len(shown) == 6
    assert shown.loc["T0", ["option", "kind"]].tolist() == ["re-bond", "year 1"]
