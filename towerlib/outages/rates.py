"""Lightning trip-out rates of every tower, those at its target, and their intervals by random draws."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from towerlib.physics.lightning.rate import Method, Towers, tabulated_rates, tower_rates
from towerlib.physics.statistics import SEED, footing_draws, ordered_ranks, rank_chances
from towerlib.values import number

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.config import Line
    from towerlib.physics.lightning.surge import LineGeometry


def method_of(line: Line) -> Method:
    """Method of the rate, by the line's settings.

    Parameters
    ----------
    line : Line

    Returns
    -------
    towerlib.physics.lightning.rate.Method
    """
    return Method(distribution=line.lightning.peak_currents)


def physics_towers(exposed: pd.DataFrame, footing_ohm: np.ndarray, **drawn: np.ndarray) -> Towers:
    """Towers in the form of the physics.

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


def filled(exposed: pd.DataFrame, geometry: LineGeometry) -> pd.DataFrame:
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
        # a tower too low for the line's head has no rate; the usual height is used so that the others have theirs
        height_m=exposed["height_m"].where(exposed["height_m"] > geometry.least_height_m, geometry.height_m),
        strength_kv=exposed["strength_kv"].fillna(strength_kv),
    )


def point_rates(geometry: LineGeometry, exposed: pd.DataFrame, line: Line) -> pd.DataFrame:
    """Rates of every tower at its reading, at its target, and with half its footing; `exposed` as `filled` gives it.

    Columns trip_outs_per_year, trip_outs_at_target_per_year, avoided_to_target_per_year, halving_saves_fraction,
    treatment_can_help (blank without a rate), critical_current_ka, flashes_per_year, soil_fits (false where soil and
    footing do not belong together). Without a ground flash density the rates are those at 1 flash per km² and year.
    Saturated is a tower whose insulator flashes over at nearly every stroke, whatever the footing within reach: half the
    footing saves less than 30 % of its trip-outs.
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
    # a footing within its target is left as it is: two runs at one value differ by rounding only
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


def worst_tenth(avoided: ArrayLike) -> np.ndarray:
    """The tenth of the towers (rounded up) where treatment avoids most trip-outs; NaN is a tower without a rate.

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


def usual_curve(
    geometry: LineGeometry, towers: pd.DataFrame, line: Line, footing_ohm: ArrayLike, soil_ratio_m: float
) -> np.ndarray:
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
        span_m=np.asarray(towers["span_m"].median()),
        flash_density=np.asarray(towers["flash_density"].median()),
    )
    found = tower_rates(geometry, usual, method_of(line))
    return found.backflashovers_per_year * line.lightning.trip_outs_per_flashover


TWO_SIDED = NormalDist().inv_cdf(
    0.975
)  # the interval of a footing reaches so many standard deviations to either side


@dataclass(frozen=True)
class Draws:
    """A line drawn many times over: arrays (draws, n); towers without a rate are NaN.

    Attributes
    ----------
    now, aimed : array
        Trip-outs a year with the present footings, and with every footing at its target.
    """

    now: np.ndarray
    aimed: np.ndarray

    @property
    def avoided(self) -> np.ndarray:
        """Trip-outs a year that the targets avoid."""
        return self.now - self.aimed


def draw(
    geometry: LineGeometry,
    exposed: pd.DataFrame,
    line: Line,
    density_u: float,
    *,
    draws: int = 1000,
    seed: int = SEED,
) -> Draws:
    """Rates of a line, drawn over the uncertainty of the records.

    Parameters
    ----------
    geometry : LineGeometry
    exposed : pandas.DataFrame
        As `towerlib.outages.rates.filled` gives it.
    line : Line
    density_u : float
        Standard uncertainty of the logarithm of the ground flash density, one for the whole line.
    draws, seed : int

    Returns
    -------
    Draws

    Notes
    -----
    Logarithms are normal. Readings err tower by tower; the season moves all footings of a line alike; soil errs
    tower by tower, by a quarter where it is on record, from 10 to 50 m times the footing where it is not; strength
    and flash density are one error for the whole line. Towers known by a lower limit only are drawn above it, from the
    line's own distribution, so that they take part in the ranks. Targets are taken as reached in the season of
    lightning.
    """
    footing = _footings(exposed, draws, seed)
    random = np.random.default_rng([seed, 1])
    shape = footing.shape
    spread = np.where(
        exposed["soil_source"] == "assumed", number("soil_ratio_spread"), _log_percent("soil_value")
    )
    soil_error = np.exp(spread * random.standard_normal(shape))
    known = np.where(exposed["soil_source"] == "assumed", np.nan, exposed["resistivity_ohm_m"])
    ratio = number("soil_over_footing_m") if line.lightning.assume_missing_soil else np.nan
    soil = np.where(np.isnan(known), ratio * footing, known) * soil_error
    strength = np.exp(_log_percent("strength") * random.standard_normal((draws, 1)))
    density = np.exp(density_u * random.standard_normal((draws, 1)))
    drawn = {
        "resistivity_ohm_m": soil,
        "strength_kv": exposed["strength_kv"].to_numpy(float) * strength,
        "flash_density": exposed["flash_density"].fillna(1.0).to_numpy(float) * density,
    }
    goal = np.minimum(footing, exposed["target_ohm"].to_numpy(float))
    trips, method = line.lightning.trip_outs_per_flashover, method_of(line)
    rates = [
        trips
        * tabulated_rates(geometry, physics_towers(exposed, ohm, **drawn), method).backflashovers_per_year
        for ohm in (footing, goal)
    ]
    now, aimed = rates
    # a footing drawn within its target is left as it is: the two differ by rounding only
    return Draws(now, np.where(goal < footing, aimed, now))


def _log_percent(name):
    """A relative standard uncertainty of the values table as one of the logarithm."""
    return np.log1p(number(f"{name}_percent") / 100)


def _footings(exposed, draws, seed):
    """Footings drawn: an error of its own at each tower, and one season for all."""
    drawable = (exposed["flaw"] == "") | (exposed["footing_ohm"].isna() & (exposed["lower_bound_ohm"] > 0))
    drawable = (drawable & (exposed["span_m"] > 0) & (exposed["target_ohm"] > 0)).to_numpy()
    columns = ["footing_low_ohm", "footing_ohm", "footing_high_ohm", "lower_bound_ohm"]
    low, value, high, bound = exposed[columns].to_numpy(float).T
    unread = ~(np.isfinite(value) & (low > 0))
    log_ohm = footing_draws(
        *(np.where(drawable, part, np.nan) for part in (low, value, high, bound)), draws=draws, seed=seed
    )
    read = drawable & ~unread
    own, season = _parts(np.log([low[read], value[read], high[read]]))
    random = np.random.default_rng([seed, 0])
    z_own, z_season = random.standard_normal((draws, read.sum())), random.standard_normal((draws, 1))
    log_ohm[:, read] = np.log(value[read]) + z_own * own + z_season * np.where(z_season < 0, *season)
    return np.exp(log_ohm)


def _parts(log_interval):
    """Standard deviations of an interval of a reading: of the instrument, and of the season down and up."""
    down, up = np.diff(log_interval, axis=0)
    instrument = np.minimum(np.log1p(number("operating_uncertainty_percent") / 100), np.minimum(down, up))
    season = [np.sqrt(np.maximum(side**2 - instrument**2, 0)) / TWO_SIDED for side in (down, up)]
    return instrument / TWO_SIDED, season


def ends(drawn: np.ndarray, axis: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Both ends of the interval over the draws.

    Parameters
    ----------
    drawn : array
        Draws along `axis`.
    axis : int

    Returns
    -------
    low, high : array
        NaN where nothing was drawn. They hold 80 % of the draws between them.
    """
    tail = (1 - number("trip_out_band_coverage")) / 2
    return tuple(np.quantile(drawn, [tail, 1 - tail], axis=axis))


def chance_worst_tenth(avoided: np.ndarray) -> np.ndarray:
    """Probability of each tower to be in the tenth where treatment avoids most.

    Parameters
    ----------
    avoided : array, shape (draws, n)
        NaN in the column of a tower that was not drawn.

    Returns
    -------
    array, shape (n,)

    Examples
    --------
    >>> chance_worst_tenth(np.array([[1.0, 2.0, np.nan], [3.0, 2.0, np.nan]])).tolist()
    [0.5, 0.5, nan]
    """
    drawn = np.isfinite(avoided).all(axis=0)
    chance = np.full(avoided.shape[1], np.nan)
    if drawn.any():
        chance[drawn] = rank_chances(ordered_ranks(avoided[:, drawn])).chance_worst_tenth
    saves = (avoided > 0).any(axis=0)
    return np.where(drawn & ~saves, 0.0, chance)


def line_sums(drawn: Draws, rated: np.ndarray, best: np.ndarray) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Intervals of trip_outs, avoided, avoided_worst_tenth of the line over all draws [1/year].

    `rated` towers count; `best` are the worst tenth by benefit.
    """
    sums = {
        "trip_outs": drawn.now[:, rated].sum(axis=1),
        "avoided": drawn.avoided[:, rated].sum(axis=1),
        "avoided_worst_tenth": drawn.avoided[:, rated & best].sum(axis=1),
    }
    return {name: ends(part) for name, part in sums.items()}
