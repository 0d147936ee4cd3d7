"""How sure the order of the towers is: intervals of footings and ranks, and ranks by leakage gap."""

import numpy as np
import pandas as pd

from towerlib.physics.statistics import SEED, rank_intervals
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
        One row a tower: the row of `towerlib.readings.legs.summarise` that stands for it. Of it are used
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
