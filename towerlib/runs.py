"""Runs: the notebooks of a line for a month in one kernel, and its report folder, written whole or not at all."""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from towerlib import __version__, assessment, config, months, portfolio, safe_files
from towerlib.errors import RecordsError, SettingsError, TowerlibError, nearest, sentence
from towerlib.records.load import changed
from towerlib.text import listed

if TYPE_CHECKING:
    import pandas as pd

    from towerlib.assessment import Study
    from towerlib.fieldwork import FieldSheet
    from towerlib.portfolio import Portfolio
    from towerlib.records.load import Records


NOTEBOOKS = ("1-condition", "2-performance", "3-plan")
OURS = ("line", "month", "records_folder", "reports_folder")  # set by the run itself
TIME_OUT_S = 1800  # of one cell; a notebook of 5,000 towers takes far less
ENGINE = "towerlib-one-kernel"
FORGET = (
    "ip = get_ipython(); ip.run_line_magic('reset', '-f')"  # the next notebook finds no names of this one
)
NO_HISTORY = "--HistoryManager.enabled=False"  # nothing of a run belongs into the user's own history
COUNT_ANEW = "get_ipython().execution_count = 1"


def notebook(name: str) -> Path:
    """Path of a shipped notebook such as ``"1-condition"``, in the installed package, or beside it in a checkout."""
    package = Path(str(files("towerlib")))
    shipped = package / "notebooks" / f"{name}.ipynb"
    return shipped if shipped.exists() else package.parent / "notebooks" / f"{name}.ipynb"


def typed(parameters: dict[str, str]) -> dict[str, dict[str, Any]]:
    """Parameters in the types that the notebooks declare, by notebook.

    `SettingsError` for a parameter that no notebook knows, that the run itself sets, or that is of another type.
    """
    if not parameters:
        return {}
    import papermill

    declared = {name: papermill.inspect_notebook(notebook(name)) for name in NOTEBOOKS}
    known = {key for keys in declared.values() for key in keys} - set(OURS)
    for key in parameters:
        if key not in known:
            raise SettingsError(f"{key!r} is no parameter that a run may set{nearest(key, sorted(known))}")
    return {
        name: {
            key: _typed(key, parameters[key], keys[key]["inferred_type_name"])
            for key in parameters
            if key in keys
        }
        for name, keys in declared.items()
    }


def _typed(key: str, text: str, kind: str) -> Any:
    """One parameter in its declared type: text stays text, so that 007 does not become 7."""
    kinds = {"int": int, "float": float, "str": str}
    try:
        return kinds.get(kind, str)(text)
    except ValueError:
        raise SettingsError(f"parameter {key} = {text!r} must be of type {kind}") from None


@contextmanager
def in_a_sentence() -> Iterator[None]:
    """Whatever stops a run becomes one `TowerlibError` in a sentence, which the other lines of a portfolio survive."""
    try:
        yield
    except TowerlibError:
        raise
    except Exception as flaw:
        raise TowerlibError(sentence(flaw)) from flaw


@contextmanager
def kernel(folder: Path, day: pd.Timestamp | None = None) -> Iterator[Any]:
    """A kernel for several notebooks, shut down at the end: what one has read and assessed, the next need not do again.

    `day` replaces the clock's day in them (today when missing), so that they read the same rows as the run past
    midnight.
    """
    from jupyter_client.kernelspec import NoSuchKernel
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_core.utils import run_sync

    with tempfile.TemporaryDirectory(prefix="towerlib-") as sockets:
        # sockets in a folder of their own: ports of TCP are now and then taken by another run at the same moment
        manager = AsyncKernelManager(kernel_name="python3", transport="ipc", ip=f"{sockets}/kernel")
        env = {**_environment(), months.TODAY: f"{day or months.today():%Y-%m-%d}"}
        env[assessment.PROGRESS] = "off"  # a notebook of a report must not depend on how fast the machine was
        try:
            run_sync(manager.start_kernel)(cwd=str(folder), env=env, extra_arguments=[NO_HISTORY])
        except NoSuchKernel:
            raise TowerlibError("notebooks cannot run: install the package ipykernel") from None
        try:
            yield manager
        except (KeyboardInterrupt, SystemExit):
            run_sync(_abandon)()
            raise
        finally:
            run_sync(manager.shutdown_kernel)(now=True)


async def _abandon() -> None:
    """End what still waits for an answer of the kernel, so that nothing complains of it after the end."""
    waiting = asyncio.all_tasks() - {asyncio.current_task()}
    for task in waiting:
        task.cancel()
    await asyncio.gather(*waiting, return_exceptions=True)


def _environment() -> dict[str, str]:
    """Environment of the kernel: it works in another folder and must import this very package."""
    # matrices here are small: threads of the linear algebra cost more than they bring
    environment = {"OPENBLAS_NUM_THREADS": "1", **os.environ}
    home = Path(str(files("towerlib"))).resolve().parent
    if home.name not in ("site-packages", "dist-packages"):  # those the kernel finds by itself
        paths = [str(home), environment.get("PYTHONPATH", "")]
        environment["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
    return environment


def execute(name: str, folder: Path, parameters: dict[str, Any], manager: Any) -> None:
    """One notebook such as ``"1-condition"`` through papermill into `folder`, in the kernel `manager`.

    `TowerlibError` where a cell stopped (the message names it), took too long, or the kernel died.
    """
    import papermill
    from nbclient.exceptions import CellTimeoutError

    _register()
    try:
        papermill.execute_notebook(
            notebook(name),
            folder / f"{name}.ipynb",
            parameters=parameters,
            engine_name=ENGINE,
            progress_bar=False,
            execution_timeout=TIME_OUT_S,
            km=manager,
        )
    except papermill.PapermillExecutionError as flaw:
        raise TowerlibError(
            f"notebook {name} stopped in cell {flaw.cell_index}: {flaw.ename}: {flaw.evalue}"
        ) from None
    except CellTimeoutError:
        raise TowerlibError(f"notebook {name} stopped: a cell took more than {TIME_OUT_S} s") from None
    except RuntimeError as flaw:  # that of a kernel that is dead or does not answer
        raise TowerlibError(
            f"notebook {name} stopped: {str(flaw).rstrip('.')}; "
            "was the memory full, or was the process ended from outside?"
        ) from flaw


def _register() -> None:
    """Make the engine known to papermill, where heavy imports are due anyway."""
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import Engine, papermill_engines

    class OneKernel(Engine):
        """Runs a notebook in a kernel that is there already, and leaves it there."""

        @classmethod
        def execute_managed_notebook(cls, nb_man, kernel_name, km=None, **settings):
            client = PapermillNotebookClient(
                nb_man, km=km, kernel_name=kernel_name, timeout=settings["execution_timeout"]
            )
            try:
                done = client.execute()
                open_client: Any = client.kc  # nbclient makes it in `execute`
                for last in (FORGET, COUNT_ANEW):
                    client.wait_for_reply(open_client.execute(last, silent=True, store_history=False))
                return done
            finally:
                if client.kc is not None:
                    client.kc.stop_channels()

    papermill_engines.register(ENGINE, OneKernel)


LIBRARIES = ("pandas", "numpy", "geopandas", "pyproj", "matplotlib", "papermill")


def write_manifest(study: Study, folder: Path, parameters: dict[str, Any]) -> None:
    """Write ``run.json`` of a finished report: inputs, settings, outputs with SHA-256, so that any figure can be traced."""
    counts, home = study.records.counts, study.records.folder.resolve()
    manifest = {
        "line_id": study.line.id,
        "month": study.month,
        "parameters": parameters,
        "settings_replaced": _replaced(study),
        "versions": _versions(),
        "inputs": {
            path.resolve().relative_to(home).as_posix(): sha256
            for path, sha256 in study.records.sha256.items()
        },
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


def _sha256(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


PORTFOLIO = "portfolio"


def run_portfolio(
    reports: str | Path, month: str = "", budget: float | None = None
) -> tuple[Portfolio, list[Path]]:
    """Run the notebook of the portfolio, which writes the pages, from the reports of a month ``YYYY-MM`` (blank: the newest).

    `budget` is money to split; else the sum of the lines' budgets. Returns the portfolio, and the notebook, the page
    and the index, in the folder of the month and beside it. `TowerlibError` in one sentence; then an earlier notebook
    stays as it was.
    """
    reports = Path(reports).resolve()
    with in_a_sentence():
        found = portfolio.gather(reports, month, budget)
    target = reports / found.month
    asked = {
        "reports_folder": "..",
        "month": found.month,
        "budget": -1.0 if budget is None else float(budget),
    }
    with in_a_sentence(), ExitStack() as stack:
        try:
            staging = stack.enter_context(safe_files.staging(reports, found.month))
            target.mkdir(exist_ok=True)
        except OSError as flaw:
            raise SettingsError(f"the portfolio cannot be written to {reports}: {flaw.strerror}") from None
        with kernel(staging) as manager:
            execute(PORTFOLIO, staging, asked, manager)
        (staging / f"{PORTFOLIO}.ipynb").replace(target / f"{PORTFOLIO}.ipynb")
    return found, [target / f"{PORTFOLIO}.ipynb", target / f"{PORTFOLIO}.html", reports / "index.html"]


@dataclass(frozen=True)
class Report:
    """Report folder of a line for a month, and the study that it shows."""

    folder: Path
    study: assessment.Study


def line_folders(folder: str | Path, only: Sequence[str] = ()) -> list[Path]:
    """The line folders to run, in alphabetical order: `folder` itself if it holds ``line.toml``, else those inside it.

    `only` names line ids or folders; empty takes all. `RecordsError` where there is no line folder, `SettingsError`
    where a name in `only` is no line of the portfolio, or two folders are the same line.
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
        raise SettingsError(f"{unknown[0]!r} is no line in {folder}{nearest(unknown[0], sorted(named))}")
    return sorted({named[name] for name in only})


def run_line(
    folder: str | Path,
    reports: str | Path,
    month: str = "",
    parameters: dict[str, str] | None = None,
    on_step: Callable[[str], object] = lambda step: None,
    *,
    pdf: bool = False,
) -> Report:
    """Run the notebooks of one line for a month ``YYYY-MM`` (blank: that of the newest visit) into its report folder.

    Parameters
    ----------
    reports
        The report goes to ``reports/<line id>/<month>/``.
    parameters
        Further notebook parameters; each must be known to one of the notebooks.
    on_step
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
    on_step("reading records")
    with in_a_sentence():
        study = assessment.assess(folder, month)
    target = Path(reports).resolve() / study.line.id / study.month
    ours = {
        "line": folder.name,
        "month": study.month,
        "records_folder": str(folder.parent),
        "reports_folder": ".",
    }
    with in_a_sentence(), _staging(target) as staging:
        with kernel(staging, study.records.latest) as manager:
            for name in NOTEBOOKS:
                on_step(f"notebook {name}")
                execute(name, staging, ours | extra.get(name, {}), manager)
        if pdf:
            from towerlib.report import summary

            on_step("summary.pdf")
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
    with in_a_sentence(), _staging(target) as staging:
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
    """Assess a line and write the field sheet for some of its towers, chosen as by `towerlib.fieldwork.choose`.

    The files go to `out`, else to ``reports/<line id>/fieldsheet/<month>/``; the month ``YYYY-MM`` is that of the
    newest visit where it is blank. Flaws are one sentence; then nothing was written.
    """
    from towerlib import fieldwork
    from towerlib.report import fieldsheet, map_layers

    fieldwork.check_stretch(from_km, to_km)
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

    with in_a_sentence():
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
    """Two folders with one id would write to one report folder; letter case does not distinguish folders everywhere."""
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
