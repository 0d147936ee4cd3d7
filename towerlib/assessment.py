"""The order of the calls from a line folder to its priority list, and nothing more."""

from dataclasses import dataclass, fields, replace
from functools import lru_cache
from pathlib import Path

import pandas as pd

from towerlib import clock, inputs, months
from towerlib.network import Network
from towerlib.outages import Outages
from towerlib.plan import Budget
from towerlib.readings.quality import Grades
from towerlib.records.load import Records
from towerlib.route import Route
from towerlib.treatments import Treatments


@dataclass(frozen=True)
class Assessment:
    """Everything that is known of a line as of a month."""

    month: str
    records: Records
    route: Route
    grades: Grades
    currents: pd.DataFrame
    condition: pd.DataFrame
    priority: pd.DataFrame
    retest: pd.DataFrame
    network: Network
    outages: Outages
    treatments: Treatments
    budget: Budget

    @property
    def line(self):
        """The settings of the line."""
        return self.records.line


def assess(records_folder, line, month=""):
    """A line as of a month, from its folder to its priority list.

    Parameters
    ----------
    records_folder : path
        Folder that holds the line folder.
    line : str
        Name of the line folder.
    month : str, optional
        ``YYYY-MM``; blank takes the month of the newest visit. Rows of days after today, or after the end of a
        later month that is stated, are rejected.

    Returns
    -------
    Assessment
        Asked for again while no file of the line has changed, it comes from memory.

    Raises
    ------
    RecordsError, SettingsError
        In one sentence: what is wrong, where, and how to mend it.
    """
    folder = (Path(records_folder) / line).resolve()
    kept = _assess(folder, month, clock.latest(month), _stamps(folder))
    # what one caller does to a table must not reach the next
    tables = {each.name: getattr(kept, each.name) for each in fields(kept)}
    own = {name: table.copy() for name, table in tables.items() if isinstance(table, pd.DataFrame)}
    return replace(kept, **own)


def _stamps(folder):
    """What tells that a file of the line has changed."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return tuple((str(path), inputs.stamp(path)) for path in files)


@lru_cache(maxsize=4)
def _assess(folder, month, latest, stamps):
    """The order of the calls."""
    from towerlib import condition, network, outages, plan, retest, treatments
    from towerlib.readings import legs

    records, laid, grades = read(folder, latest)
    month = month or months.newest(records.visits["date"])
    currents = legs.summarise(records.visits, records.legs, records.towers, _coils(records.line))
    towers = condition.assess(records, grades, currents, laid, month)
    tied = network.assess(records, laid, towers, currents, grades, month)
    towers = network.join(towers, tied)
    trips = outages.assess(records, laid, towers, month)
    towers = outages.join(towers, trips)
    could = treatments.assess(records, laid, towers, tied, trips, month, visits=grades.visits)
    budget = plan.draw_up(could, towers, records.line)
    towers = plan.join(towers, budget)
    again = retest.retest_list(towers, grades, records.line, month)
    priority = plan.priority_list(towers, records.line)
    return Assessment(
        month, records, laid, grades, currents, towers, priority, again, tied, trips, could, budget
    )


def read(folder, latest=None):
    """The records of a line, its route, and the verdict on every visit.

    Parameters
    ----------
    folder : path
        Line folder.
    latest : pandas.Timestamp, optional
        Last day that a record can be of; today when missing.

    Returns
    -------
    (Records, Route, Grades)

    Raises
    ------
    RecordsError, SettingsError
        As for `assess`.
    """
    from towerlib import route
    from towerlib.readings import quality
    from towerlib.records import load

    records = load.load(folder, latest)
    laid = route.lay(records.towers, records.line)
    return records, laid, quality.grade(records, laid, records.line.quality)


def _coils(line):
    """The coils of the line's settings, as the formulas take them."""
    from towerlib.physics.gaps import CoilSpec

    return CoilSpec(**line.coils.model_dump())
