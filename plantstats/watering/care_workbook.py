"""care_sheet.xlsx: a sheet of paper a site, in walking order, with boxes to tick and room to write; A4 across."""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from functools import lru_cache
from typing import Any, NamedTuple

import pandas as pd
import xlsxwriter

# Heading and width in characters; together they fill A4 across at 10 points and PRINT_SCALE.
COLUMNS = (
    ("Look", 5),
    ("Place", 15),
    ("Plant", 15),
    ("Pot", 9),
    ("Last watered", 8),
    ("Look on", 13),
    ("Water when", 17),
    ("Usually dry by", 8),
    ("Watch", 11),
    ("Leaves", 6),
    ("Score", 6),
    ("Litres", 6),
)
ROOMS = [width - 1 for _, width in COLUMNS]  # characters in a line
BOX = "\u2610"
HEAD_HEIGHT, TEXT_HEIGHT, LINE_HEIGHT = 24, 15, 13  # points
ROOM = 480  # points of a sheet of paper for plants, between head and foot
PRINT_SCALE = 88  # percent
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
FOOT = f"Done by{' ' * 40}on{' ' * 30}Notes"
RULE = "The finger in the pot decides. Only how often changes, never how much water at once."
# A clock of its own would make other bytes of the same sheet.
FIXED_TIME = datetime(2000, 1, 1)
LONGEST_NAME = 31  # letters of a sheet's name


class Line(NamedTuple):
    """A plant's row of a sheet of paper: the plant, its texts with their formats, the points that they need."""

    plant: Any
    texts: list[tuple[str, str]]
    height: int


def workbook(seasons: Sequence[tuple[str, pd.DataFrame]], as_of: date) -> bytes:
    """The care sheet of both seasons.

    Parameters
    ----------
    seasons : sequence of (str, pandas.DataFrame)
        Name of the season and the rows of `care_sheet.sheet_rows`, the present one first.
    as_of : datetime.date
        The last day of the records.

    Returns
    -------
    bytes
        An .xlsx file, the same bytes for the same rows: a tab for each route and season, a sheet of paper for each site
        (more where a site has many plants, with the site's head again). A text that a spreadsheet would take for a
        formula gets an apostrophe in front.
    """
    file = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(file, options) as book:
        book.set_properties({"title": "Care sheet", "created": FIXED_TIME})
        formats = _formats(book)
        taken: set[str] = set()
        for season, rows in seasons:
            plants = rows.sort_values(["route", "site_id"], kind="stable").astype("object").itertuples(index=False)
            for route, part in itertools.groupby(plants, lambda row: row.route):
                sheet = book.add_worksheet(_name(f"{route}, {season}", taken))
                _fill(sheet, part, f"{season}; records until {day_text(as_of)} {as_of.year}", formats)
    return file.getvalue()


def harmless(text: str) -> str:
    """Text that no spreadsheet runs as a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return "'" + text if str(text).startswith(FORMULA) else str(text)


@lru_cache(maxsize=4096)
def day_text(day: date) -> str:
    """A day without its year.

    Parameters
    ----------
    day : date
        A day.

    Returns
    -------
    str

    Examples
    --------
    >>> day_text(date(2026, 10, 5))
    '5 Oct'
    """
    return f"{day.day} {day:%b}"


def _formats(book: xlsxwriter.Workbook) -> dict[str, Any]:
    cell = {"font_size": 10, "text_wrap": True, "valign": "vcenter", "bottom": 1, "bottom_color": "#9AA5B1"}
    return {
        "site": book.add_format({"bold": True, "font_size": 14}),
        "text": book.add_format({"font_size": 10}),
        "head": book.add_format(cell | {"bold": True, "bg_color": "#E4E7EB"}),
        "cell": book.add_format(cell),
        "strong": book.add_format(cell | {"bold": True}),
        "box": book.add_format(cell | {"font_size": 14, "align": "center"}),
        "write": book.add_format(cell | {"left": 1, "right": 1, "left_color": "#9AA5B1", "right_color": "#9AA5B1"}),
    }


def _name(text: str, taken: set[str]) -> str:
    """A sheet name that a workbook accepts (no brackets, colons or slashes, at most 31 letters), not taken yet."""
    plain = re.sub(r"[\[\]:*?/\\']", " ", text).strip()[:LONGEST_NAME].strip() or "route"
    name, number = plain, 2
    while name.lower() in taken:
        name, number = f"{plain[: LONGEST_NAME - 5]} ({number})", number + 1
    taken.add(name.lower())
    return name


def _fill(sheet: Any, rows: Iterable[Any], about: str, formats: dict[str, Any]) -> None:
    """Sites one below the other, each on its own sheet of paper."""
    at, breaks = 0, []
    for _, site in itertools.groupby(rows, lambda row: row.site_id):
        pages = _pages([_line(row) for row in site])
        for number, page in enumerate(pages, 1):
            at = _page(sheet, at, page, f"{about}; sheet {number} of {len(pages)}", formats)
            breaks.append(at)
    for column, (_, width) in enumerate(COLUMNS):
        sheet.set_column(column, column, width)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.set_margins(left=0.3, right=0.3, top=0.4, bottom=0.5)
    sheet.set_print_scale(PRINT_SCALE)
    sheet.set_h_pagebreaks(breaks[:-1])
    sheet.print_area(0, 0, at - 1, len(COLUMNS) - 1)
    sheet.set_footer(f"&L&A&C{RULE}&RPage &P of &N")


def _line(row: Any) -> Line:
    """What a plant's row says, and the points that it needs: two lines, or as many as its longest text."""
    texts = _texts(row)
    lines = [-(-len(text) // room) for (text, _), room in zip(texts, ROOMS, strict=True)]
    return Line(row, texts, LINE_HEIGHT * max(2, *lines))


def _texts(row: Any) -> list[tuple[str, str]]:
    """What a plant's row says, column by column, and in which format."""
    watered = day_text(row.watered) if row.watered is not None else ""
    each = row.visits and row.looks == row.visits
    looks = (
        "each visit"
        if each
        else ", ".join(day_text(day) for day in row.looks)
        or (f"every {row.inspection_interval} days" if not row.visits else "")
    )
    return [
        (BOX if row.due or not row.visits else "", "box"),
        (row.place, "strong"),
        (row.plant, "cell"),
        (row.pot, "cell"),
        (watered, "cell"),
        (looks, "cell"),
        (row.water, "cell"),
        (row.usually, "cell"),
        (row.mark, "strong"),
        *(("", "write"),) * 3,
    ]


def _pages(lines: list[Line]) -> list[list[Line]]:
    """The lines of a site, cut where a sheet of paper is full."""
    pages: list[list[Line]] = [[]]
    used = 0
    for line in lines:
        if used + line.height > ROOM:
            pages.append([])
            used = 0
        pages[-1].append(line)
        used += line.height
    return pages


def _page(sheet: Any, at: int, plants: list[Line], about: str, formats: dict[str, Any]) -> int:
    """One sheet of paper from row `at` on; gives the row after it."""
    first, last = plants[0].plant, len(COLUMNS) - 1
    visits = ", ".join(day_text(day) for day in first.visits)
    access = f"Access: {first.access}. " if first.access else ""
    lines = (
        (", ".join(filter(None, (first.site, first.address))), "site", HEAD_HEIGHT),
        (f"{access}Visit every {first.site_every} days: {first.reason}.", "text", TEXT_HEIGHT),
        (f"Next visits: {visits or 'no visit on record'}. {about[:1].upper()}{about[1:]}.", "text", TEXT_HEIGHT),
    )
    for text, name, height in lines:
        sheet.set_row(at, height)
        sheet.merge_range(at, 0, at, last, harmless(text), formats[name])
        at += 1
    for column, (heading, _) in enumerate(COLUMNS):
        sheet.write_string(at, column, heading, formats["head"])
    sheet.set_row(at, 2 * LINE_HEIGHT)
    at += 1
    for line in plants:
        sheet.set_row(at, line.height)
        for column, (text, name) in enumerate(line.texts):
            if text:
                sheet.write_string(at, column, harmless(text), formats[name])
            else:
                sheet.write_blank(at, column, None, formats[name])
        at += 1
    sheet.set_row(at, 2 * LINE_HEIGHT)
    sheet.merge_range(at, 0, at, last, FOOT, formats["write"])
    return at + 1
