"""Events stand apart: what makes one, how seldom chance makes one, and that no fit learns from its losses."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from plantstats import exposure, findings, periods, simulate
from plantstats.exposure.standing import standing
from plantstats.losses import common_cause as events
from plantstats.losses import expected
from plantstats.losses.as_expected import as_expected
from plantstats.losses.event_findings import event_findings
from plantstats.losses.event_rate import EventRate
from plantstats.losses.terms import EXPOSURE_BY
from tests.builders.invented_records import InventedRecords

LAST = date(2026, 9, 30)
QUARTER = periods.quarter("2026-Q3")
MONTHS = pd.date_range("2024-01-01", "2025-12-01", freq="MS")


class Time:
    """Two years of sites with `plants` plants each, all of one age, and the given losses: site, cause, found, number;
    each plant was last seen alive `lag` days before."""

    def __init__(self, losses: list[tuple[str, str | None, str, int]], sites: int = 40, plants: int = 30, lag: int = 7):
        names = [f"S{n}" for n in range(sites)]
        rows = pd.DataFrame(losses, columns=["site_id", "cause", "found_on", "quantity"])
        found = pd.to_datetime(rows["found_on"]).astype("datetime64[us]")
        self.losses = rows.assign(
            plant_id=[f"P{n}" for n in range(len(rows))],
            client_id="C1",
            age_band="days 91-365",
            month=found.dt.to_period("M").dt.to_timestamp(),
            found_on=found,
            lost_on=found,
            seen_on=found - pd.Timedelta(days=lag),
            source="replacements",
            line=np.arange(len(rows)) + 2,
        )
        cells = pd.DataFrame({"site_id": np.repeat(names, len(MONTHS)), "month": np.tile(MONTHS, sites)})
        lost = self.losses.groupby(["site_id", "month"])["quantity"].sum()
        at = pd.MultiIndex.from_frame(cells)
        self.table = cells.assign(
            age_band="days 91-365",
            n_plants=plants,
            plant_days=plants * cells["month"].dt.days_in_month,
            losses=lost.reindex(at).fillna(0).to_numpy("int64"),
        )
        self.plants = plants

    def exposure_table(self, by, start=None, end=None, where=None, *, count_plants=True):
        return self.table if end is None else self.table[self.table["month"] < pd.Timestamp(end)]

    def query(self, sql, parameters=None):
        return pd.DataFrame({"n": [self.plants]})


def ordinary_losses() -> list[tuple[str, str | None, str, int]]:
    """Two years of eight losses a site, every 91 days, those of the 40 sites even over the quarter."""
    days = pd.date_range("2024-01-01", periods=8, freq="91D")
    return [
        (f"S{n}", "decline", f"{day + pd.Timedelta(days=n * 91 // 40):%Y-%m-%d}", 1) for n in range(40) for day in days
    ]


def test_three_losses_of_a_named_cause_are_an_event_and_two_are_none():
    three = [("S1", "building_failure", f"2025-01-0{day}", 1) for day in (2, 5, 9)]
    found = events.common_cause(Time(ordinary_losses() + three))
    assert found.events[["site_id", "cause", "losses", "plants"]].to_numpy().tolist() == [
        ["S1", "building_failure", 3, 30]
    ]
    assert found.events["p_value"].isna().all()
    assert events.common_cause(Time(ordinary_losses() + three[:2])).events.empty


def test_named_losses_more_than_two_of_the_rarest_rounds_apart_are_two_events():
    # 56 days between the days on which they were found are one event; 57 days begin another.
    first, last = pd.Timestamp("2025-01-06"), pd.Timestamp("2025-01-06") + pd.Timedelta(days=56)
    for gap, n in ((0, 1), (1, 2)):
        rows = [("S1", "building_failure", f"{day:%Y-%m-%d}", 3) for day in (first, last + pd.Timedelta(days=gap))]
        assert len(events.common_cause(Time(ordinary_losses() + rows)).events) == n


def test_a_cluster_is_as_improbable_as_a_gamma_mixture_of_poisson_tails_says():
    # Six of 30 plants in a week. By the other route: the Poisson tail at each rate, over the gamma distribution of the
    # site's rate given its losses outside the window; expected at the company's rate without margins, which are nearly
    # flat here (one age, and each month near the mean), so that a tenth of the log is left for them.
    cluster = [("S1", "unknown", f"2025-06-0{day}", 2) for day in (3, 5, 8)]
    time = Time(ordinary_losses() + cluster)
    made = events.common_cause(time)
    assert made.events["losses"].tolist() == [6]
    rate = time.table["losses"].sum() / time.table["plant_days"].sum()
    window, total = 30 * rate * (events.WINDOW + 7), 30 * rate * 731
    shape, outside = 1 / events.SITE_SD**2, 8
    posterior = stats.gamma(shape + outside, scale=1 / (shape + total - window))
    tail, _ = integrate.quad(lambda ratio: stats.poisson.sf(5, ratio * window) * posterior.pdf(ratio), 0, 20)
    assert np.log(made.events["p_value"].item()) == pytest.approx(np.log(tail), rel=0.1)


def test_what_a_site_always_loses_is_no_event():
    # Three in a fortnight, every fortnight: a bad site, not an event. Three at a site of eight in two years are none
    # either, at a threshold of one false alarm in twenty company-years; five are one.
    bad = [("S1", "unknown", f"{day:%Y-%m-%d}", 3) for day in pd.date_range("2024-01-05", "2025-12-20", freq="14D")]
    assert events.common_cause(Time(ordinary_losses() + bad)).events.empty
    for n, there in ((3, 0), (5, 1)):
        few = [("S2", "unknown", "2025-06-03", n)]
        assert len(events.common_cause(Time(ordinary_losses() + few)).events) == there


def test_losses_entered_once_a_quarter_are_no_events():
    # All of a quarter's losses of the company bear one day: 12 a site where 6 were to be expected are no cluster of a
    # fortnight.
    days = pd.date_range("2024-01-31", "2025-12-31", freq="91D")
    rows = [(f"S{n}", "unknown", f"{day:%Y-%m-%d}", 12 if n == 1 else 6) for n in range(20) for day in days]
    assert events.common_cause(Time(rows, sites=20, plants=200)).events.empty


def test_stragglers_of_its_cause_join_a_cluster_and_others_do_not():
    rows = [("S1", "temperature", "2025-06-03", 8), ("S1", "temperature", "2025-07-10", 1)]
    rows += [("S1", "light", "2025-07-11", 1), ("S1", "temperature", "2025-12-01", 1)]
    made = events.common_cause(Time(ordinary_losses() + rows))
    assert made.losses["quantity"].tolist() == [8, 1]
    assert made.losses["cause"].tolist() == ["temperature"] * 2


def test_chance_alone_makes_an_event_less_often_than_once_in_twenty_company_years():
    # 60 companies of 40 sites over two years; losses of each site are Poisson, their rates gamma with a standard
    # deviation of 40%, found at once. By the rule at most one alarm in 20 company-years: 6 in 120.
    rng = np.random.default_rng(20261126)
    alarms = 0
    for _ in range(60):
        rows = []
        for site, ratio in enumerate(rng.gamma(1 / 0.4**2, 0.4**2, 40)):
            days = rng.integers(0, 731, rng.poisson(8 * ratio))
            rows += [
                (f"S{site}", None, f"{pd.Timestamp('2024-01-01') + pd.Timedelta(days=int(d)):%Y-%m-%d}", 1)
                for d in days
            ]
        alarms += len(events.common_cause(Time(rows)).events)
    assert alarms <= 6


def test_the_hazard_of_events_is_their_number_over_site_years_with_exact_limits():
    # One event in 40 sites x 2 years: 1.25 per 100 site-years, Garwood limits of a count of 1 are 0.0253 to 5.5716; six
    # of 30 plants: 20%, Clopper-Pearson 7.71 to 38.57% (both from tables, as R's poisson.test and binom.test print).
    time = Time([*ordinary_losses(), ("S1", "building_failure", "2025-06-03", 6)])
    made = event_findings(events.common_cause(time), time.losses, periods.quarter("2025-Q2"))
    rate = findings.pick(made, "event_rate").iloc[0]
    assert [rate["estimate"], rate["low"], rate["high"]] == pytest.approx([1.25, 0.0316, 6.9645], abs=5e-4)
    share = findings.pick(made, "event_share_lost").iloc[0]
    assert [share["estimate"], share["low"], share["high"]] == pytest.approx([20, 7.71, 38.57], abs=5e-3)
    one = findings.pick(made, "event_losses", ["site_id", "cause"]).iloc[0]
    assert (one["site_id"], one["cause"], one["losses"]) == ("S1", "building_failure", 6)
    quiet = event_findings(events.common_cause(time), time.losses.head(0), periods.quarter("2025-Q3"))
    assert findings.pick(quiet, "event_losses")["losses"].tolist() == [0]


@pytest.fixture(scope="module")
def failed(tmp_path_factory) -> InventedRecords:
    return InventedRecords(tmp_path_factory.mktemp("failed"), 300, 4, simulate.CompanyParams(), years=2)


def test_censoring_keeps_plant_days_and_turns_losses_of_the_event_into_ends(failed):
    for dated in ("found", "midpoint"):
        time = exposure.build(failed, LAST, dated)
        lost = events.common_cause(time).losses
        assert set(lost["cause"]) == {"building_failure"} and lost["quantity"].sum() > 10
        usual = events.ordinary(time)
        whole, rest = (one.exposure_table([]).iloc[0] for one in (time, usual))
        n = lost["quantity"].sum()
        assert rest["plant_days"] == whole["plant_days"]
        assert (rest["losses"], rest["withdrawn"]) == (whole["losses"] - n, whole["withdrawn"] + n)
        assert rest["died"] + rest["declined"] == rest["losses"] == usual.losses["quantity"].sum()
        assert usual.lifetimes["event"].sum() < time.lifetimes["event"].sum()
        assert len(standing(usual)) == len(standing(time))
        # The whole is as it was.
        assert time.exposure_table([]).iloc[0]["losses"] == whole["losses"] == time.losses["quantity"].sum()


def test_expected_losses_learn_nothing_from_an_event(failed):
    time, after = exposure.build(failed, LAST, "found"), periods.quarter("2026-Q1")
    whole, quiet = (expected.expect(one, after, failed.species) for one in (time, events.ordinary(time)))
    before = events.common_cause(time).losses
    before = before[before["lost_on"] < pd.Timestamp(after.start)]
    assert quiet.model.losses == whole.model.losses - before["quantity"].sum()
    assert quiet.model.plant_days == whole.model.plant_days
    assert quiet.plants["expected"].sum() < 0.95 * whole.plants["expected"].sum()


def test_an_event_under_another_cause_is_found_and_a_quiet_company_has_none(tmp_path):
    params = simulate.CompanyParams()
    for seed in (21, 22):
        folder = tmp_path / str(seed)
        folder.mkdir()
        made = InventedRecords(folder, 300, seed, params, years=2)
        time = exposure.build(made, LAST, "found")
        time.engine.connection.execute("update events set cause = 'temperature' where cause = 'building_failure'")
        found = events.common_cause(time)
        assert found.events["cause"].tolist() == ["temperature"]
        assert found.n_losses > 0.8 * int((made.table("replacements")["cause"] == "building_failure").sum())
        (tmp_path / f"{seed} quiet").mkdir()
        quiet = InventedRecords(tmp_path / f"{seed} quiet", 300, seed, replace(params, building_failure=False), years=2)
        assert events.common_cause(exposure.build(quiet, LAST, "found")).events.empty


def test_plant_time_without_an_event_is_the_same_object(tmp_path):
    made = InventedRecords(tmp_path, 100, 3, replace(simulate.CompanyParams(), building_failure=False), years=1)
    time = exposure.build(made, LAST, "found")
    assert events.ordinary(time) is time
    assert list(time.exposure_table(list(EXPOSURE_BY)).columns)


def test_the_rate_of_events_is_known_only_from_what_came_before_the_quarter():
    # Two events in 2025 in 40 sites: at the beginning of 2025 none in 40 site-years, and the limit is that of no event
    # (3.689, from Garwood's table) in 40 site-years, each taking all plants; by July one, in 60; 6 of 30 plants lost.
    rows = [("S1", "building_failure", "2025-02-03", 6), ("S2", "building_failure", "2025-11-03", 6)]
    time = Time([*ordinary_losses(), *rows])
    of = events.common_cause(time)
    none = EventRate.before(of, time, date(2025, 1, 1))
    assert (none.n_events, none.site_years, none.per_day) == (0, 40.0, 0.0)
    assert none.expected(40 * 365.25).high.item() == pytest.approx(3.6889, abs=1e-4)
    one = EventRate.before(of, time, date(2025, 7, 1))
    assert one == EventRate(1, 60.0, 6, 30)
    # 1/60 events a site-year x 6/30 of the plants x 365.25 x 300 plant-days = 300/300 = 1 loss.
    assert one.expected(300 * 365.25).estimate.item() == pytest.approx(1.0, rel=1e-12)
    assert EventRate.before(of, time, date(2026, 1, 1)).n_events == 2


def test_limits_of_what_events_bring_hold_the_truth():
    # Known truth: events come to 150 site-years at 0.03 a site-year, and take each of 12 plants with chance 0.35; the
    # limits of 10,000 plant-years' mean hold 10,000 x 0.03 x 0.35 = 105 at least as often as they say.
    rng = np.random.default_rng(17)
    held = []
    for _ in range(400):
        n = int(rng.poisson(150 * 0.03))
        mean = EventRate(n, 150.0, int(rng.binomial(12 * n, 0.35)), 12 * n).expected(10_000 * 365.25)
        held.append(mean.low.item() <= 105 <= mean.high.item())
    # Three standard errors of 400 below 95%.
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 400)


def test_what_events_bring_stands_beside_what_is_expected(failed):
    time, after = exposure.build(failed, LAST, "found"), periods.quarter("2026-Q3")
    of = events.common_cause(time)
    made = as_expected(time, after, events=of)
    row = findings.pick(made, "expected_event_losses").iloc[0]
    days = time.exposure_table([], after.start, after.end)["plant_days"].iloc[0]
    rate = EventRate.before(of, time, after.start)
    assert rate.n_events == len(of.events) > 0
    assert row["estimate"] == pytest.approx(rate.lost / rate.plants * rate.n_events / rate.site_years * days / 365.25)
    assert row["low"] < row["estimate"] < row["high"]
    # What is compared with the quarter's ordinary losses holds none of it.
    quiet = findings.pick(as_expected(events.ordinary(time), after), "expected_losses").iloc[0]
    assert findings.pick(made, "expected_losses").iloc[0]["estimate"] == quiet["estimate"]


def test_a_site_is_passed_over_only_where_no_window_could_be_an_event() -> None:
    # The bound takes each window without the days by which plants' own lags lengthen it: fewer expected, less probable.
    rng = np.random.default_rng(6)
    days = pd.date_range("2024-02-01", "2025-11-30")
    lost = [(f"S{rng.integers(5)}", None, str(days[rng.integers(len(days))].date()), 1) for _ in range(120)]
    lost += [("S1", None, f"2025-03-{day:02}", 1) for day in range(3, 12)]
    closer = []
    for lag in (0, 30):
        time = Time(lost, sites=5, lag=lag)
        rows = time.losses.sort_values("found_on", kind="stable")
        expected_at = events._expected_by_day(time, rows.head(0), "losses")
        for site, of_site in rows.groupby("site_id"):
            found_on, count = of_site["found_on"].to_numpy(), of_site["quantity"].to_numpy("float64")
            bound = events._least_possible(found_on, count, expected_at[str(site)], 3.0)
            probable, window = events._least_probable(events._Exits.of(of_site), expected_at[str(site)], 3.0)
            assert bound <= probable * (1 + 1e-12), site
            closer.append(bound == pytest.approx(probable, rel=1e-12))
            assert bool(window.sum() >= 9) is (site == "S1") or lag
    assert closer == [True] * 5 + [False] * 5  # the lags themselves are in force
