"""Short lines of 60 towers on which the scan for open bonds and spans is put to the test."""

import argparse
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.scores.causes import markdown
from tests.scores.record import rewrite
from towerlib.physics.fault_scan.response import with_fault
from towerlib.physics.fault_scan.scan import Ambient, Errors, Injected, ScanOptions, single_faults
from towerlib.physics.ladder import driving_points, ladder, solve
from towerlib.physics.overhead_line import self_impedance

TOWERS = 60
SERVICE_HZ, TEST_HZ = 50.0, 128.0
WIRE_OHM_M, WIRE_GMR_M, RESISTIVITY_OHM_M = 0.46e-3, 0.005, 100.0


@dataclass(frozen=True)
class Situation:
    """What is read on a line, and how well.

    Attributes
    ----------
    name, readings : str
        In words.
    drive_a : pair of float or None
        Range of the forced current [A]; None where nothing is read in service.
    transposed : bool
        The phases change places at a third and at two thirds of the line.
    noise_a, own_a, uneven : float
        Root mean square noise of a total [A], own leakage [A], unevenness of the drive.
    every : int
        Readings without coils at every so manieth tower; 0 is none.
    footing_every : int
        Footings read at every so manieth tower.
    reading, told : float
        Error of each reading without coils and of each footing, and what the scan is told.
    """

    name: str
    readings: str
    drive_a: tuple | None = None
    transposed: bool = False
    noise_a: float = 0.003
    own_a: float = 0.001
    uneven: float = 0.1
    every: int = 0
    footing_every: int = 1
    reading: float = 0.05
    told: float = 0.05


POOR = {"drive_a": (0.5, 5.0), "noise_a": 0.010, "own_a": 0.003}
THIRD = {"every": 3, "reading": 0.05}
SITUATIONS = (
    Situation("transposed, 3 to 30 A, noise 3 mA", "in service", (3.0, 30.0), transposed=True),
    Situation("not transposed, 3 to 30 A, noise 3 mA", "in service", (3.0, 30.0)),
    Situation(
        "same, noise 10 mA, own 3 mA, uneven by 2 %",
        "in service",
        (3.0, 30.0),
        noise_a=0.010,
        own_a=0.003,
        uneven=0.02,
    ),
    Situation("not transposed, 0.5 to 5 A, noise 10 mA, own 3 mA", "in service", **POOR),
    Situation("without coils and footing at every tower, 5 %", "injected", every=1),
    Situation("the same, errors of 20 % stated as 6 %", "injected", every=1, reading=0.20, told=0.064),
    Situation("without coils at every third tower", "injected", **THIRD),
    Situation("without coils at every third tower, 0.5 to 5 A, noise 10 mA", "both", **THIRD, **POOR),
    Situation("without coils at every third tower, 3 to 30 A, noise 3 mA", "both", (3.0, 30.0), **THIRD),
    Situation("without coils and footing at every third tower", "injected", footing_every=3, **THIRD),
)


@dataclass(frozen=True)
class Line:
    """A line as it is and as the scan is told, each at both frequencies, with its drive [A] and its error."""

    true: tuple
    told: tuple
    forced_a: np.ndarray
    told_a: np.ndarray


def errors_told(situation):
    """What the scan is told about errors.

    Parameters
    ----------
    situation : Situation

    Returns
    -------
    Errors
    """
    return Errors(
        noise_a=situation.noise_a / np.sqrt(2.0),
        own_a=situation.own_a,
        gain=0.03,
        reading=situation.told,
        footing=situation.told,
    )


def draw_line(situation, rng):
    """A line by chance, and what is known of it: all of it wrong by the errors that are told.

    Parameters
    ----------
    situation : Situation
        Readings and errors.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Line
    """
    errors = errors_told(situation)
    footing_ohm = 15.0 * np.exp(0.6 * rng.standard_normal(TOWERS))
    told_ohm = footing_ohm * np.exp(situation.reading * rng.standard_normal(TOWERS))
    told_ohm[np.arange(TOWERS) % situation.footing_every != 0] = np.nan
    span_m, station_ohm = (
        rng.uniform(220.0, 480.0, TOWERS - 1),
        np.exp(rng.uniform(np.log(0.2), np.log(2.0), 2)),
    )
    wire, told_station = (
        np.exp(errors.wire * rng.standard_normal()),
        np.exp(errors.station * rng.standard_normal(2)),
    )
    true, told = [], []
    for frequency_hz in (SERVICE_HZ, TEST_HZ):
        span_ohm = span_m * self_impedance(WIRE_OHM_M, WIRE_GMR_M, frequency_hz, RESISTIVITY_OHM_M)
        true.append(ladder(footing_ohm, 0.0, span_ohm, station_ohm))
        told.append(ladder(told_ohm, 0.0, span_ohm * wire, station_ohm * told_station))
    return Line(tuple(true), tuple(told), *_drive(situation, rng))


def _drive(situation, rng):
    """Forced current of each span, and what is told of it [A]."""
    third = np.arange(TOWERS - 1) * 3 // TOWERS
    told_a = np.exp(2j * np.pi * third / 3) if situation.transposed else np.ones(TOWERS - 1, complex)
    told_a = told_a * np.exp(rng.uniform(*np.log(situation.drive_a or (1.0, 1.0))))
    chance = rng.standard_normal((2, TOWERS - 1)) / np.sqrt(2.0)
    size = np.exp(rng.uniform(np.log(0.7), np.log(1.4)))
    return told_a * size * (1.0 + situation.uneven * (chance[0] + 1j * chance[1])), told_a


def read_line(situation, line, fault, rng):
    """Readings on a line with one fault or none.

    Parameters
    ----------
    situation, line : Situation, Line
        What is read, and where.
    fault : (str, int) or None
        Kind and position.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    tuple of two lists
        Rounds in service and of injected tests, as `scan_faults` takes them.
    """
    service, test = (part if fault is None else with_fault(part, *fault) for part in line.true)
    ambient, injected = [], []
    if situation.drive_a:
        emf_v = line.forced_a / line.true[0].span_s
        noise = rng.standard_normal((2, TOWERS)) + 1j * rng.standard_normal((2, TOWERS))
        own_a = (situation.own_a * noise[0] + situation.noise_a * noise[1]) / np.sqrt(2.0)
        footing_a = solve(service, span_emf_v=emf_v).footing_a * (1.0 + 0.03 * rng.standard_normal(TOWERS))
        ambient.append(Ambient(line.told[0], np.abs(footing_a + own_a), line.told_a))
    if situation.every:
        read_ohm = np.abs(driving_points(test).tower_ohm) * np.exp(
            situation.reading * rng.standard_normal(TOWERS)
        )
        here = np.arange(TOWERS) % situation.every == 0
        injected.append(Injected(line.told[1], np.where(here, read_ohm, np.nan)))
    return ambient, injected


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
    parser.add_argument("--write", action="store_true", help="rewrite the section of SCORES.md")
    asked = parser.parse_args(words)
    text = f"Lines of {TOWERS} towers, {asked.lines} in each situation from seed {asked.seed}:\n\n"
    text += markdown(score(asked.lines, asked.seed))
    print(text)
    if asked.write:
        rewrite("scan", text)


if __name__ == "__main__":
    main()
