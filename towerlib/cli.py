"""The ``towerlib`` command: its arguments, the call, and the printed result."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from towerlib.errors import SettingsError, TowerlibError, sentence

if TYPE_CHECKING:
    from towerlib.portfolio import Portfolio
    from towerlib.runs import Report

app = typer.Typer(add_completion=False, no_args_is_help=True, pretty_exceptions_enable=False)

DONE, SOME_FAILED, WRONG_INPUT = 0, 1, 2
Folder = Annotated[
    Path, typer.Argument(help="A line folder, or a folder of line folders.", show_default=False)
]


@app.callback()
def towerlib() -> None:
    """Tower earthing records of whole lines: ranked, mapped, and turned into a priority list."""


@app.command()
def run(
    folder: Folder,
    month: Annotated[str, typer.Option(help="YYYY-MM; that of the newest visit when missing.")] = "",
    line: Annotated[
        list[str] | None, typer.Option(help="Only this line; may be given several times.")
    ] = None,
    reports: Annotated[Path, typer.Option(help="Where the reports go.")] = Path("reports"),
    parameter: Annotated[list[str] | None, typer.Option(help="NAME=VALUE for the notebooks.")] = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write summary.pdf too; takes the extra 'pdf'.")] = False,
) -> None:
    """Run the notebooks of each line for a month and write its report folder."""
    from towerlib import assessment, months, runs

    os.environ.setdefault(assessment.PROGRESS, "off")  # the run has a bar of its own
    if month:
        months.last_day(month)
    parameters = _pairs(parameter or [])
    runs.typed(parameters)
    folders = runs.line_folders(folder, line or ())
    failed = []
    with _progress(len(folders) * (len(runs.NOTEBOOKS) + 1 + pdf)) as report_step:
        for place in folders:
            try:
                steps = partial(report_step, place.name)
                report = runs.run_line(place, reports, month, parameters, steps, pdf=pdf)
            except TowerlibError as flaw:
                failed.append(place.name)
                typer.echo(f"{place.name}: {flaw}", err=True)
            else:
                typer.echo(_outcome(report))
    if failed and len(failed) == len(folders):
        raise typer.Exit(WRONG_INPUT)
    if len(folders) > 1 and not _portfolio(reports, month):
        failed.append("portfolio")
    if failed:
        raise typer.Exit(SOME_FAILED)


@app.command()
def portfolio(
    reports: Annotated[Path, typer.Argument(help="The folder that `towerlib run` wrote reports to.")] = Path(
        "reports"
    ),
    month: Annotated[str, typer.Option(help="YYYY-MM; the newest of any line when missing.")] = "",
    budget: Annotated[
        float | None,
        typer.Option(help="Money to split over the lines; the sum of their budgets when missing."),
    ] = None,
) -> None:
    """Put the lines of a month side by side, from their reports: ranks, coverage, one budget over all."""
    from towerlib import runs

    found, paths = runs.run_portfolio(reports, month, budget)
    typer.echo(_side_by_side(found, paths))
    if found.missing:
        raise typer.Exit(SOME_FAILED)


@app.command()
def check(
    folder: Folder,
    reports: Annotated[Path, typer.Option(help="The lists go to <reports>/<line id>/check/.")] = Path(
        "reports"
    ),
) -> None:
    """List what can be used of each file and crew, and write rejected and repaired rows."""
    from towerlib import runs

    statuses = [_check(place, reports) for place in runs.line_folders(folder)]
    raise typer.Exit(max(statuses))


@app.command()
def fieldsheet(
    folder: Annotated[Path, typer.Argument(help="A line folder.", show_default=False)],
    towers: Annotated[
        str,
        typer.Option(
            help="retest, priority, plan, all, a queue (safety, repair, bond, footing), or tower names separated by commas; "
            "retest when missing, all where a stretch is given."
        ),
    ] = "",
    from_km: Annotated[float | None, typer.Option(help="Only towers from this chainage on.")] = None,
    to_km: Annotated[float | None, typer.Option(help="Only towers up to this chainage.")] = None,
    month: Annotated[str, typer.Option(help="YYYY-MM; that of the newest visit when missing.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="Else reports/<line id>/fieldsheet/<YYYY-MM>/.", show_default=False)
    ] = None,
) -> None:
    """Write sheets for a crew: pages to print, probe places for a handheld, tables to fill in."""
    from towerlib import runs

    sheet, paths = runs.write_fieldsheet(
        folder, out, towers=towers, month=month, from_km=from_km, to_km=to_km
    )
    typer.echo(f"{sheet.chosen} {len(sheet.stops)} to visit\n\nwritten: {', '.join(map(str, paths))}")


@app.command()
def simulate(
    folder: Annotated[Path, typer.Argument(help="Where the line folders go.", show_default=False)],
) -> None:
    """Write the demo portfolio: invented lines with known hidden defects."""
    from towerlib.simulate import write_demo

    for place in write_demo(folder):
        typer.echo(f"written: {place}")


@app.command()
def tables() -> None:
    """Print the data dictionary: every table and column that a line folder may hold."""
    from towerlib.dictionary import document

    typer.echo(document())


def main() -> None:
    """Entry point: a flaw in the input is one sentence and exit status 2; a signal ends it as Ctrl-C does."""
    try:
        with _ended_by_signals():
            app()
    except (TowerlibError, OSError) as flaw:
        with suppress(OSError):  # nobody may be left to read it
            typer.echo(f"towerlib: {sentence(flaw)}", err=True)
        sys.exit(WRONG_INPUT)


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """SIGTERM and SIGHUP unwind the run, so that it removes what it had not finished and stops its kernel."""

    def end(number: int, _: object) -> None:
        for each in numbers:  # a second one must not cut the tidying short; Ctrl-C still does
            signal.signal(each, signal.SIG_IGN)
        raise SystemExit(128 + number)

    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {getattr(signal, name): signal.getsignal(getattr(signal, name)) for name in names}
    numbers = [number for number, handler in before.items() if handler is not signal.SIG_IGN]  # nohup stays
    for number in numbers:
        signal.signal(number, end)
    try:
        yield
    finally:
        for number in numbers:
            signal.signal(number, before[number])


def _check(place: Path, reports: Path) -> int:
    """One line folder checked: 0 clean, 1 something rejected, 2 unusable."""
    from towerlib import runs

    try:
        records, verdict, paths = runs.check_line(place, reports)
    except (TowerlibError, OSError) as flaw:
        typer.echo(f"{place.name}: {sentence(flaw)}", err=True)
        return WRONG_INPUT
    typer.echo(f"{verdict}\n\nwritten: {paths[0]} and {paths[1].name}\n")
    return SOME_FAILED if len(records.rejected) else DONE


def _portfolio(reports: Path, month: str) -> bool:
    """The portfolio at the end of a run; whether it could be written."""
    from towerlib import runs

    try:
        typer.echo(_side_by_side(*runs.run_portfolio(reports, month)))
    except TowerlibError as flaw:
        typer.echo(f"portfolio: {flaw}", err=True)
        return False
    return True


def _side_by_side(found: Portfolio, paths: list[Path]) -> str:
    """Answer of the portfolio, and where its pages are."""
    from towerlib.report import portfolio_page

    return f"{portfolio_page.answer(found)}\nwritten: {', '.join(map(str, paths))}"


def _pairs(texts: list[str]) -> dict[str, str]:
    """NAME=VALUE options as a dictionary."""
    pairs = [text.partition("=") for text in texts]
    for text, (name, sign, _) in zip(texts, pairs, strict=True):
        if not (name and sign):
            raise SettingsError(f"--parameter {text!r} must read NAME=VALUE")
    return {name: value for name, _, value in pairs}


def _outcome(report: Report) -> str:
    """Place of the list, number of rows read, and its first five rows."""
    study = report.study
    counts = study.records.counts.sum()
    top = study.priority.head(5)
    shown = top.loc[
        :, ["rank", "queue", "tower_id", "chainage_km", "footing_ohm", "gap_fraction", "next_step"]
    ]
    head = (
        f"{study.line.title}, {study.month}: {len(study.priority)} towers; rows in {counts['rows_in']}, "
        f"used {counts['used']}, rejected {counts['rejected']}"
    )
    table = shown.to_string(
        index=False, na_rep="-", float_format=lambda value: f"{value:.2f}", max_colwidth=60
    )
    return f"{head}\n{report.folder / 'priority-list.csv'}\n{table}\n"


def _progress(total: int) -> AbstractContextManager[Callable[[str, str], object]]:
    """A bar on a terminal, plain lines elsewhere; gives a function of (line, step)."""

    @contextmanager
    def plain() -> Iterator[Callable[[str, str], object]]:
        yield lambda name, step: typer.echo(f"{name}: {step}", err=True)

    @contextmanager
    def bar() -> Iterator[Callable[[str, str], object]]:
        from rich.console import Console
        from rich.progress import Progress

        with Progress(console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("starting", total=total)
            yield lambda name, step: progress.update(task, description=f"{name}: {step}", advance=1)

    return bar() if sys.stderr.isatty() else plain()
