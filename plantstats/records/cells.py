"""What reading a column takes and gives: its texts in their context, its values with reasons and notes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from plantstats.schema.faults import Fault, Question
from plantstats.schema.tables import Column
from plantstats.settings import Settings, TableSettings

# Stands before the text of a cell that a workbook or Parquet file holds as a number; a private-use letter.
NUMBER_CELL = "\ue000"
# Stands before the text of a cell that a workbook holds as a date; a private-use letter.
DATE_CELL = "\ue001"
# Stands for a formula cell that holds no value.
NO_VALUE = "#NOVALUE!"
# Written for "no value" in number, date, flag and word columns; in ids and names only an empty cell is missing.
MISSING = {"", "na", "n/a", "n.a.", "null", "none", "nan", "nat", "nil", "-", "--", "?", "#n/a"}


def plain(text: str) -> str:
    """The text of a cell without the mark of its kind."""
    return text[1:] if text[:1] in (NUMBER_CELL, DATE_CELL) else text


@dataclass
class Parsed:
    """Values of the different texts of one column, in their order.

    values: typed or None; faults: why a text is no value (None for a good or a blank one);
    notes: (kind, positions in texts, text); questions: what the user has to settle first; by: other readings
    where a unit hangs on another column (condition column -> its value -> [values, faults]); between: least and
    most of a text that stands for more than one number.
    In notes and questions, @n@ stands for the line and words of text n.
    """

    values: list[Any]
    faults: list[Fault | None]
    notes: list[tuple[str, list[int], str]] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    by: dict[str, dict[str, list[Any]]] = field(default_factory=dict)
    between: dict[int, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True)
class Context:
    """What a column's reading depends on beside its texts.

    epoch: day count of the workbook; counts: rows of each text; decimal: mark proved elsewhere in the file;
    head: the column's head as written.
    """

    column: Column
    table: TableSettings
    settings: Settings
    epoch: int | None = None
    counts: Any = None
    decimal: str | None = None
    head: str = ""

    def rows(self, positions: list[int]) -> int:
        """How many rows hold the texts at these positions."""
        return sum(int(self.counts[n]) for n in positions) if self.counts is not None else len(positions)
