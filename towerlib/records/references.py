"""Rows against one another: ids that are claimed twice, towers without a place, rows that belong to nothing."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from towerlib.records import copies, ledger, places
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
            table = _reject(name, *places.towers(table, line))
        if name == "visits":
            table = _reject(name, *places.visits(table, settled["towers"].rows))
        if schema(name).metadata["key"]:
            table = _reject(name, table, copies.claimed_twice(table.rows, list(schema(name).metadata["key"])))
        settled[name] = _belonging(name, table, settled)
    return settled


def _belonging(name, table, settled):
    """A table without the rows whose tower or visit is not there, and without copies where rows have no name."""
    codes = None
    if name in BELONGS:
        column, home = BELONGS[name]
        if home == "towers":
            table = _reject(name, *_identified(name, table, settled["towers"]))
        codes = _codes(table.rows[column], settled[home].rows[column])
        lost = (codes < 0) & table.rows[column].notna().to_numpy()
        if lost.any():
            table = _reject(name, table, _orphans(table.rows[lost], column, home, settled[home]))
            codes = codes[~lost]
    if schema(name).metadata["key"]:
        return table
    return _reject(name, table, copies.twice(table.rows, codes))


def _reject(name, table, flaws):
    """A table without its flawed rows, and with their entries in its account."""
    if flaws.empty:
        return table
    rows, entries = ledger.reject(name, table.rows, flaws)
    gone = entries.set_index(["file", "row"]).index
    kept = ~pd.MultiIndex.from_frame(table.repaired[["file", "row"]]).isin(gone)
    return replace(
        table,
        rows=rows,
        rejected=pd.concat([table.rejected, entries], ignore_index=True).astype({"row": "Int64"}),
        repaired=table.repaired[kept],
        fallen=table.fallen | ledger.fallen(name, table.rows, flaws),
    )


def _identified(name, table, towers):
    """Rows with the register's name of their tower; a name that could be several towers is flawed.

    Only names that are not in the register to the letter are looked at; where the crew stood is a second witness.
    Towers whose own row was rejected count as names too: else their visits would go to a tower of a similar name.
    """
    rows, register = table.rows, [*towers.rows["tower_id"], *towers.fallen]
    strange = rows[rows["tower_id"].notna() & (_codes(rows["tower_id"], register) < 0)]
    if strange.empty:
        return table, ledger.none()
    from towerlib.records.identity import match

    spots = towers.rows.set_index("tower_id")[["latitude_deg", "longitude_deg"]]
    stood = strange[["latitude_deg", "longitude_deg"]] if name == "visits" else None
    found = match(strange["tower_id"], register, positions=stood, register_positions=spots)
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
    rows = rows.assign(
        tower_id=named["tower_id"].reindex(rows.index).fillna(written), tower_as_written=written
    )
    mended = pd.concat([table.repaired, ledger.mended(name, rows, repairs)], ignore_index=True)
    flaws = ledger.flaws(asked.index, "tower_id", strange.loc[asked.index, "tower_id"], asked["reason"])
    return replace(table, rows=rows, repaired=mended), flaws


def _codes(names, known):
    """Place of each name among the known ones, -1 for none; a million names take a few hundredths of a second."""
    found = pc.index_in(
        pa.array(names, type=pa.large_string()), value_set=pa.array(known, type=pa.large_string())
    )
    return found.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)


def _orphans(rows, column, home, table):
    """Why rows fall that name a tower or visit that is not there, or was rejected itself."""
    missing, rejected = {
        "towers": (
            "is no tower of the register (towers)",
            "is a tower whose own row in the register was rejected; mend that row",
        ),
        "visits": (
            "is no visit of the table visits",
            "is no visit that could be used: its own row was rejected; mend that row",
        ),
    }[home]
    fell = rows[column].isin(table.fallen)
    return ledger.flaws(rows.index, column, rows[column], fell.map({True: rejected, False: missing}))
