"""Record logic and safety: the situations R01, R02, R04, R15, P02, P04 under tests/cases, as far as intake decides."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from plantstats import quality
from plantstats.records import RecordError
from tests.builders.case_folder import case_folder, dates, load


def kinds(faults: object) -> set[str]:
    return set(faults["code"])  # type: ignore[index]


def test_a_plant_replaced_before_it_was_installed_is_named(tmp_path: Path) -> None:
    faults = quality.check(load(case_folder(tmp_path, "R01")), date(2024, 4, 1))
    early = faults[faults["code"] == "replaced_before_installed"]
    assert early["plant_id"].tolist() == ["P6"] and "5 days before" in early["text"].item()
    assert faults.loc[faults["code"] == "visit_before_installed", "plant_id"].tolist() == ["P2"]
    assert kinds(faults) == {"replaced_before_installed", "visit_before_installed"}


def test_a_replacement_without_a_date_is_set_aside_and_its_plant_named(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "R01", replacements="blank_date/replacements.csv"))
    assert made.set_aside[["plant_id", "line", "reason"]].values.tolist() == [["P3", 4, "no replaced_on"]]
    assert made.table("replacements")["plant_id"].tolist() == ["P1", "P2", "P4"]


def test_chains_that_cannot_be_are_each_named_and_the_walk_ends(tmp_path: Path) -> None:
    faults = quality.check(load(case_folder(tmp_path, "R02")), date(2025, 6, 30)).set_index("code")
    overlap = faults.loc[["two_in_one_position"], "text"]
    # P3 leaves on the day P4 comes: no overlap; P7 and P8 have no position.
    assert overlap.tolist() == ["P1 and P2 stood at S1/A1 from 2025-02-10 to 2025-03-05 (23 days)"]
    assert faults.loc["chain_circle", "text"] == "P3 -> P4 -> P3"
    assert "P99" in faults.loc["chain_unknown", "text"] and faults.loc["chain_self", "plant_id"] == "P6"
    assert faults.loc["orphan_plant", "plant_id"] == "P77" and faults.loc["orphan_plant", "table"] == "replacements"
    assert faults.loc["replaced_twice", "plant_id"] == "P1" and "2025-03-05" in faults.loc["replaced_twice", "text"]


def test_the_start_of_the_records_can_stand_in_the_settings(tmp_path: Path) -> None:
    # R04: the old plants of K1 were never all listed; without observed_from that is said.
    place = case_folder(tmp_path, "R04")
    assert "records_begin_late" in kinds(quality.check(load(place), date(2025, 12, 31)))
    (place / "start.toml").write_text("[sites.K1]\nobserved_from = 2025-01-01\n")
    made = load(place, "start.toml")
    assert dates(made.table("sites")["observed_from"]) == ["2025-01-01"]
    assert "records_begin_late" not in kinds(quality.check(made, date(2025, 12, 31)))


def test_a_far_future_date_is_an_error_and_a_late_one_is_after_the_cut(tmp_path: Path) -> None:
    faults = quality.check(load(case_folder(tmp_path, "R15")), date(2025, 3, 31))
    far = faults[faults["code"] == "far_future"]
    assert far["table"].tolist() == ["visits"] and "2052-03-03" in far["text"].item()
    after = faults[faults["code"] == "after_the_cut"].set_index("table")["count"].to_dict()
    assert after == {"plants": 1, "visits": 1, "replacements": 1}


def test_ids_that_attack_file_names_are_kept_as_they_are_or_set_aside(tmp_path: Path) -> None:
    # P02: the blank id is set aside, and so are the two ids that stand twice under two clients each (' S1 ' is S1;
    # é is é however it is composed): nobody can say whose those sites are.
    made = load(case_folder(tmp_path, "P02"))
    ids = made.table("sites")["site_id"].tolist()
    assert {"../../outside", "A\\B", "CON", "-rf", "\u202egpj.1S", "s1", "a b"} <= set(ids)
    assert len(ids) == 16 and len(set(ids)) == 16
    aside = made.set_aside[made.set_aside["table"] == "sites"]
    assert aside["line"].tolist() == [10, 11, 12, 14, 15]
    assert "different client_id ('C9', 'C10')" in aside["reason"].tolist()[1]
    assert made.notes["text"].str.contains("letter forms made one").any()
    plants = made.table("plants")["site_id"]
    assert plants.isin(["S1", "Caf\u00e9"]).sum() == 4  # their plants are there, and followed


@pytest.mark.parametrize("settings", ["eval.toml", "formula.toml", "formula2.toml"])
def test_code_in_the_settings_is_refused_and_never_run(
    tmp_path: Path, settings: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = case_folder(tmp_path / "records", "P04")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(RecordError, match=r"wants one of L, mL|is not a setting"):
        load(place, settings)
    assert not list(tmp_path.rglob("PWNED*"))


def test_code_in_a_column_head_is_only_a_head(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = case_folder(tmp_path / "records", "P04", visits="column_name.csv")
    monkeypatch.chdir(tmp_path)
    made = load(place)
    assert len(made.table("visits")) == 1 and not list(tmp_path.rglob("PWNED*"))
    assert made.notes["text"].str.contains("not used: .*__import__").any()


def test_markup_in_the_records_is_kept_letter_for_letter(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "P01"))
    assert made.table("sites")["client_id"].tolist() == ["<b>C1</b>"]
    assert "<script>document.title='PWNED'</script>" in made.table("visits")["note"].tolist()
    assert made.table("plants")["species"].tolist()[0] == "<img src=x onerror=\"document.title='PWNED'\">"
