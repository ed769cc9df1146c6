"""What days with topsoil left dry do to losses, learned within sites, species, light and season."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.exposure import LOSSES
from plantstats.stats.intervals import ratio_limits
from plantstats.watering import distribution
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.distribution import Array
from plantstats.watering.dry_down_table import DryDowns
from plantstats.watering.drying import DryingModel

STEPS = 8  # parts of a gap over which the share dry is averaged
STRATUM = ["site_id", "species", "light", "heating"]

# From one inspection of a living plant to the next, or to the day on which its loss was noticed. Only what was known
# at the start of a gap counts: a dead plant is not watered, so what is read after a death must not. Gaps that begin
# with a plant found dry and left dry are left out: those are often plants already given up.
GAPS = f"""
    with lost as (
        select plant_id, min(date_diff('day', date '1970-01-01', coalesce(found_on, replaced_on)))::bigint as found
        from replacements
        where outcome in {LOSSES} and coalesce(cause, '') != 'building_failure'
          and coalesce(found_on, replaced_on) <= ? and not list_contains(?, plant_id)
        group by plant_id
    )
    select d.site_id, d.species, d.light, d.pot, d.planter, d.heating, i."at" - d."at" as since,
           least(i.next, x.found) - i."at" as gap, count(*) as n,
           count(*) filter (where x.found is not null
                            and (i.next is null or x.found <= i.next or i.next_dead = 1)) as losses
    from days i
    join dry_downs d on d.plant_id = i.plant_id and d."at" = i.wetted
    left join lost x on x.plant_id = i.plant_id
    where i.inspections > 0 and (i.watered = 1 or i.dry = 0) and d.site_id is not null
      and (x.found is null or i."at" < x.found) and (i.next is not null or x.found is not null)
    group by all order by all
"""


class RateRatio(NamedTuple):
    """Loss rate on drought days (topsoil left dry) as a multiple of that on others."""

    ratio: float
    low: float
    high: float
    log_se: float
    losses: int = 0  # that the records' part rests on
    dry_days: float = 0.0
    plant_days: float = 0.0
    records_alone: float = np.nan  # what the records say without the assumption; missing where they cannot say


def gaps(dry_downs: DryDowns, of_events: Sequence[str] = ()) -> pd.DataFrame:
    """Times between inspections, with what was known at their start.

    Parameters
    ----------
    dry_downs : DryDowns
        As `dry_down_table.build` gives them.
    of_events : sequence of str
        Plants lost to a common-cause event (see `losses.common_cause`): thirst did not take them.

    Returns
    -------
    pandas.DataFrame
        One row per distinct gap: site_id, species, light, pot, planter, heating, since (days from the last watering to
        its start), gap (days), n (gaps), losses.
    """
    return dry_downs.sql(GAPS, [dry_downs.as_of, list(of_events)])


def dry_days(gaps: pd.DataFrame, drying: DryingModel) -> Array:
    """Days of each gap that are expected to pass with topsoil left dry, from what was known at its start.

    Parameters
    ----------
    gaps : pandas.DataFrame
        As `gaps` gives them.
    drying : DryingModel
        Of soil.

    Returns
    -------
    numpy.ndarray, shape (gaps,)

    Notes
    -----
    The mean over the gap of 1 - S(t) / S(since).
    """
    since, length = (gaps[c].to_numpy(dtype=float) for c in ("since", "gap"))
    scale = drying.log_scale(gaps)

    def still_moist(days: Array) -> Array:
        return distribution.still_moist(drying.family, days, scale, drying.shape)

    at_start = np.maximum(still_moist(since), 1e-12)
    middles = [still_moist(since + length * (step + 0.5) / STEPS) for step in range(STEPS)]
    return length * (1 - np.minimum(np.mean(middles, axis=0) / at_start, 1.0))


def drought_effect(gaps: pd.DataFrame, dry_days: Array, assumed: Assumptions) -> RateRatio:
    """How many times as many plants are lost per day with topsoil left dry.

    Parameters
    ----------
    gaps : pandas.DataFrame
        As `gaps`.
    dry_days : numpy.ndarray, shape (gaps,)
        As `dry_days`.
    assumed : Assumptions
        drought_rate_ratio and drought_log_sd: the prior.

    Returns
    -------
    RateRatio
        The assumption and the records joined: posterior mode, normal on the log scale.

    Notes
    -----
    Given a stratum's losses they fall on its gaps in proportion to n x (days not dry + ratio x days dry): the
    conditional likelihood of Poisson counts. Compared within site x species x light x season only: sites on frequent
    visits are often the hard ones, so sites are never compared with each other. What is left is association, not proof.
    """
    n, length, losses = (gaps[c].to_numpy(dtype=float) for c in ("n", "gap", "losses"))
    dry, other = n * dry_days, n * np.maximum(length - dry_days, 0.0)
    stratum = gaps.groupby(STRATUM, sort=False, dropna=False).ngroup().to_numpy()
    if not len(losses):  # no plant was inspected twice: the assumption alone
        ratio, low, high = (float(v) for v in ratio_limits(np.log(assumed.drought_rate_ratio), assumed.drought_log_sd))
        return RateRatio(ratio, low, high, assumed.drought_log_sd)
    totals = np.bincount(stratum, losses)
    hit, had = losses > 0, totals > 0
    centre, sd = np.log(assumed.drought_rate_ratio), assumed.drought_log_sd

    def log_likelihood(log_ratio: float) -> float:
        at_risk = other + np.exp(log_ratio) * dry
        sums = np.bincount(stratum, at_risk)
        gained = losses[hit] @ np.log(np.maximum(at_risk[hit], 1e-12))
        return float(gained - totals[had] @ np.log(np.maximum(sums[had], 1e-12)))

    def log_posterior(log_ratio: float) -> float:
        return log_likelihood(log_ratio) - 0.5 * ((log_ratio - centre) / sd) ** 2

    best = float(optimize.minimize_scalar(lambda x: -log_posterior(x), bounds=(-4, 5), method="bounded").x)
    step = 0.05
    curvature = -(log_posterior(best + step) - 2 * log_posterior(best) + log_posterior(best - step)) / step**2
    se = float(1 / np.sqrt(max(curvature, sd**-2)))
    alone = float(optimize.minimize_scalar(lambda x: -log_likelihood(x), bounds=(-4, 5), method="bounded").x)
    inside = abs(alone) < 3.9 and alone < 4.9 and losses.sum() > 0
    ratio, low, high = (float(value) for value in ratio_limits(best, se))
    return RateRatio(
        ratio,
        low,
        high,
        se,
        int(losses.sum()),
        float(dry.sum()),
        float((n * length).sum()),
        float(np.exp(alone)) if inside else np.nan,
    )
