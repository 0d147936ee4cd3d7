"""The month to compare with: the tables of an earlier report, or the same records a month earlier."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, cast

import pandas as pd

from towerlib import __version__, safe_files
from towerlib.months import MONTH, last_day

if TYPE_CHECKING:
    from collections.abc import Sequence
    from os import PathLike
    from typing import Any

    from towerlib.assessment import Study


FROZEN, REPEATED = "as its report was written", "by the records of today"
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


@dataclass(frozen=True)
class Snapshot:
    """Tables of one month, and their source.

    Attributes
    ----------
    month : str
        ``YYYY-MM``.
    condition, priority, currents : pandas.DataFrame
        From the assessment of that month.
    source : str
        `FROZEN` or `REPEATED`.
    """

    month: str
    condition: pd.DataFrame
    priority: pd.DataFrame
    currents: pd.DataFrame
    source: str = REPEATED

    @property
    def end(self) -> pd.Timestamp:
        """Last day of the month."""
        return last_day(self.month)


def of(study: Study) -> Snapshot:
    """The snapshot of an assessment."""
    return Snapshot(study.month, study.condition, study.priority, study.currents)


def repeated(study: Study) -> Snapshot | None:
    """The same records as of the preceding month; None where no visit is that old.

    Towers, settings and plan are the present ones, so no tower can be new, missing or renamed. Without a visit or a
    treatment in the month, its tables are those of the preceding month.
    """
    month = month_before(study.month)
    end = last_day(month)
    if not bool((study.grades.visits["date"] <= end).any()):
        return None
    if not any(_within(table["date"], end, study) for table in (study.grades.visits, study.records.works)):
        return Snapshot(month, study.condition, study.priority, study.currents)
    return Snapshot(month, *_assessed(study, month), study.currents)


def month_before(month: str) -> str:
    """The preceding month, ``YYYY-MM``."""
    return str(cast("pd.Period", pd.Period(month, freq="M")) - 1)


def _within(dates, end, study):
    """Whether a date lies after the preceding month and within the month."""
    return ((dates > end) & (dates <= last_day(study.month))).any()


def table(folder: Path, name: str, files: dict[str, str], needed: Sequence[str]) -> pd.DataFrame:
    """One table of a report, as written; ValueError where it is missing, was changed, or lacks needed columns."""
    path = folder / "tables" / f"{name}.parquet"
    if not path.is_file():
        raise ValueError(f"tables/{name}.parquet is missing; run the line again")
    content = path.read_bytes()
    if hashlib.sha256(content).hexdigest() != files.get(f"tables/{name}.parquet"):
        raise ValueError(f"tables/{name}.parquet was changed after the run")
    read = pd.read_parquet(BytesIO(content))
    if absent := [column for column in needed if column not in read]:
        raise ValueError(f"it is of another version: tables/{name}.parquet has no column {absent[0]}")
    return read


def read(folder: Path, line_id: str) -> Snapshot:
    """The snapshot of one report folder.

    Parameters
    ----------
    folder : path
        ``…/YYYY-MM`` with ``run.json`` and ``tables``.
    line_id : str
        Id of the line.

    Returns
    -------
    Snapshot

    Raises
    ------
    ValueError, OSError
        The report is damaged, of another line, or lacks required columns.
    """
    manifest = report_manifest(folder)
    if manifest.get("line_id", "") != line_id:
        raise ValueError(f"it belongs to the line {manifest.get('line_id', '')}")
    tables = {name: table(folder, name, manifest["files"], NEEDED[name]) for name in NEEDED}
    for name in ("condition", "priority"):
        if tables[name]["tower_id"].duplicated().any():
            raise ValueError(f"tables/{name}.parquet contains a tower twice")
    return Snapshot(folder.name, **tables, source=FROZEN)


def report_manifest(folder: Path) -> dict[str, Any]:
    """Contents of ``run.json`` of a report.

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
        manifest = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ValueError("run.json is missing") from None
    except ValueError:
        raise ValueError("run.json is damaged") from None
    if not isinstance(manifest, dict) or not isinstance(manifest.get("files"), dict):
        raise ValueError("run.json does not list the files of the report")
    return manifest


def _assessed(study, month):
    """Condition and priority list as of a month, from the records already read and graded."""
    from towerlib import condition, network, plan

    facts = study.records, study.grades, study.currents, study.route
    alone = condition.assess(*facts, month)
    tied = network.assess(study.records, study.route, alone, study.currents, study.grades, month)
    towers = network.join(alone, tied)
    planned = study.priority.set_index("tower_id")["package"]
    towers = towers.assign(package=towers["tower_id"].map(planned).astype("str"))
    return towers, plan.priority_list(towers, study.line)


def newest_before(
    folder: str | PathLike[str], line_id: str, month: str
) -> tuple[Snapshot | None, tuple[str, ...]]:
    """The newest earlier report that is complete, or None, and one remark per month with a flaw or of another version.

    `folder` holds a line's reports, one folder per month, ``YYYY-MM``; it need not exist.
    """
    remarks = []
    for path in reversed(_months(Path(folder), month)):
        try:
            return read(path, line_id), (*remarks, *_other_version(path))
        except (OSError, ValueError) as flaw:
            remarks.append(f"The report of {path.name} cannot be used: {flaw}.")
    return None, tuple(remarks)


def _months(folder, month):
    """Folders of earlier months, oldest first."""
    if not folder.is_dir():
        return []
    safe_files.restore(folder)
    return sorted(
        path
        for path in folder.iterdir()
        if path.is_dir() and MONTH.fullmatch(path.name) and path.name < month
    )


def _other_version(folder):
    """A remark where the report was written by another version."""
    versions = report_manifest(folder).get("versions")
    wrote = versions.get("towerlib") if isinstance(versions, dict) else None
    if wrote != __version__:
        by = f"version {wrote}" if wrote else "an unnamed version"
        yield (
            f"The report of {folder.name} was written by {by} of towerlib, this one by {__version__}. A tower "
            "may have changed its queue because of different rules."
        )
