"""The page of one line and month, for whoever has to decide: one HTML file that needs nothing else, and a PDF of it."""

from functools import cache
from importlib.resources import files
from pathlib import Path

from towerlib.errors import SettingsError
from towerlib.plan import study as plans
from towerlib.publish import (
    cautions,
    summary_grade,
    summary_parts,
    summary_pictures,
    summary_plan,
    summary_sources,
    summary_towers,
)

NO_PDF = "summary.pdf needs WeasyPrint: install towerlib with its extra, pip install 'towerlib[pdf]', or print the page"


def write(study, path, changes=None, *, outlook=None):
    """Write the page of a line's month.

    Parameters
    ----------
    study : Assessment
    path : path
        ``summary.html``; its folder exists.
    changes : Changes, optional
        This month against the last, as `towerlib.changes.against_last` gives it.
    outlook : towerlib.plan.study.Outlook, optional
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
    study : Assessment
    changes : Changes, optional
    outlook : towerlib.plan.study.Outlook, optional
        As for `write`.

    Returns
    -------
    str
        Without scripts and without anything from elsewhere; prints on A4 upright.
    """
    levels = _levels(study, outlook)
    parts = summary_grade.measures(study)
    return _template().render(
        line=study.line,
        month=study.month,
        headline=summary_parts.headline(study),
        figures=summary_parts.problem(study),
        pictures=summary_pictures.pictures(study),
        coverage=summary_parts.covered(study),
        measures=parts,
        grade=summary_grade.overall(parts),
        grade_rule=summary_grade.RULE,
        first_ten=summary_towers.first_ten(study),
        safety=summary_towers.safety(study),
        cautions=cautions.CAUTIONS,
        trip_outs=summary_parts.trip_outs(study),
        no_rate=summary_parts.EMPTY,
        budgets=summary_plan.bought(study, levels),
        plan_told=summary_plan.told(study, levels, outlook),
        checks=summary_plan.checks(study, levels),
        changed=summary_parts.changed(changes),
        uncertain=summary_sources.uncertain(study),
        assumed=summary_sources.assumed(study),
        off=summary_sources.off(study),
        unusual=summary_sources.unusual(study),
        rules=summary_sources.rules(study),
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

    text = files("towerlib.publish").joinpath("templates", "summary.html").read_text(encoding="utf-8")
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return made.from_string(text)
