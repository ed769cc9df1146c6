"""Sets of values as likely as the records leave them: what limits of money and chances to keep a limit rest on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from plantstats.watering.distribution import Array
from plantstats.watering.fit import WateringModel
from plantstats.watering.price_ranges import AS_TAKEN, Multiples, sample

N_SAMPLES, SEED = 100, 6


class Sample(NamedTuple):
    """One set of values as likely as the records leave them."""

    drying: dict[bool, Array]
    drought_ratio: float
    loss_rates: Array  # losses per plant-day, rows as in WateringModel.loss_rates
    leaf_ratio: float  # 1, and no rates, where leaf drop has no price
    leaf_rates: Array  # leaves per plant-day, rows as in LeafDrop.rates
    multiples: Multiples = AS_TAKEN  # of prices and minutes
    number: int | None = None  # of the sample; None: each plant at its own mean


def estimates(model: WateringModel) -> Sample:
    """Estimates themselves, as a sample.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.

    Returns
    -------
    Sample
    """
    leaves = model.leaf_drop
    return Sample(
        {key: fitted.estimate for key, fitted in model.drying.items()},
        model.drought_effect.ratio,
        model.loss_rates["rate"].to_numpy(dtype=float),
        leaves.ratio if leaves else 1.0,
        leaves.rates["rate"].to_numpy(dtype=float) if leaves else np.empty(0),
    )


def samples(model: WateringModel, number: int = N_SAMPLES) -> Iterator[Sample]:
    """Samples of what is not known for sure: drying, drought effect, losses, leaf drop, prices. Always the same ones.

    Leaf drop and prices have generators of their own, so that neither moves the other values.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.
    number : int, optional
        How many.

    Yields
    ------
    Sample
    """
    rng = np.random.Generator(np.random.PCG64(SEED))
    of_leaves, of_prices = (
        np.random.Generator(np.random.PCG64(np.random.SeedSequence([SEED, stream]))) for stream in (1, 2)
    )
    drying = {key: fitted.samples(number, SEED + 1 + key) for key, fitted in model.drying.items()}
    middle, effect, leaves = estimates(model), model.drought_effect, model.leaf_drop
    ratios = effect.ratio * np.exp(effect.log_se * rng.standard_normal(number))
    loss_se = model.loss_rates["log_se"].to_numpy(dtype=float)
    leaf_se = leaves.rates["log_se"].to_numpy(dtype=float) if leaves else np.empty(0)
    ratio_se = leaves.log_se if leaves else 0.0
    for n in range(number):
        yield Sample(
            {key: rows[n] for key, rows in drying.items()},
            float(ratios[n]),
            middle.loss_rates * np.exp(loss_se * rng.standard_normal(len(loss_se))),
            float(middle.leaf_ratio * np.exp(ratio_se * of_leaves.standard_normal())),
            middle.leaf_rates * np.exp(leaf_se * of_leaves.standard_normal(len(leaf_se))),
            sample(model.assumed, of_prices),
            n,
        )
