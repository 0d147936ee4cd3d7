"""What the workbook holds of an assessment: one sheet a list, and why a list is empty."""

from dataclasses import dataclass

import pandas as pd

from towerlib.plan import packages
from towerlib.publish.cautions import CAUTIONS
from towerlib.publish.workbook_columns import CHANGES, LIST, PACKAGES, RETESTS, dictionary, in_currency

NO_TOWER = "The line has no tower."
NO_RETEST = "No tower has to be tested again: each has a usable reading that is not overdue."
NO_PLAN = "The plan holds no work."
NO_CHANGE = "Nothing changed beyond the uncertainties, nothing is overdue and no tower is untested."
NOT_COMPARED = "The month was not compared with an earlier one."


@dataclass(frozen=True)
class Sheet:
    """One sheet.

    Attributes
    ----------
    name : str
        As in the data dictionary.
    table : pandas.DataFrame
    why_empty : str
        Stands in the sheet where the table has no row.
    fixed : str
        Column up to which the sheet stays in sight and is repeated in print.
    columns : dict of str to dict
        Unit, format and meaning of each column.
    currency : str
    """

    name: str
    table: pd.DataFrame
    why_empty: str
    fixed: str
    columns: dict
    currency: str = ""


def of(study, found=None):
    """The lists of an assessment as sheets.

    Parameters
    ----------
    study : Assessment
    found : Changes, optional
        As `towerlib.changes.against_last` gives it.

    Returns
    -------
    list of Sheet
    """
    currency = study.line.plan.currency
    works = packages.packages(study.budget, study.treatments.mobilisation)
    changed = pd.DataFrame(columns=list(dictionary(CHANGES))) if found is None else found.table
    unchanged = NOT_COMPARED if found is None else " ".join([NO_CHANGE, *found.remarks])
    return [
        priority_sheet(study.priority, currency),
        Sheet(RETESTS, study.retest, NO_RETEST, "tower_id", dictionary(RETESTS)),
        Sheet(
            PACKAGES,
            works,
            " ".join([NO_PLAN, *study.budget.off]),
            "package",
            dictionary(PACKAGES),
            currency,
        ),
        Sheet(CHANGES, changed, unchanged, "tower_id", dictionary(CHANGES)),
    ]


def priority_sheet(priority, currency=""):
    """The priority list as a sheet.

    Parameters
    ----------
    priority : pandas.DataFrame
    currency : str

    Returns
    -------
    Sheet
    """
    return Sheet(LIST, priority, NO_TOWER, "tower_id", dictionary(LIST), currency)


def explained(sheets):
    """The data dictionary: every column of every sheet.

    Parameters
    ----------
    sheets : list of Sheet

    Returns
    -------
    Sheet
    """
    rows = [
        (sheet.name, name, in_currency(about["unit"], sheet.currency), about["meaning"], sheet.table[name])
        for sheet in sheets
        for name in sheet.table.columns
        for about in [sheet.columns[name]]
    ]
    table = pd.DataFrame(
        [
            (*row[:4], int((row[4].notna() & row[4].astype("object").ne("")).sum()), len(row[4]))
            for row in rows
        ],
        columns=["sheet", "column", "unit", "meaning", "filled", "rows"],
    )
    about = {
        "sheet": "Sheet of this workbook",
        "column": "Column of that sheet",
        "unit": "Unit; 1 for counts and ratios, blank for texts",
        "meaning": "What it says",
        "filled": "Rows in which it is not blank; the notes say what is off",
        "rows": "Rows of that sheet",
    }
    return Sheet("data dictionary", table, "No column.", "column", _plain_columns(about, ("filled", "rows")))


def noted(notes):
    """Cautions first, then every other note.

    Parameters
    ----------
    notes : iterable of str

    Returns
    -------
    Sheet
    """
    notes = list(notes)
    cautions = [note for note in notes if note in CAUTIONS]
    rest = [note for note in notes if note not in CAUTIONS]
    table = pd.DataFrame(
        {"kind": ["caution"] * len(cautions) + ["note"] * len(rest), "note": cautions + rest}, dtype="str"
    )
    about = {"kind": "caution: heed it before any work", "note": "Cautions, rules, what is off and assumed"}
    return Sheet("notes", table, "No note.", "kind", _plain_columns(about))


def _plain_columns(meanings, counts=()):
    """Columns without unit; counts are whole numbers."""
    return {
        name: {"unit": "", "format": "0" if name in counts else "", "meaning": meaning}
        for name, meaning in meanings.items()
    }
