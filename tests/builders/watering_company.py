"""Invented companies for tests of watering: records without files of a user, and the truth in the same shape."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats import simulate
from plantstats.schema import tables
from plantstats.settings import settings_from
from plantstats.simulate.company import build as build_company
from plantstats.watering.drying import Drying
from plantstats.watering.harm import Harm
from plantstats.watering.learn import Learned

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

    def __init__(self, folder: Path, plants: int, years: float, seed: int, truth: simulate.Truth | None = None) -> None:
        self.folder, self.settings, self.truth = folder, SETTINGS, truth or simulate.Truth()
        self.made = build_company(plants, years, seed, self.truth)
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


def with_full_knowledge(learned: Learned, records: CompanyRecords) -> Learned:
    """What was learned, with every estimate put right: drying, misread looks, harm of over-dry days, loss rates."""
    truth = records.truth
    vpd = {
        heated: float(np.average(part["vpd"], weights=part["n"]))
        for heated, part in learned.cells.dropna(subset=["vpd"]).groupby("heating")
    }
    seasons = {
        "heating season": truth.dry_heating + truth.dry_per_kpa * (vpd.get(True, 1.2) - 1.2),
        "rest of the year": truth.dry_per_kpa * (vpd.get(False, 1.2) - 1.2),
    }
    terms = {
        "species": {s.name: math.log(s.dry_days) for s in truth.species},
        "light": truth.dry_light,
        "pot": truth.dry_pot,
        "planter": truth.dry_planter,
        "heating": seasons,
    }
    names = (("intercept", ""), *((term, level) for term, levels in terms.items() for level in levels))
    effects = [0.0, *(value for levels in terms.values() for value in levels.values())]
    theta = np.array([*effects, math.log(truth.dry_shape), math.log(truth.misread / (1 - truth.misread))])
    fit = Drying("Weibull", names, theta, np.zeros((len(theta), len(theta))), 99, 0.0, truth.misread, 0.0, 0)
    known = records.made.true_quarters.groupby(["species", "light"])[
        ["plant_days", "over_dry_days", "expected_losses"]
    ].sum()
    mine = known.reindex(pd.MultiIndex.from_frame(learned.rates[["species", "light"]]))
    days = mine["plant_days"].to_numpy(dtype=float)
    overall = known.sum().astype(float)
    rate = np.where(
        days > 0,
        mine["expected_losses"].to_numpy(dtype=float) / np.maximum(days, 1),
        overall["expected_losses"] / overall["plant_days"],
    )
    dry = np.where(
        days > 0,
        mine["over_dry_days"].to_numpy(dtype=float) / np.maximum(days, 1),
        overall["over_dry_days"] / overall["plant_days"],
    )
    rates = learned.rates.assign(rate=np.nan_to_num(rate), log_se=0.0, dry_share=np.nan_to_num(dry))
    ratio = math.exp(truth.over_dry)
    return dataclasses.replace(
        learned,
        dryings={kind: fit for kind in learned.dryings},
        rates=rates,
        tables={},
        harm=Harm(ratio, ratio, ratio, 0.0, 0, 0.0, 0.0, ratio),
    )
