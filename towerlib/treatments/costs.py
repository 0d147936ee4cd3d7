"""What each option costs, line by line, each line with the price row it comes from; mobilisation apart."""

import numpy as np
import pandas as pd

from towerlib.treatments.pricelist import UNITS, best_rows

LINES = """
    tower_id option item quantity unit price cost low high soil_class access price_file price_row price_source price_year
""".split()
MOBILISATION = "access_group access price low high price_file price_row price_source price_year".split()
NO_PRICES = "No prices: give prices.csv with your own unit prices. Costs are blank, and the plan can go by effort only."


def cost_lines(options, priced):
    """Cost of every option, item by item.

    Parameters
    ----------
    options : pandas.DataFrame
        One row a tower and option: tower_id, option, soil_class, access and the quantities.
    priced : PriceList

    Returns
    -------
    pandas.DataFrame
        One row an option and item of which it needs some: columns as in `LINES`; cost = quantity × price. Cost and
        price are NaN, price_row blank, where no price holds.
    """
    parts = [_of_item(options, item, priced) for item in UNITS if item != "mobilisation"]
    parts = [part for part in parts if len(part)]
    if not parts:
        return _typed(pd.DataFrame(columns=LINES))
    lines = pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
    return _typed(lines[LINES])


def _typed(lines):
    """Columns of one type whatever they hold."""
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


def _of_item(options, item, priced):
    """Lines of one item."""
    rows = priced.rows[priced.rows["item"] == item]
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
    """Price, cost and where they come from; NaN where no row holds."""
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


def totals(options, lines):
    """Cost of each option from its lines.

    Parameters
    ----------
    options : pandas.DataFrame
        As for `cost_lines`.
    lines : pandas.DataFrame
        From `cost_lines`.

    Returns
    -------
    pandas.DataFrame
        Index of `options`: cost, cost_low, cost_high, NaN where an item has no price, and cost_flaw, which says
        which; what needs nothing costs nothing.
    """
    keys = ["tower_id", "option"]
    by_option = lines.groupby(keys, sort=False)
    sums = by_option[["cost", "low", "high"]].sum()
    unpriced = lines[lines["price"].isna()]
    flaws = unpriced.groupby(keys, sort=False)["item"].agg(lambda items: "no price of " + ", ".join(items))
    index = pd.MultiIndex.from_frame(options[keys].astype("str"))
    flaw = flaws.reindex(index).fillna("").to_numpy()
    found = sums.reindex(index).fillna(0.0).to_numpy(float)
    found = np.where((flaw != "")[:, None], np.nan, found)
    table = pd.DataFrame(found, columns=["cost", "cost_low", "cost_high"], index=options.index)
    return table.assign(cost_flaw=pd.array(flaw, dtype="str"))


def mobilisations(sites, priced):
    """What one mobilisation of each access group costs.

    Parameters
    ----------
    sites : pandas.DataFrame
        tower_id, access_group and access of each tower.
    priced : PriceList

    Returns
    -------
    pandas.DataFrame
        One row an access group, a tower without one being a group of its own (``tower 12``): columns as in
        `MOBILISATION`. The dearest access of a group's towers counts for all of it.
    """
    own = "tower " + sites["tower_id"].astype(str)
    group = sites["access_group"].astype("object").where(sites["access_group"].notna(), own)
    found = best_rows(priced, "mobilisation", pd.Series(pd.NA, sites.index, dtype="object"), sites["access"])
    one = pd.Series(1.0, sites.index)
    table = pd.DataFrame({"access_group": group, **_price(priced, found, one)}, index=sites.index)
    table = table.assign(access=sites["access"]).sort_values("price", kind="stable", na_position="last")
    table = table.drop_duplicates("access_group", keep="last").sort_values("access_group", kind="stable")
    return _typed(table[MOBILISATION].reset_index(drop=True))
