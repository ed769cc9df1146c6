"""Distributions of sums against published compound distributions, brute force, and each other."""

import itertools

import numpy as np
import pytest
from scipy import stats

from plantstats.guarantee import spread


def pmf(values):
    return values / values.sum(axis=-1, keepdims=True)


def test_the_compound_poisson_has_its_published_values():
    # Poisson(2.5) events of severity 1, 2, 4 with chances 0.6, 0.3, 0.1: values of R actuar and of an FFT;
    # a compound Poisson is the sum of independent Poisson numbers per severity, here one line each.
    chance = pmf(np.stack([stats.poisson.pmf(np.arange(50), 2.5 * w) for w in (0.6, 0.3, 0.1)]))[None]
    made = spread.total(chance, [1, 1, 1], [1, 2, 4])[0]
    assert made.exact
    assert np.cumsum(made.chance)[:4] == pytest.approx([0.082084999, 0.205212497, 0.359121869, 0.497640304], abs=1e-9)
    assert [made.point(p) for p in (0.5, 0.9, 0.95, 0.99)] == [4, 8, 9, 13]
    assert (made.mean, made.sd**2) == (pytest.approx(4), pytest.approx(8.5))


def test_the_compound_negative_binomial_comes_from_mixing_over_a_gamma_effect():
    # Negative binomial numbers, mean 2.5, size 1.5 = Poisson numbers with a gamma effect of variance 1 / 1.5:
    # F(0) = 0.229639663, points 3, 10, 13, 19, variance 19.1667 (R actuar = FFT). The mean over 4,000 draws
    # of the effect, one from each equal part of its law, as `hazards.site_effects` makes them.
    effect = stats.gamma.ppf((np.arange(4000) + 0.5) / 4000, 1.5, scale=1 / 1.5)
    mean = 2.5 * np.outer(effect, [0.6, 0.3, 0.1])
    chance = pmf(stats.poisson.pmf(np.arange(60), mean[..., None]))
    made = spread.total(chance, [1, 1, 1], [1, 2, 4])[0]
    assert made.chance[0] == pytest.approx(0.229639663, abs=2e-5)
    assert [made.point(p) for p in (0.5, 0.9, 0.95, 0.99)] == [3, 10, 13, 19]
    assert made.sd**2 == pytest.approx(19.1667, rel=2e-3)


def test_three_positions_are_added_up_as_by_every_combination():
    # Brute force over all outcomes of two positions at 30.00 and one at 45.50.
    two, one = np.array([0.7, 0.2, 0.1]), np.array([0.5, 0.4, 0.1])
    made = spread.total(np.stack([two, one])[None], [2, 1], [3000, 4550])[0]
    assert made.unit == 50  # greatest common divisor of 30.00 and 45.50
    by_hand: dict[int, float] = {}
    for a, b, c in itertools.product(range(3), repeat=3):
        amount = 3000 * (a + b) + 4550 * c
        by_hand[amount] = by_hand.get(amount, 0.0) + two[a] * two[b] * one[c]
    for amount, chance in by_hand.items():
        assert made.chance[amount // 50] == pytest.approx(chance, abs=1e-14)
    assert made.chance.sum() == pytest.approx(1)


def test_one_plant_costs_nothing_or_its_price():
    made = spread.total(np.array([[[0.83, 0.17]]]), [1], [5837])[0]
    assert made.unit == 5837
    assert made.chance[:2] == pytest.approx([0.83, 0.17])
    assert (made.point(0.5), made.point(0.8), made.point(0.95)) == (0, 0, 5837)


@pytest.mark.parametrize(("quantity", "cost"), [([0, 0], [100, 200]), ([5, 5], [0, 0]), ([], [])])
def test_nothing_to_pay_is_certain_to_cost_nothing(quantity, cost):
    chance = np.tile([0.5, 0.5], (3, len(quantity), 1))
    made = spread.total(chance, quantity, cost, groups=3)
    assert len(made) == 4
    assert made[0].point(0.99) == 0
    assert made[0].mean == 0


def test_many_positions_agree_with_the_binomial_and_lose_no_mass():
    made = spread.total(np.array([[[0.9, 0.1]]]), [50_000], [1])[0]
    exact = stats.binom(50_000, 0.1)
    assert [made.point(p) for p in (0.5, 0.8, 0.95)] == [exact.ppf(p) for p in (0.5, 0.8, 0.95)]
    assert made.chance[4900:5100] == pytest.approx(exact.pmf(np.arange(4900, 5100)), rel=1e-6)
    assert (made.mean, made.sd) == (pytest.approx(5000, rel=1e-9), pytest.approx(exact.std(), rel=1e-6))


def test_costs_without_a_common_divisor_keep_their_mean_and_say_so():
    rng = np.random.default_rng(20260930)
    chance = pmf(rng.dirichlet([8, 1, 0.2], size=(5, 12)))
    cost, quantity = rng.integers(3000, 9000, 12), rng.integers(1, 30, 12)
    rough = spread.total(chance, quantity, cost, points=2000)[0]
    fine = spread.total(chance, quantity, cost, points=400_000)[0]
    assert not rough.exact
    expected = ((chance @ np.arange(3)) * quantity * cost).sum(axis=1).mean()
    assert rough.mean == pytest.approx(expected, rel=1e-9)
    for p in (0.5, 0.8, 0.95):
        assert abs(rough.point(p) - fine.point(p)) <= 2 * rough.unit


def test_groups_of_draws_average_to_the_whole():
    rng = np.random.default_rng(3)
    chance = pmf(rng.dirichlet([5, 1], size=(20, 3)))
    whole, *parts = spread.total(chance, [4, 4, 4], [100, 200, 300], groups=5)
    assert np.mean([part.chance for part in parts], axis=0) == pytest.approx(whole.chance, abs=1e-12)


def test_a_limit_in_money_moves_all_beyond_it_onto_it():
    made = spread.total(np.array([[[0.5, 0.3, 0.2]]]), [1], [4000])[0]
    for limit, mean in ((8000, 0.3 * 4000 + 0.2 * 8000), (5000, 0.3 * 4000 + 0.2 * 5000), (0, 0.0)):
        capped = made.capped(limit)
        assert capped.mean == pytest.approx(mean)
        assert capped.point(1.0) == limit
        assert capped.chance.sum() == pytest.approx(1)
    assert made.capped(None) is made
    assert made.within(4000) == pytest.approx(0.8)
    assert made.within(3999) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("chance", "quantity", "what"),
    [
        ([[[0.5, 0.4]]], [1], "add up to 1"),
        ([[[0.5, 0.5]]], [-1], "0 or more"),
        ([[[0.5, 0.5]]], [1, 2], "one quantity"),
    ],
)
def test_faulty_chances_are_refused(chance, quantity, what):
    with pytest.raises(spread.SpreadError, match=what):
        spread.total(np.array(chance), quantity, [1] * len(quantity))


def test_smooth_lines_added_up_by_their_logarithms_equal_lines_multiplied_one_by_one(monkeypatch):
    # 400 lines without a common divisor, some dear ones among them that are not smooth. No outside source: two routes
    # to one number.
    rng = np.random.default_rng(6)
    chance = pmf(rng.dirichlet([8, 3, 1, 0.2], size=(4, 400)))
    quantity, cost = rng.integers(5, 60, 400), np.where(np.arange(400) < 3, 90_000, rng.integers(1500, 9000, 400))
    found, smooth = [], spread._smooth
    monkeypatch.setattr(spread, "_smooth", lambda *given: found.append(smooth(*given)) or found[-1])
    quick = spread.total(chance, quantity, cost, groups=2)
    assert 390 <= found[0].sum() < 400
    monkeypatch.setattr(spread, "_smooth", lambda p, c, angle: np.zeros(len(c), dtype=bool))
    slow = spread.total(chance, quantity, cost, groups=2)
    for one, other in zip(quick, slow, strict=True):
        assert one.chance == pytest.approx(other.chance, abs=1e-13)
        assert [one.point(p) for p in (0.5, 0.8, 0.95)] == [other.point(p) for p in (0.5, 0.8, 0.95)]
