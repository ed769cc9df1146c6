"""Charts that add up evidence: scores, run lengths and thresholds against published tables and against chance."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from plantstats.stats import cusum, farrington

COUNTS = np.arange(40.0)


def poisson_week(mean: float, sign: int = 1) -> cusum.Steps:
    """Counts about the reference value 0.25 of Lucas, upwards or downwards."""
    return cusum.Steps(sign * (COUNTS - 0.25), stats.poisson.pmf(COUNTS, mean))


def normal_week(mean: float, reference: float) -> cusum.Steps:
    """A normal observation, in 2,800 parts."""
    ends = np.linspace(-7, 7, 2801)
    return cusum.Steps((ends[1:] + ends[:-1]) / 2 + mean - reference, np.diff(stats.norm.cdf(ends)))


@pytest.mark.parametrize(("sign", "head_start", "published"), [(1, 0, 438), (1, 5, 333), (-1, 0, 437), (-1, 5, 318)])
def test_run_lengths_of_poisson_counts_are_those_of_lucas(sign: int, head_start: float, published: int) -> None:
    # Lucas 1985, Technometrics 27:129, Tables 2 to 5, first blocks: reference value 0.25, threshold 10, mean 0.25,
    # signal at the threshold or above; as quoted by the R package spc, pois.cusum.arl. The chart's values are
    # multiples of 0.25, so 40 states make the chain exact.
    lengths = cusum.run_lengths([poisson_week(0.25, sign)], 10.0, head_start, states=40)
    assert round(float(lengths[0])) == published


@pytest.mark.parametrize(
    ("shift", "published"), [(0.0, 168), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1.0, 8.38), (1.5, 4.75), (2.0, 3.34)]
)
def test_two_sided_run_lengths_are_those_of_lucas_and_crosier(shift: float, published: float) -> None:
    # Lucas and Crosier 1982, Technometrics 24:199, Table 1: k = 0.5, h = 4. Two charts: 1/L = 1/L+ + 1/L-.
    up, down = (cusum.run_lengths([normal_week(mean, 0.5)], 4.0, states=300)[0] for mean in (shift, -shift))
    assert 1 / (1 / up + 1 / down) == pytest.approx(published, rel=0.005)


@pytest.mark.parametrize(("mean", "published"), [(0.0, 117.59), (1.5, 3.749)])
def test_one_sided_run_lengths_are_those_of_brook_and_evans(mean: float, published: float) -> None:
    # Brook and Evans 1972, Biometrika 59:539, section 4.3: k = 0.5, h = 3.
    assert cusum.run_lengths([normal_week(mean, 0.5)], 3.0, states=300)[0] == pytest.approx(published, rel=0.005)


@pytest.mark.parametrize(
    ("score", "ratio", "alive", "dead"), [(0, 2, -0.024, 0.669), (50, 2, -0.433, 0.26), (0, 0.5, 0.012, -0.681)]
)
def test_scores_of_single_outcomes_are_steiners_weights(score: int, ratio: float, alive: float, dead: float) -> None:
    # Steiner, Cook, Farewell and Treasure 2000, Biostatistics 1:441, p. 446: logit p = -3.68 + 0.077 s; odds x ratio.
    usual = 1 / (1 + np.exp(3.68 - 0.077 * score))
    raised = ratio * usual / (1 - usual + ratio * usual)
    weights = cusum.log_likelihood_ratio(np.array([0.0, 1.0]), stats.bernoulli(usual), stats.bernoulli(raised))
    assert weights == pytest.approx([alive, dead], abs=0.0006)


@pytest.mark.parametrize("dispersion", [1.0, 1.3, 4.0])
def test_counts_are_distributed_as_scipy_says(dispersion: float) -> None:
    x = np.arange(-1.0, 60.0)
    reference = stats.poisson(6.0) if dispersion == 1 else stats.nbinom(6.0 / (dispersion - 1), 1 / dispersion)
    one = cusum.CountDistribution(6.0, dispersion)
    assert one.cdf(x) == pytest.approx(reference.cdf(x), abs=1e-12)
    assert one.logpmf(x[1:]) == pytest.approx(reference.logpmf(x[1:]), abs=1e-9)


def test_scores_of_poisson_counts_follow_the_closed_form() -> None:
    # x log R - m (R - 1); its zero is the reference value (m1 - m0) / log(m1 / m0) of Lucas 1985.
    week = cusum.steps(3.0, 1.0, 1.5)
    assert np.diff(week.scores) == pytest.approx(np.log(1.5))
    assert week.scores[0] == pytest.approx(-1.5)
    assert week.probabilities.sum() == pytest.approx(1)


def test_a_chart_restarts_at_an_alarm_and_knows_where_its_evidence_began() -> None:
    # By hand: 1; 0 (never below); 2; 3.5 signals; from 0 again 1; 2.
    chart = cusum.cusum(np.array([1.0, -3.0, 2.0, 1.5, 1.0, 1.0]), 3.0)
    assert chart.statistic.tolist() == [1.0, 0.0, 2.0, 3.5, 1.0, 2.0]
    assert chart.signal.tolist() == [False, False, False, True, False, False]
    assert chart.first.tolist() == [0, 0, 2, 2, 4, 4]


def simulated_run_length(means: np.ndarray, dispersion: float, ratio: float, threshold: float, truth: float) -> float:
    """Mean weeks to a signal of 4,000 charts that are simulated."""
    rng = np.random.Generator(np.random.PCG64(7))
    values, lengths, running = np.zeros(4000), np.zeros(4000), np.ones(4000, dtype=bool)
    week = 0
    while running.any():
        mean = means[week % len(means)]
        counts = cusum.CountDistribution(truth * mean, dispersion).sample(4000, rng)
        distributions = (cusum.CountDistribution(m, dispersion) for m in (mean, ratio * mean))
        values = np.maximum(values + cusum.log_likelihood_ratio(counts, *distributions), 0.0)
        lengths[running] += 1
        running &= values < threshold
        week += 1
    return float(lengths.mean())


@pytest.mark.parametrize(("truth", "weeks"), [(1.0, 60.0), (1.5, None)])
def test_run_lengths_over_a_year_of_seasons_are_those_of_simulated_charts(truth: float, weeks: float | None) -> None:
    # Expectation of 1 to 5 a week over a year of 13 parts, variance 1.6 times the mean.
    means = np.repeat(3 + 2 * np.cos(2 * np.pi * np.arange(13) / 13), 4)
    threshold = cusum.threshold_for(cusum.truths(means, 1.6, 1.5), 60.0)
    exact = cusum.weeks_to_signal(means, 1.6, 1.5, threshold, truth)
    if weeks:
        assert float(np.mean(exact)) == pytest.approx(weeks, rel=0.01)
    # 4,000 charts: standard error of some 1.5% of the mean.
    assert simulated_run_length(means, 1.6, 1.5, threshold, truth) == pytest.approx(float(exact[0]), rel=0.05)


def test_a_chart_that_never_signals_has_a_long_run_length_and_no_error() -> None:
    never = cusum.Steps(np.array([-1.0, 0.1]), np.array([0.999999, 0.000001]))
    assert 1e11 < float(cusum.run_lengths([never], 50.0)[0]) < np.inf
    # An expectation known within a factor of two: the search ends at a threshold that is high, not in an error.
    assert cusum.threshold_for(cusum.truths(np.array([5.0]), 1.0, 1.5, 0.5), 260) > 20


def test_clustered_counts_ring_a_poisson_chart_four_times_too_often() -> None:
    # A chart for Poisson counts of mean 5.19, set to one false alarm in 270 weeks, on counts of twice the variance.
    threshold = cusum.threshold_for(cusum.truths(np.array([5.19]), 1.0, 1.5), 270)
    clustered = cusum.CountDistribution(5.19, 2.0)
    counts = np.arange(0.0, 80.0)
    scores = counts * np.log(1.5) - 5.19 * 0.5
    wrong = cusum.run_lengths([cusum.Steps(scores, np.exp(clustered.logpmf(counts)))], threshold)[0]
    assert wrong < 270 / 4


def test_an_expectation_that_is_not_well_known_raises_the_threshold() -> None:
    means = np.array([4.0])
    known, unsure = (cusum.truths(means, 1.2, 1.5, v) for v in (0.0, 0.02))
    thresholds = [cusum.threshold_for(one, 260) for one in (known, unsure)]
    assert thresholds[1] > thresholds[0]
    # By hand: of three truths, at the square root of 3 standard deviations and weights 1/6, 2/3, 1/6.
    rates = [
        weight / float(cusum.weeks_to_signal(means, 1.2, 1.5, thresholds[1], np.exp(at * 0.02**0.5 - 0.01))[0])
        for at, weight in ((-(3**0.5), 1 / 6), (0.0, 2 / 3), (3**0.5, 1 / 6))
    ]
    assert 1 / sum(rates) == pytest.approx(260, rel=0.01)


def test_the_threshold_of_a_single_count_is_farringtons() -> None:
    # R package surveillance, tests/testthat/test-farringtonFlexible.R: 5 expected, standard error 0.2, power 2/3.
    assert farrington.upper_threshold(np.array(5.0), 1.0, np.array(0.2**2), 0.05) == pytest.approx(9.1154825, abs=1e-6)


def test_a_single_count_passes_its_threshold_as_often_as_stated() -> None:
    # Negative binomial of mean 40, variance 60: 2.5 in 100 lie above, within what whole counts allow.
    limit = farrington.upper_threshold(np.array(40.0), 1.5, np.array(0.0), 0.025)
    assert 1 - cusum.CountDistribution(40.0, 1.5).cdf(np.floor(limit)) == pytest.approx(0.025, abs=0.008)
