"""Tables of a report as its run wrote them: read whole, or not at all."""

import hashlib
import json
from io import BytesIO

import pandas as pd


def manifest(folder):
    """What ``run.json`` of a report says.

    Parameters
    ----------
    folder : pathlib.Path
        ``…/<line>/YYYY-MM``.

    Returns
    -------
    dict
        With "files": name to SHA-256.

    Raises
    ------
    ValueError
        It is missing or damaged.
    """
    try:
        told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ValueError("run.json is missing") from None
    except ValueError:
        raise ValueError("run.json is damaged") from None
    if not isinstance(told, dict) or not isinstance(told.get("files"), dict):
        raise ValueError("run.json does not list the files of the report")
    return told


def table(folder, name, files, needed):
    """One table, as it was when the report was written.

    Parameters
    ----------
    folder : pathlib.Path
        The report.
    name : str
        Of the file in ``tables``, without its ending.
    files : dict of str to str
        Of the `manifest`.
    needed : sequence of str
        Columns that must be there.

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    ValueError
        It is missing, was changed since, or is of a version that had other columns.
    """
    path = folder / "tables" / f"{name}.parquet"
    if not path.is_file():
        raise ValueError(f"tables/{name}.parquet is missing; run the line again")
    content = path.read_bytes()
    if hashlib.sha256(content).hexdigest() != files.get(f"tables/{name}.parquet"):
        raise ValueError(f"tables/{name}.parquet is not the file that the run wrote")
    read = pd.read_parquet(BytesIO(content))
    if absent := [column for column in needed if column not in read]:
        raise ValueError(f"it is of another version: tables/{name}.parquet has no column {absent[0]}")
    return read
