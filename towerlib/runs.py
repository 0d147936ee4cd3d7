"""One line, one month: the notebooks as papermill runs them, into a report folder that is whole or not there."""

import difflib
import hashlib
import json
import os
import platform
import shutil
import tempfile
from dataclasses import dataclass
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

from towerlib import assessment, line
from towerlib.errors import RecordsError, SettingsError, TowerlibError

NOTEBOOKS = ("1-condition", "2-performance", "3-plan")
OURS = ("line", "month", "records_folder", "reports_folder")  # set by the run itself
TIME_OUT_S = 1800  # of one cell; a notebook of 5,000 towers takes far less
VERSIONS = ("towerlib", "pandas", "numpy", "geopandas", "pyproj", "matplotlib", "papermill")


@dataclass(frozen=True)
class Report:
    """Where a line's month went, and what is in it."""

    folder: Path
    study: assessment.Assessment


def notebook(name):
    """Path of a shipped notebook.

    Parameters
    ----------
    name : str
        Such as ``"1-condition"``.

    Returns
    -------
    pathlib.Path
        In the installed package, or beside it in a checkout.
    """
    package = Path(str(files("towerlib")))
    shipped = package / "notebooks" / f"{name}.ipynb"
    return shipped if shipped.exists() else package.parent / "notebooks" / f"{name}.ipynb"


def line_folders(folder, only=()):
    """The line folders to run.

    Parameters
    ----------
    folder : path
        A line folder (it holds ``line.toml``) or a portfolio, a folder of line folders.
    only : sequence of str
        Line ids or folder names; empty takes all.

    Returns
    -------
    list of pathlib.Path
        In alphabetical order.

    Raises
    ------
    RecordsError
        There is no line folder.
    SettingsError
        A name in `only` is no line of the portfolio.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordsError(f"{folder} is not a folder; name a line folder, or a folder of line folders")
    inside = sorted(entry for entry in folder.iterdir() if (entry / "line.toml").is_file())
    found = [folder] if (folder / "line.toml").is_file() else inside
    if not found:
        raise RecordsError(f"{folder} holds no line folder: none of its folders has a line.toml")
    if not only:
        return found
    named = {name: path for path in found for name in (path.name, _id(path))}
    unknown = [name for name in only if name not in named]
    if unknown:
        near = difflib.get_close_matches(unknown[0], named, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(named))}"
        raise SettingsError(f"{unknown[0]!r} is no line in {folder}; {hint}")
    return sorted({named[name] for name in only})


def run_line(folder, reports, month="", parameters=None, tell=lambda step: None):
    """Run the notebooks of one line for one month.

    Parameters
    ----------
    folder : path
        Line folder.
    reports : path
        The report goes to ``reports/<line id>/<month>/``.
    month : str
        ``YYYY-MM``; blank takes the month of the newest visit.
    parameters : dict of str to str
        Further notebook parameters; each must be known to one of the notebooks.
    tell : callable
        Called with a few words as each step begins.

    Returns
    -------
    Report

    Raises
    ------
    TowerlibError
        In one sentence; then no report folder was made or changed.
    """
    folder = Path(folder).resolve()
    extra = typed(parameters or {})
    tell("reading records")
    study = assessment.assess(folder.parent, folder.name, month)
    target = Path(reports).resolve() / study.line.id / study.month
    staging = target.with_name(f".{study.month}.unfinished-{os.getpid()}")
    ours = {
        "line": folder.name,
        "month": study.month,
        "records_folder": str(folder.parent),
        "reports_folder": ".",
    }
    try:
        _make(staging)
        for name in NOTEBOOKS:
            tell(f"notebook {name}")
            _execute(name, staging, ours | extra.get(name, {}))
        _write_manifest(study, staging, ours | (parameters or {}))
        _replace(target, staging)
    finally:
        shutil.rmtree(staging, ignore_errors=True)
    return Report(target, study)


def check_line(folder, reports):
    """Read and grade one line folder, and write what could not be used.

    Parameters
    ----------
    folder : path
        Line folder.
    reports : path
        The lists go to ``reports/<line id>/check/``.

    Returns
    -------
    (Records, str, list of pathlib.Path)
        The records, the verdict in words, and the lists.

    Raises
    ------
    TowerlibError
        In one sentence.
    """
    from towerlib.publish import intake

    records, _, grades = assessment.read(folder)
    target = Path(reports) / records.line.id / "check"
    try:
        paths = intake.write(records, target)
    except OSError as flaw:
        raise SettingsError(f"lists cannot be written to {target}: {flaw.strerror}") from None
    return records, intake.words(records, grades), paths


def typed(parameters):
    """Parameters in the types that the notebooks declare, by notebook.

    Parameters
    ----------
    parameters : dict of str to str

    Returns
    -------
    dict of str to dict
        Notebook name to its parameters.

    Raises
    ------
    SettingsError
        A parameter is known to none of the notebooks, is set by the run itself, or is of another type.
    """
    if not parameters:
        return {}
    import papermill

    declared = {name: papermill.inspect_notebook(notebook(name)) for name in NOTEBOOKS}
    known = {key for keys in declared.values() for key in keys} - set(OURS)
    for key in parameters:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(known))}"
            raise SettingsError(f"{key!r} is no parameter that a run may set; {hint}")
    return {
        name: {
            key: _typed(key, parameters[key], keys[key]["inferred_type_name"])
            for key in parameters
            if key in keys
        }
        for name, keys in declared.items()
    }


def _typed(key, text, kind):
    """One parameter in its declared type: text stays text, so that 007 does not become 7."""
    kinds = {"int": int, "float": float, "str": str}
    try:
        return kinds.get(kind, str)(text)
    except ValueError:
        raise SettingsError(f"parameter {key} = {text!r} must be of type {kind}") from None


def _execute(name, folder, parameters):
    """One notebook through papermill, with the report folder as its working directory."""
    import papermill
    from traitlets.config import Config

    with tempfile.TemporaryDirectory(prefix="towerlib-") as sockets:
        # sockets in a folder of their own: ports of TCP are now and then taken by another run at the same moment
        kernel = Config({"KernelManager": {"transport": "ipc", "ip": f"{sockets}/kernel"}})
        try:
            papermill.execute_notebook(
                notebook(name),
                folder / f"{name}.ipynb",
                parameters=parameters,
                cwd=folder,
                progress_bar=False,
                execution_timeout=TIME_OUT_S,
                config=kernel,
            )
        except papermill.PapermillExecutionError as flaw:
            raise TowerlibError(
                f"notebook {name} stopped in cell {flaw.cell_index}: {flaw.ename}: {flaw.evalue}"
            ) from None


def _make(staging):
    """The folder in which the report grows, beside the place where it will stand."""
    try:
        staging.mkdir(parents=True)
        (staging / "run.json").touch()
    except OSError as flaw:
        raise SettingsError(f"reports cannot be written to {staging.parent}: {flaw.strerror}") from None


def _write_manifest(study, folder, parameters):
    """What went in and what came out, so that any figure can be traced."""
    counts = study.records.counts
    manifest = {
        "line_id": study.line.id,
        "month": study.month,
        "parameters": parameters,
        "versions": {"python": platform.python_version(), **{name: version(name) for name in VERSIONS}},
        "inputs": {_relative(path, study): _sha256(path) for path in study.records.files},
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


def _relative(path, study):
    return path.resolve().relative_to(study.records.folder.resolve()).as_posix()


def _sha256(path):
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _replace(target, staging):
    """The finished folder takes the place of the old one, which stays beside it until then."""
    old = target.with_name(f".{target.name}.replaced-{os.getpid()}")
    if target.exists():
        target.rename(old)
    staging.rename(target)
    shutil.rmtree(old, ignore_errors=True)


def _id(folder):
    """Line id of a folder; its name where the settings cannot be read (the run will say why)."""
    try:
        return line.read(folder / "line.toml").id
    except SettingsError:
        return folder.name
