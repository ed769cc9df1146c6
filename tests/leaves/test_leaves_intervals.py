"""Count intervals: which days a leaf count belongs to, what was known then, and what became of every visit."""

from __future__ import annotations

import pandas as pd
import pytest

from plantstats import leaves as leaf_loss
from tests.builders.leaf_records import FIG, leaf_time, used, visit


def fates(time: leaf_loss.CountIntervals) -> dict[str, int]:
    return dict(zip(time.account["fate"], time.account["rows"], strict=True))


def test_leaves_belong_to_the_days_since_the_visit_before(tmp_path):
    # P1: 3, 2, 4 + 1 (two visits of one day join), 5 = 15 leaves over 6 January to 3 March, 56 days: 8.0357 per 30
    # days. P2: the visit of 2024-12-30 lies before installation and is set aside; 6 over 14 days: 12.857 per 30.
    plants = [FIG, "P2,S1,A2,Epipremnum aureum,17,medium,2025-01-06,1"]
    visits = [
        visit("P1", "2025-01-20", 3),
        visit("P1", "2025-02-17", 4),
        visit("P1", "2025-02-03", 2),
        visit("P1", "2025-02-17", 1, topsoil="dry"),
        visit("P1", "2025-03-03", 5),
        visit("P2", "2024-12-30", 2),
        visit("P2", "2025-01-20", 6),
    ]
    time = leaf_time(tmp_path, plants, visits)
    sums = used(time).groupby("plant_id")[["green", "days"]].sum()
    assert sums.loc["P1"].to_list() == [15, 56]
    assert sums.loc["P2"].to_list() == [6, 14]
    assert (30 * sums["green"] / sums["days"]).to_list() == pytest.approx([8.0357, 12.857], abs=1e-3)
    assert fates(time) == {
        "used": 5,
        "used, joined to another visit of that day": 1,
        "before the plant was installed": 1,
    }
    gone = time.account.set_index("fate").loc["before the plant was installed"]
    assert (gone["first_ids"], gone["leaves"]) == ("P2", 2)


def test_every_visit_row_has_a_fate(tmp_path):
    plants = [FIG, "P2,S1,A2,Ficus lyrata,17,medium,,1", "P3,S1,A3,Ficus lyrata,17,low,2025-01-06,1"]
    visits = [
        visit("P1", "2025-01-20", 3),
        visit("P1", "2025-02-03", 9, status="missed"),  # not completed
        visit("P1", "2025-02-17", 1),  # 28 days after the completed one
        visit("", "2025-02-17", "", site_id="S1"),  # a whole site
        visit("P1", "2025-03-03", "", yellow_leaves=""),  # looked at, not counted
        visit("P1", "2025-03-17", 2),
        visit("P1", "2025-07-01", 2),  # 106 days later
        visit("P1", "2026-01-05", 2),  # after the cut
        visit("P2", "2025-02-03", 5),  # unknown install date: first look
        visit("P2", "2025-02-17", 1),
        visit("P3", "2025-02-03", 50, condition=1),  # found dead
        visit("P3", "2025-03-10", 1),  # after its replacement
        visit("P9", "2025-02-03", 1),  # nobody knows it
    ]
    lost = ("P3,2025-02-20,2025-02-03,DIED,died,1",)
    time = leaf_time(tmp_path, plants, visits, replacements=lost)
    assert fates(time) == {
        "used": 4,
        "visit not completed": 1,
        "a line for a whole site": 1,
        "leaves not counted": 1,
        "more than 92 days since the visit before": 1,
        "after the cut": 1,
        "first visit: since when leaves fell is unknown": 1,
        "the plant was found dead": 1,
        "after the plant was gone": 1,
        "no such plant": 1,
    }
    assert sum(fates(time).values()) == len(visits)
    stretches = used(time)
    assert stretches.loc[stretches["plant_id"] == "P1", "days"].to_list() == [14, 28, 14]
    assert stretches.loc[stretches["plant_id"] == "P2", "days"].to_list() == [14]


def test_the_frequency_table_keeps_every_used_stretch_and_leaf(tmp_path):
    plants = [FIG, "P2,S1,A2,Ficus benjamina,17,medium,2025-01-06,1"]
    visits = [
        visit(p, day, n)
        for p in ("P1", "P2")
        for n, day in enumerate(["2025-01-20", "2025-02-03", "2025-02-17", "2025-03-03", "2025-03-17"])
    ]
    time = leaf_time(tmp_path, plants, visits)
    assert time.frequency_table["green_n"].sum() == 10
    assert time.frequency_table["green_sum"].sum() == 20
    assert time.frequency_table["green_squares"].sum() == 2 * (0 + 1 + 4 + 9 + 16)
    # The two plants stood in the same conditions: one row for both; and the stretches with their middles on 10 and 24
    # February do not differ either, so that four stretches share a row.
    assert sorted(time.frequency_table["green_n"]) == [2, 2, 2, 4]
    assert time.frequencies("green").to_numpy().tolist() == [[0, 2], [1, 2], [2, 2], [3, 2], [4, 2]]


def test_a_plant_older_than_the_records_starts_with_its_first_visit(tmp_path):
    plants = ["P1,S1,A1,Ficus benjamina,17,medium,2020-01-06,1"]
    visits = [visit("P1", "2025-01-20", 30), visit("P1", "2025-02-03", 1)]
    time = leaf_time(tmp_path, plants, visits, observed="2025-01-01")
    assert used(time)["days"].to_list() == [14]
    assert fates(time)["first visit: since when leaves fell is unknown"] == 1


def test_humidity_and_warmth_are_those_of_the_month_up_to_the_end(tmp_path):
    # Stretch to 3 March: 31 days back to 31 January. Readings of 20 (31 January) and 30 (3 February), in its first
    # half, and of 40 (2 March) and of the visit itself, 50, make 35; that of 10 on 30 January does not count, nor
    # the cold of that day.
    visits = [
        visit("P1", "2025-02-10", 0),
        visit("P1", "2025-03-03", 1, rh_percent=50, temp_c=21),
        visit("P1", "2025-03-31", 1),
        visit("P1", "2025-04-28", 1, rh_percent=80, temp_c=35),
    ]
    readings = (
        "S1,2025-01-30T08:00,10,12",
        "S1,2025-01-31T08:00,20,21",
        "S1,2025-02-03T08:00,30,21",
        "S1,2025-03-02T08:00,40,21",
        "S2,2025-03-01T08:00,5,35",
    )
    rows = used(leaf_time(tmp_path, [FIG], visits, readings=readings))
    assert rows.loc[1, "rh"] == 35
    assert rows.loc[1, "warmth"] == "usual"
    assert rows.loc[0, "warmth"] == "below 16 °C"  # to 10 February: 30 January lies in its month
    # To 10 February and 31 March: one half of the month was never read. To 28 April: the visit alone.
    assert rows.loc[[0, 2, 3], "rh"].to_list() == [-1, -1, -1]
    assert rows.loc[3, "warmth"] == "above 29 °C"


def test_readings_of_monthly_visits_both_count(tmp_path):
    visits = [visit("P1", day, 1, rh_percent=rh) for day, rh in (("2025-02-03", 20), ("2025-03-03", 40))]
    rows = used(leaf_time(tmp_path, [FIG], visits))
    assert rows["rh"].to_list() == [-1, 30]


def test_a_reading_taken_at_a_moved_plant_is_of_the_site_where_it_stands(tmp_path):
    plants = [FIG, "P2,S2,B1,Ficus benjamina,17,medium,2025-01-06,1"]
    visits = [visit("P1", "2025-02-03", 0, rh_percent=20), visit("P1", "2025-03-03", 0, rh_percent=40)]
    visits += [visit("P2", "2025-02-03", 0), visit("P2", "2025-03-03", 0)]
    moves = ("P1,2025-01-20,S2,B2,low",)
    rows = used(leaf_time(tmp_path, plants, visits, moves=moves)).set_index(["plant_id", "to_on"])
    assert rows.xs("P2")["rh"].to_list() == [-1, 30]


def test_air_without_reading_is_a_level_of_its_own(tmp_path):
    rows = used(leaf_time(tmp_path, [FIG], [visit("P1", "2025-02-10", 0)]))
    assert (rows.loc[0, "rh"], rows.loc[0, "warmth"]) == (-1, "unknown")


def test_changes_hold_from_their_day_on_in_steps_of_thirty_days(tmp_path):
    # Installed 6 January. Repotted at the visit of 7 April (day 91 of its life), so the stretch that ends then has not
    # been repotted yet. Middles of the stretches after it: 14, 42, 70, 98 days.
    days = ["2025-02-03", "2025-03-03", "2025-04-07", "2025-05-05", "2025-06-02", "2025-06-30", "2025-07-28"]
    visits = [visit("P1", day, 1, repotted="Y" if day == "2025-04-07" else "N") for day in days]
    rows = used(leaf_time(tmp_path, [FIG], visits))
    assert rows["repotted"].to_list() == ["no"] * 3 + ["days 1-30", "days 31-60", "days 61-90", "no"]
    # Middles of life: 20 January (14), 17 February (42), 20 March (73), 21 April (105), ...
    assert rows["new"].to_list() == ["days 1-30", "days 31-60", "days 61-90", "no", "no", "no", "no"]


def test_a_move_changes_site_light_and_position_from_its_day_on(tmp_path):
    visits = [visit("P1", day, 1) for day in ("2025-02-03", "2025-03-03", "2025-03-31")]
    moves = ("P1,2025-03-03,S2,by the entrance door,low",)
    rows = used(leaf_time(tmp_path, [FIG], visits, moves=moves))
    assert rows["site_id"].to_list() == ["S1", "S1", "S2"]
    assert rows["client_id"].to_list() == ["C1", "C1", "C2"]
    assert rows["light"].to_list() == ["medium", "medium", "low"]
    assert rows["opening"].to_list() == ["elsewhere", "elsewhere", "near a vent or door"]
    assert rows["moved"].to_list() == ["no", "no", "days 1-30"]


def test_dryness_found_is_kept_with_its_lag_and_by_kind_of_plant(tmp_path):
    plants = [FIG, "P2,S1,A2,Epipremnum aureum,17,medium,2025-01-06,1"]
    soils = {"2025-01-20": "moist", "2025-02-03": "dry", "2025-02-17": "wet"}
    visits = [visit(p, day, 1, topsoil=soil, watered="Y") for p in ("P1", "P2") for day, soil in soils.items()]
    rows = used(leaf_time(tmp_path, plants, visits))
    assert rows["dry"].to_list() == ["no", "dry (figs)", "no", "no", "dry (others)", "no"]
    # On installation nobody noted the soil.
    assert rows["rewatered"].to_list() == ["unknown", "no", "dry (figs)", "unknown", "no", "dry (others)"]


def test_turning_counts_for_thirty_days_and_only_for_species_that_lean(tmp_path):
    plants = ["P1,S1,A1,Ficus cyathistipula,17,medium,2025-01-06,1", "P2,S1,A2,Ficus lyrata,17,medium,2025-01-06,1"]
    days = ["2025-01-20", "2025-02-03", "2025-03-03"]
    visits = [visit(p, day, 1, rotated="Y" if day == "2025-01-20" else "N") for p in ("P1", "P2") for day in days]
    rows = used(leaf_time(tmp_path, plants, visits))
    # 3 February is 14 days after the turn, 3 March 42.
    assert rows["turned"].to_list() == ["no", "turned", "no"] + ["no"] * 3


def test_a_counted_line_gives_the_days_of_all_its_plants_still_there(tmp_path):
    # Six plants; two die on 3 February. 14 x 6 = 84 plant-days, then 14 x 4 = 56.
    plants = ["P1,S1,A1,Epipremnum aureum,17,medium,2025-01-06,6"]
    visits = [visit("P1", "2025-01-20", 6), visit("P1", "2025-02-03", 6), visit("P1", "2025-02-17", 6)]
    time = leaf_time(tmp_path, plants, visits, replacements=("P1,2025-02-03,2025-02-03,DIED,died,2",))
    assert used(time)["plant_days"].to_list() == [84, 84, 56]


def test_order_of_rows_makes_no_difference(tmp_path):
    visits = [visit("P1", day, n) for n, day in enumerate(["2025-01-20", "2025-02-03", "2025-02-17"])]
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    forward = used(leaf_time(tmp_path / "a", [FIG], visits))
    backward = used(leaf_time(tmp_path / "b", [FIG], visits[::-1]))
    pd.testing.assert_frame_equal(forward, backward)
