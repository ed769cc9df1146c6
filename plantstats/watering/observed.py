"""What was seen after short, planned and long gaps between looks, and at sites that followed the last advice."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from plantstats.watering.advise import KEEP, Advice, realised
from plantstats.watering.learn import Learned

GAP_CLASSES = ("short", "as planned", "long")
SHORT, LONG = (
    0.75,
    1.5,
)  # of the planned interval; a gap beyond 1.5 of it is a missed visit (common practice, no source)
FOLLOWED_WITHIN = 0.25  # of the advised interval

GAPS = f"""
    with yellow as (
        select plant_id, visited_on - date '1970-01-01' as "at", sum(yellow_leaves)::bigint as leaves
        from visits where plant_id is not null and yellow_leaves is not null group by all
    ), lost as (
        select plant_id, min(coalesce(found_on, replaced_on) - date '1970-01-01')::bigint as found
        from replacements where outcome in ('died', 'declined') group by all
    ), looked as (
        select plant_id, "at", dead, place, lead("at") over by_day as next, lead(dry) over by_day as next_dry
        from days where looks > 0 window by_day as (partition by plant_id order by "at")
    )
    select case when g.gap < {SHORT} * g.planned then 1 when g.gap <= {LONG} * g.planned then 2 else 3 end as rank,
           count(*) as gaps, sum(g.gap)::bigint as plant_days, sum(g.lost::int)::bigint as losses,
           sum(g.leaves)::bigint as yellow_leaves,
           sum(case when g.leaves is not null then g.gap end)::bigint as counted_days,
           avg(g.next_dry) as found_dry
    from (
        select l.plant_id, least(l.next, x.found) - l."at" as gap, l.next_dry, y.leaves,
               s.planned_visit_days as planned,
               x.found is not null and (l.next is null or x.found <= l.next) as lost
        from looked l join places p on p.plant_id = l.plant_id and p.place = l.place
        join sites s on s.site_id = p.site_id
        left join lost x on x.plant_id = l.plant_id
        left join yellow y on y.plant_id = l.plant_id and y."at" = l.next
        where l.dead = 0 and (x.found is null or l."at" < x.found) and (l.next is not null or x.found is not null)
          and s.planned_visit_days is not null
    ) g where g.gap > 0 group by all order by rank"""
SINCE = """
    with lost as (
        select s.site_id::varchar as site_id, sum(s.losses)::bigint as losses, sum(s.plant_days)::bigint as plant_days
        from stretches s where s.from_on > ?::date group by all)
    select * from lost order by site_id"""


def by_gap(learned: Learned) -> pd.DataFrame:
    """Losses and yellow leaves after gaps shorter than planned, as planned and longer: association, not cause.

    Gives:  one row per class of gap: gap, gaps, plant_days, losses, yellow_leaves (in gaps whose leaves were counted),
            counted_days, found_dry (share of looks at their end). Empty where no site has a planned interval.
    """
    made = learned.spells.sql(GAPS)
    return made.assign(rank=[GAP_CLASSES[int(r) - 1] for r in made["rank"]]).rename(columns={"rank": "gap"})


def followed(before: Advice, before_on: date, learned: Learned) -> pd.DataFrame:
    """Sites for which a change was advised a quarter ago: did they follow it, and what did they lose since?

    Takes:  before: the advice of then, made on `before_on`; learned: up to now.
    Gives:  one row per group (followed, not followed): group, sites, plant_days, losses, since then. Sites that
            change are not like those that do not: no cause can be read from it.
    """
    changed = before.sites[before.sites["decision"] != KEEP].set_index("site_id")
    usual = realised(learned, (learned.as_of - before_on).days).reindex(changed.index)
    near = (usual - changed["advised"]).abs() <= FOLLOWED_WITHIN * changed["advised"]
    since = learned.time.engine.execute(SINCE, [before_on]).df().set_index("site_id").reindex(changed.index).fillna(0)
    group = np.where(near, "followed", "not followed")
    made = since.assign(group=group, sites=1).groupby("group")[["sites", "plant_days", "losses"]].sum().astype("int64")
    return made.reindex(["followed", "not followed"], fill_value=0).rename_axis("group").reset_index()


def changes(before: Advice | None, now: Advice) -> pd.DataFrame:
    """Sites whose advised interval is another than a quarter ago: site_id, before, advised (days), plants."""
    if before is None:
        return pd.DataFrame(columns=["site_id", "before", "advised", "plants"])
    both = now.sites[["site_id", "advised", "plants"]].merge(
        before.sites[["site_id", "advised"]].rename(columns={"advised": "before"}), on="site_id"
    )
    both = both[both["before"] != both["advised"]]
    return both[["site_id", "before", "advised", "plants"]].reset_index(drop=True)


def nobody() -> pd.DataFrame:
    """`followed` where no advice could be given a quarter ago."""
    return pd.DataFrame({"group": ["followed", "not followed"], "sites": 0, "plant_days": 0, "losses": 0})
