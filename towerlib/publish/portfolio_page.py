"""Pages over all lines: the portfolio of a month, and the index of every report; single HTML files without scripts."""

from functools import cache
from pathlib import Path
from urllib.parse import quote

from towerlib import atomic
from towerlib import portfolio as portfolios
from towerlib.errors import SettingsError
from towerlib.months import MONTH
from towerlib.publish import cautions, portfolio_parts, portfolio_pictures, portfolio_tables
from towerlib.values import number


def write(portfolio, reports):
    """Write the page of a portfolio and the index beside it.

    Parameters
    ----------
    portfolio : Portfolio
    reports : path
        Folder of the reports.

    Returns
    -------
    list of pathlib.Path
        ``<reports>/<YYYY-MM>/portfolio.html`` and ``<reports>/index.html``.

    Raises
    ------
    SettingsError
        They cannot be written.
    """
    reports = Path(reports)
    path, start = reports / portfolio.month / "portfolio.html", reports / "index.html"
    try:
        for target, text in ((path, lambda: page(portfolio, reports)), (start, lambda: index(reports))):
            with atomic.files(target.parent) as place:  # the index links the page, so it comes after it
                (place / target.name).write_bytes(text().encode("utf-8"))
    except OSError as flaw:
        raise SettingsError(f"the portfolio cannot be written to {reports}: {flaw.strerror}") from None
    return [path, start]


def page(portfolio, reports):
    """The page of a portfolio as HTML.

    Parameters
    ----------
    portfolio : Portfolio
    reports : path
        Folder of the reports; only files that are there are linked, by relative addresses.

    Returns
    -------
    str
        Without scripts and without anything from elsewhere; prints on A4 upright.
    """
    split = portfolio.split
    return _template("portfolio.html").render(
        month=portfolio.month,
        lines=portfolio.lines,
        headline=portfolio_parts.headline(portfolio),
        figures=portfolio_parts.figures(portfolio),
        missing=portfolio_parts.missing(portfolio),
        ranked=portfolio_tables.ranked(portfolio, reports),
        pictures=portfolio_pictures.pictures(portfolio),
        safety=portfolio_tables.safety(portfolio),
        reach=portfolio_tables.reach(portfolio),
        budgets=portfolio_tables.budgets(portfolio),
        split=split,
        years=portfolio_tables.years(split),
        model_factor=number("trip_out_model_factor"),
        uncertain=portfolio_parts.UNCERTAIN,
        cautions=cautions.CAUTIONS,
    )


def index(reports):
    """The index of every report in a folder as HTML.

    Parameters
    ----------
    reports : path

    Returns
    -------
    str
    """
    reports = Path(reports)
    lines = [
        {
            "folder": folder,
            "months": [
                {"month": month, "links": portfolio_tables.links(reports, folder, month, ".")}
                for month in months[::-1]
            ],
        }
        for folder, months in portfolios.months_of(reports).items()
    ]
    whole = [
        (f"{quote(path.parent.name)}/portfolio.html", path.parent.name)
        for path in sorted(reports.glob("*/portfolio.html"), reverse=True)
        if MONTH.fullmatch(path.parent.name)
    ]
    return _template("index.html").render(lines=lines, whole=whole, cautions=cautions.CAUTIONS)


@cache
def _template(name):
    """A shipped template; whatever is put into it is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("towerlib.publish"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return made.get_template(name)
