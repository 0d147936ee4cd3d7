"""Charts of the plan: curves over the budget, the waterfall of trip-outs, bars of probability."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from towerlib.plan.sensitivity import by_kind
from towerlib.report import layout, style
from towerlib.report.condition_charts import LEFT_MM, RIGHT_MM, WIDE_MM
from towerlib.report.plan_words import KINDS, no_plan
from towerlib.report.tower_marks import each, number_of
from towerlib.text import NARROW, grouped, interval, money, plain, significant

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from towerlib.config import Line
    from towerlib.outages import Outages
    from towerlib.plan import Budget
    from towerlib.plan.problem import Constraints
    from towerlib.plan.sensitivity import Outlook

WAYS = {  # column of the curve: words, dashes, colour
    "benefit": ("plan", "-", style.INK),
    "greedy": ("most benefit per cost next", (0, (5, 2)), style.COLOURS(0.55)),
    "worst_first": ("worst ohms first", (0, (1, 1.5)), style.COLOURS(0.85)),
}


def curve_notes(constraints: Constraints, outlook: Outlook) -> list[str]:
    """Sentences at the foot of the budget curve."""
    knee = (
        ""
        if bool(outlook.curve["at_knee"].any())
        else "No knee: each step of money buys about as much as the one before. "
    )
    return [
        f"Trip-outs avoided by the model over {plain(constraints.horizon_years)} years, later ones counted "
        f"{plain(100 * constraints.discount_rate)} % less a year; must-do works are in every plan. {knee}"
        f"Near-best plans: the best ones bring at most {_most_gap(outlook.curve):.1%} more.",
        "Knee: where more money begins to buy less than it does over the whole curve, which ends with the most "
        "effective work at every tower. Levels: half the budget, the budget, half as much again.",
        _blank_words(outlook.curve),
    ]


def _most_gap(curve):
    """Greatest gap of the points that have one."""
    gaps = curve["gap"].to_numpy(float)
    return float(np.max(gaps[np.isfinite(gaps)], initial=0.0))


def _blank_words(curve):
    """Where the curve begins."""
    if curve["benefit"].notna().all():
        return ""
    least = curve.loc[curve["benefit"].notna(), "budget"].min()
    return f"Below {money(least)} some budgets cannot carry the must-do works."


def curve_handles(outlook: Outlook) -> list[Line2D]:
    """Legend entries of the ways of planning and of the marks."""
    entries = [
        Line2D([], [], color=colour, linestyle=dashes, linewidth=1.3, label=words)
        for words, dashes, colour in WAYS.values()
    ]
    if bool(outlook.curve["at_knee"].any()):
        entries.append(_marker("D", "white", "knee"))
    if len(outlook.levels):
        entries.append(_marker("o", style.INK, "levels of budget"))
    return entries


def _marker(shape, colour, words):
    """Legend entry of a mark on the curve."""
    looks = {"markerfacecolor": colour, "markeredgecolor": style.INK, "markersize": 6}
    return Line2D([], [], linestyle="", marker=shape, label=words, **looks)


def draw_curve(axes: Axes, horizon_years: float, outlook: Outlook, currency: str) -> None:
    """Benefit of each way of planning over the budget, with knee and levels (changes the axes)."""
    curve = outlook.curve
    top = np.nanmax(curve["benefit"])
    axes.set(xlim=(0, 1.02 * curve["budget"].max()), ylim=(0, 1.12 * top if top > 0 else 1.0))
    covered = []
    for name, (_, dashes, colour) in WAYS.items():
        axes.plot(curve["budget"], curve[name], color=colour, linestyle=dashes, linewidth=1.3, gid=name)
        covered.append(_along(axes, curve["budget"], curve[name]))
    wishes = _marks(axes, outlook)
    layout.linear_axis(axes.xaxis, 6, lambda amount: grouped(amount, mark=NARROW))
    layout.linear_axis(axes.yaxis, 8)
    axes.set_xlabel("Budget of all years" + (f" [{currency}]" if currency else ""))
    axes.set_ylabel(f"Trip-outs avoided over {plain(horizon_years)} years")
    layout.place_labels(axes, wishes, np.vstack(covered))


def _marks(axes, outlook):
    """Draw knee and levels; what is written beside them."""
    looks = {"linestyle": "", "color": style.INK, "zorder": 6}
    wishes = []
    known = outlook.levels[outlook.levels["benefit"].notna()]
    for row in each(known):
        axes.plot(row.budget, row.benefit, marker="o", markersize=5, gid="level", **looks)
        wishes.append((row.budget, row.benefit, f"{row.level}: {row.towers:.0f} towers"))
    for row in each(outlook.curve[outlook.curve["at_knee"]]):
        axes.plot(row.budget, row.benefit, marker="D", markersize=6, fillstyle="none", gid="knee", **looks)
        wishes.append((row.budget, row.benefit, f"knee: {row.towers:.0f} towers"))
    return wishes


def _along(axes, x, y):
    """Boxes along a curve, for the labels."""
    points = axes.transData.transform(np.column_stack([x, y]))
    points = points[np.isfinite(points).all(axis=1)]
    steps = np.linspace(0, 1, 60)[:, None]
    lines = [a + steps * (b - a) for a, b in pairwise(points)]
    return layout.box_around(np.vstack(lines), 2) if lines else np.empty((0, 4))


def waterfall(works: pd.DataFrame, rates: dict[str, Any]) -> pd.DataFrame:
    """Rows of the waterfall from the line as it is to the line after the plan: name, ends of the bar, interval, words."""
    now, kinds = rates["whole_line_per_year"], by_kind(works)
    rows, level = [("as it is", 0.0, now, np.nan, np.nan, significant(now))], now
    for row in each(cast("pd.DataFrame", kinds)):
        name = f"{KINDS.get(row.kind, row.kind)} ({row.towers})"
        rows.append((name, level - row.avoided_per_year, level, np.nan, np.nan, _lost(row.avoided_per_year)))
        level -= row.avoided_per_year
    low, high = (now - kinds[name].sum() for name in ("avoided_high", "avoided_low"))
    rows.append(("after the plan", 0.0, level, low, high, interval(level, low, high)))
    return pd.DataFrame(rows, columns=["name", "start", "end", "low", "high", "words"])


def waterfall_notes(rates: dict[str, Any]) -> list[str]:
    """Sentences at the foot of the waterfall."""
    notes = [
        "By the model; number of towers in brackets. Line over the last bar: what reading, season, soil, strength, flash density "
        "and treatment leave open of what is avoided (80 %, all works erring alike).",
        "Towers without a prediction count as if nothing were avoided there; flashovers that move to neighbours are "
        "not seen.",
    ]
    if factor := rates.get("calibration_factor"):
        low, high = rates["calibration_low"], rates["calibration_high"]
        notes.append(
            f"The record of the line suggests {interval(factor, low, high)} times every figure here. The method adds a factor of "
            "2 to 5, much the same for all towers."
        )
    return notes


def draw_waterfall(axes: Axes, rows: pd.DataFrame) -> None:
    """Floating bars from top to bottom, joined by thin lines (changes the axes)."""
    y, ends = np.arange(len(rows)), rows["end"].to_numpy(float)
    axes.set(xlim=(0, 1.03 * max(ends.max(), rows["high"].max())), ylim=(len(rows) - 0.4, -0.6))
    whole = rows["start"].eq(0) & rows["name"].isin(["as it is", "after the plan"])
    colours = np.where(whole, style.FAINT, "white")
    axes.barh(
        y,
        ends - rows["start"],
        left=rows["start"],
        height=0.62,
        color=colours,
        edgecolor=style.INK,
        linewidth=0.6,
        zorder=3,
    )
    for one, after in zip(rows.index[:-1], rows.index[1:], strict=True):
        level = rows.loc[one, "end"] if one == 0 else rows.loc[one, "start"]
        axes.plot([level, level], [one + 0.31, after - 0.31], color=style.INK, linewidth=0.6, zorder=2)
    axes.hlines(y, rows["low"].clip(lower=0), rows["high"], color=style.INK, linewidth=1.6, zorder=4)
    for row in each(cast("pd.DataFrame", rows[~whole])):
        axes.fill_betweenx([row.Index - 0.31, row.Index + 0.31], row.start, row.end, **HATCH)
    axes.set_yticks(y, rows["name"])
    axes.tick_params(axis="y", length=0)
    layout.linear_axis(axes.xaxis, 8)
    axes.set_xlabel("Lightning trip-outs of the line a year")
    layout.edge_labels(axes, list(zip(y.astype(float), rows["words"], strict=True)))


HATCH = {"facecolor": style.tint(style.COLOURS(0.5)), "edgecolor": style.INK, "linewidth": 0.6, "zorder": 4}


def doubtful(chances: pd.DataFrame, top: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Least probable towers in the plan, and most probable ones outside it, must-do works left out."""
    free: Any = chances[~chances["must_do"]]
    inside = free[free["in_plan"]].sort_values("chance", kind="stable").head(top)
    outside = free[~free["in_plan"] & (free["chance"] > 0)].sort_values(
        "chance", ascending=False, kind="stable"
    )
    return inside, outside.head(top)


def chance_notes(outlook: Outlook) -> list[str]:
    """Sentences at the foot of the bars of probability."""
    must = number_of(outlook.chances["must_do"])
    return [
        "Probability of being selected: share of the perturbed plans, each with the same money, that treat the tower. In words: "
        "the treatment planned, or the most frequent one where none is.",
        "The benefit of each tower is perturbed within its interval. Errors that all towers share change no order. Costs are not "
        "perturbed.",
        f"Must-do works, in every plan and not shown: {must}." if must else "",
    ]


def draw_chances(
    figure: Figure, towers: pd.DataFrame, place: tuple[float, float, float, float], inside: bool
) -> None:
    """One panel of bars with the treatment behind each (changes the figure)."""
    left, bottom, wide, high = place
    title = "In the plan, least probable first" if inside else "Not in the plan, most probable first"
    names = [layout.shortened(name, 24) for name in towers["tower_id"]]
    indent = max([layout.width_mm(name) for name in names], default=0) + 4
    axes = layout.new_panel(figure, left + indent, bottom, wide - indent - 40, high)
    axes.set_title(title, loc="left", fontsize=style.TEXT_PT)
    if towers.empty:
        axes.set_axis_off()
        axes.text(0, 0.5, "none", transform=axes.transAxes)
        return
    rows = np.arange(len(towers))
    axes.set(xlim=(0, 100), ylim=(max(len(rows), 6) - 0.4, -0.6), xlabel="Probability of being selected [%]")
    colour = style.tint(style.COLOURS(0.8 if inside else 0.2))
    axes.barh(
        rows, 100 * towers["chance"], height=0.68, color=colour, edgecolor=style.INK, linewidth=0.5, zorder=3
    )
    axes.axvline(50, color=style.FAINT, linewidth=0.6)
    axes.set_yticks(rows, names, parse_math=False)
    axes.tick_params(axis="y", length=0)
    layout.linear_axis(axes.xaxis, 4)
    what = towers["planned_option" if inside else "option"]
    words = [
        f"{100 * chance:.0f} %  {layout.shortened(option, 30)}"
        for chance, option in zip(towers["chance"], what, strict=True)
    ]
    layout.edge_labels(axes, list(zip(rows.astype(float), words, strict=True)))


def _lost(avoided):
    """What a step takes away, in words; nothing is no minus."""
    return f"−{significant(avoided)}" if float(avoided) > 0 else "0"


NO_WORKS = "Nothing is planned: no work fits into the budget or brings a benefit."
NO_RATE = "The trip-outs of this line are not known, so there is nothing to take the avoided ones from."


def budget_curve(budget: Budget, outlook: Outlook | None, line: Line) -> Figure:
    """Trip-outs avoided over the budget, with the knee, the three levels, and both simple rules beside it."""
    title = "What more or less money buys"
    constraints = budget.constraints
    if outlook is None or constraints is None or not bool(outlook.curve["benefit"].notna().any()):
        return layout.blank(title, _why(budget))
    with style.house():
        figure, foot = layout.new_sheet(105, title, line.title, curve_notes(constraints, outlook))
        top = layout.legend(figure, curve_handles(outlook), LEFT_MM, foot + 1, WIDE_MM + RIGHT_MM)
        axes = layout.new_panel(figure, LEFT_MM, top + 12, WIDE_MM + RIGHT_MM - 8, foot + 101 - top - 12)
        draw_curve(axes, constraints.horizon_years, outlook, line.plan.currency)
        return figure


def before_after(budget: Budget, outages: Outages, line: Line) -> Figure:
    """Waterfall of the line's lightning trip-outs a year: now, less what each kind of treatment avoids, and after."""
    title = "Lightning trip-outs before and after the plan"
    if budget.works.empty:
        return layout.blank(title, _why(budget))
    if "whole_line_per_year" not in outages.line:
        return layout.blank(title, NO_RATE)
    rows = waterfall(budget.works, outages.line)
    with style.house():
        high = 9.0 * len(rows)
        figure, foot = layout.new_sheet(high + 16, title, line.title, waterfall_notes(outages.line))
        axes = layout.new_panel(figure, 52, foot + 12, layout.WIDTH_MM - 52 - 34, high)
        draw_waterfall(axes, rows)
        return figure


def chances(budget: Budget, outlook: Outlook | None, line: Line, top: int = 20) -> Figure:
    """Least probable towers in the plan, and most probable ones outside it, `top` of each at most."""
    title = "Probability of each tower being selected"
    if outlook is None or outlook.chances.empty:
        return layout.blank(title, _why(budget))
    inside, outside = doubtful(outlook.chances, top)
    if inside.empty and outside.empty:
        return layout.blank(title, "Every tower that brings anything is in the plan as a must-do work.")
    with style.house():
        high = 4.4 * max(len(inside), len(outside), 6)
        figure, foot = layout.new_sheet(high + 22, title, line.title, chance_notes(outlook))
        half = layout.WIDTH_MM / 2 - layout.MARGIN_MM
        draw_chances(figure, inside, (layout.MARGIN_MM, foot + 12, half, high), True)
        draw_chances(figure, outside, (layout.WIDTH_MM / 2 + 2, foot + 12, half, high), False)
        return figure


def _why(budget):
    """Why there is nothing to draw."""
    return " ".join(no_plan(budget)) or NO_WORKS
