"""Cells of the care sheet: texts and blanks, many and all with a format, written with fewer steps a cell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import CellBlankTuple, CellStringTuple, Worksheet

LETTERS = [xl_col_to_name(column) for column in range(26)]
PLAIN_LENGTH = 1000  # letters up to which a text surely fits into a cell


class TextSheet(Worksheet):  # type: ignore[misc]
    """A worksheet for rows of texts; its file is that of a plain worksheet, byte for byte."""

    def write_texts(self, row: int, cells: Sequence[tuple[str, Any]]) -> None:
        """Write a row from its first column on.

        Parameters
        ----------
        row : int
            From 0.
        cells : sequence of (str, xlsxwriter.format.Format)
            Text ("" for a blank cell) and format of each.
        """
        if self._check_dimensions(row, 0) or self._check_dimensions(row, len(cells) - 1):
            return
        kept, number = self.table[row], self.str_table._get_shared_string_index
        for column, (text, form) in enumerate(cells):
            if len(text) > PLAIN_LENGTH:
                self.write_string(row, column, text, form)
            else:
                kept[column] = CellStringTuple(number(text), form) if text else CellBlankTuple(form)

    def write_across(self, row: int, last: int, text: str, form: Any) -> None:
        """Write a text over a whole row, its cells merged; no row twice.

        Parameters
        ----------
        row, last : int
            The row and its last column, from 0.
        text : str
        form : xlsxwriter.format.Format
        """
        self.merge.append([row, 0, row, last])
        self.write_texts(row, [(text, form), *((("", form),) * last)])

    def _write_cell(self, row: int, col: int, cell: Any) -> None:
        """Put a cell into the file; what is not a formatted text or blank goes the long way."""
        if col >= len(LETTERS) or cell.__class__ not in (CellStringTuple, CellBlankTuple) or not cell.format:
            super()._write_cell(row, col, cell)
            return
        head = f'<c r="{LETTERS[col]}{row + 1}" s="{cell.format._get_xf_index()}"'
        if cell.__class__ is CellStringTuple:
            self.fh.write(f'{head} t="s"><v>{cell.string}</v></c>')
        else:
            self.fh.write(f"{head}/>")
