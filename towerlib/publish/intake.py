"""What came in from the crews: counts by file and crew, and what could not be used, in plain words."""

from pathlib import Path

import pandas as pd

from towerlib.publish import workbook
from towerlib.readings.quality import VERDICTS

SHOWN = 10  # rejected rows that are printed; the file holds all


def by_file(records):
    """Rows of each file: in, used, repaired among the used, rejected.

    Parameters
    ----------
    records : Records

    Returns
    -------
    str
        A small table as text.
    """
    return records.by_file.reset_index().drop(columns="table").to_string(index=False)


def by_crew(visits):
    """Visits of each crew by verdict.

    Parameters
    ----------
    visits : pandas.DataFrame
        Graded visits.

    Returns
    -------
    str
        A small table as text; "crew not named" where the column is blank.
    """
    crew = visits["crew"].fillna("crew not named").rename("crew")
    counts = pd.crosstab(crew, visits["verdict"]).reindex(columns=list(VERDICTS), fill_value=0)
    return counts.rename_axis(columns=None).to_string()


def why_rejected(rejected):
    """The first rejected rows, one sentence each.

    Parameters
    ----------
    rejected : pandas.DataFrame

    Returns
    -------
    list of str
    """
    shown = [_told(row) for row in rejected.head(SHOWN).itertuples()]
    more = len(rejected) - len(shown)
    return [*shown, f"… and {more} more, all in rejected-rows.csv"] if more > 0 else shown


def _told(row):
    """One rejected row as a sentence."""
    place = row.file if pd.isna(row.row) else f"{row.file} row {row.row}"
    cell = f", {row.column} {row.value!r}" if row.column else ""
    return f"{place}{cell}: {row.reason}"


def words(records, grades):
    """The verdict on a line folder, as people read it.

    Parameters
    ----------
    records : Records
    grades : Grades

    Returns
    -------
    str
    """
    total = records.counts.sum()
    parts = [
        f"{records.line.title}: {total['rows_in']} rows in, {total['used']} used "
        f"({total['repaired']} of them repaired), {total['rejected']} rejected.",
        by_file(records),
        by_crew(grades.visits),
    ]
    if len(records.rejected):
        parts.append("Not used:\n" + "\n".join(f"- {line}" for line in why_rejected(records.rejected)))
    if records.unread:
        parts.append("Not read, because no table has their name: " + ", ".join(records.unread))
    return "\n\n".join(parts)


def write(records, folder):
    """Write ``rejected-rows.csv`` and ``repaired-rows.csv``.

    Parameters
    ----------
    records : Records
    folder : path
        Made where it does not exist.

    Returns
    -------
    list of pathlib.Path
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / "rejected-rows.csv", folder / "repaired-rows.csv"]
    for path, table in zip(paths, (records.rejected, records.repaired), strict=True):
        workbook.write_csv(table, path)
    return paths
