"""What standing plants cost at each look interval, by the estimates or by one of the ways they may be wrong."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import repeat
from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.watering.law import Array
from plantstats.watering.learn import Learned, Placed
from plantstats.watering.routes import PlantCosts, plant_costs

DRAWS, SEED = 100, 6


class Draw(NamedTuple):
    """One set of values as likely as the records leave them."""

    parameters: dict[bool, Array]
    ratio: float
    rates: Array  # losses per plant-day, in step with Learned.rates
    leaf_ratio: float  # 1, and no rates, where leaf drop has no price
    leaf_rates: Array  # leaves per plant-day, in step with LeafDrop.rates


def draws(learned: Learned, number: int = DRAWS, seed: int = SEED) -> Iterator[Draw]:
    """Draw what is not known for sure: drying, harm of over-dry days, loss rates. Same seed, same draws."""
    rng = np.random.Generator(np.random.PCG64(seed))
    parameters = {kind: fitted.draws(number, seed + 1 + kind) for kind, fitted in learned.dryings.items()}
    ratios = learned.harm.ratio * np.exp(learned.harm.log_se * rng.standard_normal(number))
    rate, se = (learned.rates[c].to_numpy(dtype=float) for c in ("rate", "log_se"))
    leaves = _leaf_draws(learned, number, seed)
    for n in range(number):
        yield Draw(
            {kind: rows[n] for kind, rows in parameters.items()},
            float(ratios[n]),
            rate * np.exp(se * rng.standard_normal(len(rate))),
            *next(leaves),
        )


def _leaf_draws(learned: Learned, number: int, seed: int) -> Iterator[tuple[float, Array]]:
    """The same for leaf drop, by a generator of its own: a price for leaves leaves the other draws as they are."""
    told = learned.leaves
    if told is None:
        yield from repeat((1.0, np.empty(0)), number)
        return
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 1])))
    rate, se = (told.rates[c].to_numpy(dtype=float) for c in ("rate", "log_se"))
    for _ in range(number):
        ratio = told.ratio * np.exp(told.log_se * rng.standard_normal())
        yield float(ratio), rate * np.exp(se * rng.standard_normal(len(rate)))


class Worth:
    """Standing plants with their prices, ready to be costed by the estimates or by a draw."""

    def __init__(self, plants: pd.DataFrame, learned: Learned, every: tuple[int, ...]) -> None:
        """For plants: species, light, pot, planter, heating, plants, replacement (cost of one), fee (per day)."""
        self._plants, self._learned, self._every = plants, learned, every
        self._placed = Placed(plants, learned, every)
        self._group = _groups(learned.rates, plants)
        self._leaf_group = _groups(learned.leaves.rates, plants) if learned.leaves else None
        self._replacement, self._fee = (plants[c].to_numpy(dtype=float) for c in ("replacement", "fee"))

    def costs(self, draw: Draw | None = None) -> PlantCosts:
        """Cost of each plant per quarter at each look interval.

        Gives:  PlantCosts. The recorded rates of losses and leaves hold over-dry days as they were; taking those out
                gives the rate on other days: rate / (1 + dry share x (ratio - 1)).
        """
        learned = self._learned
        ratio = learned.harm.ratio if draw is None else draw.ratio
        rate = learned.rates["rate"].to_numpy(dtype=float) if draw is None else draw.rates
        loss = _on_other_days(learned.rates, rate, ratio, self._group)
        made = self._placed.cycles(None if draw is None else draw.parameters)
        return plant_costs(
            self._plants,
            made,
            self._every,
            learned.price,
            learned.assumed,
            ratio,
            loss,
            self._replacement,
            self._fee,
            self._leaves_per_day(made.dry_share, draw),
        )

    def _leaves_per_day(self, dry_share: Array, draw: Draw | None) -> Array | None:
        """Green leaves that one plant drops in a day: plants x intervals; None where they have no price."""
        told = self._learned.leaves
        if told is None or self._leaf_group is None:
            return None
        ratio = told.ratio if draw is None else draw.leaf_ratio
        rate = told.rates["rate"].to_numpy(dtype=float) if draw is None else draw.leaf_rates
        plain = _on_other_days(told.rates, rate, ratio, self._leaf_group)
        return plain[:, None] * (1 + dry_share * (ratio - 1))


def _groups(rates: pd.DataFrame, plants: pd.DataFrame) -> Array:
    """The row of rates that speaks for each plant; -1: none does."""
    index = pd.MultiIndex.from_frame(rates[["species", "light"]])
    return np.asarray(index.get_indexer(pd.MultiIndex.from_frame(plants[["species", "light"]])))


def _on_other_days(rates: pd.DataFrame, rate: Array, ratio: float, group: Array) -> Array:
    """Each plant's rate on days that are not over-dry; a species never seen in this light has that of all plants."""
    plain = rate / (1 + rates["dry_share"].to_numpy(dtype=float) * (ratio - 1))
    return np.where(group >= 0, plain[group], np.average(plain, weights=rates["plant_days"].to_numpy(dtype=float)))
