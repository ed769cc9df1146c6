"""The visit interval of each site, the look interval of each plant, and the evidence for a change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.watering import prices, routes, worth
from plantstats.watering.free import forced_plants
from plantstats.watering.law import Array
from plantstats.watering.learn import Learned
from plantstats.watering.totals import totals, ways

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

KEEP, SHORTER, LONGER = "keep as is", "shorten", "lengthen"

STANDING = """
    select plant_id::varchar as plant_id, site_id::varchar as site_id, client_id::varchar as client_id,
           species::varchar as species, light::varchar as light, pot::varchar as pot, planter::varchar as planter,
           (plants - losses - client_exits - withdrawn)::bigint as plants
    from episodes where to_on = ?::date + 1 and plants > losses + client_exits + withdrawn
    order by 2, 1"""
REALISED = """
    with on_site as (
        select distinct at_site as site_id, visited_on as on_day from completed_visits
        where plant_id is not null and visited_on > ?::date - ?::int and visited_on <= ?::date
    )
    select site_id, median(gap) as days from (
        select site_id, on_day - lag(on_day) over (partition by site_id order by on_day) as gap from on_site)
    where gap is not null group by all order by all"""


@dataclass(frozen=True)
class Advice:
    """Advice for one season.

    plants: one row per standing plant: plant_id, site_id, client_id, position, species, light, pot, planter, heating,
            plants (how many it stands for), replacement (cost of one), fee (per day), visit_every,
            look_every (days), too_dry (share of waterings at that).
    sites:  one row per site: site_id, client_id, region, plants, now, cheapest, advised (days), decision, good_from,
            good_to (days; intervals that cost about as little), cost_now, cost_advised, saving, saving_low,
            saving_high (of the cheapest, per quarter), sure (chance that it saves and, if
            longer, leaves few too dry), minutes_now, minutes_advised (at
            the plants, per quarter), too_dry_now, too_dry_advised (shares of waterings), spells (of its species),
            spells_needed (that would show the saving; missing: no change would save).
    money:  one row per site and interval: site_id, interval_days, cost, low, high (per quarter), too_dry.
    forced: as `free.forced_plants`.
    totals: all sites together, as `totals.totals`.
    """

    heated: bool
    plants: pd.DataFrame
    sites: pd.DataFrame
    money: pd.DataFrame
    forced: pd.DataFrame
    totals: pd.DataFrame


def standing(time: PlantTime, records: Records) -> pd.DataFrame:
    """Plants that stand on the last day: plant_id, site_id, client_id, their labels, plants (number), position."""
    made = time.engine.execute(STANDING, [time.as_of]).df()
    place = records.table("plants").set_index("plant_id")["position"]
    moved = records.table("moves")
    moved = moved[moved["to_position"].notna() & (moved["moved_on"] <= pd.Timestamp(time.as_of))]
    latest = moved.sort_values("moved_on", kind="stable").groupby("plant_id")["to_position"].last()
    at = latest.reindex(made["plant_id"]).fillna(place.reindex(made["plant_id"]))
    return made.assign(position=at.fillna("").to_numpy())


def realised(learned: Learned, days: int = 183) -> pd.Series:
    """The usual (median) number of days between visits in the last half year, by site_id."""
    made = learned.spells.engine.execute(REALISED, [learned.as_of, days, learned.as_of]).df()
    return made.set_index("site_id")["days"].astype("float64")


def intervals_now(learned: Learned, records: Records, sites: pd.Index) -> pd.Series:
    """Present visit interval of each site in whole days: as planned, else as realised, else two weeks."""
    planned = records.table("sites").set_index("site_id")["planned_visit_days"].reindex(sites)
    return planned.fillna(realised(learned).reindex(sites)).fillna(14).round().clip(1).astype("int64")


def advise(
    learned: Learned, records: Records, heated: bool, client: str = "", draws: int = worth.DRAWS, forced: bool = True
) -> Advice | None:
    """Work out the advice for one season.

    Takes:  learned; records; heated: whether it is the heating season; client: its sites only, or "" for all; draws:
            of what is not known for sure (one is enough where everything is); forced: whether to look for the plants
            that bar a longer interval.
    Gives:  Advice, or None when no plant stands on the last day.
    """
    plants = standing(learned.time, records).assign(heating=heated)
    plants = plants[plants["client_id"] == client].reset_index(drop=True) if client else plants
    if plants.empty:
        return None
    site, names = pd.factorize(plants["site_id"], sort=True)
    now = intervals_now(learned, records, pd.Index(names)).to_numpy()
    visit_days = tuple(int(d) for d in sorted({*learned.assumed.visit_days, *now}))
    every = routes.look_days(visit_days, learned.assumed.max_inspection_interval)
    plants["replacement"] = prices.replacement_cost(plants, records, learned.price, learned.assumed)
    plants["fee"] = prices.fee_per_day(plants, records, learned.as_of, learned.assumed)
    valued = worth.Worth(plants, learned, every)
    best = valued.costs()
    most = learned.assumed.max_too_dry_share

    def add_up(costs: routes.PlantCosts) -> routes.SiteCosts:
        return routes.site_costs(costs, site, len(names), visit_days, learned.price, most)

    made = add_up(best)
    as_drawn = [add_up(valued.costs(draw)) for draw in worth.draws(learned, draws)]
    drawn, dry = np.stack([one.money for one in as_drawn]), np.stack([one.too_dry for one in as_drawn])
    sites = _labelled(_decide(names, now, made, drawn, dry, learned), plants, site, records, learned)
    looks = np.zeros(len(plants), dtype=int)
    for days in sites["advised"].unique():
        rows = np.flatnonzero(sites["advised"].to_numpy()[site] == days)
        looks[rows] = routes.best_looks(best.take(rows), int(days), most)
    plants = plants.assign(
        visit_every=sites["advised"].to_numpy()[site],
        look_every=np.array(every)[looks],
        too_dry=best.too_dry[np.arange(len(plants)), looks],
    )
    low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    by_interval = pd.DataFrame(
        {
            "site_id": np.repeat(names, len(visit_days)),
            "interval_days": np.tile(visit_days, len(names)),
            "cost": made.money.ravel(),
            "low": np.minimum(low, made.money).ravel(),
            "high": np.maximum(high, made.money).ravel(),
            "too_dry": made.too_dry.ravel(),
        }
    )
    to_visit = ways(now, sites["advised"].to_numpy(), learned.assumed.visit_days, made)
    asked = sites if forced else sites.head(0)
    barring = forced_plants(plants, asked, best, learned, visit_days)
    return Advice(heated, plants, sites, by_interval, barring, totals(made, as_drawn, to_visit))


def _decide(
    names: Array, now: Array, made: routes.SiteCosts, drawn: Array, drawn_dry: Array, learned: Learned
) -> pd.DataFrame:
    """Advise a change where the cheapest interval saves more than `cost_tolerance`, with `confidence`.

    A longer interval must with the same confidence leave few plants too dry.
    """
    assumed, days, money = learned.assumed, np.array(made.visit_days), made.money
    rows = np.arange(len(names))
    may = routes.allowed(made, now, assumed.max_too_dry_share)
    at_now, cheapest = np.searchsorted(days, now), np.where(may, money, np.inf).argmin(axis=1)
    lowest = money[rows, cheapest]
    good = may & (money <= (1 + assumed.cost_tolerance) * lowest[:, None])
    saving = money[rows, at_now] - lowest
    spread = drawn[:, rows, at_now] - drawn[:, rows, cheapest]
    dry, longer = drawn_dry[:, rows, cheapest], cheapest > at_now
    sure = ((spread > 0) & ((dry <= assumed.max_too_dry_share) | ~longer)).mean(axis=0)
    change = (sure >= assumed.confidence) & ~good[rows, at_now]
    advised = np.where(change, cheapest, at_now)
    z = stats.norm.ppf(assumed.confidence)
    room = np.where(longer, assumed.max_too_dry_share - made.too_dry[rows, cheapest], np.inf)
    short = np.maximum(
        spread.std(axis=0) / np.where(saving > 0, saving, np.nan), dry.std(axis=0) / np.maximum(room, 1e-4)
    )
    more = (z * short) ** 2
    low, high = np.quantile(spread, [0.025, 0.975], axis=0)
    # The intervals that are as good, without a gap: from the cheapest outwards.
    first = [int(c - np.argmin(np.append(g[: c + 1][::-1], False)) + 1) for c, g in zip(cheapest, good, strict=True)]
    last = [int(c + np.argmin(np.append(g[c:], False)) - 1) for c, g in zip(cheapest, good, strict=True)]
    return pd.DataFrame(
        {
            "site_id": names,
            "now": now,
            "cheapest": days[cheapest],
            "advised": days[advised],
            "decision": np.where(~change, KEEP, np.where(cheapest < at_now, SHORTER, LONGER)),
            "good_from": days[first],
            "good_to": days[last],
            "cost_now": money[rows, at_now],
            "cost_advised": money[rows, advised],
            "saving": saving,
            "saving_low": np.minimum(low, saving),
            "saving_high": np.maximum(high, saving),
            "sure": sure,
            "minutes_now": made.minutes[rows, at_now],
            "minutes_advised": made.minutes[rows, advised],
            "too_dry_now": made.too_dry[rows, at_now],
            "too_dry_advised": made.too_dry[rows, advised],
            "times_spells": np.where(change | good[rows, at_now], np.nan, np.maximum(more, 1.0)),
        }
    )


def _labelled(
    sites: pd.DataFrame, plants: pd.DataFrame, site: Array, records: Records, learned: Learned
) -> pd.DataFrame:
    labels = records.table("sites").set_index("site_id").reindex(sites["site_id"])
    spells = plants["species"].map(learned.cells.groupby("species")["n"].sum()).fillna(0)
    distinct = ~plants.duplicated(["site_id", "species"])
    number = np.bincount(site[distinct], spells[distinct], minlength=len(sites)).astype(int)
    return sites.assign(
        client_id=labels["client_id"].to_numpy(),
        region=labels["region"].fillna("").to_numpy(),
        plants=np.bincount(site, plants["plants"], minlength=len(sites)).astype(int),
        spells=number,
        spells_needed=np.ceil(number * sites["times_spells"]),
    ).drop(columns="times_spells")
