"""Verdicts and sentences of visits."""

import re
from pathlib import Path
from random import Random

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_visit import TOWER, VISIT, shifted, sound

from towerlib.readings.quality import FINDINGS, VERDICTS, grade
from towerlib.records.load import load
from towerlib.route import build


def test_sound_visit_is_usable():
    graded = grade(*sound())
    assert graded.visits["verdict"].tolist() == ["usable"]
    assert graded.visits["reasons"].tolist() == [""]
    assert graded.findings.empty
    assert list(graded.findings.columns) == FINDINGS


def test_verdict_is_the_gravest_and_the_gravest_reason_comes_first():
    graded = grade(*sound({}, {"soil_state": "frozen"}, {"soil_state": "frozen", "over_range": True}))
    assert graded.visits["verdict"].tolist() == list(VERDICTS)
    assert graded.findings["rule"].tolist() == ["soil_unfrozen", "over_range_absent", "soil_unfrozen"]
    assert graded.findings["visit_id"].tolist() == ["V2", "V3", "V3"]
    assert graded.visits["reasons"][2].startswith("The instrument showed an overload")
    assert graded.visits["reasons"][2].endswith(graded.visits["reasons"][1])


def test_visits_stay_as_they_are_in_their_order():
    records, route = sound({"tower_id": "T3"}, {"coil_turns_recorded": 1.0}, {"tower_id": "T1"})
    records.visits = records.visits.assign(weather="mild").iloc[[2, 0, 1]]
    before = records.visits.copy()
    graded = grade(records, route)
    pd.testing.assert_frame_equal(records.visits, before)
    pd.testing.assert_frame_equal(
        graded.visits.drop(
            columns=[
                *("verdict", "footing_verdict", "leakage_verdict", "reasons"),
                *("upper_limit_only", "repeats_visit_id"),
            ]
        ),
        before,
    )
    assert graded.visits["verdict"].tolist().index("not usable") == 2


def test_types_are_the_same_with_and_without_findings():
    without, with_one = grade(*sound()), grade(*sound({"over_range": True}))
    assert (without.findings.dtypes == "str").all()
    assert (with_one.findings.dtypes == "str").all()
    assert without.visits[["verdict", "reasons"]].dtypes.eq("str").all()


def test_no_visits_make_no_verdicts():
    records, route = sound()
    records.visits, records.legs, records.sweeps = (
        table.iloc[:0] for table in (records.visits, records.legs, records.sweeps)
    )
    graded = grade(records, route)
    assert graded.visits.empty
    assert graded.findings.empty


def test_a_tower_outside_the_register_is_graded_by_what_the_visit_says():
    graded = grade(*sound({"tower_id": "T99", "over_range": True}))
    assert graded.findings["rule"].tolist() == ["over_range_absent"]


def test_sentence_carries_number_limit_and_what_to_do():
    sentence = grade(*sound({"current_probe_ohm": 2345.0})).findings["sentence"][0]
    assert "2345 ohm" in sentence
    assert "1000 ohm" in sentence
    assert "Wet the soil" in sentence


def test_a_low_stray_voltage_is_asked_about_and_never_called_a_fault():
    sentence = grade(
        *sound({"interference_potential_probe_v": 0.02, "interference_current_probe_v": 0.03})
    ).findings["sentence"][0]
    assert "a question, not a fault" in sentence
    assert "?" in sentence
    assert "licensed procedure" in sentence


def test_one_reading_too_many_or_too_few_is_not_corrected():
    graded = grade(*sound({"coil_turns": 2.0, "coil_turns_recorded": 1.0}))
    assert graded.visits["impedance_ohm"].tolist() == [10.0]
    assert graded.visits["verdict"].tolist() == ["not usable"]


NUMBERS = [column for column, value in VISIT.items() if isinstance(value, float)]
CHOICES = {
    "method": [None, "leg coils", "no coils", "shield wire lifted"],
    "in_service": [None, True, False],
    "over_range": [None, False],
    "instrument_serial": [None, "S-1"],
    "soil_state": [None, "dry", "frozen"],
    "tower_id": ["T1", "T2", "T3", "T99"],
}


def scribbled(random):
    """A visit with some cells blank, some choices changed and some numbers far off."""
    change = {column: None for column in NUMBERS if random.random() < 0.2}
    change |= {
        column: VISIT[column] * 10 ** random.uniform(-4, 4) for column in NUMBERS if random.random() < 0.1
    }
    change |= {column: 0.0 for column in NUMBERS if random.random() < 0.03}
    change |= {column: random.choice(answers) for column, answers in CHOICES.items() if random.random() < 0.3}
    leg = [None, 0.0, 40.0, random.uniform(0, 1000)]
    change["legs"] = [tuple(random.choice(leg) for _ in range(3)) for _ in range(random.randrange(6))]
    change["sweep"] = [(random.uniform(20, 5000), random.uniform(0, 50)) for _ in range(random.randrange(4))]
    return change


@pytest.mark.parametrize("tower", [{}, {"ring": True, "leg_count": None}, dict.fromkeys(TOWER)])
def test_whatever_crews_write_each_visit_gets_a_verdict_and_whole_sentences(tower):
    changes = [scribbled(Random(seed)) for seed in range(400)]
    graded = grade(*sound(*changes, tower=tower))
    assert graded.visits["verdict"].isin(VERDICTS).all()
    assert (graded.visits["verdict"].eq("usable") == graded.visits["reasons"].eq("")).all()
    assert graded.findings["rule"].nunique() > 15
    texts = [*graded.findings["value"], *graded.findings["sentence"]]
    assert not [text for text in texts if re.search(r"\b(nan|None|inf)\b|[{}]", text)]
    assert graded.findings["sentence"].str.endswith(".").all()


@settings(max_examples=8, deadline=None)
@given(st.permutations(range(4)))
def test_the_order_of_visits_changes_no_verdict(order):
    changes = [
        {"visit_id": "a"},
        {"visit_id": "b", "over_range": True},
        {"visit_id": "c", **shifted(0.0, 60.0)},
        {"visit_id": "d", "legs": [(50.0, 40.0, 2.0)] * 3},
    ]
    straight = grade(*sound(*changes)).visits.set_index("visit_id")["verdict"]
    shuffled = grade(*sound(*(changes[place] for place in order))).visits.set_index("visit_id")["verdict"]
    pd.testing.assert_series_equal(straight, shuffled.loc[straight.index])


def test_planted_visits_of_the_demo_are_found_and_sound_ones_are_not_thrown_out():
    folder = Path(__file__).parents[2] / "data" / "demo" / "brackwater-stonefell"
    records = load(folder)
    graded = grade(records, build(records.towers, records.line)).visits.set_index("visit_id")
    planted = pd.read_csv(folder / "truth-visits.csv", dtype=str).set_index("visit_id")["flaw"]
    flaw = planted.reindex(graded.index).fillna("none")
    plain = [
        "over_range",
        "method not stated",
        "turns not entered",
        "stood at the neighbour",
        "high probe resistance",
    ]
    assert graded["verdict"][flaw.isin(plain)].eq("not usable").all()
    doubtful = ["reversed coil", "probes too near", "probes along the line", "calibration lapsed"]
    assert graded["verdict"][flaw.isin(doubtful)].ne("usable").all()
    assert graded["verdict"][flaw.eq("none")].ne("not usable").all()
    assert flaw.isin([*plain, *doubtful]).sum() > 30


@pytest.mark.parametrize("scale", [1e-3, 1e3])
def test_wrong_unit_of_one_leg_is_found(scale):
    legs = [(50.0 * scale, 40.0, 2.0), (52.0, 40.0, 2.0), (48.0, 40.0, 2.0), (50.0, 40.0, 2.0)]
    failed = set(grade(*sound({"legs": legs})).findings["rule"])
    assert failed & {"total_within_sum", "total_near_sum", "total_near_least"}
    assert np.isin(
        list(failed), ["total_within_sum", "total_near_sum", "total_near_least", "ambient_agrees"]
    ).all()


def test_a_flaw_of_one_reading_does_not_condemn_the_other():
    """A probe of bad contact spoils the impedance; coils have nothing to do with it."""
    graded = grade(*sound({"potential_probe_ohm": 60_000.0})).visits.iloc[0]
    assert graded["footing_verdict"] == "not usable"
    assert graded["leakage_verdict"] == "usable"
    assert graded["verdict"] == "not usable"
