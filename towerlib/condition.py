"""One row a tower: the reading that stands as of a month, its limit, and both ranks."""

import numpy as np
import pandas as pd

from towerlib import limits, ranking
from towerlib.months import last_day
from towerlib.readings import history, season, sweep
from towerlib.readings.methods import FOOTING_ALONE, bound

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


def assess(records, grades, currents, route, month):
    """The condition of every tower as of the last day of a month.

    Parameters
    ----------
    records : Records
        Tables of the line.
    grades : Grades
        Its visits with their verdicts.
    currents : pandas.DataFrame
        What the leg currents of each visit say, as `towerlib.readings.legs.summarise` gives it.
    route : Route
        Its towers in route order.
    month : str
        ``YYYY-MM``; later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        One row a tower in route order:

        - place: tower_id, chainage_km, latitude_deg, longitude_deg, structure, ring, access, occupancy;
        - footing: verdict, footing_ohm, footing_low_ohm, footing_high_ohm, footing_date, footing_age_days,
          footing_visit_id, lower_bound_ohm, target_ohm, limit_ohm, limit_rule, impedance_class, impedance_rank,
          rank_low, rank_high, chance_worst_ten, chance_worst_tenth, rank_confidence;
        - leakage: leakage_sum_ma, leakage_total_ma, gap_ma, gap_z, gap_fraction, gap_fraction_low,
          leakage_date, gap_rank; leg_share_lambda, suspected_cause and evidence of the newest visit with leg
          readings, whatever their verdict: a flaw of the readings is what some causes are about;
        - over time, of comparable readings: jump_verdict, jump_percent, trend_percent_per_year with its 95 % band
          trend_low_percent_per_year to trend_high_percent_per_year, works_verdict, and history_reason, why there
          is no jump or no trend;
        - newest sweep, of the footing alone if there is one: sweep_date, sweep_shape, sweep_reactance_sign,
          sweep_screening, sweep_agrees (with the reading at one frequency; blank where they cannot be compared);
        - seen by the crew: leads_missing, corrosion, bond_seen.

    Notes
    -----
    The reading that stands is that of the newest usable visit whose method sees the footing alone. A reading
    without coils is a lower bound (the line in parallel can only lower it) and never stands for the value.
    gap = arithmetic sum of the leg currents − their vector total, in service; it is an indicator, not a fault.
    Towers whose legs a ring joins carry circulating currents, so they are not ranked by gap. The interval of a
    footing holds the instrument and the season; the reading itself is never corrected.
    """
    end = last_day(month)
    visits = grades.visits[grades.visits["date"] <= end]
    towers = _places(records, route)
    read = currents[currents["visit_id"].isin(visits["visit_id"])]
    parts = [
        _footing(visits, towers, end, records.line.seasons),
        _lower_bound(visits),
        _leakage(visits, read),
        _cause(visits, read),
        _over_time(records, visits, end),
        _sweep(records, visits),
        _seen(visits),
    ]
    table = towers.join(pd.concat(parts, axis=1), on="tower_id", validate="1:1")
    verdict = table["verdict"].fillna(table["bound_verdict"])
    visited = table["tower_id"].isin(visits["tower_id"])
    table["verdict"] = verdict.fillna(pd.Series(np.where(visited, "not usable", "not tested"), table.index))
    table = table.drop(columns="bound_verdict")
    table = table.join(limits.apply(table, records.line, records.limit_rules))
    ranks = ranking.footing_ranks(table)
    return table.assign(impedance_class=_classes(table), **{name: ranks[name] for name in RANKS})


def _places(records, route):
    """Where each tower is and what it is, in route order."""
    register = records.towers[["tower_id", *REGISTER]]
    placed = route.towers[["tower_id", "chainage_m", "latitude_deg", "longitude_deg"]]
    towers = pd.DataFrame(placed).merge(register, on="tower_id", validate="1:1")
    towers.insert(1, "chainage_km", towers.pop("chainage_m") / 1000)
    return towers


def _newest(visits, verdict):
    """The newest visit of each tower; on one day the better verdict, then the one listed last."""
    usable = visits[verdict] == "usable"
    order = visits.assign(_usable=usable).sort_values(["date", "_usable"], kind="stable")
    return order.drop_duplicates("tower_id", keep="last").set_index("tower_id")


def _footing(visits, towers, end, seasons):
    """The reading of the footing alone that stands at each tower, with what instrument and season leave open."""
    sees = visits["method"].isin(FOOTING_ALONE) & (visits["footing_verdict"] != "not usable")
    read = visits["impedance_ohm"].notna() & (bound(visits) != ">")
    stands = _newest(visits[sees & read], "footing_verdict")
    ring = towers.set_index("tower_id")["ring"].reindex(stands.index)
    band = season.band(season.class_of_season(stands), ring, seasons)
    interval = ranking.footing_interval(
        stands, season_low=band["season_low_factor"], season_high=band["season_high_factor"]
    )
    return pd.DataFrame(
        {
            "verdict": stands["footing_verdict"],
            "footing_ohm": stands["impedance_ohm"],
            "footing_low_ohm": interval["footing_low_ohm"],
            "footing_high_ohm": interval["footing_high_ohm"],
            "footing_date": stands["date"],
            "footing_age_days": (end - stands["date"]).dt.days,
            "footing_visit_id": stands["visit_id"],
        }
    )


def _lower_bound(visits):
    """What readings without coils, or beyond the range, leave certain: the footing is at least this."""
    beyond = visits["method"].isin(FOOTING_ALONE) & (bound(visits) == ">")
    sees = ((visits["method"] == "no coils") & (bound(visits) != "<")) | beyond
    read = visits["impedance_ohm"].notna() & (visits["footing_verdict"] != "not usable")
    stands = _newest(visits[sees & read], "footing_verdict")
    return pd.DataFrame(
        {"lower_bound_ohm": stands["impedance_ohm"], "bound_verdict": stands["footing_verdict"]}
    )


def _leakage(visits, currents):
    """The newest leg currents of each tower with their vector total, and its rank by gap and low total."""
    read = visits[["visit_id", "date", "leakage_verdict"]].merge(
        currents, on="visit_id", suffixes=("", "_read")
    )
    complete = read["gap_ma"].notna() & (read["leakage_verdict"] != "not usable")
    stands = _newest(read[complete], "leakage_verdict")
    scored = ranking.gap_ranks(stands.reset_index())
    fraction = stands["gap_ma"] / stands["leakage_sum_ma"].where(stands["leakage_sum_ma"] > 0)
    kept = ["leakage_sum_ma", "leakage_total_ma", "gap_ma", "gap_z", "gap_fraction_low"]
    return stands[kept].assign(
        gap_fraction=fraction,
        gap_rank=scored["gap_rank"].set_axis(stands.index),
        leakage_date=stands["date"],
    )


def _cause(visits, currents):
    """What the newest visit with leg readings points to."""
    told = ["visit_id", "leg_share_lambda", "suspected_cause", "evidence"]
    read = visits[["visit_id", "tower_id", "date", "leakage_verdict"]].merge(
        currents[told], on="visit_id", validate="1:1"
    )
    stands = _newest(read, "leakage_verdict")
    return stands[["leg_share_lambda", "suspected_cause", "evidence"]].assign(cause_date=stands["date"])


def _over_time(records, visits, end):
    """What comparable readings of each tower say over the years, as `towerlib.readings.history` has it."""
    works, line = records.works[records.works["date"] <= end], records.line
    told = history.history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons)
    return told.rename(columns={"reason": "history_reason"}).set_index("tower_id")[OVER_TIME]


def _sweep(records, visits):
    """What the newest sweep of each tower says: of the footing alone if there is one, and not refused."""
    kept = visits[visits["footing_verdict"] != "not usable"]
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
    """What the newest visit that looked says of leads, corrosion and bond, whatever its readings are worth."""
    ordered = visits.sort_values("date", kind="stable")
    return ordered.groupby("tower_id")[["leads_missing", "corrosion", "bond_seen"]].last()


def _classes(table):
    """The class of each tower against target and limit; a lower bound above the limit is enough to be above it."""
    known = table["footing_ohm"]
    certain = known.fillna(table["lower_bound_ohm"])
    chosen = np.select(
        [certain > table["limit_ohm"], known <= table["target_ohm"], known.notna(), certain.notna()],
        ["above limit", "good", "acceptable", "lower bound only"],
        default="not tested",
    )
    return pd.Series(chosen, table.index, dtype="str")
