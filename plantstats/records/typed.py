"""From coded texts to the typed Parquet file of a table, every row used or set aside with its reason."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from plantstats.records.cells import Context, Parsed, plain
from plantstats.records.intake import TakenIn
from plantstats.records.measures import marks_proved
from plantstats.records.settings import Settings, TableSettings
from plantstats.records.tables import ARROW, RAW_TEXT, Column, Table, schema
from plantstats.records.values import parse
from plantstats.records.words import fold, tidy

SET_ASIDE = pa.schema(
    [
        (name, pa.int64() if name == "line" else pa.string())
        for name in ("table", "file", "line", "column", "text", "reason", "plant_id", "site_id")
    ]
)
TOTALS = (
    "total",
    "subtotal",
    "sub-total",
    "grand total",
    "sum",
    "summe",
    "gesamt",
    "sous-total",
    "totale",
    "suma",
)
NOTES = ("table", "file", "kind", "column", "count", "text")


@dataclass
class Decoded:
    """Typed values of a column's different texts, ready to be taken by code."""

    column: Column
    values: pa.Array
    wrong: np.ndarray
    blank: np.ndarray
    parsed: Parsed
    texts: list[str]
    raw: pa.Array | None = None
    outcome: pa.Array | None = None
    by: dict[str, dict[str, tuple[pa.Array, np.ndarray, list[str | None]]]] = field(default_factory=dict)


@dataclass
class Written:
    """A table on its way: what was written, set aside, noted."""

    set_aside: list[pa.Table] = field(default_factory=list)
    notes: list[tuple[Any, ...]] = field(default_factory=list)
    account: list[dict[str, Any]] = field(default_factory=list)
    keys: dict[str, tuple[str, int]] = field(default_factory=dict)


def decode(
    taken: TakenIn, table: Table, options: TableSettings, settings: Settings
) -> tuple[dict[int, Decoded], list[str]]:
    """Type the texts of every column of a file.

    Gives:  place -> Decoded, and the questions that must be settled before the file can be used.
    """
    number_texts = [
        text
        for name, places in taken.places.items()
        if table.column(name).kind in ("measure", "count")
        for place in places
        for text in taken.coded[place].codes
    ]
    proved = marks_proved(number_texts)
    decimal = next(iter(proved)) if len(proved) == 1 else None
    made: dict[int, Decoded] = {}
    questions: list[str] = []
    for name, places in taken.places.items():
        column = table.column(name)
        for place in places:
            if place not in taken.coded:
                continue
            coded = taken.coded[place]
            texts = coded.texts
            context = Context(
                column, options, settings, taken.file.epoch, coded.counts, decimal, taken.heads[place]
            )
            parsed = parse(texts, context)
            questions += [
                f"{taken.file.name}: {with_lines(q, texts, coded.first_lines)}" for q in parsed.questions
            ]
            if not parsed.questions:
                made[place] = _decoded(column, parsed, texts)
    return made, questions


def with_lines(text: str, texts: list[str], lines: list[int]) -> str:
    """Put the line and text of a value where a message says @n@."""
    return re.sub(
        r"@(\d+)@", lambda m: f"line {lines[int(m[1])]} {plain(texts[int(m[1])])!r}", text
    )


def _decoded(column: Column, parsed: Parsed, texts: list[str]) -> Decoded:
    raw = outcome = None
    values = parsed.values
    if column.kind == "cause":
        outcome = pa.array([v[1] if v else None for v in values], pa.string())
        values = [v[0] if v else None for v in values]
        raw = pa.array([tidy(plain(t)) or None for t in texts], pa.string())
    wrong = np.array([r is not None for r in parsed.reasons], dtype=bool)
    blank = np.array(
        [v is None and r is None for v, r in zip(values, parsed.reasons, strict=True)], dtype=bool
    )
    made = Decoded(column, pa.array(values, ARROW[column.kind]), wrong, blank, parsed, texts, raw, outcome)
    for condition, readings in parsed.by.items():
        made.by[condition] = {
            key: (
                pa.array(v, ARROW[column.kind]),
                np.array([r is not None for r in reasons], dtype=bool),
                reasons,
            )
            for key, (v, reasons) in readings.items()
        }
    return made


class Writer:
    """Writes the typed table of one or several files, and keeps the account of every row."""

    def __init__(self, table: Table, path: Path) -> None:
        self.table, self.schema, self.out = table, schema(table.name), Written()
        self.sink = pq.ParquetWriter(path, self.schema, compression="zstd")

    def close(self) -> None:
        self.sink.close()

    def file(self, taken: TakenIn, decoded: dict[int, Decoded], options: TableSettings) -> None:
        """Write the rows of one file."""
        used = aside = blank_rows = 0
        for batch in taken.blocks():
            rows = _Rows(batch, taken, decoded, self.table, options)
            bad = rows.bad(self.out.keys)
            blank_rows += int(rows.empty.sum())
            keep = ~bad & ~rows.empty
            self.out.set_aside += rows.faults()
            self.sink.write_table(rows.typed(self.schema).filter(pa.array(keep)), row_group_size=1_000_000)
            used += int(keep.sum())
            aside += int((bad & ~rows.empty).sum())
        for fault in taken.faults:
            self.out.set_aside.append(
                _fault_table(self.table.name, taken.file.name, fault.line, fault.text, fault.reason)
            )
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
            self.out.notes.append(
                (self.table.name, name, kind, "", blank_rows if kind == "blank rows" else 0, text)
            )
        for place, made in decoded.items():
            coded = taken.coded[place]
            for kind, rows, text in made.parsed.notes:
                count = int(coded.counts[rows].sum()) if rows else 0
                shown = with_lines(text, made.texts, coded.first_lines)
                self.out.notes.append((self.table.name, name, kind, made.column.name, count, shown))
            blank = int(coded.counts[made.blank].sum()) if len(made.blank) else 0
            if blank:
                self.out.notes.append(
                    (self.table.name, name, "missing", made.column.name, blank, "cells without a value")
                )


def _fault_table(table: str, file: str, line: int, text: str, reason: str) -> pa.Table:
    row = {"table": table, "file": file, "line": line, "column": None, "text": text, "reason": reason}
    return pa.Table.from_pylist([row], schema=SET_ASIDE)


class _Rows:
    """The rows of one block while they are typed."""

    def __init__(
        self,
        batch: pa.RecordBatch,
        taken: TakenIn,
        decoded: dict[int, Decoded],
        table: Table,
        options: TableSettings,
    ) -> None:
        self.taken, self.decoded, self.table, self.options = taken, decoded, table, options
        self.lines = batch.column("line").to_numpy()
        self.n = len(self.lines)
        self.cells = {name: batch.column(name) for name in batch.schema.names if name != "line"}
        self.codes = {place: self.cells[str(place)].to_numpy(zero_copy_only=False) for place in decoded}
        self.pending: list[tuple[np.ndarray, str, Any, Any]] = []
        self.values: dict[str, pa.Array] = {}
        self.blank: dict[str, np.ndarray] = {}
        self.empty = np.ones(self.n, dtype=bool)
        for name, places in taken.places.items():
            self._column(name, places)

    def _column(self, name: str, places: list[int]) -> None:
        column = self.table.column(name)
        if column.kind == "text":
            texts = self.cells[str(places[0])]
            filled = pc.greater(pc.utf8_length(pc.utf8_trim_whitespace(texts)), 0)
            self.values[name] = pc.if_else(filled, texts, pa.scalar(None, pa.string()))
            self.empty &= ~filled.to_numpy(zero_copy_only=False)
            return
        parts = [self._taken(place) for place in places]
        values, blank = parts[0]
        if len(parts) > 1:
            rule = self.options.duplicates.get(name, "first")
            for more, also_blank in parts[1:]:
                if rule == "sum" and column.kind in ("measure", "count"):
                    both = pc.add(pc.fill_null(values, 0), pc.fill_null(more, 0))
                    values = pc.if_else(
                        pc.and_(pc.is_null(values), pc.is_null(more)), pa.scalar(None, values.type), both
                    )
                else:
                    values = pc.coalesce(more, values) if rule == "last" else pc.coalesce(values, more)
                blank = blank & also_blank
        self.values[name], self.blank[name] = values, blank
        self.empty &= blank

    def _taken(self, place: int) -> tuple[pa.Array, np.ndarray]:
        made = self.decoded[place]
        codes = self.codes[place]
        values = made.values.take(pa.array(codes))
        wrong = made.wrong[codes] if len(made.wrong) else np.zeros(self.n, dtype=bool)
        reasons: Any = made.parsed.reasons
        rows = np.flatnonzero(wrong)
        for condition, readings in made.by.items():
            for key, (other, other_wrong, other_reasons) in readings.items():
                mask = self._where(condition, key)
                values = pc.if_else(pa.array(mask), other.take(pa.array(codes)), values)
                rows = np.flatnonzero(np.where(mask, other_wrong[codes], wrong) if len(codes) else wrong)
                wrong = np.where(mask, other_wrong[codes], wrong) if len(codes) else wrong
                here = rows[mask[rows]]
                if len(here):
                    self.pending.append(
                        (
                            here,
                            made.column.name,
                            [made.texts[c] for c in codes[here]],
                            [other_reasons[c] for c in codes[here]],
                        )
                    )
                rows = rows[~mask[rows]]
        if len(rows):
            self.pending.append(
                (
                    rows,
                    made.column.name,
                    [made.texts[c] for c in codes[rows]],
                    [reasons[c] for c in codes[rows]],
                )
            )
        # A cause cell is never blank to the row: it has become `unknown`.
        seen = np.array([not plain(t).strip() for t in made.texts], dtype=bool)
        blank = (seen | made.blank)[codes] if len(codes) else np.zeros(0, dtype=bool)
        return values, blank

    def _where(self, condition: str, key: str) -> np.ndarray:
        places = self.taken.places.get(condition)
        if not places or places[0] not in self.decoded:
            return np.zeros(self.n, dtype=bool)
        texts = self.decoded[places[0]].values
        hit = np.array([v == key for v in texts.to_pylist()], dtype=bool)
        return hit[self.codes[places[0]]] if len(hit) else np.zeros(self.n, dtype=bool)

    def bad(self, keys: dict[str, tuple[str, int]]) -> np.ndarray:
        """Rows that cannot be used; finds what is missing in required columns and doubled keys."""
        required = {c.name for c in self.table.columns if c.required}
        bad = self._repeated_heads(required)
        self.pending = [
            (rows[~bad[rows]], name, *self._unless(bad, rows, texts, reasons))
            for rows, name, texts, reasons in self.pending
        ]
        if bad.any():
            rows, first = np.flatnonzero(bad), next(n for n in self.table.names if n in required)
            self.pending.append(
                (
                    rows,
                    first,
                    [self.taken.heads[self.taken.places[first][0]]] * len(rows),
                    ["the heads again"] * len(rows),
                )
            )
        for rows, name, _, _ in self.pending:
            if name in required or name in self.table.either:
                bad[rows] = True
        for name in required:
            if self.table.column(name).kind == "cause":
                continue
            missing = pc.is_null(self.values[name]).to_numpy(zero_copy_only=False) & ~bad & ~self.empty
            rows = np.flatnonzero(missing)
            if len(rows):
                why = [
                    f"no {name}" + ("; looks like a row of totals" if total else "")
                    for total in self._totals(rows)
                ]
                self.pending.append((rows, name, [""] * len(rows), why))
                bad[rows] = True
        if self.table.either:
            either = np.ones(self.n, dtype=bool)
            for name in self.table.either:
                if name in self.values:
                    either &= pc.is_null(self.values[name]).to_numpy(zero_copy_only=False)
            rows = np.flatnonzero(either & ~bad & ~self.empty)
            if len(rows):
                what = "neither " + " nor ".join(self.table.either)
                self.pending.append((rows, self.table.either[0], [""] * len(rows), [what] * len(rows)))
                bad[rows] = True
        if self.table.key:
            self._doubled(self.table.key, keys, bad)
        return bad

    @staticmethod
    def _unless(
        bad: np.ndarray, rows: np.ndarray, texts: list[Any], reasons: list[Any]
    ) -> tuple[list[Any], list[Any]]:
        keep = ~bad[rows]
        return (
            [t for t, k in zip(texts, keep, strict=True) if k],
            [r for r, k in zip(reasons, keep, strict=True) if k],
        )

    def _repeated_heads(self, required: set[str]) -> np.ndarray:
        """Rows whose required cells all hold the head of their own column: pages of an export put together."""
        again = np.ones(self.n, dtype=bool)
        for name in required:
            place = self.taken.places[name][0]
            code = self.taken.coded[place].codes.get(self.taken.heads[place], -1)
            again &= self.codes[place] == code
        return again & ~self.empty

    def _totals(self, rows: np.ndarray) -> np.ndarray:
        """Whether an id or label cell of these rows begins with a word for totals."""
        found = np.zeros(len(rows), dtype=bool)
        for place, made in self.decoded.items():
            if made.column.kind in ("id", "label", "species", "date"):
                total = np.array([fold(t).startswith(TOTALS) for t in made.texts], dtype=bool)
                if total.any():
                    found |= total[self.codes[place][rows]]
        return found

    def _doubled(self, key: str, keys: dict[str, tuple[str, int]], bad: np.ndarray) -> None:
        rows, texts, reasons = [], [], []
        for n, value in enumerate(self.values[key].to_pylist()):
            if bad[n] or self.empty[n]:
                continue
            first = keys.setdefault(value, (self.taken.file.name, int(self.lines[n])))
            if first != (self.taken.file.name, int(self.lines[n])):
                rows.append(n)
                texts.append(value)
                reasons.append(f"{key} {value!r} stands already in {first[0]} line {first[1]}")
        if rows:
            self.pending.append((np.array(rows), key, texts, reasons))
            bad[rows] = True

    def faults(self) -> list[pa.Table]:
        """Every fault of the block, row faults and cell faults, as tables of the set-aside shape."""
        of_row = {c.name for c in self.table.columns if c.required} | set(self.table.either)
        made = []
        for rows, name, texts, reasons in self.pending:
            keep = ~self.empty[rows]
            rows_kept = rows[keep]
            if not len(rows_kept):
                continue
            shown = [r if name in of_row else f"cell: {r}" for r in reasons]
            take = pa.array(rows_kept)
            made.append(
                pa.table(
                    [
                        pa.array([self.table.name] * len(rows_kept)),
                        pa.array([self.taken.file.name] * len(rows_kept)),
                        pa.array(self.lines[rows_kept]),
                        pa.array([name] * len(rows_kept)),
                        pa.array(
                            [plain(t) for t, k in zip(texts, keep, strict=True) if k],
                            pa.string(),
                        ),
                        pa.array([r for r, k in zip(shown, keep, strict=True) if k], pa.string()),
                        *(
                            self.values[i].take(take)
                            if i in self.values
                            else pa.nulls(len(rows_kept), pa.string())
                            for i in ("plant_id", "site_id")
                        ),
                    ],
                    schema=SET_ASIDE,
                )
            )
        return made

    def typed(self, wanted: pa.Schema) -> pa.Table:
        """The block in the typed shape."""
        arrays = []
        for f in wanted:
            if f.name == "file":
                arrays.append(pa.array([self.taken.file.name] * self.n, pa.string()))
            elif f.name == "line":
                arrays.append(pa.array(self.lines))
            elif f.name in self.values and f.name != "outcome":
                arrays.append(self.values[f.name])
            elif f.name == "outcome":
                arrays.append(self._outcome())
            elif f.name in RAW_TEXT.values():
                arrays.append(self._by_cause("raw"))
            else:
                arrays.append(pa.nulls(self.n, f.type))
        return pa.table(arrays, schema=wanted)

    def _by_cause(self, what: str) -> pa.Array:
        for name in RAW_TEXT:
            places = self.taken.places.get(name)
            if places:
                return getattr(self.decoded[places[0]], what).take(pa.array(self.codes[places[0]]))
        return pa.nulls(self.n, pa.string())

    def _outcome(self) -> pa.Array:
        of_cause = self._by_cause("outcome")
        own = self.values.get("outcome")
        return of_cause if own is None else pc.coalesce(own, of_cause)


def set_aside_frame(parts: list[pa.Table]) -> pd.DataFrame:
    """All faults as one pandas table, in order of table, file and line."""
    table = pa.concat_tables(parts) if parts else SET_ASIDE.empty_table()
    frame = table.to_pandas()
    for name in SET_ASIDE.names:
        if name != "line":
            frame[name] = frame[name].astype("str")
    return frame.sort_values(["table", "file", "line"], kind="stable", ignore_index=True)
