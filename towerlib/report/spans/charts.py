"""Panels one under the other over one chainage axis, with what is suspected marked through all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.collections import LineCollection
from matplotlib.dates import date2num
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import FixedFormatter, FixedLocator

from towerlib.network import what_if
from towerlib.report import cautions, condition_charts, layout, map_elements, style, tower_marks, tower_sheet
from towerlib.report.spans import case
from towerlib.report.spans.case import MOST_CELLS, change_words
from towerlib.text import listed, plain
from towerlib.values import number

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

    from towerlib.report.spans.case import LineCase, SpanCase

LEFT_MM, RIGHT_MM = 18, 24  # as of the profile along the whole route
WIDE_MM = layout.WIDTH_MM - LEFT_MM - RIGHT_MM
HEAD_MM, AXIS_MM = 5, 6  # above and below the axes of a panel
SUSPECT = "#d9b23c"


def panel(
    figure: Figure, place: tuple[float, float], found: SpanCase, head: str, handles: Sequence[Artist] = ()
) -> Axes:
    """Axes of one panel over the towers of a stretch, between two heights of the page [mm] (changes the figure)."""
    bottom, top = place
    room = layout.WIDTH_MM - LEFT_MM - layout.MARGIN_MM
    layout.write_on(
        figure, LEFT_MM, top - 1, layout.shortened(head, room, weight="bold"), weight="bold", va="top"
    )
    top -= HEAD_MM
    if handles:
        layout.legend(figure, handles, LEFT_MM, top, room, corner="upper left")
        top = (
            figure.legends[-1].get_window_extent(cast("Any", figure.canvas).get_renderer()).y0
            * 25.4
            / figure.dpi
        )
    axes = layout.new_panel(figure, LEFT_MM, bottom + AXIS_MM, WIDE_MM, top - 2 - bottom - AXIS_MM)
    axes.set_xlim(*found.ends_km)
    name_towers(axes, found)
    mark_suspects(axes, found)
    return axes


def name_towers(axes: Axes, found: SpanCase) -> None:
    """Ticks at the towers, named as far as there is room (changes the axes)."""
    low, high = found.ends_km
    mm_per_km = WIDE_MM / (high - low)
    names, free = [], -np.inf
    for x, name in zip(found.chainage_km, found.tower_id, strict=True):
        short = layout.shortened(name, 14)
        half = layout.width_mm(short) / 2 + 0.5
        fits = (x - low) * mm_per_km - half >= free
        names.append(short if fits else "")
        free = (x - low) * mm_per_km + half if fits else free
    axes.xaxis.set_major_locator(FixedLocator(cast("Any", found.chainage_km)))
    axes.xaxis.set_major_formatter(FixedFormatter(names))
    axes.get_xticklabels()


def mark_suspects(axes: Axes, found: SpanCase) -> None:
    """Shading over suspected spans, lines at suspected bonds (changes the axes)."""
    spans, bonds = found.suspects
    for low, high in spans:
        axes.axvspan(low, high, color=SUSPECT, alpha=0.35, linewidth=0, zorder=0, gid="suspected span")
    for x in bonds:
        axes.axvline(x, color=SUSPECT, linewidth=3, alpha=0.6, zorder=0, gid="suspected bond")


def log_scale(axes: Axes, values: ArrayLike) -> None:
    """Logarithmic height that holds all values above 0 (one at least), its numbers apart (changes the axes)."""
    values = np.asarray(values, float).ravel()
    values = values[np.isfinite(values) & (values > 0)]
    air = max(1.3, (values.max() / values.min()) ** 0.12)
    low, high = values.min() / air, values.max() * air
    tower_sheet.log_scale(axes.yaxis, low, high)
    high_mm = axes.bbox.height * 25.4 / axes.figure.dpi
    if len(axes.get_yticks()) * layout.LINE_MM > high_mm:
        tens = 10.0 ** np.arange(np.ceil(np.log10(low)), np.floor(np.log10(high)) + 1)
        axes.yaxis.set_major_locator(FixedLocator(tens))
    axes.get_yticklabels()


def size_pt(found: SpanCase) -> float:
    """Diameter of the marker of a tower: smaller where there are many [pt]."""
    return 4.5 if len(found.towers) <= 40 else 2.5


def missing(figure: Figure, place: tuple[float, float], head: str, sentence: str) -> None:
    """Say in a panel's place what is missing (changes the figure)."""
    layout.write_on(figure, LEFT_MM, place[1] - 1, head, weight="bold", va="top")
    for row, line in enumerate(layout.wrapped(sentence, WIDE_MM + RIGHT_MM - 6)):
        layout.write_on(figure, LEFT_MM, place[1] - 6 - layout.LINE_MM * row, line, va="top", color="#444444")


def cells(found: SpanCase) -> np.ndarray:
    """Half the width that each tower has on the axis without touching its neighbours [km], shape (n,)."""
    x = found.chainage_km
    gaps = np.diff(x)
    half = np.minimum(np.r_[gaps[:1], gaps], np.r_[gaps, gaps[-1:]]) / 2
    return 0.88 * half


ALONE, PARALLEL = style.COLOURS(0.85), style.COLOURS(0.3)
TOO_MANY = f"Take a stretch of {MOST_CELLS} towers at most to see these side by side."


def draw_histories(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw the impedances of each tower over the years within its cell, between two heights of the page [mm]."""
    head = "Impedances over the years [Ω]"
    alone, parallel = _readings(found)
    every = np.r_[alone["ohm"], parallel["ohm"]]
    if len(found.towers) > MOST_CELLS or not len(every):
        missing(figure, place, head, TOO_MANY if len(every) else "No impedance was read here.")
        return
    days = np.r_[alone["day"], parallel["day"]]
    ends = days.min(), max(days.max(), days.min() + 1)
    head = f"{head}, each tower from {_year(ends[0])} (left) to {_year(ends[1])} (right)"
    marks = {"alone": style.Mark("o", ALONE, 0.8), "parallel": style.Mark("^", PARALLEL, 0.9)}
    handles = [
        style.entry(marks["alone"], "footing alone (leg coils, shield wire lifted)"),
        style.entry(marks["parallel"], "without coils: footing beside the shield wires"),
    ]
    axes = _cells(figure, place, found, head, handles)
    log_scale(axes, every)
    for readings, mark, name in ((alone, marks["alone"], "alone"), (parallel, marks["parallel"], "no coils")):
        x = _across(found, readings["place"], (readings["day"] - ends[0]) / (ends[1] - ends[0]))
        for tower in np.unique(readings["place"]):
            here = readings["place"] == tower
            axes.plot(x[here], readings["ohm"][here], color=mark.colour, linewidth=0.6, zorder=3)
        style.dots(axes, x, readings["ohm"], mark, size=4, name=name)
    axes.set_ylabel("Ω")


def draw_sweeps(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw the newest sweep of each tower over the logarithm of frequency; as for `draw_histories`."""
    head = "Newest sweep of each tower: impedance [Ω]"
    sweeps = _sweeps(found)
    if len(found.towers) > MOST_CELLS or not sweeps:
        missing(figure, place, head, TOO_MANY if sweeps else "No sweep was taken here.")
        return
    hertz = np.concatenate([sweep["hertz"] for sweep in sweeps])
    ohm = np.concatenate([sweep["ohm"] for sweep in sweeps])
    low, high = np.log(hertz.min()), np.log(max(hertz.max(), 1.01 * hertz.min()))
    head += f", each from {plain(hertz.min())} Hz (left) to {plain(hertz.max())} Hz (right)"
    handles = [
        Line2D([], [], color=ALONE, linewidth=1.6, label="footing alone"),
        Line2D([], [], color=PARALLEL, linewidth=1.6, linestyle="--", label="without coils, or not stated"),
    ]
    axes = _cells(figure, place, found, head, handles)
    log_scale(axes, ohm)
    for sweep in sweeps:
        across = (np.log(sweep["hertz"]) - low) / (high - low)
        x = _across(found, np.full(len(across), sweep["place"]), across)
        alone = sweep["alone"]
        looks = {"color": ALONE if alone else PARALLEL, "linestyle": "-" if alone else "--"}
        axes.plot(x, sweep["ohm"], linewidth=1.4, marker="o", markersize=1.5, zorder=4, **looks)
    axes.set_ylabel("Ω")


def _cells(figure, place, found, head, handles):
    """Panel with a pale ground under each cell."""
    axes = panel(figure, place, found, head, handles)
    for x, half in zip(found.chainage_km, cells(found), strict=True):
        axes.axvspan(x - half, x + half, color=style.FAINT, alpha=0.13, linewidth=0, zorder=1)
    return axes


def _across(found, place, part):
    """Chainage of a point that lies so far (0 to 1) across the cell of a tower [km]."""
    half = cells(found)[place]
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
    # a logarithmic axis shows no other readings
    return tuple(
        {"place": places[ohm > 0], "day": days[ohm > 0], "ohm": ohm.to_numpy(float)[ohm > 0]}
        for ohm in (first.where(alone), parallel)
    )


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


READ, OLD = style.COLOURS(0.85), "white"
NOW, THEN = style.COLOURS(0.35), "#b8860b"
NO_CURRENTS = "No leg currents in service were read here."
NO_SHARES = "No injected test without coils was read here."


def draw_profile(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw the footings with intervals and limits, as on the profile of the whole route; place as for `panel`."""
    head = "Footing impedance with its interval, target and limit [Ω]"
    if not bool((found.towers["value_ohm"] > 0).any()):
        missing(figure, place, head, "No footing impedance was read here.")
        return
    towers = found.towers
    handles = [
        entry
        for entry in condition_charts.profile_handles(towers)
        if not cast("Any", entry.get_label()).endswith("(0)")
    ]
    axes = panel(figure, place, found, head, handles)
    columns = ["value_ohm", "footing_low_ohm", "footing_high_ohm", "target_ohm", "limit_ohm"]
    value, low, high, target, limit = towers[columns].to_numpy(float, na_value=np.nan).T
    every = np.r_[value, low, high, target, limit]
    log_scale(axes, every)
    axes.vlines(found.chainage_km, low, high, color=style.FAINT, linewidth=1.2, zorder=2)
    _draw_limits(axes, found.chainage_km, {"target": target, "limit": limit})
    covered = _draw_classes(axes, found)
    wishes = zip(found.chainage_km, value, towers["words"].str.removesuffix(" Ω"), strict=True)
    few = len(towers) <= MOST_CELLS
    layout.place_labels(axes, [wish for wish in wishes if few and wish[1] > 0], covered)
    axes.set_ylabel("Ω")


def _draw_limits(axes, x, limits):
    """Draw target and limit, each tower's own, named at the right edge."""
    names = []
    for (word, ohm), dashes in zip(limits.items(), (":", "--"), strict=True):
        if np.isfinite(ohm).any():
            axes.step(x, ohm, where="mid", color=style.INK, linewidth=0.9, linestyle=dashes, zorder=3)
            names.append((ohm[np.isfinite(ohm)][-1], tower_marks.limit_words(word, ohm)))
    layout.edge_labels(axes, names)


def _draw_classes(axes, found):
    """Draw the towers by class, those not tested at the foot; give their boxes."""
    covered = []
    for name, mark in style.MARKS.items():
        here = (found.towers["kind"] == name).to_numpy()
        x, ohm = found.chainage_km[here], found.towers["value_ohm"].to_numpy(float, na_value=np.nan)[here]
        if name == "not tested":
            looks = {"transform": axes.get_xaxis_transform(), "size": size_pt(found)}
            style.dots(axes, x, np.full(len(x), 0.05), mark, name=name, **looks)
            continue
        if name in style.BOUNDED:
            condition_charts.draw_open_ends(axes, x[ohm > 0], ohm[ohm > 0])
        style.dots(axes, x[ohm > 0], ohm[ohm > 0], mark, name=name, size=size_pt(found))
        covered.append(layout.box_of(axes, x[ohm > 0], ohm[ohm > 0], 5 * mark.size))
    return np.vstack(covered)


def draw_currents(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw sum and vector total of the leg currents at each tower, the gap between them; as for `draw_profile`."""
    head = "Leg currents in service: arithmetic sum, vector total, and the gap between them [mA]"
    towers = found.towers
    total, summed = (
        towers[f"leakage_{name}_ma"].to_numpy(float, na_value=np.nan) for name in ("total", "sum")
    )
    values = np.r_[total, summed]
    values = values[values > 0]
    if not len(values):
        missing(figure, place, head, NO_CURRENTS)
        return
    old = what_if.is_old(cast("pd.Series", towers["leakage_date"]))
    marks = {
        "sum": style.Mark("D", "white", 1.5),
        "total": style.Mark("o", READ),
        "old": style.Mark("o", OLD),
    }
    words = {"sum": "arithmetic sum", "total": "vector total", "old": "over two years older"}
    handles = [style.entry(marks[name], words[name]) for name in words if name != "old" or old.any()]
    handles.append(Line2D([], [], color=style.INK, linewidth=2, label="gap"))
    mark = Patch(facecolor=SUSPECT, alpha=0.5, linewidth=0, label="suspected span or bond")
    handles.append(cast("Any", mark))
    axes = panel(figure, place, found, head, handles)
    log_scale(axes, values)
    axes.vlines(found.chainage_km, total, summed, color=style.INK, linewidth=2, zorder=4)
    size = size_pt(found)
    style.dots(axes, found.chainage_km, summed, marks["sum"], name="sum", size=size)
    for name, here in (("total", ~old), ("old", old)):
        style.dots(axes, found.chainage_km[here], total[here], marks[name], name=name, size=size, zorder=6)
    axes.set_ylabel("mA")


def draw_shares(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw measured and expected share of an injected current in the legs; as for `draw_profile`."""
    head = "Injected test: share of the current in the legs, measured and expected"
    compared = found.compared
    if compared is None or not bool((compared["leg_share"] > 0).any()):
        missing(figure, place, head, NO_SHARES if compared is not None else found.line.why_not)
        return
    axes = panel(
        figure, place, found, head, measured_handles(found, cast("pd.Series", compared["injected_old"]))
    )
    names = ["leg_share", "leg_share_now", "leg_share_then"]
    values = compared[names].to_numpy(float)
    log_scale(axes, np.r_[values.ravel(), 1.0])
    draw_pair(axes, found, "leg_share", cast("pd.Series", compared["injected_old"]))
    suspect = number("leg_share_suspect")
    axes.axhline(suspect, color=style.INK, linewidth=0.8, linestyle="--", zorder=2)
    layout.edge_labels(axes, [(suspect, "bond suspect\nfrom here"), (1.0, "no bond")])
    axes.axhline(1.0, color=style.INK, linewidth=0.8, zorder=2)


def draw_pair(axes: Axes, found: SpanCase, name: str, old: pd.Series, factor: float = 1.0) -> None:
    """Draw the measured column `name` over those expected (``_now``, ``_then``); changes the axes."""
    table: Any = found.compared
    x = found.chainage_km
    expected = {"ambient_ma_per_a": "total_ma"}
    axes.plot(x, factor * table[f"{name}_now"], color=NOW, linewidth=1, marker="_", markersize=8, zorder=3)
    if not found.change.is_none:
        looks = {"color": THEN, "linewidth": 1.2, "linestyle": "--", "marker": "D", "markersize": 4}
        axes.plot(x, factor * table[f"{name}_then"], zorder=4, fillstyle="none", **looks)
    measured = table[expected.get(name, name)].to_numpy(float)
    for state, fill in ((False, READ), (True, OLD)):
        here = (old == state).to_numpy() & (measured > 0)
        mark = style.Mark("o", fill, 1.2)
        style.dots(
            axes,
            x[here],
            measured[here],
            mark,
            name="old" if state else "measured",
            size=size_pt(found),
            zorder=6,
        )


def measured_handles(found: SpanCase, old: pd.Series) -> list[Artist]:
    """Legend of what `draw_pair` draws."""
    handles = cast("Any", [style.entry(style.Mark("o", READ, 1.2), "measured")])
    if old.any():
        handles.append(style.entry(style.Mark("o", OLD, 1.2), "measured, over two years older"))
    looks = cast("Any", {"markersize": 7, "linewidth": 1})
    handles.append(Line2D([], [], color=NOW, marker="_", label="expected as recorded, all sound", **looks))
    if not found.change.is_none:
        many = len(found.change.bonds + found.change.spans) > 2
        words = "what is suspected, open" if many else change_words(found.line, found.change)
        words = layout.shortened(f"expected with {words}", 95)
        looks = {"linestyle": "--", "marker": "D", "markersize": 4, "fillstyle": "none", "color": THEN}
        handles.append(Line2D([], [], label=words, **looks))
    return handles


HEAD = "Map, turned along the stretch"
NO_PLACE = "No two towers of this stretch have a position that can be drawn."


def draw_map(figure: Figure, place: tuple[float, float], found: SpanCase) -> None:
    """Draw the strip: spans, towers by class, suspected spans, scale bar and north; place as for `panel`."""
    route = cast("Any", found.line.study).route
    east, north = (getattr(route.towers.geometry, axis).to_numpy(float) for axis in "xy")
    points = np.column_stack([east, north])[found.stretch.towers]
    known = np.isfinite(points).all(axis=1)
    if known.sum() < 2:
        missing(figure, place, HEAD, NO_PLACE)
        return
    turned, turn = _turned(points, known)
    high = place[1] - place[0] - HEAD_MM - 4
    axes = layout.new_panel(figure, LEFT_MM, place[0] + 3, WIDE_MM, high)
    m_per_mm = _frame(axes, turned[known], high)
    layout.write_on(figure, LEFT_MM, place[1] - 1, HEAD, weight="bold", va="top")
    covered = np.vstack([_draw_spans(axes, turned, found), *_draw_towers(axes, turned, found)])
    _name(axes, turned, found, covered)
    right = LEFT_MM + WIDE_MM + 2
    _draw_bar(figure, (right, place[0] + 6), m_per_mm)
    centre = points[known].mean(axis=0)
    # True north lies convergence west of grid north; the page is turned by `turn` more.
    north_deg = np.degrees(turn) - map_elements.convergence_deg(route.crs, *centre)
    map_elements.draw_north(figure, right + 8, place[1] - 13.5, north_deg)


def _turned(points, known):
    """Places turned so that the chord from the first to the last tower points right, and its angle."""
    chord = points[known][-1] - points[known][0]
    angle = float(np.arctan2(chord[1], chord[0])) if np.hypot(*chord) > 0 else 0.0
    cos, sin = np.cos(angle), np.sin(angle)
    return (points - points[known][0]) @ np.array([[cos, -sin], [sin, cos]]), angle


def _frame(axes, places, high_mm):
    """Limits with one scale both ways; gives metres a millimetre."""
    low, top = places.min(axis=0), places.max(axis=0)
    m_per_mm = max(np.ptp(places[:, 0]) / (WIDE_MM / 1.03), np.ptp(places[:, 1]) / (high_mm - 12), 1e-3)
    centre = (low + top) / 2
    half = np.array([WIDE_MM, high_mm]) * m_per_mm / 2
    axes.set(xlim=centre[0] + half[0] * np.array([-1, 1]), ylim=centre[1] + half[1] * np.array([-1, 1]))
    axes.set(xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set(visible=True, linewidth=0.4, color=style.FAINT)
    return m_per_mm


def _draw_spans(axes, turned, found):
    """Draw the spans, the suspected ones broad; give the boxes along them."""
    lines = cast("Any", np.stack([turned[:-1], turned[1:]], axis=1))
    scan = found.line.study.network.spans["span_scan"].iloc[found.stretch.spans] == "suspected"
    axes.add_collection(LineCollection(lines, colors=style.FAINT, linewidths=0.9, zorder=2), autolim=False)
    broad = LineCollection(cast("Any", lines[scan.to_numpy()]), colors=SUSPECT, linewidths=6, zorder=1)
    broad.set_gid("suspected span")
    axes.add_collection(broad, autolim=False)
    ends = axes.transData.transform(lines[np.isfinite(lines).all(axis=(1, 2))].reshape(-1, 2)).reshape(
        -1, 2, 2
    )
    steps = np.linspace(0, 1, 25)[:, None]
    return layout.box_around(
        np.vstack([one + steps * (other - one) for one, other in ends] or [np.empty((0, 2))]), 4
    )


def _draw_towers(axes, turned, found):
    """Draw the towers by class, ringed where the bond is suspected; give their boxes."""
    covered = []
    for name, mark in style.MARKS.items():
        here = (found.towers["kind"] == name).to_numpy() & np.isfinite(turned).all(axis=1)
        x, y = turned[here].T
        style.dots(axes, x, y, mark, name=name, size=size_pt(found))
        covered.append(layout.box_of(axes, x, y, 6 * mark.size))
    suspected = found.line.study.network.towers["bond_suspect"].iloc[found.stretch.towers]
    here = suspected.eq(True).fillna(False).to_numpy(bool) & np.isfinite(turned).all(axis=1)
    axes.scatter(*turned[here].T, s=110, facecolors="none", edgecolors=SUSPECT, linewidths=2, zorder=6)
    return covered


def _name(axes, turned, found, covered):
    """Name the towers, then the round kilometres, as many as there is room for."""
    known = np.isfinite(turned).all(axis=1)
    names = [layout.shortened(name, 20) for name in found.tower_id]
    _, bonds = found.suspects
    ends = np.isin(np.arange(len(names)), [0, len(names) - 1])
    named = known & (np.isin(found.chainage_km, bonds) | ends | (len(names) <= case.MOST_CELLS))
    wishes = [(*place, name) for place, name, drawn in zip(turned, names, named, strict=True) if drawn]
    taken = layout.place_labels(axes, wishes, covered)
    km = round_km(found)
    places = np.column_stack(
        [np.interp(km, found.chainage_km[known], turned[known, axis]) for axis in (0, 1)]
    )
    axes.scatter(*places.T, marker="|", s=60, color=style.INK, linewidths=0.8, zorder=3)
    wishes = [(*place, f"{plain(mark)} km") for place, mark in zip(places, km, strict=True)]
    layout.place_labels(axes, wishes, covered, taken, style="italic", color="#444444")


def _draw_bar(figure, corner, m_per_mm):
    """Bar of a round length, as long as fits beside the strip."""
    lengths = np.outer(10.0 ** np.arange(0, 6), [1, 2, 5]).ravel()
    bar_m = float(lengths[lengths <= max(16 * m_per_mm, 1)][-1])
    bar = Rectangle(corner, bar_m / m_per_mm, 1.2, facecolor=style.INK, linewidth=0, gid="scale bar")
    bar.set_transform(layout.millimetres(figure))
    figure.add_artist(bar)
    words = f"{plain(bar_m / 1000)} km" if bar_m >= 1000 else f"{plain(bar_m)} m"
    layout.write_on(figure, corner[0], corner[1] + 2, words)


def round_km(found: SpanCase) -> np.ndarray:
    """Round chainages inside a stretch, six at most [km]."""
    low, high = np.nanmin(found.chainage_km), np.nanmax(found.chainage_km)
    step = layout.round_step(high - low, 6)
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step


PANELS = [(draw_map, 32), (draw_profile, 50), (draw_currents, 38), (draw_shares, 42)]
CELLS = [(draw_histories, 44), (draw_sweeps, 40)]
MISSING_MM = 14  # a panel that only says what is missing
CAUTION = cautions.INSPECT_SPAN
ASSUMED = (
    "Expected values come from the ladder of the line; its wires are known to some 8 %, and a reading in service "
    "depends on the load, which is not known."
)
NOTHING = "Behind an open bond nothing is expected in service: the line leaves the panel downwards."


def span_picture(line: LineCase, stretch: what_if.Stretch, change: what_if.Change | None = None) -> Figure:
    """Evidence on a stretch: map, footings, leg currents, leg shares, histories and sweeps over one chainage axis."""
    found = case.span_case(line, stretch, change)
    notes = [
        f"Here {tower_marks.GAP_MEANING}",
        "Yellow: suspected by the network analysis.",
        ASSUMED,
        CAUTION,
    ]
    few = len(found.towers) <= case.MOST_CELLS
    cells = CELLS if few else [(draw, MISSING_MM) for draw, _ in CELLS]
    return _page(found, "Evidence along a stretch of the line", PANELS + cells, notes)


def whatif_picture(line: LineCase, stretch: what_if.Stretch, change: what_if.Change) -> Figure:
    """Expected readings of a stretch as recorded and with a change, against the readings; or why there are none."""
    title = "What a stretch would read"
    if line.case is None:
        return layout.blank(title, line.why_not)
    found = case.span_case(line, stretch, change)
    title = f"What if: {case.change_words(line, change)}"
    panels = [(_draw_no_coils, 52), (draw_shares, 48), (_draw_service, 52)]
    return _page(found, title, panels, [case.drive_words(found), ASSUMED, NOTHING, CAUTION])


def _page(found, title, panels, notes):
    """Page with panels one under the other."""
    body = sum(high for _, high in panels)
    ends = f"km {found.stretch.from_km:.2f} to {found.stretch.to_km:.2f}"
    names = listed(found.tower_id[:1]), listed(found.tower_id[-1:])
    subtitle = (
        f"{found.line.study.line.title}: {ends}, towers {names[0]} to {names[1]}, {found.line.study.month}"
    )
    with style.house():
        figure, foot = layout.new_sheet(body, title, subtitle, notes)
        top = foot + body
        for draw, high in panels:
            draw(figure, (top - high, top), found)
            top -= high
        return figure


def _draw_no_coils(figure, place, found):
    """Draw the impedances without coils, measured and expected."""
    table = found.compared
    axes = panel(
        figure,
        place,
        found,
        "Impedance without coils, measured and expected [Ω]",
        measured_handles(found, table["injected_old"]),
    )
    values = table[["no_coils_ohm", "no_coils_ohm_now", "no_coils_ohm_then"]].to_numpy(float)
    log_scale(axes, values)
    draw_pair(axes, found, "no_coils_ohm", table["injected_old"])
    axes.set_ylabel("Ω")


def _draw_service(figure, place, found):
    """Draw the totals in service, measured and expected at the drive that explains them best."""
    table, drive_a = found.compared, what_if.likely_drive(found.compared)
    known = np.isfinite(drive_a)
    words = f"at {drive_a:.3g} A forced through the wires" if known else "for 1 A forced through the wires"
    head = f"Total in service, measured and expected {words} [mA]"
    axes = panel(figure, place, found, head, measured_handles(found, table["total_old"]))
    factor = drive_a if known else 1.0
    expected = factor * table[["ambient_ma_per_a_now", "ambient_ma_per_a_then"]].to_numpy(float)
    values = np.r_[expected.ravel(), table["total_ma"]]
    log_scale(axes, values)
    draw_pair(axes, found, "ambient_ma_per_a", table["total_old"], factor)
    axes.set_ylabel("mA")
