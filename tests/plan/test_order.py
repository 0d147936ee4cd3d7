"""The order of the list: safety, certain damage, then the expected benefit of the best next step."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.plan.test_queues import HEAD, towers
from towerlib import plan
from towerlib.config import parse
from towerlib.plan.expected import LOWER, NO_RATE, UNREAD, UPPER, expected_benefit
from towerlib.values import number

LINE = parse(HEAD)
OHMS = np.array([4.0, 6.0, 10.0, 16.0, 25.0, 40.0, 60.0, 100.0])


def rated(**columns):
    """A line whose trip-outs are a thousandth of the footing a year, so that every expectation can be done by hand."""
    line = towers(len(OHMS), footing_ohm=OHMS, target_ohm=5.0, lower_bound_ohm=np.nan)
    line["tower_id"] = [f"T{k}" for k in range(len(OHMS))]
    line["impedance_class"] = np.where(OHMS > 15, "above limit", np.where(OHMS > 5, "acceptable", "good"))
    line["impedance_rank"] = pd.array(np.arange(len(OHMS), 0, -1), "Int64")
    line["trip_outs_per_year"] = OHMS / 1000
    line["avoided_to_target_per_year"] = np.maximum(OHMS - 5, 0) / 1000
    return line.assign(**columns)


def benefit(line):
    return expected_benefit(line)["expected_avoided_per_year"].to_numpy()


def at(place, value, blank=np.nan):
    """A column that is blank but at one tower."""
    return [value if k == place else blank for k in range(len(OHMS))]


def listed(line, settings=LINE):
    blank = ["gap_ma", "leakage_sum_ma", "leakage_total_ma", "trip_outs_low", "trip_outs_high"]
    full = line.assign(**dict.fromkeys(blank, np.nan), evidence="", safety_evidence="")
    return plan.priority_list(full.assign(footing_date=pd.Timestamp("2026-01-01")), settings)


def test_a_sound_line_is_worth_what_its_targets_avoid():
    found = expected_benefit(rated())
    assert found["expected_avoided_per_year"].to_numpy() == pytest.approx(np.maximum(OHMS - 5, 0) / 1000)
    assert (found["expected_basis"] == "").all()


def test_a_poor_bond_adds_its_probability_times_the_rate_of_the_footing_with_an_open_bond():
    # by hand: the rate is proportional to the footing, so an open bond of 30 Ω adds 0.030 a year at any footing
    line = rated(suspicion_probability=at(0, 0.4))
    assert benefit(line)[0] == pytest.approx(0.4 * number("open_bond_added_ohm") / 1000)
    assert benefit(line)[1:] == pytest.approx(benefit(rated())[1:])


def test_a_missing_lead_is_worth_a_quarter_of_the_rate_and_heavy_corrosion_half_of_that():
    # by hand: four legs in parallel instead of three lower the footing, and the rate, to three quarters
    sound = benefit(rated())[5]
    assert benefit(rated(leads_missing=at(5, 1.0)))[5] - sound == pytest.approx(0.040 / 4)
    assert benefit(rated(corrosion=at(5, "heavy", "none")))[5] - sound == pytest.approx(
        0.040 / 4 * number("leg_damage_probability")
    )


def test_a_reading_beside_other_earth_paths_is_worth_less_than_the_same_reading_alone():
    ohm = rated(upper_limit_only=at(7, True, False), footing_low_ohm=at(7, 2.0))
    found = expected_benefit(ohm)
    assert 0 < found["expected_avoided_per_year"].iloc[7] < benefit(rated())[7]
    assert found["expected_basis"].iloc[7] == UPPER


def test_a_tower_without_a_reading_is_worth_the_mean_of_lines_like_this():
    line = rated()
    line.loc[3, ["footing_ohm", "trip_outs_per_year", "avoided_to_target_per_year"]] = np.nan
    found = expected_benefit(line)
    # E max(R − 5, 0) of a log-normal footing, numerically independent of the grid of the module
    others = np.log(np.delete(OHMS, 3))
    rng = np.random.default_rng(5)
    drawn = np.exp(rng.normal(others.mean(), others.std(), 400_000))
    assert found["expected_avoided_per_year"].iloc[3] == pytest.approx(
        np.maximum(drawn - 5, 0).mean() / 1000, rel=0.03
    )
    assert found["expected_basis"].iloc[3] == UNREAD


def test_a_lower_limit_is_worth_more_than_no_reading():
    line = rated()
    line.loc[3, ["footing_ohm", "trip_outs_per_year", "avoided_to_target_per_year"]] = np.nan
    limited = expected_benefit(line.assign(lower_bound_ohm=at(3, 50.0)))
    assert limited["expected_avoided_per_year"].iloc[3] > benefit(line)[3]
    assert limited["expected_avoided_per_year"].iloc[3] >= 0.045
    assert limited["expected_basis"].iloc[3] == LOWER


def test_without_rates_nothing_is_claimed_and_the_footing_decides():
    line = rated(trip_outs_per_year=np.nan, avoided_to_target_per_year=np.nan)
    assert np.isnan(benefit(line)).all()
    assert set(expected_benefit(line)["expected_basis"]) == {NO_RATE}
    assert listed(line)["footing_ohm"].tolist() == sorted(OHMS, reverse=True)


@given(first=st.floats(0, 1), second=st.floats(0, 1), place=st.integers(0, 7), slope=st.floats(0.3, 3.0))
def test_more_suspicion_never_lowers_the_benefit(first, second, place, slope):
    rates = (OHMS / 100) ** slope
    line = rated(trip_outs_per_year=rates, avoided_to_target_per_year=rates - np.minimum(rates, 0.05**slope))
    low, high = (benefit(line.assign(suspicion_probability=at(place, p))) for p in sorted((first, second)))
    assert high[place] >= low[place] - 1e-12
    assert (low >= 0).all()


def test_safety_comes_first_certain_damage_second_and_a_likelihood_by_its_benefit():
    line = rated(
        occupancy=at(0, "frequented", "remote"),
        safety_screen=at(0, "above", "below"),
        leads_missing=at(1, 1.0),
        corrosion=at(2, "heavy", "none"),
        suspicion_probability=at(3, 0.9),
        suspected_cause=at(3, "bond: inspect", "none"),
    )
    order = listed(line)
    assert order["tower_id"].tolist()[:2] == ["T0", "T1"]
    assert order["queue"].tolist()[:2] == ["safety", "repair"]
    # T3: 16 Ω avoids 0.011 a year, the bond 0.9 × 0.030; T5 avoids 0.035, T4 0.020, T2 with its corroded leg 0.006
    assert order["tower_id"].tolist()[2:] == ["T7", "T6", "T3", "T5", "T4", "T2"]
    assert order.loc[order["tower_id"] == "T2", "queue"].item() == "repair"


def test_a_bond_that_the_injected_test_decides_is_certain_damage():
    order = listed(rated(bond_decided=at(0, True, False), suspicion_probability=at(0, 0.99)))
    assert order["tower_id"].iloc[0] == "T0"


def test_a_tower_within_its_limit_with_as_much_to_gain_is_listed_as_earthing_work():
    line = rated()
    line.loc[2, "avoided_to_target_per_year"] = 0.2  # 10 Ω on a hill with many flashes
    order = listed(line).set_index("tower_id")
    assert order.loc["T2", "queue"] == "footing"
    assert "Within its limit" in order.loc["T2", "next_step"]
    assert order.loc["T1", "queue"] == "none"


def test_queue_ranks_count_within_each_queue_in_the_order_of_the_list():
    order = listed(rated(leads_missing=at(2, 1.0)))
    for _, part in order.groupby("queue"):
        assert part.sort_values("rank")["queue_rank"].tolist() == list(range(1, len(part) + 1))


def test_the_former_order_by_queues_can_be_set():
    line = parse(HEAD + '[plan]\norder = "queues"')
    full = rated(leads_missing=at(2, 1.0), suspected_cause=at(3, "bond: inspect", "none"))
    assert listed(full, line)["queue"].tolist()[:2] == ["repair", "bond"]
    assert "Queues in the order" in plan.order_rule(line.plan)
