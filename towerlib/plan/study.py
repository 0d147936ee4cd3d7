"""What stands around a plan: three levels of budget, the whole curve, how firm each tower is, which test to do next.

Slower than the plan itself, so that only pages which show it ask for it. Nothing here is stopped by the clock: the
same records give the same figures.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.plan import curve, nexttest, rules, uncertain
from towerlib.plan.draws import draw
from towerlib.plan.terms import with_total

DRAWS, STEPS, TESTS = 50, 8, 5
QUICK = {"gap": 1.0, "time_limit_s": 300.0}  # near-best plans will do; the limit is never reached
QUICKLY = {"search": False, "nodes": 0}  # many plans at a time: proven where small, never below a rule
TAIL = 4.0  # a band that ends so many times above its middle has no lognormal tail
SUMS = ["avoided_per_year", "avoided_low", "avoided_high", "cost_low", "cost_high", "crew_weeks"]


@dataclass(frozen=True)
class Outlook:
    """What stands around a plan.

    Attributes
    ----------
    levels : pandas.DataFrame
        As `levels` gives it; no rows where the budget is 0.
    curve : pandas.DataFrame
        As `budget_curve` gives it.
    chances : pandas.DataFrame
        As `chances` gives it.
    regret : pandas.Series
        planned, perfect, regret and regret_p90, as in `towerlib.plan.uncertain.Firmness`.
    tests : pandas.DataFrame
        Short list of the tests worth most, as in `towerlib.plan.nexttest.NextTests`.
    """

    levels: pd.DataFrame
    curve: pd.DataFrame
    chances: pd.DataFrame
    regret: pd.Series
    tests: pd.DataFrame


def outlook(budget, condition, *, draws=DRAWS, steps=STEPS, tests=TESTS):
    """Levels, curve, chances and next tests of a plan.

    Parameters
    ----------
    budget : Budget
        As `towerlib.plan.draw_up` gives it.
    condition : pandas.DataFrame
        One row a tower; gives the footings for the rule "worst ohms first".
    draws, steps, tests : int
        Draws of the benefits, steps of the curve, and length of the list of tests.

    Returns
    -------
    Outlook or None
        None where there is no plan.
    """
    if budget.plan is None or not len(budget.plan.problem.options):
        return None
    firm = firmness(budget, draws)
    found = nexttest.next_tests(banded(budget.options), budget.terms, most=tests, **QUICK)
    return Outlook(
        levels=levels(budget, condition),
        curve=budget_curve(budget, condition, steps),
        chances=chances(budget, firm),
        regret=firm.regret,
        tests=found.towers,
    )


def levels(budget, condition):
    """What a low, a middle and a high budget buy, and what worst ohms first would bring for each.

    Parameters
    ----------
    budget : Budget
        With a plan; its budget is the middle level.
    condition : pandas.DataFrame
        One row a tower: tower_id, footing_ohm.

    Returns
    -------
    pandas.DataFrame
        One row a level, as `towerlib.plan.curve.three_levels` gives it, with avoided_per_year, cost of the works
        and their low and high sums (all works erring alike), crew_weeks, mobilisations, worst_first (benefit of
        that rule) and gain (of the plan over it, as a part of it).
    """
    terms = budget.terms
    if not sum(terms.budget) > 0:
        return pd.DataFrame(columns=["level", "budget", "spent", "towers", "benefit", *SUMS])
    footings = condition.set_index("tower_id")["footing_ohm"]
    table, plans = curve.three_levels(
        budget.options, terms, known=budget.plan, **QUICKLY, footing_ohm=footings
    )
    sums = pd.DataFrame([_sums(plan, budget.options) for plan in plans.values()])
    ruled = [_by_rule("worst_first", budget, condition, total) for total in table["budget"]]
    table = pd.concat([table, sums], axis=1).assign(worst_first=ruled)
    return table.assign(gain=table["benefit"] / table["worst_first"].where(table["worst_first"] > 0) - 1)


def _sums(plan, options):
    """Sums over the works of a level."""
    if plan is None:
        return dict.fromkeys((*SUMS, "mobilisations"), np.nan)
    names = [name for name in SUMS if name not in plan.works]
    works = plan.works.merge(
        options[["tower_id", "option", *names]], on=["tower_id", "option"], validate="1:1"
    )
    found = works[SUMS].sum().to_dict()
    return found | {"mobilisations": int(plan.years["mobilisations"].sum())}


def budget_curve(budget, condition, steps=STEPS):
    """Benefit over the budget, of the plan and of both simple rules.

    Parameters
    ----------
    budget : Budget
        With a plan.
    condition : pandas.DataFrame
        One row a tower: tower_id, footing_ohm.
    steps : int
        Even steps up to the cost of the most effective option at every tower; the three levels stand between.

    Returns
    -------
    pandas.DataFrame
        As `towerlib.plan.curve.budget_curve`, with worst_first and greedy (benefit of the rules); blank below
        the cost of the must-do works. No rows where no option brings anything.
    """
    terms = budget.terms
    whole = curve.cost_of_everything(budget.options, terms)
    if not whole > 0:
        return pd.DataFrame(columns=["budget", "spent", "towers", "benefit", "bound", "at_knee"])
    owed = budget.options["must_do"].astype(bool).any()  # nothing is bought for nothing then
    points = np.linspace(0.0, whole, steps + 1)[int(owed) :]
    shares = np.array(list(curve.LEVELS.values())) * sum(terms.budget)
    points = np.unique(np.r_[points, shares[shares > 0]])
    footings = condition.set_index("tower_id")["footing_ohm"]
    found = curve.budget_curve(
        budget.options, terms, points, known=budget.plan, **QUICKLY, footing_ohm=footings
    )
    ruled = {
        name: [
            _by_rule(name, budget, condition, row.budget) if row.benefit == row.benefit else np.nan
            for row in found.itertuples()
        ]
        for name in ("worst_first", "greedy")
    }
    return found.assign(**ruled)


def _by_rule(name, budget, condition, total):
    """Benefit of a simple rule within a sum of money; blank where it cannot carry the must-do works."""
    terms = with_total(budget.terms, total)
    if name == "greedy":
        plan = rules.greedy(budget.options, terms)
    else:
        plan = rules.worst_first(budget.options, terms, condition.set_index("tower_id")["footing_ohm"])
    return np.nan if rules.failed(plan) else plan.benefit


def firmness(budget, count=DRAWS):
    """How firm the plan is against what the benefits could be.

    Parameters
    ----------
    budget : Budget
        With a plan.
    count : int
        Draws.

    Returns
    -------
    towerlib.plan.uncertain.Firmness

    Notes
    -----
    Costs keep their middle: prices that rise together shift the budget, not the order. What errs alike at all
    towers, such as the accuracy of the method for lightning, does not count either, since it moves no tower
    before another.
    """
    options = banded(budget.options).drop(columns=["cost_low", "cost_high"], errors="ignore")
    return uncertain.firmness(options, budget.terms, draw(options, count), checked=0, **QUICK)


def banded(options):
    """Options with the band of their benefit as draws take it.

    Parameters
    ----------
    options : pandas.DataFrame
        With avoided_low and avoided_high.

    Returns
    -------
    pandas.DataFrame
        With benefit_low and benefit_high. Where the high end lies `TAIL` times above the middle, the low end
        is set to 0, for which draws are normal: a lognormal tail would run away.
    """
    middle, high = options["benefit_per_year"], options["avoided_high"]
    low = options["avoided_low"].where(~(high > TAIL * middle), 0.0)
    return options.assign(benefit_low=low, benefit_high=high)


def chances(budget, firm):
    """Chance of each tower to be in the plan.

    Parameters
    ----------
    budget : Budget
    firm : towerlib.plan.uncertain.Firmness

    Returns
    -------
    pandas.DataFrame
        One row a tower with options: tower_id, chance, option (the most frequent one), option_chance, in_plan,
        planned_option, must_do (its treatment is owed whatever it brings), likeliest first.
    """
    planned = budget.works[["tower_id", "option", "must_do"]].rename(columns={"option": "planned_option"})
    kept = firm.towers[["tower_id", "chance", "option", "option_chance"]]
    told = kept.merge(planned, on="tower_id", how="left", validate="1:1")
    owed = told["must_do"].astype("boolean").fillna(False).astype(bool)
    return told.assign(in_plan=told["planned_option"].notna(), must_do=owed)


def by_kind(works):
    """What each kind of treatment of a plan avoids.

    Parameters
    ----------
    works : pandas.DataFrame
        As `towerlib.plan.Budget.works`.

    Returns
    -------
    pandas.DataFrame
        One row a kind, most first: kind, towers, avoided_per_year, avoided_low, avoided_high, cost.
    """
    sums = ["avoided_per_year", "avoided_low", "avoided_high", "cost"]
    grouped = works.astype(dict.fromkeys(sums, float)).groupby("kind", sort=True)
    table = grouped[sums].sum().assign(towers=grouped.size()).reset_index()
    table = table.sort_values("avoided_per_year", ascending=False, kind="stable", ignore_index=True)
    return table[["kind", "towers", *sums]]
