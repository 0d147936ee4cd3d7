"""All lines of a month, read from their reports: ranking, test coverage and one shared budget."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import changes, safe_files
from towerlib.changes import coverage, months
from towerlib.errors import RecordsError, SettingsError
from towerlib.months import MONTH, last_day
from towerlib.plan.budget import constraints_of
from towerlib.plan.optimise import optimise, quality
from towerlib.plan.outcome import Plan, broken_rules, plan_of
from towerlib.plan.priority import bonds_to_inspect
from towerlib.plan.problem import phrases, pose, with_total

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike

    from towerlib.assessment import Study


@dataclass(frozen=True)
class Portfolio:
    """All lines of a month ``YYYY-MM``."""

    month: str
    lines: pd.DataFrame  # one row per line, from `lines_table`
    totals: dict[str, float]  # sums over the lines, from `totals`
    # coverage and backlog of all lines together, month by month, from `towerlib.changes.portfolio`
    coverage: pd.DataFrame
    split: Split  # one budget over the lines
    missing: dict[str, str]  # folders of lines without a complete report for the month, and the reason
    months: dict[str, list[str]]  # months with a report, by folder of the line


def gather(reports: str | PathLike[str], month: str = "", budget: float | None = None) -> Portfolio:
    """Portfolio of a reports folder as written by ``towerlib run``, without a new assessment.

    `month` is ``YYYY-MM``, blank for the newest of any line; `budget` is split over the lines, by default the sum of
    theirs. `RecordsError` where no line has a complete report for the month; `SettingsError` where the month or the
    budget is wrong.
    """
    if month:
        last_day(month)
    months = months_of(reports)
    if not months:
        raise RecordsError(f"{reports} contains no report of a line: run `towerlib run` first")
    month = month or max(last[-1] for last in months.values())
    lines, missing = read_all(reports, month)
    if not lines:
        folder, why = next(iter(missing.items()))
        raise RecordsError(f"no line in {reports} has a complete report for {month}; {folder}: {why}")
    return together(lines, month, budget, missing=missing, months=months)


def together(
    lines: Sequence[LineMonth],
    month: str,
    budget: float | None = None,
    *,
    missing: dict[str, str] | None = None,
    months: dict[str, list[str]] | None = None,
) -> Portfolio:
    """Portfolio of at least one given line, all of one month; `missing` and `months` as in `Portfolio`."""
    table = lines_table(lines)
    return Portfolio(
        month=month,
        lines=table,
        totals=totals(table),
        coverage=changes.portfolio([line.coverage for line in lines]),
        split=split(lines, budget),
        missing=missing or {},
        months=months or {},
    )


SETTINGS = """
    budget currency cost_per_trip_out years horizon_years discount_rate crew_weeks_per_year
""".split()
SUMS = """
    length_km whole_line_per_year whole_line_low whole_line_high model_factor avoided_to_target_per_year avoided_low
    avoided_high observed_trip_outs observed_years observed_per_year observed_low observed_high calibration_factor
    calibrated_per_year calibrated_low calibrated_high
""".split()
TEXTS = ("line_id", "title", "month", "currency")
KEPT = {  # table, and the columns needed
    "line": ["line_id", "title", "month", *SETTINGS, *SUMS],
    "coverage": ["month", "towers", "tested", "usable", "overdue", "never_tested", "above_limit"],
    "mobilisation": ["access_group", "price"],
    "plan-options": """
        tower_id option benefit_per_year access_group must_do life_years cost crew_weeks
        avoided_low avoided_high
    """.split(),
    "plan": ["year", "package", "tower_id", "option"],
    "condition": """
        tower_id footing_ohm impedance_class safety_screen leads_missing bond_seen suspected_cause
    """.split(),
    "priority": ["tower_id", "queue"],
}
ADD_UP = """
    length_km towers above_limit unread never_tested overdue trip_outs_per_year observed_trip_outs
    observed_per_year avoidable_per_year avoidable_low avoidable_high money_per_year money_low money_high
    safety_queue touch_above touch_cannot_tell leads_missing bonds_to_inspect
""".split()


@dataclass(frozen=True)
class LineMonth:
    """Tables of a line's report for a month, as written by the run; `folder` is that of the line in the reports."""

    folder: str
    facts: dict[str, Any]
    coverage: pd.DataFrame
    mobilisation: pd.DataFrame
    options: pd.DataFrame
    works: pd.DataFrame
    condition: pd.DataFrame
    priority: pd.DataFrame

    @property
    def line_id(self) -> str:
        """Id of the line."""
        return self.facts["line_id"]


def tables(study: Study) -> dict[str, pd.DataFrame]:
    """Tables of a line's month for the portfolio, in addition to those of the report.

    line (one row: names, settings of the plan, sums of the trip-outs with their intervals), coverage (one row per
    month), mobilisation (one row per access group), plan-options (options of the plan).
    """
    return {
        "line": facts(study),
        "coverage": coverage(study),
        "mobilisation": study.treatments.mobilisation,
        "plan-options": study.budget.options,
    }


def facts(study: Study) -> pd.DataFrame:
    """Names, settings and sums of a line in one row; unknown figures are NaN."""
    settings = {name: getattr(study.line.plan, name) for name in SETTINGS}
    sums = {name: study.outages.line.get(name) for name in SUMS}
    names = {"line_id": study.line.id, "title": study.line.title, "month": study.month}
    row = pd.DataFrame([names | settings | sums])
    return row.astype({name: "str" if name in TEXTS else "float64" for name in row})


def of(study: Study) -> LineMonth:
    """Tables of an assessment, without a written report."""
    kept = tables(study) | {
        "plan": study.budget.works,
        "condition": study.condition,
        "priority": study.priority,
    }
    return _line_month(study.line.id, kept)


def _line_month(folder, kept):
    """`LineMonth` from the tables by name."""
    return LineMonth(
        folder=folder,
        facts=kept["line"].iloc[0].to_dict(),
        coverage=kept["coverage"],
        mobilisation=kept["mobilisation"],
        options=kept["plan-options"],
        works=kept["plan"],
        condition=kept["condition"],
        priority=kept["priority"],
    )


def read_all(reports: str | PathLike[str], month: str) -> tuple[list[LineMonth], dict[str, str]]:
    """Lines with a complete report for a month ``YYYY-MM``, and the reason for each other one."""
    lines, missing = [], {}
    for folder, written in months_of(reports).items():
        if month not in written:
            missing[folder] = f"no report for {month}; the newest is {written[-1]}"
            continue
        try:
            line = read(Path(reports) / folder / month)
        except (OSError, ValueError) as flaw:
            missing[folder] = f"the report for {month} is not complete: {flaw}"
            continue
        if line.line_id in {other.line_id for other in lines}:
            missing[folder] = (
                f"its report for {month} belongs to the line {line.line_id}, which has another folder"
            )
            continue
        lines.append(line)
    return lines, missing


def months_of(reports: str | PathLike[str]) -> dict[str, list[str]]:
    """Months ``YYYY-MM``, oldest first, of each line with a report, in alphabetical order.

    The folder has one folder per line, and in it one per month. `RecordsError` where it does not exist.
    """
    reports = Path(reports)
    if not reports.is_dir():
        raise RecordsError(
            f"{reports} is not a folder; name the folder that contains the reports of the lines"
        )
    lines = [path for path in sorted(reports.iterdir()) if path.is_dir() and not path.name.startswith(".")]
    for path in lines:
        safe_files.restore(path)
    found = {
        path.name: sorted(
            inner.name for inner in path.iterdir() if inner.is_dir() and MONTH.fullmatch(inner.name)
        )
        for path in lines
        if not MONTH.fullmatch(path.name)  # the portfolio's own
    }
    return {name: months for name, months in found.items() if months}


def read(folder: str | PathLike[str]) -> LineMonth:
    """One report folder ``…/<line>/YYYY-MM`` with ``run.json`` and ``tables``; ValueError or OSError where it is damaged."""
    folder = Path(folder)
    manifest = months.report_manifest(folder)
    found = {name: months.table(folder, name, manifest["files"], KEPT[name]) for name in KEPT}
    if len(found["line"]) != 1:
        raise ValueError(f"tables/line.parquet has {len(found['line'])} rows, not one")
    facts = found["line"].iloc[0].to_dict()
    if (facts["line_id"], facts["month"]) != (manifest.get("line_id"), folder.name):
        raise ValueError(f"it belongs to the line {facts['line_id']} and the month {facts['month']}")
    _check_works(found["plan"], found["plan-options"])
    return _line_month(folder.parent.name, found)


def _check_works(works, options):
    """Check that every work of the plan is one of its options."""
    known = set(zip(options["tower_id"], options["option"], strict=True))
    chosen = zip(works["tower_id"], works["option"], strict=True)
    if lost := [f"{option} of tower {tower}" for tower, option in chosen if (tower, option) not in known]:
        raise ValueError(f"its plan has {lost[0]}, which is not one of its options")


def lines_table(lines: Sequence[LineMonth]) -> pd.DataFrame:
    """Comparison of the lines of a portfolio, one row per line, the one with most avoidable trip-outs first.

    line_id, title, folder; length_km; counts of towers, above_limit, unread (no usable reading of the footing alone),
    never_tested, overdue; trip_outs_per_year with trip_outs_low and trip_outs_high and `basis` ("calibrated", 95 %
    interval, or "model", 80 % interval); observed_trip_outs, observed_years, observed_per_year; avoidable_per_year with
    its 80 % interval; money_per_year with its interval, currency; rank_trip_outs, rank_money (blank where not known);
    safety_queue, touch_above, touch_cannot_tell, leads_missing, bonds_to_inspect.

    Avoidable trip-outs are those avoided by the model of the line with every footing at its target, weighted towards
    the record by the calibration factor where there is one: models of different lines are comparable only through their
    records. The interval is that of the model alone. Money is avoidable trip-outs times the cost of a trip-out on that
    line; lines of different currencies have no rank.
    """
    rows = [_row(line) for line in lines]
    table = pd.DataFrame(rows)
    money = table["money_per_year"] * (1.0 if _one_currency(table) else np.nan)
    table = table.assign(rank_trip_outs=_ranks(table["avoidable_per_year"]), rank_money=_ranks(money))
    return table.sort_values(["rank_trip_outs", "line_id"], ignore_index=True)


def _row(line):
    """One line."""
    facts = line.facts
    by = "calibrated" if np.isfinite(facts["calibrated_per_year"]) else "whole_line"
    avoidable = {
        f"avoidable_{end}": factor(facts) * facts[name]
        for end, name in zip(
            ("per_year", "low", "high"),
            ("avoided_to_target_per_year", "avoided_low", "avoided_high"),
            strict=True,
        )
    }
    money = {
        f"money_{end}": avoidable[f"avoidable_{end}"] * facts["cost_per_trip_out"]
        for end in ("per_year", "low", "high")
    }
    return {
        "line_id": line.line_id,
        "title": facts["title"],
        "folder": line.folder,
        "length_km": facts["length_km"],
        **_counts(line),
        "trip_outs_per_year": facts[f"{by}_per_year"],
        "trip_outs_low": facts[f"{by}_low"],
        "trip_outs_high": facts[f"{by}_high"],
        "basis": "calibrated" if by == "calibrated" else "model",
        "observed_trip_outs": facts["observed_trip_outs"],
        "observed_years": facts["observed_years"],
        "observed_per_year": facts["observed_per_year"],
        **avoidable,
        **money,
        "currency": facts["currency"],
        **_safety(line),
    }


def factor(facts: dict[str, Any]) -> float:
    """Calibration factor of a line's model; 1 without a record."""
    known = facts["calibration_factor"]
    return known if np.isfinite(known) else 1.0


def _counts(line):
    """Counts of towers and of the test backlog."""
    towers, last = line.condition, line.coverage.iloc[-1]
    return {
        "towers": len(towers),
        "above_limit": int((towers["impedance_class"] == "above limit").sum()),
        "unread": int(towers["footing_ohm"].isna().sum()),
        "never_tested": int(last["never_tested"]),
        "overdue": int(last["overdue"]),
    }


def _safety(line):
    """Counts of safety items, which are not traded against cost."""
    towers = line.condition
    bonds = bonds_to_inspect(towers)
    return {
        "safety_queue": int((line.priority["queue"] == "safety").sum()),
        "touch_above": int((towers["safety_screen"] == "above").sum()),
        "touch_cannot_tell": int((towers["safety_screen"] == "cannot tell").sum()),
        "leads_missing": int((towers["leads_missing"] > 0).fillna(False).sum()),
        "bonds_to_inspect": int(bonds.sum()),
    }


def _one_currency(table):
    """Whether all lines have one currency."""
    return len(set(table["currency"])) == 1


def _ranks(amounts):
    """Rank, 1 for the largest; blank where unknown."""
    return amounts.rank(ascending=False, method="min").astype("Int64")


def totals(table: pd.DataFrame) -> dict[str, float]:
    """Columns of `ADD_UP` summed over the lines with a value; money NaN where currencies differ.

    Intervals are sums of their ends, as for fully correlated errors.
    """
    sums: dict[str, Any] = {name: table[name].sum(min_count=1) for name in ADD_UP}
    if not _one_currency(table):
        sums |= dict.fromkeys(("money_per_year", "money_low", "money_high"), np.nan)
    return sums


TABLE = """
    line_id own_budget own_spent own_towers own_benefit own_per_year own_low own_high own_money_per_year
    spent towers benefit avoided_per_year avoided_low avoided_high money_per_year
""".split()


@dataclass(frozen=True)
class Split:
    """Split of one budget over lines.

    `table` has the columns `TABLE`, one row per line in the split: the line's own plan and its part of the split. benefit
    is trip-outs avoided over the horizon, discounted; avoided_per_year applies once all works are done, with its 80 %
    interval (fully correlated errors); money_per_year is their cost. The own figures are NaN where the line's part of the
    money is less than its must-dos cost.
    """

    total: float  # budget of all years; NaN without a split
    currency: str
    table: pd.DataFrame
    works: pd.DataFrame  # one row per work: line_id, tower_id, year, option, cost, benefit_per_year, must_do
    plan: Plan | None  # over all lines, towers and access groups written ``line/tower`` and ``line/group``
    off: tuple[str, ...]  # what is not available, with the reason
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
    together = pd.concat(
        [works for works in own.values() if works is not None]
        or [pd.DataFrame({"tower_id": [], "option": [], "year": []})]
    )
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
    """Lines that can share a budget (without a `total`, those with one of their own), and a remark on each other one.

    Currency, horizon and discount rate must be equal, otherwise neither money nor benefit can be added. The most
    frequent combination is used; of equally frequent ones the first in the alphabet.
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
    if "obligation" in options:
        must &= options["obligation"].isna()  # an inspection or repair without a price costs nothing
    lost = set(options.loc[must, "tower_id"]) - set(options.loc[must & priced, "tower_id"])
    options = options[~options["tower_id"].isin(lost)]
    own = "tower " + options["tower_id"].astype("str")  # a tower without an access group forms its own
    groups = options["access_group"].astype("str").where(options["access_group"].notna(), own)
    scaled = ["benefit_per_year", "avoided_low", "avoided_high"]
    options = options.assign(tower_id=mark + options["tower_id"].astype("str"), access_group=mark + groups)
    for name in ("decides", "conditional_on"):
        if name in options:  # each condition gets the name of its line
            options[name] = ["; ".join(mark + part for part in phrases(text)) for text in options[name]]
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
        "towers": works["tower_id"].nunique(),
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
