"""How well the reader stands mess: one kind after the other put into a clean line, and what comes of it.

``python -m towerlib.simulate.mess [FOLDER] [--seed N]`` prints it in Markdown. FOLDER is a line folder of clean CSV
files between commas; a simulated line when missing.
"""

import argparse
import shutil
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from towerlib import route
from towerlib.errors import TowerlibError
from towerlib.readings import quality
from towerlib.records.load import load
from towerlib.simulate.demo import SEED, quillmere_tolstrand
from towerlib.simulate.files import write
from towerlib.simulate.lines import simulate_line
from towerlib.simulate.mess_kinds import BLANK, CELLS, FILES, LOST, SAME, CellKind

CELLS_MESSED = 10  # of each kind that does not take the whole column
KEYS = {"towers": ["tower_id"], "visits": ["visit_id"], "legs": ["visit_id", "leg"]}
OUTCOMES = [
    "caught",
    "repaired rightly",
    "read as meant",
    "told by the rules",
    "passed unseen",
    "used wrongly",
]


@dataclass(frozen=True)
class Mess:
    """A messed line, and what each messed cell or row was.

    Attributes
    ----------
    table, column : str
        Where; the column is blank for whole rows.
    ids : list of str
        Names of the rows that were touched.
    meant : str
        What the cells mean now.
    added : int
        Rows that are none of the table.
    slip : bool
        Nobody can see it in the cell.
    """

    table: str
    column: str
    ids: list
    meant: str
    added: int
    slip: bool


def score(folder=None, seed=SEED):
    """What comes of every kind of mess.

    Parameters
    ----------
    folder : path, optional
        A clean line folder; a simulated line when missing.
    seed : int
        Decides which cells are messed.

    Returns
    -------
    pandas.DataFrame
        One row a kind; columns messed, caught, repaired rightly, read as meant (right, without an entry in the
        list of repairs), told by the rules (used as written, and the visit's grade or the route says so),
        passed unseen, used wrongly, accounted (share of the rows that are used or rejected).
    """
    with TemporaryDirectory() as place:
        clean = _clean(folder, Path(place))
        meant = load(clean)
        rows = {}
        for number, kind in enumerate((*CELLS, *FILES)):
            messed = Path(place) / f"messed-{number}"
            shutil.copytree(clean, messed)
            mess = _put_in(kind, messed, np.random.default_rng([seed, number]))
            rows[kind.name] = _judged(messed, mess, meant)
            shutil.rmtree(messed)
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("kind of mess")


def markdown(table):
    """A score as Markdown, with its totals.

    Parameters
    ----------
    table : pandas.DataFrame
        From `score`.

    Returns
    -------
    str
    """
    names = ["messed", *OUTCOMES]
    lines = [f"| kind of mess | {' | '.join(names)} |", f"|---|{'---:|' * len(names)}"]
    sums = table[names].sum().rename("**all**").to_frame().T
    for name, row in pd.concat([table[names], sums]).iterrows():
        lines.append(f"| {name} | {' | '.join(str(int(row[column])) for column in names)} |")
    lines.append(f"\nRows accounted for: {table['accounted'].min():.0%}.")
    return "\n".join(lines)


def _clean(folder, place):
    """The tables to mess, of a line or of a small simulated one: plain CSV, no cell of which needs quotation marks."""
    spec = replace(quillmere_tolstrand(), separator=",")
    source, clean = Path(folder or write(spec, simulate_line(spec, SEED), place)), place / "clean"
    clean.mkdir()
    shutil.copy(source / "line.toml", clean)
    for name in KEYS:
        table = pd.read_csv(source / f"{name}.csv", dtype=str, keep_default_na=False)
        table.replace('[,"\n]', " ", regex=True).to_csv(
            clean / f"{name}.csv", index=False, lineterminator="\n"
        )
    return clean


def _put_in(kind, folder, rng):
    """Mess one file of a line folder."""
    path = folder / f"{kind.table}.csv"
    if isinstance(kind, CellKind):
        return _put_in_cells(kind, path, rng)
    lines = path.read_text(encoding="utf-8").splitlines()
    changed, touched, added = kind.change(lines, rng)
    path.write_bytes(changed if isinstance(changed, bytes) else ("\n".join(changed) + "\n").encode())
    names = _names(
        pd.DataFrame([line.split(",") for line in lines[1:]], columns=lines[0].split(",")), kind.table
    )
    return Mess(kind.table, "", names.iloc[touched].to_list(), SAME, added, slip=False)


def _put_in_cells(kind, path, rng):
    """Mess cells of one column; only cells that the change alters count."""
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    filled = table.index[table[kind.column] != ""]
    chosen = (
        filled if kind.whole else np.sort(rng.choice(filled, min(CELLS_MESSED, len(filled)), replace=False))
    )
    texts = kind.change(table.loc[chosen, kind.column], rng)
    altered = texts[texts != table.loc[chosen, kind.column]]
    table.loc[altered.index, kind.column] = altered
    table.to_csv(path, index=False, lineterminator="\n")
    names = _names(table, kind.table).loc[altered.index].to_list()
    return Mess(kind.table, kind.column, names, kind.meant, 0, kind.slip)


def _judged(folder, mess, clean):
    """Outcomes of one kind; a file that is refused is caught as a whole."""
    messed = len(mess.ids) + mess.added
    try:
        records = load(folder)
    except TowerlibError:
        return {"messed": messed, **dict.fromkeys(OUTCOMES, 0), "caught": messed, "accounted": 1.0}
    counts = records.counts
    accounted = (counts["used"] + counts["rejected"]).sum() / counts["rows_in"].sum()
    missing = counts.loc[mess.table, "rows_in"] - len(getattr(clean, mess.table)) - mess.added
    outcomes = _outcomes(records, mess, clean)
    caught = int(records.rejected["table"].eq(mess.table).sum())
    outcomes["caught"] += min(mess.added, caught)
    outcomes["used wrongly"] += max(mess.added - caught, 0) + _collateral(records, mess, clean)
    return {"messed": messed, **outcomes, "accounted": float(accounted) if missing == 0 else 0.0}


def _outcomes(records, mess, clean):
    """How many of the touched rows went which way."""
    read, right = (_named(one, mess.table) for one in (records, clean))
    used = pd.Index([name for name in mess.ids if name in read.index])
    as_meant = _as_meant(read.loc[used], right.loc[used], mess)
    told = used.isin(_told(records)) if mess.slip else np.zeros(len(used), bool)
    listed = records.repaired[records.repaired["table"] == mess.table]
    is_listed = bool(mess.column) and (listed["column"] == mess.column).any()
    outcomes = dict.fromkeys(OUTCOMES, 0)
    outcomes["caught"] = len(mess.ids) - len(used)
    outcomes["repaired rightly" if is_listed else "read as meant"] = int(as_meant.sum())
    outcomes["told by the rules"] = int((~as_meant & told).sum())
    outcomes["passed unseen" if mess.slip else "used wrongly"] = int((~as_meant & ~told).sum())
    return outcomes


def _as_meant(read, right, mess):
    """Whether each row says what it meant before the mess."""
    if mess.meant == LOST:
        return np.zeros(len(read), bool)
    if mess.meant == BLANK:
        return read[mess.column].isna().to_numpy()
    return _same(read, right, [mess.column] if mess.column else [name for name in right if name in read])


def _same(read, right, columns):
    """Whether rows agree in some columns: to a millionth where they are numbers, blank cells included."""
    agree = np.ones(len(read), bool)
    for name in columns:
        one, other = read[name], right[name]
        if one.dtype == float and other.dtype == float:
            agree &= np.isclose(one, other, rtol=1e-6, atol=1e-9, equal_nan=True)
        else:
            agree &= ((one == other).fillna(False) | (one.isna() & other.isna())).to_numpy(bool)
    return agree


def _collateral(records, mess, clean):
    """Rows that nobody touched and that read otherwise than before."""
    wrong = 0
    for table in KEYS:
        read, right = _named(records, table), _named(clean, table)
        kept = right.index[right.index.isin(read.index)]
        kept = kept[~kept.isin(mess.ids)] if table == mess.table else kept
        wrong += int(
            (~_same(read.loc[kept], right.loc[kept], [name for name in right if name in read])).sum()
        )
    return wrong


def _named(records, table):
    """Rows by their names."""
    rows = getattr(records, table)
    return rows.set_index(_names(rows, table))


def _names(rows, table):
    """Name of each row."""
    first, *others = KEYS[table]
    return rows[first] + "/" + rows[others[0]] if others else rows[first].rename("name")


def _told(records):
    """Visits whose reading or position some rule of quality remarks on."""
    laid = route.lay(records.towers, records.line)
    return set(quality.grade(records, laid, records.line.quality).findings["visit_id"])


def main():
    """Print the score."""
    parser = argparse.ArgumentParser(description="How well the reader stands mess.")
    parser.add_argument("folder", nargs="?", help="a clean line folder; a simulated line when missing")
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    print(markdown(score(asked.folder, asked.seed)))


if __name__ == "__main__":
    main()
