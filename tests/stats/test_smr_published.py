"""Observed against expected deaths of a published cohort: whole lives, split by plant-time, against national rates.

679 nickel refinery workers, Breslow & Day 1987, vol. II, appendices VIII (men) and IX (rates of England and Wales).
Check values: R package Epi, split at the ages 10, 15 ... 85 and at the years 1931, 1936 ... 1981, in decimal years.
The same split in decimal years, made here, must give them to seven figures. Plant-time counts whole days: each end of
a life moves by up to half a day, at worst 679 days of 15,348 years (1.2 in 10,000). Each of 6,268 cuts in lives moves
by about a day (its rounding, and the first of January counts in the new year), which takes that day to a neighbouring
rate: where rates differ by some 500 per million, 0.009 of 26.6 expected deaths (3.2 in 10,000).
"""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure
from plantstats.stats import smr
from tests.builders.tiny_records import TinyRecords
from tests.reference import data, published

YEAR = 365.25
AGES, PERIODS = range(10, 90, 5), range(1931, 1986, 5)
CAUSES = {"lung": [162, 163], "nasal": [160]}  # ICD-7, as in Breslow & Day
EXACT, WHOLE_DAYS, WHOLE_DAY_CUTS = 1e-7, 1.2e-4, 3.2e-4
VALUES = published("nickel_smr")
BY = ["man", "from_age", "from_year"]


def day(year: float) -> date:
    """Decimal years from 1931 on: 1936 is 1826.25 days later, by the calendar 1826."""
    return date(1931, 1, 1) + timedelta(round((year - 1931) * YEAR))


def with_rates(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.merge(data("nickel_rates"), on=["from_year", "from_age"], how="left", validate="many_to_one")


@pytest.fixture(scope="module")
def by_days(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """By plant-time: one row per man, five years of age and of calendar: years, died (0, 1), icd, rates or none."""
    men = data("nickel")
    sites, plants, gone = [], [], []
    for n, man in enumerate(men.itertuples()):
        left = day(man.born + man.age_out).isoformat()
        sites.append({"site_id": f"S{n}", "client_id": "C", "observed_from": day(man.born + man.age_in).isoformat()})
        alive: dict[str, Any] = {} if man.icd else {"removed_on": left, "outcome": "withdrawn"}
        plants.append(
            {
                "plant_id": f"{n}",
                "site_id": f"S{n}",
                "species": "man",
                "light": "low",
                "quantity": 1,
                "installed_on": day(man.born).isoformat(),
            }
            | alive
        )
        if man.icd:
            gone.append({"plant_id": f"{n}", "replaced_on": left, "outcome": "died", "cause": "died", "quantity": 1})
    cuts = tuple(round(age * YEAR) for age in AGES)
    records = TinyRecords(
        tmp_path_factory.mktemp("men"), [], ((10, 1), (4, 15)), sites=sites, plants=plants, replacements=gone
    )
    cells = exposure.build(records, date(1990, 1, 1), "found", cuts).exposure_table(["plant_id", "age_band", "month"])
    from_age = dict(zip(exposure.age_bands(cuts), [0, *AGES], strict=False))
    made = pd.DataFrame(
        {
            "man": cells["plant_id"].astype("int64"),
            "from_age": cells["age_band"].map(from_age).astype("int64"),
            "from_year": 1931 + (cells["month"].dt.year - 1931) // 5 * 5,
            "years": cells["plant_days"] / YEAR,
            "died": cells["losses"],
        }
    )
    made = made.groupby(BY, as_index=False).sum()
    return with_rates(made.assign(icd=made["man"].map(men["icd"])))


@pytest.fixture(scope="module")
def by_years() -> pd.DataFrame:
    """The same rows in decimal years, cut man by man: the oracle."""
    rows = []
    for n, man in enumerate(data("nickel").itertuples()):
        inside = {cut for cut in (*AGES, *(year - man.born for year in PERIODS)) if man.age_in < cut < man.age_out}
        edges = sorted(inside | {man.age_in, man.age_out})
        for low, high in pairwise(edges):
            age, year = (low + high) / 2, man.born + (low + high) / 2
            rows.append(
                {
                    "man": n,
                    "from_age": min(int(age // 5 * 5), AGES[-1]),
                    "from_year": int(1931 + (year - 1931) // 5 * 5),
                    "years": high - low,
                    "died": int(bool(man.icd) and high == man.age_out),
                    "icd": man.icd,
                }
            )
    return with_rates(pd.DataFrame(rows))


def lost_and_expected(rows: pd.DataFrame, cause: str) -> tuple[pd.Series, pd.Series]:
    return rows["died"] * rows["icd"].isin(CAUSES[cause]), rows["years"] * rows[cause] / 1e6


@pytest.mark.parametrize(("split", "room"), [("by_years", EXACT), ("by_days", WHOLE_DAYS)])
def test_men_split_by_age_and_calendar_have_the_published_years(
    split: str, room: float, request: pytest.FixtureRequest
) -> None:
    rows = request.getfixturevalue(split)
    assert rows["years"].sum() == pytest.approx(VALUES["person-years total"], rel=room)
    assert rows["died"].sum() == (data("nickel")["icd"] > 0).sum()
    assert rows.loc[rows["lung"].notna(), "years"].sum() == pytest.approx(VALUES["PY with a rate"], rel=room)


@pytest.mark.parametrize("cause", ["lung", "nasal"])
@pytest.mark.parametrize(("split", "room"), [("by_years", EXACT), ("by_days", WHOLE_DAY_CUTS)])
def test_observed_over_expected_and_its_limits_are_the_published_ones(
    split: str, room: float, cause: str, request: pytest.FixtureRequest
) -> None:
    rows = request.getfixturevalue(split)
    lost, expected = lost_and_expected(rows[rows["lung"].notna()], cause)
    told = smr.observed_expected(lost.sum(), expected.sum())
    assert lost.sum() == VALUES[f"O {cause}"]
    assert expected.sum() == pytest.approx(VALUES[f"E {cause}"], rel=room)
    assert told.estimate[0] == pytest.approx(VALUES[f"SMR {cause}"], rel=room)
    if cause == "lung":
        assert (told.low[0], told.high[0]) == pytest.approx((VALUES["lo"], VALUES["hi"]), rel=room)


def test_every_row_of_plant_time_is_that_of_the_decimal_years_within_three_days(
    by_days: pd.DataFrame, by_years: pd.DataFrame
) -> None:
    # Of a row's two ends an age moves by at most a day (birth and cut rounded), a year by 1.75 (rounding up to 0.75,
    # and the first of January counts in the new year). Rows shorter than that may be in one split only.
    both = by_years.merge(by_days, on=BY, how="outer", suffixes=("", "_days"))
    apart = (both["years"].fillna(0) - both["years_days"].fillna(0)).abs() * YEAR
    assert apart.max() < 3
    assert (both["years"].isna() | both["years_days"].isna()).sum() < 10


def test_rows_without_a_rate_are_counted_aloud_and_not_dropped(by_days: pd.DataFrame) -> None:
    # 107 rows at ages of 85 and more, or in 1981 and later: what has no expectation must not pass for "none expected".
    lacking = by_days["lung"].isna()
    assert lacking.sum() == 107
    assert lacking.equals((by_days["from_age"] >= 85) | (by_days["from_year"] >= 1981))
    lost, expected = lost_and_expected(by_days, "lung")
    told = f"expected losses are missing or below zero in 107 of {len(by_days)} groups: leave such groups out, and say"
    with pytest.raises(smr.SmrError, match=told):
        smr.observed_expected(lost, expected)
    with pytest.raises(smr.SmrError, match=told):
        smr.compare(pd.DataFrame({"losses": lost, "expected": expected}))
    # Even put as 0 they stay in their places, without a ratio.
    put = smr.observed_expected(lost, expected.fillna(0.0)).estimate
    assert len(put) == len(by_days) and np.isnan(put[lacking]).all() and not np.isnan(put[~lacking]).any()
