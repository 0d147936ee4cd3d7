"""How sure the order of the towers is: intervals of footings and ranks, and ranks by leakage gap."""

import numpy as np
import pandas as pd

from towerlib.config import limits
from towerlib.config.sections import OFTEN_VISITED
from towerlib.months import last_day
from towerlib.physics.statistics import SEED, rank_intervals
from towerlib.readings import season, sweep, trends
from towerlib.readings.methods import FOOTING_ALONE, bound
from towerlib.values import number

CONFIDENCES = ("sure", "likely", "open")
ALONE = "legs alone"  # the class of the leg currents in which a gap can speak of the bond
TOO_SMALL, UNKNOWN = "too small to judge", "gap unknown"
COMPARABLE = (ALONE, TOO_SMALL)  # gaps that a ring or another path to earth does not make


def footing_interval(visits, instrument_percent=None, *, season_low=1.0, season_high=1.0):
    """Interval in which the footing lies, by what the instrument, the season and the method leave open.

    Parameters
    ----------
    visits : pandas.DataFrame
        Readings: method, impedance_ohm [Ω] and, where there is one, impedance_ohm_bound ("<", ">", "").
    instrument_percent : float or pandas.Series, optional
        Two-sided limit of the operating uncertainty [%]; else ``operating_uncertainty_percent``.
    season_low, season_high : float or pandas.Series
        Lowest and highest value through the year over the reading, as `towerlib.readings.season.band` has it.

    Returns
    -------
    pandas.DataFrame
        One row a reading, same index: footing_low_ohm, footing_high_ohm. A reading without coils, or beyond
        the range, is a lower bound without high end; one below the range has no low end.

    Notes
    -----
    Both parts are independent factors, so their logarithms add in squares on either side of the reading:
    high = R·exp(√(ln²(1 + u) + ln² s_high)), low likewise with s_low. The band never corrects: the reading
    stays inside it.

    References
    ----------
    JCGM 100:2008, 5.1.2, law of propagation; IEC 61557-5 for the instrument (from memory).

    Examples
    --------
    >>> visits = pd.DataFrame({"method": ["leg coils"], "impedance_ohm": [10.0]})
    >>> print(footing_interval(visits, 30, season_high=1.5).round(2).to_string(index=False))
     footing_low_ohm  footing_high_ohm
                7.69             16.21
    """
    percent = number("operating_uncertainty_percent") if instrument_percent is None else instrument_percent
    read, instrument = visits["impedance_ohm"], np.log1p(np.asarray(percent, float) / 100)
    down = np.hypot(instrument, np.log(np.minimum(season_low, 1.0)))
    up = np.hypot(instrument, np.log(np.maximum(season_high, 1.0)))
    beyond, below = (bound(visits) == side for side in "><")
    least = ~visits["method"].isin(FOOTING_ALONE) | beyond
    low, high = (read * np.exp(-down)).mask(below, 0.0), (read * np.exp(up)).mask(least, np.inf)
    return pd.DataFrame({"footing_low_ohm": low, "footing_high_ohm": high.where(read.notna())})


def footing_ranks(condition, seed=SEED, *, draws=1000, untested=False):
    """Rank of each tower by footing impedance, and how sure it is.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower: footing_ohm, footing_low_ohm, footing_high_ohm, lower_bound_ohm [Ω].
    seed, draws, untested
        As for `towerlib.physics.statistics.rank_intervals`.

    Returns
    -------
    pandas.DataFrame
        One row a tower, same index: impedance_rank among the readings of the footing alone (1 worst, blank
        without one); rank_low, rank_high among all towers drawn; chance_worst_ten, chance_worst_tenth;
        rank_confidence ("sure", "likely", "open").

    Notes
    -----
    Towers known by a lower bound are drawn beyond it and take part, so rank_low and rank_high may lie behind
    impedance_rank where there are many. rank_confidence says whether the tower belongs to the worst tenth of
    the line or not: "sure" from 95 % of the draws on, "likely" from 80 %, else "open", where a further test
    is worth most.

    Examples
    --------
    >>> towers = pd.DataFrame({"footing_ohm": [10.0, 30.0], "footing_low_ohm": [9.0, 28.0]})
    >>> towers = towers.assign(footing_high_ohm=[11.0, 32.0], lower_bound_ohm=np.nan)
    >>> footing_ranks(towers)[["impedance_rank", "chance_worst_tenth", "rank_confidence"]].values.tolist()
    [[2, 0.0, 'sure'], [1, 1.0, 'sure']]
    """
    columns = ("footing_low_ohm", "footing_ohm", "footing_high_ohm", "lower_bound_ohm")
    found = rank_intervals(
        *(condition[name].to_numpy(float) for name in columns), draws=draws, seed=seed, untested=untested
    )
    chance = np.maximum(found.chance_worst_tenth, 1 - found.chance_worst_tenth)
    words = np.select(
        [chance >= number("rank_sure"), chance >= number("rank_likely")], CONFIDENCES[:2], "open"
    )
    ranks = pd.DataFrame(vars(found), index=condition.index).astype(
        {"rank_low": "Int64", "rank_high": "Int64"}
    )
    ranks.insert(0, "impedance_rank", _ranked(condition["footing_ohm"]))
    return ranks.assign(rank_confidence=pd.array(words, dtype="str"))


def gap_ranks(currents):
    """Rank of each tower by leakage gap and low total, within the towers that compare with it.

    Parameters
    ----------
    currents : pandas.DataFrame
        One row a tower: the row of `towerlib.readings.leg_currents.summarise` that stands for it. Of it are used
        tower_id, peer_class, large_enough, leakage_total_ma, gap_ma, gap_fraction, gap_fraction_low,
        peer_total_ma, total_vs_line, rise_vs_line.

    Returns
    -------
    pandas.DataFrame
        One row a tower, same index: gap_ma and leakage_total_ma as read [mA]; gap_score; gap_class;
        gap_class_rank, 1 the most suspect of that class; gap_rank, the same through "legs alone" and "too
        small to judge" together, blank outside.

    Raises
    ------
    ValueError
        A tower stands in two rows.

    Notes
    -----
    gap = arithmetic sum of the leg currents − their vector total: an indicator, not a fault.
    score = lower bound of gap/sum − w·ln(total/median total of the peers), w = ``gap_low_total_weight``. The
    second part counts where the total is low among the peers (robust z up to ``low_total_z``) and a high
    footing does not explain it. Equal scores stand in the order of the same sum with neither part held back.
    A lost bond makes the fraction wide and the total low; the gap in mA is shown but tells least of all.
    Classes of their own: a ring or another path to earth; no bonded wire by design; sums too small for the
    coils, whose fraction counts for nothing, so that only the low total ranks them. That last class clears
    no tower, and stands in gap_rank: most open bonds end in it. The injected test decides, where there is one.

    Examples
    --------
    >>> towers = pd.DataFrame({"tower_id": ["1", "2"], "leakage_total_ma": [100.0, 20.0]})
    >>> towers = towers.assign(gap_ma=[0.0, 80.0], gap_fraction=[0.0, 0.8], gap_fraction_low=[0.0, 0.7])
    >>> towers = towers.assign(peer_total_ma=100.0)
    >>> towers = towers.assign(total_vs_line=[0.0, -2.5], rise_vs_line=np.nan, large_enough=True)
    >>> gap_ranks(towers.assign(peer_class="legs alone"))[["gap_score", "gap_rank"]].round(2).values.tolist()
    [[0.0, 2], [0.94, 1]]
    """
    if (again := currents["tower_id"].duplicated()).any():
        twice = currents.loc[again, "tower_id"].iloc[0]
        raise ValueError(f"tower {twice} stands in two rows; keep the visit that stands")
    gap_class, low_total = _gap_class(currents), _low_total(currents)
    limit, known = number("low_total_z"), gap_class != UNKNOWN
    low = (currents["total_vs_line"] <= limit) & ~(currents["rise_vs_line"] > limit)
    score = (currents["gap_fraction_low"].fillna(0.0) + low_total.where(low, 0.0)).where(known)
    unheld = (currents["gap_fraction"].fillna(0.0) + low_total).where(known)
    order = score.round(9).rank(method="dense") + unheld.rank(pct=True) / 2
    within = order.groupby(gap_class).rank(ascending=False, method="min").astype("Int64")
    ranks = currents[["gap_ma", "leakage_total_ma"]].assign(gap_score=score, gap_class=gap_class)
    return ranks.assign(gap_class_rank=within, gap_rank=_ranked(order.where(gap_class.isin(COMPARABLE))))


def _gap_class(currents):
    """Towers whose gaps compare: those of one kind of paths to earth, and readings that tell too little."""
    small = ~currents["large_enough"].fillna(True).astype(bool) & (currents["peer_class"] == ALONE)
    kinds = np.select([currents["gap_ma"].isna(), small], [UNKNOWN, TOO_SMALL], currents["peer_class"])
    return pd.Series(kinds, currents.index, dtype="str")


def _low_total(currents):
    """How low a total lies under its peers, weighed; 0 without peers. A total of 0 counts as half a step."""
    total_ma = currents["leakage_total_ma"].clip(lower=number("coil_step_ma") / 2)
    return -number("gap_low_total_weight") * np.log(total_ma / currents["peer_total_ma"]).fillna(0.0)


def _ranked(column):
    """Rank, 1 the highest; ties share the better rank."""
    return column.rank(ascending=False, method="min").astype("Int64")


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
        What the leg currents of each visit say, as `towerlib.readings.leg_currents.summarise` gives it.
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
    ranks = footing_ranks(table)
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
    interval = footing_interval(
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
    scored = gap_ranks(stands.reset_index())
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
    """What comparable readings of each tower say over the years, as `towerlib.readings.trends` has it."""
    works, line = records.works[records.works["date"] <= end], records.line
    told = trends.history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons)
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


COLUMNS = """
    tower_id chainage_km latitude_deg longitude_deg access reason last_ohm last_date due_date what_to_do
""".split()
WITH_COILS = "Put coils round all legs, with every path to earth inside a coil."


def retest_list(condition, grades, line, month):
    """Towers to test again, in route order.

    Parameters
    ----------
    condition : pandas.DataFrame
        One row a tower, as `towerlib.condition.assess` gives it.
    grades : Grades
        Visits with verdicts, and the rules that they failed.
    line : Line
        Its `retest` section holds the intervals.
    month : str
        ``YYYY-MM``; a test due by its last day is overdue.

    Returns
    -------
    pandas.DataFrame
        One row a tower without a usable reading of the footing alone, or overdue; columns as in `COLUMNS`.
        `what_to_do` repeats what the rules said of the newest visit that was not fully usable.

    Notes
    -----
    The interval is a rule a tower: short where the last value is above the limit or people are often there,
    long elsewhere.
    """
    end = last_day(month)
    due = condition["footing_date"] + _interval(condition, line)
    unread = condition["footing_ohm"].isna()
    overdue = ~unread & (due <= end)
    listed = condition.assign(
        reason=np.select(
            [
                condition["verdict"] == "not tested",
                condition["lower_bound_ohm"].notna() & unread,
                unread,
                overdue,
            ],
            ["never tested", "only read without coils", "no usable reading", "overdue"],
            default="",
        ),
        last_ohm=condition["footing_ohm"].fillna(condition["lower_bound_ohm"]),
        last_date=condition["footing_date"],
        due_date=due,
        what_to_do=_advice(condition, grades.visits[grades.visits["date"] <= end], grades.findings),
    )
    return listed.loc[unread | overdue, COLUMNS].reset_index(drop=True)


def _interval(condition, line):
    """Time between two tests of each tower."""
    close = (condition["impedance_class"] == "above limit") | condition["occupancy"].isin(OFTEN_VISITED)
    years = np.where(close, line.retest.close_years, line.retest.normal_years)
    return pd.to_timedelta(np.round(years * number("days_per_year")), unit="D")


def _advice(condition, visits, findings):
    """What the newest visit of each tower asks for, in the words of the rules; else how to test at all."""
    newest = visits.sort_values("date", kind="stable").drop_duplicates("tower_id", keep="last")
    told = findings[findings["visit_id"].isin(newest["visit_id"])]
    words = told.groupby("tower_id")["sentence"].agg(" ".join)
    return condition["tower_id"].map(words).astype("str").fillna(WITH_COILS)
