"""What `records.load` promises: types, columns, cache, settings, and a proposal that loads."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from plantstats import records
from plantstats.records import RecordError
from plantstats.records.scan import DictionaryColumn
from plantstats.schema.tables import TABLES
from tests.builders.case_folder import CASES, case_folder, folder, load
from tests.builders.contract import contract

ALL = {
    "sites": "site_id,client_id,planned_visit_days,observed_from\nS1,C1,14,2024-01-01\n",
    "plants": "plant_id,site_id,position,species,cultivar,pot_cm,height_cm,light,planter,installed_on,removed_on,"
    "removal_reason,guarantee_until,ownership,supplier_batch,cost,quantity\n"
    "P1,S1,A1,weeping fig,Danielle,24,150,high,double potted,2024-02-01,2025-01-05,lease end,,company,B1,60,\n"
    "L1,S1,,pothos,,15,,low,sub-irrigated,,,,,,,6.5,6\n",
    "visits": "visited_on,plant_id,technician,status,topsoil,watered,leaves_dropped,condition,minutes\n"
    "2024-03-01,P1,ida,done,Dry,yes,3,4,2.5\n2024-03-01,L1,,completed,moist,no,,,\n",
    "replacements": "plant_id,replaced_on,found_on,cause,quantity,covered,plant_cost\nL1,2024-05-05,2024-05-01,"
    "dead,2,guaranteed,6.5\nL1,2024-07-05,,STOLEN,1,,\nL1,2024-08-05,,zapped,1,,\n",
    "contracts": "client_id,starts_on,monthly_fee,currency\nC1,2024-01-01,120,EUR\n",
    "moves": "plant_id,moved_on,to_light\nP1,2024-06-01,Medium\n",
    "readings": "site_id,read_at,rh_percent,temp_c\nS1,2024-03-01 08:15:30,41.2,20.5\n",
}


def test_every_table_has_every_column_in_its_promised_type(tmp_path: Path) -> None:
    made = load(folder(tmp_path, **ALL))
    for name in TABLES:
        contract(name).validate(made.table(name), lazy=True)
    types = {
        "visited_on": "datetime64[us]",
        "watered": "boolean",
        "leaves_dropped": "Int64",
        "minutes": "float64",
        "technician": "str",
        "file": "str",
    }
    assert {c: str(made.table("visits")[c].dtype) for c in types} == types
    schema = pq.read_schema(made.parquet("visits"))
    assert str(schema.field("visited_on").type) == "date32[day]"
    assert str(pq.read_schema(made.parquet("readings")).field("read_at").type) == "timestamp[us]"
    assert made.table("readings")["read_at"][0] == pd.Timestamp("2024-03-01 08:15:30")


@pytest.mark.parametrize("case", sorted(p.name for p in CASES.glob("[A-Z]*")))
def test_the_account_of_every_situation_balances_and_its_tables_hold_their_contracts(tmp_path: Path, case: str) -> None:
    place = case_folder(tmp_path, case)
    for odd in (*place.glob("plants_dt.csv"), *place.glob("column_name.csv")):
        odd.unlink()
    for name, text in {
        "sites": "site_id,client_id\nS1,C1\n",
        "plants": "plant_id,site_id,species\nP1,S1,Ficus lyrata\n",
        "replacements": "plant_id,replaced_on,cause\n",
    }.items():
        if not (place / f"{name}.csv").exists():
            (place / f"{name}.csv").write_text(text)
    made, faults = records.survey(place)
    assert all(row.rows_read == row.rows_used + row.rows_set_aside for row in made.account.itertuples())
    for name in TABLES:
        contract(name).validate(made.table(name), lazy=True)
    # Only the columns that nothing proves and the doubled heads stop a table.
    assert bool(faults) == (case in ("D02", "E08")), faults


def test_a_table_that_was_not_supplied_is_there_and_empty(tmp_path: Path) -> None:
    made = load(folder(tmp_path))
    assert made.supplied["visits"] == [] and len(made.table("visits")) == 0
    assert list(made.table("moves").columns) == [*TABLES["moves"].names, "file", "line"]


def test_sites_plants_and_replacements_must_exist_in_writing(tmp_path: Path) -> None:
    place = folder(tmp_path)
    for name in ("sites", "plants", "replacements"):
        (place / f"{name}.csv").unlink()
    with pytest.raises(RecordError) as error:
        load(place)
    assert len(error.value.faults) == 3 and "claim that nothing was lost" in str(error.value)


def test_causes_become_outcomes_and_the_raw_words_are_kept(tmp_path: Path) -> None:
    made = load(folder(tmp_path, **ALL))
    gone = made.table("replacements")
    assert gone["cause"].tolist() == ["died", "theft", "unknown"]
    assert gone["outcome"].tolist() == ["died", "client", "declined"]
    assert gone["cause_text"].tolist() == ["dead", "STOLEN", "zapped"]
    told = made.notes[made.notes["kind"] == "unknown cause"]
    assert told["count"].tolist() == [1] and "'zapped'" in told["text"].item()
    plant = made.table("plants").iloc[0]
    assert (plant["removal_reason"], plant["removal_text"], plant["outcome"]) == ("lease_end", "lease end", "withdrawn")
    assert pd.isna(made.table("plants")["outcome"][1])


def test_the_users_cause_table_decides(tmp_path: Path) -> None:
    settings = '[causes]\nzapped = { cause = "pest", outcome = "declined" }\nDEAD = "disease"\n'
    gone = load(folder(tmp_path, records=settings, **ALL)).table("replacements")
    assert gone["cause"].tolist() == ["disease", "theft", "pest"]
    assert gone["outcome"].tolist() == ["died", "client", "declined"]


def test_names_are_accepted_through_aliases_and_misspellings_are_only_proposed(tmp_path: Path) -> None:
    plants = "plant_id,site_id,species\nP1,S1,weeping fig\nP2,S1,Ficus lyratta\nP3,S1,Hoya kerrii\nP4,S1,Janet  Craig\n"
    made = load(folder(tmp_path, plants=plants))
    assert made.table("plants")["species"].tolist() == [
        "Ficus benjamina",
        "Ficus lyratta",
        "Hoya kerrii",
        "Dracaena fragrans",
    ]
    told = made.notes.loc[made.notes["kind"] == "unknown species", "text"].tolist()
    assert "did you mean Ficus lyrata?" in told[0] and "did you mean" not in told[1]
    own = load(folder(tmp_path / "own", plants=plants, records='[species]\n"Ficus lyratta" = "Ficus lyrata"\n'))
    assert own.table("plants")["species"][1] == "Ficus lyrata"


def test_every_shipped_species_has_one_name_a_group_and_a_source() -> None:
    table = records.species_table()
    assert table["name"].is_unique and table[["group", "source"]].ne("").all().all()
    aliases = [a for row in table["aliases"] for a in row]
    assert len(aliases) == len(set(aliases)) and table["min_c"].between(0, 20).all()


def test_each_text_of_a_column_has_the_line_of_its_first_row_and_the_number_of_its_rows() -> None:
    column, texts = DictionaryColumn(), [["b", "a", "b"], ["a", "c", "c", "d", "b"]]
    lines = [np.arange(2, 5), np.arange(5, 10)]
    for block, of in zip(texts, lines, strict=True):
        column.add(pa.array(block).dictionary_encode(), of)
    assert dict(zip(column.texts, column.first_lines, strict=True)) == {"b": 2, "a": 3, "c": 6, "d": 8}
    assert column.counts.tolist() == [3, 2, 2, 1]


def test_the_second_load_reads_the_cache_and_tells_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = folder(tmp_path, **ALL | {"visits": ALL["visits"] + "2024-02-30,P1,,,,,,,\n"})
    first = load(place)
    monkeypatch.setattr(sys.modules["plantstats.records.load"], "_build", lambda *_: pytest.fail("read again"))
    again = records.load(place)
    for part in ("account", "set_aside", "notes"):
        pd.testing.assert_frame_equal(getattr(first, part), getattr(again, part))
    assert first.parquet("visits") == again.parquet("visits") and again.supplied == first.supplied
    assert again.digests["visits.csv"] == hashlib.sha256((place / "visits.csv").read_bytes()).hexdigest()


def test_deleting_the_cache_changes_nothing(tmp_path: Path) -> None:
    place = folder(tmp_path, **ALL)
    before = {name: load(place).table(name) for name in TABLES}
    shutil.rmtree(place / ".plantstats_cache")
    after = load(place)
    for name in TABLES:
        pd.testing.assert_frame_equal(before[name], after.table(name))


def test_a_changed_file_or_setting_is_read_afresh(tmp_path: Path) -> None:
    place = folder(tmp_path, **ALL)
    old = load(place).cache
    (place / "moves.csv").write_text("plant_id,moved_on\n")
    assert len(load(place).table("moves")) == 0
    (place / "records.toml").write_text("small_group = 7\n")
    assert load(place).settings.small_group == 7 and load(place).cache != old


def caches(place: Path) -> set[Path]:
    return set((place / ".plantstats_cache").iterdir())


def test_of_old_caches_the_newest_two_stay_and_the_rest_is_removed(tmp_path: Path) -> None:
    place, made = folder(tmp_path, **ALL), []
    for number in range(5):
        (place / "moves.csv").write_text(f"plant_id,moved_on\nP1,2024-06-0{number + 1}\n")
        made.append(load(place).cache)
        os.utime(made[-1] / "made.json", (1_000_000 + number, 1_000_000 + number))
    # Each change read: the fifth is in use, the third and fourth are kept.
    assert caches(place) == set(made[2:])
    # Reading again what is there removes nothing.
    assert load(place).cache == made[4] and caches(place) == set(made[2:])


def test_what_this_program_did_not_make_stays_beside_the_caches(tmp_path: Path) -> None:
    place = folder(tmp_path, **ALL)
    cache = load(place).cache
    strange = {cache.parent / name: "" for name in ("notes", "0" * 31)}
    for path in strange:
        path.mkdir()
    # A digest for a name, but a file of the user's in it; one whose made.json says something else; one without.
    odd = (("1" * 32, "mine.txt", "mine"), ("2" * 32, "made.json", "{}"), ("3" * 32, "a.parquet", ""))
    for name, file, text in odd:
        (cache.parent / name).mkdir()
        if name[0] == "1":
            shutil.copytree(cache, cache.parent / name, dirs_exist_ok=True)
        (cache.parent / name / file).write_text(text)
    (cache.parent / ("4" * 32)).symlink_to(cache, target_is_directory=True)
    before = caches(place)
    for number in range(4):
        (place / "moves.csv").write_text(f"plant_id,moved_on\nP1,2024-07-0{number + 1}\n")
        load(place)
    assert before - {cache} <= caches(place) and len(caches(place)) == len(before) - 1 + 3
    assert (cache.parent / ("1" * 32) / "mine.txt").read_text() == "mine"


def test_half_a_cache_is_never_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = folder(tmp_path, **ALL)

    def broken(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("plantstats.records.derive.fill", broken)
        with pytest.raises(KeyboardInterrupt):
            records.load(place)
    assert list((place / ".plantstats_cache").iterdir()) == []
    assert len(load(place).table("visits")) == 2


def test_a_folder_that_cannot_be_written_to_is_read_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = folder(tmp_path / "records", **ALL)
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (place / ".plantstats_cache").write_text("in the way: a file, so no folder can be made here")
    made = load(place)
    assert tmp_path / "temporary" in made.cache.parents and len(made.table("visits")) == 2


def test_the_settings_keep_to_the_folder(tmp_path: Path) -> None:
    (tmp_path / "outside.csv").write_text("plant_id,visited_on\nP1,2025-03-03\n")
    for name in ("../outside.csv", "/etc/hostname", "C:/x.csv", "a/../../outside.csv", "..\\outside.csv"):
        place = folder(tmp_path / hashlib.md5(name.encode()).hexdigest(), records=f"[tables.visits]\nfile = '{name}'\n")
        with pytest.raises(RecordError, match="inside the folder"):
            records.load(place)
    place = folder(tmp_path / "link", records="[tables.visits]\nfile = 'visits.csv'\n")
    os.symlink(tmp_path / "outside.csv", place / "visits.csv")
    with pytest.raises(RecordError, match="outside the folder"):
        records.load(place)
    (place / "records.toml").unlink()
    with pytest.raises(RecordError, match=r"visits\.csv is a link out of the folder"):
        records.load(place)


def test_a_site_that_only_the_settings_know_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"sites\.S99: the table of sites has no such site; did you mean S1\?|S99"):
        load(folder(tmp_path, records="[sites.S99]\nobserved_from = 2025-01-15\n", **ALL))


def test_a_row_of_heads_beyond_the_first_rows_of_the_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"tables\.visits\.header_row is 40, but none of the first"):
        load(folder(tmp_path, records="[tables.visits]\nheader_row = 40\n", **ALL))


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ('currency = "euro"\n', "ISO 4217"),
        ("small_group = 0\n", "from 1 to 1000"),
        ("fiscal_year_starts = 13\n", "from 1 to 12"),
        ('wage_per_hour = "30"\n', "wants a number"),
        ('heating_season = { starts = "13-01", ends = "04-15" }\n', "month-day"),
        ('[causes]\nx = "pests"\n', "did you mean pest?"),
        ('[causes]\nx = { cause = "pest", outcome = "gone" }\n', "wants one of died, declined, client, withdrawn"),
        ('hemisphere = "east"\n', "north, south"),
        ("x = \n", "cannot be read as TOML"),
        ('timezone = "Mars/Base"\n', "not a time zone"),
        ('[tables.visits.columns]\nplant = "x"\n', "did you mean plant_id?"),
        ("wage_per_hour = true\n", "wants"),
    ],
)
def test_settings_out_of_range_are_refused_by_name(tmp_path: Path, settings: str, said: str) -> None:
    with pytest.raises(RecordError, match=r"records.toml") as error:
        load(folder(tmp_path, records=settings))
    assert said in str(error.value)


def test_the_heating_season_is_mirrored_in_the_south(tmp_path: Path) -> None:
    assert load(folder(tmp_path)).settings.heating_season == ((10, 1), (4, 15))
    south = load(folder(tmp_path / "south", records='hemisphere = "south"\n')).settings
    assert south.heating_season == ((4, 1), (10, 15))
    own = load(folder(tmp_path / "own", records='heating_season = { starts = "11-01", ends = "03-31" }\n')).settings
    assert own.heating_season == ((11, 1), (3, 31))


def test_a_proposal_loads_as_it_is_and_overwrites_nothing(tmp_path: Path) -> None:
    place = folder(
        tmp_path,
        visits="Plant-ID;Visited On;topsoil\nP1;2025-03-04;trocken\n",
        replacements='plant_id,replaced_on,cause\nP1,2025-03-04,DEAD\nP2,2025-04-03,=EVIL"\\\n',
    )
    first = records.propose_settings(place)
    assert first.name == "records.toml"
    text = first.read_text(encoding="utf-8")
    assert 'visited_on = "Visited On"' in text and '# "trocken" = "..."' in text
    assert '"DEAD" = { cause = "died", outcome = "died" }' in text
    assert load(place).table("visits")["plant_id"].tolist() == ["P1"]
    second = records.propose_settings(place)
    assert second.name == "records.proposed.toml" and first.read_text(encoding="utf-8") == text
    with pytest.raises(RecordError, match="already"):
        records.propose_settings(place)


def test_a_proposal_says_what_it_could_not_read(tmp_path: Path) -> None:
    place = folder(tmp_path, visits="plant_id,visited_on\nP1,03/04/2025\n", plants="plant_id;site_id;sp\nP1;S1;x\n")
    (place / "moves.csv").write_bytes(b"")
    text = records.propose_settings(place).read_text(encoding="utf-8")
    assert "day and month cannot be told apart" in text and '# date_order = "dmy"' in text
    assert "# moves.csv is empty" in text
    assert '# not used: "sp"' in text


def test_dates_of_the_settings_are_dates(tmp_path: Path) -> None:
    made = load(folder(tmp_path, records="[sites.S1]\nobserved_from = 2025-01-15\n"))
    assert made.settings.observed_from == {"S1": date(2025, 1, 15)}


def test_a_file_that_no_table_reads_is_named(tmp_path: Path) -> None:
    place = folder(tmp_path)
    (place / "visit.csv").write_text("plant_id,visited_on\nP1,2025-03-03\n")
    made = load(place)
    assert made.notes.loc[made.notes["kind"] == "unused file", "file"].tolist() == ["visit.csv"]
    (place / "visit.csv").unlink()
    assert "unused file" not in set(load(place).notes["kind"])


def test_codes_of_the_settings_are_used_in_every_kind_of_column(tmp_path: Path) -> None:
    settings = (
        '[tables.visits.codes.condition]\ngood = "4"\n[tables.visits.codes.watered]\ngegossen = true\n'
        '[tables.visits.codes.topsoil]\ntrocken = "dry"\n[tables.visits.codes.technician]\nX7 = "ida"\n'
    )
    visits = "plant_id,visited_on,condition,watered,topsoil,technician\nP1,2025-03-03,Good,gegossen,TROCKEN,x7\n"
    row = load(folder(tmp_path, visits=visits, records=settings)).table("visits").iloc[0]
    assert row[["condition", "watered", "topsoil", "technician"]].tolist() == [4, True, "dry", "ida"]


def test_a_declared_thousands_mark_settles_the_decimal_mark(tmp_path: Path) -> None:
    plants = "plant_id;site_id;species;cost\nP1;S1;Ficus lyrata;1.250\n"
    made = load(folder(tmp_path, plants=plants, records='[tables.plants]\nthousands = "."\n'))
    assert made.table("plants")["cost"].tolist() == [1250.0]


def test_a_doubled_text_column_gives_the_one_that_was_asked_for(tmp_path: Path) -> None:
    visits = "plant_id,visited_on,note,Note\nP1,2025-03-03,first,last\n"
    settings = '[tables.visits.duplicates]\nnote = "last"\n'
    assert load(folder(tmp_path, visits=visits, records=settings)).table("visits")["note"].tolist() == ["last"]


def test_an_encoding_that_is_no_encoding_of_text_is_refused(tmp_path: Path) -> None:
    for name in ("zip", "base64", "no-such-encoding"):
        with pytest.raises(RecordError, match="is not known"):
            load(folder(tmp_path / name, records=f'[tables.sites]\nencoding = "{name}"\n'))


@pytest.mark.parametrize("name", ["visits.parquet", "made.json", "account.parquet"])
def test_a_damaged_cache_is_made_afresh(tmp_path: Path, name: str) -> None:
    place = folder(tmp_path, **ALL)
    cache = load(place).cache
    (cache / name).write_bytes(b"half")
    assert len(load(place).table("visits")) == 2


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ('[units.temp_c.by_shoe]\nx = "F"\n', "by_shoe: is not a setting"),
        ("[causes]\nx = [1]\n", "causes.x: wants a table"),
        ("[units]\ntemp_c = 5\n", "units.temp_c: wants a table"),
        ('[units.temp_c]\ndefault = ["F"]\n', "wants one of C, F, K"),
    ],
)
def test_settings_of_the_wrong_kind_are_refused_by_name(tmp_path: Path, settings: str, said: str) -> None:
    with pytest.raises(RecordError, match=said):
        load(folder(tmp_path, records=settings))


@pytest.mark.parametrize("number", ["1e999", "0e999", "9" * 400])
def test_numbers_too_large_for_any_number_are_set_aside(tmp_path: Path, number: str) -> None:
    made = load(folder(tmp_path, visits=f"plant_id,visited_on,litres\nP1,2025-03-03,{number}\n"))
    assert made.set_aside["reason"].tolist() == ["not a finite number"]


def test_text_cut_in_the_middle_of_a_letter_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="is not utf-16"):
        load(folder(tmp_path, visits="plant_id,visited_on\n".encode("utf-16")[:-1]))
