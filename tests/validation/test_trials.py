"""Trials on invented sites of known truth: planned, kept and read by the product's own steps (bounded run)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from plantstats.validation import trials

COMPANIES = 10


@pytest.fixture(scope="module")
def results() -> pd.DataFrame:
    return pd.concat([rows for seed in range(COMPANIES) for rows in trials.validate(900 + seed)], ignore_index=True)


def test_a_trial_reads_what_is_true_as_often_as_it_says(results: pd.DataFrame) -> None:
    # Of ten trials at 5%: four or more with chance .001. Intervals at 95%: fewer than 15 of 20 with chance .0003.
    assert results.loc[results["kind"].eq("trial_called_alike"), "estimate"].sum() <= 3
    printed = results[results["kind"].eq("trial_difference")]
    held = printed["low"].le(printed["true_value"]) & printed["true_value"].le(printed["high"])
    assert held.sum() >= len(printed) - 5


def test_a_trial_sees_what_it_was_planned_to_see_and_is_seldom_stopped_at_the_margin(results: pd.DataFrame) -> None:
    seen = results[results["kind"].eq("trial_seen") & results["sort"].eq("alarm")]
    assert seen["stated"].between(0.8, 1).all()
    # At eight in ten: fewer than four of ten with chance .0009; one-sided 2.5%: three of ten with chance .002.
    assert seen["estimate"].mean() >= 0.4
    assert results.loc[results["kind"].eq("trial_stopped"), "estimate"].sum() <= 2


def test_harm_far_beyond_the_margin_stops_a_trial_before_its_end() -> None:
    rng = np.random.default_rng(3)
    sites = trials.draw(rng)
    days = trials.before(sites, rng)
    protocol = trials.planned(sites, days, difference=10.0, seed=3)
    added = np.full(len(sites.about), 3 * trials.TOLERATED)
    work = trials.during(sites, protocol, added, rng)
    assert trials.stopped_after(days, work, protocol) < protocol.last_day.isoformat()
    calm = trials.during(sites, protocol, np.zeros(len(sites.about)), rng)
    assert trials.stopped_after(days, calm, protocol) == ""
