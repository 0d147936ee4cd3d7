"""Simple rules beside which the gain of the plan can be seen."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.plan.account import broken_rules, plan_of
from towerlib.plan.problem import pose

NO_PRICES = (
    "No prices were given: towers are ranked by avoided trip-outs per trench metre; no budget is kept."
)


@dataclass(frozen=True)
class Packages:
    """What one decision can take: an option of a tower, or one option of each tower that goes together.

    Attributes
    ----------
    members : list of array
        Options of the problem in each package.
    unit : array, shape (p,)
        Tower, or towers that go together, that it serves.
    value : array, shape (p, y)
    spend, weeks : array, shape (p,)
    groups : array of bool, shape (p, g)
        Access groups in which it needs a mobilisation.
    must : array of bool, shape (p,)
        True where it meets a must-do.
    """

    members: list
    unit: np.ndarray
    value: np.ndarray
    spend: np.ndarray
    weeks: np.ndarray
    groups: np.ndarray
    must: np.ndarray


def worst_first(options, terms, footing_ohm):
    """Plan of the rule "worst ohms first".

    Parameters
    ----------
    options : pandas.DataFrame
    terms : Terms
        As for `towerlib.plan.optimise.optimise`.
    footing_ohm : pandas.Series
        Footing [Ω] by tower_id; towers without one come last.

    Returns
    -------
    Plan
        `how` says what it breaks, if anything.

    Notes
    -----
    Down the list of towers, must-do works before all others: each takes the option with the most benefit for
    its own cost that still fits, in the first year in which one does; a tower that fits nowhere is passed over.
    *Common practice*, kinder than most: a list that stops at the first tower that does not fit brings less.
    """
    problem = pose(options, terms)
    return _told(problem, worst_first_choice(problem, footing_ohm), "Worst ohms first.")


def worst_first_choice(problem, footing_ohm):
    """Choice of the rule "worst ohms first"; it can fail to meet a must-do.

    Parameters
    ----------
    problem : Problem
    footing_ohm : pandas.Series
        As for `worst_first`.

    Returns
    -------
    array of int, shape (n,)
        Year of each option, 0 where it is not done.
    """
    ohm = problem.options["tower_id"].map(footing_ohm).astype(float).fillna(-np.inf).to_numpy()
    worst = np.full(problem.unit.max(initial=-1) + 1, -np.inf)
    np.maximum.at(worst, problem.unit[problem.tower], ohm)
    packages = _packages(problem)
    own = packages.value[:, 0] / np.maximum(packages.spend, 1e-9)
    state = _State(problem, packages)
    order = np.lexsort((-own, packages.unit, -worst[packages.unit], ~packages.must))
    for package in order:
        for year in range(problem.terms.years):
            if state.fits(year)[package]:
                state.take(package, year)
                break
    return state.choice


def greedy(options, terms):
    """Plan of the rule "next the most benefit for its cost, mobilisation included".

    Parameters
    ----------
    options : pandas.DataFrame
    terms : Terms
        As for `towerlib.plan.optimise.optimise`.

    Returns
    -------
    Plan

    Notes
    -----
    Year by year, must-do works first: the next work is that with the greatest benefit divided by its cost and
    by the mobilisation that has not been paid yet. *Common practice*.
    """
    problem = pose(options, terms)
    return _told(problem, greedy_choice(problem), "Greedy by benefit per cost.")


def greedy_choice(problem):
    """Choice of the rule "next the most benefit for its cost"; it can fail to meet a must-do.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    array of int, shape (n,)
        Year of each option, 0 where it is not done.
    """
    packages = _packages(problem)
    state = _State(problem, packages)
    for first in (packages.must, np.ones(len(packages.must), bool)):
        for year in range(problem.terms.years):
            while len(first):
                cost = packages.spend + packages.groups @ np.where(state.paid[:, year], 0.0, problem.fee)
                worth = packages.value[:, year]
                able = first & state.fits(year) & ((worth > 0) | packages.must)
                rate = np.where(able, worth / np.maximum(cost, 1e-9), -np.inf)
                if rate.max() == -np.inf:
                    break
                state.take(int(rate.argmax()), year)
    return state.choice


def ranked_by_effort(options):
    """Towers by avoided trip-outs per trench metre: the order of work without prices.

    Parameters
    ----------
    options : pandas.DataFrame
        One row a tower and option: tower_id, option, benefit_per_year, effort.

    Returns
    -------
    pandas.DataFrame
        One row a tower with its best option, best first: rank, tower_id, option, benefit_per_year, effort,
        benefit_per_effort (infinite where nothing has to be dug). Options without a positive benefit are not
        listed.

    Examples
    --------
    >>> options = pd.DataFrame({"tower_id": ["1", "1", "2"], "option": ["rods", "ring", "lead"]})
    >>> options = options.assign(benefit_per_year=[0.2, 0.3, 0.1], effort=[10.0, 30.0, 0.0])
    >>> ranked_by_effort(options)[["tower_id", "option", "benefit_per_effort"]].values.tolist()
    [['2', 'lead', inf], ['1', 'rods', 0.02]]
    """
    listed = options.loc[
        (options["benefit_per_year"] > 0) & options["effort"].notna(),
        ["tower_id", "option", "benefit_per_year", "effort"],
    ]
    effort = listed["effort"].to_numpy(float)
    rate = np.where(effort > 0, listed["benefit_per_year"] / np.where(effort > 0, effort, 1.0), np.inf)
    listed = listed.assign(benefit_per_effort=rate)
    listed = listed.sort_values(
        ["benefit_per_effort", "benefit_per_year"], ascending=False, kind="stable"
    ).drop_duplicates("tower_id")
    listed.insert(0, "rank", np.arange(1, len(listed) + 1))
    return listed.reset_index(drop=True)


class _State:
    """What is done, paid and left while a rule works down its list."""

    def __init__(self, problem, packages):
        self.problem, self.packages = problem, packages
        self.choice = np.zeros(len(problem.spend), int)
        self.done = np.zeros(problem.unit.max(initial=-1) + 1, bool)
        self.paid = np.zeros((len(problem.fee), problem.terms.years), bool)
        self.money, self.weeks = np.array(problem.terms.budget, float), problem.crew.copy()

    def fits(self, year):
        """True for each package that can still be taken in a year."""
        packages, problem = self.packages, self.problem
        cost = packages.spend + packages.groups @ np.where(self.paid[:, year], 0.0, problem.fee)
        in_time = ~packages.must | (year < problem.must_by)
        return (
            ~self.done[packages.unit]
            & in_time
            & (cost <= self.money[year])
            & (packages.weeks <= self.weeks[year])
        )

    def take(self, package, year):
        """Do a package in a year and pay for it."""
        packages, fee = self.packages, self.problem.fee
        new = packages.groups[package] & ~self.paid[:, year]
        self.money[year] -= packages.spend[package] + fee[new].sum()
        self.weeks[year] -= packages.weeks[package]
        self.paid[:, year] |= packages.groups[package]
        self.done[packages.unit[package]] = True
        self.choice[packages.members[package]] = year + 1


def _packages(problem):
    """Every option of a lone tower; of towers that go together, the option with the most benefit per cost."""
    open_to = np.flatnonzero(~problem.must_tower[problem.tower] | problem.must) if len(problem.tower) else []
    by_tower = pd.Series(open_to).groupby(problem.tower[open_to]).apply(np.array) if len(open_to) else []
    rate = problem.value[:, 0] / np.maximum(problem.spend, 1e-9)
    towers_of = pd.Series(np.arange(len(problem.unit))).groupby(problem.unit)
    members, unit = [], []
    for number, towers in towers_of:
        if len(towers) == 1:
            found = [np.array([option]) for option in by_tower[towers.iloc[0]]]
        else:
            found = [np.array([by_tower[tower][rate[by_tower[tower]].argmax()] for tower in towers])]
        members += found
        unit += [number] * len(found)
    groups = np.zeros((len(members), len(problem.fee)), bool)
    for place, options in enumerate(members):
        groups[place, problem.group[options]] = True
    return Packages(
        members=members,
        unit=np.array(unit, int),
        value=np.array([problem.value[o].sum(axis=0) for o in members]).reshape(-1, problem.terms.years),
        spend=np.array([problem.spend[o].sum() for o in members]),
        weeks=np.array([problem.weeks[o].sum() for o in members]),
        groups=groups,
        must=np.array([problem.must[o].any() for o in members], bool),
    )


def failed(plan):
    """True where the plan of a rule breaks a constraint, so that its benefit compares with no plan.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    bool
    """
    return bool(broken_rules(plan.problem, plan.choice))


def _told(problem, choice, how):
    """Plan of a rule, with what it breaks: a rule can fail where a plan exists."""
    broken = broken_rules(problem, choice)
    return plan_of(problem, choice, how=" ".join([how, *(f"It fails: {rule}." for rule in broken)]))
