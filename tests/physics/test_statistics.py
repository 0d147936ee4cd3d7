"""Ranks under uncertainty: draws, the line's distribution, ranks and chances."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from towerlib.physics.statistics import (
    beyond,
    footing_draws,
    line_distribution,
    ordered_ranks,
    rank_chances,
    rank_intervals,
)

Z95 = stats.norm.ppf(0.975)
DRAWS = 20_000
FOUR_SIGMA = 4 * 0.5 / np.sqrt(DRAWS)  # four standard errors of a chance at most


def read(value, factor=1.3, bound=None):
    """Arguments for readings with an interval of one factor to both sides."""
    value = np.asarray(value, float)
    return value / factor, value, value * factor, np.full(value.shape, np.nan) if bound is None else bound


def some_line(count=40):
    return np.exp(np.random.default_rng(7).normal(np.log(10), 0.7, count))


# ---- printed values


def test_printed_censored_sample():
    """Days to death of the first 7 of 10 mice: μ = 1.742, σ = 0.079 of the decimal logarithms.

    Gupta, Biometrika 39 (1952) 260-273, estimates of greatest likelihood (from memory).
    """
    mean, spread = line_distribution([41, 44, 46, 54, 55, 58, 60], [60, 60, 60])
    assert mean / np.log(10) == pytest.approx(1.742, abs=0.0005)
    assert spread / np.log(10) == pytest.approx(0.079, abs=0.0005)


@pytest.mark.parametrize("seed", range(5))
def test_line_distribution_as_scipy_fits_it(seed):
    """scipy.stats.norm.fit on CensoredData, censored on both sides."""
    rng = np.random.default_rng(seed)
    value, over, under = (np.exp(rng.normal(*law)) for law in ((2.3, 0.7, 30), (1.5, 0.7, 12), (1.0, 0.3, 4)))
    sample = stats.CensoredData(np.log(value), right=np.log(over), left=np.log(under))
    assert line_distribution(value, over, under) == pytest.approx(stats.norm.fit(sample), abs=2e-3)


def test_two_readings_by_the_normal_law():
    """P(A > B) = Φ((ln A − ln B)/√(s_A² + s_B²)), textbook."""
    found = rank_intervals([9, 7], [10, 8], [100 / 9, 64 / 7], [np.nan] * 2, draws=DRAWS)
    spread = np.hypot(np.log(10 / 9), np.log(8 / 7)) / Z95
    expected = stats.norm.cdf(np.log(10 / 8) / spread)
    np.testing.assert_allclose(found.chance_worst_tenth, [expected, 1 - expected], atol=FOUR_SIGMA)


def test_a_bound_is_drawn_from_the_tail_of_the_line():
    """Mean and variance of a normal tail: scipy.stats.truncnorm."""
    value = some_line()
    lower = np.append(np.full(value.size, np.nan), 15.0)
    log_ohm = footing_draws(*read(np.append(value, np.nan), bound=lower), draws=DRAWS)[:, -1]
    mean, spread = line_distribution(value, [15.0])
    law = stats.truncnorm((np.log(15) - mean) / spread, np.inf, mean, spread)
    assert log_ohm.min() > np.log(15)
    assert log_ohm.mean() == pytest.approx(law.mean(), abs=4 * law.std() / np.sqrt(DRAWS))
    assert stats.kstest(log_ohm, law.cdf).pvalue > 1e-3


def test_the_draws_of_a_reading_have_its_interval():
    """2.5 %, 50 % and 97.5 % of the draws lie at low, value and high, also where they are not symmetric."""
    drawn = np.exp(footing_draws([9.0], [10.0], [16.0], [np.nan], draws=DRAWS))
    np.testing.assert_allclose(np.quantile(drawn, [0.025, 0.5, 0.975]), [9, 10, 16], rtol=0.02)


def test_beyond_far_out():
    """scipy.stats.truncnorm at 30 standard deviations, where 1 − Φ has long been below any float."""
    z = np.array([-1.0, 0.0, 1.0])
    expected = stats.truncnorm(30, np.inf).ppf(stats.norm.cdf(z))
    np.testing.assert_allclose(beyond(z, 30.0), expected, rtol=1e-6)
    np.testing.assert_allclose(beyond(z, -np.inf), z, atol=1e-12)


# ---- limits by hand


def test_all_orders_of_three_towers():
    """Each of the 6 orders once: every tower is in each place twice, so worst in a third of them."""
    found = rank_chances(np.array(list(permutations([1, 2, 3]))))
    np.testing.assert_allclose(found.chance_worst_tenth, 1 / 3)
    np.testing.assert_allclose(found.chance_worst_ten, 1.0)
    np.testing.assert_array_equal(found.rank_low, [1, 1, 1])
    np.testing.assert_array_equal(found.rank_high, [3, 3, 3])


def test_interval_leaves_a_tenth_on_either_side():
    """Ranks 1 to 10, once each: by hand at most one draw in ten under 1 or over 9 is left out."""
    turned = (np.arange(10)[:, None] + np.arange(10)) % 10 + 1
    found = rank_chances(turned)
    np.testing.assert_array_equal(found.rank_low, np.full(10, 1))
    np.testing.assert_array_equal(found.rank_high, np.full(10, 9))


def test_without_uncertainty_ranks_are_fixed():
    value = some_line(30)
    found = rank_intervals(*read(value, factor=1.0))
    order = stats.rankdata(-value)
    np.testing.assert_array_equal(found.rank_low, order)
    np.testing.assert_array_equal(found.rank_high, order)
    np.testing.assert_array_equal(found.chance_worst_ten, order <= 10)
    np.testing.assert_array_equal(found.chance_worst_tenth, order <= 3)


@pytest.mark.parametrize("factor", [1.0, 1.3])
def test_equal_towers_have_equal_chances(factor):
    """Chances are k of n places for n equal towers: 10/40 and 4/40."""
    found = rank_intervals(*read(np.full(40, 12.0), factor), draws=DRAWS)
    np.testing.assert_allclose(found.chance_worst_ten, 10 / 40, atol=FOUR_SIGMA)
    np.testing.assert_allclose(found.chance_worst_tenth, 4 / 40, atol=FOUR_SIGMA)


def test_a_bound_above_every_reading_is_surely_the_worst():
    value = np.append(some_line(), np.nan)
    lower = np.append(np.full(40, np.nan), 100 * np.nanmax(value))
    found = rank_intervals(*read(value, bound=lower))
    assert found.chance_worst_tenth[-1] == 1
    assert (found.rank_low[-1], found.rank_high[-1]) == (1, 1)


def test_a_bound_below_every_reading_leaves_the_line():
    """R > 1 mΩ says nothing: the tower is as likely as any of its line to be among the worst."""
    value = np.append(some_line(400), np.nan)
    lower = np.append(np.full(400, np.nan), 1e-3)
    found = rank_intervals(*read(value, bound=lower), draws=4000)
    assert found.chance_worst_tenth[-1] == pytest.approx(0.1, abs=0.03)


def test_a_reading_below_the_range_is_drawn_below_it():
    low, value, high, lower = read(np.append(some_line(), 0.5))
    low[-1] = 0.0
    drawn = footing_draws(low, value, high, lower)[:, -1]
    assert np.exp(drawn).max() <= high[-1]
    assert np.isfinite(drawn).all()
    assert rank_intervals(low, value, high, lower).rank_low[-1] > 35


def test_untested_towers_are_left_out_or_drawn_from_the_line():
    value = np.append(some_line(), np.nan)
    left_out, drawn = (rank_intervals(*read(value), untested=untested) for untested in (False, True))
    assert np.isnan(left_out.rank_low[-1])
    assert np.isnan(left_out.chance_worst_ten[-1])
    assert left_out.rank_high[:-1].max() <= 40
    assert 0 < drawn.chance_worst_ten[-1] < 1


@pytest.mark.parametrize("value", [[5.0, 8.0, 10.0, 12.0], [10.0] * 6, []])
def test_too_little_to_know_the_line(value):
    """With fewer than five known footings, or equal ones only, bounds are not drawn, and not zero either."""
    assert np.isnan(line_distribution(value, [3.0])).all()
    padded = np.append(value, np.nan)
    lower = np.append(np.full(len(value), np.nan), 3.0)
    found = rank_intervals(*read(padded, bound=lower))
    assert np.isnan(found.rank_high[-1])
    assert np.isfinite(found.rank_high[:-1]).all()


def test_no_towers_at_all():
    assert rank_intervals(*read([])).rank_low.shape == (0,)


# ---- laws


def test_the_seed_fixes_everything():
    first, again = (rank_intervals(*read(some_line()), seed=5) for _ in range(2))
    other = rank_intervals(*read(some_line()), seed=6)
    np.testing.assert_array_equal(first.chance_worst_ten, again.chance_worst_ten)
    assert (first.chance_worst_ten != other.chance_worst_ten).any()


values = st.lists(st.floats(0.3, 500), min_size=2, max_size=30)


@given(values)
def test_ranks_are_each_number_once(value):
    ranks = ordered_ranks(footing_draws(*read(value), draws=5))
    assert (np.sort(ranks, axis=1) == np.arange(1, len(value) + 1)).all()


@settings(deadline=None)
@given(values, st.floats(1.01, 50))
def test_a_higher_reading_is_never_less_likely_among_the_worst(value, times):
    before, after = (
        rank_intervals(*read([first, *value[1:]]), draws=200) for first in (value[0], value[0] * times)
    )
    assert after.chance_worst_tenth[0] >= before.chance_worst_tenth[0]
    assert after.rank_low[0] <= before.rank_low[0]
    assert after.rank_high[0] <= before.rank_high[0]


@settings(deadline=None)
@given(values)
def test_chances_fill_the_places(value):
    found, count = rank_intervals(*read(value), draws=50), len(value)
    assert found.chance_worst_ten.sum() == pytest.approx(min(10, count))
    assert found.chance_worst_tenth.sum() == pytest.approx(np.ceil(count / 10))


@given(st.floats(-5, 5), st.floats(-8, 40))
def test_beyond_keeps_its_bound(normal, least):
    assert beyond(np.array([normal]), least)[0] >= least - 1e-6


# ---- errors


@pytest.mark.parametrize(
    ("low", "value", "high", "bound", "sentence"),
    [
        (11, 10, 12, np.nan, "must hold its reading"),
        (9, 10, np.nan, np.nan, "must hold its reading"),
        (0, 0, 1, np.nan, "over 0 Ω"),
        (np.nan, np.nan, np.nan, 0, "over 0 Ω"),
    ],
)
def test_what_cannot_be_drawn(low, value, high, bound, sentence):
    with pytest.raises(ValueError, match=sentence):
        rank_intervals([low], [value], [high], [bound])
