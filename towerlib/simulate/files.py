"""Synthetic lines written as line folders."""

from pathlib import Path

from towerlib.simulate.demo import SEED, demo_lines, messy_line
from towerlib.simulate.lines import simulate_line
from towerlib.simulate.messy import write_messy


def write(spec, tables, folder):
    """Write the tables of one line into a folder of its own.

    Parameters
    ----------
    spec : LineSpec
        What the line is made of.
    tables : dict of str to DataFrame
        From `simulate_line`.
    folder : path
        Where the line's folder goes; files of the same names are written over.

    Returns
    -------
    pathlib.Path
        The line's folder.
    """
    place = Path(folder) / spec.line_id
    place.mkdir(parents=True, exist_ok=True)
    (place / "line.toml").write_text(spec.settings, encoding="utf-8", newline="\n")
    for name, table in tables.items():
        for part, rows in _parts(spec, name, table):
            path = place / f"{part}.csv"
            path.parent.mkdir(exist_ok=True)
            _write_table(rows, path, spec.separator)
    return place


def _parts(spec, name, table):
    """Files of a table: one, or for split visits one a crew and month, as crews send them."""
    if name != "visits" or not spec.split_visits:
        return [(name, table)]
    month = table["date"].dt.strftime("%Y-%m")
    return list(table.groupby("visits/" + month + "-crew-" + table["crew"].str.lower()))


def _write_table(table, path, separator):
    """CSV with plain numbers and days, the same bytes on every system."""
    table.to_csv(
        path,
        sep=separator,
        index=False,
        encoding="utf-8",
        lineterminator="\n",
        float_format="%.10g",
        date_format="%Y-%m-%d",
    )


def write_demo(folder):
    """Write the lines of the demo: three as they are read, a fourth as crews send them.

    Parameters
    ----------
    folder : path
        Such as ``data/demo``.

    Returns
    -------
    list of pathlib.Path
        The line folders, with what is planted in ``truth.csv`` and ``truth-visits.csv``.
    """
    clean = [write(spec, simulate_line(spec, SEED), folder) for spec in demo_lines()]
    spec = messy_line()
    return [*clean, write_mess(spec, simulate_line(spec, SEED), folder)]


def write_mess(spec, tables, folder):
    """Write the tables of one line as three crews with habits of their own would send them.

    Parameters
    ----------
    spec : LineSpec
        Its campaigns name the crews A, B and C.
    tables : dict of str to DataFrame
        From `simulate_line`.
    folder : path
        Where the line's folder goes.

    Returns
    -------
    pathlib.Path
        The line's folder.
    """
    place = Path(folder) / spec.line_id
    write_messy(spec, tables, place, _write_table)
    return place
