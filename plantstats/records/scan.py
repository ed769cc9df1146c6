"""A file read once: each text of a column coded once, the codes laid aside on disk, block by block."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa

from plantstats.records.csv import RowFault
from plantstats.records.detect import TableFile
from plantstats.records.errors import RecordError
from plantstats.records.header import find_header, map_header
from plantstats.schema.tables import Table
from plantstats.settings import TableSettings

MOST_UNUSED = 50  # unused columns that a note names


@dataclass
class DictionaryColumn:
    """The different texts of a column, in the order of their first coming.

    Attributes
    ----------
    codes : dict of str to int
        Text -> code.
    first_lines : list of int
        Line of the first row of each text.
    counts : numpy.ndarray of int
        Rows of each text.
    """

    codes: dict[str, int] = field(default_factory=dict)
    first_lines: list[int] = field(default_factory=list)
    counts: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype="int64"))

    @property
    def texts(self) -> list[str]:
        """The texts in the order of their codes."""
        return list(self.codes)

    def add(self, array: pa.DictionaryArray, lines: np.ndarray) -> np.ndarray:
        """Codes of a block's texts; new texts are taken up.

        Parameters
        ----------
        array : pyarrow.DictionaryArray
            Texts of a block.
        lines : numpy.ndarray
            Their lines.

        Returns
        -------
        numpy.ndarray
            Codes.
        """
        texts = array.dictionary.to_pylist()
        indices = array.indices.to_numpy(zero_copy_only=False)
        known = len(self.codes)
        recoded = np.fromiter((self.codes.setdefault(t, len(self.codes)) for t in texts), "int32", len(texts))
        codes = recoded[indices] if len(texts) else np.zeros(0, dtype="int32")
        if len(self.codes) > known:
            firsts = np.zeros(len(self.codes) - known, dtype="int64")
            new = np.flatnonzero(codes >= known)[::-1]
            firsts[codes[new] - known] = lines[new]  # the first row of each text is written last
            self.first_lines += firsts.tolist()
        counts = np.bincount(codes, minlength=len(self.codes))
        counts[: len(self.counts)] += self.counts
        self.counts = counts
        return codes


@dataclass
class ScannedFile:
    """A file after the first pass: where its columns are, their texts, its rows as codes on disk.

    Attributes
    ----------
    file : TableFile
    places : dict of str to list of int
        Canonical column -> positions in the file.
    header : list of str
        Heads as written.
    dictionaries : dict of int to DictionaryColumn
        By position; a free-text column has none.
    spill : Path
        Arrow file of the rows.
    n_rows : int
    faults : list of RowFault
        Rows that could not be taken apart.
    notes : list of (str, str)
        Kind and text.
    """

    file: TableFile
    places: dict[str, list[int]]
    header: list[str]
    dictionaries: dict[int, DictionaryColumn]
    spill: Path
    n_rows: int
    faults: list[RowFault]
    notes: list[tuple[str, str]]

    def blocks(self) -> Iterator[pa.RecordBatch]:
        """Blocks that were laid aside.

        Yields
        ------
        pyarrow.RecordBatch
            `line`, and per position the codes (or the texts of a free-text column).
        """
        with pa.OSFile(str(self.spill)) as source, pa.ipc.open_file(source) as reader:
            for n in range(reader.num_record_batches):
                yield reader.get_batch(n)


def scan_file(file: TableFile, table: Table, options: TableSettings, spill: Path) -> ScannedFile:
    """Read a file once.

    Parameters
    ----------
    file : TableFile
        As `detect.open_file` gives it.
    table : Table
    options : TableSettings
    spill : Path
        Where the codes are laid aside.

    Returns
    -------
    ScannedFile

    Raises
    ------
    RecordError
        With every fault of the heads.

    Notes
    -----
    Rows of the file = rows laid aside + row faults; blank lines are no rows.
    """
    rows = file.preview()
    if not rows:
        raise RecordError([f"{file.name} holds no rows at all, not even heads; export it again"])
    header_line, header, above = find_header(rows, table, options)
    mapping = map_header(header, table, options)
    if mapping.faults:
        raise RecordError([f"{file.name}: {fault}" for fault in mapping.faults])
    notes: list[tuple[str, str]] = []
    if above:
        notes.append(("title rows", f"heads found in line {header_line}; {above} rows above them left out"))
    if mapping.unused:
        notes.append(("unused columns", "not used: " + ", ".join(repr(head) for head in mapping.unused[:MOST_UNUSED])))
    last_used = max(max(places) for places in mapping.columns.values())
    while not header[-1].strip() and len(header) - 1 > last_used:
        header = header[:-1]
    coded = {place: table.column(name).kind != "text" for name, places in mapping.columns.items() for place in places}
    dictionaries = {place: DictionaryColumn() for place, is_coded in coded.items() if is_coded}
    schema = pa.schema(
        [pa.field("line", pa.int64())]
        + [pa.field(str(place), pa.int32() if is_coded else pa.string()) for place, is_coded in coded.items()]
    )
    faults: list[RowFault] = []
    n_rows = 0
    compressed = pa.ipc.IpcWriteOptions(compression="lz4")
    with pa.OSFile(str(spill), "wb") as sink, pa.ipc.new_file(sink, schema, options=compressed) as writer:
        for block in file.blocks(header_line, len(header), coded, record_test(table, mapping.columns, len(header))):
            arrays: list[pa.Array] = [pa.array(block.lines)]
            for place, is_coded in coded.items():
                column = block.columns[place]
                arrays.append(pa.array(dictionaries[place].add(column, block.lines)) if is_coded else column)
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            n_rows += len(block.lines)
            faults += block.faults
    return ScannedFile(file, mapping.columns, header, dictionaries, spill, n_rows, faults, [*notes, *file.notes])


def record_test(table: Table, places: dict[str, list[int]], n_columns: int) -> Callable[[list[str]], bool]:
    """Test whether the cells of a line look like a record: fields, required cells and dates as they should be.

    Parameters
    ----------
    table : Table
        A canonical table.
    places : dict[str, list[int]]
        Column to its positions.
    n_columns : int
        Number of columns of the header.

    Returns
    -------
    callable
    """
    needed = [(places[c.name][0], c.kind) for c in table.columns if c.required and c.name in places]

    def looks_like_record(cells: list[str]) -> bool:
        if len(cells) < n_columns:
            return False
        return all(
            cells[place].strip() and (kind not in ("date", "stamp") or re.search(r"\d.*\d", cells[place]))
            for place, kind in needed
        )

    return looks_like_record
