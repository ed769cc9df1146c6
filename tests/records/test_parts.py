"""Tables that come as folders of parts: the whole is that of one file, each part is read once, branches stay apart."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pandas as pd
import pytest

from plantstats import records
from plantstats.quality.console import check_folder
from plantstats.records import RecordError, cache, parts
from plantstats.schema.faults import Code
from plantstats.schema.tables import OF_BRANCH, TABLES
from tests.builders.case_folder import PLAIN, folder, load

HEAD = "visited_on,plant_id,topsoil,leaves_dropped\n"
JANUARY = "2025-01-13,P1,dry,2\n2025-01-13,P2,moist,0\n2025-01-20,P1,dry,many\n"
# The second line stands in January too; P9 is in no plant list; a day that is none.
FEBRUARY = "2025-02-03,P1,dry,1\n2025-01-13,P2,moist,0\n2025-02-03,P9,wet,0\n2025-02-30,P3,dry,0\n"
MARCH = "2025-03-03,P1,dry,4\n"


def put(place: Path, **files: str) -> Path:
    """Write files below a folder: `visits__2025_01` is visits/2025-01.csv."""
    for name, text in files.items():
        path = place.joinpath(*name.replace("_", "-").replace("--", "/").split("/")).with_suffix(".csv")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return place


@pytest.fixture
def monthly(tmp_path: Path) -> Path:
    return put(folder(tmp_path / "monthly"), visits__2025_01=HEAD + JANUARY, visits__2025_02=HEAD + FEBRUARY)


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the parts that were opened, in turn."""
    opened: list[str] = []

    def count(path: Path, *rest: object) -> object:
        opened.append(path.name)
        return parts_open(path, *rest)

    parts_open: object = parts.open_file
    monkeypatch.setattr(parts, "open_file", count)
    return opened


def without_place(table: pd.DataFrame) -> pd.DataFrame:
    return table.drop(columns=["file", "line"]).sort_values(["visited_on", "plant_id"], ignore_index=True)


def test_the_whole_is_that_of_one_file_and_the_account_that_of_each_part(monthly: Path, tmp_path: Path) -> None:
    of_parts = load(monthly)
    of_one = load(folder(tmp_path / "one", visits=HEAD + JANUARY + FEBRUARY))
    pd.testing.assert_frame_equal(without_place(of_parts.table("visits")), without_place(of_one.table("visits")))
    assert of_parts.supplied == of_one.supplied
    # By hand: January is used whole; of February's four rows one came before and one has no day.
    account = of_parts.account.set_index("file")[["rows_read", "rows_used", "rows_set_aside"]]
    assert account.loc["visits/2025-01.csv"].tolist() == [3, 3, 0]
    assert account.loc["visits/2025-02.csv"].tolist() == [4, 2, 2]
    assert set(of_parts.digests) == {*PLAIN, "visits/2025-01.csv", "visits/2025-02.csv"}


def test_faults_name_the_part_and_its_line_within_it_and_across(monthly: Path) -> None:
    aside = load(monthly).set_aside
    places = list(zip(aside["file"], aside["line"], aside["code"], strict=True))
    assert places == [
        ("visits/2025-01.csv", 4, Code.UNKNOWN_LEAF_WORD),
        ("visits/2025-02.csv", 3, Code.SAME_LINE_TWICE),
        ("visits/2025-02.csv", 5, Code.UNREADABLE_DATE),
    ]
    assert "visits/2025-01.csv line 3" in aside["reason"][1]


def test_what_parts_decide_alike_is_told_once(monthly: Path) -> None:
    text, usable, *_ = check_folder(monthly)
    assert usable and "visits (2 files, first visits/2025-01.csv): read as utf-8, delimiter comma" in text


def test_only_what_is_new_or_changed_is_read_again(monthly: Path, read: list[str]) -> None:
    load(monthly)
    assert read == ["2025-01.csv", "2025-02.csv"]
    put(monthly, visits__2025_03=HEAD + MARCH)
    assert len(load(monthly).table("visits")) == 6
    assert read[2:] == ["2025-03.csv"]
    # Another table changes: no part is read. A part changes: that one. The settings change: all.
    (monthly / "sites.csv").write_text(PLAIN["sites.csv"].replace("North", "South"), encoding="utf-8")
    load(monthly)
    put(monthly, visits__2025_01=HEAD + JANUARY.replace("dry,2", "dry,7"))
    assert load(monthly).table("visits")["leaves_dropped"].max() == 7
    assert read[3:] == ["2025-01.csv"]
    (monthly / "records.toml").write_text("[leaf_words]\nmany = [5, 9]\n", encoding="utf-8")
    assert load(monthly).table("visits")["dropped_upper"].max() == 9
    assert read[4:] == ["2025-01.csv", "2025-02.csv", "2025-03.csv"]


def test_a_part_of_another_name_or_folder_is_another_part(monthly: Path, read: list[str]) -> None:
    load(monthly)
    (monthly / "visits" / "2025-01.csv").rename(monthly / "visits" / "january.csv")
    assert "visits/january.csv" in set(load(monthly).table("visits")["file"])
    assert read[2:] == ["january.csv"]


@pytest.mark.parametrize("harm", ["cut off", "of another part", "account changed", "gone"])
def test_a_kept_part_that_is_not_as_it_was_written_is_read_again(monthly: Path, read: list[str], harm: str) -> None:
    before = load(monthly)
    kept = {cache.read_content(p)["account"][0]["file"]: p for p in (before.cache.parent / cache.PARTS).iterdir()}
    one, other = kept["visits/2025-01.csv"], kept["visits/2025-02.csv"]
    if harm == "cut off":
        (one / parts.ROWS).write_bytes((one / parts.ROWS).read_bytes()[:-9])
    elif harm == "of another part":
        shutil.rmtree(one)
        shutil.copytree(other, one)
    elif harm == "account changed":
        text = (one / cache.CONTENT_FILE).read_text(encoding="utf-8")
        (one / cache.CONTENT_FILE).write_text(text.replace("2025-01.csv", "2025-09.csv"), encoding="utf-8")
    else:
        (one / parts.FAULTS).unlink()
    shutil.rmtree(before.cache)
    after = load(monthly)
    assert read[2:] == ["2025-01.csv"]
    pd.testing.assert_frame_equal(after.table("visits"), before.table("visits"))
    pd.testing.assert_frame_equal(after.set_aside, before.set_aside)


def test_kept_parts_go_once_no_cache_needs_them_and_a_day_has_passed(monthly: Path) -> None:
    kept = load(monthly).cache.parent / cache.PARTS
    first = set(kept.iterdir())
    for leaves in range(10, 14):
        put(monthly, visits__2025_01=HEAD + JANUARY.replace("dry,2", f"dry,{leaves}"))
        load(monthly)
    # Those of the cache in use and of the two kept beside it share February.
    used = {p for p in kept.iterdir() if cache.read_content(p)["account"][0]["file"].endswith("02.csv")}
    assert first <= set(kept.iterdir()) and len(set(kept.iterdir())) == 6
    for place in kept.iterdir():
        os.utime(place / cache.CONTENT_FILE, (1, 1))
    put(monthly, visits__2025_01=HEAD + JANUARY.replace("dry,2", "dry,20"))
    load(monthly)
    assert used <= set(kept.iterdir()) and len(set(kept.iterdir())) == 4
    assert not (first - used) & set(kept.iterdir())


def test_parts_read_before_a_fault_are_not_read_again_after_it(monthly: Path, read: list[str]) -> None:
    put(monthly, visits__2025_03="<html>no table</html>\n")
    with pytest.raises(RecordError, match=r"visits/2025-03\.csv is an HTML page"):
        records.load(monthly)
    put(monthly, visits__2025_03=HEAD + MARCH)
    load(monthly)
    assert read == ["2025-01.csv", "2025-02.csv", "2025-03.csv", "2025-03.csv"]


def test_parquet_parts_are_read_as_an_engine_writes_them(monthly: Path) -> None:
    expected = load(monthly)
    for path in sorted((monthly / "visits").iterdir()):
        table = pd.read_csv(path, dtype="str")
        (monthly / "visits.parquet" / path.stem).mkdir(parents=True)
        table.to_parquet(monthly / "visits.parquet" / path.stem / "part-0.parquet", index=False)
    (monthly / "visits.parquet" / "_SUCCESS").touch()
    shutil.rmtree(monthly / "visits")
    of_parquet = load(monthly)
    pd.testing.assert_frame_equal(without_place(of_parquet.table("visits")), without_place(expected.table("visits")))
    # A row of Parquet is named by its number, from 1; a line of text by its own, below the heads.
    assert of_parquet.set_aside["line"].tolist() == [line - 1 for line in expected.set_aside["line"]]
    assert of_parquet.set_aside["file"][2] == "visits.parquet/2025-02/part-0.parquet"


def test_a_folder_of_parts_may_be_named_in_the_settings(monthly: Path) -> None:
    expected = load(monthly)
    (monthly / "export").mkdir()
    (monthly / "visits").rename(monthly / "export" / "log")
    (monthly / "records.toml").write_text("[tables.visits]\nfile = 'export/log'\n", encoding="utf-8")
    assert len(load(monthly).table("visits")) == len(expected.table("visits"))


def test_a_proposal_looks_into_the_first_part(monthly: Path) -> None:
    text = records.propose_settings(monthly).read_text(encoding="utf-8")
    assert 'file = "visits"\n# as seen in visits/2025-01.csv, the first of 2 parts' in text
    assert len(load(monthly).table("visits")) == 5


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({}, "visits is a folder without a CSV or Parquet file"),
        ({"notes.md": ""}, "visits is a folder without a CSV or Parquet file"),
        ({"a.csv": HEAD, "north/b.parquet": ""}, r"visits holds CSV and Parquet parts \(visits/a.csv, visits/north/b"),
        ({"a.csv": HEAD, "b.xlsx": ""}, r"visits holds \.xlsx files \(.*visits/b\.xlsx\); parts are CSV or Parquet"),
        ({"a.csv": HEAD, "b.csv.gz": ""}, r"visits/b\.csv\.gz is packed; unpack it"),
    ],
)
def test_a_folder_that_holds_no_parts_is_refused(tmp_path: Path, files: dict[str, str], said: str) -> None:
    place = folder(tmp_path)
    (place / "visits").mkdir()
    for name, text in files.items():
        path = place / "visits" / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=said):
        records.load(place)


def test_a_file_and_a_folder_of_one_name_are_not_chosen_between(monthly: Path) -> None:
    (monthly / "visits.csv").write_text(HEAD + MARCH, encoding="utf-8")
    with pytest.raises(RecordError, match=r"visits: visits\.csv, visits/ could all be meant"):
        records.load(monthly)


SITES, PLANTS, GONE = (PLAIN[f"{name}.csv"] for name in ("sites", "plants", "replacements"))
LOST = GONE + "P1,2025-03-10,pest,P3,guaranteed,20,10\n"
MOVED = "plant_id,moved_on,to_site_id\nP2,2025-02-10,S1\n"


@pytest.fixture
def branches(tmp_path: Path) -> Path:
    """Two branches that number alike; the south lost P1."""
    place = put(
        tmp_path,
        sites__north=SITES,
        plants__north=PLANTS,
        sites__south=SITES,
        plants__south=PLANTS,
        visits__north__2025_01=HEAD + JANUARY.replace("many", "3"),
        visits__south__2025_01=HEAD + JANUARY.replace("many", "3"),
        replacements__north=GONE,
        replacements__south=LOST,
        moves__south=MOVED,
    )
    for path in [p for p in place.rglob("*.csv") if p.stem in ("north", "south")]:
        path.with_suffix("").mkdir()
        path.rename(path.with_suffix("") / path.name)
    return place


def test_the_same_id_in_two_branches_is_two_plants_where_the_settings_say_so(branches: Path) -> None:
    (branches / "records.toml").write_text("ids_by_branch = true\n", encoding="utf-8")
    made = load(branches)
    assert made.set_aside.empty
    both = [f"{branch}/P{n}" for branch in ("north", "south") for n in (1, 2, 3)]
    assert made.table("plants")["plant_id"].tolist() == both
    assert made.table("sites")[["site_id", "client_id"]].to_numpy().tolist() == [
        ["north/S1", "north/C1"],
        ["south/S1", "south/C1"],
    ]
    assert made.table("plants")["position"].tolist() == ["A1", "A2", "A3"] * 2
    # Equal lines of two branches are two visits.
    assert made.table("visits")["plant_id"].value_counts().to_dict() == {
        "north/P1": 2,
        "north/P2": 1,
        "south/P1": 2,
        "south/P2": 1,
    }
    assert made.table("replacements")[["plant_id", "replaced_by"]].to_numpy().tolist() == [["south/P1", "south/P3"]]
    assert made.table("moves")["to_site_id"].tolist() == ["south/S1"]


def test_without_the_setting_a_clash_of_ids_is_the_fault_that_it_is(branches: Path) -> None:
    made = load(branches)
    keys = made.set_aside[made.set_aside["code"] == Code.DUPLICATE_KEY]
    assert keys["text"].tolist() == ["P1", "P2", "P3", "S1"]
    assert set(keys["file"]) == {"plants/south/south.csv", "sites/south/south.csv"}
    assert "stands already in plants/north/north.csv line 2" in keys["reason"].iloc[0]


def test_plants_without_ids_are_named_by_branch_site_and_position(branches: Path) -> None:
    (branches / "records.toml").write_text("ids_by_branch = true\n", encoding="utf-8")
    for branch in ("north", "south"):
        path = branches / "plants" / branch / f"{branch}.csv"
        rows = [line.partition(",")[2] for line in PLANTS.splitlines()]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert load(branches).table("plants")["plant_id"].tolist()[2:4] == ["north/S1/A3", "south/S1/A1"]


def test_settings_of_a_site_name_its_branch(branches: Path) -> None:
    text = """ids_by_branch = true
        [sites."south/S1"]
        observed_from = 2025-01-02
        [units.pot_cm.by_site_id]
        "north/S1" = "inch"
        "south/S1" = "cm"
        """
    (branches / "records.toml").write_text(text, encoding="utf-8")
    made = load(branches)
    assert made.table("sites")["observed_from"].notna().tolist() == [False, True]
    # An inch is 2.54 cm (NIST SP 811).
    assert made.table("plants")["pot_cm"].tolist() == pytest.approx([17 * 2.54] * 3 + [17] * 3)
    (branches / "records.toml").write_text(text.replace('[sites."south', '[sites."'), encoding="utf-8")
    with pytest.raises(RecordError, match=r"the table of sites has no such site"):
        records.load(branches)


def test_a_part_of_no_branch_or_of_one_without_sites_is_refused(branches: Path) -> None:
    (branches / "records.toml").write_text("ids_by_branch = true\n", encoding="utf-8")
    put(branches, visits__2025_02=HEAD + MARCH, visits__North__2025_03=HEAD + MARCH)
    (branches / "readings.csv").write_text("site_id,read_at,rh_percent\n", encoding="utf-8")
    with pytest.raises(RecordError) as error:
        records.load(branches)
    assert error.value.faults == [
        "ids_by_branch: visits/2025-02.csv stands in no folder of a branch, such as visits/north/2025-02.csv",
        "ids_by_branch: visits: the table of sites has no branch North; did you mean north?",
        "ids_by_branch: readings.csv stands in no folder of a branch, such as readings/north/readings.csv",
    ]


def test_a_setting_that_is_no_flag_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"ids_by_branch: wants true or false, has 'yes'"):
        records.load(folder(tmp_path, records="ids_by_branch = 'yes'\n"))


def test_every_id_is_of_a_branch_or_known_not_to_be() -> None:
    ids = {c.name for table in TABLES.values() for c in table.columns if c.kind == "id"}
    # A position is one within a site; a batch is the supplier's number.
    assert ids - set(OF_BRANCH) == {"position", "to_position", "supplier_batch"}
