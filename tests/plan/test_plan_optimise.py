"""The plan: every small choice enumerated, textbook knapsacks, laws, and what is told when nothing fits."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib.errors import RecordsError, SettingsError
from towerlib.plan import heuristic
from towerlib.plan.optimise import optimise
from towerlib.plan.outcome import broken_rules
from towerlib.plan.problem import Constraints, pose, spread_evenly, with_total, years_that_count

SHORT = {"horizon_years": 2, "discount_rate": 0.0}  # one year of work, one year of benefit: benefit = value


def table(rows, **columns):
    """Options from (tower, option, benefit, cost, group)."""
    names = ["tower_id", "option", "benefit_per_year", "cost", "access_group"]
    return pd.DataFrame(rows, columns=names).assign(**{"must_do": False, "life_years": 30.0, **columns})


def knapsack(profits, weights):
    """A knapsack as a plan of one year, one option a tower and no mobilisation."""
    return table(
        [(f"{i:02d}", "rods", p, w, "A") for i, (p, w) in enumerate(zip(profits, weights, strict=True))]
    )


@pytest.mark.parametrize(
    ("profits", "weights", "capacity", "optimum"),
    [
        # W. L. Winston, Operations Research, chapter 9.2, example 1 (Stockco, in thousands); from memory.
        ([16, 22, 12, 8], [5, 7, 4, 3], 14, 42),
        # Data sets P01, P02, P06, P07 of J. Burkardt's KNAPSACK_01 collection, Florida State University; from memory.
        ([92, 57, 49, 68, 60, 43, 67, 84, 87, 72], [23, 31, 29, 44, 53, 38, 63, 85, 89, 82], 165, 309),
        ([24, 13, 23, 15, 16], [12, 7, 11, 8, 9], 26, 51),
        ([442, 525, 511, 593, 546, 564, 617], [41, 50, 49, 59, 55, 57, 60], 170, 1735),
        (
            [135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240],
            [70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120],
            750,
            1458,
        ),
    ],
)
def test_textbook_knapsacks(profits, weights, capacity, optimum):
    plan = optimise(knapsack(profits, weights), Constraints(budget=(capacity,), **SHORT), gap=0.0)
    assert plan.benefit == pytest.approx(optimum, rel=1e-9)
    assert plan.gap < 1e-6
    assert plan.proven
    assert "proven optimal" in plan.how


def test_years_that_count_are_an_annuity():
    # Engineering economy tables, any textbook: (P/A, 5 %, 10) = 7.7217; (P/A, 10 %, 5) = 3.7908.
    assert years_that_count([10.0], Constraints(budget=(1.0,), horizon_years=40, discount_rate=0.05))[
        0, 0
    ] == (pytest.approx(7.7217, abs=5e-5))
    assert years_that_count([5.0], Constraints(budget=(1.0,), horizon_years=40, discount_rate=0.10))[
        0, 0
    ] == (pytest.approx(3.7908, abs=5e-5))


def test_years_that_count_by_hand():
    constraints = Constraints(budget=(1.0, 1.0, 1.0), horizon_years=6, discount_rate=0.0)
    assert years_that_count([2.5, 30.0], constraints) == pytest.approx(np.array([[2.5, 2.5, 2.5], [5, 4, 3]]))
    beyond = Constraints(budget=(1.0, 1.0, 1.0), horizon_years=2, discount_rate=0.1)
    assert years_that_count([30.0], beyond) == pytest.approx(np.array([[1 / 1.1, 0.0, 0.0]]))


# --- enumeration -----------------------------------------------------------------------------------------

amounts = st.integers(0, 12)


@st.composite
def cases(draw):
    """A small line: up to four towers of up to two options, two access groups, two years."""
    rows, must, weeks, together = [], [], [], []
    for tower in range(draw(st.integers(1, 4))):
        group = draw(st.sampled_from("AB"))
        obliged = draw(st.sampled_from([False, False, False, True]))
        label = draw(st.sampled_from([None, None, "zone"]))
        for option in ("rods", "ring")[: draw(st.integers(1, 2))]:
            at = draw(st.sampled_from([group, group, "B"]))
            rows.append((str(tower), option, draw(amounts) / 4, float(draw(amounts)), at))
            must.append(obliged and (option == "rods" or draw(st.booleans())))
            weeks.append(draw(amounts) / 4)
            together.append(label)
    life = [draw(st.sampled_from([1.0, 4.0, 30.0])) for _ in rows]
    options = table(rows, must_do=must, crew_weeks=weeks, together=together, life_years=life)
    constraints = Constraints(
        budget=(float(draw(st.integers(0, 25))), float(draw(st.integers(0, 25)))),
        mobilisation={"A": float(draw(st.integers(0, 6))), "B": 2.0},
        crew_weeks=draw(st.sampled_from([None, (3.0, 3.0)])),
        horizon_years=draw(st.sampled_from([3, 8])),
        discount_rate=draw(st.sampled_from([0.0, 0.1])),
        must_do_by=draw(st.sampled_from([None, 1])),
    )
    return options, constraints


def counted(benefit, life, year, constraints):
    """Benefit of a work year by year, in plain words of the definition."""
    last = min(year + int(life), constraints.horizon_years)
    return sum(benefit * (1 + constraints.discount_rate) ** -(k - 1) for k in range(year + 1, last + 1))


def enumerated(options, constraints):
    """Most benefit of all plans that keep to the constraints, tried one by one; None without any."""
    choices = []
    for _, rows in options.groupby("tower_id"):
        acts = [(row, year) for row in rows.itertuples() for year in range(1, constraints.years + 1)]
        if rows["must_do"].any():
            acts = [
                (row, year) for row, year in acts if row.must_do and year <= (constraints.must_do_by or 9)
            ]
        else:
            acts = [None, *acts]
        choices.append(acts)
    zone = [rows["together"].iloc[0] == "zone" for _, rows in options.groupby("tower_id")]
    best = None
    for plan in itertools.product(*choices):
        years_of_zone = {act and act[1] for act, inside in zip(plan, zone, strict=True) if inside}
        if len(years_of_zone) > 1 or not affordable([act for act in plan if act], constraints):
            continue
        total = sum(
            counted(r.benefit_per_year, r.life_years, year, constraints) for r, year in filter(None, plan)
        )
        best = total if best is None else max(best, total)
    return best


def affordable(works, constraints):
    """Works within money and crews of every year, each access group paid once a year."""
    for year in range(1, constraints.years + 1):
        mine = [row for row, when in works if when == year]
        cost = sum(row.cost for row in mine)
        cost += sum(constraints.mobilisation[group] for group in {row.access_group for row in mine})
        if cost > constraints.budget[year - 1]:
            return False
        if (
            constraints.crew_weeks is not None
            and sum(row.crew_weeks for row in mine) > constraints.crew_weeks[year - 1]
        ):
            return False
    return True


@settings(deadline=None, max_examples=40)
@given(cases())
def test_optimum_is_the_best_of_all_plans(case):
    options, constraints = case
    best = enumerated(options, constraints)
    if best is None:
        with pytest.raises(SettingsError, match="must-do works at"):
            optimise(options, constraints, gap=0.0)
        return
    plan = optimise(options, constraints, gap=0.0)
    assert plan.benefit == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert plan.bound >= best - 1e-9
    assert broken_rules(plan.problem, plan.choice) == []
    works = [(row, row.year) for row in plan.works.itertuples()]
    assert affordable(works, constraints)


@settings(deadline=None, max_examples=40)
@given(cases())
def test_no_rule_beats_the_optimum(case):
    options, constraints = case
    best = enumerated(options, constraints)
    ohms = pd.Series({tower: float(len(tower) + hash_free(tower)) for tower in options["tower_id"].unique()})
    for plan in (heuristic.greedy(options, constraints), heuristic.worst_first(options, constraints, ohms)):
        broken = broken_rules(plan.problem, plan.choice)
        assert set(broken) <= {"a must-do is not met"}
        assert ("It fails" in plan.how) == bool(broken)
        if not broken:
            assert plan.benefit <= best + 1e-6
    if best is not None:
        quick = optimise(options, constraints, search=False)
        assert quick.benefit <= best + 1e-6
        assert quick.bound >= best - 1e-6


def hash_free(tower):
    """Ohms that do not depend on the run."""
    return int(tower) * 7 % 5


@settings(deadline=None, max_examples=40)
@given(cases(), st.integers(1, 20))
def test_more_budget_never_brings_less(case, more):
    options, constraints = case
    if enumerated(options, constraints) is None:
        return
    richer = replace(constraints, budget=tuple(amount + more for amount in constraints.budget))
    less, most = (optimise(options, mine, gap=0.0).benefit for mine in (constraints, richer))
    assert most >= less - 1e-6


@settings(deadline=None, max_examples=40)
@given(cases(), st.randoms(use_true_random=False), st.sampled_from([0.01, 3.7, 1000.0]))
def test_order_of_towers_and_currency_do_not_matter(case, shuffle, rate):
    options, constraints = case
    if enumerated(options, constraints) is None:
        return
    rows = list(range(len(options)))
    shuffle.shuffle(rows)
    other = options.iloc[rows].assign(cost=options["cost"] * rate)
    exchanged = replace(
        constraints,
        budget=tuple(amount * rate for amount in constraints.budget),
        mobilisation={group: fee * rate for group, fee in constraints.mobilisation.items()},
    )
    ours, theirs = optimise(options, constraints, gap=0.0), optimise(other, exchanged, gap=0.0)
    assert theirs.benefit == pytest.approx(ours.benefit, rel=1e-6, abs=1e-6)


# --- single rules ----------------------------------------------------------------------------------------


def test_mobilisation_is_paid_once_a_group_and_year():
    options = table([(str(i), "rods", 1.0, 10.0, "A") for i in range(4)])
    both = optimise(options, Constraints(budget=(45.0,), mobilisation=5.0, **SHORT), gap=0.0)
    assert list(both.years["mobilisations"]) == [1]
    assert both.spent == 45.0
    short = optimise(options, Constraints(budget=(44.0,), mobilisation=5.0, **SHORT), gap=0.0)
    assert len(short.works) == 3
    two_years = Constraints(budget=(25.0, 25.0), mobilisation=5.0, horizon_years=9)
    assert list(optimise(options, two_years, gap=0.0).years["mobilisation_cost"]) == [5.0, 5.0]


def test_a_group_shares_its_mobilisation_where_single_ratios_mislead():
    # By hand: the lone tower has the best ratio (3 for 4), the pair behind one mobilisation brings 5 for 6.
    options = table(
        [("1", "rods", 3.0, 1.0, "A"), ("2", "rods", 2.5, 1.5, "B"), ("3", "rods", 2.5, 1.5, "B")]
    )
    constraints = Constraints(budget=(6.0,), mobilisation=3.0, **SHORT)
    assert optimise(options, constraints, gap=0.0).benefit == 5.0
    assert heuristic.greedy(options, constraints).benefit == 3.0


def test_a_tower_without_access_group_pays_its_own_mobilisation():
    options = table([("1", "rods", 1.0, 10.0, None), ("2", "rods", 1.0, 10.0, None)])
    plan = optimise(options, Constraints(budget=(30.0,), mobilisation=5.0, **SHORT), gap=0.0)
    assert plan.spent == 30.0
    assert list(plan.works["access_group"]) == ["tower 1", "tower 2"]


def test_must_do_comes_before_benefit():
    options = table([("1", "ring", 0.0, 10.0, "A"), ("2", "rods", 5.0, 10.0, "A")], must_do=[True, False])
    plan = optimise(options, Constraints(budget=(10.0,), **SHORT), gap=0.0)
    assert list(plan.works["tower_id"]) == ["1"]


def test_must_do_keeps_its_latest_year():
    options = table([("1", "ring", 0.0, 10.0, "A"), ("2", "rods", 5.0, 10.0, "A")], must_do=[True, False])
    free = Constraints(budget=(10.0, 10.0), horizon_years=9)
    assert optimise(options, free, gap=0.0).works.set_index("tower_id")["year"].to_dict() == {"2": 1, "1": 2}
    early = replace(free, must_do_by=1)
    assert optimise(options, early, gap=0.0).works.set_index("tower_id")["year"].to_dict() == {"1": 1, "2": 2}


def test_must_do_over_the_budget_says_which_and_by_how_much():
    options = table([("7", "ring", 1.0, 900.0, "A"), ("9", "ring", 1.0, 800.0, "B")], must_do=True)
    constraints = Constraints(budget=(1500.0,), mobilisation=100.0)
    sentence = r"2 towers \(7, 9\) need at least 1 900 with mobilisation, 400 more than the budget allows \(year 1: 400\)"
    with pytest.raises(SettingsError, match=sentence):
        optimise(options, constraints)


def test_must_do_over_the_crews_says_by_how_much():
    options = table(
        [("7", "ring", 1.0, 9.0, "A"), ("9", "ring", 1.0, 8.0, "B")], must_do=True, crew_weeks=2.0
    )
    with pytest.raises(SettingsError, match=r"need 1\.0 crew-weeks more than available \(year 1: 1\.0"):
        optimise(options, Constraints(budget=(100.0,), crew_weeks=(3.0,)))


def test_towers_that_go_together():
    options = table(
        [("1", "rods", 5.0, 10.0, "A"), ("2", "rods", 0.0, 10.0, "A"), ("3", "rods", 4.0, 10.0, "A")],
        together=["zone", "zone", None],
    )
    plans = [optimise(options, Constraints(budget=(b,), **SHORT), gap=0.0) for b in (10.0, 20.0, 30.0)]
    assert [list(plan.works["tower_id"]) for plan in plans] == [["3"], ["1", "2"], ["1", "2", "3"]]


def test_among_equal_plans_the_cheaper():
    options = table([("1", "rods", 1.0, 10.0, "A"), ("1", "ring", 1.0, 20.0, "B")])
    options = pd.concat(
        [options, table([("2", "ring", 0.0, 20.0, "A"), ("2", "rods", 0.0, 5.0, "B")], must_do=True)]
    )
    plan = optimise(options, Constraints(budget=(100.0,), mobilisation=1.0, **SHORT), gap=0.0)
    assert plan.spent == pytest.approx(10 + 5 + 2)


def test_budget_of_nothing_buys_nothing():
    options = knapsack([1.0, 2.0], [5.0, 5.0])
    plan = optimise(options, Constraints(budget=(0.0,)))
    assert (len(plan.works), plan.spent, plan.benefit) == (0, 0.0, 0.0)


def test_no_options_make_an_empty_plan():
    plan = optimise(table([]), Constraints(budget=(5.0,)))
    assert len(plan.works) == 0
    assert "no options" in plan.how


def test_unpriced_options_are_left_out_and_told():
    options = table(
        [("1", "rods", 1.0, np.nan, "A"), ("2", "rods", np.nan, 1.0, "A"), ("3", "rods", 1.0, 1.0, "A")]
    )
    plan = optimise(options, Constraints(budget=(9.0,)))
    assert list(plan.works["tower_id"]) == ["3"]
    assert plan.problem.left_out == (
        "1 option without a price was left out: tower 1 rods.",
        "1 option without a predicted benefit was left out: tower 2 rods.",
    )


def test_without_prices_effort_is_what_is_spent():
    options = table([("1", "rods", 1.0, np.nan, "A"), ("2", "rods", 3.0, np.nan, "A")], effort=[10.0, 60.0])
    with pytest.raises(SettingsError, match="no option has a cost"):
        optimise(options, Constraints(budget=(50.0,)))
    plan = optimise(options, Constraints(budget=(50.0,), measure="effort"))
    assert list(plan.works["tower_id"]) == ["1"]
    ranked = heuristic.ranked_by_effort(options)
    assert list(ranked["tower_id"]) == ["1", "2"]
    assert list(ranked["benefit_per_effort"]) == pytest.approx([0.1, 0.05])


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"cost": -1.0}, RecordsError, "cost of tower 1 rods is -1.0, below 0"),
        ({"life_years": np.nan}, RecordsError, "life_years of tower 1 rods is missing"),
        ({"tower_id": "1"}, RecordsError, "rods of tower 1 occurs in two rows"),
        ({"must_do": True, "cost": [np.nan, 1.0]}, RecordsError, "must-do without a price: tower 1"),
    ],
)
def test_bad_options(change, error, words):
    options = table([("1", "rods", 1.0, 1.0, "A"), ("2", "rods", 1.0, 1.0, "A")])
    with pytest.raises(error, match=words):
        pose(options.assign(**change), Constraints(budget=(1.0,)))


def test_missing_columns_are_named():
    with pytest.raises(RecordsError, match="need the columns benefit_per_year, life_years"):
        pose(table([]).drop(columns=["benefit_per_year", "life_years"]), Constraints(budget=(1.0,)))


def test_a_group_without_mobilisation_price():
    with pytest.raises(SettingsError, match="no mobilisation price for access group B"):
        pose(table([("1", "rods", 1.0, 1.0, "B")]), Constraints(budget=(1.0,), mobilisation={"A": 1.0}))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"budget": ()}, "one amount of 0 or more for each year"),
        ({"budget": (-1.0,)}, "one amount of 0 or more"),
        ({"budget": (1.0, 1.0), "crew_weeks": (1.0,)}, "for each of 2 years"),
        ({"mobilisation": -5.0}, "mobilisation must be 0 or more"),
        ({"discount_rate": 1.5}, "discount_rate from 0 to below 1"),
        ({"must_do_by": 2}, "must_do_by must be a year of the plan"),
        ({"measure": "hours"}, "measure must be one of cost, effort"),
    ],
)
def test_bad_terms(change, words):
    with pytest.raises(SettingsError, match=words):
        Constraints(**{"budget": (1.0,), **change})


def test_budgets_keep_their_shares():
    assert spread_evenly(9.0, 3) == (3.0, 3.0, 3.0)
    assert with_total(Constraints(budget=(0.0, 0.0)), 10.0).budget == (5.0, 5.0)


def test_options_are_not_changed():
    options = knapsack([3.0, 2.0], [1.0, 1.0])
    before = options.copy(deep=True)
    optimise(options, Constraints(budget=(1.0,)))
    pd.testing.assert_frame_equal(options, before)
