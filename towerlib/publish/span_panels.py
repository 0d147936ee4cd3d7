"""Panels of a stretch: leg currents in service, and how much of an injected current the legs took."""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towerlib import whatif
from towerlib.publish import boxes, labels, lettering, markers, profile, scales, shown, span_axis, style
from towerlib.publish.span_case import MOST_CELLS, change_words
from towerlib.values import number

READ, OLD = style.COLOURS(0.85), "white"
NOW, THEN = style.COLOURS(0.35), "#b8860b"
NO_CURRENTS = "No leg currents in service were read here."
NO_SHARES = "No injected test without coils was read here."


def draw_profile(figure, place, found):
    """Draw the footings with their intervals and limits, as on the profile of the whole route.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel, from the bottom of the page [mm].
    found : SpanCase
        The stretch.
    """
    head = "Footing impedance with its interval, target and limit [Ω]"
    if not (found.towers["value_ohm"] > 0).any():
        span_axis.missing(figure, place, head, "No footing impedance was read here.")
        return
    towers = found.towers
    handles = [entry for entry in profile.handles(towers) if not entry.get_label().endswith("(0)")]
    axes = span_axis.panel(figure, place, found, head, handles)
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "target_ohm", "limit_ohm"]
    value, low, high, target, limit = towers[columns].to_numpy(float, na_value=np.nan).T
    every = np.r_[value, low, high, target, limit]
    span_axis.log_scale(axes, every)
    axes.vlines(found.chainage_km, low, high, color=style.FAINT, linewidth=1.2, zorder=2)
    _draw_limits(axes, found.chainage_km, {"target": target, "limit": limit})
    covered = _draw_classes(axes, found)
    wishes = zip(found.chainage_km, value, towers["words"].str.removesuffix(" Ω"), strict=True)
    few = len(towers) <= MOST_CELLS
    labels.place(axes, [wish for wish in wishes if few and wish[1] > 0], covered)
    axes.set_ylabel("Ω")


def _draw_limits(axes, x, limits):
    """Draw target and limit, each tower's own, named at the right edge."""
    names = []
    for (word, ohm), dashes in zip(limits.items(), (":", "--"), strict=True):
        if np.isfinite(ohm).any():
            axes.step(x, ohm, where="mid", color=style.INK, linewidth=0.9, linestyle=dashes, zorder=3)
            names.append((ohm[np.isfinite(ohm)][-1], shown.limit_words(word, ohm)))
    scales.edge_labels(axes, names)


def _draw_classes(axes, found):
    """Draw the towers by class, a tick where none was tested; give their boxes."""
    covered = []
    for name, mark in profile.MARKS.items():
        here = (found.towers["kind"] == name).to_numpy()
        x, ohm = found.chainage_km[here], found.towers["value_ohm"].to_numpy(float, na_value=np.nan)[here]
        if name == "not tested":
            looks = {"transform": axes.get_xaxis_transform(), "linewidths": 0.8}
            markers.dots(axes, x, np.full(len(x), 0.04), mark, name=name, **looks)
            continue
        markers.dots(axes, x[ohm > 0], ohm[ohm > 0], mark, name=name, size=span_axis.size_pt(found))
        covered.append(boxes.of(axes, x[ohm > 0], ohm[ohm > 0], 5 * mark.size))
    return np.vstack(covered)


def draw_currents(figure, place, found):
    """Draw sum and vector total of the leg currents at each tower, the gap between them; as for `draw_profile`."""
    head = "Leg currents in service: arithmetic sum, vector total, and the gap between them [mA]"
    towers = found.towers
    total, summed = (
        towers[f"leakage_{name}_ma"].to_numpy(float, na_value=np.nan) for name in ("total", "sum")
    )
    values = np.r_[total, summed]
    values = values[values > 0]
    if not len(values):
        span_axis.missing(figure, place, head, NO_CURRENTS)
        return
    old = whatif.is_old(towers["leakage_date"])
    marks = {
        "sum": markers.Mark("D", "white", 1.5),
        "total": markers.Mark("o", READ),
        "old": markers.Mark("o", OLD),
    }
    words = {"sum": "arithmetic sum", "total": "vector total", "old": "over two years older"}
    handles = [markers.entry(marks[name], words[name]) for name in words if name != "old" or old.any()]
    handles.append(Line2D([], [], color=style.INK, linewidth=2, label="gap"))
    handles.append(_suspect_entry())
    axes = span_axis.panel(figure, place, found, head, handles)
    span_axis.log_scale(axes, values)
    axes.vlines(found.chainage_km, total, summed, color=style.INK, linewidth=2, zorder=4)
    size = span_axis.size_pt(found)
    markers.dots(axes, found.chainage_km, summed, marks["sum"], name="sum", size=size)
    for name, here in (("total", ~old), ("old", old)):
        markers.dots(axes, found.chainage_km[here], total[here], marks[name], name=name, size=size, zorder=6)
    axes.set_ylabel("mA")


def draw_shares(figure, place, found):
    """Draw measured and expected share of an injected current in the legs; as for `draw_profile`."""
    head = "Injected test: share of the current in the legs, measured and expected"
    compared = found.compared
    if compared is None or not (compared["leg_share"] > 0).any():
        span_axis.missing(figure, place, head, NO_SHARES if compared is not None else found.line.why_not)
        return
    axes = span_axis.panel(figure, place, found, head, measured_handles(found, compared["injected_old"]))
    names = ["leg_share", "leg_share_now", "leg_share_then"]
    values = compared[names].to_numpy(float)
    span_axis.log_scale(axes, np.r_[values.ravel(), 1.0])
    draw_pair(axes, found, "leg_share", compared["injected_old"])
    suspect = number("leg_share_suspect")
    axes.axhline(suspect, color=style.INK, linewidth=0.8, linestyle="--", zorder=2)
    scales.edge_labels(axes, [(suspect, "bond suspect\nfrom here"), (1.0, "no bond")])
    axes.axhline(1.0, color=style.INK, linewidth=0.8, zorder=2)


def draw_pair(axes, found, name, old, factor=1.0):
    """Draw measured values over those expected as recorded and with the change (changes the axes).

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Panel.
    found : SpanCase
        The stretch.
    name : str
        Column of ``found.compared`` that was measured; that with ``_now`` and ``_then`` was expected.
    old : pandas.Series of bool
        Readings to draw hollow.
    factor : float
        By which expected values are multiplied.
    """
    x, table = found.chainage_km, found.compared
    expected = {"ambient_ma_per_a": "total_ma"}
    axes.plot(x, factor * table[f"{name}_now"], color=NOW, linewidth=1, marker="_", markersize=8, zorder=3)
    if not found.change.is_none:
        looks = {"color": THEN, "linewidth": 1.2, "linestyle": "--", "marker": "D", "markersize": 4}
        axes.plot(x, factor * table[f"{name}_then"], zorder=4, fillstyle="none", **looks)
    measured = table[expected.get(name, name)].to_numpy(float)
    for state, fill in ((False, READ), (True, OLD)):
        here = (old == state).to_numpy() & (measured > 0)
        mark = markers.Mark("o", fill, 1.2)
        markers.dots(
            axes,
            x[here],
            measured[here],
            mark,
            name="old" if state else "measured",
            size=span_axis.size_pt(found),
            zorder=6,
        )


def measured_handles(found, old):
    """Legend of what `draw_pair` draws."""
    handles = [markers.entry(markers.Mark("o", READ, 1.2), "measured")]
    if old.any():
        handles.append(markers.entry(markers.Mark("o", OLD, 1.2), "measured, over two years older"))
    looks = {"markersize": 7, "linewidth": 1}
    handles.append(Line2D([], [], color=NOW, marker="_", label="expected as recorded, all sound", **looks))
    if not found.change.is_none:
        many = len(found.change.bonds + found.change.spans) > 2
        words = "what is suspected, open" if many else change_words(found.line, found.change)
        words = lettering.shortened(f"expected with {words}", 95)
        looks = {"linestyle": "--", "marker": "D", "markersize": 4, "fillstyle": "none", "color": THEN}
        handles.append(Line2D([], [], label=words, **looks))
    return handles


def _suspect_entry():
    """Legend entry of the marks through all panels."""
    return Patch(facecolor=span_axis.SUSPECT, alpha=0.5, linewidth=0, label="suspected span or bond")
