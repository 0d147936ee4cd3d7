"""What came in from the crews: counts by file and crew, and what could not be used, in plain words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib import dictionary, safe_files
from towerlib.readings.quality import VERDICTS
from towerlib.report import workbook
from towerlib.report.tower_marks import number_of
from towerlib.text import counted, first_lines, listed, one_line

if TYPE_CHECKING:
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records

SHOWN = 20  # kinds of flaws that are printed; the lists hold every row
_OF_ONE_ROW = r"'[^']*'|\"[^\"]*\"|\([^()]*\)|[0-9][0-9,.:/-]*"  # what differs between flaws of one kind


def by_file(records: Records) -> str:
    """Rows of each file as a small table: in, used, repaired among the used, rejected."""
    shown = records.by_file.reset_index()
    shared = shown["file"].duplicated(keep=False)
    shown["file"] = shown["file"].mask(shared, shown["file"] + ": " + shown["table"])
    return shown.drop(columns="table").rename(columns={"rows_in": "rows in"}).to_string(index=False)


def by_crew(visits: pd.DataFrame) -> str:
    """Visits of each crew by verdict as a small table; "crew not named" where the column is blank."""
    crew: Any = visits["crew"].fillna("crew not named")
    counts = pd.crosstab(crew, visits["verdict"]).reindex(columns=list(VERDICTS), fill_value=0)
    return counts.rename_axis(columns=None).to_string()


def why_rejected(rejected: pd.DataFrame) -> list[str]:
    """What is not used and why, one sentence a kind of flaw; files that were refused whole come first.

    >>> from towerlib.records.audit import rejected
    >>> soon = ("visits", "visits.csv", 7, "date", "soon", "'soon' is not a date.")
    >>> late = ("visits", "visits.csv", 9, "date", "late", "'late' is not a date.")
    >>> why_rejected(rejected([soon, late]))
    ["visits.csv rows 7 and 9, date: 'soon' is not a date."]
    """
    if rejected.empty:
        return []
    kind = rejected["reason"].str.replace(_OF_ONE_ROW, "", regex=True)
    groups = rejected.assign(kind=kind).groupby(["file", "column", "kind"], sort=False, dropna=False)
    sentences = [_sentence(rows) for _, rows in sorted(groups, key=lambda pair: pair[1]["row"].notna().any())]
    return first_lines(sentences, SHOWN, "all in rejected-rows.csv")


def why_repaired(repaired: pd.DataFrame) -> list[str]:
    """What was read otherwise than it was written, one line a kind, most frequent first, with an example.

    >>> from towerlib.records.audit import repaired
    >>> why_repaired(repaired([("visits", "visits.csv", 7, "date", "2.3.2026", "2026-03-02", "read with the day first")]))
    ["date, 1 cell: read with the day first ('2.3.2026' → 2026-03-02, visits.csv row 7)"]
    """
    if repaired.empty:
        return []
    named = repaired["column"] == "tower_id"
    kind = repaired["reason"].mask(
        named & repaired["reason"].str.contains(": ", regex=False),
        "taken as the tower of the register that is spelt like it",
    )
    groups = repaired.assign(kind=kind).groupby(["column", "kind"], sort=False)
    most_first = sorted(cast("Any", groups), key=lambda pair: -len(pair[1]))
    sentences = [_mended(column, kind, cells) for (column, kind), cells in most_first]
    return first_lines(sentences, SHOWN, "all in repaired-rows.csv")


def _mended(column, kind, cells):
    """One kind of repair with its count and an example."""
    one = cells.iloc[0]
    place = f"{one['file']} row {one['row']}"
    change = f"'{_brief(one['value'])}' → {one['used'] or 'blank'}"
    return f"{column}, {counted(len(cells), 'cell')}: {kind} ({change}, {place})"


def _sentence(rows):
    """Rejected rows of one kind as a sentence: where, and the reason of the first; the value is named once."""
    one = rows.iloc[0]
    value = _brief(one["value"])
    is_said = (
        not value or value in one["reason"] or one["column"] == "" or one["reason"].startswith("latitude")
    )
    cell = f", {one['column']}" if one["column"] else ""
    return f"{one['file']}{_rows(rows['row'])}{cell}: {'' if is_said else repr(value) + ' '}{one['reason']}"


def _rows(numbers):
    """Row numbers for a sentence; nothing for a whole file."""
    shown = [str(number) for number in numbers.dropna()]
    if len(shown) < 2:
        return f" row {shown[0]}" if shown else ""
    if len(shown) > 5:
        return f" rows {listed(shown, 4)}"
    return f" rows {', '.join(shown[:-1])} and {shown[-1]}"


def _brief(value):
    """A value on one line, cut when long."""
    text = one_line(value)
    return text if len(text) <= 60 else text[:60] + "…"


def words(records: Records, grades: Grades) -> str:
    """The verdict on a line folder, as people read it."""
    total = records.counts.sum()
    parts = [
        f"{records.line.title}: {total['rows_in']} rows in, {total['used']} used "
        f"({total['repaired']} of them repaired), {total['rejected']} rejected.",
        by_file(records),
        by_crew(grades.visits),
    ]
    refused = number_of(records.rejected["row"].isna())
    if refused:
        parts[0] += f" {counted(refused, 'file')} could not be read."
    if len(records.rejected):
        parts.append("Not used:\n" + "\n".join(f"- {line}" for line in why_rejected(records.rejected)))
    if len(records.repaired):
        parts.append(
            "Repaired, please look over:\n"
            + "\n".join(f"- {line}" for line in why_repaired(records.repaired))
        )
    if records.unread:
        parts.append("Not read, because no table has their name or headers: " + ", ".join(records.unread))
    return "\n\n".join(parts)


def write(records: Records, folder: str | Path) -> list[Path]:
    """Write ``rejected-rows.csv`` and ``repaired-rows.csv``, safe to open in a spreadsheet."""
    folder = Path(folder)
    lists = {"rejected-rows.csv": records.rejected, "repaired-rows.csv": records.repaired}
    with safe_files.replace_files(folder) as place:
        for name, table in lists.items():
            workbook.write_list(dictionary.checked(name, table), place / name)
    return [folder / name for name in lists]
