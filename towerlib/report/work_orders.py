"""The plan to hand to crews: work orders, packages and cost lines as CSV, with scope, acceptance and cautions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib import dictionary
from towerlib.config.sections import OFTEN_VISITED
from towerlib.plan import packages
from towerlib.plan.budget import QUANTITIES
from towerlib.report import cautions, workbook
from towerlib.report.tower_marks import each
from towerlib.text import plain
from towerlib.treatments.catalogue import EARTHING

if TYPE_CHECKING:
    from towerlib.assessment import Study
    from towerlib.plan import Budget

COLUMNS = [
    *("work_order_id", "package", "year", "line_id", "tower_id", "chainage_km", "latitude_deg"),
    *("longitude_deg", "access_group", "access", "occupancy", "option", "kind", "purse", "must_do"),
    *("conditional_on", "scope"),
    *("materials", *QUANTITIES, "soil_class", "crew_weeks", "permits", "safety", "remarks", "before_ohm"),
    *("before_date", "limit_ohm", "predicted_ohm", "predicted_low_ohm", "predicted_high_ohm", "acceptance"),
    *("verify", "avoided_per_year", "avoided_low", "avoided_high", "cost", "cost_low", "cost_high"),
]
MATERIALS = {  # quantity, its words and its unit
    "trench_m": ("trench", " m"),
    "wire_m": ("wire", " m"),
    "rod_count": ("rods or holes", ""),
    "rod_m": ("rods driven", " m"),
    "drilled_m": ("drilled", " m"),
    "fill_m": ("conductive fill", " m"),
    "leads": ("leads", ""),
    "bonds": ("shield-wire bonds", ""),
    "arrester_sets": ("arrester sets", ""),
    "underbuilt_m": ("under-built wire", " m"),
}
VERBS = {
    "lead": "Re-make missing or corroded leads and leg bonds",
    "rebond": "Inspect the shield-wire bond, re-make it where it is found open",
    "inspect span": "Inspect the shield wires of the suspected span and of its neighbours; test both towers again without coils",
    "retest": "Test again, with turns and direction of each coil checked",
    "arresters": "Hang arresters on all phases of each circuit",
    "under-built": "String the under-built wire over half of each adjoining span",
}
ALWAYS = f"{cautions.DEAD_LINE} {cautions.THUNDER} {cautions.NO_PERMIT}"


def write(study: Study, folder: str | Path) -> list[str]:
    """Write work-orders.csv, packages.csv and cost-lines.csv, headers alone without a plan; names of the files."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    budget, could = study.budget, study.treatments
    tables = {
        "work-orders.csv": work_orders(budget, study.condition, study.line.id),
        "packages.csv": packages.packages(budget, could.mobilisation),
        "cost-lines.csv": packages.cost_lines(budget, could.cost_lines, could.mobilisation),
    }
    currency = study.line.plan.currency
    for name, table in tables.items():
        rounded = table.round(
            {column: 3 for column in table.select_dtypes("float") if not column.endswith("_deg")}
        )
        table = dictionary.checked(name, rounded.assign(currency=currency))
        workbook.write_list(table, folder / name)
    return list(tables)


def work_orders(budget: Budget, condition: pd.DataFrame, line_id: str) -> pd.DataFrame:
    """One work order per work, by year, access group and chainage: columns as in `COLUMNS`."""
    table = packages.orders(budget, condition, line_id)
    rows = list(each(table))
    table = table.rename(columns={"footing_ohm": "before_ohm", "footing_date": "before_date"}).assign(
        scope=[_scope(row) for row in rows],
        materials=[_materials(row) for row in rows],
        permits=[_permits(row) for row in rows],
        safety=[_safety(row) for row in rows],
        remarks=[_remarks(row) for row in rows],
        acceptance=[_acceptance(row) for row in rows],
    )
    return cast("Any", table[COLUMNS])


def _scope(row):
    """What is to be done, in one sentence."""
    what = VERBS.get(row.kind, f"Install {row.option}")
    if row.kind == "inspect span":
        what = f"{what}: {row.decides}"
    if row.conditional_on:
        what = f"Only if still needed after the {row.conditional_on}: {what[0].lower()}{what[1:]}"
    where = (
        f"tower {row.tower_id}, km {row.chainage_km:.2f}"
        if np.isfinite(row.chainage_km)
        else f"tower {row.tower_id}"
    )
    return f"{what} at {where}."


def _materials(row):
    """Quantities that are needed, in words."""
    needed = [
        f"{words} {plain(round(amount, 1))}{unit}"
        for name, (words, unit) in MATERIALS.items()
        if (amount := getattr(row, name)) > 0
    ]
    return "; ".join(needed)


def _permits(row):
    """Who has to agree."""
    if row.kind in EARTHING:
        return "Landowner; location of buried services; environment or heritage where the place asks for it."
    if row.kind == "retest":
        return "Landowner for the way in."
    if row.kind == "lead":
        return "The utility's licensed procedure for earthing leads; landowner for the way in."
    return "The utility's licensed procedure, with outage or live-line permit; landowner for the way in."


def _safety(row):
    """Cautions of this work."""
    own = cautions.NEAR_WIRES
    if row.kind in EARTHING or row.kind == "lead":
        own = cautions.LEADS if row.kind == "lead" else cautions.DIGGING
    people = [cautions.PEOPLE] if row.occupancy in OFTEN_VISITED else []
    return " ".join([own, *people, ALWAYS])


def _remarks(row):
    """What has to be known of the tower before work begins."""
    parts = [row.reason if isinstance(row.reason, str) else ""]
    if row.verdict == "usable with caution":
        parts.append("the reading before carries a caution: confirm it first")
    if row.conditional_on:
        parts.append(f"conditional on the {row.conditional_on}: the cost is a reserve until then")
    elif isinstance(row.suspected_cause, str) and "inspect" in row.suspected_cause:
        parts.append(f"suspected: {row.suspected_cause}, before any digging")
    if row.must_do:
        parts.append("must-do")
    return "; ".join(part for part in parts if part)


def _acceptance(row):
    """When the work counts as successful."""
    if row.kind in ("inspect span", "retest"):
        return "Accepted by the findings as verify says; they decide about the works that wait for them."
    if row.kind in ("arresters", "under-built", "rebond"):
        return "The footing stays as it is; accepted by inspection as verify says, not by ohms."
    if not np.isfinite(row.predicted_ohm):
        return "No prediction: record the footing before and after by the same method."
    most = np.fmin(
        row.predicted_high_ohm, row.footing_ohm
    )  # no higher than before, whatever the interval leaves open
    before = f" (before {plain(row.footing_ohm)} Ω)" if np.isfinite(row.footing_ohm) else ""
    within = ""
    if pd.notna(row.limit_ohm):
        within = f" Limit {plain(row.limit_ohm)} Ω{' may not be met' if row.predicted_ohm > row.limit_ohm else ''}."
    return (
        f"Same method and season as before: expected {plain(row.predicted_ohm)} Ω, accepted up to "
        f"{plain(most)} Ω{before}; above it the work counts as not improved and is looked into.{within}"
    )
