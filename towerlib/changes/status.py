"""Status by month: test coverage, overdue and untested towers, register changes and changed queues."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import condition
from towerlib.changes.differences import KNOWN, NEWS, another_reading, footing_change, rows
from towerlib.changes.match import earlier_names
from towerlib.config.sections import OFTEN_VISITED
from towerlib.errors import RecordsError
from towerlib.months import last_day
from towerlib.plan.priority import INSPECT
from towerlib.readings import standing
from towerlib.readings.causes import BOND_GONE
from towerlib.values import number

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from towerlib.assessment import Study
    from towerlib.changes.months import Snapshot


COUNTS = ["towers", "tested", "usable", "overdue", "never_tested", "above_limit"]
SHARES = COUNTS[1:]


def coverage(study: Study, months: Sequence[str] | None = None) -> pd.DataFrame:
    """Coverage and backlog of a line, month by month.

    Parameters
    ----------
    study : Study
    months : sequence of str, optional
        ``YYYY-MM``, none later than the study's; else every month from that of the first visit on.

    Returns
    -------
    pandas.DataFrame
        One row per month: line_id, month; counts of towers, tested (by any visit), usable (a usable reading of the
        footing alone is in force), overdue, never_tested, above_limit (a lower limit above it counts); and each of
        them as ``…_percent`` of the towers.

    Raises
    ------
    RecordsError
        A month lies after that of the study.

    Notes
    -----
    By the records of today: towers, limits, verdicts and intervals are those of now, visits those up to the
    last day of each month. A visit whose file came late counts from its own date.
    """
    months = standing.months_until(study.grades.visits, study.month) if months is None else list(months)
    if late := [month for month in months if month > study.month]:
        raise RecordsError(f"coverage is asked for {late[0]}, and the line was assessed as of {study.month}")
    table = pd.DataFrame(_counts(study, months), columns=COUNTS, dtype="int64")
    table.insert(0, "line_id", pd.array([study.line.id] * len(table), dtype="str"))
    table.insert(1, "month", pd.array(months, dtype="str"))
    return _with_shares(table)


def _counts(study, months):
    """Counts of towers at the end of each month."""
    visits, towers = study.grades.visits, study.condition
    ids, ends = towers["tower_id"], np.array([last_day(month) for month in months], "datetime64[ns]")[:, None]
    first = visits.groupby("tower_id")["date"].min().reindex(ids).to_numpy("datetime64[ns]")
    tested = first <= ends  # months × towers, as all that follows
    read = standing.changes(standing.footings(visits), "footing_verdict")
    limits = standing.changes(standing.lower_limits(visits), "footing_verdict")
    footing, lower = (
        standing.at_months(table, "impedance_ohm", months, ids).to_numpy(float) for table in (read, limits)
    )
    limit, target = (towers[name].to_numpy(float) for name in ("limit_ohm", "target_ohm"))
    kind = read.assign(upper_limit=standing.upper_limits(read).astype(float))
    upper = standing.at_months(kind, "upper_limit", months, ids).to_numpy(float) > 0
    classes = condition.impedance_class(footing, lower, target, limit, upper_limit_only=upper)
    above = classes == condition.ABOVE_LIMIT
    often = towers["occupancy"].isin(OFTEN_VISITED).to_numpy()
    read_on = standing.at_months(read, "date", months, ids).to_numpy("datetime64[ns]")
    due = read_on + condition.retest_interval(above, often, study.line)
    flags = {
        "towers": np.ones_like(tested),
        "tested": tested,
        "usable": ~np.isnan(footing),
        "overdue": due <= ends,
        "never_tested": ~tested,
        "above_limit": above,
    }
    return {name: flag.sum(axis=1) for name, flag in flags.items()}


def portfolio(coverages: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Test coverage and backlog of several lines together.

    Parameters
    ----------
    coverages : sequence of pandas.DataFrame
        From `coverage`, one per line.

    Returns
    -------
    pandas.DataFrame
        Columns of `coverage` without line_id: every month up to the last one common to all lines. Before the first
        month of a line its towers count as never tested.

    Raises
    ------
    ValueError
        No line is given, or a line has no month.
    """
    lines = [table.set_index("month")[COUNTS] for table in coverages]
    if not lines or any(table.empty for table in lines):
        raise ValueError("coverage of a portfolio needs at least one line, each with at least one month")
    last = min(str(table.index.max()) for table in lines)
    months = sorted({month for table in lines for month in table.index.astype(str) if month <= last})
    total = cast("pd.DataFrame", sum(_filled(table, months) for table in lines))
    return _with_shares(total.rename_axis("month").reset_index())


def _filled(table, months):
    """The counts of one line in all months; untested before its first, as the month before where one lacks."""
    towers = table["towers"].iloc[0]
    untested = dict.fromkeys(COUNTS, 0) | {"towers": towers, "never_tested": towers}
    wide = table.reindex(sorted({*table.index, *months})).ffill()
    return wide.fillna(untested).astype("int64").reindex(months)


def _with_shares(table):
    """The table with every count as a part of the towers [%]."""
    return table.assign(**{f"{name}_percent": 100.0 * table[name] / table["towers"] for name in SHARES})


SAME = 1e-9  # relative difference of two values of one reading that exceeds rounding in a file
MOVES = {  # reasons for a changed queue besides the footing: words, and relevant values
    "suspected_cause": ("suspected cause", INSPECT),
    "safety_screen": ("touch-voltage screening", ("above",)),
    "bond_seen": ("bond seen by the crew", BOND_GONE),
    "corrosion": ("corrosion", ("heavy",)),
    "leads_missing": ("leads missing", None),
}


def overdue(study: Study, before: Snapshot | None, pairs: pd.DataFrame) -> pd.DataFrame:
    """Towers whose newest usable test is older than its rule allows."""
    late = study.retest[study.retest["reason"] == "overdue"]
    days = (last_day(study.month) - late["due_date"]).dt.days
    sentences = [
        f"Due {tower.due_date:%Y-%m-%d}, {late_days} days ago; last reading {tower.last_ohm:.3g} Ω on "
        f"{tower.last_date:%Y-%m-%d}."
        for tower, late_days in zip(cast("Any", late).itertuples(), days, strict=True)
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
    """Towers that were overdue in the earlier month, by the present test intervals."""
    towers = before.condition
    above = towers["impedance_class"] == condition.ABOVE_LIMIT
    often = towers["occupancy"].isin(OFTEN_VISITED)
    due = towers["footing_date"] + condition.retest_interval(above, often, study.line)
    return set(towers["tower_id"][towers["footing_ohm"].notna() & (due <= before.end)])


def never_tested(study: Study, before: Snapshot | None, pairs: pd.DataFrame) -> pd.DataFrame:
    """Towers without any visit."""
    untested = study.condition["tower_id"][study.condition["verdict"] == "not tested"]
    was = None
    if before is not None:
        was = set(before.condition["tower_id"][before.condition["verdict"] == "not tested"])
    since = _since(untested, was, pairs)
    words = ["No visit to this tower is in the records."] * len(untested)
    return rows("never tested", untested, words, quantity="visits", after=0.0, since=since)


def _since(tower_ids, was, pairs):
    """Whether each tower was on the same list in the earlier month; blank without an earlier month."""
    if was is None:
        return pd.Series(None, tower_ids.index, dtype="str")
    known = earlier_names(tower_ids, pairs).isin(was)
    return pd.Series(np.where(known, KNOWN, NEWS), tower_ids.index, dtype="str")


def towers(pairs: pd.DataFrame, before: Snapshot) -> list[pd.DataFrame]:
    """Towers that are new, renamed or missing."""
    new = pairs["tower_id"][pairs["earlier_id"].isna()]
    gone = pairs["earlier_id"][pairs["tower_id"].isna()]
    moved = pairs[pairs["renamed"]]
    renamed = [
        f"Named {row.earlier_id} in {before.month}: the same position within {row.moved_m:.0f} m."
        for row in cast("Any", moved).itertuples()
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
            [f"In the register of {before.month}, but no longer."] * len(gone),
            quantity="tower",
        ),
    ]


def readings(both: pd.DataFrame, visit_ids: Collection[str] | pd.Series) -> list[pd.DataFrame]:
    """Readings used before that are missing now, or have another value for the same visit.

    `visit_ids` are those of all visits in the present records.
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
    return [_reading_rows(kind, *part) for kind, part in kinds.items()]


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


def queues(both: pd.DataFrame, trend: pd.DataFrame, works: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Towers in another queue than before, with the reason; the sentence states whether the tower itself changed.

    `works` are the results of treatments, from `towerlib.changes.differences.treated`.
    """
    chosen = both["queue_now"] != both["queue_before"]
    news, change = another_reading(both)[chosen], footing_change(both, trend)[chosen]
    moved = cast("Any", both[chosen])
    over = {
        row.tower_id: row.kind
        for part in works
        for row in cast("Any", part).itertuples()
        if row.since == NEWS
    }
    reasons = [
        _reason(tower, step, fresh, over.get(tower["tower_id"]))
        for tower, step, fresh in zip(
            moved.to_dict("records"), cast("Any", change).to_dict("records"), news, strict=True
        )
    ]
    sentences = [
        f"From {early} to {late}: {why}."
        for early, late, why in zip(moved["queue_before"], moved["queue_now"], reasons, strict=True)
    ]
    states = {"state_before": moved["queue_before"], "state_after": moved["queue_now"]}
    return rows("queue changed", moved["tower_id"], sentences, quantity="queue", **states)


def _reason(tower, change, fresh, over):
    """Possible reasons for a changed queue, in words."""
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
        parts.append("the former reading is not used any more")
    if _differ(tower["limit_ohm_before"], tower["limit_ohm_now"]):
        parts.append(f"limit {tower['limit_ohm_now']:.3g} Ω after {tower['limit_ohm_before']:.3g} Ω")
    for name, (words, telling) in MOVES.items():
        cells = tower[f"{name}_before"], tower[f"{name}_now"]
        if any(telling is None or cell in telling for cell in cells) and _differ(*cells):
            parts.append(f"{words} {_word(cells[1])} after {_word(cells[0])}")
    early, late = tower["package_before"], tower["package_now"]
    if pd.isna(early) != pd.isna(late):
        parts.append("added to the plan" if pd.isna(early) else "removed from the plan")
    return "; ".join(parts) or "no new reading; rules, settings or corrected records changed"


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
