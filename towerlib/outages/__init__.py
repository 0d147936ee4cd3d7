"""Lightning trip-outs of a line, expected and observed, tower by tower."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.months import last_day
from towerlib.outages import calibration, geometry, rates, record, remarks
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from towerlib.physics.lightning.surge import LineGeometry
    from towerlib.records.load import Records
    from towerlib.route import Route


ADDED = """
    trip_outs_per_year trip_outs_low trip_outs_high avoided_to_target_per_year benefit_rank
    chance_worst_tenth_benefit treatment_can_help
""".split()


def join(condition: pd.DataFrame, outages: Outages) -> pd.DataFrame:
    """Condition of the towers with the trip-outs of each.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row per tower.
    outages : Outages
        Of the same towers.

    Returns
    -------
    pandas.DataFrame
        The same rows and order with trip_outs_per_year and the ends of its interval, avoided_to_target_per_year,
        benefit_rank, chance_worst_tenth_benefit and treatment_can_help.
    """
    kept = condition.drop(columns=[name for name in ADDED if name in condition])
    added = outages.towers[["tower_id", *ADDED]]
    return kept.merge(added, on="tower_id", how="left", validate="1:1").set_axis(condition.index)


__all__ = ["TOWER_COLUMNS", "Outages", "assess", "join"]
TOWER_COLUMNS = """
    tower_id chainage_km span_m trip_outs_per_year trip_outs_low trip_outs_high relative_rate
    trip_outs_at_target_per_year avoided_to_target_per_year avoided_low avoided_high avoided_fraction benefit_rank
    rank_reason
    chance_worst_tenth_benefit critical_current_ka treatment_can_help halving_saves_fraction flashes_per_year
    flash_density resistivity_ohm_m soil_source soil_fits observed_trip_outs assumed flaw
""".split()
ABSOLUTE = """
    trip_outs_per_year trip_outs_low trip_outs_high trip_outs_at_target_per_year avoided_to_target_per_year
    avoided_low avoided_high flashes_per_year
""".split()
HONEST = (
    "Absolute trip-out rates are uncertain by a factor of 2 to 5 for the method alone; ratios between towers, and "
    "before against after on one line, are far better determined."
)


@dataclass(frozen=True)
class Outages:
    """Trip-outs that a line can expect by lightning, tower by tower, and those that happened.

    Attributes
    ----------
    towers : pandas.DataFrame
        One row per tower in route order, columns as in `TOWER_COLUMNS`: rates per year with the ends of their
        interval (80 %), what the target would avoid, benefit_rank (1 avoids most), chance_worst_tenth_benefit,
        treatment_can_help (false: saturated), observed_trip_outs (shares of those that happened), assumed (substitutes
        for missing records), flaw (why there is no rate).
    line : dict
        Sums over the line with their intervals, the observed trip-outs, the calibration: see `assess`.
    record : pandas.DataFrame
        One row per trip-out with its verdict, as `towerlib.outages.record.judge` gives it.
    weights : numpy.ndarray
        Trip-outs × towers: where each happened.
    years : pandas.DataFrame
        Years until an improvement shows, as `towerlib.outages.calibration.years_table` gives it.
    density : FlashDensity or None
        From the flashes along the line.
    geometry : LineGeometry or None
        The usual tower of the calculation.
    off, assumed, remarks : tuple of str
        Analyses that are off and why; substitutes for missing records; other remarks.
    """

    towers: pd.DataFrame
    line: dict[str, Any]
    record: pd.DataFrame
    weights: np.ndarray
    years: pd.DataFrame
    density: calibration.FlashDensity | None
    geometry: LineGeometry | None
    off: tuple[str, ...]
    assumed: tuple[str, ...]
    remarks: tuple[str, ...]


def assess(
    records: Records, route: Route, condition: pd.DataFrame, month: str, *, draws: int = 1000
) -> Outages:
    """Lightning trip-outs of a line, expected and observed, as of the last day of a month.

    Parameters
    ----------
    records : Records
        Settings, register, soil, trip-outs and flashes of the line.
    route : Route
    condition : pandas.DataFrame
        One row per tower in route order, as `towerlib.condition.assess` gives it.
    month : str
        ``YYYY-MM``; later trip-outs and flashes are not seen.
    draws : int
        Lines drawn for the intervals.

    Returns
    -------
    Outages
        `line` holds towers, towers_without_rate, length_km; collected_per_year; trip_outs_per_year, trip_outs_low,
        trip_outs_high (sum over the towers with a rate), the same per_100_km; whole_line_per_year (towers without a
        rate taken to trip like the others, flash by flash), whole_line_low, whole_line_high; model_factor,
        model_low, model_high; avoided_to_target_per_year, avoided_low, avoided_high; worst_tenth_towers,
        worst_tenth_carries_fraction, avoided_worst_tenth_per_year, its ends and its fraction of all trip-outs;
        shielding_per_year; and what `towerlib.outages.calibration` gives. A figure that is off is NaN or not there.

    Raises
    ------
    SettingsError
        The month is none.

    Notes
    -----
    Rates are summed, never footings averaged. The interval holds the uncertainty of reading, season, soil, strength
    of the insulation and flash density; that of the method itself is the model_factor beside it.
    """
    end = cast("pd.Timestamp", pd.Timestamp(last_day(month), tz="UTC") + pd.Timedelta(days=1))
    settings = records.line.outage_record
    flashes = record.near_line(cast("pd.DataFrame", records.flashes[records.flashes["time"] < end]), route)
    judged = record.judge(
        cast("pd.DataFrame", records.outages[records.outages["time"] < end]), flashes, settings
    )
    weights, misplaced = record.tower_weights(judged, route, settings)
    local = calibration.local_density(flashes, route, settings, end)
    seen = calibration.observed(judged, flashes, settings, end, route.length_m / 1000)
    shape, assumed, off = geometry.line_geometry(records.line)
    exposed = geometry.towers_exposed(records, route, condition, local, shape)
    ranks = condition.set_index("tower_id")["impedance_rank"].reindex(exposed["tower_id"])
    towers, line = _rated(shape, exposed, records.line, local, draws, ranks)
    lightning = judged["verdict"].isin(record.LIGHTNING).to_numpy()
    towers = towers.assign(observed_trip_outs=weights[lightning].sum(axis=0))
    line |= {"length_km": route.length_m / 1000} | seen | _held_against(seen, line, records.line, route)
    stated = records.line.lightning.ground_flash_density
    done = cast("pd.DataFrame", records.works[records.works["date"] <= last_day(month)])
    return Outages(
        towers=cast("pd.DataFrame", towers[TOWER_COLUMNS]),
        line=line,
        record=judged,
        weights=weights,
        years=_years(seen, line),
        density=local,
        geometry=shape,
        off=(*off, *remarks.off(exposed, judged, flashes, seen)),
        assumed=(*assumed, *remarks.assumed(exposed, records.line, local, seen)),
        remarks=(
            HONEST,
            *remarks.notes(seen, line, local, done, stated),
            *remarks.soil_doubts(towers),
            *record.remarks(judged, flashes, settings),
            *misplaced,
        ),
    )


def _held_against(seen, line, settings, route):
    """Calibration of the line's model by what happened."""
    per_year = settings.lightning.shielding_failures_per_100_km_year * route.length_m / 1e5
    model = calibration.calibrated(seen, line.get("whole_line_per_year", np.nan), per_year)
    return {"shielding_per_year": per_year} | model


def _years(seen, line):
    """Years until an improvement of this line shows, by the best known rate."""
    rate = line.get("calibrated_per_year", seen.get("observed_per_year", np.nan))
    total = line.get("trip_outs_per_year", np.nan)
    cuts = [
        line.get(name, np.nan) / (total if total > 0 else np.nan)
        for name in ("avoided_to_target_per_year", "avoided_worst_tenth_per_year")
    ]
    return calibration.years_table(
        rate, seen.get("observed_years", np.nan), [cut for cut in cuts if np.isfinite(cut)]
    )


def _rated(shape, exposed, line, local, draws, ranks):
    """Table of the towers with rates and intervals, and the sums of the line."""
    towers = exposed.assign(chainage_km=exposed["chainage_m"] / 1000)
    if shape is None:
        blank = [
            *ABSOLUTE,
            "relative_rate",
            "avoided_fraction",
            "critical_current_ka",
            "halving_saves_fraction",
        ]
        blank += ["chance_worst_tenth_benefit"]
        towers = towers.assign(
            **dict.fromkeys(blank, np.nan),
            benefit_rank=pd.array([pd.NA] * len(towers), "Int64"),
            rank_reason="",
        )
        nothing = pd.array([pd.NA] * len(towers), "boolean")
        towers = towers.assign(treatment_can_help=nothing, soil_fits=nothing)
        return towers, {"towers": len(towers), "towers_without_rate": len(towers)}
    full = rates.filled(exposed, shape)
    point = rates.point_rates(shape, full, line)
    drawn = rates.draw(shape, full, line, _density_u(full, line, local), draws=draws)
    why = remarks.rank_reasons(shape, full, point, ranks.set_axis(full.index), line)
    towers = towers.join(point, validate="1:1").assign(**_with_intervals(point, drawn), rank_reason=why)
    totals = _sums(towers, drawn)
    if (
        full["flash_density"].isna().to_numpy().any()
    ):  # calculated with 1 flash per km² and year: no absolute figure may be shown
        towers = towers.assign(**dict.fromkeys(ABSOLUTE, np.nan))
        totals = {name: value for name, value in totals.items() if not name.endswith(UNKNOWN_WITHOUT_DENSITY)}
    return towers, totals


UNKNOWN_WITHOUT_DENSITY = ("_per_year", "_low", "_high", "_per_100_km")


def _density_u(exposed, line, local):
    """Standard uncertainty of the logarithm of the flash density."""
    if local is not None and exposed["flash_density_source"].eq("flashes along the line").any():
        return local.u_log
    return float(np.log1p(line.lightning.ground_flash_density_percent / 100))


def _with_intervals(point, drawn):
    """Intervals, ranks and probabilities of the towers."""
    low, high = rates.ends(drawn.now)
    avoided_low, avoided_high = rates.ends(drawn.avoided)
    avoided = point["avoided_to_target_per_year"]
    mean = point["trip_outs_per_year"].mean()
    return {
        "trip_outs_low": low,
        "trip_outs_high": high,
        "relative_rate": point["trip_outs_per_year"] / (mean if mean > 0 else np.nan),
        "avoided_low": avoided_low,
        "avoided_high": avoided_high,
        "avoided_fraction": avoided / point["trip_outs_per_year"].where(point["trip_outs_per_year"] > 0),
        "benefit_rank": avoided.rank(ascending=False, method="min").astype("Int64"),
        "chance_worst_tenth_benefit": rates.chance_worst_tenth(drawn.avoided),
    }


def _sums(towers, drawn):
    """Sums of the line over the towers with a rate, and those with the other towers."""
    rate, avoided = towers["trip_outs_per_year"], towers["avoided_to_target_per_year"]
    rated = rate.notna().to_numpy()
    best = rates.worst_tenth(avoided)
    if not rated.any():
        return {"towers": len(towers), "towers_without_rate": len(towers)}
    intervals = rates.line_sums(drawn, rated, best)
    total, km = rate.sum(), towers.loc[rated, "span_m"].sum() / 1000
    collected = towers["flashes_per_year"]
    of_rated = collected[rated].sum()
    more = collected.sum() / of_rated if of_rated > 0 else (np.nan if collected.sum() > 0 else 1.0)
    low, high = (float(end) for end in intervals["trip_outs"])
    factor = number("trip_out_model_factor")
    worst = rate.fillna(0).nlargest(int(best.sum())).sum() if best.any() else 0.0
    return {
        "towers": len(towers),
        "towers_without_rate": int((~rated).sum()),
        "collected_per_year": float(collected.sum()),
        "trip_outs_per_year": float(total),
        "trip_outs_low": low,
        "trip_outs_high": high,
        "trip_outs_per_100_km": float(total / km * 100),
        "whole_line_per_year": float(total * more),
        "whole_line_low": low * more,
        "whole_line_high": high * more,
        "model_factor": factor,
        "model_low": low * more / factor,
        "model_high": high * more * factor,
        "avoided_to_target_per_year": float(avoided.sum()),
        "avoided_low": float(intervals["avoided"][0]),
        "avoided_high": float(intervals["avoided"][1]),
        "worst_tenth_towers": int(best.sum()),
        "worst_tenth_carries_fraction": float(worst / total) if total > 0 else np.nan,
        "avoided_worst_tenth_per_year": float(avoided[best].sum()),
        "avoided_worst_tenth_low": float(intervals["avoided_worst_tenth"][0]),
        "avoided_worst_tenth_high": float(intervals["avoided_worst_tenth"][1]),
        "avoided_worst_tenth_fraction": float(avoided[best].sum() / total) if total > 0 else np.nan,
        "saturated_towers": int((towers["treatment_can_help"] == False).sum()),  # noqa: E712 - blanks are neither
    }
