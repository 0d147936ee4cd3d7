"""Which trip-outs were lightning: the list of trip-outs held against the located flashes."""

import numpy as np
import pandas as pd

from towerlib.route import nearest_span

BY_FLASH, BY_BOOKING = "lightning, flash found", "lightning by booking"
IN_STORM, UNKNOWN, OTHER = "unknown, in a storm", "unknown", "other cause"
LIGHTNING = (BY_FLASH, BY_BOOKING)
VERDICTS = (BY_FLASH, BY_BOOKING, IN_STORM, UNKNOWN, OTHER)
FLASH = ["flash_time", "flash_distance_m", "flash_chainage_m", "peak_current_ka", "semi_major_m"]
SHIFTS_H = [step / 2 for step in range(-28, 29) if step]  # clocks set to a wrong zone are off by half hours


def near_line(flashes, route):
    """Flashes with their place against the line.

    Parameters
    ----------
    flashes : pandas.DataFrame
        time, latitude_deg, longitude_deg; peak_current_ka and semi_major_m where known.
    route : Route

    Returns
    -------
    pandas.DataFrame
        One row a flash in the order of time: flash_time, flash_distance_m (to the nearest span),
        flash_chainage_m (of the foot there), peak_current_ka, semi_major_m, latitude_deg, longitude_deg.
    """
    flashes = flashes.sort_values("time", kind="stable", ignore_index=True)
    places = nearest_span(flashes["latitude_deg"], flashes["longitude_deg"], route)
    return pd.DataFrame(
        {
            "flash_time": flashes["time"],
            "flash_distance_m": places["distance_m"],
            "flash_chainage_m": places["chainage_m"],
            **{name: flashes.get(name, np.nan) for name in ("peak_current_ka", "semi_major_m")},
            **{name: flashes[name] for name in ("latitude_deg", "longitude_deg")},
        }
    )


def judge(outages, flashes, settings):
    """A verdict on every trip-out: whether it was lightning, and by which flash.

    Parameters
    ----------
    outages : pandas.DataFrame
        outage_id, time (with zone), cause, tower_id, distance_km, distance_error_km.
    flashes : pandas.DataFrame
        As `near_line` gives it.
    settings : OutageRecord
        Window in time, distance to the line, words for causes.

    Returns
    -------
    pandas.DataFrame
        One row a trip-out in the order of time, its columns as they came and: verdict (one of `VERDICTS`),
        booking_agrees (false where a flash fell but another cause was booked), flash_lag_ms
        (trip-out after flash), flash_time, flash_distance_m, flash_chainage_m, peak_current_ka, semi_major_m.
        The flash columns are blank where none fits.

    Notes
    -----
    A trip-out within 10 ms of a flash within 1 km of the line was lightning, about 95 % sure. Of several such flashes the
    nearest in time counts. A trip-out booked as lightning without a flash stays lightning by booking: location
    systems miss some flashes. "In a storm" is a trip-out of unknown cause within 30 minutes of any listed flash.

    References
    ----------
    A utility's published rule, trade newsletter of January 2012. Cummins, Krider and Malone, IEEE Trans. EMC 40
    (1998) 465: location systems confirm lightning as the cause of outages.

    Examples
    --------
    >>> from towerlib.line.outage import OutageRecord
    >>> at = pd.to_datetime(["2026-01-01T12:00:00.004Z", "2026-01-02T12:00:00.000Z"])
    >>> trips = pd.DataFrame({"outage_id": ["1", "2"], "time": at, "cause": "unknown"})
    >>> flash = pd.DataFrame({"flash_time": at[:1], "flash_distance_m": 120.0, "flash_chainage_m": 900.0})
    >>> flash = flash.assign(peak_current_ka=-40.0, semi_major_m=200.0)
    >>> judge(trips, flash, OutageRecord())["verdict"].tolist()
    ['lightning, flash found', 'unknown']
    """
    trips = outages.sort_values("time", kind="stable", ignore_index=True)
    near = flashes[flashes["flash_distance_m"] <= settings.distance_m]
    found = _nearest(trips["time"], near, pd.Timedelta(milliseconds=settings.window_ms))
    storm = _nearest(trips["time"], flashes, pd.Timedelta(minutes=settings.storm_minutes))
    struck, stormy = (part["flash_time"].notna() for part in (found, storm))
    booked = says(trips["cause"], settings.lightning_causes)
    unknown = says(trips["cause"], settings.unknown_causes) | trips["cause"].isna()
    words = np.select(
        [struck, booked, unknown & stormy, unknown], [BY_FLASH, BY_BOOKING, IN_STORM, UNKNOWN], OTHER
    )
    lag_ms = (trips["time"] - found["flash_time"]) / pd.Timedelta(milliseconds=1)
    return trips.assign(
        verdict=pd.array(words, dtype="str"),
        booking_agrees=~(struck & ~booked & ~unknown),
        flash_lag_ms=lag_ms,
        **found,
    )


def says(cause, words):
    """Whether a booked cause is one of some words, whatever its capitals.

    Parameters
    ----------
    cause : pandas.Series of str
    words : tuple of str

    Returns
    -------
    pandas.Series of bool
        A blank is none of them.

    Examples
    --------
    >>> says(pd.Series(["Lightning ", "bird", None], dtype="str"), ("lightning",)).tolist()
    [True, False, False]
    """
    plain = cause.astype("str").str.strip().str.casefold()
    return plain.isin([word.casefold() for word in words]).fillna(False).astype(bool)


def _nearest(times, flashes, within):
    """The flash nearest in time to each instant, blank where none is near enough; both in the order of time."""
    left = pd.DataFrame({"time": times.astype("datetime64[ns, UTC]")})
    right = flashes[FLASH].astype({"flash_time": "datetime64[ns, UTC]"})
    found = pd.merge_asof(
        left, right, left_on="time", right_on="flash_time", direction="nearest", tolerance=within
    )
    return found[FLASH]


def remarks(judged, flashes, settings):
    """What a reader of the verdicts has to know, one sentence each.

    Parameters
    ----------
    judged, flashes, settings
        As `judge` gives and takes them.

    Returns
    -------
    list of str
    """
    return [
        *_outside_remark(judged, settings),
        *_clock_remarks(judged, flashes, settings),
        *_booking_remarks(judged),
        *_chance_remark(judged, flashes, settings),
    ]


def _outside_remark(judged, settings):
    """Trip-outs outside the days that the list is said to cover."""
    day = judged["time"].dt.tz_convert("UTC").dt.date
    outside = np.zeros(len(judged), bool)
    if settings.outages_from:
        outside |= (day < settings.outages_from).to_numpy()
    if settings.outages_to:
        outside |= (day > settings.outages_to).to_numpy()
    if outside.any():
        yield (
            f"{outside.sum()} of {len(judged)} trip-outs lie outside the days that [outage_record] outages_from and "
            "outages_to state, and are not counted: check these days."
        )


def _clock_remarks(judged, flashes, settings):
    """Clocks that show no milliseconds, or that are off by hours: the usual spoilers of the rule."""
    told = []
    for name, times in (("outages.csv", judged["time"]), ("flashes.csv", flashes["flash_time"])):
        if len(times) >= 3 and settings.window_ms < 1000 and times.dt.microsecond.eq(0).all():
            told.append(
                f"Every time in {name} is a whole second, so a window of {settings.window_ms:g} ms finds flashes by "
                "chance only: bring milliseconds, or set [outage_record] window_ms."
            )
    hours, matched = clock_shift(judged, flashes, settings)
    if hours:
        told.append(
            f"{matched} trip-outs booked as lightning would meet a flash if the clock of the trip-outs were "
            f"{abs(hours):g} h {'later' if hours > 0 else 'earlier'}: check its time zone and daylight saving."
        )
    return told


def clock_shift(judged, flashes, settings):
    """Hours by which the clock of the trip-outs seems to be off.

    Parameters
    ----------
    judged, flashes, settings
        As `judge` gives and takes them.

    Returns
    -------
    (float, int)
        Hours to add to the clock of the trip-outs, 0 where nothing points to an error, and how many trip-outs
        without a flash would then have one: at least 3, and more than have one now.
    """
    lost = judged.loc[judged["verdict"] == BY_BOOKING, "time"]
    near = flashes[flashes["flash_distance_m"] <= settings.distance_m]
    if len(lost) < 3 or near.empty:
        return 0.0, 0
    window = pd.Timedelta(milliseconds=settings.window_ms)
    counts = [
        int(_nearest(lost + pd.Timedelta(hours=hours), near, window)["flash_time"].notna().sum())
        for hours in SHIFTS_H
    ]
    best = int(np.argmax(counts))
    if counts[best] < max(3, (judged["verdict"] == BY_FLASH).sum() + 1):
        return 0.0, 0
    return SHIFTS_H[best], counts[best]


def _booking_remarks(judged):
    """Trip-outs with a flash that were booked as something else."""
    other = judged[(judged["verdict"] == BY_FLASH) & ~judged["booking_agrees"]]
    if other.empty:
        return []
    named = ", ".join(f"{row.outage_id} ({row.cause})" for row in other.head(5).itertuples())
    more = f" and {len(other) - 5} more" if len(other) > 5 else ""
    return [
        f"Booked as another cause, but a flash fell at that instant: {named}{more}. They count as lightning."
    ]


def _chance_remark(judged, flashes, settings):
    """How many trip-outs a flash meets by mere chance, where that is worth a word."""
    expected = chance_matches(judged, flashes, settings)
    if not expected >= 0.05:
        return []
    return [f"Some {expected:.2g} of the trip-outs meet a flash within the window by chance alone."]


def chance_matches(judged, flashes, settings):
    """Trip-outs of other causes that meet a flash by chance, as expected from the rate of flashes.

    Parameters
    ----------
    judged, flashes, settings
        As `judge` gives and takes them.

    Returns
    -------
    float

    Notes
    -----
    Trip-outs × flashes near the line × twice the window over the time listed, as if flashes came evenly. In a
    storm they come denser, so trip-outs that storms cause otherwise (wind) meet more by chance.
    """
    near = flashes.loc[flashes["flash_distance_m"] <= settings.distance_m, "flash_time"]
    if len(near) < 2:
        return 0.0
    listed_ms = (near.max() - near.min()).total_seconds() * 1000
    return len(judged) * len(near) * 2 * settings.window_ms / listed_ms if listed_ms > 0 else np.nan
