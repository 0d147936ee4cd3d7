"""The months of a line that stand in its report folder: read whole, or named and left out."""

from pathlib import Path

from towerlib import __version__, atomic
from towerlib.changes import kept
from towerlib.changes.snapshot import FROZEN, Snapshot
from towerlib.months import MONTH

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
    manifest = kept.manifest(folder)
    if manifest.get("line_id", "") != line_id:
        raise ValueError(f"it is of the line {manifest.get('line_id', '')}")
    tables = {name: kept.table(folder, name, manifest["files"], NEEDED[name]) for name in NEEDED}
    for name in ("condition", "priority"):
        if tables[name]["tower_id"].duplicated().any():
            raise ValueError(f"tables/{name}.parquet has a tower twice")
    return Snapshot(folder.name, **tables, source=FROZEN)


def _months(folder, month):
    """Folders of earlier months, the oldest first."""
    if not folder.is_dir():
        return []
    atomic.restore(folder)
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_dir() and MONTH.fullmatch(path.name) and path.name < month
    )


def _other_version(folder):
    """A sentence where the report was written by another version."""
    versions = kept.manifest(folder).get("versions")
    wrote = versions.get("towerlib") if isinstance(versions, dict) else None
    if wrote != __version__:
        by = f"version {wrote}" if wrote else "a version that it does not name"
        yield (
            f"The report of {folder.name} was written by {by} of towerlib, this one by {__version__}: a tower "
            "may have changed its queue by the rules alone."
        )
