"""The page on what drives losses: each sentence, table and chart says what its finding says, and no more."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from plantstats import exposure, periods, records, simulate
from plantstats.losses import drivers, terms
from plantstats.losses.common_cause import ordinary
from plantstats.losses.drivers import Drivers
from plantstats.records import Records

QUARTER, LAST = periods.quarter("2026-Q3"), date(2026, 9, 30)
WORKED = Path(__file__).parents[2] / "data_demo" / "worked_example"
SMALL = 5


def reviewed(loaded: Records) -> Drivers:
    midpoint, by_found = (exposure.build(loaded, LAST, dated) for dated in ("midpoint", "found"))
    usual = ordinary(midpoint)
    return drivers.review(midpoint, by_found, usual, lambda: drivers.check_effects(usual))


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> Records:
    folder = tmp_path_factory.mktemp("company")
    simulate.make(folder, plants=300, years=2, seed=3)
    return records.load(folder)


@pytest.fixture(scope="module")
def driven(company: Records) -> Drivers:
    return reviewed(company)


@pytest.fixture(scope="module")
def tiny() -> Drivers:
    """Six plants, two losses: nothing can be fitted."""
    return reviewed(records.load(WORKED))


@pytest.fixture
def ax() -> Axes:
    return Figure().subplots()


def edited(driven: Drivers, measure: str, where: dict[str, str], **values: object) -> Drivers:
    """The same page with some numbers of its findings changed (all rows of the measure when `where` is empty)."""
    table = driven.findings.copy()
    rows = table["measure"].eq(measure)
    for column, text in where.items():
        rows &= table[column].eq(text)
    assert rows.any()
    table.loc[rows, list(values)] = list(values.values())
    return replace(driven, findings=table)


def intervals(ax: Axes) -> list[tuple[float, float]]:
    lines = next(c for c in ax.collections if isinstance(c, LineCollection))
    return [(float(s[:, 0].min()), float(s[:, 0].max())) for s in lines.get_segments()]


# -- findings -----------------------------------------------------------------------------------------


def test_every_effect_carries_an_interval_and_what_it_rests_on(driven: Drivers) -> None:
    rows = driven.findings[driven.findings["measure"].isin(["effect_on_losses", "species_effect"])]
    told = rows[rows["estimate"].notna()]
    assert len(told) > 15 and told[["low", "high"]].notna().all(axis=None)
    assert ((told["low"] < told["estimate"]) & (told["estimate"] < told["high"])).all()
    assert rows[["losses", "plant_days"]].notna().all(axis=None)
    # A level that lost none has an upper limit and says why there is no more.
    silent = rows[rows["estimate"].isna() & ~rows["note"].str.startswith("not available")]
    assert silent["losses"].eq(0).all() and silent["high"].notna().all()
    assert silent["note"].str.contains("none lost").all()


def test_the_losses_of_the_effects_are_those_of_plant_time(company: Records, driven: Drivers) -> None:
    # The season term rests on all ordinary losses to the end of August: in September some are still to be found.
    time = exposure.build(company, LAST, "midpoint")
    lost = ordinary(time).losses
    assert 0 < lost["quantity"].sum() < time.losses["quantity"].sum()
    settled = lost.loc[lost["lost_on"] < pd.Timestamp(terms.settled(LAST)), "quantity"].sum()
    season = driven.findings[driven.findings["term"].eq("season: January against July")]
    assert season["losses"].tolist() == [settled]


# -- sentences ----------------------------------------------------------------------------------------


# -- refusals -----------------------------------------------------------------------------------------


# -- charts -------------------------------------------------------------------------------------------


# -- tables -------------------------------------------------------------------------------------------


def test_plants_of_unknown_install_date_are_counted_where_the_curves_leave_them_out(
    company: Records, driven: Drivers
) -> None:
    plants = company.table("plants")
    unknown = int(plants["installed_on"].isna().sum())
    assert unknown > 0
    told = driven.notes[-1]
    count = int(told.partition("; ")[2].partition(" plants")[0].replace(",", ""))
    time = exposure.build(company, LAST, "midpoint")
    assert count == time.without_install_date["plants"].sum() > 0
    # Those set aside for another fault are in neither.
    assert count <= unknown
    followed = time.account.query("table == 'plants' and fate == 'followed'")["rows"].sum()
    assert followed == count + time.lifetimes["plant_id"].nunique()


def test_curves_name_the_last_day_that_they_use(driven: Drivers) -> None:
    # Effects leave the last month out, as losses of it are still to be found; curves do not.
    period = driven.findings.groupby("measure")["period"].unique()
    assert list(period["survival"]) == ["records to 2026-09-30"]
    assert list(period["effect_on_losses"]) == ["records to 2026-08-31"]


def test_effects_that_few_sites_winters_or_losses_cannot_carry_are_not_told(driven: Drivers) -> None:
    effects = driven.findings[driven.findings["measure"].isin(["effect_on_losses", "species_effect"])]
    told = effects[effects["estimate"].notna()]
    assert len(told) and (told["high"] <= drivers.WIDEST * told["low"]).all()
    assert drivers.supported(effects, drivers.FEWEST_SITES, drivers.FEWEST_WINTERS).equals(effects)
    few = drivers.supported(effects, drivers.FEWEST_SITES - 1, drivers.FEWEST_WINTERS)
    assert (
        few[["estimate", "low", "high"]].isna().all(axis=None) and few["note"].str.contains("9 sites on record").all()
    )
    one = drivers.supported(effects, drivers.FEWEST_SITES, 1)
    season = one["term"].fillna("").str.startswith("season")
    assert season.any() and one.loc[season, "estimate"].isna().all()
    assert one.loc[~season, "estimate"].notna().sum() == effects.loc[~season, "estimate"].notna().sum()
    # 533 times (12 to 24,115): limits 2,000 times apart.
    wild = effects.head(1).assign(estimate=533.0, low=12.0, high=24115.0)
    assert drivers.supported(wild, 40, 3)["note"].item() == "not available: the limits lie more than 30 times apart"
