"""Plant-time made from records on DuckDB, in this process; only cells and lists of exits reach pandas."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import duckdb
import ibis
import pandas as pd

from plantstats import periods
from plantstats.exposure import episodes, events
from plantstats.exposure.inputs import AGE_CUTS, LONG, READS, unbound

if TYPE_CHECKING:
    from plantstats.records import Records

# Steps that stay views: they are read once, or only in part.
VIEWS = ("looks", "reported")
# Once a step is made, these are read no more.
DONE_WITH = {"parts": ("cuts",), "stretches": ("parts", "site_air", "places", "ordered_moves")}
WHOLE = ("HUGEINT", "BIGINT", "INTEGER")
# Labels of the stretches, kept as numbers into a list (a tenth of the memory of text, faster to group), and where
# the list of values comes from.
LABELS = {
    "plant_id": "select plant_id from spans",
    "site_id": "select site_id from places",
    "client_id": "select client_id from sites union select client_id from spans",
    "species": "select species from spans",
    "light": "select light from places union select 'unknown'",
    "pot": "select pot from spans",
    "planter": "select planter from spans",
}


@dataclass(frozen=True)
class PlantTime:
    """Plant-time of one set of records, up to one day, with losses dated one way."""

    engine: duckdb.DuckDBPyConnection
    steps: dict[str, ibis.Table]
    as_of: date
    dated: str

    def cells(
        self,
        by: list[str],
        start: date | None = None,
        end: date | None = None,
        where: dict[str, str] | None = None,
        *,
        count_plants: bool = True,
    ) -> pd.DataFrame:
        """Plant-days and exits added up by conditions.

        Takes:  by: columns of a stretch; start, end: half-open window on whole months; where: column -> value;
                count_plants: whether to give n_plants (the slower half of the work).
        Gives:  one row per combination, sorted: the by columns, n_plants, plant_days, died, declined, losses,
                client_exits, withdrawn, rh_tenths, rh_readings.
        Keeps:  plant-days and exits of the window.
        """
        wanted = tuple((where or {}).items())
        made = self._sql(_cells_sql(self.steps["stretches"].schema(), tuple(by), start, end, wanted, count_plants))
        return made.sort_values(by, ignore_index=True) if by else made

    @cached_property
    def losses(self) -> pd.DataFrame:
        """Losses that count, with the conditions they fell under.

        Gives:  one row per loss row of the records: plant_id, site_id, client_id, species, light, pot, planter,
                age_band, month, cause, outcome, covered, seen_on (last seen alive), found_on, lost_on (the date
                used), replaced_on, quantity (plants), plant_cost, labour_minutes, source, line.
        """
        return self._sql("""
            select e.plant_id, s.site_id, s.client_id, s.species, s.light, s.pot, s.planter, s.age_band, s.month,
                   e.cause, e.outcome, e.covered,
                   date '1970-01-01' + e.seen::int as seen_on, date '1970-01-01' + e.found::int as found_on,
                   date '1970-01-01' + e.ends::int as lost_on, date '1970-01-01' + e.replaced::int as replaced_on,
                   e.taken as quantity, e.plant_cost, e.labour_minutes, e.source, e.line
            from events e join stretches s
              on e.plant_id = s.plant_id and s.to_on = date '1970-01-01' + (e.ends + 1)::int
            where e.taken > 0 and e.outcome in ('died', 'declined')
            order by lost_on, e.plant_id, e.source, e.line""")

    def lost_when(self, dated: str) -> pd.DataFrame:
        """The losses that count, dated the one way or the other, without their conditions.

        Takes:  dated: "found" or "midpoint".
        Gives:  one row per loss row: plant_id, client_id (of the place on that day), lost_on, quantity.
        """
        columns = tuple((name, step.schema()) for name, step in self.steps.items())
        self.engine.sql(_events_sql(columns, self.as_of, dated)).create_view("redated", replace=True)
        return self._sql("""
            select e.plant_id, s.client_id, date '1970-01-01' + e.ends::int as lost_on, e.taken as quantity
            from redated e join stretches s
              on e.plant_id = s.plant_id and date '1970-01-01' + e.ends::int >= s.from_on
              and date '1970-01-01' + e.ends::int < s.to_on
            where e.taken > 0 and e.outcome in ('died', 'declined') order by lost_on, e.plant_id""")

    @cached_property
    def exits(self) -> pd.DataFrame:
        """Every exit that the records report, counted or not.

        Gives:  one row per replacement row, and per removal without one: plant_id, site_id, client_id, species,
                light, pot (site and client as they were then, where the exit counted; else as first listed), cause,
                outcome, covered, found_on, replaced_on, quantity (as reported), taken (how many counted), off (why
                not, or missing), plant_cost, labour_minutes, source, line.
        """
        return self._sql("""
            select e.plant_id, coalesce(s.site_id, f.site_id) as site_id,
                   coalesce(s.client_id, f.client_id, 'unknown') as client_id,
                   f.species, f.light, f.pot, e.cause, e.outcome, e.covered,
                   date '1970-01-01' + e.found::int as found_on, date '1970-01-01' + e.replaced::int as replaced_on,
                   e.quantity, e.taken, e.off, e.plant_cost, e.labour_minutes, e.source, e.line
            from events e left join follow f on f.plant_id = e.plant_id left join stretches s
              on e.taken > 0 and s.plant_id = e.plant_id and s.to_on = date '1970-01-01' + (e.ends + 1)::int
            order by e.source desc, e.line, e.plant_id""")

    @cached_property
    def lives(self) -> pd.DataFrame:
        """Lives of single plants, for survival by age; plants of unknown install date are left out (see account).

        Gives:  one row per plant (a counted line gives one per plant in it): plant_id, site_id, client_id,
                species, light, pot, planter (as first listed), entry_age, exit_age, seen_age (last seen alive;
                days since install), event (1 for a loss), outcome (missing while it lives), cause, installed_on.
        """
        lives = self._sql("""
            with gone as (
                select plant_id, ends, seen, outcome, cause, taken as n from events where taken > 0
            ), stay as (
                select s.plant_id, s.leave as ends, s.leave as seen, null as outcome, null as cause,
                       s.entered - coalesce(sum(g.n), 0) as n
                from spans s left join gone g using (plant_id) where s.off is null
                group by s.plant_id, s.leave, s.entered
            )
            select s.plant_id, s.site_id, s.client_id, s.species, s.light, s.pot, s.planter,
                   s.entry - s.installed as entry_age, a.ends - s.installed as exit_age,
                   greatest(a.seen, s.entry) - s.installed as seen_age,
                   (coalesce(a.outcome, '') in ('died', 'declined'))::int as event, a.outcome, a.cause,
                   date '1970-01-01' + s.installed::int as installed_on, a.n::int as n
            from (select * from gone union all select * from stay) a join spans s using (plant_id)
            where s.off is null and s.installed is not null and a.n > 0
            order by s.plant_id, exit_age, a.outcome""")
        return lives.loc[lives.index.repeat(lives["n"])].drop(columns="n").reset_index(drop=True)

    @cached_property
    def without_install_date(self) -> pd.DataFrame:
        """Plants followed whose install date is unknown: in all rates, in no life.

        Gives:  one row per client: client_id, plants.
        """
        return self._sql("""
            select client_id, sum(entered)::bigint as plants from spans where off is null and installed is null
            group by 1 order by 1""")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every plant row and every reported exit.

        Gives:  one row per table (plants, replacements, removals = removed_on of plants) and fate: table, fate, rows,
                plants (with quantities), first_ids (up to five).
        """
        return self._sql("""
            select 'plants' as "table", coalesce(off, 'followed') as fate, count(*) as rows,
                   sum(at_start)::bigint as plants,
                   array_to_string(list_slice(list(plant_id order by plant_id), 1, 5), ', ') as first_ids
            from spans group by all
            union all
            select case source when 'plants' then 'removals' else source end, coalesce(off, outcome), count(*),
                   sum(case when off is null then taken else quantity end)::bigint,
                   array_to_string(list_slice(list(plant_id order by plant_id), 1, 5), ', ')
            from events group by all
            order by 1, 2""")

    def query(self, sql: str, parameters: Mapping[str, object] | None = None) -> pd.DataFrame:
        """The answer to a question about the tables of plant-time and of the records, in plain types.

        Parameters
        ----------
        sql : str
            In DuckDB's words.
        parameters : mapping
            Values for `$name` in it.

        Returns
        -------
        pandas.DataFrame
        """
        return self._sql(sql, parameters)

    def _sql(self, query: str, parameters: Mapping[str, object] | None = None) -> pd.DataFrame:
        frame = _narrow(self.engine.sql(query, params=dict(parameters) if parameters else None)).df()
        for column in frame.select_dtypes("datetime"):
            frame[column] = frame[column].astype("datetime64[us]")
        return frame


def build(
    records: Records, as_of: date, dated: str = "found", age_cuts: tuple[int, ...] = AGE_CUTS, *, looked: bool = False
) -> PlantTime:
    """Make plant-time from records.

    Takes:  records; as_of (the last day that counts: nothing recorded later is looked at); dated: "found" puts a
            loss on the day it was noticed (accounts), "midpoint" half-way between last seen alive and noticed
            (rates by season and age); age_cuts: days since installation, each closing its band; looked: plants count
            from look to look: those older than the records from their first on, those in place to their last.
    Gives:  PlantTime.
    Keeps:  plant rows = followed + off the table by reason; reported exits likewise.
    """
    lost_from_sight = _doubted(records.set_aside)
    engine = duckdb.connect()
    for name in READS:
        if name == "doubted":
            engine.register("doubted_ids", lost_from_sight.to_frame("plant_id").astype(object))
            engine.execute("create table doubted as select plant_id::varchar as plant_id from doubted_ids")
            engine.unregister("doubted_ids")
        else:
            engine.read_parquet(str(records.parquet(name))).create_view(name)
    months = tuple(sorted(periods.heating_months(records.settings.heating_season)))
    steps, script = _chain(as_of, dated, months, age_cuts, looked)
    for name, query in script.items():
        made = engine.sql(query)
        if name in VIEWS:
            made.create_view(name)
        else:
            _stored(engine, made, name)
        for earlier in DONE_WITH.get(name, ()):
            engine.execute(f"drop table {earlier}")
    return PlantTime(engine, steps, as_of, dated)


# Turning expressions into SQL takes longer than running it on a few thousand plants, and a page asks for the same
# again and again: the text is kept, the tables it reads are those of the engine it runs on.
@lru_cache(maxsize=64)
def _chain(
    as_of: date, dated: str, months: tuple[int, ...], age_cuts: tuple[int, ...], looked: bool
) -> tuple[dict[str, ibis.Table], dict[str, str]]:
    """The steps of `stretches.plan`, and the same as SQL."""
    steps = episodes.plan(as_of, dated, months, age_cuts, looked=looked)
    return steps, {name: _text(step) for name, step in steps.items()}


@lru_cache(maxsize=256)
def _cells_sql(
    schema: ibis.Schema,
    by: tuple[str, ...],
    start: date | None,
    end: date | None,
    where: tuple[tuple[str, str], ...],
    count_plants: bool,
) -> str:
    table = ibis.table(schema, name="stretches")
    return _text(episodes.cells(table, list(by), start, end, dict(where), count_plants=count_plants))


@lru_cache(maxsize=64)
def _events_sql(columns: tuple[tuple[str, ibis.Schema], ...], as_of: date, dated: str) -> str:
    tables = {**unbound(), **{name: ibis.table(schema, name=name) for name, schema in columns}}
    return _text(events.events(tables, (as_of - date(1970, 1, 1)).days, dated))


def _text(expression: ibis.Table) -> str:
    return str(ibis.to_sql(expression, dialect="duckdb"))


def _stored(engine: duckdb.DuckDBPyConnection, made: duckdb.DuckDBPyRelation, name: str) -> None:
    """Keep a step as a table, narrow: whole numbers in 32 bits (days and counts of one stretch), labels as numbers."""
    narrow = {column: "int" for column, kind in zip(made.columns, made.types, strict=True) if str(kind) in WHOLE}
    if name == "stretches":
        for column, values in LABELS.items():
            known = f"select distinct {column} from ({values}) where {column} is not null order by 1"
            engine.execute(f"create type {column}_label as enum ({known})")
            narrow[column] = f"{column}_label"
    chosen = [
        f'"{column}"::{narrow[column]} as "{column}"' if column in narrow else f'"{column}"' for column in made.columns
    ]
    made.project(", ".join(chosen)).create(name)


def _narrow(made: duckdb.DuckDBPyRelation) -> duckdb.DuckDBPyRelation:
    """What reaches pandas: whole numbers in 64 bits (sums come in 128, as floats otherwise), labels as text."""
    columns = []
    for name, kind in zip(made.columns, map(str, made.types), strict=True):
        wide = "bigint" if kind in WHOLE else "varchar" if kind.startswith("ENUM") else kind
        columns.append(f'"{name}"::{wide} as "{name}"')
    return made.project(", ".join(columns))


def _doubted(set_aside: pd.DataFrame) -> pd.Series:
    """Plants of whom nobody can say how many there are or whether they live, because a row or cell was unreadable."""
    end_unknown = set_aside["table"].eq("replacements") & ~set_aside["reason"].str.startswith("cell:")
    number_unknown = set_aside["table"].isin(["plants", "replacements"]) & set_aside["column"].eq("quantity")
    removal_unknown = set_aside["table"].eq("plants") & set_aside["column"].eq("removed_on")
    return set_aside.loc[end_unknown | number_unknown | removal_unknown, "plant_id"].dropna()


def last_day(records: Records) -> date | None:
    """The last day on which the records still run: of completed visits and replacements.

    A day that stands more than LONG days (a quarter) after the one before it is taken for a typing error, unless
    all of them do.
    """
    engine = duckdb.connect()
    for name in ("visits", "replacements"):
        engine.read_parquet(str(records.parquet(name))).create_view(name)
    engine.execute("""
        select distinct visited_on as at from visits
        where visited_on is not null and coalesce(status, 'completed') = 'completed'
        union select replaced_on from replacements where replaced_on is not null order by 1""")
    days = engine.df()["at"]
    if days.empty:
        return None
    near = days.diff().dt.days.le(LONG)
    return pd.Timestamp(days[near].iloc[-1] if near.any() else days.iloc[-1]).date()
