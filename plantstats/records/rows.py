"""The rows of one block while they are typed: which can be used, which cells are at fault."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import compress
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from plantstats.records.cast import CastColumn
from plantstats.records.parse.context import strip_marker
from plantstats.records.scan import ScannedFile
from plantstats.schema.faults import Code, Fault
from plantstats.schema.tables import OF_BRANCH, RAW_TEXT, Table
from plantstats.schema.text import normalize_key
from plantstats.settings import TableSettings

SET_ASIDE = pa.schema(
    [
        (name, pa.int64() if name == "line" else pa.string())
        for name in ("table", "file", "line", "column", "text", "code", "scope", "reason", "plant_id", "site_id")
    ]
)
TOTALS = ("total", "subtotal", "sub-total", "grand total", "sum", "summe", "gesamt", "sous-total", "totale", "suma")


class CellFaults(NamedTuple):
    """Faults of one column of a block; rows, texts and faults are of one length."""

    rows: np.ndarray
    column: str
    texts: Sequence[str]
    faults: Sequence[Fault]

    def where(self, keep: np.ndarray) -> CellFaults:
        """Faults of the rows that a mask over the block keeps.

        Parameters
        ----------
        keep : numpy.ndarray of bool
            One per row.

        Returns
        -------
        CellFaults
        """
        kept = keep[self.rows]
        return CellFaults(
            self.rows[kept], self.column, list(compress(self.texts, kept)), list(compress(self.faults, kept))
        )


class Rows:
    """The rows of one block while they are typed.

    Parameters
    ----------
    batch : pyarrow.RecordBatch
        A laid-aside block (see `scan.ScannedFile.blocks`).
    scanned : ScannedFile
        The file it is of.
    columns : dict of int to CastColumn
        Typed texts by position.
    table : Table
        The canonical table.
    options : TableSettings
        How the table's files are written.
    branch : str
        Before the ids that are a branch's own.
    """

    def __init__(
        self,
        batch: pa.RecordBatch,
        scanned: ScannedFile,
        columns: dict[int, CastColumn],
        table: Table,
        options: TableSettings,
        branch: str = "",
    ) -> None:
        self.scanned, self.columns, self.table, self.options, self.branch = scanned, columns, table, options, branch
        self.lines = batch.column("line").to_numpy()
        self.n = len(self.lines)
        self.cells = {name: batch.column(name) for name in batch.schema.names if name != "line"}
        self.codes = {place: self.cells[str(place)].to_numpy(zero_copy_only=False) for place in columns}
        self.required = {column.name for column in table.columns if column.required}
        self.faults: list[CellFaults] = []
        self.values: dict[str, pa.Array] = {}
        self.empty = np.ones(self.n, dtype=bool)
        for name, places in scanned.places.items():
            self._type_column(name, places)
        self.placed = self._name_by_place()

    def _name_by_place(self) -> int:
        """Name plants by their place, such as S1/A1, where the file has no plant id at all; how many rows it named."""
        has_ids = any(not self.columns[place].empty.all() for place in self.scanned.places.get("plant_id", ()))
        if has_ids or not self.table.place or any(name not in self.values for name in self.table.place):
            return 0
        self.values["plant_id"] = pc.binary_join_element_wise(*(self.values[name] for name in self.table.place), "/")
        return self.n - self.values["plant_id"].null_count

    def _type_column(self, name: str, places: list[int]) -> None:
        """Type a canonical column from one place of the file, or several under a rule for duplicates."""
        rule = self.options.duplicates.get(name, "first")
        kind = self.table.column(name).kind
        if kind == "text":
            texts = self.cells[str(places[-1 if rule == "last" else 0])]
            filled = pc.greater(pc.utf8_length(pc.utf8_trim_whitespace(texts)), 0)
            self.values[name] = pc.if_else(filled, texts, pa.scalar(None, pa.string()))
            self.empty &= ~filled.to_numpy(zero_copy_only=False)
            return
        parts = [self._typed_cells(place) for place in places]
        values = parts[0]
        for more in parts[1:]:
            if rule == "sum" and kind in ("measure", "count"):
                both = pc.add(pc.fill_null(values, 0), pc.fill_null(more, 0))
                neither = pc.and_(pc.is_null(values), pc.is_null(more))
                values = pc.if_else(neither, pa.scalar(None, values.type), both)
            else:
                values = pc.coalesce(more, values) if rule == "last" else pc.coalesce(values, more)
        if self.branch and name in OF_BRANCH:
            values = pc.binary_join_element_wise(self.branch, values, "/")
        self.values[name] = values

    def _typed_cells(self, place: int) -> pa.Array:
        """The typed values of one place, its faults noted; a later reading of a cell goes before an earlier one."""
        column, codes = self.columns[place], self.codes[place]
        reading = np.zeros(self.n, dtype="int64")
        for number, condition in enumerate(column.conditions, start=1):
            reading[self._where(*condition)] = number
        values: pa.Array = None
        for number, (typed, wrong, faults) in enumerate(column.readings):
            here = reading == number
            taken = typed.take(pa.array(codes))
            values = taken if number == 0 else pc.if_else(pa.array(here), taken, values)
            rows = np.flatnonzero(here & wrong[codes]) if wrong.any() else codes[:0]
            if len(rows):
                at = codes[rows]
                self.faults.append(
                    CellFaults(rows, column.definition.name, [column.texts[c] for c in at], [faults[c] for c in at])  # type: ignore[misc]
                )
        self.empty &= column.empty[codes]
        return values

    def _where(self, condition: str, value: str) -> np.ndarray:
        """Rows in which another column, such as the technician of a unit, has a value."""
        places = self.scanned.places.get(condition)
        if not places or places[0] not in self.columns:
            return np.zeros(self.n, dtype=bool)
        texts = self.columns[places[0]].readings[0].values.to_pylist()
        before = f"{self.branch}/" if self.branch and condition in OF_BRANCH else ""
        return np.array([text is not None and before + text == value for text in texts], dtype=bool)[
            self.codes[places[0]]
        ]

    def unusable(self) -> np.ndarray:
        """Rows that cannot be used, the empty ones aside; faults of what is missing are added.

        Returns
        -------
        numpy.ndarray of bool, one per row
        """
        bad = self._repeated_header()
        self.faults = [faults.where(~bad) for faults in self.faults]
        first = next(name for name in self.table.names if name in self.required and name in self.scanned.places)
        head = self.scanned.header[self.scanned.places[first][0]]
        self._add(bad, first, head, Fault(Code.REPEATED_HEADER, "the heads again"))
        for faults in self.faults:
            if self._makes_unusable(faults.column):
                bad[faults.rows] = True
        for name in sorted(self.required, key=self.table.names.index):
            if self.table.column(name).kind != "cause":
                missing = self._missing(name) & ~bad & ~self.empty
                totals = missing & self._totals(missing)
                text = f"no {name}"
                self._add(missing & ~totals, name, "", Fault(Code.MISSING_VALUE, text))
                self._add(totals, name, "", Fault(Code.TOTALS_ROW, f"{text}; looks like a row of totals"))
                bad |= missing
        if self.table.either:
            missing = np.logical_and.reduce([self._missing(name) for name in self.table.either]) & ~bad & ~self.empty
            text = "neither " + " nor ".join(self.table.either)
            self._add(missing, self.table.either[0], "", Fault(Code.MISSING_VALUE, text))
            bad |= missing
        return bad & ~self.empty

    def _makes_unusable(self, column: str) -> bool:
        return column in self.required or column in self.table.either

    def _add(self, mask: np.ndarray, column: str, text: str, fault: Fault) -> None:
        rows = np.flatnonzero(mask)
        if len(rows):
            self.faults.append(CellFaults(rows, column, [text] * len(rows), [fault] * len(rows)))

    def _missing(self, name: str) -> np.ndarray:
        if name not in self.values:
            return np.ones(self.n, dtype=bool)
        return pc.is_null(self.values[name]).to_numpy(zero_copy_only=False)

    def _repeated_header(self) -> np.ndarray:
        """Rows whose required cells all hold the head of their own column: pages of an export put together."""
        again = ~self.empty
        for name in self.required & set(self.scanned.places):
            place = self.scanned.places[name][0]
            code = self.scanned.dictionaries[place].codes.get(self.scanned.header[place], -1)
            again &= self.codes[place] == code
        return again

    def _totals(self, rows: np.ndarray) -> np.ndarray:
        """Rows of which an id, label or date cell begins with a word for totals; looked for where `rows` has any."""
        is_total = np.zeros(self.n, dtype=bool)
        if rows.any():
            for place, column in self.columns.items():
                if column.definition.kind in ("id", "label", "species", "date"):
                    total = np.array([normalize_key(text).startswith(TOTALS) for text in column.texts], dtype=bool)
                    is_total |= total[self.codes[place]]
        return is_total

    def set_aside(self) -> Iterator[pa.Table]:
        """Faults of the block, of rows and of cells, in the set-aside shape.

        Yields
        ------
        pyarrow.Table
        """
        for part in self.faults:
            rows, name, texts, faults = part.where(~self.empty)
            if not len(rows):
                continue
            same = {
                "table": self.table.name,
                "file": self.scanned.file.name,
                "column": name,
                "scope": "row" if self._makes_unusable(name) else "cell",
            }
            columns: dict[str, pa.Array] = {
                "line": pa.array(self.lines[rows]),
                "text": pa.array(map(strip_marker, texts), pa.string()),
                "code": pa.array([str(fault.code) for fault in faults]),
                "reason": pa.array([fault.text for fault in faults]),
            }
            columns |= {
                str(name): self.values[name].take(pa.array(rows))
                for name in ("plant_id", "site_id")
                if name in self.values
            }
            yield pa.table(
                [
                    columns[name] if name in columns else pa.array([same.get(name)] * len(rows), pa.string())
                    for name in SET_ASIDE.names
                ],
                schema=SET_ASIDE,
            )

    def typed(self, wanted: pa.Schema) -> pa.Table:
        """The block in the typed shape.

        Parameters
        ----------
        wanted : pyarrow.Schema
            The canonical columns.

        Returns
        -------
        pyarrow.Table
        """
        limits = {limit: c.name for c in self.table.columns for limit in c.between}
        minutes = {c.clock: c.name for c in self.table.columns if c.clock}
        arrays = []
        for f in wanted:
            if f.name == "file":
                arrays.append(pa.repeat(self.scanned.file.name, self.n))
            elif f.name == "line":
                arrays.append(pa.array(self.lines))
            elif f.name in self.values and f.name != "outcome":
                arrays.append(self.values[f.name])
            elif f.name == "outcome":
                arrays.append(self._outcome())
            elif f.name in limits:
                arrays.append(self._limit(limits[f.name], f.name))
            elif f.name in minutes:
                arrays.append(self._more(minutes[f.name], f.name))
            elif f.name in RAW_TEXT.values():
                arrays.append(self._by_cause("raw"))
            else:
                arrays.append(pa.nulls(self.n, f.type))
        return pa.table(arrays, schema=wanted)

    def _limit(self, name: str, limit: str) -> pa.Array:
        """The least or the most of a column's words; a number in another column of that name goes before."""
        limits = self._more(name, limit)
        if name not in self.values:
            return limits
        return pc.if_else(pc.is_null(self.values[name]), limits, pa.scalar(None, pa.int64()))

    def _more(self, name: str, more: str) -> pa.Array:
        """What a column's texts say beside its values."""
        places = self.scanned.places.get(name)
        if not places:
            return pa.nulls(self.n, pa.int64())
        return self.columns[places[0]].more[more].take(pa.array(self.codes[places[0]]))

    def _by_cause(self, what: str) -> pa.Array:
        for name in RAW_TEXT:
            places = self.scanned.places.get(name)
            if places:
                return getattr(self.columns[places[0]], what).take(pa.array(self.codes[places[0]]))
        return pa.nulls(self.n, pa.string())

    def _outcome(self) -> pa.Array:
        of_cause = self._by_cause("outcome")
        own = self.values.get("outcome")
        return of_cause if own is None else pc.coalesce(own, of_cause)
