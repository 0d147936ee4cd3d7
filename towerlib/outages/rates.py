"""Trip-outs of every tower a year as its footing stands, and what better footings would save."""

import numpy as np
import pandas as pd

from towerlib.physics.lightning.rate import Method, Towers, tower_rates
from towerlib.values import number


def method_of(line):
    """How the rate is found, as the line's settings say.

    Parameters
    ----------
    line : Line

    Returns
    -------
    towerlib.physics.lightning.rate.Method
    """
    return Method(distribution=line.lightning.peak_currents)


def physics_towers(exposed, footing_ohm, **drawn):
    """Towers as the physics takes them.

    Parameters
    ----------
    exposed : pandas.DataFrame
        As `towerlib.outages.geometry.towers_exposed` gives it.
    footing_ohm : array, shape (n,) or (draws, n)
        Footings [Ω]; NaN where a tower has no rate.
    drawn : arrays
        resistivity_ohm_m, flash_density, strength_kv in place of the table's own.

    Returns
    -------
    towerlib.physics.lightning.rate.Towers
    """
    density = exposed["flash_density"].fillna(1.0).to_numpy(float)  # 1 where unknown: relative rates
    parts = {
        "resistivity_ohm_m": exposed["resistivity_ohm_m"].to_numpy(float),
        "flash_density": density,
        "strength_kv": exposed["strength_kv"].to_numpy(float),
    } | drawn
    # a surge meets whole spans, but an end tower collects over half of its only one: fewer flashes, not a shorter span
    surge_span_m = np.where(exposed["surge_span_m"] > 0, exposed["surge_span_m"], np.nan)
    parts["flash_density"] = parts["flash_density"] * (exposed["span_m"].to_numpy(float) / surge_span_m)
    return Towers(
        footing_ohm=footing_ohm,
        span_m=surge_span_m,
        height_m=exposed["height_m"].to_numpy(float),
        **parts,
    )


def filled(exposed, geometry):
    """The table of exposed towers with the line's own height and strength where a tower states none.

    Parameters
    ----------
    exposed : pandas.DataFrame
    geometry : LineGeometry

    Returns
    -------
    pandas.DataFrame
    """
    strength_kv = geometry.strike_length_m * number("flashover_positive_kv_m")
    return exposed.assign(
        # a tower too low for the line's head has no rate; the usual height stands in so that the others have theirs
        height_m=exposed["height_m"].where(exposed["height_m"] > geometry.least_height_m, geometry.height_m),
        strength_kv=exposed["strength_kv"].fillna(strength_kv),
    )


def point_rates(geometry, exposed, line):
    """Rates of every tower at its reading, at its target, and with half its footing.

    Parameters
    ----------
    geometry : LineGeometry
    exposed : pandas.DataFrame
        As `filled` gives it.
    line : Line
        Peak currents, and the share of the flashovers that trip the line.

    Returns
    -------
    pandas.DataFrame
        One row a tower: trip_outs_per_year, trip_outs_at_target_per_year, avoided_to_target_per_year,
        halving_saves_fraction, treatment_can_help (blank without a rate), critical_current_ka, flashes_per_year,
        soil_fits (false where soil and footing do not belong together). Without a ground flash density the rates
        are those at 1 flash per km² and year.

    Notes
    -----
    Saturated is a tower whose insulator flashes over at nearly every stroke, whatever the footing within reach:
    half the footing saves less than 30 % of its trip-outs.
    """
    usable = exposed["flaw"] == ""
    footing = exposed["footing_ohm"].where(usable).to_numpy(float)
    goal = np.minimum(footing, exposed["target_ohm"].to_numpy(float))
    trips = line.lightning.trip_outs_per_flashover
    now, aimed, half = (
        tower_rates(geometry, physics_towers(exposed, ohm), method_of(line))
        for ohm in (footing, goal, footing / 2)
    )
    per_year = now.backflashovers_per_year * trips
    # a footing within its target stays as it is: two runs at one value differ by rounding only
    at_goal = np.where(goal < footing, aimed.backflashovers_per_year * trips, per_year)
    with np.errstate(divide="ignore", invalid="ignore"):
        saves = np.where(per_year > 0, 1 - half.backflashovers_per_year * trips / per_year, np.nan)
    known = np.isfinite(saves)
    return pd.DataFrame(
        {
            "trip_outs_per_year": per_year,
            "trip_outs_at_target_per_year": at_goal,
            "avoided_to_target_per_year": per_year - at_goal,
            "halving_saves_fraction": saves,
            "treatment_can_help": pd.array(saves >= number("halving_saves_min"), dtype="boolean"),
            "critical_current_ka": now.critical_ka,
            "flashes_per_year": now.collected_per_year,
            "soil_fits": pd.array(~np.asarray(now.soil_raised, bool), dtype="boolean"),
        },
        index=exposed.index,
    ).assign(
        treatment_can_help=lambda table: table["treatment_can_help"].where(known),
        soil_fits=lambda table: table["soil_fits"].where(np.isfinite(per_year)),
    )


def worst_tenth(avoided):
    """The tenth of the towers (rounded up) where treatment avoids most.

    Parameters
    ----------
    avoided : array, shape (n,)
        Trip-outs avoided at each tower; NaN where there is no rate.

    Returns
    -------
    array of bool

    Examples
    --------
    >>> worst_tenth([0.1, 0.3, float("nan")]).tolist()
    [False, True, False]
    """
    avoided = np.asarray(avoided, float)
    count = int(np.ceil(np.isfinite(avoided).sum() / 10))
    chosen = np.zeros(avoided.shape, bool)
    chosen[np.argsort(-np.nan_to_num(avoided, nan=-np.inf), kind="stable")[:count]] = True
    return chosen & (np.nan_to_num(avoided) > 0)


def usual_curve(geometry, towers, line, footing_ohm, soil_ratio_m):
    """Rate of the usual tower of a line over its footing.

    Parameters
    ----------
    geometry : LineGeometry
    towers : pandas.DataFrame
        span_m and flash_density, whose medians are taken.
    line : Line
    footing_ohm : array, shape (n,)
        Footings [Ω].
    soil_ratio_m : float
        Soil resistivity over the footing [m].

    Returns
    -------
    array, shape (n,)
        Trip-outs a year.
    """
    footing_ohm = np.asarray(footing_ohm, float)
    usual = Towers(
        footing_ohm=footing_ohm,
        resistivity_ohm_m=soil_ratio_m * footing_ohm,
        span_m=float(towers["span_m"].median()),
        flash_density=float(towers["flash_density"].median()),
    )
    found = tower_rates(geometry, usual, method_of(line))
    return found.backflashovers_per_year * line.lightning.trip_outs_per_flashover
