"""Records of invented companies for tests of models: the demo's tables as what plant-time and the watch list read."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats import simulate
from plantstats.exposure import READS
from plantstats.settings import EngineSettings
from plantstats.simulate.causes import OUTCOME_OF
from tests.builders.tiny_records import ARROW


class InventedRecords:
    """An invented company as records: a Parquet file per table, the tables, settings; nothing set aside."""

    def __init__(self, folder: Path, plants: int, seed: int, params: simulate.CompanyParams, years: float = 3) -> None:
        self.folder, self.params = folder, params
        self.settings = SimpleNamespace(heating_season=((10, 1), (5, 1)), small_group=5, engine=EngineSettings())
        self.set_aside = pd.DataFrame(
            columns=["table", "file", "line", "column", "text", "scope", "reason", "plant_id"], dtype="str"
        )
        made = simulate.company(plants, years, seed, params)
        made["plants"] = made["plants"].assign(outcome=made["plants"]["removal_reason"].map(OUTCOME_OF))
        self._tables = {
            name: frame.assign(line=np.arange(len(frame)) + 2)
            for name, frame in made.items()
            if not name.startswith("true")
        }
        self.true = {name: frame for name, frame in made.items() if name.startswith("true")}
        for name, columns in READS.items():
            if name in self._tables:
                fields = [pa.field(column, ARROW[kind]) for column, kind in columns.items()]
                frame = self._tables[name].reindex(columns=list(columns))
                absent = [c for c in columns if c not in self._tables[name]]
                frame = frame.astype(dict.fromkeys(absent, "object")).assign(**dict.fromkeys(absent))
                table = pa.Table.from_pandas(frame, schema=pa.schema(fields), preserve_index=False)
                pq.write_table(table, folder / f"{name}.parquet")

    def parquet(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"

    def table(self, name: str) -> pd.DataFrame:
        return self._tables[name]

    @property
    def species(self) -> pd.DataFrame:
        return pd.DataFrame(
            {"name": [s.name for s in self.params.species], "group": [s.group for s in self.params.species]}
        )
