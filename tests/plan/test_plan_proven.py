"""Small plans are the best of all plans, tried one by one; larger ones keep to their bound and above every rule."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from towerlib.errors import SettingsError
from towerlib.plan import heuristic
from towerlib.plan.budget import OWN
from towerlib.plan.milp import build
from towerlib.plan.optimise import _percent, optimise
from towerlib.plan.outcome import broken_rules
from towerlib.plan.problem import Constraints
from towerlib.plan.sensitivity import budget_curve
from towerlib.report.plan_words import beside_rules

SMALL_CASES, MEDIUM_CASES = 150, 8


def case(seed, towers, years):
    """A line by chance: treatments to choose from, access groups with mobilisation, must-dos, crews, a zone."""
    rng = np.random.default_rng(seed)
    groups, rows = max(1, towers // int(rng.integers(1, 5))), []
    for tower in range(towers):
        at = f"G{tower * groups // towers}" if rng.random() < 0.9 else None
        base, must = rng.lognormal(0, 0.8), rng.random() < 0.1
        zone = "zone" if tower < 2 and seed % 5 == 0 else None
        for size in range(1, int(rng.integers(2, 4))):
            benefit, cost = base * (1 - np.exp(-size / 1.5)), round(size * rng.lognormal(1.5, 0.4), 1)
            rows.append((f"{tower:02d}", f"{size} rods", benefit * rng.uniform(0.8, 1), cost, at))
            rows[-1] += (must and size == 1, round(rng.uniform(0.2, 1.5), 1), zone, rng.choice([10.0, 40.0]))
    names = (
        "tower_id option benefit_per_year cost access_group must_do crew_weeks together life_years".split()
    )
    options = pd.DataFrame(rows, columns=names)
    money = options.groupby("tower_id")["cost"].max().sum() * rng.uniform(0.2, 0.7)
    weeks = None if seed % 3 else (round(0.6 * towers / years, 1),) * years
    fee = float(rng.choice([0.0, 3.0, 8.0]))
    ohms = pd.Series(rng.uniform(5, 90, towers), index=options["tower_id"].unique())
    constraints = Constraints(
        (round(money / years, 1),) * years, fee, weeks, 20, 0.0, None if seed % 4 else 1
    )
    return options, constraints, ohms


def best_of_all(options, constraints):
    """Most benefit of all plans, tower by tower with what may still be spent; None where no plan fits."""
    towers = [rows for _, rows in options.groupby("tower_id", sort=False)]
    weeks = constraints.crew_weeks or (np.inf,) * constraints.years

    def acts(rows):
        found = [
            (row, year)
            for row in rows.itertuples()
            for year in range(constraints.years)
            if not rows["must_do"].any()
            or (row.must_do and year < (constraints.must_do_by or constraints.years))
        ]
        return found if rows["must_do"].any() else [None, *found]

    choices = [acts(rows) for rows in towers]

    def worth(row, year):  # work of year t acts from t + 1 to the end of its life or of the horizon
        return row.benefit_per_year * (min(year + 1 + row.life_years, constraints.horizon_years) - year - 1)

    most = [max((worth(*act) for act in each if act), default=0.0) for each in choices]
    ahead = np.r_[np.cumsum(most[::-1])[::-1], 0.0]
    best = [None]

    def go(at, money, crews, paid, zone, brought):
        if best[0] is not None and brought + max(ahead[at], 0.0) <= best[0] + 1e-12:
            return
        if at == len(choices):
            best[0] = brought
            return
        inside = towers[at]["together"].iloc[0] == "zone"
        for act in choices[at]:
            when = None if act is None else act[1]
            if inside and zone != "open" and zone != when:
                continue
            after = when if inside else zone
            if act is None:
                go(at + 1, money, crews, paid, after, brought)
                continue
            row, year = act
            group = row.access_group if pd.notna(row.access_group) else "tower " + row.tower_id
            visit = (group, year)
            left, crew = list(money), list(crews)
            left[year] -= row.cost + (0 if visit in paid else constraints.mobilisation)
            crew[year] -= row.crew_weeks
            if left[year] >= -1e-9 and crew[year] >= -1e-9:
                go(at + 1, left, crew, paid | {visit}, after, brought + worth(row, year))

    go(0, list(constraints.budget), list(weeks), frozenset(), "open", 0.0)
    return best[0]


def rule_plans(options, constraints, ohms):
    """Plans of the simple rules that keep to every constraint."""
    plans = (heuristic.greedy(options, constraints), heuristic.worst_first(options, constraints, ohms))
    return [plan for plan in plans if not broken_rules(plan.problem, plan.choice)]


@cache
def small(seed):
    """A small case: up to 7 towers in one year, up to 5 in two or three."""
    years = 1 + seed % 3
    return case(seed, 3 + seed % (5 if years == 1 else 3), years)


@pytest.mark.parametrize("block", range(5))
def test_small_plans_are_the_best_of_all_plans(block):
    for seed in range(block, SMALL_CASES, 5):
        options, constraints, ohms = small(seed)
        best = best_of_all(options, constraints)
        if best is None:
            with pytest.raises(SettingsError, match="must-do works at"):
                optimise(options, constraints, search=False, footing_ohm=ohms)
            continue
        plan = optimise(options, constraints, search=False, footing_ohm=ohms)
        assert broken_rules(plan.problem, plan.choice) == []
        assert plan.benefit == pytest.approx(best, rel=1e-7, abs=1e-9), seed
        assert plan.proven, seed
        assert plan.bound >= best * (1 - 1e-9)
        assert all(plan.benefit >= rule.benefit for rule in rule_plans(options, constraints, ohms))


def exact_bounds(options, constraints):
    """Benefit that a plan of a search attains, and one that none exceeds: the model of the plan, no heuristics."""
    model = build(optimise(options, constraints, search=False, nodes=0).problem)
    rows = LinearConstraint(model.rows, model.lower, model.upper)
    stop = {"mip_rel_gap": 1e-4, "node_limit": 300}
    found = milp(
        -model.gain, integrality=np.ones(len(model.gain)), bounds=Bounds(0, 1), constraints=rows, options=stop
    )
    return -found.fun / model.unit, -found.mip_dual_bound / model.unit + model.thrift


@pytest.mark.parametrize("seed", range(MEDIUM_CASES))
def test_medium_plans_are_above_every_rule_and_within_their_bound(seed):
    options, constraints, ohms = case(1000 + seed, 30 + 3 * seed, 1 + seed % 3)
    attained, above = exact_bounds(options, constraints)
    for nodes in (0, 50):
        plan = optimise(options, constraints, search=False, footing_ohm=ohms, nodes=nodes)
        assert broken_rules(plan.problem, plan.choice) == []
        assert plan.benefit <= above * (1 + 1e-9)
        assert plan.bound >= attained * (1 - 1e-7)
        assert all(plan.benefit >= rule.benefit for rule in rule_plans(options, constraints, ohms))
        assert ("proven optimal: no plan" in plan.how) == plan.proven
        if plan.proven:
            assert plan.benefit >= attained * (1 - 1e-6)
        again = optimise(options, constraints, search=False, footing_ohm=ohms, nodes=nodes)
        assert (again.choice == plan.choice).all()


def test_no_rule_beats_a_point_of_the_curve():
    options, constraints, ohms = case(1003, 40, 2)
    whole = sum(constraints.budget)
    points = [0.8 * whole, whole, 1.5 * whole]
    curve = budget_curve(options, constraints, points, footing_ohm=ohms, nodes=0)
    for row in curve.itertuples():
        mine = Constraints(
            (row.budget / 2,) * 2,
            constraints.mobilisation,
            constraints.crew_weeks,
            20,
            0.0,
            constraints.must_do_by,
        )
        assert all(row.benefit >= rule.benefit for rule in rule_plans(options, mine, ohms))


def test_a_stated_gap_is_rounded_up():
    assert _percent(0.00541) == "0.55 %"
    assert _percent(0.011) == "1.1 %"
    assert _percent(0.0999) == "10 %"


def test_every_gain_is_shown_whatever_its_sign():
    methods = pd.DataFrame({"method": [OWN, "a", "b", "c", "d", "e"], "fails": [*[False] * 5, True]})
    methods["gain"] = [0.0, 0.07, 0.0, -0.02, np.inf, np.nan]
    told = " ".join(beside_rules(methods)).replace("\u00a0", " ")
    assert "7 % more than “a” and no more than “b” and 2 % less than “c”" in told
    assert "“d” avoids nothing" in told
    assert "“e” cannot carry the must-do works" in told
