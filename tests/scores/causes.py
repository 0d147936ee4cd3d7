"""How well the named causes meet what is planted, over coils of several accuracies.

``python -m tests.scores.causes [--lines N] [--seed S] [--write]`` prints it in Markdown; ``--write`` also puts the short
form into ``SCORES.md``.
"""

import argparse
from dataclasses import replace
from itertools import cycle, islice
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from tests.scores.record import rewrite
from towerlib.physics.leakage_gap import CoilSpec
from towerlib.readings.leg_currents import summarise
from towerlib.records.load import load
from towerlib.simulate.demo import demo_lines, write
from towerlib.simulate.lines import simulate_line
from towerlib.simulate.specs import Sensor, with_sensor

SENSORS = (Sensor(0.01, 0.5), Sensor(0.02, 2.0), Sensor(0.03, 5.0), Sensor(0.05, 10.0))
BOND, TURNS = {"bond: inspect", "bond or coils: inspect"}, {"wrong coil turns", "reading impossible"}
# What may be said of each thing planted; to look at the coils first is right where one is turned over.
ANSWERS = {
    "open bond": BOND,
    "worn bond": BOND,
    "reversed coil": {"coil reversed", "bond or coils: inspect"},
    "wrong turns, written down": TURNS,
    "wrong turns, not written down": TURNS,
    "corroded leg": {"weak leg"},
    "open leg": {"weak leg"},
}
TOLD = set().union(*ANSWERS.values())
HONEST = {"too small to judge", "ring or other earth path", "cannot tell"}
WRONG_TURNS = ["two turns on one leg", "half the turns on one leg", "turns not entered"]
FIGURES = ["visits", "flagged", "recall", "precision", "missed", "honest"]
INJECTED = ["impedance_ohm", "impedance_no_coils_ohm", "injected_ma", "legs_ma"]


def judge(spec, seed, sensor, folder, *, injected=True):
    """Visits of a synthetic line with the cause that is named and the one that is planted.

    Parameters
    ----------
    spec, seed : LineSpec, int
        The line and its chance; other coils leave the line and its defects as they are.
    sensor : Sensor
        The coils, of which ``line.toml`` tells the truth.
    folder : path
        Where the line folder goes.
    injected : bool
        False takes the injected test away: leakage alone.

    Returns
    -------
    DataFrame
        One row a visit with leg currents, as of `summarise`; besides ``defect`` and ``flaw``: what was
        planted in the tower by that day, and in the reading; blank is nothing.
    """
    spec = with_sensor(spec, sensor)
    tables = simulate_line(spec, seed)
    records = load(write(spec, tables, folder))
    if not injected:
        visits = records.visits.assign(**dict.fromkeys(INJECTED, np.nan))
        records = replace(records, visits=visits, legs=records.legs.assign(impedance_ohm=np.nan))
    coils = CoilSpec(**records.line.coils.model_dump())
    found = summarise(records.visits, records.legs, records.towers, coils)
    return _with_truth(found[found["leg_count_read"] > 0], tables, records)


def _with_truth(found, tables, records):
    """Visits with what was planted in tower and reading."""
    truth = tables["truth"][["tower_id", "defect", "defect_since"]]
    table = found.merge(truth, on="tower_id", validate="m:1")
    flaws = tables["truth-visits"].set_index("visit_id")["flaw"]
    flaw = table["visit_id"].map(flaws).fillna("").astype(str).replace("calibration lapsed", "")
    worn = records.legs.groupby("visit_id")["coil_turns"].agg(["min", "max"])
    visits = records.visits.set_index("visit_id").join(worn).loc[table["visit_id"]].reset_index()
    turned = visits[["coil_turns", "min", "max"]].ne(visits["coil_turns_recorded"], axis=0).any(axis=1)
    words = np.where(turned, "wrong turns, written down", "wrong turns, not written down")
    return table.assign(
        defect=table["defect"].where(table["defect_since"] <= table["date"], ""),
        flaw=flaw.mask(flaw.isin(WRONG_TURNS), pd.Series(words, table.index)),
    )


def count(judged):
    """What was found, row by row, of all that was planted.

    Parameters
    ----------
    judged : DataFrame
        One row a visit with ``suspected_cause``, ``defect`` and ``flaw``.

    Returns
    -------
    DataFrame
        One row a thing planted, the last for sound visits: ``visits``; ``flagged``, the share told any cause
        of `ANSWERS`; ``recall``; ``precision`` of the causes that answer it; ``missed``, and of these
        ``honest``: it was said that nothing can be said.

    Notes
    -----
    At a visit with two things planted either answer is right for both. Open and worn bond, and both legs,
    share their answers and so their precision. Visits with a flaw that is none of `ANSWERS` are neither sound
    nor to be found; a cause told there is wrong.

    Examples
    --------
    >>> found = {"suspected_cause": ["weak leg", "none", "weak leg"], "defect": ["open leg", "open leg", ""]}
    >>> count(pd.DataFrame(found).assign(flaw="")).loc["open leg"].tolist()
    [2.0, 0.5, 0.5, 0.5, 1.0, 0.0]
    """
    cause = judged["suspected_cause"]
    told = cause.isin(TOLD)
    right = _answers(cause, judged["defect"]) | _answers(cause, judged["flaw"])
    rows = {}
    for planted, answers in ANSWERS.items():
        here, answered = (judged["defect"] == planted) | (judged["flaw"] == planted), cause.isin(answers)
        missed = here & ~right
        figures = [right[here].mean(), right[answered].mean(), missed.sum(), cause[missed].isin(HONEST).sum()]
        rows[planted] = [here.sum(), told[here].mean(), *figures]
    sound = (judged["defect"] == "") & (judged["flaw"] == "")
    rows["nothing"] = [sound.sum(), told[sound].mean(), *[np.nan] * 4]
    return pd.DataFrame.from_dict(rows, orient="index", columns=FIGURES, dtype=float)


def _answers(cause, planted):
    """Whether each cause is an answer to what is planted there."""
    right = [named in ANSWERS.get(name, ()) for name, named in zip(planted, cause, strict=True)]
    return pd.Series(right, cause.index)


def score(lines, seed, sensors=SENSORS, *, injected=True):
    """Counts of `count` for coils of several accuracies.

    Parameters
    ----------
    lines, seed : int
        How many lines, the demo's three in turn; the seed of the first, the next has one more.
    sensors : sequence of Sensor
        Coils of each accuracy.
    injected : bool
        False takes the injected test away.

    Returns
    -------
    DataFrame
        As of `count`, with the columns ``coils`` and ``planted`` before it.
    """
    parts = []
    for sensor in sensors:
        with TemporaryDirectory() as folder:
            specs = enumerate(islice(cycle(demo_lines()), lines))
            each = [judge(spec, seed + k, sensor, folder, injected=injected) for k, spec in specs]
        counts = count(pd.concat(each, ignore_index=True)).rename_axis("planted").reset_index()
        parts.append(counts.assign(coils=f"{100 * sensor.gain:g} % + {sensor.noise_ma:g} mA"))
    return pd.concat(parts, ignore_index=True)[["coils", *counts.columns]]


def markdown(scored):
    """Counts of `score` as a Markdown table, as text.

    Examples
    --------
    >>> one = pd.DataFrame({"coils": ["1 % + 1 mA"], "visits": [3.0], "recall": [0.5], "honest": [np.nan]})
    >>> print(markdown(one))
    | coils | visits | recall | honest |
    |---|---|---|---|
    | 1 % + 1 mA | 3 | 50.0 % | – |
    """
    columns = [[name, *(_cell(name, value) for value in scored[name])] for name in scored]
    lines = ["| " + " | ".join(row) + " |" for row in zip(*columns, strict=True)]
    return "\n".join([lines[0], "|" + "---|" * len(columns), *lines[1:]])


def _cell(name, value):
    """One number or word as the table shows it."""
    if isinstance(value, str):
        return value
    if np.isnan(value):
        return "–"
    return f"{100 * value:.1f} %" if name in FIGURES[1:4] else f"{value:.0f}"


SHORT = ("open bond", "worn bond", "reversed coil", "corroded leg")
PRECISE = {"bonds": "open bond", "reversed coils": "reversed coil", "weak legs": "corroded leg"}


def short(scored):
    """Recall of the defects that matter, one row per kind of reading and accuracy, and the precision.

    Parameters
    ----------
    scored : dict of str to DataFrame
        As of `score`, by what was read; the precision is that of the first.

    Returns
    -------
    str
        Markdown.

    Examples
    --------
    >>> rows = pd.DataFrame({"planted": [*SHORT, "nothing"], "coils": "1 % + 1 mA", "flagged": 0.028})
    >>> rows = rows.assign(recall=0.9, precision=0.85, missed=4.0, honest=3.0)
    >>> print(short({"leakage": rows}).splitlines()[2])
    | leakage | 1 % + 1 mA | 90 %, 3 of 4 | 90 %, 3 of 4 | 90 %, 3 of 4 | 90 %, 3 of 4 | 2.8 % |
    """
    lines = [
        f"| readings | coils | {SHORT[0]}: recall, honest of missed | {' | '.join(SHORT[1:])} | sound visits flagged |",
        "|---" * (len(SHORT) + 3) + "|",
    ]
    for readings, table in scored.items():
        for coils, rows in table.groupby("coils", sort=False):
            of = rows.set_index("planted")
            cells = [
                f"{100 * of.recall[name]:.0f} %, {of.honest[name]:.0f} of {of.missed[name]:.0f}"
                for name in SHORT
            ]
            flagged = f"{100 * of.flagged['nothing']:.1f} %"
            lines.append(f"| {' | '.join([readings, str(coils), *cells, flagged])} |")
    return "\n".join([*lines, "", _precision(*next(iter(scored.items())))])


def _precision(readings, scored):
    """Range of the precision over the coils, as a sentence."""
    told = []
    for words, name in PRECISE.items():
        found = 100 * scored.loc[scored["planted"] == name, "precision"].dropna()
        ends = dict.fromkeys([f"{found.min():.0f}", f"{found.max():.0f}"])
        told.append(f"{words} {' to '.join(ends)} %")
    return f"Precision with {readings}: {', '.join(told)}."


def main(words=None):
    """Print what is found with the injected test and by leakage alone."""
    parser = argparse.ArgumentParser(description="How well the named causes meet what is planted.")
    parser.add_argument("--lines", type=int, default=3, help="lines to simulate, the demo's three in turn")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first line")
    parser.add_argument("--write", action="store_true", help="rewrite the section of SCORES.md")
    asked = parser.parse_args(words)
    found = {}
    for title, injected in (("Leakage and injected test", True), ("Leakage alone", False)):
        print(f"{title}, {asked.lines} lines from seed {asked.seed}:\n")
        found[title.lower()] = score(asked.lines, asked.seed, injected=injected)
        print(markdown(found[title.lower()]) + "\n")
    if asked.write:
        rewrite("causes", f"{asked.lines} lines from seed {asked.seed}.\n\n{short(found)}")


if __name__ == "__main__":
    main()
