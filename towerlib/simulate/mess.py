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
OUTCOMES = ["caught", "repaired rightly", "read as meant", "told by the rules", "passed unseen", "used wrongly"]


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
    """A copy of the line to mess, or a small simulated one: plain CSV, no cell of which needs quotation marks."""
    spec = replace(quillmere_tolstrand(), separator=",")
    clean = place / "clean"
    shutil.copytree(folder or write(spec, simulate_line(spec, SEED), place), clean)
    for name in KEYS:
        path = clean / f"{name}.csv"
        table = pd.read_csv(path, dtype=str, keep_default_na=False).replace('[,"\n]', " ", regex=True)
        table.to_csv(path, index=False, lineterminator="\n")
    return clean


def _put_in(kind, folder, rng):
    """Mess one file of a line folder."""
    path = folder / f"{kind.table}.csv"
    if isinstance(kind, CellKind):
        return _put_in_cells(kind, path, rng)
    lines = path.read_text(encoding="utf-8").splitlines()
    changed, touched, added = kind.change(lines, rng)
    path.write_bytes(changed if isinstance(changed, bytes) else ("\n".join(changed) + "\n").encode())
    names = pd.DataFrame([line.split(",") for line in lines[1:]], columns=lines[0].split(","))[KEYS[kind.table]]
    return Mess(kind.table, "", ["/".join(names.iloc[place]) for place in touched], SAME, added, slip=False)


def _put_in_cells(kind, path, rng):
    """Mess cells of one column; only cells that the change alters count."""
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    filled = table.index[table[kind.column] != ""]
    chosen = filled if kind.whole else np.sort(rng.choice(filled, min(CELLS_MESSED, len(filled)), replace=False))
    texts = kind.change(table.loc[chosen, kind.column], rng)
    altered = texts[texts != table.loc[chosen, kind.column]]
    table.loc[altered.index, kind.column] = altered
    table.to_csv(path, index=False, lineterminator="\n")
    names = table.loc[altered.index, KEYS[kind.table]].agg("/".join, axis=1).to_list()
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
    outcomes = dict.fromkeys(OUTCOMES, 0)
    told = _told(records) if mess.slip else set()
    listed = records.repaired[records.repaired["table"] == mess.table]
    is_listed = bool(mess.column) and (listed["column"] == mess.column).any()
    for name in mess.ids:
        if name not in read.index:
            outcomes["caught"] += 1
        elif _as_meant(read.loc[name], right.loc[name], mess):
            outcomes["repaired rightly" if is_listed else "read as meant"] += 1
        elif mess.slip:
            outcomes["told by the rules" if name in told else "passed unseen"] += 1
        else:
            outcomes["used wrongly"] += 1
    return outcomes


def _as_meant(read, right, mess):
    """Whether a row says what it meant before the mess."""
    if mess.meant == LOST:
        return False
    if mess.meant == BLANK:
        return pd.isna(read[mess.column])
    columns = [mess.column] if mess.column else [name for name in right.index if name in read.index]
    return all(_equal(read[name], right[name]) for name in columns)


def _equal(one, other):
    """Whether two cells are the same, blank cells included, positions within a metre's hundredth of a degree's."""
    if pd.isna(one) or pd.isna(other):
        return pd.isna(one) and pd.isna(other)
    if isinstance(one, float):
        return bool(np.isclose(one, other, rtol=1e-6, atol=1e-9))
    return one == other


def _collateral(records, mess, clean):
    """Rows that nobody touched and that read otherwise than before."""
    wrong = 0
    for table in KEYS:
        read, right = _named(records, table), _named(clean, table)
        touched = set(mess.ids) if table == mess.table else set()
        both = [name for name in right.index if name in read.index and name not in touched]
        columns = [name for name in right if name in read]
        before, after = right.loc[both, columns], read.loc[both, columns]
        wrong += int((~((before == after) | (before.isna() & after.isna())).fillna(False).all(axis=1)).sum())
    return wrong


def _named(records, table):
    """Rows by their names."""
    rows = getattr(records, table)
    return rows.set_index(rows[KEYS[table]].agg("/".join, axis=1))


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
