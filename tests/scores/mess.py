"""Kinds of mess that crews and spreadsheets make, each as a change to a clean table of texts."""

import argparse
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from tests.scores.record import rewrite
from towerlib import route
from towerlib.errors import TowerlibError
from towerlib.readings import quality
from towerlib.records.load import load
from towerlib.simulate.demo import SEED, quillmere_tolstrand, write
from towerlib.simulate.lines import simulate_line

SAME, BLANK, LOST = (
    "same",
    "blank",
    "lost",
)  # what a messed cell means: what it did, nothing, or nobody can tell


@dataclass(frozen=True)
class CellKind:
    """Mess in cells of one column.

    Attributes
    ----------
    name : str
        As the score prints it.
    table, column : str
        Where.
    change : callable
        (texts, rng) to new texts.
    meant : str
        ``"same"``, ``"blank"`` or ``"lost"``.
    whole : bool
        All cells of the column at once, as one hand writes them.
    slip : bool
        Read to the letter, nobody can see it in the cell: only the reading as a whole may tell.
    """

    name: str
    table: str
    column: str
    change: Callable
    meant: str = SAME
    whole: bool = False
    slip: bool = False


@dataclass(frozen=True)
class FileKind:
    """Mess in the lines of a file.

    Attributes
    ----------
    name : str
        As the score prints it.
    table : str
        Whose file.
    change : callable
        (lines, rng) to new lines or bytes, the places of the rows that were touched (from 0, the header left
        out), and the number of rows that are none of the table.
    """

    name: str
    table: str
    change: Callable


def _each(function):
    """A change of every text by itself."""
    return lambda texts, rng: texts.map(function)


def _words(*words):
    """A change to one of some words."""
    return lambda texts, rng: pd.Series(rng.choice(words, len(texts)), index=texts.index, dtype="str")


def _day(layout):
    """A change of ISO dates to another layout."""
    return lambda texts, rng: pd.to_datetime(texts).dt.strftime(layout).astype("str")


def _serial(texts, rng):
    """Day numbers of a spreadsheet."""
    return (pd.to_datetime(texts) - pd.Timestamp("1899-12-30")).dt.days.astype("str")


def _in_words(texts, rng):
    """The month as a word, in German and French by turns."""
    german = "Jan. Februar März April Mai Juni Juli August September Oktober November Dezember".split()
    french = "janvier février mars avril mai juin juillet août septembre octobre novembre décembre".split()
    days = pd.to_datetime(texts)
    words = [
        f"{day.day}. {(german, french)[place % 2][day.month - 1]} {day.year}"
        for place, day in enumerate(days)
    ]
    return pd.Series(words, index=texts.index, dtype="str")


def _transposed(text):
    """Two neighbouring figures that change places, where that changes the number."""
    for place in range(len(text) - 1):
        pair = text[place : place + 2]
        if pair.isdigit() and pair[0] != pair[1]:
            return text[:place] + pair[::-1] + text[place + 2 :]
    return text + "1"


def _minutes(text):
    """Degrees, minutes, seconds and a letter; the axis is told by the size."""
    angle = float(text)
    seconds = round(abs(angle) * 3600, 3)
    letter = ("S" if angle < 0 else "N") if abs(angle) > 25 else ("W" if angle < 0 else "E")
    return f"{int(seconds // 3600)}°{int(seconds % 3600 // 60):02d}'{seconds % 60:06.3f}\"{letter}"


OHM, DATE, TOWER = ("visits", "impedance_ohm"), ("visits", "date"), ("visits", "tower_id")
LATITUDE = ("towers", "latitude_deg")
CELLS = (
    CellKind(
        "decimal commas in the whole column", *OHM, _each(lambda text: text.replace(".", ",")), whole=True
    ),
    CellKind("decimal commas in some cells", *OHM, _each(lambda text: text.replace(".", ","))),
    CellKind("unit in the cell", *OHM, _each(lambda text: f"{text} Ω")),
    CellKind("unit of another size in the cell", *OHM, _each(lambda text: f"{float(text) / 1000:.10g} kΩ")),
    CellKind("unit of another quantity in the cell", *OHM, _each(lambda text: f"{text} V"), LOST),
    CellKind("scientific notation", *OHM, _each(lambda text: f"{float(text):.6e}")),
    CellKind("over-range words", *OHM, _words("OL", "over range", "Überlauf", "hors gamme"), BLANK),
    CellKind("words for not measured", *OHM, _words("n/a", "—", "nicht gemessen", "no medido"), BLANK),
    CellKind("text for a number", *OHM, _words("see note", "approx. 20", "4..2", "x", "12 to 14"), LOST),
    CellKind("error values of a spreadsheet", *OHM, _words("#N/A", "#DIV/0!", "#WERT!", "########"), LOST),
    CellKind("same as last", *OHM, _words("same as last", "ditto", '"', "idem"), LOST),
    CellKind("minus before an impedance", *OHM, _each(lambda text: f"-{text}"), LOST),
    CellKind("0 for not tested", *OHM, _each(lambda text: "0"), BLANK, slip=True),
    CellKind("two figures change places", *OHM, _each(_transposed), slip=True),
    CellKind("day first with dots", *DATE, _day("%d.%m.%Y"), whole=True),
    CellKind("day first with slashes", *DATE, _day("%d/%m/%Y"), whole=True),
    CellKind("month first with slashes", *DATE, _day("%m/%d/%Y"), whole=True),
    CellKind("some dates day first, some month first", *DATE, lambda texts, rng: _mixed(texts), whole=True),
    CellKind("day numbers of a spreadsheet", *DATE, _serial),
    CellKind("months in words", *DATE, _in_words),
    CellKind("two-digit years with dots", *DATE, _day("%d.%m.%y")),
    CellKind("year or day first, with hyphens", *DATE, _day("%y-%m-%d"), LOST),
    CellKind("time of day behind the date", *DATE, _each(lambda text: f"{text} 14:30")),
    CellKind("prefix and zeros in tower names", *TOWER, _each(lambda text: f"T-{text.lstrip('0')}")),
    CellKind(
        "small letters and spaces in tower names", *TOWER, _each(lambda text: f" tower {text.lower()} ")
    ),
    CellKind("towers that the register does not have", *TOWER, _words("999", "T-888", "?", "gate"), LOST),
    CellKind(
        "words of a list in another spelling",
        "visits",
        "method",
        _each(lambda text: text.upper().replace(" ", "_")),
    ),
    CellKind("words that are not on the list", "visits", "method", _words("usual", "clamp", "4 pole"), LOST),
    CellKind("degrees, minutes, seconds", *LATITUDE, _each(_minutes)),
    CellKind("decimal commas in positions", *LATITUDE, _each(lambda text: text.replace(".", ","))),
    CellKind("lost sign of a latitude", *LATITUDE, _each(lambda text: text.lstrip("-"))),
    CellKind("text for a position", *LATITUDE, _words("north", "see map", "32,34,1,2"), LOST),
    CellKind(
        "latitude that is off by degrees", *LATITUDE, _each(lambda text: f"{float(text) + 4:.6f}"), LOST
    ),
    CellKind(
        "position of the vehicle",
        "visits",
        "latitude_deg",
        _each(lambda text: f"{float(text) + 0.0009:.6f}"),
        slip=True,
    ),
)


def _mixed(texts):
    """Two hands in one column: every second date with the month first."""
    days = pd.to_datetime(texts)
    odd = np.arange(len(texts)) % 2 == 1
    return pd.Series(
        np.where(odd, days.dt.strftime("%m/%d/%Y"), days.dt.strftime("%d/%m/%Y")), index=texts.index
    )


def _chosen(lines, rng, count=8):
    """Places of some rows, the first and the last left alone."""
    return sorted(rng.choice(np.arange(2, len(lines) - 2), count, replace=False).tolist())


def _on_rows(edit):
    """A change of some rows."""

    def change(lines, rng):
        chosen = _chosen(lines, rng)
        new = [edit(line) if place in chosen else line for place, line in enumerate(lines)]
        return new, [place - 1 for place in chosen], 0

    return change


def _added(make):
    """Rows that are none of the table, put between the others."""

    def change(lines, rng):
        new = list(lines)
        chosen = _chosen(lines, rng)
        for place in reversed(chosen):
            new.insert(place + 1, make(lines, place))
        return new, [], len(chosen)

    return change


def _all(edit):
    """A change of the file as a whole that takes nothing from its rows."""
    return lambda lines, rng: (edit(lines), list(range(len(lines) - 1)), 0)


def _other_content(lines, place):
    """A row with the id of another, and another crew."""
    cells = lines[place].split(",")
    return ",".join([*cells[:3], "Z", *cells[4:]])


def _claimed_twice(lines, rng):
    """Some ids over two different rows."""
    new, _, added = _added(_other_content)(lines, rng)
    seen = [line.split(",")[0] for line in new]
    twice = {one for one in seen if seen.count(one) > 1}
    touched = [place for place, line in enumerate(lines[1:]) if line.split(",")[0] in twice]
    return new, touched, added


def _cut(lines, rng):
    """A file that breaks off in the middle of its last row."""
    last = lines[-1].split(",")
    text = "\n".join([*lines[:-1], ",".join(last[: len(last) // 2])])
    return text.encode(), [len(lines) - 2], 0


def _german(lines):
    """Semicolons, and a comma in every number that had a point."""
    rows = (
        [
            cell.replace(".", ",") if re.fullmatch(r"-?[0-9]+\.[0-9]+", cell) else cell
            for cell in line.split(",")
        ]
        for line in lines
    )
    return [";".join(cells) for cells in rows]


def _legs_twice(lines, rng):
    """Some legs with a second, other current."""
    chosen = _chosen(lines, rng)
    new = list(lines)
    for place in reversed(chosen):
        visit, leg, current, *rest = lines[place].split(",")
        new.insert(place + 1, ",".join([visit, leg.lower(), f"{float(current or 0) + 7:.10g}", *rest]))
    return new, [place - 1 for place in chosen], len(chosen)


FILES = (
    FileKind("semicolons and decimal commas throughout", "visits", _all(_german)),
    FileKind("tabs", "visits", _all(lambda lines: [line.replace(",", "\t") for line in lines])),
    FileKind(
        "titles above the header",
        "visits",
        _all(lambda lines: ["Earthing tests,crew B", '12" leads', "", *lines]),
    ),
    FileKind(
        "blank rows and columns behind the table",
        "visits",
        _all(lambda lines: [*(f"{line},," for line in lines), ",,,", ""]),
    ),
    FileKind("UTF-16", "visits", _all(lambda lines: "\n".join(lines).encode("utf-16"))),
    FileKind("UTF-8 with a mark", "visits", _all(lambda lines: "\n".join(lines).encode("utf-8-sig"))),
    FileKind(
        "columns in another order",
        "visits",
        _all(lambda lines: [",".join(line.split(",")[::-1]) for line in lines]),
    ),
    FileKind(
        "a cell too many in some rows",
        "visits",
        _on_rows(
            lambda line: line.replace(",leg coils,", ",leg coils,wet,").replace(
                ",no coils,", ",no coils,wet,"
            )
        ),
    ),
    FileKind(
        "an open quotation mark in some rows",
        "visits",
        _on_rows(lambda line: ",".join([*line.split(",")[:-1], '"' + line.split(",")[-1]])),
    ),
    FileKind("zero bytes in some rows", "visits", _on_rows(lambda line: line[:20] + "\0\0" + line[22:])),
    FileKind("a file that breaks off", "visits", _cut),
    FileKind("rows that stand twice", "visits", _added(lambda lines, place: lines[place])),
    FileKind("one id over two rows", "visits", _claimed_twice),
    FileKind("rows of totals", "visits", _added(lambda lines, place: "Total" + "," * lines[0].count(","))),
    FileKind("the header again between the rows", "visits", _added(lambda lines, place: lines[0])),
    FileKind(
        "sums among the legs", "legs", _added(lambda lines, place: lines[place].split(",")[0] + ",Sum,99,,")
    ),
    FileKind("legs that stand twice with other contents", "legs", _legs_twice),
)


CELLS_MESSED = 10  # of each kind that does not take the whole column
KEYS = {"towers": ["tower_id"], "visits": ["visit_id"], "legs": ["visit_id", "leg"]}
OUTCOMES = [
    "caught",
    "repaired rightly",
    "read as meant",
    "found by the rules",
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
        list of repairs), found by the rules (used as written, and the visit's grade or the route says so),
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
    lines.append(f"\nRows accounted for: {100 * table['accounted'].min():.0f} %.")
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
    outcomes["found by the rules"] = int((~as_meant & told).sum())
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
    laid = route.build(records.towers, records.line)
    return set(quality.grade(records, laid, records.line.quality).findings["visit_id"])


def main(words=None):
    """Print the score."""
    parser = argparse.ArgumentParser(description="How well the reader bears mess.")
    parser.add_argument("folder", nargs="?", help="a clean line folder; a simulated line when missing")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--write", action="store_true", help="rewrite the section of SCORES.md")
    asked = parser.parse_args(words)
    text = markdown(score(asked.folder, asked.seed))
    print(text)
    if asked.write:
        rewrite("mess", text)


if __name__ == "__main__":
    main()
