"""Workbooks as rows of text: numbers marked as numbers, dates written in ISO 8601."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from python_calamine import CalamineError, CalamineWorkbook

from plantstats.records.csv import TEXT, Block
from plantstats.records.errors import RecordError
from plantstats.records.header import MOST_COLUMNS, find_header, map_header
from plantstats.records.parse.context import DATE_CELL, NO_VALUE, NUMBER_CELL, strip_marker
from plantstats.records.xlsx_marks import Position, SheetMarks, XlsxMarks
from plantstats.schema.tables import Table
from plantstats.schema.text import normalize_header
from plantstats.settings import TableSettings

ROWS = 50_000  # of one block
FIRST_ROWS = 60  # in which the header and the sheet of a table are looked for
MOST_SHOWN = 10  # hidden rows that a note names
MOST_PADDED = 1e15  # a spreadsheet keeps 15 digits


class ShownNumber(str):
    """A number cell as its format shows it: with leading zeros, or as percent."""


def cell_text(cell: Any) -> str:
    """Workbook cell as text, numbers and dates with their marks (see `parse.context`).

    Parameters
    ----------
    cell : Any
        As the library gives it.

    Returns
    -------
    str
    """
    write = WRITTEN.get(type(cell))
    return write(cell) if write else str(cell)


def _number(cell: float) -> str:
    whole = float(cell).is_integer() and abs(cell) < MOST_WHOLE
    return NUMBER_CELL + (str(int(cell)) if whole else repr(float(cell)))


def _moment(cell: datetime) -> str:
    return DATE_CELL + (cell.isoformat(" ") if cell.time() != time(0) else cell.date().isoformat())


# How each type of cell is written. A time of day is text; a span of time is a number of days.
MOST_WHOLE = 1e21
WRITTEN: dict[type, Callable[[Any], str]] = {
    str: str,
    type(None): lambda cell: "",
    bool: lambda cell: "TRUE" if cell else "FALSE",
    int: _number,
    float: _number,
    datetime: _moment,
    date: lambda cell: DATE_CELL + cell.isoformat(),
    time: lambda cell: cell.isoformat(),
    timedelta: lambda cell: NUMBER_CELL + repr(cell / timedelta(days=1)),
    ShownNumber: lambda cell: NUMBER_CELL + str(cell),
}


def _texts(cells: tuple[Any, ...]) -> list[str]:
    """Texts of a column of cells; each different cell is written once."""
    kinds = set(map(type, cells))
    if ShownNumber in kinds or (bool in kinds and kinds & {int, float}):
        return [cell_text(cell) for cell in cells]  # equal to Python, yet different cells: "007" and 007, TRUE and 1
    written = {cell: cell_text(cell) for cell in set(cells)}
    return list(map(written.__getitem__, cells))


class WorkbookFile:
    """One sheet of a workbook.

    Parameters
    ----------
    path : Path
    name : str
        For messages.
    options : TableSettings
        May name the sheet.
    table : Table
        Whose sheet is looked for.
    """

    def __init__(self, path: Path, name: str, options: TableSettings, table: Table) -> None:
        self.path, self.name, self.options, self.table = path, name, options, table
        self.notes: list[tuple[str, str]] = []
        self.package = XlsxMarks(path, name)
        self.epoch: int | None = self.package.epoch
        self.rows: list[list[Any]] = []

    def preview(self) -> list[tuple[int, list[str]]]:
        """First filled rows of the sheet that holds the table.

        Returns
        -------
        list of tuple of int, list of str
            Sheet row, and its cells.

        Raises
        ------
        RecordError
            For a workbook that cannot be read, or a row of too many columns.
        """
        # Every sheet is checked before the reader lays any of them out.
        marks = {title: self.package.of_sheet(title) for title in self.package.parts}
        try:
            # By content: a file may have the ending of another kind of workbook.
            with self.path.open("rb") as file:
                book = CalamineWorkbook.from_filelike(file)
                sheet = self._sheet(book)
                self.rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
        except (CalamineError, ValueError, OSError) as error:
            raise RecordError([f"{self.name}: cannot be read as a workbook ({error}); save it again"]) from None
        self.notes.append(("sheet", f"sheet {sheet!r} read"))
        self._mark_cells(marks.get(sheet, SheetMarks()))
        if self.rows and len(self.rows[0]) > MOST_COLUMNS:
            raise RecordError([f"{self.name}: {len(self.rows[0]):,} columns; at most {MOST_COLUMNS}"])
        first = ((n, [cell_text(cell) for cell in row]) for n, row in enumerate(self.rows[:FIRST_ROWS], start=1))
        return [(n, cells) for n, cells in first if any(cell.strip() for cell in cells)]

    def _mark_cells(self, marks: SheetMarks) -> None:
        """Write into the rows what the cell reader left out: errors, formulas without value, numbers as shown."""
        for at, text in (dict.fromkeys(marks.without_value, NO_VALUE) | marks.errors).items():
            if self._cell(at) in ("", None):
                self._set_cell(at, text)
        for at, width in marks.digits.items():
            cell = self._cell(at)
            if isinstance(cell, float) and cell.is_integer() and 0 <= cell < MOST_PADDED:
                self._set_cell(at, ShownNumber(f"{int(cell):0{width}d}"))
        for at in marks.percents:
            cell = self._cell(at)
            if isinstance(cell, float):
                self._set_cell(at, ShownNumber(f"{100 * cell:.12g}%"))
        if hidden := marks.hidden_rows:
            shown = ", ".join(map(str, hidden[:MOST_SHOWN]))
            self.notes.append(
                ("hidden rows", f"{len(hidden)} rows are hidden in the sheet and read like the others: {shown}")
            )
        if marks.percents:
            self.notes.append(
                ("percent cells", f"{len(marks.percents):,} cells shown as percent read as shown (0.45 as 45%)")
            )

    def _cell(self, at: Position) -> Any:
        """A cell, or False outside of the sheet as it is laid out."""
        row, column = at
        return self.rows[row][column] if row < len(self.rows) and column < len(self.rows[row]) else False

    def _set_cell(self, at: Position, text: str) -> None:
        self.rows[at[0]][at[1]] = text

    def _sheet(self, book: CalamineWorkbook) -> str:
        names = list(book.sheet_names)
        if self.options.sheet is not None:
            if self.options.sheet not in names:
                raise RecordError([f"{self.name}: no sheet {self.options.sheet!r}; sheets: {', '.join(names)}"])
            return self.options.sheet
        hidden = [s.name for s in book.sheets_metadata if not str(s.visible).endswith("Visible")]
        if hidden:
            self.notes.append(("hidden sheets", f"hidden sheets not read: {', '.join(hidden)}"))
        open_names = [n for n in names if n not in hidden]
        named = [n for n in open_names if normalize_header(n) == self.table.name]
        if len(open_names) == 1 or len(named) == 1:
            return named[0] if named else open_names[0]
        fitting = []
        for name in open_names:
            rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False, nrows=FIRST_ROWS)
            texts = [(n, [cell_text(c) for c in row]) for n, row in enumerate(rows)]
            header = find_header(texts, self.table, self.options)[1] if texts else []
            if not map_header(header, self.table, self.options).faults:
                fitting.append(name)
        if len(fitting) != 1:
            shown = ", ".join(fitting or open_names)
            raise RecordError([f"{self.name}: {len(fitting)} sheets could hold {self.table.name} ({shown}); set sheet"])
        return fitting[0]

    def blocks(
        self, header_line: int, n_columns: int, wanted: dict[int, bool], record_test: Callable[[list[str]], bool]
    ) -> Iterator[Block]:
        """Rows after the header; see `CsvFile.blocks`.

        Parameters
        ----------
        header_line : int
            Line of the header.
        n_columns : int
            Number of columns of the header.
        wanted : dict of int to bool
            Position to whether its texts are coded.
        record_test : callable
            Whether the cells of a line look like a record of the table.

        Yields
        ------
        Block
        """
        blank = 0
        for start in range(header_line, len(self.rows), ROWS):
            part = self.rows[start : start + ROWS]
            kept = [n for n, row in enumerate(part) if row.count("") < len(row)]
            blank += len(part) - len(kept)
            across = list(zip(*(part[n] for n in kept), strict=True))
            columns = {}
            for position, coded in wanted.items():
                texts = _texts(across[position]) if across else []
                array = pa.array(texts if coded else [strip_marker(t) for t in texts], type=TEXT)
                columns[position] = array.dictionary_encode() if coded else array
            yield Block(columns, np.array(kept, dtype="int64") + start + 1)
        if blank:
            self.notes.append(("blank rows", f"{blank} blank rows left out"))
        self.rows = []
