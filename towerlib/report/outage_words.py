"""Lightning trip-outs of a line as tables and sentences: the record, the ranks, the answer."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from towerlib.report.tables import Table, nothing, table
from towerlib.text import counted, grouped, plain, wrapped

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.outages import Outages


def verdicts(outages: Outages) -> Table:
    """Number of trip-outs on record by verdict and booked cause."""
    record = outages.record
    if record.empty:
        return nothing("No trip-out on record.")
    counts = record.assign(cause=record["cause"].fillna("blank")).groupby(["verdict", "cause"]).size()
    counts = cast("pd.Series", counts).rename("count").reset_index()
    columns = {"verdict": "verdict", "cause": "booked cause", "count": "trip-outs"}
    return table(counts, columns, "Trip-outs on record")


def ranks(outages: Outages, condition: pd.DataFrame, rows: int = 10) -> Table:
    """Towers where treatment avoids most, with both ranks."""
    towers = _with_condition(outages, condition).sort_values("benefit_rank", kind="stable")
    ranked = towers.loc[towers["benefit_rank"].notna()]
    if ranked.empty:
        return nothing("No tower has a rate.")
    columns = {
        "benefit_rank": "rank by benefit",
        "impedance_rank": "rank by impedance",
        "tower_id": "tower",
        "footing_ohm": "footing [Ω]",
        "trip_outs_per_year": "trip-outs [1/year]",
        "trip_outs_low": "low [1/year]",
        "trip_outs_high": "high [1/year]",
        "avoided_to_target_per_year": "avoided at target [1/year]",
        "chance_worst_tenth_benefit": "probability of worst tenth",
    }
    estimates = tuple(columns)[4:]
    caption = "Towers where treatment avoids most lightning trip-outs (80 % interval by the records)"
    return table(ranked, columns, caption, rows=rows, estimates=estimates)


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
    columns = {
        "tower_id": "tower",
        "impedance_rank": "rank by impedance",
        "benefit_rank": "rank by benefit",
        "rank_reason": "reason",
    }
    return table(towers, columns, "Towers whose two ranks differ most", rows=rows)


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
    columns = {
        "cut": "true reduction",
        "each": "before and after [years]",
        "after": "after, with the present record [years]",
    }
    return table(
        found, columns, "Years of record until a reduction is significant (one-sided 5 %, power 80 %)"
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
        f"Model alone: {_two(rate)} a year (80 % interval {_two(ends[0])}–{_two(ends[1])}, records only). The method "
        f"itself is uncertain by a factor of {_two(sums['model_factor'])} either way."
    ]
    if "calibrated_per_year" in sums:
        level, rate, ends = 95, sums["calibrated_per_year"], (sums["calibrated_low"], sums["calibrated_high"])
        basis.append(
            f"Weighted towards the record of {counted(sums['observed_trip_outs'], 'lightning trip-out')} in "
            f"{sums['observed_years']:.1f} years."
        )
    head = f"{line.title}: expected lightning trip-outs {_two(rate)} a year ({level} % interval {_two(ends[0])}–{_two(ends[1])})"
    if line.plan.cost_per_trip_out:
        head += f", about {_money(rate * line.plan.cost_per_trip_out)} {line.plan.currency} a year".replace(
            "  ", " "
        )
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


def _two(number: float) -> str:
    """Two significant figures."""
    return plain(float(f"{number:.2g}"))


def _money(amount: float) -> str:
    """Two significant figures of an amount, in groups of three digits."""
    return grouped(float(f"{amount:.2g}"))


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
