"""Days at risk of a term, and replacements under hazards that change with age and calendar month."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from plantstats.guarantee import projection, time_grid
from plantstats.guarantee.hazards import Exits
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples

CUTS = (90, 365, 730)


def cohorts(planted, enter=None, leave=None, site=None):
    planted = np.asarray(planted, dtype="float64")
    n = len(planted)
    return Cohorts(
        planted,
        np.zeros(n) if enter is None else np.asarray(enter, float),
        np.full(n, np.inf) if leave is None else np.asarray(leave, float),
        np.zeros(n, dtype="int64") if site is None else np.asarray(site),
    )


def projected(grid, who, hazard, cover=None, *, intercept=1.0, effect=1.0, **exits):
    shape = np.broadcast_to(np.asarray(hazard, float), (1, len(CUTS) + 2, 12))
    effects = np.full((1, int(who.site.max()) + 1), effect)
    intercepts = np.broadcast_to(intercept, (1, len(who.planted)))
    samples = HazardSamples(CUTS, intercepts, shape, effects, Exits(**exits))
    return projection.project(grid, who, cover or Cover(), samples)


def test_a_term_from_the_middle_of_a_month_counts_whole_days_by_month():
    # 14 January to 14 March 2026: 18 days of January, 28 of February, 13 of March; planted on the first day,
    # all within 90 days.
    grid = time_grid.monthly_grid(date(2026, 1, 14), date(2026, 3, 14))
    days = time_grid.days_at_risk(grid, np.array([0.0]), CUTS)[0]
    assert list(grid.edges) == [0, 31, 59]
    assert list(days.sum(axis=(0, 1))[:3]) == [18, 28, 13]
    assert list(days.sum(axis=(1, 2))) == [31, 28]
    assert days[:, 0].sum() == 59


def test_age_bands_close_on_their_last_day():
    # Planted 80 days before the start: days 81 to 90 fall into the first band, the next 275 into the second.
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2027, 1, 1))
    days = time_grid.days_at_risk(grid, np.array([-80.0, np.nan]), CUTS)
    assert list(days[0].sum(axis=(0, 2))) == [10, 275, 80, 0, 0]
    assert list(days[1].sum(axis=(0, 2))) == [0, 0, 0, 0, 365]


def test_cover_that_begins_late_or_ends_early_counts_only_its_own_days():
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2026, 4, 1))
    days = time_grid.days_at_risk(grid, np.array([-400.0, 40.0]), CUTS, np.array([10.0, 0.0]), np.array([50.0, 90.0]))
    assert days.sum(axis=(1, 2, 3)).tolist() == [40, 50]


@pytest.mark.parametrize(
    ("start", "months", "end"),
    [
        # The same day of a later month, or its last day: never 365 days for 12 months.
        ("2024-02-29", 12, "2025-02-28"),
        ("2025-08-31", 6, "2026-02-28"),
        ("2026-05-15", 0, "2026-05-15"),
    ],
)
def test_months_of_a_term_follow_the_calendar(start, months, end):
    from plantstats.guarantee.terms import Terms

    terms = Terms(date.fromisoformat(start), months)
    assert terms.ends_on == date.fromisoformat(end)
    grid = time_grid.monthly_grid(terms.starts_on, terms.ends_on)
    assert grid.steps == months
    assert grid.edges[-1] == (terms.ends_on - terms.starts_on).days


def test_a_term_that_ends_before_it_begins_is_refused():
    with pytest.raises(time_grid.TimeGridError, match="before it begins"):
        time_grid.monthly_grid(date(2026, 5, 2), date(2026, 5, 1))


def test_a_leap_year_does_not_move_contract_years():
    grid = time_grid.monthly_grid(date(2027, 10, 14), date(2029, 12, 1))
    assert list(np.bincount(grid.contract_years())) == [12, 12, 2]


@settings(max_examples=60)
@given(st.dates(date(2020, 1, 1), date(2035, 1, 1)), st.integers(0, 1200), st.floats(-2000, 1500), st.integers(1, 4))
def test_any_days_at_risk_are_the_days_between_planting_and_end(start, length, planted, per_month):
    end = date.fromordinal(start.toordinal() + length)
    grid = time_grid.monthly_grid(start, end, per_month)
    days = time_grid.days_at_risk(grid, np.array([planted]), CUTS)
    assert days.sum() == pytest.approx(max(0, length - max(planted, 0)), abs=1e-6)
    assert (days >= 0).all()


def test_a_constant_hazard_gives_poisson_numbers_over_the_term():
    # 1 per year, 2026 and 2027 = 730 days, daily steps.
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2028, 1, 1), per_month=30)
    result = projected(grid, cohorts([0.0]), 1 / 365)
    assert result.by_part.sum() == pytest.approx(2, abs=1e-5)
    assert result.pmf[0, 0, :8] == pytest.approx(stats.poisson.pmf(np.arange(8), 2), abs=1e-5)


def test_with_a_cap_of_one_it_is_one_minus_survival_over_age_and_season():
    # Hazard 0.001 a day up to day 90 and 0.0005 after it, twice that in December; term 1 November to 1 March,
    # planted 60 days before: 30 days of November at 0.001; then older: 31 of December at 0.001, 59 at 0.0005.
    hazard = np.full((5, 12), 0.0005)
    hazard[0] = 0.001
    hazard[:, 11] *= 2
    grid = time_grid.monthly_grid(date(2026, 11, 1), date(2027, 3, 1))
    result = projected(grid, cohorts([-60.0]), hazard, Cover(cap=1))
    assert result.pmf[0, 0, 1] == pytest.approx(1 - np.exp(-(0.030 + 0.031 + 0.0295)), abs=1e-14)


def test_a_plant_replaced_is_young_again():
    # Only plants up to day 90 are ever lost: an old plant never, so neither are its successors.
    hazard = np.zeros((5, 12))
    hazard[0] = 0.01
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2027, 1, 1))
    result = projected(grid, cohorts([-100.0, 0.0]), hazard)
    assert result.by_part[0, 0].sum() == 0
    assert result.by_part[0, 1, 4:].sum() > 0.1  # losses after day 90 are those of successors


def test_the_monthly_step_is_near_the_daily_one():
    # Hazards of 0.1, 0.25 and 0.5 a year, 1.8 times as high up to day 90, a yearly cycle of 30%; three years
    # from the middle of a month; with and without a lead time.
    cycle = 1 + 0.3 * np.cos(2 * np.pi * np.arange(12) / 12)
    table = np.array([1.8, 1, 0.85, 0.95, 1])[:, None] * cycle / 365.25
    intercept = np.array([[0.1, 0.25, 0.5]])
    start, end = date(2026, 10, 14), date(2029, 10, 14)
    for lead in (0, 14):
        coarse, fine = (
            projected(grid, cohorts([0.0, -200.0, 0.0]), table, Cover(lead), intercept=intercept).by_part.sum(axis=-1)
            for grid in (time_grid.monthly_grid(start, end, per) for per in (1, 30))
        )
        assert np.abs(coarse / fine - 1).max() < 5e-4


def test_uncovered_causes_and_other_exits_compete_as_worked_by_hand():
    # 60 days; 0.007 a day covered, 0.003 not covered; 0.002 through the client; 0.003 taken out. Cap 1, positions end:
    # covered first = 0.007 / 0.015 x (1 - exp(-0.9)).
    grid = time_grid.monthly_grid(date(2026, 3, 1), date(2026, 4, 30), per_month=30)
    exits = {"uncovered": 0.003, "client": 0.002, "withdrawn": 0.003}
    ends = projected(grid, cohorts([0.0]), 0.007, Cover(cap=1, after_uncovered="ends"), **exits)
    assert ends.pmf[0, 0, 1] == pytest.approx(0.007 / 0.015 * (1 - np.exp(-0.9)), abs=1e-9)
    # Uncovered losses replaced, no cap: covered losses come at 0.007 a day while the position lasts, whose
    # end comes at 0.003: 0.007 / 0.003 x (1 - exp(-0.18)).
    goes_on = projected(grid, cohorts([0.0]), 0.007, **exits)
    assert goes_on.by_part.sum() == pytest.approx(0.007 / 0.003 * (1 - np.exp(-0.18)), rel=1e-4)


def test_site_effects_scale_losses_and_not_other_exits():
    grid = time_grid.monthly_grid(date(2026, 3, 1), date(2026, 3, 31), per_month=1)
    result = projected(grid, cohorts([0.0]), 0.001, Cover(cap=1), effect=2.0, withdrawn=0.004)
    assert result.pmf[0, 0, 1] == pytest.approx(0.002 / 0.006 * (1 - np.exp(-0.18)), abs=1e-12)


def test_lines_that_end_on_different_days_keep_their_own_numbers():
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2027, 1, 1))
    both = projected(grid, cohorts([0.0, -30.0, 0.0], leave=[365, 100, 200]), 0.002, Cover(lead_days=10))
    for line, leave in enumerate((365, 100, 200)):
        alone = projected(grid, cohorts([0.0 if line != 1 else -30.0], leave=[leave]), 0.002, Cover(lead_days=10))
        n = alone.pmf.shape[-1]
        assert both.pmf[0, line, :n] == pytest.approx(alone.pmf[0, 0], abs=1e-11)
        assert both.by_part[0, line] == pytest.approx(alone.by_part[0, 0], abs=1e-11)


def test_it_agrees_with_plants_lived_through_day_by_day():
    # Oracle: 40,000 positions simulated one day at a time (seed 7), lead time 10 days, capped at 2, age bands
    # and a heating season; the mean must lie within 4 standard errors, the distribution within 4 of its own.
    start, end = date(2026, 10, 14), date(2027, 10, 14)
    table = np.array([3.0, 1.5, 1, 1, 1])[:, None] * np.where(np.isin(np.arange(12), (9, 10, 11, 0, 1, 2)), 1.6, 0.8)
    table = table * 0.0012
    grid = time_grid.monthly_grid(start, end)
    result = projected(grid, cohorts([-20.0]), table, Cover(10, cap=2))
    rng, n = np.random.default_rng(7), 40_000
    age, wait, lost = np.full(n, 20), np.zeros(n, int), np.zeros(n, int)
    for day in range(365):
        on = date.fromordinal(start.toordinal() + day)
        here = wait == 0
        band = np.searchsorted(CUTS, age, side="right")
        dies = here & (rng.random(n) < -np.expm1(-table[band, on.month - 1])) & (lost < 2)
        lost += dies
        age = np.where(here, age + 1, age)
        wait = np.maximum(wait - 1, 0)
        age[dies], wait[dies] = 0, 10
    assert result.by_part.sum() == pytest.approx(lost.mean(), abs=4 * lost.std() / np.sqrt(n))
    shares = np.bincount(lost, minlength=3) / n
    assert result.pmf[0, 0] == pytest.approx(shares, abs=4 * 0.5 / np.sqrt(n))


def test_a_term_of_no_days_promises_nothing():
    grid = time_grid.monthly_grid(date(2026, 5, 1), date(2026, 5, 1))
    result = projected(grid, cohorts([0.0, 0.0]), 0.01)
    assert result.pmf.tolist() == [[[1.0], [1.0]]]
    assert result.by_part.shape == (1, 2, 0)


def test_many_draws_in_blocks_equal_draws_one_by_one(monkeypatch):
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2028, 1, 1))
    who = cohorts([0.0, -500.0])
    rng = np.random.default_rng(1)
    samples = HazardSamples(
        CUTS,
        rng.uniform(0.5, 3, (7, 2)),
        rng.uniform(0.0005, 0.001, (7, 5, 12)),
        np.linspace(0.5, 2, 7)[:, None],
        Exits(1e-4, 1e-4, 1e-4),
    )
    whole = projection.project(grid, who, Cover(), samples)
    monkeypatch.setattr(projection, "BLOCK", 1)
    pieces = projection.project(grid, who, Cover(), samples)
    n = min(whole.pmf.shape[-1], pieces.pmf.shape[-1])
    assert whole.by_part == pytest.approx(pieces.by_part, abs=1e-9)
    assert whole.pmf[..., :n] == pytest.approx(pieces.pmf[..., :n], abs=1e-9)


@pytest.mark.parametrize("cover", [Cover(14), Cover(0, cap=2), Cover(20, after_uncovered="ends")])
def test_many_lines_equal_lines_one_by_one(cover):
    # 80 lines of other levels (0.02 to 1 losses a year), plantings and sites are interpolated between points of the
    # intercept; each alone is worked out itself. No outside source: two routes to one number.
    rng = np.random.default_rng(4)
    n, n_samples, grid = 80, 3, time_grid.monthly_grid(date(2026, 10, 14), date(2029, 10, 14))
    who = cohorts(rng.uniform(-1500, 200, n).round(), enter=rng.choice([0.0, 30.0], n), site=rng.integers(0, 5, n))
    intercept, shape = np.exp(rng.uniform(-4, 0, (n_samples, n))), rng.uniform(0.5, 1.2, (n_samples, 5, 12)) / 365
    effect, exits = rng.gamma(2, 0.5, (n_samples, 5)), Exits(1e-4, 2e-5, 5e-5)
    parts = np.stack([np.ones(36), np.linspace(1, 0.9, 36)], axis=1)
    samples = HazardSamples(CUTS, intercept, shape, effect, exits)
    whole = projection.project(grid, who, cover, samples, parts)
    days = np.full((1, 5, 12), 1096 / 60)
    assert projection._nodes(intercept * effect[:, who.site], shape, days).shape[1] < n / 2
    for line in range(n):
        own = Cohorts(*(each[[line]] for each in (who.planted, who.enter, who.leave)), np.zeros(1, dtype="int64"))
        alone = projection.project(
            grid,
            own,
            cover,
            HazardSamples(CUTS, intercept[:, [line]], shape, effect[:, [who.site[line]]], exits),
            parts,
        )
        k = min(alone.pmf.shape[-1], whole.pmf.shape[-1])
        assert whole.pmf[:, line, :k] == pytest.approx(alone.pmf[:, 0, :k], abs=2e-11)
        assert whole.by_part[:, line] == pytest.approx(alone.by_part[:, 0], abs=2e-11)


def test_a_hazard_of_events_is_another_hazard_and_takes_the_plants_of_a_site_together():
    # Two sites, one plant each, two samples: no event, and one that takes a plant with chance 1 - exp(-0.5) a year.
    # Without other losses a place is replaced with that chance, at site 1 in sample 2 alone; once: no successor.
    grid = time_grid.monthly_grid(date(2026, 1, 1), date(2027, 1, 1))
    who = cohorts([0.0, 0.0], site=[0, 1])
    common = np.array([[0.0, 0.0], [0.0, 0.5 / 365]])
    none = np.zeros((2, len(CUTS) + 2, 12))
    samples = HazardSamples(CUTS, np.ones((2, 2)), none, np.ones((2, 2)), Exits(), common)
    once = Cover(0, 1, "ends")
    made = projection.project(grid, who, once, samples, np.ones((grid.steps, 1)))
    assert made.by_part[..., 0].tolist() == [[0, 0], [0, pytest.approx(1 - np.exp(-0.5))]]
    # With successors, one site: the same numbers as if the hazard stood in the rates.
    one = cohorts([0.0])
    as_common = HazardSamples(CUTS, np.ones((1, 1)), none[:1], np.ones((1, 1)), Exits(), np.full((1, 1), 0.002))
    as_rate = HazardSamples(CUTS, np.full((1, 1), 0.002), none[:1] + 1, np.ones((1, 1)))
    first, second = (projection.project(grid, one, Cover(14.0), each) for each in (as_common, as_rate))
    assert first.pmf == pytest.approx(second.pmf)
