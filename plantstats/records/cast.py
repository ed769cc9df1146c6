"""The different texts of a file's columns, typed and ready to be taken row by row."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from plantstats.records.parse import Context, Parsed, parse_column, strip_marker
from plantstats.records.parse.numbers import marks_proved
from plantstats.records.scan import ScannedFile
from plantstats.schema.faults import Fault
from plantstats.schema.tables import ARROW, Column, Table
from plantstats.schema.text import clean_text
from plantstats.settings import Settings, TableSettings


class Reading(NamedTuple):
    """One reading of a column's different texts: typed values, whether each is at fault, the faults."""

    values: pa.Array
    wrong: np.ndarray
    faults: list[Fault | None]


@dataclass
class CastColumn:
    """Typed values of a column's different texts, ready to be taken by code.

    Attributes
    ----------
    definition : Column
    texts : list of str
        Each different text of the column.
    notes : list of (str, list of int, str)
        Kind, positions in the texts, text.
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
    more : dict of str to pyarrow.Array
        Least and most of a word for a count, minute of the day of a date, by column.
    """

    definition: Column
    texts: list[str]
    notes: list[tuple[str, list[int], str]]
    readings: list[Reading]
    conditions: list[tuple[str, str]]
    blank: np.ndarray
    empty: np.ndarray
    raw: pa.Array | None = None
    outcome: pa.Array | None = None
    more: dict[str, pa.Array] = field(default_factory=dict)


def cast_texts(
    scanned: ScannedFile, table: Table, options: TableSettings, settings: Settings
) -> tuple[dict[int, CastColumn], list[str]]:
    """Type the texts of every column of a file.

    Parameters
    ----------
    scanned : ScannedFile
    table : Table
    options : TableSettings
    settings : Settings

    Returns
    -------
    columns : dict of int to CastColumn
        By position.
    ambiguities : list of str
        What must be settled before the file can be used, with file, line and text.
    """
    decimal = _decimal_mark(scanned, table)
    columns: dict[int, CastColumn] = {}
    ambiguities: list[str] = []
    for name, places in scanned.places.items():
        column = table.column(name)
        for place in places:
            if place not in scanned.dictionaries:
                continue
            dictionary, head = scanned.dictionaries[place], scanned.header[place]
            texts = dictionary.texts
            context = Context(column, options, settings, scanned.file.epoch, dictionary.counts, decimal, head)
            parsed = parse_column(texts, context)
            if parsed.ambiguities:
                ambiguities += [
                    f"{scanned.file.name}: {with_lines(ambiguity.text, texts, dictionary.first_lines)}"
                    for ambiguity in parsed.ambiguities
                ]
            else:
                columns[place] = _cast_column(column, parsed, texts)
    return columns, ambiguities


def _decimal_mark(scanned: ScannedFile, table: Table) -> str | None:
    """The decimal mark that all numbers of the file together prove, or None."""
    texts = [
        text
        for name, places in scanned.places.items()
        if table.column(name).kind in ("measure", "count")
        for place in places
        for text in scanned.dictionaries[place].codes
    ]
    proved = marks_proved(texts)
    return next(iter(proved)) if len(proved) == 1 else None


def with_lines(text: str, texts: list[str], lines: list[int]) -> str:
    """Put the line and text of a value where a message says @n@.

    Parameters
    ----------
    text : str
        A message.
    texts : list of str
        Of the column.
    lines : list of int
        First line of each text.

    Returns
    -------
    str
    """
    return re.sub(r"@(\d+)@", lambda m: f"line {lines[int(m[1])]} {strip_marker(texts[int(m[1])])!r}", text)


def _cast_column(column: Column, parsed: Parsed, texts: list[str]) -> CastColumn:
    raw = outcome = None
    values = parsed.values
    if column.kind == "cause":
        outcome = pa.array([value[1] if value else None for value in values], pa.string())
        values = [value[0] if value else None for value in values]
        raw = pa.array([clean_text(strip_marker(text)) or None for text in texts], pa.string())
    conditions = {(name, value): reading for name, by in parsed.by.items() for value, reading in by.items()}
    readings = [
        Reading(pa.array(typed, ARROW[column.kind]), np.array([f is not None for f in faults], dtype=bool), faults)
        for typed, faults in [(values, parsed.faults), *conditions.values()]
    ]
    missing = np.array([value is None and n not in parsed.between for n, value in enumerate(values)], dtype=bool)
    blank = missing & ~readings[0].wrong
    empty = blank | np.array([not strip_marker(text).strip() for text in texts], dtype=bool)
    # A text that is no word has neither a least nor a most.
    limits = [parsed.between.get(n, (None, None)) for n in range(len(texts))]
    more = {name: pa.array([limit[end] for limit in limits], pa.int64()) for end, name in enumerate(column.between)}
    if column.clock:
        more[column.clock] = pa.array([parsed.minutes.get(n) for n in range(len(texts))], pa.int64())
    return CastColumn(column, texts, parsed.notes, readings, [*conditions], blank, empty, raw, outcome, more)
