"""What an engine does for the rooms above: holds named tables, makes steps of them, answers questions."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from plantstats.errors import PlantstatsError

WHOLE = (pa.decimal128(38, 0), pa.int64(), pa.int32())
Parameters = Mapping[str, object] | Sequence[object]
Levels = Mapping[str, str | Sequence[str] | None]


class EngineError(PlantstatsError, RuntimeError):
    """An engine that cannot be reached, or a step that it could not make."""


class Engine(ABC):
    """Named tables of one plant-time or one set of dry-downs, and what is asked of them.

    Attributes
    ----------
    dialect : str
        In which ibis writes steps for it.
    parent : str
        What questions to a branch call the tables that it branched from, before a dot.

    Notes
    -----
    Steps are ibis expressions, written in the engine's own dialect. Questions are written once, in DuckDB's words, of
    which an engine translates what it says otherwise: a text costs no time to make, an expression does. In a question:
    days apart by `date_diff`, no `qualify`, no name of a `with` that is read as a table within it, and `asof join` on
    rows that are unique by their keys.
    """

    dialect: str
    parent: str = "main"

    @abstractmethod
    def read(self, name: str, path: Path) -> None:
        """Name a table of the records.

        Parameters
        ----------
        name : str
            What questions call it.
        path : pathlib.Path
            Its Parquet file, where the engine can read it.
        """

    @abstractmethod
    def add(self, name: str, frame: pd.DataFrame) -> None:
        """Hand over a table small enough for a person; one of that name before goes.

        Parameters
        ----------
        name : str
            What questions call it.
        frame : pandas.DataFrame
            Its rows.
        """

    @abstractmethod
    def cut(self, as_of: date) -> int | None:
        """Take in the last day that counts.

        Parameters
        ----------
        as_of : datetime.date
            The day.

        Returns
        -------
        int or None
            What steps are to be compared with, in days since 1970; None where the engine holds it itself
            (`text.LAST_DAY`), so that steps read the same for every day.
        """

    @abstractmethod
    def create(
        self,
        name: str,
        query: str,
        *,
        view: bool = False,
        levels: Levels | None = None,
        narrow: Sequence[str] = (),
        dialect: str = "duckdb",
    ) -> None:
        """Make a table from a query; one of that name before goes.

        Parameters
        ----------
        name : str
            What questions call it.
        query : str
            Over tables made before.
        view : bool
            Whether it is read only once, or in part, so that an engine in this process need not keep it.
        levels : mapping of str to (str or sequence of str or None), optional
            Columns with few values: a query for them, sorted, or the values in their order. Ordered and handed over so.
            None: those of the table of that name that this engine branched from.
        narrow : sequence of str
            Columns of whole numbers that fit 32 bits.
        dialect : str
            "duckdb", or the engine's own.
        """

    @abstractmethod
    def drop(self, name: str) -> None:
        """Let go of a table that nobody will read.

        Parameters
        ----------
        name : str
            Its name.
        """

    @abstractmethod
    def sql(self, query: str, parameters: Parameters = (), *, plain: bool = False) -> pd.DataFrame:
        """Ask.

        Parameters
        ----------
        query : str
            In DuckDB's words.
        parameters : mapping or sequence
            Values for `$name`, or for `?`.
        plain : bool
            Whether whole numbers come in 64 bits and levels as texts.

        Returns
        -------
        pandas.DataFrame
        """

    @abstractmethod
    def branch(self) -> Engine:
        """The same tables, of which some may be made anew without a change to these; x of these is `parent`.x there.

        Returns
        -------
        Engine
        """

    @abstractmethod
    def in_order(self, column: str, levels: Sequence[str]) -> str:
        """What to sort by, so that a column with levels comes in their order.

        Parameters
        ----------
        column : str
            One that was made with `levels`.
        levels : sequence of str
            In their order.

        Returns
        -------
        str
            An expression for `order by`.
        """


def plain_frame(table: pa.Table) -> pd.DataFrame:
    """An Arrow table in plain pandas types; whole numbers and flags with gaps stay what they are.

    Parameters
    ----------
    table : pyarrow.Table
        Any.

    Returns
    -------
    pandas.DataFrame
        Whole numbers in 64 bits (sums come in 128, as decimals), levels as text, days and times in microseconds.

    Notes
    -----
    Three times faster than DuckDB's own way, which makes a Python object of each text.
    """
    text = {pa.string(): pd.StringDtype(na_value=np.nan)}
    with_gaps = text | {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
    columns = {}
    for field, column in zip(table.schema, table.columns, strict=True):
        type_ = _plain_type(field.type)
        values = column if type_ == field.type else column.cast(type_)
        columns[field.name] = values.to_pandas(types_mapper=(with_gaps if column.null_count else text).get)
    return pd.DataFrame(columns, copy=False)


def _plain_type(type_: pa.DataType) -> pa.DataType:
    if pa.types.is_dictionary(type_):
        return type_.value_type
    if pa.types.is_date(type_) or (pa.types.is_timestamp(type_) and type_.tz is None):
        return pa.timestamp("us")
    return pa.int64() if type_ in WHOLE else type_
