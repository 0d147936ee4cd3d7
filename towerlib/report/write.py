"""Every file of a report but the notebooks and ``run.json``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import pandas as pd

from towerlib import changes, dictionary, portfolio
from towerlib.plan import order_rule
from towerlib.plan import sensitivity as studies
from towerlib.report import (
    cautions,
    condition_charts,
    gis,
    intake,
    line_explorer,
    map_layers,
    maps,
    outage_results,
    plan_charts,
    summary,
    tower_case,
    tower_sheet,
    work_orders,
    workbook,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from towerlib.assessment import Study
    from towerlib.changes import Changes
    from towerlib.plan.sensitivity import Outlook


def write_changes(study: Study, folder: str | Path) -> Changes:
    """Write ``changes.csv``, ``tables/changes.parquet`` and ``tables/coverage.parquet``; the changes found."""
    folder = Path(folder).resolve()
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    found = changes.against_last(study, folder.parent)
    workbook.write_list(found.table, folder / "changes.csv")
    tables = {"changes": found.table, "coverage": changes.coverage(study)}
    _write_tables(tables, folder)
    return found


def _write_tables(tables, folder):
    """Tables as Parquet, each held against its schema."""
    for name, table in tables.items():
        file = f"tables/{name}.parquet"
        dictionary.checked(file, table).to_parquet(folder / file, index=False, compression="zstd")


TOWERS_SHOWN = 8  # pictures of single towers: the first of the list that have leg currents to show

PICTURES = {
    "route-map": lambda study: route_map(study, "impedance"),
    "route-map-gap": lambda study: route_map(study, "gap"),
    "route-profile": lambda study: condition_charts.route_profile(
        study.condition, study.line, month=study.month
    ),
    "ranked-bars": lambda study: condition_charts.ranked_bars(study.condition, study.line, month=study.month),
    "gap-scatter": lambda study: condition_charts.gap_scatter(study.condition, study.line, month=study.month),
    "impedance-distribution": lambda study: condition_charts.impedance_distribution(
        study.condition, study.line, month=study.month
    ),
    "trip-out-profile": lambda study: outage_results.rate_profile(study.outages, study.line),
    "trip-outs-by-footing": lambda study: outage_results.rate_by_footing(
        study.outages, study.condition, study.line
    ),
    "trip-out-concentration": lambda study: outage_results.concentration(study.outages, study.line),
    "observed-and-modelled": lambda study: outage_results.observed_against_modelled(
        study.outages, study.line
    ),
    "plan-map": lambda study: maps.plan_map(
        study.route,
        study.condition,
        study.budget,
        study.line,
        month=study.month,
        context=map_layers.layers(study.records.folder),
    ),
    "trip-outs-before-after": lambda study: plan_charts.before_after(study.budget, study.outages, study.line),
}
OUTLOOKS = {
    "budget-curve": lambda study, outlook: plan_charts.budget_curve(study.budget, outlook, study.line),
    "plan-chances": lambda study, outlook: plan_charts.chances(study.budget, outlook, study.line),
}


def write_report(study: Study, folder: str | Path, outlook: Outlook | None = None) -> list[str]:
    """Write every file of the report but the notebooks and ``run.json``; names relative to the folder."""
    folder = Path(folder)
    (folder / "tables").mkdir(parents=True, exist_ok=True)
    workbook.write_list(study.priority, folder / "priority-list.csv")
    found = write_changes(study, folder)
    workbook.write(study, folder / "priority-list.xlsx", found=found, notes=notes(study))
    workbook.write_list(dictionary.checked("retest-list.csv", study.retest), folder / "retest-list.csv")
    intake.write(study.records, folder)
    gis.write(
        study.route,
        study.priority,
        folder / "line.gpkg",
        study.network.spans,
        condition=study.condition,
        line=study.line,
    )
    work_orders.write(study, folder)
    outlook = outlook or studies.outlook(study.budget, study.condition)
    for name, draw in PICTURES.items():
        save(draw(study), folder / f"{name}.png")
    for name, draw in OUTLOOKS.items() if outlook is not None else ():
        save(draw(study, outlook), folder / f"{name}.png")
    cases = tower_case.tables_of(study)
    (folder / "towers").mkdir(exist_ok=True)
    for rank, tower_id in suspicious(study.priority):
        picture = tower_sheet.tower_picture(tower_id, cases)
        save(picture, folder / "towers" / f"{rank:03d}-{quote(tower_id, safe='')}.png")
    _write_tables(tables(study) | {"history": cases.history, "sweep-shapes": cases.shapes}, folder)
    summary.write(study, folder / "summary.html", found, outlook=outlook)
    line_explorer.write(study, folder / "explorer.html")
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def route_map(study: Study, by: str) -> Figure:
    """The route map of an assessment."""
    layers = map_layers.layers(study.records.folder)
    looks = {"month": study.month, "context": layers, "suspicion": study.network.spans}
    return maps.route_map(study.route, study.condition, study.line, by=by, **looks)


def suspicious(priority: pd.DataFrame) -> list[tuple[int, str]]:
    """Rank and name of the first towers of the repair and bond queues: their readings get a picture each."""
    queued: Any = priority[priority["queue"].isin(["repair", "bond"])]
    first = queued.sort_values("queue_rank", kind="stable").head(TOWERS_SHOWN)
    return list(zip(first["rank"], first["tower_id"], strict=True))


def tables(study: Study) -> dict[str, pd.DataFrame]:
    """The tables behind the pages, by name."""
    kept = {name: getattr(study.records, name) for name in ("towers", "legs", "sweeps")}
    return (
        kept
        | portfolio.tables(study)
        | {
            "visits": study.grades.visits,
            "findings": study.grades.findings,
            "route": pd.DataFrame(study.route.towers.drop(columns="geometry")),
            "spans": pd.DataFrame(study.route.spans.drop(columns="geometry")),
            "network-towers": study.network.towers,
            "network-spans": study.network.spans,
            "trip-outs": study.outages.towers,
            "outage-record": study.outages.record,
            "options": study.treatments.options,
            "cost-lines": study.treatments.cost_lines,
            "works-done": study.treatments.learned,
            "plan": study.budget.works,
            "currents": study.currents,
            "condition": study.condition,
            "priority": study.priority,
        }
    )


def notes(study: Study) -> list[str]:
    """Rules, remarks and cautions that travel with the list."""
    return [
        f"{study.line.title}, as of {study.month}",
        f"Order: {order_rule(study.line.plan)}",
        *_assumed(study),
        "gap = arithmetic sum of the leg currents − their vector total; an indicator, not a fault.",
        *study.route.remarks,
        *cautions.CAUTIONS,
    ]


def _assumed(study):
    """What is not available, and what was assumed."""
    rooms = (study.network, study.outages, study.treatments, study.budget)
    return [*(why for room in rooms for why in room.off), *(what for room in rooms for what in room.assumed)]


def save(figure: Figure, path: str | Path) -> None:
    """Save a picture so that the same picture gives the same bytes."""
    figure.savefig(path, dpi=150, metadata={"Software": None})
