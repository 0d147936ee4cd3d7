"""The page of one tower: its panels, their places, and the words around them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.dates import date2num, num2date
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter

from towerlib.readings.causes import DOUBTFUL_COILS, WEAK_LEG
from towerlib.report import cautions, layout, style, tower_marks
from towerlib.report.tower_case import case
from towerlib.report.tower_marks import each
from towerlib.text import one_line, plain
from towerlib.values import number

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

    from towerlib.report.tower_case import Case, Tables

LEFT_MM, RIGHT_MM, AXIS_MM = 15, 25, 11  # room for numbers, for names at the right, for the lower axis
WIDE_MM = layout.WIDTH_MM - LEFT_MM - RIGHT_MM


def head_and_words(figure: Figure, place: tuple[float, float], head: str, words: str) -> float:
    """Heading of a panel and some words below it (changes the figure); where the rest may begin [mm]."""
    top, room = place[1], layout.WIDTH_MM - LEFT_MM - layout.MARGIN_MM
    shown = layout.shortened(head, room, style.TEXT_PT, "bold")
    layout.write_on(figure, LEFT_MM, top - 3, shown, size=style.TEXT_PT, weight="bold", va="top")
    top -= 7
    for line in layout.wrapped(words, room) if words else []:
        layout.write_on(figure, LEFT_MM, top, line, va="top")
        top -= layout.LINE_MM
    return top


def panel(
    figure: Figure, place: tuple[float, float], head: str, words: str, handles: Sequence[Artist]
) -> Axes:
    """Axes under a heading, some words and a legend, between two heights of the page [mm]."""
    bottom, top = place[0], head_and_words(figure, place, head, words)
    layout.legend(figure, handles, LEFT_MM, top - 0.5, WIDE_MM, corner="upper left")
    box = figure.legends[-1].get_window_extent(cast("Any", figure.canvas).get_renderer())
    top = box.y0 * 25.4 / figure.dpi - 4
    return layout.new_panel(figure, LEFT_MM, bottom + AXIS_MM, WIDE_MM, top - bottom - AXIS_MM)


def log_scale(axis: Axis, low: float, high: float) -> None:
    """Logarithmic axis between two ends above 0, with three numbers on it at least (changes the axis)."""
    layout.log_axis(axis, low, high)
    if len(layout.round_numbers(low, high)) < 3:
        layout.linear_axis(axis, 5)


def missing(figure: Figure, place: tuple[float, float], head: str, sentence: str) -> None:
    """Say in a panel's place what is missing (changes the figure)."""
    layout.write_on(figure, LEFT_MM, place[1] - 3, head, size=style.TEXT_PT, weight="bold", va="top")
    layout.write_on(figure, LEFT_MM, place[1] - 9, sentence, size=style.TEXT_PT, va="top", color="#444444")


def edge_labels(axes: Axes, labels: Sequence[tuple[float, str]]) -> None:
    """Names at the right edge of a panel, none above its top; lower ones give way (changes the axes)."""
    unit, apart_mm = axes.figure.dpi / 25.4, 3.2
    edge, ceiling, placed = axes.get_xlim()[1], axes.bbox.y1 / unit, []
    for y, text in sorted(labels, reverse=True):
        half = apart_mm * (1 + text.count("\n")) / 2
        centre = min(axes.transData.transform((edge, y))[1] / unit, ceiling - half)
        ceiling = centre - half
        placed.append((axes.transData.inverted().transform((0, centre * unit))[1], text))
    layout.edge_labels(axes, placed, apart_mm=apart_mm)


SHAPES = {  # of the markers, by method
    "leg coils": style.Mark("o", "white", 1.2),
    "shield wire lifted": style.Mark("D", "white", 1.1),
    "no coils": style.Mark(style.STANDING, "white", 2.6),
    "not stated": style.Mark("X", "white", 1.4),
}
METHODS = {
    "leg coils": "leg coils (footing alone)",
    "shield wire lifted": "shield wire lifted (footing alone)",
    "no coils": "no coils (lower limit only, its foot on the value)",
    "not stated": "method not stated",
}
FILLS = {name: look.colour for name, look in style.VERDICTS.items() if name != "not tested"}
NO_READINGS = "No impedance of this tower was read (visits.csv)."
BOUNDS = {"<": "< ", ">": "> "}


def draw_history(figure: Figure, place: tuple[float, float], found: Case) -> None:
    """Draw the impedance readings over the years, with seasonal intervals, limits and treatments."""
    read = _readings(found.visits)
    if not has_history(found):
        missing(figure, place, "Impedance over the years", NO_READINGS)
        return
    handles = [
        style.entry(SHAPES[name], METHODS[name]) for name in SHAPES if bool((read["kind"] == name).any())
    ]
    handles += [
        style.area(fill, verdict)
        for verdict, fill in FILLS.items()
        if bool((read["footing_verdict"] == verdict).any())
    ]
    pair = pd.notna(found.history["previous_ohm"])
    if bool(pair):
        handles.append(Line2D([], [], color=style.INK, linewidth=1, label="comparable readings"))
    axes = panel(figure, place, "Impedance over the years", cast("Any", found.history["reason"]), handles)
    _scale_history(axes, read, found)
    _draw_limits(axes, found.condition)
    _draw_works(axes, found.works)
    bars = _draw_bands(axes, read[read["kind"].isin(["leg coils", "shield wire lifted"])])
    if bool(pair):
        days = date2num(cast("Any", found.history[["previous_date", "last_date"]]).to_numpy())
        axes.plot(days, found.history[["previous_ohm", "last_ohm"]], color=style.INK, linewidth=1, zorder=4)
    _draw_readings(axes, read, bars)
    axes.set_ylabel("Impedance [Ω]")


def has_history(found: Case) -> bool:
    """Whether the tower has an impedance to draw."""
    return bool((found.visits["impedance_ohm"] > 0).any())


def works_words(found: Case) -> str:
    """The treatments of a tower in a sentence, numbered as in its picture; blank where there is none."""
    done = [
        f"W{number + 1}: {work.treatment} on {work.date:%Y-%m-%d}"
        for number, work in enumerate(each(found.works))
    ]
    return f"Treatments: {'; '.join(done)}." if done else ""


def _readings(visits):
    """Visits with a positive impedance, the kind of their marker and the words at it."""
    read = visits[visits["impedance_ohm"] > 0]
    bound = (
        read["impedance_ohm_bound"]
        if "impedance_ohm_bound" in read
        else pd.Series(None, read.index, dtype="str")
    )
    words = [
        f"{BOUNDS.get(mark, '')}{plain(ohm)} Ω, {state.split(',')[0]}"
        for mark, ohm, state in zip(bound, read["impedance_ohm"], read["season_class"], strict=True)
    ]
    return read.assign(
        kind=read["method"].where(read["method"].isin(list(SHAPES)), "not stated"),
        when=date2num(read["date"].to_numpy()),
        words=words,
    )


def _scale_history(axes, read, found):
    """Set the limits: all readings with their intervals, limits and treatments, and a little around them."""
    days = np.r_[read["when"], date2num(found.works["date"].to_numpy())]
    pad = max(0.06 * (days.max() - days.min()), 60)
    axes.set_xlim(days.min() - pad, days.max() + pad)
    ohm = read["impedance_ohm"]
    ends = np.r_[ohm, ohm * read["season_low_factor"], ohm * read["season_high_factor"]]
    ends = np.r_[ends, found.condition[["target_ohm", "limit_ohm"]].astype(float).dropna()]
    log_scale(axes.yaxis, ends.min() / 1.3, ends.max() * 1.4)
    _date_ticks(axes)


def _date_ticks(axes):
    """Round dates, no more than nine."""
    low, high = axes.get_xlim()
    first, last = (pd.Timestamp(num2date(day).date()) for day in (low, high))
    for step in (1, 3, 6, 12, 24, 60, 120):
        months = pd.date_range(f"{first.year}-01-01", last, freq=f"{step}MS")
        months = months[months >= first]
        if len(months) <= 9:
            break
    axes.xaxis.set_major_locator(FixedLocator(cast("Any", date2num(months.to_numpy()))))
    form = "%Y" if step >= 12 else "%Y-%m"
    axes.xaxis.set_major_formatter(FuncFormatter(lambda day, _: f"{num2date(day):{form}}"))
    axes.get_xticklabels()  # made now, in the house style, and not when the caller saves


def _draw_limits(axes, condition):
    """Draw target and limit across the panel, named at its right edge."""
    names = []
    for word, dashes in (("target", ":"), ("limit", "--")):
        ohm = condition[f"{word}_ohm"]
        if pd.notna(ohm):
            axes.axhline(ohm, color=style.INK, linewidth=0.8, linestyle=dashes, zorder=2)
            names.append((ohm, f"{word} {plain(ohm)} Ω"))
    edge_labels(axes, names)


def _draw_works(axes, works):
    """Draw treatments as upright lines, numbered above the panel; those too close share their label."""
    days = date2num(works["date"].to_numpy())
    near = 8 * (axes.get_xlim()[1] - axes.get_xlim()[0]) / WIDE_MM
    groups = np.cumsum(np.r_[True, np.diff(days) > near]) if len(days) else []
    for group in np.unique(groups):
        numbers = np.flatnonzero(groups == group) + 1
        text = f"W{numbers[0]}" + (f"–{numbers[-1]}" if len(numbers) > 1 else "")
        place = (days[numbers - 1].mean(), 1.0)
        looks = {"xycoords": axes.get_xaxis_transform(), "textcoords": "offset points", "ha": "center"}
        axes.annotate(text, place, (0, 1.5), fontsize=style.SMALL_PT, **looks)
    for day in days:
        axes.axvline(day, color=style.INK, linewidth=1.2, linestyle="-.", zorder=2)


def _draw_bands(axes, read):
    """Draw where each footing may lie through the year; gives the boxes of these lines [pixels]."""
    ohm, when = read["impedance_ohm"].to_numpy(float), read["when"].to_numpy()
    low, high = ohm * read["season_low_factor"], ohm * read["season_high_factor"]
    axes.vlines(when, low, high, color=style.FAINT, linewidth=2.2, alpha=0.7, zorder=3)
    ends = [axes.transData.transform(np.column_stack([when, end])) for end in (low, high)]
    half = 1.5 * axes.figure.dpi / 72
    return np.hstack([ends[0] - [half, 0], ends[1] + [half, 0]])


def _draw_readings(axes, read, bars):
    """Draw the readings by method and verdict, and label them where there is room, the newest first."""
    covered = [bars]
    for (kind, verdict), visits in read.groupby(["kind", "footing_verdict"], sort=False):
        mark = SHAPES[kind]
        x, y = visits["when"].to_numpy(), visits["impedance_ohm"].to_numpy(float)
        style.dots(axes, x, y, mark, size=5, name=f"{kind}, {verdict}", c=[FILLS[verdict]])
        covered.append(layout.box_of(axes, x, y, 6 * mark.size))
    newest = read.sort_values("date", ascending=False, kind="stable")
    wishes = [(visit.when, visit.impedance_ohm, visit.words) for visit in each(newest)]
    layout.place_labels(axes, wishes, np.vstack(covered))


LEG, TOTAL = style.COLOURS(0.45), style.COLOURS(0.9)
NO_LEGS = "No leg current of this tower was read (legs.csv)."
NO_SWEEP = "No sweep of test frequencies was taken at this tower (sweeps.csv)."


def draw_legs(figure: Figure, place: tuple[float, float], found: Case) -> None:
    """Draw the leg currents of the newest visit that read them, with sum, total and gap, between two heights [mm]."""
    if not has_legs(found):
        missing(figure, place, "Leg currents", NO_LEGS)
        return
    read = found.currents[found.currents["leg_count_read"] > 0]
    newest = read.iloc[-1]
    legs = found.legs[(found.legs["visit_id"] == newest["visit_id"]) & found.legs["leakage_ma"].notna()]
    verdict = found.visits.set_index("visit_id").loc[newest["visit_id"], "leakage_verdict"]
    head = f"Leg currents in service, {newest['date']:%Y-%m-%d} ({verdict})"
    marked = _marked(newest)
    handles = [style.area(LEG, "leg")]
    if marked:
        handles.append(style.area("white", marked[1], "////"))
    handles.append(style.area(TOTAL, "vector total"))
    handles.append(Patch(facecolor="white", edgecolor=TOTAL, hatch="....", linewidth=0.5, label="gap"))
    below = (
        " In Ω: apparent leg impedances." if bool(cast("Any", legs["impedance_ohm"]).notna().any()) else ""
    )
    axes = panel(figure, place, head, _currents_words(newest) + below, handles)
    _bars(axes, legs, newest, marked[0] if marked else [])
    axes.set_ylabel("Leakage current [mA]")


def has_legs(found: Case) -> bool:
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
    return ([weak], "weak against the other legs") if cause == WEAK_LEG and isinstance(weak, str) else None


def _currents_words(newest):
    """Sum, total and gap in words."""
    words = [f"Arithmetic sum {plain(newest['leakage_sum_ma'])} mA"]
    if pd.isna(newest["leakage_total_ma"]):
        return f"{words[0]}; vector total not read, so the gap is not known."
    words.append(f"vector total {plain(newest['leakage_total_ma'])} mA")
    if pd.isna(newest["gap_ma"]):
        return f"{', '.join(words)}; not every leg was read, so the gap is not known."
    share = f" = {100 * newest['gap_fraction']:.0f} % of the sum" if pd.notna(newest["gap_fraction"]) else ""
    words.append(f"gap {plain(newest['gap_ma'])} mA{share}")
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
    layout.linear_axis(axes.yaxis, 5)
    for x, value in zip([*range(count), count + 0.6], [*values, values.sum()], strict=True):
        looks_of_text = {"textcoords": "offset points", "ha": "center", "fontsize": style.SMALL_PT}
        axes.annotate(plain(value), (x, value), (0, 1.5), **looks_of_text)
    _draw_total(axes, newest, count + 1.6, looks)


def _leg_names(legs):
    """Names of the legs, each over its apparent impedance where any was read."""
    names = [layout.shortened(leg, 12) for leg in legs["leg"]]
    if legs["impedance_ohm"].isna().all():
        return names
    ohm = [f"{plain(value)} Ω" if pd.notna(value) else "not read" for value in legs["impedance_ohm"]]
    return [f"{name}\n{value}" for name, value in zip(names, ohm, strict=True)]


def _draw_total(axes, newest, x, looks):
    """Draw the vector total and, on top of it, the gap; both named at the right edge of the panel."""
    total, gap = newest["leakage_total_ma"], newest["gap_ma"]
    if pd.isna(total):
        edge_labels(axes, [(0, "total not read")])
        return
    axes.bar(x, total, color=TOTAL, **looks)
    labels = [(total if pd.isna(gap) or gap <= 0 else total / 2, f"total {plain(total)} mA")]
    if pd.notna(gap):
        labels.append((total + max(gap, 0) / 2, f"gap {plain(gap)} mA"))
    if gap > 0:
        axes.bar(x, gap, bottom=total, color="white", hatch="....", **(looks | {"edgecolor": TOTAL}))
    edge_labels(axes, labels)


def draw_sweeps(figure: Figure, place: tuple[float, float], found: Case) -> None:
    """Draw the impedance over frequency of each sweep, the newest of the footing alone strong."""
    points = _points(found)
    if not has_sweeps(found):
        missing(figure, place, "Impedance over frequency", NO_SWEEP)
        return
    shapes = found.shapes[found.shapes["visit_id"].isin(cast("pd.Series", points["visit_id"]))]
    alone = shapes["sees"] == "footing alone"
    newest = (cast("Any", shapes[alone] if bool(alone.any()) else shapes)).iloc[-1]
    strong = "newest sweep of the footing alone" if bool(alone.any()) else "newest sweep"
    handles = [Line2D([], [], color=TOTAL, linewidth=1.8, marker="o", markersize=3, label=strong)]
    if len(shapes) > 1:
        handles.append(
            Line2D([], [], color=LEG, linewidth=0.9, marker="o", markersize=2, label="other sweeps")
        )
    single = pd.notna(newest["single_ohm"]) and pd.notna(newest["sweep_at_test_ohm"])
    mark = style.Mark("D", "white", 1.2)
    if single:
        handles.append(style.entry(mark, "single reading of that visit"))
    head = f"Impedance over frequency, {newest['date']:%Y-%m-%d} ({_method(newest)})"
    axes = panel(figure, place, head, _sweep_words(newest), handles)
    _scale_sweeps(axes, points)
    _draw_sweep_lines(axes, points, shapes, newest["visit_id"])
    if single:
        hertz = found.visits.set_index("visit_id").loc[newest["visit_id"], "test_frequency_hz"]
        style.dots(axes, [hertz], [newest["single_ohm"]], mark, name="single reading")
    axes.set(xlabel="Test frequency [Hz]", ylabel="Impedance |Z| [Ω]")


def has_sweeps(found: Case) -> bool:
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
    value = f"Low-frequency value {plain(newest['low_frequency_ohm'])} ± {plain(u)} Ω"
    phase = newest["phase_deg"]
    at_top = f", phase at the top {plain(round(phase))}°" if pd.notna(phase) else ""
    return f"{value}{at_top}. {newest['screening']} {newest['remark']}"


def _method(sweep):
    """How a sweep was taken, in words."""
    return sweep["method"] if isinstance(sweep["method"], str) else "method not stated"


def _scale_sweeps(axes, points):
    """Set both axes: all points, and two to one at least, so that noise does not look like a slope."""
    hertz, ohm = points["frequency_hz"], points["impedance_ohm"]
    layout.log_axis(axes.xaxis, hertz.min() / 1.15, hertz.max() * 1.15)
    widen = max(np.sqrt(2.0 / (ohm.max() / ohm.min())), 1.15)
    log_scale(axes.yaxis, ohm.min() / widen, ohm.max() * widen)


def _draw_sweep_lines(axes, points, shapes, strong):
    """Draw one line a sweep, named by its date at the right edge."""
    labels = []
    for sweep in each(shapes):
        own = points[points["visit_id"] == sweep.visit_id].sort_values("frequency_hz")
        chosen = sweep.visit_id == strong
        looks = {"color": TOTAL, "linewidth": 1.8} if chosen else {"color": LEG, "linewidth": 0.9}
        line = "--" if sweep.sees == "footing and shield wires" else "-"
        looks |= {"markersize": 3 if chosen else 2, "zorder": 5 if chosen else 4, "linestyle": line}
        axes.plot(own["frequency_hz"], own["impedance_ohm"], marker="o", **looks)
        method = "" if sweep.sees == "footing alone" else f"\n{_method(sweep._asdict())}"
        labels.append((own["impedance_ohm"].iloc[-1], f"{sweep.date:%Y-%m-%d}{method}"))
    edge_labels(axes, labels)


USUAL = 0.05, 0.3  # with a sound bond; own ladder model, as `leg_share_suspect` of the values table
SHARE_AXIS_MM = 6  # room for the numbers below
NEWEST_Y, OLDER_Y = 0.68, 0.22  # rows of the panel, so that the newest can be named
HEAD = "Injected test: share of the current in the legs"
NO_SHARE = (
    "No share of an injected current is known (visits.csv: injected_ma and legs_ma, or both impedances)."
)
MEANING = (
    "A share of 0.05 to 0.3 is usual with a sound bond, 1 without one. Spans broken nearby, a footing under "
    "about 1 Ω and a test at some kHz raise it."
)
WARNINGS = {
    "ring or other path": "A ring, or other paths beside the coils: the share may read low.",
    "no bonded wire": "No shield wire is bonded here by design: a share of 1 is what to expect.",
}
DOUBTFUL = "The newest visit's coils are in doubt, and with them its share."


def draw_share(figure: Figure, place: tuple[float, float], found: Case) -> None:
    """Draw the share of the injected current in the legs at each visit, the newest large and named."""
    if not has_share(found):
        missing(figure, place, HEAD, NO_SHARE)
        return
    read = found.currents[found.currents["leg_share_lambda"].notna()]
    newest = read.iloc[-1]
    verdicts = found.visits.set_index("visit_id").loc[read["visit_id"], "footing_verdict"]
    top = head_and_words(figure, place, HEAD, _words(newest)) - layout.LINE_MM
    axes = layout.new_panel(
        figure, LEFT_MM, place[0] + SHARE_AXIS_MM, WIDE_MM, top - place[0] - SHARE_AXIS_MM
    )
    axes.set(xlim=(0, max(1.15, 1.1 * read["leg_share_lambda"].max())), ylim=(0, 1), yticks=[])
    axes.spines["left"].set_visible(False)
    layout.linear_axis(axes.xaxis, 8)
    _draw_marks(axes, cast("Any", read["leg_share_lambda"]).to_numpy(), verdicts.map(FILLS).to_numpy())
    _draw_lines(axes)
    _name(axes, newest)


def has_share(found: Case) -> bool:
    """Whether the tower has a share of an injected current to draw."""
    return bool(found.currents["leg_share_lambda"].notna().any())


def _words(newest):
    """Doubts about the newest share."""
    doubtful = newest["suspected_cause"] in DOUBTFUL_COILS
    return " ".join(filter(None, [WARNINGS.get(newest["peer_class"], ""), DOUBTFUL if doubtful else ""]))


def _draw_marks(axes, shares, fills):
    """Draw one marker a visit, filled by its verdict: the newest large and above the others."""
    mark, last = style.Mark("o", "white", 1.2), len(shares) - 1
    for row, (share, fill) in enumerate(zip(shares, fills, strict=True)):
        looks = {"size": 7 if row == last else 4, "name": f"share {row}", "c": [fill]}
        style.dots(axes, [share], [NEWEST_Y if row == last else OLDER_Y], mark, **looks)


def _draw_lines(axes):
    """Draw what is usual, from where the bond is suspect, and what is without one, named at the upper edge."""
    suspect = number("leg_share_suspect")
    axes.axvspan(*USUAL, color=style.FAINT, alpha=0.4, linewidth=0, zorder=1)
    axes.axvline(suspect, color=style.INK, linewidth=0.8, linestyle="--", zorder=2)
    axes.axvline(1.0, color=style.INK, linewidth=0.8, zorder=2)
    looks = {"xycoords": axes.get_xaxis_transform(), "textcoords": "offset points"}
    looks |= {"va": "bottom", "ha": "center", "fontsize": style.SMALL_PT}
    names = {np.mean(USUAL): "usual with a sound bond", suspect: "bond suspect from here", 1.0: "no bond"}
    for share, text in names.items():
        axes.annotate(text, (share, 1.0), (0, 1.5), **looks)


def _name(axes, newest):
    """Write the newest share and its day beside the marker, on the side where no line crosses them."""
    share = newest["leg_share_lambda"]
    left = 0.27 < share < number("leg_share_suspect") or share > 0.73
    looks = {"textcoords": "offset points", "fontsize": style.SMALL_PT, "va": "center"}
    words = f"{plain(round(share, 2))} on {newest['date']:%Y-%m-%d}"
    axes.annotate(words, (share, NEWEST_Y), (-8 if left else 8, 0), ha="right" if left else "left", **looks)


PAGE_HIGH_MM = 267  # A4 less its margins
MISSING_MM = 15  # a panel that only says what is missing
HISTORY_MM = 56, 110  # least and most height of the panel that takes what is left of the page
PANELS = {  # how to draw it, whether there is anything, and its height [mm]
    "legs": (draw_legs, has_legs, 62),
    "share": (draw_share, has_share, 25),
    "history": (draw_history, has_history, 80),
    "sweeps": (draw_sweeps, has_sweeps, 60),
}
MEANINGS = {
    "legs": f"Here {tower_marks.GAP_MEANING} A ring, a reversed coil or a quiet stretch of line shows the same.",
    "share": MEANING,
    "history": "Grey line at a reading: where the footing may lie in other seasons; no reading is changed.",
    "sweeps": "A sweep tells no impulse impedance and nothing above its own highest frequency.",
}
CAUTION = cautions.INSPECT_BOND


def tower_picture(tower_id: str, tables: Tables) -> Figure:
    """The case of one tower on an A4 page: evidence, leg currents and shares, readings over the years, sweeps."""
    return _page(case(tower_id, tables), list(PANELS))


def legs_chart(tower_id: str, tables: Tables) -> Figure:
    """Leg currents of the newest visit that read them, their sum, vector total and gap."""
    return _page(case(tower_id, tables), ["legs"])


def history_chart(tower_id: str, tables: Tables) -> Figure:
    """Impedance readings over the years, with seasonal intervals, limits and treatments."""
    return _page(case(tower_id, tables), ["history"])


def sweep_chart(tower_id: str, tables: Tables) -> Figure:
    """Impedance over frequency of each sweep, the newest of the footing alone strong."""
    return _page(case(tower_id, tables), ["sweeps"])


def _page(found, names):
    """Page with the evidence of a tower and some of the panels, one under the other."""
    room = layout.WIDTH_MM - 2 * layout.MARGIN_MM
    with style.house():
        evidence = [line for words in found.evidence for line in layout.wrapped(words, room)]
        notes = [
            *(MEANINGS[name] for name in names),
            works_words(found) if "history" in names else "",
            CAUTION,
        ]
        said = layout.LINE_MM * len(evidence)
        lines = sum(len(layout.wrapped(note, room)) for note in notes if note)
        high = _heights(found, names, said + layout.HEAD_MM + layout.MARGIN_MM + layout.LINE_MM * lines)
        body = sum(high.values()) + said
        title = f"Tower {one_line(found.tower_id)}"
        figure, foot = layout.new_sheet(body, title, _subtitle(found), notes)
        top = foot + body
        for line in evidence:
            layout.write_on(figure, layout.MARGIN_MM, top, line, va="top")
            top -= layout.LINE_MM
        for name in names:
            PANELS[name][0](figure, (top - high[name], top), found)
            top -= high[name]
        return figure


def _heights(found, names, around_mm):
    """Height of each panel [mm]; on the full page the history takes what the others leave."""
    high = {name: PANELS[name][2] if PANELS[name][1](found) else MISSING_MM for name in names}
    if len(names) == len(PANELS) and has_history(found):
        left = PAGE_HIGH_MM - around_mm - sum(high.values()) + high["history"]
        high["history"] = min(max(left, HISTORY_MM[0]), HISTORY_MM[1])
    return high


def _subtitle(found):
    """Line, and what the register says of the tower."""
    tower = found.condition
    joined = pd.notna(tower["ring"]) and bool(tower["ring"])
    return ", ".join(
        [
            f"{found.title}: km {tower['chainage_km']:.1f}",
            *([str(tower["structure"])] if isinstance(tower["structure"], str) else []),
            *(["a ring or counterpoise joins the legs"] if joined else []),
        ]
    )
