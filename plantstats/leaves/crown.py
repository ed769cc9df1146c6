"""What share of the crown is gone in species that do not refill a gap."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import LeafTime
from plantstats.periods import Period
from plantstats.records.species import species_table
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.intervals import CONF_LEVEL, poisson_limits

CROWN_METHOD = "leaves lost / leaves at the start, limits between plants"
ONE_METHOD = "leaves lost / leaves at the start, exact limits of the leaves lost (Garwood 1936)"
WORTH_TELLING = 0.2  # of a crown: a plant that has lost less is not named

findings.define(
    crown_share_lost="Leaves lost in the period as percent of the crown, in species that do not refill a gap."
)


def crown(time: LeafTime, period: Period, client: str = "", level: float = CONF_LEVEL) -> pd.DataFrame:
    """Share of the crown lost in species that do not refill a gap.

    Takes:  leaf plant-time; period; client.
    Gives:  findings crown_share_lost by species, and by site, species and plant (single plants). The crown at the
            start is the first leaf count of the period plus the leaves lost up to it; green and yellow both count,
            words as the least that they may mean.
            Plants are named from a fifth of the crown on. New leaves can make the sum exceed the crown: shown as
            100 percent.
    """
    table = species_table()
    keep = table.loc[~table["refills"], "name"].to_list()
    marks = ", ".join("?" * len(keep))
    rows = time.ask(
        f"""
        with seen as (
            select plant_id, site_id, species::varchar as species, leaf_count, plant_days, to_on,
                   coalesce(green_lower, 0) + coalesce(yellow_lower, 0) as lost,
                   sum(coalesce(green_lower, 0) + coalesce(yellow_lower, 0))
                       over (partition by plant_id order by to_on) as so_far
            from leaf_used
            where to_on > ? and to_on <= ? and (? = '' or client_id = ?) and plants = 1
              and species::varchar in ({marks})
        )
        select plant_id, last(site_id order by to_on) as site_id, any_value(species) as species,
               sum(plant_days)::double as plant_days, sum(lost)::double as lost,
               first(leaf_count + so_far order by to_on) filter (leaf_count is not null)::double as crown
        from seen group by 1 order by 1""",
        [period.start, period.end, client, client, *keep],
    )
    known = rows[rows["crown"] > 0]
    made = []
    for species, group in known.groupby("species"):
        n = len(group)
        uncounted = int((rows["species"] == species).sum()) - n
        rate = ratio_of_sums(group["lost"], group["crown"], level)
        low, high = 100 * rate.low, 100 * rate.high
        note = f"{uncounted} more plants have no leaf count" if uncounted else ""
        made.append(
            findings.finding(
                "crown_share_lost",
                period.name,
                100 * rate.estimate,
                low,
                high,
                unit="percent",
                method=CROWN_METHOD,
                n_plants=n,
                plant_days=float(group["plant_days"].sum()),
                level=level if np.isfinite(low) else np.nan,
                species=species,
                note=note,
            )
        )
    for row in known[known["lost"] >= WORTH_TELLING * known["crown"]].itertuples():
        limits = poisson_limits(row.lost, level)
        share, low, high = (min(100 * float(count[0]) / row.crown, 100.0) for count in limits)
        made.append(
            findings.finding(
                "crown_share_lost",
                period.name,
                share,
                low,
                high,
                unit="percent",
                method=ONE_METHOD,
                n_plants=1,
                level=level,
                plant_days=row.plant_days,
                site_id=row.site_id,
                species=row.species,
                plant_id=row.plant_id,
                note=f"{row.lost:,.0f} lost, {row.crown:,.0f} leaves at the start",
            )
        )
    return findings.table(made)
