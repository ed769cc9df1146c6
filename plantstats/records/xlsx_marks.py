"""What the cell reader does not tell of a workbook: day count, hidden rows, formulas without value, shown formats.

A sheet is first searched for the bytes of such marks; only where one is found is its XML parsed, element by element,
with nothing kept but the marks.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

from plantstats.records.errors import RecordError

MOST_UNPACKED = 2**30
MOST_CELLS = 40_000_000  # the reader lays a sheet out in full, from its first to its last cell
MOST_SMALL = 16 * 2**20  # of a part that holds no cells
PIECE = 8 * 2**20
OVERLAP = 64  # longer than any mark
# What reading a damaged package raises (RuntimeError and its kinds: a password, an unknown packing).
DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    OSError,
    EOFError,
    RuntimeError,
    ValueError,
    ElementTree.ParseError,
    expat.ExpatError,
)
# A formula, an error cell, a hidden row; and a cell beyond column Z or row 999,999, without which a sheet has at most
# 26 million cells.
MARK = re.compile(rb"""<(?:\w+:)?f[\s/>]|\bt\s*=\s*["']e["']|\bhidden\s*=|\br\s*=\s*["'](?:[A-Z]{2,3}\d|[A-Z]?\d{7})""")
PERCENT_FORMATS = {"9", "10"}  # 0% and 0.00%: ECMA-376 part 1, 18.8.30
Position = tuple[int, int]  # row and column, from 0


@dataclass
class SheetMarks:
    """Marks of one sheet.

    Attributes
    ----------
    hidden_rows : list of int
        Sheet rows, from 1.
    without_value : set of Position
        Formulas that hold no value.
    errors : dict of Position to str
        The error that a cell shows.
    digits : dict of Position to int
        How many digits a number shows, leading zeros included.
    percents : set of Position
        Numbers that are shown as percent, and so stand for a hundred times as much.
    """

    hidden_rows: list[int] = field(default_factory=list)
    without_value: set[Position] = field(default_factory=set)
    errors: dict[Position, str] = field(default_factory=dict)
    digits: dict[Position, int] = field(default_factory=dict)
    percents: set[Position] = field(default_factory=set)


@dataclass
class Styles:
    """Formats by number of the cell style: digits shown by formats that are nothing but zeros ("000"), and percent."""

    digits: dict[int, int] = field(default_factory=dict)
    percents: set[int] = field(default_factory=set)


class XlsxMarks:
    """The marks of an .xlsx file; refuses one that unpacks to more than can be meant.

    Parameters
    ----------
    path : Path
    name : str
        For messages.

    Attributes
    ----------
    epoch : int
        Day count of the dates, 1900 or 1904.

    Raises
    ------
    RecordError
        For half a package, a damaged one, or one too large.
    """

    def __init__(self, path: Path, name: str) -> None:
        self.path, self.name = path, name
        self.epoch = 1900
        self.parts: dict[str, str] = {}
        self.styles = Styles()
        if not zipfile.is_zipfile(path):
            return
        try:
            with zipfile.ZipFile(path) as package:
                size = sum(item.file_size for item in package.infolist())
                if size > MOST_UNPACKED:
                    raise RecordError([f"{name}: unpacks to {size / 2**30:.1f} GiB; at most 1 GiB is read"])
                workbook = list(_elements(package, "xl/workbook.xml"))
                targets = {
                    element.get("Id"): element.get("Target", "")
                    for element in _elements(package, "xl/_rels/workbook.xml.rels")
                }
                self.styles = _read_styles(list(_elements(package, "xl/styles.xml")))
        except DAMAGED as error:
            raise self._damaged(error) from None
        for element in workbook:
            if _local(element.tag) == "workbookPr" and element.get("date1904") in ("1", "true", "on"):
                self.epoch = 1904
            if _local(element.tag) == "sheet":
                key = next((value for name, value in element.items() if _local(name) == "id"), None)
                if target := targets.get(key, "").lstrip("/"):
                    part = target if target.startswith("xl/") else f"xl/{target}"
                    self.parts[element.get("name", "")] = part

    def of_sheet(self, title: str) -> SheetMarks:
        """The marks of a sheet.

        Parameters
        ----------
        title : str

        Returns
        -------
        SheetMarks

        Raises
        ------
        RecordError
            For a damaged sheet, and for one whose cells lie so far apart that laying it out would fill the memory.
        """
        part = self.parts.get(title)
        if part is None:
            return SheetMarks()
        parser = _SheetParser(self.styles)
        try:
            if self.styles.digits or self.styles.percents or self._has_marks(part):
                for piece in self._pieces(part):
                    parser.feed(piece)
                parser.close()
        except DAMAGED as error:
            raise self._damaged(error) from None
        rows, columns = parser.n_rows, parser.n_columns
        if rows * columns > MOST_CELLS:
            text = (
                f"{self.name}: sheet {title!r} reaches over {rows:,} rows and {columns:,} columns; "
                f"at most {MOST_CELLS:,} cells are read. Delete the stray cells, or save it as CSV"
            )
            raise RecordError([text])
        return parser.marks

    def _has_marks(self, part: str) -> bool:
        rest = b""
        for piece in self._pieces(part):
            if MARK.search(rest + piece):
                return True
            rest = piece[-OVERLAP:]
        return False

    def _pieces(self, part: str) -> Iterator[bytes]:
        with zipfile.ZipFile(self.path) as package:
            if part not in package.namelist():
                return
            with package.open(part) as file:
                total = 0
                while piece := file.read(PIECE):
                    total += len(piece)
                    if total > MOST_UNPACKED:
                        raise RecordError([f"{self.name}: unpacks to more than 1 GiB"])
                    yield piece

    def _damaged(self, error: Exception) -> RecordError:
        return RecordError([f"{self.name}: half a workbook or a damaged one ({error}); copy it again"])


class _SheetParser:
    """Takes the marks from the XML of a sheet; a cell or row without a reference follows the one before it."""

    def __init__(self, styles: Styles) -> None:
        self.styles, self.marks = styles, SheetMarks()
        self.n_rows = self.n_columns = 0
        self.row = self.column = -1
        self.cell: dict[str, str] = {}
        self.formula = False
        self.value: str | None = None
        self.in_value = False
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._text
        self.parser.StartDoctypeDeclHandler = _refuse_doctype

    def feed(self, piece: bytes) -> None:
        self.parser.Parse(piece, False)

    def close(self) -> None:
        self.parser.Parse(b"", True)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        match _local(name):
            case "row":
                self.row = int(attributes["r"]) - 1 if "r" in attributes else self.row + 1
                self.column = -1
                self.n_rows = max(self.n_rows, self.row + 1)
                if attributes.get("hidden") in ("1", "true"):
                    self.marks.hidden_rows.append(self.row + 1)
            case "c":
                self.cell, self.formula, self.value = attributes, False, None
                self.row, self.column = position(attributes["r"]) if "r" in attributes else (self.row, self.column + 1)
                self.n_rows, self.n_columns = max(self.n_rows, self.row + 1), max(self.n_columns, self.column + 1)
            case "f":
                self.formula = True
            case "v":
                self.value, self.in_value = "", True

    def _text(self, text: str) -> None:
        if self.in_value:
            self.value = (self.value or "") + text

    def _end(self, name: str) -> None:
        match _local(name):
            case "v":
                self.in_value = False
            case "c":
                self._take_cell((self.row, self.column))

    def _take_cell(self, at: Position) -> None:
        kind, value = self.cell.get("t"), (self.value or "").strip()
        if kind == "e":
            self.marks.errors[at] = value
        # A formula that gives an empty text has a value, and it is empty.
        elif self.formula and not value and not (kind == "str" and self.value is not None):
            self.marks.without_value.add(at)
        style = self.cell.get("s", "")
        if style.isdigit() and kind in (None, "n"):
            if digits := self.styles.digits.get(int(style)):
                self.marks.digits[at] = digits
            elif int(style) in self.styles.percents:
                self.marks.percents.add(at)


def position(reference: str) -> Position:
    """Row and column of a cell by its reference.

    Parameters
    ----------
    reference : str
        Such as "B7".

    Returns
    -------
    Position

    Examples
    --------
    >>> position("A1"), position("AB12")
    ((0, 0), (11, 27))
    """
    letters = reference.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = column * 26 + ord(letter) - 64
    return int(reference[len(letters) :]) - 1, column - 1


def _local(name: str) -> str:
    """A name of XML without its namespace or prefix."""
    return re.split(r"[}:]", name)[-1]


def _refuse_doctype(*_: object) -> None:
    # A package never holds one (ECMA-376 part 2, 9.1.4), and its entities could grow without bound.
    raise ValueError("its XML holds a document type")


def _elements(package: zipfile.ZipFile, part: str) -> Iterator[ElementTree.Element]:
    """The elements of a small part of a package; none where it is not there."""
    if part not in package.namelist():
        return
    with package.open(part) as file:
        content = file.read(MOST_SMALL)
    if b"<!DOCTYPE" in content.replace(b"\0", b""):
        _refuse_doctype()
    yield from ElementTree.fromstring(content).iter()


def _read_styles(elements: list[ElementTree.Element]) -> Styles:
    codes = {
        element.get("numFmtId", ""): element.get("formatCode", "")
        for element in elements
        if _local(element.tag) == "numFmt"
    }
    formats = next((element for element in elements if _local(element.tag) == "cellXfs"), None)
    styles = Styles()
    for number, style in enumerate(formats if formats is not None else ()):
        key = style.get("numFmtId", "")
        code = codes.get(key, "")
        if re.fullmatch(r"0{2,}", code):
            styles.digits[number] = len(code)
        # What stands in quotes or behind a backslash is shown as it is.
        elif key in PERCENT_FORMATS or "%" in re.sub(r'"[^"]*"|\\.', "", code):
            styles.percents.add(number)
    return styles
