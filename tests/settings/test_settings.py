"""`records.toml` as pydantic models: every fault at once with file, key and rule; nothing accepted without a word."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from plantstats.guarantee.terms import TermsError, terms_from
from plantstats.records.parse.codes import FLAG_WORDS
from plantstats.schema.months import LANGUAGES, MONTHS
from plantstats.settings import Assumptions, Settings, SettingsError, read_settings, settings_from
from plantstats.settings.company import SiteSettings

FILE = "records.toml"


def faults(data: dict[str, Any]) -> list[str]:
    with pytest.raises(SettingsError) as refused:
        settings_from(data, FILE)
    return refused.value.faults


def test_a_missing_file_means_every_default(tmp_path: Path):
    assert read_settings(tmp_path / FILE) == Settings()
    assert Settings().model_fields_set == set()


def test_every_fault_of_a_file_is_named_at_once_with_its_key():
    found = faults(
        {
            "curency": "EUR",
            "currency": "euro",
            "causes": {"x": "pests", "y": {"cause": "pest", "outcome": "gone"}},
            "sites": {"S1": {"observed_from": "2025"}},
            "tables": {"visits": {"columns": {"plant": "x"}, "file": "../x"}, "visit": {}},
            "units": {"temp_c": {"by_technician": {"tomo": "X"}}},
            "watering": {"too_dry_minutes": -1},
        }
    )
    keys = [fault.split(": ")[1] for fault in found]
    assert all(fault.startswith("records.toml: ") for fault in found)
    assert sorted(keys) == [
        "causes.x.cause",
        "causes.y.outcome",
        "curency",
        "currency",
        "sites.S1.observed_from",
        "tables.visit",
        "tables.visits.columns.plant",
        "tables.visits.file[0]",
        "units.temp_c.by_technician.tomo",
        "watering.too_dry_minutes",
    ]


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        ({"wage_per_hour": "30"}, "wage_per_hour: wants a number, has '30'; correct it, or leave it out: 30 is then"),
        ({"wage_per_hour": float("nan")}, "wants a number from 0 to 1e+06, has nan"),
        ({"wage_per_hour": float("inf")}, "wants a number from 0 to 1e+06, has inf"),
        ({"small_group": True}, "wants a whole number, has True"),
        ({"fiscal_year_starts": 13}, "wants a number from 1 to 12, has 13"),
        ({"hemisphere": "east"}, "wants one of north, south, has 'east'"),
        ({"delimiter": ";;"}, "wants one character"),
        ({"serial_dates": 1901}, "wants one of 1900, 1904"),
        ({"timezone": "Europe"}, "'Europe' is not a time zone name"),
        ({"company": 5}, "wants text, has 5"),
        ({"causes": []}, "causes: wants a table"),
        ({"heating_season": {"starts": "10-01"}}, "heating_season.ends is missing: the day after the last"),
        ({"heating_season": {"starts": "02-30", "ends": "04-15"}}, 'wants "month-day"'),
        ({"tables": {"visits": {"sheat": "x"}}}, "tables.visits.sheat: is not a setting; did you mean sheet?"),
        ({"tables": {"visits": {"duplicates": {"note": "max"}}}}, "wants one of sum, first, last"),
        ({"tables": {"visits": {"codes": {"topsoil": {"x": [1]}}}}}, "tables.visits.codes.topsoil.x: wants text"),
        ({"units": {"species": "cm"}}, "units.species: is not a setting"),
        ({"sites": {"S 1": 3}}, 'sites."S 1": wants a table'),
    ],
)
def test_a_value_against_its_rule_is_refused_with_the_rule(data: dict[str, Any], rule: str):
    (fault,) = faults(data)
    assert rule in fault


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        ({"tables": {"plants": {"header_row": 99999}}}, "from 1 to 60"),
        ({"tables": {"plants": {"languages": ["tlh"]}}}, "languages[0]: wants one of|is not known"),
        (
            {"tables": {"plants": {"columns": {"plant_id": "No.", "site_id": "no"}}}},
            "is given to plant_id and to site_id",
        ),
        ({"heating_season": {"starts": "10-01", "ends": "10-01"}}, "it has no days"),
        ({"causes": {"Dead": "pest", "DEAD": "light"}}, "is given twice with two meanings"),
        ({"tables": {"plants": {"duplicates": {"no_such": "sum"}}}}, "no_such: is not a setting"),
    ],
)
def test_what_was_once_accepted_without_a_word_is_refused(data: dict[str, Any], rule: str):
    assert any(part in fault for fault in faults(data) for part in rule.split("|"))


def test_a_key_that_was_renamed_names_the_new_one():
    for old, new in Assumptions.RENAMED.items():
        assert faults({"watering": {old: 1}}) == [f"records.toml: watering.{old}: is now called {new}"]
        assert set(re.findall(r"[a-z]+_[a-z_]+", new)) <= set(Assumptions.model_fields) and new
    with pytest.raises(TermsError, match=r"price\.certainty: is now called confidence"):
        terms_from({"guarantee": {"starts_on": "2026-01-01"}, "price": {"certainty": 0.8}})


def test_keys_at_the_top_hold_for_every_table_that_gives_none_of_its_own():
    given = {"decimal": ",", "languages": ["de"], "tables": {"visits": {"file": "rounds.csv", "decimal": "."}}}
    settings = settings_from(given, FILE)
    assert (settings.table("visits").decimal, settings.table("visits").files) == (".", ("rounds.csv",))
    assert (settings.table("plants").decimal, settings.table("plants").files) == (",", ())
    assert settings.table("visits").languages == settings.table("plants").languages == ("de",)


def test_units_may_hang_on_a_column_beside_the_measure():
    settings = settings_from({"units": {"litres": "mL", "temp_c": {"by_technician": {"tomo": "F"}}}}, FILE)
    assert (settings.units["litres"].default, settings.units["litres"].by) == ("mL", {})
    assert (settings.units["temp_c"].default, settings.units["temp_c"].by) == (None, {"technician": {"tomo": "F"}})


def test_codes_are_compared_without_capitals_and_the_same_meaning_twice_is_one():
    settings = settings_from({"causes": {"DEAD DRY": "water_deficit", "dead-dry": "water_deficit"}}, FILE)
    assert settings.causes == {"dead_dry": ("water_deficit", None)}


def test_languages_that_may_be_declared_are_those_that_are_known():
    assert set(LANGUAGES) == set(MONTHS) | set(FLAG_WORDS)


def test_a_first_day_that_no_calendar_reaches_is_refused():
    with pytest.raises(TermsError, match="wants a day from 1990-01-01 to 2199-12-31"):
        terms_from({"guarantee": {"starts_on": "9999-01-01"}})


def test_an_amount_is_refused_without_a_default_in_cents():
    with pytest.raises(TermsError) as refused:
        terms_from({"guarantee": {"starts_on": "2026-01-01"}, "costs": {"wage_per_hour": "free"}})
    assert "3000" not in str(refused.value)


@pytest.mark.parametrize("content", [b"a = ", b"\xff\xfe", b"a = " + b"[" * 100_000])
def test_a_file_that_is_no_toml_is_refused_in_one_line(tmp_path: Path, content: bytes):
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(SettingsError, match=r"^records\.toml: cannot be read as TOML"):
        read_settings(tmp_path / FILE)


def test_the_readme_names_no_key_that_is_gone():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = text[text.index("    [watering]") : text.index("`wage_per_hour` and `visit_cost`")]
    named = set(re.findall(r"^ +(?:# )?(\w+) = ", section, re.MULTILINE))
    assert named == set(Assumptions.model_fields)


def test_the_readme_tells_of_the_keys_that_say_what_ids_and_sites_are():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for key in ("plant_ids", "observed_from", "timezone", "tables.quote", "allowed_faults", "records_from"):
        assert f"`{key}" in text or f"[{key}]" in text or f" {key}`" in text, key
    assert "plant_ids" in Settings.model_fields and {"observed_from", "timezone"} <= set(SiteSettings.model_fields)
