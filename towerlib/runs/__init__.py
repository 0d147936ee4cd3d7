"""Runs: the notebooks of a line for a month, and its report folder, written whole or not at all."""

from __future__ import annotations

import difflib
import hashlib
import json
import os
import platform
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from towerlib import __version__, assessment, config, months, portfolio, safe_files
from towerlib.errors import RecordsError, SettingsError
from towerlib.records.load import changed
from towerlib.runs import notebooks
from towerlib.runs.notebooks import NOTEBOOKS, notebook, typed
from towerlib.text import listed

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.fieldwork.visits import FieldSheet
    from towerlib.portfolio import Portfolio
    from towerlib.records.load import Records

__all__ = [
    "NOTEBOOKS",
    "Report",
    "check_line",
    "line_folders",
    "notebook",
    "run_line",
    "run_portfolio",
    "typed",
    "write_fieldsheet",
    "write_report",
]

LIBRARIES = ("pandas", "numpy", "geopandas", "pyproj", "matplotlib", "papermill")


def write_manifest(study: Study, folder: Path, parameters: dict[str, Any]) -> None:
    """Write ``run.json`` of a finished report: inputs, settings, outputs with SHA-256, so that any figure can be traced."""
    counts = study.records.counts
    manifest = {
        "line_id": study.line.id,
        "month": study.month,
        "parameters": parameters,
        "settings_replaced": _replaced(study),
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


def _replaced(study: Study) -> dict[str, Any]:
    """Settings of the study that are not those of ``line.toml``, by section; empty in a run of the command."""
    filed = config.read(study.folder / "line.toml").model_dump(mode="json")
    used = study.line.model_dump(mode="json")
    return {name: value for name, value in used.items() if value != filed[name]}


def _versions() -> dict[str, str]:
    """Version of Python, of this program and of the libraries that shape its figures."""
    # a source tree that is not installed has no metadata of its own
    return {
        "python": platform.python_version(),
        "towerlib": __version__,
        **{name: _version(name) for name in LIBRARIES},
    }


def _version(name: str) -> str:
    """Version of a library, "unknown" where it came without metadata."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _relative(path: Path, study: Study) -> str:
    """Path of an input within the line folder."""
    return path.resolve().relative_to(study.records.folder.resolve()).as_posix()


def _sha256(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


PORTFOLIO = "portfolio"


def run_portfolio(
    reports: str | Path, month: str = "", budget: float | None = None
) -> tuple[Portfolio, list[Path]]:
    """Run the notebook of the portfolio; it writes the pages.

    Parameters
    ----------
    month
        ``YYYY-MM``; blank takes the newest that any line has.
    budget
        Money to split; else the sum of the lines' budgets.

    Returns
    -------
    (Portfolio, list of pathlib.Path)
        The notebook, the page and the index, in the folder of the month and beside it.

    Raises
    ------
    TowerlibError
        In one sentence; then an earlier notebook is left as it was.
    """
    reports = Path(reports).resolve()
    with notebooks.in_a_sentence():
        found = portfolio.gather(reports, month, budget)
    target = reports / found.month
    asked = {
        "reports_folder": "..",
        "month": found.month,
        "budget": -1.0 if budget is None else float(budget),
    }
    with notebooks.in_a_sentence(), ExitStack() as stack:
        try:
            staging = stack.enter_context(safe_files.staging(reports, found.month))
            target.mkdir(exist_ok=True)
        except OSError as flaw:
            raise SettingsError(f"the portfolio cannot be written to {reports}: {flaw.strerror}") from None
        with notebooks.kernel(staging) as manager:
            notebooks.execute(PORTFOLIO, staging, asked, manager)
        (staging / f"{PORTFOLIO}.ipynb").replace(target / f"{PORTFOLIO}.ipynb")
    return found, [target / f"{PORTFOLIO}.ipynb", target / f"{PORTFOLIO}.html", reports / "index.html"]


@dataclass(frozen=True)
class Report:
    """Report folder of a line for a month, and the study that it shows."""

    folder: Path
    study: assessment.Study


def line_folders(folder: str | Path, only: Sequence[str] = ()) -> list[Path]:
    """The line folders to run, in alphabetical order.

    Parameters
    ----------
    folder
        A line folder (it holds ``line.toml``) or a portfolio, a folder of line folders.
    only
        Line ids or folder names; empty takes all.

    Raises
    ------
    RecordsError
        There is no line folder.
    SettingsError
        A name in `only` is no line of the portfolio, or two folders are the same line.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordsError(f"{folder} is not a folder; name a line folder, or a folder of line folders")
    inside = sorted(entry for entry in folder.iterdir() if os.path.lexists(entry / "line.toml"))
    found = [folder] if os.path.lexists(folder / "line.toml") else inside
    if not found:
        raise RecordsError(f"{folder} holds no line folder: none of its folders has a line.toml")
    ids = {path: _id(path) for path in found}
    _insist_on_one_folder_each(ids)
    if not only:
        return found
    named = {name: path for path in found for name in (path.name, ids[path]) if name}
    unknown = [name for name in only if name not in named]
    if unknown:
        near = difflib.get_close_matches(unknown[0], named, n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(named))}"
        raise SettingsError(f"{unknown[0]!r} is no line in {folder}; {hint}")
    return sorted({named[name] for name in only})


def run_line(
    folder: str | Path,
    reports: str | Path,
    month: str = "",
    parameters: dict[str, str] | None = None,
    tell: Callable[[str], object] = lambda step: None,
    *,
    pdf: bool = False,
) -> Report:
    """Run the notebooks of one line for one month.

    Parameters
    ----------
    folder
        Line folder.
    reports
        The report goes to ``reports/<line id>/<month>/``.
    month
        ``YYYY-MM``; blank takes the month of the newest visit.
    parameters
        Further notebook parameters; each must be known to one of the notebooks.
    tell
        Called with a few words as each step begins.
    pdf
        Whether ``summary.pdf`` is written beside the page; takes the extra ``pdf``.

    Raises
    ------
    TowerlibError
        In one sentence; then no report folder was made or changed.
    """
    folder = Path(folder).resolve()
    extra = typed(parameters or {})
    tell("reading records")
    with notebooks.in_a_sentence():
        study = assessment.assess(folder, month)
    target = Path(reports).resolve() / study.line.id / study.month
    ours = {
        "line": folder.name,
        "month": study.month,
        "records_folder": str(folder.parent),
        "reports_folder": ".",
    }
    with notebooks.in_a_sentence(), _staging(target) as staging:
        with notebooks.kernel(staging, study.records.latest) as manager:
            for name in NOTEBOOKS:
                tell(f"notebook {name}")
                notebooks.execute(name, staging, ours | extra.get(name, {}), manager)
        if pdf:
            from towerlib.report import summary

            tell("summary.pdf")
            summary.write_pdf(staging / "summary.html", staging / "summary.pdf")
        write_manifest(study, staging, ours | (parameters or {}))
        _insist_on_same(study.records)
        safe_files.replace_folder(target, staging)
    return Report(target, study)


def write_report(study: Study, reports: str | Path) -> Path:
    """Write the report of a study to ``<reports>/<line id>/<month>/``, whole or not at all.

    Parameters
    ----------
    study
        Its settings may differ from those of ``line.toml``; ``run.json`` says by what.
    reports
        An earlier report of the same line and month is replaced.

    Returns
    -------
    pathlib.Path
        The report folder. It holds every file of a run but the notebooks, which ``towerlib run`` adds.

    Raises
    ------
    TowerlibError
        In one sentence; then no report folder was made or changed.
    """
    study.insist_on_computed("write the report of")
    target = Path(reports).resolve() / study.line.id / study.month
    with notebooks.in_a_sentence(), _staging(target) as staging:
        study.write(staging)
        write_manifest(study, staging, {})
        _insist_on_same(study.records)
        safe_files.replace_folder(target, staging)
    return target


def _insist_on_same(records: Records) -> None:
    """Refuse a report whose notebooks may have read other files than its counts and hashes are of."""
    if names := changed(records):
        raise RecordsError(
            f"{records.folder}: {listed(names, 5)} changed during the run; run again when nobody writes to it"
        )


def write_fieldsheet(
    folder: str | Path,
    out: str | Path | None = None,
    *,
    towers: str = "",
    month: str = "",
    from_km: float | None = None,
    to_km: float | None = None,
) -> tuple[FieldSheet, list[Path]]:
    """Assess a line and write the field sheet for some of its towers.

    Parameters
    ----------
    folder
        Line folder; layers of its folder ``context`` are kept clear of.
    out
        Where the files go; else ``reports/<line id>/fieldsheet/<month>/``.
    towers, from_km, to_km
        As for `towerlib.fieldwork.visits.choose`.
    month
        ``YYYY-MM``; blank takes the month of the newest visit.

    Raises
    ------
    RecordsError, SettingsError
        In one sentence; then nothing was written.
    """
    from towerlib import fieldwork
    from towerlib.fieldwork import visits
    from towerlib.report import fieldsheet, map_layers

    visits.check_stretch(from_km, to_km)
    if month:
        months.last_day(month)
    folder = Path(folder).resolve()
    study = assessment.assess(folder, month)
    layers = map_layers.layers(folder)
    sheet = fieldwork.prepare(study, towers, from_km=from_km, to_km=to_km, context=layers)
    return sheet, fieldsheet.write(sheet, out or Path("reports") / sheet.line_id / "fieldsheet" / sheet.month)


def check_line(folder: str | Path, reports: str | Path) -> tuple[Records, str, list[Path]]:
    """Read and grade one line folder, and write what could not be used to ``reports/<line id>/check/``.

    The records, the verdict in words, and the lists; `TowerlibError` in one sentence.
    """
    from towerlib.report import intake

    with notebooks.in_a_sentence():
        study = assessment.assess(folder)
        records, grades = study.records, study.grades
    target = Path(reports) / records.line.id / "check"
    try:
        paths = intake.write(records, target)
    except OSError as flaw:
        raise SettingsError(f"lists cannot be written to {target}: {flaw.strerror}") from None
    return records, intake.words(records, grades), paths


@contextmanager
def _staging(target: Path) -> Iterator[Path]:
    """The folder in which the report grows, beside its final place."""
    with ExitStack() as stack:
        try:
            staging = stack.enter_context(safe_files.staging(target.parent, target.name))
            (staging / "run.json").touch()
        except OSError as flaw:
            raise SettingsError(f"reports cannot be written to {target.parent}: {flaw.strerror}") from None
        yield staging


def _insist_on_one_folder_each(ids: dict[Path, str | None]) -> None:
    """Two folders with one id would write to one report folder; letter case does not tell folders apart everywhere."""
    known: dict[str, Path] = {}
    for path, line_id in ids.items():
        if line_id is None:
            continue
        other = known.setdefault(line_id.casefold(), path)
        if other != path:
            raise SettingsError(
                f"{other} and {path} are both the line {line_id!r}, and one report would overwrite the other; "
                "give each line an id of its own in its line.toml"
            )


def _id(folder: Path) -> str | None:
    """Line id of a folder; None where the settings cannot be read (the run will say why)."""
    try:
        return config.read(folder / "line.toml").id
    except SettingsError:
        return None
