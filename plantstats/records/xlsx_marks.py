"""What the cell reader does not tell of a workbook: day count, hidden rows, formulas without value, shown digits.

Only marks are looked for, in the sheet's own XML, with patterns; no XML is expanded, so no entity can grow.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from plantstats.records.errors import RecordError

MOST_UNPACKED = 2**30
MOST_CELLS = 40_000_000  # the reader lays a sheet out in full, from its first to its last cell
# What reading a damaged package raises (RuntimeError: a password; NotImplementedError: an unknown packing).
DAMAGED = (zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, NotImplementedError, ValueError)
CELL_BEGINS = (b"<c ", b"<row ", b":c ", b":row ")
PIECE = 8 * 2**20
OVERLAP = 2**16
ROW_OF_CELL = re.compile(rb"\br=[\"'][A-Z]{0,3}(\d{1,7})[\"']")
LETTERS = re.compile(rb"\br=[\"']([A-Z]{1,3})\d")
# A cell beyond column Z or row 999,999; without one a sheet has at most 26 million cells.
FAR = re.compile(rb'r="(?:[A-Z]{2,3}\d|[A-Z]?\d{7})')
FAR_OTHER = re.compile(rb"r='(?:[A-Z]{2,3}\d|[A-Z]?\d{7})")
HIDDEN_ROW = re.compile(rb"<(?:\w+:)?row\b[^>]*?\bhidden=[\"'](?:1|true)[\"'][^>]*?>")
ROW_NUMBER = re.compile(rb"\br=[\"'](\d+)[\"']")
FORMULA = re.compile(
    rb"<(?:\w+:)?c\b[^>]*?\br=[\"']([A-Z]+\d+)[\"'][^>]*>\s*<(?:\w+:)?f\b[^>]*?(?:/>|>[^<]*</(?:\w+:)?f>)\s*"
    rb"(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v>\s*</(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)
ERROR = re.compile(
    rb"<(?:\w+:)?c\b(?=[^>]*?\bt=[\"']e[\"'])[^>]*?\br=[\"']([A-Z]+\d+)[\"'][^>]*>"
    rb"(?:\s*<(?:\w+:)?f\b[^>]*?(?:/>|>[^<]*</(?:\w+:)?f>))?\s*<(?:\w+:)?v>([^<]*)</"
)
STYLED = re.compile(rb"<(?:\w+:)?c\b[^>]*?\br=[\"']([A-Z]+)(\d+)[\"'][^>]*?\bs=[\"'](\d+)[\"']")


@dataclass
class SheetMarks:
    """Marks of one sheet: hidden rows, formulas without value, errors, shown digits by (row, column) from 0."""

    hidden_rows: list[int] = field(default_factory=list)
    without_value: list[str] = field(default_factory=list)
    errors: dict[str, str] = field(default_factory=dict)
    digits: dict[tuple[int, int], int] = field(default_factory=dict)


class XlsxParts:
    """The parts of an .xlsx file; refuses one that unpacks to more than can be meant."""

    def __init__(self, path: Path, name: str) -> None:
        """Open the package and read its small parts."""
        self.path, self.name = path, name
        self.zipped = zipfile.is_zipfile(path)
        self.epoch = 1900
        self.sheets: dict[str, str] = {}
        self.marks: dict[str, SheetMarks] = {}
        if not self.zipped:
            return
        try:
            with zipfile.ZipFile(path) as packed:
                size = sum(item.file_size for item in packed.infolist())
                if size > MOST_UNPACKED:
                    raise RecordError([f"{name}: unpacks to {size / 2**30:.1f} GiB; at most 1 GiB is read"])
                head = _read(packed, "xl/workbook.xml")
                relations = _read(packed, "xl/_rels/workbook.xml.rels")
                self.styles = _read(packed, "xl/styles.xml")
        except DAMAGED as error:
            raise RecordError([f"{name}: half a workbook or a damaged one ({error}); copy it again"]) from None
        if re.search(rb"date1904\s*=\s*[\"'](?:1|true|on)[\"']", head):
            self.epoch = 1904
        targets = {}
        for tag in re.findall(rb"<(?:\w+:)?Relationship\b[^>]*>", relations):
            key, target = re.search(rb"\bId=[\"']([^\"']+)", tag), re.search(rb"\bTarget=[\"']([^\"']+)", tag)
            if key and target:
                targets[key[1]] = target[1].decode("utf-8", "replace")
        for tag in re.findall(rb"<(?:\w+:)?sheet\b[^>]*>", head):
            title, key = (re.search(rb"\bname=[\"']([^\"']+)", tag), re.search(rb"\br?:?id=[\"']([^\"']+)", tag))
            if title and key and key[1] in targets:
                place = targets[key[1]].lstrip("/")
                inside = place if place.startswith("xl/") else f"xl/{place}"
                self.sheets[_unescape(title[1].decode("utf-8", "replace"))] = inside

    def look(self) -> None:
        """Take up the marks of every sheet.

        Raises: RecordError for a sheet whose cells lie so far apart that laying it out would fill the memory.
        """
        padded = self._padded_styles() if self.zipped else {}
        for title, part in self.sheets.items():
            made = self.marks.setdefault(title, SheetMarks())
            far = False
            for piece in self._pieces(part):
                far = far or FAR.search(piece) is not None or FAR_OTHER.search(piece) is not None
                _take_marks(piece, padded, made)
            if far:
                self._check_size(title, part)

    def _check_size(self, title: str, part: str) -> None:
        rows = columns = 0
        for piece in self._pieces(part):
            rows = max([rows, *(int(number) for number in ROW_OF_CELL.findall(piece))])
            columns = max([columns, *(column_number(letters) for letters in set(LETTERS.findall(piece)))])
        if rows * columns > MOST_CELLS:
            raise RecordError(
                [
                    f"{self.name}: sheet {title!r} reaches over {rows:,} rows and {columns:,} columns; "
                    f"at most {MOST_CELLS:,} cells are read. Delete the stray cells, or save it as CSV"
                ]
            )

    def _padded_styles(self) -> dict[int, int]:
        """Cell style -> number of digits shown, for formats that are nothing but zeros ("000")."""
        codes: dict[bytes, int] = {}
        for tag in re.findall(rb"<(?:\w+:)?numFmt\b[^>]*>", self.styles):
            key, code = (re.search(rb"numFmtId=[\"'](\d+)", tag), re.search(rb"formatCode=[\"']([^\"']*)[\"']", tag))
            if key and code and re.fullmatch(rb"0{2,}", code[1]):
                codes[key[1]] = len(code[1])
        cells = re.search(rb"<(?:\w+:)?cellXfs\b.*?</(?:\w+:)?cellXfs>", self.styles, re.DOTALL)
        if not codes or cells is None:
            return {}
        used = re.findall(rb"<(?:\w+:)?xf\b[^>]*?numFmtId=[\"'](\d+)", cells[0])
        return {n: codes[key] for n, key in enumerate(used) if key in codes}

    def _pieces(self, part: str) -> Iterator[bytes]:
        """The bytes of a part, cut where a cell or row begins, so that no mark is torn."""
        rest = b""
        try:
            with zipfile.ZipFile(self.path) as packed, packed.open(part) as file:
                total = 0
                while chunk := file.read(PIECE):
                    total += len(chunk)
                    if total > MOST_UNPACKED:
                        raise RecordError([f"{self.name}: unpacks to more than 1 GiB"])
                    body = rest + chunk
                    cut = max(body.rfind(mark) for mark in CELL_BEGINS)
                    cut = cut if cut > len(body) - OVERLAP else len(body)
                    yield body[:cut]
                    rest = body[cut:]
        except KeyError:
            return
        except DAMAGED as error:
            raise RecordError([f"{self.name}: half a workbook or a damaged one ({error}); copy it again"]) from None
        if rest:
            yield rest


def _take_marks(piece: bytes, padded: dict[int, int], made: SheetMarks) -> None:
    if b"hidden=" in piece:
        for row in HIDDEN_ROW.findall(piece):
            if number := ROW_NUMBER.search(row):
                made.hidden_rows.append(int(number[1]))
    if b"<f" in piece or b":f" in piece:
        made.without_value += [ref.decode() for ref in FORMULA.findall(piece)]
    if b't="e"' in piece or b"t='e'" in piece:
        made.errors |= {ref.decode(): text.decode("utf-8", "replace") for ref, text in ERROR.findall(piece)}
    if padded:
        for letters, row, style in STYLED.findall(piece):
            if int(style) in padded:
                made.digits[int(row) - 1, column_number(letters) - 1] = padded[int(style)]


def _read(packed: zipfile.ZipFile, part: str) -> bytes:
    try:
        with packed.open(part) as file:
            return file.read(16 * 2**20)
    except KeyError:
        return b""


def _unescape(text: str) -> str:
    for mark, letter in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&apos;", "'"), ("&amp;", "&")):
        text = text.replace(mark, letter)
    return text


def column_number(letters: bytes) -> int:
    """Number of a column by its letters: A is 1."""
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number
