"""Earth faults and the touch-voltage screening: closed forms, laws, and verdicts that can be worked out by hand."""

import numpy as np
import pytest
from network_lines import (
    FAULT,
    HEAD,
    PHASES,
    SPAN_M,
    STATIONS,
    WHOLE,
    WIRES,
    dense_fault,
    line,
    seen_at_towers,
    wire_ohm_m,
)

from towerlib import network
from towerlib.config import parse
from towerlib.errors import SettingsError

SELF, MUTUAL = 0.4093e-3 + 0.7625e-3j, 0.0493e-3 + 0.2915e-3j  # Ω/m, 50 Hz, 100 Ω·m, wires 9 m apart


def touch(rise_v, extra="", **more):
    """Screen and evidence of a tower in the middle whose rise is about as asked, with a sure share of it."""
    base = network.assess(*line(np.full(41, 10.0), interval=1.0001)).towers.loc[20, "potential_rise_v"]
    part = rise_v / base
    fault = f"[earth_fault]\nfrom_first_a = {4200 * part}\nfrom_last_a = {2600 * part}\nclearing_s = 0.5\n"
    settings = HEAD + STATIONS + WIRES + PHASES + fault + "[safety]\n" + extra
    towers = network.assess(*line(np.full(41, 10.0), settings, interval=1.0001, **more)).towers
    return towers.loc[20, "safety_screen"], towers.loc[20, "safety_evidence"]


def test_a_fault_far_from_both_stations():
    """Rise r·(I_A + I_B)·Z_T with Z_T = RZ/√(Z² + 4RZ) and r = 1 − z'sm/z'ss: IEC 60909-3, from memory."""
    towers = network.assess(*line(np.full(161, 15.0))).towers
    span = SELF * SPAN_M
    z_t = 15 * span / np.sqrt(span**2 + 60 * span)
    rise = abs((1 - MUTUAL / SELF) * 6800 * z_t)
    assert towers.loc[80, "potential_rise_v"] == pytest.approx(rise, rel=1e-3)
    assert towers.loc[80, "fault_current_a"] == pytest.approx(rise / 15, rel=1e-3)


def test_the_phase_that_couples_least_is_taken():
    two = PHASES.replace("}]", '}, { phase = "b", x_m = 0, y_m = 10 }]')
    nearer = network.assess(*line(np.full(81, 15.0))).towers.loc[40, "potential_rise_v"]
    both = network.assess(*line(np.full(81, 15.0), WHOLE.replace(PHASES, two))).towers.loc[
        40, "potential_rise_v"
    ]
    further = PHASES.replace("y_m = 21", "y_m = 10")
    alone = network.assess(*line(np.full(81, 15.0), WHOLE.replace(PHASES, further))).towers.loc[
        40, "potential_rise_v"
    ]
    assert both == pytest.approx(alone)
    assert both > nearer


def test_without_phases_the_rise_is_that_without_coupling():
    """1/|r| more, 1.46 times for r = 0.685: IEC 60909-3, from memory."""
    uncoupled = network.assess(*line(np.full(161, 15.0), HEAD + STATIONS + WIRES + FAULT))
    coupled = network.assess(*line(np.full(161, 15.0)))
    ratio = uncoupled.towers.loc[80, "potential_rise_v"] / coupled.towers.loc[80, "potential_rise_v"]
    assert ratio == pytest.approx(1 / 0.685, rel=2e-3)
    assert any("no [phases]" in words for words in uncoupled.assumed)


def test_the_interval_follows_the_footing():
    narrow = network.assess(*line(np.full(41, 15.0), interval=1.01)).towers.loc[20]
    wide = network.assess(*line(np.full(41, 15.0), interval=2.0)).towers.loc[20]
    assert wide["potential_rise_low_v"] < narrow["potential_rise_low_v"] < narrow["potential_rise_v"]
    assert narrow["potential_rise_v"] < narrow["potential_rise_high_v"] < wide["potential_rise_high_v"]


def test_another_footing_of_the_same_tower_against_the_whole_ladder():
    """The upper end is the rise with that tower's footing at its upper end: solved anew, with 8 % for the wire."""
    footings = np.full(41, 15.0)
    high = network.assess(*line(footings, interval=2.0)).towers.loc[20, "potential_rise_high_v"]
    footings[20] = 30.0
    anew = network.assess(*line(footings, interval=2.0)).towers.loc[20, "potential_rise_v"]
    assert high == pytest.approx(1.08 * anew, rel=1e-6)


def test_a_suspected_open_bond_takes_the_upper_end_to_the_phase_voltage():
    footings = np.full(41, 15.0)
    seen = seen_at_towers(footings, bonds={20: np.inf})
    found = network.assess(*line(footings, no_coils_ohm=seen))
    # 6800 A through 19.5 Ω would be 133 kV, more than 132/√3 kV.
    assert found.towers.loc[20, "potential_rise_high_v"] == pytest.approx(132e3 / np.sqrt(3))
    assert found.towers.loc[20, "potential_rise_v"] < 10e3
    assert any("At tower 20 the fault currents as given could not flow" in words for words in found.assumed)


def test_an_insulated_tower_carries_the_whole_fault_current():
    kind = np.where(np.arange(41) == 20, "insulated", "bonded")
    towers = network.assess(*line(np.full(41, 3.0), shield_wire=kind)).towers
    assert towers.loc[20, "fault_current_a"] == pytest.approx(6800)
    assert towers.loc[20, "potential_rise_v"] == pytest.approx(20400)


@pytest.mark.parametrize("end", [0, 11])
def test_an_insulated_end_tower_carries_the_whole_fault_current_too(end):
    """The stations take their currents from the wire: 8000 A · 20 Ω = 160 kV, more than 220/√3 = 127 kV."""
    kind = np.where(np.arange(12) == end, "insulated", "bonded")
    settings = WHOLE.replace("132", "220").replace("4200", "5000").replace("2600", "3000")
    found = network.assess(*line(np.full(12, 20.0), settings, shield_wire=kind))
    row = found.towers.loc[end]
    assert row["potential_rise_v"] == pytest.approx(220e3 / np.sqrt(3))
    assert row["fault_current_a"] == pytest.approx(220e3 / np.sqrt(3) / 20)
    assert any(
        f"At tower {end} the fault currents as given could not flow" in words for words in found.assumed
    )


@pytest.mark.parametrize("seed", range(6))
def test_rises_against_the_whole_nodal_system(seed):
    """Insulated towers and towers without a shield wire, at the ends and inside; the mutual is 0 without [phases]."""
    rng = np.random.default_rng(seed)
    kind, footings = rng.choice(["bonded", "insulated", "none"], 9, p=[0.6, 0.2, 0.2]), rng.uniform(2, 12, 9)
    kind[[0, 1, 2, -1]] = [
        ("insulated", "bonded", "bonded", "none"),
        ("none", "bonded", "bonded", "insulated"),
    ][seed % 2]
    bonds = np.where(kind == "bonded", 0.0, np.inf)
    without = kind == "none"
    spans = np.where(without[:-1] | without[1:], np.inf, wire_ohm_m(50.0) * SPAN_M)
    settings = HEAD.replace("132", "400") + STATIONS + WIRES + FAULT
    towers = network.assess(*line(footings, settings, shield_wire=kind)).towers
    for tower in range(9):
        tower_v, _ = dense_fault((footings, bonds, spans, (0.4, 0.9)), tower, (4200.0, 2600.0), np.zeros(8))
        assert towers.loc[tower, "potential_rise_v"] == pytest.approx(abs(tower_v[tower]), rel=1e-6)


@pytest.mark.parametrize(
    ("taken", "words"),
    [("from_first_a = 4200\n", "from_first_a"), ("from_last_a = 2600\n", "from_last_a")],
)
def test_a_missing_current_is_named(taken, words):
    found = network.assess(*line(np.full(12, 15.0), WHOLE.replace(taken, "")))
    assert any(f"lacks [earth_fault] {words}" in sentence for sentence in found.off)
    assert found.towers["potential_rise_v"].isna().all()
    assert (found.towers["safety_screen"] == "").all()


def test_no_fault_current_at_all_is_named():
    none = WHOLE.replace("4200", "0").replace("2600", "0")
    found = network.assess(*line(np.full(12, 15.0), none))
    assert any("no fault current comes from either end" in sentence for sentence in found.off)


def test_a_missing_clearing_time_leaves_the_rise():
    found = network.assess(*line(np.full(12, 15.0), WHOLE.replace("clearing_s = 0.5\n", "")))
    assert any("lacks [earth_fault] clearing_s" in sentence for sentence in found.off)
    assert found.towers["potential_rise_v"].notna().all()
    assert (found.towers["safety_screen"] == "").all()


GROUND = "surface_ohm_m = 100\n"
SURE = "standard = 'EN 50522:2010'\ntouch_fraction_low = 0.5\ntouch_fraction_high = 0.5\n"


@pytest.mark.parametrize(("rise_v", "word"), [(395, "below"), (440, "cannot tell"), (500, "above")])
def test_bare_feet_by_en50522(rise_v, word):
    """220 V in 0.5 s, EN 50522:2010 table B.3; half the rise within reach, and 8 % for the wire on either side."""
    screen, evidence = touch(rise_v, SURE, occupancy="bare feet")
    assert screen == word
    assert "against 220 V for 0.5 s (EN 50522:2010, no resistance added; bare feet)" in evidence


def test_a_rise_up_to_twice_the_limit_is_said_and_decides_nothing():
    """EN 50341-1: U_E ≤ 2·U_D asks for no proof (from memory); yet 400 V within reach are more than 220 V."""
    whole = SURE.replace("0.5\n", "1.0\n")
    screen, evidence = touch(400, whole, occupancy="bare feet")
    assert screen == "above"
    assert "no further proof up to twice the permissible voltage" in evidence
    assert "no further proof" not in touch(500, whole, occupancy="bare feet")[1]


@pytest.mark.parametrize(("rise_v", "word"), [(680, "below"), (900, "above")])
def test_shoes_on_ground_as_set(rise_v, word):
    """1000 Ω and 1.5·100 Ω·m with 0.2 A: 220 + 230 = 450 V, EN 50522 (body current from memory)."""
    settings = SURE.replace("0.5\n", "0.6\n") + GROUND
    screen, evidence = touch(rise_v, settings, occupancy="frequented")
    assert screen == word
    assert "against 450 V" in evidence
    assert "shoes 1000 Ω on 100 Ω·m (as set)" in evidence


def test_unknown_occupancy_is_anything_from_bare_feet_to_shoes():
    screen, evidence = touch(700, SURE + GROUND)
    assert screen == "cannot tell"
    assert "220 to 450 V" in evidence
    assert "occupancy not known" in evidence
    assert touch(700, SURE + "occupancy = 'bare feet'\n")[0] == "above"


@pytest.mark.parametrize(("kg", "limit", "shown"), [(50, 189, "189 V"), (70, 255, "255 V")])
def test_ieee80_on_ground_as_set(kg, limit, shown):
    """100 Ω·m, 0.5 s: 189 and 255 V, (1000 + 150)·k/√t of IEEE Std 80."""
    sure = f"standard = 'IEEE 80'\nbody_kg = {kg}\ntouch_fraction_low = 1\ntouch_fraction_high = 1\n" + GROUND
    below, evidence = touch(0.9 * limit, sure, occupancy="frequented")
    assert below == "below"
    assert f"against {shown}" in evidence
    assert touch(1.1 * limit, sure, occupancy="frequented")[0] == "above"


def test_ieee80_is_off_beyond_its_times():
    settings = WHOLE.replace("clearing_s = 0.5", "clearing_s = 5") + "[safety]\nstandard = 'IEEE 80'\n"
    found = network.assess(*line(np.full(12, 15.0), settings))
    assert any("0.03 to 3 s and the clearing time is 5 s" in sentence for sentence in found.off)


def test_kinds_of_footings_have_their_own_shares():
    """Single feet show more of the rise within reach than four, a ring less."""
    one = {"structure": "monopole", "leg_count": 1.0}
    assert "0.05 to 0.74 within reach (single foot, layers not on record)" in touch(500, **one)[1]
    assert (
        "0.005 to 0.66 within reach (ring round the legs, layers not on record)" in touch(500, ring=True)[1]
    )
    assert "0.03 to 0.72 within reach (four footings, layers not on record)" in touch(500)[1]


def test_ground_under_the_feet_is_no_better_known_than_the_record():
    """Shoes of 1000 Ω and 0.2 A, EN 50522:2010: 220 + 200 V and 0.3 V per Ω·m.

    A top layer of 100 Ω·m lies within 25 %, 80 to 125 Ω·m; a resistivity without layers leaves 4 to 2500 Ω·m, no
    record 0 to 5000 Ω·m.
    """
    layer = touch(700, SURE, occupancy="frequented", upper_layer_ohm_m=100.0)[1]
    assert "against 444 to 458 V" in layer
    assert "against 421 to 1170 V" in touch(700, SURE, occupancy="frequented")[1]
    nothing = touch(700, SURE, occupancy="frequented", soil_resistivity_ohm_m=np.nan)[1]
    assert "against 420 to 1920 V" in nothing


def test_the_screen_says_that_it_is_no_certificate():
    found = network.assess(*line(np.full(12, 15.0)))
    assert any("triage and no certificate" in words for words in found.assumed)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("touch_fraction_low = 0.3\n", "give both"),
        ("touch_fraction_low = 0.3\ntouch_fraction_high = 0.2\n", "0.3 lies above touch_fraction_high 0.2"),
        ("surface_depth_m = 0.1\n", "surface_depth_m needs surface_ohm_m"),
        ("standard = 'EN 50522'\n", "standard"),
        ("body_kg = 60\n", "body_kg = 60"),
    ],
)
def test_settings_that_do_not_go_together(text, words):
    with pytest.raises(SettingsError, match=words):
        parse(HEAD + "[safety]\n" + text)
