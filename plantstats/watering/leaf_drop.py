"""How many green leaves drop, and how many more on days with topsoil left dry: what a price per leaf is laid on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.leaves.inputs import FIGS, LONGEST
from plantstats.stats import empirical_bayes
from plantstats.stats.clusters import correction
from plantstats.stats.intervals import ratio_limits
from plantstats.watering.collapse import Spells
from plantstats.watering.design import groups_of
from plantstats.watering.law import Array

FEWEST = 50  # leaves from which a ratio is learned at all (rule of thumb)
WIDEST = 4.0  # of the logarithm of the ratio: a larger one (55 times) says that the records cannot tell

# Leaves counted at a look fell since the look before. As for losses (see `harm`), a stretch speaks only where its
# beginning was known: watered, or found moist. In figs the drop follows rewatering (Graves, abstract: most of it
# within a day), so theirs is held against the days left dry in the stretch before the one it was counted in.
STRETCHES = """
    with counted as (
        select plant_id, visited_on - date '1970-01-01' as "at", sum(leaves_dropped)::bigint as leaves
        from visits where plant_id is not null and leaves_dropped is not null group by all
    ), looked as (
        select plant_id, "at", dry, watered, lead("at") over by_day as next, lead(dead) over by_day as next_dead,
               lag("at") over by_day as earlier, lag(dry) over by_day as earlier_dry,
               lag(watered) over by_day as earlier_watered
        from days where looks > 0 window by_day as (partition by plant_id order by "at")
    ), held as (
        select l.plant_id, l.next - l."at" as length, c.leaves,
               case when list_contains(?, f.species) then earlier else l."at" end as begins,
               case when list_contains(?, f.species) then l."at" - earlier else l.next - l."at" end as gap,
               case when list_contains(?, f.species) then earlier_dry else dry end as begun_dry,
               case when list_contains(?, f.species) then earlier_watered else watered end as begun_watered,
               greatest(f.at_start, 1) as plants
        from looked l join follow f using (plant_id)
        join counted c on c.plant_id = l.plant_id and c."at" = l.next
        where l.next_dead = 0 and l.next - l."at" between 1 and ?
    )
    select s.site_id, s.species, s.light, s.pot, s.planter, s.heating, h.begins - s."at" as since, h.gap, h.length,
           sum(h.plants)::bigint as n, sum(h.leaves)::bigint as leaves
    from held h asof join spells s on s.plant_id = h.plant_id and h.begins >= s."at"
    where (h.begun_watered = 1 or h.begun_dry = 0) and h.begins is not null and h.gap > 0 and s.site_id is not null
    group by all order by all
"""


class LeafDrop(NamedTuple):
    """Green leaves on days with topsoil left dry as a multiple of those on other days, and how many drop."""

    ratio: float
    low: float
    high: float
    log_se: float
    leaves: int
    plant_days: float
    sites: int
    rates: pd.DataFrame  # by species, light: leaves, plant_days, rate (a plant-day, as practised), log_se, dry_share


def stretches(spells: Spells) -> pd.DataFrame:
    """Times between looks at whose end fallen green leaves were counted.

    Gives:  one row per distinct stretch: site_id, species, light, pot, planter, heating; since, gap (days: beginning
            since the last watering, and length, of the time whose dry days count); length (days over which the
            leaves fell); n (plants), leaves.
    """
    known = spells.sql("select distinct species from follow where species is not null")["species"]
    figs = known[groups_of(known).eq(FIGS)].tolist()
    return spells.engine.execute(STRETCHES, [figs, figs, figs, figs, LONGEST]).df()


def leaf_drop(stretches: pd.DataFrame, dry_days: Array) -> LeafDrop | None:
    """How many times as many leaves drop per day with topsoil left dry, and the rates by species and light.

    Takes:  stretches; dry_days: expected days left dry that belong to each (as `harm.over_dry_days`).
    Gives:  LeafDrop, or None where the records cannot say: too few leaves, one site, or no finite answer. Compared
            within site x species x light x season only, as losses are; limits allow for leaves of one site falling
            together (sandwich over sites, t). Association, not proof.
    Source: conditional likelihood of Poisson counts (see `harm.over_dry_effect`), its score taken as an estimating
            equation; cluster sandwich with G / (G - 1), Liang and Zeger 1986.
    """
    leaves, n = (stretches[c].to_numpy(dtype=float) for c in ("leaves", "n"))
    dry = n * dry_days
    other = n * np.maximum(stretches["length"].to_numpy(dtype=float) - dry_days, 0.0)
    site, names = pd.factorize(stretches["site_id"])
    stratum = stretches.groupby(["site_id", "species", "light", "heating"], sort=False).ngroup().to_numpy()
    if leaves.sum() < FEWEST or len(names) < 2:
        return None
    whole = np.bincount(stratum, leaves)

    def scores(log_ratio: float) -> Array:
        """Each row's part of the score: leaves seen less those that its stratum's would put there, on dry days."""
        more = np.exp(log_ratio) * dry
        at_risk = np.maximum(other + more, 1e-12)
        by_stratum = np.maximum(np.bincount(stratum, at_risk), 1e-12)
        return leaves * more / at_risk - whole[stratum] * more / by_stratum[stratum]

    ends = [float(scores(x).sum()) for x in (-WIDEST, WIDEST)]
    if not ends[0] > 0 > ends[1]:
        return None
    best = float(optimize.brentq(lambda x: float(scores(x).sum()), -WIDEST, WIDEST))
    step = 1e-4
    slope = float(scores(best - step).sum() - scores(best + step).sum()) / (2 * step)
    by_site = np.bincount(site, scores(best))
    sites = int((np.bincount(site, leaves) > 0).sum())
    if slope <= 0 or sites < 2:
        return None
    se = float(np.sqrt((by_site**2).sum() * correction(sites)) / slope)
    return LeafDrop(
        *(float(value) for value in ratio_limits(best, se, df=sites - 1)),
        se,
        int(leaves.sum()),
        float((n * stretches["length"]).sum()),
        sites,
        _rates(stretches, dry),
    )


def _rates(stretches: pd.DataFrame, dry: Array) -> pd.DataFrame:
    """Leaves a plant-day by species and light, small groups drawn towards the others.

    Source: gamma-Poisson shrinkage of counts divided by their dispersion: leaves fall several at a time.
    """
    n = stretches["n"].to_numpy(dtype=float)
    rows = stretches[["species", "light", "leaves"]].assign(plant_days=n * stretches["length"], dry=dry)
    made = rows.groupby(["species", "light"], as_index=False)[["leaves", "plant_days", "dry"]].sum()
    mean = rows.merge(made.assign(rate=made["leaves"] / made["plant_days"]), on=["species", "light"], how="left")
    expected = np.maximum(mean["rate"].to_numpy() * rows["plant_days"].to_numpy(), 1e-12)
    dispersion = float(((rows["leaves"] - expected) ** 2 / expected).sum() / max(len(rows) - len(made), 1))
    times = max(dispersion, 1.0)
    leaves, days = made["leaves"].to_numpy(dtype=float), made["plant_days"].to_numpy(dtype=float)
    share = np.minimum(made["dry"] / days, 1.0)
    if len(made) < 2:
        se = np.sqrt(times / np.maximum(leaves, 0.5))
        return made.assign(rate=leaves / days, log_se=se, dry_share=share).drop(columns="dry")
    drawn = empirical_bayes.shrink(leaves / times, days / times)
    log_se = np.log(drawn.high / np.maximum(drawn.low, drawn.estimate / 50)) / 3.92
    return made.assign(rate=drawn.estimate, log_se=log_se, dry_share=share).drop(columns="dry")
