"""Ids that stay with the place: where a tag is used again for the successor, each installation becomes a plant.

A firm that tags the place writes one id for all plants that stood there, in one row of the plant list or in several.
Its replacements tell one life from the next: the life of a plant ends with the day of its replacement, and what
happens after that day belongs to its successor. Here such an id becomes one id a life, `P1#1`, `P1#2`..., in all
tables, so that everything after the records sees one row per plant.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records import keys
from plantstats.schema.tables import TABLES
from plantstats.writing import whole_file

# Both: so many ids that were seen again after their replacement, and this share of those that could have been (rule
# of thumb: a slip of the hand is rare, a way of tagging is not).
FEWEST_IDS, SHARE = 3, 0.5
SEEN_AGAIN_WITHIN = 60  # days in which a plant in care is visited (rule of thumb)
# A successor with an id of its own came to the place around the replacement (days before, days after; rule of thumb).
SUCCESSOR = (14, 120)
LISTED_LATE = 3  # days by which an installation may be dated before the replacement that it belongs to
# Replacements after which the place stays empty, unless something is noted there later.
EMPTY_AFTER = ("lease_end", "removed")
RULES = {
    "auto": "these ids name places, or were visited, replaced or installed again after a replacement while no plant of "
    "another id came",
    "place": "so the settings say (plant_ids = 'place')",
}

# What a line of the visit log notes only of a plant that is there and alive.
ALIVE = """(coalesce(v.condition, 5) > 1 and (v.condition is not null or v.topsoil is not null
    or coalesce(v.watered, false) or coalesce(v.litres > 0, false)))"""
# One row per id of a single plant that was replaced: what tells whether its tag was used again.
EVIDENCE = f"""
    with ends as (
        select r.plant_id, r.replaced_on, any_value(r.replaced_by) as replaced_by from replacements r
        where r.replaced_on is not null
            and r.plant_id in (select plant_id from plants group by 1 having max(coalesce(quantity, 1)) = 1)
        group by 1, 2
    ), first as (
        select plant_id, min(replaced_on) as first_on, count(*) as n from ends group by 1
    ), seen as (
        select f.plant_id, count(distinct v.visited_on) as days from first f join visits v
            on v.plant_id = f.plant_id and v.visited_on > f.first_on
        where {ALIVE} group by 1
    ), own as (
        select e.plant_id from ends e join plants q on q.plant_id = e.replaced_by where q.plant_id <> e.plant_id
        union
        select e.plant_id from ends e join plants p on p.plant_id = e.plant_id
        join plants q on q.site_id = p.site_id and q.position = p.position
        where q.plant_id <> p.plant_id
            and q.installed_on between e.replaced_on - {SUCCESSOR[0]} and e.replaced_on + {SUCCESSOR[1]}
    )
    select f.plant_id, f.n > 1 or coalesce(s.days, 0) > 1 as again, o.plant_id is not null as own,
        coalesce(f.first_on <= (select max(visited_on) from visits) - {SEEN_AGAIN_WITHIN}, false) as could_be_seen
    from first f left join seen s using (plant_id) left join own o using (plant_id) order by 1"""


class Life(NamedTuple):
    """One installation under an id: its number, and the days it spans, (since, until]."""

    number: int
    since: date | None
    until: date | None


class History(NamedTuple):
    """What the records say of one id: rows of the plant list, ends of lives with their causes, moves, last sign."""

    listed: list[dict[str, Any]]
    ends: dict[date, str]
    moves: list[dict[str, Any]]
    last_sign: date | None


def separate(
    target: Path, plant_ids: str, account: list[dict[str, Any]]
) -> tuple[list[pa.Table], list[tuple[Any, ...]]]:
    """Make one plant of each installation where ids stay with the place.

    Parameters
    ----------
    target : Path
        Folder of the typed Parquet files, which are written anew where they change.
    plant_ids : {"auto", "plant", "place"}
        What an id stands for: as the records show, always a plant, or always a place.
    account : list of dict
        Its counts are moved where a second row of an id is set aside.

    Returns
    -------
    set_aside : list of pyarrow.Table
        Second rows of ids that stand for plants.
    notes : list of tuple
        Table, file, kind, column, count, text: how many lives came out of how many ids, and by which rule.
    """
    engine = duckdb.connect()
    for name in ("plants", "replacements", "visits", "moves"):
        engine.read_parquet(str(target / f"{name}.parquet")).create_view(name)
    plants = pq.read_table(target / "plants.parquet")
    rows = plants.to_pylist()
    by_id: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_id.setdefault(row["plant_id"], []).append(row)
    histories = _histories(engine, by_id)
    lives = {id_: list(_lives(histories[id_])) for id_ in sorted(_reused(engine, plant_ids, histories))}
    lives = {id_: of for id_, of in lives.items() if len(of) > 1}
    doubled = [
        (own[n], reason)
        for id_, own in by_id.items()
        if id_ not in lives and len(own) > 1
        for n, reason in keys.refuse(own, TABLES["plants"]).items()
    ]
    if not lives and not doubled:
        return [], []
    aside = {id(row) for row, _ in doubled}
    kept: list[dict[str, Any]] = []
    for row in rows:
        if row["plant_id"] not in lives:
            kept += [] if id(row) in aside else [row]
        elif row is by_id[row["plant_id"]][0]:
            kept += _plants(lives[row["plant_id"]], histories[row["plant_id"]])
    with whole_file(target / "plants.parquet") as fresh:
        pq.write_table(pa.Table.from_pylist(kept, schema=plants.schema), fresh, compression="zstd")
    faults = (
        [keys.faults([row for row, _ in doubled], [reason for _, reason in doubled], TABLES["plants"], account)]
        if doubled
        else []
    )
    if not lives:
        return faults, []
    _rename(engine, target, lives)
    count = sum(map(len, lives.values()))
    text = f"the tag stays with the place: {count} plants, one a life, came out of {len(lives)} ids; {RULES[plant_ids]}"
    return faults, [("plants", "", "ids of places", "plant_id", count, text)]


def _histories(engine: duckdb.DuckDBPyConnection, by_id: dict[str, list[dict[str, Any]]]) -> dict[str, History]:
    """Histories of ids of single plants that were replaced, or that stand in several rows."""
    histories = {}
    ends: dict[str, dict[date, str]] = {}
    for id_, on, cause in engine.execute(
        "select plant_id, replaced_on, any_value(cause) from replacements where replaced_on is not null "
        "group by 1, 2 order by 1, 2"
    ).fetchall():
        ends.setdefault(id_, {})[on] = cause
    moves: dict[str, list[dict[str, Any]]] = {}
    for id_, on, *place in engine.execute(
        "select plant_id, moved_on, to_site_id, to_position, to_light from moves where moved_on is not null order by 2"
    ).fetchall():
        taken = zip(("site_id", "position", "light"), place, strict=True)
        moves.setdefault(id_, []).append({"on": on} | {name: value for name, value in taken if value is not None})
    signs = dict(
        engine.execute(
            f"select plant_id, max(visited_on) from visits v where {ALIVE} and plant_id is not null group by 1"
        ).fetchall()
    )
    for id_, listed in by_id.items():
        single = all((row["quantity"] or 1) == 1 for row in listed)
        if single and (id_ in ends or len(listed) > 1):
            last_move = [move["on"] for move in moves.get(id_, [])][-1:]
            sign = max([day for day in (signs.get(id_), *last_move) if day], default=None)
            histories[id_] = History(listed, _all_ends(listed, ends.get(id_, {})), moves.get(id_, []), sign)
    return histories


def _all_ends(listed: list[dict[str, Any]], replaced: dict[date, str]) -> dict[date, str]:
    """Ends of lives: replacements, and removals that a later row of the id follows; none where rows contradict."""
    ends = dict(replaced)
    dated = sorted((row for row in listed if row["installed_on"]), key=lambda row: row["installed_on"])
    undated = [row for row in listed if not row["installed_on"]]
    for before, after in pairwise([*undated, *dated]):
        came = after["installed_on"]
        if came is None:
            return {}
        since = before["installed_on"] or date.min
        if any(since < on <= came + timedelta(days=LISTED_LATE) for on in replaced):
            continue
        if not before["removed_on"] or before["removed_on"] > came:
            return {}
        ends[before["removed_on"]] = before["removal_reason"] or "removed"
    return dict(sorted(ends.items()))


def _reused(engine: duckdb.DuckDBPyConnection, plant_ids: str, histories: dict[str, History]) -> set[str]:
    """Ids whose tag stays with the place."""
    if plant_ids == "plant":
        return set()
    several = {id_ for id_, history in histories.items() if len(history.listed) > 1 and history.ends}
    # As rows without a plant id are named.
    placed = {
        id_
        for id_, history in histories.items()
        if history.ends and id_ == "{site_id}/{position}".format(**history.listed[0])
    }
    if plant_ids == "place":
        return {id_ for id_, history in histories.items() if history.ends}
    ids = engine.execute(EVIDENCE).fetchall()
    again = several | {id_ for id_, again, own, _ in ids if again and not own}
    could = several | {id_ for id_, again, _, could_be_seen in ids if again or could_be_seen}
    if len(again) < FEWEST_IDS or len(again) < SHARE * len(could):
        return placed
    return placed | several | {id_ for id_, _, own, _ in ids if not own and histories[id_].ends}


def _lives(history: History) -> Iterator[Life]:
    """The lives of an id between the ends; after the last only where a successor came."""
    since = None
    for number, until in enumerate(history.ends, 1):
        yield Life(number, since, until)
        since = until
    assert since is not None, "an id without an end has one life"
    later = [history.last_sign, *(row["installed_on"] for row in history.listed)]
    came = any(day and day > since for day in later) or any(row["installed_on"] == since for row in history.listed)
    gone = any(row["removed_on"] and row["removed_on"] <= since for row in history.listed)
    if came or not (gone or history.ends[since] in EMPTY_AFTER):
        yield Life(len(history.ends) + 1, since, None)


def _plants(lives: list[Life], history: History) -> list[dict[str, Any]]:
    """One row of the plant list for each life: its own where one was written, else made from the nearest."""
    own: dict[int, dict[str, Any]] = {}
    for row in history.listed:
        came = row["installed_on"]
        number = 1 + sum(bool(came and life.until and came >= life.until) for life in lives)
        own.setdefault(min(number, len(lives)), row)
    rows = []
    for life in lives:
        nearest = own[min(own, key=lambda number: (abs(number - life.number), number))]
        row = dict(nearest, plant_id=f"{nearest['plant_id']}#{life.number}")
        if life.number not in own:
            row |= {"installed_on": life.since, "guarantee_until": None, "supplier_batch": None}
            # The successor stands where its predecessor was taken last.
            for move in history.moves:
                if life.since and move["on"] <= life.since and move["on"] >= (nearest["installed_on"] or date.min):
                    row |= {name: value for name, value in move.items() if name != "on"}
        gone = row["removed_on"]
        if gone and not ((life.since or date.min) < gone <= (life.until or date.max)):
            row |= dict.fromkeys(("removed_on", "removal_reason", "removal_text", "outcome"))
        rows.append(row)
    return rows


def _rename(engine: duckdb.DuckDBPyConnection, target: Path, lives: dict[str, list[Life]]) -> None:
    """Give visits, moves and replacements the plant of their day."""
    rows = [
        (id_, f"{id_}#{life.number}", life.since or date.min, life.until or date.max, f"{id_}#{life.number + 1}")
        for id_, of in lives.items()
        for life in of
    ]
    columns = (pa.array(column) for column in zip(*rows, strict=True))
    table = pa.table(dict(zip(("plant_id", "life", "since", "until", "next"), columns, strict=True)))
    engine.register("lives", table)
    known = pa.table({"life": [row[1] for row in rows]})
    engine.register("known", known)
    for name, on in (("visits", "visited_on"), ("moves", "moved_on"), ("replacements", "replaced_on")):
        more = ""
        if name == "replacements":
            more = """, case when l.life is not null and coalesce(t.replaced_by, t.plant_id) = t.plant_id
                then (select life from known where life = l.next) else t.replaced_by end as replaced_by"""
        fresh = engine.sql(f"""
            select t.* replace (coalesce(l.life, t.plant_id) as plant_id{more}) from {name} t left join lives l
                on l.plant_id = t.plant_id and t.{on} > l.since and t.{on} <= l.until
            order by t.file, t.line""")
        with whole_file(target / f"{name}.parquet") as path:
            fresh.write_parquet(str(path), compression="zstd")
