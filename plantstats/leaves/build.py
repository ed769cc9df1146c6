"""Count intervals made on the engine of plant-time; only frequency tables and lists of plants reach pandas."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import ibis
import numpy as np
import pandas as pd

from plantstats.exposure.engines import Engine, sql_of
from plantstats.exposure.environment import air_before
from plantstats.leaves import intervals
from plantstats.leaves.inputs import AIR_WINDOW, BOUNDS, CONDITIONS, OUTCOMES
from plantstats.leaves.inspections import DAYS, PLANTS, SPECIES_FACTS, STAYS, visit_rows
from plantstats.records.species import species_table

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

# Texts as levels: a tenth of the memory, faster to group, and pandas gets them in their order.
LEVELS = {
    "site_id": "select distinct site_id from places",
    "client_id": "select client_id from sites union select client_id from spans",
    "species": "select distinct species from spans",
    "light": CONDITIONS["light"],
}
WHOLE = (*OUTCOMES, *BOUNDS, "n_rows", "plants", "leaf_count", "days", "plant_days", "age_days", "moved_days")
SUMS = ("n", "sum", "squares")


@dataclass(frozen=True)
class CountIntervals:
    """Leaves lost per time between visits, up to one day.

    Attributes
    ----------
    engine : Engine
        Holds `leaf_visits` (rows of the visit log), `leaf_stays`, `leaf_intervals` (see `intervals.INTERVALS`) and
        `leaf_used` (the intervals that are used).
    as_of : datetime.date
        The last day that counts.
    """

    engine: Engine
    as_of: date

    @cached_property
    def site_sums(self) -> pd.DataFrame:
        """Intervals used, and their leaves, added up by site and combination.

        One row per site_id and combination (its number), sorted; of each outcome n (intervals with a count), sum
        (leaves), squares (sum of squared counts), such as green_n, green_sum, green_squares.
        """
        sums = ", ".join(
            f"count({name})::int as {name}_n, coalesce(sum({name}), 0)::int as {name}_sum, "
            f"coalesce(sum({name}::bigint * {name}), 0)::bigint as {name}_squares"
            for name in OUTCOMES
        )
        return self.sql(f"select site_id, combination, {sums} from leaf_used group by 1, 2 order by 1, 2")

    @cached_property
    def frequency_table(self) -> pd.DataFrame:
        """All that the models need of the intervals.

        One row per combination of species, conditions, month, rh and plant_days (of one interval): as
        `intervals.conditions`, and the sums of `site_sums`. Keeps intervals used, and their leaves.
        """
        row, combination = pd.factorize(self.site_sums["combination"], sort=True)
        names = [f"{outcome}_{part}" for outcome in OUTCOMES for part in SUMS]
        sums = {name: np.bincount(row, self.site_sums[name], len(combination)) for name in names}
        counts = {f"{outcome}_n": sums[f"{outcome}_n"].astype("int64") for outcome in OUTCOMES}
        return intervals.conditions(combination, self.species).assign(**sums | counts)

    @cached_property
    def species(self) -> pd.DataFrame:
        """Species and species_group of the plants, in the order of their numbers."""
        return self.sql("""
            select distinct species_number, species::varchar as species, species_group from leaf_stays
            where species is not null order by 1""")

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
        known = self.site_sums[self.site_sums[f"{outcome}_n"] > 0]
        columns = {"site_id": "cluster", f"{outcome}_n": "n", f"{outcome}_sum": "sum"}
        sums = known[list(columns)].rename(columns=columns)
        sums["row"] = row_of.reindex(known["combination"]).to_numpy()
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
                  on v.plant = i.plant_id and v.exclusion_reason is null
                 and i.to_on = date '1970-01-01' + (v."at" + 1)
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
            select u.* from main.leaf_used u anti join shaken s
              on s.site_id = u.site_id::varchar and u.from_on <= s.to_on and u.to_on > s.from_on""",
            view=True,
        )
        return CountIntervals(engine, self.as_of)


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
    engine.add("species_facts", species_table().rename(columns=SPECIES_FACTS)[list(SPECIES_FACTS.values())])
    engine.create("leaf_plants", PLANTS, levels={"plant_id": "select plant_id from spans"})
    engine.create("leaf_stays", STAYS, levels=LEVELS)
    engine.create("leaf_visits", visit_rows(time.as_of), view=True)
    engine.create("leaf_days", DAYS, view=True)
    air = air_before(
        ibis.table(time.steps["site_day_air"].schema(), name="site_day_air"),
        ibis.table({"site_id": "string", "at": "int64"}, name="leaf_days"),
        window=AIR_WINDOW,
        each_day_once=True,
        require_both_halves=True,
    )
    engine.create("leaf_air", sql_of(air.rename(ends="at"), engine.dialect), view=True, dialect=engine.dialect)
    engine.create("leaf_air_levels", intervals.AIR, narrow=["ends", "rh", "warmth"])
    engine.create("leaf_intervals", intervals.INTERVALS, narrow=WHOLE)
    engine.create("leaf_used", "select * from leaf_intervals where exclusion_reason is null", view=True)
    return CountIntervals(engine, time.as_of)
