"""Rates are losses over plant-time with exact limits, and nothing is made of nothing."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats.losses.rate_findings import rates_by, ratios_by
from plantstats.periods import quarter
from plantstats.stats import intervals, rates
from plantstats.stats.rates import RateError
from tests.reference import published

Q3 = quarter("2026-Q3")


def cells(**columns):
    return pd.DataFrame({"n_plants": 10, "plant_days": 36_525, "losses": 0, "died": 0} | columns)


def picked(table, measure, **where):
    rows = table[table["measure"] == measure]
    for column, value in where.items():
        rows = rows[rows[column] == value]
    assert len(rows) == 1
    return rows.iloc[0]


def test_exact_poisson_limits_equal_the_published_ones():
    # Garwood 1936, Biometrika 28:437; printed digits as in Breslow and Day 1987, vol. II (from memory).
    for quantity, value in published("garwood").items():
        end, count = quantity.split(" x=")
        got = intervals.poisson_limits(int(count))
        assert (got.low if end == "lo" else got.high)[0] == pytest.approx(value, rel=1e-8)


def test_byars_approximation_lies_near_the_exact_limits():
    # Breslow and Day 1987, vol. II, p. 69 (formula from memory): x (1 - 1/(9x) - 1.96/(3 sqrt x))^3, and the
    # same with x+1 and a plus above. A route to the limits that shares nothing with chi-square quantiles.
    for quantity, value in published("byar_bd").items():
        end, count = quantity.split(" x=")
        got = intervals.poisson_limits(int(count))
        assert (got.low if end == "lo" else got.high)[0] == pytest.approx(value, rel=0.01)


def test_no_loss_is_not_no_risk():
    # Upper 95% limit of a zero count is -ln(0.025) = 3.689; 100 plant-years at risk.
    rate = rates.loss_rate(0, 36_525)
    assert (rate.estimate[0], rate.low[0]) == (0, 0)
    assert rate.high[0] == pytest.approx(-np.log(0.025))


def test_the_rate_is_losses_over_plant_days_times_36525():
    # 6-MP remission trial (Freireich et al. 1963): 9 in 359 weeks = 2,513 days: 9 / 2513 x 36,525 = 130.81.
    assert rates.loss_rate(9, 359 * 7).estimate[0] == pytest.approx(130.810, abs=5e-4)


def test_no_plant_days_give_no_rate_and_losses_without_plant_days_are_refused():
    assert all(np.isnan(value[0]) for value in rates.loss_rate(0, 0))
    with pytest.raises(RateError, match="counts one day at risk"):
        rates.loss_rate([1, 0], [0, 5])
    for bad in (-1, np.nan):
        with pytest.raises(RateError, match="below zero"):
            rates.loss_rate(1, bad)


def test_the_share_lost_follows_from_the_rate_and_keeps_its_limits():
    # 20 losses per 100 plant-years over 92 days: 1 - exp(-0.20 x 92/365.25) = 1 - exp(-0.050376) = 4.9129%.
    rate = rates.loss_rate(20, 36_525)
    share = rates.share_lost(rate, 92)
    assert share.estimate[0] == pytest.approx(4.9129, abs=5e-5)
    assert share.low[0] == pytest.approx(100 * (1 - np.exp(-0.1221651959 * 92 / 365.25)), rel=1e-8)
    assert share.low[0] < share.estimate[0] < share.high[0] < 100


@pytest.mark.parametrize(
    ("source", "counts"),
    [
        ("rr_60_30", (60, 51477.5, 30, 54308.7)),  # Gu et al. 2008, example 1; R's poisson.test
        ("rr_41_15", (41, 28010, 15, 19017)),
    ],  # Boice and Monson 1977; R's poisson.test
)
def test_the_ratio_of_two_rates_equals_the_exact_conditional_result(source, counts):
    ratio, expected = rates.rate_ratio(*counts), published(source)
    got = {"ratio": ratio.estimate, "p": ratio.p, "lo": ratio.low, "hi": ratio.high}
    for quantity, value in expected.items():
        assert got[quantity] == pytest.approx(value, rel=1e-7)


def test_the_logarithm_of_the_ratio_in_the_remission_trial_is_the_closed_form():
    # Freireich et al. 1963: 21 relapses in 182 weeks against 9 in 359; ln((21 / 182) / (9 / 359)) = 1.526614.
    known = published("exp_6mp")
    ratio = rates.rate_ratio(21, known["PT ctl"], 9, known["PT 6-MP"])
    assert np.log(ratio.estimate) == pytest.approx(known["log rate ratio"], rel=1e-7)


def test_a_ratio_against_no_losses_has_a_lower_end_only():
    ratio = rates.rate_ratio(5, 1000, 0, 1000)
    # Given 5 in all, P(all in the first | equal rates) = 1/32, so the lower 95% limit solves p^5 = 0.025:
    # p = 0.47818, odds 0.91637.
    assert np.isnan(ratio.estimate) and np.isnan(ratio.high)
    assert ratio.low == pytest.approx(0.91637, abs=5e-5)
    assert ratio.p == pytest.approx(2 / 32)
    turned = rates.rate_ratio(0, 1000, 5, 1000)
    assert (turned.estimate, turned.low) == (0, 0)
    assert turned.high == pytest.approx(1 / ratio.low)
    assert all(np.isnan(rates.rate_ratio(0, 1000, 0, 1000)))
    assert all(np.isnan(rates.rate_ratio(1, 1000, 0, 0)))


def test_each_group_gets_both_definitions_of_a_loss_with_its_counts():
    made = rates_by(cells(species=["Aglaonema", "Ficus lyrata"], losses=[4, 0], died=[1, 0]), ["species"], Q3)
    lost = picked(made, "loss_rate", species="Aglaonema")
    assert (lost["losses"], lost["estimate"], lost["plant_days"], lost["n_plants"]) == (4, 4, 36_525, 10)
    died = picked(made, "death_rate", species="Aglaonema")
    # One death in 100 plant-years: Garwood 0.0253 to 5.5716.
    assert died["estimate"] == 1 and died["high"] == pytest.approx(5.571643391)
    share = picked(made, "share_lost", species="Ficus lyrata")
    # No loss: upper limit 1 - exp(-3.688879 / 100 x 92 / 365.25) = 0.9248%.
    assert share["high"] == pytest.approx(0.92486, abs=5e-5)
    assert share["unit"] == "% of plants in 92 days"
    assert len(made) == 2 * 4


def test_a_group_without_plant_days_is_not_available_and_says_why():
    made = rates_by(cells(n_plants=[0], plant_days=[0]), [], Q3)
    assert made["estimate"].isna().all()
    assert set(made["note"]) == {"not available: no plant-days"}


def test_cells_finer_than_the_groups_are_refused_because_plants_would_count_twice():
    fine = cells(species=["A", "A"], light=["low", "high"])
    with pytest.raises(RateError, match="exactly these columns"):
        rates_by(fine, ["species"], Q3)
    with pytest.raises(RateError, match="one row in all"):
        rates_by(fine, [], Q3)


def test_groups_are_compared_with_themselves_and_a_new_group_says_that_nothing_was_there():
    now = cells(species=["A", "B"], losses=[60, 2], plant_days=[51477.5, 100.0], died=[0, 0])
    before = cells(species=["A"], losses=[30], plant_days=[54308.7], died=[0])
    made = ratios_by(now, before, ["species"], period=Q3, before_name="2025-Q3")
    known = picked(made, "loss_rate_ratio", species="A")
    assert known["low"] == pytest.approx(published("rr_60_30")["lo"], rel=1e-7)
    assert known["note"] == "against 2025-Q3: 30 in 54,309 plant-days"
    new = picked(made, "loss_rate_ratio", species="B")
    assert np.isnan(new["estimate"]) and new["note"].endswith("no plant-days to compare")
    assert picked(made, "death_rate_ratio", species="A")["note"].endswith("none in either")


def test_the_whole_is_compared_with_the_whole():
    made = ratios_by(cells(losses=[5]), cells(losses=[0]), [], period=Q3, before_name="2025-Q3")
    row = picked(made, "loss_rate_ratio")
    assert row["low"] == pytest.approx(0.91637, abs=5e-5) and row["note"].endswith("no upper end: none there")


def test_on_invented_losses_the_95_percent_limits_cover_the_true_rate_at_least_95_times_in_100():
    # Exact limits cover at least as often as they say. Truth: 18 per 100 plant-years; 4,000 quarters.
    rng = np.random.default_rng(20260701)
    days = rng.integers(500, 60_000, 4000)
    got = rates.loss_rate(rng.poisson(18 * days / 36_525), days)
    covered = np.mean((got.low <= 18) & (got.high >= 18))
    assert 0.95 <= covered <= 0.985


def test_the_period_of_a_rate_is_named_and_its_length_used():
    first_quarter = quarter("2026-Q1")
    assert (first_quarter.end - date(2026, 1, 1)).days == 90
    made = rates_by(cells(losses=[1]), [], first_quarter)
    assert set(made["period"]) == {"2026-Q1"}
    assert picked(made, "share_lost")["estimate"] == pytest.approx(100 * (1 - np.exp(-0.01 * 90 / 365.25)))
