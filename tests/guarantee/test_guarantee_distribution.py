"""Distributions of sums against published compound distributions, brute force, and each other."""

import itertools

import numpy as np
import pytest
from scipy import stats

from plantstats.guarantee import distribution


def normalised(values):
    return values / values.sum(axis=-1, keepdims=True)


def test_the_compound_poisson_has_its_published_values():
    # Poisson(2.5) events of severity 1, 2, 4 with chances 0.6, 0.3, 0.1: values of R actuar and of an FFT;
    # a compound Poisson is the sum of independent Poisson numbers per severity, here one line each.
    probs = normalised(np.stack([stats.poisson.pmf(np.arange(50), 2.5 * w) for w in (0.6, 0.3, 0.1)]))[None]
    cost = distribution.total_cost(probs, [1, 1, 1], [1, 2, 4])[0]
    assert cost.exact
    assert np.cumsum(cost.pmf)[:4] == pytest.approx([0.082084999, 0.205212497, 0.359121869, 0.497640304], abs=1e-9)
    assert [cost.quantile(p) for p in (0.5, 0.9, 0.95, 0.99)] == [4, 8, 9, 13]
    assert (cost.mean, cost.sd**2) == (pytest.approx(4), pytest.approx(8.5))


def test_the_compound_negative_binomial_comes_from_mixing_over_a_gamma_effect():
    # Negative binomial numbers, mean 2.5, size 1.5 = Poisson numbers with a gamma effect of variance 1 / 1.5:
    # F(0) = 0.229639663, points 3, 10, 13, 19, variance 19.1667 (R actuar = FFT). The mean over 4,000 samples
    # of the effect, one from each equal part of its distribution, as `hazards.site_effects` makes them.
    effect = stats.gamma.ppf((np.arange(4000) + 0.5) / 4000, 1.5, scale=1 / 1.5)
    mean = 2.5 * np.outer(effect, [0.6, 0.3, 0.1])
    probs = normalised(stats.poisson.pmf(np.arange(60), mean[..., None]))
    cost = distribution.total_cost(probs, [1, 1, 1], [1, 2, 4])[0]
    assert cost.pmf[0] == pytest.approx(0.229639663, abs=2e-5)
    assert [cost.quantile(p) for p in (0.5, 0.9, 0.95, 0.99)] == [3, 10, 13, 19]
    assert cost.sd**2 == pytest.approx(19.1667, rel=2e-3)


def test_three_positions_are_added_up_as_by_every_combination():
    # Brute force over all outcomes of two positions at 30.00 and one at 45.50.
    two, one = np.array([0.7, 0.2, 0.1]), np.array([0.5, 0.4, 0.1])
    cost = distribution.total_cost(np.stack([two, one])[None], [2, 1], [3000, 4550])[0]
    assert cost.unit == 50  # greatest common divisor of 30.00 and 45.50
    by_hand: dict[int, float] = {}
    for a, b, c in itertools.product(range(3), repeat=3):
        amount = 3000 * (a + b) + 4550 * c
        by_hand[amount] = by_hand.get(amount, 0.0) + two[a] * two[b] * one[c]
    for amount, chance in by_hand.items():
        assert cost.pmf[amount // 50] == pytest.approx(chance, abs=1e-14)
    assert cost.pmf.sum() == pytest.approx(1)


def test_one_plant_costs_nothing_or_its_price():
    cost = distribution.total_cost(np.array([[[0.83, 0.17]]]), [1], [5837])[0]
    assert cost.unit == 5837
    assert cost.pmf[:2] == pytest.approx([0.83, 0.17])
    assert (cost.quantile(0.5), cost.quantile(0.8), cost.quantile(0.95)) == (0, 0, 5837)


@pytest.mark.parametrize(("quantity", "cost"), [([0, 0], [100, 200]), ([5, 5], [0, 0]), ([], [])])
def test_nothing_to_pay_is_certain_to_cost_nothing(quantity, cost):
    probs = np.tile([0.5, 0.5], (3, len(quantity), 1))
    cost = distribution.total_cost(probs, quantity, cost, groups=3)
    assert len(cost) == 4
    assert cost[0].quantile(0.99) == 0
    assert cost[0].mean == 0


def test_many_positions_agree_with_the_binomial_and_lose_no_mass():
    cost = distribution.total_cost(np.array([[[0.9, 0.1]]]), [50_000], [1])[0]
    exact = stats.binom(50_000, 0.1)
    assert [cost.quantile(p) for p in (0.5, 0.8, 0.95)] == [exact.ppf(p) for p in (0.5, 0.8, 0.95)]
    assert cost.pmf[4900:5100] == pytest.approx(exact.pmf(np.arange(4900, 5100)), rel=1e-6)
    assert (cost.mean, cost.sd) == (pytest.approx(5000, rel=1e-9), pytest.approx(exact.std(), rel=1e-6))


def test_costs_without_a_common_divisor_keep_their_mean_and_say_so():
    rng = np.random.default_rng(20260930)
    probs = normalised(rng.dirichlet([8, 1, 0.2], size=(5, 12)))
    each, quantity = rng.integers(3000, 9000, 12), rng.integers(1, 30, 12)
    rough = distribution.total_cost(probs, quantity, each, points=2000)[0]
    fine = distribution.total_cost(probs, quantity, each, points=400_000)[0]
    assert not rough.exact
    expected = ((probs @ np.arange(3)) * quantity * each).sum(axis=1).mean()
    assert rough.mean == pytest.approx(expected, rel=1e-9)
    for p in (0.5, 0.8, 0.95):
        assert abs(rough.quantile(p) - fine.quantile(p)) <= 2 * rough.unit


def test_groups_of_samples_average_to_the_whole():
    rng = np.random.default_rng(3)
    probs = normalised(rng.dirichlet([5, 1], size=(20, 3)))
    whole, *parts = distribution.total_cost(probs, [4, 4, 4], [100, 200, 300], groups=5)
    assert np.mean([part.pmf for part in parts], axis=0) == pytest.approx(whole.pmf, abs=1e-12)


def test_a_limit_in_money_moves_all_beyond_it_onto_it():
    cost = distribution.total_cost(np.array([[[0.5, 0.3, 0.2]]]), [1], [4000])[0]
    for limit, mean in ((8000, 0.3 * 4000 + 0.2 * 8000), (5000, 0.3 * 4000 + 0.2 * 5000), (0, 0.0)):
        capped = cost.capped(limit)
        assert capped.mean == pytest.approx(mean)
        assert capped.quantile(1.0) == limit
        assert capped.pmf.sum() == pytest.approx(1)
    assert cost.capped(None) is cost
    assert cost.cdf(4000) == pytest.approx(0.8)
    assert cost.cdf(3999) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("probs", "quantity", "what"),
    [
        ([[[0.5, 0.4]]], [1], "add up to 1"),
        ([[[0.5, 0.5]]], [-1], "0 or more"),
        ([[[0.5, 0.5]]], [1, 2], "one quantity"),
    ],
)
def test_faulty_chances_are_refused(probs, quantity, what):
    with pytest.raises(distribution.DistributionError, match=what):
        distribution.total_cost(np.array(probs), quantity, [1] * len(quantity))


def test_a_hundred_lines_have_the_mean_and_variance_of_their_sum():
    # Independent lines given a sample: means and variances add up; over samples the law of total variance.
    rng = np.random.default_rng(6)
    probs = normalised(rng.dirichlet([8, 3, 1, 0.2], size=(4, 100)))
    quantity, each = rng.integers(5, 60, 100), 50 * rng.integers(30, 180, 100)
    cost = distribution.total_cost(probs, quantity, each, points=1 << 20)[0]
    n = np.arange(4)
    mean = (probs @ n) @ (quantity * each)
    variance = (probs @ n**2 - (probs @ n) ** 2) @ (quantity * each**2)
    assert cost.exact
    assert cost.mean == pytest.approx(mean.mean(), rel=1e-9)
    assert cost.sd**2 == pytest.approx(variance.mean() + mean.var(), rel=1e-6)
