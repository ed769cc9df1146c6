"""What share of the crown is gone in species that do not refill a gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import CountIntervals
from plantstats.periods import Period
from plantstats.records.species import species_table
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.intervals import CONF_LEVEL, poisson_limits

METHOD = "leaves lost / leaves at the start, limits between plants"
ONE_PLANT = "leaves lost / leaves at the start, exact limits of the leaves lost (Garwood 1936)"
NAMED_FROM = 0.2  # of a crown: a plant that has lost less is not named


def crown(intervals: CountIntervals, period: Period, client: str = "") -> pd.DataFrame:
    """Share of the crown lost in species that do not refill a gap.

    Parameters
    ----------
    intervals : CountIntervals
    period : Period
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        Findings crown_share_lost by species, and by site, species and plant (single plants, from a fifth of the crown
        on).

    Notes
    -----
    The crown at the start is the first leaf count of the period plus the leaves lost up to it; green and yellow both
    count, words as the least that they may mean. New leaves can make the sum exceed the crown: shown as 100 percent.
    """
    plants = _plants(intervals, period, client)
    known = plants[plants["crown"] > 0]
    if known.empty:
        return pd.DataFrame()
    uncounted = plants[~(plants["crown"] > 0)].groupby("species").size()
    rows = []
    for species, group in known.groupby("species"):
        share = ratio_of_sums(group["lost"], group["crown"])
        more = uncounted.get(species, 0)
        rows.append(
            {
                "species": species,
                "n_plants": len(group),
                "plant_days": group["plant_days"].sum(),
                "estimate": 100 * share.estimate,
                "low": 100 * share.low,
                "high": 100 * share.high,
                "note": f"{more} more plants have no leaf count" if more else "",
            }
        )
    named = known[known["lost"] >= NAMED_FROM * known["crown"]]
    shares = [np.minimum(100 * count / named["crown"], 100.0) for count in poisson_limits(named["lost"])]
    counts = [f"{p.lost:,.0f} lost, {p.crown:,.0f} leaves at the start" for p in named.itertuples()]
    single = named.assign(n_plants=1, estimate=shares[0], low=shares[1], high=shares[2], note=counts)
    common: dict[str, Any] = {"period": period.name, "unit": "percent", "conf_level": CONF_LEVEL}
    parts = [findings.rows(pd.DataFrame(rows), "crown_share_lost", method=METHOD, by=["species"], **common)]
    if len(single):
        by = ["site_id", "species", "plant_id"]
        parts.append(findings.rows(single, "crown_share_lost", method=ONE_PLANT, by=by, **common))
    return pd.concat(parts, ignore_index=True)


def _plants(intervals: CountIntervals, period: Period, client: str) -> pd.DataFrame:
    """One row per plant: plant_id, site_id, species, plant_days, lost, crown (leaves at the start; may be missing)."""
    facts = species_table()
    keep = facts.loc[~facts["refills"], "name"].to_list()
    return intervals.sql(
        f"""
        with seen as (
            select plant_id, site_id, species::varchar as species, leaf_count, plant_days, to_on,
                   coalesce(green_lower, 0) + coalesce(yellow_lower, 0) as lost,
                   sum(coalesce(green_lower, 0) + coalesce(yellow_lower, 0))
                       over (partition by plant_id order by to_on) as so_far
            from leaf_used
            where to_on > ? and to_on <= ? and (? = '' or client_id = ?) and plants = 1
              and species::varchar in ({", ".join("?" * len(keep))})
        )
        select plant_id, last(site_id order by to_on)::varchar as site_id, any_value(species) as species,
               sum(plant_days)::double as plant_days, sum(lost)::double as lost,
               first(leaf_count + so_far order by to_on) filter (leaf_count is not null)::double as crown
        from seen group by 1 order by 1""",
        [period.start, period.end, client, client, *keep],
    )
