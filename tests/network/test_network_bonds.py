"""Bonds by the injected test on small lines: closed forms, a dense matrix of Kirchhoff's laws, bad input."""

import re

import numpy as np
import pandas as pd
import pytest
from network_lines import (
    FAULT,
    HEAD,
    PHASES,
    SPAN_M,
    STATIONS,
    WHOLE,
    WIRES,
    line,
    seen_at_towers,
    wire_ohm_m,
)

from towerlib import network

FOOTINGS = np.array([14.2, 8.7, 31.5, 12.0, 6.3, 55.0, 18.9, 9.4, 40.0, 22.6, 14.8, 11.1])


def read(bonds=None, opened=(), *, unread=(), **more):
    """The twelve-tower line with readings without coils by the dense matrix."""
    seen = seen_at_towers(FOOTINGS, bonds=bonds, opened=opened)
    seen[list(unread)] = np.nan
    return network.assess(*line(FOOTINGS, no_coils_ohm=seen, **more))


@pytest.mark.parametrize("hertz", [128.0, 1000.0])
def test_expected_share_of_a_long_uniform_line(hertz):
    """Z_T = RZ/√(Z² + 4RZ), share Z_T/R: IEC 60909-3 and Endrenyi, IEEE PAS-86 (1967), from memory."""
    footing, span = 15.0, wire_ohm_m(hertz) * SPAN_M
    towers = network.assess(*line(np.full(161, footing), hertz=hertz)).towers
    mid = abs(footing * span / np.sqrt(span**2 + 4 * footing * span))
    assert towers.loc[80, "no_coils_expected_ohm"] == pytest.approx(mid, rel=1e-5)
    assert towers.loc[80, "leg_share_expected"] == pytest.approx(mid / footing, rel=1e-5)


def test_two_wires_are_less_than_one_and_more_than_half():
    """Two like wires 11 m apart: (z'ss + z'12)/2; Kron reduction, textbook, by hand."""
    two = WIRES.replace("}]", "}, { x_m = 11, y_m = 30, radius_mm = 5, gmr_mm = 5, r_ohm_km = 0.36 }]")
    towers = network.assess(*line(np.full(161, 15.0), HEAD + STATIONS + two)).towers
    own = wire_ohm_m(128.0)
    beside = own - 0.36e-3 - 4e-7j * np.pi * 128 * np.log(11 / 5e-3)
    span = (own + beside) / 2 * SPAN_M
    mid = abs(15 * span / np.sqrt(span**2 + 60 * span))
    assert towers.loc[80, "no_coils_expected_ohm"] == pytest.approx(mid, rel=1e-5)


def test_a_line_of_its_own_data_is_sound():
    found = read()
    assert (found.towers["bond_state"] == "sound").all()
    assert not found.towers["bond_suspect"].any()
    assert (found.spans["span_scan"] == "none").all()
    assert found.towers["bond_z"].abs().max() < 0.01


@pytest.mark.parametrize("ohm", [4.0, 10.0, 30.0])
@pytest.mark.parametrize("place", [3, 6, 9])
def test_the_size_of_a_worn_bond_comes_back(ohm, place):
    towers = read({place: ohm}).towers
    told = towers.loc[place]
    assert told["bond_suspect"]
    assert told["bond_state"] in ("worn", "open suspected")
    assert told["bond_ohm"] == pytest.approx(ohm, rel=0.1)
    assert told["bond_low_ohm"] < ohm < told["bond_high_ohm"]
    assert "Inspect the bond" in told["bond_evidence"]
    assert (towers["bond_state"].drop(place) == "sound").all()


def test_an_open_bond():
    towers = read({6: np.inf}).towers
    assert towers.loc[6, "bond_state"] == "open suspected"
    assert towers.loc[6, "leg_share_measured"] == pytest.approx(1.0)
    assert towers.loc[6, "bond_high_ohm"] == np.inf
    assert not towers["bond_suspect"].drop(6).any()


def test_an_open_span_is_told_by_the_neighbours():
    """Both towers beside it are raised some 1.7 to 1.9 times: no bond is to blame."""
    found = read(opened=(5,))
    spans = found.spans[found.spans["span_scan"] == "suspected"]
    assert spans["from_tower_id"].tolist() == ["5"]
    assert not found.towers["bond_suspect"].any()
    assert "Inspect" in spans["span_evidence"].iloc[0]


def test_a_bond_and_a_span_that_look_the_same_are_not_told_apart():
    """A bond of 2.5 Ω raises a tower somewhat more than an open span beside it, and the neighbours were not read."""
    towers = read({6: 2.5}, unread=(5, 7)).towers
    told = towers.loc[6]
    assert told["bond_state"] == "not known"
    assert not told["bond_suspect"]
    assert told["suspicion_probability"] < read({6: 2.5}).towers.loc[6, "suspicion_probability"]
    assert "distinguish a sound bond from a worn one" in told["bond_evidence"]
    assert read({6: 4.0}).towers.loc[6, "bond_state"] == "worn"


@pytest.mark.parametrize("place", [3, 6, 9])
def test_a_small_excess_is_no_suspicion(place):
    """A bond of 0.5 Ω is no fault, however well it shows."""
    told = read({place: 0.5}).towers.loc[place]
    assert not told["bond_suspect"]
    assert told["suspicion_probability"] < 0.06


def test_a_wire_error_of_the_whole_line_blames_no_bond():
    seen = seen_at_towers(FOOTINGS) * 1.3
    found = network.assess(*line(FOOTINGS, no_coils_ohm=seen))
    assert not found.towers["bond_suspect"].any()
    assert any("30 % above the ladder" in words for words in found.assumed)
    assert any("Check resistance, GMR and heights" in words for words in found.assumed)


def test_a_share_by_the_currents_where_nothing_was_read_without_coils():
    arguments = line(FOOTINGS)
    seen = seen_at_towers(FOOTINGS, bonds={6: 20.0})
    currents, visits = arguments[3], arguments[4].visits
    visits["injected_ma"], visits["legs_ma"] = 50.0, 50.0 * seen / FOOTINGS
    currents["leg_share_lambda"] = seen / FOOTINGS
    currents["leg_share_u"] = 0.03 * seen / FOOTINGS
    towers = network.assess(*arguments).towers
    assert towers.loc[6, "bond_ohm"] == pytest.approx(20.0, rel=0.1)
    assert towers.loc[towers["bond_suspect"], "tower_id"].tolist() == ["6"]
    assert towers.loc[6, "bond_evidence"].startswith("The legs take 0.5")


def test_a_path_beside_the_coils_leaves_the_size_open():
    beside = np.ones(12, bool)
    beside[6] = False
    towers = read({6: 20.0}, earth_paths_in_coils=beside).towers
    assert towers.loc[6, "bond_suspect"]
    assert np.isnan(towers.loc[6, "bond_ohm"])
    assert "leaves its size open" in towers.loc[6, "bond_evidence"]


def test_insulated_towers_have_no_bond_to_judge():
    kind = np.where(np.arange(12) == 6, "insulated", "bonded")
    seen = seen_at_towers(FOOTINGS, bonds={6: np.inf})
    towers = network.assess(*line(FOOTINGS, no_coils_ohm=seen, shield_wire=kind)).towers
    assert towers.loc[6, "bond_state"] == "not known"
    assert "by design" in towers.loc[6, "bond_evidence"]
    assert towers.loc[6, "leg_share_expected"] == 1.0
    assert pd.isna(towers.loc[6, "bond_testable"])
    assert not towers["bond_suspect"].any()


def test_a_tower_between_two_open_spans_stands_alone():
    kind = np.where(np.isin(np.arange(12), [5, 7]), "none", "bonded")
    found = network.assess(*line(FOOTINGS, no_coils_ohm=FOOTINGS, shield_wire=kind))
    assert found.towers.loc[6, "leg_share_expected"] == 1.0
    assert "no shield wire leads away" in found.towers.loc[6, "bond_evidence"]
    assert any("Both spans are without a shield wire at tower 6" in words for words in found.assumed)
    assert (found.spans.loc[4:7, "span_scan"] == "not testable").all()


def test_unknown_footings_are_marked_and_told():
    footings = FOOTINGS.copy()
    footings[[2, 8]] = np.nan
    found = network.assess(*line(footings, no_coils_ohm=seen_at_towers(FOOTINGS)))
    assert found.towers.loc[found.towers["footing_assumed"], "tower_id"].tolist() == ["2", "8"]
    assert any(
        "2 of 12 footings are not known. The line's median of 13.1 Ω" in words for words in found.assumed
    )


def test_a_footing_of_zero_is_named():
    footings = FOOTINGS.copy()
    footings[4] = 0.0
    found = network.assess(*line(footings))
    assert any("0 Ω or less is impossible: tower 4" in words for words in found.assumed)
    assert found.towers["leg_share_expected"].notna().all()


def test_without_a_frequency_nothing_is_judged():
    found = read(hertz=np.nan)
    assert (found.towers["bond_state"] == "not known").all()
    assert "test frequency is not recorded" in found.towers["bond_evidence"].iloc[0]
    assert any("Bonds cannot be judged" in words for words in found.off)


def test_later_visits_are_not_seen():
    *arguments, _ = line(FOOTINGS, no_coils_ohm=seen_at_towers(FOOTINGS, bonds={6: np.inf}))
    assert not network.assess(*arguments, "2026-05").towers["bond_suspect"].any()
    assert network.assess(*arguments, "2026-06").towers["bond_suspect"].any()


@pytest.mark.parametrize(
    ("settings", "more", "words"),
    [
        (HEAD + STATIONS, {}, r"line.toml has no \[shield_wires\]"),
        (WHOLE, {"shield_wire": "none"}, "no tower of the register has a shield wire"),
    ],
)
def test_without_its_data_the_network_is_off_in_one_sentence(settings, more, words):
    found = network.assess(*line(FOOTINGS, settings, **more))
    assert len(found.off) == 1
    assert re.search(words, found.off[0])
    assert found.towers["tower_id"].tolist() == [str(k) for k in range(12)]
    assert found.towers["bond_state"].eq("").all()
    assert found.spans["span_scan"].eq("").all()


def test_no_footing_at_all_switches_it_off():
    found = network.assess(*line(np.full(5, np.nan)))
    assert "no footing of the line is known" in found.off[0]


def test_a_line_of_one_tower_has_no_ladder():
    assert "one tower" in network.assess(*line([10.0])).off[0]


def test_a_span_without_length_is_named():
    arguments = line(FOOTINGS)
    arguments[1].spans.loc[3, "length_m"] = 0.0
    assert "span 3 – 4 has no length" in network.assess(*arguments).off[0]


def test_a_line_of_one_span():
    """Two towers: 10 Ω beside the wire to 20 Ω, both with a station; Ohm's law by hand."""
    found = network.assess(*line([10.0, 20.0], no_coils_ohm=seen_at_towers([10.0, 20.0])))
    behind = wire_ohm_m(128.0) * SPAN_M + 1 / (1 / 20 + 1 / 0.9)
    expected = abs(1 / (1 / 10 + 1 / 0.4 + 1 / behind))
    assert found.towers.loc[0, "no_coils_expected_ohm"] == pytest.approx(expected, rel=1e-5)
    assert any("it takes a line of 3 towers" in words for words in found.off)


def test_a_missing_station_is_named():
    found = network.assess(
        *line(FOOTINGS, HEAD + WIRES + PHASES + FAULT + "[stations]\nlast = { earth_ohm = 1 }\n")
    )
    assert any("earth of the first station is not in line.toml" in words for words in found.assumed)
    assert any("lacks the earth_ohm of [stations] first" in words for words in found.off)
    assert found.towers["potential_rise_v"].isna().all()


def test_what_was_handed_over_stays_as_it_was():
    arguments = line(FOOTINGS, no_coils_ohm=seen_at_towers(FOOTINGS, bonds={6: 20.0}))
    before = [
        table.copy() for table in (arguments[0].towers, arguments[2], arguments[3], arguments[4].visits)
    ]
    network.join(arguments[2], network.assess(*arguments))
    for table, copy in zip(
        (arguments[0].towers, arguments[2], arguments[3], arguments[4].visits), before, strict=True
    ):
        pd.testing.assert_frame_equal(table, copy)


def test_join_raises_the_cause_and_keeps_what_was_said():
    arguments = line(FOOTINGS, no_coils_ohm=seen_at_towers(FOOTINGS, bonds={4: 20.0, 6: 20.0, 9: 20.0}))
    condition = arguments[2]
    condition.loc[4, "suspected_cause"] = "bond: inspect"
    condition.loc[9, "suspected_cause"] = "coil reversed"
    joined = network.join(condition, network.assess(*arguments))
    assert joined.loc[6, "suspected_cause"] == "bond: inspect"
    assert joined.loc[6, "evidence"].endswith("Said before.")
    assert "bond of 20 Ω" in joined.loc[6, "evidence"]
    assert joined.loc[9, "suspected_cause"] == "coil reversed"
    assert "bond of 20 Ω" in joined.loc[9, "evidence"]
    assert joined.loc[4, "suspected_cause"] == "bond: inspect"
    assert "Said before." not in joined.loc[4, "evidence"]
    others = joined.drop(index=[4, 6, 9])
    assert (others["suspected_cause"] == "none").all()
    assert (others["evidence"] == "Said before.").all()
