"""Spreadsheets and their habits: the situations E08 to E12 under tests/cases, and workbooks made here."""

from __future__ import annotations

import shutil
import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from plantstats.records import RecordError
from tests.builders.case_folder import CASES, case_folder, dates, folder, load

HEADS = ["plant_id", "visited_on", "litres", "note"]


def workbook(path: Path, rows: list[list[Any]], name: str = "visits") -> openpyxl.Workbook:
    book = openpyxl.Workbook()
    book.active.title = name
    for row in rows:
        book.active.append(row)
    book.save(path)
    return book


def test_doubled_heads_stop_the_load_until_a_rule_is_given(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "E08")
    with pytest.raises(RecordError) as error:
        load(place)
    assert "leaves_dropped' (column 3)" in str(error.value) and "leaves_dropped' (column 5)" in str(error.value)
    assert "'note' (column 4) and 'Note ' (column 6)" in str(error.value)
    (place / "rule.toml").write_text('[tables.visits.duplicates]\nleaves_dropped = "sum"\nnote = "first"\n')
    assert load(place, "rule.toml").table("visits")["leaves_dropped"].tolist() == [8, 2]


def test_flags_in_every_dress_are_yes_no_missing_or_set_aside(tmp_path: Path) -> None:
    # E09: Y 1 x TRUE are yes; N 0 No are no; nein is no only where German is declared; blank is missing.
    place = case_folder(tmp_path, "E09")
    made = load(place)
    watered = made.table("visits")["watered"]
    aside = made.set_aside[made.set_aside["column"] == "watered"]
    assert (watered.sum(), (~watered.dropna()).sum(), watered.isna().sum()) == (4, 3, 3)
    assert aside["text"].tolist() == ["nein", "maybe"]
    (place / "german.toml").write_text('[tables.visits]\nlanguages = ["de"]\n')
    declared = load(place, "german.toml")
    assert (~declared.table("visits")["watered"].dropna()).sum() == 4
    assert declared.set_aside.loc[declared.set_aside["column"] == "watered", "text"].tolist() == ["maybe"]


def test_numbers_with_units_are_said_and_limits_are_never_numbers(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E09"))
    visits = made.table("visits")
    assert visits["litres"][0] == 1.5 and visits["temp_c"][0] == 21.0
    assert set(made.notes.loc[made.notes["kind"] == "unit", "column"]) == {"litres", "temp_c"}
    limits = made.set_aside[made.set_aside["column"] == "leaves_dropped"]
    assert limits["text"].tolist() == ["~2", "<1", "12+"]
    assert visits["leaves_dropped"].isna().sum() == 4  # the three limits and one blank
    assert made.table("replacements")["covered"].tolist() == ["chargeable"]


@pytest.mark.parametrize(
    ("file", "name", "said"),
    [
        ("visits.xls", "visits.xls", "visits.xls is an HTML page, save it as CSV or XLSX"),
        ("workbook_named.csv", "visits.csv", "visits.csv is a workbook, not text"),
        ("csv_named.xlsx", "visits.xlsx", "visits.xlsx holds plain text, not a workbook"),
        ("empty.csv", "visits.csv", "visits.csv is empty"),
    ],
)
def test_a_file_that_is_not_what_its_name_says_is_refused_in_one_line(
    tmp_path: Path, file: str, name: str, said: str
) -> None:
    place = folder(tmp_path)
    shutil.copy(CASES / "E12" / file, place / name)
    with pytest.raises(RecordError) as error:
        load(place)
    assert said in str(error.value) and "\n" not in str(error.value)


def test_a_folder_in_place_of_a_file_is_refused(tmp_path: Path) -> None:
    place = folder(tmp_path)
    (place / "visits.csv").mkdir()
    with pytest.raises(RecordError, match=r"visits.csv is a folder"):
        load(place)


def test_heads_alone_are_a_table_of_no_rows(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "E12", visits="header_only.csv"))
    assert made.account.set_index("table").loc["visits", "rows_read"] == 0
    assert len(made.table("visits")) == 0


def test_title_lines_blank_rows_and_totals_of_a_sheet_are_no_records(tmp_path: Path) -> None:
    place = folder(tmp_path)
    workbook(
        place / "visits.xlsx",
        [
            ["Visits of the first quarter"],
            [],
            HEADS,
            ["P1", date(2025, 3, 3), 0.5, "ok"],
            [None, None, None, None],
            ["P2", datetime(2025, 3, 4, 8, 15), 1, None],
            ["Total", None, 1.5, None],
        ],
    )
    made = load(place)
    visits = made.table("visits")
    assert visits["plant_id"].tolist() == ["P1", "P2"] and dates(visits["visited_on"]) == ["2025-03-03", "2025-03-04"]
    assert visits["line"].tolist() == [4, 6]
    assert made.set_aside["line"].tolist() == [7] and "totals" in made.set_aside["reason"][0]
    assert {"title rows", "blank rows"} <= set(made.notes["kind"])


def test_heads_merged_over_two_rows_are_put_together(tmp_path: Path) -> None:
    place = folder(tmp_path)
    book = workbook(
        place / "visits.xlsx",
        [
            ["plant_id", "visited_on", "Readings", None],
            [None, None, "rh_percent", "temp_c"],
            ["P1", date(2025, 3, 3), 44, 21.5],
        ],
    )
    book.active.merge_cells("A1:A2")
    book.active.merge_cells("C1:D1")
    book.save(place / "visits.xlsx")
    visits = load(place).table("visits")
    assert visits[["plant_id", "rh_percent", "temp_c"]].iloc[0].tolist() == ["P1", 44.0, 21.5]


def test_the_sheet_that_fits_is_read_and_hidden_ones_are_said(tmp_path: Path) -> None:
    place = folder(tmp_path)
    book = workbook(place / "visits.xlsx", [["About this file"]], "notes")
    sheet = book.create_sheet("March")
    for row in [HEADS, ["P1", date(2025, 3, 3), 0.5, ""]]:
        sheet.append(row)
    hidden = book.create_sheet("old")
    hidden.append(HEADS)
    hidden.sheet_state = "hidden"
    book.save(place / "visits.xlsx")
    made = load(place)
    assert made.table("visits")["plant_id"].tolist() == ["P1"]
    assert made.notes["text"].str.contains("hidden sheets not read: old").any()
    hidden.sheet_state = "visible"
    book.save(place / "visits.xlsx")
    with pytest.raises(RecordError, match=r"2 sheets could hold visits \(March, old\); set sheet"):
        load(place)


def test_hidden_rows_are_read_and_said(tmp_path: Path) -> None:
    place = folder(tmp_path)
    book = workbook(place / "visits.xlsx", [HEADS, ["P1", date(2025, 3, 3), 1, ""], ["P2", date(2025, 3, 3), 1, ""]])
    book.active.row_dimensions[3].hidden = True
    book.save(place / "visits.xlsx")
    made = load(place)
    assert made.table("visits")["plant_id"].tolist() == ["P1", "P2"]
    assert made.notes.loc[made.notes["kind"] == "hidden rows", "text"].item().endswith(": 3")


def test_formulas_without_a_value_and_error_cells_are_named(tmp_path: Path) -> None:
    # openpyxl stores formulas without values, as some export programs do.
    place = folder(tmp_path)
    workbook(
        place / "visits.xlsx",
        [
            HEADS,
            ["P1", date(2025, 3, 3), "=1/2", "a"],
            ["P2", date(2025, 3, 4), "#DIV/0!", "b"],
            ["=A2", date(2025, 3, 5), 1, "c"],
        ],
    )
    made = load(place)
    reasons, scopes = (made.set_aside.set_index("line")[column] for column in ("reason", "scope"))
    assert "formula without a stored value" in reasons[2] and scopes[2] == "cell"
    assert "#DIV/0!" in reasons[3]
    assert made.table("visits")["plant_id"].tolist() == ["P1", "P2"]
    assert "formula" in reasons[4] and scopes[4] == "row"


def test_number_cells_in_id_columns_keep_their_shown_zeros_and_long_ones_are_refused(tmp_path: Path) -> None:
    # E04: A2 holds the number 123, B2 the number 7 shown as 007; A5 holds 17 digits, of which 15 are kept.
    place = case_folder(tmp_path, "E04", plants="plants.xlsx")
    made = load(place)
    plants = made.table("plants")
    assert plants["plant_id"].tolist() == ["123", "P2", "1E5"] and plants["site_id"].tolist() == ["007", "7", "07"]
    assert made.set_aside["line"].tolist() == [5] and "15" in made.set_aside["reason"][0]


def test_half_a_workbook_is_refused(tmp_path: Path) -> None:
    place = folder(tmp_path)
    workbook(place / "visits.xlsx", [HEADS, ["P1", date(2025, 3, 3), 1, ""]])
    whole = (place / "visits.xlsx").read_bytes()
    for length in (30, len(whole) // 2, len(whole) - 10):
        (place / "visits.xlsx").write_bytes(whole[:length])
        with pytest.raises(RecordError, match=r"visits.xlsx"):
            load(place)


def test_heads_repeated_down_the_file_are_no_records(tmp_path: Path) -> None:
    made = load(folder(tmp_path, sites="site_id,client_id\nS1,C1\nsite_id,client_id\nS2,C1\n"))
    assert made.table("sites")["site_id"].tolist() == ["S1", "S2"]
    assert made.set_aside["reason"].tolist() == ["the heads again"]


def test_csv_workbook_and_parquet_of_one_table_give_the_same_records(tmp_path: Path) -> None:
    rows = [["P1", date(2025, 3, 3), 0.5, "a"], ["P2", date(2025, 3, 17), 1.0, None]]
    one = folder(tmp_path / "csv", visits="plant_id,visited_on,litres,note\nP1,2025-03-03,0.5,a\nP2,2025-03-17,1,\n")
    two = folder(tmp_path / "xlsx")
    workbook(two / "visits.xlsx", [HEADS, *rows])
    three = folder(tmp_path / "parquet")
    load(one).table("visits")[HEADS].to_parquet(three / "visits.parquet")
    tables = [load(place).table("visits")[HEADS] for place in (one, two, three)]
    assert tables[0].equals(tables[1]) and tables[0].equals(tables[2])


def test_a_sheet_with_a_stray_cell_far_away_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    place = folder(tmp_path)
    book = workbook(place / "visits.xlsx", [HEADS, ["P1", date(2025, 3, 3), 1, ""]])
    book.active["XFD1048576"] = "x"
    book.save(place / "visits.xlsx")
    with pytest.raises(RecordError, match=r"1,048,576 rows and 16,384 columns"):
        load(place)


def test_a_workbook_that_unpacks_to_more_than_can_be_meant_is_refused(tmp_path: Path) -> None:
    place = folder(tmp_path)
    with zipfile.ZipFile(place / "visits.xlsx", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/workbook.xml", "<workbook/>")
        with packed.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part:
            for _ in range(1100):
                part.write(b"0" * 2**20)
    with pytest.raises(RecordError, match=r"unpacks to 1.1 GiB"):
        load(place)


def test_an_id_that_the_spreadsheet_turned_into_a_date_is_named(tmp_path: Path) -> None:
    # Position 1-02 typed into a spreadsheet becomes 2 January.
    place = folder(tmp_path)
    (place / "plants.csv").unlink()
    workbook(
        place / "plants.xlsx",
        [
            ["plant_id", "site_id", "species", "position", "cost", "pot_cm"],
            ["P1", "S1", "Ficus lyrata", date(2025, 1, 2), 24, 17],
            ["P2", "S1", "Ficus lyrata", "1-03", date(2025, 5, 1), 17],
        ],
    )
    made = load(place)
    assert made.table("plants")["position"].tolist()[1] == "1-03"
    assert made.set_aside[["line", "column"]].values.tolist() == [[2, "position"], [3, "cost"]]
    assert made.set_aside["reason"].str.contains("date cell").all()


def test_numbers_and_dates_in_a_note_are_plain_text(tmp_path: Path) -> None:
    place = folder(tmp_path)
    rows = [["P1", date(2025, 3, 3), 1, 7], ["P2", date(2025, 3, 3), 1, date(2025, 5, 1)]]
    workbook(place / "visits.xlsx", [HEADS, *rows])
    assert load(place).table("visits")["note"].tolist() == ["7", "2025-05-01"]


def test_a_cell_shown_as_percent_is_read_as_shown(tmp_path: Path) -> None:
    # A spreadsheet stores 45% as 0.45 with the format 0%, number 9 of ECMA-376 part 1, 18.8.30.
    place = folder(tmp_path)
    heads = ["plant_id", "visited_on", "rh_percent"]
    book = workbook(place / "visits.xlsx", [heads, ["P1", date(2025, 3, 3), 0.45], ["P2", date(2025, 3, 3), 0.385]])
    book.active["C2"].number_format = "0%"
    book.active["C3"].number_format = '0.0" %"%'
    book.save(place / "visits.xlsx")
    made = load(place)
    assert made.table("visits")["rh_percent"].tolist() == [45, 38.5]
    assert made.notes.loc[made.notes["kind"] == "percent cells", "text"].item().startswith("2 cells")


def test_a_percent_sign_that_only_stands_in_quotes_changes_no_number(tmp_path: Path) -> None:
    place = folder(tmp_path)
    book = workbook(place / "visits.xlsx", [["plant_id", "visited_on", "rh_percent"], ["P1", date(2025, 3, 3), 45]])
    book.active["C2"].number_format = '0"%"'
    book.save(place / "visits.xlsx")
    assert load(place).table("visits")["rh_percent"].tolist() == [45]


def sheet_xml(path: Path, content: str) -> None:
    """Replace the first sheet's XML of a workbook."""
    with zipfile.ZipFile(path) as package:
        parts = {name: package.read(name) for name in package.namelist()}
    parts["xl/worksheets/sheet1.xml"] = content.encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as package:
        for name, part in parts.items():
            package.writestr(name, part)


def text_cell(reference: str, text: str) -> str:
    return f'<x:c t="inlineStr" r="{reference}"><x:is><x:t>{text}</x:t></x:is></x:c>'


def test_marks_are_found_whatever_the_prefix_and_the_order_of_the_attributes(tmp_path: Path) -> None:
    # A formula whose value is the empty text has a value (t="str" and an empty v); one without v has none.
    place = folder(tmp_path)
    workbook(place / "visits.xlsx", [HEADS])
    heads = "".join(text_cell(f"{letter}1", head) for letter, head in zip("ABCD", HEADS, strict=True))
    rows = (
        f'<x:row r="1">{heads}</x:row>'
        f'<x:row hidden="1" r="2">{text_cell("A2", "P1")}{text_cell("B2", "2025-03-03")}'
        '<x:c r="C2"><x:f>1/2</x:f></x:c><x:c t="str" r="D2"><x:f>""</x:f><x:v></x:v></x:c></x:row>'
        f'<x:row r="3">{text_cell("A3", "P2")}{text_cell("B3", "2025-03-04")}'
        "<x:c t = 'e' r='C3'><x:f>1/0</x:f><x:v>#DIV/0!</x:v></x:c></x:row>"
    )
    space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    sheet_xml(place / "visits.xlsx", f'<x:worksheet xmlns:x="{space}"><x:sheetData>{rows}</x:sheetData></x:worksheet>')
    made = load(place)
    assert made.set_aside[["line", "column", "code"]].values.tolist() == [
        [2, "litres", "spreadsheet_error"],
        [3, "litres", "spreadsheet_error"],
    ]
    assert "formula" in made.set_aside["reason"][0] and "#DIV/0!" in made.set_aside["reason"][1]
    assert made.notes.loc[made.notes["kind"] == "hidden rows", "text"].item().endswith(": 2")


def test_xml_with_a_document_type_is_refused_before_any_entity_grows(tmp_path: Path) -> None:
    place = folder(tmp_path)
    workbook(place / "visits.xlsx", [HEADS, ["P1", date(2025, 3, 3), "=1/2", ""]])
    laughs = (
        '<!DOCTYPE w [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><worksheet><sheetData><row><c><f>&b;</f></c></row>'
    )
    sheet_xml(place / "visits.xlsx", laughs + "</sheetData></worksheet>")
    with pytest.raises(RecordError, match=r"visits.xlsx: .*holds a document type"):
        load(place)


def open_document(path: Path, rows: list[list[str]]) -> None:
    """A spreadsheet of OpenDocument 1.3 with one sheet of texts, and of shares where a text ends in a percent sign."""
    rooms = ("office", "table", "text")
    spaces = " ".join(f'xmlns:{room}="urn:oasis:names:tc:opendocument:xmlns:{room}:1.0"' for room in rooms)
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    share = '<table:table-cell office:value-type="percentage" office:value="{}"><text:p>{}</text:p></table:table-cell>'

    def written(text: str) -> str:
        return share.format(float(text[:-1]) / 100, text) if text.endswith("%") else cell.format(text)

    lines = "".join(f"<table:table-row>{''.join(map(written, row))}</table:table-row>" for row in rows)
    sheet = f'<table:table table:name="visits">{lines}</table:table>'
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        package.writestr("META-INF/manifest.xml", "<manifest/>")
        package.writestr(
            "content.xml",
            f"<office:document-content {spaces}><office:body><office:spreadsheet>{sheet}</office:spreadsheet>"
            "</office:body></office:document-content>",
        )


@pytest.mark.parametrize(("real", "name"), [("xlsx", "visits.xls"), ("xlsx", "visits.ods"), ("ods", "visits.xlsx")])
def test_a_workbook_with_the_ending_of_another_kind_is_read(tmp_path: Path, real: str, name: str) -> None:
    place = folder(tmp_path)
    rows = [["plant_id", "visited_on"], ["P1", "2025-03-03"]]
    if real == "xlsx":
        workbook(place / "made.xlsx", rows)
        (place / "made.xlsx").rename(place / name)
    else:
        open_document(place / name, rows)
    assert load(place).table("visits")["plant_id"].tolist() == ["P1"]


@pytest.mark.parametrize("name", ["visits.zip", "visits.csv.gz", "2025/visits.csv"])
def test_a_table_that_is_packed_or_stands_in_a_folder_is_named_and_never_passed_over(tmp_path: Path, name: str) -> None:
    place = folder(tmp_path)
    (place / name).parent.mkdir(exist_ok=True)
    (place / name).write_text("plant_id,visited_on\nP1,2025-03-03\n")
    with pytest.raises(RecordError, match=f"visits: no file of this name in the folder, but {name}"):
        load(place)
    # Beside a file of the table's own it is noted as not read.
    (place / "visits.csv").write_text("plant_id,visited_on\nP1,2025-03-03\n")
    made = load(place)
    assert made.notes.loc[made.notes["kind"] == "unused file", "file"].tolist() == [name]


@pytest.mark.parametrize("name", ["~$visits.xlsx", "._visits.csv"])
def test_what_a_program_leaves_beside_an_open_file_is_no_table(tmp_path: Path, name: str) -> None:
    place = folder(tmp_path, visits="plant_id,visited_on\nP1,2025-03-03\n")
    (place / name).write_bytes(b"\5owner")
    made = load(place)
    assert len(made.table("visits")) == 1 and "unused file" not in set(made.notes["kind"])


def test_cells_shown_as_percent_in_other_workbooks_are_shares_and_never_taken_as_they_are(tmp_path: Path) -> None:
    # The reader hands over 0.45 and not how it is shown; air of 0.45 percent there is none, so the whole column proves
    # itself to be shares, and a single cell among others is set aside.
    heads = ["site_id", "read_at", "rh_percent"]
    rows = [["S1", f"2025-03-{day:02d} 08:00", f"{40 + day}%"] for day in range(1, 13)]
    whole = folder(tmp_path / "whole")
    open_document(whole / "readings.ods", [heads, *rows])
    assert load(whole).table("readings")["rh_percent"].tolist() == [float(40 + day) for day in range(1, 13)]
    mixed = folder(tmp_path / "mixed")
    open_document(mixed / "readings.ods", [heads, ["S1", "2025-03-01 08:00", "45%"], ["S1", "2025-03-02 08:00", "46"]])
    made = load(mixed)
    assert made.table("readings")["rh_percent"].dropna().tolist() == [46.0]
    assert "likely a share" in made.set_aside["reason"].item()
