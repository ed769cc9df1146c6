"""The column contracts as pandera schemas, built from the one place that holds them (`tables`).

`load` holds each different text of a column against its contract while it reads, so that a fault has a file and a
line. These schemas hold a finished table against the same contract from the outside: for tests, and for tables that
a user makes in another way.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandera.pandas as pa

from plantstats.schema.causes import CAUSES, OUTCOMES
from plantstats.schema.light import BANDS
from plantstats.schema.tables import RAW_TEXT, TABLES, Column

DTYPES: dict[str, Any] = {
    "date": "datetime64[us]",
    "stamp": "datetime64[us]",
    "flag": "boolean",
    "measure": "float64",
    "count": "Int64",
}


def contract(name: str) -> pa.DataFrameSchema:
    """What a typed table promises, as a pandera schema.

    Every canonical column in its type and between its limits, required ones filled, words from their closed lists, the
    key unique, file and line filled; no other column.
    """
    table = TABLES[name]
    columns = {c.name: _column(c) for c in table.kept}
    columns |= {RAW_TEXT[c.name]: pa.Column("str", nullable=True) for c in table.columns if c.kind == "cause"}
    columns |= {limit: _column(replace(c, required=False)) for c in table.columns for limit in c.between}
    columns |= {c.clock: pa.Column("Int64", pa.Check.in_range(0, 1439), nullable=True) for c in table.kept if c.clock}
    columns["file"], columns["line"] = pa.Column("str"), pa.Column("int64", pa.Check.ge(1))
    either = list(table.either)
    checks = [pa.Check(lambda t: t[either].notna().any(axis=1), name=f"one of {either}")] if either else []
    return pa.DataFrameSchema(columns, checks=checks, strict=True, unique=[table.key] if table.key else None, name=name)


def _column(column: Column) -> pa.Column:
    checks = []
    words = {"word": [w for w, _ in column.words], "light": list(BANDS), "cause": list(CAUSES)}.get(column.kind)
    if column.name == "outcome":
        words = list(OUTCOMES)
    if words:
        checks.append(pa.Check.isin(words))
    if column.low is not None:
        checks.append(pa.Check.ge(column.low))
    if column.high is not None:
        checks.append(pa.Check.le(column.high))
    return pa.Column(DTYPES.get(column.kind, "str"), checks, nullable=not column.required)
