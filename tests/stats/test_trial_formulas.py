"""Formulas of trials in clusters, held against published values, reference libraries and simulated truth."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from plantstats.stats.alpha_spending import boundaries, obrien_fleming_spending
from plantstats.stats.cluster_trials import adjusted_effect, crossover_effect, parallel_effect
from plantstats.stats.sample_size import clusters_per_arm, design_effect, stepped_wedge_power, t_test_power


def test_clusters_for_two_rates_are_those_of_hayes_and_bennett() -> None:
    # R package clusterPower, man/cpa.count.Rd (Hayes and Bennett 1999): rates .10 and .20, 10 person-years, k .10
    # give 25 clusters an arm; with 25 clusters the largest k is .107.
    assert clusters_per_arm(0.10, 0.20, 10, 0.10) == pytest.approx(24.939, abs=5e-4)
    assert math.ceil(clusters_per_arm(0.10, 0.20, 10, 0.107)) == 25
    assert math.ceil(clusters_per_arm(0.10, 0.20, 10, 0.108)) == 26


def test_pairs_follow_the_same_formula_with_two_added() -> None:
    # Hayes and Bennett 1999, formula for matched clusters: 2 in place of 1 (from memory), else the same.
    single, pairs = (clusters_per_arm(0.10, 0.20, 10, 0.10, matched=matched) for matched in (False, True))
    assert pairs - single == pytest.approx(1)


def test_the_design_effect_of_a_crossover_has_its_two_limits() -> None:
    # Giraudeau, Ravaud and Donner 2008: without correlation between periods it is the parallel trial's 1 + (m - 1) rho;
    # with the same correlation between as within periods the clusters cost nothing: 1 - rho.
    assert design_effect(200, 0.038) == pytest.approx(1 + 199 * 0.038)
    assert design_effect(200, 0.038, 0.038) == pytest.approx(1 - 0.038)


def test_power_of_a_t_test_is_that_of_statsmodels() -> None:
    # Two groups of 12, difference .9 standard deviations: standard error sqrt(2 / 12), 22 degrees of freedom.
    expected = TTestIndPower().power(effect_size=0.9, nobs1=12, alpha=0.05)
    assert t_test_power(0.9, math.sqrt(2 / 12), 22) == pytest.approx(expected, abs=1e-9)
    # On both sides of 200 degrees of freedom, and where the noncentral t is no number.
    many = TTestIndPower().power(effect_size=0.25, nobs1=110, alpha=0.05)
    assert t_test_power(0.25, math.sqrt(2 / 110), 218) == pytest.approx(many, abs=1e-4)
    assert t_test_power(0.25, math.sqrt(2 / 4), 6) < 0.1
    assert t_test_power(1e6, 1.0, 6) == t_test_power(1e6, 1.0, 4248) == 1.0


def test_power_of_a_stepped_wedge_is_that_of_a_published_example() -> None:
    # Example of HH.count in the R package SWSamp, as tested in clusterPower (tests/testthat.R): 21 clusters, 6 steps of
    # 3.5 clusters, 30 people a cell, 1.75 events each, rate ratio .9, intraclass correlation .01: power .806856.
    clusters, steps, people, rate, ratio, icc = 21, 6, 30, 1.75, 0.9, 0.01
    change = np.repeat(np.arange(steps), np.diff([int(3.5 * i) for i in range(steps + 1)]))
    treated = (np.arange(steps + 1)[None, :] > change[:, None]).astype(int)
    sd = (math.sqrt(rate) + math.sqrt(rate * ratio)) / 2
    cluster_sd = math.sqrt(icc * sd**2 / (1 - icc))
    power = stepped_wedge_power(treated, rate * (1 - ratio), sd / math.sqrt(people), cluster_sd)
    assert len(treated) == clusters
    assert power == pytest.approx(0.80685628, abs=1e-8)


@pytest.mark.parametrize(
    ("fractions", "alpha", "limits"),
    [
        # README of the Julia package SeqBounds, which names ldbounds as its reference.
        ([0.25, 0.5, 0.75, 1.0], 0.05, [3.74955, 2.53993, 2.01604, 1.72014]),
        # Five equal looks at 2.5% on one side, as tables of the O'Brien-Fleming type have it (from memory).
        ([0.2, 0.4, 0.6, 0.8, 1.0], 0.025, [4.8769, 3.3569, 2.6803, 2.2898, 2.0310]),
    ],
)
def test_limits_at_looks_are_the_published_ones(fractions: list[float], alpha: float, limits: list[float]) -> None:
    assert boundaries(fractions, alpha) == pytest.approx(limits, abs=5e-4)


def test_spending_is_that_of_lan_and_demets() -> None:
    # README of SeqBounds: function values at alpha .05.
    spent = [obrien_fleming_spending(t, 0.05) for t in (0.25, 0.5, 0.75, 1.0)]
    assert spent == pytest.approx([8.85754e-5, 0.0055746, 0.0236251, 0.05], abs=5e-8)


def test_a_single_look_spends_all_of_the_error() -> None:
    assert boundaries([1.0], 0.025) == pytest.approx([stats.norm.isf(0.025)], abs=1e-6)
    with pytest.raises(ValueError, match="must rise"):
        boundaries([0.5, 0.4], 0.025)


def test_looks_together_err_as_often_as_stated() -> None:
    # 200,000 trials without a difference, uneven looks; standard error of the share .0005 at 5%.
    fractions = [0.3, 0.45, 1.0]
    steps = np.sqrt(np.diff(fractions, prepend=0)) * np.random.default_rng(4).normal(size=(200_000, 3))
    z = steps.cumsum(axis=1) / np.sqrt(fractions)
    assert (z > boundaries(fractions, 0.05)).any(axis=1).mean() == pytest.approx(0.05, abs=0.0015)


def test_a_crossover_is_least_squares_with_a_term_for_each_cluster() -> None:
    rng = np.random.default_rng(7)
    treated_first = np.arange(9) < 4
    both = rng.normal(size=(9, 2)) + rng.normal(size=(9, 1)) * 3
    treatment, period = crossover_effect(both[:, 0], both[:, 1], treated_first)
    rows = pd.DataFrame(
        {
            "y": both.ravel(),
            "site": np.repeat(np.arange(9), 2),
            "period": np.tile([0, 1], 9),
            "treated": np.column_stack([treated_first, ~treated_first]).ravel().astype(int),
        }
    )
    fit = smf.ols("y ~ C(site) + period + treated", rows).fit()
    low, high = fit.conf_int().loc["treated"]
    assert treatment[:3] == pytest.approx((fit.params["treated"], low, high))
    assert treatment.p_value == pytest.approx(fit.pvalues["treated"])
    assert (period.estimate, period.se) == pytest.approx((fit.params["period"], fit.bse["period"]))


def test_a_parallel_comparison_is_the_t_test_of_scipy() -> None:
    values, arm = np.array([4.0, 6.0, 9.0, 1.0, 2.0, 2.5, 3.0]), np.array([True] * 3 + [False] * 4)
    effect, expected = parallel_effect(values, arm), stats.ttest_ind(values[arm], values[~arm])
    limits = expected.confidence_interval(0.95)
    assert (effect.p_value, effect.low, effect.high) == pytest.approx((expected.pvalue, limits.low, limits.high))
    with pytest.raises(ValueError, match="two clusters"):
        parallel_effect([1.0, 2.0, 3.0], [True, False, False])


def test_an_adjusted_comparison_is_least_squares_and_leaves_out_what_does_not_vary() -> None:
    rng = np.random.default_rng(11)
    rows = pd.DataFrame(rng.normal(size=(12, 2)), columns=["y", "before"]).assign(longer=np.arange(12) % 2)
    rows["y"] += 2 * rows["before"]
    fit = smf.ols("y ~ longer + before", rows).fit()
    effect = adjusted_effect(rows["y"], rows["longer"].astype(bool), rows[["before"]].assign(same=7.0))
    assert (effect.estimate, effect.se, effect.df) == pytest.approx((fit.params["longer"], fit.bse["longer"], 9))
    assert effect.p_value == pytest.approx(fit.pvalues["longer"])
