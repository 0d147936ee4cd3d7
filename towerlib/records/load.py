"""A line folder to its records: every table typed and checked, every row accounted for."""

import difflib
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from towerlib import config as settings
from towerlib import months, safe_files
from towerlib.config import limits
from towerlib.errors import RecordsError, SettingsError
from towerlib.records import audit, convert, headers, integrity, sources
from towerlib.records.tables import NEEDED, TABLES


@dataclass(frozen=True)
class Records:
    """All tables of one line, and the account of the rows that went into them."""

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
    limit_rules: tuple
    files: tuple
    unread: tuple
    latest: pd.Timestamp = pd.NaT  # last day that a record could be of
    sha256: dict = field(default_factory=dict)  # of the bytes that were read, by path; without refused files


def load(folder, latest=None, line=None):
    """The records of one line folder.

    Parameters
    ----------
    folder : path
        With ``line.toml`` and the tables of the data dictionary.
    latest : pandas.Timestamp, optional
        Last day that a record can be of; a row of a later day is rejected. Today when missing.
    line : Line, optional
        Settings in force; else those of ``line.toml``.

    Returns
    -------
    Records
        Tables with every column of the dictionary and the utility's own; `rejected` with one row an input row
        that is not used; `repaired` with one row a mended cell; `counts` with rows_in, used, repaired, rejected by
        table, where rows_in = used + rejected and `repaired` counts used rows with a mended cell; `by_file` with
        the same counts by table and file; `limit_rules` as `towerlib.config.limits.apply` takes them.

    Raises
    ------
    RecordsError
        A needed table is missing, unreadable or empty.
    SettingsError
        ``line.toml`` is missing or wrong.
    """
    folder, latest = Path(folder), months.today() if latest is None else latest
    if not folder.is_dir():
        raise RecordsError(f"{folder} is not a folder; name a line folder (it holds line.toml)")
    begun = {folder / "line.toml": safe_files.fingerprint(folder / "line.toml", folder)}
    line = line or settings.read(folder / "line.toml")
    found = sources.find(folder)
    begun |= {path: safe_files.fingerprint(path, folder) for path in _files(line, found, folder)}
    _insist_on_columns(line.columns, folder)
    _insist_on_context(folder)
    read = {name: _table(name, found[name], folder, line.columns, latest) for name in TABLES}
    notes = [name for table in read.values() for name in table.notes]
    read = integrity.settle(_with_wide_legs(read), line)
    for name in NEEDED:
        _insist(name, read[name], folder)
    by_file = audit.by_file(read)
    limit_rules = limits.of_line(line, folder)
    _insist_on_rest(begun, folder)
    return Records(
        folder=folder,
        line=line,
        **{name: _finished(name, table.rows) for name, table in read.items()},
        rejected=pd.concat([table.rejected for table in read.values()], ignore_index=True),
        repaired=pd.concat([table.repaired for table in read.values()], ignore_index=True),
        counts=by_file.groupby("table", sort=False).sum().reindex(list(TABLES), fill_value=0),
        by_file=by_file,
        limit_rules=limit_rules,
        files=tuple(begun),
        unread=(*(name for name in sources.unread(folder, found) if folder / name not in begun), *notes),
        latest=latest,
        sha256={path: seen.sha256 for path, seen in begun.items() if seen},
    )


def changed(records):
    """Files of a line that are not what they were when its records were read.

    Parameters
    ----------
    records : Records

    Returns
    -------
    list of str
        Names relative to the line folder, of files that were written to, came or went; empty where none did.
    """
    folder = records.folder
    try:
        now = {folder / "line.toml", *_files(records.line, sources.find(folder), folder)}
    except RecordsError:  # a file that can no longer be looked into; the next lines tell which
        now = set(records.files)
    others = now.symmetric_difference(records.files)
    for path, sha256 in records.sha256.items():
        seen = safe_files.fingerprint(path, folder)
        if seen is None or seen.sha256 != sha256:
            others.add(path)
    return sorted(path.relative_to(folder).as_posix() for path in others)


def _files(line, found, folder):
    """Every file beside ``line.toml`` that goes into a report, once."""
    own_limits = [folder / line.limits.rules] if limits.is_table(line.limits.rules) else []
    tables = [source.path for group in found.values() for source in group]
    return list(dict.fromkeys([*own_limits, *tables, *sources.context(folder)]))


def _insist_on_rest(begun, folder):
    """Refuse records of files that were written to while they were read: their fingerprint would be of other bytes."""
    for path, seen in begun.items():
        if seen and safe_files.stamp(path) != seen.stamp:
            name = path.relative_to(folder).as_posix()
            raise RecordsError(
                f"{folder}: {name} changed while it was read; run again when nobody writes to it"
            )


@dataclass(frozen=True)
class Table:
    """One table on its way: the rows that stand, and the account of the others."""

    rows: pd.DataFrame
    rejected: pd.DataFrame
    repaired: pd.DataFrame
    rows_in: dict  # by file
    fallen: frozenset = frozenset()  # names of rejected towers or visits, on which other rows hang
    notes: tuple = ()  # sheets without any known column


def _table(name, found, folder, own, latest):
    """All files of one table, one under the other."""
    parts = [_file(name, source, folder, headers.own_headers(own, source.name), latest) for source in found]
    notes = tuple(source.name for source, part in zip(found, parts, strict=True) if part is None)
    parts = [part for part in parts if part is not None]
    if not parts:
        return Table(convert.empty(name), audit.rejected(), audit.repaired(), {}, notes=notes)
    if len(parts) == 1:
        return replace(parts[0], notes=notes)
    return Table(
        rows=_bounds_filled(pd.concat([part.rows for part in parts], ignore_index=True)),
        rejected=pd.concat([part.rejected for part in parts], ignore_index=True),
        repaired=pd.concat([part.repaired for part in parts], ignore_index=True),
        rows_in={file: count for part in parts for file, count in part.rows_in.items()},
        fallen=frozenset().union(*(part.fallen for part in parts)),
        notes=notes,
    )


def _bounds_filled(rows):
    """Rows of several files, of which some have no bound anywhere: theirs are blank, so that copies stay copies."""
    bounds = [name for name in rows if name.endswith(convert.BOUND)]
    return rows.assign(**{name: rows[name].fillna("") for name in bounds}) if bounds else rows


def _file(name, source, folder, own, latest):
    """One file of a table; one that cannot be read is refused whole, with its reason; None for a sheet of notes."""
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
        repaired=audit.mended(name, rows, read.repairs),
        rows_in={source.name: len(read.rows) + len(table.misshapen)},
        fallen=audit.fallen(name, read.rows, read.flaws),
    )


def _with_wide_legs(read):
    """Leg currents that stand in columns of visits become rows of legs; a blank one is no reading."""
    visits = read["visits"]
    wide = [name for name in visits.rows if name.startswith(convert.LEG) and not name.endswith(convert.BOUND)]
    if not wide:
        return read
    tall = pd.concat([_one_leg(visits.rows, name) for name in wide], ignore_index=True)
    legs = read["legs"]
    rows = pd.concat([legs.rows, tall], ignore_index=True) if len(tall) else legs.rows
    return read | {
        "visits": replace(
            visits,
            rows=visits.rows.drop(columns=[name for name in visits.rows if name.startswith(convert.LEG)]),
        ),
        "legs": replace(legs, rows=rows, rows_in=legs.rows_in | tall["_file"].value_counts().to_dict()),
    }


def _one_leg(visits, name):
    """The currents of one leg as rows of legs."""
    filled = visits[visits[name].notna()]
    tall = filled[["visit_id", "_file", "_row"]].assign(
        leg=name.removeprefix(convert.LEG), leakage_ma=filled[name]
    )
    bound = name + convert.BOUND
    return (
        tall.assign(**{"leakage_ma" + convert.BOUND: filled[bound].fillna("")}) if bound in visits else tall
    )


def _insist_on_columns(own, folder):
    """Every name in ``[columns]`` must be one of the dictionary."""
    known = {name for table in TABLES.values() for name in table.columns}
    flat = {text: name for text, name in own.items() if isinstance(name, str)}
    flat |= {text: name for table in own.values() if isinstance(table, dict) for text, name in table.items()}
    for text, name in flat.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise SettingsError(
                f"{folder / 'line.toml'}: {text} = {name!r} in [columns] names no column{hint}"
            )


def _insist_on_context(folder):
    """Layers under the map are looked at with the records, so that what is wrong with them is said at once."""
    for path in sources.context(folder):
        from towerlib.records import gis

        try:
            gis.geopackage(path, folder)
        except RecordsError as flaw:
            raise RecordsError(f"{path} {flaw}") from None


def _insist(name, table, folder):
    """A line without towers or without visits cannot be ranked: say why it has none."""
    if len(table.rows):
        return
    if len(table.rejected):
        first = table.rejected.iloc[0]
        row = "" if pd.isna(first["row"]) else f", row {first['row']}"
        column = f", {first['column']} {first['value']!r}" if first["column"] else ""
        raise RecordsError(
            f"{folder}: no row of the table {name} can be used ({len(table.rejected)} rejected); "
            f"the first: {first['file']}{row}{column}: {first['reason']}"
        )
    raise RecordsError(f"{folder}: the table {name} is missing or has no rows; add {name}.csv")


def _finished(name, rows):
    """A table without the marks of where its rows came from; a price keeps them, as every cost is traced to it."""
    if name == "prices":
        return rows.rename(columns={"_file": "price_file", "_row": "price_row"}).reset_index(drop=True)
    return rows.drop(columns=["_file", "_row"]).reset_index(drop=True)
