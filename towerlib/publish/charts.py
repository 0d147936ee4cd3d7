"""Charts of a line's condition: profile along the route, worst towers, leakage gap, distribution.

Every function gives a Matplotlib figure that pyplot does not know of: ``figure.savefig(path, **style.PNG)``.
"""

from towerlib.errors import SettingsError
from towerlib.publish import bars, distribution, page, profile, scatter, shown, style

LEFT_MM, RIGHT_MM = 18, 24  # room for the numbers of an axis, and for the names of lines at the right edge
WIDE_MM = page.WIDTH_MM - LEFT_MM - RIGHT_MM

NO_FOOTING = (
    "No tower of this line has a footing impedance that can be used. It comes from visits with the method "
    "“leg coils” or “shield wire lifted” that the quality rules did not refuse."
)
NO_GAP = (
    "No tower of this line has a leakage gap. It needs, from one visit, the leakage current of every leg "
    "(legs.csv) and the vector total of all legs (leakage_total_ma in visits.csv). Here "
    f"{shown.GAP_MEANING}"
)


def route_profile(condition, line):
    """Footing impedance along the route, on a logarithmic scale, with targets and limits.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Names of the line and its stations.

    Returns
    -------
    matplotlib.figure.Figure
        Markers by class, bars over the interval of a reading, arrows for lower bounds, ticks for towers not
        tested; the worst towers named.

    Notes
    -----
    A reading at or below zero has no place on a logarithmic scale: it is named at the foot.

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.line import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(route_profile(pd.DataFrame(), line).texts[0].get_text())
    Footing impedance along the route
    """
    title, towers = "Footing impedance along the route", shown.with_value(condition)
    if not (towers["value_ohm"] > 0).any():
        return page.blank(title, NO_FOOTING)
    with style.house():
        figure, foot = page.sheet(105, title, line.title, profile.notes(towers))
        room = WIDE_MM + RIGHT_MM - page.MARGIN_MM
        top = page.legend(figure, profile.handles(towers), LEFT_MM, foot + 1, room)
        axes = page.panel(figure, LEFT_MM, top + 12, WIDE_MM, foot + 99 - top - 12)
        profile.draw(axes, towers, line)
        return figure


def ranked_bars(condition, line, top=20):
    """Worst towers by footing impedance and by gap fraction, side by side.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Name of the line.
    top : int
        Towers in each panel at most, 1 or more.

    Returns
    -------
    matplotlib.figure.Figure
        Left: impedance, its interval and the tower's limit. Right: gap fraction, with the gap in mA.

    Raises
    ------
    SettingsError
        `top` is below 1.

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.line import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(ranked_bars(pd.DataFrame(), line).texts[0].get_text())
    Worst towers by footing impedance and by leakage gap
    """
    if top < 1:
        raise SettingsError(f"top = {top}: ranked_bars needs room for at least 1 tower")
    title, towers = "Worst towers by footing impedance and by leakage gap", shown.with_value(condition)
    footing = shown.worst(towers[towers["value_ohm"].notna()], "impedance_rank", top)
    gap = shown.worst(towers[towers["gap_fraction"].notna()], "gap_rank", top)
    if footing.empty and gap.empty:
        return page.blank(title, f"{NO_FOOTING} {NO_GAP}")
    with style.house():
        high, half = 4.4 * max(len(footing), len(gap), bars.LEAST_ROWS), page.WIDTH_MM / 2 - page.MARGIN_MM
        figure, foot = page.sheet(high + 27, title, line.title, bars.notes(towers))
        legend_top = page.legend(figure, bars.handles(footing, gap), page.MARGIN_MM, foot + 1, 2 * half)
        place = (legend_top + 11, half, foot + high + 20 - legend_top - 11)
        bars.draw_impedance(figure, footing, place)
        bars.draw_gap(figure, gap, place)
        return figure


def gap_scatter(condition, line):
    """Vector total against arithmetic sum of the leg currents, with lines of equal gap fraction.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Name of the line.

    Returns
    -------
    matplotlib.figure.Figure
        One marker a tower, circled where a ring or counterpoise joins the legs; the worst by gap rank named.

    Notes
    -----
    Equal gap fractions f are parallel lines on logarithmic axes: total = (1 − f)·sum. A point above the line
    f = 0 has a negative gap, as readings taken one after the other under a changing load can give.

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.line import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(gap_scatter(pd.DataFrame(), line).texts[0].get_text())
    Leakage: vector total against arithmetic sum
    """
    title, towers = "Leakage: vector total against arithmetic sum", shown.with_value(condition)
    read = towers[towers["leakage_sum_ma"].notna() & towers["leakage_total_ma"].notna()]
    drawn = read[(read["leakage_sum_ma"] > 0) & (read["leakage_total_ma"] >= 0)]
    if drawn.empty:
        return page.blank(title, NO_GAP)
    with style.house():
        figure, foot = page.sheet(145, title, line.title, scatter.notes(len(towers), read, drawn))
        top = page.legend(figure, scatter.handles(drawn), LEFT_MM, foot + 1, WIDE_MM)
        side = foot + 144 - top - 12
        scatter.draw(page.panel(figure, LEFT_MM, top + 12, side, side), drawn)
        return figure


def impedance_distribution(condition, line):
    """Histogram of the footing impedances in logarithmic bins, with their cumulative share.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Name of the line.

    Returns
    -------
    matplotlib.figure.Figure
        Bars by class, the curve of the share at or below, targets and limits.

    Notes
    -----
    Eight bins a decade. Lower bounds are counted at the foot and not drawn: their true value is not known.

    Examples
    --------
    >>> import pandas as pd
    >>> from towerlib.line import parse
    >>> line = parse('line = { id = "north-ridge", voltage_kv = 132, frequency_hz = 50 }')
    >>> print(impedance_distribution(pd.DataFrame(), line).texts[0].get_text())
    Distribution of footing impedance
    """
    title, towers = "Distribution of footing impedance", shown.with_value(condition)
    tested = towers[towers["kind"].isin(shown.TESTED) & (towers["value_ohm"] > 0)]
    if tested.empty:
        return page.blank(title, NO_FOOTING)
    with style.house():
        counts = f"{shown.counts(towers)} Only towers with a footing impedance are drawn."
        figure, foot = page.sheet(98, title, line.title, [counts, *shown.left_out(towers)[:1]])
        top = page.legend(figure, distribution.handles(tested), LEFT_MM, foot + 1, WIDE_MM)
        distribution.draw(page.panel(figure, LEFT_MM, top + 12, WIDE_MM, foot + 90 - top - 12), tested)
        return figure
