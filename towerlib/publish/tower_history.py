"""Panel of a tower's picture: its impedance readings over the years."""

import numpy as np
import pandas as pd
from matplotlib.dates import date2num, num2date
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter

from towerlib.publish import boxes, labels, lettering, markers, style
from towerlib.publish.tower_layout import WIDE_MM, edge_labels, log_scale, missing, panel

SHAPES = {  # of the markers, by method
    "leg coils": markers.Mark("o", "white", 1.2),
    "shield wire lifted": markers.Mark("D", "white", 1.1),
    "no coils": markers.Mark(markers.STANDING, "white", 2.6),
    "not stated": markers.Mark("X", "white", 1.4),
}
METHODS = {
    "leg coils": "leg coils (footing alone)",
    "shield wire lifted": "shield wire lifted (footing alone)",
    "no coils": "no coils (lower bound, its foot on the value)",
    "not stated": "method not stated",
}
FILLS = {
    "usable": style.COLOURS(0.85),
    "usable with caution": style.tint(style.COLOURS(0.3)),
    "not usable": "white",
}
NO_READINGS = "No impedance of this tower was read (visits.csv)."
BOUNDS = {"<": "< ", ">": "> "}


def draw_history(figure, place, found):
    """Draw the impedance readings over the years, with seasonal bands, limits and treatments.

    Parameters
    ----------
    figure, place, found : matplotlib.figure.Figure, (float, float), Case
        As for `towerlib.publish.tower_panels.draw_legs`.
    """
    read = _readings(found.visits)
    if not has_history(found):
        missing(figure, place, "Impedance over the years", NO_READINGS)
        return
    handles = [markers.entry(SHAPES[name], METHODS[name]) for name in SHAPES if (read["kind"] == name).any()]
    handles += [
        Patch(facecolor=fill, edgecolor=style.INK, linewidth=0.5, label=verdict)
        for verdict, fill in FILLS.items()
        if (read["footing_verdict"] == verdict).any()
    ]
    pair = pd.notna(found.history["previous_ohm"])
    if pair:
        handles.append(Line2D([], [], color=style.INK, linewidth=1, label="comparable readings"))
    axes = panel(figure, place, "Impedance over the years", found.history["reason"], handles)
    _scale_history(axes, read, found)
    _draw_limits(axes, found.condition)
    _draw_works(axes, found.works)
    bars = _draw_bands(axes, read[read["kind"].isin(["leg coils", "shield wire lifted"])])
    if pair:
        days = date2num(found.history[["previous_date", "last_date"]].to_numpy())
        axes.plot(days, found.history[["previous_ohm", "last_ohm"]], color=style.INK, linewidth=1, zorder=4)
    _draw_readings(axes, read, bars)
    axes.set_ylabel("Impedance [Ω]")


def has_history(found):
    """Whether the tower has an impedance to draw."""
    return bool((found.visits["impedance_ohm"] > 0).any())


def works_words(found):
    """The treatments of a tower in a sentence, numbered as in its picture.

    Parameters
    ----------
    found : Case
        The tower.

    Returns
    -------
    str
        "" where none is recorded.
    """
    done = [
        f"W{number + 1}: {work.treatment} on {work.date:%Y-%m-%d}"
        for number, work in enumerate(found.works.itertuples())
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
        f"{BOUNDS.get(mark, '')}{lettering.plain(ohm)} Ω, {state.split(',')[0]}"
        for mark, ohm, state in zip(bound, read["impedance_ohm"], read["season_class"], strict=True)
    ]
    return read.assign(
        kind=read["method"].where(read["method"].isin(list(SHAPES)), "not stated"),
        when=date2num(read["date"].to_numpy()),
        words=words,
    )


def _scale_history(axes, read, found):
    """Set the limits: all readings with their bands, limits and treatments, and a little around them."""
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
    axes.xaxis.set_major_locator(FixedLocator(date2num(months.to_numpy())))
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
            names.append((ohm, f"{word} {lettering.plain(ohm)} Ω"))
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
        markers.dots(axes, x, y, mark, size=5, name=f"{kind}, {verdict}", c=[FILLS[verdict]])
        covered.append(boxes.of(axes, x, y, 6 * mark.size))
    newest = read.sort_values("date", ascending=False, kind="stable")
    wishes = [(visit.when, visit.impedance_ohm, visit.words) for visit in newest.itertuples()]
    labels.place(axes, wishes, np.vstack(covered))
