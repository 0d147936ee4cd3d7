"""How well the named causes meet what is planted, over coils of several accuracies.

``python -m towerlib.simulate.score [--lines N] [--seed S]`` prints it in Markdown.
"""

import argparse
from dataclasses import replace
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd

from towerlib.physics.gaps import CoilSpec
from towerlib.readings.legs import summarise
from towerlib.records.load import load
from towerlib.simulate.demo import demo_lines
from towerlib.simulate.files import write
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
SHARES = ("flagged", "recall", "precision")
INJECTED = ["impedance_ohm", "impedance_no_coils_ohm", "injected_ma", "legs_ma"]


def judge(spec, seed, sensor, folder, *, injected=True):
    """Visits of a synthetic line with the cause that is named and the one that is planted.

    Parameters
    ----------
    spec : LineSpec
        The line.
    seed : int
        Source of chance; other coils leave the line and its defects as they are.
    sensor : Sensor
        The coils, of which ``line.toml`` tells the truth.
    folder : path
        Where the line folder goes.
    injected : bool
        False takes the injected test away: leakage alone.

    Returns
    -------
    DataFrame
        One row a visit with leg currents, as of `summarise`; besides ``defect`` and ``flaw``: what was planted
        in the tower by that day, and in the reading. Blank is nothing; a flaw that is none of `ANSWERS` keeps
        its name.
    """
    tables = simulate_line(with_sensor(spec, sensor), seed)
    records = load(write(with_sensor(spec, sensor), tables, folder))
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
    flaw = tables["truth-visits"].set_index("visit_id")["flaw"].replace("calibration lapsed", "")
    flaw = table["visit_id"].map(flaw).fillna("").astype(str)
    worn = records.legs.groupby("visit_id")["coil_turns_worn"].agg(["min", "max"])
    visits = records.visits.set_index("visit_id").join(worn).loc[table["visit_id"]].reset_index()
    turned = visits[["coil_turns_worn", "min", "max"]].ne(visits["coil_turns_set"], axis=0).any(axis=1)
    words = np.where(turned, "wrong turns, written down", "wrong turns, not written down")
    begun = table["defect_since"] <= table["date"]
    return table.assign(
        defect=table["defect"].where(begun, "").replace("none", ""),
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
        One row a thing planted, the last for sound visits: ``visits``; ``flagged``, the share with any
        cause of `ANSWERS`; ``recall``; ``precision`` of the causes that answer it; ``missed``, and of these ``honest``:
        it was said that nothing can be said.

    Notes
    -----
    At a visit with two things planted either answer is right for both. Open and worn bond, and both legs,
    share their answers and so their precision. Visits with a flaw that is none of `ANSWERS` are neither sound
    nor to be found; a cause told there is wrong.

    Examples
    --------
    >>> found = {"suspected_cause": ["weak leg", "none", "weak leg"], "defect": ["open leg", "open leg", ""]}
    >>> count(pd.DataFrame(found).assign(flaw="")).loc["open leg"].tolist()
    [2.0, 1.0, 0.5, 0.5, 1.0, 0.0]
    """
    cause, told = judged["suspected_cause"], judged["suspected_cause"].isin(TOLD)
    right = _answers(cause, judged["defect"]) | _answers(cause, judged["flaw"])
    rows = {}
    for planted, answers in ANSWERS.items():
        here, answered = (judged["defect"] == planted) | (judged["flaw"] == planted), cause.isin(answers)
        missed = here & ~right
        figures = [right[here].mean(), right[answered].mean(), missed.sum(), cause[missed].isin(HONEST).sum()]
        rows[planted] = [here.sum(), told[here].mean(), *figures]
    sound = (judged["defect"] == "") & (judged["flaw"] == "")
    rows["nothing"] = [sound.sum(), told[sound].mean(), *[np.nan] * 4]
    names = ["visits", "flagged", "recall", "precision", "missed", "honest"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=names, dtype=float)


def _answers(cause, planted):
    """Whether each cause is an answer to what is planted there."""
    allowed = pd.DataFrame([(p, a) for p, answers in ANSWERS.items() for a in answers])
    return pd.MultiIndex.from_arrays([planted, cause]).isin(pd.MultiIndex.from_frame(allowed))


def score(lines, seed, sensors=SENSORS, *, injected=True):
    """Counts of `count` for coils of several accuracies.

    Parameters
    ----------
    lines, seed : int
        How many lines, the demo's three in turn; the seed of the first, the next has one more.
    sensors : sequence of Sensor
        The coils.
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
            specs = [demo_lines()[k % len(demo_lines())] for k in range(lines)]
            each = [judge(spec, seed + k, sensor, folder, injected=injected) for k, spec in enumerate(specs)]
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
    return f"{100 * value:.1f} %" if name in SHARES else f"{value:.0f}"


def main(words=None):
    """Print what is found with the injected test and by leakage alone."""
    parser = argparse.ArgumentParser(
        prog="python -m towerlib.simulate.score", description=__doc__.split("\n")[0]
    )
    parser.add_argument("--lines", type=int, default=3, help="lines to simulate, the demo's three in turn")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first line")
    asked = parser.parse_args(words)
    for title, injected in (("Leakage and injected test", True), ("Leakage alone", False)):
        print(f"{title}, {asked.lines} lines from seed {asked.seed}:\n")
        print(markdown(score(asked.lines, asked.seed, injected=injected)) + "\n")


if __name__ == "__main__":
    main()
