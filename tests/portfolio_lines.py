"""Lines of a portfolio made by hand: what their reports would say, and such reports on disk."""

import hashlib
import json

import numpy as np
import pandas as pd

from towerlib.portfolio import SETTINGS, SUMS, TEXTS, LineMonth

FACTS = {
    "title": "",
    "month": "2026-06",
    "budget": 20.0,
    "currency": "EUR",
    "cost_per_trip_out": 1000.0,
    "years": 1,
    "horizon_years": 11.0,
    "discount_rate": 0.0,
    "crew_weeks_per_year": np.nan,
    "length_km": 10.0,
    "avoided_to_target_per_year": 2.0,
    "avoided_low": 1.0,
    "avoided_high": 3.0,
    "model_factor": 3.0,
}


def line(line_id, benefits=(1.0, 0.1), costs=(10.0, 10.0), *, fee=0.0, changed=None, **facts):
    """A line with one treatment a tower, one access group, and a plan of no works unless they are given."""
    told = (
        {"line_id": line_id} | dict.fromkeys((*SETTINGS, *SUMS), np.nan) | FACTS | {"title": line_id} | facts
    )
    ids = [f"T{place}" for place in range(len(benefits))]
    options = pd.DataFrame({"tower_id": ids, "option": "rods", "cost": costs, "benefit_per_year": benefits})
    options = options.assign(access_group="G", must_do=False, life_years=40.0, crew_weeks=1.0)
    options = options.assign(
        avoided_low=options["benefit_per_year"] / 2, avoided_high=options["benefit_per_year"] * 2
    )
    condition = pd.DataFrame({"tower_id": ids, "footing_ohm": 30.0, "impedance_class": "above limit"})
    condition = condition.assign(safety_screen="above", leads_missing=0.0, bond_seen="", suspected_cause="")
    towers = len(ids)
    parts = {
        "coverage": pd.DataFrame(
            {"month": ["2026-05", "2026-06"], "towers": towers, "tested": [0, towers], "usable": [0, towers]}
        ).assign(overdue=0, never_tested=[towers, 0], above_limit=[0, towers]),
        "mobilisation": pd.DataFrame({"access_group": ["G"], "price": [fee]}),
        "options": options,
        "works": pd.DataFrame({"year": [], "package": [], "tower_id": [], "option": []}),
        "condition": condition,
        "priority": pd.DataFrame({"tower_id": ids, "queue": (["safety"] + ["footing"] * towers)[:towers]}),
    }
    parts |= changed or {}
    return LineMonth(folder=line_id, facts=told, **parts)


def planned(*years):
    """Works of a plan: the year of each tower, 0 where it is not treated."""
    rows = [(year, f"Y{year} G", f"T{place}", "rods") for place, year in enumerate(years) if year]
    return pd.DataFrame(rows, columns=["year", "package", "tower_id", "option"])


def report(each, reports, month=None):
    """A line as its run would have written it, as far as a portfolio reads it."""
    month = month or each.facts["month"]
    folder = reports / each.folder / month
    (folder / "tables").mkdir(parents=True)
    facts = pd.DataFrame([each.facts | {"month": month}])
    tables = {
        "line": facts.astype({name: "str" if name in TEXTS else "float64" for name in facts}),
        "coverage": each.coverage,
        "mobilisation": each.mobilisation,
        "plan-options": each.options,
        "plan": each.works,
        "condition": each.condition,
        "priority": each.priority,
    }
    for name, table in tables.items():
        table.to_parquet(folder / "tables" / f"{name}.parquet", index=False)
    sign(folder, each.line_id, month)
    return folder


def sign(folder, line_id, month):
    """``run.json`` over the tables as they stand."""
    files = {
        f"tables/{path.name}": hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (folder / "tables").iterdir()
    }
    (folder / "run.json").write_text(json.dumps({"line_id": line_id, "month": month, "files": files}))
