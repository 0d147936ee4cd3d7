"""The page over all lines of a month, and the index of all reports.

The page holds the answer, safety, the ranking of the lines, coverage and backlog over time, and one budget split over all
lines. Links are relative and lead to files that are there.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import quote

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from towerlib import portfolio as portfolios
from towerlib import safe_files
from towerlib.errors import SettingsError
from towerlib.months import MONTH
from towerlib.outages import HONEST
from towerlib.report import layout, pages, style
from towerlib.report.pages import Answer
from towerlib.report.tower_marks import each, number_of
from towerlib.text import (
    BLANK,
    counted,
    ends,
    interval,
    isolated,
    money,
    named,
    percent,
    sentence,
    significant,
)
from towerlib.values import number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from towerlib.portfolio import Portfolio, Split

NAMES_MM, ROW_MM, MOST = 58, 6.5, 40
REACH = {  # column: words, colour, line
    "usable_percent": ("usable reading in force", "#1f4e79", "-"),
    "above_limit_percent": ("above the limit", "#b35900", "--"),
    "overdue_percent": ("overdue", "#7a3b8f", "-."),
    "never_tested_percent": ("never tested", "#4d4d4d", ":"),
}


def pictures(portfolio: Portfolio) -> dict[str, dict[str, Any]]:
    """Pictures with their words for those who do not see them.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    dict of str to dict
        avoidable, reach: src (data URI of a PNG), alt, wide_mm, high_mm; or why (there is none).
    """
    with warnings.catch_warnings():
        # a name in letters that the font lacks shows boxes; in the tables of the page it stands in full
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        return {
            "avoidable": pages.picture(avoidable(portfolio.lines), _avoidable_words(portfolio.lines)),
            "reach": pages.picture(reach(portfolio.coverage), _reach_words(portfolio.coverage)),
        }


def avoidable(lines: pd.DataFrame) -> Figure | None:
    """Avoidable trip-outs a year of each line with their intervals.

    Parameters
    ----------
    lines : pandas.DataFrame
        As `towerlib.portfolio.lines_table` gives it.

    Returns
    -------
    matplotlib.figure.Figure or None
        None where no line has a figure.
    """
    shown = lines[lines["avoidable_per_year"].notna()].head(MOST)
    if shown.empty:
        return None
    with style.house():
        body = ROW_MM * len(shown) + 12
        notes = [f"The first {MOST} of {len(lines)} lines." if len(lines) > MOST else ""]
        figure, foot = layout.new_sheet(
            body,
            "Lightning trip-outs that footings at target would avoid",
            "a year; thin line: 80 % interval of the model",
            notes,
        )
        axes = layout.new_panel(
            figure,
            NAMES_MM,
            foot + 10,
            layout.WIDTH_MM - NAMES_MM - 2 * layout.MARGIN_MM,
            ROW_MM * len(shown),
        )
        rows, value = np.arange(len(shown)), cast("Any", shown["avoidable_per_year"]).to_numpy(float)
        axes.barh(rows, value, height=0.62, color="#7ea6c9", edgecolor=style.INK, linewidth=0.5)
        axes.hlines(rows, shown["avoidable_low"], shown["avoidable_high"], color=style.INK, linewidth=1.1)
        names = [layout.shortened(text, NAMES_MM - 8, style.SMALL_PT) for text in shown["title"]]
        axes.set_yticks(rows, names)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlim(0, None)
        axes.set_xlabel("trip-outs avoided a year")
        return figure


def _avoidable_words(lines):
    known = lines[lines["avoidable_per_year"].notna()]
    if known.empty:
        return "Not available: no line has a trip-out rate."
    parts = [f"{isolated(row.title)} {significant(row.avoidable_per_year)}" for row in each(known.head(6))]
    return (
        f"Bars, avoidable trip-outs a year of {counted(len(known), 'line')}, most first: {'; '.join(parts)}."
    )


def reach(coverage: pd.DataFrame) -> Figure | None:
    """Coverage and backlog of all lines over the months.

    Parameters
    ----------
    coverage : pandas.DataFrame
        As `towerlib.changes.portfolio` gives it.

    Returns
    -------
    matplotlib.figure.Figure or None
        None where there is but one month.
    """
    if len(coverage) < 2:
        return None
    with style.house():
        figure, foot = layout.new_sheet(
            62, "Coverage and backlog of all lines", "share of the towers, by the records of today"
        )
        axes = layout.new_panel(figure, 18, foot + 14, layout.WIDTH_MM - 24, 46)
        when = pd.PeriodIndex(coverage["month"], freq="M").to_timestamp(how="end").to_numpy()
        for name, (words, colour, stroke) in REACH.items():
            axes.step(
                when,
                coverage[name].to_numpy(float),
                where="pre",
                color=colour,
                linestyle=stroke,
                linewidth=1.4,
                label=words,
            )
        axes.set_ylim(0, 100)
        axes.set_xlim(when[0], when[-1])
        axes.yaxis.set_major_locator(MaxNLocator(5))
        axes.set_ylabel("towers [%]")
        axes.grid(axis="y", color="#dddddd", linewidth=0.5)
        layout.legend(figure, axes.get_legend_handles_labels()[0], 18, foot + 1, layout.WIDTH_MM - 24)
        return figure


def _reach_words(coverage):
    if len(coverage) < 2:
        return "There is only one month to show."
    first, last = coverage.iloc[0], coverage.iloc[-1]
    parts = [
        f"{REACH[f'{name}_percent'][0]} {percent(first[name], first['towers'])} then, "
        f"{percent(last[name], last['towers'])} now"
        for name in ("usable", "above_limit", "overdue", "never_tested")
    ]
    return f"Lines over time from {first['month']} to {last['month']}, share of towers: {'; '.join(parts)}."


FILES = {  # files of a line's month that a page links to
    "summary.html": "summary",
    "explorer.html": "explorer",
    "priority-list.xlsx": "list",
    "priority-list.csv": "list as CSV",
    "retest-list.csv": "retests",
    "changes.csv": "changes",
}


def ranked(portfolio: Portfolio, reports: str | Path, back: str = "..") -> list[dict[str, Any]]:
    """The lines by avoidable trip-outs, with their files.

    Parameters
    ----------
    portfolio : Portfolio
    reports : path
        Folder of the reports: only files that are there are linked.
    back : str
        From the page to that folder.

    Returns
    -------
    list of dict
    """
    return [
        {
            "rank": _rank(row.rank_trip_outs),
            "rank_money": _rank(row.rank_money),
            "title": row.title,
            "size": f"{counted(row.towers, 'tower')}, {significant(row.length_km, 3)}{BLANK}km",
            "above": f"{row.above_limit} ({percent(row.above_limit, row.towers)})",
            "observed": _observed(row),
            "expected": interval(row.trip_outs_per_year, row.trip_outs_low, row.trip_outs_high),
            "basis": "" if _unknown(row.trip_outs_per_year) else row.basis,
            "avoidable": interval(row.avoidable_per_year, row.avoidable_low, row.avoidable_high),
            "money": interval(row.money_per_year, row.money_low, row.money_high),
            "currency": row.currency,
            "links": links(reports, row.folder, portfolio.month, back),
        }
        for row in each(portfolio.lines)
    ]


def _rank(place):
    return "–" if place is pd.NA else str(place)


def _observed(row):
    if _unknown(row.observed_trip_outs):
        return "no record"
    return f"{int(row.observed_trip_outs)} in {significant(row.observed_years)}{BLANK}years"


def links(reports: str | Path, folder: str, month: str, back: str = "..") -> list[tuple[str, str]]:
    """Files of a line's month that are there.

    Parameters
    ----------
    reports : path
    folder, month : str
        Names of the line's folder and of the month in it.
    back : str
        From the page to the reports folder.

    Returns
    -------
    list of (str, str)
        Relative address and words.
    """
    place = Path(reports) / folder / month
    start = f"{back}/{quote(folder, safe='')}/{month}"
    return [(f"{start}/{name}", words) for name, words in FILES.items() if (place / name).is_file()]


def reach_rows(portfolio: Portfolio) -> list[dict[str, str]]:
    """Coverage and backlog at the end of each year and in the last month.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
        month, and counts with their shares.
    """
    table = portfolio.coverage
    kept: Any = table[table["month"].str.endswith("-12") | (table["month"] == table["month"].iloc[-1])]
    names = ("tested", "usable", "overdue", "never_tested", "above_limit")
    return [
        {"month": row["month"]}
        | {name: f"{row[name]} ({percent(row[name], row['towers'])})" for name in names}
        for row in kept.tail(8).to_dict("records")
    ]


def safety(portfolio: Portfolio) -> list[dict[str, Any]]:
    """Counts of safety items, the line with most first.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
    """
    order = ["safety_queue", "touch_above", "leads_missing", "bonds_to_inspect"]
    return portfolio.lines.sort_values(order, ascending=False, kind="stable").to_dict("records")


def budgets(portfolio: Portfolio) -> list[dict[str, str]]:
    """The split beside the lines' own plans, and their sums.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
        One a line, the last of all lines; empty without a split.
    """
    table = portfolio.split.table
    if not len(table):
        return []
    titles = portfolio.lines.set_index("line_id")["title"]
    rows = [{"title": titles[row["line_id"]], **_budget(row)} for row in table.to_dict("records")]
    sums = table.drop(columns="line_id").sum(skipna=False).to_dict()
    return [*rows, {"title": "All lines in the split", **_budget(sums)}]


def _budget(row):
    """One row of the split in words."""
    towers = "–" if _unknown(row["own_towers"]) else f"{row['own_towers']:.0f}"
    return {
        "own_budget": significant(row["own_budget"], 3),
        "own_spent": significant(row["own_spent"], 3),
        "own_towers": towers,
        "own": significant(row["own_per_year"]),
        "own_band": ends(row["own_low"], row["own_high"]),
        "own_money": significant(row["own_money_per_year"]),
        "spent": significant(row["spent"], 3),
        "towers": f"{row['towers']:.0f}",
        "found": significant(row["avoided_per_year"]),
        "band": ends(row["avoided_low"], row["avoided_high"]),
        "money": significant(row["money_per_year"]),
        "more": _signed(row["avoided_per_year"] - row["own_per_year"]),
    }


def _signed(number):
    """A difference with its sign."""
    return (
        significant(number).replace("-", "−")
        if _unknown(number) or number <= 0
        else f"+{significant(number)}"
    )


def years(split: Split) -> list[str]:
    """What each year of the split holds, in sentences.

    Parameters
    ----------
    split : Split

    Returns
    -------
    list of str
    """
    if split.plan is None:
        return []
    return [
        f"Year {row.year}: {counted(row.towers, 'tower')} in {counted(row.mobilisations, 'mobilisation')}, "
        f"{significant(row.spent, 3)} of {significant(row.budget, 3)}{BLANK}{split.currency}, "
        f"{significant(row.crew_weeks)}{BLANK}crew-weeks."
        for row in each(split.plan.years)
    ]


def _unknown(number):
    return not math.isfinite(number)


UNCERTAIN = (
    HONEST,
    "A calibration rests on few trip-outs. A line with a handful of them can change its rank by chance, and the worst line "
    "of some years improves by itself. Keep some untreated lines for comparison.",
    "Intervals of sums add the ends of the lines, as if all erred alike. They are too wide where the errors differ.",
    "The cost of a trip-out is one figure per line. Where only a range is known, compare the ranks at both ends.",
    "A rank is no proof of need: a small line with few towers can be the worst per kilometre.",
)


TERMS = (
    ("Trip-out", "a line is switched off by a fault, for a moment or longer"),
    ("Footing impedance", "impedance of the earthing of one tower, without the shield wires [Ω]"),
    ("Target, limit", "good up to the target, acceptable up to the limit"),
    ("Avoidable", "trip-outs that footings at their target would avoid"),
    ("Calibrated", "the model weighted towards the record of the line, the more the longer the record"),
    ("Interval", "range that holds the true figure with the stated probability"),
    ("Touch-voltage screening", "first estimate of the voltage that a hand can meet during an earth fault"),
    ("Shield-wire bond", "joint between tower and shield wire"),
)


def headline(portfolio: Portfolio) -> Answer:
    """Avoidable trip-outs of all lines, the first line, and what the split of the budget achieves.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    Answer
    """
    first, sums, answer = portfolio.lines.iloc[0], portfolio.totals, Answer()
    if not math.isfinite(first["avoidable_per_year"]):
        answer.said.append((True, "Avoidable lightning trip-outs: not available."))
        answer.said.append((False, "No trip-out rate is known on any of these lines."))
    else:
        rate, low, high = (sums[f"avoidable_{end}"] for end in ("per_year", "low", "high"))
        between = ends(low, high)
        answer.said.append((True, f"Avoidable lightning trip-outs: {significant(rate)} a year"))
        answer.said.append(
            (
                False,
                (f"(80{BLANK}% interval {between}), " if between else "– ")
                + f"{percent(first['avoidable_per_year'], rate)} of them on {isolated(first['title'])}.",
            )
        )
        answer.basis.append("model, calibrated where a line has a record; every footing at its target")
    _gain(answer, portfolio.split)
    return answer


def _gain(answer: Answer, split: Split) -> None:
    """What one budget for all lines achieves beside their own plans (changes the answer)."""
    if split.plan is None:
        return
    own = float(split.table["own_per_year"].to_numpy("float64").sum())
    found = float(np.nansum(split.table["avoided_per_year"].to_numpy("float64")))
    answer.said.append(
        (
            True,
            f"One budget of {money(split.total, split.currency, digits=2)} would avoid {significant(found)} a year",
        )
    )
    beside = f", against {significant(own)} by the lines' own plans" if math.isfinite(own) else ""
    answer.said.append((False, f"split over the lines{beside}."))


def figures(portfolio: Portfolio) -> list[dict[str, str]]:
    """The state of all lines in figures.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
        what, big, more.
    """
    lines, sums = portfolio.lines, portfolio.totals
    known = number_of(lines["trip_outs_per_year"].notna())
    seen = number_of(lines["observed_trip_outs"].notna())
    avoidable = [sums[f"avoidable_{end}"] for end in ("per_year", "low", "high")]
    earned = [sums[f"money_{end}"] for end in ("per_year", "low", "high")]
    of = f"of {counted(int(sums['towers']), 'tower')}"
    return [
        _figure(
            "above their limit",
            counted(int(sums["above_limit"]), "tower"),
            f"{of}, {significant(sums['length_km'], 3)}{BLANK}km",
        ),
        _figure(
            "without a usable reading of the footing alone",
            counted(int(sums["unread"]), "tower"),
            f"{of}; {int(sums['never_tested'])} never tested, {int(sums['overdue'])} overdue",
        ),
        _figure(
            "recorded lightning trip-outs",
            _times(sums["observed_per_year"]),
            f"{_number(sums['observed_trip_outs'])} in the records of {seen} of {counted(len(lines), 'line')}",
        ),
        _figure(
            "expected lightning trip-outs",
            _times(sums["trip_outs_per_year"]),
            f"on {known} of {counted(len(lines), 'line')}, calibrated where there is a record",
        ),
        _figure(
            "avoidable by footings at target",
            _times(avoidable[0]),
            f"80{BLANK}% interval of the model {_part_ends(avoidable)}",
        ),
        _figure(
            "cost of the avoidable trip-outs",
            _money(earned[0], portfolio) + ("" if _blank(earned[0]) else " a year"),
            "the cost of a trip-out or one currency is not set on all lines"
            if _blank(earned[0])
            else f"{_part_ends(earned)}, same interval",
        ),
    ]


def _figure(what, big, more):
    return {"what": what, "big": big, "more": more}


def _blank(number):
    return not math.isfinite(number)


def _times(rate):
    return "not available" if _blank(rate) else f"{significant(rate)} a year"


def _number(number):
    return "none" if _blank(number) else f"{int(number)}"


def _part_ends(figures: Sequence[float]) -> str:
    return ends(figures[1], figures[2]) or "not available"


def _money(amount, portfolio):
    return "not available" if _blank(amount) else money(amount, portfolio.lines["currency"].iloc[0], digits=2)


def missing(portfolio: Portfolio) -> list[tuple[str, str]]:
    """Lines that are not on the page, and why.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of (str, str)
    """
    return [(folder, sentence(why)) for folder, why in portfolio.missing.items()]


def answer(portfolio: Portfolio) -> str:
    """The answer in plain text, for a terminal or a notebook.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    str
    """
    lines = [f"{portfolio.month}: {counted(len(portfolio.lines), 'line')}. {headline(portfolio)}"]
    if portfolio.missing:
        lines.append(f"Not included: {named(f'{name} ({why})' for name, why in portfolio.missing.items())}.")
    lines += [
        f"Safety, not traded against cost: {counted(int(portfolio.totals['safety_queue']), 'tower')} in the safety queue."
    ]
    return "\n".join(lines).replace("\u00a0", " ").replace("\u202f", " ")


def write(portfolio: Portfolio, reports: str | Path) -> list[Path]:
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
        for target, text in ((path, lambda: page_html(portfolio, reports)), (start, lambda: index(reports))):
            with safe_files.replace_files(
                target.parent
            ) as place:  # the index links the page, so it comes after it
                (place / target.name).write_bytes(text().encode("utf-8"))
    except OSError as flaw:
        raise SettingsError(f"the portfolio cannot be written to {reports}: {flaw.strerror}") from None
    return [path, start]


def page_html(portfolio: Portfolio, reports: str | Path) -> str:
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
    return pages.render(
        "portfolio.html",
        month=portfolio.month,
        lines=portfolio.lines,
        headline=headline(portfolio),
        figures=figures(portfolio),
        missing=missing(portfolio),
        ranked=ranked(portfolio, reports),
        pictures=pictures(portfolio),
        safety=safety(portfolio),
        reach=reach_rows(portfolio),
        budgets=budgets(portfolio),
        split=split,
        years=years(split),
        model_factor=number("trip_out_model_factor"),
        uncertain=UNCERTAIN,
        terms=TERMS,
    )


def index(reports: str | Path) -> str:
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
                {"month": month, "links": links(reports, folder, month, ".")} for month in months[::-1]
            ],
        }
        for folder, months in portfolios.months_of(reports).items()
    ]
    whole = [
        (f"{quote(path.parent.name)}/portfolio.html", path.parent.name)
        for path in sorted(reports.glob("*/portfolio.html"), reverse=True)
        if MONTH.fullmatch(path.parent.name)
    ]
    return pages.render("index.html", lines=lines, whole=whole)
