"""Cycles of plants inspected every so many days, by the estimates or by a sample of what is not known for sure."""

from __future__ import annotations

import zlib
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.between_plants import Members, Offsets
from plantstats.watering.cycle import Cycle, CycleTable, at_scales, interpolated
from plantstats.watering.design import dryness_of
from plantstats.watering.distribution import Array
from plantstats.watering.drying import DryingModel
from plantstats.watering.fit import WateringModel, by_planter
from plantstats.watering.sampling import N_SAMPLES, SEED, Sample

# Steps over which the slope of cycles by log shape and misclassification logit is taken, at most: beyond them no
# straight line would do, and shares of misclassified inspections near 1 would make no sense.
WIDEST = (0.2, 1.0)
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
        names = plants.get("plant_id", plants.index)
        slot = np.array([zlib.crc32(str(name).encode()) % SLOTS for name in names], dtype=int)
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

    def at(self, sample: Sample, columns: Array | slice = slice(None)) -> Cycle:
        """Cycles of inspecting each plant every so many days.

        Parameters
        ----------
        sample : Sample
            A sample of what is not known for sure.
        columns : numpy.ndarray of int or slice, optional
            Some of the intervals.

        Returns
        -------
        Cycle
            Of shape (plants, intervals), or (plants, 1).
        """
        values, log_scale = self._by(sample)
        return interpolated(values[:, columns], log_scale, self._kind, self._column)

    def too_dry(self, sample: Sample) -> Array:
        """The part of `at` that the limit on dryness is about.

        Parameters
        ----------
        sample : Sample
            A sample of what is not known for sure.

        Returns
        -------
        numpy.ndarray, shape (plants, intervals), or (plants, 1)
        """
        values, log_scale = self._by(sample)
        part = Cycle._fields.index("too_dry")
        return at_scales(values[part : part + 1], log_scale, self._kind, self._column)[0].T

    def _by(self, sample: Sample) -> tuple[Array, Array]:
        """Tables of cycles by a sample, and the log scale of each plant."""
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
        return np.concatenate(values, axis=2), whole


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
