"""What the plan must keep to: money, crews and years, and how long a benefit counts."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from towerlib.errors import SettingsError
from towerlib.values import number

MEASURES = ("cost", "effort")


@dataclass(frozen=True)
class Terms:
    """Money, crews and years of a plan.

    Attributes
    ----------
    budget : tuple of float
        What may be spent in each year of the plan, in the unit of `measure`; as many as the plan has years.
        What is left of one year is not carried into the next.
    mobilisation : float or mapping of str to float
        Cost of one mobilisation, for all access groups or by access group; paid once a group and year.
    crew_weeks : tuple of float, optional
        Crew-weeks of each year; unlimited when left out.
    horizon_years : float
        Years from the start of the plan over which benefits are counted.
    discount_rate : float
        Yearly rate by which later benefits count less; 0 counts them alike.
    must_do_by : int, optional
        Latest year of the must-do works; else any year of the plan.
    measure : str
        ``"cost"`` (money), or ``"effort"`` (trench metres) for options without prices.
    """

    budget: tuple
    mobilisation: float | Mapping = 0.0
    crew_weeks: tuple | None = None
    horizon_years: float = field(default_factory=lambda: number("plan_horizon_years"))
    discount_rate: float = field(default_factory=lambda: number("plan_discount_rate"))
    must_do_by: int | None = None
    measure: str = "cost"

    def __post_init__(self):
        _check(self)

    @property
    def years(self):
        """Number of years of the plan."""
        return len(self.budget)


def _check(terms):
    """Every term in its range, else one sentence."""
    if not terms.budget or not _all_zero_or_more(terms.budget):
        raise SettingsError(f"budget must be one amount of 0 or more for each year, not {terms.budget}")
    weeks = terms.crew_weeks
    if weeks is not None and (len(weeks) != terms.years or not _all_zero_or_more(weeks)):
        raise SettingsError(f"crew_weeks must be one number of 0 or more for each of {terms.years} years")
    fees = terms.mobilisation.values() if isinstance(terms.mobilisation, Mapping) else [terms.mobilisation]
    if not _all_zero_or_more(fees):
        raise SettingsError("mobilisation must be 0 or more in every access group")
    if not terms.horizon_years > 0 or not 0 <= terms.discount_rate < 1:
        raise SettingsError("horizon_years must be greater than 0, discount_rate from 0 to below 1")
    if terms.must_do_by is not None and not 1 <= terms.must_do_by <= terms.years:
        raise SettingsError(f"must_do_by must be a year of the plan, 1 to {terms.years}")
    if terms.measure not in MEASURES:
        raise SettingsError(f"measure must be one of {', '.join(MEASURES)}, not {terms.measure!r}")


def _all_zero_or_more(amounts):
    """True when every amount is a finite number of 0 or more."""
    return all(np.isfinite(amount) and amount >= 0 for amount in amounts)


def spread_evenly(total, years):
    """Budget of each year when one sum is to serve all years alike.

    Parameters
    ----------
    total : float
        Money for all years.
    years : int
        Number of years, 1 or more.

    Returns
    -------
    tuple of float

    Examples
    --------
    >>> spread_evenly(90.0, 3)
    (30.0, 30.0, 30.0)
    """
    return (total / years,) * years


def with_total(terms, total):
    """The same terms with another sum of money, shared over the years as before.

    Parameters
    ----------
    terms : Terms
        Their budget gives the shares; equal shares where it is 0 throughout.
    total : float
        Sum of all years.

    Returns
    -------
    Terms

    Examples
    --------
    >>> with_total(Terms(budget=(10.0, 30.0)), 80.0).budget
    (20.0, 60.0)
    """
    before = sum(terms.budget)
    if before == 0:
        return replace(terms, budget=spread_evenly(total, terms.years))
    return replace(terms, budget=tuple(total * (amount / before) for amount in terms.budget))


def years_that_count(life_years, terms):
    """Years of benefit that count, for work done in each year of the plan.

    Parameters
    ----------
    life_years : array, shape (n,)
        Life of each treatment [years].
    terms : Terms
        Horizon H, discount rate r and years of the plan.

    Returns
    -------
    array, shape (n, years)
        Discounted years [years]: benefit a year times this is the benefit counted.

    Notes
    -----
    Work of year t begins to act with year t + 1 and ends with its life or with the horizon:
    a = Σ (1 + r)^−(k−1) for k = t + 1 … min(t + L, H), the last year in part where L or H is broken. So earlier
    work counts more wherever the horizon or the discount rate ends what later work could give. Only the
    benefit is discounted: budgets are the money of their own year.

    References
    ----------
    Present value of an annuity, any textbook of engineering economy; *common practice*.

    Examples
    --------
    >>> print(years_that_count([2.0, 40.0], Terms(budget=(1.0, 1.0), horizon_years=10, discount_rate=0.0)))
    [[2. 2.]
     [9. 8.]]
    """
    last = int(np.ceil(terms.horizon_years))
    weights = (1 + terms.discount_rate) ** -np.arange(last, dtype=float)
    so_far = np.r_[0.0, np.cumsum(weights)]
    done = np.arange(1, terms.years + 1, dtype=float)
    end = np.minimum(done + np.asarray(life_years, float)[:, None], terms.horizon_years)
    begin = np.minimum(done, terms.horizon_years)
    steps = np.arange(last + 1, dtype=float)
    return np.interp(end, steps, so_far) - np.interp(begin, steps, so_far)
