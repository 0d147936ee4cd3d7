"""The plan as works to hand out: totals, cost lines, orders, and the files as they are written."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from test_plan_budget import drawn_up, line_of, towers, treatments

from towerlib import plan
from towerlib.plan import packages
from towerlib.plan.budget import QUANTITIES
from towerlib.report import cautions, work_orders


def study_of(could=None, condition=None, **changed):
    """What a report is written from, as far as work orders need it."""
    could = treatments() if could is None else could
    condition = towers() if condition is None else condition
    line = line_of(**changed)
    budget = plan.optimise_plan(could, condition, line)
    return SimpleNamespace(budget=budget, treatments=could, condition=condition, line=line)


@pytest.fixture
def study():
    return study_of(budget=110)


def test_package_totals_are_the_sums_of_their_works(study):
    works, table = study.budget.works, packages.packages(study.budget, study.treatments.mobilisation)
    for name in (*QUANTITIES, "crew_weeks", "avoided_per_year", "avoided_low", "avoided_high"):
        assert table[name].sum() == pytest.approx(works[name].sum())
    assert table["towers"].sum() == len(works)
    assert table["cost"].sum() == pytest.approx(study.budget.plan.spent)
    # By hand: one mobilisation a package costs 4, from 3 to 6.
    assert table["cost_low"].sum() == pytest.approx(works["cost_low"].sum() + 3 * len(table))
    assert table["cost_high"].sum() == pytest.approx(works["cost_high"].sum() + 6 * len(table))
    assert (table["mobilisation"] == 4).all()


def test_packages_stand_by_year_and_place(study):
    table = packages.packages(study.budget, study.treatments.mobilisation)
    assert not table["package"].duplicated().any()
    keys = list(zip(table["year"], table["from_km"], strict=True))
    assert keys == sorted(keys)
    assert (table["to_km"] >= table["from_km"]).all()


def test_cost_lines_add_up_to_what_is_spent_and_name_their_price_row(study):
    could = study.treatments
    lines = packages.cost_lines(study.budget, could.cost_lines, could.mobilisation)
    assert lines["cost"].sum() == pytest.approx(study.budget.plan.spent)
    assert lines["cost"].to_numpy() == pytest.approx((lines["quantity"] * lines["price"]).to_numpy())
    assert lines["price_row"].notna().all()
    fees = lines[lines["item"] == "mobilisation"]
    assert not fees["package"].duplicated().any()
    assert set(fees["package"]) == set(study.budget.works["package"])
    works = lines[lines["item"] != "mobilisation"].groupby("tower_id")["cost"].sum()
    assert works.to_dict() == study.budget.works.set_index("tower_id")["cost"].to_dict()


def test_a_mobilisation_without_a_price_has_no_line():
    could = treatments()
    could.mobilisation[["price", "low", "high"]] = np.nan
    study = study_of(could, budget=110)
    lines = packages.cost_lines(study.budget, could.cost_lines, could.mobilisation)
    assert "mobilisation" not in set(lines["item"])
    assert lines["cost"].sum() == pytest.approx(study.budget.plan.spent)
    table = packages.packages(study.budget, could.mobilisation)
    assert table[["cost", "cost_low", "cost_high"]].notna().all(axis=None)


def test_a_low_end_without_a_price_falls_back_on_the_price():
    could = treatments()
    could.mobilisation["low"] = np.nan
    study = study_of(could, budget=110)
    table = packages.packages(study.budget, could.mobilisation)
    assert table["cost_low"].sum() == pytest.approx(study.budget.works["cost_low"].sum() + 4 * len(table))


def test_ids_stay_when_the_plan_moves_a_work():
    now, later = (
        packages.orders(study_of(budget=total, years=years).budget, towers(), "low-moor")
        for total, years in ((110, 3), (80, 4))
    )
    both = now.merge(later, on=["tower_id", "option"], suffixes=("", "_later"))
    assert (both["year"] != both["year_later"]).any()
    assert (both["work_order_id"] == both["work_order_id_later"]).all()
    assert now["work_order_id"].iloc[0] == "low-moor/T0/2-radials-30-m"
    assert not now["work_order_id"].duplicated().any()


def test_orders_do_not_depend_on_the_order_of_the_towers():
    could, condition = treatments(), towers().iloc[::-1].reset_index(drop=True)
    could.choices = could.choices.iloc[::-1].reset_index(drop=True)
    turned, plain = study_of(could, condition), study_of()
    tables = [work_orders.work_orders(one.budget, one.condition, "low-moor") for one in (turned, plain)]
    pd.testing.assert_frame_equal(*tables)


def test_every_order_says_what_where_and_how_it_is_accepted(study):
    table = work_orders.work_orders(study.budget, study.condition, "low-moor")
    assert table[work_orders.COLUMNS].columns.tolist() == list(table.columns)
    for row in table.itertuples():
        assert row.option in row.scope
        assert f"tower {row.tower_id}" in row.scope
        assert "trench" in row.materials
        for caution in (cautions.DEAD_LINE, cautions.THUNDER, cautions.NO_PERMIT, cautions.DIGGING):
            assert caution in row.safety
        assert f"before {row.before_ohm:.3g} Ω" in row.acceptance
    assert table["latitude_deg"].notna().all()


@pytest.mark.parametrize(("high", "most"), [(40.0, "40 Ω"), (90.0, "60 Ω"), (np.nan, "60 Ω")])
def test_nothing_is_accepted_above_what_was_there_before(high, most):
    could = treatments(predicted_high_ohm=high)
    row = (
        work_orders.work_orders(study_of(could).budget, towers(), "low-moor").set_index("tower_id").loc["T0"]
    )
    assert row["before_ohm"] == 60.0
    assert f"accepted up to {most}" in row["acceptance"]


def test_work_without_a_prediction_and_work_above_the_bonds():
    could = treatments(predicted_ohm=np.nan)
    table = work_orders.work_orders(study_of(could).budget, towers(), "low-moor")
    assert table["acceptance"].str.startswith("No prediction").all()
    could = treatments(kind="arresters")
    table = work_orders.work_orders(study_of(could).budget, towers(), "low-moor")
    assert table["acceptance"].str.contains("not by ohms").all()
    assert table["safety"].str.contains(cautions.NEAR_WIRES, regex=False).all()
    could = treatments(kind="lead")
    table = work_orders.work_orders(study_of(could).budget, towers(), "low-moor")
    assert table["safety"].str.contains(cautions.LEADS, regex=False).all()


def test_remarks_name_doubts_before_anyone_digs():
    condition = towers().assign(
        verdict="usable with caution", suspected_cause="bond: inspect", occupancy="bare feet"
    )
    row = work_orders.work_orders(study_of(condition=condition).budget, condition, "low-moor").iloc[0]
    assert "confirm it first" in row["remarks"]
    assert "bond: inspect, before any digging" in row["remarks"]
    assert "step and touch voltage" in row["safety"]


def test_files_read_back_as_they_were(study, tmp_path):
    names = work_orders.write(study, tmp_path / "new")
    assert names == ["work-orders.csv", "packages.csv", "cost-lines.csv"]
    orders, table, lines = (pd.read_csv(tmp_path / "new" / name, encoding="utf-8-sig") for name in names)
    assert orders["tower_id"].tolist() == study.budget.works["tower_id"].tolist()
    assert orders["before_date"].unique().tolist() == ["2026-03-14"]
    assert table["cost"].sum() == pytest.approx(study.budget.plan.spent)
    assert lines["cost"].sum() == pytest.approx(study.budget.plan.spent)
    assert set(orders["currency"]) == set(table["currency"]) == set(lines["currency"]) == {"EUR"}


@pytest.mark.parametrize("changed", [{"budget": None}, {"budget": 0}])
def test_without_works_the_files_hold_their_headers(changed, tmp_path):
    study = study_of(**changed)
    for name in work_orders.write(study, tmp_path):
        text = (tmp_path / name).read_text(encoding="utf-8-sig").splitlines()
        assert len(text) == 1
        assert "package" in text[0]


def test_a_line_alone_in_its_group_has_its_own_mobilisation():
    found = drawn_up(budget=400)
    table = packages.packages(found, treatments().mobilisation).set_index("access_group")
    assert table.loc["tower T5", ["towers", "mobilisation"]].tolist() == [1, 4.0]
