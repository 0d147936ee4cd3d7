"""Footings that changed from one reading to another, beyond the uncertainty of both."""

import numpy as np
import pandas as pd

from towerlib.changes.rows import rows
from towerlib.changes.sides import SPREAD
from towerlib.values import number


def footings(both, told):
    """Footings up or down.

    Parameters
    ----------
    both : pandas.DataFrame
        As `towerlib.changes.sides.beside` gives it.
    told : pandas.DataFrame
        What comparable readings say, as `towerlib.readings.history.history` has it.

    Returns
    -------
    list of pandas.DataFrame
        Rows of the kinds "worsened" and "improved".

    Notes
    -----
    Only where another reading stands now, and one no older. If it may be compared with an earlier one (method,
    frequency, season and set-up alike) that pair counts: z = Δln R/√(u₁² + u₂²), with the standard
    uncertainties of readings taken alike. Else the two readings that stand are set against each other, each
    with the standard deviation of its own interval on the side that faces the other. A change is one from
    ``jump_z`` on.

    References
    ----------
    JCGM 100:2008, 5.1.2, law of propagation (from memory).
    """
    change = footing_change(both, told)
    news = another_reading(both)
    found = [
        _footing_rows(kind, both[chosen], change[chosen])
        for kind, chosen in (
            ("worsened", news & (change["z"] >= number("jump_z"))),
            ("improved", news & (change["z"] <= -number("jump_z"))),
        )
    ]
    return found


def another_reading(both):
    """Towers at which another reading of the footing stands than before, and one no older.

    Parameters
    ----------
    both : pandas.DataFrame

    Returns
    -------
    pandas.Series of bool
    """
    known = both["footing_ohm_now"].notna() & both["footing_ohm_before"].notna()
    other = (both["footing_visit_id_now"] != both["footing_visit_id_before"]).fillna(False)
    return known & other & (both["footing_date_now"] >= both["footing_date_before"])


def footing_change(both, told):
    """The change of each footing between the readings that compare best.

    Parameters
    ----------
    both, told : pandas.DataFrame
        As for `footings`.

    Returns
    -------
    pandas.DataFrame
        Same index as `both`: before, after [Ω], uncertainty of their difference [Ω], z, alike (the pair was
        taken alike), date_before, date_after.
    """
    change = _by_interval(both)
    jump = told.set_index("tower_id").reindex(both["tower_id"]).set_axis(both.index)
    alike = jump["jump_z"].notna() & (jump["last_date"] == both["footing_date_now"].dt.normalize())
    one_campaign = (jump["last_date"] - jump["previous_date"]).dt.days <= number("campaign_gap_days")
    log_u = (
        np.log(jump["last_ohm"] / jump["previous_ohm"]) / jump["jump_z"].where(jump["jump_z"] != 0)
    ).abs()
    pair = pd.DataFrame(
        {
            "before": jump["previous_ohm"],
            "after": jump["last_ohm"],
            "uncertainty": log_u / np.sqrt(2.0) * np.hypot(jump["previous_ohm"], jump["last_ohm"]),
            "z": jump["jump_z"].mask(one_campaign, 0.0),  # two tests that disagree are no change
            "date_before": jump["previous_date"],
            "date_after": jump["last_date"],
        }
    )
    chosen = {name: pair[name].where(alike, change[name]) for name in pair}
    return pd.DataFrame(chosen).assign(alike=alike)


def _by_interval(both):
    """The change between the readings that stand, by the interval of each."""
    before, after = both["footing_ohm_before"], both["footing_ohm_now"]
    change = np.log(after / before)
    sides = [
        (
            np.log(both[f"footing_high_ohm_{end}"] / ohm),
            np.log(ohm / both[f"footing_low_ohm_{end}"].replace(0, np.nan)),
        )
        for end, ohm in (("before", before), ("now", after))
    ]
    (before_up, before_down), (after_up, after_down) = sides
    u_before = before_up.where(change > 0, before_down) / SPREAD
    u_after = after_down.where(change > 0, after_up) / SPREAD
    return pd.DataFrame(
        {
            "before": before,
            "after": after,
            "uncertainty": np.hypot(before * u_before, after * u_after),
            "z": change / np.hypot(u_before, u_after),
            "date_before": both["footing_date_before"],
            "date_after": both["footing_date_now"],
        }
    )


def _footing_rows(kind, towers, change):
    """Rows of footings that changed."""
    sentences = [
        f"Footing {'up' if row.z > 0 else 'down'} from {row.before:.3g} Ω ({row.date_before:%Y-%m-%d}) to "
        f"{row.after:.3g} Ω ({row.date_after:%Y-%m-%d}), {abs(row.z):.1f} standard uncertainties of "
        + (
            "two readings taken alike."
            if row.alike
            else "two readings not taken alike, each with its interval."
        )
        for row in change.itertuples()
    ]
    figures = change[["before", "after", "uncertainty", "z", "date_before", "date_after"]]
    return rows(
        kind,
        towers["tower_id"],
        sentences,
        quantity="footing impedance",
        unit="Ω",
        **figures.to_dict("series"),
    )
