"""What became of treatments: verified, not enough, not verified, or without effect."""

import numpy as np
import pandas as pd

from towerlib.changes.pairing import earlier_names
from towerlib.changes.rows import KNOWN, NEWS, rows
from towerlib.months import last_day
from towerlib.readings.season import class_of_season
from towerlib.values import number

VERIFIED, PARTLY = "fixed and verified", "treated, still above limit"
OPEN, FAILED = "fixed not verified", "treatment did not work"


def treated(study, told, before, pairs):
    """Treated towers by what a test after the treatment shows.

    Parameters
    ----------
    study : Assessment
    told : pandas.DataFrame
        As `towerlib.readings.history.history` has it, of the same month.
    before : Snapshot or None
        The month before; None leaves `since` blank.
    pairs : pandas.DataFrame
        Names of both months, as `towerlib.changes.pairing.pair` gives them.

    Returns
    -------
    list of pandas.DataFrame
        Rows of four kinds; "fixed and verified" only where it is news, the others as long as they stand.

    Notes
    -----
    Readings before and after the last treatment, by one method and frequency: Δ = ln(after/before) with standard
    uncertainty u of both. Verified: Δ ≤ −3 u (``jump_z``) and the footing within its limit. Without effect: Δ − 2 u
    (``jump_doubt_z``) still lies above ln(1 − ``treatment_least_drop_percent``/100), so the least drop that is
    wanted of a treatment is ruled out; two seasons rarely rule it out. Everything between waits for a test.
    """
    table = told[told["works_date"].notna() & (told["works_date"] <= last_day(study.month))]
    limit = study.condition.set_index("tower_id")["limit_ohm"].reindex(table["tower_id"]).to_numpy()
    table = table.assign(limit_ohm=limit, change=np.log(table["after_works_ohm"] / table["before_works_ohm"]))
    table = table.assign(u=_uncertainty(table, study.grades.visits))
    table = table.assign(kind=_kinds(table), since=_since(table, before, pairs))
    told_now = (table["kind"] != VERIFIED) | (table["since"] != KNOWN)
    return [_rows(kind, part) for kind, part in table[told_now].groupby("kind", sort=False)]


def _uncertainty(table, visits):
    """Standard uncertainty of the logarithm of each change; without a change, that of two readings of a season."""
    u = (table["change"] / table["works_z"].where(table["works_z"] != 0)).abs()
    seasons = visits.assign(season=class_of_season(visits)).drop_duplicates(["tower_id", "date"], keep="last")
    seasons = seasons.set_index(["tower_id", "date"])["season"]
    early, late = (
        seasons.reindex(pd.MultiIndex.from_frame(table[["tower_id", f"{end}_works_date"]]))
        .astype("str")
        .fillna("unknown")
        for end in ("before", "after")
    )
    same = (early.to_numpy() == late.to_numpy()) & ~early.str.startswith("unknown").to_numpy(bool)
    own = (
        np.hypot(number("impedance_reading_percent") / np.sqrt(3.0), number("season_repeat_percent")) / 100.0
    )
    tied = pd.Series(np.where(same, np.sqrt(2.0) * own, np.inf), table.index)
    return u.fillna(tied.where(table["works_z"].notna()))


def _kinds(table):
    """The kind of each treated tower."""
    down = table["works_z"] <= -number("jump_z")
    least = np.log1p(-number("treatment_least_drop_percent") / 100.0)
    ruled_out = table["change"] - number("jump_doubt_z") * table["u"] > least
    above = table["after_works_ohm"] > table["limit_ohm"]
    kinds = np.select([down & ~above, down & above, ruled_out & ~down], [VERIFIED, PARTLY, FAILED], OPEN)
    return pd.Series(kinds, table.index, dtype="str")


def _since(table, before, pairs):
    """Whether the treatment, its test or its verdict is news against the month before."""
    if before is None:
        return pd.Series(None, table.index, dtype="str")
    was = before.condition.set_index("tower_id")["works_verdict"].astype("str")
    was = was.reindex(earlier_names(table["tower_id"], pairs)).fillna("")
    news = (table["works_date"] > before.end) | (table["after_works_date"] > before.end)
    news |= was.to_numpy() != table["works_verdict"].fillna("").to_numpy()
    return pd.Series(np.where(news, NEWS, KNOWN), table.index, dtype="str")


def _rows(kind, table):
    """Rows of one kind."""
    read = table["u"].notna() & np.isfinite(table["u"])
    u = table["u"].where(read) / np.sqrt(2.0) * np.hypot(table["before_works_ohm"], table["after_works_ohm"])
    return rows(
        kind,
        table["tower_id"],
        [_sentence(kind, tower) for tower in table.itertuples()],
        quantity="footing impedance over the treatment",
        unit="Ω",
        before=table["before_works_ohm"],
        after=table["after_works_ohm"],
        uncertainty=u,
        z=table["works_z"],
        state_after=table["works_treatment"],
        date_before=table["before_works_date"],
        date_after=table["after_works_date"],
        since=table["since"],
    )


def _sentence(kind, tower):
    """What the treatment brought, in words."""
    what = f"{tower.works_treatment or 'treatment'} of {tower.works_date:%Y-%m-%d}".capitalize()
    if pd.isna(tower.works_z):
        return f"{what}: no readings before and after it that compare; test again, set up as before it."
    figures = f"{what}: from {tower.before_works_ohm:.3g} Ω ({tower.before_works_date:%Y-%m-%d}) to "
    figures += f"{tower.after_works_ohm:.3g} Ω ({tower.after_works_date:%Y-%m-%d})"
    return (
        figures
        + {
            VERIFIED: f", within the limit of {tower.limit_ohm:.3g} Ω.",
            PARTLY: f", clearly down and still above the limit of {tower.limit_ohm:.3g} Ω.",
            FAILED: f"; a drop of {number('treatment_least_drop_percent'):.0f} % is ruled out.",
            OPEN: "; season and instrument leave open what it brought. Test again in the season of the first reading.",
        }[kind]
    )
