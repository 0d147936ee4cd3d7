"""Charts of lightning trip-outs: along the route, over the footing, by share of the towers, against the record.

Every function gives a Matplotlib figure that pyplot does not know of: ``figure.savefig(path, **style.PNG)``.
"""

from towerlib.publish import outage_draw, outage_shares, page, style
from towerlib.publish.charts import LEFT_MM, RIGHT_MM, WIDE_MM

NO_RATE = (
    "No tower of this line has a trip-out rate. It needs a footing impedance of the tower, and in line.toml the "
    "shield wires, phases, strike length and voltage of the line."
)
NO_RECORD = "Neither a modelled rate of this line nor lightning trip-outs over a stretch of time are known."


def rate_profile(outages, line):
    """Trip-outs of each tower along the route with their bands, above those that happened.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    line : towerlib.line.Line
        Names of the line and its stations.

    Returns
    -------
    matplotlib.figure.Figure
        Upper panel: rate per tower and year with its band, saturated towers told apart, the worst named. Lower
        panel: lightning trip-outs on record, each spread over the towers as surely as its place is known.
    """
    title, towers = "Lightning trip-outs along the route", outage_draw.with_rate(outages)
    if not (towers["rate"] > 0).any():
        return page.blank(title, NO_RATE)
    with style.house():
        figure, foot = page.sheet(118, title, line.title, outage_draw.profile_notes(outages))
        room = WIDE_MM + RIGHT_MM - page.MARGIN_MM
        top = page.legend(figure, outage_draw.handles(towers), LEFT_MM, foot + 1, room)
        low = page.panel(figure, LEFT_MM, top + 12, WIDE_MM, 22)
        high = page.panel(figure, LEFT_MM, top + 40, WIDE_MM, foot + 112 - top - 40)
        outage_draw.draw_observed(low, towers, line)
        outage_draw.draw_profile(high, towers, outages, line)
        return figure


def rate_by_footing(outages, condition, line):
    """Trip-outs of each tower over its footing impedance, with the curve of the usual tower in three soils.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    line : towerlib.line.Line
        Name and settings of the line.

    Returns
    -------
    matplotlib.figure.Figure
        Where the curve is flat, the tower is saturated: a better footing avoids little until it is good.
    """
    title, towers = "Trip-outs over footing impedance", outage_draw.with_rate(outages, condition)
    towers = towers[(towers["rate"] > 0) & (towers["footing_ohm"] > 0)]
    if towers.empty:
        return page.blank(title, NO_RATE)
    with style.house():
        figure, foot = page.sheet(112, title, line.title, outage_draw.footing_notes(outages))
        room = WIDE_MM + RIGHT_MM - page.MARGIN_MM
        top = page.legend(figure, outage_draw.handles(towers), LEFT_MM, foot + 1, room)
        axes = page.panel(figure, LEFT_MM + 5, top + 12, WIDE_MM - 11, foot + 110 - top - 12)
        outage_draw.draw_by_footing(axes, towers, outages, line)
        return figure


def concentration(outages, line):
    """Share of the line's trip-outs that its worst towers carry, and of what treating them would avoid.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    line : towerlib.line.Line
        Name of the line.

    Returns
    -------
    matplotlib.figure.Figure
        Lorenz curves, worst towers first; the worst tenth marked.
    """
    title, towers = "How few towers carry the trip-outs", outage_draw.with_rate(outages)
    if not (towers["rate"] > 0).any():
        return page.blank(title, NO_RATE)
    with style.house():
        figure, foot = page.sheet(112, title, line.title, outage_shares.concentration_notes(outages))
        top = page.legend(figure, outage_shares.concentration_handles(), LEFT_MM, foot + 1, WIDE_MM)
        side = foot + 110 - top - 12
        outage_shares.draw_concentration(page.panel(figure, LEFT_MM, top + 12, side * 1.35, side), towers)
        return figure


def observed_against_modelled(outages, line):
    """Modelled, observed and calibrated trip-outs of the line a year with their intervals, and the ceiling.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    line : towerlib.line.Line
        Name of the line.

    Returns
    -------
    matplotlib.figure.Figure
        One row a figure on a logarithmic axis: thick what the records leave open, thin the accuracy of the method.
    """
    title, rows = "Trip-outs a year: modelled against observed", outage_shares.comparison(outages)
    if rows.empty:
        return page.blank(title, NO_RECORD)
    with style.house():
        figure, foot = page.sheet(
            16 + 9 * len(rows), title, line.title, outage_shares.comparison_notes(outages)
        )
        axes = page.panel(figure, 52, foot + 12, page.WIDTH_MM - 52 - 32, 9 * len(rows))
        outage_shares.draw_comparison(axes, rows)
        return figure
