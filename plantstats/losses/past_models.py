"""Loss models of what was on record before each of several days, each fitted once."""

from __future__ import annotations

from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats.losses import terms
from plantstats.losses.design import ModelError
from plantstats.losses.fit import fit, without
from plantstats.losses.rate_table import RateTable

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.model import LossModel
    from plantstats.periods import Period


BY_PLANT = ["plant_id", "client_id", *terms.EXPOSURE_BY]


class _Coded(NamedTuple):
    """Table of the months before a day, and the month of each of its cells."""

    day: date
    month: np.ndarray
    table: RateTable


class PastModels:
    """Loss models of one plant-time, by the day before which they were fitted.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found", without those of events (see `common_cause.ordinary`).
    species : pandas.DataFrame, optional
        As in `fit`.

    Notes
    -----
    Expected losses, the quarters before and the watch list's test ask for models of the same days. Conditions are added
    up once: plant-time up to a first of a month is what of it lies in earlier months. Each fit begins with the one
    before: the answer is the same, sooner.
    """

    def __init__(self, time: PlantTime, species: pd.DataFrame | None = None) -> None:
        self.time, self.species = time, species
        self._models: dict[date, LossModel | ModelError] = {}
        self._coded: _Coded | None = None

    def before(self, day: date) -> LossModel:
        """Model of all months that had ended by a day.

        Parameters
        ----------
        day : datetime.date
            First of a month.

        Returns
        -------
        LossModel

        Raises
        ------
        ModelError
            When they do not carry one.
        """
        if day not in self._models:
            fitted = [model for model in self._models.values() if not isinstance(model, ModelError)]
            try:
                table = self._coded_before(day).table
                self._models[day] = fit(table, self.species, start=fitted[-1] if fitted else None)
            except ModelError as error:
                self._models[day] = error
        model = self._models[day]
        if isinstance(model, ModelError):
            raise model
        return model

    def without(self, day: date, quarter: date) -> LossModel:
        """Model of all months that had ended by a day but those of one quarter (cross-validation).

        Parameters
        ----------
        day : datetime.date
            First of a month.
        quarter : datetime.date
            First day of the quarter that is left out.

        Returns
        -------
        LossModel
            As `losses.fit.without`.

        Raises
        ------
        ModelError
            When the months do not carry one, with that quarter or without it.
        """
        whole, coded, first = self.before(day), self._coded_before(day), pd.Timestamp(quarter)
        left_out = np.flatnonzero((coded.month >= first) & (coded.month < first + pd.DateOffset(months=3)))
        return without(whole, coded.table, left_out)

    def by_plant(self, quarter: Period) -> pd.DataFrame:
        """Plant-time of a quarter by plant and conditions.

        Parameters
        ----------
        quarter : Period

        Returns
        -------
        pandas.DataFrame
            As `PlantTime.exposure_table`.
        """
        return self.time.exposure_table(BY_PLANT, quarter.start, quarter.end)

    def _coded_before(self, day: date) -> _Coded:
        """Plant-time of all months that had ended by a day, coded; the last that was asked for is kept."""
        if self._coded is None or self._coded.day != day:
            month, table = self._whole
            earlier = np.flatnonzero(month < np.datetime64(day))
            if table is None or not len(earlier):
                raise ModelError(f"no plant was followed before {day}: there is nothing to expect from")
            self._coded = _Coded(day, month[earlier], table.chosen(earlier))
        return self._coded

    @cached_property
    def _whole(self) -> tuple[np.ndarray, RateTable | None]:
        """Month of each cell of all plant-time, coded; no table where there is none."""
        table = self.time.exposure_table(list(terms.EXPOSURE_BY), count_plants=False)
        month = table.loc[table["plant_days"].gt(0), "month"].to_numpy()
        return month, RateTable.from_exposure(table) if len(month) else None
