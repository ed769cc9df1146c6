"""Records small enough to work out by hand, made without files of a user."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.exposure import READS
from plantstats.settings import EngineSettings

ARROW = {
    "string": pa.string(),
    "date": pa.date32(),
    "float64": pa.float64(),
    "int64": pa.int64(),
    "boolean": pa.bool_(),
    "timestamp": pa.timestamp("us"),
}


class TinyRecords:
    """What `plant_time.build` asks of records: a Parquet file per table, settings, rows set aside."""

    def __init__(
        self, folder: Path, unknown_follow_up: list[str], heating: Any, **tables: list[dict[str, Any]]
    ) -> None:
        import pandas as pd

        self.folder = folder
        self.settings = SimpleNamespace(heating_season=heating, engine=EngineSettings())
        self.set_aside = pd.DataFrame(
            {
                "table": "replacements",
                "column": "replaced_on",
                "scope": "row",
                "reason": "not a date",
                "plant_id": unknown_follow_up,
            },
            dtype="str",
        )
        for name, columns in READS.items():
            if name == "unknown_follow_up":
                continue
            rows = tables.get(name, [])
            unknown = {key for row in rows for key in row} - set(columns)
            if unknown:
                raise KeyError(f"{name} has no column {sorted(unknown)}")
            if "line" in columns:
                rows = [{"line": number + 2} | row for number, row in enumerate(rows)]
            fields = [pa.field(column, ARROW[kind]) for column, kind in columns.items()]
            arrays = [
                pa.array([_value(row.get(field.name), field.type) for row in rows], type=field.type) for field in fields
            ]
            pq.write_table(pa.table(arrays, schema=pa.schema(fields)), folder / f"{name}.parquet")

    def parquet(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"


def _value(given: Any, kind: pa.DataType) -> Any:
    return date.fromisoformat(given) if isinstance(given, str) and pa.types.is_date32(kind) else given
