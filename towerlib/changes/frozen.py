"""The months of a line that stand in its report folder: read whole, or named and left out."""

import hashlib
import json
import re
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from towerlib.changes.snapshot import FROZEN, Snapshot

MONTH = re.compile(r"(19|20|21)\d\d-(0[1-9]|1[0-2])")
NEEDED = {
    "condition": """
        tower_id chainage_km latitude_deg longitude_deg access occupancy verdict footing_ohm footing_low_ohm
        footing_high_ohm footing_date footing_visit_id lower_bound_ohm gap_ma gap_fraction gap_fraction_low
        leakage_date leg_share_lambda cause_date suspected_cause works_verdict leads_missing corrosion bond_seen
        limit_ohm impedance_class bond_state safety_screen
    """.split(),
    "priority": ["tower_id", "queue", "package"],
    "currents": """
        tower_id date gap_ma gap_u_ma leakage_sum_ma peer_class leg_share_lambda leg_share_u
    """.split(),
}


def newest_before(folder, line_id, month):
    """The newest month before one that can be read whole.

    Parameters
    ----------
    folder : path
        Folder of a line's reports: one folder a month, ``YYYY-MM``. It need not exist.
    line_id : str
        Whose reports they must be.
    month : str
        ``YYYY-MM``; only earlier ones are looked at.

    Returns
    -------
    (Snapshot or None, tuple of str)
        None where there is none; and a sentence for each month that could not be used, or was written by
        another version.
    """
    remarks = []
    for path in reversed(_months(Path(folder), month)):
        try:
            return read(path, line_id), (*remarks, *_other_version(path))
        except (OSError, ValueError) as flaw:
            remarks.append(f"The report of {path.name} cannot be compared with: {flaw}.")
    return None, tuple(remarks)


def read(folder, line_id):
    """The snapshot of one report folder.

    Parameters
    ----------
    folder : path
        ``…/YYYY-MM`` with ``run.json`` and ``tables``.
    line_id : str
        Whose report it must be.

    Returns
    -------
    Snapshot

    Raises
    ------
    ValueError, OSError
        The report is damaged, of another line, or lacks what this version compares.
    """
    manifest = _manifest(folder)
    if manifest["line_id"] != line_id:
        raise ValueError(f"it is of the line {manifest['line_id']}")
    tables = {name: _table(folder, name, manifest["files"]) for name in NEEDED}
    for name in ("condition", "priority"):
        if tables[name]["tower_id"].duplicated().any():
            raise ValueError(f"tables/{name}.parquet has a tower twice")
    return Snapshot(folder.name, **tables, source=FROZEN)


def _months(folder, month):
    """Folders of earlier months, the oldest first."""
    if not folder.is_dir():
        return []
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_dir() and MONTH.fullmatch(path.name) and path.name < month
    )


def _manifest(folder):
    """What ``run.json`` says, with its parts in their kinds."""
    try:
        manifest = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ValueError("run.json is missing") from None
    except ValueError:
        raise ValueError("run.json is damaged") from None
    if not isinstance(manifest, dict) or not isinstance(manifest.get("files"), dict):
        raise ValueError("run.json does not list the files of the report")
    return {"line_id": ""} | manifest


def _table(folder, name, files):
    """One table, as it was when the report was written."""
    path = folder / "tables" / f"{name}.parquet"
    if not path.is_file():
        raise ValueError(f"tables/{name}.parquet is missing")
    content = path.read_bytes()
    if hashlib.sha256(content).hexdigest() != files.get(f"tables/{name}.parquet"):
        raise ValueError(f"tables/{name}.parquet is not the file that the run wrote")
    table = pd.read_parquet(path)
    if absent := [column for column in NEEDED[name] if column not in table]:
        raise ValueError(f"it is of another version: tables/{name}.parquet has no column {absent[0]}")
    return table


def _other_version(folder):
    """A sentence where the report was written by another version."""
    versions = _manifest(folder).get("versions")
    wrote = versions.get("towerlib") if isinstance(versions, dict) else None
    if wrote != version("towerlib"):
        by = f"version {wrote}" if wrote else "a version that it does not name"
        yield (
            f"The report of {folder.name} was written by {by} of towerlib, this one by {version('towerlib')}: a tower "
            "may have changed its queue by the rules alone."
        )
