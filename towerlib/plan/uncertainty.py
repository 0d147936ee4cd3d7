"""The plan under uncertain benefits and costs: random draws, probability of being selected, and regret."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.physics.statistics import SEED
from towerlib.plan import heuristic
from towerlib.plan.expected import column
from towerlib.plan.milp import allowed, build, relax, solve
from towerlib.plan.optimise import solved
from towerlib.plan.outcome import ROOM, Plan, broken_rules, within_limits
from towerlib.plan.problem import pose, years_that_count
from towerlib.treatments.prediction import TWO_SIDED
from towerlib.values import number

if TYPE_CHECKING:
    from towerlib.plan.problem import Constraints, Problem


STEEPNESS = (
    0.05,
    6.0,
)  # exponent of the trip-out rate over the footing: outside, a rate is flat or a figure is wrong
TENTH = 1.2815515594  # standard deviations from the middle to the ends of an 80 % interval
RUNAWAY = 4.0  # multiple of the middle above which no lognormal upper half is used
TIME_LIMIT_S = 20.0


@dataclass(frozen=True)
class Draws:
    """Possible benefits a year and costs, one row per draw, one column per option.

    Attributes
    ----------
    benefit, cost : array, shape (d, n)
    """

    benefit: np.ndarray
    cost: np.ndarray


@dataclass(frozen=True)
class SelectionProbability:
    """Probability of each tower to be selected by the plan, and the value of better information.

    Attributes
    ----------
    plan : Plan
        Best plan for the mean of the draws, which has the highest expected benefit.
    towers : pandas.DataFrame
        One row per tower with options, most probable first: tower_id, chance (share of the draws whose plan treats
        it), option (the most frequent treatment), option_chance (of it), year (median, where treated),
        in_plan, planned_option.
    regret : pandas.Series
        planned (mean benefit of the plan), perfect (mean of the best known plans of the draws), regret (their
        difference: expected value of perfect information), regret_p90.
    overspend : pandas.Series
        By year: share of the draws in which the plan's works cost more than the budget.
    error : float
        Largest relative distance of the draws' plans below the optimum, over the draws that were also searched. NaN
        where none was.
    draws : int
        Number of draws used.
    """

    plan: Plan
    towers: pd.DataFrame
    regret: pd.Series
    overspend: pd.Series
    error: float
    draws: int


def draw(
    options: pd.DataFrame,
    count: int = 200,
    seed: int = SEED,
    *,
    measure: str = "cost",
    shared: float | None = None,
) -> Draws:
    """Random draws of every option's benefit and cost.

    `options` has benefit_per_year and the `measure` ("cost" or "effort"), with benefit_low, benefit_high, cost_low,
    … where they are uncertain: median, and 10 % and 90 % quantiles (see `at`). `shared` is the part of the variance
    of the benefit common to all options of a tower; default ``plan_shared_spread``. The costs of one treatment vary
    together at all towers, as prices do. An interval that does not contain its middle raises RecordsError.
    """
    shared = number("plan_shared_spread") if shared is None else shared
    rng = np.random.default_rng(seed)
    towers, tower = np.unique(options["tower_id"].to_numpy(str), return_inverse=True)
    kinds, kind = np.unique(options["option"].to_numpy(str), return_inverse=True)
    z = np.sqrt(shared) * rng.standard_normal((count, len(towers)))[:, tower]
    z = z + np.sqrt(1 - shared) * rng.standard_normal((count, len(options)))
    price_z = rng.standard_normal((count, len(kinds)))[:, kind]
    return Draws(
        at(z, band(options, "benefit_per_year", "benefit")), at(price_z, band(options, measure, measure))
    )


def at(z: np.ndarray, ends: tuple[np.ndarray, np.ndarray, np.ndarray]) -> np.ndarray:
    """Value at z standard deviations, shape (…, n), by low end, middle and high end; NaN where the middle is NaN.

    Two halves that meet in the median: lognormal where all three are above 0 and the high end is at most `RUNAWAY`
    times the middle, so that draws stay above 0; else normal, which allows negative benefits.
    """
    low, middle, high = ends
    steps = np.where(z > 0, z, -z) / TENTH
    positive = low > 0
    safe = [np.where(positive, value, 1.0) for value in ends]
    ratio = np.where(z > 0, safe[2] / safe[1], safe[0] / safe[1])
    straight = middle + np.where(z > 0, high - middle, low - middle) * steps
    # a middle near 0 with a far high end would give an extreme lognormal tail: that half is normal
    runaway = (z > 0) & (high > RUNAWAY * middle)
    return np.where(positive & ~runaway, middle * ratio**steps, straight)


def band(options: pd.DataFrame, middle: str, name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Low end, middle and high end of the interval of a column, each of shape (n,).

    The ends are ``name_low`` and ``name_high``, and equal to the middle where they are missing or blank. An interval
    that does not contain its middle raises RecordsError.
    """
    centre = options[middle].to_numpy(float)
    low, high = (
        options[f"{name}_{end}"].to_numpy(float)
        if f"{name}_{end}" in options
        else np.full(len(centre), np.nan)
        for end in ("low", "high")
    )
    low, high = np.where(np.isnan(low), centre, low), np.where(np.isnan(high), centre, high)
    if (bad := (low > centre) | (high < centre)).any():
        row = options[bad].iloc[0]
        raise RecordsError(
            f"options: the interval of {name} of tower {row['tower_id']} {row['option']} does not contain {middle}"
        )
    return low, centre, high


def selection_probability(
    options: pd.DataFrame,
    constraints: Constraints,
    draws: Draws,
    *,
    checked: int = 2,
    gap: float | None = None,
    time_limit_s: float = TIME_LIMIT_S,
) -> SelectionProbability:
    """Probability of being selected, over draws of benefits and costs.

    Each draw is planned by `towerlib.plan.heuristic.near_best`, at the shadow prices of the mean; a draw whose
    must-do works do not fit is searched, or not used. `checked` draws are also searched, within `gap` and
    `time_limit_s` [s], to state the error of the quick plans. The regret keeps the costs at their middle value. It
    compares the plan with the best of all plans found, each valued at the draw, so it is a lower limit of the
    expected value of perfect information: H. Raiffa, R. Schlaifer, Applied Statistical Decision Theory (1961)
    (from memory).
    """
    counted = options.assign(row=np.arange(len(options)))
    mean = counted.assign(benefit_per_year=draws.benefit.mean(axis=0))
    problem = pose(mean, constraints)
    rows, relaxed = problem.options["row"].to_numpy(int), relax(problem, build(problem), time_limit_s)
    plan = solved(problem, gap=gap, time_limit_s=time_limit_s, relaxed=relaxed)
    prices = heuristic.Prices(*relaxed[1:])
    value = values_of(problem, draws.benefit[:, rows])
    choices = heuristic.near_best(problem, value, allowed(problem), prices)
    fits = within_limits(problem, choices)
    pool = np.vstack([plan.choice[None], choices[fits]])
    cost = draws.cost[:, rows]
    if (cost != problem.spend).any() or not fits.all():
        choices = _at_drawn_costs(problem, value, cost, prices, (gap, time_limit_s))
    return SelectionProbability(
        plan,
        _towers(problem, plan, choices),
        _regret(problem, pool, value),
        _overspend(problem, plan, cost),
        _error(problem, value[:checked], (prices, gap, time_limit_s)),
        len(choices),
    )


def values_of(problem: Problem, benefit: np.ndarray) -> np.ndarray:
    """Benefit counted in each draw, shape (d, n, y), from benefits a year of shape (d, n)."""
    life = np.nan_to_num(problem.options["life_years"].to_numpy(float))
    return np.nan_to_num(benefit)[:, :, None] * years_that_count(life, problem.constraints)


def _at_drawn_costs(problem, value, cost, prices, stop):
    """Choice of each draw at its own costs; draws without a feasible plan are omitted."""
    choices = []
    for worth, spend in zip(value, cost, strict=True):
        mine = replace(problem, spend=spend, value=worth)
        choice = heuristic.near_best(mine, worth[None], allowed(mine), prices)[0]
        if broken_rules(mine, choice):
            found = solve(mine, build(mine), 0.01 if stop[0] is None else stop[0], stop[1])
            if found.choice is None:
                continue
            choice = found.choice
        choices.append(choice)
    return np.array(choices, int).reshape(-1, len(problem.spend))


def _towers(problem, plan, choices):
    """Selection probability of each tower, and its most frequent treatment."""
    starts = problem.tower_starts
    year = np.add.reduceat(choices, starts, axis=1)
    treated = year > 0
    often = (choices > 0).sum(axis=0)
    top = pd.Series(often).groupby(problem.tower).idxmax().to_numpy()
    count = max(1, len(choices))
    never = often[top] == 0
    names = problem.options["option"].to_numpy()
    planned = np.add.reduceat(plan.choice, starts) > 0
    mine = np.maximum.reduceat(np.where(plan.choice > 0, np.arange(len(names)), -1), starts)
    towers = pd.DataFrame(
        {
            "tower_id": problem.options["tower_id"].to_numpy()[starts],
            "chance": treated.sum(axis=0) / count,
            "option": np.where(never, None, names[top]),
            "option_chance": often[top] / count,
            "year": [np.median(each[each > 0]) if (each > 0).any() else np.nan for each in year.T],
            "in_plan": planned,
            "planned_option": np.where(planned, names[mine], None),
        }
    )
    towers = towers[~problem.owed[starts]]  # inspections and repairs are in every plan
    return towers.sort_values("chance", ascending=False, kind="stable").reset_index(drop=True)


def true_benefits(
    options: pd.DataFrame, condition: pd.DataFrame, count: int = 400, seed: int = SEED
) -> pd.DataFrame:
    """Possible benefits a year of each option on the true footings, given the readings.

    Parameters
    ----------
    options : pandas.DataFrame
        Options of a plan: tower_id, option, benefit_per_year, and footing_ohm, predicted_ohm with predicted_low_ohm and
        predicted_high_ohm where known.
    condition : pandas.DataFrame
        One row per tower: footing_ohm with footing_low_ohm and footing_high_ohm, and trip_outs_per_year where known.
    count, seed : int
        Draws, and the seed.

    Returns
    -------
    pandas.DataFrame
        One row per option, indexed by tower_id and option, one column per draw [1/year].

    Notes
    -----
    A plan takes towers whose readings are high and options whose prediction is good, by chance in part. Its own
    estimate therefore exceeds what it avoids. Here ln(true footing) of a tower has the normal posterior of its reading
    (standard uncertainty u, from the interval) and of the line (mean m and spread τ of the readings, their own
    uncertainty subtracted): mean m + w (x − m), variance w u², w = τ²/(τ² + u²) [1]. The effect ln(before/after) varies
    by the part of the predicted interval that is not due to the reading. The benefit follows the footing R by the power
    s of the trip-out rate at that tower, rate·(1 − (R_after/R)^s), and equals the estimate of the plan where the reading
    and the prediction have no uncertainty.

    References
    ----------
    [1] A. Gelman et al., Bayesian Data Analysis, normal model with known variance (from memory). The optimism of a
    chosen maximum: J. E. Smith, R. L. Winkler, The optimizer's curse, Management Science 52 (2006) 311 (from memory).
    """
    rng = np.random.default_rng([seed, 4])
    towers, log_ohm, log_u = _readings(condition)
    centre, spread = _posterior(log_ohm, log_u)
    drawn = centre + spread * _mirrored(rng, count, len(towers))
    at_tower = towers.get_indexer(pd.Index(options["tower_id"].astype("str")))
    known = at_tower >= 0
    moved = np.where(known, (drawn - log_ohm)[:, at_tower], 0.0)  # ln of the true footing over the reading
    effect, effect_u = _effects(options, np.where(known, log_u[at_tower], 0.0))
    factor = np.maximum(1 + effect_u * _mirrored(rng, count, len(options)), 0.0)
    power = _powers(options, condition)
    estimate, later = (1 - np.exp(-power * part) for part in (effect, effect * factor))
    digs = effect > 0
    part = np.where(digs, later / np.where(digs, estimate, 1.0), 1.0)
    benefit = options["benefit_per_year"].to_numpy(float) * np.exp(power * np.nan_to_num(moved)) * part
    return pd.DataFrame(benefit.T, index=_keys(options))


def _mirrored(rng, count, size):
    """Standard normal draws of which the second half mirrors the first, so that their mean is 0; shape (count, size)."""
    half = rng.standard_normal(((count + 1) // 2, size))
    return np.concatenate([half, -half])[:count]


def _readings(condition):
    """Towers with ln(footing) and its standard uncertainty, 0 where no interval is known."""
    ohm, low, high = (
        column(condition, name).astype(float).to_numpy()
        for name in ("footing_ohm", "footing_low_ohm", "footing_high_ohm")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        log_ohm, width = np.log(np.where(ohm > 0, ohm, np.nan)), np.log(high / low)
    width = np.where(np.isfinite(width) & (width > 0), width, 0.0)
    return pd.Index(condition["tower_id"].astype("str")), log_ohm, width / (2 * TWO_SIDED)


def _posterior(log_ohm, log_u):
    """Mean and standard deviation of ln(true footing) of each tower, given the readings of the line."""
    read = np.isfinite(log_ohm)
    if read.sum() < 2:
        return log_ohm, log_u
    mean = log_ohm[read].mean()
    between = max(log_ohm[read].var(ddof=1) - (log_u[read] ** 2).mean(), 0.0)
    weight = np.where(log_u > 0, between / np.where(log_u > 0, between + log_u**2, 1.0), 1.0)
    return mean + weight * (log_ohm - mean), np.sqrt(weight) * log_u


def _effects(options, log_u):
    """ln(before/after) of each option, 0 where the footing stays, and its standard uncertainty relative to it."""
    before, after, low, high = (
        column(options, name).astype(float).to_numpy()
        for name in ("footing_ohm", "predicted_ohm", "predicted_low_ohm", "predicted_high_ohm")
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        effect, width = np.log(before / after), np.log(high / low) / (2 * TWO_SIDED)
    effect = np.where(np.isfinite(effect) & (effect > 1e-9), effect, 0.0)
    own = np.sqrt(np.maximum(np.nan_to_num(width) ** 2 - log_u**2, 0.0))
    return effect, own / np.where(effect > 0, effect, 1.0)


def _powers(options, condition):
    """Exponent of the trip-out rate over the footing, between the footings before and after; 1 where it is not known."""
    rate = pd.Series(column(condition, "trip_outs_per_year").astype(float).to_numpy(), condition["tower_id"])
    rate = rate.reindex(options["tower_id"]).to_numpy()
    before, after, seen = (
        column(options, name).astype(float).to_numpy()
        for name in ("footing_ohm", "predicted_ohm", "lightning_ohm")
    )
    after = np.where(np.isnan(seen), after, seen)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = 1 - column(options, "avoided_per_year").astype(float).to_numpy() / rate
        power = np.log(np.where(left > 0, left, np.nan)) / np.log(after / before)
    usable = np.isfinite(power) & (power > 0)
    usual = float(np.median(power[usable])) if usable.any() else 1.0
    return np.clip(np.where(usable, power, usual), *STEEPNESS)


def compared(
    plans: list[tuple[Problem, np.ndarray]], options: pd.DataFrame, condition: pd.DataFrame
) -> pd.DataFrame:
    """Plans expected on the true footings, and the gain of the first plan over each.

    Parameters
    ----------
    plans : list of (Problem, array)
        Problems with their choices.
    options, condition : pandas.DataFrame
        As for `true_benefits`.

    Returns
    -------
    pandas.DataFrame
        One row per plan: expected (benefit counted), gain (relative, of the means; infinite over a plan that avoids
        nothing, 0 where both avoid nothing) with gain_low and gain_high, its 80 % interval.
    """
    keys = [_keys(problem.options[choice > 0]) for problem, choice in plans]
    chosen = _keys(options).isin(keys[0].append(keys[1:]))
    possible = true_benefits(options[chosen].reset_index(drop=True), condition)
    brings = []
    for (problem, choice), mine in zip(plans, keys, strict=True):
        done = np.flatnonzero(choice)
        life = np.nan_to_num(problem.options["life_years"].to_numpy(float)[done])
        counted = years_that_count(life, problem.constraints)[np.arange(len(done)), choice[done] - 1]
        brings.append(counted @ np.nan_to_num(possible.reindex(mine).to_numpy()))
    gains = [_gain(brings[0], other) for other in brings]
    table = pd.DataFrame(gains, columns=["gain", "gain_low", "gain_high"])
    table.insert(0, "expected", [float(benefit.mean()) for benefit in brings])
    return table


def _keys(options):
    """Tower and option of each row."""
    return pd.MultiIndex.from_frame(options[["tower_id", "option"]].astype("str"))


def _gain(benefit, other):
    """Gain of the means, and 10 % and 90 % quantiles of the gain in the draws."""
    if not other.mean() > 0:
        return (np.inf if benefit.mean() > 0 else 0.0,) * 3
    ratio = benefit / np.where(other > 0, other, np.nan) - 1
    gain, (low, high) = benefit.mean() / other.mean() - 1, np.nanquantile(ratio, [0.1, 0.9])
    return float(gain), float(min(low, gain)), float(max(high, gain))


def _regret(problem, pool, value):
    """Benefit of the plan (first of the pool) in the draws, against the best of the pool."""
    planned = brought(pool[:1], value)[0]
    best = brought(np.unique(pool, axis=0), value).max(axis=0)
    missed = best - planned
    return pd.Series(
        {
            "planned": planned.mean(),
            "perfect": best.mean(),
            "regret": missed.mean(),
            "regret_p90": np.quantile(missed, 0.9),
        }
    )


def brought(choices: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Benefit of each of p plans, shape (p, n), in each of d draws, shape (d, n, y); result of shape (p, d)."""
    from scipy import sparse

    plans, done = np.nonzero(choices)
    cell = done * value.shape[2] + choices[plans, done] - 1
    cells = value.shape[1] * value.shape[2]
    taken = sparse.csr_array((np.ones(len(plans)), (plans, cell)), shape=(len(choices), cells))
    return taken @ value.reshape(len(value), cells).T


def _overspend(problem, plan, cost):
    """Share of the draws in which each year of the plan costs more than its budget."""
    chances = {}
    for row in plan.years.itertuples():
        spent = cost[:, plan.choice == row.year].sum(axis=1) + row.mobilisation_cost
        chances[row.year] = float((spent > row.budget * (1 + ROOM)).mean())
    return pd.Series(chances, name="overspend")


def _error(problem, value, how):
    """Largest relative distance of a quick plan to the optimum, over the searched draws."""
    prices, gap, time_limit_s = how
    lacks = []
    for worth in value:
        mine = replace(problem, value=worth)
        choice = heuristic.near_best(mine, worth[None], allowed(mine), prices)
        model = build(mine)
        bound = min(
            relax(mine, model, time_limit_s)[0],
            solve(mine, model, 0.01 if gap is None else gap, time_limit_s).bound,
        )
        if not broken_rules(mine, choice[0]) and bound > 0:
            lacks.append(1 - brought(choice, worth[None])[0, 0] / bound)
    return float(max(lacks)) if lacks else np.nan
