"""How many green leaves drop, and how many more on days with topsoil left dry: what a price per leaf is laid on."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.leaves.inputs import FIGS, MAX_DAYS
from plantstats.stats import empirical_bayes
from plantstats.stats.clusters import correction
from plantstats.stats.intervals import log_se, ratio_limits
from plantstats.watering.design import groups_of
from plantstats.watering.distribution import Array
from plantstats.watering.drought_effect import STRATUM
from plantstats.watering.dry_down_table import DryDowns

FEWEST = 50  # leaves from which a ratio is learned at all (rule of thumb)
WIDEST = 4.0  # of the logarithm of the ratio: a larger one (55 times) says that the records cannot tell

# Leaves counted at an inspection fell since the one before. As for losses (see `drought_effect`), an interval speaks
# only where its beginning was known: watered, or found moist. In figs the drop follows rewatering (Graves, abstract:
# most of it within a day), so theirs is held against the days left dry in the interval before that of the count.
COUNT_INTERVALS = """
    with counted as (
        select plant_id, date_diff('day', date '1970-01-01', visited_on) as "at", sum(leaves_dropped)::bigint as leaves
        from visits where plant_id is not null and leaves_dropped is not null group by all
    ), inspected as (
        select plant_id, "at", dry, watered, wetted, next, next_dead, lag("at") over by_day as earlier,
               lag(dry) over by_day as earlier_dry, lag(watered) over by_day as earlier_watered,
               lag(wetted) over by_day as earlier_wetted
        from days where inspections > 0 window by_day as (partition by plant_id order by "at")
    ), held as (
        select i.plant_id, i.next - i."at" as length, c.leaves,
               case when list_contains($figs, f.species) then earlier else i."at" end as begins,
               case when list_contains($figs, f.species) then i."at" - earlier else i.next - i."at" end as gap,
               case when list_contains($figs, f.species) then earlier_dry else dry end as begun_dry,
               case when list_contains($figs, f.species) then earlier_watered else watered end as begun_watered,
               case when list_contains($figs, f.species) then earlier_wetted else wetted end as wetted,
               greatest(f.n_listed, 1) as plants
        from inspected i join follow f on f.plant_id = i.plant_id
        join counted c on c.plant_id = i.plant_id and c."at" = i.next
        where i.next_dead = 0 and i.next - i."at" between 1 and $longest
    )
    select d.site_id, d.species, d.light, d.pot, d.planter, d.heating, h.begins - d."at" as since, h.gap, h.length,
           sum(h.plants)::bigint as n, sum(h.leaves)::bigint as leaves
    from held h join dry_downs d on d.plant_id = h.plant_id and d."at" = h.wetted
    where (h.begun_watered = 1 or h.begun_dry = 0) and h.begins is not null and h.gap > 0 and d.site_id is not null
    group by all order by all
"""


class LeafDrop(NamedTuple):
    """Green leaves on days with topsoil left dry as a multiple of those on other days, and how many drop.

    `rates` has one row per species and light: leaves, plant_days, rate (a plant-day, as practised), log_se, dry_share.
    """

    ratio: float
    low: float
    high: float
    log_se: float
    leaves: int
    plant_days: float
    sites: int
    rates: pd.DataFrame


def count_intervals(dry_downs: DryDowns) -> pd.DataFrame:
    """Times between inspections at whose end fallen green leaves were counted.

    Parameters
    ----------
    dry_downs : DryDowns
        As `dry_down_table.build` gives them.

    Returns
    -------
    pandas.DataFrame
        One row per distinct interval: site_id, species, light, pot, planter, heating; since, gap (days: beginning since
        the last watering, and length, of the time whose dry days count); length (days over which the leaves fell); n
        (plants), leaves.
    """
    known = dry_downs.sql("select distinct species from follow where species is not null")["species"]
    figs = known[groups_of(known).eq(FIGS)].tolist()
    return dry_downs.engine.sql(COUNT_INTERVALS, {"figs": figs, "longest": MAX_DAYS})


def leaf_drop(intervals: pd.DataFrame, dry_days: Array) -> LeafDrop | None:
    """How many times as many leaves drop per day with topsoil left dry, and the rates by species and light.

    Parameters
    ----------
    intervals : pandas.DataFrame
        As `count_intervals`.
    dry_days : numpy.ndarray, shape (intervals,)
        Expected days left dry that belong to each (as `drought_effect.dry_days`).

    Returns
    -------
    LeafDrop or None
        None where the records cannot say: too few leaves, one site, or no finite answer.

    Notes
    -----
    Conditional likelihood of Poisson counts (see `drought_effect`), its score taken as an estimating equation, within
    site x species x light x season only; limits allow for leaves of one site falling together: sandwich over sites with
    G / (G - 1), Student's t. Association, not proof.

    References
    ----------
    Liang and Zeger 1986, Biometrika 73:13.
    """
    leaves, n, length = (intervals[c].to_numpy(dtype=float) for c in ("leaves", "n", "length"))
    dry, other = n * dry_days, n * np.maximum(length - dry_days, 0.0)
    site, names = pd.factorize(intervals["site_id"])
    stratum = intervals.groupby(STRATUM, sort=False).ngroup().to_numpy()
    if leaves.sum() < FEWEST or len(names) < 2:
        return None
    totals = np.bincount(stratum, leaves)

    def scores(log_ratio: float) -> Array:
        """Each row's part of the score: leaves seen less those that its stratum's would put there, on dry days."""
        weighted = np.exp(log_ratio) * dry
        at_risk = np.maximum(other + weighted, 1e-12)
        of_stratum = np.maximum(np.bincount(stratum, at_risk), 1e-12)
        return leaves * weighted / at_risk - totals[stratum] * weighted / of_stratum[stratum]

    if not scores(-WIDEST).sum() > 0 > scores(WIDEST).sum():
        return None
    best = float(optimize.brentq(lambda x: float(scores(x).sum()), -WIDEST, WIDEST))
    step = 1e-4
    slope = float(scores(best - step).sum() - scores(best + step).sum()) / (2 * step)
    n_sites = int((np.bincount(site, leaves) > 0).sum())
    if slope <= 0 or n_sites < 2:
        return None
    se = float(np.sqrt((np.bincount(site, scores(best)) ** 2).sum() * correction(n_sites)) / slope)
    ratio, low, high = (float(value) for value in ratio_limits(best, se, df=n_sites - 1))
    return LeafDrop(ratio, low, high, se, int(leaves.sum()), float(n @ length), n_sites, _rates(intervals, dry))


def _rates(intervals: pd.DataFrame, dry: Array) -> pd.DataFrame:
    """Leaves a plant-day by species and light, small groups shrunk towards the others.

    Gamma-Poisson shrinkage of counts divided by their dispersion: leaves fall several at a time.
    """
    by = ["species", "light"]
    rows = intervals[[*by, "leaves"]].assign(plant_days=intervals["n"] * intervals["length"], dry=dry)
    rows = rows.astype({"plant_days": "float64"})
    sums = rows.groupby(by, as_index=False)[["leaves", "plant_days", "dry"]].sum()
    mean = rows[by].merge(sums.assign(rate=sums["leaves"] / sums["plant_days"]), on=by, how="left")["rate"]
    expected = np.maximum(mean.to_numpy() * rows["plant_days"].to_numpy(), 1e-12)
    chi_square = float(((rows["leaves"] - expected) ** 2 / expected).sum())
    dispersion = max(chi_square / max(len(rows) - len(sums), 1), 1.0)
    leaves, days = sums["leaves"].to_numpy(dtype=float), sums["plant_days"].to_numpy(dtype=float)
    rates = sums.assign(dry_share=np.minimum(sums["dry"] / days, 1.0)).drop(columns="dry")
    if len(rates) < 2:
        return rates.assign(rate=leaves / days, log_se=np.sqrt(dispersion / np.maximum(leaves, 0.5)))
    shrunk = empirical_bayes.shrink(leaves / dispersion, days / dispersion)
    return rates.assign(rate=shrunk.estimate, log_se=log_se(np.maximum(shrunk.low, shrunk.estimate / 50), shrunk.high))
