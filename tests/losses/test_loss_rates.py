"""The review: which quarter, which findings, what its sentences, tables and charts say of them."""

from __future__ import annotations

import csv
import shutil
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, findings, records
from plantstats.losses import loss_rates
from plantstats.pages import sentences, tables
from plantstats.periods import Period, PeriodError, quarter
from plantstats.reporting import old_charts as charts

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "worked_example"
Edit = Callable[[Path], None]


def made(folder: Path, name: str, client: str = "", as_of: date | None = None) -> tuple[pd.DataFrame, Period]:
    loaded = records.load(folder)
    period = loss_rates.choose_quarter(loaded, name, as_of)
    time = exposure.build(loaded, loss_rates.page_date(period, as_of))
    return loss_rates.loss_rates(time, loaded, period, client), period


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """A copy of the six plants, to be changed."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "six", ignore=shutil.ignore_patterns(".plantstats_cache")))


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


END = date(2025, 3, 31)


def test_the_latest_complete_quarter_ends_by_the_last_day_of_the_records(example: Path) -> None:
    loaded = records.load(example)
    assert exposure.last_day(loaded) == date(2025, 3, 25)
    assert loss_rates.choose_quarter(loaded).name == "2024-Q4"
    assert loss_rates.choose_quarter(loaded, as_of=END).name == "2025-Q1"


def test_a_quarter_of_a_fiscal_year_is_told_with_its_days_and_its_name_wants_fy(example: Path) -> None:
    # Start in July: January to March 2025 is the third quarter of the year that ends in June 2025.
    change(example / "records.toml", "wage_per_hour", "fiscal_year_starts = 7\nwage_per_hour")
    found, period = made(example, "FY2025-Q3", as_of=END)
    said = sentences.loss_headlines(found, period, 1)[0]
    assert said.startswith("FY2025-Q3 (2025-01-01 to 2025-03-31) lost 2 plants in 47 plant-weeks")
    with pytest.raises(PeriodError, match="FY2025-Q3 for 2025-01-01 to 2025-03-31, or FY2026-Q1 for the calendar's"):
        made(example, "2025-Q3", as_of=END)


def test_an_incomplete_quarter_is_refused_with_what_to_do(example: Path) -> None:
    with pytest.raises(
        loss_rates.ReviewError, match=r"2025-Q1 is not complete: it ends on 2025-03-31, the records on 2025-03-25"
    ):
        loss_rates.choose_quarter(records.load(example), "2025-Q1")


def test_a_date_mistyped_into_a_later_year_does_not_move_the_end_of_the_records(example: Path) -> None:
    change(example / "visits.csv", "P5,2025-03-25", "P5,2052-03-25")
    assert exposure.last_day(records.load(example)) == date(2025, 3, 12)


def test_a_quarter_before_the_records_is_refused(example: Path) -> None:
    with pytest.raises(loss_rates.ReviewError, match="no plant was under observation in 2023-Q1"):
        made(example, "2023-Q1")


def test_records_without_a_visit_or_replacement_are_refused(example: Path) -> None:
    for name in ("visits", "replacements"):
        file = example / f"{name}.csv"
        file.write_text(file.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(loss_rates.ReviewError, match="nothing to review"):
        loss_rates.choose_quarter(records.load(example))


def test_a_client_that_is_not_known_is_refused_with_the_nearest(example: Path) -> None:
    with pytest.raises(loss_rates.ReviewError, match=r"no client 'C3' in sites \(2 clients; nearest: C"):
        loss_rates.check_client(records.load(example), "C3")


def test_a_page_date_before_the_end_of_the_quarter_is_refused() -> None:
    with pytest.raises(loss_rates.ReviewError, match="lies before the end of 2025-Q1"):
        loss_rates.page_date(quarter("2025-Q1"), date(2025, 3, 30))


def test_one_client_sees_its_own_plants_only(example: Path) -> None:
    # C1 holds North: P1 40 days, P2 89, P3 82 = 211; one loss.
    found, period = made(example, "2025-Q1", "C1", END)
    whole = findings.pick(found, "loss_rate", period=period.name).iloc[0]
    assert (whole["n_plants"], whole["plant_days"], whole["losses"]) == (3, 211, 1)
    assert "client_id" not in found.columns
    assert set(found["site_id"].dropna()) == {"North"}


def test_a_clients_losses_under_other_dates_are_its_own(example: Path) -> None:
    # P1 is C1's; P4 (lost) and P6 (stolen, replaced) are C2's.
    for client, lost, replaced in (("", 2, 3), ("C1", 1, 1), ("C2", 1, 2)):
        found, period = made(example, "2025-Q1", client, END)
        counts = [("losses_found", lost), ("losses_at_midpoint", lost), ("replacements_done", replaced)]
        for measure, count in counts:
            assert findings.pick(found, measure, period=period.name)["losses"].item() == count, (client, measure)


def test_a_client_with_two_plants_gets_counts_and_no_rate(example: Path) -> None:
    change(example / "records.toml", "small_group = 1", "small_group = 5")
    found, period = made(example, "2025-Q1", "C1", END)
    said = " ".join(sentences.loss_headlines(found, period, 5))
    assert "lost 1 plant in 30 plant-weeks. It died. Too few plants (3) for a rate." in said and "withheld" not in said
    table = tables.by_group(found, ["species"], period, 5)
    assert table[tables.RATE].tolist() == ["withheld: fewer than 5 plants"] * 2
    assert table["Lost"].tolist() == [1, 0]


def test_a_quarter_without_losses_is_not_called_safe(example: Path) -> None:
    # December 2024: P4 and P6, 30 days each; 3.689 / 60 x 36,525 = 2,245.6.
    found, period = made(example, "2024-Q4")
    said = sentences.loss_headlines(found, period, 1)
    assert said[0] == (
        "2024-Q4 lost 0 plants in 9 plant-weeks: no loss, which is not the same as no risk "
        "(the 95% interval reaches to 2,246 losses per 100 plant-years)."
    )
    assert (
        tables.causes(found, period, 1).empty and tables.largest(tables.by_group(found, ["species"], period, 1)).empty
    )
    assert len(tables.costs(found, period, 5)) == 4


@pytest.mark.parametrize(
    ("died", "lost", "gone", "words"),
    [
        (2, 3, 0, "2 of the 3 died; the other fell below specification and was replaced alive."),
        (2, 3, 1, "2 of the 3 died; the other fell below specification and was taken away alive, without a"),
        (1, 4, 1, "1 of the 4 died; the other 3 fell below specification: 2 were replaced alive, 1 was taken away w"),
        (0, 2, 2, "Both fell below specification and were taken away alive, without a replacement."),
        (0, 3, 2, "All 3 fell below specification: 1 was replaced alive, 2 were taken away without a replacement."),
        (3, 3, 0, "All 3 died."),
    ],
)
def test_no_plant_that_was_taken_away_for_good_is_called_replaced(died: int, lost: int, gone: int, words: str) -> None:
    period = quarter("2026-Q3")
    given = {"n_plants": 100, "plant_days": 9000.0, "unit": "u", "method": "m", "level": 0.95}
    rows = [
        findings.finding(m, period.name, 1, 0, 9, losses=n, **given)
        for m, n in (("loss_rate", lost), ("share_lost", lost), ("death_rate", died))
    ]
    alive = "losses_taken_away_alive"
    rows.append(findings.finding(alive, period.name, gone, unit="plants", method="count", losses=gone))
    assert words in sentences.loss_headlines(findings.table(rows), period, 5)[0]


def test_a_plant_removed_without_a_replacement_row_is_told_apart_in_cost_and_words(example: Path) -> None:
    # P4 was removed alive, too thin, and nothing came in its place: only P1's 48 + half an hour at 24 = 60 were paid.
    change(example / "replacements.csv", "P4,2025-03-12,2025-03-11,too thin,P5,chargeable,18.00,20\n", "")
    head, *rows = (example / "plants.csv").read_text(encoding="utf-8").splitlines()
    rows = [row + (",2025-03-11,too thin" if row.startswith("P4") else ",,") for row in rows]
    text = "\n".join([f"{head},removed_on,removal_reason", *rows])
    (example / "plants.csv").write_text(text + "\n", encoding="utf-8")
    found, period = made(example, "2025-Q1", as_of=END)
    said = sentences.loss_headlines(found, period, 1)
    assert "1 of the 2 died; the other fell below specification and was taken away alive, without a" in said[0]
    cost = next(s for s in said if s.startswith("On record"))
    assert cost == (
        "On record, replacing 1 plant cost EUR 60: 60 under guarantee (1 plant). 1 plant was removed without a "
        "replacement on record: no cost of replacing."
    )
    table = tables.costs(found, period, 5).set_index("Paid by")
    assert table.loc["nobody: not replaced", "Plants"] == 1 and table.loc["all", "Plants"] == 2
    # One guaranteed, one not replaced, none chargeable or other, over the same 332 plant-days; 36,525 / 332 = 110.0.
    paid = findings.pick(found, "loss_rate_by_covered", ["covered"], period.name).set_index("covered")
    assert paid["losses"].to_dict() == {"guaranteed": 1, "not_replaced": 1, "chargeable": 0, "other": 0}
    assert paid.loc["guaranteed", "estimate"] == pytest.approx(36_525 / 332)
    assert all(paid["plant_days"].eq(332)) and paid["low"].notna().all()


def test_every_plant_stands_in_every_split_once(example: Path) -> None:
    found, period = made(example, "2025-Q1", as_of=END)
    for by in loss_rates.SPLITS:
        rows = findings.pick(found, "loss_rate", by, period.name)
        assert rows["plant_days"].sum() == 332 and rows["losses"].sum() == 2, by


def test_the_ratio_to_last_year_speaks_only_when_its_interval_does(example: Path) -> None:
    found, period = made(example, "2025-Q1", as_of=END)
    rows = found.copy()
    first = findings.pick(rows, "loss_rate", period=period.name).iloc[[0]].assign(period="2024-Q1", losses=1)
    rows = findings.table(pd.concat([rows, first], ignore_index=True))
    which = rows["measure"].eq("loss_rate_ratio")
    for low, estimate, high, words in (
        (1.2, 2.0, 3.0, "higher than a year before by more than chance"),
        (0.8, 2.0, 3.0, "chance alone could make"),
        (0.3, 0.5, 0.9, "lower than a year before by more than chance"),
    ):
        rows.loc[which, ["low", "estimate", "high"]] = [low, estimate, high]
        rows.loc[which, "note"] = ""
        assert words in sentences.loss_headlines(rows, period, 1)[1]


def test_a_building_failure_is_told_as_one_event(example: Path) -> None:
    # P4 and P5 both lost to a failed boiler on two days of one week: 2 of 3 losses, at South.
    with (example / "replacements.csv").open("a", encoding="utf-8") as file:
        file.write("P5,2025-03-14,2025-03-14,boiler,,guaranteed,18.00,20\n")
    change(example / "replacements.csv", "too thin,P5", "boiler,")
    change(
        example / "records.toml", "[causes]", '[causes]\n"boiler" = { cause = "building_failure", outcome = "died" }'
    )
    found, period = made(example, "2025-Q1", as_of=END)
    said = sentences.loss_headlines(found, period, 1)
    assert any("2 of the 3 losses were one event at site South (building failure" in s for s in said)
    # Without it: one loss in P1 40 + P2 89 + P3 82 + P4 70 + P5 2 + P6 32 = 315 days.
    rest = findings.pick(found, "loss_rate_without_largest_event", period=period.name).iloc[0]
    assert rest["plant_days"] == 315 and rest["estimate"] == pytest.approx(36525 / 315)


def test_the_demo_quarter_reconciles_with_its_files_by_another_route() -> None:
    # Losses found in the quarter, counted straight from the CSV files by the words of the demo's technicians.
    folder = EXAMPLE.parent
    loaded = records.load(folder)
    period = loss_rates.choose_quarter(loaded, "2026-Q3")
    found = loss_rates.loss_rates(exposure.build(loaded, period.last_day), loaded, period)
    causes = tomllib.loads((folder / "records.toml").read_text(encoding="utf-8"))["causes"]
    lost, told = 0, set()
    with (folder / "replacements.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            told.add(row["plant_id"])
            outcome = causes[row["cause"]]["outcome"]
            upgrade = row["covered"] in ("upgrade", "rotation")
            day = row["found_on"] or row["replaced_on"]
            lost += "2026-07-01" <= day <= "2026-09-30" and outcome in ("died", "declined") and not upgrade
    with (folder / "plants.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            outcome = causes.get(row["removal_reason"], {}).get("outcome")
            if row["plant_id"] not in told and outcome in ("died", "declined"):
                lost += "2026-07-01" <= row["removed_on"] <= "2026-09-30"
    assert findings.pick(found, "loss_rate", period=period.name)["losses"].item() == lost


def test_the_demo_review_is_the_stored_one() -> None:
    # Whole-report back test: counts exactly, estimates to the last digits of arithmetic. When a change of the method
    # or of the demo is meant, remake with: python -m tests.remake_expected
    from tests.remake_expected import EXPECTED, demo_findings

    stored = pd.read_csv(EXPECTED, dtype={"period": str})
    now = demo_findings()
    assert now["measure"].tolist() == stored["measure"].tolist()
    for column in ("n_plants", "plant_days", "losses"):
        pd.testing.assert_series_equal(now[column].astype("float64"), stored[column].astype("float64"))
    for column in ("estimate", "low", "high"):
        pd.testing.assert_series_equal(now[column], stored[column], rtol=1e-9)


def test_charts_show_intervals_sizes_and_units(example: Path) -> None:
    found, period = made(example, "2025-Q1", as_of=END)
    _, ax = charts.figure()
    charts.draw_groups(found, ["light"], period, ax, small_group=1)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["medium (1 of 4)", "low (1 of 3)"]
    assert "per 100 plant-years (95% interval)" in ax.get_xlabel()
    low = findings.pick(found, "loss_rate", ["light"], period.name).sort_values("estimate")
    drawn = [tuple(segment[:, 0]) for segment in ax.collections[0].get_segments()]
    assert drawn == [pytest.approx(pair) for pair in zip(low["low"], low["high"], strict=True)]
    _, ax = charts.figure()
    charts.draw_trend(found, ax, small_group=1)
    assert [t.get_text() for t in ax.get_xticklabels()] == ["2024\nQ4", "2025\nQ1"]
    assert [t.get_text() for t in ax.texts] == ["0", "2"]


def test_groups_that_are_too_small_are_not_drawn(example: Path) -> None:
    found, period = made(example, "2025-Q1", as_of=END)
    _, ax = charts.figure()
    charts.draw_groups(found, ["light"], period, ax, small_group=4)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["medium (1 of 4)"]
    _, ax = charts.figure()
    charts.draw_groups(found, ["light"], period, ax, small_group=5)
    assert [t.get_text() for t in ax.texts] == ["no group of 5 plants or more"]
