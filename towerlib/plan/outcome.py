"""Cost and benefit of a choice of works, year by year, and the constraints that it violates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.plan.problem import Problem

WORKS = """
    year tower_id option access_group cost crew_weeks benefit_per_year benefit must_do
""".split()
ROOM = 1e-6  # relative excess over a limit that counts as rounding
PROVEN = 1e-6  # gap due to the solver's rounding and the preference for the cheaper plan


@dataclass(frozen=True)
class Plan:
    """A plan, and how close to the optimum it is known to be.

    Attributes
    ----------
    problem : Problem
        The planning problem.
    choice : array of int, shape (n,)
        Year of each option of the problem, 1 the first, 0 where it is not done.
    works : pandas.DataFrame
        One row per treated tower, by year and access group: columns as in `WORKS`; cost is in the unit of
        `constraints.measure` without mobilisation; benefit is counted over the years.
    years : pandas.DataFrame
        One row per year: year, towers, mobilisations, budget, work_cost, mobilisation_cost, spent, crew_weeks,
        benefit.
    benefit, spent : float
        Benefit and cost with mobilisation, over all years.
    bound : float
        Benefit that no plan exceeds; infinite where unknown.
    how : str
        How the plan was found, and how far it can be from the best possible, in one sentence.
    """

    problem: Problem
    choice: np.ndarray
    works: pd.DataFrame
    years: pd.DataFrame
    benefit: float
    spent: float
    bound: float
    how: str

    @property
    def gap(self) -> float:
        """Largest possible improvement, relative to the benefit of this plan."""
        if self.bound <= self.benefit:
            return 0.0
        return (self.bound - self.benefit) / self.benefit if self.benefit > 0 else np.inf

    @property
    def proven(self) -> bool:
        """True where it is proven that no plan within the constraints brings more."""
        return bool(self.gap <= PROVEN)


def plan_of(problem: Problem, choice: np.ndarray, bound: float = np.inf, how: str = "") -> Plan:
    """Plan of a choice, with its tables.

    Parameters
    ----------
    problem : Problem
    choice : array of int, shape (n,)
        Year of each option, 0 where it is not done.
    bound : float
        Benefit that no plan exceeds.
    how : str
        How the choice was found.

    Returns
    -------
    Plan
    """
    done = np.flatnonzero(choice)
    works = problem.options.iloc[done].assign(
        year=choice[done],
        cost=problem.spend[done],
        crew_weeks=problem.weeks[done],
        benefit=problem.value[done, choice[done] - 1],
    )
    works = works.sort_values(["year", "access_group"], kind="stable")[WORKS].reset_index(drop=True)
    years = yearly(problem, choice)
    benefit, spent = (float(years[name].to_numpy(float).sum()) for name in ("benefit", "spent"))
    return Plan(problem, choice, works, years, benefit, spent, bound, how)


def yearly(problem: Problem, choice: np.ndarray) -> pd.DataFrame:
    """Money, crews and benefit of each year of a choice, one row per year, as `Plan.years`."""
    done, count = np.flatnonzero(choice), problem.constraints.years
    year = choice[done] - 1
    visits = np.unique(problem.group[done] * count + year)
    rows = pd.DataFrame(
        {
            "year": np.arange(1, count + 1),
            "towers": _towers(problem, done, year, count),
            "mobilisations": np.bincount(visits % count, minlength=count),
            "budget": np.array(problem.constraints.budget, float),
            "work_cost": np.bincount(year, problem.spend[done], count),
            "mobilisation_cost": np.bincount(visits % count, problem.fee[visits // count], count),
            "crew_weeks": np.bincount(year, problem.weeks[done], count),
            "benefit": np.bincount(year, problem.value[done, year], count),
        }
    )
    rows.insert(6, "spent", rows["work_cost"] + rows["mobilisation_cost"])
    return rows


def _towers(problem, done, year, count):
    """Towers with works in each year; a tower may have an inspection and a treatment in one year."""
    names = np.unique(problem.options["tower_id"].to_numpy(str)[done], return_inverse=True)[1]
    return np.bincount(np.unique(names * count + year) % count, minlength=count)


def broken_rules(problem: Problem, choice: np.ndarray) -> list[str]:
    """Constraints that a choice violates.

    Parameters
    ----------
    problem : Problem
    choice : array of int, shape (n,)

    Returns
    -------
    list of str
        One sentence for each violated constraint; empty for a feasible plan.
    """
    return [sentence for sentence, (is_broken,) in _broken(problem, choice[None]).items() if is_broken]


def within_limits(problem: Problem, choices: np.ndarray) -> np.ndarray:
    """True for each choice within all constraints; choices of shape (p, n)."""
    return ~np.any(list(_broken(problem, choices).values()), axis=0)


def _broken(problem, choices):
    """Whether each choice violates each constraint, by its sentence."""
    count, towers = problem.constraints.years, len(problem.unit)
    plan, option = np.nonzero(choices)
    year, tower = choices[plan, option] - 1, problem.tower[option]
    visits = np.unique((plan * len(problem.fee) + problem.group[option]) * count + year)
    visited = visits // (count * len(problem.fee)) * count + visits % count if len(visits) else visits

    def by(row, size, amount=None):
        return np.bincount(row, amount, len(choices) * size).reshape(len(choices), size)

    budget = np.array(problem.constraints.budget, float)
    spent = by(plan * count + year, count, problem.spend[option])
    spent = spent + by(visited, count, problem.fee[visits // count % max(1, len(problem.fee))])
    weeks = by(plan * count + year, count, problem.weeks[option])
    place = plan * towers + tower
    met = by(place[problem.must[option] & (year < problem.must_by)], towers) > 0
    when = by(place, towers, year + 1)
    same_unit = problem.unit[1:] == problem.unit[:-1]
    waiting, obligation = choices[:, problem.waits[:, 0]], choices[:, problem.waits[:, 1]]
    decided = (problem.must & ~problem.owed)[
        problem.waits[:, 0]
    ]  # a must-do does not depend on an inspection
    early = (waiting > 0) & ~decided & ((obligation == 0) | (obligation > waiting))
    return {
        "a year costs more than its budget": (spent > budget * (1 + ROOM) + 1e-9).any(axis=1),
        "a year takes more crew-weeks than there are": (weeks > problem.crew * (1 + ROOM) + 1e-9).any(axis=1),
        "a tower is treated twice": (by(place, towers) > 1).any(axis=1),
        "a must-do is not met": (problem.must_tower & ~met).any(axis=1),
        "a conditional work comes before its inspection": early.any(axis=1),
        "towers that go together do not": (same_unit & (when[:, 1:] != when[:, :-1])).any(axis=1),
    }
