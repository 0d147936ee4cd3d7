"""Rows against one another: ids that are claimed twice, towers without a place, rows that belong to nothing."""

from dataclasses import replace

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from towerlib.records import ledger
from towerlib.records.tables import TABLES, schema

BELONGS = {  # table: (its column, the table where the id must stand)
    "visits": ("tower_id", "towers"),
    "legs": ("visit_id", "visits"),
    "sweeps": ("visit_id", "visits"),
    "soil": ("tower_id", "towers"),
    "outages": ("tower_id", "towers"),
    "works": ("tower_id", "towers"),
}


def settle(read, line):
    """All tables with only the rows that can be told apart and belong to something.

    Parameters
    ----------
    read : dict of str to Table
        By table name.
    line : Line
        Its `crs` turns eastings and northings into positions.

    Returns
    -------
    dict of str to Table
    """
    settled = dict(read)
    for name in TABLES:  # in this order, so that a row that falls takes its dependants with it
        table = settled[name]
        if name == "towers":
            table = _reject(name, *_placed(table, line))
        table = _reject(name, table, _claimed_twice(table.rows, schema(name).metadata["key"]))
        if name in BELONGS:
            column, home = BELONGS[name]
            if home == "towers":
                table = _reject(name, *_identified(name, table, settled["towers"].rows))
            table = _reject(name, table, _orphans(table.rows, column, home, settled[home]))
        settled[name] = table
    return settled


def _reject(name, table, flaws):
    """A table without its flawed rows, and with their entries in its account."""
    if flaws.empty:
        return table
    rows, entries = ledger.reject(name, table.rows, flaws)
    gone = entries.set_index(["file", "row"]).index
    kept = ~pd.MultiIndex.from_frame(table.repaired[["file", "row"]]).isin(gone)
    rejected = pd.concat([table.rejected, entries], ignore_index=True)
    return replace(table, rows=rows, rejected=rejected.astype({"row": "Int64"}), repaired=table.repaired[kept])


def _placed(table, line):
    """Towers with eastings and northings get latitude and longitude; one without a place is flawed."""
    rows = table.rows
    blank = rows["latitude_deg"].isna() | rows["longitude_deg"].isna()
    grid = blank & rows["easting_m"].notna() & rows["northing_m"].notna()
    reason = "has no position: give latitude_deg and longitude_deg, or easting_m and northing_m"
    if grid.any() and line.crs is None:
        reason = 'has easting and northing, but line.toml names no crs; add crs = "EPSG:…" under [line]'
        grid = grid & False
    if grid.any():
        from towerlib.records.coordinates import from_grid

        placed = rows.loc[grid, ["easting_m", "northing_m"]]
        latitude, longitude = from_grid(placed["easting_m"], placed["northing_m"], line.crs)
        rows = rows.assign(
            latitude_deg=rows["latitude_deg"].mask(grid, latitude.reindex(rows.index)),
            longitude_deg=rows["longitude_deg"].mask(grid, longitude.reindex(rows.index)),
        )
    lost = rows.index[blank & ~grid]
    return replace(table, rows=rows), ledger.flaws(lost, "latitude_deg", "", reason)


def _identified(name, table, towers):
    """Rows with the register's name of their tower; a name that could be several towers is flawed.

    Only names that are not in the register to the letter are looked at; where the crew stood is a second witness.
    """
    rows = table.rows
    strange = rows[rows["tower_id"].notna() & ~_among(rows["tower_id"], towers["tower_id"])]
    if strange.empty:
        return table, ledger.none()
    from towerlib.records.identity import match

    places = towers.set_index("tower_id")[["latitude_deg", "longitude_deg"]]
    stood = strange[["latitude_deg", "longitude_deg"]] if name == "visits" else None
    found = match(strange["tower_id"], towers["tower_id"], positions=stood, register_positions=places)
    asked = found[found["certainty"] == "none"]
    named = found.drop(index=asked.index)
    repairs = pd.DataFrame(
        {
            "index": named.index,
            "column": "tower_id",
            "value": strange.loc[named.index, "tower_id"],
            "used": named["tower_id"],
            "reason": named["certainty"] + ": " + named["reason"],
        }
    )
    written = rows["tower_id"]
    rows = rows.assign(tower_id=named["tower_id"].reindex(rows.index).fillna(written), tower_as_written=written)
    mended = pd.concat([table.repaired, ledger.mended(name, rows, repairs)], ignore_index=True)
    flaws = ledger.flaws(asked.index, "tower_id", strange.loc[asked.index, "tower_id"], asked["reason"])
    return replace(table, rows=rows, repaired=mended), flaws


def _claimed_twice(rows, key):
    """Rows whose id stands more than once: true copies after the first, and all that differ."""
    if not key or rows.empty:
        return ledger.none()
    key = list(key)
    shared = rows[rows.duplicated(key, keep=False)]
    if shared.empty:
        return ledger.none()
    content = [name for name in rows if name not in ("_file", "_row")]
    copies = shared[shared.duplicated(content)]
    rest = shared.drop(index=copies.index)
    differing = rest[rest.duplicated(key, keep=False)]
    bad = shared.loc[shared.index.isin(copies.index) | shared.index.isin(differing.index)]
    place = shared["_file"] + " row " + shared["_row"].astype("str")
    places = place.groupby([shared[name] for name in key]).transform(" and ".join)
    named = " and ".join(key)
    reason = pd.Series("stands more than once with different contents (" + places + f"); give each its own {named}", index=shared.index)
    reason = reason.mask(shared.index.isin(copies.index), "is a copy of another row (" + places + "); the first is used")
    return ledger.flaws(bad.index, key[0], bad[key[0]], reason.loc[bad.index])


def _among(names, known):
    """Whether each name is a known one; a million names take a few hundredths of a second this way."""
    return pc.is_in(pa.array(names), value_set=pa.array(known)).to_numpy(zero_copy_only=False)


def _orphans(rows, column, home, table):
    """Rows that name a tower or visit that is not there, or was rejected itself."""
    lost = rows.index[~_among(rows[column], table.rows[column]) & rows[column].notna()]
    if lost.empty:
        return ledger.none()
    what = {"towers": "is no tower of the register (towers)", "visits": "is no visit that could be used"}[home]
    return ledger.flaws(lost, column, rows.loc[lost, column], what)
