"""What went into a run and what came out, so that any figure can be traced."""

import hashlib
import json
import platform
from importlib.metadata import PackageNotFoundError, version

from towerlib import __version__

LIBRARIES = ("pandas", "numpy", "geopandas", "pyproj", "matplotlib", "papermill")


def write(study, folder, parameters):
    """Write ``run.json`` of a finished report.

    Parameters
    ----------
    study : Assessment
    folder : pathlib.Path
        The report; every file in it is listed with its SHA-256.
    parameters : dict
        Of the notebooks.
    """
    counts = study.records.counts
    manifest = {
        "line_id": study.line.id,
        "month": study.month,
        "parameters": parameters,
        "versions": _versions(),
        "inputs": {_relative(path, study): sha256 for path, sha256 in study.records.sha256.items()},
        "not_read": list(study.records.unread),
        "counts": {table: {key: int(value) for key, value in row.items()} for table, row in counts.T.items()},
        "visits_by_verdict": {
            key: int(value)
            for key, value in study.grades.visits["verdict"].value_counts().sort_index().items()
        },
        "towers_by_queue": {
            key: int(value) for key, value in study.priority["queue"].value_counts().sort_index().items()
        },
        "remarks": list(study.route.remarks),
        "files": {
            path.relative_to(folder).as_posix(): _sha256(path)
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != "run.json"
        },
    }
    (folder / "run.json").write_text(
        json.dumps(manifest, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def _versions():
    """Version of Python, of this program and of the libraries that shape its figures."""
    # a source tree that is not installed has no metadata of its own
    return {
        "python": platform.python_version(),
        "towerlib": __version__,
        **{name: _version(name) for name in LIBRARIES},
    }


def _version(name):
    """Version of a library, "unknown" where it came without metadata."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _relative(path, study):
    return path.resolve().relative_to(study.records.folder.resolve()).as_posix()


def _sha256(path):
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
