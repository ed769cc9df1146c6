"""The cost model of standing plants: what they cost at each inspection interval, by the estimates or by a sample."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.between_plants import Members, Offsets
from plantstats.watering.costs import Costs, plant_costs
from plantstats.watering.cycle import Cycle, CycleTable
from plantstats.watering.design import CONDITIONS, dryness_of
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


class _Part(NamedTuple):
    """Plants of one fit and one tolerance."""

    key: bool
    rows: Array
    design: sparse.csr_array
    fitted: DryingModel
    table: CycleTable
    estimate: Array  # log scale of each plant's kind
    own: Offsets | None
    slot: Array


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
    """

    def __init__(
        self, plants: pd.DataFrame, model: WateringModel, every: tuple[int, ...], members: Members | None = None
    ) -> None:
        self._kind: Array | None = None
        if all(fitted.plants is None for fitted in model.drying.values()):
            # Plants are many, kinds of plants few: each kind is worked out once where its plants are alike.
            self._kind = plants.groupby(CONDITIONS, sort=False, dropna=False, observed=True).ngroup().to_numpy()
            plants = plants.iloc[np.unique(self._kind, return_index=True)[1]]
        self._shape = (len(plants), len(every))
        tolerated = tolerated_days(plants["species"], model.assumed)
        slot = np.array([zlib.crc32(str(name).encode()) % SLOTS for name in plants.get("plant_id", plants.index)])
        self._parts: list[_Part] = []
        for key, rows, fitted in by_planter(plants, model.drying):
            own = _offsets(plants, fitted, members)
            for days in np.unique(tolerated[rows]):
                at = rows[tolerated[rows] == days]
                part = None if own is None else Offsets(own.mean[at], own.variance[at])
                table = _cycle_table(model, key, days, every)
                design = fitted.design(plants.iloc[at])
                estimate = np.asarray(design @ fitted.estimate[:-2])
                self._parts.append(_Part(key, at, design, fitted, table, estimate, part, slot[at]))

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
        out = Cycle(*(np.empty(self._shape) for _ in Cycle._fields))
        noise = np.zeros(SLOTS)
        if sample.number is not None:
            sequence = np.random.SeedSequence([SEED, 3, sample.number])
            noise = np.random.Generator(np.random.PCG64(sequence)).standard_normal(SLOTS)
        for part in self._parts:
            theta, fitted = sample.drying[part.key], part.fitted
            log_scale = np.asarray(part.design @ theta[:-2])
            if part.own is not None and fitted.plants is not None:
                # What a plant's own dry-downs say of it stands, wherever its kind may lie.
                from_kind = np.minimum(part.own.variance / fitted.plants.sd**2, 1.0)
                own = fitted.plants.shift + part.own.mean + np.sqrt(part.own.variance) * noise[part.slot]
                log_scale = part.estimate + from_kind * (log_scale - part.estimate) + own
            cycles = part.table.at(log_scale, *(theta - fitted.estimate)[-2:])
            for whole, values in zip(out, cycles, strict=True):
                whole[part.rows] = values
        return out if self._kind is None else Cycle(*(whole[self._kind] for whole in out))


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


def _cycle_table(model: WateringModel, key: bool, tolerated_days: float, every: tuple[int, ...]) -> CycleTable:
    """The table of cycles of one fit and one tolerance, worked out once."""
    if (key, tolerated_days, every) not in model.cycle_tables:
        fitted = model.drying[key]
        se = np.sqrt(np.diag(fitted.covariance)[-2:])
        model.cycle_tables[key, tolerated_days, every] = CycleTable(
            fitted.family,
            fitted.estimate[-2] if fitted.plants is None else fitted.plants.log_shape,
            fitted.estimate[-1],
            every,
            tolerated_days,
            model.price.missed,
            (min(float(se[0]), WIDEST[0]), min(float(se[1]), WIDEST[1])),
        )
    return model.cycle_tables[key, tolerated_days, every]


class CostModel:
    """Standing plants with their prices, ready to be costed by the estimates or by a sample.

    Parameters
    ----------
    plants : pandas.DataFrame
        species, light, pot, planter, heating, plants (number), replacement (cost of one), fee (per day).
    model : WateringModel
    every : tuple of int
        Inspection intervals, in days.
    """

    def __init__(self, plants: pd.DataFrame, model: WateringModel, every: tuple[int, ...]) -> None:
        # Turned into arrays once, not once a sample.
        numbers = {name: plants[name].to_numpy(dtype=float) for name in ("plants", "replacement", "fee")}
        self._plants: dict[str, Any] = {"pot": pd.Categorical(plants["pot"]), **numbers}
        self._model, self.every = model, every
        self._cycles = PlantCycles(plants, model, every)
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
            Of shape (plants, intervals).

        Notes
        -----
        The recorded rates of losses and leaves hold drought days as they were; taking those out gives the rate on other
        days: rate / (1 + dry share x (ratio - 1)).
        """
        model, values = self._model, sample or estimates(self._model)
        cycle = self._cycles.at(values)
        losses = _per_day(model.loss_rates, values.loss_rates, values.drought_ratio, self._group, cycle.dry_share)
        leaves = np.zeros_like(losses)
        if model.leaf_drop is not None and self._leaf_group is not None:
            rates = model.leaf_drop.rates
            leaves = _per_day(rates, values.leaf_rates, values.leaf_ratio, self._leaf_group, cycle.dry_share)
        price, assumed = applied(values.multiples, model.price, model.assumed)
        plants = {**self._plants, "replacement": self._plants["replacement"] * values.multiples.replacement_cost}
        return plant_costs(plants, cycle, self.every, price, assumed, losses, leaves)


def _groups(rates: pd.DataFrame, plants: pd.DataFrame) -> Array:
    """The row of rates that speaks for each plant; -1: none does."""
    index = pd.MultiIndex.from_frame(rates[["species", "light"]])
    return np.asarray(index.get_indexer(pd.MultiIndex.from_frame(plants[["species", "light"]])))


def _per_day(rates: pd.DataFrame, rate: Array, ratio: float, group: Array, dry_share: Array) -> Array:
    """Each plant's rate at each interval; a species never seen in this light has that of all plants."""
    moist = rate / (1 + rates["dry_share"].to_numpy(dtype=float) * (ratio - 1))
    overall = np.average(moist, weights=rates["plant_days"].to_numpy(dtype=float))
    return np.where(group >= 0, moist[group], overall)[:, None] * (1 + dry_share * (ratio - 1))
