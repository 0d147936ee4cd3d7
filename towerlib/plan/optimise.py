"""The best plan: which tower, which treatment, in which year, and how far from the best it can be."""

import numpy as np

from towerlib.errors import SettingsError
from towerlib.plan import hull, picks
from towerlib.plan.account import broken_rules, plan_of
from towerlib.plan.model import build, relax, solve
from towerlib.plan.problem import pose
from towerlib.plan.shortage import shortage
from towerlib.values import number

NOTHING_FITS = "No work fits into the budget and the crews."
LARGE = 150_000  # options times years beyond which the search is left to the hull
STARTS, CELLS = (
    12,
    60_000,
)  # proportions of prices that a single plan tries; options times years of all of them


def optimise(options, terms, *, gap=None, time_limit_s=None, search=True):
    """Plan with the most benefit that keeps to the terms.

    Parameters
    ----------
    options : pandas.DataFrame
        One row a tower and option, as `towerlib.plan.problem.pose` takes it.
    terms : Terms
        Money, crews and years.
    gap : float, optional
        Part of the benefit at which the search may stop; else ``plan_gap``. 0 asks for the optimum.
    time_limit_s : float, optional
        Time after which the best plan so far is given [s]; else ``plan_time_limit_s``.
    search : bool
        False stops at the near-best plan of prices (`towerlib.plan.hull`), with the bound of the relaxation.

    Returns
    -------
    Plan
        With `bound` and `gap`; `how` says in a sentence how it was found.

    Raises
    ------
    SettingsError
        The must-do works do not fit: which, and by how much; or no plan was found in the time.
    RecordsError, SettingsError
        As `towerlib.plan.problem.pose`.

    Notes
    -----
    First the linear relaxation, which bounds every plan and prices money and crews; then a near-best plan at
    those prices; then, where its gap is above the one allowed, a branch-and-bound search (HiGHS). The better
    of the two plans is given. Beyond some 150,000 options times years the search is left out.

    References
    ----------
    Q. Huangfu, J. A. J. Hall, Parallelizing the dual revised simplex method, Mathematical Programming
    Computation 10 (2018) 119 (HiGHS, through SciPy).

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.plan.terms import Terms
    >>> options = pd.DataFrame({"tower_id": ["1", "2", "3"], "option": "rods", "cost": [10.0, 20.0, 30.0]})
    >>> options = options.assign(benefit_per_year=[0.6, 1.0, 1.2], access_group="A", must_do=False)
    >>> terms = Terms(budget=(55.0,), mobilisation=5.0, horizon_years=11, discount_rate=0.0)
    >>> plan = optimise(options.assign(life_years=40), terms, gap=0.0)
    >>> list(plan.works["tower_id"]), plan.benefit, plan.spent
    (['2', '3'], 22.0, 55.0)
    """
    gap = number("plan_gap") if gap is None else gap
    time_limit_s = number("plan_time_limit_s") if time_limit_s is None else time_limit_s
    problem = pose(options, terms)
    if not len(problem.options):
        return plan_of(problem, np.zeros(0, int), 0.0, "There is nothing to choose from.")
    model = build(problem)
    if not len(model.option):
        return plan_of(problem, np.zeros(len(problem.options), int), 0.0, "No option brings a benefit.")
    bound, *prices = relax(problem, model, time_limit_s)
    if np.isnan(bound):
        raise SettingsError(shortage(problem))
    quick = near_best_plan(problem, model, picks.Prices(*prices), bound)
    if quick is not None and (quick.gap <= gap or not search or len(model.option) > LARGE):
        return quick
    return _searched(problem, model, quick, bound, (gap, time_limit_s))


def near_best_plan(problem, model, prices, bound):
    """Plan at the prices of a relaxation.

    Parameters
    ----------
    problem : Problem
    model : Model
    prices : towerlib.plan.picks.Prices
    bound : float
        Benefit that no plan exceeds.

    Returns
    -------
    Plan or None
        None where tight must-do works let it break a limit.
    """
    starts = int(np.clip(CELLS // problem.value.size, 1, STARTS))
    choice = hull.near_best(
        problem, problem.value[None], allowed_years(model, problem), prices, starts=starts
    )[0]
    if broken_rules(problem, choice):
        return None
    plan = plan_of(problem, choice, bound)
    how = (
        f"Near-best plan at the prices of the relaxation; the best brings at most {_percent(plan.gap)} more."
    )
    return plan_of(problem, choice, bound, how if choice.any() else NOTHING_FITS)


def allowed_years(model, problem):
    """Options and years that the model has a variable for.

    Parameters
    ----------
    model : Model
    problem : Problem

    Returns
    -------
    array of bool, shape (n, y)
    """
    allowed = np.zeros(problem.value.shape, bool)
    allowed[model.option, model.year] = True
    return allowed


def _searched(problem, model, quick, bound, stop):
    """The better of the near-best plan and what branch and bound finds."""
    found = solve(problem, model, *stop)
    if found.feasible is False:
        raise SettingsError(shortage(problem))
    bound = min(bound, found.bound)
    if found.choice is not None and not broken_rules(problem, found.choice):
        plan = plan_of(problem, found.choice, bound)
        if quick is None or plan.benefit >= quick.benefit:
            return plan_of(problem, found.choice, bound, _proven(plan))
    if quick is None:
        raise SettingsError(f"no plan was found in {stop[1]:g} s: allow more time, or drop must-do works")
    better = plan_of(problem, quick.choice, bound)
    return plan_of(problem, quick.choice, bound, _proven(better))


def _proven(plan):
    """How far a searched plan can be from the best."""
    if not plan.choice.any():
        return NOTHING_FITS
    if plan.gap <= 1e-6:
        return "Proven best plan (mixed-integer optimum)."
    return f"Mixed-integer plan; the best brings at most {_percent(plan.gap)} more."


def _percent(gap):
    """Gap for a sentence."""
    percent = max(float(f"{100 * gap:.2g}"), 0.01)  # rounded up where it is next to nothing
    return f"{percent:.10g} %" if np.isfinite(gap) else "an unknown part"
