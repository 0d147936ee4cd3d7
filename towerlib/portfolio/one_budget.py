"""One budget shared by several lines: lines that can take part, and the best split."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import SettingsError
from towerlib.plan.budget import constraints_of
from towerlib.plan.optimise import optimise, quality
from towerlib.plan.outcome import Plan, broken_rules, plan_of
from towerlib.plan.problem import pose, with_total
from towerlib.portfolio.ranking import SETTINGS, factor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from towerlib.portfolio.ranking import LineMonth


TABLE = """
    line_id own_budget own_spent own_towers own_benefit own_per_year own_low own_high own_money_per_year
    spent towers benefit avoided_per_year avoided_low avoided_high money_per_year
""".split()


@dataclass(frozen=True)
class Split:
    """Split of one budget over lines.

    Attributes
    ----------
    total
        Budget of all years; NaN without a split.
    table
        One row per line in the split, columns as in `TABLE`: the line's own plan and its part of the split. benefit
        is trip-outs avoided over the horizon, discounted; avoided_per_year applies once all works are done, with its
        80 % interval (fully correlated errors); money_per_year is their cost. The own figures are NaN where the line's
        part of the money is less than its must-dos cost.
    works
        One row per work of the split: line_id, tower_id, year, option, cost, benefit_per_year, must_do.
    plan
        Over all lines, towers and access groups written ``line/tower`` and ``line/group``.
    off, assumed
        What is not available, with the reason; assumptions.
    """

    total: float
    currency: str
    table: pd.DataFrame
    works: pd.DataFrame
    plan: Plan | None
    off: tuple[str, ...]
    assumed: tuple[str, ...]


def split(lines: Sequence[LineMonth], total: float | None = None) -> Split:
    """Split of a budget over lines that avoids the most trip-outs.

    `total` is the budget of all years, by default the sum of the lines' budgets; negative raises `SettingsError`. The
    split is never worse than the lines' own plans together, which are used where the optimiser finds nothing better.
    The budget of each year is the sum over the lines, so that the lines' own plans fit. With another total all budgets
    are scaled by one factor, and the own plans are those of the scaled budgets. Benefits are those of the line's model
    times its calibration factor.
    """
    if total is not None and not (np.isfinite(total) and total >= 0):
        raise SettingsError(f"budget must be 0 or more, not {total}")
    able, off = able_to_share(lines, total)
    if not able:
        return _nothing((*off, "No split: no line has a plan that can take part."))
    constraints = {line.line_id: _constraints(line) for line in able}
    scaled = _scaled(constraints, total)
    own = {line.line_id: _own_works(line, constraints[line.line_id], scaled[line.line_id]) for line in able}
    options = pd.concat([_prefixed(line) for line in able], ignore_index=True)
    joint = _joint(scaled)
    try:
        plan = optimise(options, joint, search=False)
    except SettingsError as flaw:
        return _nothing((*off, f"No split: {flaw}"))
    together = pd.concat([works for works in own.values() if works is not None] or [_no_works()])
    problem = pose(options, joint)
    beside = plan_of(problem, _choice(problem, together), plan.bound)
    if beside.benefit > plan.benefit and not broken_rules(problem, beside.choice):
        plan = replace(
            beside, how=f"The lines' own plans together avoid more than any split found. {quality(beside)}"
        )
    table = cast(
        "pd.DataFrame", pd.DataFrame([_line_row(line, scaled, own, beside, plan) for line in able])[TABLE]
    )
    off = (*off, *problem.left_out, *_short(own))
    return Split(
        float(sum(joint.budget)),
        able[0].facts["currency"],
        table,
        _works(plan),
        plan,
        off,
        _assumed(plan, constraints, able),
    )


def able_to_share(
    lines: Sequence[LineMonth], total: float | None = None
) -> tuple[list[LineMonth], list[str]]:
    """Lines that can share a budget, and a remark on each excluded one.

    Without a `total` each line needs its own budget. Currency, horizon and discount rate must be equal, otherwise
    neither money nor benefit can be added. The most frequent combination is used; of equally frequent ones the first in
    the alphabet.
    """
    remarks, able = [], []
    for line in lines:
        why = _why_not(line, total)
        remarks += [f"{line.line_id} is not in the split: {why}."] if why else []
        able += [] if why else [line]
    kinds = Counter(_kind(line) for line in able)
    usual = max(sorted(kinds), key=lambda kind: kinds[kind], default=None)
    for line in able:
        if _kind(line) != usual:
            remarks.append(
                f"{line.line_id} is not in the split: its plan counts {_words(_kind(line))}, "
                f"others {_words(usual)}."
            )
    return [line for line in able if _kind(line) == usual], remarks


def _why_not(line, total):
    """Reason why a line is excluded from the split; blank where it takes part."""
    options = line.options
    if not len(options):
        return "no treatment applies at any of its towers"
    if options["cost"].isna().all():
        return "its treatments have no price"
    if total is None and not np.isfinite(line.facts["budget"]):
        return "its budget is not set"
    return ""


def _kind(line):
    """Properties that plans must share so that benefits and money can be added."""
    facts = line.facts
    return facts["currency"], max(facts["horizon_years"], facts["years"]), facts["discount_rate"]


def _words(kind):
    currency, horizon, rate = kind
    return f"in {currency or 'no currency'} over {horizon:g} years at {rate:.1%}"


def _nothing(off):
    """Empty split with the reason."""
    works = pd.DataFrame(columns="line_id tower_id year option cost benefit_per_year must_do".split())
    return Split(np.nan, "", pd.DataFrame(columns=TABLE), works, None, off, ())


def _constraints(line):
    """Constraints of a line's own plan, access groups prefixed with its name; no budget counts as 0."""
    facts = {name: line.facts[name] for name in SETTINGS}
    facts |= {"years": int(facts["years"]), "budget": np.nan_to_num(facts["budget"])}
    weeks = facts["crew_weeks_per_year"]
    facts["crew_weeks_per_year"] = weeks if np.isfinite(weeks) else None
    groups = line.mobilisation.assign(
        access_group=f"{line.line_id}/" + line.mobilisation["access_group"].astype("str")
    )
    return constraints_of(cast("Any", SimpleNamespace(**facts)), groups)


def _scaled(constraints, total):
    """Constraints of every line with its part of the total; equal parts where no line has a budget."""
    if total is None:
        return constraints
    whole = sum(sum(each.budget) for each in constraints.values())
    if whole == 0:
        return {name: with_total(each, total / len(constraints)) for name, each in constraints.items()}
    return {name: with_total(each, total * (sum(each.budget) / whole)) for name, each in constraints.items()}


def _own_works(line, constraints, scaled):
    """Works of the line's own plan, prefixed with its name; None where the must-dos exceed its budget."""
    if scaled is constraints:
        return line.works.assign(tower_id=f"{line.line_id}/" + line.works["tower_id"].astype("str"))
    try:
        return optimise(_prefixed(line), scaled, search=False).works
    except SettingsError:
        return None


def _prefixed(line):
    """Options of a line, prefixed with its name, calibrated, without towers whose must-do has no price."""
    options, mark = line.options, f"{line.line_id}/"
    must, priced = options["must_do"].astype(bool), options["cost"].notna()
    lost = set(options.loc[must, "tower_id"]) - set(options.loc[must & priced, "tower_id"])
    options = options[~options["tower_id"].isin(lost)]
    own = "tower " + options["tower_id"].astype("str")  # a tower without an access group forms its own
    groups = options["access_group"].astype("str").where(options["access_group"].notna(), own)
    scaled = ["benefit_per_year", "avoided_low", "avoided_high"]
    options = options.assign(tower_id=mark + options["tower_id"].astype("str"), access_group=mark + groups)
    options[scaled] = options[scaled].astype("float64") * factor(line.facts)
    if "together" not in options:
        return options
    return options.assign(
        together=(mark + options["together"].astype("str")).where(options["together"].notna())
    )


def _joint(constraints):
    """Constraints of all lines together, as many years as the longest plan."""
    years = max(each.years for each in constraints.values())
    fees = {group: fee for each in constraints.values() for group, fee in each.mobilisation.items()}
    limited = all(each.crew_weeks is not None for each in constraints.values())
    return replace(
        next(iter(constraints.values())),
        budget=_summed([each.budget for each in constraints.values()], years),
        mobilisation=fees,
        crew_weeks=_summed([each.crew_weeks for each in constraints.values()], years) if limited else None,
        horizon_years=max(each.horizon_years for each in constraints.values()),
    )


def _summed(amounts, years):
    """Yearly amounts of several lines added up."""
    return tuple(float(sum(each[year] for each in amounts if year < len(each))) for year in range(years))


def _no_works():
    return pd.DataFrame({"tower_id": [], "option": [], "year": []})


def _choice(problem, works):
    """The works as a choice among the options of the problem."""
    years = {(row.tower_id, row.option): int(row.year) for row in works.itertuples()}
    keys = zip(problem.options["tower_id"], problem.options["option"], strict=True)
    return np.array([years.get(key, 0) for key in keys], int)


def _line_row(line, constraints, own, beside, plan):
    """One line: its own plan, and its part of the split."""
    known = own[line.line_id] is not None
    parts = {"own_": _part(beside, line.line_id) if known else {}, "": _part(plan, line.line_id)}
    row = {f"{mark}{name}": part.get(name, np.nan) for mark, part in parts.items() for name in parts[""]}
    row |= {f"own_{end}": row.pop(f"own_avoided_{end}") for end in ("per_year", "low", "high")}
    price = line.facts["cost_per_trip_out"]
    row |= {
        "own_money_per_year": row["own_per_year"] * price,
        "money_per_year": row["avoided_per_year"] * price,
    }
    return row | {"line_id": line.line_id, "own_budget": sum(constraints[line.line_id].budget)}


def _part(plan, line_id):
    """Cost and benefit of a plan on one line, mobilisations included."""
    works = plan.works[_line_of(plan.works["tower_id"]) == line_id]
    fees = plan.problem.constraints.mobilisation
    visits = works[["access_group", "year"]].drop_duplicates()
    chosen = plan.problem.options[plan.choice > 0]
    chosen = chosen[_line_of(chosen["tower_id"]) == line_id]
    return {
        "avoided_low": float(chosen["avoided_low"].sum()),
        "avoided_high": float(chosen["avoided_high"].sum()),
        "spent": float(works["cost"].sum()) + sum(fees[group] for group in visits["access_group"]),
        "towers": len(works),
        "benefit": float(works["benefit"].sum()),
        "avoided_per_year": float(works["benefit_per_year"].sum()),
    }


def _line_of(towers):
    """Line id of prefixed towers; ids of lines contain no slash."""
    return towers.astype("str").str.split("/", n=1).str[0]


def _short(own):
    """Remark on lines whose part of another total is less than their must-do works."""
    lost = [name for name, works in own.items() if works is None]
    return (
        [f"{', '.join(lost)}: its part of the total is less than the cost of its must-do works."]
        if lost
        else []
    )


def _works(plan):
    """Works of the split, with line and tower in separate columns."""
    names = plan.works["tower_id"].astype("str").str.split("/", n=1)
    works = plan.works.assign(line_id=names.str[0], tower_id=names.str[1])
    columns = ["line_id", "tower_id", "year", "option", "cost", "benefit_per_year", "must_do"]
    return works[columns].sort_values(["line_id", "year", "tower_id"], ignore_index=True)


def _assumed(plan, constraints, lines):
    """Assumptions of the split, in sentences."""
    limited = [name for name, each in constraints.items() if each.crew_weeks is not None]
    crews = "Crews and money may move between lines; a must-do may be done in any year of the longest plan."
    if limited and len(limited) < len(constraints):
        crews += f" The limit of crews of {', '.join(limited)} is not applied: other lines have none."
    bare = [line.line_id for line in lines if not np.isfinite(line.facts["calibration_factor"])]
    record = f" {', '.join(bare)}: no record, so the model is not calibrated." if bare else ""
    return (
        plan.how,
        f"Benefits are those of each line's model times its calibration by the record.{record}",
        crews,
        "A trip-out counts equally on every line, regardless of its cost there.",
    )
