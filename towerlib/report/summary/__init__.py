"""The page of one line and month, for whoever has to decide: one HTML file that needs nothing else, and a PDF of it."""

from functools import cache
from importlib.resources import files
from pathlib import Path

from towerlib.errors import SettingsError
from towerlib.plan import sensitivity as plans
from towerlib.report import cautions
from towerlib.report.summary import pictures, sections, works

NO_PDF = "summary.pdf needs WeasyPrint: install towerlib with its extra, pip install 'towerlib[pdf]', or print the page"


def write(study, path, changes=None, *, outlook=None):
    """Write the page of a line's month.

    Parameters
    ----------
    study : Study
    path : path
        ``summary.html``; its folder exists.
    changes : Changes, optional
        This month against the last, as `towerlib.changes.against_last` gives it.
    outlook : towerlib.plan.sensitivity.Outlook, optional
        What stands around the plan; without it the three budgets are planned here, and knee and next tests are
        not told.

    Returns
    -------
    pathlib.Path

    Notes
    -----
    No time and no path stand in it: the same records give the same bytes.
    """
    path = Path(path)
    path.write_bytes(page(study, changes, outlook=outlook).encode("utf-8"))
    return path


def page(study, changes=None, *, outlook=None):
    """The page as HTML.

    Parameters
    ----------
    study : Study
    changes : Changes, optional
    outlook : towerlib.plan.sensitivity.Outlook, optional
        As for `write`.

    Returns
    -------
    str
        Without scripts and without anything from elsewhere; prints on A4 upright.
    """
    levels = _levels(study, outlook)
    parts = sections.measures(study)
    return _template().render(
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
        cautions=cautions.CAUTIONS,
        trip_outs=sections.trip_outs(study),
        no_rate=sections.EMPTY,
        budgets=works.bought(study, levels),
        plan_told=works.told(study, levels, outlook),
        checks=works.checks(study, levels),
        changed=sections.changed(changes),
        uncertain=sections.uncertain(study),
        assumed=sections.assumed(study),
        off=sections.off(study),
        unusual=sections.unusual(study),
        rules=sections.rules(study),
    )


def _levels(study, outlook):
    """Plans at three budgets; None without a plan."""
    if outlook is not None:
        return outlook.levels
    return None if study.budget.plan is None else plans.levels(study.budget, study.condition)


def write_pdf(page_path, path):
    """The page as PDF, for those who file paper.

    Parameters
    ----------
    page_path : path
        ``summary.html``, as `write` leaves it.
    path : path
        ``summary.pdf``.

    Returns
    -------
    pathlib.Path

    Raises
    ------
    SettingsError
        WeasyPrint, the optional extra ``pdf``, is not installed.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError):  # OSError: the libraries of the system that it draws with are not there
        raise SettingsError(NO_PDF) from None
    inside = URLFetcher(
        allowed_protocols=["data"], fail_on_errors=True
    )  # nothing is read but the page itself
    text = Path(page_path).read_text(encoding="utf-8")
    HTML(string=text, url_fetcher=inside).write_pdf(str(path), pdf_tags=True)
    return Path(path)


@cache
def _template():
    """The shipped template; whatever is put into it is escaped."""
    from jinja2 import Environment, StrictUndefined

    text = files("towerlib.report").joinpath("templates", "summary.html").read_text(encoding="utf-8")
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return made.from_string(text)
