"""A line folder to its records: every table typed and checked, every input row used or rejected with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import cast

import pandas as pd

from towerlib import config as settings
from towerlib import months, safe_files
from towerlib.config import limits
from towerlib.errors import RecordsError, SettingsError, nearest
from towerlib.records import audit, convert, headers, integrity, sources
from towerlib.records.tables import NEEDED, TABLES

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
    """The records of one line folder.

    Parameters
    ----------
    folder
        With ``line.toml`` and the tables of the data dictionary.
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
    RecordsError
        A needed table is missing, unreadable or empty.
    SettingsError
        ``line.toml`` is missing or wrong.
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
    read = integrity.settle(_with_wide_legs(read), line)
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
