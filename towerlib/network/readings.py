"""Which reading speaks of each tower's bond: an impedance without coils, else a share of the injected current."""

import numpy as np
import pandas as pd

from towerlib.network.ladder import Z_95
from towerlib.readings.answers import no
from towerlib.readings.methods import FOOTING_ALONE
from towerlib.values import number

IMPEDANCE, SHARE = "impedance", "share"
_VISIT = ["visit_id", "tower_id", "date", "method", "footing_verdict", "test_frequency_hz"]


def bond_readings(records, condition, currents, grades, end):
    """The reading of each tower that speaks of its bond.

    Parameters
    ----------
    records, condition, currents, grades : Records, DataFrame, DataFrame, Grades
        The line, as for `towerlib.network.assess`.
    end : pandas.Timestamp
        Later visits are not seen.

    Returns
    -------
    pandas.DataFrame
        One row a tower in the order of `condition`: bond_visit_id, bond_date, kind (``impedance``: the line
        in parallel was read without coils [Ω]; ``share``: of the injected current in the legs [1]), measured,
        measured_u (standard uncertainty of its logarithm), own_ohm and own_u (footing of the tower at that
        reading), outside_coils, other_share (of the same visit, by the currents), reason (why there is none).

    Notes
    -----
    The impedance without coils goes first: the footing hardly enters it, while a share stands or falls with
    the footing. Where an earth path lies outside the coils neither footing nor share is what it seems, so that
    only the impedance counts. Newest visit first; what is not usable stays out.
    """
    outside = records.towers.set_index("tower_id")["earth_paths_in_coils"].reindex(condition["tower_id"])
    outside = no(outside)
    visits = grades.visits[grades.visits["date"] <= end]
    share = currents[["visit_id", "leg_share_lambda", "leg_share_u"]]
    read = [*_VISIT, "impedance_ohm", "impedance_no_coils_ohm", "injected_ma", "legs_ma"]
    visits = visits[read].merge(share, on="visit_id", how="left", validate="1:1")
    candidates = _candidates(visits, outside)
    usable = candidates[candidates["footing_verdict"] != "not usable"]
    newest = usable.sort_values(["date", "first"], kind="stable").drop_duplicates("tower_id", keep="last")
    table = condition[["tower_id"]].merge(newest, on="tower_id", how="left", validate="1:1")
    seen = condition["tower_id"].isin(candidates["tower_id"]).to_numpy()
    told = np.where(seen, "its readings are not usable", "nothing was read that speaks of it")
    reason = np.where(table["kind"].isna(), told, "")
    reason = np.where(
        (reason == "") & ~(table["test_frequency_hz"] > 0), "the test frequency is not recorded", reason
    )
    return _with_footing(table, condition).assign(outside_coils=outside.to_numpy(), reason=reason)


def usual_frequency(grades, end, frequency_hz):
    """Test frequency of most visits of a line.

    Parameters
    ----------
    grades : Grades
        Its visits.
    end : pandas.Timestamp
        Later visits are not seen.
    frequency_hz : float
        Taken where no visit says [Hz].

    Returns
    -------
    float
        Frequency [Hz].
    """
    read = grades.visits.loc[grades.visits["date"] <= end, "test_frequency_hz"]
    common = read[read > 0].mode()
    return float(frequency_hz if common.empty else common.iloc[0])


def _candidates(visits, outside):
    """Every reading that speaks of a bond, one row each; `first` is 1 for an impedance."""
    alone = visits["method"].isin(FOOTING_ALONE)
    second = visits["impedance_no_coils_ohm"].where(alone)
    z_ohm = second.fillna(visits["impedance_ohm"].where(visits["method"] == "no coils"))
    reading_u = number("impedance_reading_percent") / 100 / np.sqrt(3)
    by_current = visits["legs_ma"].notna() & visits["injected_ma"].gt(0)
    lam = visits["leg_share_lambda"].where(by_current & (visits["leg_share_lambda"] > 0))
    shared = visits.assign(
        own_ohm=visits["impedance_ohm"].where(alone & (visits["impedance_ohm"] > 0)), other_share=lam
    )
    impedance = shared.assign(kind=IMPEDANCE, measured=z_ohm, measured_u=reading_u, first=1)
    share = shared.assign(kind=SHARE, measured=lam, measured_u=visits["leg_share_u"] / lam, first=0)
    share = share[~share["tower_id"].map(outside).fillna(False).astype(bool)]
    both = pd.concat([share[share["measured"] > 0], impedance[impedance["measured"] > 0]], ignore_index=True)
    kept = [*_VISIT, "kind", "measured", "measured_u", "own_ohm", "other_share", "first"]
    return both[kept]


def _with_footing(table, condition):
    """The footing of the same visit, else the one that stands; with its uncertainty."""
    instrument_u = np.log1p(number("operating_uncertainty_percent") / 100) / Z_95
    own = table["own_ohm"].to_numpy(float)
    stands = condition["footing_ohm"].where(condition["footing_ohm"] > 0).to_numpy(float)
    table = table.rename(columns={"visit_id": "bond_visit_id", "date": "bond_date"})
    return table.assign(
        own_ohm=np.where(np.isnan(own), stands, own), own_u=np.where(np.isnan(own), np.nan, instrument_u)
    ).drop(columns=["method", "footing_verdict", "first"])
