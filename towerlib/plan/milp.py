"""The mixed-integer model of the plan, and its solution by HiGHS."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

if TYPE_CHECKING:
    from scipy import sparse

    from towerlib.plan.problem import Problem


SCALE = 1e4  # limits and greatest benefit are scaled to this: the solver's tolerance of 1e-6 is then 1e-10
THRIFT = 1e-8  # weight of money relative to the greatest benefit: of equal plans the cheaper one is preferred


@dataclass(frozen=True)
class Model:
    """Maximise gain·v with lower ≤ rows·v ≤ upper and v in [0, 1]; v starts with the options by year.

    Attributes
    ----------
    option, year : array, shape (x,)
        Option (row of the problem) and year (from 0) of each variable; mobilisations follow.
    gain : array, shape (v,)
        Objective: benefit times `unit`, minus a small term for money.
    unit : float
        Scale of the objective.
    rows : scipy.sparse.csr_array, shape (r, v)
    lower, upper : array, shape (r,)
    limits : array, shape (k,)
        Rows that limit money, then crews, by year.
    scales : array, shape (k,)
        Factor by which each of them is multiplied.
    thrift : float
        Largest benefit that the preference for the cheaper plan can cost.
    """

    option: np.ndarray
    year: np.ndarray
    gain: np.ndarray
    unit: float
    rows: sparse.csr_array
    lower: np.ndarray
    upper: np.ndarray
    limits: np.ndarray
    scales: np.ndarray
    thrift: float


@dataclass(frozen=True)
class Solved:
    """Result of the solver.

    Attributes
    ----------
    feasible : bool or None
        False where no plan is within the limits; None where the search stopped before a decision.
    choice : array of int, shape (n,), or None
        Year of each option, 0 where it is not done.
    bound : float
        Benefit that no plan exceeds.
    """

    feasible: bool | None
    choice: np.ndarray | None
    bound: float


def build(problem: Problem) -> Model:
    """Model of a problem.

    x of option i in year t, and m of access group g in year t, 0 or 1:
    maximise Σ v_it x_it; Σ_it x_it ≤ 1 for each tower, = 1 over its must-do options up to the latest year;
    Σ_i x_it ≤ m_gt over the options of one tower in group g (one row per tower, group and year, a tighter relaxation
    than one row per option); Σ c_i x_it + Σ f_g m_gt ≤ budget of t; Σ w_i x_it ≤ crew-weeks
    of t; for towers treated together, Σ_i x_it equal in every year. Options dominated by another of the
    same tower have no variable.
    """
    from scipy import sparse

    option, year = np.nonzero(_useful(problem)[:, None] & allowed(problem))
    groups, years = len(problem.fee), problem.constraints.years
    blocks = [
        _one_a_tower(problem, option),
        _mobilised(problem, option, year),
        _together(problem, option, year),
    ]
    limits, scales = _limits(problem, option, year)
    before = sum(block[0].shape[0] for block in blocks)
    blocks.append(limits)
    spend = np.r_[problem.spend[option], np.repeat(problem.fee, years)]
    value = np.r_[problem.value[option, year], np.zeros(groups * years)]
    budget = sum(problem.constraints.budget)
    most = np.maximum.reduceat(problem.value.max(axis=1), problem.tower_starts).clip(0).sum()
    thrift = THRIFT * most if budget > 0 else 0.0
    unit = SCALE / most if most > 0 else 1.0
    return Model(
        option=option,
        year=year,
        gain=unit * (value - (thrift / budget * spend if budget > 0 else 0.0)),
        unit=unit,
        rows=sparse.csr_array(sparse.vstack([block[0] for block in blocks])),
        lower=np.concatenate([block[1] for block in blocks]),
        upper=np.concatenate([block[2] for block in blocks]),
        limits=np.arange(before, before + limits[0].shape[0]),
        scales=scales,
        thrift=thrift,
    )


def _useful(problem):
    """Options not dominated by another option of the same tower and access group."""
    alone = np.bincount(problem.unit)[problem.unit][problem.tower] == 1
    idle = (problem.value <= 0).all(axis=1) & alone & ~problem.must
    merits = np.column_stack([problem.value, -problem.spend, -problem.weeks, problem.must, problem.open])
    first = problem.tower_starts[problem.tower]
    place = np.arange(len(first)) - first
    widest = place.max(initial=-1) + 1
    table = np.full((len(problem.tower_starts), widest, merits.shape[1]), -np.inf)
    table[problem.tower, place] = merits
    places = np.full((len(problem.tower_starts), widest), -1)
    places[problem.tower, place] = problem.group
    beaten = np.zeros(places.shape, bool)
    for rival in range(widest):
        better = (table[:, [rival]] >= table).all(axis=2) & (places[:, [rival]] == places)
        same = (table[:, [rival]] == table).all(axis=2)
        beaten |= better & (~same | (rival < np.arange(widest)))
    return ~beaten[problem.tower, place] & ~idle


def allowed(problem: Problem) -> np.ndarray:
    """Permitted years of each option, shape (n, y).

    Open years; a tower with a must-do has only those options, up to the latest year.
    """
    years = np.arange(1, problem.constraints.years + 1)
    bound = problem.must_tower[problem.tower]
    return problem.open & (~bound[:, None] | (problem.must[:, None] & (years <= problem.must_by)))


def _one_a_tower(problem, option):
    """At most one treatment per tower; exactly one with a must-do."""
    towers = len(problem.tower_starts)
    rows = _entries(problem.tower[option], np.arange(len(option)), 1.0, (towers, _width(problem, option)))
    return rows, problem.must_tower.astype(float), np.ones(towers)


def _entries(rows, columns, amounts, shape):
    """Sparse matrix from its entries."""
    from scipy import sparse

    return sparse.csr_array((np.broadcast_to(amounts, rows.shape), (rows, columns)), shape=shape)


def _width(problem, option):
    """Number of variables."""
    return len(option) + len(problem.fee) * problem.constraints.years


def _mobilised(problem, option, year):
    """No work in a year without the mobilisation of its access group."""
    years, groups = problem.constraints.years, len(problem.fee)
    key = (problem.tower[option] * groups + problem.group[option]) * years + year
    keys, row = np.unique(key, return_inverse=True)
    mobilisation = len(option) + keys % (groups * years)
    rows = _entries(
        np.r_[row, np.arange(len(keys))],
        np.r_[np.arange(len(option)), mobilisation],
        np.r_[np.ones(len(option)), -np.ones(len(keys))],
        (len(keys), _width(problem, option)),
    )
    return rows, np.full(len(keys), -np.inf), np.zeros(len(keys))


def _together(problem, option, year):
    """Towers treated together: as many treatments in each year as at the previous tower."""
    years, towers = problem.constraints.years, len(problem.unit)
    follows = np.r_[False, problem.unit[1:] == problem.unit[:-1]]
    row = np.cumsum(follows) - 1
    mine, tower = follows[problem.tower[option]], problem.tower[option]
    next_follows = np.r_[follows[1:], False][tower]
    columns = np.arange(len(option))
    entries = _entries(
        np.r_[
            (row[tower] * years + year)[mine],
            (row[np.minimum(tower + 1, towers - 1)] * years + year)[next_follows],
        ],
        np.r_[columns[mine], columns[next_follows]],
        np.r_[np.ones(mine.sum()), -np.ones(next_follows.sum())],
        (int(follows.sum()) * years, _width(problem, option)),
    )
    count = int(follows.sum()) * years
    return entries, np.zeros(count), np.zeros(count)


def _limits(problem, option, year):
    """Money and crews of each year, scaled."""
    from scipy import sparse

    years, groups = problem.constraints.years, len(problem.fee)
    columns = np.arange(_width(problem, option))
    in_year = np.r_[year, np.tile(np.arange(years), groups)]
    money = np.r_[problem.spend[option], np.repeat(problem.fee, years)]
    weeks = np.r_[problem.weeks[option], np.zeros(groups * years)]
    most = np.r_[np.array(problem.constraints.budget, float), problem.crew]
    rows = sparse.vstack([_entries(in_year, columns, load, (years, len(columns))) for load in (money, weeks)])
    limited = np.isfinite(most)
    scales = np.where(most > 0, SCALE / np.where(most > 0, most, 1.0), 1.0)[limited]
    rows = sparse.diags_array(scales) @ sparse.csr_array(rows)[limited]
    return (rows, np.full(limited.sum(), -np.inf), most[limited] * scales), scales


def solve(
    problem: Problem, model: Model, gap: float, time_limit_s: float = np.inf, nodes: int | None = None
) -> Solved:
    """Best choice of a model, within a relative gap.

    The search stops after `time_limit_s` [s], or after `nodes` nodes, which gives the same plan on every machine.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    stop = {"mip_rel_gap": gap, "time_limit": time_limit_s}

    found = milp(
        -model.gain,
        integrality=np.ones(len(model.gain)),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(model.rows, cast("Any", model.lower), cast("Any", model.upper)),
        options=stop if nodes is None else stop | {"node_limit": nodes},
    )
    if found.x is None:
        return Solved(False if found.status == 2 else None, None, np.inf)
    choice = np.zeros(len(problem.spend), int)
    done = found.x[: len(model.option)] > 0.5
    choice[model.option[done]] = model.year[done] + 1
    bound = found.mip_dual_bound
    return Solved(True, choice, np.inf if bound is None else -bound / model.unit + model.thrift)


def relax(problem: Problem, model: Model, time_limit_s: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Linear relaxation: bound on the benefit, and shadow prices of money and of crew-weeks by year.

    The bound is infinite after a time-out, and NaN where no plan is within the limits.
    """
    from scipy.optimize import linprog

    years, equal = problem.constraints.years, model.lower == model.upper
    rows = cast("Any", model.rows)
    found = linprog(
        -model.gain,
        A_ub=rows[~equal],
        b_ub=model.upper[~equal],
        A_eq=rows[equal] if equal.any() else None,
        b_eq=model.upper[equal] if equal.any() else None,
        bounds=(0, 1),
        options={"time_limit": time_limit_s},
    )
    if found.status != 0:
        return np.nan if found.status == 2 else np.inf, np.zeros(years), np.zeros(years)
    dual = np.zeros(len(model.upper))
    dual[~equal] = -found.ineqlin.marginals
    prices = dual[model.limits] * model.scales / model.unit
    weeks = prices[years:] if problem.constraints.crew_weeks is not None else np.zeros(years)
    return -found.fun / model.unit + model.thrift, prices[:years], weeks
