"""Lightning trip-outs of a line as tables, sentences and charts."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter

from towerlib.outages import rates
from towerlib.outages.record import borders
from towerlib.report import layout, style, tower_marks
from towerlib.report.condition_charts import (
    LEFT_MM,
    RIGHT_MM,
    WIDE_MM,
    interval_boxes,
    name_stations,
    route_axis,
)
from towerlib.report.tables import Table, nothing, table
from towerlib.report.tower_marks import each
from towerlib.text import counted, grouped, plain, rough, wrapped

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

    from towerlib.config import Line
    from towerlib.outages import Outages


def verdicts(outages: Outages) -> Table:
    """Number of trip-outs on record by verdict and booked cause."""
    record = outages.record
    if record.empty:
        return nothing("No trip-out on record.")
    counts = record.assign(cause=record["cause"].fillna("blank")).groupby(["verdict", "cause"]).size()
    counts = cast("pd.Series", counts).rename("count").reset_index()
    return table("trip-out verdicts", counts, "Trip-outs on record")


def ranks(outages: Outages, condition: pd.DataFrame, rows: int = 10) -> Table:
    """Towers where treatment avoids most, with both ranks."""
    towers = _with_condition(outages, condition).sort_values("benefit_rank", kind="stable")
    ranked = towers.loc[towers["benefit_rank"].notna()]
    if ranked.empty:
        return nothing("No tower has a rate.")
    caption = "Towers where treatment avoids most lightning trip-outs (80 % interval by the records)"
    return table("benefit ranks", ranked, caption, rows=rows)


def rank_reasons(outages: Outages, condition: pd.DataFrame, rows: int = 8) -> Table:
    """Towers whose ranks by impedance and by benefit differ most, and why."""
    towers = _with_condition(outages, condition)
    towers = towers.loc[towers["rank_reason"] != ""]
    if towers.empty:
        return nothing("Both ranks agree.")
    apart = cast(
        "pd.Series", towers["benefit_rank"].astype(float) - towers["impedance_rank"].astype(float)
    ).abs()
    towers = towers.loc[apart.sort_values(ascending=False, kind="stable").index]
    return table("rank reasons", towers, "Towers whose two ranks differ most", rows=rows)


def _with_condition(outages: Outages, condition: pd.DataFrame) -> pd.DataFrame:
    """Rates beside the footing and its rank."""
    kept = condition[["tower_id", "footing_ohm", "impedance_rank"]]
    return outages.towers.merge(kept, on="tower_id", validate="1:1")


def years(outages: Outages) -> Table:
    """Years until an improvement of the line is significant."""
    if outages.years.empty:
        return nothing("How long an improvement takes to be significant is not available: no trip-out rate.")
    found = pd.DataFrame(
        {
            "cut": [f"{cut:.0%}" for cut in outages.years["cut_fraction"]],
            "each": outages.years["years_each_side"].map(_years),
            "after": outages.years["years_after_record"].map(_years),
        }
    )
    return table(
        "years to significance",
        found,
        "Years of record until a reduction is significant (one-sided 5 %, power 80 %)",
    )


def _years(number: float) -> str:
    """Whole years, or that nobody will live to see it."""
    if number != number:  # NaN
        return "–"
    return "over 60" if number == float("inf") else f"{number:.0f}"


def answer(outages: Outages, line: Line) -> str:
    """Expected trip-outs a year with interval and cost, and what the worst tenth could avoid, in sentences."""
    sums = outages.line
    parts = [
        *_cost(sums, line),
        _shares(sums),
        _saturated(sums),
        *outages.off,
        *outages.assumed,
        *outages.remarks,
    ]
    return wrapped(parts)


def _cost(sums: dict[str, Any], line: Line) -> list[str]:
    """Trip-outs and money a year, and what they rest on."""
    if "whole_line_per_year" not in sums:
        return [f"{line.title}: expected trip-outs a year are not available."]
    level, rate, ends = 80, sums["whole_line_per_year"], (sums["whole_line_low"], sums["whole_line_high"])
    basis = [
        f"Model alone: {rough(rate)} a year (80 % interval {rough(ends[0])}–{rough(ends[1])}, records only). The method "
        f"itself is uncertain by a factor of {rough(sums['model_factor'])} either way."
    ]
    if "calibrated_per_year" in sums:
        level, rate, ends = 95, sums["calibrated_per_year"], (sums["calibrated_low"], sums["calibrated_high"])
        basis.append(
            f"Weighted towards the record of {counted(sums['observed_trip_outs'], 'lightning trip-out')} in "
            f"{sums['observed_years']:.1f} years."
        )
    head = (
        f"{line.title}: expected lightning trip-outs {rough(rate)} a year "
        f"({level} % interval {rough(ends[0])}–{rough(ends[1])})"
    )
    if line.plan.cost_per_trip_out:
        cost = grouped(float(f"{rate * line.plan.cost_per_trip_out:.2g}"))
        head += f", about {cost} {line.plan.currency} a year".replace("  ", " ")
    return [f"{head}.", *basis]


def _shares(sums: dict[str, Any]) -> str:
    """Share of the worst tenth, and what its treatment would avoid."""
    if not sums.get("worst_tenth_towers"):
        return ""
    every = sums.get("avoided_to_target_per_year")
    whole = f"; treating all towers, {every / sums['trip_outs_per_year']:.0%}" if every else ""
    count = sums["worst_tenth_towers"]
    return (
        f"The worst tenth, {count} towers, carry {sums['worst_tenth_carries_fraction']:.0%} of the trip-outs. Bringing the "
        f"{count} towers where it pays most to target would avoid {sums['avoided_worst_tenth_fraction']:.0%}{whole}."
    )


def _saturated(sums: dict[str, Any]) -> str:
    """Towers where a lower footing helps little."""
    count = sums.get("saturated_towers")
    if not count:
        return ""
    return f"Saturated, so that even half the footing saves less than 30 % of the trip-outs: {counted(count, 'tower')}."


def density(outages: Outages) -> str:
    """Ground flash density from the flashes along the line, with its interval."""
    found = outages.density
    if found is None:
        return "No local ground flash density: flashes.csv has no flash along the line."
    text = (
        f"Ground flash density: {found.per_km2_year:.2f} per km² and year (Poisson interval {found.low:.2f}–{found.high:.2f}), "
        f"from {found.count} flashes in {found.area_km2:.3g} km² and {found.years:.3g} years."
    )
    if found.year_spread > 1:
        text += f" Years differ {found.year_spread:.0f} times as much as independent flashes would: flashes come in storms."
    return "\n".join(fill(part, 110, subsequent_indent="  ") for part in (text, *found.remarks))


HELPS, SATURATED = "earthing helps", "saturated: half the footing saves little"
SOIL = "earthing helps, soil assumed"
MARKS = {
    HELPS: style.Mark("o", style.COLOURS(0.35)),
    SOIL: style.Mark("D", "white", 0.9),
    SATURATED: style.Mark("^", style.COLOURS(0.95), 1.5),
}
SOILS_M = {
    5.0: (0, (1, 1.5)),
    20.0: "-",
    100.0: (0, (5, 2)),
}  # resistivity over footing, and how it is dashed
PER_TOWER, RELATIVE = "Trip-outs per tower and year", "Trip-outs of the tower over the mean"


def with_rate(outages: Outages, condition: pd.DataFrame | None = None) -> pd.DataFrame:
    """Towers with rate, its interval and kind (a key of `MARKS`).

    The rate is per year, or over the line's mean, then without an interval, where only that is known.
    """
    towers = outages.towers
    absolute = towers["trip_outs_per_year"].notna().any()
    names = ("trip_outs_per_year", "trip_outs_low", "trip_outs_high")
    rate = [towers[name] for name in names] if bool(absolute) else [towers["relative_rate"], np.nan, np.nan]
    helps = towers["treatment_can_help"].fillna(True).astype(bool)
    kind = np.select([~helps, towers["soil_source"] == "assumed"], [SATURATED, SOIL], HELPS)
    table = towers.assign(rate=rate[0], rate_low=rate[1], rate_high=rate[2], kind=kind)
    if condition is not None:
        table = table.merge(condition[["tower_id", "footing_ohm"]], on="tower_id", validate="1:1")
    return table


def is_absolute(outages: Outages) -> bool:
    """Whether the rates are per year, and not only over the line's mean."""
    return cast("Any", outages.towers["trip_outs_per_year"].notna().any())


def handles(towers: pd.DataFrame) -> list[Line2D]:
    """Legend entries of the towers drawn, with their number."""
    count = towers.loc[towers["rate"].notna(), "kind"].value_counts()
    return [style.entry(mark, f"{name} ({count.get(name, 0)})") for name, mark in MARKS.items()]


def honest(outages: Outages, *, bars: bool = True) -> list[str]:
    """Sentences at the foot of every picture of a modelled rate."""
    lacking = outages.line.get("towers_without_rate", 0)
    bar = "Bar: 80 % interval from reading, season, soil, strength and flash density. The" if bars else "The"
    return [
        f"{len(outages.towers) - lacking} towers with a rate, {lacking} without. {bar} method adds a factor of 2 to 5, "
        "much the same for all towers.",
        *(sentence for sentence in outages.off if sentence.startswith("Relative")),
        *(sentence for sentence in outages.assumed if "typical of" in sentence),
    ]


def profile_notes(outages: Outages) -> list[str]:
    """Sentences at the foot of the profile."""
    return [
        *honest(outages),
        "Lower panel: lightning trip-outs on record by place; one without a sure place is spread over the towers.",
    ]


def draw_profile(axes: Axes, towers: pd.DataFrame, outages: Outages, line: Line) -> None:
    """Rates with their intervals along the route; the worst named (changes the axes)."""
    known = towers[towers["rate"].notna()]
    route_axis(axes, towers, line)
    highest = np.nanmax([known["rate"].max(), known["rate_high"].max()])
    axes.set_ylim(0, 1.25 * highest)
    layout.linear_axis(axes.yaxis, 6)
    axes.set_xticklabels([])
    axes.set_xlabel("")
    axes.set_ylabel(PER_TOWER if is_absolute(outages) else RELATIVE)
    name_stations(axes, line)
    banded = known[cast("Any", known["rate_low"]).notna()]
    axes.vlines(
        banded["chainage_km"], banded["rate_low"], banded["rate_high"], color=style.FAINT, linewidth=0.7
    )
    covered = [interval_boxes(axes, banded["chainage_km"], banded["rate_low"], banded["rate_high"])]
    for name, mark in MARKS.items():
        some = known[known["kind"] == name]
        style.dots(axes, some["chainage_km"], some["rate"], mark, name=name, size=4)
        covered.append(layout.box_of(axes, some["chainage_km"], some["rate"], 4 * mark.size))
    worst = cast("pd.DataFrame", known.nlargest(tower_marks.NAMED, cast("Any", "rate")))
    wishes = [(t.chainage_km, t.rate, f"{t.tower_id}: {plain(t.rate)}") for t in each(worst)]
    layout.place_labels(axes, wishes, np.vstack(covered))


def draw_observed(axes: Axes, towers: pd.DataFrame, line: Line) -> None:
    """Lightning trip-outs on record, spread over the towers (changes the axes)."""
    route_axis(axes, towers, line)
    edges = borders(towers["chainage_km"])
    axes.stairs(towers["observed_trip_outs"], edges, fill=True, color=style.COLOURS(0.6))
    axes.set_ylim(0, cast("Any", max(1.0, 1.1 * towers["observed_trip_outs"].max())))
    layout.linear_axis(axes.yaxis, 3)
    axes.set_ylabel("On record")


def footing_notes(outages: Outages) -> list[str]:
    """Sentences at the foot of the rate over the footing."""
    return [
        *honest(outages),
        "Curves: the usual tower of the line with its median span and flash density, in soil of 5, 20 and 100 m times "
        "the footing. A longer span, more flashes or a higher head puts a tower above them.",
    ]


def draw_by_footing(axes: Axes, towers: pd.DataFrame, outages: Outages, line: Line) -> None:
    """Towers over their footing, and the curves of the usual tower (changes the axes)."""
    ohm = towers["footing_ohm"].to_numpy(float)
    layout.log_axis(axes.xaxis, ohm.min() / 1.5, ohm.max() * 1.5)
    layout.log_axis(
        axes.yaxis, cast("Any", towers["rate"].min() / 2), cast("Any", towers["rate"].max() * 2.5)
    )
    axes.yaxis.set_major_formatter(FuncFormatter(lambda rate, _: f"{rate:.10f}".rstrip("0").rstrip(".")))
    axes.yaxis.get_majorticklabels()  # made now, in the house style
    axes.set(xlabel=tower_marks.IMPEDANCE, ylabel=PER_TOWER if is_absolute(outages) else RELATIVE)
    covered = [_curves(axes, outages, line)] if is_absolute(outages) else []
    for name, mark in MARKS.items():
        some = towers[towers["kind"] == name]
        style.dots(axes, some["footing_ohm"], some["rate"], mark, name=name, size=4)
        covered.append(layout.box_of(axes, some["footing_ohm"], some["rate"], 4 * mark.size))
    worst = towers.nlargest(tower_marks.NAMED, "rate")
    wishes = [(t.footing_ohm, t.rate, f"{t.tower_id}: {plain(t.rate)}") for t in each(worst)]
    layout.place_labels(axes, wishes, np.vstack(covered))


def _curves(axes, outages, line):
    """Curves of the usual tower in three soils, named at the edge; the boxes they take."""
    low, high = axes.get_xlim()
    ohm = np.geomspace(low, high, 120)
    names, points = [], []
    for ratio_m, dashes in SOILS_M.items():
        rate = rates.usual_curve(outages.geometry, outages.towers, line, ohm, ratio_m)
        axes.plot(ohm, rate, color=style.INK, linewidth=0.9, linestyle=dashes, zorder=3)
        names.append((rate[-1], f"soil {ratio_m:g} m\n× footing"))
        points.append(axes.transData.transform(np.column_stack([ohm, rate])))
    layout.edge_labels(axes, names)
    inside = np.vstack(points)
    return layout.box_around(inside[(inside > axes.bbox.min).all(1) & (inside < axes.bbox.max).all(1)], 1)


def concentration_notes(outages: Outages) -> list[str]:
    """Sentences at the foot of the Lorenz curves."""
    sums = outages.line
    if not sums.get("worst_tenth_towers"):
        return honest(outages, bars=False)
    return [
        f"The worst {sums['worst_tenth_towers']} towers carry {sums['worst_tenth_carries_fraction']:.0%} of the modelled "
        f"trip-outs; the {sums['worst_tenth_towers']} where treatment avoids most would, brought to their targets, avoid "
        f"{sums['avoided_worst_tenth_fraction']:.0%}.",
        *honest(outages, bars=False),
    ]


def concentration_handles() -> list[Line2D]:
    """Legend entries of both curves."""
    return [
        Line2D([], [], color=style.INK, linewidth=1.2, label="trip-outs carried, worst towers first"),
        Line2D(
            [],
            [],
            color=style.INK,
            linewidth=1.2,
            linestyle="--",
            label="trip-outs avoided at the target, best first",
        ),
        Line2D([], [], color=style.FAINT, linewidth=0.8, label="all towers alike"),
    ]


def draw_concentration(axes: Axes, towers: pd.DataFrame) -> None:
    """Lorenz curves, with the worst tenth marked (changes the axes)."""
    axes.set(
        xlim=(0, 100),
        ylim=(0, 102),
        xlabel="Share of the towers with a rate [%]",
        ylabel="Share of the trip-outs [%]",
    )
    layout.linear_axis(axes.xaxis, 10)
    layout.linear_axis(axes.yaxis, 10)
    axes.plot([0, 100], [0, 100], color=style.FAINT, linewidth=0.8)
    at_target = (towers["rate"] * towers["avoided_fraction"]).fillna(0.0).where(towers["rate"].notna())
    best, tenths = int(np.ceil(towers["rate"].notna().sum() / 10)), []
    for column, dashes in ((towers["rate"], "-"), (at_target, "--")):
        share, carried = lorenz(column, cast("Any", towers["rate"].sum()))
        axes.plot(100 * share, 100 * carried, color=style.INK, linewidth=1.2, linestyle=dashes)
        tenths.append(100 * carried[best])
    at = 100 * best / (len(share) - 1)
    axes.axvline(at, color=style.FAINT, linewidth=0.6)
    axes.plot([at, at], tenths, linestyle="", marker="o", color=style.INK, markersize=3)
    words = f"worst tenth: carries {tenths[0]:.0f} %,\navoids {tenths[1]:.0f} %"
    all_avoided = 100 * carried[-1]
    height = 4 if all_avoided > 16 else all_avoided + 6  # clear of the lower curve
    axes.text(98, height, words, ha="right", va="bottom", fontsize=style.SMALL_PT)


def lorenz(values: ArrayLike, whole: float) -> tuple[np.ndarray, np.ndarray]:
    """Share of the values from 0 to 1, and share of a whole that the largest of them carry; blank ones left out.

    >>> lorenz([1.0, 3.0], 4.0)[1].tolist()
    [0.0, 0.75, 1.0]
    """
    values = np.asarray(values, float)
    values = np.sort(values[np.isfinite(values)])[::-1]
    return np.linspace(0, 1, len(values) + 1), np.concatenate([[0.0], np.cumsum(values)]) / whole


def comparison(outages: Outages) -> pd.DataFrame:
    """Rows of the comparison [trip-outs a year]: name, middle, ends, and ends with the accuracy of the method."""
    sums = outages.line
    rows = [
        ("Modelled", "whole_line_per_year", "whole_line_low", "whole_line_high", "model_low", "model_high"),
        ("Observed, lightning", "observed_per_year", "observed_low", "observed_high", "", ""),
        ("… with unknown in a storm", "observed_with_storm_per_year", "", "", "", ""),
        ("Calibrated", "calibrated_per_year", "calibrated_low", "calibrated_high", "", ""),
        ("Flashes collected: ceiling", "collected_per_year", "", "", "", ""),
    ]
    table = [[row[0], *(sums.get(key, np.nan) for key in row[1:])] for row in rows if row[1] in sums]
    table = pd.DataFrame(table, columns=["name", "middle", "low", "high", "far_low", "far_high"])
    return table if bool((table["middle"] > 0).any()) else table.iloc[:0]


def comparison_notes(outages: Outages) -> list[str]:
    """Sentences at the foot of the comparison."""
    sums, notes = outages.line, []
    if "observed_years" in sums:
        notes.append(
            f"Observed, lightning: {sums['observed_trip_outs']} in {sums['observed_years']:.1f} years, exact Poisson interval "
            "(95 %)."
        )
    notes.append(
        "Modelled: thick, 80 % interval from the records; thin, with the accuracy of the method. Calibrated: one factor for "
        "the whole line, weighted towards the model where the record is short (95 %); never by tower."
    )
    return [*notes, *(sentence for sentence in outages.remarks if "earthing alone cannot" in sentence)]


def draw_comparison(axes: Axes, rows: pd.DataFrame) -> None:
    """Points with their intervals, one row each (changes the axes)."""
    y = -np.arange(len(rows), dtype=float)
    ends = rows[["middle", "low", "high", "far_low", "far_high"]].to_numpy(float)
    some = ends[np.isfinite(ends) & (ends > 0)]
    layout.log_axis(axes.xaxis, some.min() / 1.6, some.max() * 1.6)
    floor = axes.get_xlim()[0]
    for low, high, width in (("far_low", "far_high", 0.8), ("low", "high", 3.0)):
        known = rows[high].notna()
        axes.hlines(
            y[known],
            rows.loc[known, low].clip(lower=floor),
            rows.loc[known, high],
            color=style.FAINT,
            linewidth=width,
        )
    drawn = rows["middle"] > 0
    axes.plot(rows.loc[drawn, "middle"], y[drawn], linestyle="", marker="o", color=style.INK, markersize=4)
    axes.set(ylim=(0.6 - len(rows), 0.6), xlabel="Lightning trip-outs of the line a year")
    axes.set_yticks(y, rows["name"])
    axes.tick_params(axis="y", length=0)
    words = [
        rough(middle) + (f" ({rough(low)}–{rough(high)})" if np.isfinite(high) else "")
        for middle, low, high in ends[:, :3]
    ]
    layout.edge_labels(axes, list(zip(y, words, strict=True)))


NO_RATE = (
    "No tower of this line has a trip-out rate. It needs a footing impedance of the tower, and in line.toml the "
    "shield wires, phases, strike length and voltage of the line."
)
NO_RECORD = "Neither a modelled rate of this line nor lightning trip-outs over a stretch of time are known."


def rate_profile(outages: Outages, line: Line) -> Figure:
    """Trip-outs of each tower along the route with their intervals, above those on record.

    Upper panel: rate per tower and year with its interval, the worst towers named. Lower panel: lightning trip-outs
    on record, each spread over the towers where it may have happened.
    """
    title, towers = "Lightning trip-outs along the route", with_rate(outages)
    if not bool((towers["rate"] > 0).any()):
        return layout.blank(title, NO_RATE)
    with style.house():
        figure, foot = layout.new_sheet(118, title, line.title, profile_notes(outages))
        room = WIDE_MM + RIGHT_MM - layout.MARGIN_MM
        top = layout.legend(figure, handles(towers), LEFT_MM, foot + 1, room)
        low = layout.new_panel(figure, LEFT_MM, top + 12, WIDE_MM, 22)
        high = layout.new_panel(figure, LEFT_MM, top + 40, WIDE_MM, foot + 112 - top - 40)
        draw_observed(low, towers, line)
        draw_profile(high, towers, outages, line)
        return figure


def rate_by_footing(outages: Outages, condition: pd.DataFrame, line: Line) -> Figure:
    """Trip-outs of each tower over its footing impedance, with the curve of the usual tower in three soils."""
    title, towers = "Trip-outs over footing impedance", with_rate(outages, condition)
    towers = cast("pd.DataFrame", towers[(towers["rate"] > 0) & (towers["footing_ohm"] > 0)])
    if towers.empty:
        return layout.blank(title, NO_RATE)
    with style.house():
        figure, foot = layout.new_sheet(112, title, line.title, footing_notes(outages))
        room = WIDE_MM + RIGHT_MM - layout.MARGIN_MM
        top = layout.legend(figure, handles(towers), LEFT_MM, foot + 1, room)
        axes = layout.new_panel(figure, LEFT_MM + 5, top + 12, WIDE_MM - 11, foot + 110 - top - 12)
        draw_by_footing(axes, towers, outages, line)
        return figure


def concentration(outages: Outages, line: Line) -> Figure:
    """Share of the line's trip-outs that its worst towers carry, and of those that treating them would avoid."""
    title, towers = "How few towers carry the trip-outs", with_rate(outages)
    if not bool((towers["rate"] > 0).any()):
        return layout.blank(title, NO_RATE)
    with style.house():
        figure, foot = layout.new_sheet(112, title, line.title, concentration_notes(outages))
        top = layout.legend(figure, concentration_handles(), LEFT_MM, foot + 1, WIDE_MM)
        side = foot + 110 - top - 12
        draw_concentration(layout.new_panel(figure, LEFT_MM, top + 12, side * 1.35, side), towers)
        return figure


def observed_against_modelled(outages: Outages, line: Line) -> Figure:
    """Modelled, observed and calibrated trip-outs of the line a year with their intervals, and the ceiling."""
    title, rows = "Trip-outs a year: modelled against observed", comparison(outages)
    if rows.empty:
        return layout.blank(title, NO_RECORD)
    with style.house():
        figure, foot = layout.new_sheet(16 + 9 * len(rows), title, line.title, comparison_notes(outages))
        axes = layout.new_panel(figure, 52, foot + 12, layout.WIDTH_MM - 52 - 32, 9 * len(rows))
        draw_comparison(axes, rows)
        return figure
