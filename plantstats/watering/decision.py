"""The visit interval of each site: within the limit on dryness for each plant, and among such intervals by money."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.settings import Assumptions
from plantstats.watering.costs import Costs
from plantstats.watering.distribution import Array
from plantstats.watering.scenarios import TAILS

NO_CHANGE, SHORTER, LONGER = "keep as is", "shorten", "lengthen"
LIKELY = 0.5  # chance of being beyond the limit from which the present interval breaks it


class Limits(NamedTuple):
    """Which intervals keep to the limit on dryness; arrays of sites x visit intervals, or of plants.

    `may`: may be advised. `sure`, plants x intervals: a plant is surely within the limit. `change_plant`: a plant is
    within it at no interval that the routes can keep. `must_shorten`, sites: the present interval breaks the limit of a
    plant that a shorter one would keep.
    """

    may: Array
    sure: Array
    change_plant: Array
    must_shorten: Array


def limits(within: Array, site: Array, now: Array, visit_days: tuple[int, ...], assumed: Assumptions) -> Limits:
    """Which intervals may be advised at each site.

    Parameters
    ----------
    within : numpy.ndarray, shape (plants, visit intervals)
        Probability that each plant, inspected at every visit, is found too dry at no more of its waterings than the
        limit allows.
    site : numpy.ndarray, shape (plants,)
        Number of each plant's site, from 0.
    now : numpy.ndarray, shape (sites,)
        Present visit interval, in days.
    visit_days : tuple of int
        Visit intervals, in days; those of `assumed.visit_days` can be kept by any route.
    assumed : Assumptions
        confidence, visit_days.

    Returns
    -------
    Limits

    Notes
    -----
    A longer interval must keep every plant within the limit, with the stated confidence. A shorter one must keep those
    that any interval keeps; the others are for a change of plant or planter, and do not call for more visits. The
    present interval may stay unless it is likelier than not that such a plant is beyond the limit at it.
    """
    days, n_sites = np.array(visit_days), len(now)
    offered = np.isin(days, assumed.visit_days)
    sure = within >= assumed.confidence
    change_plant = np.asarray(~sure[:, offered].any(axis=1))
    at_now = np.searchsorted(days, now)
    beyond_now: Array = within[np.arange(len(site)), at_now[site]] < LIKELY
    can_shorten = np.asarray(now > days[offered].min())
    must_shorten: Array = _any(beyond_now & ~change_plant, site, n_sites) & can_shorten
    keeps_all = ~_any(~sure, site, n_sites)
    keeps_those = ~_any(~sure & ~change_plant[:, None], site, n_sites)
    longer, shorter = days[None, :] > now[:, None], days[None, :] < now[:, None]
    may = ((longer & keeps_all) | (shorter & keeps_those)) & offered
    may[np.arange(n_sites), at_now] = ~must_shorten
    # Where no interval surely keeps them all: the shortest.
    may[~may.any(axis=1), int(np.flatnonzero(offered)[0])] = True
    return Limits(may, sure, change_plant, must_shorten)


def decide(
    names: Array,
    now: Array,
    visit_days: tuple[int, ...],
    costs: Costs,
    sampled: list[Costs],
    within: Array,
    site: Array,
    assumed: Assumptions,
) -> tuple[pd.DataFrame, Limits]:
    """The advised interval of each site, with the evidence for a change and its reason.

    Parameters
    ----------
    names, now : numpy.ndarray, shape (sites,)
        Site and present visit interval.
    visit_days : tuple of int
    costs : dict of str to numpy.ndarray
        Of sites x `visit_days`, by the estimates.
    sampled : list of dict of str to numpy.ndarray
        The same by samples.
    within, site : numpy.ndarray
        As in `limits`.
    assumed : Assumptions

    Returns
    -------
    sites : pandas.DataFrame
        One row per site: those columns of `Advice.sites` that rest on costs and limits, and times_dry_downs (how many
        times the dry-downs would settle a change that is not sure; missing: nothing to settle).
    limits : Limits

    Notes
    -----
    Among intervals within the limit the cheapest is taken, of those that cost as little (`cost_tolerance`) the
    shortest. Where the limit calls for a shorter interval, it is advised whatever it costs; any other change must be
    sure enough to save, and save more than `cost_tolerance`.
    """
    of = limits(within, site, now, visit_days, assumed)
    days, cost, rows = np.array(visit_days), costs["cost"], np.arange(len(names))
    at_now = np.searchsorted(days, now)
    allowed = np.where(of.may, cost, np.inf)
    good = allowed <= (1 + assumed.cost_tolerance) * allowed.min(axis=1)[:, None]
    target = good.argmax(axis=1)
    saving = cost[rows, at_now] - cost[rows, target]
    savings = np.stack([one["cost"][rows, at_now] - one["cost"][rows, target] for one in sampled])
    saves = (savings > 0).mean(axis=0)
    by_money = (saves >= assumed.confidence) & ~good[rows, at_now]
    change = of.must_shorten | by_money
    advised = np.where(change, target, at_now)
    z = stats.norm.ppf(assumed.confidence) * savings.std(axis=0) / np.where(saving > 0, saving, np.nan)
    low, high = np.quantile(savings, TAILS, axis=0)
    share = costs["too_dry"] / costs["waterings"]
    n_beyond = {
        at: np.bincount(site, within[np.arange(len(site)), column[site]] < LIKELY, minlength=len(names)).astype(int)
        for at, column in (("now", at_now), ("advised", advised))
    }
    certain = np.array([within[site == n, column].min() for n, column in enumerate(advised)])
    sites = pd.DataFrame(
        {
            "site_id": names,
            "now": now,
            "cheapest": days[allowed.argmin(axis=1)],
            "advised": days[advised],
            "decision": np.select([advised < at_now, advised > at_now], [SHORTER, LONGER], NO_CHANGE),
            "good_from": days[target],
            "good_to": days[_last_of_run(good, target)],
            "cost_now": cost[rows, at_now],
            "cost_advised": cost[rows, advised],
            "saving": saving,
            "saving_low": np.minimum(low, saving),
            "saving_high": np.maximum(high, saving),
            "probability": np.select([of.must_shorten, advised > at_now], [certain, np.minimum(saves, certain)], saves),
            "minutes_now": costs["minutes"][rows, at_now],
            "minutes_advised": costs["minutes"][rows, advised],
            "too_dry_now": share[rows, at_now],
            "too_dry_advised": share[rows, advised],
            "beyond_limit_now": n_beyond["now"],
            "beyond_limit_advised": n_beyond["advised"],
            "times_dry_downs": np.where(change | good[rows, at_now], np.nan, np.maximum(z**2, 1.0)),
        }
    )
    return sites.assign(reason=_reasons(sites, of, cost, days, at_now)), of


def _reasons(sites: pd.DataFrame, of: Limits, cost: Array, days: Array, at_now: Array) -> list[str]:
    """One reason per site, in words."""
    cheaper = cost < (cost[np.arange(len(cost)), at_now])[:, None]
    barred = np.asarray((cheaper & ~of.may & (days[None, :] > days[at_now][:, None])).any(axis=1))
    reasons = []
    for row, must, longer_barred in zip(sites.itertuples(), of.must_shorten, barred, strict=True):
        if must:
            reasons.append(f"{_plants(row.beyond_limit_now)} found too dry too often")
        elif row.decision == LONGER:
            reasons.append("no plant would be found too dry too often, and it saves")
        elif row.decision == SHORTER:
            reasons.append("it saves: fewer plants are lost or stand too dry")
        elif row.beyond_limit_now:
            reasons.append(f"{_plants(row.beyond_limit_now)} found too dry at any interval: change plant or planter")
        elif longer_barred:
            reasons.append("longer would be cheaper, but some plant would be found too dry, or may be")
        else:
            reasons.append("no plant is found too dry too often, and no other interval is clearly better")
    return reasons


def _plants(number: int) -> str:
    return "1 plant is" if number == 1 else f"{number:,} plants are"


def _any(of_plants: Array, site: Array, n_sites: int) -> Array:
    """Whether anything holds for any plant of each site; columns apart."""
    out = np.zeros((n_sites, *of_plants.shape[1:]), dtype=bool)
    np.logical_or.at(out, site, of_plants)
    return out


def _last_of_run(good: Array, first: Array) -> Array:
    """The last column of the unbroken run of good ones that begins at `first`."""
    return np.array([int(at + np.argmin(np.append(row[at:], False)) - 1) for at, row in zip(first, good, strict=True)])
