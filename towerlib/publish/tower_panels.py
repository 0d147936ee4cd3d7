"""Panels of a tower's picture: its leg currents, and its sweeps."""

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from towerlib.publish import lettering, markers, scales, style
from towerlib.publish.tower_layout import edge_labels, log_scale, missing, panel
from towerlib.values import number

LEG, TOTAL = style.COLOURS(0.45), style.COLOURS(0.9)
NO_LEGS = "No leg current of this tower was read (legs.csv)."
NO_SWEEP = "No sweep of test frequencies was taken at this tower (sweeps.csv)."


def draw_legs(figure, place, found):
    """Draw the leg currents of the newest visit that read them, with sum, total and gap.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The page (changed).
    place : (float, float)
        Lower and upper end of the panel, from the bottom of the page [mm].
    found : Case
        The tower.
    """
    if not has_legs(found):
        missing(figure, place, "Leg currents", NO_LEGS)
        return
    read = found.currents[found.currents["leg_count_read"] > 0]
    newest = read.iloc[-1]
    legs = found.legs[(found.legs["visit_id"] == newest["visit_id"]) & found.legs["leakage_ma"].notna()]
    verdict = found.visits.set_index("visit_id").loc[newest["visit_id"], "leakage_verdict"]
    head = f"Leg currents in service, {newest['date']:%Y-%m-%d} ({verdict})"
    marked = _marked(newest)
    handles = [Patch(facecolor=LEG, edgecolor=style.INK, linewidth=0.5, label="leg")]
    if marked:
        handles.append(
            Patch(facecolor="white", edgecolor=style.INK, hatch="////", linewidth=0.5, label=marked[1])
        )
    handles.append(Patch(facecolor=TOTAL, edgecolor=style.INK, linewidth=0.5, label="vector total"))
    handles.append(Patch(facecolor="white", edgecolor=TOTAL, hatch="....", linewidth=0.5, label="gap"))
    below = " In Ω: apparent leg impedances." if legs["impedance_ohm"].notna().any() else ""
    axes = panel(figure, place, head, _currents_words(newest) + below, handles)
    _bars(axes, legs, newest, marked[0] if marked else [])
    axes.set_ylabel("Leakage current [mA]")


def has_legs(found):
    """Whether the tower has leg currents to draw."""
    return bool((found.currents["leg_count_read"] > 0).any())


def _marked(newest):
    """Legs that the readings point at, and what they point to; none without such a cause."""
    cause = newest["suspected_cause"]
    if isinstance(newest["reversed_legs"], str):
        return newest["reversed_legs"].split(" or "), "reads as a reversed coil would"
    if cause == "wrong coil turns" and isinstance(newest["step_leg"], str):
        return [newest["step_leg"]], "stepped against another visit"
    injected = newest["highest_impedance_ratio"] > number("leg_impedance_ratio")
    weak = newest["highest_impedance_leg"] if injected else newest["weakest_leg"]
    return ([weak], "weak against the other legs") if cause == "weak leg" and isinstance(weak, str) else None


def _currents_words(newest):
    """Sum, total and gap in words."""
    words = [f"Arithmetic sum {lettering.plain(newest['leakage_sum_ma'])} mA"]
    if pd.isna(newest["leakage_total_ma"]):
        return f"{words[0]}; vector total not read, so the gap is not known."
    words.append(f"vector total {lettering.plain(newest['leakage_total_ma'])} mA")
    if pd.isna(newest["gap_ma"]):
        return f"{', '.join(words)}; not every leg was read, so the gap is not known."
    share = f" = {100 * newest['gap_fraction']:.0f} % of the sum" if pd.notna(newest["gap_fraction"]) else ""
    words.append(f"gap {lettering.plain(newest['gap_ma'])} mA{share}")
    small = "" if newest["large_enough"] else "; too small against the coils to be judged"
    return f"{', '.join(words)}{small}."


def _bars(axes, legs, newest, marked):
    """Draw one bar a leg, their sum as a stack, and beside it the total with the gap on top."""
    values, count = legs["leakage_ma"].to_numpy(float), len(legs)
    hatches = ["////" if leg in marked else "" for leg in legs["leg"]]
    looks = {"edgecolor": style.INK, "linewidth": 0.5, "width": 0.7}
    filled = looks | {"color": ["white" if hatch else LEG for hatch in hatches], "hatch": hatches}
    axes.bar(np.arange(count), values, **filled)
    axes.bar(np.full(count, count + 0.6), values, bottom=np.cumsum(values) - values, **filled)
    most = np.nanmax([values.sum(), newest["leakage_total_ma"], 1.0])
    axes.set(xlim=(-0.8, count + 2.1), ylim=(0, 1.12 * most))
    axes.set_xticks([*range(count), count + 0.6, count + 1.6], [*_leg_names(legs), "sum", "vector total"])
    axes.tick_params(axis="x", length=0)
    for label, leg in zip(axes.get_xticklabels(), legs["leg"], strict=False):
        label.set_fontweight(
            "bold" if leg in marked else "normal"
        )  # a leg without current has no bar to hatch
    scales.linear_axis(axes.yaxis, 5)
    for x, value in zip([*range(count), count + 0.6], [*values, values.sum()], strict=True):
        looks_of_text = {"textcoords": "offset points", "ha": "center", "fontsize": style.SMALL_PT}
        axes.annotate(lettering.plain(value), (x, value), (0, 1.5), **looks_of_text)
    _draw_total(axes, newest, count + 1.6, looks)


def _leg_names(legs):
    """Names of the legs, each over its apparent impedance where any was read."""
    names = [lettering.shortened(leg, 12) for leg in legs["leg"]]
    if legs["impedance_ohm"].isna().all():
        return names
    ohm = [
        f"{lettering.plain(value)} Ω" if pd.notna(value) else "not read" for value in legs["impedance_ohm"]
    ]
    return [f"{name}\n{value}" for name, value in zip(names, ohm, strict=True)]


def _draw_total(axes, newest, x, looks):
    """Draw the vector total and, on top of it, the gap; both named at the right edge of the panel."""
    total, gap = newest["leakage_total_ma"], newest["gap_ma"]
    if pd.isna(total):
        edge_labels(axes, [(0, "total not read")])
        return
    axes.bar(x, total, color=TOTAL, **looks)
    labels = [(total if pd.isna(gap) or gap <= 0 else total / 2, f"total {lettering.plain(total)} mA")]
    if pd.notna(gap):
        labels.append((total + max(gap, 0) / 2, f"gap {lettering.plain(gap)} mA"))
    if gap > 0:
        axes.bar(x, gap, bottom=total, color="white", hatch="....", **(looks | {"edgecolor": TOTAL}))
    edge_labels(axes, labels)


def draw_sweeps(figure, place, found):
    """Draw the impedance over frequency of each sweep, the newest of the footing alone strong.

    Parameters
    ----------
    figure, place, found : matplotlib.figure.Figure, (float, float), Case
        As for `draw_legs`.
    """
    points = _points(found)
    if not has_sweeps(found):
        missing(figure, place, "Impedance over frequency", NO_SWEEP)
        return
    shapes = found.shapes[found.shapes["visit_id"].isin(points["visit_id"])]
    alone = shapes["sees"] == "footing alone"
    newest = (shapes[alone] if alone.any() else shapes).iloc[-1]
    strong = "newest sweep of the footing alone" if alone.any() else "newest sweep"
    handles = [Line2D([], [], color=TOTAL, linewidth=1.8, marker="o", markersize=3, label=strong)]
    if len(shapes) > 1:
        handles.append(
            Line2D([], [], color=LEG, linewidth=0.9, marker="o", markersize=2, label="other sweeps")
        )
    single = pd.notna(newest["single_ohm"]) and pd.notna(newest["sweep_at_test_ohm"])
    mark = markers.Mark("D", "white", 1.2)
    if single:
        handles.append(markers.entry(mark, "single reading of that visit"))
    head = f"Impedance over frequency, {newest['date']:%Y-%m-%d} ({_method(newest)})"
    axes = panel(figure, place, head, _sweep_words(newest), handles)
    _scale_sweeps(axes, points)
    _draw_sweep_lines(axes, points, shapes, newest["visit_id"])
    if single:
        hertz = found.visits.set_index("visit_id").loc[newest["visit_id"], "test_frequency_hz"]
        markers.dots(axes, [hertz], [newest["single_ohm"]], mark, name="single reading")
    axes.set(xlabel="Test frequency [Hz]", ylabel="Impedance |Z| [Ω]")


def has_sweeps(found):
    """Whether the tower has a sweep to draw."""
    return not _points(found).empty


def _points(found):
    """Points of the sweeps that a logarithmic scale can show."""
    return found.sweeps[(found.sweeps["frequency_hz"] > 0) & (found.sweeps["impedance_ohm"] > 0)]


def _sweep_words(newest):
    """What the newest sweep tells, in words."""
    if pd.isna(newest["low_frequency_ohm"]):
        return f"{newest['screening']} {newest['remark']}"
    u = float(f"{newest['low_frequency_u_ohm']:.1g}")
    value = f"Low-frequency value {lettering.plain(newest['low_frequency_ohm'])} ± {lettering.plain(u)} Ω"
    phase = newest["phase_deg"]
    at_top = f", phase at the top {lettering.plain(round(phase))}°" if pd.notna(phase) else ""
    return f"{value}{at_top}. {newest['screening']} {newest['remark']}"


def _method(sweep):
    """How a sweep was taken, in words."""
    return sweep["method"] if isinstance(sweep["method"], str) else "method not stated"


def _scale_sweeps(axes, points):
    """Set both axes: all points, and two to one at least, so that noise does not look like a slope."""
    hertz, ohm = points["frequency_hz"], points["impedance_ohm"]
    scales.log_axis(axes.xaxis, hertz.min() / 1.15, hertz.max() * 1.15)
    widen = max(np.sqrt(2.0 / (ohm.max() / ohm.min())), 1.15)
    log_scale(axes.yaxis, ohm.min() / widen, ohm.max() * widen)


def _draw_sweep_lines(axes, points, shapes, strong):
    """Draw one line a sweep, named by its date at the right edge."""
    labels = []
    for sweep in shapes.itertuples():
        own = points[points["visit_id"] == sweep.visit_id].sort_values("frequency_hz")
        chosen = sweep.visit_id == strong
        looks = {"color": TOTAL, "linewidth": 1.8} if chosen else {"color": LEG, "linewidth": 0.9}
        line = "--" if sweep.sees == "footing and shield wires" else "-"
        looks |= {"markersize": 3 if chosen else 2, "zorder": 5 if chosen else 4, "linestyle": line}
        axes.plot(own["frequency_hz"], own["impedance_ohm"], marker="o", **looks)
        method = "" if sweep.sees == "footing alone" else f"\n{_method(sweep._asdict())}"
        labels.append((own["impedance_ohm"].iloc[-1], f"{sweep.date:%Y-%m-%d}{method}"))
    edge_labels(axes, labels)
