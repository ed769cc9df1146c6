"""What days with topsoil left dry do to losses, learned within sites, species, light and season."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.exposure import LOSSES
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.collapse import Spells
from plantstats.watering.drying import Drying
from plantstats.watering.law import Array, still_moist

STEPS = 8  # parts of a gap over which the share dry is averaged

# From one look at a living plant to the next, or to the day on which its loss was noticed. Only what was known at
# the start of a gap counts: a dead plant is not watered, so what is read after a death must not. Gaps that begin
# with a plant found dry and left dry are left out: those are often plants already given up.
GAPS = f"""
    with lost as (
        select plant_id, min(coalesce(found_on, replaced_on) - date '1970-01-01')::bigint as found
        from replacements
        where outcome in {LOSSES} and coalesce(cause, '') != 'building_failure'
          and coalesce(found_on, replaced_on) <= ?
        group by plant_id
    ), looked as (
        select plant_id, "at", dry, watered, lead("at") over by_day as next, lead(dead) over by_day as next_dead
        from days where looks > 0
        window by_day as (partition by plant_id order by "at")
    )
    select s.site_id, s.species, s.light, s.pot, s.planter, s.heating, l."at" - s."at" as since,
           least(l.next, x.found) - l."at" as gap, count(*) as n,
           count(*) filter (where x.found is not null
                            and (l.next is null or x.found <= l.next or l.next_dead = 1)) as losses
    from looked l
    asof join spells s on s.plant_id = l.plant_id and l."at" >= s."at"
    left join lost x on x.plant_id = l.plant_id
    where (l.watered = 1 or l.dry = 0) and s.site_id is not null
      and (x.found is null or l."at" < x.found) and (l.next is not null or x.found is not null)
    group by all order by all
"""


class Harm(NamedTuple):
    """Loss rate on over-dry days as a multiple of that on others."""

    ratio: float
    low: float
    high: float
    log_se: float
    losses: int  # that the records' part rests on
    over_dry_days: float
    plant_days: float
    alone: float  # what the records say without the assumption; missing where they cannot say


def gaps(spells: Spells) -> pd.DataFrame:
    """Times between looks, with what was known at their start.

    Gives:  one row per distinct gap: site_id, species, light, pot, planter, heating, since (days from the last
            watering to its start), gap (days), n (gaps), losses.
    """
    return spells.engine.execute(GAPS, [spells.as_of]).df()


def over_dry_days(gaps: pd.DataFrame, drying: Drying) -> Array:
    """Days of each gap that are expected to pass with topsoil left dry, from what was known at its start.

    Source: the mean over the gap of 1 - S(t) / S(since).
    """
    scale, since = drying.log_scale(gaps), gaps["since"].to_numpy(dtype=float)
    length = gaps["gap"].to_numpy(dtype=float)
    start = np.maximum(still_moist(drying.law, since, scale, drying.shape), 1e-12)
    middles = [
        still_moist(drying.law, since + length * (step + 0.5) / STEPS, scale, drying.shape) for step in range(STEPS)
    ]
    moist = np.minimum(np.mean(middles, axis=0) / start, 1.0)
    return length * (1 - moist)


def over_dry_effect(gaps: pd.DataFrame, dry_days: Array, assumed: Assumptions) -> Harm:
    """How many times as many plants are lost per day with topsoil left dry.

    Takes:  gaps and their over-dry days (as `over_dry_days`); assumed: drought_rate_ratio and drought_log_sd.
    Gives:  Harm: the assumption and the records joined (posterior mode, normal on the log scale). Compared within
            site x species x light x season only: sites on frequent visits are often the hard ones, so sites are
            never compared with each other. What is left is association, not proof.
    Source: given a stratum's losses they fall on its gaps in proportion to n x (days not dry + ratio x days dry):
            the conditional likelihood of Poisson counts.
    """
    n, length = gaps["n"].to_numpy(dtype=float), gaps["gap"].to_numpy(dtype=float)
    losses = gaps["losses"].to_numpy(dtype=float)
    dry, other = n * dry_days, n * np.maximum(length - dry_days, 0.0)
    stratum = gaps.groupby(["site_id", "species", "light", "heating"], sort=False).ngroup().to_numpy()
    totals = np.bincount(stratum, losses)
    centre = np.log(assumed.drought_rate_ratio)

    def log_likelihood(log_ratio: float) -> float:
        at_risk = other + np.exp(log_ratio) * dry
        sums = np.bincount(stratum, at_risk)
        hit, had = losses > 0, totals > 0
        return float(
            losses[hit] @ np.log(np.maximum(at_risk[hit], 1e-12)) - totals[had] @ np.log(np.maximum(sums[had], 1e-12))
        )

    def both(log_ratio: float) -> float:
        return log_likelihood(log_ratio) - 0.5 * ((log_ratio - centre) / assumed.drought_log_sd) ** 2

    best = float(optimize.minimize_scalar(lambda x: -both(x), bounds=(-4, 5), method="bounded").x)
    step = 0.05
    bend = -(both(best + step) - 2 * both(best) + both(best - step)) / step**2
    se = float(1 / np.sqrt(max(bend, assumed.drought_log_sd**-2)))
    alone = float(optimize.minimize_scalar(lambda x: -log_likelihood(x), bounds=(-4, 5), method="bounded").x)
    inside = abs(alone) < 3.9 and alone < 4.9 and losses.sum() > 0
    reach = 1.96 * se
    return Harm(
        float(np.exp(best)),
        float(np.exp(best - reach)),
        float(np.exp(best + reach)),
        se,
        int(losses.sum()),
        float(dry.sum()),
        float((n * length).sum()),
        float(np.exp(alone)) if inside else np.nan,
    )
