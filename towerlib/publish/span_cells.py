"""Panels of a stretch with one small cell a tower: its impedances over the years, and its newest sweep."""

import numpy as np
from matplotlib.dates import date2num
from matplotlib.lines import Line2D

from towerlib.publish import lettering, markers, span_axis, style
from towerlib.publish.span_case import MOST_CELLS

ALONE, PARALLEL = style.COLOURS(0.85), style.COLOURS(0.3)
TOO_MANY = f"Take a stretch of {MOST_CELLS} towers at most to see these side by side."


def draw_histories(figure, place, found):
    """Draw the impedances of each tower over the years, left to right within its cell.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel, from the bottom of the page [mm].
    found : SpanCase
        The stretch.
    """
    head = "Impedances over the years [Ω]"
    alone, parallel = _readings(found)
    every = np.r_[alone["ohm"], parallel["ohm"]]
    if len(found.towers) > MOST_CELLS or not len(every):
        span_axis.missing(figure, place, head, TOO_MANY if len(every) else "No impedance was read here.")
        return
    days = np.r_[alone["day"], parallel["day"]]
    ends = days.min(), max(days.max(), days.min() + 1)
    head = f"{head}, each tower from {_year(ends[0])} (left) to {_year(ends[1])} (right)"
    marks = {"alone": markers.Mark("o", ALONE, 0.8), "parallel": markers.Mark("^", PARALLEL, 0.9)}
    handles = [
        markers.entry(marks["alone"], "footing alone (leg coils, shield wire lifted)"),
        markers.entry(marks["parallel"], "without coils: footing beside the shield wires"),
    ]
    axes = _cells(figure, place, found, head, handles)
    span_axis.log_scale(axes, every)
    for readings, mark, name in ((alone, marks["alone"], "alone"), (parallel, marks["parallel"], "no coils")):
        x = _across(found, readings["place"], (readings["day"] - ends[0]) / (ends[1] - ends[0]))
        for tower in np.unique(readings["place"]):
            here = readings["place"] == tower
            axes.plot(x[here], readings["ohm"][here], color=mark.colour, linewidth=0.6, zorder=3)
        markers.dots(axes, x, readings["ohm"], mark, size=4, name=name)
    axes.set_ylabel("Ω")


def draw_sweeps(figure, place, found):
    """Draw the newest sweep of each tower over the logarithm of frequency; as for `draw_histories`."""
    head = "Newest sweep of each tower: impedance [Ω]"
    sweeps = _sweeps(found)
    if len(found.towers) > MOST_CELLS or not sweeps:
        span_axis.missing(figure, place, head, TOO_MANY if sweeps else "No sweep was taken here.")
        return
    hertz = np.concatenate([sweep["hertz"] for sweep in sweeps])
    ohm = np.concatenate([sweep["ohm"] for sweep in sweeps])
    low, high = np.log(hertz.min()), np.log(max(hertz.max(), 1.01 * hertz.min()))
    head += (
        f", each from {lettering.plain(hertz.min())} Hz (left) to {lettering.plain(hertz.max())} Hz (right)"
    )
    handles = [
        Line2D([], [], color=ALONE, linewidth=1.6, label="footing alone"),
        Line2D([], [], color=PARALLEL, linewidth=1.6, linestyle="--", label="without coils, or not stated"),
    ]
    axes = _cells(figure, place, found, head, handles)
    span_axis.log_scale(axes, ohm)
    for sweep in sweeps:
        across = (np.log(sweep["hertz"]) - low) / (high - low)
        x = _across(found, np.full(len(across), sweep["place"]), across)
        alone = sweep["alone"]
        looks = {"color": ALONE if alone else PARALLEL, "linestyle": "-" if alone else "--"}
        axes.plot(x, sweep["ohm"], linewidth=1.4, marker="o", markersize=1.5, zorder=4, **looks)
    axes.set_ylabel("Ω")


def _cells(figure, place, found, head, handles):
    """Panel with a pale ground under each cell."""
    axes = span_axis.panel(figure, place, found, head, handles)
    for x, half in zip(found.chainage_km, span_axis.cells(found), strict=True):
        axes.axvspan(x - half, x + half, color=style.FAINT, alpha=0.13, linewidth=0, zorder=1)
    return axes


def _across(found, place, part):
    """Chainage of a point that lies so far (0 to 1) across the cell of a tower [km]."""
    half = span_axis.cells(found)[place]
    return found.chainage_km[place] + half * (1.8 * np.asarray(part) - 0.9)


def _readings(found):
    """Impedances of the footing alone, and in parallel with the wires: place, day [d], ohm."""
    visits = found.line.tables.visits
    visits = visits[visits["tower_id"].isin(found.tower_id) & (visits["footing_verdict"] != "not usable")]
    visits = visits.sort_values("date", kind="stable")
    places = visits["tower_id"].map({name: place for place, name in enumerate(found.tower_id)}).to_numpy(int)
    days = date2num(visits["date"].to_numpy())
    alone = visits["method"].isin(["leg coils", "shield wire lifted"])
    first = visits["impedance_ohm"]
    parallel = first.where(visits["method"] == "no coils").fillna(
        visits["impedance_no_coils_ohm"].where(alone)
    )
    return tuple(_positive(places, days, ohm.to_numpy(float)) for ohm in (first.where(alone), parallel))


def _positive(place, day, ohm):
    """Readings that a logarithmic axis can show."""
    shown = ohm > 0
    return {"place": place[shown], "day": day[shown], "ohm": ohm[shown]}


def _sweeps(found):
    """Newest sweep of each tower, of the footing alone where there is one."""
    tables, sweeps = found.line.tables, []
    shapes = tables.shapes[tables.shapes["tower_id"].isin(found.tower_id)].sort_values("date", kind="stable")
    for place, name in enumerate(found.tower_id):
        own = shapes[shapes["tower_id"] == name]
        best = own[own["sees"] == "footing alone"] if (own["sees"] == "footing alone").any() else own
        if best.empty:
            continue
        points = tables.sweeps[tables.sweeps["visit_id"] == best["visit_id"].iloc[-1]].sort_values(
            "frequency_hz"
        )
        points = points[(points["frequency_hz"] > 0) & (points["impedance_ohm"] > 0)]
        if len(points):
            sweeps.append(
                {
                    "place": place,
                    "hertz": points["frequency_hz"].to_numpy(float),
                    "ohm": points["impedance_ohm"].to_numpy(float),
                    "alone": best["sees"].iloc[-1] == "footing alone",
                }
            )
    return sweeps


def _year(day):
    """Year of a day number."""
    from matplotlib.dates import num2date

    return f"{num2date(day):%Y}"
