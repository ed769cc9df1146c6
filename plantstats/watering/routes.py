"""What a site costs in a quarter at each visit interval, and which plants keep it from a longer one."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.intervals import Cycle
from plantstats.watering.law import Array
from plantstats.watering.prices import Prices

QUARTER_DAYS = 365.25 / 4
PARTS = ("labour", "losses", "fee", "leaves")  # what a plant's cost is made of; visits come by the site
FEW = 0.25  # plants that force an interval are named when they are at most this share of the site


@dataclass(frozen=True)
class PlantCosts:
    """What each plant costs per quarter at each look interval: arrays are plants x intervals."""

    every: tuple[int, ...]
    money: Array
    minutes: Array
    losses: Array
    waterings: Array
    too_dry: Array  # share of waterings that find it too dry
    parts: dict[str, Array] = field(default_factory=dict)  # of the money, by PARTS

    def take(self, rows: Array) -> PlantCosts:
        """Those of some of the plants."""
        return PlantCosts(
            self.every,
            self.money[rows],
            self.minutes[rows],
            self.losses[rows],
            self.waterings[rows],
            self.too_dry[rows],
            {name: part[rows] for name, part in self.parts.items()},
        )


def look_days(visit_days: tuple[int, ...], longest: int) -> tuple[int, ...]:
    """Every interval at which a plant may be looked at: whole numbers of visits, none beyond `longest`."""
    many = {k * v for v in visit_days for k in range(1, max(longest // v, 1) + 1)}
    return tuple(sorted(many))


def plant_costs(
    plants: pd.DataFrame,
    cycle: Cycle,
    every: tuple[int, ...],
    price: Prices,
    assumed: Assumptions,
    ratio: float,
    loss_per_day: Array,
    replacement: Array,
    fee_per_day: Array,
    leaves_per_day: Array | None = None,
) -> PlantCosts:
    """What each plant costs in a quarter when looked at every so many days.

    Takes:  plants: one row per plant: pot, plants (how many it stands for); cycle: as `Cycles.at`, plants x every;
            ratio: loss rate on over-dry days, times that on others; loss_per_day: on days that are not; replacement:
            cost of one; fee_per_day: what the client pays for one; leaves_per_day: that one drops, plants x every, or
            None where leaf drop has no price.
    Gives:  PlantCosts: looks and waterings at the wage, extra work for plants found too dry, expected losses, the fee
            for days on which a plant stands too dry (what was sold is not delivered), and dropped leaves.
    """
    days = np.array(every, dtype=float)
    number = plants["plants"].to_numpy(dtype=float)[:, None]
    look = plants["pot"].map(price.look_minutes).to_numpy(dtype=float)[:, None]
    pour = plants["pot"].map(price.watering_minutes).to_numpy(dtype=float)[:, None]
    looks, waterings = QUARTER_DAYS / days * (1 - price.missed), QUARTER_DAYS / cycle.gap
    minutes = number * (looks * look + waterings * (pour + cycle.too_dry * assumed.too_dry_minutes))
    losses = number * QUARTER_DAYS * loss_per_day[:, None] * (1 + cycle.dry_share * (ratio - 1))
    undelivered = number * QUARTER_DAYS * cycle.too_dry_days * assumed.too_dry_charge * fee_per_day[:, None]
    leaves = np.zeros_like(minutes) if leaves_per_day is None else number * QUARTER_DAYS * leaves_per_day
    cleaning = leaves * (assumed.dropped_leaf_minutes or 0.0)
    parts = {
        "labour": minutes * price.wage / 60,
        "losses": losses * replacement[:, None],
        "fee": undelivered,
        "leaves": cleaning * price.wage / 60 + leaves * (assumed.dropped_leaf_cost or 0.0),
    }
    money = parts["labour"] + parts["losses"] + parts["fee"] + parts["leaves"]
    return PlantCosts(every, money, minutes + cleaning, losses, number * waterings, cycle.too_dry, parts)


def best_looks(costs: PlantCosts, visit_every: int, most: float) -> Array:
    """The cheapest look interval of each plant when its site is visited every so many days.

    Takes:  most: a visit passes a plant by only where at most this share of its waterings then finds it too dry.
    Gives:  columns of `costs.every`, one per plant.
    """
    columns = np.array([c for c, days in enumerate(costs.every) if days % visit_every == 0])
    part = costs.money[:, columns].copy()
    part[:, 1:][costs.too_dry[:, columns[1:]] > most] = np.inf
    return columns[part.argmin(axis=1)]


@dataclass(frozen=True)
class SiteCosts:
    """What sites cost per quarter at each visit interval: arrays are sites x intervals."""

    visit_days: tuple[int, ...]
    money: Array
    minutes: Array
    too_dry: Array  # share of waterings that find a plant too dry
    waterings: Array
    parts: dict[str, Array]  # of the money: visits, and PARTS


def site_costs(
    costs: PlantCosts, site: Array, sites: int, visit_days: tuple[int, ...], price: Prices, most: float
) -> SiteCosts:
    """Add plants and visits up.

    Takes:  site: number of each plant's site, 0 to sites - 1; most: as `best_looks`.
    Gives:  SiteCosts.
    """
    out = {name: np.empty((sites, len(visit_days))) for name in ("money", "minutes", "too_dry", "waterings")}
    parts = {name: np.empty((sites, len(visit_days))) for name in ("visits", *costs.parts)}
    for column, days in enumerate(visit_days):
        pick = (np.arange(len(site)), best_looks(costs, days, most))
        waterings = costs.waterings[pick]

        def total(values: Array) -> Array:
            return np.bincount(site, values, minlength=sites)

        parts["visits"][:, column] = QUARTER_DAYS / days * price.visit
        for name, part in costs.parts.items():
            parts[name][:, column] = total(part[pick])
        out["money"][:, column] = total(costs.money[pick]) + parts["visits"][:, column]
        out["minutes"][:, column] = total(costs.minutes[pick])
        out["waterings"][:, column] = total(waterings)
        out["too_dry"][:, column] = total(waterings * costs.too_dry[pick]) / out["waterings"][:, column]
    return SiteCosts(visit_days, **out, parts=parts)


def allowed(made: SiteCosts, now: Array, most: float) -> Array:
    """Which intervals may be advised at each site: those not longer than now, and those that leave few too dry."""
    return (made.too_dry <= most) | (np.array(made.visit_days)[None, :] <= now[:, None])


def forcing(extra: Array, saved: float, too_dry: Array, most: float) -> Array:
    """The few plants that keep a site from the next longer interval.

    Takes:  extra: what each plant of the site would cost more at the longer interval; saved: what its fewer visits
            would save; too_dry: pairs of waterings and those of them that find it too dry there, per plant (n x 2);
            most: share of waterings that may.
    Gives:  numbers of the plants, the strongest first: without them the longer interval would pay and leave few too
            dry. None when it does so anyway, or when they are more than a quarter of the plants.
    """
    excess = too_dry[:, 1] - most * too_dry[:, 0]
    weight = extra / max(saved, 1e-9) + np.where(excess.sum() > 0, excess / max(excess.sum(), 1e-9), 0.0)
    order = np.argsort(-weight, kind="stable")

    def left(values: Array) -> Array:
        return values.sum() - np.concatenate([[0.0], np.cumsum(values[order])])

    enough = np.flatnonzero((left(extra) < saved) & (left(excess) <= 1e-12))
    if not len(enough) or enough[0] == 0 or enough[0] > max(1, int(FEW * len(extra))):
        return order[:0]
    return order[: enough[0]]
