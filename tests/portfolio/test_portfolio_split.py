"""One budget over several lines: against every possible choice, against the lines' own plans, and within its constraints."""

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from portfolio_lines import line, planned

from towerlib import portfolio
from towerlib.plan.optimise import optimise
from towerlib.plan.outcome import plan_of

ROOM = 1e-6


@pytest.fixture
def pair():
    """A rich line with one good tower, a poor line with two."""
    rich = line("rich", (1.0, 0.1), budget=20.0, changed={"works": planned(1, 1)})
    poor = line("poor", (0.5, 0.4), budget=10.0, changed={"works": planned(1, 0)})
    return [rich, poor]


def test_the_split_is_the_best_of_all_choices(pair):
    found = portfolio.split(pair)
    # Every choice within 30, each worth its benefit over the ten years that are left of eleven.
    best = max(
        10 * np.dot(chosen, (1.0, 0.1, 0.5, 0.4))
        for chosen in product((0, 1), repeat=4)
        if 10 * sum(chosen) <= 30
    )
    assert best == pytest.approx(19.0)
    assert found.plan.benefit == pytest.approx(best)
    assert list(zip(found.works["line_id"], found.works["tower_id"], strict=True)) == [
        ("poor", "T0"),
        ("poor", "T1"),
        ("rich", "T0"),
    ]
    table = found.table.set_index("line_id")
    assert table.loc["rich", ["own_spent", "own_benefit", "spent", "benefit"]].tolist() == pytest.approx(
        [20, 11, 10, 10]
    )
    assert table.loc["poor", ["own_spent", "own_benefit", "spent", "benefit"]].tolist() == pytest.approx(
        [10, 5, 20, 9]
    )
    assert table.loc["poor", ["avoided_low", "avoided_per_year", "avoided_high"]].tolist() == pytest.approx(
        [0.45, 0.9, 1.8]
    )
    assert (found.total, found.currency) == (30.0, "EUR")


def test_the_record_of_a_line_weighs_its_benefits(pair):
    rich, poor = pair
    doubted = replace(rich, facts=rich.facts | {"calibration_factor": 0.05})
    found = portfolio.split([doubted, poor], total=20.0)
    assert set(found.works["line_id"]) == {"poor"}  # 0.05 × 1.0 is less than 0.4
    both = portfolio.split([doubted, poor]).table.set_index("line_id")
    assert both.loc["rich", "own_benefit"] == pytest.approx(0.05 * 11)


def drawn(seed):
    """Three lines by chance: other years, fees, crews, must-dos; each with the plan of its own optimiser."""
    draw, lines = np.random.default_rng(seed), []
    for name in ("one", "two", "three"):
        count = int(draw.integers(3, 9))
        each = line(
            name,
            draw.uniform(0.05, 1.0, count),
            draw.uniform(5.0, 30.0, count).round(1),
            fee=float(draw.uniform(0, 10)),
            years=int(draw.integers(1, 4)),
            budget=float(draw.uniform(60.0, 120.0)),
            crew_weeks_per_year=float(draw.integers(2, 6)) if seed % 2 else np.nan,
            calibration_factor=float(draw.choice([np.nan, 0.4, 1.3])),
        )
        must = np.zeros(count, bool)
        must[0] = (
            seed % 3 == 0 and each.options["cost"].iloc[0] + 10 < each.facts["budget"] / each.facts["years"]
        )
        each = replace(each, options=each.options.assign(must_do=must))
        own = portfolio.split([each]).works.assign(package="")
        lines.append(replace(each, works=own[["year", "package", "tower_id", "option"]]))
    return lines


@pytest.mark.parametrize("seed", range(12))
def test_never_worse_than_the_lines_own_plans_and_within_the_terms(seed):
    lines = drawn(seed)
    for total in (None, 400.0):
        found = portfolio.split(lines, total)
        assert found.plan is not None, found.off
        table = found.table
        assert found.plan.benefit >= table["own_benefit"].sum() * (1 - ROOM)
        assert table["benefit"].sum() == pytest.approx(found.plan.benefit)
        assert table["spent"].sum() == pytest.approx(found.plan.spent)
        assert table["own_budget"].sum() == pytest.approx(found.total)
        assert (table["own_spent"] <= table["own_budget"] * (1 + ROOM)).all()
        wanted = sum(each.facts["budget"] for each in lines) if total is None else total
        assert found.total == pytest.approx(wanted)
        assert found.plan.spent <= wanted * (1 + ROOM)
        years = found.plan.years
        assert (years["spent"] <= years["budget"] * (1 + ROOM)).all()
        if seed % 2:
            weeks = sum(each.facts["crew_weeks_per_year"] * each.facts["years"] for each in lines)
            assert years["crew_weeks"].sum() <= weeks
        for each in lines:
            owed = set(each.options.loc[each.options["must_do"], "tower_id"])
            assert owed <= set(found.works.loc[found.works["line_id"] == each.line_id, "tower_id"])


def test_years_of_money_are_those_of_the_lines(pair):
    rich, poor = pair
    # By hand: 20 over two years and 10 in one make 20 in the first year and 10 in the second.
    found = portfolio.split([replace(rich, facts=rich.facts | {"years": 2}), poor])
    assert found.plan.years["budget"].tolist() == [20.0, 10.0]


def test_own_plans_stand_where_the_optimiser_finds_no_better(pair, monkeypatch):
    def idle(options, constraints, **_):
        plan = optimise(options, constraints, search=False)
        return plan_of(plan.problem, np.zeros_like(plan.choice), plan.bound, "Nothing is done.")

    monkeypatch.setattr(portfolio, "optimise", idle)
    found = portfolio.split(pair)
    assert found.plan.benefit == pytest.approx(16.0)
    assert found.plan.how.startswith("The lines' own plans together")
    assert found.table["benefit"].tolist() == pytest.approx(found.table["own_benefit"].tolist())


def test_groups_of_two_lines_are_two_mobilisations():
    one, two = line("one", (1.0,), (10.0,), fee=4.0), line("two", (1.0,), (10.0,), fee=6.0)
    found = portfolio.split([one, two])
    assert found.plan.spent == 30.0
    assert found.table.set_index("line_id")["spent"].to_dict() == {"one": 14.0, "two": 16.0}


def test_a_tower_without_access_group_pays_its_own_mobilisation():
    each = line("one", (1.0,), (10.0,))
    each = replace(
        each,
        options=each.options.assign(access_group=pd.array([pd.NA], "str")),
        mobilisation=pd.DataFrame({"access_group": ["tower T0"], "price": [3.0]}),
    )
    assert portfolio.split([each]).plan.spent == 13.0


def test_another_total_scales_every_budget(pair):
    found = portfolio.split(pair, total=60.0)
    assert found.table.set_index("line_id")["own_budget"].to_dict() == {"rich": 40.0, "poor": 20.0}
    assert found.table["own_benefit"].sum() == pytest.approx(20.0)  # enough for every tower
    none = portfolio.split(pair, total=0.0)
    assert (none.plan.spent, none.plan.benefit) == (0.0, 0.0)


def test_a_line_without_a_budget_takes_part_only_in_a_given_total(pair):
    bare = line("bare", (5.0,), (10.0,), budget=np.nan)
    assert "bare is not in the split: its budget is not set." in portfolio.split([*pair, bare]).off
    found = portfolio.split([*pair, bare], total=30.0)
    assert "bare" in set(found.works["line_id"])
    assert found.table.set_index("line_id").loc["bare", "own_budget"] == 0.0


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"currency": "XTS"}, "counts in XTS over 11 years at 0.0%, others in EUR"),
        ({"horizon_years": 30.0}, "in EUR over 30 years"),
        ({"discount_rate": 0.05}, "at 5.0%"),
    ],
)
def test_lines_that_count_otherwise_are_left_out_and_named(pair, facts, words):
    found = portfolio.split([*pair, line("other", **facts)])
    assert set(found.table["line_id"]) == {"rich", "poor"}
    assert any("other is not in the split" in why and words in why for why in found.off)


def test_lines_without_prices_or_treatments_are_named(pair):
    dear = line("dear", costs=(np.nan, np.nan))
    idle = line("idle", (), ())
    assert {
        "dear is not in the split: its treatments have no price.",
        "idle is not in the split: no treatment applies at any of its towers.",
    } <= set(portfolio.split([*pair, dear, idle]).off)
    nothing = portfolio.split([dear])
    assert nothing.plan is None
    assert nothing.off[-1] == "No split: no line has a plan that can take part."


def test_must_dos_that_do_not_fit_are_reported(pair):
    rich, poor = pair
    owed = replace(poor, options=poor.options.assign(must_do=True))
    assert any("No split: " in why for why in portfolio.split([rich, owed], total=15.0).off)
    # 30 carries both must-dos of the poor line, whose own third does not.
    found = portfolio.split([rich, owed], total=30.0)
    assert found.table.set_index("line_id")["own_benefit"].isna().to_dict() == {"rich": False, "poor": True}
    assert (found.works["line_id"] == "poor").sum() == 2
    assert any(why.startswith("poor: its part of the total") for why in found.off)


def test_nothing_of_the_lines_is_changed(pair):
    before = [each.options.copy() for each in pair]
    portfolio.split(pair, total=25.0)
    for each, options in zip(pair, before, strict=True):
        pd.testing.assert_frame_equal(each.options, options)
