"""The care sheet: a sheet of paper a site, its head again where it has many plants, dates worked by hand."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from datetime import date
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from plantstats.watering import care_sheet
from plantstats.watering.care_workbook import BOX, COLUMNS, LINE_HEIGHT, ROOM, workbook

AS_OF = date(2026, 9, 30)
VISITS = [date(2026, 10, 5), date(2026, 10, 19)]


def plants(site_id: str, count: int, **other: object) -> pd.DataFrame:
    """Rows of a sheet for plants of one site, as `sheet_rows` gives them."""
    one = {
        "route": "north",
        "site_id": site_id,
        "site": f"Larch House ({site_id})",
        "address": "3 Weir Street",
        "access": "front desk",
        "site_every": 14,
        "reason": "as now",
        "visits": VISITS,
        "place": "hall, 1-01",
        "plant": "peace lily",
        "pot": "15-24 cm",
        "watered": date(2026, 9, 21),
        "looks": VISITS,
        "due": True,
        "inspection_interval": 14,
        "water": "top 3 cm dry: at most looks",
        "usually": "30 Sep",
        "mark": "new in its place",
    }
    return pd.DataFrame([one | other] * count)


def read(book: bytes) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(book))


@pytest.fixture(scope="module")
def rows() -> pd.DataFrame:
    return pd.concat([plants("S1", 2), plants("S2", ROOM // (2 * LINE_HEIGHT) + 1, due=False)], ignore_index=True)


def test_each_site_begins_a_sheet_of_paper_and_its_head_stands_on_each(rows: pd.DataFrame) -> None:
    sheet = read(workbook([("heating season", rows)], AS_OF))["north, heating season"]
    heads = [cell.row for cell in sheet["A"] if str(cell.value).startswith("Larch House")]
    # S1 has one sheet of two plants, S2 two: its second holds the one plant that the first has no room for.
    assert [sheet.cell(row, 1).value for row in heads] == [
        f"Larch House ({site}), 3 Weir Street" for site in ("S1", "S2", "S2")
    ]
    assert [b.id for b in sheet.row_breaks.brk] == [row - 1 for row in heads[1:]]
    below = [str(sheet.cell(row + 2, 1).value) for row in heads]
    assert ["sheet 1 of 1" in below[0], "sheet 1 of 2" in below[1], "sheet 2 of 2" in below[2]] == [True] * 3
    assert [[c.value for c in sheet[row + 3]] for row in heads] == [[h for h, _ in COLUMNS]] * 3


def test_a_row_says_when_it_was_watered_and_when_to_look_and_has_room_to_write(rows: pd.DataFrame) -> None:
    sheet = read(workbook([("heating season", rows)], AS_OF)).worksheets[0]
    first, later = ([c.value for c in sheet[row]] for row in (5, 12))
    assert first[:9] == [
        *(BOX, "hall, 1-01", "peace lily", "15-24 cm", "21 Sep", "each visit"),
        *("top 3 cm dry: at most looks", "30 Sep", "new in its place"),
    ]
    assert first[9:] == [None] * 3
    assert later[0] is None, "no look is due at the next visit"
    assert "Next visits: 5 Oct, 19 Oct" in sheet["A3"].value


def test_both_seasons_stand_in_the_file_on_a4(rows: pd.DataFrame) -> None:
    book = read(workbook([("heating season", rows), ("rest of the year", rows)], AS_OF))
    assert book.sheetnames == ["north, heating season", "north, rest of the year"]
    for sheet in book:
        assert (int(sheet.page_setup.paperSize), sheet.page_setup.orientation) == (9, "landscape")


def test_a_name_that_a_spreadsheet_would_run_stays_text() -> None:
    poisoned = plants("S1", 1, site="=HYPERLINK(1)", place="@SUM(A1)", plant="+1", route="=[a]:b")
    book = read(workbook([("s", poisoned)], AS_OF))
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row if c.value]
    assert not [c for c in cells if c.data_type == "f" or str(c.value).startswith(("=", "+", "-", "@"))]
    assert "'@SUM(A1)" in {c.value for c in cells}


def test_the_same_rows_give_the_same_bytes(rows: pd.DataFrame) -> None:
    assert workbook([("s", rows)], AS_OF) == workbook([("s", rows)], AS_OF)


def test_visits_go_on_from_the_last_one() -> None:
    # Last seen on Monday 28 September, every 7 days: the Mondays of October. Last seen on 3 August, every 14 days:
    # 17 and 31 August, 14 and 28 September have passed, so the next is 12 October.
    last = date(2026, 9, 28)
    assert care_sheet._visits(last, 7, AS_OF) == [date(2026, 10, day) for day in (5, 12, 19, 26)]
    assert care_sheet._visits(date(2026, 8, 3), 14, AS_OF)[0] == date(2026, 10, 12)
    assert care_sheet._visits(None, 7, AS_OF) == []


def test_a_plant_is_looked_at_on_the_visits_that_its_interval_falls_on() -> None:
    # Seen on 28 September and looked at every 14 days, with visits every 7: the 12th and the 26th.
    visits = [date(2026, 10, day) for day in (5, 12, 19, 26)]
    assert care_sheet._looks(date(2026, 9, 28), 14, visits) == [visits[1], visits[3]]
    assert care_sheet._looks(date(2026, 9, 28), 7, visits) == visits
    assert care_sheet._looks(None, 14, visits) == [visits[0], visits[2]], "never seen: at the next visit"


def test_places_stand_in_walking_order() -> None:
    assert sorted(["10-1", "2-10", "2-9", "hall", "1-01"], key=care_sheet._walking_order) == [
        *("hall", "1-01", "2-9", "2-10", "10-1")
    ]


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_libreoffice_prints_a_sheet_of_paper_a_site(rows: pd.DataFrame, tmp_path: Path) -> None:
    (tmp_path / "care.xlsx").write_bytes(workbook([("s", rows)], AS_OF))
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = ["soffice", profile, "--headless", "--convert-to", "pdf", "--outdir", str(tmp_path)]
    done = subprocess.run([*command, str(tmp_path / "care.xlsx")], capture_output=True, timeout=240, check=False)
    if done.returncode or not (tmp_path / "care.pdf").exists():
        pytest.skip("LibreOffice has no spreadsheet program here")
    pages = re.findall(rb"/Type\s*/Page\b(?!s)", (tmp_path / "care.pdf").read_bytes())
    assert len(pages) == 3
