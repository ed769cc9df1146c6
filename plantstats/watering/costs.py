"""What plants and sites cost in a quarter at each interval.

Costs are a dict of arrays, quantity -> plants (or sites) x intervals: the parts of the money (`MONEY`, and "visiting"
for sites), "cost" (their sum), "minutes" at the plants, "waterings", and "too_dry" (waterings of plants that stood dry
too long). All of them add up over plants.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from functools import reduce

import numpy as np
import pandas as pd

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.cycle import Cycle
from plantstats.watering.distribution import Array
from plantstats.watering.prices import Prices

QUARTER_DAYS = 365.25 / 4
MONEY = ("labour", "losses", "fee", "leaves")  # parts of a plant's cost; visits come by the site
Costs = dict[str, Array]


def inspection_intervals(visit_days: tuple[int, ...], longest: int) -> tuple[int, ...]:
    """Intervals at which a plant may be inspected: whole numbers of visits, none beyond `longest`.

    Parameters
    ----------
    visit_days : tuple of int
        Visit intervals that are offered, in days.
    longest : int
        In days.

    Returns
    -------
    tuple of int
        Days, rising.

    Examples
    --------
    >>> inspection_intervals((7, 14), 21)
    (7, 14, 21)
    """
    return tuple(sorted({k * v for v in visit_days for k in range(1, max(longest // v, 1) + 1)}))


def minutes_by_pot(pot: pd.Categorical, price: Prices) -> dict[str, Array]:
    """Minutes at each plant, which go by the pot: looked up once a pot, not once a plant.

    Parameters
    ----------
    pot : pandas.Categorical
        Pot class of each plant.
    price : Prices

    Returns
    -------
    dict of str to numpy.ndarray
        inspection_minutes, watering_minutes: missing where the prices know no such pot.
    """
    known = {"inspection_minutes": price.inspection_minutes, "watering_minutes": price.watering_minutes}
    return {
        name: np.array([*(minutes.get(each, np.nan) for each in pot.categories), np.nan])[pot.codes]
        for name, minutes in known.items()
    }


def plant_costs(
    plants: Mapping[str, Array] | pd.DataFrame,
    cycle: Cycle,
    every: tuple[int, ...] | Array,
    price: Prices,
    assumed: Assumptions,
    loss_per_day: Array,
    leaves_per_day: Array,
) -> Costs:
    """What each plant costs in a quarter when inspected every so many days.

    Parameters
    ----------
    plants : pandas.DataFrame or mapping of str to array_like
        One row per plant: plants (how many it stands for), replacement (cost of one), fee (per day, of one), and the
        columns of `minutes_by_pot`.
    cycle : Cycle
        Arrays of plants x intervals.
    every : tuple of int or numpy.ndarray
        The intervals, in days; of shape (plants, 1) where each plant has its own.
    price : Prices
    assumed : Assumptions
    loss_per_day, leaves_per_day : numpy.ndarray, shape (plants, intervals)
        Expected losses and dropped leaves of one plant (leaves: one 0 where they have no price).

    Returns
    -------
    dict of str to numpy.ndarray
        Inspections and waterings at the wage, extra work for plants found too dry, expected losses, the fee for days on
        which a plant stands too dry (what was sold is not delivered), and dropped leaves.
    """
    # Plants beside each other in all that follows: one step of the processor's for many of them.
    number, replacement, fee, inspection_minutes, watering_minutes = (
        np.asarray(plants[name], dtype=float)
        for name in ("plants", "replacement", "fee", "inspection_minutes", "watering_minutes")
    )
    days, gap, _, too_dry, too_dry_days = np.atleast_2d(every).T, *(each.T for each in cycle)
    inspections, waterings = QUARTER_DAYS / days * (1 - price.missed), QUARTER_DAYS / gap
    watering = waterings * (watering_minutes + too_dry * assumed.too_dry_minutes)
    minutes = number * (inspections * inspection_minutes + watering)
    leaves = number * QUARTER_DAYS * leaves_per_day.T
    cleaning = leaves * (assumed.dropped_leaf_minutes or 0.0)
    parts = {
        "labour": minutes * price.wage / 60,
        "losses": number * QUARTER_DAYS * loss_per_day.T * replacement,
        "fee": number * QUARTER_DAYS * too_dry_days * assumed.too_dry_charge * fee,
        "leaves": np.broadcast_to(
            cleaning * price.wage / 60 + leaves * (assumed.dropped_leaf_cost or 0.0), minutes.shape
        ),
    }
    waterings = number * waterings
    sums = {
        **parts,
        "cost": reduce(np.add, parts.values()),
        "minutes": minutes + cleaning,
        "waterings": waterings,
        "too_dry": waterings * too_dry,
    }
    return {name: each.T for name, each in sums.items()}


def best_inspections(cost: Array, within: Array, every: tuple[int, ...], visit_every: int) -> Array:
    """The cheapest inspection interval of each plant when its site is visited every so many days.

    Parameters
    ----------
    cost : numpy.ndarray, shape (plants, intervals)
    within : numpy.ndarray of bool, shape (plants, intervals)
        Whether the plant is then within the limit on dryness: a visit passes a plant by only where it is.
    every : tuple of int
        The intervals, in days.
    visit_every : int

    Returns
    -------
    numpy.ndarray, shape (plants,)
        Columns of `every`.
    """
    first, *others = [column for column, days in enumerate(every) if days % visit_every == 0]
    chosen, least = np.full(len(cost), first), cost[:, first]
    for column in others:
        less = within[:, column] & (cost[:, column] < least)
        chosen[less] = column
        least = np.where(less, cost[:, column], least)
    return chosen


def within_limit(costs: Costs, max_too_dry_share: float) -> Array:
    """Whether no more than this share of waterings finds a plant too dry, in the shape of the costs.

    Parameters
    ----------
    costs : Costs
        As `costs.plant_costs` gives them.
    max_too_dry_share : float
        Between 0 and 1.

    Returns
    -------
    numpy.ndarray of bool
    """
    return costs["too_dry"] <= max_too_dry_share * costs["waterings"]


def site_costs(
    costs: Costs,
    within: Array,
    every: tuple[int, ...],
    site: Array,
    visit_days: tuple[int, ...],
    visit_price: float,
    quantities: Collection[str] | None = None,
) -> Costs:
    """Add plants and visits up.

    Parameters
    ----------
    costs : dict of str to numpy.ndarray
        Of plants x `every`.
    within : numpy.ndarray of bool, shape (plants, intervals)
        As `within_limit`: a visit passes a plant by only where it is.
    every : tuple of int
    site : numpy.ndarray, shape (plants,)
        Number of each plant's site, from 0.
    visit_days : tuple of int
        Visit intervals.
    visit_price : float
    quantities : collection of str, optional
        Which ones are wanted beside "visiting", "cost" among them; None for all.

    Returns
    -------
    dict of str to numpy.ndarray
        Of sites x `visit_days`.
    """
    rows = np.arange(len(site))
    chosen = [best_inspections(costs["cost"], within, every, days) * len(site) + rows for days in visit_days]
    sums = {
        name: np.stack([np.bincount(site, values.ravel("F").take(at)) for at in chosen], axis=1)
        for name, values in costs.items()
        if quantities is None or name in quantities
    }
    visiting = np.broadcast_to(QUARTER_DAYS / np.array(visit_days) * visit_price, sums["cost"].shape)
    return {**sums, "visiting": visiting, "cost": sums["cost"] + visiting}
