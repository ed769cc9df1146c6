"""The cost model of standing plants: what they cost at each inspection interval, by the estimates or by a sample."""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.between_plants import Members, Offsets
from plantstats.watering.costs import Costs, minutes_by_pot, plant_costs
from plantstats.watering.cycle import Cycle, CycleTable, at_scales, interpolated
from plantstats.watering.design import dryness_of
from plantstats.watering.distribution import Array
from plantstats.watering.drying import DryingModel
from plantstats.watering.fit import WateringModel, by_planter
from plantstats.watering.price_ranges import AS_TAKEN, Multiples, applied, sample

N_SAMPLES, SEED = 100, 6
# Steps over which the slope of cycles by log shape and misclassification logit is taken, at most: beyond them no
# straight line would do, and shares of misclassified inspections near 1 would make no sense.
WIDEST = (0.2, 1.0)


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


SLOTS = 4096  # of random numbers for plants: one plant has the same in every use of a sample


@lru_cache(maxsize=N_SAMPLES)
def _noise(number: int | None) -> Array:
    """Standard normal numbers of a sample for plants; none for the estimates."""
    if number is None:
        return np.zeros(SLOTS)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([SEED, 3, number]))).standard_normal(SLOTS)


class _Part(NamedTuple):
    """Plants of one fit."""

    key: bool
    rows: Array
    design: sparse.csr_array
    fitted: DryingModel
    table: CycleTable
    estimate: Array  # log scale of each plant's kind
    own: Offsets | None
    slot: Array


class Located(NamedTuple):
    """Where plants lie in the tables of cycles by a sample."""

    values: Array
    log_scale: Array
    kind: Array
    column: Array | None

    def cycle(self, rows: slice = slice(None), columns: Array | slice = slice(None)) -> Cycle:
        """Cycles of plants: of shape (plants, intervals), or (plants, 1).

        Parameters
        ----------
        rows : slice, optional
            Some of them.
        columns : numpy.ndarray of int or slice, optional
            Some of the intervals.

        Returns
        -------
        Cycle
        """
        column = None if self.column is None else self.column[rows]
        return interpolated(self.values[:, columns], self.log_scale[rows], self.kind[rows], column)

    def too_dry(self) -> Array:
        """The part of `cycle` that the limit on dryness is about.

        Returns
        -------
        numpy.ndarray, shape (plants, intervals), or (plants, 1)
        """
        part = Cycle._fields.index("too_dry")
        return at_scales(self.values[part : part + 1], self.log_scale, self.kind, self.column)[0].T


class PlantCycles:
    """Cycles of some plants at some inspection intervals, ready to be asked for many times.

    Parameters
    ----------
    plants : pandas.DataFrame
        species, light, pot, planter, heating, and plant_id where members are not given.
    model : WateringModel
    every : tuple of int
        Inspection intervals, in days.
    members : Members, optional
        Each row is a plant taken at random among these.
    column : numpy.ndarray of int, optional
        The only interval that is wanted of each plant.
    """

    def __init__(
        self,
        plants: pd.DataFrame,
        model: WateringModel,
        every: tuple[int, ...],
        members: Members | None = None,
        column: Array | None = None,
    ) -> None:
        tolerated = np.searchsorted(_tolerances(model.assumed), tolerated_days(plants["species"], model.assumed))
        slot = np.array([zlib.crc32(str(name).encode()) % SLOTS for name in plants.get("plant_id", plants.index)])
        self._kind, self._column = np.empty(len(plants), dtype=int), column
        self._parts: list[_Part] = []
        for number, (key, rows, fitted) in enumerate(by_planter(plants, model.drying)):
            own = _offsets(plants, fitted, members)
            part = None if own is None else Offsets(own.mean[rows], own.variance[rows])
            design = fitted.design(plants.iloc[rows])
            estimate = np.asarray(design @ fitted.estimate[:-2])
            table = _cycle_table(model, key, every)
            self._kind[rows] = number * len(_tolerances(model.assumed)) + tolerated[rows]
            self._parts.append(_Part(key, rows, design, fitted, table, estimate, part, slot[rows]))

    def located(self, sample: Sample) -> Located:
        """Where each plant lies by a sample.

        Parameters
        ----------
        sample : Sample
            A sample of what is not known for sure.

        Returns
        -------
        Located
        """
        whole, values = np.empty(len(self._kind)), []
        for part in self._parts:
            theta, fitted = sample.drying[part.key], part.fitted
            log_scale = np.asarray(part.design @ theta[:-2])
            if part.own is not None and fitted.plants is not None:
                # What a plant's own dry-downs say of it stands, wherever its kind may lie.
                from_kind = np.minimum(part.own.variance / fitted.plants.sd**2, 1.0)
                noise = np.sqrt(part.own.variance) * _noise(sample.number)[part.slot]
                own = fitted.plants.shift + part.own.mean + noise
                log_scale = part.estimate + from_kind * (log_scale - part.estimate) + own
            whole[part.rows] = log_scale
            values.append(part.table.values(*(theta - fitted.estimate)[-2:]))
        return Located(np.concatenate(values, axis=2), whole, self._kind, self._column)

    def at(self, sample: Sample) -> Cycle:
        """Cycles of inspecting each plant every so many days.

        Parameters
        ----------
        sample : Sample
            A sample of what is not known for sure.

        Returns
        -------
        Cycle
            Of plants x intervals.
        """
        return self.located(sample).cycle()


def _offsets(plants: pd.DataFrame, fitted: DryingModel, members: Members | None) -> Offsets | None:
    """Offsets of plants, or of a plant of each kind; None where plants of a kind are taken to be alike."""
    if fitted.plants is None:
        return None
    return fitted.plants.of(plants["plant_id"]) if members is None else fitted.plants.of_kinds(members, len(plants))


def tolerated_days(species: pd.Series, assumed: Assumptions) -> Array:
    """Days with dry topsoil beyond which a plant of each species is too dry.

    Parameters
    ----------
    species : pandas.Series
        Scientific names.
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    numpy.ndarray, shape (species,)
    """
    days = {
        "wilts": assumed.too_dry_days_wilts,
        "ordinary": assumed.too_dry_days_ordinary,
        "stands drought": assumed.too_dry_days_stands_drought,
    }
    return dryness_of(species).map(days).to_numpy(dtype=float)


def _tolerances(assumed: Assumptions) -> Array:
    """All that `tolerated_days` may give, rising."""
    return np.unique([assumed.too_dry_days_wilts, assumed.too_dry_days_ordinary, assumed.too_dry_days_stands_drought])


def _cycle_table(model: WateringModel, key: bool, every: tuple[int, ...]) -> CycleTable:
    """The table of cycles of one fit, worked out once."""
    if (key, every) not in model.cycle_tables:
        fitted = model.drying[key]
        se = np.sqrt(np.diag(fitted.covariance)[-2:])
        model.cycle_tables[key, every] = CycleTable(
            fitted.family,
            fitted.estimate[-2] if fitted.plants is None else fitted.plants.log_shape,
            fitted.estimate[-1],
            every,
            tuple(_tolerances(model.assumed)),
            model.price.missed,
            (min(float(se[0]), WIDEST[0]), min(float(se[1]), WIDEST[1])),
        )
    return model.cycle_tables[key, every]


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

    def costs(self, sample: Sample | None = None) -> Costs:
        """Cost of each plant per quarter at each inspection interval (see `costs.plant_costs`).

        Parameters
        ----------
        sample : Sample, optional
            In place of the estimates.

        Returns
        -------
        Costs
            Of shape (plants, intervals), or (plants, 1).
        """
        return next(self.by_block([slice(None)], sample=sample))

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
        most, number = self._model.assumed.max_too_dry_share, 0
        for one in samples:
            number = number + (self._cycles.located(one).too_dry() <= most)
        # Added up one by one, as a share of all of them may fall on either side of a limit by its rounding.
        return np.cumsum([0.0, *np.full(len(samples), 1 / len(samples))])[number]

    def by_block(
        self, blocks: Sequence[slice], columns: Array | slice = slice(None), sample: Sample | None = None
    ) -> Iterator[Costs]:
        """The same of some plants after others: tables that stay in the processor's cache are done in half the time.

        Parameters
        ----------
        blocks : sequence of slice
            Of plants.
        columns : numpy.ndarray of int or slice, optional
            Some of the intervals.
        sample : Sample, optional
            In place of the estimates.

        Yields
        ------
        Costs
            Of each block.

        Notes
        -----
        The recorded rates of losses and leaves hold drought days as they were; taking those out gives the rate on other
        days: rate / (1 + dry share x (ratio - 1)).
        """
        model, values = self._model, sample or estimates(self._model)
        located = self._cycles.located(values)
        price, assumed = applied(values.multiples, model.price, model.assumed)
        plants = {**self._plants, **minutes_by_pot(self._pot, price)}
        plants["replacement"] = plants["replacement"] * values.multiples.replacement_cost
        losses = _moist(model.loss_rates, values.loss_rates, values.drought_ratio, self._group)
        leaves = None
        if model.leaf_drop is not None and self._leaf_group is not None:
            leaves = _moist(model.leaf_drop.rates, values.leaf_rates, values.leaf_ratio, self._leaf_group)
        for rows in blocks:
            cycle = located.cycle(rows, columns)
            yield plant_costs(
                {name: each[rows] for name, each in plants.items()},
                cycle,
                self._every[rows] if self._every.ndim > 1 else self._every[columns],
                price,
                assumed,
                _per_day(losses[rows], values.drought_ratio, cycle.dry_share),
                np.zeros((1, 1)) if leaves is None else _per_day(leaves[rows], values.leaf_ratio, cycle.dry_share),
            )


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
