"""Invented companies for tests of watering: records without files of a user, and the truth in the same shape."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats import simulate
from plantstats.schema import tables
from plantstats.settings import settings_from
from plantstats.simulate.company import build as build_company
from plantstats.validation import decisions
from plantstats.validation.true_values import KnownCompany
from plantstats.watering.fit import WateringModel

SETTINGS = settings_from(
    {
        "currency": "EUR",
        "wage_per_hour": 24.0,
        "visit_cost": 18.0,
        "heating_season": {"starts": "10-01", "ends": "05-01"},
    },
    "invented",
)


class CompanyRecords:
    """Records of an invented company: what the rooms ask of `Records`, with the truth beside it."""

    def __init__(
        self, folder: Path, plants: int, years: float, seed: int, params: simulate.CompanyParams | None = None
    ) -> None:
        self.folder, self.settings, self.params = folder, SETTINGS, params or simulate.CompanyParams()
        self.made = build_company(plants, years, seed, self.params)
        self.set_aside = pd.DataFrame(
            {c: [] for c in ("table", "plant_id", "scope", "reason", "column", "text")}, dtype="str"
        )
        self.frames = {**self.made.tables, "visits": self.made.visits}
        folder.mkdir(parents=True, exist_ok=True)
        for name in tables.TABLES:
            schema = tables.schema(tables.TABLES[name])
            frame = self.frames[name]
            table = frame if isinstance(frame, pa.Table) else pa.Table.from_pandas(frame, preserve_index=False)
            columns = [
                table[f.name].cast(f.type) if f.name in table.column_names else self._blank(f, len(table))
                for f in schema
            ]
            pq.write_table(pa.table(columns, schema=schema), folder / f"{name}.parquet")

    def _blank(self, field: pa.Field, rows: int) -> pa.Array:
        return pa.array(range(2, rows + 2), field.type) if field.name == "line" else pa.nulls(rows, field.type)

    def parquet(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"

    def table(self, name: str) -> pd.DataFrame:
        from plantstats.records.load import to_pandas

        return to_pandas(pq.read_table(self.parquet(name)))


def with_full_knowledge(model: WateringModel, records: CompanyRecords) -> WateringModel:
    """What was learned, with every estimate put right."""
    true = {name: getattr(records.made, name) for name in ("true_sites", "true_quarters")}
    return decisions.with_full_knowledge(model, KnownCompany(records.params, true))
