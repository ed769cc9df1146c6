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
FEWEST_LEFT = 2  # plants by which a site can be judged without the others
LIKELY = 0.5  # chance of being beyond the limit from which the present interval breaks it


class Limits(NamedTuple):
    """Which intervals keep to the limit on dryness; arrays of sites x visit intervals, or of plants.

    `may`: may be advised. `sure`, plants x intervals: a plant is surely within the limit. `change_plant`: a plant is
    within it at no interval that the routes can keep. `must_shorten`, sites: the present interval breaks the limit of
    more than a handful of plants that a shorter one would keep.
    """

    may: Array
    sure: Array
    change_plant: Array
    must_shorten: Array


def handful(barred: Array, standing: Array, share: float) -> Array:
    """Whether so few plants of a site are barred that it is judged without them: at most a share of it, or one plant.

    Parameters
    ----------
    barred : numpy.ndarray, shape (sites, ...)
        Plants beyond the limit.
    standing : numpy.ndarray, shape (sites,)
        All plants of each site.
    share : float
        `Assumptions.handful_share`.

    Returns
    -------
    numpy.ndarray of bool
        At least two plants must be left to judge the site by.

    Examples
    --------
    >>> handful(np.array([0, 2, 3, 1]), np.array([9, 9, 6, 2]), 0.34)
    array([ True,  True, False, False])
    """
    standing = standing.reshape(-1, *[1] * (barred.ndim - 1))
    return (barred == 0) | ((barred <= np.maximum(1, share * standing)) & (standing - barred >= FEWEST_LEFT))


def limits(
    within: Array, site: Array, number: Array, now: Array, visit_days: tuple[int, ...], assumed: Assumptions
) -> Limits:
    """Which intervals may be advised at each site.

    Parameters
    ----------
    within : numpy.ndarray, shape (plants, visit intervals)
        Probability that each plant, inspected at every visit, is found too dry at no more of its waterings than the
        limit allows.
    site : numpy.ndarray, shape (plants,)
        Number of each plant's site, from 0.
    number : numpy.ndarray, shape (plants,)
        How many plants each row stands for.
    now : numpy.ndarray, shape (sites,)
        Present visit interval, in days.
    visit_days : tuple of int
        Visit intervals, in days; those of `assumed.visit_days` can be kept by any route.
    assumed : Assumptions
        confidence, visit_days, handful_share.

    Returns
    -------
    Limits

    Notes
    -----
    A longer interval must keep every plant within the limit, with the stated confidence. A shorter one must keep those
    that any interval keeps, but for a handful; the others are for a way out of their own, and do not call for more
    visits. The present interval may stay unless it is likelier than not that more than a handful of plants are beyond
    the limit at it.
    """
    days, n_sites, share = np.array(visit_days), len(now), assumed.handful_share
    offered = np.isin(days, assumed.visit_days)
    sure = within >= assumed.confidence
    change_plant = np.asarray(~sure[:, offered].any(axis=1))
    at_now = np.searchsorted(days, now)
    beyond_now: Array = within[np.arange(len(site)), at_now[site]] < LIKELY
    can_shorten = np.asarray(now > days[offered].min())
    standing = np.bincount(site, number, minlength=n_sites)
    few_now = handful(np.bincount(site, number * (beyond_now & ~change_plant), minlength=n_sites), standing, share)
    must_shorten: Array = ~few_now & can_shorten
    keeps_all = ~_any(~sure, site, n_sites)
    barred = np.stack(
        [np.bincount(site, number * each, minlength=n_sites) for each in (~sure & ~change_plant[:, None]).T], axis=1
    )
    keeps_those = handful(barred, standing, share)
    longer, shorter = days[None, :] > now[:, None], days[None, :] < now[:, None]
    may = ((longer & keeps_all) | (shorter & keeps_those)) & offered
    may[np.arange(n_sites), at_now] = ~must_shorten
    # Where no interval surely keeps them all: the shortest.
    may[~may.any(axis=1), int(np.flatnonzero(offered)[0])] = True
    return Limits(may, sure, change_plant, must_shorten)


def open_to_money(
    costs: Costs,
    within: Array,
    site: Array,
    number: Array,
    now: Array,
    visit_days: tuple[int, ...],
    assumed: Assumptions,
) -> Array:
    """Sites at which samples of costs may change the interval; elsewhere the limit or the estimates settle it.

    Parameters
    ----------
    costs, within, site, number, now, visit_days, assumed
        As in `decide`.

    Returns
    -------
    numpy.ndarray of bool, shape (sites,)
    """
    of = limits(within, site, number, now, visit_days, assumed)
    good = _good(costs["cost"], of, assumed)[1]
    return np.asarray(~of.must_shorten & ~good[np.arange(len(now)), np.searchsorted(visit_days, now)])


def _good(cost: Array, of: Limits, assumed: Assumptions) -> tuple[Array, Array]:
    """What each interval that may be advised costs, and those that cost about as little as the cheapest of them."""
    allowed = np.where(of.may, cost, np.inf)
    return allowed, allowed <= (1 + assumed.cost_tolerance) * allowed.min(axis=1)[:, None]


def decide(
    names: Array,
    now: Array,
    visit_days: tuple[int, ...],
    costs: Costs,
    sampled: list[Costs],
    within: Array,
    site: Array,
    number: Array,
    assumed: Assumptions,
) -> tuple[pd.DataFrame, Limits, Array]:
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
    within, site, number : numpy.ndarray
        As in `limits`.
    assumed : Assumptions

    Returns
    -------
    sites : pandas.DataFrame
        One row per site: those columns of `Advice.sites` that rest on costs and limits, and times_dry_downs (how many
        times the dry-downs would settle a change that is not sure; missing: nothing to settle).
    limits : Limits
    own_way_out : numpy.ndarray of bool, shape (plants,)
        Plants beyond the limit at the advised interval, for which a way out of their own is wanted.

    Notes
    -----
    Among intervals within the limit the cheapest is taken, of those that cost as little (`cost_tolerance`) the
    shortest. Where the limit calls for a shorter interval, it is advised whatever it costs; any other change must be
    sure enough to save, and save more than `cost_tolerance`.
    """
    of = limits(within, site, number, now, visit_days, assumed)
    days, cost, rows = np.array(visit_days), costs["cost"], np.arange(len(names))
    at_now = np.searchsorted(days, now)
    allowed, good = _good(cost, of, assumed)
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
        at: np.bincount(
            site, number * (within[np.arange(len(site)), column[site]] < LIKELY), minlength=len(names)
        ).astype(int)
        for at, column in (("now", at_now), ("advised", advised))
    }
    at_advised = within[np.arange(len(site)), advised[site]]
    surely = np.where((advised < at_now)[site], of.sure[np.arange(len(site)), advised[site]], at_advised >= LIKELY)
    own_way_out: Array = of.change_plant | ~surely
    standing = np.bincount(site, number, minlength=len(names))
    n_own = np.bincount(site, number * own_way_out, minlength=len(names)).astype(int)
    certain = np.ones(len(names))
    np.minimum.at(certain, site[~own_way_out], at_advised[~own_way_out])
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
            "own_way_out": n_own,
            "times_dry_downs": np.where(change | good[rows, at_now], np.nan, np.maximum(z**2, 1.0)),
        }
    )
    return sites.assign(reason=_reasons(sites, of, cost, days, at_now, standing)), of, own_way_out


def _reasons(sites: pd.DataFrame, of: Limits, cost: Array, days: Array, at_now: Array, standing: Array) -> list[str]:
    """One reason per site, in words."""
    cheaper = cost < (cost[np.arange(len(cost)), at_now])[:, None]
    barred = np.asarray((cheaper & ~of.may & (days[None, :] > days[at_now][:, None])).any(axis=1))
    reasons = []
    for row, must, longer_barred, all_of_it in zip(sites.itertuples(), of.must_shorten, barred, standing, strict=True):
        if must:
            few = f"; {_need_a_way_out(row.own_way_out)} even then" if row.own_way_out else ""
            reasons.append(f"{_plants(row.beyond_limit_now)} found too dry too often{few}")
        elif row.decision == LONGER:
            reasons.append("no plant would be found too dry too often, and it saves")
        elif row.decision == SHORTER:
            reasons.append("it saves: fewer plants are lost or stand too dry")
        elif row.own_way_out:
            others = "no interval suits them" if row.own_way_out == all_of_it else "the visits suit the others"
            reasons.append(f"{_need_a_way_out(row.own_way_out)}; {others}")
        elif longer_barred:
            reasons.append("longer would be cheaper, but some plant would be found too dry, or may be")
        else:
            reasons.append("no plant is found too dry too often, and no other interval is clearly better")
    return reasons


def _plants(number: int) -> str:
    return "1 plant is" if number == 1 else f"{number:,} plants are"


def _need_a_way_out(number: int) -> str:
    return "1 plant needs a way out of its own" if number == 1 else f"{number:,} plants need a way out of their own"


def _any(of_plants: Array, site: Array, n_sites: int) -> Array:
    """Whether anything holds for any plant of each site; columns apart."""
    out = np.zeros((n_sites, *of_plants.shape[1:]), dtype=bool)
    np.logical_or.at(out, site, of_plants)
    return out


def _last_of_run(good: Array, first: Array) -> Array:
    """The last column of the unbroken run of good ones that begins at `first`."""
    return np.array([int(at + np.argmin(np.append(row[at:], False)) - 1) for at, row in zip(first, good, strict=True)])
