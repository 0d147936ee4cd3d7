"""A line folder to its records: every table typed and checked, every input row used or rejected with its reason.

`settle` compares the tables with one another, in the order of the dictionary, so that the rejection of a tower or visit
also rejects the rows that refer to it. Rows are compared as contents, never guessed at: a true duplicate keeps its first
row, and rows of one name with different contents are all rejected.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from towerlib import config as settings
from towerlib import months, safe_files
from towerlib.config import limits
from towerlib.errors import RecordsError, SettingsError, nearest
from towerlib.records import audit, convert, coordinates, headers, sources
from towerlib.records.tables import NEEDED, TABLES, key

if TYPE_CHECKING:
    from towerlib.config import Line


NO_DAY = cast("pd.Timestamp", pd.NaT)


@dataclass(frozen=True)
class Records:
    """All tables of one line, and the audit of the rows that went into them."""

    folder: Path
    line: settings.Line
    towers: pd.DataFrame
    visits: pd.DataFrame
    legs: pd.DataFrame
    sweeps: pd.DataFrame
    soil: pd.DataFrame
    outages: pd.DataFrame
    flashes: pd.DataFrame
    works: pd.DataFrame
    prices: pd.DataFrame
    rejected: pd.DataFrame
    repaired: pd.DataFrame
    counts: pd.DataFrame
    by_file: pd.DataFrame
    limit_rules: tuple[limits.Rule, ...]
    files: tuple[Path, ...]
    unread: tuple[str, ...]
    latest: pd.Timestamp = NO_DAY  # last day that a record can have
    sha256: dict[Path, str] = field(default_factory=dict)  # of the bytes read, by path; without refused files


def load(
    folder: str | Path, latest: pd.Timestamp | None = None, line: settings.Line | None = None
) -> Records:
    """The records of one line folder, with ``line.toml`` and the tables of the data dictionary.

    Parameters
    ----------
    latest
        Last day that a record can have; a row of a later day is rejected. Today when missing.
    line
        Settings to use in place of those in ``line.toml``.

    Returns
    -------
    Records
        Tables with every column of the dictionary and the utility's own columns. `rejected` has one row per input
        row that is not used, `repaired` one row per repaired cell. `counts` has rows_in, used, repaired and rejected
        by table, where rows_in = used + rejected and `repaired` counts used rows with a repaired cell; `by_file` has
        the same counts by table and file. `limit_rules` are the rules for `towerlib.config.limits.apply`.

    Raises
    ------
    RecordsError, SettingsError
        A needed table is missing, unreadable or empty; ``line.toml`` is missing or wrong.
    """
    folder, latest = Path(folder), months.today() if latest is None else latest
    if not folder.is_dir():
        raise RecordsError(f"{folder} is not a folder; name a line folder, which contains line.toml")
    before = {folder / "line.toml": safe_files.fingerprint(folder / "line.toml", folder)}
    line = line or settings.read(folder / "line.toml")
    found = sources.find(folder)
    before |= {path: safe_files.fingerprint(path, folder) for path in _files(line, found, folder)}
    _insist_on_columns(line.columns, folder)
    _insist_on_context(folder)
    read = {name: _table(name, found[name], folder, line.columns, latest) for name in TABLES}
    notes = [name for table in read.values() for name in table.notes]
    read = settle(_with_wide_legs(read), line)
    for name in NEEDED:
        _insist(name, read[name], folder)
    by_file = audit.by_file(read)
    by_table = by_file.groupby("table", sort=False).sum()
    limit_rules = limits.of_line(line, folder)
    _insist_on_unchanged(before, folder)
    return Records(
        folder=folder,
        line=line,
        **{name: _finished(name, table.rows) for name, table in read.items()},
        rejected=pd.concat([table.rejected for table in read.values()], ignore_index=True),
        repaired=pd.concat([table.repaired for table in read.values()], ignore_index=True),
        counts=cast("pd.DataFrame", by_table).reindex(list(TABLES), fill_value=0),
        by_file=by_file,
        limit_rules=limit_rules,
        files=tuple(before),
        unread=(*(name for name in sources.unread(folder, found) if folder / name not in before), *notes),
        latest=latest,
        sha256={path: seen.sha256 for path, seen in before.items() if seen},
    )


def changed(records: Records) -> list[str]:
    """Files of a line, relative to its folder, that were changed, added or removed after its records were read."""
    folder = records.folder
    try:
        now = {folder / "line.toml", *_files(records.line, sources.find(folder), folder)}
    except RecordsError:  # a file can no longer be opened; the next lines find out which
        now = set(records.files)
    others = now.symmetric_difference(records.files)
    for path, sha256 in records.sha256.items():
        seen = safe_files.fingerprint(path, folder)
        if seen is None or seen.sha256 != sha256:
            others.add(path)
    return sorted(path.relative_to(folder).as_posix() for path in others)


def _files(line: settings.Line, found: Mapping[str, list[sources.Source]], folder: Path) -> list[Path]:
    """Every file beside ``line.toml`` that contributes to a report, once."""
    own_limits = [folder / line.limits.rules] if limits.is_table(line.limits.rules) else []
    tables = [source.path for group in found.values() for source in group]
    return list(dict.fromkeys([*own_limits, *tables, *sources.context(folder)]))


def _insist_on_unchanged(before: Mapping[Path, safe_files.Fingerprint | None], folder: Path) -> None:
    """Refuse files that changed while they were read: the fingerprint would belong to other contents."""
    for path, seen in before.items():
        if seen and safe_files.stamp(path) != seen.stamp:
            name = path.relative_to(folder).as_posix()
            raise RecordsError(
                f"{folder}: {name} changed while it was read; run again when no other program writes to it"
            )


@dataclass(frozen=True)
class Table:
    """One table while it is checked: the rows in use, and the audit of the others."""

    rows: pd.DataFrame
    rejected: pd.DataFrame
    repaired: pd.DataFrame
    rows_in: dict[str, int]  # by file
    rejected_ids: frozenset[str] = frozenset()  # of towers or visits, to which other rows refer
    notes: tuple[str, ...] = ()  # sheets without any known column


def _table(
    name: str, found: list[sources.Source], folder: Path, own: settings.Columns, latest: pd.Timestamp
) -> Table:
    """All files of one table, concatenated."""
    parts = [_file(name, source, folder, headers.own_headers(own, source.name), latest) for source in found]
    notes = tuple(source.name for source, part in zip(found, parts, strict=True) if part is None)
    parts = [part for part in parts if part is not None]
    if not parts:
        return Table(convert.empty(name), audit.rejected(), audit.repaired(), {}, notes=notes)
    if len(parts) == 1:
        return replace(parts[0], notes=notes)
    return Table(
        rows=_with_blank_sides(pd.concat([part.rows for part in parts], ignore_index=True)),
        rejected=pd.concat([part.rejected for part in parts], ignore_index=True),
        repaired=pd.concat([part.repaired for part in parts], ignore_index=True),
        rows_in={file: count for part in parts for file, count in part.rows_in.items()},
        rejected_ids=frozenset().union(*(part.rejected_ids for part in parts)),
        notes=notes,
    )


def _with_blank_sides(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of several files; those of files without any one-sided reading get a blank, so that duplicates match."""
    bounds = [name for name in rows if name.endswith(convert.BOUND)]
    return rows.assign(**{name: rows[name].fillna("") for name in bounds}) if bounds else rows


def _file(
    name: str, source: sources.Source, folder: Path, own: dict[str, str], latest: pd.Timestamp
) -> Table | None:
    """One file of a table; an unreadable file is refused as a whole with its reason; None for a sheet of notes."""
    try:
        table = sources.read(source, folder, lambda header: headers.kinds(header, name, own))
        found = headers.headings(table.header, name, own)
        if source.may_be_other and not any(heading.name for heading in found):
            return None
        headers.insist(found, name)
    except RecordsError as flaw:
        if source.may_be_other and str(flaw) == headers.NONE:
            return None
        what = "sheet" if source.sheet else "file"
        entry = (name, source.name, None, "", "", f"the {what} {flaw}")
        return Table(convert.empty(name), audit.rejected([entry]), audit.repaired(), {source.name: 0})
    read = convert.read(table, found, name, source.name, latest)
    rows, bad = audit.reject(name, read.rows, read.flaws)
    if table.misshapen:
        entries = [(name, source.name, row, "", text, reason) for row, text, reason in table.misshapen]
        bad = pd.concat([bad, audit.rejected(entries)]).sort_values("row", kind="stable", ignore_index=True)
    return Table(
        rows=rows,
        rejected=bad,
        repaired=audit.repaired_cells(name, rows, read.repairs),
        rows_in={source.name: len(read.rows) + len(table.misshapen)},
        rejected_ids=audit.rejected_ids(name, read.rows, read.flaws),
    )


def _with_wide_legs(read: dict[str, Table]) -> dict[str, Table]:
    """Move leg currents from columns of visits to rows of legs; a blank cell is not a reading."""
    visits = read["visits"]
    wide = [name for name in visits.rows if name.startswith(convert.LEG) and not name.endswith(convert.BOUND)]
    if not wide:
        return read
    long = pd.concat([_one_leg(visits.rows, name) for name in wide], ignore_index=True)
    legs = read["legs"]
    rows = pd.concat([legs.rows, long], ignore_index=True) if len(long) else legs.rows
    return read | {
        "visits": replace(
            visits,
            rows=visits.rows.drop(columns=[name for name in visits.rows if name.startswith(convert.LEG)]),
        ),
        "legs": replace(legs, rows=rows, rows_in=legs.rows_in | long["_file"].value_counts().to_dict()),
    }


def _one_leg(visits, name: str) -> pd.DataFrame:
    """The currents of one leg as rows of legs."""
    filled = visits[visits[name].notna()]
    long = filled[["visit_id", "_file", "_row"]].assign(
        leg=name.removeprefix(convert.LEG), leakage_ma=filled[name]
    )
    side = name + convert.BOUND
    return long.assign(**{"leakage_ma" + convert.BOUND: filled[side].fillna("")}) if side in visits else long


def _insist_on_columns(own: settings.Columns, folder: Path) -> None:
    """Refuse a name in ``[columns]`` that is not in the dictionary."""
    known = {name for table in TABLES.values() for name in table.columns}
    flat = {text: name for text, name in own.items() if isinstance(name, str)}
    flat |= {text: name for table in own.values() if isinstance(table, dict) for text, name in table.items()}
    for text, name in flat.items():
        if name not in known:
            raise SettingsError(
                f"{folder / 'line.toml'}: {text} = {name!r} in [columns] is not a column of any table"
                f"{nearest(name, sorted(known))}"
            )


def _insist_on_context(folder: Path) -> None:
    """Check the layers under the map together with the records, so that their flaws are reported at once."""
    for path in sources.context(folder):
        from towerlib.records import gis

        try:
            gis.geopackage(path, folder)
        except RecordsError as flaw:
            raise RecordsError(f"{path} {flaw}") from None


def _insist(name: str, table: Table, folder: Path) -> None:
    """Refuse a line without towers or without visits, which cannot be ranked, and report why it has none."""
    if len(table.rows):
        return
    if len(table.rejected):
        first = table.rejected.iloc[0]
        row = "" if pd.isna(first["row"]) else f", row {first['row']}"
        column = f", {first['column']} {first['value']!r}" if first["column"] else ""
        raise RecordsError(
            f"{folder}: no row of the table {name} can be used ({len(table.rejected)} rejected); "
            f"the first is {first['file']}{row}{column}: {first['reason']}"
        )
    raise RecordsError(f"{folder}: the table {name} is missing or has no rows; add {name}.csv")


def _finished(name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """A table without file and row numbers; prices keep them, so that every cost can be traced to its row."""
    if name == "prices":
        return rows.rename(columns={"_file": "price_file", "_row": "price_row"}).reset_index(drop=True)
    return rows.drop(columns=["_file", "_row"]).reset_index(drop=True)


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
            table = _reject(name, *coordinates.towers(table, line))
        if name == "visits":
            table = _reject(name, *coordinates.visits(table, settled["towers"].rows))
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
    reason = named["certainty"] + ": " + named["reason"]
    value = strange.loc[named.index, "tower_id"]
    repairs = audit.repairs(named.index, "tower_id", value, named["tower_id"], reason)
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
