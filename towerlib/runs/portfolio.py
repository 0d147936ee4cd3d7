"""All lines of a month: the portfolio's notebook and its pages, from the reports that stand."""

from contextlib import ExitStack
from pathlib import Path

from towerlib import atomic, portfolio
from towerlib.errors import SettingsError
from towerlib.runs import books

NAME = "portfolio"


def run(reports, month="", budget=None):
    """Run the notebook of the portfolio; it writes the pages.

    Parameters
    ----------
    reports : path
        Folder of the reports.
    month : str
        ``YYYY-MM``; blank takes the newest that any line has.
    budget : float, optional
        Money to split; else the sum of the lines' budgets.

    Returns
    -------
    (Portfolio, list of pathlib.Path)
        The notebook, the page and the index, in the folder of the month and beside it.

    Raises
    ------
    TowerlibError
        In one sentence; then the notebook of before stands, if there is one.
    """
    reports = Path(reports).resolve()
    with books.in_a_sentence():
        found = portfolio.gather(reports, month, budget)
    target = reports / found.month
    asked = {
        "reports_folder": "..",
        "month": found.month,
        "budget": -1.0 if budget is None else float(budget),
    }
    with books.in_a_sentence(), ExitStack() as stack:
        try:
            staging = stack.enter_context(atomic.staging(reports, found.month))
            target.mkdir(exist_ok=True)
        except OSError as flaw:
            raise SettingsError(f"the portfolio cannot be written to {reports}: {flaw.strerror}") from None
        with books.kernel(staging) as manager:
            books.execute(NAME, staging, asked, manager)
        (staging / f"{NAME}.ipynb").replace(target / f"{NAME}.ipynb")
    return found, [target / f"{NAME}.ipynb", target / f"{NAME}.html", reports / "index.html"]
