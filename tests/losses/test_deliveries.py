"""Deliveries: every plant and loss is in its square, expected losses add up, a bad delivery is told from a quarter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure, simulate
from plantstats.findings import pick
from plantstats.guarantee import run_off
from plantstats.losses import EXPOSURE_BY, fit
from plantstats.losses.deliveries import deliveries, quarter_number
from plantstats.losses.delivery_findings import delivery_findings
from plantstats.pages import deliveries as page
from plantstats.periods import quarter
from plantstats.records import load, species_table
from plantstats.studies import Study, of_all_clients

PERIOD = quarter("2026-Q3")
BAD = "2025-Q2"


@pytest.fixture(scope="module")
def company(tmp_path_factory):
    """700 plants over three years; those put in during one quarter are lost four times as often, and nothing else."""
    folder = tmp_path_factory.mktemp("deliveries") / "records"
    params = replace(simulate.CompanyParams(), bad_delivery=float(np.log(4)), over_dry=0.0, building_failure=False)
    simulate.make(folder, 700, 3, 5, replace(params, base_rate=16.0))
    records = load(folder)
    time = exposure.build(records, PERIOD.last_day, "found")
    model = fit(time.exposure_table(list(EXPOSURE_BY), count_plants=False), species_table())
    return records, time, deliveries(time, model, PERIOD, 1)


@pytest.fixture(scope="module")
def results(company):
    return delivery_findings(company[2], PERIOD)


def by_hand(records) -> pd.DataFrame:
    """Plants that came on a day of the records, from the tables alone: installed on or after the site's first day."""
    plants = records.table("plants").merge(records.table("sites")[["site_id", "observed_from"]], on="site_id")
    return plants[plants["installed_on"].ge(plants["observed_from"]) & plants["installed_on"].le("2026-09-30")]


def test_every_plant_put_in_since_the_records_began_is_in_one_delivery(company):
    records, _, of = company
    mine = by_hand(records)
    expected = mine.groupby(quarter_number(mine["installed_on"], 1).to_numpy()).size()
    assert of.by("cohort").set_index("cohort")["plants"].to_dict() == expected.to_dict()


def test_every_loss_stands_in_the_square_of_its_delivery_and_its_quarter(company):
    records, time, of = company
    lost = time.losses.merge(by_hand(records)[["plant_id", "installed_on"]], on="plant_id")
    pairs = [quarter_number(lost[c], 1).rename(c) for c in ("installed_on", "lost_on")]
    by_table = lost.groupby(pairs)["quantity"].sum()
    cells = of.counts.groupby(["cohort", "period"])["losses"].sum()
    assert cells[cells > 0].to_dict() == by_table.to_dict()


def test_what_should_stand_and_what_stands_add_up_with_what_left(company, results):
    rows = company[2].by("cohort")
    assert (rows["standing"] + rows["losses"] + rows["others"] == rows["plants"]).all()
    standing = pick(results, "delivery_standing", ["quarter"]).set_index("quarter")
    should = pick(results, "delivery_should_stand", ["quarter"]).set_index("quarter")
    cells = pick(results, "delivery_losses", ["quarter", "term"]).groupby("quarter")[["losses", "estimate"]].sum()
    # What stands and should differ by what was lost and should have been.
    gap = standing["estimate"] - should["estimate"]
    assert gap.to_numpy() == pytest.approx((cells["estimate"] - cells["losses"]).reindex(gap.index).to_numpy())
    assert ((should["low"] <= should["estimate"]) & (should["estimate"] <= should["high"])).all()


def test_the_bad_delivery_is_named_and_no_other(results):
    flagged = pick(results, "delivery_flagged", ["quarter"])
    assert flagged.loc[flagged["estimate"] > 1, "quarter"].tolist() == [BAD]
    # The true ratio is 4 against the others; the model takes a part of it into age and season.
    ratio = pick(results, "delivery_ratio", ["quarter"]).set_index("quarter").loc[BAD]
    assert ratio["low"] < 4 < ratio["high"] * 1.5


def test_it_is_a_delivery_that_bends_away_and_not_a_quarter(results):
    rows = pick(results, "delivery_deviation", ["term"])
    above = rows[rows["low"] > 1]
    assert [BAD in term for term in above["term"]] == [True]
    quarters = pick(results, "quarter_deviation", ["term"])
    assert not (quarters["low"] > 1).any()


def test_the_brief_asks_for_it_and_the_page_says_it(company):
    study = Study(company[0], PERIOD, PERIOD.last_day)
    asked = page.decisions(study)
    assert [(one.what, one.page, one.anchor) for one in asked] == [
        ("Ask the supplier about a delivery", "losses", "deliveries")
    ]
    assert BAD in asked[0].where
    sections = {s.key: s for s in page.sections(study, of_all_clients(study, study.deliveries, study.run_off)) if s}
    assert BAD in sections["deliveries"].sentences[0]
    assert "straight trend" in sections["deliveries"].sentences[1]


def test_the_run_off_triangle_holds_every_loss_and_its_total_has_limits(company):
    _, time, of = company
    lost = run_off.lost_of_deliveries(time, PERIOD, 24.0)
    put_in = run_off.put_in_by_quarter(time, PERIOD, 1)
    assert put_in.set_index("cohort")["plants"].to_dict() == of.by("cohort").set_index("cohort")["plants"].to_dict()
    projected = run_off.project(lost, put_in, "plants", PERIOD)
    latest = np.diag(projected.fit.full[:, ::-1])
    assert latest.sum() == lost["plants"].sum()
    rows = run_off.run_off_findings(lost, put_in, PERIOD, 1, "EUR")
    whole = pick(rows, "run_off_plants").iloc[0]
    assert whole["low"] < whole["estimate"] < whole["high"]
    assert pick(rows, "run_off_plants", ["quarter"])["estimate"].sum() == pytest.approx(whole["estimate"])


def test_the_provision_is_held_against_the_chain_ladder(company):
    _, time, _ = company
    put_in = run_off.put_in_by_quarter(time, PERIOD, 1)
    rows = run_off.run_off_findings(run_off.lost_of_deliveries(time, PERIOD, 24.0), put_in, PERIOD, 1, "EUR")
    high = pick(rows, "run_off_cost")["high"].iloc[0]
    assert "lies within" in page.check_of_provision(rows, 0.9 * high)
    assert "lies outside" in page.check_of_provision(rows, 2 * high)
    none = run_off.run_off_findings(run_off.lost_of_deliveries(time, PERIOD, 24.0).head(1), put_in, PERIOD, 1, "EUR")
    assert "too few" in page.check_of_provision(none, 1.0)
