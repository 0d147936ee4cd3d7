"""The order of the calls from a line folder to its priority list, and nothing more."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from towerlib import months
from towerlib.readings.quality import Grades
from towerlib.records.load import Records
from towerlib.route import Route


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
        ``YYYY-MM``; blank takes the month of the newest visit.

    Returns
    -------
    Assessment

    Raises
    ------
    RecordsError, SettingsError
        In one sentence: what is wrong, where, and how to mend it.
    """
    from towerlib import condition, plan, retest
    from towerlib.readings import legs

    records, laid, grades = read(Path(records_folder) / line)
    month = month or months.newest(records.visits["date"])
    currents = legs.summarise(records.visits, records.legs, records.towers, _coils(records.line))
    towers = condition.assess(records, grades, currents, laid, month)
    again = retest.retest_list(towers, grades, records.line, month)
    priority = plan.priority_list(towers, records.line)
    return Assessment(month, records, laid, grades, currents, towers, priority, again)


def read(folder):
    """The records of a line, its route, and the verdict on every visit.

    Parameters
    ----------
    folder : path
        Line folder.

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

    records = load.load(folder)
    laid = route.lay(records.towers, records.line)
    return records, laid, quality.grade(records, laid, records.line.quality)


def _coils(line):
    """The coils of the line's settings, as the formulas take them."""
    from towerlib.physics.gaps import CoilSpec

    return CoilSpec(**line.coils.model_dump())
