"""Each quality rule fails on what it names and on nothing else, and turns at its limit."""

import numpy as np
import pandas as pd
import pytest
from sound_visit import LEGS, TOWER, VISIT, shifted, sound

from towerlib.errors import SettingsError
from towerlib.readings.quality import FAILS as RULES
from towerlib.readings.quality import SEVERITIES, grade, in_force, prepare, table
from towerlib.values import STATUSES

RING_LEGS = [
    (670.0, 40.0, 2.0),
    (86.0, 40.0, 2.0),
    (721.0, 40.0, 2.0),
    (160.0, 40.0, 2.0),
]  # circulating currents
LONE_LEG = [(150.0, 40.0, 2.0), (20.0, 40.0, 2.0), (20.0, 40.0, 2.0), (10.0, 40.0, 2.0)]  # least total 100 mA
LOW_OHM = {
    "impedance_ohm": 0.2,
    "impedance_no_coils_ohm": 0.04,
    "sweep": [(128.0, 0.2)],
    "leakage_total_ma": 1950.0,
    "interference_potential_probe_v": 0.39,
    "interference_current_probe_v": 0.39,
    "legs": [(500.0, 0.8, 2.0)] * 4,
}
HIGH_OHM = {
    "impedance_ohm": 600.0,
    "impedance_no_coils_ohm": 120.0,
    "sweep": [(128.0, 600.0)],
    "interference_potential_probe_v": 117.0,
    "interference_current_probe_v": 117.0,
    "legs": [(50.0, 2400.0, 2.0)] * 4,
}


def stray(volt):
    return {"interference_potential_probe_v": volt, "interference_current_probe_v": volt}


def legs_with(**columns):
    """The sound legs with one column changed at the first leg."""
    leakage, ohm, turns = LEGS[0]
    return {
        "legs": [
            (columns.get("ma", leakage), columns.get("ohm", ohm), columns.get("turns", turns)),
            *LEGS[1:],
        ]
    }


FAILS = {
    "method_known": ({"method": None}, {}),
    "reading_recorded": ({"impedance_ohm": None, "leakage_total_ma": None, "legs": []}, {}),
    "impedance_recorded": ({"impedance_ohm": None}, {}),
    "impedance_positive": ({"impedance_ohm": 0.0}, {}),
    "footing_read_alone": (
        {"method": "no coils", "impedance_ohm": 2.0, "impedance_no_coils_ohm": None, "sweep": [(128.0, 2.0)]},
        {},
    ),
    "frequency_known": ({"test_frequency_hz": None}, {}),
    "over_range_absent": ({"over_range": True}, {}),
    "serial_recorded": ({"instrument_serial": "  "}, {}),
    "calibration_current": ({"calibration_due": "2026-03-09"}, {}),
    "soil_unfrozen": ({"soil_state": "frozen"}, {}),
    "position_near": (shifted(0.0, 50.0), {}),
    "position_at_this_tower": (shifted(200.0, 0.0), {}),
    "probe_resistance_low": ({"current_probe_ohm": 2000.0}, {}),
    "probe_resistance_measurable": ({"potential_probe_ohm": 60_000.0}, {}),
    "interference_agrees": ({"interference_current_probe_v": 3.5}, {}),
    "interference_present": (stray(0.05), {}),
    "interference_frequency_of_network": ({"interference_frequency_hz": 16.7}, {}),
    "frequency_clear": ({"test_frequency_hz": 152.0}, {}),
    "current_probe_off_the_line": (
        {
            "current_probe_bearing_deg": 35.0,
            "potential_probe_bearing_deg": 35.0,
            "current_probe_distance_m": 80.0,
            "potential_probe_distance_m": 49.4,
        },
        {},
    ),
    "current_probe_off_the_footing": ({}, {"leg_spacing_m": 15.0}),
    "probes_across_the_line": (
        {
            "current_probe_bearing_deg": 20.0,
            "potential_probe_bearing_deg": 20.0,
            "current_probe_distance_m": 200.0,
            "potential_probe_distance_m": 123.6,
        },
        {},
    ),
    "probes_off_the_counterpoise": (
        {"potential_probe_bearing_deg": 50.0, "current_probe_bearing_deg": 50.0},
        {"ring": True},
    ),
    "potential_probe_placed": ({"potential_probe_distance_m": 72.0}, {}),
    "potential_probe_outside_zones": ({"potential_probe_distance_m": 10.0}, {}),
    "zones_apart": ({}, {"soil_resistivity_ohm_m": 1000.0}),
    "turns_as_set": ({"coil_turns_recorded": 1.0}, {}),
    "turns_equal_on_all_legs": (legs_with(turns=1.0), {}),
    "current_scale_factor_possible": ({"current_scale_factor": 0.1}, {}),
    "all_legs_in_coils": ({"legs": LEGS[:3]}, {}),
    "all_legs_read": ({"legs": LEGS[:3], "method": "shield wire lifted"}, {}),
    "no_leg_too_many": ({"legs": [(40.0, 50.0, 2.0)] * 5}, {}),
    "total_within_sum": ({"leakage_total_ma": 220.0}, {}),
    "total_near_sum": ({"leakage_total_ma": 400.0, **stray(4.0)}, {}),
    "total_above_least": ({"legs": LONE_LEG, "leakage_total_ma": 75.0, **stray(0.75)}, {}),
    "total_near_least": ({"legs": LONE_LEG, "leakage_total_ma": 20.0, **stray(0.2)}, {}),
    "ring_total_resolved": ({"legs": RING_LEGS, "leakage_total_ma": 28.0, **stray(0.28)}, {"ring": True}),
    "earth_paths_in_coils": ({}, {"earth_paths_in_coils": False}),
    "legs_within_injected": ({"legs_ma": 60.0, "impedance_no_coils_ohm": 10.5}, {}),
    "leg_shares_agree": ({"legs_ma": 20.0}, {}),
    "legs_make_the_whole": ({"legs": [(50.0, 54.0, 2.0)] * 4}, {}),
    "legs_near_the_whole": ({"legs": [(50.0, 80.0, 2.0)] * 4}, {}),
    "no_coils_lower": ({"impedance_no_coils_ohm": 12.0, "legs_ma": 50.0}, {}),
    "no_coils_possible": ({"impedance_no_coils_ohm": 14.0, "legs_ma": 55.0}, {}),
    "impedance_not_tiny": (LOW_OHM, {"soil_resistivity_ohm_m": 3.0}),
    "impedance_not_huge": (HIGH_OHM, {"soil_resistivity_ohm_m": 18_000.0}),
    "impedance_fits_soil": ({}, {"soil_resistivity_ohm_m": 20.0}),
    "ambient_agrees": (stray(3.9), {}),
    "sweep_agrees": ({"sweep": [(41.0, 12.0), (5000.0, 12.0)]}, {}),
}
PAIRS = {
    "repeats_agree": ({}, {"impedance_ohm": 11.5, "sweep": [(128.0, 11.5)]}),
    "readings_its_own": ({}, {"tower_id": "T3"}),
    "position_of_register": (
        shifted(100.0, 0.0),
        {"date": "2026-04-20", "impedance_ohm": 10.1} | shifted(103.0, 0.0),
    ),
}
OLDER = {  # what a sheet that repeats an older one fails, and the older one does not
    "readings_of_this_day": ({"date": "2024-05-02"}, {}),
}


def rules_failed(*changes, tower=None, overrides=None, soil=()):
    return set(grade(*sound(*changes, tower=tower, soil=soil), overrides).findings["rule"])


def test_table_and_rules_agree_one_to_one():
    assert set(table()) == set(RULES)


def test_every_rule_has_a_visit_that_fails_it():
    assert set(table()) == set(FAILS) | set(PAIRS) | set(OLDER)


@pytest.mark.parametrize("rule", FAILS)
def test_a_visit_fails_this_rule_and_no_other(rule):
    change, tower = FAILS[rule]
    assert rules_failed(change, tower=tower) == {rule}


@pytest.mark.parametrize("rule", PAIRS)
def test_two_visits_fail_this_rule_and_no_other(rule):
    found = grade(*sound(*PAIRS[rule])).findings
    assert list(found["rule"]) == [rule, rule]
    assert list(found["visit_id"]) == ["V1", "V2"]


@pytest.mark.parametrize("rule", OLDER)
def test_the_newer_of_two_visits_fails_this_rule_and_no_other(rule):
    found = grade(*sound(*OLDER[rule])).findings
    assert list(found["rule"]) == [rule]
    assert list(found["visit_id"]) == ["V2"]


@pytest.mark.parametrize(
    "change", [{"impedance_ohm": 10.1}, legs_with(ma=51.0), {"leakage_total_ma": 196.0}, {"legs": []}]
)
def test_a_repeat_has_every_digit_of_an_older_visit(change):
    assert "readings_of_this_day" not in rules_failed({"date": "2024-05-02"}, change)
    if "legs" in change and not change["legs"]:  # two impedances alike are chance
        assert "readings_of_this_day" not in rules_failed({"date": "2024-05-02"} | change, change)


def test_a_repeat_names_the_older_visit_and_is_no_reading_of_its_own():
    graded = grade(*sound({"date": "2024-05-02"}, {})).visits
    assert graded["repeats_visit_id"].to_list() == ["", "V1"]
    assert graded["verdict"].to_list() == ["usable", "usable with caution"]


def test_positions_that_agree_with_each_other_speak_against_the_register():
    """Twice the same place 200 m off, two thirds of a span: the readings stay. Once is the crew's, and so is the next tower."""
    again = {"date": "2026-04-20", "impedance_ohm": 10.1}
    assert rules_failed(shifted(0.0, 200.0), again | shifted(0.0, 203.0)) == {"position_of_register"}
    assert rules_failed(shifted(0.0, 200.0), again | shifted(0.0, 280.0)) == {"position_at_this_tower"}
    assert rules_failed(shifted(300.0, 5.0), again | shifted(303.0, 0.0)) == {"position_at_this_tower"}
    assert rules_failed(shifted(0.0, 200.0)) == {"position_at_this_tower"}
    one_day = {"impedance_ohm": 10.1} | shifted(0.0, 203.0)
    assert rules_failed(shifted(0.0, 200.0), one_day) == {"position_at_this_tower"}


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_answers_plain_true_or_false_for_each_visit(rule):
    context = prepare(*sound({}, {"impedance_ohm": None, "method": None}))
    answer = RULES[rule](context, table()[rule].threshold)
    assert isinstance(answer, pd.Series)
    assert answer.dtype == bool
    assert len(answer) == 2


def test_what_was_not_recorded_fails_only_the_rules_that_ask_for_it():
    kept = ("visit_id", "tower_id", "date", "method", "impedance_ohm")
    blank = {column: None for column in VISIT if column not in kept}
    bare_tower = dict.fromkeys(TOWER)
    assert rules_failed({**blank, "legs": [], "sweep": []}, tower=bare_tower) == {
        "frequency_known",
        "serial_recorded",
    }


# The limit itself is still good; one step beyond is not.
LIMITS = [
    ("probe_resistance_low", {"current_probe_ohm": 1000.0}, {"current_probe_ohm": 1000.1}),  # common practice
    (
        "probe_resistance_measurable",
        {"current_probe_ohm": 50_000.0},
        {"current_probe_ohm": 50_001.0},
    ),  # IEC 61557-5
    (
        "interference_agrees",
        {"interference_current_probe_v": 2.95},
        {"interference_current_probe_v": 2.96},
    ),  # common practice
    ("interference_agrees", {"interference_current_probe_v": 0.95}, {"interference_current_probe_v": 0.94}),
    (
        "interference_present",
        {**stray(0.09), "interference_current_probe_v": 0.1},
        stray(0.099),
    ),  # common practice
    ("interference_present", {**stray(0.05), "in_service": False}, {**stray(0.05), "in_service": None}),
    (
        "interference_frequency_of_network",
        {"interference_frequency_hz": 52.0},
        {"interference_frequency_hz": 52.1},
    ),
    (
        "interference_frequency_of_network",
        {"interference_frequency_hz": 148.0},
        {"interference_frequency_hz": 147.9},
    ),
    ("frequency_clear", {"test_frequency_hz": 105.0}, {"test_frequency_hz": 104.9}),
    ("frequency_clear", {"test_frequency_hz": 41.0}, {"test_frequency_hz": 50.0}),
    ("frequency_clear", {"test_frequency_hz": 5000.0, "impedance_ohm": 11.0}, {"test_frequency_hz": 2000.0}),
    ("calibration_current", {"calibration_due": "2026-03-10"}, {"calibration_due": "2026-03-09"}),
    ("position_near", shifted(30.4, 0.0), shifted(30.6, 0.0)),
    ("position_at_this_tower", shifted(149.9, 0.0), shifted(150.1, 0.0)),
    ("impedance_positive", {"impedance_ohm": 0.01}, {"impedance_ohm": 0.0}),
    ("impedance_not_tiny", {"impedance_ohm": 0.3}, {"impedance_ohm": 0.299}),
    ("impedance_not_huge", {"impedance_ohm": 500.0}, {"impedance_ohm": 500.1}),
    ("current_scale_factor_possible", {"current_scale_factor": 1.0}, {"current_scale_factor": 0.99}),
    (
        "probes_across_the_line",
        {"current_probe_bearing_deg": 30.0},
        {"current_probe_bearing_deg": 29.0},
    ),  # common practice
    ("probes_across_the_line", {"current_probe_bearing_deg": 330.0}, {"current_probe_bearing_deg": 331.0}),
    (
        "probes_across_the_line",
        {"potential_probe_bearing_deg": 150.0},
        {"potential_probe_bearing_deg": 151.0},
    ),
    ("sweep_agrees", {"sweep": [(128.0, 11.0)]}, {"sweep": [(128.0, 11.01)]}),
    ("no_coils_lower", {"impedance_no_coils_ohm": 11.0}, {"impedance_no_coils_ohm": 11.01}),
    ("no_coils_possible", {"impedance_no_coils_ohm": 13.0}, {"impedance_no_coils_ohm": 13.01}),
    ("legs_within_injected", {"legs_ma": 57.5}, {"legs_ma": 57.51}),
    ("leg_shares_agree", {"legs_ma": 13.4}, {"legs_ma": 13.6}),
    ("leg_shares_agree", {"legs_ma": 7.45}, {"legs_ma": 7.35}),
    ("legs_make_the_whole", {"legs": [(50.0, 50.0, 2.0)] * 4}, {"legs": [(50.0, 50.1, 2.0)] * 4}),
    ("legs_near_the_whole", {"legs": [(50.0, 64.0, 2.0)] * 4}, {"legs": [(50.0, 64.1, 2.0)] * 4}),
    ("ambient_agrees", stray(1.95 * 1.349), stray(1.95 * 1.351)),
    ("ambient_agrees", stray(1.95 / 1.349), stray(1.95 / 1.351)),
    ("current_probe_off_the_line", {"current_probe_distance_m": 50.0}, {"current_probe_distance_m": 49.9}),
]


@pytest.mark.parametrize(("rule", "good", "bad"), LIMITS)
def test_rule_turns_at_its_limit(rule, good, bad):
    assert rule not in rules_failed(good)
    assert rule in rules_failed(bad)


def test_potential_probe_is_judged_by_the_error_it_makes():
    # MIL-HDBK-419A vol. 1 eq. 2-41 to 2-46, by hand: a = 10 m and c = 100 m put −5 % and +5 % at p/c with
    # 1/(1−x) − 1/x − 1 = ∓0.5, and −20 % and +20 % at ∓2
    tower = {"soil_resistivity_ohm_m": 2 * np.pi * 100.0}
    error = {
        place: 0.1 * (1 / (1 - place) - 1 / place - 1)
        for place in (0.56, 0.57, 0.66, 0.67, 0.39, 0.40, 0.77, 0.79)
    }
    for place, expected in error.items():
        failed = rules_failed({"potential_probe_distance_m": 100.0 * place}, tower=tower)
        assert ("potential_probe_outside_zones" in failed) == (abs(expected) > 0.20)
        assert ("potential_probe_placed" in failed) == (0.05 < abs(expected) <= 0.20)


def test_both_probes_in_one_place_are_not_usable():
    assert "potential_probe_outside_zones" in rules_failed({"potential_probe_distance_m": 100.0})


def test_stray_voltages_of_tens_of_volts_may_differ_by_a_part():
    # by hand: 15 % of 20 V is 3 V
    high = {"interference_current_probe_v": 20.0, "leakage_total_ma": None}
    assert "interference_agrees" not in rules_failed({**high, "interference_potential_probe_v": 17.0})
    assert "interference_agrees" in rules_failed({**high, "interference_potential_probe_v": 16.9})


def test_no_stray_voltage_is_due_without_a_bonded_shield_wire():
    for state in ("none", "insulated"):
        assert "interference_present" not in rules_failed(stray(0.05), tower={"shield_wire": state})


def test_one_of_four_equal_coils_turned_over_is_not_usable():
    # by hand: three legs less one carry half the current of four, so the impedance reads double
    turned = {"impedance_ohm": 20.0, "legs_ma": 5.0, "sweep": [], **stray(None)}
    assert "legs_near_the_whole" in rules_failed(turned)


def test_legs_are_the_whole_only_where_the_register_counts_them():
    one_leg = {"legs": LEGS[:1], "leakage_total_ma": None}
    assert "legs_near_the_whole" not in rules_failed(one_leg, tower={"leg_count": None})


def test_faint_injected_currents_show_no_share():
    assert "leg_shares_agree" in rules_failed({"injected_ma": 2.0, "legs_ma": 0.2})
    assert "leg_shares_agree" not in rules_failed({"injected_ma": 1.9, "legs_ma": 0.19})


def test_current_probe_counts_the_diagonal_five_times():
    # IEEE Std 81 (from memory): five times the largest extent; by hand a square of 10 m has one of 14.14 m
    spacing = {"leg_spacing_m": 10.0}
    assert "current_probe_off_the_footing" not in rules_failed(
        {"current_probe_distance_m": 70.8}, tower=spacing
    )
    assert "current_probe_off_the_footing" in rules_failed({"current_probe_distance_m": 70.6}, tower=spacing)


def test_zones_overlap_by_the_hemisphere_formula():
    # by hand: spread 1.905 a/c is 25 % at c = 7.62 a; a = 10 m
    tower = {"soil_resistivity_ohm_m": 2 * np.pi * 100.0}
    assert "zones_apart" not in rules_failed({"current_probe_distance_m": 76.3}, tower=tower)
    assert "zones_apart" in rules_failed({"current_probe_distance_m": 76.1}, tower=tower)


def test_sum_of_legs_bounds_the_total_within_their_uncertainty():
    # triangle inequality; by hand with 3 % and 2 mA as rectangular limits, 1 mA steps (JCGM 100:2008, 4.3.7):
    # u² = 3e-4·(10008 + T²) + 5·4/3 + 5/12, three times u is 15.0 mA near T = 215
    assert "total_within_sum" not in rules_failed({"leakage_total_ma": 214.0})
    assert "total_within_sum" in rules_failed({"leakage_total_ma": 216.0})


def test_total_below_what_the_largest_leg_leaves():
    # by hand: 2·150 − 200 = 100 mA at least; u = 3.98 mA at T = 88, so down to 88 mA may be chance
    assert "total_above_least" not in rules_failed({"legs": LONE_LEG, "leakage_total_ma": 89.0})
    assert "total_above_least" in rules_failed({"legs": LONE_LEG, "leakage_total_ma": 87.0})


def test_totals_far_beyond_their_bounds_are_not_usable():
    # by hand: 1.5 times (200 + u) with u = 6.2 mA is 309.4 mA; 100 mA over 1.5 less u = 3.9 mA is 62.8 mA
    assert "total_near_sum" not in rules_failed({"leakage_total_ma": 309.0})
    assert "total_near_sum" in rules_failed({"leakage_total_ma": 310.0})
    assert "total_near_least" not in rules_failed({"legs": LONE_LEG, "leakage_total_ma": 63.0})
    assert "total_near_least" in rules_failed({"legs": LONE_LEG, "leakage_total_ma": 62.0})


def test_sum_rules_wait_for_all_legs():
    failed = rules_failed({"legs": LEGS[:2], "method": "shield wire lifted"})
    assert failed == {"all_legs_read"}


def test_ring_tower_with_a_clear_total_is_no_caution():
    # by hand: u² = 3e-4·1 001 737 + 4·4/3, three times u is 52.5 mA
    for total, lost in ((52.0, True), (53.0, False)):
        failed = rules_failed({"legs": RING_LEGS, "leakage_total_ma": total}, tower={"ring": True})
        assert ("ring_total_resolved" in failed) == lost
    assert "ring_total_resolved" not in rules_failed(
        {"legs": RING_LEGS, "leakage_total_ma": 747.0}, tower={"ring": True}
    )
    assert "ring_total_resolved" not in rules_failed({"legs": RING_LEGS, "leakage_total_ma": 28.0})


def test_leads_keep_sixty_degrees_off_a_line_with_counterpoise():
    for bearing, near in ((60.0, False), (59.0, True), (300.0, False), (301.0, True)):
        failed = rules_failed({"current_probe_bearing_deg": bearing}, tower={"ring": True})
        assert ("probes_off_the_counterpoise" in failed) == near


def test_no_coils_on_a_line_without_bonded_shield_wire_reads_the_footing_alone():
    for state in ("none", "insulated"):
        failed = rules_failed(
            {"method": "no coils", "impedance_no_coils_ohm": None}, tower={"shield_wire": state}
        )
        assert failed == set()


def test_no_coils_reading_may_lie_far_below_soil_and_ambient_but_not_above():
    low = {"method": "no coils", "impedance_ohm": 0.9, "impedance_no_coils_ohm": None, "sweep": []}
    assert rules_failed(low) == {"footing_read_alone"}
    assert "ambient_agrees" in rules_failed({**low, "impedance_ohm": 14.0})
    assert "impedance_fits_soil" in rules_failed({**low, "impedance_ohm": 140.0})


def test_ambient_needs_currents_clear_of_noise_and_a_line_in_service():
    assert "ambient_agrees" in rules_failed(stray(3.9))
    assert "ambient_agrees" not in rules_failed({**stray(3.9), "in_service": False})
    faint = {"legs": [(5.0, 40.0, 2.0)] * 4, "leakage_total_ma": 20.0, **stray(0.9)}
    assert "ambient_agrees" not in rules_failed(faint)


def test_sweep_is_read_between_its_neighbours_over_log_frequency():
    # by hand: 128 Hz is the geometric mean of 64 and 256 Hz, so halfway from 8 to 12 Ω
    context = prepare(
        *sound({"sweep": [(256.0, 12.0), (64.0, 8.0), (1024.0, 99.0)]}, {"sweep": [(200.0, 9.0)]})
    )
    assert context.visits["sweep_ohm"].tolist() == pytest.approx([10.0, np.nan], nan_ok=True)


def test_repeats_agree_within_ten_percent_or_three_tenths_of_an_ohm():
    same_day = [{"sweep": []}, {"sweep": [], "impedance_ohm": 11.05}]
    assert "repeats_agree" not in rules_failed(*same_day)
    assert "repeats_agree" in rules_failed({"sweep": []}, {"sweep": [], "impedance_ohm": 11.2})
    assert "repeats_agree" not in rules_failed({"impedance_ohm": 1.0}, {"impedance_ohm": 1.3})
    assert "repeats_agree" in rules_failed({"impedance_ohm": 1.0}, {"impedance_ohm": 1.31})
    assert "repeats_agree" not in rules_failed({"sweep": []}, {"impedance_ohm": 20.0, "date": "2026-03-11"})


def test_duplicates_need_the_same_crew_day_and_every_digit():
    twin = {"tower_id": "T3"}
    assert "readings_its_own" in rules_failed({}, twin)
    for other in ({"crew": "south"}, {"date": "2026-03-11"}, {"impedance_ohm": 10.1}, legs_with(ma=51.0)):
        assert "readings_its_own" not in rules_failed({}, {**twin, **other})
    bare = {**stray(None), "leakage_total_ma": None, "legs": []}
    assert "readings_its_own" not in rules_failed(bare, {**bare, **twin})


def test_copy_names_the_other_tower():
    found = grade(*sound({}, {"tower_id": "T3"}, {"tower_id": "T1", "impedance_ohm": 10.1})).findings
    assert list(found["value"]) == ["as T3", "as T2"]


def test_wrong_tower_names_the_nearest():
    found = grade(*sound(shifted(200.0, 0.0))).findings
    assert "T3, 100 m away" in found["sentence"][0]
    assert found["value"][0] == "200 m"


def test_end_tower_is_judged_by_its_only_span():
    assert "position_at_this_tower" in rules_failed({"tower_id": "T1", **shifted(-100.0, 0.0)})
    assert "position_near" in rules_failed({"tower_id": "T1", **shifted(-200.0, 0.0)})


def test_soil_comes_from_the_register_then_from_soundings_then_from_layers():
    # by hand: ρ = 2π·a·R (Wenner): 2 m with 200/(4π) Ω and 4 m with 800/(8π) Ω make the mean √(200·800) = 400
    soundings = [("T2", 2.0, 200 / (4 * np.pi)), ("T2", 4.0, 800 / (8 * np.pi))]
    layers = {"upper_layer_ohm_m": 100.0, "lower_layer_ohm_m": 900.0}
    for tower, soil, expected in (
        ({"soil_resistivity_ohm_m": 250.0, **layers}, soundings, 250.0),
        ({"soil_resistivity_ohm_m": None, **layers}, soundings, 400.0),
        ({"soil_resistivity_ohm_m": None, **layers}, [], 300.0),
        ({"soil_resistivity_ohm_m": None}, [], np.nan),
    ):
        context = prepare(*sound(tower=tower, soil=soil))
        assert context.visits["resistivity_ohm_m"][0] == pytest.approx(expected, nan_ok=True)


def test_size_serves_where_soil_is_unknown():
    # by hand: four legs of 1.5 m, 6 m apart, act like 6/(1 + 2.7071/4) m; the default is 4.66 m
    unknown = {"soil_resistivity_ohm_m": None}
    assert prepare(*sound(tower=unknown)).visits["hemisphere_m"][0] == pytest.approx(
        6 / (1 + 2.7071 / 4), rel=1e-4
    )
    unsized = prepare(*sound(tower={**unknown, "leg_spacing_m": None})).visits
    assert unsized["hemisphere_m"][0] == pytest.approx(4.66)


def test_every_row_of_the_table_is_complete():
    for rule in table().values():
        assert rule.severity in SEVERITIES
        assert rule.status in STATUSES
        assert rule.source
        assert rule.sentence.endswith(".")
        assert (rule.unit == "") == np.isnan(rule.threshold)
        assert rule.unless == "" or rule.unless in table()


def test_no_sentence_asks_to_open_or_lift_anything():
    for rule in table().values():
        text = rule.sentence.lower()
        assert not any(
            word in text for word in ("disconnect", "lift ", "remove the", "open the", "bond open")
        )
        assert "bond" not in text or "licensed procedure" in text or "nothing about the bond" in text


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        (
            {"probe_resistence_low": {"threshold": 2}},
            "no quality rule 'probe_resistence_low'; did you mean 'probe_resistance_low'",
        ),
        ({"zones_apart": {"limit": 2}}, "zones_apart: limit = 2: only severity and threshold can be set"),
        ({"zones_apart": {"severity": "bad"}}, "severity = 'bad' is not one of caution, not usable, off"),
        ({"zones_apart": {"threshold": "2"}}, "threshold = '2' is not a number of fraction"),
        ({"zones_apart": {"threshold": 1e300}}, r"threshold = 1e\+300 must lie between -1000000000 and"),
        ({"zones_apart": {"threshold": True}}, "threshold = True is not a number"),
        ({"zones_apart": {"threshold": float("nan")}}, "threshold = nan is not a number"),
        ({"over_range_absent": {"threshold": 2}}, "this rule has no threshold"),
        ({"zones_apart": 3}, "zones_apart = 3 is not a table of severity and threshold"),
    ],
)
def test_wrong_overrides_are_refused(overrides, message):
    with pytest.raises(SettingsError, match=message.replace("(", r"\(")):
        in_force(overrides)


def test_overrides_change_the_threshold_the_severity_and_the_sentence():
    change = {"current_probe_ohm": 1500.0}
    assert rules_failed(change, overrides={"probe_resistance_low": {"threshold": 2000}}) == set()
    assert rules_failed(change, overrides={"probe_resistance_low": {"severity": "off"}}) == set()
    strict = grade(*sound(change), {"probe_resistance_low": {"threshold": 1200, "severity": "not usable"}})
    assert strict.visits["verdict"][0] == "not usable"
    assert "up to 1200 ohm" in strict.findings["sentence"][0]


def test_a_mild_rule_speaks_where_its_strict_one_is_off():
    change = {"current_probe_ohm": 60_000.0}
    assert rules_failed(change, overrides={"probe_resistance_measurable": {"severity": "off"}}) == {
        "probe_resistance_low"
    }
