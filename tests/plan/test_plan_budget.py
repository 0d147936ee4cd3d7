"""The plan of a line's budget on treatments made by hand: constraints, must-dos, zones, missing money and prices."""

from itertools import product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from towerlib import plan
from towerlib.config import parse
from towerlib.errors import SettingsError
from towerlib.plan import budget as budgets
from towerlib.plan import heuristic
from towerlib.plan.budget import QUANTITIES

HEAD = 'line = { id = "low-moor", name = "Low moor 132 kV", voltage_kv = 132, frequency_hz = 50 }\n'
PLAN = {
    "budget": 60.0,
    "currency": '"EUR"',
    "years": 2,
    "horizon_years": 10,
    "discount_rate": 0.0,
}


def line_of(**changed):
    """A line with what its [plan] says."""
    told = {name: value for name, value in (PLAN | changed).items() if value is not None}
    return parse(HEAD + "[plan]\n" + "".join(f"{name} = {value}\n" for name, value in told.items()))


def towers(count=6):
    """Condition of a few towers, 300 m apart, footings falling along the line."""
    ids = [f"T{k}" for k in range(count)]
    table = pd.DataFrame({"tower_id": ids, "chainage_km": 0.3 * np.arange(count)})
    return table.assign(
        footing_ohm=60.0 - 8 * np.arange(count),
        footing_date=pd.Timestamp("2026-03-14"),
        limit_ohm=15.0,
        latitude_deg=-32.0,
        longitude_deg=-18.0 + 0.003 * np.arange(count),
        occupancy="remote",
        verdict="usable",
        suspected_cause="none",
        bond_state="sound",
    )


def treatments(count=6, factor=1.0, **changed):
    """Two options a tower, in access groups of two towers; the last tower has none. Costs times a factor."""
    rows = [_option(tower, option) for tower in range(count) for option in ("4 rods 3 m", "2 radials 30 m")]
    table = pd.DataFrame(rows).assign(**changed)
    table[["cost", "cost_low", "cost_high"]] *= factor
    lines = table.assign(price=table["cost"], low=table["cost_low"], high=table["cost_high"], quantity=1.0)
    lines = lines[["tower_id", "option", "quantity", "price", "cost", "low", "high", "soil_class", "access"]]
    lines = lines.assign(item="trench", unit="m", price_row=2, price_source="by hand", price_year=2026)
    lines["price_row"] = lines["price_row"].astype("Int64")
    groups = sorted({row["access_group"] or f"tower {row['tower_id']}" for row in rows})
    fees = pd.DataFrame({"access_group": groups, "access": "road", "price": 4.0, "low": 3.0, "high": 6.0})
    fees[["price", "low", "high"]] *= factor
    fees = fees.assign(price_row=pd.array([9] * len(fees), "Int64"), price_source="by hand", price_year=2026)
    return SimpleNamespace(choices=table, mobilisation=fees, cost_lines=lines)


def _option(tower, option):
    """One option: radials cost twice as much as rods and avoid half as much again."""
    wires = option.startswith("2 radials")
    cost, avoided = (20.0, 0.3) if wires else (10.0, 0.2)
    avoided *= 0.8**tower
    row = {
        "tower_id": f"T{tower}",
        "option": option,
        "kind": "radials" if wires else "rods",
        "must_do": False,
    }
    row |= {
        "access_group": f"G{tower // 2}" if tower < 5 else None,
        "access": "road",
        "soil_class": "ordinary",
    }
    footing = 60.0 - 8 * tower
    row |= {"footing_ohm": footing, "predicted_ohm": footing / 2, "reason": "", "purse": "capital"}
    row |= {
        "predicted_low_ohm": footing / 3,
        "predicted_high_ohm": footing / 1.5,
        "verify": "same-method retest",
    }
    row |= {"benefit_per_year": avoided, "avoided_per_year": avoided}
    row |= {"avoided_low": avoided / 2, "avoided_high": 1.5 * avoided, "life_years": 30.0}
    row |= {"cost": cost, "cost_low": 0.8 * cost, "cost_high": 1.3 * cost, "crew_weeks": 0.5, "effort": cost}
    amounts = dict.fromkeys(QUANTITIES, 0.0)
    amounts |= (
        {"trench_m": 60.0, "wire_m": 60.0} if wires else {"trench_m": 8.0, "rod_count": 4.0, "rod_m": 12.0}
    )
    return row | amounts


def drawn_up(could=None, condition=None, **changed):
    """Budget of a hand-made line."""
    could = treatments() if could is None else could
    return plan.optimise_plan(could, towers() if condition is None else condition, line_of(**changed))


def test_terms_come_from_the_settings_and_the_prices():
    settings = line_of(years=3, crew_weeks_per_year=2.5, discount_rate=0.05).plan
    constraints = budgets.constraints_of(settings, treatments().mobilisation)
    assert constraints.budget == (20.0, 20.0, 20.0)
    assert constraints.crew_weeks == (2.5, 2.5, 2.5)
    assert constraints.mobilisation == {"G0": 4.0, "G1": 4.0, "G2": 4.0, "tower T5": 4.0}
    assert (constraints.horizon_years, constraints.discount_rate) == (10, 0.05)


def test_the_horizon_is_no_shorter_than_the_plan():
    assert (
        budgets.constraints_of(
            line_of(years=6, horizon_years=2).plan, treatments().mobilisation
        ).horizon_years
        == 6
    )


def best_by_trying_all(could, yearly, horizon=10):
    """Most benefit of every choice of one option or none, in one of two years, at each of the towers: plain arithmetic."""
    ids = list(dict.fromkeys(could.choices["tower_id"]))
    by_tower = [list(could.choices[could.choices["tower_id"] == name].itertuples()) for name in ids]
    moves = [[None, *((row, year) for row in rows for year in (1, 2))] for rows in by_tower]
    best = 0.0
    for choice in product(*moves):
        spent, visits = {1: 0.0, 2: 0.0}, set()
        for row, year in filter(None, choice):
            spent[year] += row.cost
            visits.add((row.access_group or row.tower_id, year))
        for _, year in visits:
            spent[year] += 4.0
        if max(spent.values()) <= yearly:
            best = max(
                best, sum(row.avoided_per_year * (horizon - year) for row, year in filter(None, choice))
            )
    return best


def test_plan_lies_between_its_bound_and_every_choice_tried():
    could = treatments(count=5)
    found = plan.optimise_plan(could, towers(5), line_of(budget=70))
    best = best_by_trying_all(could, 35.0)
    assert found.plan.benefit <= best + 1e-9 <= found.plan.bound + 2e-9
    assert found.plan.benefit >= 0.98 * best


def test_methods_stand_side_by_side():
    found = drawn_up()
    ways = found.methods.set_index("method")
    worst = heuristic.worst_first(
        found.options, found.constraints, towers().set_index("tower_id")["footing_ohm"]
    )
    assert ways.loc["worst ohms first", "benefit"] == worst.benefit
    assert ways.loc["worst ohms first", "gain"] == pytest.approx(found.plan.benefit / worst.benefit - 1)
    assert (ways["spent"] <= 60).all()


def test_each_year_keeps_to_its_budget_with_mobilisation():
    works = drawn_up().works
    for _, mine in works.groupby("year"):
        assert mine["cost"].sum() + 4.0 * mine["package"].nunique() <= 30.0


def test_an_owed_tower_is_treated_whatever_it_brings():
    assert "T4" not in set(drawn_up(budget=30).works["tower_id"])
    owed = drawn_up(budget=30, must_treat='["T4"]').works.set_index("tower_id")
    assert owed.loc["T4", "must_do"]
    assert owed["must_do"].sum() == 1


def test_an_owed_tower_that_is_not_there_stops_the_work():
    with pytest.raises(SettingsError, match="must_treat names tower 'T9', which the register does not have"):
        drawn_up(must_treat='["T9"]')


def test_an_owed_tower_without_a_treatment_is_told():
    could = treatments()
    could.choices = could.choices[could.choices["tower_id"] != "T3"].reset_index(drop=True)
    assert (
        drawn_up(could, must_treat='["T3"]').off[0] == "[plan] must_treat: no treatment applies at tower T3."
    )


def test_must_dos_beyond_the_budget_say_which_and_by_how_much():
    # By hand: rods at T0 and T1 with one mobilisation take 10 + 10 + 4 = 24; the budget of the year is 15.
    with pytest.raises(
        SettingsError, match=r"at 2 towers \(T0, T1\) need at least 24 .* 9 more than the budget"
    ):
        drawn_up(budget=15, years=1, must_treat='["T0", "T1"]')


def test_a_budget_of_zero_buys_nothing_and_says_what_a_must_do_lacks():
    nothing = drawn_up(budget=0)
    assert nothing.works.empty
    assert nothing.plan.spent == 0.0
    assert len(nothing.best) == 6
    with pytest.raises(SettingsError, match=r"T2\) need at least 14 .* 14 more"):
        drawn_up(budget=0, must_treat='["T2"]')


def test_without_a_budget_the_best_for_its_cost_stands():
    found = drawn_up(budget=None)
    assert found.off == (budgets.NO_BUDGET,)
    assert found.plan is None
    assert found.works.empty
    assert set(found.best["option"]) == {"4 rods 3 m"}  # 0.02 a unit of money against 0.015
    assert found.best["plan_year"].isna().all()


def test_without_prices_the_best_per_trench_metre_stands():
    could = treatments(cost=np.nan, cost_low=np.nan, cost_high=np.nan)
    could.choices["effort"] = np.where(could.choices["kind"] == "rods", 60.0, 30.0)
    found = drawn_up(could)
    assert found.off == (heuristic.NO_PRICES,)
    assert set(found.best["option"]) == {"2 radials 30 m"}
    assert found.best["benefit_per_cost"].isna().all()


def test_without_any_option_the_reason_stands():
    could = treatments()
    could.choices = could.choices.iloc[:0]
    assert drawn_up(could).off == (budgets.NO_CHOICE,)


def test_a_must_do_without_a_price_stays_out_and_is_told():
    could = treatments()
    lost = could.choices["tower_id"] == "T1"
    could.choices.loc[lost, ["cost", "cost_low", "cost_high"]] = np.nan
    found = drawn_up(could, must_treat='["T1"]')
    assert any("Must-do without a price, not in the plan: tower T1" in told for told in found.off)
    assert "T1" not in set(found.works["tower_id"])


def test_a_mobilisation_without_a_price_counts_as_nothing_and_is_told():
    could = treatments()
    could.mobilisation.loc[0, "price"] = np.nan
    found = drawn_up(could)
    assert any("counts as 0: 1 access group (G0)" in told for told in found.off)
    assert found.constraints.mobilisation["G0"] == 0.0


@pytest.mark.parametrize(("budget", "expected"), [(60, {"T0", "T1"}), (22, set())])
def test_towers_of_a_station_zone_go_together_or_not_at_all(budget, expected):
    # T0, T1 lie within 0.4 km of the first station, T4, T5 of the last: two pairs.
    found = drawn_up(station_zone_km=0.4, budget=budget, years=1)
    labels = found.options.drop_duplicates("tower_id").set_index("tower_id")["together"]
    assert labels.dropna().to_dict() == {
        "T0": "T0 to T1",
        "T1": "T0 to T1",
        "T4": "T4 to T5",
        "T5": "T4 to T5",
    }
    done = set(found.works["tower_id"])
    assert done & {"T0", "T1"} == expected
    assert len(done & {"T4", "T5"}) != 1


def test_a_tower_without_an_access_group_is_a_package_of_its_own():
    works = drawn_up(budget=400).works.set_index("tower_id")
    assert works.loc["T5", "package"] == f"Y{works.loc['T5', 'year']} tower T5"
    assert (works["package"] == works.loc["T5", "package"]).sum() == 1


def test_order_of_towers_and_currency_change_nothing():
    plain = drawn_up().works[["tower_id", "option", "year"]]
    could, condition = treatments(), towers()
    could.choices = could.choices.iloc[::-1].reset_index(drop=True)
    turned = plan.optimise_plan(could, condition.iloc[::-1].reset_index(drop=True), line_of())
    dear = drawn_up(treatments(factor=650.0), budget=60 * 650.0, currency='"XOF"')
    for other in (turned, dear):
        assert other.works[["tower_id", "option", "year"]].equals(plain)


def test_join_keeps_rows_and_order_and_blanks_what_is_not_planned():
    condition = towers().set_index(pd.Index([5, 9, 1, 7, 3, 2]))
    found = drawn_up(condition=condition)
    joined = plan.join(condition, found)
    assert joined.index.tolist() == [5, 9, 1, 7, 3, 2]
    assert joined["tower_id"].tolist() == condition["tower_id"].tolist()
    planned = joined["tower_id"].isin(found.works["tower_id"])
    assert joined["package"].notna().tolist() == joined["plan_year"].notna().tolist() == planned.tolist()
    assert 0 < planned.sum() < 6
    mine = joined[planned].set_index("tower_id")["treatment"]
    assert mine.to_dict() == found.works.set_index("tower_id")["option"].to_dict()
    assert plan.join(joined, found).equals(joined)
    assert "treatment" not in condition
