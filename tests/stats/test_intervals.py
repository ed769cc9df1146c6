"""Limits of counts, shares and ratios, and errors between clusters, against published values and a second library."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from plantstats.stats import clusters, collinearity, intervals


@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    # Newcombe 1998, Statistics in Medicine 17:857, table I, Clopper-Pearson row (from memory).
    [(81, 263, 0.2527, 0.3676), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_exact_limits_of_a_share_are_those_of_newcombes_table(events, trials, low, high):
    assert intervals.binomial_limits(events, trials) == pytest.approx((low, high), abs=5e-5)


def test_a_share_of_nothing_may_be_anything_and_of_all_ends_at_one():
    assert intervals.binomial_limits(0, 0) == (0.0, 1.0)
    assert intervals.binomial_limits(7, 7)[1] == 1.0


def test_the_limit_without_events_is_garwoods_for_a_count_of_none():
    assert intervals.zero_event_limit() == pytest.approx(float(intervals.poisson_limits(0).high[0]), rel=1e-12)


def test_limits_of_a_ratio_give_their_standard_error_back():
    for level in (0.8, 0.95):
        _, low, high = intervals.ratio_limits(0.7, 0.3, level)
        assert float(intervals.log_se(low, high, level)) == pytest.approx(0.3, rel=1e-12)


def test_limits_with_few_degrees_of_freedom_are_students():
    _, low, high = intervals.ratio_limits(0.0, 1.0, df=4)
    assert np.log([low, high]) == pytest.approx([-2.7764451, 2.7764451], rel=1e-7)  # t table, 4 degrees of freedom


@pytest.fixture(scope="module")
def poisson():
    """Forty clusters of five with a shared effect: design, counts, clusters, and the fit by statsmodels."""
    rng = np.random.default_rng(5)
    cluster = np.repeat(np.arange(40), 5)
    x = np.column_stack([np.ones(200), rng.normal(size=200)])
    y = rng.poisson(np.exp(0.3 + 0.5 * x[:, 1] + rng.normal(0, 0.5, 40)[cluster]))
    return x, y, cluster


def scores_of(poisson):
    x, y, cluster = poisson
    beta = sm.GLM(y, x, family=sm.families.Poisson()).fit(tol=1e-14).params
    mean = np.exp(x @ beta)
    scores = np.array([x[cluster == c].T @ (y - mean)[cluster == c] for c in range(40)])
    parts = [x[cluster == c].T @ (mean[cluster == c][:, None] * x[cluster == c]) for c in range(40)]
    return scores, parts, beta


def test_the_sandwich_is_that_of_a_second_library(poisson):
    x, y, cluster = poisson
    scores, parts, _ = scores_of(poisson)
    fit = sm.GLM(y, x, family=sm.families.Poisson()).fit(
        tol=1e-14, cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False}
    )
    made = clusters.sandwich(scores, np.linalg.inv(sum(parts)), corrected=False)
    assert made == pytest.approx(fit.cov_params(), rel=1e-6)
    assert clusters.sandwich(scores, np.linalg.inv(sum(parts))) == pytest.approx(made * 40 / 39, rel=1e-12)


def test_the_one_step_jackknife_is_close_to_leaving_each_cluster_out(poisson):
    x, y, cluster = poisson
    scores, parts, beta = scores_of(poisson)
    refits = [
        sm.GLM(y[cluster != c], x[cluster != c], family=sm.families.Poisson()).fit().params - beta for c in range(40)
    ]
    exact = 39 / 40 * np.array(refits).T @ np.array(refits)
    assert clusters.jackknife(scores, sum(parts), parts) == pytest.approx(exact, rel=0.1, abs=5e-4)


def test_a_column_of_few_clusters_has_no_smaller_error_than_the_model_gives_it():
    made = clusters.floor_at_model_se(np.diag([0.01, 0.01, 0.09]), np.eye(3) * 0.04, np.array([9, 10, 3]))
    assert np.diag(made) == pytest.approx([0.04, 0.01, 0.09])


def test_a_rate_over_clusters_has_the_variance_of_a_ratio_of_means():
    # Cochran 1977, Sampling Techniques, formula 2.39 (from memory): s2 of residuals / (n xbar2), relative to the ratio.
    counts, exposure = np.array([3.0, 0, 5, 2]), np.array([10.0, 12, 20, 9])
    rate = clusters.ratio_of_sums(counts, exposure)
    residual = counts - rate.estimate * exposure
    se = np.sqrt((residual**2).sum() / 3 / 4) / exposure.mean() / rate.estimate
    assert rate.log_se == pytest.approx(se, rel=1e-12)
    assert np.log(rate.high / rate.estimate) == pytest.approx(stats.t.ppf(0.975, 3) * se, rel=1e-12)


def test_a_rate_over_one_cluster_or_without_an_event_has_no_limits():
    for counts, exposure in (([4], [10]), ([0, 0], [10, 10]), ([4, 0], [10, 0])):
        assert np.isnan(clusters.ratio_of_sums(counts, exposure).low)
    assert np.isnan(clusters.ratio_of_sums([], []).estimate)


def test_variance_inflation_is_that_of_regressing_one_column_on_the_others():
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(300), rng.normal(size=(300, 3))])
    x[:, 1] += 0.8 * x[:, 2] - 0.4 * x[:, 3]
    r2 = sm.OLS(x[:, 1], x[:, [0, 2, 3]]).fit().rsquared
    others = np.array([False, False, True, True])
    assert collinearity.vif(x.T @ x, 1, others) == pytest.approx(1 / (1 - r2), rel=1e-9)
