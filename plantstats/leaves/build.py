"""Leaf plant-time made on the engine of plant-time; only frequency tables and lists of plants reach pandas."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import duckdb
import ibis
import numpy as np
import pandas as pd

from plantstats.leaves import spells
from plantstats.leaves.inputs import CONDITIONS, KEY, NO_RH, OUTCOMES, RH_STEP, RH_TOP
from plantstats.records.species import species_table

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

# Steps that stay views: they are read once.
VIEWS = ("leaf_rows",)
RH_BANDS = RH_TOP // RH_STEP + 2  # bands from 0 on, and the missing one


@dataclass(frozen=True)
class LeafTime:
    """Leaves lost per stretch between visits, up to one day."""

    engine: duckdb.DuckDBPyConnection
    steps: dict[str, ibis.Table]
    as_of: date

    @cached_property
    def cells(self) -> pd.DataFrame:
        """The frequency table: all that the models need of the stretches.

        Gives:  one row per combination of species, conditions, month, rh and plant_days (of one stretch), sorted:
                cell (the combination's number), species_group, and of each outcome n (stretches with a count), sum
                (leaves), squares (sum of squared counts), such as green_n, green_sum, green_squares.
        Keeps:  stretches used, and their leaves.
        """
        sums = ", ".join(
            f"count({name})::bigint as {name}_n, coalesce(sum({name}), 0)::double as {name}_sum, "
            f"coalesce(sum({name} * {name}), 0)::double as {name}_squares"
            for name in OUTCOMES
        )
        return self._decoded(self.ask(f"select cell, {sums} from leaf_used group by 1 order by 1"))

    def _decoded(self, cells: pd.DataFrame) -> pd.DataFrame:
        """The combinations behind their numbers: the reverse of `_cell`."""
        facts = self.ask("""select distinct species::varchar as species, species_group::varchar as species_group
            from leaf_spells where species is not null""").set_index("species")["species_group"]
        names = self.ask("select unnest(enum_range(null::kind_of_species))::varchar as name")["name"]
        levels = {"species": tuple(names), **CONDITIONS}
        rest, made = cells["cell"].to_numpy(), {}
        for name, known in reversed(levels.items()):
            rest, code = np.divmod(rest, len(known))
            made[name] = pd.Categorical.from_codes(code, list(known))
        rest, month = np.divmod(rest, 12)
        days, band = np.divmod(rest, RH_BANDS)
        made |= {
            "month": month + 1,
            "rh": np.where(band == 0, NO_RH, (band - 1) * RH_STEP),
            "plant_days": days,
            "species_group": pd.Categorical.from_codes(
                pd.factorize(facts.reindex(names), sort=True)[0][made["species"].codes],
                sorted(facts.reindex(names).dropna().unique()),
            ),
        }
        return cells.assign(**{name: made[name] for name in ("species_group", *KEY)})

    def counts(self, outcome: str) -> pd.DataFrame:
        """How often each count was found: count, n."""
        return self.ask(f"""
            select {outcome} as count, count(*)::bigint as n from leaf_used
            where {outcome} is not null group by 1 order by 1""")

    def by(
        self, group: str, outcome: str, start: date | None = None, end: date | None = None, client: str = ""
    ) -> pd.DataFrame:
        """Stretches added up by a group and cell, such as site_id or plant_id.

        Takes:  group: a column of the stretches; outcome: a column of leaves: "green" leaves words out,
                "green_lower" takes them for the least that they may mean; start, end: only stretches that ended in
                [start, end); client: one client's plants only.
        Gives:  one row per group and cell: group, cell, n (stretches with a count), sum (leaves), plant_days.
        """
        where = [f"{outcome} is not null"]
        given: list[object] = []
        for value, test in ((start, "to_on > ?"), (end, "to_on <= ?"), (client or None, "client_id = ?")):
            if value is not None:
                where.append(test)
                given.append(value)
        return self.ask(
            f"""
            select {group}, cell, count(*)::bigint as n, sum({outcome})::double as sum,
                   sum(plant_days)::double as plant_days
            from leaf_used where {" and ".join(where)} group by 1, 2 order by 1, 2""",
            given,
        )

    def words(self, outcome: str) -> pd.DataFrame:
        """Counts known between two numbers only: site, cell, least, most, n (stretches)."""
        return self.ask(f"""
            select site_id::varchar as site, cell, {outcome}_lower as least, {outcome}_upper as most,
                   count(*)::bigint as n
            from leaf_used where {outcome} is null and {outcome}_lower is not null group by all order by all""")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every visit row.

        Gives:  fate, rows, leaves (dropped, as written), first_ids (up to five plants); rows add up to the visits.
        """
        return self.ask(f"""
            with looked as (
                select r.plant_id, r.leaves_dropped, coalesce(r.off, s.off) as off,
                       row_number() over (partition by r.plant_id, r.at order by r.leaves_dropped desc) as nth
                from leaf_rows r left join leaf_spells s
                  on r.plant_id = s.plant_id and r.off is null
                 and s.to_on = date '1970-01-01' + (r.at + 1)::int
            )
            select case when off is not null then off when nth > 1 then '{spells.JOINED}'
                        else '{spells.USED}' end as fate,
                   count(*) as rows, coalesce(sum(leaves_dropped), 0)::bigint as leaves,
                   array_to_string(list_slice(list_sort(list_distinct(list(plant_id))), 1, 5), ', ') as first_ids
            from looked group by 1
            order by fate <> '{spells.USED}', fate <> '{spells.JOINED}', rows desc, fate""")

    def ask(self, query: str, given: list[object] | None = None) -> pd.DataFrame:
        """Rows of a query on the engine, in the project's types."""
        frame = self.engine.execute(query, given or []).df()
        for column in frame.select_dtypes("datetime"):
            frame[column] = frame[column].astype("datetime64[us]")
        return frame


def build(time: PlantTime) -> LeafTime:
    """Make leaf plant-time beside the plant-time of the same records.

    Takes:  plant-time (its as_of holds here too).
    Gives:  LeafTime.
    Keeps:  visit rows = used + off by reason (see account).
    """
    engine = time.engine
    _facts(engine)
    steps = spells.plan(time.steps, (time.as_of - date(1970, 1, 1)).days)
    for name, step in steps.items():
        query = ibis.to_sql(step, dialect="duckdb")
        if name == "leaf_spells":
            query = f"select *, {_cell()} as cell from (select * replace ({_coded(engine)}) from ({query}))"
        kind = "view" if name in VIEWS else "table"
        engine.execute(f"create or replace {kind} {name} as {query}")
    engine.execute("create or replace view leaf_used as select * from leaf_spells where off is null")
    return LeafTime(engine, steps, time.as_of)


def _cell() -> str:
    """One whole number for each combination of the key, so that grouping has one column to look at."""
    number = f"plant_days * {RH_BANDS} + case when rh = {NO_RH} then 0 else rh // {RH_STEP} + 1 end"
    number = f"({number}) * 12 + month - 1"
    number = f"({number}) * len(enum_range(null::kind_of_species)) + enum_code(species)"
    for name, levels in CONDITIONS.items():
        number = f"({number}) * {len(levels)} + enum_code({name})"
    return f"({number})::bigint"


def _facts(engine: duckdb.DuckDBPyConnection) -> None:
    facts = species_table().rename(columns={"name": "species", "group": "species_group", "leaning": "leans"})
    texts = ["species", "species_group"]
    engine.register("facts", facts[[*texts, "leans"]].astype(dict.fromkeys(texts, object)))
    engine.execute("""create or replace table species_facts as
        select species::varchar as species, species_group::varchar as species_group, leans from facts""")
    engine.unregister("facts")


def _coded(engine: duckdb.DuckDBPyConnection) -> str:
    """Casts that make the texts of the key whole numbers inside the engine: grouping is then some times faster."""
    kinds = {
        "site_id": "select distinct site_id from leaf_places where site_id is not null order by 1",
        "species": "select distinct species from spans where species is not null order by 1",
        "species_group": """select distinct coalesce(f.species_group, string_split(s.species, ' ')[1])
            from spans s left join species_facts f using (species) where s.species is not null order by 1""",
    }
    for name, levels in CONDITIONS.items():
        listed = ", ".join(f"({at}, '{level}')" for at, level in enumerate(levels))
        kinds[name] = f"select level from (values {listed}) as v(place, level) order by place"
    for name, query in kinds.items():
        engine.execute(f"drop type if exists kind_of_{name}")
        engine.execute(f"create type kind_of_{name} as enum ({query})")
    # DuckDB makes a time stamp of a date plus an interval.
    dates = [f"{name}::date as {name}" for name in ("from_on", "to_on")]
    return ", ".join([*(f"{name}::kind_of_{name} as {name}" for name in kinds), *dates])
