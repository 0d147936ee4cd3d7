"""Options and terms as arrays: what every way of planning works on."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError, SettingsError
from towerlib.plan.terms import Terms, years_that_count

NEEDED = ("tower_id", "option", "benefit_per_year", "access_group", "must_do", "life_years")


@dataclass(frozen=True)
class Problem:
    """A choice among n options of a towers in y years, sorted by access group, package and tower.

    Attributes
    ----------
    options : pandas.DataFrame
        The n options that can be chosen, in the order of the arrays.
    terms : Terms
        Money, crews and years.
    value : array, shape (n, y)
        Benefit counted when the option is done in that year.
    spend, weeks : array, shape (n,)
        Cost (or effort) and crew-weeks of each option, without mobilisation.
    tower, group, must : array, shape (n,)
        Number of the tower and of the access group of each option; True where the option meets a must-do.
    tower_starts, unit_starts, group_starts : array
        Where each tower begins among the options, each unit (a tower, or towers that go together) among the
        towers, each group of units among the units.
    unit : array, shape (a,)
        Number of the unit of each tower.
    fee : array
        Cost of one mobilisation of each access group.
    home : array
        Access group of each group of units: that of the unit's first tower.
    left_out : tuple of str
        What could not be considered, in sentences.
    """

    options: pd.DataFrame
    terms: Terms
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
    left_out: tuple

    @property
    def must_tower(self):
        """True for each tower with a must-do, shape (a,)."""
        return np.maximum.reduceat(self.must, self.tower_starts) if len(self.must) else self.must

    @property
    def must_by(self):
        """Latest year of the must-do works."""
        return self.terms.must_do_by or self.terms.years

    @property
    def crew(self):
        """Crew-weeks of each year, infinite where unlimited, shape (y,)."""
        limited = self.terms.crew_weeks is not None
        return np.array(self.terms.crew_weeks if limited else [np.inf] * self.terms.years, float)


def pose(options, terms):
    """The problem of a table of options under given terms.

    Parameters
    ----------
    options : pandas.DataFrame
        One row a tower and option: tower_id, option (treatment), benefit_per_year (avoided trip-outs, or
        money), cost and effort (either may be missing where `terms.measure` names the other), access_group
        (blank: a mobilisation of its own), crew_weeks (needed where crews are limited), must_do (the option
        meets a safety need or an obligation: one such option of the tower has to be chosen), life_years, and
        where wanted together (towers of one label are treated in one year, or none of them).
    terms : Terms
        Money, crews and years.

    Returns
    -------
    Problem
        Options without a price (or effort) or without a predicted benefit are left out, which `left_out`
        says; a must-do without prediction stays and counts no benefit.

    Raises
    ------
    RecordsError
        Columns missing, an option twice, a negative cost, a life missing, or a must-do without a price.
    SettingsError
        No option carries a price (plan by effort then), or an access group has no mobilisation price.

    Examples
    --------
    >>> options = pd.DataFrame({"tower_id": ["1", "1"], "option": ["rod", "ring"], "cost": [3.0, np.nan]})
    >>> options = options.assign(benefit_per_year=0.1, access_group="A", must_do=False, life_years=30)
    >>> pose(options, Terms(budget=(10.0,))).left_out
    ('1 option without a price was left out: tower 1 ring.',)
    """
    _check(options, terms)
    options = options.reset_index(drop=True)
    spend, benefit = options[terms.measure].to_numpy(float), options["benefit_per_year"].to_numpy(float)
    must = options["must_do"].to_numpy(bool)
    priced, predicted = ~np.isnan(spend), ~np.isnan(benefit) | must
    what = "a price" if terms.measure == "cost" else "an effort"
    left_out = (
        *_told(options[~priced], f"without {what}"),
        *_told(options[priced & ~predicted], "without a predicted benefit"),
    )
    kept = options[priced & predicted]
    _check_must_do(options, kept)
    return _arrays(kept.assign(spend=spend[priced & predicted]), terms, left_out)


def _check(options, terms):
    """Columns, duplicates and ranges."""
    needed = (*NEEDED, terms.measure, *(("crew_weeks",) if terms.crew_weeks is not None else ()))
    if missing := [name for name in needed if name not in options]:
        raise RecordsError(f"options need the columns {', '.join(missing)}")
    if (again := options.duplicated(["tower_id", "option"])).any():
        row = options[again].iloc[0]
        raise RecordsError(f"options: {row['option']} of tower {row['tower_id']} stands in two rows")
    for name in (terms.measure, *(("crew_weeks",) if "crew_weeks" in options else ())):
        if (bad := options[name].astype(float) < 0).any():
            row = options[bad].iloc[0]
            raise RecordsError(
                f"options: {name} of tower {row['tower_id']} {row['option']} is {row[name]}, below 0"
            )
    if len(options) and options[terms.measure].isna().all():
        raise SettingsError(f"no option has a {terms.measure}: give prices, or plan by effort")
    unlived = options["benefit_per_year"].notna() & ~(options["life_years"].astype(float) > 0)
    if (unlived := unlived & (options["benefit_per_year"] != 0)).any():
        row = options[unlived].iloc[0]
        raise RecordsError(f"options: life_years of tower {row['tower_id']} {row['option']} is missing or 0")
    if terms.crew_weeks is not None and options["crew_weeks"].isna().any():
        row = options[options["crew_weeks"].isna()].iloc[0]
        raise RecordsError(f"options: crew_weeks of tower {row['tower_id']} {row['option']} is missing")


def _check_must_do(options, kept):
    """Every tower with a must-do keeps an option that meets it."""
    wanted = options.loc[options["must_do"].astype(bool), "tower_id"]
    met = kept.loc[kept["must_do"].astype(bool), "tower_id"]
    if len(lost := wanted[~wanted.isin(met)].unique()):
        raise RecordsError(f"must-do without a price: tower {', '.join(lost)}; give its cost or its effort")


def _told(options, what):
    """One sentence about the options left out, none without any."""
    if not len(options):
        return ()
    names = [f"tower {row.tower_id} {row.option}" for row in options.head(3).itertuples()]
    more = ", …" if len(options) > 3 else ""
    counted = "1 option" if len(options) == 1 else f"{len(options)} options"
    return (f"{counted} {what} {'was' if len(options) == 1 else 'were'} left out: {', '.join(names)}{more}.",)


def _arrays(options, terms, left_out):
    """Options sorted and numbered."""
    own = "tower " + options["tower_id"].astype(str)
    label = options["access_group"].astype("str").where(options["access_group"].notna(), own)
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
    return Problem(
        options=options.assign(access_group=label.to_numpy()),
        terms=terms,
        value=_value(options, terms),
        spend=options["spend"].to_numpy(float),
        weeks=options["crew_weeks"].to_numpy(float) if "crew_weeks" in options else np.zeros(len(options)),
        tower=tower,
        group=group,
        must=options["must_do"].to_numpy(bool),
        tower_starts=tower_starts,
        unit_starts=unit_starts,
        group_starts=group_starts,
        unit=unit,
        fee=_fees(names, terms),
        home=np.searchsorted(names, homes.iloc[group_starts].to_numpy(str)),
        left_out=left_out,
    )


def _runs(labels):
    """Number of the run of equal labels that each row belongs to, and where the runs begin."""
    labels = labels.to_numpy(str)
    new = np.r_[True, labels[1:] != labels[:-1]] if len(labels) else np.zeros(0, bool)
    return np.cumsum(new) - 1, np.flatnonzero(new)


def _value(options, terms):
    """Benefit counted by option and year; none where it cannot be predicted."""
    benefit = options["benefit_per_year"].to_numpy(float)
    life = options["life_years"].to_numpy(float)
    counted = benefit[:, None] * years_that_count(np.nan_to_num(life), terms)
    return np.where(np.isnan(benefit)[:, None], 0.0, counted)


def _fees(names, terms):
    """Mobilisation of each access group; a group without a price stops the work."""
    if not isinstance(terms.mobilisation, Mapping):
        return np.full(len(names), float(terms.mobilisation))
    if unknown := [name for name in names if name not in terms.mobilisation]:
        raise SettingsError(f"no mobilisation price for access group {', '.join(unknown)}")
    return np.array([terms.mobilisation[name] for name in names], float)
