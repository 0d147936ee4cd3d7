"""All lines of a month, from what their reports keep: who leads, how far tests reach, where one budget goes."""

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
    month : str
        ``YYYY-MM``.
    lines : pandas.DataFrame
        One row per line, from `towerlib.portfolio.ranking.lines_table`.
    totals : dict
        Sums over the lines, from `towerlib.portfolio.ranking.totals`.
    coverage : pandas.DataFrame
        Coverage and backlog of all lines together, month by month, from `towerlib.changes.portfolio`.
    split : Split
        One budget over the lines.
    missing : dict of str to str
        Folders of lines without a whole report for the month, and why.
    months : dict of str to list of str
        Months of every line's folder that have a report.
    """

    month: str
    lines: pd.DataFrame
    totals: dict
    coverage: pd.DataFrame
    split: Split
    missing: dict
    months: dict


def gather(reports: str | PathLike[str], month: str = "", budget: float | None = None) -> Portfolio:
    """The portfolio of a reports folder: nothing is assessed again.

    Parameters
    ----------
    reports : path
        Holds ``<line>/<YYYY-MM>/`` as ``towerlib run`` writes them.
    month : str
        ``YYYY-MM``; blank takes the newest that any line has.
    budget : float, optional
        Money to split over the lines; else the sum of their budgets.

    Returns
    -------
    Portfolio

    Raises
    ------
    RecordsError
        No line has a report, or none a whole one for the month.
    SettingsError
        The month is none, or the budget negative.
    """
    if month:
        last_day(month)
    months = months_of(reports)
    if not months:
        raise RecordsError(f"{reports} holds no report of a line: run `towerlib run` first")
    month = month or max(last[-1] for last in months.values())
    lines, missing = read_all(reports, month)
    if not lines:
        folder, why = next(iter(missing.items()))
        raise RecordsError(f"no line in {reports} has a whole report for {month}; {folder}: {why}")
    return together(lines, month, budget, missing=missing, months=months)


def together(
    lines: Sequence[LineMonth],
    month: str,
    budget: float | None = None,
    *,
    missing: dict[str, str] | None = None,
    months: dict[str, list[str]] | None = None,
) -> Portfolio:
    """The portfolio of some lines.

    Parameters
    ----------
    lines : sequence of LineMonth
        One at least, all of one month.
    month : str
        ``YYYY-MM``.
    budget : float, optional
        As for `gather`.
    missing, months : dict, optional
        What `Portfolio` says of lines that are not among them.

    Returns
    -------
    Portfolio
    """
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
