"""Condition of every tower as of a month: footing, leakage gap, changes over time, ranks, and what to test again."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from scipy.special import ndtri

from towerlib.config import limits
from towerlib.config.sections import OFTEN_VISITED
from towerlib.months import last_day
from towerlib.physics.statistics import SEED, rank_intervals
from towerlib.readings import probe_field, season, standing, sweep, trends
from towerlib.readings.methods import FOOTING_ALONE, bound
from towerlib.values import number

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from towerlib.config import Line
    from towerlib.config.sections import Seasons
    from towerlib.readings.quality import Grades
    from towerlib.records.load import Records
    from towerlib.route import Route

GOOD, ACCEPTABLE, ABOVE_LIMIT = "good", "acceptable", "above limit"
LOWER_LIMIT_ONLY, NOT_TESTED = "lower limit only", "not tested"
UPPER_LIMIT_ONLY = "upper limit only"
ABOVE_BY_LOWER_LIMIT = "above limit, lower limit only"
CLASSES = (
    *(NOT_TESTED, GOOD, ACCEPTABLE, UPPER_LIMIT_ONLY, LOWER_LIMIT_ONLY),
    *(ABOVE_LIMIT, ABOVE_BY_LOWER_LIMIT),
)
CONFIDENCES = ("sure", "likely", "open")
ALONE = "legs alone"  # the class of the leg currents in which a gap can speak of the bond
TOO_SMALL, UNKNOWN = "too small to judge", "gap unknown"
COMPARABLE = (ALONE, TOO_SMALL)  # gaps that a ring or another path to earth does not make
REGISTER = ["structure", "ring", "shield_wire", "soil_resistivity_ohm_m", "occupancy", "access"]
OVER_TIME = [
    *("jump_verdict", "jump_percent", "trend_percent_per_year", "trend_low_percent_per_year"),
    *("trend_high_percent_per_year", "works_verdict", "history_reason"),
]
SWEEP = ["sweep_date", "sweep_shape", "sweep_reactance_sign", "sweep_screening", "sweep_agrees"]
RANKS = [
    "impedance_rank",
    "rank_low",
    "rank_high",
    "chance_worst_ten",
    "chance_worst_tenth",
    "rank_confidence",
]


def assess(
    records: Records, grades: Grades, currents: pd.DataFrame, route: Route, month: str
) -> pd.DataFrame:
    """Condition of every tower as of the last day of a month, one row per tower in route order.

    Parameters
    ----------
    records
        Tables of the line.
    grades
        Its visits with their verdicts.
    currents
        Leg currents of each visit, as `towerlib.readings.leg_currents.summarise` gives them.
    route
        Its towers in route order.
    month
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        - place: tower_id, chainage_km, latitude_deg, longitude_deg, structure, ring, access, occupancy;
        - footing: verdict, footing_ohm, footing_low_ohm, footing_high_ohm, footing_date, footing_age_days,
          footing_visit_id, upper_limit_only, lower_bound_ohm, target_ohm, limit_ohm, limit_rule, impedance_class, impedance_rank,
          rank_low, rank_high, chance_worst_ten, chance_worst_tenth, rank_confidence;
        - leakage: leakage_sum_ma, leakage_total_ma, gap_ma, gap_z, gap_fraction, gap_fraction_low,
          leakage_date, gap_rank, bond_suspicion_rank; leg_share_lambda, suspected_cause and evidence of the newest visit with leg
          readings, whatever their verdict: some causes are flaws of the readings themselves;
        - over time, of comparable readings: jump_verdict, jump_percent, trend_percent_per_year with its 95 %
          interval trend_low_percent_per_year to trend_high_percent_per_year, works_verdict, and history_reason,
          why there is no jump or no trend;
        - newest sweep, of the footing alone if there is one: sweep_date, sweep_shape, sweep_reactance_sign,
          sweep_screening, sweep_agrees (with the reading at one frequency; blank where they cannot be compared);
        - seen by the crew: leads_missing, corrosion, bond_seen.

    Notes
    -----
    `towerlib.readings.standing` decides which reading is in force: the newest usable one whose method sees the
    footing alone. A reading without coils is a lower limit (the line in parallel can only lower it) and is never
    used as the value. A reading with coils where earth paths lie beside them is an upper limit
    (``upper_limit_only``): its interval reaches down to what was read without coils. gap = arithmetic sum of the leg
    currents − their vector total, in service; it is an indicator, not a fault. Towers whose legs a ring joins carry
    circulating currents, so they are not ranked by gap. The interval of a footing holds instrument, season and probes;
    the reading itself is never corrected.
    """
    end = last_day(month)
    visits = cast("pd.DataFrame", grades.visits[grades.visits["date"] <= end])
    towers = _places(records, route)
    read = cast("pd.DataFrame", currents[currents["visit_id"].isin(cast("pd.Series", visits["visit_id"]))])
    parts = [
        _footing(visits, records.towers, end, records.line.seasons),
        _lower_limit(visits),
        _leakage(visits, read),
        _cause(visits, read),
        _over_time(records, visits, end),
        _sweep(records, visits),
        _seen(visits),
    ]
    table = towers.join(pd.concat(parts, axis=1), on="tower_id", validate="1:1")
    verdict = table["verdict"].fillna(table["bound_verdict"])
    visited = table["tower_id"].isin(cast("pd.Series", visits["tower_id"]))
    unread = pd.Series(np.where(visited, standing.REFUSED, NOT_TESTED), table.index)
    table["verdict"] = verdict.fillna(unread)
    table = table.drop(columns="bound_verdict")
    table = table.join(limits.apply(table, records.line, records.limit_rules))
    table["upper_limit_only"] = table["upper_limit_only"].eq(True)
    figures = (table[name] for name in ("footing_ohm", "lower_bound_ohm", "target_ohm", "limit_ohm"))
    found = impedance_class(*figures, upper_limit_only=table["upper_limit_only"])
    classes = pd.Series(found, table.index, dtype="str")
    ranks = footing_ranks(table)
    return table.assign(impedance_class=classes, **{name: ranks[name] for name in RANKS})


def _places(records, route):
    """Place and register of each tower, in route order."""
    register = records.towers[["tower_id", *REGISTER]]
    placed = route.towers[["tower_id", "chainage_m", "latitude_deg", "longitude_deg"]]
    towers = pd.DataFrame(placed).merge(register, on="tower_id", validate="1:1")
    towers.insert(1, "chainage_km", towers.pop("chainage_m") / 1000)
    return towers


def _footing(visits, towers, end, seasons):
    """The reading of the footing alone in force at each tower, with its interval."""
    read = standing.in_force(standing.footings(visits), "footing_verdict")
    least = standing.in_force(standing.lower_limits(visits), "footing_verdict")["impedance_ohm"]
    readings = read.reset_index()
    interval = reading_intervals(readings, towers, seasons, readings["tower_id"].map(least)).set_axis(
        read.index
    )
    return pd.DataFrame(
        {
            "verdict": read["footing_verdict"],
            "footing_ohm": read["impedance_ohm"],
            "footing_low_ohm": interval["footing_low_ohm"],
            "footing_high_ohm": interval["footing_high_ohm"],
            "footing_date": read["date"],
            "footing_age_days": (end - read["date"]).dt.days,
            "footing_visit_id": read["visit_id"],
            "upper_limit_only": standing.upper_limits(read),
        }
    )


def _lower_limit(visits):
    """The lower limit of each footing that readings without coils, or beyond the range, leave certain."""
    read = standing.in_force(standing.lower_limits(visits), "footing_verdict")
    return pd.DataFrame({"lower_bound_ohm": read["impedance_ohm"], "bound_verdict": read["footing_verdict"]})


def _leakage(visits, currents):
    """The newest leg currents of each tower with their vector total, and its rank by gap."""
    read = standing.in_force(standing.gaps(visits, currents), "leakage_verdict")
    scored = gap_ranks(read.reset_index())
    kept = ["leakage_sum_ma", "leakage_total_ma", "gap_ma", "gap_z", "gap_fraction_low"]
    return read[kept].assign(
        gap_fraction=read["gap_of_sum"],
        gap_rank=scored["gap_rank"].set_axis(read.index),
        leakage_date=read["date"],
    )


def _cause(visits, currents):
    """Suspected cause by the newest visit with leg readings."""
    found = ["leg_share_lambda", "suspected_cause", "evidence"]
    read = visits[["visit_id", "tower_id", "date", "leakage_verdict"]].merge(
        currents[["visit_id", *found]], on="visit_id", validate="1:1"
    )
    newest = standing.in_force(read, "leakage_verdict")
    ranks = bond_suspicion_ranks(_bond_evidence(visits, currents))
    return newest[found].assign(cause_date=newest["date"], bond_suspicion_rank=ranks)


def _bond_evidence(visits, currents):
    """Newest total and newest share of each tower that the quality rules do not refuse, as `bond_suspicion_ranks` takes it."""
    of_total = ["peer_class", "leakage_total_ma", "peer_total_ma", "gap_fraction_low"]
    read = visits[["visit_id", "tower_id", "date", "leakage_verdict"]].merge(
        currents[["visit_id", *of_total, "leg_share_lambda"]], on="visit_id", validate="1:1"
    )
    read = read[read["leakage_verdict"] != standing.REFUSED]
    total, share = (
        standing.in_force(read[read[name].notna()], "leakage_verdict")
        for name in ("leakage_total_ma", "leg_share_lambda")
    )
    table = total[[*of_total, "date"]].join(
        share[["leg_share_lambda", "date"]].add_suffix("_of_share"), how="outer"
    )
    table["leg_share_lambda"] = table.pop("leg_share_lambda_of_share")
    # An older share clears no newer total: the bond may have parted since.
    clears = (table["leg_share_lambda"] < number("leg_share_suspect")) & (
        table["date_of_share"] < table["date"]
    )
    table["leg_share_lambda"] = table["leg_share_lambda"].mask(clears)
    table["peer_class"] = table["peer_class"].fillna(share["peer_class"])
    line_ma = table["leakage_total_ma"].median()
    table["peer_total_ma"] = table["peer_total_ma"].fillna(line_ma)
    return table.reset_index().set_index("tower_id", drop=False)


def _over_time(records, visits, end):
    """Changes between comparable readings of each tower, as `towerlib.readings.trends` finds them."""
    works, line = cast("pd.DataFrame", records.works[records.works["date"] <= end]), records.line
    found = trends.history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons)
    return found.rename(columns={"reason": "history_reason"}).set_index("tower_id")[OVER_TIME]


def _sweep(records, visits):
    """The newest sweep of each tower that was not refused: of the footing alone if there is one."""
    kept = cast("pd.DataFrame", visits[visits["footing_verdict"] != standing.REFUSED])
    shapes = sweep.summarise(kept, records.sweeps, records.line.frequency_hz)
    order = shapes.assign(alone=shapes["sees"] == "footing alone").sort_values(
        ["alone", "date"], kind="stable"
    )
    newest = (
        order.drop_duplicates("tower_id", keep="last")
        .rename(columns={"single_agrees": "agrees"})
        .set_index("tower_id")
        .add_prefix("sweep_")
    )
    return newest[SWEEP]


def _seen(visits):
    """Leads, corrosion and bond as the newest visit that looked saw them, whatever its readings are worth."""
    ordered = visits.sort_values("date", kind="stable")
    return ordered.groupby("tower_id")[["leads_missing", "corrosion", "bond_seen"]].last()


def impedance_class(
    footing_ohm: ArrayLike,
    lower_limit_ohm: ArrayLike,
    target_ohm: ArrayLike,
    limit_ohm: ArrayLike,
    *,
    by_lower_limit: bool = False,
    upper_limit_only: ArrayLike = False,
) -> np.ndarray:
    """Class of each footing: ``good``, ``acceptable``, ``above limit``, one known by a limit only, or ``not tested``.

    `footing_ohm` is the reading of the footing alone, `lower_limit_ohm` the one by other readings, which counts where
    there is no reading; `target_ohm` good up to, `limit_ohm` acceptable up to; all [Ω], NaN where there is none. A
    lower limit above `limit_ohm` is enough for ``above limit`` (with `by_lower_limit`: `ABOVE_BY_LOWER_LIMIT`); one
    within it shows nothing (`LOWER_LIMIT_ONLY`). Where `upper_limit_only`, `footing_ohm` is an upper limit: within target or
    limit it is enough for their class, above them it shows nothing (`UPPER_LIMIT_ONLY`), and the lower limit counts.

    >>> nan = float("nan")
    >>> impedance_class([3.0, 8.0, 20.0, nan, nan], [nan, nan, nan, 16.0, nan], 5.0, 15.0).tolist()
    ['good', 'acceptable', 'above limit', 'above limit', 'not tested']
    """
    footing, lower = (np.asarray(ohm, float) for ohm in (footing_ohm, lower_limit_ohm))
    target, limit = (np.asarray(ohm, float) for ohm in (target_ohm, limit_ohm))
    read = ~np.isnan(footing)
    upper = read & np.asarray(upper_limit_only, bool)
    known = read & ~upper
    least = np.where(known, footing, lower)
    above = (least > limit) & ~(upper & (footing <= limit))
    return np.select(
        [above & ~known, above, footing <= target, upper & (footing > limit), read, ~np.isnan(least)],
        [
            ABOVE_BY_LOWER_LIMIT if by_lower_limit else ABOVE_LIMIT,
            ABOVE_LIMIT,
            GOOD,
            UPPER_LIMIT_ONLY,
            ACCEPTABLE,
            LOWER_LIMIT_ONLY,
        ],
        default=NOT_TESTED,
    )


def reading_intervals(
    readings: pd.DataFrame, towers: pd.DataFrame, seasons: Seasons, lower_limit_ohm: pd.Series | None = None
) -> pd.DataFrame:
    """Interval of each reading of the footing alone, by instrument, season, probes and earth paths beside the coils.

    Parameters
    ----------
    readings
        tower_id, date, method, impedance_ohm [Ω], soil_state; where there are any, impedance_ohm_bound, latitude_deg,
        upper_limit_only, the places of the probes, and what shows the share of the legs (`towerlib.readings.probe_field`).
    towers
        tower_id and ring; leg_spacing_m [m] and shield_wire where there are any.
    seasons
        Ratios of ``[seasons]`` in ``line.toml``.
    lower_limit_ohm
        Lower limit of the footing by other visits [Ω], in the index of `readings`.

    Returns
    -------
    pandas.DataFrame
        footing_low_ohm and footing_high_ohm in the index of `readings`, as `footing_interval` gives them. An upper limit
        reaches down to the reading without coils of the same visit, else to `lower_limit_ohm`, else to the reading over
        ``beside_coils_factor``.
    """
    ring = cast("pd.Series", towers.set_index("tower_id")["ring"].reindex(readings["tower_id"]))
    factors = season.factors(season.class_of_season(readings), ring.set_axis(readings.index), seasons)
    low, high = (cast("pd.Series", factors[f"season_{end}_factor"]) for end in ("low", "high"))
    field = probe_field.read_over_true(readings, towers)
    found = footing_interval(readings, season_low=low, season_high=high, probe_ratio=field)
    return _down_to_lower_limit(found, readings, lower_limit_ohm)


def _down_to_lower_limit(interval, readings, lower_limit_ohm):
    """The intervals, those of upper limits with the lower end that the readings without coils leave."""
    upper, reading = standing.upper_limits(readings), readings["impedance_ohm"]
    least = probe_field.leg_share(readings) * reading
    if lower_limit_ohm is not None:
        least = least.fillna(lower_limit_ohm)
    least = least.fillna(reading / number("beside_coils_factor"))
    down = np.minimum(least, interval["footing_low_ohm"])
    return interval.assign(footing_low_ohm=interval["footing_low_ohm"].mask(upper, down))


def footing_interval(
    visits: pd.DataFrame,
    instrument_percent: float | pd.Series | None = None,
    *,
    season_low: float | pd.Series = 1.0,
    season_high: float | pd.Series = 1.0,
    probe_ratio: float | pd.Series = 1.0,
) -> pd.DataFrame:
    """Interval in which 95 % of the footings lie: footing_low_ohm and footing_high_ohm, same index.

    Parameters
    ----------
    visits
        Readings: method, impedance_ohm [Ω] and, where there is one, impedance_ohm_bound ("<", ">", "").
    instrument_percent
        Two-sided limit of the operating uncertainty [%], else ``operating_uncertainty_percent``.
    season_low, season_high
        Factors of `towerlib.readings.season.factors`: the limits of the year.
    probe_ratio
        Reading over footing that the places of the probes let expect, as
        `towerlib.readings.probe_field.read_over_true` gives it; blank counts as 1.

    Returns
    -------
    pandas.DataFrame
        A reading without coils, or beyond the range, is a lower limit without high end; one below the range has no
        low end.

    Notes
    -----
    The parts are independent factors, so their logarithms add in squares on either side of the reading: high =
    R·exp(k·√(u_i² + u_s²)), low likewise, k = 1.96 for 95 %. Both sources are limits, no 95 % intervals, and practically
    every case lies within them: normal, with a third of the limit in logarithms as the standard uncertainty. For the
    operating uncertainty many influences would have to be at their worst together. For the season the tower would have to
    be the most changeable of several and both days the ends of its year. A predicted error of the probes moves the far
    end by what it predicts, with a part ``probe_error_part`` of it as the uncertainty of the prediction, and the near end
    no further than to the reading, which is never corrected.

    References
    ----------
    JCGM 100:2008, 4.3.9 note 1 (bounds of a normal law that hold 99.73 % are three standard deviations), 5.1.2
    (propagation); IEC 61557-5 for the instrument; all from memory.

    Examples
    --------
    >>> read = pd.DataFrame({"method": ["leg coils"], "impedance_ohm": [10.0]})
    >>> footing_interval(read, 30.0, season_high=1.5).round(2).to_numpy().tolist()
    [[8.42, 13.71]]
    """
    percent = number("operating_uncertainty_percent") if instrument_percent is None else instrument_percent
    cover = float(ndtri(0.5 + number("footing_interval_coverage") / 2))
    read, instrument = visits["impedance_ohm"], np.log1p(np.asarray(percent, float) / 100)
    down, up = (
        cover / 3 * np.hypot(instrument, np.log(ratio))
        for ratio in (np.minimum(season_low, 1.0), np.maximum(season_high, 1.0))
    )
    moved = -np.log(np.nan_to_num(np.asarray(probe_ratio, float), nan=1.0))
    part = number("probe_error_part") * moved
    down, up = np.maximum(np.hypot(down, part) - moved, 0.0), np.maximum(np.hypot(up, part) + moved, 0.0)
    beyond, below = (bound(visits) == side for side in "><")
    least = ~visits["method"].isin(FOOTING_ALONE) | beyond
    low, high = (read * np.exp(-down)).mask(below, 0.0), (read * np.exp(up)).mask(least, np.inf)
    return pd.DataFrame({"footing_low_ohm": low, "footing_high_ohm": high.where(read.notna())})


def footing_ranks(
    condition: pd.DataFrame, seed: int = SEED, *, draws: int = 1000, untested: bool = False
) -> pd.DataFrame:
    """Rank of each tower by footing impedance, with its interval and confidence, same index.

    Takes footing_ohm, footing_low_ohm, footing_high_ohm, lower_bound_ohm [Ω]; `seed`, `draws` and `untested` as for
    `towerlib.physics.statistics.rank_intervals`. Gives impedance_rank among the readings of the footing alone (1 worst,
    blank without one); rank_low and rank_high among all towers drawn; chance_worst_ten, chance_worst_tenth;
    rank_confidence: whether the tower belongs to the worst tenth of the line or not, "sure" from 95 % of the draws on,
    "likely" from 80 %, else "open", where a further test is worth most. Towers known by a lower limit only are drawn
    above it and take part; where there are many, rank_low and rank_high may lie behind impedance_rank. A tower is drawn
    about the middle of its interval, in logarithms. In the probabilities a part ``reading_astray`` of the readings says
    nothing of the footing and leaves the tower as likely among the worst as any. One known by an upper limit
    (``upper_limit_only``) has its impedance_rank by that middle.
    """
    columns = ("footing_low_ohm", "footing_ohm", "footing_high_ohm", "lower_bound_ohm")
    low, value, high, lower_limit = (condition[name].to_numpy(float) for name in columns)
    middle = np.where(low > 0, np.sqrt(low * high), value)
    read = np.where(standing.upper_limits(condition), middle, value)
    value = np.where(np.isnan(value), value, middle)
    found = rank_intervals(low, value, high, lower_limit, draws=draws, seed=seed, untested=untested)
    chances = {
        name: _astray(getattr(found, name), ~np.isnan(value))
        for name in ("chance_worst_ten", "chance_worst_tenth")
    }
    confidence = np.maximum(chances["chance_worst_tenth"], 1 - chances["chance_worst_tenth"])
    words = np.select(
        [confidence >= number("rank_sure"), confidence >= number("rank_likely")], CONFIDENCES[:2], "open"
    )
    ranks = pd.DataFrame(vars(found) | chances, index=condition.index).astype(
        {"rank_low": "Int64", "rank_high": "Int64"}
    )
    ranks.insert(0, "impedance_rank", _ranked(pd.Series(read, condition.index)))
    return ranks.assign(rank_confidence=pd.array(words, dtype="str"))


def _astray(chance, read):
    """Probability of being among the worst, with the part of the readings that say nothing of their footing."""
    part = number("reading_astray")
    known = chance[~np.isnan(chance)]
    return np.where(read, (1 - part) * chance + part * known.mean(), chance) if known.size else chance


def gap_ranks(currents: pd.DataFrame) -> pd.DataFrame:
    """Rank of each tower by its leakage gap, within the towers that compare with it; same index.

    `currents` has one row per tower (two raise ValueError): the row of `towerlib.readings.leg_currents.summarise` in
    force. Gives gap_ma and leakage_total_ma as read [mA]; gap_class; gap_class_rank, 1 the widest gap of that class;
    gap_rank, the same through "legs alone" and "too small to judge" together, blank outside.

    gap = arithmetic sum of the leg currents − their vector total: an indicator, not a fault. The lower confidence limit
    of gap over sum orders the towers, equal limits the fraction itself. A gap of 0 mA or less has no rank. A ring,
    another path to earth and no bonded wire by design are classes of their own. Sums too small for the coils have wide
    limits, and rank by them. `bond_suspicion_ranks` orders by what speaks of the bond.
    """
    _once(currents)
    gap_class = _gap_class(currents)
    gap_ma, sum_ma = currents["gap_ma"], currents["leakage_sum_ma"]
    fraction = currents["gap_fraction"].fillna(gap_ma / sum_ma.where(sum_ma > 0))
    small_low = (gap_ma - currents["gap_bias_ma"] - 2.0 * currents["gap_u_ma"]) / sum_ma.where(sum_ma > 0)
    low = currents["gap_fraction_low"].fillna(small_low).clip(lower=0.0).fillna(0.0)
    order = low.round(9).rank(method="dense") + fraction.rank(pct=True) / 2
    order = order.where((gap_class != UNKNOWN) & (gap_ma > 0))
    within = order.groupby(gap_class).rank(ascending=False, method="min").astype("Int64")
    ranks = currents[["gap_ma", "leakage_total_ma"]].assign(gap_class=gap_class)
    return ranks.assign(gap_class_rank=within, gap_rank=_ranked(order.where(gap_class.isin(COMPARABLE))))


def bond_suspicion_ranks(currents: pd.DataFrame, probability: pd.Series | None = None) -> pd.Series:
    """Rank of each tower by the suspicion that its bond is poor, 1 the strongest; same index.

    Parameters
    ----------
    currents
        One row per tower (two raise ValueError): tower_id, peer_class, leakage_total_ma and peer_total_ma [mA],
        gap_fraction_low, leg_share_lambda; of the newest readings.
    probability
        Probability of a poor bond by the network, same index: it goes before everything else where it is known.

    Returns
    -------
    pandas.Series
        Blank without total, share and probability, and where no shield wire is bonded by design.

    Notes
    -----
    The leg currents give a score: ``bond_share_weight``·(share − ``leg_share_suspect``) + ln(peers' median total/total)
    + lower limit of the gap fraction, the last where the legs alone lead to earth. Both totals are taken with the noise of
    a coil added. A share near 1 comes first: with an open bond all of the current runs into the legs. Next is a low total:
    an open bond lets next to nothing through, and few other states lower a total by a factor of ten. The injected test
    decides.
    """
    _once(currents)
    unbonded = currents["peer_class"] == "no bonded wire"
    noise_ma = number("coil_offset_ma") / np.sqrt(3.0)
    total_ma, peer_ma = (currents[name] + noise_ma for name in ("leakage_total_ma", "peer_total_ma"))
    by_share = number("bond_share_weight") * (currents["leg_share_lambda"] - number("leg_share_suspect"))
    wide = currents["gap_fraction_low"].where(currents["peer_class"] == ALONE)
    score = by_share.fillna(0.0) + np.log(peer_ma / total_ma).fillna(0.0) + wide.fillna(0.0)
    known = currents["leakage_total_ma"].notna() | currents["leg_share_lambda"].notna()
    if probability is not None:
        score = probability.rank(method="dense").fillna(0.0) + score.rank(pct=True) / 2
        known |= probability.notna()
    return _ranked(score.round(9).where(known & ~unbonded))


def _once(currents):
    """Refuse a tower in two rows."""
    if (again := currents["tower_id"].duplicated()).any():
        twice = currents.loc[again, "tower_id"].iloc[0]
        raise ValueError(f"tower {twice} has two rows; keep the visit that is in force")


def _gap_class(currents):
    """Towers whose gaps compare: those of one kind of paths to earth, and readings that show too little."""
    small = ~currents["large_enough"].fillna(True).astype(bool) & (currents["peer_class"] == ALONE)
    kinds = np.select([currents["gap_ma"].isna(), small], [UNKNOWN, TOO_SMALL], currents["peer_class"])
    return pd.Series(kinds, currents.index, dtype="str")


def _ranked(column):
    """Rank, 1 the highest; ties share the better rank."""
    return column.rank(ascending=False, method="min").astype("Int64")


COLUMNS = """
    tower_id chainage_km latitude_deg longitude_deg access reason last_ohm last_date due_date what_to_do
""".split()
WITH_COILS = "Put coils round all legs, with every path to earth inside a coil."


def retest_list(condition: pd.DataFrame, grades: Grades, line: Line, month: str) -> pd.DataFrame:
    """Towers without a usable reading of the footing alone, read beside other paths, or overdue; columns as in `COLUMNS`.

    In route order.
    A test due by the last day of the month (``YYYY-MM``) is overdue; the time between two tests is that of
    `retest_interval`. `what_to_do` repeats the sentences of the rules on the newest visit that was not fully usable.
    """
    end = last_day(month)
    above, often = condition["impedance_class"] == ABOVE_LIMIT, condition["occupancy"].isin(OFTEN_VISITED)
    due = condition["footing_date"] + retest_interval(above, often, line)
    unread = condition["footing_ohm"].isna()
    beside = condition["impedance_class"] == UPPER_LIMIT_ONLY
    overdue = ~unread & (due <= end)
    listed = condition.assign(
        reason=np.select(
            [
                condition["verdict"] == NOT_TESTED,
                condition["lower_bound_ohm"].notna() & unread,
                unread,
                beside,
                overdue,
            ],
            [
                *("never tested", "only read without coils", "no usable reading"),
                *("read beside other earth paths", "overdue"),
            ],
            default="",
        ),
        last_ohm=condition["footing_ohm"].fillna(condition["lower_bound_ohm"]),
        last_date=condition["footing_date"],
        due_date=due,
        what_to_do=_advice(condition, grades.visits[grades.visits["date"] <= end], grades.findings),
    )
    return listed.loc[unread | beside | overdue, COLUMNS].reset_index(drop=True)


def retest_interval(above_limit: ArrayLike, often_visited: ArrayLike, line: Line) -> np.ndarray:
    """Time between two tests of a tower, in whole days: short above the limit and where people often are, long elsewhere."""
    close = np.asarray(above_limit, bool) | np.asarray(often_visited, bool)
    years = np.where(close, line.retest.close_years, line.retest.normal_years)
    return np.round(years * number("days_per_year")).astype("timedelta64[D]").astype("timedelta64[ns]")


def _advice(condition, visits, findings):
    """Sentences of the rules on the newest visit of each tower; else how to test at all."""
    newest = visits.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    failed = findings[findings["visit_id"].isin(newest["visit_id"])]
    words = failed.groupby("tower_id")["sentence"].agg(" ".join)
    return condition["tower_id"].map(words).astype("str").fillna(WITH_COILS)
