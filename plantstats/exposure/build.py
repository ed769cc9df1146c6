"""Plant-time made from records on an engine, or from plant-time at hand."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from datetime import date, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import ibis
import pandas as pd

from plantstats import periods
from plantstats.exposure import episodes
from plantstats.exposure.engines import LAST_DAY, Engine, connect, sql_of
from plantstats.exposure.engines.base import Levels
from plantstats.exposure.inputs import AGE_CUTS, LONG, READS, SINCE_BANDS, age_bands
from plantstats.exposure.plant_time import PlantTime
from plantstats.exposure.visits import COMPLETED

if TYPE_CHECKING:
    from plantstats.records import Records

# Steps that stay views: they are read once, or only in part.
VIEWS = ("inspections", "completed_visits")
# Once a step is made, these are read no more.
DONE_WITH = {"segments": ("cuts",), "episodes": ("segments", "site_air")}
# What leads to the episodes and to nothing else.
OF_EPISODES = ("cuts", "segments", "site_air", "episodes")
OWN = ("follow", "events", "spans")  # what hangs on how losses are dated, and on who is followed when
# What hangs on no last day; of an earlier day some are the rows up to it, and others, read in part, stay views.
OF_ALL_DAYS, UP_TO, IN_PART = ("listed", "reported"), ("ordered_moves", "site_day_air"), (*VIEWS, "places", "stays")
KEPT = 3  # plant-times of one set of records that are kept for whoever asks for the same again, the newest


def _values(levels: Iterable[str]) -> str:
    """A query for levels."""
    return "values " + ", ".join(f"('{level}')" for level in levels)


# Labels of segments, kept as numbers into a list (a tenth of the memory of text, faster to group), and where the list
# of values comes from; of the air of sites, in the same numbers.
LABELLED = ("segments", "site_air")
LABELS = {
    "plant_id": "select plant_id from spans",
    "site_id": "select site_id from places union select site_id from sites",  # no plants, but readings
    "client_id": "select client_id from sites union select client_id from spans union select 'unknown'",
    "species": "select species from spans",
    "light": "select light from places union select 'unknown'",
    "pot": "select pot from spans",
    "planter": "select planter from spans",
    "repotted": _values(SINCE_BANDS),
    "moved": _values(SINCE_BANDS),
}
LABELS_AS_BEFORE = dict.fromkeys((*LABELS, "age_band"))


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
        last, after = (plan.as_of - date(1970, 1, 1)).days, f"date '{plan.as_of + timedelta(days=1)}'"
        for name in UP_TO:
            engine.create(name, f'select * from {engine.parent}.{name} where "at" <= {last}', view=True)
        left = [name for name in script if name not in (*OF_ALL_DAYS, *UP_TO, "spans", *OF_EPISODES)]
        _make(engine, steps, script, left, IN_PART)
        episodes = f"select * from {engine.parent}.episodes where to_on <= {after}"
        named = _named_since(engine, last)
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


def _named_since(engine: Engine, last: int) -> bool:
    """Whether plants of unknown age enter earlier than in the plant-time branched from, as no visit named them yet."""
    named = engine.sql(
        f"""select f.plant_id from follow f join {engine.parent}.follow w on w.plant_id = f.plant_id
        where w.entry_day > f.entry_day and f.entry_day <= {last}""",
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


def _unknown_follow_up(set_aside: pd.DataFrame) -> pd.Series:
    """Plants of whom nobody can say how many there are or whether they live, because a row or cell was unreadable."""
    end_unknown = set_aside["table"].eq("replacements") & set_aside["scope"].eq("row")
    number_unknown = set_aside["table"].isin(["plants", "replacements"]) & set_aside["column"].eq("quantity")
    removal_unknown = set_aside["table"].eq("plants") & set_aside["column"].eq("removed_on")
    return set_aside.loc[end_unknown | number_unknown | removal_unknown, "plant_id"].dropna()
