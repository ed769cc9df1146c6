"""The different texts of a file's columns, typed and ready to be taken row by row."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from plantstats.records import leaf_words
from plantstats.records.cells import Context, Parsed, plain
from plantstats.records.intake import TakenIn
from plantstats.records.measures import marks_proved
from plantstats.records.values import parse
from plantstats.schema.tables import ARROW, Column, Table
from plantstats.schema.words import tidy
from plantstats.settings import Settings, TableSettings


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
    between: dict[str, pa.Array] = field(default_factory=dict)
    by: dict[str, dict[str, tuple[pa.Array, np.ndarray, list[str | None]]]] = field(default_factory=dict)


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
            context = Context(column, options, settings, taken.file.epoch, coded.counts, decimal, taken.heads[place])
            parsed = parse(texts, context)
            questions += [f"{taken.file.name}: {with_lines(q, texts, coded.first_lines)}" for q in parsed.questions]
            if not parsed.questions:
                made[place] = _decoded(column, parsed, texts)
    return made, questions


def with_lines(text: str, texts: list[str], lines: list[int]) -> str:
    """Put the line and text of a value where a message says @n@."""
    return re.sub(r"@(\d+)@", lambda m: f"line {lines[int(m[1])]} {plain(texts[int(m[1])])!r}", text)


def _decoded(column: Column, parsed: Parsed, texts: list[str]) -> Decoded:
    raw = outcome = None
    values = parsed.values
    if column.kind == "cause":
        outcome = pa.array([v[1] if v else None for v in values], pa.string())
        values = [v[0] if v else None for v in values]
        raw = pa.array([tidy(plain(t)) or None for t in texts], pa.string())
    wrong = np.array([r is not None for r in parsed.reasons], dtype=bool)
    blank = np.array(
        [
            v is None and r is None and n not in parsed.between
            for n, (v, r) in enumerate(zip(values, parsed.reasons, strict=True))
        ],
        dtype=bool,
    )
    made = Decoded(column, pa.array(values, ARROW[column.kind]), wrong, blank, parsed, texts, raw, outcome)
    limits = leaf_words.limits(parsed, len(texts)).values() if column.between else ()
    made.between = {name: pa.array(limit, pa.int64()) for name, limit in zip(column.between, limits, strict=True)}
    for condition, readings in parsed.by.items():
        made.by[condition] = {
            key: (pa.array(v, ARROW[column.kind]), np.array([r is not None for r in reasons], dtype=bool), reasons)
            for key, (v, reasons) in readings.items()
        }
    return made
