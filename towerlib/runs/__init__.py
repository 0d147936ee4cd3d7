"""One line, one month: the notebooks as papermill runs them, into a report folder that is whole or not there."""

import difflib
import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from towerlib import assessment, atomic, line
from towerlib.errors import RecordsError, SettingsError
from towerlib.records.load import changed
from towerlib.runs import books, manifest
from towerlib.runs.books import NOTEBOOKS, notebook, typed

__all__ = ["NOTEBOOKS", "Report", "check_line", "line_folders", "notebook", "run_line", "typed"]


@dataclass(frozen=True)
class Report:
    """Where a line's month went, and what is in it."""

    folder: Path
    study: assessment.Assessment


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


def run_line(folder, reports, month="", parameters=None, tell=lambda step: None, *, pdf=False):
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
    pdf : bool
        Whether ``summary.pdf`` is written beside the page; takes the extra ``pdf``.

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
    with books.in_a_sentence():
        study = assessment.assess(folder.parent, folder.name, month)
    target = Path(reports).resolve() / study.line.id / study.month
    ours = {
        "line": folder.name,
        "month": study.month,
        "records_folder": str(folder.parent),
        "reports_folder": ".",
    }
    with books.in_a_sentence(), _staging(target) as staging:
        with books.kernel(staging, study.records.latest) as manager:
            for name in NOTEBOOKS:
                tell(f"notebook {name}")
                books.execute(name, staging, ours | extra.get(name, {}), manager)
        if pdf:
            from towerlib.publish import summary

            tell("summary.pdf")
            summary.write_pdf(staging / "summary.html", staging / "summary.pdf")
        manifest.write(study, staging, ours | (parameters or {}))
        _insist_on_same(study.records)
        atomic.replace_folder(target, staging)
    return Report(target, study)


def _insist_on_same(records):
    """Refuse a report whose notebooks may have read other files than its counts and hashes are of."""
    if names := changed(records):
        named = ", ".join(names[:5]) + (" and more" if len(names) > 5 else "")
        raise RecordsError(
            f"{records.folder}: {named} changed during the run; run again when nobody writes to it"
        )


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

    with books.in_a_sentence():
        records, _, grades = assessment.read(folder)
    target = Path(reports) / records.line.id / "check"
    try:
        paths = intake.write(records, target)
    except OSError as flaw:
        raise SettingsError(f"lists cannot be written to {target}: {flaw.strerror}") from None
    return records, intake.words(records, grades), paths


@contextmanager
def _staging(target):
    """The folder in which the report grows, beside the place where it will stand."""
    with ExitStack() as stack:
        try:
            staging = stack.enter_context(atomic.staging(target.parent, target.name))
            (staging / "run.json").touch()
        except OSError as flaw:
            raise SettingsError(f"reports cannot be written to {target.parent}: {flaw.strerror}") from None
        yield staging


def _insist_on_one_folder_each(ids):
    """Two folders with one id would write to one report folder; letter case does not tell folders apart everywhere."""
    known = {}
    for path, line_id in ids.items():
        if line_id is None:
            continue
        other = known.setdefault(line_id.casefold(), path)
        if other != path:
            raise SettingsError(
                f"{other} and {path} are both the line {line_id!r}, and one report would overwrite the other; "
                "give each line an id of its own in its line.toml"
            )


def _id(folder):
    """Line id of a folder; None where the settings cannot be read (the run will say why)."""
    try:
        return line.read(folder / "line.toml").id
    except SettingsError:
        return None
