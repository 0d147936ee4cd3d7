"""Quantities, crew time and cost of each treatment from the user's unit prices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.text import counted
from towerlib.treatments.prediction import lengths

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.config.sections import Treatments as TreatmentSettings
    from towerlib.treatments.catalogue import Treatment


SOIL_CLASSES = ("soft", "ordinary", "stony", "rock")
UNITS = {  # item: permitted price units, and the quantity each applies to
    "trench": {"m": "trench_m"},
    "wire": {"m": "wire_m"},
    "rod": {"m": "rod_m", "piece": "rod_count"},
    "drilled rod": {"m": "drilled_m"},
    "backfill": {"m": "fill_m"},
    "leg lead": {"piece": "leads"},
    "shield-wire bond": {"piece": "bonds"},
    "arrester set": {"tower": "arrester_towers", "set": "arrester_sets"},
    "under-built wire": {"m": "underbuilt_m"},
    "bond inspection": {"piece": "bond_inspections"},
    "span inspection": {"span": "span_inspections"},
    "retest": {"tower": "retests"},
    "mobilisation": {"group": "mobilisations"},
}
OPTIONAL = ("bond inspection", "span inspection")  # without a price they cost nothing
QUANTITIES = """
    trench_m wire_m rod_count rod_m drilled_m fill_m leads bonds arrester_sets underbuilt_m retests bond_inspections
    span_inspections
""".split()
EFFORT = (
    "Effort is trench metres: other work is converted to the length of trench in ordinary ground that takes "
    "one crew the same time."
)
LINES = """
    tower_id option item quantity unit price cost low high soil_class access price_file price_row price_source price_year
""".split()
MOBILISATION = "access_group access price low high price_file price_row price_source price_year".split()
NO_PRICES = "No prices: give prices.csv with your own unit prices. Costs are blank, and planning is possible by effort only."


@dataclass(frozen=True)
class PriceList:
    """Checked prices.

    Attributes
    ----------
    rows : pandas.DataFrame
        item, unit, price, price_low, price_high, soil_class, access, source, year; price_file and price_row.
    remarks : tuple of str
        Items that no treatment uses, mixed years, prices without low or high end.
    """

    rows: pd.DataFrame
    remarks: tuple[str, ...]


def price_list(prices: pd.DataFrame) -> PriceList:
    """Prices of the records as checked rows; empty without a ``prices.csv``.

    `RecordsError` where a price is below 0 or outside its low and high end, a unit or soil class is unknown, or two rows
    conflict.
    """
    rows = prices.reset_index(drop=True)
    place = ["price_file", "price_row"]
    rows = rows.reindex(
        columns=[
            "item",
            "unit",
            "price",
            "price_low",
            "price_high",
            "soil_class",
            "access",
            "source",
            "year",
            *place,
        ]
    )
    # prices that come from no file are numbered from 1
    rows = rows.assign(
        price_file=rows["price_file"].astype("object").fillna("").astype("str"),
        price_row=rows["price_row"]
        .astype(float)
        .fillna(pd.Series(np.arange(1.0, len(rows) + 1), rows.index)),
        **{n: rows[n].astype(float) for n in ("price", "price_low", "price_high", "year")},
    )
    rows["item"] = rows["item"].astype("str").str.strip().str.lower()
    known = rows["item"].isin(UNITS)
    _check(rows, known)
    remarks = _remarks(rows, known)
    rows = rows.loc[known]
    low, high = (rows[name].where(rows[name].notna(), rows["price"]) for name in ("price_low", "price_high"))
    return PriceList(rows.assign(price_low=low, price_high=high), tuple(remarks))


def _check(rows, known):
    """Stop at the first row that is not valid."""
    low, high = rows["price_low"].fillna(rows["price"]), rows["price_high"].fillna(rows["price"])
    units = [row.unit in UNITS.get(row.item, {row.unit}) for row in rows.itertuples()]
    classed = rows["soil_class"].isna() | rows["soil_class"].isin(SOIL_CLASSES)
    twice = rows.duplicated(["item", "soil_class", "access"], keep=False) & known
    mixed = rows.groupby("item")["unit"].transform("nunique") > 1
    flaws = [
        (rows["price"].isna(), "has no price"),
        ((rows[["price", "price_low", "price_high"]] < 0).any(axis=1), "is below 0"),
        ((low > rows["price"]) | (high < rows["price"]), "does not lie between its low and its high end"),
        (~pd.Series(units, rows.index, dtype=bool), "is in a unit that does not fit its item"),
        (~classed, f"is for an unknown soil class; use one of {', '.join(SOIL_CLASSES)}"),
        (mixed & known, "is in another unit than other prices of the item"),
        (twice, "occurs twice for the same soil and access"),
    ]
    for flag, words in flaws:
        if flag.any():
            row = rows[flag].iloc[0]
            units = " or ".join(UNITS.get(row["item"], {}))
            hint = f"; price it by {units}" if "unit" in words else "; correct that row"
            raise RecordsError(
                f"prices, row {row['price_row']:.0f}: the price {row['price']:g} per {row['unit']} of {row['item']!r}"
                f"{_where(row)} {words}{hint}"
            )


def _where(row):
    """Soil and access of a row, in words."""
    parts = [str(row[name]) for name in ("soil_class", "access") if pd.notna(row[name])]
    return f" ({', '.join(parts)})" if parts else ""


def _remarks(rows, known):
    """Sentences on unusual but usable prices."""
    remarks = []
    if strange := sorted(set(rows.loc[~known, "item"])):
        remarks.append(
            f"Prices that no treatment uses: {', '.join(strange)}. Known items: {', '.join(UNITS)}."
        )
    years = sorted(set(rows.loc[known, "year"].dropna().astype(int)))
    if len(years) > 1:
        remarks.append(f"Prices of {', '.join(map(str, years))} are mixed; none was indexed.")
    if (blunt := known & (rows["price_low"].isna() | rows["price_high"].isna())).any():
        remarks.append(f"{counted(blunt.sum(), 'price')} without low or high end: the price itself is used.")
    return remarks


def quantities(
    treatment: Treatment, sites: pd.DataFrame, settings: TreatmentSettings, line: Line
) -> pd.DataFrame:
    """Quantities of a treatment at every tower: `QUANTITIES`, crew_days, crew_weeks, effort [m of trench].

    Rods and rings need a connecting wire, in a trench of its own, to each leg or rod. A lead known to be corroded, not
    missing, counts as one lead. Ground without a class counts as ordinary for crew time. Each circuit needs an arrester set.
    """
    amounts = pd.DataFrame(0.0, index=sites.index, columns=QUANTITIES)
    for name, value in _amounts(treatment, sites, settings, line).items():
        amounts[name] = value
    crew_days = _crew_days(amounts, sites, settings.crew)
    return amounts.assign(
        crew_days=crew_days,
        crew_weeks=crew_days / settings.crew.days_per_week,
        effort=crew_days * settings.crew.trench_m_ordinary,
    )


def _amounts(treatment, sites, settings, line):
    """Quantities that are not zero."""
    kind, count, width_m = treatment.kind, treatment.count, sites["width_m"].to_numpy(float)
    wires_m = count * lengths(treatment, sites)
    side_m = width_m + 2 * settings.ring_outside_m
    legs = np.minimum(sites["legs"].to_numpy(), 4)
    around_m = 4 * side_m + legs * np.sqrt(2) * settings.ring_outside_m
    if kind in ("rods", "drilled"):
        joined_m = count * np.sqrt(2) * settings.rods_outside_m
        driven = "rod_m" if kind == "rods" else "drilled_m"
        filled = wires_m if treatment.fill_mm else 0.0
        return {
            "trench_m": joined_m,
            "wire_m": joined_m,
            "rod_count": count,
            driven: wires_m,
            "fill_m": filled,
        }
    if kind in ("radials", "counterpoise"):
        return {"trench_m": wires_m, "wire_m": wires_m, "fill_m": wires_m if treatment.fill_mm else 0.0}
    if kind == "ring":
        return {"trench_m": around_m, "wire_m": around_m}
    if kind == "ring and radials":
        filled = wires_m if treatment.fill_mm else 0.0
        return {"trench_m": around_m + wires_m, "wire_m": around_m + wires_m, "fill_m": filled}
    if kind == "lead":
        return {"leads": np.maximum(np.nan_to_num(sites["leads_missing"].to_numpy(float)), 1.0)}
    if kind == "under-built":
        return {"underbuilt_m": sites[["span_behind_m", "span_ahead_m"]].fillna(0.0).sum(axis=1) / 2}
    if kind == "arresters":
        return {"arrester_sets": max(1, len({wire.circuit for wire in line.phases.conductors}))}
    if kind == "inspect span":
        return {"span_inspections": sites["spans_begun"].astype(float)}
    return {"rebond": {"bonds": 1.0, "bond_inspections": 1.0}, "retest": {"retests": 1.0}}.get(kind, {})


def _crew_days(amounts, sites, crew):
    """Days of one crew, travel excluded."""
    ground = sites["soil_class"].astype("object").where(sites["soil_class"].notna(), "ordinary")
    trench_m = ground.map(
        {name: getattr(crew, f"trench_m_{name}") for name in ("soft", "ordinary", "stony", "rock")}
    )
    return (
        amounts["trench_m"] / trench_m.astype(float)
        + amounts["rod_m"] / crew.rod_m
        + amounts["drilled_m"] / crew.drilled_m
        + amounts["fill_m"] / crew.fill_m
        + (amounts["leads"] + amounts["bonds"] + amounts["span_inspections"]) / crew.pieces
        + amounts["arrester_sets"] / crew.arrester_sets
        + amounts["underbuilt_m"] / crew.underbuilt_m
        + amounts["retests"] / crew.retests
    )


def cost_lines(options: pd.DataFrame, priced: PriceList) -> pd.DataFrame:
    """Cost of every option, item by item.

    Parameters
    ----------
    options : pandas.DataFrame
        One row per tower and option: tower_id, option, soil_class, access and the quantities.
    priced : PriceList

    Returns
    -------
    pandas.DataFrame
        One row per option and item needed: columns as in `LINES`; cost = quantity × price. Cost and
        price are NaN, price_row blank, where no price applies.
    """
    parts = [_of_item(options, item, priced) for item in UNITS if item != "mobilisation"]
    parts = [part for part in parts if len(part)]
    if not parts:
        return _typed(pd.DataFrame(columns=LINES))
    lines = pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
    return _typed(cast("pd.DataFrame", lines[LINES]))


def _of_item(options, item, priced):
    """Cost lines of one item."""
    rows = priced.rows[priced.rows["item"] == item]
    if item in OPTIONAL and rows.empty:
        return options.iloc[:0]
    unit = rows["unit"].iloc[0] if len(rows) else next(iter(UNITS[item]))
    counted = UNITS[item][unit]
    whole_tower = counted == "arrester_towers"
    amount = (options["arrester_sets"] > 0).astype(float) if whole_tower else options[counted]
    needed = options[amount > 0]
    found = best_rows(priced, item, needed["soil_class"], needed["access"])
    lines = pd.DataFrame(
        {
            "tower_id": needed["tower_id"],
            "option": needed["option"],
            "item": item,
            "quantity": amount[amount > 0],
            "unit": unit,
        },
        index=needed.index,
    )
    return lines.assign(**_price(priced, found, lines["quantity"]))


def _price(priced, found, quantity):
    """Price, cost and their source; NaN where no row applies."""
    row = priced.rows.reindex(found.to_numpy())
    return {
        "price": row["price"].to_numpy(float),
        "cost": quantity.to_numpy(float) * row["price"].to_numpy(float),
        "low": quantity.to_numpy(float) * row["price_low"].to_numpy(float),
        "high": quantity.to_numpy(float) * row["price_high"].to_numpy(float),
        "soil_class": row["soil_class"].to_numpy(),
        "access": row["access"].to_numpy(),
        "price_file": row["price_file"].to_numpy(),
        "price_row": pd.array(row["price_row"].to_numpy(float), dtype="Int64"),
        "price_source": row["source"].to_numpy(),
        "price_year": pd.array(row["year"].to_numpy(float), dtype="Int64"),
    }


def _typed(lines):
    """Fixed column types, also for an empty table."""
    texts = [
        "tower_id",
        "option",
        "item",
        "unit",
        "soil_class",
        "access",
        "price_file",
        "price_source",
        "access_group",
    ]
    whole = ["price_row", "price_year"]
    kinds = dict.fromkeys(texts, "str") | dict.fromkeys(whole, "Int64")
    return lines.astype({name: kinds.get(name, "float64") for name in lines.columns})


def totals(options: pd.DataFrame, lines: pd.DataFrame) -> pd.DataFrame:
    """Cost of each option, summed over its lines.

    Parameters
    ----------
    options : pandas.DataFrame
        As for `cost_lines`.
    lines : pandas.DataFrame
        From `cost_lines`.

    Returns
    -------
    pandas.DataFrame
        Index of `options`: cost, cost_low, cost_high, NaN where an item has no price, and cost_flaw, which names
        that item. An option without items costs 0.
    """
    keys = ["tower_id", "option"]
    by_option = cast("Any", lines.groupby(keys, sort=False))
    sums = by_option[["cost", "low", "high"]].sum()
    unpriced = lines[lines["price"].isna()]
    flaws = unpriced.groupby(keys, sort=False)["item"].agg(lambda items: "no price of " + ", ".join(items))
    index = pd.MultiIndex.from_frame(cast("pd.DataFrame", options[keys]).astype("str"))
    flaw = flaws.reindex(index).fillna("").to_numpy()
    found = sums.reindex(index).fillna(0.0).to_numpy(float)
    found = np.where((flaw != "")[:, None], np.nan, found)
    table = pd.DataFrame(found, columns=["cost", "cost_low", "cost_high"], index=options.index)
    return table.assign(cost_flaw=pd.array(flaw, dtype="str"))


def mobilisations(sites: pd.DataFrame, priced: PriceList) -> pd.DataFrame:
    """Cost of one mobilisation of each access group.

    Parameters
    ----------
    sites : pandas.DataFrame
        tower_id, access_group and access of each tower.
    priced : PriceList

    Returns
    -------
    pandas.DataFrame
        One row per access group: columns as in `MOBILISATION`. A tower without a group forms its own (``tower 12``).
        The most expensive access within a group applies to the whole group.
    """
    own = "tower " + sites["tower_id"].astype(str)
    group = sites["access_group"].astype("object").where(sites["access_group"].notna(), own)
    found = best_rows(
        priced,
        "mobilisation",
        pd.Series(pd.NA, sites.index, dtype="object"),
        cast("pd.Series", sites["access"]),
    )
    one = pd.Series(1.0, sites.index)
    table = pd.DataFrame({"access_group": group, **_price(priced, found, one)}, index=sites.index)
    table = table.assign(access=sites["access"]).sort_values("price", kind="stable", na_position="last")
    table = table.drop_duplicates("access_group", keep="last").sort_values("access_group", kind="stable")
    return _typed(cast("pd.DataFrame", table[MOBILISATION]).reset_index(drop=True))


def best_rows(priced: PriceList, item: str, soil_class: pd.Series, access: pd.Series) -> pd.Series:
    """Index of the row in `priced.rows` that applies at each place, −1 where none; blank where soil or access is not known.

    A row for the soil class takes precedence over one for the access, and that over a general one.
    """
    rows = priced.rows[priced.rows["item"] == item]
    places = pd.DataFrame({"soil": soil_class.astype("object"), "access": access.astype("object")})
    places = places.where(places.notna(), "")
    table = {
        (
            row.soil_class if pd.notna(row.soil_class) else "",
            row.access if pd.notna(row.access) else "",
        ): index
        for row, index in zip(cast("Any", rows).itertuples(), rows.index, strict=True)
    }
    found = {
        (soil, way): next(
            (table[key] for key in ((soil, way), (soil, ""), ("", way), ("", "")) if key in table), -1
        )
        for soil, way in set(zip(places["soil"], places["access"], strict=True))
    }
    return pd.Series(
        [found[key] for key in zip(places["soil"], places["access"], strict=True)],
        soil_class.index,
        dtype=int,
    )
