"""The quarter against what one like it should lose: arithmetic kept, sentences no bolder than their intervals."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from plantstats import exposure, findings, records
from plantstats.losses import as_expected, loss_rates
from plantstats.pages import as_expected_words
from plantstats.periods import Period, quarter
from plantstats.reporting import old_charts as charts

DEMO = Path(__file__).parents[2] / "data_demo"
PERIOD = quarter("2026-Q3")


@pytest.fixture(scope="module")
def demo() -> SimpleNamespace:
    loaded = records.load(DEMO)
    time = exposure.build(loaded, PERIOD.last_day)
    return SimpleNamespace(records=loaded, time=time, found=as_expected.as_expected(time, loaded, PERIOD))


def test_observed_and_expected_of_all_groups_add_up_to_the_whole(demo: SimpleNamespace) -> None:
    whole = findings.pick(demo.found, "observed_expected", period=PERIOD.name).iloc[0]
    should = findings.pick(demo.found, "expected_losses", period=PERIOD.name).iloc[0]
    assert whole["estimate"] == pytest.approx(whole["losses"] / should["estimate"])
    assert whole["losses"] == demo.time.cells([], PERIOD.start, PERIOD.end)["losses"].item()
    sites = findings.pick(demo.found, "expected_losses", ["site_id"], PERIOD.name)
    assert sites["estimate"].sum() == pytest.approx(should["estimate"])
    for by in ("site_id", "species", "client_id", "technician"):
        assert findings.pick(demo.found, "observed_expected", [by], PERIOD.name)["losses"].sum() == whole["losses"], by


def test_the_expected_losses_know_nothing_of_this_quarter(demo: SimpleNamespace) -> None:
    # With losses of the quarter cut away (the cut a day before it begins is no complete quarter, so the quarter's own
    # losses are dropped from the records instead) the expectation must stay the same to the last digit.
    should = findings.pick(demo.found, "expected_losses", period=PERIOD.name)["estimate"].item()
    time = demo.time
    time.engine.execute("create temp table kept as select * from episodes")
    try:
        time.engine.execute(
            f"update episodes set died = 0, declined = 0, losses = 0 where month >= date '{PERIOD.start}'"
        )
        without = as_expected.as_expected(time, demo.records, PERIOD)
    finally:
        time.engine.execute("delete from episodes")
        time.engine.execute("insert into episodes select * from kept")
    assert findings.pick(without, "expected_losses", period=PERIOD.name)["estimate"].item() == should
    assert findings.pick(without, "observed_expected", period=PERIOD.name)["losses"].item() == 0


def test_a_client_sees_no_other_client_and_no_technician(demo: SimpleNamespace) -> None:
    client = demo.records.table("sites")["client_id"].iloc[0]
    mine = as_expected.as_expected(demo.time, demo.records, PERIOD, client)
    sites = demo.records.table("sites")
    assert set(mine["site_id"].dropna()) <= set(sites.loc[sites["client_id"] == client, "site_id"])
    assert not {"client_id", "technician"} & set(mine.columns)


def test_technicians_stand_under_pseudonyms_in_the_order_of_their_names(demo: SimpleNamespace) -> None:
    table = as_expected_words.by_group(demo.found, "technician", PERIOD, 5)
    assert table["Technician"].tolist() == sorted(table["Technician"])
    codes = set(demo.records.table("visits")["technician"].dropna())
    assert not codes & set(table["Technician"])


def test_without_earlier_quarters_the_page_says_that_nothing_can_be_expected() -> None:
    loaded = records.load(DEMO / "worked_example")
    period = loss_rates.choose_quarter(loaded, "2024-Q4")
    found = as_expected.as_expected(exposure.build(loaded, period.last_day), loaded, period)
    assert as_expected_words.headlines(found, period, 5)[0].startswith(
        "What a quarter like this should lose cannot be told: "
    )
    assert as_expected_words.tables(found, period, 5) == []


def ratio(low: float, estimate: float, high: float) -> pd.DataFrame:
    given = {"n_plants": 500, "plant_days": 45000.0, "losses": 20}
    return findings.table(
        [
            findings.finding(
                "expected_losses",
                PERIOD.name,
                20 / estimate,
                1,
                90,
                unit="losses expected",
                method="m",
                level=0.95,
                **given,
            ),
            findings.finding(
                "observed_expected", PERIOD.name, estimate, low, high, unit="ratio", method="m", level=0.95, **given
            ),
        ]
    )


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        ((0.8, 1.5, 2.6), "no sign that it was worse or better"),
        ((1.01, 1.5, 2.2), ": worse than a quarter like this"),
        ((0.3, 0.6, 0.99), ": better than a quarter like this"),
        ((1.0, 1.5, 2.2), "no sign that it was worse or better"),
    ],
)
def test_the_quarter_is_called_worse_only_when_the_interval_says_so(
    interval: tuple[float, float, float], words: str
) -> None:
    assert words in as_expected_words.headlines(ratio(*interval), PERIOD, 5)[0]


def with_event(without: float, *, site: str = "S7") -> pd.DataFrame:
    """A quarter of 20 losses where 20 were expected, `without` of them without an earlier event at a site."""
    rest = {"unit": "u", "method": "m", "level": 0.95, "n_plants": 500, "plant_days": 45000.0}
    name = "observed_expected_without_earlier_event"
    rows = [
        findings.finding("expected_losses_without_earlier_event", PERIOD.name, without, 1, 90, losses=20, **rest),
        findings.finding(name, PERIOD.name, 20 / without, 18 / without, 90, losses=20, **rest),
    ]
    if site:
        share = findings.finding(
            "earlier_event_share",
            PERIOD.name,
            30.0,
            unit="%",
            method="count",
            losses=31,
            site_id=site,
            cause="building_failure",
            note="found from 2025-12-15 on",
        )
        rows.append(share)
    return findings.table(pd.concat([ratio(0.6, 1.0, 1.6), findings.table(rows)], ignore_index=True))


def test_an_earlier_event_is_told_when_it_moves_what_is_expected_and_not_otherwise() -> None:
    told = as_expected_words.headlines(with_event(15.0), PERIOD, 5)
    assert told[0].endswith("no sign that it was worse or better than a quarter like this should be.")
    assert told[1] == (
        "One event of the earlier quarters (31 plants at site S7, building failure, found from 2025-12-15 on) raises "
        "what is expected. Without it 15.0 plants (1.0 to 90.0) should have been lost; 1.33 times as many were "
        "(1.20 to 90.00): worse than a quarter like this should be."
    )
    # 20 / 19.5 = 1.026, under a twentieth.
    assert len(as_expected_words.headlines(with_event(19.5), PERIOD, 5)) == 1
    assert "quarters raises" in as_expected_words.headlines(with_event(15.0, site=""), PERIOD, 5)[1]


def test_a_clients_page_does_not_name_an_event_at_another_client(demo: SimpleNamespace) -> None:
    where = findings.pick(demo.found, "earlier_event_share", ["site_id", "cause"])["site_id"].item()
    sites = demo.records.table("sites")
    owner = sites.loc[sites["site_id"].eq(where), "client_id"].item()
    other = sites.loc[sites["client_id"].ne(owner), "client_id"].iloc[0]
    for client, there in ((owner, True), (other, False)):
        found = as_expected.as_expected(demo.time, demo.records, PERIOD, client)
        assert found["measure"].eq("earlier_event_share").any() == there
        assert len(findings.pick(found, "expected_losses_without_earlier_event", period=PERIOD.name)) == 1


def test_the_funnel_shows_every_site_that_is_large_enough_and_names_those_that_stand_out(demo: SimpleNamespace) -> None:
    found = demo.found.copy()
    sites = findings.pick(found, "observed_expected", ["site_id"], PERIOD.name)
    large = sites[sites["n_plants"] >= 5]
    found.loc[large.index[0], "note"] = "stands out, at a false discovery rate of 10%"
    _, ax = charts.figure()
    charts.draw_funnel(found, PERIOD, ax, small_group=5)
    assert len(ax.collections[0].get_offsets()) == len(large)
    assert [text.get_text() for text in ax.texts] == [large["site_id"].iloc[0]]
    assert "1 stand out" in as_expected_words.funnel_in_words(found, PERIOD)
    assert "1 of the" in as_expected_words.headlines(found, PERIOD, 5)[1]


def test_of_too_few_plants_nothing_is_compared() -> None:
    said = as_expected_words.headlines(ratio(0.8, 1.5, 2.6), PERIOD, 501)
    assert said == ["Too few plants (500) to compare with what a quarter like this should lose."]


def test_an_empty_period_of_a_client_has_nothing_to_compare(demo: SimpleNamespace) -> None:
    nobody = as_expected.as_expected(demo.time, demo.records, PERIOD, "nobody")
    assert nobody.empty and as_expected_words.headlines(nobody, PERIOD, 5) == []
    assert isinstance(PERIOD, Period)


def test_a_funnel_of_no_site_says_so_instead_of_an_empty_scale(demo: SimpleNamespace) -> None:
    # Records too small for a model compare no sites at all; here no site is large enough either.
    nothing = findings.table([])
    for found, small_group in ((nothing, 5), (demo.found, 10**6)):
        _, ax = charts.figure()
        charts.draw_funnel(found, PERIOD, ax, small_group=small_group)
        ax.get_figure().canvas.draw()
        assert [text.get_text() for text in ax.texts] == ["No expected losses of sites large enough to show"]
    assert as_expected_words.funnel_in_words(nothing, PERIOD).startswith("Funnel of 0 sites")
