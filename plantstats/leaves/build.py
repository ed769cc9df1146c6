"""Count intervals made on the engine of plant-time; only frequency tables and lists of plants reach pandas."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import ibis
import pandas as pd

from plantstats.exposure.engines import LAST_DAY, Engine, sql_of
from plantstats.leaves import intervals
from plantstats.leaves.inputs import CONDITIONS, KEY, OUTCOMES
from plantstats.records.species import species_table

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

VIEWS = ("leaf_visits", "leaf_inspections")  # read once
DONE_WITH = ("leaf_between",)  # read no more once there are intervals
# Conditions that a combination holds, and an interval no more: nobody asks for them but by combination.
IN_COMBINATIONS = (*(name for name in CONDITIONS if name != "light"), "species_group", "month", "rh")
# Texts as levels: a tenth of the memory, faster to group, and pandas gets them in their order.
LEVELS = {
    "site_id": "select distinct site_id from leaf_places",
    "species": "select distinct species from spans",
    "species_group": """select distinct coalesce(f.species_group, split_part(s.species, ' ', 1))
        from spans s left join species_facts f on f.species = s.species where s.species is not null""",
    **CONDITIONS,
}


@dataclass(frozen=True)
class CountIntervals:
    """Leaves lost per time between visits, up to one day.

    Attributes
    ----------
    engine : Engine
        Holds the steps of `intervals.plan`, `leaf_combinations` (one row per combination of conditions) and
        `leaf_used` (the intervals that are used, each with its combination instead of `IN_COMBINATIONS`).
    steps : dict of str to ibis table
        The expressions behind them.
    as_of : datetime.date
        The last day that counts.
    """

    engine: Engine
    steps: dict[str, ibis.Table]
    as_of: date

    @cached_property
    def frequency_table(self) -> pd.DataFrame:
        """All that the models need of the intervals.

        One row per combination of species, conditions, month, rh and plant_days (of one interval): combination (its
        number), species_group, the `KEY`, and of each outcome n (intervals with a count), sum (leaves), squares (sum of
        squared counts), such as green_n, green_sum, green_squares. Keeps intervals used, and their leaves.
        """
        sums = ", ".join(
            f"count({name})::bigint as {name}_n, coalesce(sum({name}), 0)::double as {name}_sum, "
            f"coalesce(sum({name} * {name}), 0)::double as {name}_squares"
            for name in OUTCOMES
        )
        names = ", ".join(f"{name}_{of}" for name in OUTCOMES for of in ("n", "sum", "squares"))
        return self.sql(f"""
            with sums as (select combination, {sums} from leaf_used group by 1)
            select combination, species_group, {", ".join(KEY)}, {names}
            from sums join leaf_combinations using (combination) order by combination""")

    def frequencies(self, outcome: str) -> pd.DataFrame:
        """Frequency of each count.

        Parameters
        ----------
        outcome : str
            "green" or "yellow".

        Returns
        -------
        pandas.DataFrame
            count, n.
        """
        return self.sql(f"""
            select {outcome} as count, count(*)::bigint as n from leaf_used
            where {outcome} is not null group by 1 order by 1""")

    def sums_by(
        self, group: str, outcome: str, start: date | None = None, end: date | None = None, client: str = ""
    ) -> pd.DataFrame:
        """Intervals added up by a group and combination.

        Parameters
        ----------
        group : str
            A column of the intervals, such as site_id or plant_id.
        outcome : str
            A column of leaves: "green" leaves words out, "green_lower" takes them for the least that they may mean.
        start, end : datetime.date, optional
            Only intervals that ended in [start, end).
        client : str
            One client's plants only, or "" for all.

        Returns
        -------
        pandas.DataFrame
            One row per group and combination: the group, combination, n (intervals with a count), sum (leaves),
            plant_days.
        """
        where = [f"{outcome} is not null"]
        parameters: list[object] = []
        for value, test in ((start, "to_on > ?"), (end, "to_on <= ?"), (client or None, "client_id = ?")):
            if value is not None:
                where.append(test)
                parameters.append(value)
        return self.sql(
            f"""
            select {group}, combination, count(*)::bigint as n, sum({outcome})::double as sum,
                   sum(plant_days)::double as plant_days
            from leaf_used where {" and ".join(where)} group by 1, 2 order by 1, 2""",
            parameters,
        )

    def sums_by_site(self, outcome: str, row_of: pd.Series) -> pd.DataFrame:
        """Intervals with a count in numbers, added up by site and row of a fit.

        Parameters
        ----------
        outcome : str
            "green" or "yellow".
        row_of : pandas.Series
            Row of the fit that each combination is in, by combination; those in none are left out.

        Returns
        -------
        pandas.DataFrame
            cluster (the site), row, n, sum (leaves).
        """
        sums = self.sql(f"""
            select site_id as cluster, combination, count(*)::bigint as n, sum({outcome})::double as sum
            from leaf_used where {outcome} is not null group by 1, 2 order by 1, 2""")
        sums["row"] = row_of.reindex(sums.pop("combination")).to_numpy()
        return sums.dropna(subset="row")

    def censored(self, outcome: str) -> pd.DataFrame:
        """Counts known between two numbers only.

        Parameters
        ----------
        outcome : str
            "green" or "yellow".

        Returns
        -------
        pandas.DataFrame
            site, combination, lower, upper, n (intervals).
        """
        return self.sql(f"""
            select site_id::varchar as site, combination, {outcome}_lower as lower, {outcome}_upper as upper,
                   count(*)::bigint as n
            from leaf_used where {outcome} is null and {outcome}_lower is not null group by all order by all""")

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every visit row.

        One row per fate: fate, rows, leaves (dropped, as written), first_ids (up to five plants); rows add up to the
        visits.
        """
        # Of two lines of one day the one with more leaves is the one used.
        return self.sql(f"""
            with marked as (
                select plant_id, to_on, exclusion_reason from leaf_intervals
                where exclusion_reason is not null or n_rows > 1
            ), sums as (
                select v.plant_id, coalesce(v.exclusion_reason, i.exclusion_reason) as reason,
                       case when i.exclusion_reason is null then i.to_on end as shared_on,
                       count(*) as n, sum(v.leaves_dropped) as leaves, max(v.leaves_dropped) as most
                from leaf_visits v left join marked i
                  on v.plant_id = i.plant_id and v.exclusion_reason is null
                 and i.to_on = date '1970-01-01' + (v.at + 1)::int
                group by 1, 2, 3
            ), fates as (
                select coalesce(reason, '{intervals.USED}') as fate, plant_id,
                       case when shared_on is null then n else 1 end as n,
                       case when shared_on is null then leaves else most end as leaves from sums
                union all
                select '{intervals.JOINED}', plant_id, n - 1, leaves - most from sums where shared_on is not null
            )
            select fate, sum(n)::bigint as rows, coalesce(sum(leaves), 0)::bigint as leaves,
                   array_to_string(list_slice(list_sort(list_distinct(list(plant_id))), 1, 5), ', ') as first_ids
            from fates group by 1
            order by fate <> '{intervals.USED}', fate <> '{intervals.JOINED}', rows desc, fate""")

    def sql(self, query: str, parameters: list[object] | None = None) -> pd.DataFrame:
        """Rows of a query on the engine, in the project's types.

        Parameters
        ----------
        query : str
            SQL.
        parameters : list of object, optional
            Values for the query's placeholders.

        Returns
        -------
        pandas.DataFrame
        """
        frame = self.engine.sql(query, parameters or [])
        for column in frame.select_dtypes("datetime"):
            frame[column] = frame[column].astype("datetime64[us]")
        return frame

    def outside(self, events: pd.DataFrame) -> CountIntervals:
        """The same intervals without those that common-cause events may have shaken.

        Parameters
        ----------
        events : pandas.DataFrame
            site_id, from_on and to_on (first and last day), as `CommonCause.shaken`.

        Returns
        -------
        CountIntervals
            Combinations keep their numbers; the account is that of all.
        """
        if events.empty:
            return self
        engine = self.engine.branch()
        engine.add("shaken", events[["site_id", "from_on", "to_on"]])
        engine.create(
            "leaf_used",
            """
            select u.* from main.leaf_used u where not exists (
                select 1 from shaken s
                where s.site_id = u.site_id::varchar and u.from_on <= s.to_on and u.to_on > s.from_on)""",
            view=True,
        )
        return CountIntervals(engine, self.steps, self.as_of)


def build(time: PlantTime) -> CountIntervals:
    """Make count intervals beside the plant-time of the same records.

    Parameters
    ----------
    time : PlantTime
        Its as_of holds here too.

    Returns
    -------
    CountIntervals

    Notes
    -----
    Visit rows = used + excluded by reason (see `CountIntervals.account`).

    Examples
    --------
    >>> from plantstats import exposure, leaves, records
    >>> time = exposure.build(records.load(folder), as_of=date(2026, 9, 30))  # doctest: +SKIP
    >>> leaves.build(time).account.head(3)  # doctest: +SKIP
    """
    engine = time.engine
    facts = species_table().rename(columns={"name": "species", "group": "species_group", "leaning": "leans"})
    engine.add("species_facts", facts[list(intervals.SPECIES_FACTS)])
    cut = engine.cut(time.as_of)
    steps = intervals.plan(time.steps, LAST_DAY if cut is None else cut)
    for name, step in steps.items():
        query = sql_of(step, engine.dialect)
        if name == "leaf_intervals":
            engine.create("leaf_rows", query, view=True, dialect=engine.dialect)
            # DuckDB makes a time stamp of a date plus an interval.
            query = "select * replace (from_on::date as from_on, to_on::date as to_on) from leaf_rows"
            engine.create(name, query, levels=LEVELS)
        else:
            engine.create(name, query, view=name in VIEWS, dialect=engine.dialect)
    for name in DONE_WITH:
        engine.drop(name)
    key, same = ", ".join(KEY), " and ".join(f"c.{name} = i.{name}" for name in KEY)
    in_order = ", ".join(engine.in_order(name, CONDITIONS[name]) if name in CONDITIONS else name for name in KEY)
    engine.create(
        "leaf_combinations",
        f"""
        select row_number() over (order by {in_order}) - 1 as combination, any_value(species_group) as species_group,
               {key}
        from leaf_intervals where exclusion_reason is null group by {key}""",
    )
    kept = ", ".join(f"i.{name}" for name in steps["leaf_intervals"].columns if name not in IN_COMBINATIONS)
    engine.create(
        "leaf_intervals", f"select {kept}, c.combination from leaf_intervals i left join leaf_combinations c on {same}"
    )
    engine.create("leaf_used", "select * from leaf_intervals where exclusion_reason is null", view=True)
    return CountIntervals(engine, steps, time.as_of)
