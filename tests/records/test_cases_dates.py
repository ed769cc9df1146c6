"""Dates in every dress: the situations D01 to D12 under tests/cases, with their right values."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from plantstats import quality
from plantstats.records import RecordError
from tests.builders.case_folder import case_folder, dates, folder, load

D01 = ["2025-04-03", "2025-04-05", "2025-04-17"]


@pytest.mark.parametrize("file", ["visits.csv", "first_row_decides/visits.csv"])
def test_one_day_beyond_twelve_proves_the_order_for_the_whole_column(tmp_path: Path, file: str) -> None:
    # D01: 17/04 can only be day first; the order of the rows must not matter.
    made = load(case_folder(tmp_path, "D01", visits=file))
    assert sorted(dates(made.table("visits")["visited_on"])) == D01
    note = made.notes.loc[made.notes["kind"] == "date order", "text"].item()
    assert "dmy" in note and "'17/04/2025'" in note


def test_an_order_that_nothing_proves_is_asked_for(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "D02")
    with pytest.raises(RecordError) as error:
        load(place)
    assert "visits.csv" in str(error.value) and "visited_on" in str(error.value)
    assert "any of 3 rows" in str(error.value) and "date_order" in str(error.value)
    made = load(place, "date_order.toml")
    assert dates(made.table("visits")["visited_on"]) == ["2025-04-03", "2025-06-05", "2024-12-11"]


def test_two_orders_in_one_column_are_both_shown_and_never_read_by_a_third_rule(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "D02", visits="contradict/visits.csv")
    with pytest.raises(RecordError) as error:
        load(place)
    assert "line 2 '13/02/2025'" in str(error.value) and "line 3 '02/14/2025'" in str(error.value)
    made = load(place, "date_order.toml")
    assert dates(made.table("visits")["visited_on"]) == ["2025-02-13", "2025-04-03"]
    fault = made.set_aside.iloc[0]
    assert (fault["line"], fault["text"]) == (3, "02/14/2025") and "dmy" in fault["reason"]


@pytest.mark.parametrize("file", ["plants.xlsx", "plants_true.xlsx"])
def test_bare_serial_numbers_follow_the_workbooks_own_day_count(tmp_path: Path, file: str) -> None:
    # D04: 44295 days after 1904-01-01 is 2025-04-10; after 1899-12-30 it would be 2021-04-09.
    place = folder(tmp_path)
    (place / "plants.csv").unlink()
    (place / "plants.xlsx").write_bytes((Path(__file__).parents[1] / "cases" / "D04" / file).read_bytes())
    made = load(place)
    assert dates(made.table("plants")["installed_on"]) == ["2025-04-10"] * 3
    assert "1904" in made.notes.loc[made.notes["kind"] == "serial dates", "text"].item()


def test_two_digit_years_have_a_stated_window_and_impossible_ones_are_named(tmp_path: Path) -> None:
    # D05: under 1950 to 2049, 68 is 1968; the guarantees of 1999 and 1970 end before the plants came.
    made = load(case_folder(tmp_path, "D05"))
    assert dates(made.table("plants")["installed_on"]) == ["2024-03-12", "1968-06-14", "2025-02-01"]
    assert made.notes["text"].str.contains("1950 to 2049").any()
    faults = quality.check(made, date(2025, 12, 31))
    assert set(faults.loc[faults["code"] == "guarantee_before_installed", "plant_id"]) == {"P1", "P3"}
    assert set(faults.loc[faults["code"] == "old_plant", "plant_id"]) == {"P2"}
    later = load(
        folder(tmp_path / "later", records="two_digit_years = 1970\n", plants=(tmp_path / "plants.csv").read_bytes())
    )
    assert dates(later.table("plants")["installed_on"])[1] == "2068-06-14"
    assert "far_future" in set(quality.check(later, date(2025, 12, 31))["code"])


def test_twelve_months_from_29_february_end_on_28_february_that_day_included(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "D07")
    made = load(place, "policy.toml")
    assert dates(made.table("plants")["guarantee_until"]) == ["2025-02-28", "", "2025-02-28"]
    assert made.table("replacements")["covered"].tolist() == ["guaranteed", "guaranteed"]
    assert made.notes["text"].str.contains("inclusive").any()
    missing = made.set_aside.iloc[0]
    assert missing["plant_id"] == "P2" and "2023-02-29 does not exist" in missing["reason"]
    policy = (place / "policy.toml").read_text().replace("inclusive", "exclusive")
    (place / "exclusive.toml").write_text(policy)
    assert load(place, "exclusive.toml").table("replacements")["covered"].tolist() == ["chargeable", "chargeable"]


def test_month_names_of_another_language_need_its_declaration(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "D09")
    made = load(place)
    assert dates(made.table("visits")["visited_on"]) == ["2025-04-04", "2025-04-05"]
    assert made.set_aside["line"].tolist() == [2, 3, 4, 5]
    assert "month name not understood: Mär" in made.set_aside["reason"][0]
    (place / "languages.toml").write_text('[tables.visits]\nlanguages = ["de", "fr"]\n')
    assert dates(load(place, "languages.toml").table("visits")["visited_on"]) == [
        "2025-03-03",
        "2024-10-12",
        "2025-02-07",
        "2024-08-01",
        "2025-04-04",
        "2025-04-05",
    ]


@pytest.mark.parametrize("locale", ["C", "C.utf8"])
def test_the_machines_locale_changes_no_date(tmp_path: Path, locale: str) -> None:
    place = case_folder(tmp_path, "D09")
    code = (
        f"from plantstats import records; r = records.load({str(place)!r}); "
        "print(len(r.table('visits')), len(r.set_aside))"
    )
    env = os.environ | {"LC_ALL": locale, "LANG": locale}
    root = Path(__file__).parents[1].parent
    told = subprocess.run([sys.executable, "-c", code], env=env, cwd=root, capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["2", "4"]


def test_iso_weeks_at_the_turn_of_the_year_belong_to_the_iso_year(tmp_path: Path) -> None:
    # ISO 8601: 2024-12-30 is in 2025-W01 and 2027-01-01 in 2026-W53.
    made = load(case_folder(tmp_path, "D10"))
    weeks = made.table("visits")["visited_on"].dt.strftime("%G-W%V").value_counts()
    assert weeks.to_dict() == {"2025-W01": 2, "2026-W53": 2}


@pytest.mark.parametrize("file", ["plants.csv", "plants_dt.csv", "plants.xlsx"])
def test_a_time_of_day_takes_no_day_from_a_life(tmp_path: Path, file: str) -> None:
    # D12: 2024-01-01 to 2024-04-10 is 31 + 29 + 31 + 9 = 100 days.
    made = load(case_folder(tmp_path, "D12", plants=file))
    lived = made.table("replacements")["replaced_on"][0] - made.table("plants")["installed_on"][0]
    assert lived.days == 100


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("1900-01-00", "day 0"),
        ("1899-12-30", "day 0"),
        ("9999-12-31", "open end"),
        ("1970-01-01", "day 0"),
        ("0000-00-00", "placeholder"),
        ("2025-02-30", "does not exist"),
        ("2023-02-29", "does not exist"),
        ("2025-13-01", "does not exist"),
        ("TBC", "not a date"),
        ("20259", "bare number"),
    ],
)
def test_placeholders_and_impossible_dates_are_set_aside_by_name(tmp_path: Path, text: str, shown: str) -> None:
    made = load(folder(tmp_path, visits=f"plant_id,visited_on\nP1,{text}\nP2,2025-03-03\n"))
    assert len(made.table("visits")) == 1
    fault = made.set_aside.iloc[0]
    assert (fault["line"], fault["column"], fault["text"]) == (2, "visited_on", text)
    assert shown in fault["reason"]


def test_29_february_of_a_leap_year_is_a_day(tmp_path: Path) -> None:
    made = load(folder(tmp_path, visits="plant_id,visited_on\nP1,29/02/2024\n"))
    assert dates(made.table("visits")["visited_on"]) == ["2024-02-29"]


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2025-04-03", "2025-04-03"),
        ("2025/4/3", "2025-04-03"),
        ("20250403", "2025-04-03"),
        ("2025-04-03T23:59:59", "2025-04-03"),
        ("2025-04-03 08:15:00.123", "2025-04-03"),
        ("3 Apr 2025", "2025-04-03"),
        ("3-Apr-25", "2025-04-03"),
        ("April 3, 2025", "2025-04-03"),
        ("Thu 3 April 2025", "2025-04-03"),
        ("17.04.2025", "2025-04-17"),
        ("4/17/2025", "2025-04-17"),
        ("4/17/2025 11:30 PM", "2025-04-17"),
        ("17/04/68", "1968-04-17"),
        ("2025-04-03T24:00", "2025-04-04"),
    ],
)
def test_a_date_is_read_in_each_common_dress(tmp_path: Path, text: str, day: str) -> None:
    made = load(folder(tmp_path, visits=f'plant_id,visited_on\nP1,"{text}"\n'))
    assert dates(made.table("visits")["visited_on"]) == [day]


def test_year_first_two_digit_dates_are_not_taken_for_day_first(tmp_path: Path) -> None:
    # 25-04-10 and 24-12-31: the second can only be year first or, read day first, 24 December 1931.
    with pytest.raises(RecordError, match="date_order"):
        load(folder(tmp_path, visits="plant_id,visited_on\nP1,25-04-10\nP2,24-12-31\n"))
    made = load(
        folder(
            tmp_path / "b",
            visits="plant_id,visited_on\nP1,25-04-10\nP2,24-12-31\n",
            records='[tables.visits]\ndate_order = "ymd"\n',
        )
    )
    assert dates(made.table("visits")["visited_on"]) == ["2025-04-10", "2024-12-31"]


def test_two_digit_years_are_told_from_days_where_many_dates_show_it(tmp_path: Path) -> None:
    # 24 days of each of four months of 2024 and 2025: mostly the last number is 24 or 25, the first goes to 24.
    days = [f"{day:02d}/{month:02d}/{year}" for year in (24, 25) for month in (1, 2) for day in range(1, 25)]
    lines = "".join(f"P1,{day}\n" for day in days)
    made = load(folder(tmp_path, visits=f"plant_id,visited_on\n{lines}"))
    assert dates(made.table("visits")["visited_on"])[-1] == "2025-02-24"
    with pytest.raises(RecordError, match="date_order"):
        load(folder(tmp_path / "few", visits="plant_id,visited_on\nP1,17/04/25\n"))


def test_times_in_utc_fall_on_the_sites_local_day_or_are_asked_about(tmp_path: Path) -> None:
    # Rome is two hours ahead of UTC in summer, so 22:30 UTC on 3 July is 00:30 on 4 July there.
    visits = "plant_id,visited_on\nP1,2025-07-03T22:30:00Z\n"
    with pytest.raises(RecordError, match="timezone"):
        load(folder(tmp_path, visits=visits))
    made = load(folder(tmp_path / "b", visits=visits, records='timezone = "Europe/Rome"\n'))
    assert dates(made.table("visits")["visited_on"]) == ["2025-07-04"]


def test_serial_numbers_in_text_are_dates_only_where_the_settings_say_so(tmp_path: Path) -> None:
    # 45750 days after 1899-12-30 is 2025-04-03.
    visits = "plant_id,visited_on\nP1,45750\n"
    assert "serial_dates" in load(folder(tmp_path, visits=visits)).set_aside["reason"][0]
    made = load(folder(tmp_path / "b", visits=visits, records="[tables.visits]\nserial_dates = 1900\n"))
    assert dates(made.table("visits")["visited_on"]) == ["2025-04-03"]


def test_noon_and_midnight_of_a_twelve_hour_clock_are_told_apart(tmp_path: Path) -> None:
    times = ["12:30 PM", "12:05 AM", "1:00 pm"]
    rows = "".join(f"S1,03/17/2025 {time},4{n}\n" for n, time in enumerate(times))
    readings = "site_id,read_at,rh_percent\n" + rows
    stamps = load(folder(tmp_path, readings=readings)).table("readings")["read_at"]
    assert [f"{stamp:%H:%M}" for stamp in stamps] == ["12:30", "00:05", "13:00"]


def test_a_site_may_have_a_time_zone_of_its_own(tmp_path: Path) -> None:
    # 23:30 UTC on 3 March is 00:30 on the 4th in Rome and 08:30 on the 4th in Tokyo, 18:30 on the 3rd in New York.
    visits = "site_id,visited_on\n" + "".join(f"S{n},2025-03-03T23:30:00Z\n" for n in (1, 2, 3))
    sites = "site_id,client_id\nS1,C1\nS2,C1\nS3,C1\n"
    zones = 'timezone = "Europe/Rome"\n[sites.S2]\ntimezone = "America/New_York"\n[sites.S3]\ntimezone = "Asia/Tokyo"\n'
    made = load(folder(tmp_path, visits=visits, sites=sites, records=zones))
    assert dates(made.table("visits")["visited_on"]) == ["2025-03-04", "2025-03-03", "2025-03-04"]
    assert made.notes["text"].str.contains("brought to Asia/Tokyo where site_id is 'S3'").any()


def test_a_time_zone_of_a_site_that_is_no_zone_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"sites.S1.timezone: 'Mars' is not a time zone name"):
        load(folder(tmp_path, records='[sites.S1]\ntimezone = "Mars"\n'))


def test_last_days_of_guarantees_are_counted_as_certain_open_unknown_and_in_error(tmp_path: Path) -> None:
    ends = ["2025-07-05", "2025-08-05", "open-ended", "9999-12-31", "", "soon", "2024-07-05"]
    rows = "".join(f"P{n},S1,Ficus lyrata,2025-01-06,{end}\n" for n, end in enumerate(ends))
    made = load(folder(tmp_path, plants="plant_id,site_id,species,installed_on,guarantee_until\n" + rows))
    told = made.notes.loc[made.notes["kind"] == "guarantee dates", "text"].item()
    assert "2 certain, 2 without end, 2 unknown (blank or set aside), 1 in error" in told
    assert made.set_aside["text"].tolist() == ["soon"]
