"""What standing plants cost at each look interval, by the estimates or by one of the ways they may be wrong."""

from __future__ import annotations

from collections.abc import Iterator
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


def draws(learned: Learned, number: int = DRAWS, seed: int = SEED) -> Iterator[Draw]:
    """Draw what is not known for sure: drying, harm of over-dry days, loss rates. Same seed, same draws."""
    rng = np.random.Generator(np.random.PCG64(seed))
    parameters = {kind: fitted.draws(number, seed + 1 + kind) for kind, fitted in learned.dryings.items()}
    ratios = learned.harm.ratio * np.exp(learned.harm.log_se * rng.standard_normal(number))
    rate, se = (learned.rates[c].to_numpy(dtype=float) for c in ("rate", "log_se"))
    for n in range(number):
        yield Draw(
            {kind: rows[n] for kind, rows in parameters.items()},
            float(ratios[n]),
            rate * np.exp(se * rng.standard_normal(len(rate))),
        )


class Worth:
    """Standing plants with their prices, ready to be costed by the estimates or by a draw."""

    def __init__(self, plants: pd.DataFrame, learned: Learned, every: tuple[int, ...]) -> None:
        """For plants: species, light, pot, planter, heating, plants, replacement (cost of one), fee (per day)."""
        self._plants, self._learned, self._every = plants, learned, every
        self._placed = Placed(plants, learned, every)
        index = pd.MultiIndex.from_frame(learned.rates[["species", "light"]])
        self._group = index.get_indexer(pd.MultiIndex.from_frame(plants[["species", "light"]]))
        self._replacement, self._fee = (plants[c].to_numpy(dtype=float) for c in ("replacement", "fee"))

    def costs(self, draw: Draw | None = None) -> PlantCosts:
        """Cost of each plant per quarter at each look interval.

        Gives:  PlantCosts. The recorded loss rate holds over-dry days as they were; taking those out gives the rate
                on other days: rate / (1 + dry share x (ratio - 1)).
        """
        learned = self._learned
        ratio = learned.harm.ratio if draw is None else draw.ratio
        rate = learned.rates["rate"].to_numpy(dtype=float) if draw is None else draw.rates
        plain = rate / (1 + learned.rates["dry_share"].to_numpy(dtype=float) * (ratio - 1))
        days = learned.rates["plant_days"].to_numpy(dtype=float)
        # A species never seen in this light is lost as often as all plants are.
        loss = np.where(self._group >= 0, plain[self._group], np.average(plain, weights=days))
        made = self._placed.cycles(None if draw is None else draw.parameters)
        return plant_costs(
            self._plants, made, self._every, learned.price, learned.assumed, ratio, loss, self._replacement, self._fee
        )
