"""Plant-time, and what is asked of it; only rate tables and lists of exits reach pandas."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property, lru_cache

import ibis
import pandas as pd

from plantstats.exposure import episodes, events
from plantstats.exposure.engines import LAST_DAY, Engine, sql_of
from plantstats.exposure.inputs import unbound
from plantstats.schema.causes import LOSSES

MANY_ROWS = 300_000  # of a table that is not kept for who asks for it again


@dataclass(frozen=True)
class PlantTime:
    """Plant-time of one set of records, up to one day, with losses dated one way.

    Attributes
    ----------
    engine : Engine
        Holds the typed records, and the steps `follow`, `events`, `spans`, `stays`, `completed_visits`,
        `site_day_air` and `episodes` of `episodes.plan`.
    steps : dict of str to ibis table
        The expressions behind them.
    as_of : datetime.date
        The last day that counts.
    dated : str
        "found" or "midpoint".
    whole : PlantTime, optional
        One of a later day whose episodes these are, as far as they had ended.
    """

    engine: Engine
    steps: dict[str, ibis.Table]
    as_of: date
    dated: str
    whole: PlantTime | None = None

    def exposure_table(
        self,
        by: list[str],
        start: date | None = None,
        end: date | None = None,
        where: dict[str, str] | None = None,
        *,
        count_plants: bool = True,
        as_categories: bool = False,
    ) -> pd.DataFrame:
        """Plant-days and exits added up by conditions.

        Parameters
        ----------
        by : list of str
            Columns of an episode.
        start, end : datetime.date, optional
            Half-open window on whole months.
        where : dict, optional
            Column -> the value that counts.
        count_plants : bool
            Whether to give n_plants (the slower half of the work).
        as_categories : bool
            Whether labels come as categories, not as texts: for tables of many rows.

        Returns
        -------
        pandas.DataFrame
            One row per combination, sorted: the `by` columns, n_plants, plant_days, died, declined, losses,
            client_exits, withdrawn, rh_tenths, rh_readings.

        Notes
        -----
        Keeps plant-days and exits of the window.
        """
        asked = (*by, start, end, *sorted((where or {}).items()), count_plants, as_categories)
        if asked in self._tables:
            return self._tables[asked].copy(deep=False)
        if self.whole and "month" in by and not (start or end or where or as_categories):
            table = self.whole.exposure_table(by, count_plants=count_plants)
            return table[table["month"] <= pd.Timestamp(self.as_of)].reset_index(drop=True)
        wanted: list[tuple[str, str, object]]
        wanted = [(f'"{column}" = ${column}', column, value) for column, value in (where or {}).items()]
        wanted += [(f"month {sign} ${k}", k, v) for sign, k, v in ((">=", "start", start), ("<", "end", end)) if v]
        chosen = " and ".join(["true", *(condition for condition, _, _ in wanted)])
        query = _rate_table_sql(self.steps["episodes"].schema(), tuple(by), count_plants)
        order = ", ".join(f'"{column}" nulls last' for column in by)  # labels are numbered as the alphabet has them
        table = self.engine.sql(
            f"with chosen as (select * from episodes where {chosen}) select * from ({query})"
            + (f" order by {order}" if by else ""),
            {name: value for _, name, value in wanted},
            plain=not as_categories,
        )
        if len(table) <= MANY_ROWS:
            self._tables[asked] = table.copy(deep=False)
        return table

    @cached_property
    def _tables(self) -> dict[tuple[object, ...], pd.DataFrame]:
        """Answers of `exposure_table`, for who asks the same again."""
        return {}

    def tells_of(self, day: date) -> bool:
        """Whether episodes and losses up to an earlier day are those that plant-time up to that day would hold.

        Parameters
        ----------
        day : datetime.date
            The earlier day.

        Returns
        -------
        bool
            False where only plant-time built for the day can say.

        Notes
        -----
        Episodes end with the month, entries and exits of later days change none before. A midpoint falls between two
        days of which the later may lie beyond the day. A plant whose install date is unknown enters when it is first
        seen; where that lies after the day, nobody could have known of it on the day. (Plant-time built for the day
        has the list of plants alone, and lets it enter with the records of its site.)
        """
        return day == self.as_of or (day < self.as_of and self.dated == "found" and (day + timedelta(days=1)).day == 1)

    @cached_property
    def losses(self) -> pd.DataFrame:
        """Losses that count, with the conditions they fell under.

        One row per loss row of the records: plant_id, site_id, client_id, species, light, pot, planter, age_band,
        month, heating, repotted, moved, rh_band, cause, outcome, covered, seen_on (last seen alive), found_on,
        lost_on (the date used), replaced_on,
        quantity (plants), plant_cost, labour_minutes, source, line.
        """
        return self.query(f"""
            select e.plant_id, s.site_id, s.client_id, s.species, s.light, s.pot, s.planter, s.age_band, s.month,
                   s.heating, s.repotted, s.moved, s.rh_band, e.cause, e.outcome, e.covered,
                   {_on("e.seen_day")} as seen_on, {_on("e.found")} as found_on,
                   {_on("e.exit_day")} as lost_on, {_on("e.replaced")} as replaced_on,
                   e.n_removed as quantity, e.plant_cost, e.labour_minutes, e.source, e.line
            from events e join episodes s on e.plant_id = s.plant_id and s.to_on = {_on("(e.exit_day + 1)")}
            where e.n_removed > 0 and e.outcome in {LOSSES}
            order by lost_on, e.plant_id, e.source, e.line""")

    def lost_when(self, dated: str) -> pd.DataFrame:
        """Losses that count, without their conditions.

        Parameters
        ----------
        dated : str
            "found" or "midpoint".

        Returns
        -------
        pandas.DataFrame
            One row per loss row: plant_id, client_id (of the place on that day), lost_on, quantity.
        """
        columns = tuple((name, step.schema()) for name, step in self.steps.items())
        cut = self.engine.cut(self.as_of)
        query = _events_sql(columns, dated, cut, self.engine.dialect)
        self.engine.create("redated", query, view=True, dialect=self.engine.dialect)
        lost_on = _on("e.exit_day")
        return self.query(f"""
            select e.plant_id, s.client_id, {lost_on} as lost_on, e.n_removed as quantity
            from redated e join episodes s
              on e.plant_id = s.plant_id and {lost_on} >= s.from_on and {lost_on} < s.to_on
            where e.n_removed > 0 and e.outcome in {LOSSES} order by lost_on, e.plant_id""")

    @cached_property
    def exits(self) -> pd.DataFrame:
        """Every exit that the records report, counted or not.

        One row per replacement row, and per removal without one: plant_id, site_id, client_id, species, light, pot
        (site and client as they were then, where the exit counted; else as first listed), cause, outcome, covered,
        found_on, replaced_on, quantity (as reported), n_removed (how many counted), exclusion_reason (why not, or
        missing), plant_cost, labour_minutes, source, line.
        """
        return self.query(f"""
            select e.plant_id, coalesce(s.site_id, f.site_id) as site_id,
                   coalesce(s.client_id, f.client_id, 'unknown') as client_id,
                   f.species, f.light, f.pot, e.cause, e.outcome, e.covered,
                   {_on("e.found")} as found_on, {_on("e.replaced")} as replaced_on,
                   e.quantity, e.n_removed, e.exclusion_reason, e.plant_cost, e.labour_minutes, e.source, e.line
            from events e left join follow f on f.plant_id = e.plant_id left join episodes s
              on e.n_removed > 0 and s.plant_id = e.plant_id and s.to_on = {_on("(e.exit_day + 1)")}
            order by e.source desc, e.line, e.plant_id""")

    @cached_property
    def lifetimes(self) -> pd.DataFrame:
        """Survival data of single plants; plants of unknown install date are left out (see account).

        One row per plant (a counted line gives one per plant in it): plant_id, site_id, client_id, species, light,
        pot, planter (as first listed), entry_age, exit_age, seen_age (last seen alive; days since install), event (1
        for a loss), outcome (missing while it lives), cause, installed_on.
        """
        lifetimes = self.query(f"""
            with exits as (
                select plant_id, exit_day, seen_day, outcome, cause, n_removed as n from events where n_removed > 0
            ), in_place as (
                select s.plant_id, s.exit_day, s.exit_day as seen_day, null as outcome, null as cause,
                       s.n_entered - coalesce(sum(x.n), 0) as n
                from spans s left join exits x on x.plant_id = s.plant_id where s.exclusion_reason is null
                group by s.plant_id, s.exit_day, s.n_entered
            )
            select s.plant_id, s.site_id, s.client_id, s.species, s.light, s.pot, s.planter,
                   s.entry_day - s.installed as entry_age, a.exit_day - s.installed as exit_age,
                   greatest(a.seen_day, s.entry_day) - s.installed as seen_age,
                   (coalesce(a.outcome, '') in {LOSSES})::int as event, a.outcome, a.cause,
                   {_on("s.installed")} as installed_on, a.n::int as n
            from (select * from exits union all select * from in_place) a join spans s on s.plant_id = a.plant_id
            where s.exclusion_reason is null and s.installed is not null and a.n > 0
            order by s.plant_id, exit_age, a.outcome""")
        rows = lifetimes.index.repeat(lifetimes["n"])
        return lifetimes.loc[rows].drop(columns="n").reset_index(drop=True)

    @cached_property
    def without_install_date(self) -> pd.DataFrame:
        """Plants followed whose install date is unknown, by client: in all rates, in no lifetime."""
        return self.query("""
            select client_id, sum(n_entered)::bigint as plants from spans
            where exclusion_reason is null and installed is null group by 1 order by 1""")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every plant row and every reported exit.

        One row per table (plants, replacements, removals = removed_on of plants) and fate: table, fate, rows, plants
        (with quantities), first_ids (up to five).
        """
        first_ids = "array_to_string(list_slice(list(plant_id order by plant_id), 1, 5), ', ') as first_ids"
        return self.query(f"""
            select 'plants' as "table", coalesce(exclusion_reason, case when cut_short
                   then 'followed until the records of its site end' else 'followed' end) as fate, count(*) as rows,
                   sum(n_listed)::bigint as plants, {first_ids}
            from spans group by all
            union all
            select case source when 'plants' then 'removals' else source end, coalesce(exclusion_reason, outcome),
                   count(*), sum(case when exclusion_reason is null then n_removed else quantity end)::bigint,
                   {first_ids}
            from events group by all
            order by 1, 2""")

    def censored_at(self, chosen: pd.DataFrame) -> PlantTime:
        """The same plant-time with chosen losses as the end of follow-up and no more, as if taken out alive.

        Parameters
        ----------
        chosen : pandas.DataFrame
            Rows of `losses`: plant_id, source, line and quantity count.

        Returns
        -------
        PlantTime
            Its plant-days and the sum of its exits are those of this one; losses became withdrawn.
        """
        if chosen.empty:
            return self
        engine = self.engine.branch()
        engine.add("ended", chosen[["plant_id", "source", "line"]])
        engine.create(
            "events",
            f"""
            select e.* replace (case when c.line is null then e.outcome else 'withdrawn' end as outcome)
            from {engine.parent}.events e left join ended c
                on c.plant_id = e.plant_id and c.source = e.source and c.line = e.line""",
            view=True,
        )
        taken = ", ".join(
            f"coalesce(sum(e.n_removed) filter (e.outcome = '{name}'), 0)::int as {name}" for name in LOSSES
        )
        fewer = ", ".join(f"s.{name} - coalesce(t.{name}, 0) as {name}" for name in LOSSES)
        of_all = " + ".join(f"coalesce(t.{name}, 0)" for name in LOSSES)
        engine.create(
            "episodes",
            f"""
            select s.* replace ({fewer}, s.losses - ({of_all}) as losses, s.withdrawn + {of_all} as withdrawn)
            from {engine.parent}.episodes s left join (
                select e.plant_id, {_on("(e.exit_day + 1)")} as to_on, {taken}
                from {engine.parent}.events e join ended c
                    on c.plant_id = e.plant_id and c.source = e.source and c.line = e.line
                where e.n_removed > 0 group by all
            ) t on s.plant_id = t.plant_id and s.to_on = t.to_on""",
            view=True,
        )
        return PlantTime(engine, self.steps, self.as_of, self.dated)

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
        return self.engine.sql(sql, parameters or {}, plain=True)


@lru_cache(maxsize=256)
def _rate_table_sql(schema: ibis.Schema, by: tuple[str, ...], count_plants: bool) -> str:
    return sql_of(episodes.rate_table(ibis.table(schema, name="chosen"), list(by), count_plants=count_plants))


@lru_cache(maxsize=64)
def _events_sql(columns: tuple[tuple[str, ibis.Schema], ...], dated: str, cut: int | None, dialect: str) -> str:
    tables = {**unbound(), **{name: ibis.table(schema, name=name) for name, schema in columns}}
    return sql_of(events.events(tables, LAST_DAY if cut is None else cut, dated), dialect)


def _on(day: str) -> str:
    """A day number as a date, in SQL."""
    return f"date '1970-01-01' + {day}::int"
