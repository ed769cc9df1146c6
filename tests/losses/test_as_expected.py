"""The quarter against what one like it should lose: arithmetic kept, sentences no bolder than their intervals."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from plantstats import exposure, findings, records
from plantstats.losses import as_expected
from plantstats.periods import quarter

DEMO = Path(__file__).parents[2] / "data_demo"
PERIOD = quarter("2026-Q3")


@pytest.fixture(scope="module")
def demo() -> SimpleNamespace:
    loaded = records.load(DEMO)
    time = exposure.build(loaded, PERIOD.last_day)
    return SimpleNamespace(records=loaded, time=time, found=as_expected.as_expected(time, PERIOD))


def test_observed_and_expected_of_all_groups_add_up_to_the_whole(demo: SimpleNamespace) -> None:
    whole = findings.pick(demo.found, "observed_expected", period=PERIOD.name).iloc[0]
    should = findings.pick(demo.found, "expected_losses", period=PERIOD.name).iloc[0]
    assert whole["estimate"] == pytest.approx(whole["losses"] / should["estimate"])
    assert whole["losses"] == demo.time.exposure_table([], PERIOD.start, PERIOD.end)["losses"].item()
    sites = findings.pick(demo.found, "expected_losses", ["site_id"], PERIOD.name)
    assert sites["estimate"].sum() == pytest.approx(should["estimate"])
    for by in ("site_id", "species", "client_id", "technician"):
        assert findings.pick(demo.found, "observed_expected", [by], PERIOD.name)["losses"].sum() == whole["losses"], by


def test_the_expected_losses_know_nothing_of_this_quarter(demo: SimpleNamespace) -> None:
    # With losses of the quarter cut away (the cut a day before it begins is no complete quarter, so the quarter's own
    # losses are dropped from the records instead) the expectation must stay the same to the last digit.
    should = findings.pick(demo.found, "expected_losses", period=PERIOD.name)["estimate"].item()
    time = demo.time
    time.engine.connection.execute("create temp table kept as select * from episodes")
    try:
        time.engine.connection.execute(
            f"update episodes set died = 0, declined = 0, losses = 0 where month >= date '{PERIOD.start}'"
        )
        without = as_expected.as_expected(time, PERIOD)
    finally:
        time.engine.connection.execute("delete from episodes")
        time.engine.connection.execute("insert into episodes select * from kept")
    assert findings.pick(without, "expected_losses", period=PERIOD.name)["estimate"].item() == should
    assert findings.pick(without, "observed_expected", period=PERIOD.name)["losses"].item() == 0


def test_a_client_sees_no_other_client_and_no_technician(demo: SimpleNamespace) -> None:
    client = demo.records.table("sites")["client_id"].iloc[0]
    mine = as_expected.as_expected(demo.time, PERIOD, client)
    sites = demo.records.table("sites")
    assert set(mine["site_id"].dropna()) <= set(sites.loc[sites["client_id"] == client, "site_id"])
    assert not {"client_id", "technician"} & set(mine.columns)
