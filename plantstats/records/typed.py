"""From coded texts to the typed Parquet file of a table, every row used or set aside with its reason."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records.csv_text import RowFault
from plantstats.records.decoded import Decoded, decode, with_lines
from plantstats.records.intake import TakenIn
from plantstats.records.rows import SET_ASIDE, Rows
from plantstats.schema.tables import Table, schema
from plantstats.settings import TableSettings

__all__ = ["NOTES", "Writer", "Written", "decode", "set_aside_frame"]

NOTES = ("table", "file", "kind", "column", "count", "text")


@dataclass
class Written:
    """A table on its way: what was written, set aside, noted."""

    set_aside: list[pa.Table] = field(default_factory=list)
    notes: list[tuple[Any, ...]] = field(default_factory=list)
    account: list[dict[str, Any]] = field(default_factory=list)
    keys: dict[str, tuple[str, int]] = field(default_factory=dict)


class Writer:
    """Writes the typed table of one or several files, and keeps the account of every row."""

    def __init__(self, table: Table, path: Path) -> None:
        self.table, self.schema, self.out = table, schema(table.name), Written()
        self.sink = pq.ParquetWriter(path, self.schema, compression="zstd")

    def close(self) -> None:
        """End the file."""
        self.sink.close()

    def file(self, taken: TakenIn, decoded: dict[int, Decoded], options: TableSettings) -> None:
        """Write the rows of one file."""
        used = aside = blank_rows = 0
        for batch in taken.blocks():
            rows = Rows(batch, taken, decoded, self.table, options)
            bad = rows.unusable(self.out.keys)
            blank_rows += int(rows.empty.sum())
            keep = ~bad & ~rows.empty
            self.out.set_aside += rows.set_aside()
            self.sink.write_table(rows.typed(self.schema).filter(pa.array(keep)), row_group_size=1_000_000)
            used += int(keep.sum())
            aside += int(bad.sum())
        for fault in taken.faults:
            self.out.set_aside.append(_fault_table(self.table.name, taken.file.name, fault))
        aside += len(taken.faults)
        read = taken.rows + len(taken.faults) - blank_rows
        self.out.account.append(
            {
                "table": self.table.name,
                "file": taken.file.name,
                "rows_read": read,
                "rows_used": used,
                "rows_set_aside": aside,
            }
        )
        self._notes(taken, decoded, blank_rows)

    def _notes(self, taken: TakenIn, decoded: dict[int, Decoded], blank_rows: int) -> None:
        name = taken.file.name
        for kind, text in [
            *taken.notes,
            *((("blank rows", "rows with no filled cell left out"),) if blank_rows else ()),
        ]:
            self.out.notes.append((self.table.name, name, kind, "", blank_rows if kind == "blank rows" else 0, text))
        for place, made in decoded.items():
            coded = taken.coded[place]
            for kind, rows, text in made.notes:
                count = int(coded.counts[rows].sum()) if rows else 0
                shown = with_lines(text, made.texts, coded.first_lines)
                self.out.notes.append((self.table.name, name, kind, made.column.name, count, shown))
            blank = int(coded.counts[made.blank].sum()) if len(made.blank) else 0
            if blank:
                self.out.notes.append(
                    (self.table.name, name, "missing", made.column.name, blank, "cells without a value")
                )


def _fault_table(table: str, file: str, fault: RowFault) -> pa.Table:
    code, reason = fault.fault
    row = {"table": table, "file": file, "line": fault.line, "text": fault.text, "reason": reason}
    return pa.Table.from_pylist([row | {"code": code, "scope": "row"}], schema=SET_ASIDE)


def set_aside_frame(parts: list[pa.Table]) -> pd.DataFrame:
    """All faults as one pandas table, in order of table, file and line."""
    table = pa.concat_tables(parts) if parts else SET_ASIDE.empty_table()
    frame = table.to_pandas()
    for name in SET_ASIDE.names:
        if name != "line":
            frame[name] = frame[name].astype("str")
    return frame.sort_values(["table", "file", "line"], kind="stable", ignore_index=True)
