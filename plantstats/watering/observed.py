"""What was seen after short, planned and long gaps between looks, and at sites that followed the last advice."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from plantstats.exposure import LOSSES
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.rates import loss_rate
from plantstats.watering.advise import KEEP, Advice, realised
from plantstats.watering.learn import Learned

GAP_CLASSES = ("short", "as planned", "long")
# Of the planned interval; a gap beyond 1.5 of it is a missed visit (common practice, no source).
SHORT, LONG = 0.75, 1.5
FOLLOWED_WITHIN = 0.25  # of the advised interval
SEASON_TURNS, NEW_RECORDS = "the season turns", "new records, plants or plan"

GAPS = f"""
    with counted as (
        select plant_id, visited_on - date '1970-01-01' as "at", sum(yellow_leaves)::bigint as yellow,
               sum(leaves_dropped)::bigint as green
        from visits where plant_id is not null group by all
    ), lost as (
        select plant_id, min(coalesce(found_on, replaced_on) - date '1970-01-01')::bigint as found
        from replacements where outcome in {LOSSES} and coalesce(found_on, replaced_on) <= ? group by all
    ), looked as (
        select plant_id, "at", dead, place, lead("at") over by_day as next, lead(dry) over by_day as next_dry
        from days where looks > 0 window by_day as (partition by plant_id order by "at")
    )
    select case when g.gap < {SHORT} * g.planned then 1 when g.gap <= {LONG} * g.planned then 2 else 3 end as rank,
           g.site_id, count(*) as gaps, sum(g.gap)::bigint as plant_days, sum(g.lost::int)::bigint as losses,
           coalesce(sum(g.yellow), 0)::bigint as yellow,
           coalesce(sum(case when g.yellow is not null then g.gap end), 0)::bigint as yellow_days,
           coalesce(sum(g.green), 0)::bigint as green,
           coalesce(sum(case when g.green is not null then g.gap end), 0)::bigint as green_days,
           coalesce(sum(g.next_dry), 0)::bigint as dry, count(g.next_dry) as read
    from (
        select l.plant_id, s.site_id, least(l.next, x.found) - l."at" as gap, l.next_dry, y.yellow, y.green,
               s.planned_visit_days as planned,
               x.found is not null and (l.next is null or x.found <= l.next) as lost
        from looked l join places p on p.plant_id = l.plant_id and p.place = l.place
        join sites s on s.site_id = p.site_id
        left join lost x on x.plant_id = l.plant_id
        left join counted y on y.plant_id = l.plant_id and y."at" = l.next
        where l.dead = 0 and (x.found is null or l."at" < x.found) and (l.next is not null or x.found is not null)
          and s.planned_visit_days is not null
    ) g where g.gap > 0 group by all order by rank, g.site_id"""
SINCE = """
    select s.site_id::varchar as site_id, sum(s.losses)::bigint as losses, sum(s.plant_days)::bigint as plant_days
    from episodes s where s.from_on > ?::date group by all order by 1"""
FOLLOWED, NOT_FOLLOWED, NOT_ADVISED = GROUPS = ("followed", "not followed", "no change advised")


def by_gap(learned: Learned) -> pd.DataFrame:
    """Losses and leaves after gaps shorter than planned, as planned and longer: association, not cause.

    Gives:  one row per class of gap: gap, gaps, sites, plant_days, losses, loss_rate (per 100 plant-years; _low,
            _high: exact limits), yellow, green (leaves, in gaps at whose end they were counted), yellow_days,
            green_days, yellow_rate, green_rate (per 100 plant-days; _low, _high: by the spread between sites), dry,
            read (looks at their end that found it dry, and that read the topsoil). Empty where no site has a planned
            interval.
    """
    found = learned.spells.engine.execute(GAPS, [learned.as_of]).df()
    columns = ["gaps", "plant_days", "losses", "yellow", "yellow_days", "green", "green_days", "dry", "read"]
    made = found.groupby("rank")[columns].sum()
    made.insert(1, "sites", found.groupby("rank")["site_id"].nunique())
    rate = loss_rate(made["losses"], made["plant_days"])
    made["loss_rate"], made["loss_rate_low"], made["loss_rate_high"] = rate
    for leaf in ("yellow", "green"):
        limits = [ratio_of_sums(part[leaf], part[f"{leaf}_days"]) for _, part in found.groupby("rank")]
        for end, name in (("estimate", ""), ("low", "_low"), ("high", "_high")):
            made[f"{leaf}_rate{name}"] = [100 * getattr(rate, end) for rate in limits]
    made.insert(0, "gap", [GAP_CLASSES[int(rank) - 1] for rank in made.index])
    return made.reset_index(drop=True)


def followed(before: Advice, before_on: date, learned: Learned) -> pd.DataFrame:
    """What sites lost since the advice of a quarter ago, by whether they followed it.

    Takes:  before: the advice of then, made on `before_on`; learned: up to now.
    Gives:  one row per group (followed, not followed, no change advised): group, sites, plant_days, losses (since
            then), loss_rate (per 100 plant-years; _low, _high: exact limits). Sites that change are not like those
            that do not: no cause can be read from it.
    """
    then = before.sites.set_index("site_id")
    usual = realised(learned, (learned.as_of - before_on).days).reindex(then.index)
    near = (usual - then["advised"]).abs() <= FOLLOWED_WITHIN * then["advised"]
    since = learned.time.engine.execute(SINCE, [before_on]).df().set_index("site_id").reindex(then.index).fillna(0)
    group = np.where(then["decision"] == KEEP, NOT_ADVISED, np.where(near, FOLLOWED, NOT_FOLLOWED))
    made = since.assign(group=group, sites=1).groupby("group")[["sites", "plant_days", "losses"]].sum().astype("int64")
    return _with_rates(made.reindex(list(GROUPS), fill_value=0).rename_axis("group").reset_index())


def _with_rates(groups: pd.DataFrame) -> pd.DataFrame:
    rate = loss_rate(groups["losses"], groups["plant_days"])
    return groups.assign(loss_rate=rate.estimate, loss_rate_low=rate.low, loss_rate_high=rate.high)


def changes(before: Advice | None, same_season: Advice | None, now: Advice) -> pd.DataFrame:
    """Sites whose advised interval is another than a quarter ago, and what moved it.

    Takes:  before: the advice of a quarter ago, for the season that it was for; same_season: what was known then, for
            the season of `now`; now.
    Gives:  one row per such site: site_id, before, advised (days), plants, why: "the season turns" where what was
            known then says the same for this season, else "new records, plants or plan".
    """
    if before is None or same_season is None:
        return pd.DataFrame(columns=["site_id", "before", "advised", "plants", "why"])
    both = now.sites[["site_id", "advised", "plants"]].merge(
        before.sites[["site_id", "advised"]].rename(columns={"advised": "before"}), on="site_id"
    )
    both = both[both["before"] != both["advised"]]
    known = both["site_id"].map(same_season.sites.set_index("site_id")["advised"])
    why = np.where(known == both["advised"], SEASON_TURNS, NEW_RECORDS)
    return both.assign(why=why)[["site_id", "before", "advised", "plants", "why"]].reset_index(drop=True)


def nobody() -> pd.DataFrame:
    """`followed` where no advice could be given a quarter ago."""
    return _with_rates(pd.DataFrame({"group": GROUPS, "sites": 0, "plant_days": 0, "losses": 0}))
