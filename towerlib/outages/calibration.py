"""Calibration by the line's own record: local flash density, observed trip-outs, and the years until a change shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.outages.record import IN_STORM, LIGHTNING
from towerlib.physics.statistics import rate_interval, shrunk_factor, years_to_see
from towerlib.route import ELLIPSOID
from towerlib.text import counted
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from typing import Any

    from towerlib.config.sections import OutageRecord
    from towerlib.route import Route


YEAR = pd.Timedelta(days=365.2425)
REACHED = 0.9  # share of the listed flashes that lie well inside the reach of the list


@dataclass(frozen=True)
class FlashDensity:
    """Ground flashes per km² and year along a line, and what they were counted in.

    Attributes
    ----------
    per_km2_year, low, high : float
        Density with its exact Poisson interval (95 %), corrected for the detection share where that is stated.
    count : int
        Flashes counted.
    area_km2, corridor_m, years : float
        Area of the corridor, its width to either side, whole years counted (less than one: the part).
    first, last : pandas.Timestamp
        Ends of those years.
    year_spread : float
        Variance over mean of the yearly counts, 1 or more: above 1 storms and years make the interval too narrow.
        NaN below three years.
    remarks : tuple of str
        Limits of the figure, one sentence each.
    """

    per_km2_year: float
    low: float
    high: float
    count: int
    area_km2: float
    corridor_m: float
    years: float
    first: pd.Timestamp
    last: pd.Timestamp
    year_spread: float
    remarks: tuple[str, ...]

    @property
    def u_log(self) -> float:
        """Standard uncertainty of the logarithm of the density, spread between years counted in."""
        spread = self.year_spread if self.year_spread > 1 else 1.0
        return float(np.sqrt(spread / self.count)) if self.count else float("nan")


def record_years(
    first: date | None, last: date | None, entries: pd.Series, end: pd.Timestamp
) -> tuple[pd.Timestamp, pd.Timestamp, float]:
    """Start, end and years of the time that a list covers, up to `end`; NaT and 0 where nothing is known.

    The first and the last entry are used where the settings state no day.
    """
    seen: Any = entries[entries <= end]
    start: Any = pd.Timestamp(first, tz="UTC") if first else seen.min()
    stop: Any = pd.Timestamp(last, tz="UTC") + pd.Timedelta(days=1) if last else seen.max()
    stop = min(stop, end) if pd.notna(stop) else stop
    if pd.isna(start) or pd.isna(stop) or stop <= start:
        return cast("Any", (pd.NaT, pd.NaT, 0.0))
    return start, stop, (stop - start) / YEAR


def local_density(
    flashes: pd.DataFrame, route: Route, settings: OutageRecord, end: pd.Timestamp
) -> FlashDensity | None:
    """Ground flash density along a line from its flashes (`near_line`); None without a flash, a span or time covered.

    Counted over whole years, since a part of a year holds more or less than its share of the storms; a shorter
    record is counted as it is, with a remark. The corridor stays inside the reach of the list by twice the median
    location error: at its edge flashes scatter out and, from beyond the list, none scatter in. IEC 62858 (from memory):
    10 years, 80 flashes a cell, flash detection of at least 80 %, median location error of at most 500 m.
    """
    start, stop, years = record_years(
        settings.flashes_from, settings.flashes_to, cast("pd.Series", flashes["flash_time"]), end
    )
    if years == 0 or flashes["flash_distance_m"].isna().to_numpy().all():
        return None
    wide, cautions = _width(flashes, settings, route.length_m)
    whole = np.floor(years + 0.05) if years >= 0.95 else years  # three weeks short of a year is a year
    start = cast("pd.Timestamp", max(start, stop - whole * YEAR))
    seen = flashes[(flashes["flash_time"] >= start) & (flashes["flash_time"] <= stop)]
    corridor = _corridor(route, wide)
    inside = seen[_within(seen, corridor, route)]
    area_km2 = _area_km2(corridor, route)
    exposure = area_km2 * whole * (settings.detection_share or 1.0)
    if not exposure > 0:  # a line without length has no corridor
        return None
    low, high = rate_interval(len(inside), exposure)
    return FlashDensity(
        len(inside) / exposure,
        float(low),
        float(high),
        len(inside),
        area_km2,
        wide,
        float(whole),
        start,
        stop,
        _year_spread(inside["flash_time"], stop, whole),
        (*cautions, *_limits(len(inside), whole, settings)),
    )


def _width(flashes, settings, length_m):
    """Width of the corridor to either side, and doubts about it."""
    errors = flashes["semi_major_m"].astype(float)
    error_m = errors.median() if errors.notna().any() else number("location_error_m")
    abeam = flashes["flash_chainage_m"].between(
        1.0, length_m - 1.0
    )  # beyond the ends distance does not show the reach
    reach_m = flashes.loc[abeam, "flash_distance_m"].quantile(REACHED)
    if np.isnan(reach_m):
        return settings.corridor_m or number("corridor_most_m"), ["No flash fell beside the line."]
    remarks = [] if errors.notna().any() else [f"Flashes state no location error; {error_m:g} m is assumed."]
    if settings.corridor_m:
        if settings.corridor_m > reach_m:
            remarks.append(
                f"The corridor of {settings.corridor_m:g} m reaches beyond the list of flashes, which ends at some "
                f"{reach_m:.0f} m from the line: the density is too low."
            )
        return settings.corridor_m, remarks
    wide = min(number("corridor_most_m"), reach_m - 2 * error_m)
    if wide < error_m:
        remarks.append(
            f"The list of flashes ends at some {reach_m:.0f} m from the line, hardly beyond its location error "
            f"of {error_m:.0f} m: the density is too low."
        )
        wide = reach_m
    return float(wide), remarks


def _corridor(route, wide_m):
    """The ground within a distance to both sides of the line, without caps at its ends, on the grid of the route."""
    import shapely

    spans = [span for span in route.spans.geometry if not span.is_empty]
    line = shapely.line_merge(shapely.MultiLineString(spans))
    return shapely.buffer(line, wide_m, cap_style="flat")


def _within(flashes, corridor, route):
    """Whether each flash lies in the corridor."""
    import shapely

    from towerlib.route import points_on_grid

    places = points_on_grid(
        flashes["latitude_deg"].to_numpy(), flashes["longitude_deg"].to_numpy(), route.crs
    )
    shapely.prepare(corridor)
    return shapely.contains(corridor, places)


def _area_km2(corridor, route):
    """Area on the ellipsoid."""
    import geopandas as gpd

    drawn = gpd.GeoSeries([corridor], crs=route.crs).to_crs(4326).iloc[0]
    return abs(ELLIPSOID.geometry_area_perimeter(drawn)[0]) / 1e6


def _year_spread(times, stop, years):
    """Variance of the yearly counts over their mean, not below 1: flashes come in storms, years differ."""
    if years < 3:
        return float("nan")
    ago = ((stop - times) / YEAR).astype(int).clip(upper=int(years) - 1)
    counts = np.bincount(ago, minlength=int(years))
    return float(max(counts.var(ddof=1) / counts.mean(), 1.0)) if counts.mean() > 0 else float("nan")


def _limits(count, years, settings):
    """Why the density may be off, one sentence each."""
    remarks = []
    if settings.detection_share is None:
        remarks.append(
            "The share of the flashes that the location system lists is not stated: the local density is a low end."
        )
    if years < 1:
        remarks.append(f"The flashes cover {years:.2f} years only: a part of a year gives no yearly density.")
    elif years < number("flash_density_years_min"):
        remarks.append(
            f"{counted(round(years), 'year')} of flashes; a reliable density takes 10 (IEC 62858)."
        )
    if count < number("flash_density_counts_min"):
        remarks.append(f"{count} flashes in the corridor; a reliable density takes 80 (IEC 62858).")
    return remarks


CUTS = (0.3, 0.5, 0.75, 0.9)


def observed(
    judged: pd.DataFrame, flashes: pd.DataFrame, settings: OutageRecord, end: pd.Timestamp, length_km: float
) -> dict[str, Any]:
    """Lightning trip-outs that happened, as a rate with its exact interval.

    Parameters
    ----------
    judged, flashes : pandas.DataFrame
        As `towerlib.outages.record.judge` and `near_line` give them, up to `end`.
    settings : OutageRecord
    end : pandas.Timestamp
    length_km : float

    Returns
    -------
    dict
        observed_trip_outs (count), observed_in_storm (count of unknown cause, in a storm), observed_years,
        observed_per_year, observed_low, observed_high (Garwood, 95 %), observed_per_100_km_year and its ends;
        observed_with_storm_per_year. Empty where the time covered is not known.

    Notes
    -----
    Where the settings do not say which years the list covers, the first and the last entry of both lists are used.
    A trip-out outside the stated days is not counted, since its years are not.
    """
    entries = cast("pd.Series", pd.concat([judged["time"], flashes["flash_time"]]))
    start, stop, years = record_years(settings.outages_from, settings.outages_to, entries, end)
    if not years > 0:
        return {}
    within = (judged["time"] >= start) & (judged["time"] <= stop)
    verdict = cast("pd.Series", judged.loc[within, "verdict"])
    count = int(verdict.isin(LIGHTNING).to_numpy().sum())
    storm = int((verdict == IN_STORM).to_numpy().sum())
    low, high = (float(part) for part in rate_interval(count, years))
    per_100_km = 100 / length_km if length_km > 0 else np.nan
    return {
        "observed_trip_outs": count,
        "observed_in_storm": storm,
        "observed_years": years,
        "observed_per_year": count / years,
        "observed_low": low,
        "observed_high": high,
        "observed_with_storm_per_year": (count + storm) / years,
        "observed_per_100_km_year": count / years * per_100_km,
        "observed_per_100_km_low": low * per_100_km,
        "observed_per_100_km_high": high * per_100_km,
    }


def over_ceiling(seen: dict[str, Any], collected_per_year: float) -> str:
    """Whether a line tripped more often by lightning than it collects flashes a year, in a sentence; "" where it did not.

    Every direct stroke trips a line once at most. More trip-outs come from induced voltages, from wrong cause codes, or
    from something else; no footing cures these. A record of less than a year says nothing: a single storm can outrun
    the yearly figure.

    Examples
    --------
    >>> over_ceiling({"observed_per_year": 3.9, "observed_low": 3.1}, 2.0)[:61]
    'The line trips by lightning 3.9 times a year but collects onl'
    """
    if not seen or not seen["observed_per_year"] > collected_per_year or seen.get("observed_years", 1) < 1:
        return ""
    certainty = (
        "This is certain" if seen["observed_low"] > collected_per_year else "Chance may still explain it"
    )
    return (
        f"The line trips by lightning {seen['observed_per_year']:.2g} times a year but collects only "
        f"{collected_per_year:.2g} flashes a year: earthing alone cannot cure this line. Check cause codes, induced "
        f"voltages and insulation. {certainty}."
    )


def calibrated(
    seen: dict[str, Any], modelled_per_year: float, shielding_per_year: float = 0.0
) -> dict[str, float]:
    """The line's modelled rate, corrected by the record, and weighted towards the model where the record is short.

    Parameters
    ----------
    seen : dict
        As `observed` gives it.
    modelled_per_year : float
        Back-flashovers that trip the whole line [1/year].
    shielding_per_year : float
        Trip-outs past the shield wire [1/year].

    Returns
    -------
    dict
        calibration_factor, calibration_low, calibration_high (95 %): factor on the modelled rate;
        calibrated_per_year, calibrated_low, calibrated_high: the line's back-flashovers after it. Empty without
        record or model.

    Notes
    -----
    See `towerlib.physics.statistics.shrunk_factor`, with the accuracy of the method as the factor of the
    model's error. One factor for the whole line: never by tower, whose few trip-outs show nothing of the model.
    """
    if not seen or not modelled_per_year > 0:
        return {}
    expected = (modelled_per_year + shielding_per_year) * seen["observed_years"]
    factor = shrunk_factor(seen["observed_trip_outs"], expected, number("trip_out_model_factor"))
    middle, low, high = (float(part) for part in factor)
    return {
        "expected_trip_outs": expected,
        "calibration_factor": middle,
        "calibration_low": low,
        "calibration_high": high,
        "calibrated_per_year": middle * modelled_per_year,
        "calibrated_low": low * modelled_per_year,
        "calibrated_high": high * modelled_per_year,
    }


def years_table(rate_per_year: float, years_of_record: float, own_cuts: Sequence[float] = ()) -> pd.DataFrame:
    """Years until the line's own trip-outs show a cut of 30, 50, 75, 90 % or `own_cuts`; inf means more than 60.

    One row per cut: cut_fraction; years_each_side (as many before as after); years_after_record (with the years on
    record before). Exact comparison of two counts, 5 % one-sided, 80 % power. Pooled over several treated lines, and
    counted by flashes rather than by years, proof comes sooner.

    Examples
    --------
    >>> years_table(4.0, 10.0)["years_each_side"].tolist()
    [31.0, 10.0, 4.0, 3.0]
    """
    cuts = sorted({*CUTS, *(round(float(cut), 2) for cut in own_cuts if 0 < cut < 1)})
    known = np.isfinite(rate_per_year)
    each = [years_to_see(rate_per_year, cut) if known else np.nan for cut in cuts]
    after = [
        years_to_see(rate_per_year, cut, years_of_record) if known and years_of_record > 0 else np.nan
        for cut in cuts
    ]
    return pd.DataFrame({"cut_fraction": cuts, "years_each_side": each, "years_after_record": after})
