"""All lines of a month, read from their reports: ranking, test coverage and one shared budget."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from towerlib import changes
from towerlib.errors import RecordsError
from towerlib.months import last_day
from towerlib.portfolio.one_budget import Split, split
from towerlib.portfolio.ranking import LineMonth, lines_table, months_of, of, read, read_all, tables, totals

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike


__all__ = [
    "LineMonth",
    "Portfolio",
    "Split",
    "gather",
    "months_of",
    "of",
    "read",
    "read_all",
    "split",
    "tables",
    "together",
]


@dataclass(frozen=True)
class Portfolio:
    """All lines of a month.

    Attributes
    ----------
    month
        ``YYYY-MM``.
    lines
        One row per line, from `towerlib.portfolio.ranking.lines_table`.
    totals
        Sums over the lines, from `towerlib.portfolio.ranking.totals`.
    coverage
        Coverage and backlog of all lines together, month by month, from `towerlib.changes.portfolio`.
    split
        One budget over the lines.
    missing
        Folders of lines without a complete report for the month, and the reason.
    months
        Months with a report, by folder of the line.
    """

    month: str
    lines: pd.DataFrame
    totals: dict[str, float]
    coverage: pd.DataFrame
    split: Split
    missing: dict[str, str]
    months: dict[str, list[str]]


def gather(reports: str | PathLike[str], month: str = "", budget: float | None = None) -> Portfolio:
    """Portfolio of a reports folder, without a new assessment.

    Parameters
    ----------
    reports
        Contains ``<line>/<YYYY-MM>/`` as written by ``towerlib run``.
    month
        ``YYYY-MM``; blank takes the newest month of any line.
    budget
        Budget to split over the lines; default: the sum of their budgets.

    Raises
    ------
    RecordsError
        No line has a complete report for the month.
    SettingsError
        The month is not valid, or the budget is negative.
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
