"""Changes of a line from one month to the next: beyond the uncertainty, and still open."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, cast

import pandas as pd

from towerlib.changes import differences, match, months, status
from towerlib.changes.differences import COLUMNS, KINDS
from towerlib.changes.status import coverage, portfolio
from towerlib.months import last_day
from towerlib.readings.trends import history
from towerlib.text import counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike

    from towerlib.assessment import Study
    from towerlib.changes.months import Snapshot


__all__ = ["COLUMNS", "KINDS", "Changes", "against_last", "compare", "coverage", "portfolio", "summary"]


SHOWN = 8  # rows of the table that a comparison prints


@dataclass(frozen=True, repr=False)
class Changes:
    """What changed on a line from one month to another.

    Attributes
    ----------
    month, against : str
        ``YYYY-MM``; `against` is blank without an earlier month.
    source : str
        Source of the earlier month: its report as written, or the present records.
    table : pandas.DataFrame
        One row per tower and kind, columns as in `COLUMNS`: kind (of `KINDS`), since ("this month", "before", blank
        without an earlier month), quantity, before, after, unit, uncertainty (one standard deviation of
        their difference), z, states in words, dates of the readings, sentence.
    remarks : tuple of str
        Remarks on the comparison.
    """

    month: str
    against: str
    source: str
    table: pd.DataFrame
    remarks: tuple[str, ...]

    @property
    def heading(self) -> str:
        """The two months, and the number of entries and of towers."""
        since = f" since {self.against}" if self.against else ", without an earlier month"
        source = f" ({self.source})" if self.source else ""
        count, towers = len(self.table), self.table["tower_id"].nunique()
        new = int((self.table["since"] == differences.NEWS).sum())
        lately = f", {new} of them new in {self.month}" if self.against else ""
        return (
            f"Changes in {self.month}{since}{source}: {counted(count, 'entry', 'entries')} at "
            f"{counted(towers, 'tower')}{lately}"
        )

    @property
    def _first(self) -> pd.DataFrame:
        """The first rows, with the columns that say what changed where."""
        return self.table[["tower_id", "kind", "since", "sentence"]].head(SHOWN)

    @property
    def _rest(self) -> str:
        """How many rows there are beyond the first, and where."""
        left = len(self.table) - SHOWN
        return f"… and {left} more in .table" if left > 0 else ""

    def __repr__(self) -> str:
        """Heading and first rows."""
        rows = self._first.to_string(index=False) if len(self.table) else ""
        return "\n".join(part for part in (self.heading, rows, self._rest, *self.remarks) if part)

    def _repr_html_(self) -> str:
        """Heading and first rows as a table."""
        with pd.option_context("display.max_colwidth", None):
            rows = self._first.to_html(index=False, border=0) if len(self.table) else ""
        below = [part for part in (self._rest, *self.remarks) if part]
        return f"<p>{escape(self.heading)}</p>{rows}" + "".join(f"<p>{escape(part)}</p>" for part in below)


def against_last(study: Study, reports: str | PathLike[str] | None = None) -> Changes:
    """Changes against the newest earlier report, else against the same records a month earlier.

    Parameters
    ----------
    study : Study
    reports : path, optional
        Folder of this line's reports, one folder per month.

    Returns
    -------
    Changes
    """
    before, remarks = None, ()
    if reports is not None:
        before, remarks = months.newest_before(reports, study.line.id, study.month)
    before = before or months.repeated(study)
    return compare(study, before, remarks)


def compare(study: Study, before: Snapshot | None, remarks: Sequence[str] = ()) -> Changes:
    """Changes of an assessment against an earlier month.

    Parameters
    ----------
    study : Study
    before : Snapshot or None
        None without an earlier month; only open items are then listed.
    remarks : sequence of str
        Placed before those of the comparison.

    Returns
    -------
    Changes

    Notes
    -----
    A quantity counts as changed from ``jump_z`` = 3 standard uncertainties of both readings, which 0.27 % of
    unchanged towers with another reading exceed. Lists (overdue, never tested, treatments) are complete, and `since`
    marks new entries. A tower that improved by a treatment is listed once.
    """
    trend = _trend(study)
    if before is None:
        pairs = pd.DataFrame(columns=["tower_id", "earlier_id"])
        parts = [*differences.treated(study, trend, None, pairs), *_lists(study, None, pairs)]
    else:
        both, pairs = match.beside(months.of(study), before)
        works = differences.treated(study, trend, before, pairs)
        parts = [
            *status.towers(pairs, before),
            *status.readings(both, study.records.visits["visit_id"]),
            *_without_treated([*differences.footings(both, trend), *_by_currents(both)], works),
            *works,
            *_lists(study, before, pairs),
            status.queues(both, trend, works),
        ]
    table = differences.gathered(parts, study.condition["tower_id"])
    against = before.month if before else ""
    table = table.assign(line_id=study.line.id, month=study.month, against=against)
    source = before.source if before else ""
    listed = cast("pd.DataFrame", table[COLUMNS])
    return Changes(study.month, against, source, listed, (*remarks, *_how(study, before)))


def _trend(study):
    """Comparable readings of each tower, as of the month."""
    end, records = last_day(study.month), study.records
    visits = study.grades.visits[study.grades.visits["date"] <= end]
    works = records.works[records.works["date"] <= end]
    line = records.line
    return history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons)


def _by_currents(both):
    """Changes of leg currents and inspection findings."""
    return [*differences.leg_shares(both), *differences.gaps(both), *differences.seen(both)]


def _lists(study, before, pairs):
    """Towers overdue and never tested."""
    return [status.overdue(study, before, pairs), status.never_tested(study, before, pairs)]


def _without_treated(parts, works):
    """Rows without the improved footings that are listed as treatments this month."""
    treated = {tower for part in works for tower in part["tower_id"][part["since"] == differences.NEWS]}
    return [
        part[
            ~(
                part["tower_id"].isin(treated)
                & (part["kind"] == "improved")
                & (part["quantity"] == "footing impedance")
            )
        ]
        for part in parts
    ]


def _how(study, before):
    """Basis of the comparison, in one sentence."""
    if before is None:
        return (
            f"No earlier report and no visit before {study.month} is available. This is the first month: only open items "
            "are listed.",
        )
    if before.source == months.FROZEN:
        return (f"Compared with the report of {before.month}, as written.",)
    return (
        f"No earlier report is available: compared with {before.month} by the present records, settings and plan. This "
        "cannot show a new, missing or renamed tower, or a reading that arrived late.",
    )


def summary(changes: Changes) -> pd.DataFrame:
    """Number of towers of each kind of change, with a sentence.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    pandas.DataFrame
        One row per kind of `KINDS`, in that order, including kinds without a tower: kind, count, new_count (this
        month), words.
    """
    table = changes.table
    count = table["kind"].value_counts().reindex(list(KINDS), fill_value=0)
    news = (
        table.loc[table["since"] == differences.NEWS, "kind"]
        .value_counts()
        .reindex(list(KINDS), fill_value=0)
    )
    words = [
        _words(kind, int(number), int(new), bool(changes.against))
        for kind, number, new in zip(KINDS, count, news, strict=True)
    ]
    return pd.DataFrame(
        {"kind": list(KINDS), "count": count.to_numpy(), "new_count": news.to_numpy(), "words": words}
    )


def _words(kind, count, new, compared):
    """One kind in words: count, new this month, and meaning."""
    if not count:
        return f"No tower: {kind} ({KINDS[kind]})."
    towers = f"{count} tower{'s' * (count > 1)}"
    lately = f", {new or 'none'} of them new this month" if compared and new < count else ""
    return f"{towers}: {kind}{lately} ({KINDS[kind]})."
