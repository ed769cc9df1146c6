"""Delimited text read block by block, in bounded memory, every row with the line where it began.

A block without quote marks goes through Arrow's reader; any other through Python's strict reader, record by
record, so that a quote mark that is never closed cannot swallow the rows behind it.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pc

from plantstats.records.encodings import CHUNK, find_encoding
from plantstats.records.errors import RecordError
from plantstats.records.header import MOST_COLUMNS
from plantstats.schema.faults import Code, Fault
from plantstats.settings import TableSettings

PIECE = 2**18
LONGEST_LINE = 2 * 2**20
MOST_LINES = 200  # a quoted field of more lines has lost its closing mark
DELIMITERS = ",;\t|"
PREVIEW_LINES = 60
TEXT = pa.string()
CODED = pa.dictionary(pa.int32(), pa.string())


@dataclass
class RowFault:
    """A row that could not be taken apart into its cells."""

    line: int
    text: str
    fault: Fault


@dataclass
class Block:
    """Some rows of a file: wanted position -> Arrow array of texts, the line of each row, faulty rows."""

    columns: dict[int, pa.Array]
    lines: np.ndarray
    faults: list[RowFault] = field(default_factory=list)


class CsvFile:
    """One file of delimited text; `preview` first, then `blocks` from the row after the heads."""

    epoch = None

    def __init__(self, path: Path, name: str, options: TableSettings) -> None:
        self.path, self.name, self.options = path, name, options
        self.notes: list[tuple[str, str]] = []
        self.encoding, self.sample = find_encoding(path, name, options.encoding)
        self.first_line = 1
        self.delimiter = ","
        self.trailing = 0
        self.blank = 0

    def preview(self) -> list[tuple[int, list[str]]]:
        """First rows; settles the delimiter and says what was decided.

        Returns
        -------
        list of tuple of int, list of str
            Line, and its cells.

        Raises
        ------
        RecordError
            For a line of too many columns.
        """
        first = next(self._chunks(2**16), b"")
        text = first.decode("utf-8", errors="replace")
        lines = text.split("\n")[:PREVIEW_LINES]
        if lines and (match := re.fullmatch(r"\ufeff?sep=(.)", lines[0].strip("\r"))):
            self.delimiter, self.first_line = match[1], 2
            lines = lines[1:]
        else:
            self.delimiter = self.options.delimiter or _delimiter(lines)
        self.delimiter = self.options.delimiter or self.delimiter
        shown = {"\t": "tab", ",": "comma", ";": "semicolon", "|": "bar"}.get(self.delimiter, repr(self.delimiter))
        self.notes.append(
            (
                "text",
                f"read as {self.encoding}, delimiter {shown}"
                + (f"; letters beyond ASCII such as {self.sample!r}" if self.sample else ""),
            )
        )
        rows = []
        for number, line in enumerate(lines, start=self.first_line):
            if line.strip():
                cells = _fields(line, self.delimiter)
                if len(cells) > MOST_COLUMNS:
                    raise RecordError([f"{self.name}: line {number}: {len(cells):,} columns; at most {MOST_COLUMNS}"])
                rows.append((number, cells))
        return rows

    def blocks(
        self, header_line: int, n_columns: int, wanted: dict[int, bool], record_test: Callable[[list[str]], bool]
    ) -> Iterator[Block]:
        """Rows after the header.

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
            Their rows and faults are all rows of the file, blank ones aside.
        """
        line = 1
        carry = b""
        chunks = self._chunks(CHUNK)
        chunk = next(chunks, None)
        while chunk is not None:
            following = next(chunks, None)
            body = chunk
            if line <= header_line:
                skipped = 0
                for _ in range(header_line - line + 1):
                    at = body.find(b"\n", skipped)
                    skipped = at + 1 if at >= 0 else len(body)
                body, line = body[skipped:], header_line + 1
            for part, end, plain in self._pieces(body):
                piece = carry + part
                block = self._fast(piece, line, n_columns, wanted) if plain and not carry else None
                carry = b""
                if block is None:
                    last = end and following is None
                    block, carry = self._careful(piece, line, n_columns, wanted, record_test, last)
                line += piece.count(b"\n") - carry.count(b"\n") + (0 if piece.endswith(b"\n") else 1)
                yield block
            chunk = following
        if self.trailing:
            self.notes.append(("trailing field", f"{self.trailing} rows end in an empty extra field, left out"))
        if self.blank:
            self.notes.append(("blank rows", f"{self.blank} blank lines left out"))

    def _pieces(self, body: bytes) -> Iterator[tuple[bytes, bool, bool]]:
        """The whole body where it is plain; else short pieces, so that one odd row slows only its neighbours.

        Yields (piece, whether it is the last, whether it is plain).
        """
        if not body:
            return
        plain = self._plain(body)
        if plain or len(body) <= PIECE:
            yield body, True, plain
            return
        start = 0
        while start < len(body):
            cut = body.find(b"\n", start + PIECE) + 1 or len(body)
            piece = body[start:cut]
            yield piece, cut == len(body), self._plain(piece)
            start = cut

    def _plain(self, body: bytes) -> bool:
        """Whether every quote mark stands at the edge of a field and no line is empty."""
        if body.startswith(b"\n") or b"\n\n" in body:
            return False
        if b'"' not in body:
            return True
        letters = np.frombuffer(body, dtype="uint8")
        marks = np.flatnonzero(letters == ord('"'))
        edge = np.array([*self.delimiter.encode(), ord("\n")], dtype="uint8")
        before, after = np.take(letters, marks - 1, mode="wrap"), np.take(letters, marks + 1, mode="wrap")
        opens = np.isin(before, edge) | (marks == 0)
        closes = np.isin(after, edge) | (marks == len(letters) - 1)
        # A mark at both edges belongs to an empty field ("") and opens or closes it.
        return bool((opens | closes).all()) and len(marks) % 2 == 0

    def _fast(self, body: bytes, line: int, n_columns: int, wanted: dict[int, bool]) -> Block | None:
        if n_columns < 2:
            return None
        names = [str(n) for n in range(n_columns)]
        try:
            table = pc.read_csv(
                pa.BufferReader(body),
                pc.ReadOptions(column_names=names, block_size=len(body) + 1),
                pc.ParseOptions(delimiter=self.delimiter, ignore_empty_lines=False),
                pc.ConvertOptions(
                    column_types={str(n): CODED if coded else TEXT for n, coded in wanted.items()},
                    include_columns=[str(n) for n in wanted],
                    null_values=[],
                    strings_can_be_null=False,
                ),
            )
        except pa.ArrowInvalid:
            return None  # a ragged row, found and named by the careful reader
        if table.num_rows != body.count(b"\n") + (not body.endswith(b"\n")):
            return None  # a quoted field runs over several lines
        columns = {n: table.column(str(n)).combine_chunks() for n in wanted}
        return Block(columns, np.arange(line, line + table.num_rows, dtype="int64"))

    def _careful(
        self,
        body: bytes,
        first: int,
        n_columns: int,
        wanted: dict[int, bool],
        record_test: Callable[[list[str]], bool],
        last: bool,
    ) -> tuple[Block, bytes]:
        lines = body.decode("utf-8").split("\n")
        if lines and not lines[-1]:
            lines.pop()
        rows: list[list[str]] = []
        numbers: list[int] = []
        faults: list[RowFault] = []
        at = 0
        carry = b""
        if (regular := self._regular(lines, n_columns)) is not None:
            rows, numbers, at = regular, list(range(first, first + len(lines))), len(lines)
        while at < len(lines):
            reader = csv.reader((text + "\n" for text in lines[at:]), delimiter=self.delimiter, strict=True)
            start = at
            broken = False
            try:
                for cells in reader:
                    begun, at = at, start + reader.line_num
                    if at - begun > 1 and self._swallows(cells, record_test, at - begun):
                        at, broken = begun, True
                        break
                    self._keep(cells, first + begun, lines[begun], n_columns, rows, numbers, faults)
            except csv.Error:
                broken = True
            if not broken:
                break
            if not last and len(lines) - at <= MOST_LINES and at > 0 and not self._closes(lines, at, record_test):
                carry = ("\n".join(lines[at:]) + "\n").encode()
                break
            faults.append(self._open_quote(lines, at, first, record_test))
            at += 1
        across = list(zip(*rows, strict=True)) if rows else [()] * n_columns
        columns = {n: pa.array(across[n], type=TEXT) for n in wanted}
        columns = {n: a.dictionary_encode() if wanted[n] else a for n, a in columns.items()}
        return Block(columns, np.array(numbers, dtype="int64"), faults), carry

    def _regular(self, lines: list[str], n_columns: int) -> list[list[str]] | None:
        """The rows, where each line is one row of the right width; else None."""
        try:
            rows = list(csv.reader(lines, delimiter=self.delimiter, strict=True))
        except csv.Error:
            return None
        return rows if len(rows) == len(lines) and set(map(len, rows)) == {n_columns} else None

    def _swallows(self, cells: list[str], record_test: Callable[[list[str]], bool], count: int) -> bool:
        """Whether a field over several lines holds lines that are records themselves."""
        kept_lines = (text for cell in cells if "\n" in cell for text in cell.split("\n")[1:])
        return count > MOST_LINES or any(record_test(text.split(self.delimiter)) for text in kept_lines)

    def _closes(self, lines: list[str], at: int, record_test: Callable[[list[str]], bool]) -> bool:
        """Whether a broken record is broken within these lines, so that more text cannot mend it."""
        return any(record_test(text.split(self.delimiter)) for text in lines[at + 1 :]) or '"' in "".join(
            lines[at + 1 :]
        )

    def _open_quote(self, lines: list[str], at: int, first: int, record_test: Callable[[list[str]], bool]) -> RowFault:
        text = lines[at]
        kept_lines = sum(record_test(other.split(self.delimiter)) for other in lines[at + 1 : at + 1 + MOST_LINES])
        if text.count('"') % 2:
            more = f"; {kept_lines} lines behind it look like records and are read as such" if kept_lines else ""
            reason = f"a quote mark opens a field and is not closed in this row{more}"
        else:
            reason = "text follows a closing quote mark"
        return RowFault(first + at, text[:500], Fault(Code.LOST_QUOTE, f"line {first + at}: {reason}"))

    def _keep(
        self,
        cells: list[str],
        line: int,
        text: str,
        n_columns: int,
        rows: list[list[str]],
        numbers: list[int],
        faults: list[RowFault],
    ) -> None:
        if not cells or (len(cells) == 1 and n_columns > 1 and not cells[0].strip()):
            self.blank += 1
            return
        if len(cells) > n_columns and not any(cell.strip() for cell in cells[n_columns:]):
            self.trailing += 1
            cells = cells[:n_columns]
        if len(cells) != n_columns:
            ragged = Fault(Code.RAGGED_ROW, f"line {line}: {len(cells)} fields, header has {n_columns}")
            faults.append(RowFault(line, text[:500], ragged))
            return
        rows.append(cells)
        numbers.append(line)

    def _chunks(self, size: int) -> Iterator[bytes]:
        """The file as UTF-8 with line feeds, in pieces that end with a line."""
        decoder = None
        if self.encoding not in ("utf-8", "utf-8-sig"):
            decoder = codecs.getincrementaldecoder(self.encoding)("strict")
        rest = b""
        kept_lines = b""
        with self.path.open("rb") as file:
            if self.encoding == "utf-8-sig":
                file.read(3)
            while True:
                raw = file.read(size)
                part = decoder.decode(raw, final=not raw).encode() if decoder else raw
                part = kept_lines + part
                kept_lines = b""
                if raw and part.endswith(b"\r"):
                    part, kept_lines = part[:-1], b"\r"
                if b"\r" in part:
                    part = part.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
                cut = part.rfind(b"\n") + 1
                if cut:
                    yield rest + part[:cut]
                    rest = part[cut:]
                else:
                    rest += part
                if len(rest) > max(LONGEST_LINE, size):
                    raise RecordError(
                        [f"{self.name}: a line is longer than {len(rest) // 2**20} MiB; not a table of records"]
                    )
                if not raw:
                    break
        if rest:
            yield rest


def _delimiter(lines: list[str]) -> str:
    """The delimiter under which most lines have as many fields as the fullest, the more fields the better."""
    best, most = ",", (0, 0)
    for delimiter in DELIMITERS:
        widths = [len(_fields(line, delimiter)) for line in lines if line.strip()]
        if not widths:
            continue
        width = max(set(widths), key=lambda w: (widths.count(w) if w > 1 else 0, w))
        score = (widths.count(width) if width > 1 else 0, width)
        if score > most:
            best, most = delimiter, score
    return best


def _fields(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a field longer than the reader takes
        return line.split(delimiter)
