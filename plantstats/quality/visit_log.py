"""What kind of visit log the records hold: full, waterings only, exceptions only, or none."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

FULL, WATERINGS, EXCEPTIONS, NONE = KINDS = ("full", "waterings only", "exceptions only", "none")
# Of the plants that stand at a visited site this share has a line in a full log, even where every second visit passes a
# plant by; of the lines this share may say that nothing was done or wrong in a log that leaves such lines out
# (thresholds of our own; measured on ordinary invented companies, see DEVELOPERS.md).
COVERED, IDLE = 0.85, 0.02
ENOUGH_LINES = 50  # about single plants, before a log is judged
RECENT = 183  # days judged by themselves too: a log may have changed

LINES = """
    with lines as (
        select plant_id, at_site, visited_on, coalesce(watered, litres > 0, false) as watered,
               coalesce(topsoil, 'moist') = 'dry' or coalesce(condition, 5) < 4 or coalesce(leaves_dropped, 0) > 0
               or coalesce(yellow_leaves, 0) > 0 or coalesce(repotted, false) or coalesce(moved, false)
               or coalesce(rotated, false) or coalesce(fed, false)
               or lower(coalesce(pest, 'none')) not in ('none', 'no', '') as told
        from completed_visits where visited_on <= $end
    ), visited as (
        select distinct at_site as site_id, visited_on from lines
    ), changes as (
        select site_id::varchar as site_id, from_on::date as day, 1 as change from episodes
        union all select site_id::varchar, to_on::date, -1 from episodes
    ), by_day as (
        select site_id, day, sum(change) as change from changes group by site_id, day
    ), standing as (
        select site_id, day, sum(change) over (partition by site_id order by day) as plants from by_day
    ), own as (
        select plant_id, visited_on, max(watered) as watered, max(told) as told
        from lines where plant_id is not null group by all
    )
    select visited_on > $recent as lately, count(*) as n_lines, 0 as plant_visits, sum(watered::int) as watered,
           sum((not watered and not told)::int) as idle
    from own group by all
    union all
    select v.visited_on > $recent, 0, sum(s.plants), 0, 0
    from visited v asof join standing s on s.site_id = v.site_id and v.visited_on >= s.day group by all"""
REASONS = {
    WATERINGS: "the visit log holds waterings only",
    EXCEPTIONS: "the visit log holds a line only where something was done or wrong",
    NONE: "the records hold no visit to a single plant",
}


def visit_log(time: PlantTime) -> pd.DataFrame:
    """What kind of log the visits are, over all of the records and in their last half year.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    pandas.DataFrame
        Two rows: since (first day), kind (of `KINDS`), n_lines (plants inspected on a day), covered_share (of the
        plants that stood at the visited sites), watered_share, idle_share (nothing done and nothing wrong).

    Notes
    -----
    A log in which fewer than `COVERED` of the plants at visited sites have a line, and at most `IDLE` of its lines say
    that nothing was done or wrong, leaves such lines out: they are missing because of what they would have said. Where
    at most `IDLE` of its lines are no watering, it holds waterings only.
    """
    recent = time.as_of - timedelta(days=RECENT)
    sums = time.engine.sql(LINES, {"recent": recent, "end": time.as_of}, plain=True)
    return pd.DataFrame([_of_days(sums, date.min), _of_days(sums[sums["lately"]], recent)])


def withheld(log: pd.DataFrame) -> str:
    """Why nothing can be learned from what the log leaves out, in words; empty: it can.

    Parameters
    ----------
    log : pandas.DataFrame
        As `visit_log`.

    Returns
    -------
    str
    """
    rows = log[log["kind"].isin([WATERINGS, EXCEPTIONS])]
    if rows.empty:
        return REASONS[NONE] if log["kind"].eq(NONE).all() else ""
    row = rows.iloc[0]
    when = "" if rows.index[0] == log.index[0] else f" since {row['since']}"
    return (
        f"{REASONS[row['kind']]}{when} ({100 * row['covered_share']:.0f} in 100 plants at visited sites have one): "
        "plants that were looked at and left are not in it, so how fast topsoil dries, what dry days do and how many "
        "leaves drop cannot be learned from it. A line for each plant looked at would mend that"
    )


def _of_days(sums: pd.DataFrame, start: date) -> dict[str, object]:
    n_lines, plant_visits, watered, idle = (
        float(sums[name].sum()) for name in ("n_lines", "plant_visits", "watered", "idle")
    )
    shares = n_lines / max(plant_visits, 1.0), watered / max(n_lines, 1.0), idle / max(n_lines, 1.0)
    names = ("covered_share", "watered_share", "idle_share")
    row = {"since": start.isoformat(), "kind": _kind(int(n_lines), *shares), "n_lines": int(n_lines)}
    return row | dict(zip(names, shares, strict=True))


def _kind(n_lines: int, covered: float, watered: float, idle: float) -> str:
    if not n_lines:
        return NONE
    if n_lines < ENOUGH_LINES or covered >= COVERED or idle > IDLE:
        return FULL
    return WATERINGS if 1 - watered <= IDLE else EXCEPTIONS
