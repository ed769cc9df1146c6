"""Replacements of one position against closed forms and published values of renewal theory."""

from datetime import date

import numpy as np
import pytest
from scipy import stats

from plantstats.guarantee import renewal
from plantstats.guarantee.time_grid import TimeGrid
from tests.builders.renewal import bracket, of_lifetimes, replacements


def steps(length, n):
    return TimeGrid(date(2025, 7, 1), date(2026, 7, 1), np.linspace(0, length, n + 1))


def expected(lifetime, length, n=1500):
    return of_lifetimes(lifetime.cdf, steps(length, n)).by_part.sum()


# Lives of Erlang-2 with rate 2 (mean 1): M(t) = t - 1/4 + exp(-4t)/4; the list of values is
# M(t) = lambda t / 2 - 1/4 + exp(-2 lambda t)/4 (renewal theory, closed form).
@pytest.mark.parametrize(("t", "value"), [(0.5, 0.283833821), (1, 0.754578910), (2, 1.750083866), (5, 4.750000001)])
def test_erlang_2_has_its_closed_form(t, value):
    assert value == pytest.approx(t - 0.25 + np.exp(-4 * t) / 4, abs=2e-9)
    assert expected(stats.gamma(2, scale=1 / 2), t) == pytest.approx(value, abs=2e-6)


@pytest.mark.parametrize(("t", "value"), [(0.5, 0.195636954), (1, 0.664602914), (2, 1.666664775)])
def test_erlang_3_has_its_closed_form(t, value):
    assert expected(stats.gamma(3, scale=1 / 3), t) == pytest.approx(value, abs=1e-6)


def test_the_whole_distribution_for_erlang_2_is_that_of_every_second_poisson_event():
    # N(t) = floor(Poisson(2t) / 2): P(N = 0) = P(Poisson = 0 or 1) and so on; Var N(1) = 0.544163395.
    result = of_lifetimes(stats.gamma(2, scale=1 / 2).cdf, steps(1, 1500)).pmf
    pairs = stats.poisson.pmf(np.arange(40), 2).reshape(-1, 2).sum(axis=1)
    assert result[:6] == pytest.approx(pairs[:6], abs=1e-6)
    assert result[:4] == pytest.approx([0.406005850, 0.451117611, 0.126312931, 0.015466889], abs=1e-6)
    n = np.arange(len(result))
    assert result @ n**2 - (result @ n) ** 2 == pytest.approx(0.544163395, abs=3e-6)


@pytest.mark.parametrize(("shape", "value"), [(0.5, 1.424660), (1.5, 0.840121), (2.5, 0.701098)])
def test_gamma_lives_give_the_sum_of_their_distribution_functions(shape, value):
    # M(1) = sum over n of the gamma distribution function with shape n x shape, mean 1 each (renewal theory).
    summed = stats.gamma.cdf(1, shape * np.arange(1, 200), scale=1 / shape).sum()
    assert value == pytest.approx(summed, abs=1e-6)
    # A hazard that is infinite at age 0 (shape 0.5) converges slower.
    assert expected(stats.gamma(shape, scale=1 / shape), 1) == pytest.approx(value, abs=3e-4 if shape < 1 else 2e-6)


@pytest.mark.parametrize(
    ("shape", "at_1", "at_3"),
    [
        (0.8, 1.098508832, 2.923635812),
        (1.5, 0.841578137, 3.053713945),
        (2, 0.753691278, 3.021745009),
        (3, 0.672329100, 2.924774923),
    ],
)
def test_weibull_lives_give_the_values_of_the_published_series(shape, at_1, at_3):
    # Series of Smith and Leadbetter 1963 (Technometrics 5:393) summed with 60 digits; scale 1.
    lifetime = stats.weibull_min(shape)
    assert expected(lifetime, 1) == pytest.approx(at_1, abs=2e-6)
    assert expected(lifetime, 3) == pytest.approx(at_3, abs=2e-5)


@pytest.mark.parametrize("lifetime", [stats.gamma(2, scale=0.5), stats.weibull_min(1.5), stats.weibull_min(0.8)])
def test_the_bracket_encloses_the_truth_and_closes_with_the_step(lifetime):
    # Truth: the finest grid here, itself checked above; the middle of the step must lie inside the bracket
    # too.
    truth = expected(lifetime, 1)
    widths = []
    for n in (25, 50, 100):
        low, high = bracket(lifetime.cdf, steps(1, n))
        assert low < truth < high
        assert low < expected(lifetime, 1, n) < high
        widths.append(high - low)
    assert widths[0] > 1.8 * widths[1] > 3.2 * widths[2]


def test_the_error_of_the_midpoint_falls_with_the_square_of_the_step():
    # Erlang-2 again: a quarter of the error with half the step.
    exact = 1 - 0.25 + np.exp(-4) / 4
    errors = [abs(expected(stats.gamma(2, scale=0.5), 1, n) - exact) for n in (20, 40, 80)]
    assert errors[0] / errors[1] == pytest.approx(4, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4, rel=0.1)


def test_a_constant_hazard_makes_poisson_numbers():
    result = of_lifetimes(stats.expon.cdf, steps(2, 2000))
    assert result.by_part.sum() == pytest.approx(2, abs=1e-6)
    assert result.pmf[:9] == pytest.approx(stats.poisson.pmf(np.arange(9), 2), abs=1e-6)


@pytest.mark.parametrize(
    ("life", "days", "mean"),
    [
        # An exponential life of mean 365 days over 730 days: 2 exactly; at 58.00 each 116.00.
        (stats.expon(scale=365), 730, 2.0),
        # A Weibull life, shape 2, scale 200 days, over 365 days: 1.69709 (renewal equation solved numerically
        # and 400,000 simulated runs elsewhere); at 58.00 each 98.43.
        (stats.weibull_min(2, scale=200), 365, 1.69709),
    ],
)
def test_daily_steps_give_known_numbers_of_replacements(life, days, mean):
    assert of_lifetimes(life.cdf, steps(days, days)).by_part.sum() == pytest.approx(mean, abs=2e-5)


@pytest.mark.parametrize("days", [365, 300])
def test_plants_that_live_100_days_are_replaced_on_days_100_200_and_300(days):
    # The first plant is no replacement, and a loss on the last day of the term counts: 3 in 365 days and in
    # 300.
    result = of_lifetimes(lambda age: (age >= 100).astype(float), steps(days, days))
    assert list(result.pmf) == [0, 0, 0, 1]
    assert list(np.flatnonzero(result.by_part) + 1) == [100, 200, 300]


def test_a_lead_time_delays_every_successor():
    # Lives of 100 days, 20 days until the next is in place: lost on days 100, 220, 340.
    result = of_lifetimes(lambda age: (age >= 100).astype(float), steps(365, 365), lead_days=20)
    assert list(np.flatnonzero(result.by_part) + 1) == [100, 220, 340]


def test_with_a_cap_of_one_the_expected_number_is_one_minus_survival():
    lifetime = stats.weibull_min(1.5)
    result = of_lifetimes(lifetime.cdf, steps(2, 300), cap=1)
    assert result.by_part.sum() == pytest.approx(lifetime.cdf(2), abs=1e-12)
    assert result.pmf == pytest.approx([lifetime.sf(2), lifetime.cdf(2)], abs=1e-12)


def test_a_cap_cuts_the_distribution_and_no_more():
    lifetime = stats.expon()
    free = of_lifetimes(lifetime.cdf, steps(2, 300)).pmf
    for cap in (0, 2, 3):
        capped = of_lifetimes(lifetime.cdf, steps(2, 300), cap=cap)
        assert capped.pmf == pytest.approx([*free[:cap], free[cap:].sum()], abs=1e-12)
        assert capped.by_part.sum() == pytest.approx(capped.pmf @ np.arange(cap + 1), abs=1e-12)


@pytest.mark.parametrize("lifetime", [stats.gamma(2, scale=0.5), stats.weibull_min(3), stats.gamma(0.5, scale=2)])
def test_the_expected_number_keeps_its_bounds(lifetime):
    # F(t) <= M(t) <= F(t) / (1 - F(t)) for any lifetime of life (renewal theory).
    for t in (0.3, 0.7, 1.2):
        m = expected(lifetime, t, 400)
        assert lifetime.cdf(t) <= m <= lifetime.cdf(t) / lifetime.sf(t)


def test_over_a_long_term_the_number_nears_its_line():
    # M(t) -> t / mean + (variance - mean^2) / (2 mean^2); gamma with shape 3 and mean 1: t + (1/3 - 1)/2.
    assert expected(stats.gamma(3, scale=1 / 3), 8, 1600) == pytest.approx(8 - 1 / 3, abs=1e-5)


def test_competing_exits_share_the_hazard():
    # One step, hazards 0.2 covered, 0.1 not covered, 0.3 ends: lost with 1 - exp(-0.6), a third of it
    # covered.
    covered, other = renewal.loss_probabilities(np.array([0.2]), np.array([0.1]), np.array([0.3]))
    assert covered == pytest.approx((1 - np.exp(-0.6)) / 3)
    assert other == pytest.approx((1 - np.exp(-0.6)) / 6)


def test_no_hazard_means_no_loss():
    covered, other = renewal.loss_probabilities(np.zeros(4))
    assert not covered.any()
    assert not other.any()


@pytest.mark.parametrize("wrong", [-0.1, np.nan, np.inf])
def test_impossible_hazards_are_refused(wrong):
    with pytest.raises(renewal.RenewalError, match="finite"):
        renewal.loss_probabilities(np.array([0.1, wrong]))


def test_uncovered_losses_that_are_replaced_go_on_counting_as_in_every_path_by_hand():
    # Two steps. A first plant: covered 0.2 then 0.1, uncovered 0.3 then 0.05. A plant after an event of step
    # 1: covered 0.4, uncovered 0.1 in step 2. Paths with one covered loss: step 1 and none after (0.2 x 0.6 =
    # 0.12), uncovered in 1 and covered in 2 (0.3 x 0.4 = 0.12), covered in 2 only (0.1): 0.34. Two: 0.2 x 0.4
    # = 0.08.
    later = np.array([[0.0, 0.4], [0.0, 0.0]])
    later_other = np.array([[0.0, 0.1], [0.0, 0.0]])
    result = replacements(np.array([0.2, 0.1]), later, np.array([0.3, 0.05]), later_other)
    assert result.pmf == pytest.approx([0.58, 0.34, 0.08], abs=1e-15)
    assert result.by_part == pytest.approx([0.2, 0.1 + 0.12 + 0.08])


def every_path(first, later, first_other, later_other, steps):
    """Chances of 0, 1, 2, ... covered losses by walking every path of events; a path may also simply go on or end."""
    totals = np.zeros(steps + 1)

    def walk(chance, covered, other, start, losses):
        totals[losses] += chance * (1 - covered[start:].sum() - other[start:].sum())
        for k in range(start, steps):
            walk(chance * covered[k], later[k], later_other[k], k + 1, losses + 1)
            walk(chance * other[k], later[k], later_other[k], k + 1, losses)

    walk(1.0, first, first_other, 0, 0)
    return totals


def test_long_chains_of_covered_and_uncovered_losses_agree_with_every_path():
    rng = np.random.default_rng(11)
    steps = 5
    first, first_other = rng.uniform(0, 0.1, (2, steps))
    later, later_other = np.triu(rng.uniform(0, 0.18, (2, steps, steps)), 1)
    result = replacements(first, later, first_other, later_other)
    by_hand = every_path(first, later, first_other, later_other, steps)
    assert by_hand.sum() == pytest.approx(1)
    assert result.pmf == pytest.approx(by_hand[: len(result.pmf)], abs=1e-10)
    assert result.by_part.sum() == pytest.approx(by_hand @ np.arange(steps + 1), abs=1e-9)


def test_hazards_that_replace_a_plant_without_end_are_refused():
    with pytest.raises(renewal.RenewalError, match="more than 400"):
        replacements(np.array([1.0]), np.array([[1.0]]))


def test_a_term_of_no_steps_replaces_nothing():
    result = replacements(np.zeros((2, 0)), np.zeros((2, 0, 0)))
    assert result.pmf.tolist() == [[1.0], [1.0]]
    assert result.by_part.shape == (2, 0)
