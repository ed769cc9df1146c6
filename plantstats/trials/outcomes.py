"""What is counted at a site between two days: looks that found it dry, leaves dropped, losses, and the work."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.stats.rates import DAYS_PER_100_YEARS, PER_100_YEARS

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.settings import Settings

DRY, LEAVES, LOSSES, COST = "dry", "leaves", "losses", "cost"
OUTCOMES = (DRY, LEAVES, LOSSES)
UNITS = {DRY: "looks in 100", LEAVES: "leaves per 100 plant-days", LOSSES: PER_100_YEARS}
QUARTER_DAYS = 91
SUMS = ("visits", "minutes", "looks", "dry", "leaves", "leaf_days")
LONGEST_GAP = 92  # days since the last count beyond which fallen leaves are no longer there to be counted
WORK = """
    with looks as (
        select at_site as site_id, plant_id, visited_on, minutes, leaves_dropped,
               case when $depth is null then topsoil = 'dry'
                    when topsoil = 'dry' then dry_depth_cm >= $depth
                    when topsoil is null then dry_depth_cm >= $depth
                    when dry_depth_cm is not null then false end as dry
        from completed_visits where plant_id is not null
    ), counts as (
        select plant_id, visited_on, sum(leaves_dropped) as leaves, any_value(site_id) as site_id,
               visited_on - lag(visited_on) over (partition by plant_id order by visited_on) as gap
        from looks where leaves_dropped is not null group by plant_id, visited_on
    ), work as (
        select site_id, visited_on, 1 as visits, sum(minutes) as minutes, count(dry) as looks,
               sum(dry::int) as dry, count(distinct plant_id) as plants
        from looks where site_id is not null group by all
    ), fallen as (
        select site_id, visited_on, sum(leaves) as leaves, sum(gap) as leaf_days
        from counts where gap between 1 and $longest group by all
    )
    select w.site_id, w.visited_on, w.visits::bigint as visits, coalesce(w.minutes, 0)::double as minutes,
           w.looks::bigint as looks, coalesce(w.dry, 0)::bigint as dry, w.plants::bigint as plants,
           coalesce(f.leaves, 0)::bigint as leaves, coalesce(f.leaf_days, 0)::bigint as leaf_days
    from work w left join fallen f using (site_id, visited_on) order by 1, 2"""
STAYS = """
    select site_id::varchar as site_id, from_on, to_on, sum(plants)::double as plants from episodes group by all
    order by all"""


@dataclass(frozen=True)
class SiteDays:
    """The records of all sites by day.

    Attributes
    ----------
    work : pandas.DataFrame
        One row per site and day with a completed look at a plant: site_id, visited_on, visits (1), minutes, looks (that
        read the topsoil), dry (of them), plants (looked at), leaves, leaf_days (green leaves dropped, and the days
        since they were counted last).
    stays : pandas.DataFrame
        Half-open days with plants at risk: site_id, from_on, to_on, plants.
    losses : pandas.DataFrame
        One row per loss: site_id, lost_on, quantity, cost.
    """

    work: pd.DataFrame
    stays: pd.DataFrame
    losses: pd.DataFrame


def site_days(time: PlantTime, settings: Settings, dry_depth: float | None) -> SiteDays:
    """The records of all sites by day.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.
    settings : Settings
        Of the records: the wage prices the labour of replacements.
    dry_depth : float or None
        Centimetres down to which the soil must be dry for a look to count as dry; None: the word for the topsoil.

    Returns
    -------
    SiteDays
    """
    losses = time.losses[["site_id", "lost_on", "quantity", "plant_cost", "labour_minutes"]].copy()
    labour = losses.pop("labour_minutes").fillna(0).astype("float64") * settings.wage_per_hour / 60
    losses["cost"] = losses.pop("plant_cost").fillna(0).astype("float64") + labour
    return SiteDays(time.query(WORK, {"depth": dry_depth, "longest": LONGEST_GAP}), time.query(STAYS), losses)


def in_windows(days: SiteDays, windows: pd.DataFrame) -> pd.DataFrame:
    """Counts at sites between two days.

    Parameters
    ----------
    days : SiteDays
        The records by day.
    windows : pandas.DataFrame
        One row per count wanted: site_id, start, end (half-open dates), and what else names it.

    Returns
    -------
    pandas.DataFrame
        The same rows with visits (days), minutes, looks, dry, leaves, leaf_days, plant_days, losses, replacement (cost
        of those losses). Nothing on record is 0.
    """
    rows = windows.reset_index(drop=True)
    start, end = (pd.to_datetime(rows[name]) for name in ("start", "end"))
    wanted = pd.DataFrame({"site_id": rows["site_id"], "number": rows.index, "start": start, "end": end})

    def inside(frame: pd.DataFrame, day: str) -> pd.DataFrame:
        near = frame[frame[day].between(start.min(), end.max())]
        both = near.merge(wanted, on="site_id")
        return both[(both[day] >= both["start"]) & (both[day] < both["end"])]

    work = inside(days.work, "visited_on").groupby("number")[list(SUMS)].sum()
    lost = inside(days.losses, "lost_on").groupby("number")[["quantity", "cost"]].sum()
    stays = days.stays.merge(wanted, on="site_id")
    overlap = (stays[["to_on", "end"]].min(axis=1) - stays[["from_on", "start"]].max(axis=1)).dt.days.clip(lower=0)
    plant_days = (overlap * stays["plants"]).groupby(stays["number"]).sum()
    counts = work.reindex(rows.index, fill_value=0).assign(
        plant_days=plant_days.reindex(rows.index, fill_value=0.0),
        losses=lost["quantity"].reindex(rows.index, fill_value=0).astype("int64"),
        replacement=lost["cost"].reindex(rows.index, fill_value=0.0),
    )
    return pd.concat([rows, counts], axis=1)


def values(counts: pd.DataFrame, outcome: str) -> pd.Series:
    """The outcome of each row of counts, in the unit of `UNITS`.

    Parameters
    ----------
    counts : pandas.DataFrame
        As `in_windows` gives them.
    outcome : str
        One of `OUTCOMES`.

    Returns
    -------
    pandas.Series
        Missing where nothing was at risk.

    Examples
    --------
    >>> counts = pd.DataFrame({"looks": [20, 0], "dry": [5, 0]})
    >>> values(counts, "dry").tolist()
    [25.0, nan]
    """
    of, at_risk, times = {
        DRY: ("dry", "looks", 100.0),
        LEAVES: ("leaves", "leaf_days", 100.0),
        LOSSES: ("losses", "plant_days", float(DAYS_PER_100_YEARS)),
    }[outcome]
    below = counts[at_risk].astype("float64").where(counts[at_risk] > 0, np.nan)
    return times * counts[of] / below


def cost_per_quarter(counts: pd.DataFrame, settings: Settings, *, replacements: bool) -> pd.Series:
    """What care cost at each row's site, as if its days went on for a quarter.

    Parameters
    ----------
    counts : pandas.DataFrame
        As `in_windows` gives them, with start and end.
    settings : Settings
        Of the records: wage, and cost of a visit.
    replacements : bool
        Whether to add what its losses cost.

    Returns
    -------
    pandas.Series
        In the currency of the settings: visits at their cost, recorded minutes at the plants at the wage.
    """
    days = (pd.to_datetime(counts["end"]) - pd.to_datetime(counts["start"])).dt.days
    cost = counts["visits"] * settings.visit_cost + counts["minutes"] / 60 * settings.wage_per_hour
    return (cost + counts["replacement"] * replacements) / days * QUARTER_DAYS
