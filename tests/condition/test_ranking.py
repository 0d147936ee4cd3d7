"""Intervals of footings, how sure their ranks are, and ranks by leakage gap."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib import condition
from towerlib.readings.season import factors


def readings(*rows):
    """Visits from (method, impedance_ohm, bound)."""
    return pd.DataFrame(list(rows), columns=["method", "impedance_ohm", "impedance_ohm_bound"])


def towers_of(value, factor=1.3, bound=None):
    """Condition of towers with an interval of one factor to both sides."""
    value = pd.Series(value, dtype=float)
    return pd.DataFrame(
        {
            "footing_ohm": value,
            "footing_low_ohm": value / factor,
            "footing_high_ohm": value * factor,
            "lower_bound_ohm": pd.Series(np.nan if bound is None else bound, value.index, dtype=float),
        }
    )


# ---- intervals


def test_instrument_alone():
    """±30 % of the operating uncertainty: IEC 61557-5 (from memory), as three standard uncertainties.

    JCGM 100:2008, 4.3.9 note 1 (from memory): bounds that hold 99.73 % of a normal law are 3σ. By hand: ln 1.3 = 0.262364,
    times 1.95996/3 = 0.171408.
    """
    found = condition.footing_interval(readings(("leg coils", 10.0, "")))
    assert found.iloc[0].to_list() == pytest.approx([8.4248, 11.8697], abs=5e-4)


def test_instrument_and_season_add_in_squares_of_logarithms():
    """JCGM 100:2008, 5.1.2, for a product of independent factors; limits as three standard deviations (4.3.9 note 1).

    From memory. By hand: 1.95996/3·√(ln² 1.3 + ln² 1.5) = 0.653321·√(0.068835 + 0.164402) = 0.315516.
    """
    found = condition.footing_interval(readings(("leg coils", 10.0, "")), 30, season_high=1.5)
    assert found.iloc[0].to_list() == pytest.approx([8.4248, 13.7097], abs=5e-4)


def test_a_season_band_never_moves_the_interval_off_the_reading():
    found = condition.footing_interval(readings(("leg coils", 10.0, "")), 0, season_low=1.25, season_high=1.5)
    assert found.iloc[0].to_list() == pytest.approx([10, 13.0330], abs=5e-4)  # 1.5^0.653321


def test_an_expected_error_of_the_probes_moves_the_far_end_and_never_passes_the_reading():
    """By hand, 0.3 of the error as its uncertainty: ln 1.5·(1 + 0.3) = 0.527105 down; up 0.3·ln 1.5 − ln 1.5 < 0."""
    ratio = pd.Series([1.5, 1 / 1.5, np.nan, 1.0])
    found = condition.footing_interval(readings(*[("leg coils", 10.0, "")] * 4), 0, probe_ratio=ratio)
    assert found["footing_low_ohm"].to_list() == pytest.approx([5.9031, 10, 10, 10], abs=5e-4)
    assert found["footing_high_ohm"].to_list() == pytest.approx([10, 16.9403, 10, 10], abs=5e-4)


def test_methods_and_ends_of_the_range():
    found = condition.footing_interval(
        readings(
            ("shield wire lifted", 10.0, ""),
            ("no coils", 2.0, ""),
            ("leg coils", 2000.0, ">"),
            ("leg coils", 0.5, "<"),
            ("leg coils", np.nan, ""),
        ),
        pd.Series([5.0, 5.0, 5.0, 5.0, 5.0]),
    )
    factor = 1.032390  # by hand: 1.05^(1.95996/3)
    assert found["footing_low_ohm"].to_list() == pytest.approx(
        [10 / factor, 2 / factor, 2000 / factor, 0, np.nan], nan_ok=True
    )
    assert found["footing_high_ohm"].to_list() == pytest.approx(
        [10 * factor, np.inf, np.inf, 0.5 * factor, np.nan], nan_ok=True
    )


def test_season_factors_a_reading_as_its_factors_say():
    visits = readings(("leg coils", 10.0, ""), ("leg coils", 10.0, "")).set_axis([4, 2])
    season = factors(pd.Series(["wet", "dry"], [4, 2]), pd.Series([False, False], [4, 2], dtype="boolean"))
    found = condition.footing_interval(
        visits, 0, season_low=season["season_low_factor"], season_high=season["season_high_factor"]
    )
    assert found.index.to_list() == [4, 2]
    factor = 1.303299  # by hand: 1.5^(1.95996/3)
    assert found.loc[4].to_list() == pytest.approx([10, 10 * factor])
    assert found.loc[2].to_list() == pytest.approx([10 / factor, 10])


# ---- ranks of footings


def test_ranks_without_uncertainty():
    found = condition.footing_ranks(towers_of([5.0, 20.0, 10.0], factor=1.0))
    assert found["impedance_rank"].to_list() == [3, 1, 2]
    assert found["rank_low"].to_list() == found["rank_high"].to_list() == [3, 1, 2]
    # one of three, and 4 % of the readings say nothing of their footing: 0.04/3, 0.96 + 0.04/3
    assert found["chance_worst_tenth"].to_list() == pytest.approx([0.0133, 0.9733, 0.0133], abs=1e-4)
    assert found["rank_confidence"].to_list() == ["sure"] * 3


def test_confidence_turns_at_its_limits(monkeypatch):
    """Sure from 95 %, likely from 80 %, else open, on either side of the cut."""
    chances = np.array([1.0, 0.95, 0.94, 0.8, 0.79, 0.5, 0.21, 0.2, 0.06, 0.05, np.nan])
    made = condition.rank_intervals([1.0] * 11, [1.0] * 11, [1.0] * 11, [np.nan] * 11)
    made = type(made)(made.rank_low, made.rank_high, chances, chances)
    monkeypatch.setattr(condition, "rank_intervals", lambda *_, **__: made)
    monkeypatch.setattr(condition, "_astray", lambda chance, _: chance)
    found = condition.footing_ranks(towers_of([1.0] * 11))["rank_confidence"].to_list()
    assert found == ["sure"] * 2 + ["likely"] * 2 + ["open"] * 3 + ["likely"] * 2 + ["sure", "open"]


def test_two_towers_that_overlap_are_open():
    found = condition.footing_ranks(towers_of([10.0, 10.5]))
    assert found["rank_confidence"].to_list() == ["open", "open"]
    assert found["rank_low"].to_list() == [1, 1]
    assert found["rank_high"].to_list() == [2, 2]


def test_a_bound_takes_part_without_a_rank_by_reading():
    value = [*np.linspace(2, 12, 10), np.nan, np.nan]
    bound = [np.nan] * 10 + [500.0, np.nan]
    found = condition.footing_ranks(towers_of(value, bound=bound))
    assert found["impedance_rank"].iloc[:10].to_list() == list(range(10, 0, -1))
    assert found["impedance_rank"].iloc[10:].isna().all()
    assert found["chance_worst_tenth"].iloc[10] == 1
    assert found["rank_confidence"].iloc[10] == "sure"
    assert found["rank_low"].iloc[9] == 2  # the highest reading stands behind the bound
    assert pd.isna(found["rank_low"].iloc[11])
    assert found["rank_confidence"].iloc[11] == "open"


def test_condition_stays_as_it_was_and_the_seed_fixes_the_ranks():
    towers = towers_of([5.0, 6.0, 7.0, 8.0]).set_axis(list("dcba"))
    before = towers.copy(deep=True)
    found = condition.footing_ranks(towers, seed=3)
    pd.testing.assert_frame_equal(towers, before)
    pd.testing.assert_frame_equal(found, condition.footing_ranks(towers, seed=3))
    assert found.index.to_list() == list("dcba")
    assert found["rank_confidence"].dtype == "str"


# ---- ranks by gap

# Sum, total and gap [mA] of an own four-leg model; published readings were not found.
MODEL = {
    "sound": (29.0, 27.9, 1.1),
    "strong, sound": (747, 747, 0.0),
    "strong, bond 20 ohm": (158, 158, 0.2),
    "strong, bond open": (10.7, 0.4, 10.3),
    "ring, sound": (1637, 28, 1609),
    "ring, open": (1636.4, 0.4, 1636),
}


def currents(*rows, peer_total_ma=100.0):
    """Standing leg currents from (sum, total, gap), the lower bound of the fraction 0.1 under it."""
    table = pd.DataFrame(list(rows), columns=["leakage_sum_ma", "leakage_total_ma", "gap_ma"], dtype=float)
    fraction = table["gap_ma"] / table["leakage_sum_ma"]
    return table.assign(
        tower_id=[f"T{place}" for place in range(len(table))],
        peer_class="legs alone",
        large_enough=pd.array([True] * len(table), dtype="boolean"),
        gap_u_ma=2.0,
        gap_bias_ma=0.0,
        gap_fraction=fraction,
        gap_fraction_low=(fraction - 0.1).clip(lower=0),
        peer_total_ma=peer_total_ma,
        leg_share_lambda=np.nan,
    )


def test_an_open_bond_goes_first_though_its_gap_is_small():
    """Own four-leg model: a ring and a perfect bond show 1.6 A, an open bond 10 mA."""
    table = currents(*MODEL.values())
    table.loc[4:, "peer_class"] = "ring or other path"
    found = condition.gap_ranks(table)
    assert found["gap_rank"].iloc[3] == 1
    assert found["gap_rank"].iloc[4:].isna().all()
    assert found["gap_class"].iloc[4] == "ring or other path"
    assert found["gap_class_rank"].iloc[4:].to_list() == [2, 1]
    assert found["gap_ma"].to_list() == table["gap_ma"].to_list()


def test_the_gap_alone_orders_and_a_low_total_does_not():
    table = currents((100.0, 96.0, 4.0), (100.0, 60.0, 40.0), (8.0, 5.0, 3.0))
    assert condition.gap_ranks(table)["gap_rank"].to_list() == [3, 1, 2]


def test_without_evidence_the_wider_gap_still_goes_first_and_none_has_no_rank():
    table = currents((100.0, 96.0, 4.0), (100.0, 92.0, 8.0), (80.0, 80.0, 0.0), (100.0, 103.0, -3.0))
    found = condition.gap_ranks(table)
    assert found["gap_rank"].fillna(0).to_list() == [2, 1, 0, 0]


def test_equal_readings_share_the_better_rank():
    assert condition.gap_ranks(currents(*[(40.0, 20.0, 20.0)] * 3))["gap_rank"].to_list() == [1, 1, 1]


def test_small_readings_rank_by_their_own_limit_and_unknown_ones_not_at_all():
    table = currents((20.0, 9.0, 11.0), (20.0, 2.0, 18.0), (np.nan, 5.0, np.nan), (300.0, 100.0, 200.0))
    table["large_enough"] = pd.array([False, False, None, True], dtype="boolean")
    table.loc[:1, ["gap_fraction", "gap_fraction_low"]] = np.nan  # as too small a sum has it
    found = condition.gap_ranks(table)
    assert found["gap_class"].to_list() == [*["too small to judge"] * 2, "gap unknown", "legs alone"]
    assert found["gap_class_rank"].iloc[[0, 1, 3]].to_list() == [2, 1, 1]
    # by hand: (11 − 2·2)/20 = 0.35; (18 − 4)/20 = 0.7; 200/300 − 0.1 = 0.567
    assert found["gap_rank"].iloc[[0, 1, 3]].to_list() == [3, 1, 2]
    assert found.iloc[2][["gap_class_rank", "gap_rank"]].isna().all()
    assert found["gap_ma"].iloc[1] == 18


def test_small_readings_of_another_class_stay_in_it():
    table = currents((20.0, 2.0, 18.0), (20.0, 2.0, 18.0))
    table = table.assign(large_enough=pd.array([False] * 2, dtype="boolean"))
    found = condition.gap_ranks(table.assign(peer_class=["ring or other path", "no bonded wire"]))
    assert found["gap_class"].to_list() == ["ring or other path", "no bonded wire"]
    assert found["gap_rank"].isna().all()


def test_an_unknown_size_is_not_called_too_small():
    table = currents((300.0, 100.0, 200.0)).assign(large_enough=pd.array([None], dtype="boolean"))
    assert condition.gap_ranks(table)["gap_class"].to_list() == ["legs alone"]


def test_a_tower_in_two_rows_is_refused():
    table = currents(MODEL["sound"], MODEL["strong, sound"]).assign(tower_id="12A")
    with pytest.raises(ValueError, match="tower 12A has two rows"):
        condition.gap_ranks(table)


@settings(deadline=None, max_examples=40)
@given(st.floats(1, 500), st.floats(0, 0.9), st.floats(0.001, 0.09))
def test_a_wider_gap_never_ranks_behind(total_ma, fraction, more):
    table = currents(*[(1.0, total_ma, 1.0)] * 2)
    table = table.assign(gap_fraction_low=[fraction, fraction + more], gap_fraction=0.99)
    first, wider = condition.gap_ranks(table)["gap_rank"]
    assert wider <= first


# ---- ranks of suspicion


def test_a_share_near_one_comes_first_then_a_low_total():
    """Own four-leg model: a sound bond, one of 20 Ω, an open one; shares of 1 without a bond, 0.05 to 0.3 with one."""
    table = currents(
        MODEL["strong, sound"], MODEL["strong, bond 20 ohm"], MODEL["sound"], peer_total_ma=700.0
    )
    assert condition.bond_suspicion_ranks(table).to_list() == [3, 2, 1]
    table["leg_share_lambda"] = [1.0, np.nan, 0.1]
    assert condition.bond_suspicion_ranks(table).to_list() == [1, 2, 3]


def test_suspicion_by_hand():
    """10·(0.7 − 0.5) = 2 against ln((100 + 1.1547)/(12 + 1.1547)) = 2.0398 and, in phase, 0 or 0.03 of the gap."""
    table = currents((100.0, 100.0, 0.0), (12.0, 12.0, 0.0), (100.0, 100.0, 0.0)).assign(peer_total_ma=100.0)
    table["leg_share_lambda"] = [0.7, np.nan, np.nan]
    assert condition.bond_suspicion_ranks(table).to_list() == [2, 1, 3]
    table.loc[0, "gap_fraction_low"] = 0.05
    assert condition.bond_suspicion_ranks(table).to_list() == [1, 2, 3]
    table["peer_class"] = "ring or other path"  # its gap says nothing of the bond
    assert condition.bond_suspicion_ranks(table).to_list() == [2, 1, 3]


def test_the_networks_probability_goes_before_the_leg_currents():
    table = currents((100.0, 1.0, 99.0), (100.0, 100.0, 0.0), (100.0, 90.0, 10.0), (100.0, 100.0, 0.0))
    probability = pd.Series([0.2, 0.9, np.nan, 0.2])
    assert condition.bond_suspicion_ranks(table, probability).to_list() == [2, 1, 4, 3]


def test_no_bonded_wire_and_no_reading_have_no_rank_of_suspicion():
    table = currents((100.0, 1.0, 99.0), (100.0, np.nan, np.nan), (100.0, 0.0, 100.0))
    table["peer_class"] = ["no bonded wire", "legs alone", "ring or other path"]
    assert condition.bond_suspicion_ranks(table).fillna(0).to_list() == [0, 0, 1]


def test_towers_with_upper_limits_are_drawn_over_their_whole_interval():
    """Read at 100 Ω, 1 Ω without coils: the middle is 10 Ω, and one end of the line is as open as the other."""
    table = towers_of([100.0, 20.0, 5.0], factor=1.1).assign(upper_limit_only=[True, False, False])
    table.loc[0, ["footing_low_ohm", "footing_high_ohm"]] = 1.0, 100.0
    found = condition.footing_ranks(table)
    assert found["impedance_rank"].to_list() == [2, 1, 3]
    assert found["rank_low"].iloc[0] == 1
    assert found["rank_high"].iloc[0] == 3
    assert 0.1 < found["chance_worst_tenth"].iloc[0] < 0.5
