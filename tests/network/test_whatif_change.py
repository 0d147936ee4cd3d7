"""Stretches and what-ifs by name, and what is said where a name or a number is wrong."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from towerlib.errors import SettingsError
from towerlib.network import what_if
from towerlib.network.what_if import rivals

NAMES = ["1", "2", "2A", "3-1", "4", "5"]
KM = [0.0, 0.3, 0.7, 1.0, 1.4, 1.7]


@pytest.fixture
def route():
    towers = pd.DataFrame({"tower_id": NAMES, "chainage_m": np.multiply(1000, KM)})
    spans = pd.DataFrame({"from_tower_id": NAMES[:-1], "to_tower_id": NAMES[1:]})
    return SimpleNamespace(towers=towers, spans=spans)


def test_a_stretch_holds_its_ends(route):
    found = what_if.stretch(route, 0.3, 1.0)
    assert (found.first, found.last) == (1, 3)
    assert NAMES[found.towers] == ["2", "2A", "3-1"]
    assert len(route.spans.iloc[found.spans]) == 2


def test_two_zeros_take_the_whole_line(route):
    found = what_if.stretch(route, 0, 0)
    assert (found.first, found.last, found.to_km) == (0, 5, 1.7)


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ((1.2, 0.4), "from_km = 1.2 must lie before to_km = 0.4"),
        ((0.4, 0.4), "must lie before"),
        ((0.4, 0.8), "takes two towers at least, and this one has 1; the line runs from km 0 to km 1.7"),
        ((5.0, 9.0), "this one has 0"),
        ((np.nan, 1.0), "chainages are numbers in km"),
    ],
)
def test_ends_that_make_no_stretch(route, ends, words):
    with pytest.raises(SettingsError, match=words):
        what_if.stretch(route, *ends)


def test_around_a_span_stays_on_the_line(route):
    found = what_if.around(route, 1, 2, beside=2)
    assert (found.first, found.last) == (0, 4)
    assert found == what_if.stretch(route, found.from_km, found.to_km)


@pytest.mark.parametrize("name", ["2-2A", "2A – 2", " 2–2A "])
def test_a_span_by_both_towers(route, name):
    assert what_if.change(route, open_span=name) == what_if.Change(spans=(1,))


def test_a_dash_in_the_name_of_a_tower(route):
    assert what_if.change(route, open_span="2A-3-1").spans == (2,)


def test_all_at_once(route):
    found = what_if.change(route, "2A", "4-5", "1", 7.5)
    assert found == what_if.Change(bonds=(2,), spans=(4,), footings=((0, 7.5),))
    assert not found.is_none
    assert what_if.change(route).is_none


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"open_bond": "2B"}, "tower '2B' is not on the line; did you mean '2'"),
        ({"open_span": "1-2A"}, "span '1-2A' is not on the line; did you mean '1-2'"),
        ({"footing_tower": "6"}, "the footing of a tower is greater than 0 Ω"),
        ({"footing_tower": "1", "footing_ohm": np.nan}, "footing_ohm = nan"),
        ({"footing_tower": "zz", "footing_ohm": 5.0}, "tower 'zz' is not on the line; known are 1, 2, 2A"),
    ],
)
def test_what_the_line_does_not_have(route, wrong, words):
    with pytest.raises(SettingsError, match=words) as caught:
        what_if.change(route, **wrong)
    assert "\n" not in str(caught.value)


def test_rivals_are_the_spans_beside(route):
    model = SimpleNamespace(
        length_m=np.full(5, 300.0), span_open=np.array([False, True, False, False, False])
    )
    assert [one.spans for one in rivals(model, what_if.Change(spans=(3,)))] == [(2,), (4,)]
    assert [one.spans for one in rivals(model, what_if.Change(spans=(0,)))] == []  # span 1 is open by design
    assert [one.spans for one in rivals(model, what_if.Change(bonds=(5,)))] == [(4,)]


def test_what_the_network_suspects(route):
    network = SimpleNamespace(
        spans=pd.DataFrame({"span_scan": ["none", "suspected", "none", "suspected", "none"]}),
        towers=pd.DataFrame(
            {"bond_state": ["sound", "worn", "open suspected", "sound", "sound", "not known"]}
        ),
    )
    found = what_if.suspected_change(network, what_if.stretch(route, 0.3, 1.0))
    assert found == what_if.Change(bonds=(2,), spans=(1,))
