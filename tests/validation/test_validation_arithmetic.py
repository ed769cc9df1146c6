"""How often exact limits of few whole counts hold, by arithmetic: against published coverage and plain counting."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from plantstats.losses import expected
from plantstats.stats import intervals, rates, smr
from plantstats.validation import arithmetic, coverage, pages

WIDE = 0.3  # error of the log of what is expected, in tests


def test_limits_of_a_count_hold_the_means_that_garwoods_table_says():
    # Garwood's 95% limits: of 0 they reach to 3.689, of 1 from 0.0253 to 5.572, of 2 from 0.242. A mean of 0.1 is held
    # by 0 and 1 alone (that of 2 begins above it): exp(-0.1) (1 + 0.1) = 0.99532. A mean of 0.02 by 0 alone.
    assert arithmetic.of_rate(0.1) == pytest.approx(np.exp(-0.1) * 1.1)
    assert arithmetic.of_rate(0.02) == pytest.approx(np.exp(-0.02))
    assert arithmetic.of_rate([0.1, 0.02]) == pytest.approx([np.exp(-0.1) * 1.1, np.exp(-0.02)])


@pytest.mark.parametrize("mean", [0.5, 3.0, 8.0, 40.0])
def test_the_chance_is_that_of_counting_every_count_with_the_pages_own_limits(mean):
    count = np.arange(200)
    limits = intervals.poisson_limits(count)
    held = (limits.low <= mean) & (mean <= limits.high)
    assert arithmetic.of_rate(mean) == pytest.approx(stats.poisson.pmf(count, mean)[held].sum(), abs=1e-9)


def test_many_losses_hold_as_often_as_the_level_and_few_more_often():
    few, many = arithmetic.of_rate([0.5, 20_000])
    assert few > 0.975
    assert many == pytest.approx(0.95, abs=0.003)


def test_the_chance_of_a_ratio_is_that_of_counting_every_pair_with_the_pages_own_limits():
    now, before, days = 6.0, 4.0, 10_000.0
    held = whole = 0.0
    for a, b in np.ndindex(30, 30):
        if a + b:
            weight = stats.poisson.pmf(a, now) * stats.poisson.pmf(b, before)
            limits = rates.rate_ratio(a, days, b, days)
            high = np.inf if np.isnan(limits.high) else limits.high
            whole += weight
            held += weight * (limits.low <= now / before <= high)
    assert arithmetic.of_ratio(now, before) == pytest.approx(held / whole, abs=1e-6)


class _Model:
    """A model whose quantile is the normal one."""

    def quantile(self, level: float) -> float:
        return float(stats.norm.ppf((1 + level) / 2))


def test_limits_of_observed_over_expected_hold_as_often_as_in_a_simulation():
    rng = np.random.default_rng(3)
    n, mean = 40_000, 5.0
    lost = rng.poisson(mean, n)
    # What is expected is off by a lognormal error that the page knows the size of.
    told = mean * np.exp(WIDE * rng.normal(size=n))
    limits = expected.widen(smr.observed_expected(lost, told, 1.4), np.full(n, WIDE**2), _Model())
    held = (limits.low <= 1) & (limits.high >= 1)
    made = arithmetic.of_expected(mean, WIDE**2, 1.4, _Model())
    assert made == pytest.approx(held.mean(), abs=4 * np.sqrt(0.02 / n))


def test_arithmetic_is_told_beside_the_target_and_moves_no_verdict():
    rows = pd.DataFrame(
        {
            "company": np.arange(200),
            "plants": 200,
            "situation": "as modelled",
            "kind": "loss_rate_by_site_id",
            "sort": "interval",
            "of": "S1",
            "estimate": 1.0,
            "low": 0.5,
            "high": 2.0,
            "true_value": 1.0,
            "stated": 0.99,
        }
    )
    rows.loc[:1, "true_value"] = 9.0  # 198 of 200 hold
    made = coverage.table(rows).assign(asked=200, seed=1, version="0")
    row = made.iloc[0]
    assert (row["target_low"], row["target_high"], row["stated"]) == (0.93, 0.97, 0.99)
    assert row["verdict"] == "not held: too often"
    assert pages.readable(made)["By arithmetic"].iloc[0] == "99.0"
    assert "(99.0; exact limits of counts so small: 99.0)" in " ".join(pages.headlines(made))
