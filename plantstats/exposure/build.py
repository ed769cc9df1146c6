"""Plant-time made from records on an engine; only rate tables and lists of exits reach pandas."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import ibis
import pandas as pd

from plantstats import periods
from plantstats.exposure import episodes, events
from plantstats.exposure.engines import LAST_DAY, Engine, connect, sql_of
from plantstats.exposure.engines.base import Levels
from plantstats.exposure.inputs import AGE_CUTS, LONG, READS, SINCE_BANDS, age_bands, unbound
from plantstats.exposure.visits import COMPLETED
from plantstats.schema.causes import LOSSES

if TYPE_CHECKING:
    from plantstats.records import Records

# Steps that stay views: they are read once, or only in part.
VIEWS = ("inspections", "completed_visits")
# Once a step is made, these are read no more.
DONE_WITH = {"spells": ("cuts",), "episodes": ("spells", "site_air")}
# What leads to the episodes and to nothing else.
OF_EPISODES = ("cuts", "spells", "site_air", "episodes")
OWN = ("follow", "events", "spans")  # what hangs on how losses are dated, and on who is followed when
# What hangs on no last day; of an earlier day some are the rows up to it, and others, read in part, stay views.
OF_ALL_DAYS, UP_TO, IN_PART = ("listed", "reported"), ("ordered_moves", "site_day_air"), (*VIEWS, "places", "stays")
MANY_ROWS = 300_000  # of a table that is not kept for who asks for it again
KEPT = 3  # plant-times of one set of records that are kept for whoever asks for the same again, the newest


def _values(levels: Iterable[str]) -> str:
    """A query for levels."""
    return "values " + ", ".join(f"('{level}')" for level in levels)


# Labels of spells, kept as numbers into a list (a tenth of the memory of text, faster to group), and where the list of
# values comes from; of the air of sites, in the same numbers.
LABELLED = ("spells", "site_air")
LABELS = {
    "plant_id": "select plant_id from spans",
    "site_id": "select site_id from places",
    "client_id": "select client_id from sites union select client_id from spans union select 'unknown'",
    "species": "select species from spans",
    "light": "select light from places union select 'unknown'",
    "pot": "select pot from spans",
    "planter": "select planter from spans",
    "repotted": _values(SINCE_BANDS),
    "moved": _values(SINCE_BANDS),
}
LABELS_AS_BEFORE = dict.fromkeys((*LABELS, "age_band"))


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
        return self._sql(f"""
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
        return self._sql(f"""
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
        return self._sql(f"""
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
        lifetimes = self._sql(f"""
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
        return self._sql("""
            select client_id, sum(n_entered)::bigint as plants from spans
            where exclusion_reason is null and installed is null group by 1 order by 1""")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every plant row and every reported exit.

        One row per table (plants, replacements, removals = removed_on of plants) and fate: table, fate, rows, plants
        (with quantities), first_ids (up to five).
        """
        first_ids = "array_to_string(list_slice(list(plant_id order by plant_id), 1, 5), ', ') as first_ids"
        return self._sql(f"""
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
        return self._sql(sql, parameters)

    def _sql(self, query: str, parameters: Mapping[str, object] | None = None) -> pd.DataFrame:
        return self.engine.sql(query, parameters or {}, plain=True)


def build(
    records: Records,
    as_of: date,
    dated: str = "found",
    age_cuts: tuple[int, ...] = AGE_CUTS,
    *,
    follow_between_inspections: bool = False,
) -> PlantTime:
    """Make plant-time from records.

    Parameters
    ----------
    records : plantstats.records.Records
    as_of : datetime.date
        The last day that counts: nothing recorded later is looked at.
    dated : {"found", "midpoint"}
        The day on which a loss was noticed (accounts), or half-way between last seen alive and noticed (rates by
        season and age).
    age_cuts : tuple of int
        Days since installation, each closing its band.
    follow_between_inspections : bool
        Whether plants older than the records count from their first inspection on, and those in place to their last.

    Returns
    -------
    PlantTime

    Notes
    -----
    Plant rows = followed + excluded by reason; reported exits likewise. The same records asked for the same again give
    the same plant-time, kept in memory.
    """
    months = tuple(sorted(periods.heating_months(records.settings.heating_season)))
    plan = _Plan(as_of, dated, months, age_cuts, follow_between_inspections)
    key = ("plant-time", plan)
    earlier = getattr(records, "shared", {})
    time: PlantTime | None = earlier.pop(key, None)
    if time is None and (dated != "found" or follow_between_inspections):
        time = _beside(build(records, as_of, age_cuts=age_cuts), plan)
    elif time is None:
        time = _cut_from(earlier, plan) or _build(records, plan)
    earlier[key] = time
    for old in [other for other in earlier if other[0] == key[0]][:-KEPT]:
        del earlier[old]
    return time


class _Plan(NamedTuple):
    """What plant-time is asked for."""

    as_of: date
    dated: str
    months: tuple[int, ...]
    age_cuts: tuple[int, ...]
    follow_between_inspections: bool

    def steps(self, engine: Engine) -> tuple[dict[str, ibis.Table], dict[str, str]]:
        """The steps, and the same as texts for an engine."""
        return chain(engine.cut(self.as_of), engine.dialect, *self[1:])


def _build(records: Records, plan: _Plan) -> PlantTime:
    unknown_follow_up = _unknown_follow_up(records.set_aside)
    engine = connect(records)
    for name in READS:
        if name == "unknown_follow_up":
            engine.add("unknown_follow_up_ids", unknown_follow_up.to_frame("plant_id").astype("str"))
            # An id that stays with the place stands for several plants, P1#1 and so on: doubt falls on all of them.
            engine.create(
                name,
                """select p.plant_id from plants p join unknown_follow_up_ids u on u.plant_id = p.plant_id
                union select p.plant_id from plants p join unknown_follow_up_ids u
                    on u.plant_id = regexp_replace(p.plant_id, '#[0-9]+$', '')""",
            )
        else:
            engine.read(name, records.parquet(name))
    steps, script = plan.steps(engine)
    _make(engine, steps, script, script, labels={**LABELS, "age_band": _values(age_bands(plan.age_cuts))})
    return PlantTime(engine, steps, plan.as_of, plan.dated)


def _beside(same_day: PlantTime, plan: _Plan) -> PlantTime:
    """Plant-time up to the same day, with what hangs on no choice of the plan from one at hand."""
    engine = same_day.engine.branch()
    steps, script = plan.steps(engine)
    _make(engine, steps, script, (*OWN, *OF_EPISODES))
    return PlantTime(engine, steps, plan.as_of, plan.dated)


def _make(
    engine: Engine,
    steps: dict[str, ibis.Table],
    script: Mapping[str, str],
    names: Iterable[str],
    views: Container[str] = VIEWS,
    labels: Levels = LABELS_AS_BEFORE,
) -> None:
    """Steps as views, or as tables of narrow numbers."""
    for name in names:
        view = name in views
        whole = [] if view else [column for column, type_ in steps[name].schema().items() if type_.is_integer()]
        levels = {column: labels[column] for column in labels if name in LABELLED and column in steps[name].columns}
        engine.create(name, script[name], view=view, levels=levels, narrow=whole, dialect=engine.dialect)
        for earlier in DONE_WITH.get(name, ()):
            engine.drop(earlier)


def _cut_from(kept: dict[Any, Any], plan: _Plan) -> PlantTime | None:
    """Plant-time from a later one at hand: its own events and spans, of the other the episodes that had ended.

    None where there is none.
    """
    for key, whole in list(kept.items()):
        alike = key[0] == "plant-time" and key[1] == plan._replace(as_of=key[1].as_of)
        if not alike or not whole.tells_of(plan.as_of):
            continue
        engine = whole.engine.branch()
        steps, script = plan.steps(engine)
        after = f"date '{plan.as_of + timedelta(days=1)}'"
        for name in UP_TO:
            rows = f"""select * from {engine.parent}.{name} where {_on('"at"')} < {after}"""
            engine.create(name, rows, view=True)
        left = [name for name in script if name not in (*OF_ALL_DAYS, *UP_TO, "spans", *OF_EPISODES)]
        _make(engine, steps, script, left, IN_PART)
        episodes = f"select * from {engine.parent}.episodes where to_on <= {after}"
        named = _named_since(engine, after)
        if named:
            of_them = f"select * from ({script['spans']}) where plant_id in (select plant_id from named_since)"
            _make(engine, steps, {**script, "spans": of_them}, ("spans", *OF_EPISODES))
            engine.create("episodes_of_named", "select * from episodes")
            engine.drop("episodes")
            episodes += " union all select * from episodes_of_named"
        _make(engine, steps, script, ("spans",))
        engine.create("episodes", episodes, view=True)
        kept[key] = kept.pop(key)  # asked for: the newest again
        return PlantTime(engine, steps, plan.as_of, plan.dated, None if named else whole)
    return None


def _named_since(engine: Engine, after: str) -> bool:
    """Whether plants of unknown age enter earlier than in the plant-time branched from, as no visit named them yet."""
    named = engine.sql(
        f"""select f.plant_id from follow f join {engine.parent}.follow w on w.plant_id = f.plant_id
        where w.entry_day > f.entry_day and {_on("f.entry_day")} < {after}""",
        plain=True,
    )
    if len(named):
        engine.add("named_since", named)
    return len(named) > 0


def last_day(records: Records) -> date | None:
    """Last day on which the records still run: of completed visits and replacements.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.

    Returns
    -------
    date or None
        None for records without either.

    Notes
    -----
    A day that stands more than LONG days (a quarter) after the one before it is taken for a typing error, unless all
    of them do.
    """
    engine = connect(records)
    for name in ("visits", "replacements"):
        engine.read(name, records.parquet(name))
    days = engine.sql(
        f"""select visited_on as "on" from visits
        where coalesce(status, '{COMPLETED}') = '{COMPLETED}' and visited_on is not null
        union select replaced_on from replacements where replaced_on is not null order by 1"""
    )["on"]
    if days.empty:
        return None
    near = days.diff().dt.days.le(LONG)
    return pd.Timestamp(days[near].iloc[-1] if near.any() else days.iloc[-1]).date()


@lru_cache(maxsize=64)
def chain(
    cut: int | None,
    dialect: str,
    dated: str,
    months: tuple[int, ...],
    age_cuts: tuple[int, ...],
    follow_between_inspections: bool,
) -> tuple[dict[str, ibis.Table], dict[str, str]]:
    """The steps of `episodes.plan`, and the same as SQL.

    Parameters
    ----------
    cut : int or None
        The last day that counts, in days since 1970; None where the engine holds it.
    dialect : str
        Of the engine.
    dated : {"found", "midpoint"}
    months : tuple of int
        Of the heating season.
    age_cuts : tuple of int
    follow_between_inspections : bool
        As in `build`.

    Returns
    -------
    steps, texts : dict of str to ibis table, dict of str to str
        By name, in the order in which they are made.
    """
    known: tuple[dict[str, ibis.Table], dict[str, str]] = {}, {}
    own: tuple[str, ...] = ()
    if dated != "found" or follow_between_inspections:
        known, own = chain(cut, dialect, "found", months, age_cuts, False), OWN
    elif months:
        known, own = chain(cut, dialect, "found", (), age_cuts, False), ("episodes",)
    # What neither hangs on is neither made nor put into words again.
    alike, texts = ({name: of[name] for name in of if name not in own} for of in known)
    as_of = LAST_DAY if cut is None else cut
    steps = episodes.plan(
        as_of, dated, months, age_cuts, follow_between_inspections=follow_between_inspections, alike=alike
    )
    return steps, {name: texts[name] if name in texts else sql_of(step, dialect) for name, step in steps.items()}


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


def _unknown_follow_up(set_aside: pd.DataFrame) -> pd.Series:
    """Plants of whom nobody can say how many there are or whether they live, because a row or cell was unreadable."""
    end_unknown = set_aside["table"].eq("replacements") & set_aside["scope"].eq("row")
    number_unknown = set_aside["table"].isin(["plants", "replacements"]) & set_aside["column"].eq("quantity")
    removal_unknown = set_aside["table"].eq("plants") & set_aside["column"].eq("removed_on")
    return set_aside.loc[end_unknown | number_unknown | removal_unknown, "plant_id"].dropna()
