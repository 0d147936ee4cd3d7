"""Each visit against the line's other towers of its class, on that day or in that campaign."""

import numpy as np
import pandas as pd

from towerlib.readings.answers import no
from towerlib.values import number


def against_line(table, coils):
    """Robust z of ln total, sum and rise among the towers of the day, where too few of the campaign.

    Parameters
    ----------
    table : DataFrame
        Visits with ``date``, ``in_service``, ``peer_class``, ``footing_ohm``, ``leakage_total_ma``,
        ``leakage_sum_ma``.
    coils : CoilSpec
        What the coils promise: noise and display step count as spread.

    Returns
    -------
    dict of str to Series
        ``total_vs_line``, ``sum_vs_line``, ``rise_vs_line``; ``peer_count`` and ``peer_total_ma``, count and
        median total of the peers; ``peers``, "day" or "campaign". Blank where the peers are too few.

    Examples
    --------
    >>> from towerlib.physics.gaps import DEFAULT_COILS
    >>> visits = pd.DataFrame({"leakage_total_ma": [10.0, *[100.0] * 12], "leakage_sum_ma": 105.0})
    >>> visits = visits.assign(date=pd.Timestamp("2026-03-02"), in_service=True, footing_ohm=8.0)
    >>> found = against_line(visits.assign(peer_class="legs alone"), DEFAULT_COILS)
    >>> print(found["total_vs_line"][0] < -5, found["peer_total_ma"][0], found["peers"][0])
    True 100.0 day
    """
    days, served = table["date"].dt.normalize(), ~no(table["in_service"])
    least_ma = max(coils.step_ma / 2.0, 0.01)  # a logarithm of nothing has no value
    total_ma = table["leakage_total_ma"].where(served).clip(lower=least_ma)
    sum_ma = table["leakage_sum_ma"].where(served).clip(lower=least_ma)
    logs = np.log(pd.DataFrame({"total": total_ma, "sum": sum_ma, "rise": total_ma * table["footing_ohm"]}))
    day, campaign = (_robust_z(logs, [table["peer_class"], when], coils) for when in (days, _campaigns(days)))
    of_day = day["total_vs_line"].notna()
    found = day.where(of_day, campaign)
    known = found["total_vs_line"].notna()
    peers = pd.Series(np.where(of_day, "day", "campaign"), dtype="str").where(known)
    return {**dict(found.where(known)), "peers": peers}


def _campaigns(days):
    """Which campaign each day belongs to: a run of test days without a long pause."""
    ordered = pd.Series(days.dropna().unique()).sort_values()
    begins = ordered.diff().dt.days > number("campaign_gap_days")
    return days.map(pd.Series(begins.cumsum().to_numpy(), ordered.to_numpy()))


def _robust_z(logs, groups, coils):
    """Distance of each logarithm from its group's median in robust deviations; blank in a small group."""
    by_group = logs.groupby(groups)
    centre, count = by_group.transform("median"), by_group.transform("count")
    spread = 1.4826 * (logs - centre).abs().groupby(groups).transform("median")
    # The reading's own uncertainty keeps a handful of equal readings from making every other one stand out.
    own = (coils.noise_ma**2 + coils.step_ma**2 / 12.0) * np.exp(-2.0 * centre["total"]) + coils.gain_u**2
    z = (logs - centre) / np.sqrt((spread**2).add(own, axis=0))
    z = z.where(count >= number("peer_count_min")).add_suffix("_vs_line")
    return z.assign(peer_count=count["total"], peer_total_ma=np.exp(centre["total"]))
