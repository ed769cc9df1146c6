"""The data-quality page: completeness, rounding and doubt, worked out by hand on the six plants."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import charts, checks, findings, plant_time, quality, records, tables
from plantstats.periods import Period, quarter

EXAMPLE = Path(__file__).parents[1] / "data_demo" / "worked_example"
PERIOD = quarter("2025-Q1")


@pytest.fixture
def six(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "six", ignore=shutil.ignore_patterns(".plantstats_cache")))


def found(folder: Path, period: Period = PERIOD) -> tuple[pd.DataFrame, pd.DataFrame, records.Records]:
    loaded = records.load(folder)
    time = plant_time.build(loaded, date(2025, 3, 31))
    faults = checks.check(loaded, date(2025, 3, 31))
    return quality.quality(loaded, time, faults, period), faults, loaded


def test_planned_visits_count_from_the_first_visit_to_the_last(six: Path) -> None:
    # North, every 14 days: visits on 8 January, 5 February and 5 March. January asks for the 24 days from the 8th on
    # (24 / 14), February for 28 / 14, March for the 5 days up to the last visit (5 / 14).
    file = six / "sites.csv"
    file.write_text(
        "site_id,client_id,observed_from,planned_visit_days\nNorth,C1,2025-01-01,14\nSouth,C2,2024-12-01,\n"
    )
    made = findings.pick(found(six)[0], "visits_made_share", ["month"]).set_index("month")["estimate"]
    assert made.to_dict() == pytest.approx({"2025-01": 100 * 14 / 24, "2025-02": 50.0, "2025-03": 100 * 14 / 5})


def test_humidity_is_read_at_every_visit_of_the_six_plants_and_the_air_is_known_where_it_was_read_before(
    six: Path,
) -> None:
    results, _, _ = found(six)
    read = findings.pick(results, "humidity_read_share", ["month"])
    assert read["estimate"].eq(100).all() and read["note"].tolist() == ["3 of 3", "4 of 4", "2 of 2"]
    # Without air: South's parts that end by 28 days after no reading. January of P4 (31 days) ends on the 31st, after
    # the reading of the 14th; P6's (1 February) likewise. So all 332 plant-days are known but none of P4's December.
    assert findings.pick(results, "air_known_share")["note"].item() == "332 of 332 plant-days"


def test_a_plant_of_an_impossible_history_is_left_out_of_the_rate_beside(six: Path) -> None:
    # P5 is said to have been visited on 1 March, before it came: without it 332 - 19 = 313 days and both losses.
    with (six / "visits.csv").open("a") as file:
        file.write("P5,2025-03-01,44,moist,no\n")
    results, faults, _ = found(six)
    assert "visit_before_installed" in set(faults["kind"])
    row = findings.pick(results, "loss_rate_without_doubtful").iloc[0]
    assert (row["plant_days"], row["losses"], row["note"]) == (313, 2, "1 plant of the period left out")
    assert findings.pick(results, "loss_rate_as_recorded")["plant_days"].item() == 332


def test_a_silent_swap_adds_a_loss_only_when_it_lies_in_the_period(six: Path) -> None:
    rows = "plant_id,visited_on,condition,rh_percent\nP2,2025-01-08,2,28\nP2,2025-02-05,5,26\nP3,2025-01-08,3,30\n"
    (six / "visits.csv").write_text(rows)
    results, faults, _ = found(six)
    assert faults["kind"].eq("silent_swap").sum() == 1
    assert findings.pick(results, "loss_rate_with_swaps")["losses"].item() == 3
    assert findings.pick(found(six, quarter("2024-Q4"))[0], "loss_rate_with_swaps")["losses"].item() == 0


def test_rounded_readings_are_counted_with_their_share(six: Path) -> None:
    # Of 28 30 24 26 25 41 38 33 44 two end in 0 or 5.
    row = findings.pick(found(six)[0], "round_readings_share", ["term"]).iloc[0]
    assert (row["term"], row["note"]) == ("rh_percent", "2 of 9")
    # Exact binomial limits of 2 in 9 (Clopper and Pearson 1934): 2.8% to 60.0%.
    assert (row["low"], row["high"]) == pytest.approx((2.81, 60.01), abs=0.01)


def test_the_page_says_what_was_not_used_and_draws_what_it_counts(six: Path) -> None:
    with (six / "visits.csv").open("a") as file:
        file.write("P5,2025-02-30,44,moist,no\n")
    results, faults, loaded = found(six)
    said = quality.quality_sentences(results, faults, loaded.set_aside, PERIOD)
    assert said[0].startswith("1 row and 0 single cells could not be used")
    assert tables.aside(loaded.set_aside)["Text there"].tolist() == ["2025-02-30"]
    assert "2025-02-30" in " ".join(tables.fault_kinds(faults)["First of them"])
    _, ax = charts.figure()
    charts.draw_completeness(results, ax)
    assert [label.get_text() for label in ax.get_legend().get_texts()] == ["visits made", "humidity read"]
