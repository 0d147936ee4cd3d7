"""Where on the line lightning tripped it: each trip-out spread over the towers, as surely as its place is known."""

import numpy as np
import pandas as pd

from towerlib.language import counted
from towerlib.values import number

ELLIPSE_SD = 1.1774  # half of the flashes lie inside the ellipse: sqrt(2 ln 2) standard deviations
APART = 3.0  # standard deviations from which two places contradict each other


def borders(chainage_m):
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


def tower_weights(judged, route, settings):
    """Share of each trip-out that belongs to each tower.

    Parameters
    ----------
    judged : pandas.DataFrame
        Trip-outs as `towerlib.outages.record.judge` gives them.
    route : Route
    settings : OutageRecord
        Error of a distance that states none.

    Returns
    -------
    weights : array, shape (trip-outs, towers)
        Towers in route order; a row sums to 1, or to 0 where the place is not known.
    remarks : list of str
        One sentence each on places that cannot be used.

    Notes
    -----
    A named tower takes all. Else a normal distribution about the distance of the fault locator, with its standard
    error, gives every tower the part over its stretch, halfway to the neighbours. The flash that was found is a
    second witness with its own error; both are combined by their weights where they agree within 3 standard
    deviations, else the surer one stands alone. What lies beyond an end of the line counts to the last tower there.
    """
    centre, spread, told = _witnesses(judged, route, settings)
    weights = _spread_out(centre, spread, borders(route.towers["chainage_m"]))
    place = pd.Index(route.towers["tower_id"]).get_indexer(judged["tower_id"])
    named = judged["tower_id"].notna().to_numpy()
    strange = named & (place < 0)
    if strange.any():
        ids = ", ".join(sorted(set(judged.loc[strange, "tower_id"])))
        told.append(f"Trip-outs at towers that are not on the route: {ids}. Their place counts as unknown.")
    weights[named] = 0.0
    known = named & ~strange
    weights[np.flatnonzero(known), place[known]] = 1.0
    return weights, told


def _witnesses(judged, route, settings):
    """Most likely chainage of each trip-out and its standard error [m], NaN where nothing tells it."""
    length_m = route.length_m
    relay, relay_u, told = _locator(judged, length_m, settings)
    flash = judged["flash_chainage_m"].to_numpy(float)
    ellipse = judged["semi_major_m"].astype(float).fillna(number("location_error_m")).to_numpy()
    flash_u = np.where(np.isnan(flash), np.nan, ellipse / ELLIPSE_SD)
    apart = np.abs(relay - flash) > APART * np.hypot(relay_u, flash_u)
    if apart.any():
        ids = ", ".join(judged.loc[apart, "outage_id"].astype("str").head(5))
        told.append(
            f"Fault distance and flash lie far apart at {apart.sum()} trip-out(s): {ids}. The surer place stands."
        )
    # of two witnesses that contradict each other the less sure one is not heard
    relay_w = np.where(np.isnan(relay) | (apart & (relay_u > flash_u)), 0.0, 1 / relay_u**2)
    flash_w = np.where(np.isnan(flash) | (apart & (relay_u <= flash_u)), 0.0, 1 / flash_u**2)
    both = relay_w + flash_w
    centre = (np.nan_to_num(relay) * relay_w + np.nan_to_num(flash) * flash_w) / np.where(
        both > 0, both, np.nan
    )
    return centre, 1 / np.sqrt(np.where(both > 0, both, np.nan)), told


def _locator(judged, length_m, settings):
    """Place by the fault locator and its standard error [m]; one beyond the line is not used."""
    place = judged["distance_km"].to_numpy(float) * 1000
    assumed = settings.locator_error_percent / 100 * length_m
    error = judged["distance_error_km"].astype(float).to_numpy() * 1000
    told, blank = [], ~np.isnan(place) & np.isnan(error)
    error = np.where(np.isnan(error), assumed, np.maximum(error, 1.0))
    if blank.any():
        told.append(
            f"{counted(blank.sum(), 'fault distance')} without an error: {assumed / 1000:.1f} km is assumed, "
            f"{settings.locator_error_percent:g} % of the line."
        )
    beyond = place > length_m + APART * error
    if beyond.any():
        ids = ", ".join(judged.loc[beyond, "outage_id"].astype("str").head(5))
        told.append(
            f"{counted(beyond.sum(), 'fault distance')} beyond the line of {length_m / 1000:.1f} km: {ids}. Their place "
            "counts as unknown unless a flash tells it."
        )
    return np.where(beyond, np.nan, place), np.where(np.isnan(place) | beyond, np.nan, error), told


def _spread_out(centre, spread, edges):
    """Part of each normal distribution over each stretch; the first and the last reach out without end."""
    from scipy.special import ndtr

    inner = ndtr((edges[None, 1:-1] - centre[:, None]) / spread[:, None])
    reached = np.hstack([np.zeros((len(centre), 1)), inner, np.ones((len(centre), 1))])
    return np.nan_to_num(np.diff(reached, axis=1)) * ~np.isnan(centre)[:, None]
