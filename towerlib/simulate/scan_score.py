"""How well the scan finds open bonds and open spans, over lines that are read in several ways.

``python -m towerlib.simulate.scan_score [--lines N] [--seed S]`` prints it in Markdown.
"""

import argparse

import numpy as np
import pandas as pd

from towerlib.physics.faultscan import ScanOptions
from towerlib.physics.singlefaults import single_faults
from towerlib.simulate.scan_lines import SITUATIONS, TOWERS, draw_line, errors_told, read_line
from towerlib.simulate.score import markdown

FALSE_ALARM = 0.05
NEAR = {"bond": 0, "span": 1}
FIGURES = ["AUC", "found", "right"]


def judge(situation, seed, copies=100):
    """Largest score of a line without a fault, of the same line with an open bond, and with an open span.

    Parameters
    ----------
    situation : Situation
        What is read.
    seed : int
        Seed of line and readings.
    copies : int
        Simulated copies for weights and threshold.

    Returns
    -------
    list of dict
        One row a case: ``planted``, ``score``, ``threshold`` of that line, ``right``: the best hypothesis is
        the one planted, or for a span at most one span beside it.
    """
    rng = np.random.default_rng(seed)  # the same lines and faults in every situation
    line, rows = draw_line(situation, rng), []
    faults = [None, ("bond", int(rng.integers(1, TOWERS - 1))), ("span", int(rng.integers(TOWERS - 1)))]
    for fault in faults:
        options = ScanOptions(false_alarm=FALSE_ALARM, copies=copies)
        scored = single_faults(*read_line(situation, line, fault, rng), errors_told(situation), options, rng)
        best = int(np.argmax(scored.score))
        kind, position = scored.hypotheses[best]
        kind = "bond" if kind == "worn" else kind
        hit = fault is not None and kind == fault[0] and abs(position - fault[1]) <= NEAR[kind]
        planted, threshold = fault[0] if fault else "none", scored.calibration.threshold
        rows.append({"planted": planted, "score": scored.score[best], "threshold": threshold, "right": hit})
    return rows


def count(judged):
    """Figures of one situation.

    Parameters
    ----------
    judged : DataFrame
        One row a line and case, as `judge`.

    Returns
    -------
    dict
        By kind: ``AUC`` against lines without a fault; ``found``, the share above the score that 5 % of the
        lines without a fault pass; ``right``, the share that is found at the right place; ``own``, the share
        found by the threshold that each line has from its own copies. ``false alarms`` by that threshold.

    Examples
    --------
    >>> shown = {"planted": ["none", "bond"], "score": [0.0, 9.0], "threshold": 3.0, "right": [False, True]}
    >>> print(count(pd.DataFrame(shown))["bond AUC"])
    1.0
    """
    none = judged[judged["planted"] == "none"]
    figures = {"false alarms": (none["score"] > none["threshold"]).mean()}
    limit = np.quantile(none["score"], 1.0 - FALSE_ALARM, method="higher")
    for kind in NEAR:
        score, right, own = (
            judged.loc[judged["planted"] == kind, ["score", "right", "threshold"]].to_numpy().T
        )
        above = np.sign(score.astype(float)[:, None] - none["score"].to_numpy())
        figures[f"{kind} AUC"] = ((above + 1.0) / 2.0).mean() if len(score) else np.nan
        figures[f"{kind} found"] = (score > limit).mean() if len(score) else np.nan
        figures[f"{kind} right"] = ((score > limit) & right.astype(bool)).mean() if len(score) else np.nan
        figures[f"{kind} own"] = (score > own).mean() if len(score) else np.nan
    return figures


def score(lines, seed, situations=SITUATIONS, copies=100):
    """Figures of `count`, one row a situation.

    Parameters
    ----------
    lines, seed : int
        How many lines in each situation; seed of the first, the next has one more.
    situations : sequence of Situation
        What is read.
    copies : int
        Simulated copies for weights and threshold of each line.

    Returns
    -------
    DataFrame
        ``situation``, ``readings`` and the figures, as text of two decimals.
    """
    rows = []
    for situation in situations:
        judged = pd.DataFrame([row for k in range(lines) for row in judge(situation, seed + k, copies)])
        figures = {name: f"{value:.2f}" for name, value in count(judged).items()}
        rows.append({"situation": situation.name, "readings": situation.readings, **figures})
    return pd.DataFrame(rows)


def main(words=None):
    """Print what the scan finds."""
    parser = argparse.ArgumentParser(description="How well the scan finds open bonds and open spans.")
    parser.add_argument("--lines", type=int, default=20, help="lines to simulate in each situation")
    parser.add_argument("--seed", type=int, default=1, help="seed of the first line")
    asked = parser.parse_args(words)
    print(f"Lines of {TOWERS} towers, {asked.lines} in each situation from seed {asked.seed}:\n")
    print(markdown(score(asked.lines, asked.seed)))


if __name__ == "__main__":
    main()
