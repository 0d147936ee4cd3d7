"""The page of one line and month, for the decision: one HTML file that needs no other, and a PDF of it.

`sections` holds answer, figures, coverage, rates, changes and rules, `works` the towers and the plan, `pictures` the
pictures.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from towerlib.errors import SettingsError
from towerlib.plan import sensitivity as plans
from towerlib.report import pages
from towerlib.report.summary import pictures, sections, works

if TYPE_CHECKING:
    import pandas as pd

    from towerlib.assessment import Study
    from towerlib.changes import Changes
    from towerlib.plan.sensitivity import Outlook

NO_PDF = "summary.pdf needs WeasyPrint: install towerlib with its extra, pip install 'towerlib[pdf]', or print the page"


def write(
    study: Study, path: str | Path, changes: Changes | None = None, *, outlook: Outlook | None = None
) -> Path:
    """Write the page of a line's month.

    `path`: ``summary.html``; its folder exists; `changes`: This month against the last, as
    `towerlib.changes.against_last` gives it; `outlook`: Other budgets, knee and next tests; without it the three
    budgets are planned here, and knee and next tests are left out. It holds no time and no path: the same records
    give the same bytes.
    """
    path = Path(path)
    path.write_bytes(page(study, changes, outlook=outlook).encode("utf-8"))
    return path


def page(study: Study, changes: Changes | None = None, *, outlook: Outlook | None = None) -> str:
    """The page as HTML.

    Without scripts and without anything from elsewhere; prints on A4 upright.
    """
    levels = _levels(study, outlook)
    parts = sections.measures(study)
    return pages.render(
        "summary.html",
        line=study.line,
        month=study.month,
        headline=sections.headline(study),
        figures=sections.problem(study),
        pictures=pictures.pictures(study),
        coverage=sections.covered(study),
        measures=parts,
        grade=sections.overall(parts),
        grade_rule=sections.RULE,
        first_ten=works.first_ten(study),
        safety=works.safety(study),
        trip_outs=sections.trip_outs(study),
        no_rate=sections.EMPTY,
        budgets=works.bought(study, levels),
        plan_remarks=works.remarks(study, levels, outlook),
        checks=works.checks(study, levels),
        changed=sections.changed(changes),
        uncertain=sections.uncertain(study),
        assumed=sections.assumed(study),
        off=sections.off(study),
        unusual=sections.unusual(study),
        rules=sections.rules(study),
        terms=sections.TERMS,
    )


def _levels(study: Study, outlook: Outlook | None) -> pd.DataFrame | None:
    """Plans at three budgets; None without a plan."""
    if outlook is not None:
        return outlook.levels
    return None if study.budget.plan is None else plans.levels(study.budget, study.condition)


def write_pdf(page_path: str | Path, path: str | Path) -> Path:
    """The page as PDF, for those who file paper.

    `page_path`: ``summary.html``, as `write` leaves it; `path`: ``summary.pdf``. Raises `SettingsError`:
    WeasyPrint, the optional extra ``pdf``, is not installed.
    """
    try:
        from weasyprint import HTML  # pyright: ignore[reportMissingImports]  # an optional extra
        from weasyprint.urls import URLFetcher  # pyright: ignore[reportMissingImports]
    except (ImportError, OSError):  # OSError: the libraries of the system that it draws with are not there
        raise SettingsError(NO_PDF) from None
    inside = URLFetcher(
        allowed_protocols=["data"], fail_on_errors=True
    )  # nothing is read but the page itself
    text = Path(page_path).read_text(encoding="utf-8")
    HTML(string=text, url_fetcher=inside).write_pdf(str(path), pdf_tags=True)
    return Path(path)
