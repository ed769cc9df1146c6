"""Spells made from records on DuckDB, in this process; only distinct rows with their counts reach pandas."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import duckdb
import ibis
import pandas as pd

from plantstats import periods
from plantstats.exposure import READS
from plantstats.watering import spells

if TYPE_CHECKING:
    from plantstats.records import Records

VIEWS = ("inspections", "completed_visits", "notes", "cuts")


@dataclass(frozen=True)
class Spells:
    """Dry-down spells of one set of records, up to one day."""

    engine: duckdb.DuckDBPyConnection
    as_of: date

    def cells(self, with_site: bool = True) -> pd.DataFrame:
        """Distinct spells with their number.

        Takes:  with_site: keep sites apart, for intervals that allow for them.
        Gives:  one row per distinct spell: site_id (if asked), method, species, light, pot, planter, heating, vpd,
                wet_looks, earlier, low, high (days; high missing: not found dry), n (spells).
        Keeps:  the number of spells used.
        """
        columns = ", ".join([*(["site_id"] if with_site else []), *spells.COLLAPSED[:-1], "high::double as high"])
        return self.sql(f"select {columns}, count(*) as n from spells where off is null group by all order by all")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every watering, and of lines that name no plant.

        Gives:  one row per fate: fate, rows. Waterings = spells used + off by reason; lines for a whole site stand
                beside them: they start no spell.
        """
        return self.sql("""
            select 1 as place, 'watering: spell used, ' || case when high is null then 'not found dry before its end'
                when low = 0 then 'dry at the first look' else 'dry between two looks' end as fate, count(*) as rows
            from spells where off is null group by all
            union all select 2, 'watering: ' || off, count(*) from spells where off is not null group by all
            union all select 3, 'line for a whole site (starts no spell)', count(*) from visits
                where plant_id is null having count(*) > 0
            order by 1, 2""").drop(columns="place")

    def sql(self, query: str) -> pd.DataFrame:
        """Ask the engine."""
        return self.engine.sql(query).df()


def build(records: Records, as_of: date) -> Spells:
    """Make spells from records.

    Takes:  records; as_of: the last day that counts.
    Gives:  Spells.
    Keeps:  waterings noted for a plant = spells used + off by reason.
    """
    engine = duckdb.connect()
    for name in READS:
        if name != "doubted":
            engine.read_parquet(str(records.parquet(name))).create_view(name)
    for statement in _statements(as_of, periods.heating_months(records.settings.heating_season)):
        engine.execute(statement)
    return Spells(engine, as_of)


@lru_cache(maxsize=8)
def _statements(as_of: date, heating_months: tuple[int, ...]) -> tuple[str, ...]:
    """The chain as SQL; it hangs on nothing else, and putting it into words takes a second."""
    return tuple(
        f"create {'view' if name in VIEWS else 'table'} {name} as {ibis.to_sql(step, dialect='duckdb')}"
        for name, step in spells.plan(as_of, heating_months).items()
    )
