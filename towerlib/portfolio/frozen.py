"""The reports of the lines of a portfolio: what was written for a month, read whole or named and left out."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from towerlib import atomic
from towerlib.changes import kept
from towerlib.errors import RecordsError
from towerlib.months import MONTH
from towerlib.portfolio.keep import SETTINGS, SUMS, tables

KEPT = {  # attribute of `LineMonth`, and the columns that it needs
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


@dataclass(frozen=True)
class LineMonth:
    """What the report of a line says for a month.

    Attributes
    ----------
    folder : str
        Name of the line's folder in the reports.
    facts : dict
        Names, settings of the plan and sums, as `towerlib.portfolio.keep.facts` gives them.
    coverage, mobilisation, options, works, condition, priority : pandas.DataFrame
        As the run wrote them; `options` are what the line's plan chose from, `works` what it chose.
    """

    folder: str
    facts: dict
    coverage: pd.DataFrame
    mobilisation: pd.DataFrame
    options: pd.DataFrame
    works: pd.DataFrame
    condition: pd.DataFrame
    priority: pd.DataFrame

    @property
    def line_id(self):
        """Id of the line."""
        return self.facts["line_id"]


def of(study):
    """What the report of an assessment will say, without one.

    Parameters
    ----------
    study : Assessment

    Returns
    -------
    LineMonth
    """
    kept = tables(study) | {
        "plan": study.budget.works,
        "condition": study.condition,
        "priority": study.priority,
    }
    return _line_month(study.line.id, kept)


def _line_month(folder, kept):
    """The tables under their names."""
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


def months_of(reports):
    """The lines of a reports folder and their months.

    Parameters
    ----------
    reports : path
        Folder with one folder a line, in it one folder a month.

    Returns
    -------
    dict of str to list of str
        Folder of each line that has a month, in alphabetical order: ``YYYY-MM``, the oldest first.

    Raises
    ------
    RecordsError
        There is no such folder.
    """
    reports = Path(reports)
    if not reports.is_dir():
        raise RecordsError(f"{reports} is not a folder; name the folder that holds the reports of the lines")
    lines = [path for path in sorted(reports.iterdir()) if path.is_dir() and not path.name.startswith(".")]
    for path in lines:
        atomic.restore(path)
    found = {
        path.name: sorted(
            inner.name for inner in path.iterdir() if inner.is_dir() and MONTH.fullmatch(inner.name)
        )
        for path in lines
        if not MONTH.fullmatch(path.name)  # the portfolio's own
    }
    return {name: months for name, months in found.items() if months}


def read_all(reports, month):
    """What each line's report says for a month.

    Parameters
    ----------
    reports : path
    month : str
        ``YYYY-MM``.

    Returns
    -------
    (list of LineMonth, dict of str to str)
        The lines whose report could be read whole, and why each other one could not.
    """
    lines, missing = [], {}
    for folder, months in months_of(reports).items():
        if month not in months:
            missing[folder] = f"no report for {month}; the newest is {months[-1]}"
            continue
        try:
            line = read(Path(reports) / folder / month)
        except (OSError, ValueError) as flaw:
            missing[folder] = f"the report for {month} is not whole: {flaw}"
            continue
        if line.line_id in {other.line_id for other in lines}:
            missing[folder] = (
                f"its report for {month} is of the line {line.line_id}, which stands in another folder"
            )
            continue
        lines.append(line)
    return lines, missing


def read(folder):
    """One report folder.

    Parameters
    ----------
    folder : path
        ``…/<line>/YYYY-MM`` with ``run.json`` and ``tables``.

    Returns
    -------
    LineMonth

    Raises
    ------
    ValueError, OSError
        The report is damaged, or lacks what a portfolio needs.
    """
    folder = Path(folder)
    manifest = kept.manifest(folder)
    found = {name: kept.table(folder, name, manifest["files"], KEPT[name]) for name in KEPT}
    if len(found["line"]) != 1:
        raise ValueError(f"tables/line.parquet has {len(found['line'])} rows, not one")
    facts = found["line"].iloc[0].to_dict()
    if (facts["line_id"], facts["month"]) != (manifest.get("line_id"), folder.name):
        raise ValueError(f"it is of the line {facts['line_id']} and the month {facts['month']}")
    _check_works(found["plan"], found["plan-options"])
    return _line_month(folder.parent.name, found)


def _check_works(works, options):
    """Every work of the plan was an option."""
    known = set(zip(options["tower_id"], options["option"], strict=True))
    chosen = zip(works["tower_id"], works["option"], strict=True)
    if lost := [f"{option} of tower {tower}" for tower, option in chosen if (tower, option) not in known]:
        raise ValueError(f"its plan has {lost[0]}, which is none of its options")
