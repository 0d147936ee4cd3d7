"""A month of a line as far as a comparison needs it: of an assessment, or of its records as of a month before."""

from dataclasses import dataclass

import pandas as pd

from towerlib.months import last_day

FROZEN, REPEATED = "as its report was written", "by the records of today"


@dataclass(frozen=True)
class Snapshot:
    """The tables of one month, and where they come from.

    Attributes
    ----------
    month : str
        ``YYYY-MM``.
    condition, priority, currents : pandas.DataFrame
        As in the assessment of that month.
    source : str
        `FROZEN` or `REPEATED`.
    """

    month: str
    condition: pd.DataFrame
    priority: pd.DataFrame
    currents: pd.DataFrame
    source: str = REPEATED

    @property
    def end(self):
        """Last day of the month."""
        return last_day(self.month)


def of(study):
    """The snapshot of an assessment.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    Snapshot
    """
    return Snapshot(study.month, study.condition, study.priority, study.currents)


def month_before(month):
    """The month before one.

    Parameters
    ----------
    month : str
        ``YYYY-MM``.

    Returns
    -------
    str

    Examples
    --------
    >>> month_before("2026-01")
    '2025-12'
    """
    return str(pd.Period(month, freq="M") - 1)


def repeated(study):
    """The same records as of the month before; None where no visit is that old.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    Snapshot or None

    Notes
    -----
    Towers, settings and plan are those of today, so nothing can be new, gone or renamed. Where the month brought
    neither visit nor treatment, its tables are those of the month before.
    """
    month = month_before(study.month)
    end = last_day(month)
    if not (study.grades.visits["date"] <= end).any():
        return None
    if not any(_within(table["date"], end, study) for table in (study.grades.visits, study.records.works)):
        return Snapshot(month, study.condition, study.priority, study.currents)
    return Snapshot(month, *_assessed(study, month), study.currents)


def _within(dates, end, study):
    """Whether a date lies between the month before and the end of the month."""
    return ((dates > end) & (dates <= last_day(study.month))).any()


def _assessed(study, month):
    """Condition and priority list as of a month, from what has been read and graded already."""
    from towerlib import condition, network, plan

    facts = study.records, study.grades, study.currents, study.route
    alone = condition.assess(*facts, month)
    tied = network.assess(study.records, study.route, alone, study.currents, study.grades, month)
    towers = network.join(alone, tied)
    planned = study.priority.set_index("tower_id")["package"]
    towers = towers.assign(package=towers["tower_id"].map(planned).astype("str"))
    return towers, plan.priority_list(towers, study.line)
