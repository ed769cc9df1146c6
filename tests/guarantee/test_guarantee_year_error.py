"""The company's year-to-year error, against the negative binomial distribution and over simulated companies."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from plantstats.guarantee.year_error import VARIANCES, learn


def learned(*pairs, per_year=50.0):
    table = pd.DataFrame(pairs, columns=["expected", "observed"])
    table = table.assign(period=[f"year {n}" for n in range(len(table))])
    return learn(table, [np.full(3, mean) for mean in table["expected"]], per_year)


def test_before_any_year_the_variance_is_as_likely_above_as_below_half_that_of_chance():
    # Christiansen and Morris 1997: the prior z / (z + v) ** 2 has its median at z, here 1 / 200; the grid's two ends
    # (1e-4 and 0.25) are cut off: 0.5 -+ 0.02.
    error = learned(per_year=100.0)
    assert error.mean == pytest.approx(1.0)
    assert error.weights[error.variance <= 0.005].sum() == pytest.approx(0.5, abs=0.07)


def test_a_smaller_firm_is_usually_less_certain():
    assert learned(per_year=10.0).sd > 1.3 * learned(per_year=100.0).sd


def test_the_likelihood_of_a_year_is_that_of_a_poisson_count_with_a_gamma_factor():
    # By numerical integration over the year's factor, for two pairs of a lasting factor and a variance: 66 came where
    # 49 were expected.
    def by_hand(lasting, variance):
        year = stats.gamma(1 / variance, scale=variance)
        return integrate.quad(lambda y: stats.poisson.pmf(66, 49 * lasting * y) * year.pdf(y), 0.2, 4)[0]

    prior, error = learned(), learned((49.0, 66))
    low, high = (
        np.flatnonzero((error.variance == VARIANCES[k]) & (np.abs(error.lasting - near) < 0.1))[0]
        for k, near in ((12, 1.0), (20, 1.3))
    )
    ratio = (error.weights[high] / prior.weights[high]) / (error.weights[low] / prior.weights[low])
    two = [by_hand(error.lasting[at], error.variance[at]) for at in (high, low)]
    assert ratio == pytest.approx(two[0] / two[1], rel=1e-6)


def test_the_back_test_moves_what_is_expected_the_more_the_more_years_say_the_same():
    usual, once, twice = learned(), learned((49.0, 66)), learned((49.0, 66), (49.0, 66))
    assert usual.mean < once.mean < twice.mean < 66 / 49
    large = learned((490.0, 660), (490.0, 660), per_year=490.0)
    assert large.mean > twice.mean
    assert learned((49.0, 36)).mean < 1


def test_years_that_came_as_expected_make_the_error_small():
    error = learned((200.0, 201), (200.0, 198), (200.0, 204), per_year=200.0)
    assert error.sd < 0.09
    assert error.mean == pytest.approx(1.0, abs=0.01)


def test_samples_have_the_mean_and_spread_that_are_stated_and_their_seed():
    error = learned((49.0, 66))
    factors = error.samples(4000, 1)
    assert factors.mean() == pytest.approx(error.mean)
    assert factors.std() / factors.mean() == pytest.approx(error.sd, rel=0.03)
    assert (factors == error.samples(4000, 1)).all()
    assert (factors != error.samples(4000, 2)).any()


@pytest.mark.parametrize(("lasting", "yearly"), [(0.001, 0.01), (0.001, 0.1), (0.1, 0.1), (0.2, 0.1)])
def test_the_80_percent_point_of_the_next_year_holds_about_as_often_as_it_says(lasting, yearly):
    # 120 simulated companies (seed 5) of 40 to 200 losses a year, gamma factors of known standard deviations, two years
    # foretold and one to come. Standard error of the share 3.7 in 100; the prior is careful where years hardly differ.
    rng, held = np.random.default_rng(5), []
    for _ in range(120):
        size = rng.uniform(40, 200)
        factors = rng.gamma(1 / lasting**2, lasting**2) * rng.gamma(1 / yearly**2, yearly**2, 3)
        seen = rng.poisson(size * factors)
        error = learned(*[(size, n) for n in seen[:2]], per_year=size)
        held.append(seen[2] <= np.quantile(rng.poisson(size * error.samples(1000, 1)), 0.8))
    assert 0.70 <= np.mean(held) <= 0.91


def test_without_the_error_the_point_would_hold_too_seldom():
    # Poisson points alone where a company is missed for good by 20% and a year by 10%: the test above would see it.
    rng, held = np.random.default_rng(5), []
    for _ in range(400):
        size = rng.uniform(40, 200)
        seen = rng.poisson(size * rng.gamma(25, 1 / 25) * rng.gamma(100, 1 / 100))
        held.append(seen <= stats.poisson.ppf(0.8, size))
    assert np.mean(held) < 0.70
