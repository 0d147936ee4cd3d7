"""Integrity of the tables against one another: duplicate rows, contradicting names, and references to missing rows.

`settle` takes the tables in the order of the dictionary, so that the rejection of a tower or visit also rejects the
rows that refer to it. Rows are compared as contents, never guessed at: a true duplicate keeps its first row, and rows
of one name with different contents are all rejected.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from towerlib.records import audit, positions
from towerlib.records.tables import TABLES, key

if TYPE_CHECKING:
    from towerlib.config import Line
    from towerlib.records.load import Table

_PLACE = ("_file", "_row")
_MIX = np.uint64(0x9E3779B97F4A7C15)  # odd, so that no bit is lost: 2^64 over the golden ratio
BELONGS = {  # table: (its column, the table that must contain the id)
    "visits": ("tower_id", "towers"),
    "legs": ("visit_id", "visits"),
    "sweeps": ("visit_id", "visits"),
    "soil": ("tower_id", "towers"),
    "outages": ("tower_id", "towers"),
    "works": ("tower_id", "towers"),
}


def settle(read: Mapping[str, Table], line: Line) -> dict[str, Table]:
    """All tables with only the rows that are unique and refer to an existing tower or visit."""
    settled = dict(read)
    for name in TABLES:  # in this order, so that a rejected row also rejects the rows that refer to it
        table = settled[name]
        if name == "towers":
            table = _reject(name, *positions.towers(table, line))
        if name == "visits":
            table = _reject(name, *positions.visits(table, settled["towers"].rows))
        if key(name):
            table = _reject(name, table, same_name(table.rows, key(name)))
        settled[name] = _belonging(name, table, settled)
    return settled


def _belonging(name: str, table: Table, settled: Mapping[str, Table]) -> Table:
    """A table without rows of a missing tower or visit, and without duplicates where rows have no name."""
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
    if key(name):
        return table
    return _reject(name, table, duplicates(table.rows, codes))


def _reject(name: str, table: Table, flaws: pd.DataFrame) -> Table:
    """A table without its flawed rows, which are entered in its audit."""
    if flaws.empty:
        return table
    rows, entries = audit.reject(name, table.rows, flaws)
    gone = entries.set_index(["file", "row"]).index
    kept = ~table.repaired.set_index(["file", "row"]).index.isin(gone)
    return replace(
        table,
        rows=rows,
        rejected=pd.concat([table.rejected, entries], ignore_index=True).astype({"row": "Int64"}),
        repaired=table.repaired[kept],
        rejected_ids=table.rejected_ids | audit.rejected_ids(name, table.rows, flaws),
    )


def _identified(name: str, table: Table, towers: Table) -> tuple[Table, pd.DataFrame]:
    """Rows with the register's name of their tower; a name that could mean several towers is a flaw.

    Only names that are not in the register to the letter are matched; the position of the crew is further evidence.
    Towers whose own row was rejected count as names too: otherwise their visits would go to a similar name.
    """
    rows, register = table.rows, [*towers.rows["tower_id"], *towers.rejected_ids]
    is_strange = rows["tower_id"].notna() & (_references_codes(rows["tower_id"], register) < 0)
    strange = cast("Any", rows[is_strange])
    if strange.empty:
        return table, audit.no_flaws()
    from towerlib.records.tower_names import match

    spots = cast("Any", towers.rows.set_index("tower_id"))[["latitude_deg", "longitude_deg"]]
    stood = strange[["latitude_deg", "longitude_deg"]] if name == "visits" else None
    found = match(strange["tower_id"], register, positions=stood, register_positions=spots)
    asked = cast("Any", found[found["certainty"] == "none"])
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
    repaired = pd.concat([table.repaired, audit.repaired_cells(name, rows, repairs)], ignore_index=True)
    flaws = audit.flaws(asked.index, "tower_id", strange.loc[asked.index, "tower_id"], asked["reason"])
    return replace(table, rows=rows, repaired=repaired), flaws


def _references_codes(names, known) -> np.ndarray:
    """Position of each name among the known ones, -1 for none; a million names take a few hundredths of a second."""
    options = pc.SetLookupOptions(value_set=pa.array(known, type=pa.large_string()))
    found = pc.call_function("index_in", [pa.array(names, type=pa.large_string())], options)
    return found.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)


def _orphans(rows, column: str, home: str, table: Table) -> pd.DataFrame:
    """Flaws of rows that refer to a tower or visit that is missing or was rejected itself."""
    missing, rejected = {
        "towers": (
            "is no tower of the register (towers); correct the name, or add the tower",
            "is a tower whose own row in the register was rejected; mend that row",
        ),
        "visits": (
            "is no visit of the table visits; correct the name, or add the visit",
            "is no visit that could be used: its own row was rejected; mend that row",
        ),
    }[home]
    was_rejected = rows[column].isin(table.rejected_ids)
    return audit.flaws(rows.index, column, rows[column], was_rejected.map({True: rejected, False: missing}))


def same_name(rows: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Flaws of rows whose name occurs more than once: duplicates after the first, and all rows with different contents."""
    if rows.empty:
        return audit.no_flaws()
    codes = [_codes(rows[name], name) for name in key]  # -1 where blank: such a row has no name
    named = np.all([code >= 0 for code in codes], axis=0)
    whole = np.ravel_multi_index([code[named] for code in codes], [code.max() + 2 for code in codes])
    twice = np.zeros(len(rows), bool)
    twice[named] = pd.Series(whole).duplicated(keep=False)
    if not twice.any():
        return audit.no_flaws()
    names = cast("Any", pd.Series(whole[twice[named]], index=rows.index[twice]))
    shared = cast("pd.DataFrame", rows.loc[names.index])
    content = [name for name in rows if name not in _PLACE]
    repeats = shared[shared.duplicated(content)]
    rest = names.drop(index=repeats.index)
    differing = rest[rest.duplicated(keep=False)]
    bad = shared.index[shared.index.isin(repeats.index) | shared.index.isin(differing.index)]
    spots = _spots(shared, names)
    reason = (
        "occurs more than once with different contents ("
        + spots
        + f"); give each row its own {' and '.join(key)}, or delete the wrong row"
    )
    reason = reason.mask(shared.index.isin(repeats.index), _duplicate(spots))
    return audit.flaws(bad, key[0], shared.loc[bad, key[0]], reason.loc[bad])


def duplicates(rows: pd.DataFrame, codes: np.ndarray | None = None) -> pd.DataFrame:
    """Flaws of rows without a name of their own that repeat another row in every cell; `codes` of tower or visit."""
    if len(rows) < 2 or _climbs(rows, codes):
        return audit.no_flaws()
    likely = pd.Series(_mixed(rows, codes)).duplicated(keep=False).to_numpy()
    if not likely.any():
        return audit.no_flaws()
    shared = cast("pd.DataFrame", rows[likely])
    content = [name for name in rows if name not in _PLACE]
    shared = cast("pd.DataFrame", shared[shared.duplicated(content, keep=False)])
    bad = shared.index[shared.duplicated(content)]
    if bad.empty:
        return audit.no_flaws()
    spots = _spots(shared, [shared[name] for name in content])
    first = content[0]
    value = shared.loc[bad, first].astype("str").fillna("")
    return audit.flaws(bad, first, value, _duplicate(spots).loc[bad])


def _duplicate(spots):
    """The reason of a duplicate row, by the places of its group."""
    return "is a duplicate of another row (" + spots + "); the first row is used"


def _climbs(rows: pd.DataFrame, codes: np.ndarray | None) -> bool:
    """Whether frequencies increase within each visit, as instruments export them: then no row is a duplicate."""
    if codes is None or "frequency_hz" not in rows:
        return False
    steps, climb = np.diff(codes), np.diff(rows["frequency_hz"].to_numpy())
    return bool(((steps > 0) | ((steps == 0) & (climb > 0))).all())


def _mixed(rows: pd.DataFrame, codes: np.ndarray | None) -> np.ndarray:
    """A number per row, equal for rows with equal numbers and codes; faster than comparing texts."""
    mixed = np.zeros(len(rows), np.uint64) if codes is None else codes.astype(np.uint64)
    for name in rows:
        if name not in _PLACE and rows[name].dtype.kind in "fM":
            numbers = rows[name].to_numpy(
                dtype="float64" if rows[name].dtype.kind == "f" else "datetime64[ns]"
            )
            mixed = (mixed ^ (mixed >> np.uint64(29))) * _MIX + numbers.view(np.uint64)
    return mixed


def _codes(names, column: str) -> np.ndarray:
    """A number per name, -1 where blank; legs compare without case, spaces and the word itself ("leg A" is "a")."""
    codes, distinct = pd.factorize(names)
    if column != "leg":
        return codes
    folded, _ = pd.factorize(
        np.array([leg.casefold().removeprefix("leg").strip(" .:-_") or leg for leg in distinct], object)
    )
    return np.append(folded, -1)[codes]


def _spots(rows, groups) -> Any:
    """File and row of the members of each group, at most three of them."""
    place = rows["_file"] + " row " + rows["_row"].astype("str")
    return place.groupby(groups, dropna=False).transform(_listed)


def _listed(spots: pd.Series) -> str:
    """At most three places for a sentence."""
    shown = " and ".join(spots.iloc[:3])
    return shown if len(spots) < 4 else f"{shown} and {len(spots) - 3} more"
