"""Record of trip-outs: which were lightning, by which flash, and the probability that each happened at each tower."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd

from towerlib.route import nearest_span
from towerlib.text import counted, listed
from towerlib.values import number

if TYPE_CHECKING:
    from typing import Any

    from numpy.typing import ArrayLike

    from towerlib.config.sections import OutageRecord
    from towerlib.route import Route


ELLIPSE_SD = 1.1774  # half of the flashes lie inside the ellipse: sqrt(2 ln 2) standard deviations
APART = 3.0  # standard deviations from which two places contradict each other


def borders(chainage_m: ArrayLike) -> np.ndarray:
    """Borders of the stretches that belong to the towers: halfway to the neighbours, the ends at the ends.

    Parameters
    ----------
    chainage_m : array, shape (n,)
        Rising.

    Returns
    -------
    array, shape (n + 1,)

    Examples
    --------
    >>> borders(np.array([0.0, 300.0, 700.0])).tolist()
    [0.0, 150.0, 500.0, 700.0]
    """
    chainage_m = np.asarray(chainage_m, float)
    middles = (chainage_m[1:] + chainage_m[:-1]) / 2
    return np.concatenate([chainage_m[:1], middles, chainage_m[-1:]])


def tower_weights(judged: pd.DataFrame, route: Route, settings: OutageRecord) -> tuple[np.ndarray, list[str]]:
    """Share of each trip-out of `judge` at each tower (trip-outs, towers), and remarks on places that cannot be used.

    A row sums to 1, or to 0 where the place is not known. A named tower takes all. Else a normal distribution about the
    distance of the fault locator, with its standard error, gives every tower the part over its stretch, halfway to the
    neighbours. The flash that was found is a second witness with its own error; both are combined by their weights where
    they agree within 3 standard deviations, else only the more certain one is used. What lies beyond an end of the line
    counts to the last tower there.
    """
    centre, spread, remarks = _witnesses(judged, route, settings)
    weights = _spread_out(centre, spread, borders(route.towers["chainage_m"]))
    place = pd.Index(route.towers["tower_id"]).get_indexer(cast("Any", judged["tower_id"]))
    named = judged["tower_id"].notna().to_numpy()
    strange = named & (place < 0)
    if strange.any():
        ids = ", ".join(sorted(set(judged.loc[strange, "tower_id"])))
        remarks.append(
            f"Trip-outs at towers that are not on the route: {ids}. Their place counts as unknown."
        )
    weights[named] = 0.0
    known = named & ~strange
    weights[np.flatnonzero(known), place[known]] = 1.0
    return weights, remarks


def _witnesses(judged, route, settings):
    """Most likely chainage of each trip-out and its standard error [m], NaN where it is not known."""
    length_m = route.length_m
    relay, relay_u, remarks = _locator(judged, length_m, settings)
    flash = judged["flash_chainage_m"].to_numpy(float)
    ellipse = judged["semi_major_m"].astype(float).fillna(number("location_error_m")).to_numpy()
    flash_u = np.where(np.isnan(flash), np.nan, ellipse / ELLIPSE_SD)
    apart = np.abs(relay - flash) > APART * np.hypot(relay_u, flash_u)
    if apart.any():
        ids = ", ".join(judged.loc[apart, "outage_id"].astype("str").head(5))
        remarks.append(
            f"Fault distance and flash lie far apart at {apart.sum()} trip-out(s): {ids}. The more certain place is used."
        )
    # of two witnesses that contradict each other the less certain one is ignored
    relay_w = np.where(np.isnan(relay) | (apart & (relay_u > flash_u)), 0.0, 1 / relay_u**2)
    flash_w = np.where(np.isnan(flash) | (apart & (relay_u <= flash_u)), 0.0, 1 / flash_u**2)
    both = relay_w + flash_w
    centre = (np.nan_to_num(relay) * relay_w + np.nan_to_num(flash) * flash_w) / np.where(
        both > 0, both, np.nan
    )
    return centre, 1 / np.sqrt(np.where(both > 0, both, np.nan)), remarks


def _locator(judged, length_m, settings):
    """Place by the fault locator and its standard error [m]; one beyond the line is not used."""
    place = judged["distance_km"].to_numpy(float) * 1000
    assumed = settings.locator_error_percent / 100 * length_m
    error = judged["distance_error_km"].astype(float).to_numpy() * 1000
    remarks, blank = [], ~np.isnan(place) & np.isnan(error)
    error = np.where(np.isnan(error), assumed, np.maximum(error, 1.0))
    if blank.any():
        remarks.append(
            f"{counted(blank.sum(), 'fault distance')} without an error: {assumed / 1000:.1f} km is assumed, "
            f"{settings.locator_error_percent:g} % of the line."
        )
    beyond = place > length_m + APART * error
    if beyond.any():
        ids = ", ".join(judged.loc[beyond, "outage_id"].astype("str").head(5))
        remarks.append(
            f"{counted(beyond.sum(), 'fault distance')} beyond the line of {length_m / 1000:.1f} km: {ids}. Their place "
            "counts as unknown unless a flash shows it."
        )
    return np.where(beyond, np.nan, place), np.where(np.isnan(place) | beyond, np.nan, error), remarks


def _spread_out(centre, spread, edges):
    """Part of each normal distribution over each stretch; the first and the last reach out without end."""
    from scipy.special import ndtr

    inner = ndtr((edges[None, 1:-1] - centre[:, None]) / spread[:, None])
    reached = np.hstack([np.zeros((len(centre), 1)), inner, np.ones((len(centre), 1))])
    return np.nan_to_num(np.diff(reached, axis=1)) * ~np.isnan(centre)[:, None]


BY_FLASH, BY_BOOKING = "lightning, flash found", "lightning by booking"
IN_STORM, UNKNOWN, OTHER = "unknown, in a storm", "unknown", "other cause"
LIGHTNING = (BY_FLASH, BY_BOOKING)
VERDICTS = (BY_FLASH, BY_BOOKING, IN_STORM, UNKNOWN, OTHER)
FLASH = ["flash_time", "flash_distance_m", "flash_chainage_m", "peak_current_ka", "semi_major_m"]
SHIFTS_H = [step / 2 for step in range(-28, 29) if step]  # clocks set to a wrong zone are off by half hours


def near_line(flashes: pd.DataFrame, route: Route) -> pd.DataFrame:
    """Flashes in the order of time with their place against the line.

    Columns flash_time, flash_distance_m (to the nearest span), flash_chainage_m (of the foot there), peak_current_ka,
    semi_major_m, latitude_deg, longitude_deg.
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


def judge(outages: pd.DataFrame, flashes: pd.DataFrame, settings: OutageRecord) -> pd.DataFrame:
    """Verdict on every trip-out: lightning or not, and by which flash.

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
        One row per trip-out in the order of time, its columns as they came and: verdict (one of `VERDICTS`),
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
    >>> from towerlib.config.sections import OutageRecord
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
    struck, stormy = (cast("pd.Series", part["flash_time"]).notna() for part in (found, storm))
    cause = cast("pd.Series", trips["cause"])
    booked = says(cause, settings.lightning_causes)
    unknown = says(cause, settings.unknown_causes) | cause.isna()
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


def says(cause: pd.Series, words: tuple[str, ...]) -> pd.Series:
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


def remarks(judged: pd.DataFrame, flashes: pd.DataFrame, settings: OutageRecord) -> list[str]:
    """Remarks on the verdicts, one sentence each.

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
    found = []
    for name, times in (("outages.csv", judged["time"]), ("flashes.csv", flashes["flash_time"])):
        if len(times) >= 3 and settings.window_ms < 1000 and times.dt.microsecond.eq(0).all():
            found.append(
                f"Every time in {name} is a whole second, so a window of {settings.window_ms:g} ms finds flashes by "
                "chance only: bring milliseconds, or set [outage_record] window_ms."
            )
    hours, matched = clock_shift(judged, flashes, settings)
    if hours:
        found.append(
            f"{matched} trip-outs booked as lightning would meet a flash if the clock of the trip-outs were "
            f"{abs(hours):g} h {'later' if hours > 0 else 'earlier'}: check its time zone and daylight saving."
        )
    return found


def clock_shift(judged: pd.DataFrame, flashes: pd.DataFrame, settings: OutageRecord) -> tuple[float, int]:
    """Hours to add to the clock of the trip-outs, 0 where nothing points to an error; arguments as of `judge`.

    The second: how many trip-outs without a flash would then have one: at least 3, and more than have one now.
    """
    lost = judged.loc[judged["verdict"] == BY_BOOKING, "time"]
    near = flashes[flashes["flash_distance_m"] <= settings.distance_m]
    if len(lost) < 3 or near.empty:
        return 0.0, 0
    window = pd.Timedelta(milliseconds=settings.window_ms)
    counts = [
        int(cast("pd.Series", _nearest(lost + pd.Timedelta(hours=hours), near, window)["flash_time"]).count())
        for hours in SHIFTS_H
    ]
    best = int(np.argmax(counts))
    if counts[best] < max(3, int((judged["verdict"] == BY_FLASH).to_numpy().sum()) + 1):
        return 0.0, 0
    return SHIFTS_H[best], counts[best]


def _booking_remarks(judged):
    """Trip-outs with a flash that were booked as something else."""
    other = judged[(judged["verdict"] == BY_FLASH) & ~judged["booking_agrees"]]
    if other.empty:
        return []
    named = listed((f"{row.outage_id} ({row.cause})" for row in other.itertuples()), 5)
    return [f"Booked as another cause, but a flash fell at that instant: {named}. They count as lightning."]


def _chance_remark(judged, flashes, settings):
    """Number of trip-outs that coincide with a flash by chance, where it matters."""
    expected = chance_matches(judged, flashes, settings)
    if not expected >= 0.05:
        return []
    return [f"Some {expected:.2g} of the trip-outs meet a flash within the window by chance alone."]


def chance_matches(judged: pd.DataFrame, flashes: pd.DataFrame, settings: OutageRecord) -> float:
    """Trip-outs of other causes that meet a flash by chance, as expected from the rate of flashes; arguments as of `judge`.

    Trip-outs × flashes near the line × twice the window over the time listed, as if flashes came evenly. In a storm
    they come denser, so trip-outs that storms cause otherwise (wind) meet more by chance.
    """
    near = flashes.loc[flashes["flash_distance_m"] <= settings.distance_m, "flash_time"]
    if len(near) < 2:
        return 0.0
    listed_ms = (near.max() - near.min()).total_seconds() * 1000
    return len(judged) * len(near) * 2 * settings.window_ms / listed_ms if listed_ms > 0 else np.nan
