"""Positions of towers and visits: from grid metres, and held against where the line runs."""

from dataclasses import replace

import pandas as pd

from towerlib.records import ledger

POSITION = ["latitude_deg", "longitude_deg"]
NO_FIX = "latitude 0, longitude 0 is what a receiver stores without a fix: left blank"


def towers(table, line):
    """Towers with a latitude and longitude each, slips that the others prove put right, and the flaws of the rest.

    Parameters
    ----------
    table : Table
        Towers.
    line : Line
        Its `crs` turns eastings and northings into positions.

    Returns
    -------
    (Table, pandas.DataFrame)
        Flaws in the form of `towerlib.records.ledger.flaws`.
    """
    if table.rows.empty:
        return table, ledger.none()
    rows, lost = _from_grid(table.rows, line.crs)
    settled = _settled(rows, rows)
    wrong = rows.index[(settled.problem != "").to_numpy()]
    table = _put_right("towers", replace(table, rows=rows), settled)
    flaws = ledger.flaws(wrong, "latitude_deg", _pairs(rows.loc[wrong]), settled.problem.loc[wrong])
    parts = [part for part in (lost, flaws) if len(part)]
    return table, pd.concat(parts, ignore_index=True) if parts else ledger.none()


def visits(table, register):
    """Visits whose position is put right where the line proves the slip, or left blank where there was no fix.

    One that lies far from the line stands as it is: what it means is judged with the reading.

    Parameters
    ----------
    table : Table
        Visits.
    register : pandas.DataFrame
        Towers with their positions.

    Returns
    -------
    (Table, pandas.DataFrame)
        Flaws of positions that are none on earth.
    """
    rows = table.rows[table.rows[POSITION].notna().any(axis=1)]
    if rows.empty:
        return table, ledger.none()
    settled = _settled(rows, register)
    has_problem = settled.problem != ""
    no_fix = has_problem & (rows[POSITION] == 0).all(axis=1)
    impossible = has_problem & ~((rows["latitude_deg"].abs() <= 90) & (rows["longitude_deg"].abs() <= 180))
    wrong = rows.index[impossible]
    flaws = ledger.flaws(wrong, "latitude_deg", _pairs(rows.loc[wrong]), settled.problem.loc[wrong])
    stands = has_problem & ~no_fix
    kept = replace(
        settled,
        latitude_deg=settled.latitude_deg.mask(stands, rows["latitude_deg"]),
        longitude_deg=settled.longitude_deg.mask(stands, rows["longitude_deg"]),
        repair=settled.repair.mask(no_fix, NO_FIX),
    )
    return _put_right("visits", table, kept), flaws


def _settled(rows, register):
    """Positions after the comparison with the line's towers."""
    from towerlib.records.positions import settle

    return settle(
        rows["latitude_deg"], rows["longitude_deg"], register["latitude_deg"], register["longitude_deg"]
    )


def _pairs(rows):
    """Positions as a list shows them."""
    return _shown(rows["latitude_deg"]) + ", " + _shown(rows["longitude_deg"])


def _shown(numbers):
    """Numbers as a list shows them; nothing where they are blank."""
    return pd.Series(
        ["" if pd.isna(one) else f"{one:.10g}" for one in numbers], index=numbers.index, dtype="str"
    )


def _put_right(name, table, settled):
    """A table with the settled positions, and each changed cell in its list of repairs."""
    changed = settled.repair.index[(settled.repair != "").to_numpy()]
    if changed.empty:
        return table
    rows, parts = table.rows.copy(), []
    for column in POSITION:
        before, after = rows.loc[changed, column], getattr(settled, column).loc[changed]
        differs = changed[((before != after) & ~(before.isna() & after.isna())).to_numpy()]
        entries = {
            "index": differs,
            "column": column,
            "value": _shown(before.loc[differs]),
            "used": _shown(after.loc[differs]),
            "reason": settled.repair.loc[differs],
        }
        parts.append(
            pd.DataFrame(entries).astype(dict.fromkeys(["column", "value", "used", "reason"], "str"))
        )
        rows.loc[changed, column] = after
    mended = ledger.mended(name, rows, pd.concat(parts, ignore_index=True))
    return replace(table, rows=rows, repaired=pd.concat([table.repaired, mended], ignore_index=True))


def _from_grid(rows, crs):
    """Latitude and longitude of towers that have easting and northing only; and the flaws of those without a place."""
    blank = rows["latitude_deg"].isna() | rows["longitude_deg"].isna()
    if not blank.any():
        return rows, ledger.none()
    grid = blank & rows["easting_m"].notna() & rows["northing_m"].notna()
    reason = ""
    if grid.any() and crs is None:
        reason = 'has easting and northing, but line.toml names no crs; add crs = "EPSG:…" under [line]'
    elif grid.any():
        from towerlib.records.positions import from_grid

        reason = f"has easting and northing outside of {crs}; check both, and the crs of line.toml"
        placed = from_grid(rows.loc[grid, "easting_m"], rows.loc[grid, "northing_m"], crs)
        rows = rows.assign(
            **{name: rows[name].mask(grid, placed[name].reindex(rows.index)) for name in POSITION}
        )
        blank = rows["latitude_deg"].isna() | rows["longitude_deg"].isna()
    lost, bare = rows.index[blank & grid], rows.index[blank & ~grid]
    none = "has no position: give latitude_deg and longitude_deg, or easting_m and northing_m"
    return rows, pd.concat(
        [
            ledger.flaws(lost, "easting_m", _shown(rows.loc[lost, "easting_m"]), reason),
            ledger.flaws(bare, "latitude_deg", "", none),
        ]
    )
