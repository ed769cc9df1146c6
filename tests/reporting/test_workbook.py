"""findings.xlsx holds every table and all findings; nothing in it runs, and the same tables give the same bytes."""

from __future__ import annotations

import openpyxl
import pandas as pd
import pytest

from plantstats.reporting import workbook

TABLE = pd.DataFrame(
    {"Site": ["S1", "=1+1", "007"], "Cost": ["1,204.50", "\u221212", "not recorded"], "Lost": ["3", "", "0"]}
)
FINDINGS = pd.DataFrame({"measure": ["loss_rate"], "estimate": [12.3456789012345], "losses": [3]})


@pytest.fixture
def book(tmp_path):
    workbook.write(
        tmp_path / "findings.xlsx", [("Losses", "By site: a/b", TABLE), ("Visits", "By site: a/b", TABLE)], FINDINGS
    )
    return openpyxl.load_workbook(tmp_path / "findings.xlsx")


def test_contents_lead_to_a_sheet_for_each_table_and_to_all_findings(book):
    assert book.sheetnames == ["Contents", "By site  a b", "By site  a b (2)", "All findings"]
    rows = [[cell.value for cell in row] for row in book["Contents"].iter_rows()]
    assert rows[0] == ["Page", "Table", "Sheet"]
    assert [row[2] for row in rows[1:]] == book.sheetnames[1:]
    assert book["Contents"]["C2"].hyperlink.location == "'By site  a b'!A1"


def test_numbers_are_numbers_and_ids_and_formulas_are_text(book):
    rows = [[cell.value for cell in row] for row in book["By site  a b"].iter_rows(min_row=2)]
    assert rows == [["S1", 1204.5, 3], ["=1+1", -12, None], ["007", "not recorded", 0]]
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


def test_findings_stand_in_full_precision_below_a_frozen_head(book):
    assert book["All findings"]["B2"].value == pytest.approx(12.3456789012345, abs=1e-13)
    assert book["All findings"].freeze_panes == "B2"


def test_the_same_tables_give_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        workbook.write(tmp_path / name, [("Losses", "t", TABLE)], FINDINGS)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
