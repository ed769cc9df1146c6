"""The different texts of a file's columns, typed and ready to be taken row by row."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from plantstats.records import leaf_words
from plantstats.records.cells import Context, Parsed, plain
from plantstats.records.intake import TakenIn
from plantstats.records.measures import marks_proved
from plantstats.records.values import parse
from plantstats.schema.faults import Fault, Question
from plantstats.schema.tables import ARROW, Column, Table
from plantstats.schema.words import tidy
from plantstats.settings import Settings, TableSettings


class Reading(NamedTuple):
    """One reading of a column's different texts: typed values, whether each is at fault, the faults."""

    values: pa.Array
    wrong: np.ndarray
    faults: list[Fault | None]


@dataclass
class Decoded:
    """Typed values of a column's different texts, ready to be taken by code.

    Attributes
    ----------
    readings : list of Reading
        The first holds where no condition does.
    conditions : list of (str, str)
        Column and value under which each further reading holds.
    blank : numpy.ndarray of bool
        Texts that are no value and no fault.
    empty : numpy.ndarray of bool
        Texts that leave a row empty: blank ones, and an empty cause (which is read as unknown).
    raw, outcome : pyarrow.Array
        Of a cause: the text as written, and what became of the plant.
    between : dict of str to pyarrow.Array
        Least and most of a word for a count, by column.
    """

    column: Column
    texts: list[str]
    notes: list[tuple[str, list[int], str]]
    readings: list[Reading]
    conditions: list[tuple[str, str]]
    blank: np.ndarray
    empty: np.ndarray
    raw: pa.Array | None = None
    outcome: pa.Array | None = None
    between: dict[str, pa.Array] = field(default_factory=dict)


def decode(
    taken: TakenIn, table: Table, options: TableSettings, settings: Settings
) -> tuple[dict[int, Decoded], list[Question]]:
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
    questions: list[Question] = []
    for name, places in taken.places.items():
        column = table.column(name)
        for place in places:
            if place not in taken.coded:
                continue
            coded = taken.coded[place]
            texts = coded.texts
            context = Context(column, options, settings, taken.file.epoch, coded.counts, decimal, taken.heads[place])
            parsed = parse(texts, context)
            questions += [
                Question(q.setting, f"{taken.file.name}: {with_lines(q.text, texts, coded.first_lines)}")
                for q in parsed.questions
            ]
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
    readings = {None: [values, parsed.faults]} | {
        (condition, value): reading for condition, by in parsed.by.items() for value, reading in by.items()
    }
    typed = [
        Reading(pa.array(v, ARROW[column.kind]), np.array([f is not None for f in faults], dtype=bool), faults)
        for v, faults in readings.values()
    ]
    missing = np.array([v is None and n not in parsed.between for n, v in enumerate(values)], dtype=bool)
    blank = missing & ~typed[0].wrong
    empty = blank | np.array([not plain(t).strip() for t in texts], dtype=bool)
    limits = leaf_words.limits(parsed, len(texts)).values() if column.between else ()
    between = {name: pa.array(limit, pa.int64()) for name, limit in zip(column.between, limits, strict=True)}
    conditions = [condition for condition in readings if condition is not None]
    return Decoded(column, texts, parsed.notes, typed, conditions, blank, empty, raw, outcome, between)
