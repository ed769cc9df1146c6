"""Text in every dress: the situations E01 to E06 under tests/cases, with their right values."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantstats import quality
from plantstats.records import RecordError
from tests.builders.case_folder import case_folder, dates, folder, load

NOTES = ["Café – côté fenêtre, 5 €", "Grüne Ecke; œil-de-bœuf", "naïve Blätter"]
VISIT = "plant_id,visited_on,litres\n"


@pytest.mark.parametrize(
    "file", ["utf8.csv", "utf8_bom.csv", "cp1252.csv", "utf16_tab.csv", "sep_line.csv", "cr_only.csv"]
)
def test_one_table_in_six_disguises_is_one_table(tmp_path: Path, file: str) -> None:
    made = load(case_folder(tmp_path, "E01", visits=file))
    visits = made.table("visits")
    assert visits["note"].tolist() == NOTES
    assert visits["plant_id"].tolist() == ["P1", "P2", "P3"]
    assert dates(visits["visited_on"]) == ["2025-03-03", "2025-03-04", "2025-03-05"]
    told = made.notes.loc[(made.notes["table"] == "visits") & (made.notes["kind"] == "text"), "text"].item()
    assert "read as " in told and "delimiter " in told


def test_an_encoding_that_cannot_be_proved_is_asked_for_and_obeyed(tmp_path: Path) -> None:
    # The old Mac code page uses bytes that Windows-1252 leaves undefined (0x90); read as 1252 it would be wrong.
    place = case_folder(tmp_path, "E01", visits="mac_roman.csv")
    with pytest.raises(RecordError, match="set encoding"):
        load(place)
    (place / "mac.toml").write_text('[tables.visits]\nencoding = "mac_roman"\n')
    assert load(place, "mac.toml").table("visits")["note"].tolist() == NOTES


def test_an_encoding_that_cannot_be_told_apart_is_shown_with_a_sample(tmp_path: Path) -> None:
    # 0x8E is é in the old Mac code page and Ž in Windows-1252: the sample lets a reader see it.
    made = load(folder(tmp_path, visits=b"plant_id,visited_on,note\nP1,2025-03-03,Caf\x8e\n"))
    assert made.notes["text"].str.contains("cp1252.*CafŽ").any()


def test_text_in_another_encoding_than_declared_is_refused_with_the_place(tmp_path: Path) -> None:
    place = folder(
        tmp_path,
        visits=b"plant_id,visited_on,note\nP1,2025-03-03,Caf\xe9\n",
        records='[tables.visits]\nencoding = "utf-8"\n',
    )
    with pytest.raises(RecordError, match=r"visits.csv: byte 43 is not utf-8"):
        load(place)


def test_codes_that_look_like_missing_values_are_codes_in_ids_and_names(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E03"))
    assert made.table("plants")["site_id"].value_counts().to_dict() == {"NA": 2, "MI": 1, "nan": 1}
    assert made.table("visits")["technician"].value_counts().to_dict() == {"None": 2, "Null": 1, "ida": 1}
    sites = made.table("sites")
    assert sites["client_id"].tolist() == ["NULL", "C2", "C3"] and sites["region"].tolist() == ["South", "N/A", "North"]
    assert made.table("visits")["litres"].isna().sum() == 2
    missing = made.notes[(made.notes["kind"] == "missing") & (made.notes["column"] == "litres")]
    assert missing["count"].item() == 2


def test_ids_are_never_numbers(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E04"))
    assert made.table("sites")["site_id"].tolist() == ["007", "7", "07"]
    plants = made.table("plants")["plant_id"].tolist()
    assert plants == ["1E5", "12E03", "00123", "90071992547409931", "90071992547409932", "100000"]
    dropped = made.table("visits").set_index("plant_id")["leaves_dropped"]
    assert dropped["90071992547409931"] == 1 and dropped["90071992547409932"] == 4
    assert made.set_aside["reason"].tolist() == ["no plant_id"]
    faults = quality.check(made)
    orphan = faults[faults["code"] == "orphan_plant"]
    assert orphan["plant_id"].tolist() == ["123"] and "00123" in orphan["text"].item()


def test_a_lost_quote_mark_costs_its_own_row_only(tmp_path: Path) -> None:
    # E05 swallow: five visits; the quote of line 3 would swallow lines 4 to 6.
    made = load(case_folder(tmp_path, "E05", visits="swallow/visits.csv"))
    assert made.account.set_index("table").loc["visits", ["rows_read", "rows_used"]].tolist() == [5, 4]
    assert made.table("visits")["line"].tolist() == [2, 4, 5, 6]
    assert "line 3" in made.set_aside["reason"][0] and "3 lines" in made.set_aside["reason"][0]


def test_a_note_over_several_lines_keeps_its_breaks_and_quotes(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E05", visits="legit/visits.csv"))
    assert made.table("visits")["note"].tolist() == [
        'first line\nsecond line, with comma\nand a "quoted" word',
        '8" pot',
        "ok",
    ]
    assert made.table("visits")["line"].tolist() == [2, 5, 6]


def test_a_quote_that_is_never_closed_is_named_by_its_line(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E05", visits="open_end/visits.csv"))
    assert made.set_aside["line"].tolist() == [3] and "quote" in made.set_aside["reason"][0]
    assert made.table("visits")["plant_id"].tolist() == ["P1", "P3"]


def test_an_empty_extra_field_is_harmless_and_said_once(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E06", visits="trailing/visits.csv"))
    visits = made.table("visits")
    assert visits["plant_id"].tolist() == ["P1", "P2"] and visits["litres"].tolist() == [1.5, 0.5]
    assert (made.notes["kind"] == "trailing field").sum() == 1


@pytest.mark.parametrize(("file", "line"), [("comma_first", 2), ("comma_later", 3)])
def test_a_row_with_a_comma_too_many_is_set_aside_whichever_row_comes_first(
    tmp_path: Path, file: str, line: int
) -> None:
    made = load(case_folder(tmp_path, "E06", visits=f"{file}/visits.csv"))
    assert made.table("visits")["plant_id"].tolist() == ["P2"]
    assert made.set_aside["reason"].tolist() == [f"line {line}: 5 fields, header has 4"]


def test_a_row_cut_short_is_set_aside(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E06", visits="short/visits.csv"))
    assert made.set_aside["reason"].tolist() == ["line 3: 2 fields, header has 4"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_each_common_delimiter_is_found(tmp_path: Path, delimiter: str) -> None:
    text = "plant_id,visited_on,topsoil\nP1,2025-03-03,dry\nP2,2025-03-04,wet\n".replace(",", delimiter)
    assert load(folder(tmp_path, visits=text)).table("visits")["topsoil"].tolist() == ["dry", "wet"]


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1,5", "0,25"], [1.5, 0.25]),
        (["1.5", "0.25"], [1.5, 0.25]),
        (["1'000", "0.5"], None),
        (["0,5", "1.234,5"], None),
        (["12", "3"], [12.0, 3.0]),
    ],
)
def test_the_column_proves_its_decimal_mark(tmp_path: Path, cells: list[str], values: list[float] | None) -> None:
    # 1'000 and 1.234,5 are thousands; more than 250 litres in one line cannot be meant, so those cells go aside.
    lines = "".join(f"P1;2025-03-0{n};{cell}\n" for n, cell in enumerate(cells, start=1))
    made = load(folder(tmp_path, visits="plant_id;visited_on;litres\n" + lines))
    if values is None:
        assert made.table("visits")["litres"].notna().sum() == 1 and "250" in made.set_aside["reason"][0]
    else:
        assert made.table("visits")["litres"].tolist() == values


def test_a_mark_that_may_be_decimal_or_thousands_is_asked_about(tmp_path: Path) -> None:
    plants = "plant_id;site_id;species;cost\nP1;S1;Ficus lyrata;1.250\n"
    with pytest.raises(RecordError, match=r"plants.csv: column cost: line 2 '1.250'.*set decimal"):
        load(folder(tmp_path, plants=plants))
    made = load(folder(tmp_path / "b", plants=plants, records='[tables.plants]\ndecimal = ","\n'))
    assert made.table("plants")["cost"].tolist() == [1250.0]
    # Another number of the same file proves the mark.
    proved = plants.replace("cost\n", "cost;pot_cm\n").replace("1.250", "1.250;17,5")
    assert load(folder(tmp_path / "c", plants=proved)).table("plants")["cost"].tolist() == [1250.0]


def test_two_decimal_marks_in_one_column_are_both_shown(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"line 2 '0.5' has a decimal point but line 3 '0,5' a decimal comma"):
        load(folder(tmp_path, visits="plant_id;visited_on;litres\nP1;2025-03-03;0.5\nP1;2025-03-04;0,5\n"))


def test_labels_that_differ_in_case_spaces_or_accents_are_joined_with_a_note(tmp_path: Path) -> None:
    names = ["Ida", "Ida", "ida ", "I\u0301da", "\u00a0IDA"]
    rows = "".join(f"P1,2025-03-0{n},{name}\n" for n, name in enumerate(names, start=3))
    made = load(folder(tmp_path, visits="plant_id,visited_on,technician\n" + rows))
    assert made.table("visits")["technician"].tolist() == ["Ida"] * 5
    assert (made.notes["kind"] == "joined").sum() == 1


def test_ids_that_differ_in_case_stay_apart_with_a_note(tmp_path: Path) -> None:
    made = load(folder(tmp_path, sites="site_id,client_id\nS1,C1\ns1,C2\n"))
    assert made.table("sites")["site_id"].tolist() == ["S1", "s1"]
    assert made.notes["text"].str.contains("'S1', 's1' differ only").any()


def test_an_unknown_key_of_the_settings_names_the_nearest_known_one(tmp_path: Path) -> None:
    with pytest.raises(RecordError) as error:
        load(folder(tmp_path, records='curency = "EUR"\n[tables.visit]\n[tables.plants]\ndate_oder = "dmy"\n'))
    assert "curency: is not a setting; did you mean currency?" in str(error.value)
    assert "tables.visit: is not a setting; did you mean visits?" in str(error.value)
    assert "tables.plants.date_oder: is not a setting; did you mean date_order?" in str(error.value)


def test_columns_are_found_by_the_users_names_in_any_order(tmp_path: Path) -> None:
    visits = "Datum;Pflanze;Gießmenge (ml)\n03.04.2025;P1;500\n17.04.2025;P2;250\n"
    settings = '[tables.visits.columns]\nplant_id = "Pflanze"\nvisited_on = "Datum"\nlitres = "Gießmenge (ml)"\n'
    made = load(folder(tmp_path, visits=visits, records=settings))
    assert made.table("visits")["plant_id"].tolist() == ["P1", "P2"]
    assert made.table("visits")["litres"].tolist() == [0.5, 0.25]
    assert made.supplied["visits"] == ["visited_on", "plant_id", "litres"]


def test_a_missing_required_column_is_named_with_the_likely_head(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"visits.csv: no column visited_on; is it 'visit_on'\?"):
        load(folder(tmp_path, visits="plant_id,visit_on\nP1,2025-03-03\n"))


def test_all_faults_of_all_tables_are_named_in_one_refusal(tmp_path: Path) -> None:
    place = folder(tmp_path, visits="plant_id,visit_on\nP1,1\n", plants="plant_id,site\nP1,S1\n")
    (place / "replacements.csv").unlink()
    with pytest.raises(RecordError) as error:
        load(place)
    for part in ("no replacements file", "no column visited_on", "no column site_id", "no column species"):
        assert part in str(error.value)


def test_text_saved_in_a_wrong_encoding_once_is_said_and_kept(tmp_path: Path) -> None:
    # "CafÃ©" is the UTF-8 of "Café" read as Windows-1252.
    made = load(folder(tmp_path, sites="site_id,client_id,region\nS1,C1,CafÃ©\n"))
    assert made.table("sites")["region"].tolist() == ["CafÃ©"]
    assert made.notes.loc[made.notes["kind"] == "wrong letters", "text"].str.contains("Café").all()


def test_ids_that_a_spreadsheet_may_have_shortened_are_said(tmp_path: Path) -> None:
    made = load(folder(tmp_path, visits="plant_id,visited_on\n9.00072E+16,2025-03-03\n"))
    assert made.table("visits")["plant_id"].tolist() == ["9.00072E+16"]
    assert made.notes.loc[made.notes["kind"] == "shortened ids", "count"].tolist() == [1]


def test_a_line_without_end_is_refused_in_bounded_memory(tmp_path: Path) -> None:
    place = folder(tmp_path)
    with (place / "visits.csv").open("wb") as file:
        file.write(b"plant_id,visited_on,note\nP1,2025-03-03,")
        for _ in range(40):
            file.write(b"x" * 2**20)
    with pytest.raises(RecordError, match=r"visits.csv: a line is longer than"):
        load(place)


def test_a_million_columns_are_refused(tmp_path: Path) -> None:
    heads = "plant_id,visited_on," + ",".join(f"c{n}" for n in range(1_000_000))
    with pytest.raises(RecordError, match=r"1,000,002 columns; at most 2000|a line is longer than"):
        load(folder(tmp_path, visits=heads + "\n"))


def test_a_lost_quote_mark_that_a_later_one_closes_swallows_no_record(tmp_path: Path) -> None:
    # Read by the letter, the quotes of lines 2 and 4 hold lines 3 and 4 as one well-written note.
    visits = 'plant_id,visited_on,note\nP1,2025-03-03,"6 pot\nP2,2025-03-03,ok\nP3,2025-03-03,8"\nP1,2025-03-17,ok\n'
    made = load(folder(tmp_path, visits=visits))
    assert made.table("visits")["line"].tolist() == [3, 4, 5]
    assert made.set_aside["line"].tolist() == [2] and "quote mark" in made.set_aside["reason"][0]


def test_codes_of_positions_that_a_csv_export_turned_into_days_are_named(tmp_path: Path) -> None:
    # 1-2 and 3-4 came back from a spreadsheet as 02-Jan and 04-Mar; the others were left alone.
    positions = ["1-14", "02-Jan", "1-15", "04-Mar", "2-20", "Lobby", "2025-01-02"]
    rows = "".join(f"P{n},S1,{position},Ficus lyrata\n" for n, position in enumerate(positions))
    made = load(folder(tmp_path, plants="plant_id,site_id,position,species\n" + rows))
    assert made.set_aside[["text", "code", "scope"]].values.tolist() == [
        [text, "doubtful_id", "cell"] for text in ("02-Jan", "04-Mar", "2025-01-02")
    ]
    assert len(made.table("plants")) == 7


def test_positions_that_are_all_days_are_the_firms_own_way(tmp_path: Path) -> None:
    rows = "".join(f"P{n},S1,0{n}-Mar,Ficus lyrata\n" for n in range(1, 5))
    made = load(folder(tmp_path, plants="plant_id,site_id,position,species\n" + rows))
    assert not len(made.set_aside)


@pytest.mark.parametrize(
    ("cells", "settings", "told"),
    [
        (['"1,5"', "2"], "", "numbers with a decimal comma, as line 2 '1,5' proves"),
        (["0.5", '"1,234.5"'], "", "numbers with a decimal point, as line 2 '0.5' proves"),
        (['"1,5"', "2"], 'decimal = ","\n', "numbers with a decimal comma, by the settings"),
    ],
)
def test_the_number_style_is_named_with_the_row_that_proves_it(
    tmp_path: Path, cells: list[str], settings: str, told: str
) -> None:
    visits = VISIT + "".join(f"P1,2025-03-0{n},{cell}\n" for n, cell in enumerate(cells, start=1))
    made = load(folder(tmp_path, visits=visits, records=settings))
    assert told in made.notes.loc[made.notes["kind"] == "number style", "text"].tolist()
