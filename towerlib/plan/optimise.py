"""The plan with the most benefit within the constraints, and the reason where the must-do works do not fit."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.plan import heuristic
from towerlib.plan import milp as plan_milp
from towerlib.plan.heuristic import improved
from towerlib.plan.milp import allowed, build, relax, solve
from towerlib.plan.outcome import broken_rules, plan_of
from towerlib.plan.problem import pose, scheduled
from towerlib.text import counted, grouped
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.plan.heuristic import Prices
    from towerlib.plan.milp import Model
    from towerlib.plan.outcome import Plan
    from towerlib.plan.problem import Constraints, Problem


TIME_LIMIT_S = 30.0
NOTHING_FITS = "No work fits into the budget and the crews."
OPTIMAL = "The plan is proven optimal: no plan within the constraints brings more."
NO_PLAN = "no plan within all constraints was found: raise the budget or the crews, or drop must-do works"
SMALL = 100  # options times years up to which the search continues to the proof
MEDIUM = 400  # up to this size it stops after `NODES` nodes; beyond, there is no search
NODES = 200  # some seconds at `MEDIUM`; a count of nodes gives the same plan every time
LARGE = 150_000  # options times years beyond which even a timed search is omitted
STARTS, CELLS = (
    12,
    60_000,
)  # proportions of prices that a single plan tries; options times years of all of them


def optimise(
    options: pd.DataFrame,
    constraints: Constraints,
    *,
    gap: float | None = None,
    time_limit_s: float | None = None,
    search: bool = True,
    footing_ohm: pd.Series | None = None,
    nodes: int = NODES,
) -> Plan:
    """Plan with the most benefit within the constraints.

    Parameters
    ----------
    options : pandas.DataFrame
        One row per tower and option, as for `towerlib.plan.problem.pose`.
    constraints : Constraints
        Money, crews and years.
    gap : float, optional
        Relative gap at which a timed search may stop; default ``plan_gap``. 0 asks for the optimum.
    time_limit_s : float, optional
        Time after which that search returns the best plan so far [s]; default ``plan_time_limit_s``.
    search : bool
        True: timed search. False: the extent of the search depends on the size of the problem, which gives the same
        plan on every machine; `gap` and `time_limit_s` then have no effect.
    footing_ohm : pandas.Series, optional
        Footing [Ω] by tower_id: the rule "worst ohms first" is then a starting plan too.
    nodes : int
        Nodes of the search between `SMALL` and `MEDIUM`; 0 omits it, for series of many plans.

    Returns
    -------
    Plan
        With `bound` and `gap`; `proven` is True for a plan proven optimal. `how` states in one sentence how far it
        can be from the best possible.

    Raises
    ------
    SettingsError
        The must-do works exceed the constraints, or no plan was found.
    RecordsError, SettingsError
        As `towerlib.plan.problem.pose`.

    Notes
    -----
    First the linear relaxation, which bounds every plan and gives shadow prices of money and crews. Then the best of
    the plans at those prices and of the simple rules of `towerlib.plan.heuristic`, each with the best single changes,
    so no rule is better than the plan. Then a branch-and-bound search (HiGHS), whose plan is used where it is
    better. Without a time limit the search continues to the proof up to `SMALL` options times years, stops after
    `nodes` nodes up to `MEDIUM`, and is omitted beyond. Dominated options do not count in the size. Proven means to
    one part in a million.

    References
    ----------
    Q. Huangfu, J. A. J. Hall, Parallelizing the dual revised simplex method, Mathematical Programming
    Computation 10 (2018) 119 (HiGHS, through SciPy).

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.plan.problem import Constraints
    >>> options = pd.DataFrame({"tower_id": ["1", "2", "3"], "option": "rods", "cost": [10.0, 20.0, 30.0]})
    >>> options = options.assign(benefit_per_year=[0.6, 1.0, 1.2], access_group="A", must_do=False)
    >>> constraints = Constraints(budget=(55.0,), mobilisation=5.0, horizon_years=11, discount_rate=0.0)
    >>> plan = optimise(options.assign(life_years=40), constraints, gap=0.0)
    >>> list(plan.works["tower_id"]), plan.benefit, plan.spent
    (['2', '3'], 22.0, 55.0)
    """
    stop = {"gap": gap, "time_limit_s": time_limit_s, "search": search, "nodes": nodes}
    return solved(pose(options, constraints), footing_ohm=footing_ohm, **stop)


def solved(
    problem: Problem,
    *,
    gap: float | None = None,
    time_limit_s: float | None = None,
    search: bool = True,
    footing_ohm: pd.Series | None = None,
    nodes: int = NODES,
    relaxed: tuple[float, np.ndarray, np.ndarray] | None = None,
) -> Plan:
    """Plan of a problem that is posed already, as by `optimise`; `relaxed` is the result of `relax`, where known.

    Where the other must-dos do not fit beside the inspections and repairs, the last of these lose their year.
    """
    stop = {"gap": gap, "time_limit_s": time_limit_s, "search": search, "nodes": nodes}
    kept, less = int((problem.when > 0).sum()), 1
    while True:
        try:
            return _solved(problem, footing_ohm=footing_ohm, relaxed=relaxed, **stop)
        except SettingsError:
            if kept == 0:
                raise
            kept, less, relaxed = max(kept - less, 0), 2 * less, None
            problem = scheduled(problem, problem.constraints, kept)


def _solved(problem, *, gap, time_limit_s, search, footing_ohm, nodes, relaxed):
    """Plan of a problem whose obligations have their years."""
    gap = number("plan_gap") if gap is None else gap
    time_limit_s = number("plan_time_limit_s") if time_limit_s is None else time_limit_s
    if not len(problem.options):
        return plan_of(problem, np.zeros(0, int), 0.0, "There are no options.")
    model = build(problem)
    if not len(model.option):
        return plan_of(problem, np.zeros(len(problem.options), int), 0.0, "No option brings a benefit.")
    bound, *prices = relaxed or relax(problem, model, time_limit_s if search else np.inf)
    if np.isnan(bound):
        raise SettingsError(shortage(problem))
    choice = best_known(problem, model, heuristic.Prices(*prices), footing_ohm)
    size, known = len(model.option), None if choice is None else plan_of(problem, choice, bound)
    if not search:
        if known is not None and (known.proven or size > (MEDIUM if nodes else SMALL)):
            return _named(problem, choice, _held(bound, model))
        return _searched(
            problem, model, choice, bound, {"gap": 0.0, "nodes": None if size <= SMALL else nodes or 1}
        )
    if known is not None and (known.gap <= gap or size > LARGE):
        return _named(problem, choice, _held(bound, model))
    return _searched(problem, model, choice, bound, {"gap": gap, "time_limit_s": time_limit_s})


def shortage(problem: Problem) -> str:
    """Resources missing for the must-do works: towers, least cost with mobilisation, and shortage by year.

    The works are chosen to minimise the excess over the budgets of all years; where the money suffices, to minimise
    the excess of crew-weeks.
    """
    if (
        not problem.must.any()
    ):  # without must-dos an empty plan is always possible, so the numbers themselves are the problem
        most = problem.options.loc[problem.spend.argmax()]
        return (
            f"No plan can be computed: costs differ too much in size, up to {problem.spend.max():.3g} for "
            f"{most['option']} at tower {most['tower_id']}. Check prices.csv."
        )
    held = _must_do_only(problem)
    towers = np.unique(held.options["tower_id"].to_numpy(str)[held.must])
    who = f"The must-do works at {counted(len(towers), 'tower')} ({_listed(towers)})"
    unit = "" if held.constraints.measure == "cost" else " m of trench"
    free_of_crews = pose(held.options, replace(held.constraints, crew_weeks=None))
    over, least = _least_over(free_of_crews, np.arange(held.constraints.years))
    if over.sum() > 1e-6 * (1 + sum(held.constraints.budget)):
        return (
            f"{who} need at least {grouped(least)}{unit} with mobilisation, {grouped(over.sum())}{unit} more than the "
            f"budget allows ({_by_year(over, unit)}): raise the budget or drop a must-do."
        )
    if held.constraints.crew_weeks is None:
        return f"{who} do not fit into the budget: raise it or drop a must-do."
    over, _ = _least_over(held, np.arange(held.constraints.years) + held.constraints.years)
    return (
        f"{who} need {over.sum():.1f} crew-weeks more than available ({_by_year(over, ' crew-weeks', 1)}): "
        "plan more crews or drop a must-do."
    )


def _must_do_only(problem):
    """Towers with a must-do, and those treated together with them."""
    unit = np.zeros(problem.unit.max() + 1, bool)
    unit[problem.unit[problem.must_tower]] = True
    mine = unit[problem.unit][problem.tower]
    return pose(problem.options[mine].drop(columns="spend"), problem.constraints)


def _listed(names):
    """At most five names."""
    return ", ".join(pd.Series(names).head(5)) + (", …" if len(names) > 5 else "")


def _least_over(problem, soft):
    """Least excess over the limits numbered `soft`, and the money needed."""
    from scipy import sparse
    from scipy.optimize import Bounds, LinearConstraint, milp

    built = plan_milp.build(problem)
    rows = built.limits[soft]
    over = sparse.csr_array(
        (-built.scales[soft], (rows, np.arange(len(soft)))), shape=(len(built.lower), len(soft))
    )
    count = len(built.gain)
    spend = np.r_[problem.spend[built.option], np.repeat(problem.fee, problem.constraints.years)]
    objective = np.r_[1e-9 * spend, np.ones(len(soft))]
    found = milp(
        objective / max(objective[:count].max(initial=0.0) * 1e9, 1e-9) * 1e3,
        integrality=np.r_[np.ones(count), np.zeros(len(soft))],
        bounds=Bounds(0, np.r_[np.ones(count), np.full(len(soft), np.inf)]),
        constraints=LinearConstraint(
            sparse.hstack([built.rows, over]), cast("Any", built.lower), cast("Any", built.upper)
        ),
        options={"mip_rel_gap": 1e-6, "time_limit": TIME_LIMIT_S},
    )
    if found.x is None:
        return np.zeros(len(soft)), np.nan
    return found.x[count:], float(spend @ np.round(found.x[:count]))


def _by_year(over, unit, digits=0):
    """Excess in each year that has one."""
    return ", ".join(
        f"year {at + 1}: {grouped(amount, digits)}{unit}" for at, amount in enumerate(over) if amount > 1e-9
    )


def best_known(
    problem: Problem, model: Model, prices: Prices, footing_ohm: pd.Series | None = None
) -> np.ndarray | None:
    """Best of the plans at the shadow prices and of the simple rules, with the best single changes, shape (n,).

    None where all of them break a limit because the must-do works are tight.
    """
    starts = int(np.clip(CELLS // problem.value.size, 1, STARTS))
    priced = heuristic.near_best(
        problem, problem.value[None], allowed_years(model, problem), prices, starts=starts
    )
    ruled = [heuristic.greedy_choice(problem)]
    if footing_ohm is not None:
        ruled.append(heuristic.worst_first_choice(problem, footing_ohm))
    ruled = np.array([choice for choice in ruled if not broken_rules(problem, choice)], int)
    tried = [*priced, *ruled.reshape(-1, len(problem.spend)), *_mended(problem, ruled, prices)]
    kept = [choice for choice in tried if not broken_rules(problem, choice)]
    return max(kept, key=lambda choice: _benefit(problem, choice), default=None)


def allowed_years(model: Model, problem: Problem) -> np.ndarray:
    """True for each option and year with a variable of the model, shape (n, y)."""
    allowed = np.zeros(problem.value.shape, bool)
    allowed[model.option, model.year] = True
    return allowed


def _mended(problem, choices, prices):
    """Plans of the rules, improved by the best single changes."""
    if not len(choices):
        return choices
    worth = np.where(allowed(problem), problem.value, -np.inf)
    worth = np.broadcast_to(worth, (len(choices), *worth.shape))
    selected = improved(
        problem, worth, heuristic.selected_of(problem, choices), heuristic.loads_of(problem, prices)
    )
    return heuristic.choices_of(problem, selected)


def _benefit(problem, choice):
    """Benefit of a choice."""
    done = np.flatnonzero(choice)
    return problem.value[done, choice[done] - 1].sum()


def _named(problem, choice, bound):
    """Plan with a sentence on its distance to the best possible."""
    return plan_of(problem, choice, bound, quality(plan_of(problem, choice, bound)))


def quality(plan: Plan) -> str:
    """Distance of a plan to the best possible.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        One sentence; "optimal" only where it is proven.

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.plan.problem import Constraints
    >>> options = pd.DataFrame({"tower_id": ["1"], "option": "rods", "cost": [10.0], "benefit_per_year": [0.5]})
    >>> options = options.assign(access_group="A", must_do=False, life_years=40)
    >>> quality(optimise(options, Constraints(budget=(10.0,)), search=False))
    'The plan is proven optimal: no plan within the constraints brings more.'
    """
    if not plan.choice.any():
        return NOTHING_FITS
    if plan.proven:
        return OPTIMAL
    if not np.isfinite(plan.gap):
        return "The distance of the plan to the best possible is not known."
    return f"The plan is within {_percent(plan.gap)} of the best possible; it is not proven optimal."


def _percent(gap):
    """Gap for a sentence, rounded up so that the statement holds."""
    percent = 100 * gap
    if not np.isfinite(percent):
        return "an unknown part"
    shown = float(f"{percent:.2g}")
    if shown < percent * (1 - 1e-9):
        shown = float(f"{shown + 10.0 ** (np.floor(np.log10(percent)) - 1):.2g}")
    return f"{max(shown, 0.01):.10g} %"


def _held(bound, model):
    """The bound; 0 where it consists only of the preference for the cheaper plan."""
    return 0.0 if bound <= 3 * model.thrift else bound


def _searched(problem, model, choice, bound, stop):
    """The better of the best known plan and the result of branch and bound."""
    found = solve(problem, model, **stop)
    if found.feasible is False:
        raise SettingsError(shortage(problem))
    bound = _held(min(bound, found.bound), model)
    plans = [each for each in (found.choice, choice) if each is not None and not broken_rules(problem, each)]
    if not plans:
        raise SettingsError(NO_PLAN)
    return _named(problem, max(plans, key=lambda each: _benefit(problem, each)), bound)
