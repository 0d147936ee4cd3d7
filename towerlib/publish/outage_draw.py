"""Pieces of the charts of lightning trip-outs by tower: rates with their bands, along the route and over the footing."""

import numpy as np
from matplotlib.ticker import FuncFormatter

from towerlib.outages import rates
from towerlib.outages.places import borders
from towerlib.publish import boxes, labels, lettering, markers, scales, shown, style

HELPS, SATURATED = "earthing helps", "saturated: half the footing saves little"
SOIL = "earthing helps, soil assumed"
MARKS = {
    HELPS: markers.Mark("o", style.COLOURS(0.35)),
    SOIL: markers.Mark("D", "white", 0.9),
    SATURATED: markers.Mark("^", style.COLOURS(0.95), 1.5),
}
SOILS_M = {
    5.0: (0, (1, 1.5)),
    20.0: "-",
    100.0: (0, (5, 2)),
}  # resistivity over footing, and how it is dashed
PER_TOWER, RELATIVE = "Trip-outs per tower and year", "Trip-outs of the tower over the mean"


def with_rate(outages, condition=None):
    """Towers with what the charts show of them.

    Parameters
    ----------
    outages : towerlib.outages.Outages
    condition : pandas.DataFrame, optional
        Gives footing_ohm.

    Returns
    -------
    pandas.DataFrame
        With ``rate``, ``rate_low``, ``rate_high`` (per year; over the line's mean where only that is known, then
        without a band) and ``kind`` (a key of `MARKS`).
    """
    towers = outages.towers
    absolute = towers["trip_outs_per_year"].notna().any()
    names = ("trip_outs_per_year", "trip_outs_low", "trip_outs_high")
    rate = [towers[name] for name in names] if absolute else [towers["relative_rate"], np.nan, np.nan]
    helps = towers["treatment_can_help"].fillna(True).astype(bool)
    kind = np.select([~helps, towers["soil_source"] == "assumed"], [SATURATED, SOIL], HELPS)
    table = towers.assign(rate=rate[0], rate_low=rate[1], rate_high=rate[2], kind=kind)
    if condition is not None:
        table = table.merge(condition[["tower_id", "footing_ohm"]], on="tower_id", validate="1:1")
    return table


def is_absolute(outages):
    """Whether the rates are per year, and not only over the line's mean."""
    return outages.towers["trip_outs_per_year"].notna().any()


def handles(towers):
    """Legend entries of the towers drawn, with their number."""
    count = towers.loc[towers["rate"].notna(), "kind"].value_counts()
    return [markers.entry(mark, f"{name} ({count.get(name, 0)})") for name, mark in MARKS.items()]


def honest(outages, *, bars=True):
    """What stands at the foot of every picture of a modelled rate."""
    lacking = outages.line.get("towers_without_rate", 0)
    bar = (
        "Bar: what reading, season, soil, strength and flash density leave open (80 %); the"
        if bars
        else "The"
    )
    return [
        f"{len(outages.towers) - lacking} towers with a rate, {lacking} without. {bar} method itself may be off by a "
        "factor of 2 to 5, much the same for all towers.",
        *(sentence for sentence in outages.off if sentence.startswith("Relative")),
        *(sentence for sentence in outages.assumed if "typical of" in sentence),
    ]


def profile_notes(outages):
    """Sentences at the foot of the profile."""
    return [
        *honest(outages),
        "Lower panel: lightning trip-outs on record by place; one without a sure place is spread over the towers.",
    ]


def draw_profile(axes, towers, outages, line):
    """Rates with their bands along the route; the worst named (changes the axes)."""
    known = towers[towers["rate"].notna()]
    _route_axis(axes, towers)
    highest = np.nanmax([known["rate"].max(), known["rate_high"].max()])
    axes.set_ylim(0, 1.25 * highest)
    scales.linear_axis(axes.yaxis, 6)
    axes.set_xticklabels([])
    axes.set_ylabel(PER_TOWER if is_absolute(outages) else RELATIVE)
    _stations(axes, line)
    banded = known[known["rate_low"].notna()]
    axes.vlines(
        banded["chainage_km"], banded["rate_low"], banded["rate_high"], color=style.FAINT, linewidth=0.7
    )
    covered = [_bars(axes, banded)]
    for name, mark in MARKS.items():
        some = known[known["kind"] == name]
        markers.dots(axes, some["chainage_km"], some["rate"], mark, name=name, size=4)
        covered.append(boxes.of(axes, some["chainage_km"], some["rate"], 4 * mark.size))
    worst = known.nlargest(shown.NAMED, "rate")
    wishes = [(t.chainage_km, t.rate, f"{t.tower_id}: {lettering.plain(t.rate)}") for t in worst.itertuples()]
    labels.place(axes, wishes, np.vstack(covered))


def _bars(axes, towers):
    """Boxes of the bars of the bands."""
    ends = [
        axes.transData.transform(np.column_stack([towers["chainage_km"], towers[name]]))
        for name in ("rate_low", "rate_high")
    ]
    return np.hstack([ends[0] - 1, ends[1] + 1])


def _route_axis(axes, towers):
    """Chainage along the lower edge."""
    low, high = towers["chainage_km"].min(), towers["chainage_km"].max()
    margin = 0.015 * (high - low) or 0.5
    axes.set_xlim(low - margin, high + margin)
    scales.linear_axis(axes.xaxis, 12)


def _stations(axes, line):
    """Both stations above the ends of the panel."""
    first, last = line.stations.first.name or "first station", line.stations.last.name or "last station"
    axes.set_title(f"◀ {lettering.shortened(first, 60, style.TEXT_PT)}", loc="left", fontsize=style.TEXT_PT)
    axes.set_title(f"{lettering.shortened(last, 60, style.TEXT_PT)} ▶", loc="right", fontsize=style.TEXT_PT)


def draw_observed(axes, towers, line):
    """Lightning trip-outs on record, spread over the towers (changes the axes)."""
    _route_axis(axes, towers)
    edges = borders(towers["chainage_km"])
    axes.stairs(towers["observed_trip_outs"], edges, fill=True, color=style.COLOURS(0.6))
    axes.set_ylim(0, max(1.0, 1.1 * towers["observed_trip_outs"].max()))
    scales.linear_axis(axes.yaxis, 3)
    axes.set_ylabel("On record")
    first = line.stations.first.name or "first station"
    axes.set_xlabel(f"Chainage from {lettering.shortened(first, 80, style.TEXT_PT)} [km]")


def footing_notes(outages):
    """Sentences at the foot of the rate over the footing."""
    return [
        *honest(outages),
        "Curves: the usual tower of the line with its median span and flash density, in soil of 5, 20 and 100 m times "
        "the footing. A tower stands above them by a longer span, more flashes or a higher head.",
    ]


def draw_by_footing(axes, towers, outages, line):
    """Towers over their footing, and the curves of the usual tower (changes the axes)."""
    ohm = towers["footing_ohm"].to_numpy(float)
    scales.log_axis(axes.xaxis, ohm.min() / 1.5, ohm.max() * 1.5)
    scales.log_axis(axes.yaxis, towers["rate"].min() / 2, towers["rate"].max() * 2.5)
    axes.yaxis.set_major_formatter(FuncFormatter(lambda rate, _: f"{rate:.10f}".rstrip("0").rstrip(".")))
    axes.yaxis.get_majorticklabels()  # made now, in the house style
    axes.set(xlabel=shown.IMPEDANCE, ylabel=PER_TOWER if is_absolute(outages) else RELATIVE)
    covered = [_curves(axes, outages, line)] if is_absolute(outages) else []
    for name, mark in MARKS.items():
        some = towers[towers["kind"] == name]
        markers.dots(axes, some["footing_ohm"], some["rate"], mark, name=name, size=4)
        covered.append(boxes.of(axes, some["footing_ohm"], some["rate"], 4 * mark.size))
    worst = towers.nlargest(shown.NAMED, "rate")
    wishes = [(t.footing_ohm, t.rate, f"{t.tower_id}: {lettering.plain(t.rate)}") for t in worst.itertuples()]
    labels.place(axes, wishes, np.vstack(covered))


def _curves(axes, outages, line):
    """Curves of the usual tower in three soils, named at the edge; the boxes they take."""
    ohm = np.geomspace(*axes.get_xlim(), 120)
    names, points = [], []
    for ratio_m, dashes in SOILS_M.items():
        rate = rates.usual_curve(outages.geometry, outages.towers, line, ohm, ratio_m)
        axes.plot(ohm, rate, color=style.INK, linewidth=0.9, linestyle=dashes, zorder=3)
        names.append((rate[-1], f"soil {ratio_m:g} m\n× footing"))
        points.append(axes.transData.transform(np.column_stack([ohm, rate])))
    scales.edge_labels(axes, names)
    inside = np.vstack(points)
    return boxes.around(inside[(inside > axes.bbox.min).all(1) & (inside < axes.bbox.max).all(1)], 1)
