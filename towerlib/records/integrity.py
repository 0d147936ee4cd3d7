"""Rows that stand twice: a file that was sent again, a table that was pasted twice, two rows that claim one name."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from towerlib.records import audit, positions
from towerlib.records.tables import TABLES, schema

_PLACE = ("_file", "_row")
_MIX = np.uint64(0x9E3779B97F4A7C15)  # odd, so that no bit is lost: 2^64 over the golden ratio


def claimed_twice(rows, key):
    """Rows whose name stands more than once: true copies after the first, and all that differ.

    Parameters
    ----------
    rows : pandas.DataFrame
    key : list of str
        Columns that name a row.

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.audit.flaws`.
    """
    if rows.empty:
        return audit.none()
    codes = [_codes(rows[name], name) for name in key]  # -1 where blank: such a row claims nothing
    named = np.all([code >= 0 for code in codes], axis=0)
    whole = np.ravel_multi_index([code[named] for code in codes], [code.max() + 2 for code in codes])
    twice = np.zeros(len(rows), bool)
    twice[named] = pd.Series(whole).duplicated(keep=False)
    if not twice.any():
        return audit.none()
    names = pd.Series(whole[twice[named]], index=rows.index[twice])
    shared = rows.loc[names.index]
    content = [name for name in rows if name not in _PLACE]
    copies = shared[shared.duplicated(content)]
    rest = names.drop(index=copies.index)
    differing = rest[rest.duplicated(keep=False)]
    bad = shared.index[shared.index.isin(copies.index) | shared.index.isin(differing.index)]
    spots = _spots(shared, names)
    reason = (
        "stands more than once with different contents ("
        + spots
        + f"); give each its own {' and '.join(key)}, or delete the wrong one"
    )
    reason = reason.mask(
        shared.index.isin(copies.index), "is a copy of another row (" + spots + "); the first is used"
    )
    return audit.flaws(bad, key[0], shared.loc[bad, key[0]], reason.loc[bad])


def twice(rows, codes=None):
    """Rows without a name of their own that repeat another row in every cell.

    Parameters
    ----------
    rows : pandas.DataFrame
    codes : array of int, optional
        Which tower or visit each row belongs to.

    Returns
    -------
    pandas.DataFrame
        In the form of `towerlib.records.audit.flaws`.
    """
    if len(rows) < 2 or _climbs(rows, codes):
        return audit.none()
    likely = pd.Series(_mixed(rows, codes)).duplicated(keep=False).to_numpy()
    if not likely.any():
        return audit.none()
    shared = rows[likely]
    content = [name for name in rows if name not in _PLACE]
    shared = shared[shared.duplicated(content, keep=False)]
    bad = shared.index[shared.duplicated(content)]
    if bad.empty:
        return audit.none()
    spots = _spots(shared, [shared[name] for name in content])
    first = content[0]
    value = shared.loc[bad, first].astype("str").fillna("")
    return audit.flaws(
        bad, first, value, ("is a copy of another row (" + spots + "); the first is used").loc[bad]
    )


def _climbs(rows, codes):
    """Whether visit by visit the frequencies climb, as instruments export them: then no row can stand twice."""
    if codes is None or "frequency_hz" not in rows:
        return False
    steps, climb = np.diff(codes), np.diff(rows["frequency_hz"].to_numpy())
    return bool(((steps > 0) | ((steps == 0) & (climb > 0))).all())


def _mixed(rows, codes):
    """A number for each row, the same for rows with the same numbers and codes: cheaper than comparing texts."""
    mixed = np.zeros(len(rows), np.uint64) if codes is None else codes.astype(np.uint64)
    for name in rows:
        if name not in _PLACE and rows[name].dtype.kind in "fM":
            numbers = rows[name].to_numpy(
                dtype="float64" if rows[name].dtype.kind == "f" else "datetime64[ns]"
            )
            mixed = (mixed ^ (mixed >> np.uint64(29))) * _MIX + numbers.view(np.uint64)
    return mixed


def _codes(names, column):
    """A number for each name; legs without case, spaces and the word itself, for leg A and a are one leg."""
    codes, distinct = pd.factorize(names)
    if column != "leg":
        return codes
    folded, _ = pd.factorize(
        np.array([leg.casefold().removeprefix("leg").strip(" .:-_") or leg for leg in distinct], object)
    )
    return np.append(folded, -1)[codes]


def _spots(rows, groups):
    """Where the rows of each group stand: at most three places."""
    place = rows["_file"] + " row " + rows["_row"].astype("str")
    return place.groupby(groups, dropna=False).transform(_listed)


def _listed(spots):
    """At most three places for a sentence."""
    shown = " and ".join(spots.iloc[:3])
    return shown if len(spots) < 4 else f"{shown} and {len(spots) - 3} more"


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
            table = _reject(name, *positions.towers(table, line))
        if name == "visits":
            table = _reject(name, *positions.visits(table, settled["towers"].rows))
        if schema(name).metadata["key"]:
            table = _reject(name, table, claimed_twice(table.rows, list(schema(name).metadata["key"])))
        settled[name] = _belonging(name, table, settled)
    return settled


def _belonging(name, table, settled):
    """A table without the rows whose tower or visit is not there, and without copies where rows have no name."""
    codes = None
    if name in BELONGS:
        column, home = BELONGS[name]
        if home == "towers":
            table = _reject(name, *_identified(name, table, settled["towers"]))
        codes = _references_codes(table.rows[column], settled[home].rows[column])
        lost = (codes < 0) & table.rows[column].notna().to_numpy()
        if lost.any():
            table = _reject(name, table, _orphans(table.rows[lost], column, home, settled[home]))
            codes = codes[~lost]
    if schema(name).metadata["key"]:
        return table
    return _reject(name, table, twice(table.rows, codes))


def _reject(name, table, flaws):
    """A table without its flawed rows, and with their entries in its account."""
    if flaws.empty:
        return table
    rows, entries = audit.reject(name, table.rows, flaws)
    gone = entries.set_index(["file", "row"]).index
    kept = ~pd.MultiIndex.from_frame(table.repaired[["file", "row"]]).isin(gone)
    return replace(
        table,
        rows=rows,
        rejected=pd.concat([table.rejected, entries], ignore_index=True).astype({"row": "Int64"}),
        repaired=table.repaired[kept],
        fallen=table.fallen | audit.fallen(name, table.rows, flaws),
    )


def _identified(name, table, towers):
    """Rows with the register's name of their tower; a name that could be several towers is flawed.

    Only names that are not in the register to the letter are looked at; where the crew stood is a second witness.
    Towers whose own row was rejected count as names too: else their visits would go to a tower of a similar name.
    """
    rows, register = table.rows, [*towers.rows["tower_id"], *towers.fallen]
    strange = rows[rows["tower_id"].notna() & (_references_codes(rows["tower_id"], register) < 0)]
    if strange.empty:
        return table, audit.none()
    from towerlib.records.tower_names import match

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
    mended = pd.concat([table.repaired, audit.mended(name, rows, repairs)], ignore_index=True)
    flaws = audit.flaws(asked.index, "tower_id", strange.loc[asked.index, "tower_id"], asked["reason"])
    return replace(table, rows=rows, repaired=mended), flaws


def _references_codes(names, known):
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
    return audit.flaws(rows.index, column, rows[column], fell.map({True: rejected, False: missing}))
