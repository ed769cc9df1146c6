"""Loss models of what was on record before each of several days, each fitted once."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats.losses import terms
from plantstats.losses.design import ModelError
from plantstats.losses.fit import fit

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.model import LossModel

LAST_MONTH = pd.DateOffset(months=2)  # of a quarter, from its first


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
        self._table: pd.DataFrame | None = None
        self._models: dict[tuple[date, date | None], LossModel | ModelError] = {}

    def before(self, day: date, without: date | None = None) -> LossModel:
        """Model of all months that had ended by a day.

        Parameters
        ----------
        day : datetime.date
            First of a month.
        without : datetime.date, optional
            First day of a quarter that is left out (cross-validation); how sites differ is then taken from the model
            of all months.

        Returns
        -------
        LossModel

        Raises
        ------
        ModelError
            When they do not carry one.
        """
        key = day, without
        if key not in self._models:
            self._models[key] = self._fitted(day, without)
        model = self._models[key]
        if isinstance(model, ModelError):
            raise model
        return model

    def _fitted(self, day: date, without: date | None) -> LossModel | ModelError:
        if self._table is None:
            self._table = self.time.exposure_table(list(terms.EXPOSURE_BY), count_plants=False)
        month = self._table["month"]
        used = month < pd.Timestamp(day)
        if without is not None:
            used &= ~month.between(pd.Timestamp(without), pd.Timestamp(without) + LAST_MONTH)
        earlier = self._table[used].reset_index(drop=True)
        if earlier.empty:
            return ModelError(f"no plant was followed before {day}: there is nothing to expect from")
        try:
            if without is not None:
                whole = self.before(day)
                return fit(earlier, self.species, frailty_variance=whole.frailty_variance, start=whole)
            fitted = [m for (_, left), m in self._models.items() if left is None and not isinstance(m, ModelError)]
            return fit(earlier, self.species, start=fitted[-1] if fitted else None)
        except ModelError as error:
            return error
