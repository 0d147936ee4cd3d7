"""Pictures of the page of a portfolio: avoidable trip-outs by line, coverage and backlog over time."""

import base64
import io
import warnings

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from towerlib.publish import lettering, page, style
from towerlib.publish.summary_words import count, isolated, share, two

DOTS = 170  # an inch: sharp on paper, small in the file
NAMES_MM, ROW_MM, MOST = 58, 6.5, 40
REACH = {  # column: words, colour, line
    "usable_percent": ("usable reading stands", "#1f4e79", "-"),
    "above_limit_percent": ("above the limit", "#b35900", "--"),
    "overdue_percent": ("overdue", "#7a3b8f", "-."),
    "never_tested_percent": ("never tested", "#4d4d4d", ":"),
}


def pictures(portfolio):
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
            "avoidable": _picture(avoidable(portfolio.lines), _avoidable_words(portfolio.lines)),
            "reach": _picture(reach(portfolio.coverage), _reach_words(portfolio.coverage)),
        }


def _picture(figure, alt):
    """A figure as the page takes it."""
    if figure is None:
        return {"why": alt}
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=DOTS, metadata={"Software": None})
    wide, high = figure.get_size_inches() * 25.4
    source = "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()
    return {"src": source, "alt": alt, "wide_mm": wide, "high_mm": high}


def avoidable(lines):
    """Avoidable trip-outs a year of each line with their bands.

    Parameters
    ----------
    lines : pandas.DataFrame
        As `towerlib.portfolio.ranks.lines_table` gives it.

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
        figure, foot = page.sheet(
            body,
            "Lightning trip-outs that footings at target would avoid",
            "a year; thin line: 80 % band of the model",
            notes,
        )
        axes = page.panel(
            figure, NAMES_MM, foot + 10, page.WIDTH_MM - NAMES_MM - 2 * page.MARGIN_MM, ROW_MM * len(shown)
        )
        rows, value = np.arange(len(shown)), shown["avoidable_per_year"].to_numpy(float)
        axes.barh(rows, value, height=0.62, color="#7ea6c9", edgecolor=style.INK, linewidth=0.5)
        axes.hlines(rows, shown["avoidable_low"], shown["avoidable_high"], color=style.INK, linewidth=1.1)
        names = [lettering.shortened(text, NAMES_MM - 8, style.SMALL_PT) for text in shown["title"]]
        axes.set_yticks(rows, names)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlim(0, None)
        axes.set_xlabel("trip-outs avoided a year")
        return figure


def _avoidable_words(lines):
    known = lines[lines["avoidable_per_year"].notna()]
    if known.empty:
        return "No line has a trip-out rate: which one could avoid most cannot be told."
    parts = [f"{isolated(row.title)} {two(row.avoidable_per_year)}" for row in known.head(6).itertuples()]
    return f"Bars, avoidable trip-outs a year of {count(len(known), 'line')}, most first: {'; '.join(parts)}."


def reach(coverage):
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
        figure, foot = page.sheet(
            62, "Coverage and backlog of all lines", "share of the towers, by the records of today"
        )
        axes = page.panel(figure, 18, foot + 14, page.WIDTH_MM - 24, 46)
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
        page.legend(figure, axes.get_legend_handles_labels()[0], 18, foot + 1, page.WIDTH_MM - 24)
        return figure


def _reach_words(coverage):
    if len(coverage) < 2:
        return "There is but one month to show."
    first, last = coverage.iloc[0], coverage.iloc[-1]
    parts = [
        f"{REACH[f'{name}_percent'][0]} {share(first[name], first['towers'])} then, {share(last[name], last['towers'])} now"
        for name in ("usable", "above_limit", "overdue", "never_tested")
    ]
    return f"Lines over time from {first['month']} to {last['month']}, share of towers: {'; '.join(parts)}."
