"""Checks across the tables: each planted fault is named, and clean records raise none."""

from __future__ import annotations

import csv
from datetime import date, timedelta
from pathlib import Path

import pytest

from plantstats import quality, records
from tests.builders.case_folder import folder, load

AS_OF = date(2025, 6, 30)
PLANT = "plant_id,site_id,position,species,installed_on,removed_on,quantity,guarantee_until\n"
REPLACED = "plant_id,replaced_on,found_on,cause,replaced_by,quantity\n"


def faults(place: Path, as_of: date | None = AS_OF) -> dict[str, list[str]]:
    found = quality.check(load(place), as_of)
    return found.groupby("code", sort=False)["text"].apply(list).to_dict()


def test_clean_records_have_no_faults(tmp_path: Path) -> None:
    place = folder(
        tmp_path,
        visits="plant_id,visited_on\nP1,2025-03-03\nP1,2025-03-10\n",
        replacements=REPLACED + "P1,2025-03-12,2025-03-10,died,P4,\n",
        plants=PLANT + "P1,S1,A1,Ficus lyrata,2025-01-06,,,\nP4,S1,A1,Ficus lyrata,2025-03-12,,,\n",
    )
    assert faults(place) == {}
    assert "No faults found." in quality.print_check(load(place), quality.check(load(place), AS_OF))


def test_a_second_visit_on_one_day_is_used_and_a_repeated_line_is_not(tmp_path: Path) -> None:
    visits = "plant_id,visited_on,leaves_dropped\nP1,2025-03-06,3\nP1,2025-03-06,4\nP1,2025-03-06,3\n"
    made = load(folder(tmp_path, visits=visits))
    assert made.table("visits")["leaves_dropped"].tolist() == [3, 4]
    assert made.set_aside[["line", "reason"]].values.tolist() == [
        [4, "the same in every column as line 2; one of them is used"]
    ]


def test_the_same_export_in_two_files_counts_once(tmp_path: Path) -> None:
    one = "plant_id,visited_on\n" + "".join(f"P1,2025-03-{day:02d}\n" for day in range(1, 11))
    place = folder(tmp_path, records='[tables.visits]\nfiles = ["march.csv", "again.csv"]\n')
    (place / "march.csv").write_text(one)
    (place / "again.csv").write_text(one + "P1,2025-04-01\n")
    made = load(place)
    assert len(made.table("visits")) == 11
    used = made.account[made.account["table"] == "visits"].set_index("file")[["rows_used", "rows_set_aside"]]
    # The first of equal lines by file name and line is the one used.
    assert used.loc["again.csv"].tolist() == [11, 0] and used.loc["march.csv"].tolist() == [0, 10]
    assert "again.csv line 2" in made.set_aside["reason"][0]


def test_counted_lines_may_be_lost_in_parts(tmp_path: Path) -> None:
    place = folder(
        tmp_path,
        plants=PLANT + "L1,S1,,Epipremnum aureum,2025-01-06,,6,\n",
        replacements=REPLACED + "L1,2025-03-01,,died,,2\nL1,2025-04-01,,died,,1\n",
        visits="plant_id,visited_on\nL1,2025-05-01\n",
    )
    assert faults(place) == {}


def test_missed_visits_are_gaps_of_more_than_one_and_a_half_times_the_plan(tmp_path: Path) -> None:
    # Planned every 7 days: gaps of 7, 10 and 11 days; one and a half times 7 is 10.5.
    days = ["2025-03-03", "2025-03-10", "2025-03-20", "2025-03-31"]
    place = folder(
        tmp_path,
        sites="site_id,client_id,planned_visit_days\nS1,C1,7\n",
        visits="plant_id,visited_on\n" + "".join(f"P1,{day}\n" for day in days),
    )
    assert faults(place)["missed_visits"] == [
        "S1: 1 gaps of more than one and a half times the planned 7.0 days, the longest 11 days before 2025-03-31"
    ]


def test_readings_rounded_to_fives_are_heaped_and_true_ones_are_not(tmp_path: Path) -> None:
    def visits(values: list[int]) -> str:
        start = date(2025, 1, 6)
        rows = "".join(f"P1,{start + timedelta(days=n)},{value}\n" for n, value in enumerate(values))
        return "plant_id,visited_on,minutes\n" + rows

    even = faults(folder(tmp_path / "even", visits=visits([1 + n % 40 for n in range(120)])))
    heaped = faults(folder(tmp_path / "heaped", visits=visits([5 * (1 + n % 8) if n % 4 else 7 for n in range(120)])))
    assert "heaped_readings" not in even
    # Three of four of 120 readings are multiples of five.
    assert heaped["heaped_readings"][0].startswith("minutes: 75% of 120 readings end in 0 or 5")


def test_the_newest_weeks_are_called_incomplete_when_few_lines_have_come(tmp_path: Path) -> None:
    # Ten lines a week for twelve weeks, then ten, ten, ten and two.
    rows = []
    for week in range(16):
        day = AS_OF - timedelta(days=7 * week + 3)
        rows += [f"P{1 + n % 3},{day},{n}" for n in range(2 if week == 0 else 10)]
    place = folder(
        tmp_path,
        visits="plant_id,visited_on,leaves_dropped\n" + "\n".join(rows) + "\n",
        plants=PLANT + "".join(f"P{n},S1,,Ficus lyrata,2025-01-06,,,\n" for n in (1, 2, 3)),
    )
    late = faults(place)["late_entry"][0]
    assert "1 have fewer than 60% of the usual 10.0 visit lines: 2" in late


TEN_VISITS = """plant_id,visited_on,technician,watered,litres,condition,note
P1,2025-03-03,ida,Y,0.5,3,ok
P1,2025-02-30,ida,Y,0.5,3,no such day
P1,2025-03-04,ida,perhaps,0.5,3,no flag
P1,2025-03-05,ida,Y,~2,3,a limit
P1,2025-03-06,ida,Y,500,3,beyond
P1,2025-03-07,ida,Y,0.5,3,one, comma too many
,2025-03-08,ida,Y,0.5,3,no plant
P99,2025-03-09,ida,Y,0.5,3,orphan
P1,2025-03-10,ida,Y,0.5,3,"never closed
P1,2025-03-11,ida,Y,1 gal,3,which gallon
"""


def test_ten_different_faults_are_all_named_in_one_run(tmp_path: Path) -> None:
    place = folder(tmp_path, visits=TEN_VISITS, moves="plant,moved_on\nP1,2025-03-01\n")
    text, usable, _, found = quality.check_folder(place, as_of=AS_OF)
    assert not usable  # moves has no plant_id: the tenth fault stops one table, and the others are still named
    for part in (
        "moves.csv: no column plant_id",
        "2025-02-30 does not exist",
        "'perhaps'",
        "'~2'",
        "'500'",
        "8 fields, header has 7",
        "neither plant_id nor site_id",
        "P99 is not in plants",
        "quote mark",
        "'1 gal'",
    ):
        assert part in text, part
    assert {
        "unreadable_date",
        "unknown_code",
        "estimate",
        "beyond_limits",
        "ragged_row",
        "missing_value",
        "orphan_plant",
        "lost_quote",
        "unclear_unit",
    } <= set(found["code"])
    with pytest.raises(records.RecordError):
        records.load(place)


def test_set_aside_rows_are_written_so_that_no_spreadsheet_runs_them(tmp_path: Path) -> None:
    rows = ['=HYPERLINK("x")', "+1", "-1+2", "@SUM(A1)", "\uff1d1+1", "plain"]
    visits = "plant_id;visited_on;note\n" + "".join(f"{n};{text};x\n" for n, text in enumerate(rows))
    made = load(folder(tmp_path, visits=visits))
    path = quality.write_set_aside(made, tmp_path / "out" / "aside.csv")
    with path.open(encoding="utf-8-sig", newline="") as file:
        written = list(csv.DictReader(file))
    assert [row["text"] for row in written] == ["'" + text for text in rows[:5]] + ["plain"]
    assert [int(row["line"]) for row in written] == [2, 3, 4, 5, 6, 7] and list((tmp_path / "out").iterdir()) == [path]


def test_control_signs_of_the_data_do_not_reach_the_screen(tmp_path: Path) -> None:
    text, *_ = quality.check_folder(
        folder(tmp_path, visits="plant_id,visited_on\nP1,\x1b[2Jboo\nP\u202e2,2025-03-01\n")
    )
    assert "\x1b" not in text and "\u202e" not in text and "[2Jboo" in text


def test_a_table_without_a_file_is_said_in_the_first_line(tmp_path: Path) -> None:
    place = folder(tmp_path, visits="plant_id,visited_on\nP1,2025-03-01\n", moves="plant_id,moved_on\n")
    text, usable, *_ = quality.check_folder(place)
    assert usable
    first, *_ = text.splitlines()
    assert first == "No file of contracts, readings can be used here: what rests on it is not told."


def test_a_cost_below_nothing_is_a_fault(tmp_path: Path) -> None:
    place = folder(tmp_path, replacements="plant_id,replaced_on,cause,plant_cost\nP1,2025-03-01,died,-23\n")
    made = load(place)
    assert made.set_aside[["column", "code", "scope"]].values.tolist() == [["plant_cost", "beyond_limits", "cell"]]


def test_equal_lines_some_minutes_apart_are_one_look_and_hours_apart_two(tmp_path: Path) -> None:
    visits = "plant_id,visited_on,leaves_dropped\n" + "".join(
        f"P1,2025-03-06 {clock},3\n" for clock in ("08:15", "08:19", "08:15", "14:00", "")
    )
    made = load(folder(tmp_path, visits=visits))
    told = made.set_aside[["line", "code"]].values.tolist()
    assert told == [[3, "sent_twice"], [4, "same_line_twice"]]
    assert "but for 4 minutes" in made.set_aside["reason"][0]
    assert made.table("visits")["line"].tolist() == [2, 5, 6]


def test_lines_minutes_apart_that_differ_are_no_copies(tmp_path: Path) -> None:
    visits = "plant_id,visited_on,leaves_dropped\nP1,2025-03-06 08:15,3\nP1,2025-03-06 08:16,4\n"
    made = load(folder(tmp_path, visits=visits))
    assert len(made.table("visits")) == 2 and not len(made.set_aside)


def test_plants_that_no_visit_names_are_listed_where_the_log_names_plants(tmp_path: Path) -> None:
    plants = PLANT + "".join(f"P{n},S1,,Ficus lyrata,2025-01-06,,,\n" for n in range(1, 5))
    lost = "plant_id,replaced_on,cause\nP3,2025-02-01,died\n"
    by_plant = folder(tmp_path / "a", plants=plants, replacements=lost, visits="plant_id,visited_on\nP1,2025-05-05\n")
    (text,) = faults(by_plant)["never_visited"]
    assert text == "S1: 2 plants in place that no visit line names, such as P2, P4"
    by_site = folder(tmp_path / "b", plants=plants, visits="site_id,visited_on\nS1,2025-05-05\n")
    assert "never_visited" not in faults(by_site)
