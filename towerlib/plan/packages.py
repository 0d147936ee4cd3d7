"""The plan as work packages by access group and year, work orders by tower, and cost lines."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.plan.budget import QUANTITIES
from towerlib.text import grouped as grouped_number

if TYPE_CHECKING:
    from towerlib.plan.budget import Budget


AVOIDED = ["avoided_per_year", "avoided_low", "avoided_high"]
COSTS = ["cost", "cost_low", "cost_high"]
PACKAGES = [
    *("package", "year", "access_group", "access", "towers", "must_do", "tower_ids", "from_km", "to_km"),
    *(
        *QUANTITIES,
        "crew_weeks",
        "work_cost",
        "mobilisation",
        *COSTS,
        *AVOIDED,
        "without_prediction",
        "remarks",
    ),
]
LINES = """
    package year access_group tower_id option item quantity unit price cost low high soil_class access price_file price_row
    price_source price_year
""".split()
PLACES = """
    latitude_deg longitude_deg occupancy verdict footing_date limit_ohm suspected_cause bond_state
""".split()
OF_OPTION = ["purse", "soil_class", "reason", "life_years"]


def packages(budget: Budget, mobilisation: pd.DataFrame) -> pd.DataFrame:
    """Work packages of a plan, with totals of materials, crews and money.

    Parameters
    ----------
    budget : Budget
        From `towerlib.plan.optimise_plan`.
    mobilisation : pandas.DataFrame
        access_group, access, price, low, high: from `towerlib.treatments.Treatments.mobilisation`.

    Returns
    -------
    pandas.DataFrame
        One row per package, by year and place on the line: columns as in `PACKAGES`. cost includes
        one mobilisation. Low and high ends are sums, as for fully correlated errors. without_prediction counts
        works whose trip-outs avoided are not known. remarks name the works that wait for an inspection.
    """
    works = budget.works
    if works.empty:
        return pd.DataFrame(columns=PACKAGES)
    grouped = cast("Any", works.groupby("package", sort=False))
    sums = grouped[[*QUANTITIES, "crew_weeks", *COSTS, *AVOIDED]].sum().astype(float)
    table = grouped[["year", "access_group"]].first().join(sums)
    table = table.assign(
        towers=grouped["tower_id"].nunique(),
        must_do=grouped["must_do"].sum().astype(int),
        tower_ids=grouped["tower_id"].agg(lambda ids: ", ".join(dict.fromkeys(ids))),
        from_km=grouped["chainage_km"].min(),
        to_km=grouped["chainage_km"].max(),
        without_prediction=grouped["avoided_per_year"].agg(lambda avoided: int(avoided.isna().sum())),
        work_cost=sums["cost"],
        remarks=pd.Series({name: _reserved(mine) for name, mine in grouped}, dtype="str"),
    ).reset_index()
    fees = mobilisation.set_index("access_group")[["access", "price", "low", "high"]]
    table = table.join(fees, on="access_group", validate="m:1")
    for name, fee in zip(COSTS, ("price", "low", "high"), strict=True):
        table[name] = table[name] + table[fee].fillna(table["price"]).fillna(0.0)
    table = table.assign(mobilisation=table["price"].fillna(0.0))
    return cast(
        "pd.DataFrame", table.sort_values(["year", "from_km"], kind="stable", ignore_index=True)[PACKAGES]
    )


def _reserved(works):
    """Conditional works of a package and their cost, in a sentence; "" without any."""
    waiting = works[works["conditional_on"] != ""]
    if waiting.empty:
        return ""
    who = ", ".join(waiting["tower_id"])
    return f"Reserve of {grouped_number(waiting['cost'].sum())}: tower {who}, conditional on an inspection or repair."


def cost_lines(budget: Budget, lines: pd.DataFrame, mobilisation: pd.DataFrame) -> pd.DataFrame:
    """Cost lines of a plan, with their price rows.

    Parameters
    ----------
    budget : Budget
    lines : pandas.DataFrame
        From `towerlib.treatments.Treatments.cost_lines`.
    mobilisation : pandas.DataFrame
        As for `packages`.

    Returns
    -------
    pandas.DataFrame
        One row per work and item, and one per package for its mobilisation (tower_id and option blank): columns as
        in `LINES`. They add up to the spending of the plan.
    """
    works = budget.works
    if works.empty:
        return pd.DataFrame(columns=LINES)
    place = works[["package", "year", "access_group", "tower_id", "option", "chainage_km"]]
    of_works = place.merge(lines, on=["tower_id", "option"], how="inner", validate="1:m")
    visits = works.drop_duplicates("package")[["package", "year", "access_group"]]
    fees = visits.merge(mobilisation, on="access_group", how="left", validate="m:1")
    fees = fees[fees["price"].notna()].assign(
        item="mobilisation", quantity=1.0, unit="group", cost=lambda table: table["price"]
    )
    whole = pd.concat([part.dropna(axis=1, how="all") for part in (fees, of_works) if len(part)])
    order = whole.assign(
        first=whole["package"].map(cast("Any", works.groupby("package")["chainage_km"].min())),
        along=whole["chainage_km"].fillna(-np.inf) if "chainage_km" in whole else -np.inf,
    )
    order = order.sort_values(["year", "first", "package", "along"], kind="stable", ignore_index=True)
    return order.reindex(columns=LINES)


def orders(budget: Budget, condition: pd.DataFrame, line_id: str) -> pd.DataFrame:
    """Work orders of a plan, one per work.

    Parameters
    ----------
    budget : Budget
    condition : pandas.DataFrame
        One row per tower, from `towerlib.condition.assess`.
    line_id : str
        Prefix of each id.

    Returns
    -------
    pandas.DataFrame
        Rows of `budget.works` by package and place, with work_order_id, line_id, place and state of the tower
        (`PLACES`, where known), and `OF_OPTION`.

    Notes
    -----
    An id consists of line, tower and treatment, without year and package, so it remains valid when the plan moves
    the work.
    """
    works = budget.works
    of_option = budget.options.reindex(columns=["tower_id", "option", *OF_OPTION])
    of_tower = condition.reindex(columns=["tower_id", *PLACES])
    table = works.merge(of_option, on=["tower_id", "option"], how="left", validate="1:1")
    table = table.merge(of_tower, on="tower_id", how="left", validate="m:1")
    ids = [
        f"{line_id}/{tower}/{slug(option)}"
        for tower, option in zip(table["tower_id"], table["option"], strict=True)
    ]
    table.insert(0, "work_order_id", pd.array(ids, dtype="str"))
    table.insert(1, "line_id", line_id)
    return table


def slug(name: str) -> str:
    """Name in lower-case letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", str(name).lower()).strip("-")
