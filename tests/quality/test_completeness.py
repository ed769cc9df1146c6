"""The data-quality page: completeness, rounding and doubt, worked out by hand on the six plants."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, findings, records
from plantstats import quality as checks
from plantstats.periods import Period, quarter
from plantstats.quality import completeness

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "worked_example"
PERIOD = quarter("2025-Q1")


@pytest.fixture
def six(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "six", ignore=shutil.ignore_patterns(".plantstats_cache")))


def found(folder: Path, period: Period = PERIOD) -> tuple[pd.DataFrame, pd.DataFrame, records.Records]:
    loaded = records.load(folder)
    time = exposure.build(loaded, date(2025, 3, 31))
    faults = checks.check(loaded, date(2025, 3, 31))
    return completeness.quality(loaded, time, faults, period), faults, loaded


def test_planned_visits_are_asked_for_while_plants_stand_at_the_site(six: Path) -> None:
    # North, every 14 days, has plants from 2 January to 31 March: 30, 28 and 31 days ask for a 14th
    # of that; one day with a visit in each month (8 January, 5 February, 5 March).
    file = six / "sites.csv"
    file.write_text(
        "site_id,client_id,observed_from,planned_visit_days\nNorth,C1,2025-01-01,14\nSouth,C2,2024-12-01,\n"
    )
    made = findings.pick(found(six)[0], "visits_completed_share", ["month"]).set_index("month")["estimate"]
    assert made.to_dict() == pytest.approx({"2025-01": 100 * 14 / 30, "2025-02": 50.0, "2025-03": 100 * 14 / 31})


def test_a_missed_visit_is_not_a_visit_made(six: Path) -> None:
    (six / "sites.csv").write_text(
        "site_id,client_id,observed_from,planned_visit_days\nNorth,C1,2025-01-01,14\nSouth,C2,,\n"
    )
    rows = "plant_id,visited_on,status,rh_percent\nP2,2025-01-08,completed,28\nP2,2025-02-05,missed,\n"
    (six / "visits.csv").write_text(rows)
    made = findings.pick(found(six)[0], "visits_completed_share", ["month"]).set_index("month")["estimate"]
    assert made["2025-02"] == 0 and made["2025-01"] > 0


def test_a_moved_plants_visit_counts_where_the_plant_stands(six: Path) -> None:
    # P2 moves to South on 1 February: its visits of 5 February and 5 March are South's, North keeps P1's and P3's.
    (six / "moves.csv").write_text("plant_id,moved_on,to_site_id\nP2,2025-02-01,South\n")
    (six / "sites.csv").write_text(
        "site_id,client_id,observed_from,planned_visit_days\nNorth,C1,2025-01-01,14\nSouth,C2,2024-12-01,14\n"
    )
    sites = findings.pick(found(six)[0], "visits_completed_share", ["site_id"]).set_index("site_id")["note"]
    # North: 8 January, 5 February. South: 14 January, 5 and 11 February, 5 and 25 March.
    assert sites["North"].startswith("2 of") and sites["South"].startswith("5 of")


def test_humidity_is_read_at_every_visit_of_the_six_plants_and_the_air_is_known_where_it_was_read_before(
    six: Path,
) -> None:
    results, _, _ = found(six)
    read = findings.pick(results, "humidity_read_share", ["month"])
    assert read["estimate"].eq(100).all() and read["note"].tolist() == ["3 of 3", "4 of 4", "2 of 2"]
    # Without air: the 19 days of P5, whose middle is 22 March, with nothing read at South since 11 February.
    assert findings.pick(results, "air_known_share")["note"].item() == "313 of 332 plant-days"


def test_a_plant_of_an_impossible_history_is_left_out_of_the_rate_beside(six: Path) -> None:
    # P5 is said to have been visited on 1 March, before it came: without it 332 - 19 = 313 days and both losses.
    with (six / "visits.csv").open("a") as file:
        file.write("P5,2025-03-01,44,moist,no\n")
    results, faults, _ = found(six)
    assert "visit_before_installed" in set(faults["code"])
    row = findings.pick(results, "loss_rate_without_doubtful").iloc[0]
    assert (row["plant_days"], row["losses"], row["note"]) == (313, 2, "1 plant of the period left out")
    assert findings.pick(results, "loss_rate_as_recorded")["plant_days"].item() == 332


def test_a_plant_that_is_only_suspected_stays_in_the_rate_without_doubt(six: Path) -> None:
    # P2's jump from 2 to 5 may be a swap or good nursing: suspected, so its 89 days stay among the 332.
    rows = "plant_id,visited_on,condition,rh_percent\nP2,2025-01-08,2,28\nP2,2025-02-05,5,26\nP3,2025-01-08,3,30\n"
    (six / "visits.csv").write_text(rows)
    results, faults, _ = found(six)
    assert faults.loc[faults["plant_id"].eq("P2"), "severity"].tolist() == ["suspected"]
    row = findings.pick(results, "loss_rate_without_doubtful").iloc[0]
    assert (row["plant_days"], row["losses"], row["note"]) == (332, 2, "0 plants of the period left out")


def test_a_silent_swap_adds_a_loss_only_when_it_lies_in_the_period(six: Path) -> None:
    rows = "plant_id,visited_on,condition,rh_percent\nP2,2025-01-08,2,28\nP2,2025-02-05,5,26\nP3,2025-01-08,3,30\n"
    (six / "visits.csv").write_text(rows)
    results, faults, _ = found(six)
    assert faults["code"].eq("silent_swap").sum() == 1
    assert findings.pick(results, "loss_rate_with_swaps")["losses"].item() == 3
    assert findings.pick(found(six, quarter("2024-Q4"))[0], "loss_rate_with_swaps")["losses"].item() == 0


def test_rounded_readings_are_counted_with_their_share(six: Path) -> None:
    # Of 28 30 24 26 25 41 38 33 44 two end in 0 or 5.
    row = findings.pick(found(six)[0], "round_readings_share", ["term"]).iloc[0]
    assert (row["term"], row["note"]) == ("rh_percent", "2 of 9")
    # Exact binomial limits of 2 in 9 (Clopper and Pearson 1934): 2.8% to 60.0%.
    assert (row["low"], row["high"]) == pytest.approx((2.81, 60.01), abs=0.01)
