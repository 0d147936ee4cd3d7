"""The line's modelled rate held against the trip-outs that happened: observed rate, ceiling, calibration, proof."""

import numpy as np
import pandas as pd

from towerlib.outages.density import record_years
from towerlib.outages.record import IN_STORM, LIGHTNING
from towerlib.physics.poisson import rate_interval, shrunk_factor, years_to_see
from towerlib.values import number

CUTS = (0.3, 0.5, 0.75, 0.9)


def observed(judged, flashes, settings, end, length_km):
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
        observed_with_storm_per_year. Empty without a stretch of time.

    Notes
    -----
    Where the settings do not say which years the list covers, the first and the last entry of both lists stand in.
    A trip-out outside the stated days is not counted, since its years are not.
    """
    entries = pd.concat([judged["time"], flashes["flash_time"]])
    start, stop, years = record_years(settings.outages_from, settings.outages_to, entries, end)
    if not years > 0:
        return {}
    within = judged[(judged["time"] >= start) & (judged["time"] <= stop)]
    count = int(within["verdict"].isin(LIGHTNING).sum())
    storm = int((within["verdict"] == IN_STORM).sum())
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


def over_ceiling(seen, collected_per_year):
    """Whether a line tripped more often by lightning than it collects flashes, in a sentence.

    Parameters
    ----------
    seen : dict
        As `observed` gives it.
    collected_per_year : float
        Flashes that the line collects.

    Returns
    -------
    str
        "" where it did not.

    Notes
    -----
    Every direct stroke trips a line once at most. More trip-outs than flashes collected come from induced
    voltages, from wrong cause codes, or from something else; no footing cures these. A record of less than a year
    says nothing: a single storm can outrun the yearly figure.

    Examples
    --------
    >>> over_ceiling({"observed_per_year": 3.9, "observed_low": 3.1}, 2.0)[:61]
    'The line trips by lightning 3.9 times a year but collects onl'
    """
    if not seen or not seen["observed_per_year"] > collected_per_year or seen.get("observed_years", 1) < 1:
        return ""
    sure = "This is sure" if seen["observed_low"] > collected_per_year else "Chance may still explain it"
    return (
        f"The line trips by lightning {seen['observed_per_year']:.2g} times a year but collects only "
        f"{collected_per_year:.2g} flashes a year: earthing alone cannot cure this line; look at cause codes, induced "
        f"voltages and insulation. {sure}."
    )


def calibrated(seen, modelled_per_year, shielding_per_year=0.0):
    """The line's modelled rate, corrected by what was observed and drawn towards the model where that is little.

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
        calibration_factor, calibration_low, calibration_high (95 %): what the modelled rate is to be multiplied by;
        calibrated_per_year, calibrated_low, calibrated_high: the line's back-flashovers after it. Empty without
        record or model.

    Notes
    -----
    See `towerlib.physics.poisson.shrunk_factor`, with the accuracy of the method as the factor that the model may
    be off. One factor for the whole line: never by tower, whose few trip-outs tell nothing of the model.
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


def years_table(rate_per_year, years_of_record, own_cuts=()):
    """How many years it takes until the line's own trip-outs show an improvement.

    Parameters
    ----------
    rate_per_year : float
        Lightning trip-outs of the line before the work.
    years_of_record : float
        Years on record before the work.
    own_cuts : sequence of float
        Cuts that a plan for this line promises, beside 30, 50, 75 and 90 %.

    Returns
    -------
    pandas.DataFrame
        One row a cut: cut_fraction; years_each_side (as many before as after); years_after_record (with the years on
        record before). inf means more than 60.

    Notes
    -----
    Exact comparison of two counts, 5 % one-sided, 80 % power. Pooled over several treated lines, and counted by
    flashes rather than by years, proof comes sooner.

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
