"""Intervals of footings, how sure their ranks are, and ranks by leakage gap."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from towerlib import condition
from towerlib.readings.season import factors
from towerlib.values import number


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
    """±30 % of the operating uncertainty: IEC 61557-5 (from memory); a factor to both sides."""
    found = condition.footing_interval(readings(("leg coils", 10.0, "")))
    assert found.iloc[0].to_list() == pytest.approx([10 / 1.3, 13])


def test_instrument_and_season_add_in_squares_of_logarithms():
    """JCGM 100:2008, 5.1.2, for a product of independent factors: ln 1.3, ln 1.5 give 0.4829: 1.6208."""
    found = condition.footing_interval(readings(("leg coils", 10.0, "")), 30, season_high=1.5)
    assert found.iloc[0].to_list() == pytest.approx([10 / 1.3, 16.208], abs=0.001)


def test_a_season_band_never_moves_the_interval_off_the_reading():
    found = condition.footing_interval(readings(("leg coils", 10.0, "")), 0, season_low=1.25, season_high=1.5)
    assert found.iloc[0].to_list() == pytest.approx([10, 15])


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
    assert found["footing_low_ohm"].to_list() == pytest.approx(
        [10 / 1.05, 2 / 1.05, 2000 / 1.05, 0, np.nan], nan_ok=True
    )
    assert found["footing_high_ohm"].to_list() == pytest.approx(
        [10.5, np.inf, np.inf, 0.525, np.nan], nan_ok=True
    )


def test_season_factors_a_reading_as_its_factors_say():
    visits = readings(("leg coils", 10.0, ""), ("leg coils", 10.0, "")).set_axis([4, 2])
    season = factors(pd.Series(["wet", "dry"], [4, 2]), pd.Series([False, False], [4, 2], dtype="boolean"))
    found = condition.footing_interval(
        visits, 0, season_low=season["season_low_factor"], season_high=season["season_high_factor"]
    )
    assert found.index.to_list() == [4, 2]
    assert found.loc[4].to_list() == pytest.approx([10, 15])
    assert found.loc[2].to_list() == pytest.approx([10 / 1.5, 10])


# ---- ranks of footings


def test_ranks_without_uncertainty():
    found = condition.footing_ranks(towers_of([5.0, 20.0, 10.0], factor=1.0))
    assert found["impedance_rank"].to_list() == [3, 1, 2]
    assert found["rank_low"].to_list() == found["rank_high"].to_list() == [3, 1, 2]
    assert found["chance_worst_tenth"].to_list() == [0, 1, 0]
    assert found["rank_confidence"].to_list() == ["sure"] * 3


def test_confidence_turns_at_its_limits(monkeypatch):
    """Sure from 95 %, likely from 80 %, else open, on either side of the cut."""
    chances = np.array([1.0, 0.95, 0.94, 0.8, 0.79, 0.5, 0.21, 0.2, 0.06, 0.05, np.nan])
    made = condition.rank_intervals([1.0] * 11, [1.0] * 11, [1.0] * 11, [np.nan] * 11)
    made = type(made)(made.rank_low, made.rank_high, chances, chances)
    monkeypatch.setattr(condition, "rank_intervals", lambda *_, **__: made)
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
        gap_fraction=fraction,
        gap_fraction_low=(fraction - 0.1).clip(lower=0),
        peer_total_ma=peer_total_ma,
        total_vs_line=2 * np.log(table["leakage_total_ma"] / peer_total_ma),
        rise_vs_line=np.nan,
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


def test_a_low_total_shows_what_the_gap_is_blind_to():
    """Strong drive, bond of 20 Ω: no gap, but the total is a fifth of what a sound bond lets through."""
    table = currents(MODEL["strong, sound"], MODEL["strong, bond 20 ohm"], peer_total_ma=700.0)
    assert condition.gap_ranks(table)["gap_rank"].to_list() == [2, 1]


def test_score_by_hand():
    """0.4 − 0.15·ln(20/100) = 0.6414; 0.15 is the weight that an own simulation of open bonds gave."""
    assert number("gap_low_total_weight") == 0.15
    assert condition.gap_ranks(currents((40.0, 20.0, 20.0)))["gap_score"].iloc[0] == pytest.approx(
        0.6414, abs=5e-5
    )


def test_a_total_that_is_not_low_or_that_the_footing_explains_does_not_count():
    """Low is a z from −2 down; a rise (total × footing) that is not low speaks of a high footing instead."""
    table = currents(*[(40.0, 20.0, 20.0)] * 4)
    table = table.assign(total_vs_line=[-1.9, -2.0, -2.5, np.nan], rise_vs_line=[np.nan, -2.0, -1.9, np.nan])
    assert condition.gap_ranks(table)["gap_score"].to_list() == pytest.approx(
        [0.4, 0.6414, 0.4, 0.4], abs=5e-5
    )


def test_without_evidence_the_wider_gap_or_lower_total_still_goes_first():
    table = currents((100.0, 96.0, 4.0), (100.0, 92.0, 8.0), (80.0, 80.0, 0.0), (100.0, 100.0, 0.0))
    found = condition.gap_ranks(table)
    assert found["gap_score"].to_list() == [0, 0, 0, 0]
    assert found["gap_rank"].to_list() == [2, 1, 3, 4]


def test_equal_readings_share_the_better_rank():
    assert condition.gap_ranks(currents(*[(40.0, 20.0, 20.0)] * 3))["gap_rank"].to_list() == [1, 1, 1]


def test_a_total_shown_as_nothing_counts_as_half_a_step():
    table = currents((50.0, 0.5, 50.0), (50.0, number("coil_step_ma") / 2, 50.0))
    table.loc[0, "leakage_total_ma"] = 0.0
    found = condition.gap_ranks(table)
    assert found["gap_score"].iloc[0] == found["gap_score"].iloc[1] > 1
    assert found["leakage_total_ma"].iloc[0] == 0


def test_small_readings_rank_by_their_low_total_and_unknown_ones_not_at_all():
    table = currents((20.0, 9.0, 11.0), (20.0, 2.0, 18.0), (np.nan, 5.0, np.nan), (300.0, 100.0, 200.0))
    table["large_enough"] = pd.array([False, False, None, True], dtype="boolean")
    table.loc[:1, ["gap_fraction", "gap_fraction_low"]] = np.nan  # as too small a sum has it
    found = condition.gap_ranks(table)
    assert found["gap_class"].to_list() == [*["too small to judge"] * 2, "gap unknown", "legs alone"]
    assert found["gap_class_rank"].iloc[[0, 1, 3]].to_list() == [2, 1, 1]
    # 0.15·ln(100/2) = 0.587 of the low total alone, 200/300 − 0.1 = 0.567 of the fraction alone, by hand.
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


def test_without_peers_the_fraction_alone_counts():
    table = currents((40.0, 20.0, 20.0)).assign(peer_total_ma=np.nan, total_vs_line=np.nan)
    assert condition.gap_ranks(table)["gap_score"].iloc[0] == pytest.approx(0.4)


def test_a_tower_in_two_rows_is_refused():
    table = currents(MODEL["sound"], MODEL["strong, sound"]).assign(tower_id="12A")
    with pytest.raises(ValueError, match="tower 12A has two rows"):
        condition.gap_ranks(table)


@settings(deadline=None, max_examples=40)
@given(st.floats(1, 500), st.floats(0, 0.9), st.floats(0.001, 0.09))
def test_a_wider_gap_or_a_lower_total_never_ranks_behind(total_ma, fraction, more):
    table = currents(*[(1.0, total_ma, 1.0)] * 3)
    table = table.assign(gap_fraction_low=[fraction, fraction + more, fraction], gap_fraction=0.99)
    table.loc[2, "leakage_total_ma"] = total_ma * (1 - more)
    first, wider, lower = condition.gap_ranks(table)["gap_rank"]
    assert wider <= first
    assert lower <= first
