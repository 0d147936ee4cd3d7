"""Charts of the plan: benefit over the budget, trip-outs before and after, chance of each tower to be in it.

Every function gives a Matplotlib figure that pyplot does not know of: ``figure.savefig(path, **style.PNG)``.
The plan on the map is `towerlib.publish.plan_map`.
"""

from towerlib.publish import page, plan_draw, style
from towerlib.publish.charts import LEFT_MM, RIGHT_MM, WIDE_MM
from towerlib.publish.plan_words import no_plan

NO_WORKS = "Nothing is planned: no work fits into the budget or brings a benefit."
NO_RATE = "The trip-outs of this line are not known, so there is nothing to take the avoided ones from."


def budget_curve(budget, outlook, line):
    """Trip-outs avoided over the budget, with the knee, the three levels, and both simple rules beside it.

    Parameters
    ----------
    budget : Budget
    outlook : towerlib.plan.study.Outlook or None
    line : towerlib.line.Line

    Returns
    -------
    matplotlib.figure.Figure
    """
    title = "What more or less money buys"
    if outlook is None or not outlook.curve["benefit"].notna().any():
        return page.blank(title, _why(budget))
    with style.house():
        figure, foot = page.sheet(105, title, line.title, plan_draw.curve_notes(budget, outlook))
        top = page.legend(figure, plan_draw.curve_handles(outlook), LEFT_MM, foot + 1, WIDE_MM + RIGHT_MM)
        axes = page.panel(figure, LEFT_MM, top + 12, WIDE_MM + RIGHT_MM - 8, foot + 101 - top - 12)
        plan_draw.draw_curve(axes, budget, outlook, line.plan.currency)
        return figure


def before_after(budget, outages, line):
    """Waterfall of the line's lightning trip-outs a year: now, less what each kind of treatment avoids, and after.

    Parameters
    ----------
    budget : Budget
    outages : towerlib.outages.Outages
    line : towerlib.line.Line

    Returns
    -------
    matplotlib.figure.Figure
    """
    title = "Lightning trip-outs before and after the plan"
    if budget.works.empty:
        return page.blank(title, _why(budget))
    if "whole_line_per_year" not in outages.line:
        return page.blank(title, NO_RATE)
    rows = plan_draw.waterfall(budget.works, outages.line)
    with style.house():
        high = 9.0 * len(rows)
        figure, foot = page.sheet(high + 16, title, line.title, plan_draw.waterfall_notes(outages.line))
        axes = page.panel(figure, 52, foot + 12, page.WIDTH_MM - 52 - 34, high)
        plan_draw.draw_waterfall(axes, rows)
        return figure


def chances(budget, outlook, line, top=20):
    """Towers whose place in the plan is least sure, and those outside it that could as well be in it.

    Parameters
    ----------
    budget : Budget
    outlook : towerlib.plan.study.Outlook or None
    line : towerlib.line.Line
    top : int
        Towers in each panel at most.

    Returns
    -------
    matplotlib.figure.Figure
        Left: in the plan, least sure first, must-dos left out. Right: not in it, likeliest first.
    """
    title = "How sure each tower's place in the plan is"
    if outlook is None or outlook.chances.empty:
        return page.blank(title, _why(budget))
    inside, outside = plan_draw.doubtful(outlook.chances, top)
    if inside.empty and outside.empty:
        return page.blank(title, "Every tower that brings anything is in the plan because it is owed.")
    with style.house():
        high = 4.4 * max(len(inside), len(outside), 6)
        figure, foot = page.sheet(high + 22, title, line.title, plan_draw.chance_notes(outlook))
        half = page.WIDTH_MM / 2 - page.MARGIN_MM
        plan_draw.draw_chances(figure, inside, (page.MARGIN_MM, foot + 12, half, high), True)
        plan_draw.draw_chances(figure, outside, (page.WIDTH_MM / 2 + 2, foot + 12, half, high), False)
        return figure


def _why(budget):
    """Why there is nothing to draw."""
    return " ".join(no_plan(budget)) or NO_WORKS
