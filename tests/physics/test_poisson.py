"""Counts of rare events: exact intervals, shrinkage, years of proof."""

import numpy as np
import pytest
from scipy import integrate, stats

from towerlib.physics import statistics

# Confidence limits of a Poisson count, 95 %: F. Garwood, Biometrika 28 (1936), as reprinted in Pearson and Hartley,
# Biometrika Tables for Statisticians, Vol. 1, Table 40; from memory, to the digits printed there.
GARWOOD = [
    (0, 0.0, 3.69),
    (1, 0.0253, 5.57),
    (2, 0.242, 7.22),
    (3, 0.619, 8.77),
    (4, 1.09, 10.24),
    (5, 1.62, 11.67),
    (10, 4.80, 18.39),
    (20, 12.22, 30.89),
    (30, 20.24, 42.83),
    (50, 37.11, 65.92),
]
# Years each side until a cut shows, and years after ten on record: exact conditional test of two counts, 5 %
# one-sided, 80 % power; a table of the practice of asset managers, computed apart from this code.
YEARS = {1: (None, 40, 15, 10), 2: (None, 20, 8, 5), 4: (31, 10, 4, 3), 8: (16, 5, 2, 2)}
YEARS_AFTER_TEN = {1: (None, 25), 2: (None, 7), 4: (10, 3), 8: (4, 2)}


@pytest.mark.parametrize(("count", "low", "high"), GARWOOD)
def test_interval_is_that_of_the_published_table(count, low, high):
    found = statistics.rate_interval(count)
    assert found[0] == pytest.approx(low, abs=0.005, rel=0.002)
    assert found[1] == pytest.approx(high, abs=0.006)


@pytest.mark.parametrize("coverage", [0.8, 0.95])
@pytest.mark.parametrize("count", [1, 3, 17])
def test_interval_ends_where_the_tails_are_even(count, coverage):
    """The definition, by SciPy's Poisson distribution: each end leaves half of what is not covered."""
    low, high = statistics.rate_interval(count, 4.0, coverage)
    assert stats.poisson.sf(count - 1, 4 * low) == pytest.approx((1 - coverage) / 2)
    assert stats.poisson.cdf(count, 4 * high) == pytest.approx((1 - coverage) / 2)


def test_interval_by_hand():
    """Nothing seen: exp(-high) = 2.5 %; the exposure divides."""
    low, high = statistics.rate_interval([0, 0], [1.0, 10.0])
    assert list(low) == [0, 0]
    np.testing.assert_allclose(high, np.log(40) / np.array([1.0, 10.0]))


@pytest.mark.parametrize(
    ("count", "exposure", "coverage", "words"),
    [(-1, 1, 0.9, "0 or more"), (1, 0, 0.9, "exposure"), (1, 1, 1.0, "between 0 and 1")],
)
def test_senseless_counts_are_refused(count, exposure, coverage, words):
    with pytest.raises(ValueError, match=words):
        statistics.rate_interval(count, exposure, coverage)


def test_shrinkage_is_the_posterior_by_integration():
    """Prior times likelihood, integrated with SciPy."""
    shape = statistics.gamma_shape(3.0)

    def weight(factor):
        return stats.gamma.pdf(factor, shape, scale=1 / shape) * stats.poisson.pmf(7, 12.0 * factor)

    whole = integrate.quad(weight, 0, 10)[0]
    mean = integrate.quad(lambda factor: factor * weight(factor), 0, 10)[0] / whole
    middle, low, high = statistics.shrunk_factor(7, 12.0, 3.0)
    assert middle == pytest.approx(mean, rel=1e-6)
    assert integrate.quad(weight, 0, low)[0] / whole == pytest.approx(0.025, rel=1e-5)
    assert integrate.quad(weight, 0, high)[0] / whole == pytest.approx(0.975, rel=1e-5)


def test_shrinkage_of_a_textbook_example():
    """Asthma deaths in Gelman and others, Bayesian Data Analysis, from memory.

    Prior Gamma(3, 5), 3 deaths in 200 000 people; the rate per 100 000 is Gamma(6, 7) afterwards, mean 0.86.
    """
    low, high = stats.gamma.ppf([0.025, 0.975], 3)
    factor = np.sqrt(high / low)
    assert statistics.gamma_shape(factor) == pytest.approx(3)
    prior_mean = 3 / 5
    middle, *_ = statistics.shrunk_factor(3, 2 * prior_mean, factor)
    assert middle * prior_mean == pytest.approx(0.86, abs=0.005)


def test_shrinkage_in_the_limits():
    """Nothing known leaves the model; much known leaves the record."""
    assert statistics.shrunk_factor(0, 1e-9, 3.0)[0] == pytest.approx(1)
    assert statistics.shrunk_factor(5000, 10000.0, 3.0)[0] == pytest.approx(0.5, rel=1e-3)
    low, high = statistics.shrunk_factor(0, 1e-9, 3.0)[1:]
    assert high / low == pytest.approx(9)  # a factor of 3 to either side


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: statistics.gamma_shape(1.0), "above 1"),
        (lambda: statistics.shrunk_factor(-1, 2.0, 3.0), "0 or more"),
        (lambda: statistics.shrunk_factor(1, 0.0, 3.0), "above 0"),
        (lambda: statistics.years_to_see(-1.0, 0.5), "0 or more"),
        (lambda: statistics.years_to_see(1.0, 1.5), "0 to 1"),
        (lambda: statistics.years_to_see(1.0, 0.5, 0.0), "longer than nothing"),
    ],
)
def test_senseless_models_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize(("rate", "cut", "before", "after"), [(4.0, 0.5, 3, 3), (2.0, 0.75, 5, 2)])
def test_power_by_counting_out_every_outcome(rate, cut, before, after):
    """SciPy's exact binomial test on every pair of counts that can happen."""
    most, power = 45, 0.0
    for many in range(most):
        for few in range(most):
            chance = stats.poisson.pmf(many, rate * before) * stats.poisson.pmf(few, rate * (1 - cut) * after)
            if chance > 1e-12 and many + few > 0:
                test = stats.binomtest(many, many + few, before / (before + after), alternative="greater")
                power += chance * (test.pvalue <= 0.05)
    assert statistics.power_of_comparison(rate, cut, before, after) == pytest.approx(power, abs=1e-6)


def test_no_cut_is_seen_at_most_as_often_as_allowed():
    assert 0 < statistics.power_of_comparison(4.0, 0.0, 5, 5) <= 0.05
    assert statistics.power_of_comparison(0.0, 0.5, 5, 5) == 0


@pytest.mark.parametrize("rate", YEARS)
def test_years_until_an_improvement_shows(rate):
    found = [statistics.years_to_see(rate, cut) for cut in (0.3, 0.5, 0.75, 0.9)]
    assert found == [float(years or np.inf) for years in YEARS[rate]]
    found = [statistics.years_to_see(rate, cut, 10) for cut in (0.5, 0.75)]
    assert found == [float(years or np.inf) for years in YEARS_AFTER_TEN[rate]]
