"""Firms whose tag stays with the place: each installation is a plant, and the figures are those of ids of their own.

The invented firm has ids of its own; its records are then written as firms write them that tag the place: visits, moves
and replacements under the first plant's id, and one row of the plant list a place, or one a life.
"""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, quality, records, simulate
from plantstats.records import Records
from plantstats.settings import settings_from
from tests.builders.case_folder import PLAIN

AS_OF = date(2026, 9, 30)


def read(folder: Path, table: str) -> pd.DataFrame:
    return pd.read_csv(folder / f"{table}.csv", dtype=str)


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ids") / "own"
    simulate.make(folder, 200, 2.0, 4)
    return folder


def tagged(own: Path, name: str) -> Path:
    """The same firm with one id a place: "one" row each, kept up to date, or "several" rows, one a life."""
    folder = own.parent / name
    shutil.copytree(own, folder)
    plants, replaced = read(own, "plants"), read(own, "replacements")
    tag = dict(zip(plants["plant_id"], plants["plant_id"], strict=True))
    for before, after in replaced[["plant_id", "replaced_by"]].dropna().itertuples(index=False):
        tag[after] = tag[before]
    for table in ("visits", "moves", "replacements"):
        frame = read(own, table)
        frame["plant_id"] = frame["plant_id"].map(tag).fillna(frame["plant_id"])
        frame.drop(columns="replaced_by", errors="ignore").to_csv(folder / f"{table}.csv", index=False)
    plants["tag"] = plants["plant_id"].map(tag)
    if name == "one":
        last = plants.drop_duplicates("tag", keep="last").set_index("tag")
        plants = plants[plants["plant_id"] == plants["tag"]].copy()
        for column in ("removed_on", "removal_reason"):
            plants[column] = plants["tag"].map(last[column])
    plants.assign(plant_id=plants["tag"]).drop(columns="tag").to_csv(folder / "plants.csv", index=False)
    return folder


def figures(of: Records) -> tuple[int, int, int, int]:
    time = exposure.build(of, AS_OF)
    whole = time.exposure_table([]).iloc[0]
    lifetimes = time.lifetimes
    return int(whole["losses"]), int(whole["plant_days"]), len(lifetimes), int(lifetimes["event"].sum())


@pytest.mark.parametrize("name", ["one", "several"])
def test_a_firm_that_tags_the_place_has_the_losses_and_plant_days_of_the_same_firm_with_ids_of_its_own(own, name):
    loaded = records.load(tagged(own, name))
    truth = records.load(own)
    assert figures(loaded) == figures(truth)
    assert len(loaded.table("plants")) == len(truth.table("plants"))
    # One loss, one life: each replacement row names another plant, and each plant is lost once at most.
    assert loaded.table("replacements")["plant_id"].is_unique
    seen = loaded.table("visits").groupby("plant_id")["visited_on"].count()
    assert sorted(seen) == sorted(truth.table("visits").groupby("plant_id")["visited_on"].count())


def only(own: Path, name: str, plants: set[str]) -> Path:
    """The same firm without the other plants and without moves."""
    folder = own.parent / name
    shutil.copytree(own, folder, ignore=shutil.ignore_patterns(".plantstats_cache"))
    (folder / "moves.csv").unlink()
    for table in ("plants", "visits", "replacements"):
        frame = read(own, table)
        frame[frame["plant_id"].isin(plants)].to_csv(folder / f"{table}.csv", index=False)
    return folder


@pytest.mark.parametrize("rows", ["one", "several"])
def test_a_firm_without_any_plant_id_has_the_figures_of_the_same_firm_with_ids(own, rows):
    tags = tagged(own, rows) if not (own.parent / rows).exists() else own.parent / rows
    moved = set(read(tags, "moves")["plant_id"])
    site = read(tags, "plants").drop_duplicates("plant_id").set_index("plant_id")["site_id"]
    without = only(tags, f"without_{rows}", set(site.index) - moved)
    for table in ("plants", "visits", "replacements"):
        frame = read(without, table)
        frame = frame.assign(position=frame["plant_id"], site_id=frame["plant_id"].map(site))
        frame.drop(columns="plant_id").to_csv(without / f"{table}.csv", index=False)
    loaded = records.load(without)
    chain = dict(read(own, "replacements")[["replaced_by", "plant_id"]].dropna().itertuples(index=False))

    def first(plant: str) -> str:
        return first(chain[plant]) if plant in chain else plant

    kept = {plant for plant in read(own, "plants")["plant_id"] if first(plant) not in moved}
    truth = records.load(only(own, f"kept_{rows}", kept))
    assert figures(loaded) == figures(truth)
    assert figures(loaded)[0] > 10
    assert loaded.notes["kind"].eq("named by place").sum() == 3
    assert not {"orphan_plant", "still_visited", "replaced_twice"} & set(quality.check(loaded, AS_OF)["code"])


def test_a_plant_list_with_ids_and_a_row_without_one_is_no_list_of_places(tmp_path):
    head = PLAIN["plants.csv"].splitlines()[0]
    plants = f"{head}\nP1,S1,A1,Epipremnum aureum,17,medium,2025-01-06\n,S1,A2,Epipremnum aureum,17,medium,2025-01-06\n"
    loaded = small(tmp_path / "a", "", "", plants)
    assert loaded.table("plants")["plant_id"].tolist() == ["P1"]
    assert loaded.set_aside["reason"].tolist() == ["no plant_id"]


def test_rows_of_one_id_that_disagree_on_the_place_or_the_money_are_none_of_them_used(tmp_path):
    head = PLAIN["plants.csv"].splitlines()[0] + ",cost"
    rows = (
        "P1,S1,A1,Epipremnum aureum,17,medium,2025-01-06,20",
        "P1,S1,A1,Epipremnum aureum,17,medium,2025-01-06,30",
        "P2,S1,A2,Epipremnum aureum,17,medium,2025-01-06,20",
        "P2,S1,A2,Ficus lyrata,17,medium,2025-01-06,20",
        "P3,S1,A3,Epipremnum aureum,17,medium,2025-01-06,20",
        "P3,S9,A3,Epipremnum aureum,17,medium,2025-02-06,20",
    )
    loaded = small(tmp_path / "a", "", "", "\n".join([head, *rows]) + "\n")
    assert loaded.table("plants")[["plant_id", "species"]].values.tolist() == [["P2", "Epipremnum aureum"]]
    told = dict(loaded.set_aside[["line", "reason"]].itertuples(index=False))
    assert set(told) == {2, 3, 5, 6, 7}
    assert (
        told[2] == told[3] and "lines" not in told[2] and "different cost (20.0, 30.0): none of them is used" in told[2]
    )
    assert "which is used; here with species 'Ficus lyrata' (there 'Epipremnum aureum')" in told[5]
    assert "different site_id ('S1', 'S9')" in told[6]
    row = loaded.account[loaded.account["table"].eq("plants")].iloc[0]
    assert (row["rows_read"], row["rows_used"], row["rows_set_aside"]) == (6, 1, 5)


def test_the_account_says_how_many_lives_came_out_of_how_many_ids_and_by_which_rule(own):
    folder = own.parent / "several"
    loaded = records.load(folder if folder.exists() else tagged(own, "several"))
    (note,) = loaded.notes.loc[loaded.notes["kind"].eq("ids of places"), "text"]
    lives = loaded.table("plants")["plant_id"].str.partition("#")
    several = lives[lives[1].eq("#")]
    assert f"{len(several)} plants, one a life, came out of {several[0].nunique()} ids" in note
    assert "replaced or installed again after a replacement" in note
    faults = quality.check(loaded, AS_OF)
    assert not {"still_visited", "replaced_twice", "duplicate_key"} & set(faults["code"])


def test_ids_of_plants_stay_as_they_are(own):
    loaded = records.load(own)
    assert not loaded.table("plants")["plant_id"].str.contains("#").any()
    assert "ids of places" not in set(loaded.notes["kind"])


def small(
    folder: Path, replacements: str, visits: str = "", plants: str = "", moves: str = "", **settings: str
) -> Records:
    folder.mkdir(exist_ok=True)
    for name, text in PLAIN.items():
        (folder / name).write_text(text, encoding="utf-8")
    with (folder / "replacements.csv").open("a", encoding="utf-8") as file:
        file.write(replacements)
    (folder / "visits.csv").write_text("visited_on,plant_id,condition\n" + visits, encoding="utf-8")
    if plants:
        (folder / "plants.csv").write_text(plants, encoding="utf-8")
    if moves:
        (folder / "moves.csv").write_text("plant_id,moved_on,to_site_id,to_light\n" + moves, encoding="utf-8")
    return records.load(folder, settings_from(dict(settings), "records.toml"))


ONE = "P1,2025-03-05,,,,,\n"
AGAIN = "2025-04-01,P1,4\n2025-05-01,P1,4\n"


def test_one_plant_visited_after_its_replacement_is_a_slip_and_no_way_of_tagging(tmp_path):
    assert small(tmp_path / "a", ONE, AGAIN).table("plants")["plant_id"].tolist() == ["P1", "P2", "P3"]


def test_the_settings_force_it_or_forbid_it(tmp_path):
    forced = small(tmp_path / "a", ONE, AGAIN, plant_ids="place")
    assert forced.table("plants")["plant_id"].tolist() == ["P1#1", "P1#2", "P2", "P3"]
    assert "so the settings say" in forced.notes.loc[forced.notes["kind"].eq("ids of places"), "text"].iloc[0]
    twice = "".join(f"P{n},2025-0{month}-05,,,,,\n" for month in (3, 6) for n in (1, 2, 3))
    assert len(small(tmp_path / "b", twice).table("plants")) == 9
    assert len(small(tmp_path / "c", twice, plant_ids="plant").table("plants")) == 3


def test_visits_moves_and_replacements_go_to_the_life_of_their_day(tmp_path):
    # A day belongs to the life that it ends: the visit of 5 March is of the plant that was replaced on it.
    visits = "2025-02-01,P1,3\n2025-03-05,P1,1\n2025-03-06,P1,5\n2025-07-01,P1,4\n"
    loaded = small(tmp_path / "a", ONE, visits, moves="P1,2025-06-01,S1,low\n", plant_ids="place")
    assert loaded.table("visits")["plant_id"].tolist() == ["P1#1", "P1#1", "P1#2", "P1#2"]
    assert loaded.table("replacements")[["plant_id", "replaced_by"]].values.tolist() == [["P1#1", "P1#2"]]
    assert loaded.table("moves")["plant_id"].tolist() == ["P1#2"]
    first, second = loaded.table("plants").iloc[:2].to_dict("records")
    assert (first["installed_on"], second["installed_on"]) == (pd.Timestamp("2025-01-06"), pd.Timestamp("2025-03-05"))


def test_an_install_date_written_over_is_that_of_the_plant_that_stands_there(tmp_path):
    head = PLAIN["plants.csv"].splitlines()[0]
    plants = (
        f"{head}\nP1,S1,A1,Epipremnum aureum,17,medium,2025-03-07\nP2,S1,A2,Epipremnum aureum,17,medium,2025-01-06\n"
    )
    rows = small(tmp_path / "a", ONE, AGAIN, plants, plant_ids="place").table("plants")
    assert rows["installed_on"].isna().tolist() == [True, False, False]
    assert rows["installed_on"].iloc[1] == pd.Timestamp("2025-03-07")


def test_a_successor_stands_where_the_plant_before_it_was_taken_and_none_comes_after_the_end_of_a_lease(tmp_path):
    loaded = small(tmp_path / "a", ONE, AGAIN, moves="P1,2025-02-01,,low\n", plant_ids="place")
    assert loaded.table("plants")["light"].tolist()[:2] == ["medium", "low"]
    ended = small(tmp_path / "b", "P1,2025-03-05,lease_end,,,,\n", plant_ids="place")
    assert ended.table("plants")["plant_id"].tolist() == ["P1", "P2", "P3"]


def test_rows_of_one_id_that_make_no_chain_are_set_aside_and_counted(tmp_path):
    head = PLAIN["plants.csv"].splitlines()[0]
    plants = (
        f"{head}\nP1,S1,A1,Epipremnum aureum,17,medium,2025-01-06\nP1,S1,A1,Epipremnum aureum,17,medium,2025-02-06\n"
    )
    loaded = small(tmp_path / "a", "", "", plants, plant_ids="place")
    assert loaded.table("plants")["plant_id"].tolist() == ["P1"]
    assert loaded.set_aside["code"].tolist() == ["duplicate_key"]
    row = loaded.account[loaded.account["table"].eq("plants")].iloc[0]
    assert (row["rows_read"], row["rows_used"], row["rows_set_aside"]) == (2, 1, 1)
