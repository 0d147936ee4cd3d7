"""Why must-do works do not fit: which, and by how much."""

from dataclasses import replace

import numpy as np
import pandas as pd

from towerlib.language import counted, grouped
from towerlib.plan import model
from towerlib.plan.problem import pose

TIME_LIMIT_S = 30.0


def shortage(problem):
    """What is missing for the must-do works, in one sentence.

    Parameters
    ----------
    problem : Problem
        One whose must-do works cannot be done within its limits.

    Returns
    -------
    str
        Towers, least cost with mobilisation, and money (or crew-weeks) missing by year.

    Notes
    -----
    The works are chosen so that the money over the budgets of all years is least; only where money would do,
    so that the crew-weeks over are least.
    """
    if (
        not problem.must.any()
    ):  # nothing is owed, so doing nothing is a plan: the numbers themselves are at fault
        most = problem.options.loc[problem.spend.argmax()]
        return (
            f"No plan can be computed: costs lie too far apart in size, up to {problem.spend.max():.3g} for "
            f"{most['option']} at tower {most['tower_id']}. Look for a slip in prices.csv."
        )
    held = _must_do_only(problem)
    towers = np.unique(held.options["tower_id"].to_numpy(str)[held.must])
    who = f"The must-do works at {counted(len(towers), 'tower')} ({_listed(towers)})"
    unit = "" if held.terms.measure == "cost" else " m of trench"
    free_of_crews = pose(held.options, replace(held.terms, crew_weeks=None))
    over, least = _least_over(free_of_crews, np.arange(held.terms.years))
    if over.sum() > 1e-6 * (1 + sum(held.terms.budget)):
        return (
            f"{who} take at least {grouped(least)}{unit} with mobilisation, {grouped(over.sum())}{unit} more than the "
            f"budget allows ({_by_year(over, unit)}): raise the budget or drop a must-do."
        )
    if held.terms.crew_weeks is None:
        return f"{who} do not fit into the budget: raise it or drop a must-do."
    over, _ = _least_over(held, np.arange(held.terms.years) + held.terms.years)
    return (
        f"{who} take {over.sum():.1f} crew-weeks more than there are ({_by_year(over, ' crew-weeks', 1)}): "
        "plan more crews or drop a must-do."
    )


def _must_do_only(problem):
    """The towers with a must-do, and those that have to go with them."""
    unit = np.zeros(problem.unit.max() + 1, bool)
    unit[problem.unit[problem.must_tower]] = True
    mine = unit[problem.unit][problem.tower]
    return pose(problem.options[mine].drop(columns="spend"), problem.terms)


def _least_over(problem, soft):
    """Least amounts over the limits numbered soft, and the money that this takes."""
    from scipy import sparse
    from scipy.optimize import Bounds, LinearConstraint, milp

    built = model.build(problem)
    rows = built.limits[soft]
    over = sparse.csr_array(
        (-built.scales[soft], (rows, np.arange(len(soft)))), shape=(built.rows.shape[0], len(soft))
    )
    count = len(built.gain)
    spend = np.r_[problem.spend[built.option], np.repeat(problem.fee, problem.terms.years)]
    objective = np.r_[1e-9 * spend, np.ones(len(soft))]
    found = milp(
        objective / max(objective[:count].max(initial=0.0) * 1e9, 1e-9) * 1e3,
        integrality=np.r_[np.ones(count), np.zeros(len(soft))],
        bounds=Bounds(0, np.r_[np.ones(count), np.full(len(soft), np.inf)]),
        constraints=LinearConstraint(sparse.hstack([built.rows, over]), built.lower, built.upper),
        options={"mip_rel_gap": 1e-6, "time_limit": TIME_LIMIT_S},
    )
    if found.x is None:
        return np.zeros(len(soft)), np.nan
    return found.x[count:], float(spend @ np.round(found.x[:count]))


def _by_year(over, unit, digits=0):
    """Amount over in each year that has one."""
    return ", ".join(
        f"year {at + 1}: {grouped(amount, digits)}{unit}" for at, amount in enumerate(over) if amount > 1e-9
    )


def _listed(names):
    """At most five names."""
    return ", ".join(pd.Series(names).head(5)) + (", …" if len(names) > 5 else "")
