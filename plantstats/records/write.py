"""From coded texts to the typed Parquet file of a table, every row used or set aside with its reason."""

from __future__ import annotations

from pathlib import Path
from types import TracebackType
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records.cast import CastColumn, cast_texts, with_lines
from plantstats.records.detect import TableFile
from plantstats.records.errors import RecordError
from plantstats.records.rows import SET_ASIDE, Rows
from plantstats.records.scan import ScannedFile, scan_file
from plantstats.schema.tables import Table, schema
from plantstats.settings import Settings, TableSettings

NOTES = ("table", "file", "kind", "column", "count", "text")
ACCOUNT = ("table", "file", "rows_read", "rows_used", "rows_set_aside")


class TableWriter:
    """Writes the typed table of one or several files, and keeps the account of every row; a context manager.

    Parameters
    ----------
    table : Table
    path : Path
        Parquet file to write. A file beside it, ending in .spill, is written and removed for each file read.

    Attributes
    ----------
    account : list of dict
        One row per file, as of ACCOUNT; rows_read = rows_used + rows_set_aside.
    set_aside : list of pyarrow.Table
        Faults in the shape of SET_ASIDE.
    notes : list of tuple
        As of NOTES.
    supplied : list of str
        Canonical columns that the files have.
    """

    def __init__(self, table: Table, path: Path) -> None:
        self.table, self.schema, self.spill = table, schema(table), path.with_suffix(".spill")
        self.account: list[dict[str, Any]] = []
        self.set_aside: list[pa.Table] = []
        self.notes: list[tuple[Any, ...]] = []
        self.supplied: list[str] = []
        self.sink = pq.ParquetWriter(path, self.schema, compression="zstd")

    def __enter__(self) -> TableWriter:
        """Self."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End the file."""
        self.sink.close()
        self.spill.unlink(missing_ok=True)

    def add_file(self, file: TableFile, options: TableSettings, settings: Settings, branch: str = "") -> None:
        """Read a file and write its rows.

        Parameters
        ----------
        file : TableFile
            As `detect.open_file` gives it.
        options : TableSettings
            How it is written.
        settings : Settings
        branch : str
            Before every id of a plant, site or client, so that branches that number alike are told apart.

        Raises
        ------
        RecordError
            With every fault for which the file cannot be used.
        """
        scanned = scan_file(file, self.table, options, self.spill)
        columns, ambiguities = cast_texts(scanned, self.table, options, settings)
        if ambiguities:
            raise RecordError(ambiguities)
        used = set_aside = empty = placed = 0
        for batch in scanned.blocks():
            rows = Rows(batch, scanned, columns, self.table, options, branch)
            unusable = rows.unusable()
            placed += rows.placed
            keep = ~unusable & ~rows.empty
            self.set_aside += rows.set_aside()
            typed = rows.typed(self.schema)
            self.sink.write_table(typed if keep.all() else typed.filter(pa.array(keep)), row_group_size=1_000_000)
            used += int(keep.sum())
            set_aside += int(unusable.sum())
            empty += int(rows.empty.sum())
        if scanned.faults:
            self.set_aside.append(self._row_faults(scanned))
        set_aside += len(scanned.faults)
        read = scanned.n_rows + len(scanned.faults) - empty
        self.account.append(dict(zip(ACCOUNT, (self.table.name, file.name, read, used, set_aside), strict=True)))
        self.supplied += [name for name in scanned.places if name not in self.supplied]
        self._add_notes(scanned, columns, empty)
        if placed:
            text = "rows without a plant id, named by site and position (such as S1/A1): the id stays with the place"
            self.notes.append((self.table.name, file.name, "named by place", "plant_id", placed, text))

    def _row_faults(self, scanned: ScannedFile) -> pa.Table:
        """Rows that could not be taken apart, in the set-aside shape."""
        rows = [
            {
                "table": self.table.name,
                "file": scanned.file.name,
                "line": row.line,
                "text": row.text,
                "code": str(row.fault.code),
                "scope": "row",
                "reason": row.fault.text,
            }
            for row in scanned.faults
        ]
        return pa.Table.from_pylist(rows, schema=SET_ASIDE)

    def _add_notes(self, scanned: ScannedFile, columns: dict[int, CastColumn], empty: int) -> None:
        notes = [(kind, "", 0, text) for kind, text in scanned.notes]
        if empty:
            notes.append(("blank rows", "", empty, "rows with no filled cell left out"))
        for place, column in columns.items():
            dictionary, name = scanned.dictionaries[place], column.definition.name
            for kind, positions, text in column.notes:
                count = int(dictionary.counts[positions].sum()) if positions else 0
                notes.append((kind, name, count, with_lines(text, column.texts, dictionary.first_lines)))
            if blank := int(dictionary.counts[column.blank].sum()):
                notes.append(("missing", name, blank, "cells without a value"))
        self.notes += [(self.table.name, scanned.file.name, *note) for note in notes]


def set_aside_frame(parts: list[pa.Table]) -> pd.DataFrame:
    """All faults as one table: SET_ASIDE, in order of table, file and line.

    Parameters
    ----------
    parts : list of pyarrow.Table
        Faults of files.

    Returns
    -------
    pandas.DataFrame
        SET_ASIDE, in order of table, file and line.
    """
    table = pa.concat_tables(parts) if parts else SET_ASIDE.empty_table()
    frame = table.to_pandas()
    for name in SET_ASIDE.names:
        if name != "line":
            frame[name] = frame[name].astype("str")
    return frame.sort_values(["table", "file", "line"], kind="stable", ignore_index=True)
