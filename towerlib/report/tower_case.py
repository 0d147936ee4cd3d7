"""One suspicious tower: its rows out of the tables of a line, and its case in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import pandas as pd

from towerlib.errors import no_tower
from towerlib.months import last_day
from towerlib.readings import season, sweep, trends

if TYPE_CHECKING:
    from towerlib.assessment import Study


@dataclass(frozen=True)
class Tables:
    """What the pictures of single towers are drawn from, for all towers of a line.

    One row per tower in `condition` and `history`, one row per visit in `currents`, `shapes` and `visits`, which are
    graded and have the seasonal factors; `evidence` of the priority list by tower.
    """

    title: str
    condition: pd.DataFrame
    history: pd.DataFrame
    visits: pd.DataFrame
    legs: pd.DataFrame
    sweeps: pd.DataFrame
    works: pd.DataFrame
    currents: pd.DataFrame
    shapes: pd.DataFrame
    evidence: pd.Series


@dataclass(frozen=True)
class Case:
    """The rows of one tower, dates ascending, and its case in sentences; fields as in `Tables`."""

    tower_id: str
    title: str
    condition: pd.Series
    history: pd.Series
    visits: pd.DataFrame
    legs: pd.DataFrame
    sweeps: pd.DataFrame
    works: pd.DataFrame
    currents: pd.DataFrame
    shapes: pd.DataFrame
    evidence: tuple


def tables_of(study: Study) -> Tables:
    """Tables for the pictures of single towers, as of the month of an assessment."""
    records, line, end = study.records, study.line, last_day(study.month)
    visits = study.grades.visits.loc[study.grades.visits["date"] <= end].reset_index(drop=True)
    works = records.works.loc[records.works["date"] <= end].reset_index(drop=True)
    ring = cast("pd.Series", records.towers.set_index("tower_id")["ring"])
    ring = ring.reindex(visits["tower_id"]).reset_index(drop=True)
    factors = season.factors(season.class_of_season(visits), ring, line.seasons)
    return Tables(
        title=line.title,
        condition=study.condition,
        history=trends.history(visits, works, records.towers, alike=line.comparable, seasons=line.seasons),
        visits=pd.concat([visits, factors], axis=1),
        legs=records.legs,
        sweeps=records.sweeps,
        works=works,
        currents=study.currents.loc[study.currents["visit_id"].isin(cast("pd.Series", visits["visit_id"]))],
        shapes=sweep.summarise(visits, records.sweeps, line.frequency_hz),
        evidence=cast("pd.Series", study.priority.set_index("tower_id")["evidence"]),
    )


def case(tower_id: str, tables: Tables) -> Case:
    """The case of one tower. Raises `SettingsError` where the line has no such tower."""
    known = tables.condition["tower_id"]
    if tower_id not in set(known):
        raise no_tower(tower_id, known, tables.title)
    visits = _of(tables.visits, tower_id)
    parts = {
        "condition": _row(tables.condition, tower_id),
        "history": _row(tables.history, tower_id),
        "works": _of(tables.works, tower_id),
        "currents": _of(tables.currents, tower_id),
        "shapes": _of(tables.shapes, tower_id),
        "legs": tables.legs[tables.legs["visit_id"].isin(visits["visit_id"])],
        "sweeps": tables.sweeps[tables.sweeps["visit_id"].isin(visits["visit_id"])],
    }
    own = tables.evidence.get(tower_id) or _without_evidence(visits)
    words = (own, *_over_time(parts["history"]))
    return Case(tower_id, tables.title, visits=visits, evidence=words, **parts)


def _of(table, tower_id):
    """Rows of one tower by date."""
    return table[table["tower_id"] == tower_id].sort_values("date", kind="stable").reset_index(drop=True)


def _row(table, tower_id):
    """The one row of a tower."""
    return table[table["tower_id"] == tower_id].iloc[0]


def _without_evidence(visits):
    """What to say where the priority list has nothing: that is no good news of a tower nobody tested."""
    if visits.empty:
        return "Never tested: nothing is known of its footing, its legs or its bond."
    return "The priority list has no evidence on this tower."


def _over_time(past):
    """What changed over the years, in sentences."""
    if past["works_verdict"]:
        change = f" ({past['before_works_ohm']:.3g} to {past['after_works_ohm']:.3g} Ω)"
        known = change if pd.notna(past["works_change_ohm"]) else ""
        yield (
            f"Treatment of {past['works_date']:%Y-%m-%d}, {past['works_treatment']}: "
            f"{past['works_verdict']}{known}."
        )
    if past["jump_verdict"]:
        yield (
            f"{past['previous_date']:%Y-%m-%d} to {past['last_date']:%Y-%m-%d}, comparable readings: "
            f"{past['jump_verdict']} ({past['previous_ohm']:.3g} to {past['last_ohm']:.3g} Ω)."
        )
    if pd.notna(past["trend_percent_per_year"]):
        yield (
            f"Trend {past['trend_percent_per_year']:+.1f} % a year, 95 % interval "
            f"{past['trend_low_percent_per_year']:+.1f} to {past['trend_high_percent_per_year']:+.1f}."
        )
