"""What changed since the last month, and how far tests reached: lists and the tables behind them."""

from pathlib import Path

from towerlib import changes
from towerlib.publish import workbook


def write(study, folder):
    """Write ``changes.csv``, ``tables/changes.parquet`` and ``tables/coverage.parquet``.

    Parameters
    ----------
    study : Assessment
    folder : path
        Report folder of the month; the earlier months stand beside it.

    Returns
    -------
    Changes
        What was written, for the pages that tell it.

    Notes
    -----
    A text that a spreadsheet would take for a formula gets an apostrophe in front, in the CSV alone.
    """
    folder = Path(folder).resolve()
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    found = changes.against_last(study, folder.parent)
    workbook.write_list(found.table, folder / "changes.csv")
    tables = {"changes": found.table, "coverage": changes.coverage(study)}
    for name, table in tables.items():
        table.to_parquet(folder / "tables" / f"{name}.parquet", index=False, compression="zstd")
    return found
