"""The cost model of standing plants: what they cost at each inspection interval, by the estimates or by a sample."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from plantstats.watering.costs import Costs, minutes_by_pot, plant_costs
from plantstats.watering.distribution import Array
from plantstats.watering.fit import WateringModel
from plantstats.watering.plant_cycles import PlantCycles
from plantstats.watering.price_ranges import applied
from plantstats.watering.sampling import Sample, estimates


class CostModel:
    """Standing plants with their prices, ready to be costed by the estimates or by a sample.

    Parameters
    ----------
    plants : pandas.DataFrame
        species, light, pot, planter, heating, plants (number), replacement (cost of one), fee (per day).
    model : WateringModel
    every : tuple of int
        Inspection intervals, in days.
    column : numpy.ndarray of int, optional
        The only interval that is wanted of each plant.
    """

    def __init__(
        self, plants: pd.DataFrame, model: WateringModel, every: tuple[int, ...], column: Array | None = None
    ) -> None:
        # Turned into arrays once, not once a sample.
        self._plants = {name: plants[name].to_numpy(dtype=float) for name in ("plants", "replacement", "fee")}
        self._pot = pd.Categorical(plants["pot"].astype("object"))
        self._model, self._every = model, np.array(every) if column is None else np.array(every)[column][:, None]
        self._cycles = PlantCycles(plants, model, every, column=column)
        self._group = _groups(model.loss_rates, plants)
        self._leaf_group = _groups(model.leaf_drop.rates, plants) if model.leaf_drop else None

    def costs(self, sample: Sample | None = None, columns: Array | slice = slice(None)) -> Costs:
        """Cost of each plant per quarter at each inspection interval (see `costs.plant_costs`).

        Parameters
        ----------
        sample : Sample, optional
            In place of the estimates.
        columns : numpy.ndarray of int or slice, optional
            Some of the intervals.

        Returns
        -------
        Costs
            Of shape (plants, intervals), or (plants, 1).

        Notes
        -----
        The recorded rates of losses and leaves hold drought days as they were; taking those out gives the rate on other
        days: rate / (1 + dry share x (ratio - 1)).
        """
        model, values = self._model, sample or estimates(self._model)
        price, assumed = applied(values.multiples, model.price, model.assumed)
        plants = {**self._plants, **minutes_by_pot(self._pot, price)}
        plants["replacement"] = plants["replacement"] * values.multiples.replacement_cost
        cycle = self._cycles.at(values, columns)
        losses, leaves = (
            _moist(model.loss_rates, values.loss_rates, values.drought_ratio, self._group),
            np.zeros((1, 1)),
        )
        if model.leaf_drop is not None and self._leaf_group is not None:
            moist = _moist(model.leaf_drop.rates, values.leaf_rates, values.leaf_ratio, self._leaf_group)
            leaves = _per_day(moist, values.leaf_ratio, cycle.dry_share)
        losses = _per_day(losses, values.drought_ratio, cycle.dry_share)
        every = self._every if self._every.ndim > 1 else self._every[columns]
        return plant_costs(plants, cycle, every, price, assumed, losses, leaves)

    def shares_within(self, samples: Sequence[Sample]) -> Array:
        """How likely each plant is to be within the limit on dryness.

        Parameters
        ----------
        samples : sequence of Sample

        Returns
        -------
        numpy.ndarray, shape (plants, intervals)
            Shares of the samples.
        """
        most, number = self._model.assumed.max_too_dry_share, np.zeros(1, dtype=int)
        for one in samples:
            number = number + (self._cycles.too_dry(one) <= most)
        # Added up one by one, as a share of all of them may fall on either side of a limit by its rounding.
        return np.cumsum([0.0, *np.full(len(samples), 1 / len(samples))])[number]


def _groups(rates: pd.DataFrame, plants: pd.DataFrame) -> Array:
    """The row of rates that speaks for each plant; -1: none does."""
    index = pd.MultiIndex.from_frame(rates[["species", "light"]])
    return np.asarray(index.get_indexer(pd.MultiIndex.from_frame(plants[["species", "light"]])))


def _moist(rates: pd.DataFrame, rate: Array, ratio: float, group: Array) -> Array:
    """Each plant's rate on days that are no drought days; a species never seen in this light has that of all plants."""
    moist = rate / (1 + rates["dry_share"].to_numpy(dtype=float) * (ratio - 1))
    return np.append(moist, np.average(moist, weights=rates["plant_days"].to_numpy(dtype=float)))[group]


def _per_day(moist: Array, ratio: float, dry_share: Array) -> Array:
    """Each plant's rate at each interval."""
    return moist[:, None] * (1 + dry_share * (ratio - 1))
