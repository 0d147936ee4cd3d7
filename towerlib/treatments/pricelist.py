"""The user's unit prices: checked, and the row that holds at a tower."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from towerlib.errors import RecordsError
from towerlib.language import counted

SOIL_CLASSES = ("soft", "ordinary", "stony", "rock")
UNITS = {  # item to the units it may be priced by, and the quantity it is counted in
    "trench": {"m": "trench_m"},
    "wire": {"m": "wire_m"},
    "rod": {"m": "rod_m", "piece": "rod_count"},
    "drilled rod": {"m": "drilled_m"},
    "backfill": {"m": "fill_m"},
    "leg lead": {"piece": "leads"},
    "shield-wire bond": {"piece": "bonds"},
    "arrester set": {"tower": "arrester_towers", "set": "arrester_sets"},
    "under-built wire": {"m": "underbuilt_m"},
    "retest": {"tower": "retests"},
    "mobilisation": {"group": "mobilisations"},
}


@dataclass(frozen=True)
class PriceList:
    """Checked prices.

    Attributes
    ----------
    rows : pandas.DataFrame
        item, unit, price, price_low, price_high, soil_class, access, source, year; price_file and price_row, where
        it stands.
    remarks : tuple of str
        What a reader has to know: items that nothing uses, mixed years, prices without ends.
    """

    rows: pd.DataFrame
    remarks: tuple


def price_list(prices):
    """Prices as checked rows.

    Parameters
    ----------
    prices : pandas.DataFrame
        As the records have them; empty without a ``prices.csv``.

    Returns
    -------
    PriceList

    Raises
    ------
    RecordsError
        A price below 0, ends that do not hold it, an unknown unit or class of soil, two rows for one thing.
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
    # prices that come from no file are counted, the first being 1
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
    rows = rows[known]
    low, high = rows["price_low"].fillna(rows["price"]), rows["price_high"].fillna(rows["price"])
    return PriceList(rows.assign(price_low=low, price_high=high), tuple(remarks))


def _check(rows, known):
    """One sentence for the first row that makes no sense."""
    low, high = rows["price_low"].fillna(rows["price"]), rows["price_high"].fillna(rows["price"])
    units = [row.unit in UNITS.get(row.item, {row.unit}) for row in rows.itertuples()]
    classed = rows["soil_class"].isna() | rows["soil_class"].isin(SOIL_CLASSES)
    twice = rows.duplicated(["item", "soil_class", "access"], keep=False) & known
    mixed = rows.groupby("item")["unit"].transform("nunique") > 1
    flaws = [
        (rows["price"].isna(), "has no price"),
        ((rows[["price", "price_low", "price_high"]] < 0).any(axis=1), "is below 0"),
        ((low > rows["price"]) | (high < rows["price"]), "does not lie between its low and its high end"),
        (~pd.Series(units, rows.index, dtype=bool), "is in a unit that its item is not counted in"),
        (~classed, f"is for a class of soil that is none of {', '.join(SOIL_CLASSES)}"),
        (mixed & known, "is in another unit than other prices of the item"),
        (twice, "stands twice for the same soil and access"),
    ]
    for flag, words in flaws:
        if flag.any():
            row = rows[flag].iloc[0]
            units = " or ".join(UNITS.get(row["item"], {}))
            hint = f"; price it by {units}" if "unit" in words else "; mend that row"
            raise RecordsError(
                f"prices, row {row['price_row']:.0f}: the price {row['price']:g} per {row['unit']} of {row['item']!r}"
                f"{_where(row)} {words}{hint}"
            )


def _where(row):
    """Soil and access of a row, in words."""
    parts = [str(row[name]) for name in ("soil_class", "access") if pd.notna(row[name])]
    return f" ({', '.join(parts)})" if parts else ""


def _remarks(rows, known):
    """Sentences on what is odd but usable."""
    told = []
    if strange := sorted(set(rows.loc[~known, "item"])):
        told.append(
            f"Prices that no treatment uses: {', '.join(strange)}. Items are known by the names {', '.join(UNITS)}."
        )
    years = sorted(set(rows.loc[known, "year"].dropna().astype(int)))
    if len(years) > 1:
        told.append(f"Prices of {', '.join(map(str, years))} are mixed; none was indexed.")
    if (blunt := known & (rows["price_low"].isna() | rows["price_high"].isna())).any():
        told.append(f"{counted(blunt.sum(), 'price')} without low or high end: the price itself stands in.")
    return told


def best_rows(priced, item, soil_class, access):
    """The row of the price list that holds at each place.

    Parameters
    ----------
    priced : PriceList
    item : str
    soil_class, access : Series of str, shape (n,)
        Blank where not known.

    Returns
    -------
    pandas.Series
        Index of the row in `priced.rows`, −1 where none holds. A row for the place's own soil goes before one
        for its access, that before one for all.
    """
    rows = priced.rows[priced.rows["item"] == item]
    places = pd.DataFrame({"soil": soil_class.astype("object"), "access": access.astype("object")})
    places = places.where(places.notna(), "")
    table = {
        (
            row.soil_class if pd.notna(row.soil_class) else "",
            row.access if pd.notna(row.access) else "",
        ): index
        for row, index in zip(rows.itertuples(), rows.index, strict=True)
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
