"""What stands on the lists: towers overdue, never tested, moved to another queue; new, gone and renamed ones."""

import numpy as np
import pandas as pd

from towerlib import retest
from towerlib.changes.footings import another_reading, footing_change
from towerlib.changes.pairing import earlier_names
from towerlib.changes.rows import KNOWN, NEWS, rows
from towerlib.changes.signs import BROKEN
from towerlib.months import last_day
from towerlib.plan.queues import INSPECT
from towerlib.values import number

SAME = 1e-9  # two values of one reading differ where they differ by more than the rounding of a file
MOVES = {  # what can move a tower to another queue besides its footing: words, and what of it counts
    "suspected_cause": ("suspected cause", INSPECT),
    "safety_screen": ("touch screen", ("above",)),
    "bond_seen": ("bond seen by the crew", BROKEN),
    "corrosion": ("corrosion", ("heavy",)),
    "leads_missing": ("leads missing", None),
}


def overdue(study, before, pairs):
    """Towers whose newest usable test is older than its rule allows.

    Parameters
    ----------
    study : Assessment
    before : Snapshot or None
    pairs : pandas.DataFrame
        Names of both months.

    Returns
    -------
    pandas.DataFrame
        Rows of the kind "overdue".
    """
    late = study.retest[study.retest["reason"] == "overdue"]
    days = (last_day(study.month) - late["due_date"]).dt.days
    sentences = [
        f"Due {tower.due_date:%Y-%m-%d}, {late_days} days ago; last read {tower.last_ohm:.3g} Ω on "
        f"{tower.last_date:%Y-%m-%d}."
        for tower, late_days in zip(late.itertuples(), days, strict=True)
    ]
    was = None if before is None else _overdue_before(study, before)
    since = _since(late["tower_id"], was, pairs)
    return rows(
        "overdue",
        late["tower_id"],
        sentences,
        quantity="time overdue",
        unit="d",
        after=days.astype(float),
        date_before=late["last_date"],
        since=since,
    )


def _overdue_before(study, before):
    """Towers that were overdue the month before, by the intervals of today."""
    listed = retest.retest_list(before.condition, study.grades, study.line, before.month)
    return set(listed["tower_id"][listed["reason"] == "overdue"])


def never_tested(study, before, pairs):
    """Towers without any visit.

    Parameters
    ----------
    study, before, pairs
        As for `overdue`.

    Returns
    -------
    pandas.DataFrame
        Rows of the kind "never tested".
    """
    untested = study.condition["tower_id"][study.condition["verdict"] == "not tested"]
    was = None
    if before is not None:
        was = set(before.condition["tower_id"][before.condition["verdict"] == "not tested"])
    since = _since(untested, was, pairs)
    words = ["No visit to this tower is in the records."] * len(untested)
    return rows("never tested", untested, words, quantity="visits", after=0.0, since=since)


def _since(tower_ids, was, pairs):
    """Whether each tower stood on the same list the month before; blank where there is none."""
    if was is None:
        return pd.Series(None, tower_ids.index, dtype="str")
    known = earlier_names(tower_ids, pairs).isin(was)
    return pd.Series(np.where(known, KNOWN, NEWS), tower_ids.index, dtype="str")


def towers(pairs, before):
    """Towers that are new, renamed or gone.

    Parameters
    ----------
    pairs : pandas.DataFrame
        As `towerlib.changes.pairing.pair` gives it.
    before : Snapshot

    Returns
    -------
    list of pandas.DataFrame
    """
    new = pairs["tower_id"][pairs["earlier_id"].isna()]
    gone = pairs["earlier_id"][pairs["tower_id"].isna()]
    moved = pairs[pairs["renamed"]]
    renamed = [
        f"Was {row.earlier_id} in {before.month}: the same place within {row.moved_m:.0f} m."
        for row in moved.itertuples()
    ]
    return [
        rows("new tower", new, [f"Not in the register of {before.month}."] * len(new), quantity="tower"),
        rows(
            "renamed",
            moved["tower_id"],
            renamed,
            quantity="name",
            unit="m",
            after=moved["moved_m"],
            state_before=moved["earlier_id"],
            state_after=moved["tower_id"],
        ),
        rows(
            "gone from data",
            gone,
            [f"In the register of {before.month}, and no longer."] * len(gone),
            quantity="tower",
        ),
    ]


def readings(both, visit_ids):
    """Readings that stood before and are gone now, or are another value of the same visit.

    Parameters
    ----------
    both : pandas.DataFrame
        As `towerlib.changes.sides.beside` gives it.
    visit_ids : collection of str
        Every visit in the records of now.

    Returns
    -------
    list of pandas.DataFrame
        Rows of the kinds "gone from data" and "record corrected".
    """
    stood = both["footing_visit_id_before"]
    lost = both[stood.notna() & ~stood.isin(list(visit_ids))]
    same = (stood == both["footing_visit_id_now"]).fillna(False)
    step = (both["footing_ohm_now"] - both["footing_ohm_before"]).abs()
    other = both[same & (step > SAME * both["footing_ohm_before"])]
    kinds = {
        "gone from data": (
            lost,
            "Visit {visit}, {early:.3g} Ω on {day:%Y-%m-%d}, is no longer in the records.",
        ),
        "record corrected": (
            other,
            "Visit {visit} of {day:%Y-%m-%d} read {early:.3g} Ω before, and {late:.3g} Ω now.",
        ),
    }
    return [_reading_rows(kind, *told) for kind, told in kinds.items()]


def _reading_rows(kind, table, template):
    """Rows about one reading of each tower."""
    columns = ["footing_visit_id_before", "footing_ohm_before", "footing_ohm_now", "footing_date_before"]
    sentences = [
        template.format(visit=visit, early=early, late=late, day=day)
        for visit, early, late, day in table[columns].itertuples(index=False)
    ]
    return rows(
        kind,
        table["tower_id"],
        sentences,
        quantity="reading",
        unit="Ω",
        before=table["footing_ohm_before"],
        after=table["footing_ohm_now"],
        date_before=table["footing_date_before"],
        date_after=table["footing_date_now"],
    )


def queues(both, told, works):
    """Towers that stand in another queue, and what moved them.

    Parameters
    ----------
    both, told : pandas.DataFrame
        As for `towerlib.changes.footings.footings`.
    works : sequence of pandas.DataFrame
        What became of treatments, as `towerlib.changes.treated.treated` gives it.

    Returns
    -------
    pandas.DataFrame
        Rows of the kind "queue changed". The list moved; whether the tower did is said in the sentence.
    """
    chosen = both["queue_now"] != both["queue_before"]
    news, change = another_reading(both)[chosen], footing_change(both, told)[chosen]
    moved = both[chosen]
    over = {row.tower_id: row.kind for part in works for row in part.itertuples() if row.since == NEWS}
    reasons = [
        _reason(tower, step, fresh, over.get(tower["tower_id"]))
        for tower, step, fresh in zip(moved.to_dict("records"), change.to_dict("records"), news, strict=True)
    ]
    sentences = [
        f"From {early} to {late}: {why}."
        for early, late, why in zip(moved["queue_before"], moved["queue_now"], reasons, strict=True)
    ]
    states = {"state_before": moved["queue_before"], "state_after": moved["queue_now"]}
    return rows("queue changed", moved["tower_id"], sentences, quantity="queue", **states)


def _reason(tower, change, fresh, over):
    """What may have moved a tower to another queue, in words."""
    parts = []
    early, late = tower["footing_ohm_before"], tower["footing_ohm_now"]
    if fresh:
        beyond = "beyond" if abs(change["z"]) >= number("jump_z") else "within"
        how = f"over a treatment ({over})" if over else f"{beyond} the uncertainty of the readings compared"
        parts.append(f"footing read {late:.3g} Ω after {early:.3g} Ω, {how}")
    elif pd.isna(early) != pd.isna(late):
        parts.append(
            "a first usable reading of the footing" if pd.isna(early) else "no usable reading any more"
        )
    elif tower["footing_visit_id_before"] != tower["footing_visit_id_now"] and pd.notna(late):
        parts.append("the reading that stood is not used any more")
    if _differ(tower["limit_ohm_before"], tower["limit_ohm_now"]):
        parts.append(f"limit {tower['limit_ohm_now']:.3g} Ω after {tower['limit_ohm_before']:.3g} Ω")
    for name, (words, telling) in MOVES.items():
        cells = tower[f"{name}_before"], tower[f"{name}_now"]
        if any(telling is None or cell in telling for cell in cells) and _differ(*cells):
            parts.append(f"{words} {_word(cells[1])} after {_word(cells[0])}")
    early, late = tower["package_before"], tower["package_now"]
    if pd.isna(early) != pd.isna(late):
        parts.append("taken into the plan" if pd.isna(early) else "left the plan")
    return "; ".join(parts) or "no new reading; the rules or settings, or the corrected records, moved it"


def _differ(early, late):
    """Whether two cells differ; two blanks do not."""
    if pd.isna(early) or pd.isna(late):
        return pd.isna(early) != pd.isna(late)
    return early != late


def _word(cell):
    """A cell in words."""
    if pd.isna(cell):
        return "not known"
    return f"{cell:.0f}" if isinstance(cell, float) else f"“{cell}”"
