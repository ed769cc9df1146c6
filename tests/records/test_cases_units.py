"""Units: the situations U01 and U03 under tests/cases, and what the head or the whole column proves."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from plantstats import quality
from plantstats.records import RecordError
from tests.builders.case_folder import case_folder, folder, load


def test_fahrenheit_among_celsius_is_set_aside_or_flagged_and_never_converted_by_guess(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "U01"))
    assert made.set_aside["text"].tolist() == ["70.2", "68", "-40"]
    assert made.set_aside["reason"].str.contains("-5 to 50").all()
    assert made.table("visits")["temp_c"].dropna().tolist() == [21.5, 39.0, 0.0]
    text = quality.print_check(made, quality.check(made, date(2025, 4, 1)))
    assert "temp_c 39.0 lies outside" in text and "temp_c 0.0 lies outside" in text
    # (21.5 + 39 + 0) / 3 = 20.17; with 70.2, 68 and -40 it is 158.7 / 6 = 26.45.
    assert "mean 20.17 of the 3 values used, 26.45 with the 3 set aside" in text


def test_a_technicians_unit_converts_all_of_that_technicians_readings(tmp_path: Path) -> None:
    # (70.2 - 32) / 1.8 = 21.222; (68 - 32) / 1.8 = 20; (39 - 32) / 1.8 = 3.889.
    made = load(case_folder(tmp_path, "U01"), "units.toml")
    temp = made.table("visits")["temp_c"]
    assert temp[[1, 2, 3]].round(2).tolist() == [21.22, 20.0, 3.89]
    assert temp[0] == 21.5
    assert "temp_c 3.88" in quality.check(made)["text"].str.cat(sep="\n")


def test_millilitres_gallons_and_inches_are_converted_where_they_are_clear(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "U03")
    made = load(place)
    litres = made.table("visits")["litres"]
    assert litres.dropna().tolist() == [0.5, 0.5, 0.0] and litres.sum() == 1.0
    aside = made.set_aside.set_index("text")["reason"]
    assert "us" in aside["0.13 gal"] and "us" in aside["16 fl oz"]
    assert "250" in aside["500"] and "millilitres" in aside["500"]
    assert "0 to 250" in aside["-0.5"] and "millimetres" in aside["170"]
    # 6 inches are 15.24 cm exactly.
    assert made.table("plants")["pot_cm"].dropna().tolist() == [17.0, 15.24, 15.24]


@pytest.mark.parametrize(("gallon", "litres", "ounces"), [("us", 0.4921, 0.4732), ("imperial", 0.5910, 0.4546)])
def test_a_declared_gallon_is_used(tmp_path: Path, gallon: str, litres: float, ounces: float) -> None:
    # 0.13 x 3.785411784 = 0.4921 and 0.13 x 4.54609 = 0.5910; 16 fluid ounces are an eighth of a US gallon
    # (0.4732 L) and a tenth of an imperial one (0.4546 L).
    place = case_folder(tmp_path, "U03")
    (place / "gallon.toml").write_text(f'gallon = "{gallon}"\n')
    made = load(place, "gallon.toml").table("visits")["litres"].round(4)
    assert made[3] == litres and made[4] == ounces


def test_a_unit_in_the_head_is_the_unit_of_the_column(tmp_path: Path) -> None:
    # 50 foot-candles are 538.2 lux; 68 F are 20 C.
    visits = "plant_id,visited_on,Temp (°F)\nP1,2025-03-03,68\n"
    plants = "plant_id,site_id,species,Light fc\nP1,S1,Ficus lyrata,50\n"
    settings = '[tables.visits.columns]\ntemp_c = "Temp (°F)"\n[tables.plants.columns]\nlight_lux = "Light fc"\n'
    made = load(folder(tmp_path, visits=visits, plants=plants, records=settings))
    assert made.table("visits")["temp_c"].tolist() == [20.0]
    assert made.table("plants")["light_lux"].round(1).tolist() == [538.2]
    assert made.notes["text"].str.contains(r"by the head 'Temp \(°F\)'").any()


def _visits(column: str, values: list[float]) -> str:
    rows = "".join(f"P1,2025-03-{n:02d},{value}\n" for n, value in enumerate(values, start=1))
    return f"plant_id,visited_on,{column}\n{rows}"


def test_a_whole_column_beyond_celsius_proves_fahrenheit(tmp_path: Path) -> None:
    # Twelve readings of 59 to 70: in Celsius nobody could work there, in Fahrenheit all are usual.
    made = load(folder(tmp_path, visits=_visits("temp_c", [59.0 + n for n in range(12)])))
    assert made.table("visits")["temp_c"][0] == 15.0
    assert made.notes["text"].str.contains("no number of the column can be C").any()
    few = load(folder(tmp_path / "few", visits=_visits("temp_c", [68.0, 70.0])))
    assert few.table("visits")["temp_c"].isna().all() and len(few.set_aside) == 2


def test_a_whole_column_of_shares_proves_humidity_as_a_share(tmp_path: Path) -> None:
    made = load(folder(tmp_path, visits=_visits("rh_percent", [0.30 + n / 100 for n in range(12)])))
    assert made.table("visits")["rh_percent"].round(6).tolist()[:2] == [30.0, 31.0]
    mixed = load(folder(tmp_path / "mixed", visits=_visits("rh_percent", [45, 0.45, 38])))
    assert mixed.set_aside["text"].tolist() == ["0.45"] and "share" in mixed.set_aside["reason"][0]


def test_photon_flux_is_never_turned_into_lux(tmp_path: Path) -> None:
    made = load(folder(tmp_path, plants="plant_id,site_id,species,light_lux\nP1,S1,Ficus lyrata,12 µmol/m2/s\n"))
    assert "photon flux" in made.set_aside["reason"][0]


@pytest.mark.parametrize(
    ("scheme", "band"),
    [
        ("georgia", "medium"),
        ("illinois", "low"),
        ("advice_1978", "medium"),
        ("north_dakota", "low"),
        ("contractor", "medium"),
    ],
)
def test_the_light_band_of_a_reading_hangs_on_the_chosen_scheme(tmp_path: Path, scheme: str, band: str) -> None:
    # 1,200 lux / 10.764 = 111.5 foot-candles; medium begins at 75, 150, 100, 200 and 100 foot-candles.
    made = load(
        folder(
            tmp_path,
            plants="plant_id,site_id,species,light_lux\nP1,S1,Ficus lyrata,1200\n",
            records=f'light_scheme = "{scheme}"\n',
        )
    )
    assert made.table("plants")["light"].tolist() == [band]
    assert made.notes["text"].str.contains(f"scheme '{scheme}'").any()


def test_money_in_another_currency_is_set_aside(tmp_path: Path) -> None:
    costs = enumerate(["€ 24.00", "$24.00", "24.00 EUR"], start=1)
    plants = "plant_id;site_id;species;cost\n" + "".join(f"P{n};S1;Ficus lyrata;{cost}\n" for n, cost in costs)
    made = load(folder(tmp_path, plants=plants))
    assert made.table("plants")["cost"].dropna().tolist() == [24.0, 24.0]
    assert made.set_aside["text"].tolist() == ["$24.00"]


def test_a_unit_that_is_no_unit_is_refused_with_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"units.temp_c.default: wants one of C, F, K, has 'X'"):
        load(folder(tmp_path, records='[units]\ntemp_c = "X"\n'))
