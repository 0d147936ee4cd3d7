"""Tables of a line's report that a portfolio needs, and the ranking of the lines."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from towerlib import safe_files
from towerlib.changes import coverage, months
from towerlib.errors import RecordsError
from towerlib.months import MONTH
from towerlib.plan.priority import SHIELD_WIRE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike

    from towerlib.assessment import Study


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
    """Tables of a line's report for a month, as written by the run.

    `folder` is the name of the line's folder in the reports; `facts` has names, settings of the plan and sums;
    `options` are those of the line's plan, `works` its selected ones.
    """

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
    bonds = towers["suspected_cause"].isin(SHIELD_WIRE) | towers["bond_seen"].isin(["damaged", "missing"])
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
