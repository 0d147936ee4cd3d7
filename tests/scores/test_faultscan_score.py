"""The score of the scan: counts by hand, and simulated lines that keep what is promised."""

import numpy as np
import pandas as pd
import pytest

from tests.scores import scan
from tests.scores.scan import SITUATIONS, TOWERS, draw_line, errors_told, read_line
from towerlib.physics.ladder import driving_points


def judged(none, bond, span):
    """Rows of `judge`: pairs of score and whether the place is right."""
    planted = ["none"] * len(none) + ["bond"] * len(bond) + ["span"] * len(span)
    score, right = zip(*[(score, False) for score in none], *bond, *span, strict=True)
    return pd.DataFrame({"planted": planted, "score": score, "threshold": 3.0, "right": right})


def test_counts_by_hand():
    table = judged([0, 1, 2, 4], [(0, True), (3.5, True), (5, True), (6, False)], [(9, True)] * 2)
    figures = scan.count(table)
    assert figures["false alarms"] == 0.25
    # Pairs won of 16: a tie is half of one; 0.5 + 3 + 4 + 4.
    assert figures["bond AUC"] == pytest.approx(11.5 / 16)
    # The highest of four lines without a fault is the 95 % quantile that is not passed by more than 5 %.
    assert (figures["bond found"], figures["bond right"], figures["bond own"]) == (0.5, 0.25, 0.75)
    assert (figures["span AUC"], figures["span found"], figures["span right"]) == (1.0, 1.0, 1.0)


@pytest.mark.parametrize("situation", SITUATIONS, ids=lambda situation: situation.name)
def test_what_is_read_is_what_is_said(situation):
    rng = np.random.default_rng(1)
    line = draw_line(situation, rng)
    ambient, injected = read_line(situation, line, ("bond", 20), rng)
    assert (len(ambient), len(injected)) == (situation.drive_a is not None, situation.every > 0)
    known = np.isfinite(line.told[0].footing_ohm)
    assert known.sum() == TOWERS / situation.footing_every
    for survey in injected:
        read = np.isfinite(survey.impedance_ohm)
        assert read.sum() == TOWERS / situation.every
    assert not np.isclose(line.true[0].span_s, line.told[0].span_s, rtol=1e-6).any()


def test_errors_are_as_large_as_told():
    # Over 100 lines: logarithms of told over true footings and of told over true wires.
    situation, off = SITUATIONS[4], []
    lines = [draw_line(situation, np.random.default_rng(seed)) for seed in range(100)]
    off = np.concatenate([np.log(line.told[0].footing_ohm / line.true[0].footing_ohm) for line in lines])
    assert off.std() == pytest.approx(0.05, rel=0.05)
    wire = [np.log(abs(line.told[0].span_s[0] / line.true[0].span_s[0])) for line in lines]
    assert np.std(wire) == pytest.approx(errors_told(situation).wire, rel=0.25)


def test_one_fault_changes_the_line_and_nothing_else():
    situation = SITUATIONS[4]
    line = draw_line(situation, np.random.default_rng(1))
    sound, opened = (
        read_line(situation, line, fault, np.random.default_rng(2))[1][0].impedance_ohm
        for fault in (None, ("bond", 20))
    )
    apart = np.abs(np.log(opened / sound))
    assert np.argmax(apart) == 20
    alone = line.true[1].footing_ohm[20] / abs(driving_points(line.true[1]).tower_ohm[20])
    assert apart[20] == pytest.approx(np.log(alone), rel=1e-6)


def test_injected_tests_at_every_tower_find_all(capsys, monkeypatch):
    # Every bond and every span is found where all is read to 5 %.
    monkeypatch.setattr(scan, "SITUATIONS", SITUATIONS[4:5])
    monkeypatch.setattr(scan.score, "__defaults__", (SITUATIONS[4:5], 40))
    scan.main(["--lines", "6", "--seed", "1"])
    cells = [cell.strip() for cell in capsys.readouterr().out.splitlines()[-1].split("|")]
    assert cells[3] == "0.00"
    assert cells[4:-1] == ["1.00"] * 8
