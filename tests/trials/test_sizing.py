"""What is counted at sites, how it varies, and how large a trial follows from it."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats.settings import Settings
from plantstats.stats.sample_size import POWER, clusters_per_arm
from plantstats.trials import sizing
from plantstats.trials.outcomes import cost_per_quarter, in_windows, values
from plantstats.trials.sizing import CROSSOVER, PARALLEL
from plantstats.trials.variation import Variation, variation
from tests.builders.trial_days import drawn, site_days

DRY = Variation("dry", 4, 50.0, 20, 4, 144.0, 9.0, {7: 16.0, 14: 32.0}, 20.0)


def test_counts_between_two_days_are_half_open_and_lose_nothing() -> None:
    # Plants: 10 from the 5th to the 15th, then 8: in 1 to 20 January 10 x 10 + 8 x 5 plant-days.
    days = site_days(
        [
            ("A", "2026-01-01", 30.0, 10, 4, 3, 70),
            ("A", "2026-01-19", 20.0, 8, 5, 1, 56),
            ("A", "2026-01-20", 99.0, 9, 9, 9, 99),
            ("B", "2026-01-05", 99.0, 9, 9, 9, 99),
        ],
        [("A", "2026-01-05", "2026-01-15", 10.0), ("A", "2026-01-15", "2026-03-01", 8.0)],
        [("A", "2026-01-15", 2, 50.0), ("A", "2026-01-20", 1, 99.0)],
    )
    row = in_windows(days, pd.DataFrame({"site_id": ["A"], "start": ["2026-01-01"], "end": ["2026-01-20"]})).iloc[0]
    counted = ["visits", "minutes", "looks", "dry", "leaves", "leaf_days", "plant_days", "losses", "replacement"]
    assert row[counted].tolist() == [2, 50.0, 18, 9, 4, 126, 140.0, 2, 50.0]
    frame = row.to_frame().T
    # 9 of 18 looks; 4 leaves in 126 days; 2 losses in 140 plant-days of 36,525 in 100 years.
    assert values(frame, "dry").tolist() == [50.0]
    assert values(frame, "leaves").tolist() == pytest.approx([400 / 126])
    assert values(frame, "losses").tolist() == pytest.approx([2 * 36_525 / 140])
    # 2 visits at 15 and 50 minutes at 30 an hour are 55 in 19 days; with the plants replaced 105.
    settings = Settings(visit_cost=15.0, wage_per_hour=30.0)
    assert cost_per_quarter(frame, settings, replacements=False).tolist() == pytest.approx([55 / 19 * 91])
    assert cost_per_quarter(frame, settings, replacements=True).tolist() == pytest.approx([105 / 19 * 91])


def test_components_of_variance_are_those_that_the_records_were_drawn_with() -> None:
    # 300 sites, 20 plants weekly: p 40, between 10 points, within 5; chance 40 x 60 / 80 looks = 30 (points squared).
    days, sites = drawn(300, 20, 7, 10.0, 5.0, seed=1)
    # The windows end where four drawn weeks end.
    basis = variation(days, sites, "dry", date(2025, 12, 30), 4, 0, (7, 14))
    assert basis is not None
    assert (basis.sites, basis.windows) == (300, 4)
    assert basis.mean == pytest.approx(40, abs=2)
    assert math.sqrt(basis.between_sites) == pytest.approx(10, rel=0.1)
    assert basis.within == pytest.approx(25, rel=0.25)
    assert basis.chance[7] == pytest.approx(30, rel=0.05)
    assert basis.chance[14] == pytest.approx(2 * basis.chance[7])
    # A crossover's design effect is the variance of a site's period over that of as many looks at single plants.
    binomial = basis.mean * (100 - basis.mean) / basis.m
    assert basis.design_effect * binomial == pytest.approx(basis.of_period(7), rel=0.05)


def test_records_too_short_or_too_few_sites_give_no_size() -> None:
    days, sites = drawn(5, 20, 7, 10.0, 5.0, seed=1)
    assert variation(days, sites, "dry", date(2025, 12, 30), 4, 0, (7, 14)) is None
    days, sites = drawn(8, 20, 7, 10.0, 5.0, seed=1)
    young = sites.assign(records_from=pd.Timestamp("2025-12-01"))
    assert variation(days, young, "dry", date(2025, 12, 30), 4, 0, (7, 14)) is None


def test_losses_vary_by_chance_and_between_sites() -> None:
    # 20 sites of 36.525 plants over the two years before: 73 plant-years; 5 losses each are 6.8 in 100 plant-years.
    stays = [(f"S{i}", "2020-01-01", "2030-01-01", 36.525) for i in range(20)]
    losses = [(f"S{i}", "2025-06-01", 5, 10.0) for i in range(20)]
    sites = pd.DataFrame(
        {"site_id": [f"S{i}" for i in range(20)], "interval": 7, "records_from": pd.Timestamp("2020-01-01")}
    )
    basis = variation(site_days([], stays, losses), sites, "losses", date(2026, 12, 31), 52, 2, (7, 14))
    assert basis is not None
    days = round(2 * 365.25)
    assert basis.mean == pytest.approx(5 / (36.525 * days) * 36_525)
    # All alike, yet not less than a quarter is taken to lie between sites; chance is the rate over a year's plant-time.
    assert math.sqrt(basis.between_sites) == pytest.approx(0.25 * basis.mean)
    assert basis.chance[7] == pytest.approx(basis.mean / (36.525 * 364 / 36_525))
    # Both arms together, by the formula of Hayes and Bennett 1999.
    time = 36.525 * 364 / 36_525
    expected = 2 * math.ceil(clusters_per_arm(basis.mean, 1.5 * basis.mean, time, 0.25))
    assert sizing.sites_needed(basis, PARALLEL, (7, 14), 0.5 * basis.mean) == expected
    # The formula's own size has the wanted power by the t-test too, within one site an arm.
    assert sizing.power(basis, PARALLEL, (7, 14), expected + 2, 0.5 * basis.mean) >= POWER
    assert sizing.power(basis, PARALLEL, (7, 14), expected - 4, 0.5 * basis.mean) < POWER


def test_the_error_of_a_crossover_has_no_part_of_what_sites_are() -> None:
    # Paired differences: variance 9 + 16 + 9 + 32 = 66; half the difference of two means of 10: sqrt(66 / 20).
    assert sizing.standard_error(DRY, CROSSOVER, (7, 14), 20) == pytest.approx(math.sqrt(66 / 20))
    # Parallel: 144 + the mean of 25 and 41, twice over 10.
    assert sizing.standard_error(DRY, PARALLEL, (7, 14), 20) == pytest.approx(math.sqrt((144 + 33) / 5))


def test_fewest_sites_that_suffice_are_the_fewest() -> None:
    n = sizing.sites_needed(DRY, CROSSOVER, (7, 14), 5.0)
    assert n is not None
    assert sizing.power(DRY, CROSSOVER, (7, 14), n, 5.0) >= POWER > sizing.power(DRY, CROSSOVER, (7, 14), n - 2, 5.0)
    assert sizing.sites_needed(DRY, CROSSOVER, (7, 14), 1e-6) is None
    assert sizing.power(DRY, CROSSOVER, (7, 14), 3, 99.0) == 0.0


def test_looks_know_what_their_variances_say() -> None:
    # End: 66 / 20. First period, given the year before: 9 + 24 * 4 / 52 of before leave 144 x b / (144 + b) unknown.
    before = 9 + 24 * 4 / 52
    unknown = 144 * before / (144 + before)
    expected = [66 / 20 / ((unknown + 9 + 24 * times) / 5) for times in (2, 1)]
    looks = sizing.looks(DRY, CROSSOVER, (7, 14), 20, 4)
    assert looks.weeks == (2.0, 4.0, 8.0)
    assert looks.fractions == pytest.approx([*expected, 1.0])
    assert np.all(np.diff(looks.limits) < 0), "early looks ask for more"
    assert sizing.looks(DRY, PARALLEL, (7, 14), 20, 12).weeks == (4.0, 8.0, 12.0)
