"""Rows of texts, written with fewer steps a cell, make the file that a plain worksheet makes."""

from __future__ import annotations

import io
from datetime import datetime

import xlsxwriter

from plantstats.watering.care_cells import PLAIN_LENGTH, TextSheet

ROWS = [
    ["place", "", "peace lily", ""],
    ["", "'=1+1", "peace lily", "a & b <c> \"d\" 'e'"],
    ["\u2610", " both ends ", "two\nlines", "x" * (PLAIN_LENGTH + 1)],
    ["control \x02 letter", "y" * 40_000, "", "\u00e9\u4e2d"],
]
ACROSS = "Notes & more"


def file_of(fast: bool) -> bytes:
    """One sheet with a text across its first row and 40 times the rows, each with a height."""
    file = io.BytesIO()
    with xlsxwriter.Workbook(file, {"in_memory": True, "strings_to_formulas": False}) as book:
        book.set_properties({"created": datetime(2000, 1, 1)})
        forms = [book.add_format({"bold": True}), book.add_format({"font_size": 14})]
        sheet = book.add_worksheet("north", TextSheet if fast else None)
        for at, row in enumerate(ROWS * 40):
            sheet.set_row(2 * at, 26)
            if fast:
                sheet.write_across(2 * at, 3, ACROSS, forms[1])
                sheet.write_texts(2 * at + 1, [(text, forms[n % 2]) for n, text in enumerate(row)])
                continue
            sheet.merge_range(2 * at, 0, 2 * at, 3, ACROSS, forms[1])
            for n, text in enumerate(row):
                if text:
                    sheet.write_string(2 * at + 1, n, text, forms[n % 2])
                else:
                    sheet.write_blank(2 * at + 1, n, None, forms[n % 2])
        sheet.write_number(500, 30, 3.5)
        sheet.write_string(501, 1, "without a format")
    return file.getvalue()


def test_the_file_is_that_of_a_plain_worksheet() -> None:
    assert file_of(fast=True) == file_of(fast=False)


def test_a_row_beyond_the_sheet_is_left_out() -> None:
    with xlsxwriter.Workbook(io.BytesIO()) as book:
        sheet = book.add_worksheet("north", TextSheet)
        sheet.write_texts(sheet.xls_rowmax, [("too far down", book.add_format())])
        assert not sheet.table
