"""One month against the last: what changed beyond the uncertainties, and what still stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from towerlib.changes import differences, match, months, status
from towerlib.changes.differences import COLUMNS, KINDS
from towerlib.changes.status import coverage, portfolio
from towerlib.months import last_day
from towerlib.readings.trends import history

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike

    from towerlib.assessment import Study
    from towerlib.changes.months import Snapshot


__all__ = ["COLUMNS", "KINDS", "Changes", "against_last", "compare", "coverage", "portfolio", "summary"]


@dataclass(frozen=True)
class Changes:
    """What changed on a line from one month to another.

    Attributes
    ----------
    month, against : str
        ``YYYY-MM``; `against` is blank where there is nothing to compare with.
    source : str
        Where the earlier month comes from: as its report was written, or by the records of today.
    table : pandas.DataFrame
        One row per tower and kind, columns as in `COLUMNS`: kind (of `KINDS`), since ("this month", "before", blank
        where there is no month before), quantity, before, after, unit, uncertainty (one standard deviation of
        their difference), z, what stood in words, dates of the readings, sentence.
    remarks : tuple of str
        What a reader of the table has to know.
    """

    month: str
    against: str
    source: str
    table: pd.DataFrame
    remarks: tuple[str, ...]


def against_last(study: Study, reports: str | PathLike[str] | None = None) -> Changes:
    """A month against the newest earlier one that was reported, else against the same records a month before.

    Parameters
    ----------
    study : Study
    reports : path, optional
        Folder of this line's reports, one folder a month.

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
    """An assessment against an earlier month.

    Parameters
    ----------
    study : Study
    before : Snapshot or None
        None where there is no earlier month: then only what stands is listed.
    remarks : sequence of str
        Told in front of those of the comparison.

    Returns
    -------
    Changes

    Notes
    -----
    A quantity counts as changed from ``jump_z`` = 3 standard uncertainties of both readings on, which 0.27 % of
    unchanged towers with another reading exceed. Lists (overdue, never tested, treatments) are told in full, and
    `since` says what is new on them. A tower that a treatment changed is not told again as improved.
    """
    told = _told(study)
    if before is None:
        pairs = pd.DataFrame(columns=["tower_id", "earlier_id"])
        parts = [*differences.treated(study, told, None, pairs), *_lists(study, None, pairs)]
    else:
        both, pairs = match.beside(months.of(study), before)
        works = differences.treated(study, told, before, pairs)
        parts = [
            *status.towers(pairs, before),
            *status.readings(both, study.records.visits["visit_id"]),
            *_without_treated([*differences.footings(both, told), *_by_currents(both)], works),
            *works,
            *_lists(study, before, pairs),
            status.queues(both, told, works),
        ]
    table = differences.gathered(parts, study.condition["tower_id"])
    against = before.month if before else ""
    table = table.assign(line_id=study.line.id, month=study.month, against=against)
    source = before.source if before else ""
    return Changes(study.month, against, source, table[COLUMNS], (*remarks, *_how(study, before)))


def _told(study):
    """What comparable readings say, as of the month."""
    end, records = last_day(study.month), study.records
    visits = study.grades.visits[study.grades.visits["date"] <= end]
    works = records.works[records.works["date"] <= end]
    line = records.line
    return history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons)


def _by_currents(both):
    """Changes that leg currents and the crew's eyes tell."""
    return [*differences.leg_shares(both), *differences.gaps(both), *differences.seen(both)]


def _lists(study, before, pairs):
    """Towers overdue and never tested."""
    return [status.overdue(study, before, pairs), status.never_tested(study, before, pairs)]


def _without_treated(parts, works):
    """Footings that improved, less those of a treatment that is told as such this month."""
    told = {tower for part in works for tower in part["tower_id"][part["since"] == differences.NEWS]}
    return [
        part[
            ~(
                part["tower_id"].isin(told)
                & (part["kind"] == "improved")
                & (part["quantity"] == "footing impedance")
            )
        ]
        for part in parts
    ]


def _how(study, before):
    """What the month was compared with, in a sentence."""
    if before is None:
        return (
            f"No visit is older than {study.month} and no earlier report stands: this is the first month, and only "
            "what stands is listed.",
        )
    if before.source == months.FROZEN:
        return (f"Compared with {before.month} as its report was written.",)
    return (
        f"No earlier report stands: compared with {before.month} by the records, settings and plan of today, which cannot "
        "show a tower that is new, gone or renamed, or a reading that arrived late.",
    )


def summary(changes: Changes) -> pd.DataFrame:
    """How many towers of each kind, in numbers and words.

    Parameters
    ----------
    changes : Changes

    Returns
    -------
    pandas.DataFrame
        One row per kind of `KINDS`, in their order, those without a tower too: kind, count, new_count (this month),
        words.
    """
    table = changes.table
    count = table["kind"].value_counts().reindex(list(KINDS), fill_value=0)
    news = table["kind"][table["since"] == differences.NEWS].value_counts().reindex(list(KINDS), fill_value=0)
    words = [
        _words(kind, int(number), int(new), bool(changes.against))
        for kind, number, new in zip(KINDS, count, news, strict=True)
    ]
    return pd.DataFrame(
        {"kind": list(KINDS), "count": count.to_numpy(), "new_count": news.to_numpy(), "words": words}
    )


def _words(kind, count, new, compared):
    """One kind in words: how many, how many of them are news, and what it means."""
    if not count:
        return f"No tower: {kind} ({KINDS[kind]})."
    towers = f"{count} tower{'s' * (count > 1)}"
    lately = f", {new or 'none'} of them new this month" if compared and new < count else ""
    return f"{towers}: {kind}{lately} ({KINDS[kind]})."
