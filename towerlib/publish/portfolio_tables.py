"""Tables of the page of a portfolio in words: ranks with links, coverage, safety, the split of the budget."""

import math
from pathlib import Path
from urllib.parse import quote

import pandas as pd

from towerlib.publish.summary_words import BLANK, band, count, share, two

FILES = {  # files of a line's month that a page links to
    "summary.html": "summary",
    "explorer.html": "explorer",
    "priority-list.xlsx": "list",
    "priority-list.csv": "list as CSV",
    "retest-list.csv": "retests",
    "changes.csv": "changes",
}


def ranked(portfolio, reports, back=".."):
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
            "size": f"{count(row.towers, 'tower')}, {two(row.length_km, 3)}{BLANK}km",
            "above": f"{row.above_limit} ({share(row.above_limit, row.towers)})",
            "observed": _observed(row),
            "expected": band(row.trip_outs_per_year, row.trip_outs_low, row.trip_outs_high),
            "basis": "" if _unknown(row.trip_outs_per_year) else row.basis,
            "avoidable": band(row.avoidable_per_year, row.avoidable_low, row.avoidable_high),
            "money": band(row.money_per_year, row.money_low, row.money_high),
            "currency": row.currency,
            "links": links(reports, row.folder, portfolio.month, back),
        }
        for row in portfolio.lines.itertuples()
    ]


def _rank(place):
    return "–" if place is pd.NA else str(place)


def _observed(row):
    if _unknown(row.observed_trip_outs):
        return "no record"
    return f"{int(row.observed_trip_outs)} in {two(row.observed_years)}{BLANK}years"


def links(reports, folder, month, back=".."):
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


def reach(portfolio):
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
    kept = table[table["month"].str.endswith("-12") | (table["month"] == table["month"].iloc[-1])]
    names = ("tested", "usable", "overdue", "never_tested", "above_limit")
    return [
        {"month": row["month"]} | {name: f"{row[name]} ({share(row[name], row['towers'])})" for name in names}
        for row in kept.tail(8).to_dict("records")
    ]


def safety(portfolio):
    """Counts of what is kept apart from money, the line with most first.

    Parameters
    ----------
    portfolio : Portfolio

    Returns
    -------
    list of dict
    """
    order = ["safety_queue", "touch_above", "leads_missing", "bonds_to_inspect"]
    return portfolio.lines.sort_values(order, ascending=False, kind="stable").to_dict("records")


def budgets(portfolio):
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
        "own_budget": two(row["own_budget"], 3),
        "own_spent": two(row["own_spent"], 3),
        "own_towers": towers,
        "own": two(row["own_per_year"]),
        "own_band": _ends(row["own_low"], row["own_high"]),
        "own_money": two(row["own_money_per_year"]),
        "spent": two(row["spent"], 3),
        "towers": f"{row['towers']:.0f}",
        "found": two(row["avoided_per_year"]),
        "band": _ends(row["avoided_low"], row["avoided_high"]),
        "money": two(row["money_per_year"]),
        "more": _signed(row["avoided_per_year"] - row["own_per_year"]),
    }


def _signed(number):
    """A difference with its sign."""
    return two(number).replace("-", "−") if _unknown(number) or number <= 0 else f"+{two(number)}"


def _ends(low, high):
    """The ends of a band; blank where they are not known."""
    return "" if _unknown(low) or _unknown(high) else f"{two(low)} to {two(high)}"


def years(split):
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
        f"Year {row.year}: {count(row.towers, 'tower')} in {count(row.mobilisations, 'mobilisation')}, "
        f"{two(row.spent, 3)} of {two(row.budget, 3)}{BLANK}{split.currency}, "
        f"{two(row.crew_weeks)}{BLANK}crew-weeks."
        for row in split.plan.years.itertuples()
    ]


def _unknown(number):
    return not math.isfinite(number)
