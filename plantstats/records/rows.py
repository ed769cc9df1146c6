"""The rows of one block while they are typed: which can be used, which cells are at fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from plantstats.records.cells import plain
from plantstats.records.decoded import Decoded
from plantstats.records.intake import TakenIn
from plantstats.schema.tables import RAW_TEXT, Table
from plantstats.schema.words import fold
from plantstats.settings import TableSettings

SET_ASIDE = pa.schema(
    [
        (name, pa.int64() if name == "line" else pa.string())
        for name in ("table", "file", "line", "column", "text", "reason", "plant_id", "site_id")
    ]
)
TOTALS = ("total", "subtotal", "sub-total", "grand total", "sum", "summe", "gesamt", "sous-total", "totale", "suma")


class Rows:
    """The rows of one block while they are typed."""

    def __init__(
        self, batch: pa.RecordBatch, taken: TakenIn, decoded: dict[int, Decoded], table: Table, options: TableSettings
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
            last = self.options.duplicates.get(name) == "last"
            texts = self.cells[str(places[-1 if last else 0])]
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
                (rows, made.column.name, [made.texts[c] for c in codes[rows]], [reasons[c] for c in codes[rows]])
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
                why = [f"no {name}" + ("; looks like a row of totals" if total else "") for total in self._totals(rows)]
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
    def _unless(bad: np.ndarray, rows: np.ndarray, texts: list[Any], reasons: list[Any]) -> tuple[list[Any], list[Any]]:
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
                        pa.array([plain(t) for t, k in zip(texts, keep, strict=True) if k], pa.string()),
                        pa.array([r for r, k in zip(shown, keep, strict=True) if k], pa.string()),
                        *(
                            self.values[i].take(take) if i in self.values else pa.nulls(len(rows_kept), pa.string())
                            for i in ("plant_id", "site_id")
                        ),
                    ],
                    schema=SET_ASIDE,
                )
            )
        return made

    def typed(self, wanted: pa.Schema) -> pa.Table:
        """The block in the typed shape."""
        limits = {limit: c.name for c in self.table.columns for limit in c.between}
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
            elif f.name in limits:
                arrays.append(self._limit(limits[f.name], f.name))
            elif f.name in RAW_TEXT.values():
                arrays.append(self._by_cause("raw"))
            else:
                arrays.append(pa.nulls(self.n, f.type))
        return pa.table(arrays, schema=wanted)

    def _limit(self, name: str, limit: str) -> pa.Array:
        """The least or the most of a column's words; a number in another column of that name goes before."""
        places = self.taken.places.get(name)
        if not places:
            return pa.nulls(self.n, pa.int64())
        said = self.decoded[places[0]].between[limit].take(pa.array(self.codes[places[0]]))
        return pc.if_else(pc.is_null(self.values[name]), said, pa.scalar(None, pa.int64()))

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
