"""findings.xlsx: a contents sheet, a sheet for each table of the pages, and all findings in full precision."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pandas as pd
import xlsxwriter

# A clock of its own would make other bytes of the same findings.
FIXED_TIME = datetime(2000, 1, 1)
NUMBER = re.compile(r"-?[\d,]+(\.\d+)?")
LONGEST_NAME = 31  # letters of a sheet's name
WIDEST = 60  # letters of a column


def write(path: Path, tables: Sequence[tuple[str, str, pd.DataFrame]], findings: pd.DataFrame) -> None:
    """Write the workbook, the same bytes for the same tables.

    Parameters
    ----------
    path : pathlib.Path
        The file to write.
    tables : sequence of (page, caption, frame)
        In the order of the pages; frames as pages show them, all rows.
    findings : pandas.DataFrame
        The results table.
    """
    with xlsxwriter.Workbook(str(path), {"strings_to_formulas": False, "strings_to_urls": False}) as book:
        book.set_properties({"title": "Findings", "created": FIXED_TIME})
        formats = {
            "head": book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"}),
            "text": book.add_format({"text_wrap": True, "valign": "top"}),
            "number": book.add_format({"num_format": "#,##0.####", "valign": "top"}),
            "link": book.get_default_url_format(),
        }
        contents = book.add_worksheet("Contents")
        names = _names([caption for _, caption, _ in tables])
        rows = [(page, caption, name) for (page, caption, _), name in zip(tables, names, strict=True)]
        rows.append(("All pages", "All findings, in full precision", "All findings"))
        _fill(contents, pd.DataFrame(rows, columns=["Page", "Table", "Sheet"]), formats)
        for number, (_, _, name) in enumerate(rows, 1):
            contents.write_url(number, 2, f"internal:'{name}'!A1", formats["link"], name)
        for (_, _, frame), name in zip(tables, names, strict=True):
            _fill(book.add_worksheet(name), frame, formats)
        _fill(book.add_worksheet("All findings"), findings, formats)


def _names(captions: Sequence[str]) -> list[str]:
    r"""Names that sheets may bear: short, without []:*?/\\, each once."""
    names: list[str] = []
    for caption in captions:
        plain = re.sub(r"[\[\]:*?/\\']", " ", caption).strip()[:LONGEST_NAME].strip() or "Table"
        name, number = plain, 2
        while name.lower() in {other.lower() for other in (*names, "contents", "all findings")}:
            name, number = f"{plain[: LONGEST_NAME - 4]} ({number})", number + 1
        names.append(name)
    return names


def _fill(sheet: xlsxwriter.worksheet.Worksheet, frame: pd.DataFrame, formats: Mapping[str, object]) -> None:
    """A table with a frozen head; what is written like a number is one."""
    for column, heading in enumerate(frame.columns):
        sheet.write_string(0, column, str(heading), formats["head"])
        # Texts repeat: what each is, is found out once.
        codes, values = pd.factorize(frame[heading])
        cells = [(str(value), _number(value)) for value in values.tolist()]
        for row, code in enumerate(codes.tolist(), 1):
            text, number = cells[code] if code >= 0 else ("", None)
            if number is not None:
                sheet.write_number(row, column, number, formats["number"])
            elif text:
                sheet.write_string(row, column, text, formats["text"])
        width = max([len(str(heading)), *(len(text) for text, _ in cells)])
        sheet.set_column(column, column, min(width + 2, WIDEST))
    sheet.freeze_panes(1, 1)
    if len(frame):
        sheet.autofilter(0, 0, len(frame), max(len(frame.columns) - 1, 0))


def _number(value: object) -> float | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return float(value)
    text = str(value).replace("\u2212", "-")
    # A leading nought is an id, not a number.
    if not NUMBER.fullmatch(text) or re.match(r"-?0\d", text):
        return None
    return float(text.replace(",", ""))
