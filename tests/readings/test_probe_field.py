"""Share of the current in the coils, and what the places of the probes let expect of a reading."""

import numpy as np
import pandas as pd
import pytest

from towerlib.physics.probes import hemisphere_reading_ratio
from towerlib.readings.probe_field import leg_share, read_over_true
from towerlib.values import number

TOWERS = pd.DataFrame({"tower_id": ["A", "B", "C"], "leg_spacing_m": np.nan, "shield_wire": "bonded"})


def readings(**columns):
    """Three readings of 18 Ω with coils, probes in one line at 62 and 100 m."""
    table = {"tower_id": ["A", "B", "C"], "method": "leg coils", "impedance_ohm": 18.0}
    table |= {"potential_probe_distance_m": 62.0, "current_probe_distance_m": 100.0}
    return pd.DataFrame(table | columns)


def expected(share, place=62.0):
    return hemisphere_reading_ratio(number("footing_hemisphere_m"), place, 100.0, leg_share=share)


def test_share_by_impedances_goes_before_the_one_by_currents():
    table = readings(
        impedance_no_coils_ohm=[1.8, np.nan, 20.0], injected_ma=100.0, legs_ma=[50.0, 20.0, np.nan]
    )
    assert leg_share(table).to_list() == pytest.approx([0.1, 0.2, np.nan], nan_ok=True)
    assert leg_share(readings()).isna().all()
    over = table.assign(over_range=pd.array([True, False, False], dtype="boolean"))
    assert leg_share(over).isna().to_list() == [True, False, True]


def test_a_reading_without_a_share_takes_that_of_the_lines_other_readings():
    """By hand: shares of 0.1 at 18 Ω are wires of 0.1·18/0.9 = 2 Ω; beside 8 Ω they leave 2/(2 + 8) = 0.2."""
    table = readings(impedance_ohm=[18.0, 18.0, 8.0], impedance_no_coils_ohm=[1.8, 1.8, np.nan])
    found = read_over_true(table, TOWERS)
    assert found.to_list() == pytest.approx([expected(0.1), expected(0.1), expected(0.2)])


def test_without_any_share_the_usual_wires_count():
    wires = number("wires_impedance_ohm")
    assert read_over_true(readings(), TOWERS).to_list() == pytest.approx(
        [expected(wires / (wires + 18.0))] * 3
    )


def test_a_lifted_or_missing_wire_leaves_a_lone_footing():
    table = readings(method=["shield wire lifted", "leg coils", "leg coils"], impedance_no_coils_ohm=1.8)
    towers = TOWERS.assign(shield_wire=["bonded", "insulated", "bonded"])
    assert read_over_true(table, towers).to_list() == pytest.approx(
        [expected(1.0), expected(1.0), expected(0.1)]
    )


def test_unknown_places_give_no_ratio_and_near_ones_a_bounded_one():
    table = readings(
        potential_probe_distance_m=[np.nan, 62.0, 15.0], current_probe_distance_m=[100.0, 0.0, 16.0]
    )
    found = read_over_true(table.assign(impedance_no_coils_ohm=0.5), TOWERS)
    assert found.isna().to_list() == [True, True, False]
    assert found[2] == number("probe_ratio_most")
