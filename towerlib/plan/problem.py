"""The planning problem: constraints, counted years of benefit, and the options as arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError, SettingsError
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike


MEASURES = ("cost", "effort")
NEEDED = ("tower_id", "option", "benefit_per_year", "access_group", "must_do", "life_years")


@dataclass(frozen=True)
class Constraints:
    """Constraints of a plan: budget, crews and years.

    Attributes
    ----------
    budget : tuple of float
        Budget of each year of the plan, in the unit of `measure`. An unspent rest is not carried into the next year.
    mobilisation : float or mapping of str to float
        Cost of one mobilisation, for all access groups or by access group; paid once per group and year.
    crew_weeks : tuple of float, optional
        Crew-weeks of each year; unlimited if omitted.
    horizon_years : float
        Years from the start of the plan over which benefits are counted.
    discount_rate : float
        Yearly discount rate of the benefits; 0 counts all years equally.
    must_do_by : int, optional
        Latest year of the must-do works; default: the last year of the plan.
    measure : str
        ``"cost"`` (money), or ``"effort"`` (trench metres) for options without prices.
    """

    budget: tuple[float, ...]
    mobilisation: float | Mapping[str, float] = 0.0
    crew_weeks: tuple[float, ...] | None = None
    horizon_years: float = field(default_factory=lambda: number("plan_horizon_years"))
    discount_rate: float = field(default_factory=lambda: number("plan_discount_rate"))
    must_do_by: int | None = None
    measure: str = "cost"

    def __post_init__(self) -> None:
        _check(self)

    @property
    def years(self) -> int:
        """Number of years of the plan."""
        return len(self.budget)


@dataclass(frozen=True)
class Problem:
    """Choice among n options of a towers in y years, sorted by access group, package and tower.

    Attributes
    ----------
    options : pandas.DataFrame
        The n options, in the order of the arrays.
    constraints : Constraints
    value : array, shape (n, y)
        Benefit counted if the option is done in that year.
    spend, weeks : array, shape (n,)
        Cost (or effort) and crew-weeks of each option, without mobilisation.
    tower, group, must : array, shape (n,)
        Number of the tower and of the access group of each option; True where the option meets a must-do.
    tower_starts, unit_starts, group_starts : array
        First option of each tower, first tower of each unit (a tower, or towers treated together), first unit of
        each group of units.
    unit : array, shape (a,)
        Number of the unit of each tower.
    fee : array
        Cost of one mobilisation of each access group.
    home : array
        Access group of each group of units: that of the unit's first tower.
    left_out : tuple of str
        Options that were not considered, in sentences.
    order : array, shape (n,)
        Place of each obligation (inspection or repair) in their order; NaN for all other options.
    waits : array of int, shape (k, 2)
        Pairs of a conditional option and an obligation that it waits for.
    when : array of int, shape (n,)
        Year of each obligation, 0 where money or crews do not suffice in any year, and 0 for all other options.
    open : array of bool, shape (n, y)
        Years in which an option may be done.
    """

    options: pd.DataFrame
    constraints: Constraints
    value: np.ndarray
    spend: np.ndarray
    weeks: np.ndarray
    tower: np.ndarray
    group: np.ndarray
    must: np.ndarray
    tower_starts: np.ndarray
    unit_starts: np.ndarray
    group_starts: np.ndarray
    unit: np.ndarray
    fee: np.ndarray
    home: np.ndarray
    left_out: tuple[str, ...]
    order: np.ndarray
    waits: np.ndarray
    when: np.ndarray
    open: np.ndarray

    @property
    def owed(self) -> np.ndarray:
        """True for each inspection or repair, shape (n,)."""
        return ~np.isnan(self.order)

    @property
    def must_tower(self) -> np.ndarray:
        """True for each tower with a must-do, shape (a,)."""
        return np.maximum.reduceat(self.must, self.tower_starts) if len(self.must) else self.must

    @property
    def must_by(self) -> int:
        """Latest year of the must-do works."""
        return self.constraints.must_do_by or self.constraints.years

    @property
    def crew(self) -> np.ndarray:
        """Crew-weeks of each year, infinite where unlimited, shape (y,)."""
        limited = self.constraints.crew_weeks is not None
        return np.array(self.constraints.crew_weeks if limited else [np.inf] * self.constraints.years, float)


def _check(constraints):
    """Stop at the first constraint outside its range."""
    if not constraints.budget or not _all_zero_or_more(constraints.budget):
        raise SettingsError(f"budget must be one amount of 0 or more for each year, not {constraints.budget}")
    weeks = constraints.crew_weeks
    if weeks is not None and (len(weeks) != constraints.years or not _all_zero_or_more(weeks)):
        raise SettingsError(
            f"crew_weeks must be one number of 0 or more for each of {constraints.years} years"
        )
    fees = (
        constraints.mobilisation.values()
        if isinstance(constraints.mobilisation, Mapping)
        else [constraints.mobilisation]
    )
    if not _all_zero_or_more(fees):
        raise SettingsError("mobilisation must be 0 or more in every access group")
    if not constraints.horizon_years > 0 or not 0 <= constraints.discount_rate < 1:
        raise SettingsError("horizon_years must be greater than 0, discount_rate from 0 to below 1")
    if constraints.must_do_by is not None and not 1 <= constraints.must_do_by <= constraints.years:
        raise SettingsError(f"must_do_by must be a year of the plan, 1 to {constraints.years}")
    if constraints.measure not in MEASURES:
        raise SettingsError(f"measure must be one of {', '.join(MEASURES)}, not {constraints.measure!r}")


def _all_zero_or_more(amounts):
    """True when every amount is a finite number of 0 or more."""
    return all(np.isfinite(amount) and amount >= 0 for amount in amounts)


def pose(options: pd.DataFrame, constraints: Constraints) -> Problem:
    """Planning problem of a table of options under given constraints.

    Parameters
    ----------
    options : pandas.DataFrame
        One row per tower and option: tower_id, option (treatment), benefit_per_year (avoided trip-outs, or
        money), cost and effort (either may be missing where `constraints.measure` names the other), access_group
        (blank: the tower forms its own group), crew_weeks (needed where crews are limited), must_do (the option
        meets a safety need or an obligation: one such option of the tower must be selected), life_years, and
        optionally together (towers of one label are treated in one year, or none of them), obligation (place in the
        order of the inspections and repairs, which are done beside the treatment of a tower; their cost may be
        missing and counts as 0), decides (what an obligation settles) and conditional_on (what an option waits for,
        in the words of decides).
    constraints : Constraints

    Returns
    -------
    Problem
        Options without a price (or effort) or without a predicted benefit are omitted and reported in `left_out`; a
        must-do without prediction is kept with benefit 0. Obligations have their year, see `scheduled`.

    Raises
    ------
    RecordsError
        A column is missing, an option occurs twice, a cost is negative, a life is missing, or a must-do has no price.
    SettingsError
        No option has a price (plan by effort then), or an access group has no mobilisation price.

    Examples
    --------
    >>> options = pd.DataFrame({"tower_id": ["1", "1"], "option": ["rod", "ring"], "cost": [3.0, np.nan]})
    >>> options = options.assign(benefit_per_year=0.1, access_group="A", must_do=False, life_years=30)
    >>> pose(options, Constraints(budget=(10.0,))).left_out
    ('1 option without a price was left out: tower 1 ring.',)
    """
    _check_options(options, constraints)
    options = options.reset_index(drop=True)
    spend, benefit = options[constraints.measure].to_numpy(float), options["benefit_per_year"].to_numpy(float)
    owed = _order_of(options).notna().to_numpy()
    must, spend = options["must_do"].to_numpy(bool) | owed, np.where(owed & np.isnan(spend), 0.0, spend)
    options = options.assign(must_do=must)
    priced, predicted = ~np.isnan(spend), ~np.isnan(benefit) | must
    what = "a price" if constraints.measure == "cost" else "an effort"
    left_out = (
        *_omitted(options[~priced], f"without {what}"),
        *_omitted(options[priced & ~predicted], "without a predicted benefit"),
    )
    kept = options[priced & predicted]
    _check_must_do(options, kept)
    problem = _arrays(kept.assign(spend=spend[priced & predicted]), constraints, left_out)
    return scheduled(problem, constraints) if problem.owed.any() else problem


def _order_of(options):
    """Place of each obligation in their order, NaN for all other options."""
    if "obligation" not in options:
        return pd.Series(np.nan, options.index)
    return options["obligation"].astype(float)


def _check_options(options, constraints):
    """Columns, duplicates and ranges."""
    needed = (*NEEDED, constraints.measure, *(("crew_weeks",) if constraints.crew_weeks is not None else ()))
    if missing := [name for name in needed if name not in options]:
        raise RecordsError(f"options need the columns {', '.join(missing)}")
    if (again := options.duplicated(["tower_id", "option"])).any():
        row = options[again].iloc[0]
        raise RecordsError(f"options: {row['option']} of tower {row['tower_id']} occurs in two rows")
    for name in (constraints.measure, *(("crew_weeks",) if "crew_weeks" in options else ())):
        if (bad := options[name].astype(float) < 0).any():
            row = options[bad].iloc[0]
            raise RecordsError(
                f"options: {name} of tower {row['tower_id']} {row['option']} is {row[name]}, below 0"
            )
    if len(options) and options[constraints.measure].isna().all():
        raise SettingsError(f"no option has a {constraints.measure}: give prices, or plan by effort")
    unlived = options["benefit_per_year"].notna() & ~(options["life_years"].astype(float) > 0)
    if (unlived := unlived & (options["benefit_per_year"] != 0)).any():
        row = options[unlived].iloc[0]
        raise RecordsError(f"options: life_years of tower {row['tower_id']} {row['option']} is missing or 0")
    if constraints.crew_weeks is not None and options["crew_weeks"].isna().any():
        row = options[options["crew_weeks"].isna()].iloc[0]
        raise RecordsError(f"options: crew_weeks of tower {row['tower_id']} {row['option']} is missing")


def _omitted(options, what):
    """One sentence on the options omitted, none without any."""
    if not len(options):
        return ()
    names = [f"tower {row.tower_id} {row.option}" for row in options.head(3).itertuples()]
    more = ", …" if len(options) > 3 else ""
    counted = "1 option" if len(options) == 1 else f"{len(options)} options"
    return (f"{counted} {what} {'was' if len(options) == 1 else 'were'} left out: {', '.join(names)}{more}.",)


def _check_must_do(options, kept):
    """Every tower with a must-do keeps an option that meets it."""
    wanted = options.loc[options["must_do"].astype(bool), "tower_id"]
    met = kept.loc[kept["must_do"].astype(bool), "tower_id"]
    if len(lost := wanted[~wanted.isin(met)].unique()):
        raise RecordsError(f"must-do without a price: tower {', '.join(lost)}; give its cost or its effort")


def _arrays(options, constraints, left_out):
    """Options sorted and numbered."""
    own = "tower " + options["tower_id"].astype(str)
    label = options["access_group"].astype("str").where(options["access_group"].notna(), own)
    beside = _order_of(options).notna()  # an inspection or repair does not take the place of a treatment
    own = own.where(~beside, own + ": " + options["option"].astype(str))
    together = options["together"] if "together" in options else pd.Series(pd.NA, options.index)
    unit = ("together " + together.astype("str")).where(together.notna(), own)
    home = label.groupby(unit).transform("first")
    order = pd.DataFrame({"home": home, "unit": unit, "tower": own}).sort_values(
        ["home", "unit", "tower"], kind="stable"
    )
    options, label = options.loc[order.index].reset_index(drop=True), label.loc[order.index]
    names, group = np.unique(label.to_numpy(str), return_inverse=True)
    tower, tower_starts = _runs(order["tower"])
    unit, unit_starts = _runs(order["unit"].iloc[tower_starts])
    homes = order["home"].iloc[tower_starts].iloc[unit_starts]
    group_starts = _runs(homes)[1]
    places = _order_of(options).to_numpy(float)
    return Problem(
        options=options.assign(access_group=label.to_numpy()),
        constraints=constraints,
        value=_value(options, constraints),
        spend=options["spend"].to_numpy(float),
        weeks=options["crew_weeks"].to_numpy(float) if "crew_weeks" in options else np.zeros(len(options)),
        tower=tower,
        group=group,
        must=options["must_do"].to_numpy(bool),
        tower_starts=tower_starts,
        unit_starts=unit_starts,
        group_starts=group_starts,
        unit=unit,
        fee=_fees(names, constraints),
        home=np.searchsorted(names, homes.iloc[group_starts].to_numpy(str)),
        left_out=left_out,
        order=places,
        waits=_waits(options, places),
        when=np.zeros(len(options), int),
        open=np.ones((len(options), constraints.years), bool),
    )


def _waits(options, order):
    """Pairs of a conditional option and an obligation that decides about it, shape (k, 2)."""
    if "conditional_on" not in options or "decides" not in options:
        return np.zeros((0, 2), int)
    deciding: dict[str, list[int]] = {}
    for place in np.flatnonzero(~np.isnan(order)):
        for phrase in phrases(options["decides"].iloc[place]):
            deciding.setdefault(phrase, []).append(int(place))
    pairs = [
        (place, first)
        for place in np.flatnonzero(np.isnan(order))
        for phrase in phrases(options["conditional_on"].iloc[place])
        for first in deciding.get(phrase, ())
    ]
    return np.array(pairs, int).reshape(-1, 2)


def phrases(text: object) -> list[str]:
    """Conditions of a text, one by one."""
    return [part for part in text.split("; ") if part] if isinstance(text, str) else []


def scheduled(problem: Problem, constraints: Constraints, most: int | None = None) -> Problem:
    """Problem under given constraints, with the year of every inspection and repair.

    Parameters
    ----------
    problem : Problem
    constraints : Constraints
        Of as many years as the problem has.
    most : int, optional
        Number of obligations that get a year, the first of their order; default: all that fit.

    Returns
    -------
    Problem
        An obligation gets the earliest year whose money and crews suffice for it after those before it in the order;
        one that fits in no year is not done. A conditional option is open from the year after its last inspection,
        in the last year of the plan in the same year; without its inspection it is closed, unless it is a must-do.
    """
    money = np.array(constraints.budget, float)
    crew = replace(problem, constraints=constraints).crew
    paid = np.zeros((len(problem.fee), constraints.years), bool)
    when = np.zeros(len(problem.spend), int)
    owed = np.flatnonzero(problem.owed)
    for place in owed[np.argsort(problem.order[owed], kind="stable")][:most]:
        group = problem.group[place]
        cost = problem.spend[place] + np.where(paid[group], 0.0, problem.fee[group])
        years = np.flatnonzero((cost <= money) & (problem.weeks[place] <= crew))
        if len(years) and years[0] < (constraints.must_do_by or constraints.years):
            year = years[0]
            money[year] -= cost[year]
            crew[year] -= problem.weeks[place]
            paid[group, year] = True
            when[place] = year + 1
    must = np.where(problem.owed, when > 0, problem.must)
    return replace(problem, constraints=constraints, when=when, must=must, open=_open(problem, when, must))


def _open(problem, when, must):
    """Years in which each option may be done, shape (n, y)."""
    years = np.arange(1, problem.open.shape[1] + 1)
    first, closed = np.ones(len(when), int), np.zeros(len(when), bool)
    waiting, obligation = problem.waits.T
    np.maximum.at(first, waiting, np.minimum(when[obligation] + 1, years[-1]))
    np.logical_or.at(closed, waiting, when[obligation] == 0)
    first = np.where(closed & must, 1, first)
    allowed = (years >= first[:, None]) & ~(closed & ~must)[:, None]
    return np.where(problem.owed[:, None], years == when[:, None], allowed)


def _runs(labels):
    """Number of the run of equal labels that each row belongs to, and where the runs begin."""
    labels = labels.to_numpy(str)
    new = np.r_[True, labels[1:] != labels[:-1]] if len(labels) else np.zeros(0, bool)
    return np.cumsum(new) - 1, np.flatnonzero(new)


def _value(options, constraints):
    """Benefit counted by option and year; 0 where it cannot be predicted."""
    benefit = options["benefit_per_year"].to_numpy(float)
    life = options["life_years"].to_numpy(float)
    counted = benefit[:, None] * years_that_count(np.nan_to_num(life), constraints)
    return np.where(np.isnan(benefit)[:, None], 0.0, counted)


def years_that_count(life_years: ArrayLike, constraints: Constraints) -> np.ndarray:
    """Discounted years of benefit of work done in each year of the plan.

    Parameters
    ----------
    life_years : array, shape (n,)
        Life of each treatment [years].
    constraints : Constraints
        Horizon H, discount rate r and years of the plan.

    Returns
    -------
    array, shape (n, years)
        Discounted years [years]; times the benefit a year they give the benefit counted.

    Notes
    -----
    Work of year t takes effect in year t + 1 and ends with its life L or with the horizon H:
    a = Σ (1 + r)^−(k−1) for k = t + 1 … min(t + L, H), the last year in part where L or H is not an integer. Earlier
    work therefore counts more where the horizon or the discount rate limits the benefit. Only the benefit is
    discounted: budgets are in the money of their own year.

    References
    ----------
    Present value of an annuity, any textbook of engineering economy; *common practice*.

    Examples
    --------
    >>> print(years_that_count([2.0, 40.0], Constraints(budget=(1.0, 1.0), horizon_years=10, discount_rate=0.0)))
    [[2. 2.]
     [9. 8.]]
    """
    last = int(np.ceil(constraints.horizon_years))
    weights = (1 + constraints.discount_rate) ** -np.arange(last, dtype=float)
    so_far = np.r_[0.0, np.cumsum(weights)]
    done = np.arange(1, constraints.years + 1, dtype=float)
    end = np.minimum(done + np.asarray(life_years, float)[:, None], constraints.horizon_years)
    begin = np.minimum(done, constraints.horizon_years)
    steps = np.arange(last + 1, dtype=float)
    return np.interp(end, steps, so_far) - np.interp(begin, steps, so_far)


def _fees(names, constraints):
    """Mobilisation of each access group; a group without a price is an error."""
    if not isinstance(constraints.mobilisation, Mapping):
        return np.full(len(names), float(constraints.mobilisation))
    if unknown := [name for name in names if name not in constraints.mobilisation]:
        raise SettingsError(f"no mobilisation price for access group {', '.join(unknown)}")
    return np.array([constraints.mobilisation[name] for name in names], float)


def spread_evenly(total: float, years: int) -> tuple[float, ...]:
    """Equal budget of each year, which add up to a total."""
    return (total / years,) * years


def with_total(constraints: Constraints, total: float) -> Constraints:
    """Constraints with another total budget, distributed over the years as before; evenly where that was 0."""
    before = sum(constraints.budget)
    if before == 0:
        return replace(constraints, budget=spread_evenly(total, constraints.years))
    return replace(constraints, budget=tuple(total * (amount / before) for amount in constraints.budget))


def together_in_zones(towers: pd.DataFrame, treated: Iterable[str]) -> pd.Series:
    """Labels of consecutive station-zone towers with works: the column `together` of the options, by tower_id.

    `towers` is the line in route order with in_station_zone. A strike close to a station sends a steep wave into it,
    so the zone is only as good as its weakest tower and its towers form one package. *Common practice*. A tower of
    the zone without works does not separate its neighbours.
    """
    ids, zone = towers["tower_id"], towers["in_station_zone"].astype(bool)
    if strangers := sorted(set(treated) - set(ids)):
        raise ValueError(f"tower {strangers[0]} is not on the line")
    run = (zone != zone.shift()).cumsum()
    mine = zone & ids.isin(list(treated))
    ids = cast("pd.Series", ids[mine])
    by_run = cast("Any", ids.groupby(run[mine]))
    label = by_run.transform("first") + " to " + by_run.transform("last")
    shared = by_run.transform("size") > 1
    return pd.Series(label[shared].to_numpy(), index=ids.to_numpy()[shared.to_numpy()], dtype="str")
