"""Dry-downs made from records on an engine; only distinct rows with their counts reach pandas."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import periods
from plantstats.exposure import READS
from plantstats.exposure.engines import LAST_DAY, Engine, connect, sql_of
from plantstats.exposure.engines.base import Levels
from plantstats.watering import dry_downs

if TYPE_CHECKING:
    from plantstats.records import Records

VIEWS = ("inspections", "completed_visits", "lines", "notes", "bounds", "waterings")
# What dry-downs of an earlier day make anew: what tells whether days of the later ones are theirs, and, of those that
# were open then, what follows.
OF_NOTES = ("ordered_moves", "places", "stays", "completed_visits", "technicians", "interruptions")
OF_DAYS = ("bounds", "waterings", "dry_downs")
# Columns of dry-downs with few values, kept as numbers into a list, and where the list comes from.
LEVELS = {
    "site_id": "select site_id from places",
    "light": "select light from places union select 'unknown'",
    **{label: f"select {label} from follow" for label in ("species", "pot", "planter")},
    "method": sorted(dry_downs.METHODS),
}
KEPT = "dry-downs"  # of one set of records the latest, kept for who asks for an earlier day


@dataclass(frozen=True)
class DryDowns:
    """Dry-downs of one set of records, up to one day.

    Attributes
    ----------
    engine : Engine
        With the steps of `dry_downs.plan` as tables and views.
    as_of : datetime.date
        The last day that counts.
    """

    engine: Engine
    as_of: date

    def distinct(self, by: tuple[str, ...] = ("plant_id", "site_id")) -> pd.DataFrame:
        """Distinct dry-downs with their number.

        Parameters
        ----------
        by : tuple of str
            What is kept apart: plants, for what each is by itself; sites, for intervals that allow for them.

        Returns
        -------
        pandas.DataFrame
            One row per distinct dry-down: columns of `by`, method, species, light, pot, planter, heating, n_moist,
            previous, lower, upper (days; upper missing: not found dry), n (dry-downs). The sum of n is their number.
        """
        columns = ", ".join([*by, *dry_downs.DISTINCT, "upper::double as upper"])
        return self.sql(
            f"select {columns}, count(*) as n from dry_downs where exclusion_reason is null group by all order by all"
        )

    @cached_property
    def account(self) -> pd.DataFrame:
        """What became of every watering, and of lines that name no plant.

        Returns
        -------
        pandas.DataFrame
            One row per fate: fate, rows. Waterings = dry-downs used + excluded by reason; lines for a whole site stand
            beside them: they start no dry-down.
        """
        return self.sql("""
            select 1 as place, 'watering: spell used, ' || case when upper is null then 'not found dry before its end'
                when lower = 0 then 'dry at the first look' else 'dry between two looks' end as fate, count(*) as rows
            from dry_downs where exclusion_reason is null group by all
            union all select 2, 'watering: ' || exclusion_reason, count(*) from dry_downs
                where exclusion_reason is not null group by all
            union all select 3, 'line for a whole site (starts no spell)', count(*) from visits
                where plant_id is null having count(*) > 0
            order by 1, 2""").drop(columns="place")

    def sql(self, query: str, parameters: list[object] | None = None) -> pd.DataFrame:
        """Ask the engine.

        Parameters
        ----------
        query : str
            SQL.
        parameters : list of object, optional
            Values for the query's placeholders.

        Returns
        -------
        pandas.DataFrame
            In plain types.
        """
        return self.engine.sql(query, parameters or [], plain=True)


def build(records: Records, as_of: date) -> DryDowns:
    """Make dry-downs from records.

    Parameters
    ----------
    records : Records
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    DryDowns
        Waterings noted for a plant = dry-downs used + excluded by reason.
    """
    kept = getattr(records, "shared", {})
    months = periods.heating_months(records.settings.heating_season)
    if KEPT in kept and (earlier := _cut_from(kept[KEPT], as_of, months)):
        return earlier
    engine = connect(records)
    for name in READS.keys() - {"unknown_follow_up"}:
        engine.read(name, records.parquet(name))
    script = _script(engine.cut(as_of), engine.dialect, months)
    _make(engine, script, script, LEVELS)
    done = DryDowns(engine, as_of)
    if KEPT not in kept or as_of > kept[KEPT].as_of:
        kept[KEPT] = done
    return done


def _cut_from(later: DryDowns, as_of: date, months: tuple[int, ...]) -> DryDowns | None:
    """Dry-downs of an earlier day from later ones: what a day says rests on no later one.

    None where they are not later, or where what was noted since changes what notes of then are worth: other technicians
    left out, or a plant moved to a site that was watered as a whole.
    """
    if as_of >= later.as_of:
        return later if as_of == later.as_of else None
    engine = later.engine.branch()
    script = _script(engine.cut(as_of), engine.dialect, months)
    _make(engine, script, OF_NOTES, LEVELS)
    cut = (as_of - date(1970, 1, 1)).days
    until = f'where "at" <= {cut}'
    left_out = (f"select technician from {of}technicians order by 1" for of in ("", f"{engine.parent}."))
    cut_short = (f"select count(*) from {of}" for of in ("interruptions", f"{engine.parent}.interruptions {until}"))
    for own, whole in (left_out, cut_short):
        if not engine.sql(own).equals(engine.sql(whole)):
            return None
    begun = f"select * from {engine.parent}.dry_downs {until}"
    engine.create(
        "days",
        f"""select d.* from {engine.parent}.days d join ({begun} and ended > {cut}) o
            on o.plant_id = d.plant_id and d."at" >= o."at" where d."at" <= {cut}""",
    )
    _make(engine, script, OF_DAYS, dict.fromkeys(LEVELS))
    engine.create("dry_downs", f'{begun} and coalesce(ended, "at") <= {cut} union all select * from dry_downs')
    engine.drop("days")
    known = ", ".join(f"case when next <= {cut} then {c} end as {c}" for c in ("next", "next_dead", "next_dry"))
    engine.create("days", f"select * replace ({known}) from {engine.parent}.days {until}", view=True)
    return DryDowns(engine, as_of)


def _make(engine: Engine, script: Mapping[str, str], steps: Iterable[str], levels: Levels) -> None:
    for name in steps:
        of_step = levels if name == "dry_downs" else None
        engine.create(name, script[name], view=name in VIEWS, levels=of_step, dialect=engine.dialect)


@lru_cache(maxsize=8)
def _script(cut: int | None, dialect: str, heating_months: tuple[int, ...]) -> dict[str, str]:
    """The chain as SQL; it depends on nothing else, and compiling it takes a second."""
    steps = dry_downs.plan(LAST_DAY if cut is None else cut, heating_months)
    return {name: sql_of(step, dialect) for name, step in steps.items()}
