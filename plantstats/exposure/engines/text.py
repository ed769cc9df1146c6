"""Expressions as DuckDB's text, made once for all days: the last day that counts is a variable of the connection."""

from __future__ import annotations

from datetime import date
from functools import lru_cache

import duckdb
import ibis
import ibis.expr.operations as ops
import ibis.expr.types as ir

VARIABLE = "last_day"


@ibis.udf.scalar.builtin
def getvariable(variable: str) -> int:  # type: ignore[empty-body]
    """Value that a connection of DuckDB holds under a name; a constant to each query.

    Parameters
    ----------
    variable : str

    Returns
    -------
    int
    """


LAST_DAY: ir.IntegerValue = getvariable(VARIABLE)
"""The last day that counts (days since 1970), in expressions that run on DuckDB alone."""


def set_last_day(engine: duckdb.DuckDBPyConnection, as_of: date) -> None:
    """Tell a connection the last day that counts.

    Parameters
    ----------
    engine : duckdb.DuckDBPyConnection
        On which texts of expressions with `LAST_DAY` will run.
    as_of : datetime.date
        The day.
    """
    engine.execute(f"set variable {VARIABLE} = {(as_of - date(1970, 1, 1)).days}::bigint")


def sql_of(expression: ir.Table, dialect: str = "duckdb") -> str:
    """An expression in an engine's words.

    Parameters
    ----------
    expression : ibis table
        Any.
    dialect : str
        As ibis names the engine.

    Returns
    -------
    str
        The text.

    Notes
    -----
    Turning an expression into text takes longer than running it on a few thousand plants, and plant-time is built
    for a dozen days in a review: texts are kept, and are the same for every day.

    Examples
    --------
    >>> print(sql_of(ibis.table({"at": "int64"}, name="visits").filter(lambda v: v["at"] <= LAST_DAY)))
    SELECT
      *
    FROM "visits" AS "t0"
    WHERE
      "t0"."at" <= GETVARIABLE('last_day')
    """
    return _text(expression.op(), dialect)


@lru_cache(maxsize=512)
def _text(operation: ops.Relation, dialect: str) -> str:
    return str(ibis.to_sql(operation.to_expr(), dialect=dialect))
