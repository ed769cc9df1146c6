"""The last quarters side by side: limits of chance by published tables, costs that add up, an event told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from plantstats import exposure, findings, records
from plantstats.losses import quarters
from plantstats.losses.common_cause import common_cause, ordinary
from plantstats.losses.past_models import PastModels
from plantstats.periods import quarter

DEMO = Path(__file__).parents[2] / "data_demo"
PERIOD = quarter("2026-Q3")


@pytest.fixture(scope="module")
def demo():
    loaded = records.load(DEMO)
    return loaded, exposure.build(loaded, PERIOD.last_day)


def test_without_doubt_about_the_expectation_chance_is_poisson() -> None:
    # Cumulative Poisson probabilities of mean 4: P(X <= 0) = 0.0183, P(X <= 1) = 0.0916, P(X <= 7) = 0.9489,
    # P(X <= 8) = 0.9786 (any printed table of the Poisson distribution), so 95 in 100 lie from 1 to 8. Of mean 10:
    # P(X <= 3) = 0.0103, P(X <= 4) = 0.0293, P(X <= 16) = 0.9730, P(X <= 17) = 0.9857: from 4 to 17.
    _, low, high = quarters.chance_limits(np.array([4.0, 10.0]), np.zeros(2))
    assert low.tolist() == [1, 4]
    assert high.tolist() == [8, 17]


def test_counts_of_an_uncertain_expectation_lie_within_the_limits_as_often_as_stated() -> None:
    # Mean 20 known to 30%: counts drawn as Poisson around gamma draws of that mean and spread.
    rng = np.random.default_rng(7)
    mean, variance = 20.0, 0.3**2
    counts = rng.poisson(mean * rng.gamma(1 / variance, variance, 200_000))
    _, low, high = quarters.chance_limits(np.array([mean]), np.array([variance]))
    assert 0.94 < np.mean((counts >= low) & (counts <= high)) < 0.965
    poisson = quarters.chance_limits(np.array([mean]), np.zeros(1))
    assert high[0] - low[0] > poisson.high[0] - poisson.low[0]


def test_an_expectation_near_nothing_keeps_its_upper_limit_above_it() -> None:
    _, low, high = quarters.chance_limits(np.array([0.01]), np.zeros(1))
    assert (low[0], high[0]) == (0.0, 0.01)


def test_costs_by_cause_species_and_client_add_up_to_the_quarter(demo) -> None:
    loaded, time = demo
    found = quarters.costs_by_quarter(time, loaded, PERIOD, common_cause(time))
    whole = findings.pick(found, "quarter_cost", period=PERIOD.name).iloc[0]
    for by in ("cause", "species", "client_id"):
        parts = findings.pick(found, f"cost_by_{by.removesuffix('_id')}", [by], PERIOD.name)
        assert parts["estimate"].sum() == pytest.approx(whole["estimate"]), by
        assert parts["losses"].sum() == whole["losses"], by
    # By hand from the records: plants and minutes at EUR 24 an hour of the 12 replaced of 13 lost.
    lost = time.losses
    lost = lost[(lost["lost_on"] >= "2026-07-01") & (lost["lost_on"] < "2026-10-01") & lost["source"].ne("plants")]
    assert whole["estimate"] == pytest.approx(lost["plant_cost"].sum() + lost["labour_minutes"].sum() / 60 * 24)


def test_the_heating_failure_of_the_demo_is_the_event_of_its_quarter(demo) -> None:
    loaded, time = demo
    found = quarters.costs_by_quarter(time, loaded, PERIOD, common_cause(time))
    event = findings.pick(found, "quarter_event", ["site_id", "cause"], "2025-Q4").iloc[0]
    # data_demo/README.md: on 12 December 2025 the heating of S0024 failed; 19 of its plants were found lost.
    assert (event["site_id"], event["cause"], event["losses"]) == ("S0024", "building_failure", 19)
    cost = findings.pick(found, "quarter_cost", period="2025-Q4").iloc[0]
    assert 0 < event["estimate"] < cost["estimate"]


def test_each_quarter_is_expected_by_those_before_it_and_ratios_need_one_expected_loss(demo) -> None:
    _, time = demo
    found = quarters.expected_by_quarter(PastModels(ordinary(time), records.species_table()), PERIOD)
    rows = findings.pick(found, "expected_by_quarter").sort_values("period")
    assert rows["period"].iloc[-1] == PERIOD.name and len(rows) == quarters.SHOWN + 1
    assert (rows["low"] <= rows["estimate"]).all() and (rows["estimate"] <= rows["high"]).all()
    for by in ("site_id", "species"):
        should = findings.pick(found, "expected_over_year", [by]).set_index(by)["estimate"]
        ratio = findings.pick(found, "observed_over_year", [by]).set_index(by)
        assert set(ratio.index) == set(should[should >= quarters.FEWEST_EXPECTED].index)
        assert 0 < len(ratio) < len(should)
        assert (ratio["estimate"] * should.reindex(ratio.index)).to_numpy() == pytest.approx(
            ratio["losses"].astype("float64").to_numpy()
        )
