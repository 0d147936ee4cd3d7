"""Both months of every tower that stands in both, side by side."""

from towerlib.changes import pairing
from towerlib.changes.frozen import NEEDED

SPREAD = 1.959963984540054  # an interval of 95 % reaches this many standard deviations to either side
READ = {  # what tells a reading of the leg currents: its date in the condition and its value; and what is wanted
    "gap": ("leakage_date", "gap_ma", ("gap_u_ma", "leakage_sum_ma", "peer_class")),
    "share": ("cause_date", "leg_share_lambda", ("leg_share_u",)),
}


def beside(now, before):
    """Towers of both months with what is known of each, in columns ``…_now`` and ``…_before``.

    Parameters
    ----------
    now, before : Snapshot

    Returns
    -------
    pandas.DataFrame, pandas.DataFrame
        Towers that stand in both months, one row each; and all pairs, as `towerlib.changes.pairing.pair` has
        them.
    """
    pairs = pairing.pair(now.condition, before.condition)
    both = pairs[pairs["tower_id"].notna() & pairs["earlier_id"].notna()].reset_index(drop=True)
    later, earlier = (_known(month).add_suffix(end) for month, end in ((now, "_now"), (before, "_before")))
    both = both.merge(later, left_on="tower_id", right_on="tower_id_now", validate="1:1")
    return both.merge(earlier, left_on="earlier_id", right_on="tower_id_before", validate="1:1"), pairs


def _known(month):
    """Condition, queue and the uncertainties of the leg currents of each tower."""
    table = month.condition[NEEDED["condition"]].merge(
        month.priority[NEEDED["priority"]], on="tower_id", validate="1:1"
    )
    for date, value, wanted in READ.values():
        keys = {"date": date, value: value}
        read = month.currents[["tower_id", *keys, *wanted]].dropna(subset=list(keys))
        read = read.drop_duplicates(["tower_id", *keys], keep="last").rename(columns=keys)
        table = table.assign(**{date: table[date].astype("datetime64[ns]")})
        read = read.assign(**{date: read[date].astype("datetime64[ns]")})
        left = table[["tower_id", date, value]]
        # keys may be blank in the condition: then there is no reading to find
        found = left.merge(read, on=["tower_id", date, value], how="left", validate="m:1")
        table = table.assign(**{name: found[name].to_numpy() for name in wanted})
    return table
