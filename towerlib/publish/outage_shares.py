"""Pieces of the charts of a line's lightning trip-outs: who carries them, and what was observed."""

import numpy as np
import pandas as pd
from matplotlib.lines import Line2D

from towerlib.publish import lettering, scales, style
from towerlib.publish.outage_draw import honest


def concentration_notes(outages):
    """Sentences at the foot of the Lorenz curves."""
    told = outages.line
    if not told.get("worst_tenth_towers"):
        return honest(outages, bars=False)
    return [
        f"The worst {told['worst_tenth_towers']} towers carry {told['worst_tenth_carries_fraction']:.0%} of the modelled "
        f"trip-outs; the {told['worst_tenth_towers']} where treatment avoids most would, brought to their targets, avoid "
        f"{told['avoided_worst_tenth_fraction']:.0%}.",
        *honest(outages, bars=False),
    ]


def concentration_handles():
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


def draw_concentration(axes, towers):
    """Lorenz curves, with the worst tenth marked (changes the axes)."""
    axes.set(
        xlim=(0, 100),
        ylim=(0, 102),
        xlabel="Share of the towers with a rate [%]",
        ylabel="Share of the trip-outs [%]",
    )
    scales.linear_axis(axes.xaxis, 10)
    scales.linear_axis(axes.yaxis, 10)
    axes.plot([0, 100], [0, 100], color=style.FAINT, linewidth=0.8)
    at_target = (towers["rate"] * towers["avoided_fraction"]).fillna(0.0).where(towers["rate"].notna())
    best, tenths = int(np.ceil(towers["rate"].notna().sum() / 10)), []
    for column, dashes in ((towers["rate"], "-"), (at_target, "--")):
        share, carried = lorenz(column, towers["rate"].sum())
        axes.plot(100 * share, 100 * carried, color=style.INK, linewidth=1.2, linestyle=dashes)
        tenths.append(100 * carried[best])
    at = 100 * best / (len(share) - 1)
    axes.axvline(at, color=style.FAINT, linewidth=0.6)
    axes.plot([at, at], tenths, linestyle="", marker="o", color=style.INK, markersize=3)
    words = f"worst tenth: carries {tenths[0]:.0f} %,\navoids {tenths[1]:.0f} %"
    all_avoided = 100 * carried[-1]
    height = 4 if all_avoided > 16 else all_avoided + 6  # clear of the lower curve
    axes.text(98, height, words, ha="right", va="bottom", fontsize=style.SMALL_PT)


def lorenz(values, whole):
    """Share of a whole that the largest values carry.

    Parameters
    ----------
    values : array
        Blank ones are left out.
    whole : float
        What is shared.

    Returns
    -------
    share, carried : array
        Of the values from 0 to 1, and of the whole.

    Examples
    --------
    >>> lorenz([1.0, 3.0], 4.0)[1].tolist()
    [0.0, 0.75, 1.0]
    """
    values = np.asarray(values, float)
    values = np.sort(values[np.isfinite(values)])[::-1]
    return np.linspace(0, 1, len(values) + 1), np.concatenate([[0.0], np.cumsum(values)]) / whole


def comparison(outages):
    """Rows of the comparison: name, middle, ends, and the ends of the method's accuracy where it has any.

    Parameters
    ----------
    outages : towerlib.outages.Outages

    Returns
    -------
    pandas.DataFrame
        name, middle, low, high, far_low, far_high [trip-outs a year].
    """
    told = outages.line
    rows = [
        ("Modelled", "whole_line_per_year", "whole_line_low", "whole_line_high", "model_low", "model_high"),
        ("Observed, lightning", "observed_per_year", "observed_low", "observed_high", "", ""),
        ("… with unknown in a storm", "observed_with_storm_per_year", "", "", "", ""),
        ("Calibrated", "calibrated_per_year", "calibrated_low", "calibrated_high", "", ""),
        ("Flashes collected: ceiling", "collected_per_year", "", "", "", ""),
    ]
    table = [[row[0], *(told.get(key, np.nan) for key in row[1:])] for row in rows if row[1] in told]
    table = pd.DataFrame(table, columns=["name", "middle", "low", "high", "far_low", "far_high"])
    return table if (table["middle"] > 0).any() else table.iloc[:0]


def comparison_notes(outages):
    """Sentences at the foot of the comparison."""
    told, notes = outages.line, []
    if "observed_years" in told:
        notes.append(
            f"Observed, lightning: {told['observed_trip_outs']} in {told['observed_years']:.1f} years, exact Poisson interval "
            "(95 %)."
        )
    notes.append(
        "Modelled: thick, what the records leave open (80 %); thin, the accuracy of the method on top. Calibrated: one "
        "factor for the whole line, drawn towards the model where the record is short (95 %); never by tower."
    )
    return [*notes, *(sentence for sentence in outages.remarks if "earthing alone cannot" in sentence)]


def draw_comparison(axes, rows):
    """Points with their intervals, one row each (changes the axes)."""
    y = -np.arange(len(rows), dtype=float)
    ends = rows[["middle", "low", "high", "far_low", "far_high"]].to_numpy(float)
    some = ends[np.isfinite(ends) & (ends > 0)]
    scales.log_axis(axes.xaxis, some.min() / 1.6, some.max() * 1.6)
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
    words = [_interval_words(*row[1:4]) for row in rows.to_numpy()]
    scales.edge_labels(axes, list(zip(y, words, strict=True)))


def _interval_words(middle, low, high):
    """A figure with its ends as it is written."""
    if not np.isfinite(high):
        return _two(middle)
    return f"{_two(middle)} ({_two(low)} to {_two(high)})"


def _two(number):
    """Two figures: more would promise too much."""
    return lettering.plain(float(f"{number:.2g}"))
