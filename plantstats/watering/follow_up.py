"""What was seen after short, planned and long gaps between inspections, and at sites that followed the last advice."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from plantstats.exposure import LOSSES
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.rates import loss_rate
from plantstats.watering.advice import NO_CHANGE, Advice, usual_interval
from plantstats.watering.fit import WateringModel

GAP_CLASSES = ("short", "as planned", "long")
# Of the planned interval; a gap beyond 1.5 of it is a missed visit (common practice, no source).
SHORT, LONG = 0.75, 1.5
FOLLOWED_WITHIN = 0.25  # of the advised interval
SEASON_TURNS, NEW_RECORDS = "the season turns", "new records, plants or plan"

GAPS = f"""
    with counted as (
        select plant_id, date_diff('day', date '1970-01-01', visited_on) as "at", sum(yellow_leaves)::bigint as yellow,
               sum(leaves_dropped)::bigint as green
        from visits where plant_id is not null and coalesce(yellow_leaves, leaves_dropped) is not null group by all
    ), lost as (
        select plant_id, min(date_diff('day', date '1970-01-01', coalesce(found_on, replaced_on)))::bigint as found
        from replacements where outcome in {LOSSES} and coalesce(found_on, replaced_on) <= ? group by all
    )
    select case when g.gap < {SHORT} * g.planned then 1 when g.gap <= {LONG} * g.planned then 2 else 3 end as rank,
           g.site_id, count(*) as gaps, sum(g.gap)::bigint as plant_days, sum(g.lost::int)::bigint as losses,
           coalesce(sum(g.yellow), 0)::bigint as yellow,
           coalesce(sum(case when g.yellow is not null then g.gap end), 0)::bigint as yellow_days,
           coalesce(sum(g.green), 0)::bigint as green,
           coalesce(sum(case when g.green is not null then g.gap end), 0)::bigint as green_days,
           coalesce(sum(g.next_dry), 0)::bigint as dry, count(g.next_dry) as read
    from (
        select i.plant_id, s.site_id, least(i.next, x.found) - i."at" as gap, i.next_dry, y.yellow, y.green,
               s.planned_visit_days as planned,
               x.found is not null and (i.next is null or x.found <= i.next) as lost
        from days i join places p on p.plant_id = i.plant_id and p.place = i.place
        join sites s on s.site_id = p.site_id
        left join lost x on x.plant_id = i.plant_id
        left join counted y on y.plant_id = i.plant_id and y."at" = i.next
        where i.inspections > 0 and i.dead = 0
          and (x.found is null or i."at" < x.found) and (i.next is not null or x.found is not null)
          and s.planned_visit_days is not null
    ) g where g.gap > 0 group by all order by rank, g.site_id"""
SINCE = """
    select s.site_id::varchar as site_id, sum(s.losses)::bigint as losses, sum(s.plant_days)::bigint as plant_days
    from episodes s where s.from_on > cast(? as date) group by all order by 1"""
FOLLOWED, NOT_FOLLOWED, NOT_ADVISED = GROUPS = ("followed", "not followed", "no change advised")


def by_gap(model: WateringModel) -> pd.DataFrame:
    """Losses and leaves after gaps shorter than planned, as planned and longer: association, not cause.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.

    Returns
    -------
    pandas.DataFrame
        One row per class of gap: gap, gaps, sites, plant_days, losses, loss_rate (per 100 plant-years; _low, _high:
        exact limits), yellow, green (leaves, in gaps at whose end they were counted), yellow_days, green_days,
        yellow_rate, green_rate (per 100 plant-days; _low, _high: between sites), dry, read (inspections at their end
        that found it dry, and that read the topsoil). Empty where no site has a planned interval.
    """
    of_sites = model.dry_downs.sql(GAPS, [model.as_of])
    counts = ["gaps", "plant_days", "losses", "yellow", "yellow_days", "green", "green_days", "dry", "read"]
    table = of_sites.groupby("rank")[counts].sum()
    table.insert(1, "sites", of_sites.groupby("rank")["site_id"].nunique())
    for leaf in ("yellow", "green"):
        rates = [ratio_of_sums(part[leaf], part[f"{leaf}_days"]) for _, part in of_sites.groupby("rank")]
        for name, limit in (("", "estimate"), ("_low", "low"), ("_high", "high")):
            table[f"{leaf}_rate{name}"] = [100 * getattr(rate, limit) for rate in rates]
    table.insert(0, "gap", [GAP_CLASSES[int(rank) - 1] for rank in table.index])
    return _with_rates(table.reset_index(drop=True))


def followed(before: Advice | None, before_on: date, model: WateringModel) -> pd.DataFrame:
    """What sites lost since the advice of a quarter ago, by whether they followed it.

    Parameters
    ----------
    before : Advice or None
        The advice of then; None where none could be given.
    before_on : datetime.date
        The day up to which it was made.
    model : WateringModel
        Up to now.

    Returns
    -------
    pandas.DataFrame
        One row per group (followed, not followed, no change advised): group, sites, plant_days, losses (since then),
        loss_rate (per 100 plant-years; _low, _high: exact limits). Sites that change are not like those that do not: no
        cause can be read from it.
    """
    if before is None:
        return _with_rates(pd.DataFrame({"group": GROUPS, "sites": 0, "plants": 0, "plant_days": 0, "losses": 0}))
    sites = before.sites.set_index("site_id")
    usual = usual_interval(model, (model.as_of - before_on).days).reindex(sites.index)
    near = (usual - sites["advised"]).abs() <= FOLLOWED_WITHIN * sites["advised"]
    since = model.time.engine.sql(SINCE, [before_on]).set_index("site_id").reindex(sites.index).fillna(0)
    group = np.where(sites["decision"] == NO_CHANGE, NOT_ADVISED, np.where(near, FOLLOWED, NOT_FOLLOWED))
    counts = since.assign(group=group, sites=1, plants=sites["plants"]).groupby("group")
    sums = counts[["sites", "plants", "plant_days", "losses"]].sum().astype("int64")
    return _with_rates(sums.reindex(list(GROUPS), fill_value=0).rename_axis("group").reset_index())


def changes(before: Advice | None, same_season: Advice | None, now: Advice) -> pd.DataFrame:
    """Sites whose advised interval is another than a quarter ago, and why.

    Parameters
    ----------
    before : Advice or None
        The advice of a quarter ago, for the season that it was for.
    same_season : Advice or None
        What was known then, for the season of `now`.
    now : Advice

    Returns
    -------
    pandas.DataFrame
        One row per such site: site_id, before, advised (days), plants, why: "the season turns" where what was known
        then says the same for this season, else "new records, plants or plan".
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


def _with_rates(groups: pd.DataFrame) -> pd.DataFrame:
    rate = loss_rate(groups["losses"], groups["plant_days"])
    return groups.assign(loss_rate=rate.estimate, loss_rate_low=rate.low, loss_rate_high=rate.high)
