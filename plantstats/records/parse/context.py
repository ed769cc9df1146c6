"""What parsing a column takes and gives: its texts in their context, its values with faults and notes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from plantstats.schema.faults import Ambiguity, Code, Fault
from plantstats.schema.tables import Column
from plantstats.schema.text import normalize_key
from plantstats.settings import Settings, TableSettings

# Stands before the text of a cell that a workbook or Parquet file holds as a number; a private-use letter.
NUMBER_CELL = "\ue000"
# Stands before the text of a cell that a workbook holds as a date; a private-use letter.
DATE_CELL = "\ue001"
# Stands for a formula cell that holds no value.
NO_VALUE = "#NOVALUE!"
# Written for "no value" in number, date, flag and word columns; in ids and names only an empty cell is missing.
MISSING = {"", "na", "n/a", "n.a.", "null", "none", "nan", "nat", "nil", "-", "--", "?", "#n/a"}


def strip_marker(text: str) -> str:
    """Text of a cell without the mark of its kind.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return text[1:] if text[:1] in (NUMBER_CELL, DATE_CELL) else text


@dataclass
class Parsed:
    """Values of the different texts of one column, aligned with them.

    Attributes
    ----------
    values : list
        Typed, or None.
    faults : list of Fault or None
        Why a text is no value; None for a good or a blank one.
    notes : list of (str, list of int, str)
        Kind, positions in the texts, text.
    ambiguities : list of Ambiguity
        What the user has to settle before the file can be used.
    by : dict of str to dict of str to (list, list)
        Other readings where a unit hangs on another column: that column -> its value -> values and faults.
    between : dict of int to (int, int)
        Least and most of a text that stands for more than one number.
    minutes : dict of int to int
        Minute of the day of a date written with a time.

    Notes
    -----
    In notes and ambiguities, @n@ stands for the line and words of text n.
    """

    values: list[Any]
    faults: list[Fault | None]
    notes: list[tuple[str, list[int], str]] = field(default_factory=list)
    ambiguities: list[Ambiguity] = field(default_factory=list)
    by: dict[str, dict[str, tuple[list[Any], list[Fault | None]]]] = field(default_factory=dict)
    between: dict[int, tuple[int, int]] = field(default_factory=dict)
    minutes: dict[int, int] = field(default_factory=dict)

    @classmethod
    def blank(cls, size: int) -> Parsed:
        """As many missing values without a fault.

        Parameters
        ----------
        size : int
            How many.

        Returns
        -------
        Parsed
        """
        return cls([None] * size, [None] * size)

    def refuse(self, n: int, code: Code, text: str) -> None:
        """Say why text n is no value.

        Parameters
        ----------
        n : int
            Number of the text.
        code : Code
            Of the fault.
        text : str
            What is wrong, for people.
        """
        self.values[n], self.faults[n] = None, Fault(code, text)


@dataclass(frozen=True)
class Context:
    """What the parsing of a column depends on beside its texts.

    Attributes
    ----------
    column : Column
    table : TableSettings
    settings : Settings
    epoch : int, optional
        Day count of the workbook, 1900 or 1904.
    counts : sequence of int, optional
        Rows of each text; each counts once without it.
    decimal : str, optional
        Decimal mark proved elsewhere in the file.
    header : str
        The column's head as written.
    """

    column: Column
    table: TableSettings
    settings: Settings
    epoch: int | None = None
    counts: Any = None
    decimal: str | None = None
    header: str = ""

    def rows(self, positions: list[int]) -> int:
        """Number of rows that hold the texts at these positions.

        Parameters
        ----------
        positions : list of int
            Numbers of texts.

        Returns
        -------
        int
        """
        return sum(int(self.counts[n]) for n in positions) if self.counts is not None else len(positions)


def own_codes(context: Context) -> dict[str, str]:
    """The user's codes of this column, normalised.

    Parameters
    ----------
    context : Context
        What is known of the column.

    Returns
    -------
    dict of str to str
        Code to meaning.
    """
    return {normalize_key(raw): word for raw, word in context.table.codes.get(context.column.name, {}).items()}
