"""One file of a table, taken in: each text of a column coded once, the codes laid aside on disk, block by block."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa

from plantstats.records.csv_text import RowFault
from plantstats.records.errors import RecordError
from plantstats.records.files import TableFile
from plantstats.records.heads import find_heads, map_heads
from plantstats.schema.tables import Table
from plantstats.settings import TableSettings


@dataclass
class CodedColumn:
    """The different texts of a column, in the order of their first coming."""

    codes: dict[str, int] = field(default_factory=dict)
    first_lines: list[int] = field(default_factory=list)
    counts: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype="int64"))

    @property
    def texts(self) -> list[str]:
        """The texts in the order of their codes."""
        return list(self.codes)

    def add(self, array: pa.DictionaryArray, lines: np.ndarray) -> np.ndarray:
        """Codes of a block's texts; new texts are taken up."""
        texts = array.dictionary.to_pylist()
        indices = array.indices.to_numpy(zero_copy_only=False)
        known = len(self.codes)
        renamed = np.fromiter((self.codes.setdefault(t, len(self.codes)) for t in texts), "int32", len(texts))
        codes = renamed[indices] if len(texts) else np.zeros(0, dtype="int32")
        if len(self.codes) > known:
            fresh, at = np.unique(codes, return_index=True)
            new = fresh >= known
            firsts = dict(zip(fresh[new].tolist(), lines[at[new]].tolist(), strict=True))
            self.first_lines += [firsts.get(code, 0) for code in range(known, len(self.codes))]
        counts = np.bincount(codes, minlength=len(self.codes))
        counts[: len(self.counts)] += self.counts
        self.counts = counts
        return codes


@dataclass
class TakenIn:
    """A file after the first pass: where its columns are, their texts, its rows as codes on disk."""

    file: TableFile
    places: dict[str, list[int]]
    heads: list[str]
    coded: dict[int, CodedColumn]
    spill: Path
    rows: int
    faults: list[RowFault]
    notes: list[tuple[str, str]]

    def blocks(self) -> Iterator[pa.RecordBatch]:
        """The laid-aside blocks: `line`, and per position the codes (or the texts of a free-text column)."""
        with pa.OSFile(str(self.spill)) as source, pa.ipc.open_file(source) as reader:
            for n in range(reader.num_record_batches):
                yield reader.get_batch(n)


def take_in(file: TableFile, table: Table, options: TableSettings, spill: Path) -> TakenIn:
    """Read a file once.

    Takes:  an opened file; its table and settings; spill: path for the codes.
    Gives:  TakenIn.
    Keeps:  rows of the file = rows laid aside + row faults (blank lines are no rows).
    Raises: RecordError with every fault of the heads.
    """
    rows = file.preview()
    if not rows:
        raise RecordError([f"{file.name} holds no rows at all, not even heads; export it again"])
    head_line, heads, at = find_heads(rows, table, options)
    mapping = map_heads(heads, table, options)
    if mapping.faults:
        raise RecordError([f"{file.name}: {fault}" for fault in mapping.faults])
    notes = list[tuple[str, str]]()
    if at:
        notes.append(("title rows", f"heads found in line {head_line}; {at} rows above them left out"))
    if mapping.unused:
        notes.append(("unused columns", "not used: " + ", ".join(repr(h) for h in mapping.unused[:50])))
    while heads and not heads[-1].strip() and len(heads) - 1 > max(max(p) for p in mapping.columns.values()):
        heads = heads[:-1]
    wanted = {place: table.column(name).kind != "text" for name, places in mapping.columns.items() for place in places}
    coded = {place: CodedColumn() for place, is_coded in wanted.items() if is_coded}
    fields = [pa.field("line", pa.int64())] + [
        pa.field(str(place), pa.int32() if is_coded else pa.string()) for place, is_coded in wanted.items()
    ]
    schema = pa.schema(fields)
    faults: list[RowFault] = []
    total = 0
    options_ipc = pa.ipc.IpcWriteOptions(compression="lz4")
    with pa.OSFile(str(spill), "wb") as sink, pa.ipc.new_file(sink, schema, options=options_ipc) as writer:
        for block in file.blocks(head_line, len(heads), wanted, like_record(table, mapping.columns, len(heads))):
            arrays: list[pa.Array] = [pa.array(block.lines)]
            for place, is_coded in wanted.items():
                column = block.columns[place]
                arrays.append(pa.array(coded[place].add(column, block.lines)) if is_coded else column)
            writer.write_batch(pa.record_batch(arrays, schema=schema))
            total += len(block.lines)
            faults += block.faults
    return TakenIn(file, mapping.columns, heads, coded, spill, total, faults, [*notes, *file.notes])


def like_record(table: Table, places: dict[str, list[int]], n_columns: int) -> Callable[[list[str]], bool]:
    """Whether the cells of a line look like a record: as many fields, its required cells filled, dates with digits."""
    needed = [(places[c.name][0], c.kind) for c in table.columns if c.required and c.name in places]

    def like(cells: list[str]) -> bool:
        if len(cells) < n_columns:
            return False
        return all(
            cells[place].strip() and (kind not in ("date", "stamp") or re.search(r"\d.*\d", cells[place]))
            for place, kind in needed
        )

    return like
