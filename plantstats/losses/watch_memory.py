"""What watch lists of several days share: plant-time, models, scores and signs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure
from plantstats.losses.common_cause import ordinary
from plantstats.losses.landmark import CONDITIONS
from plantstats.losses.past_models import PastModels
from plantstats.losses.standing import standing
from plantstats.losses.warning_signs import last_scores, looks_on, pests_on_record, signs_on

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.model import LossModel
    from plantstats.records import Records


@dataclass
class Memory:
    """What lists of several days share.

    Attributes
    ----------
    time : PlantTime
        Up to the last of the days, dated "found", without losses of events (see `common_cause.ordinary`); lists of
        earlier days are made from it where it tells of them.
    standing : dict of date to pandas.DataFrame
        Plants alive on each day, with what looks at them have told.
    built : dict of date to PlantTime
        Plant-time of days of which the shared one does not tell.
    pests : dict of date to list of str
        What visits call pests, by the last day of plant-time.
    past : PastModels
        Loss models of that plant-time.
    """

    time: PlantTime | None = None
    standing: dict[date, pd.DataFrame] = field(default_factory=dict)
    pests: dict[date, list[str]] = field(default_factory=dict)
    past: PastModels | None = None
    built: dict[date, PlantTime] = field(default_factory=dict)

    def time_of(self, records: Records, day: date) -> PlantTime:
        """Plant-time that tells of a day; records of later days may be in it.

        Parameters
        ----------
        records : Records
        day : datetime.date

        Returns
        -------
        PlantTime
        """
        if self.time is not None and self.time.tells_of(day):
            return self.time
        if day not in self.built:
            self.built[day] = ordinary(exposure.build(records, day, "found"))
        return self.built[day]

    def model_of(
        self, time: PlantTime, day: date, species: pd.DataFrame | None, without: date | None = None
    ) -> LossModel:
        """Loss model of what was on record up to a day.

        Parameters
        ----------
        time : PlantTime
            That tells of the day.
        day : datetime.date
        species : pandas.DataFrame
            As in `fit`.
        without : datetime.date, optional
            First day of a quarter that is left out (see `PastModels.without`).

        Returns
        -------
        LossModel

        Raises
        ------
        ModelError
            When the records do not carry one.
        """
        if self.past is None or self.past.time is not time:
            self.past = PastModels(time, species)
        by = day + timedelta(days=1)
        return self.past.before(by) if without is None else self.past.without(by, without)

    def standing_on(self, records: Records, day: date) -> pd.DataFrame:
        """Plants alive on a day, with what looks at them have told by then.

        Parameters
        ----------
        records : Records
        day : datetime.date

        Returns
        -------
        pandas.DataFrame
            As `standing`, with condition (the last score, one of `CONDITIONS`) and the signs of `signs_on`.
        """
        if day not in self.standing:
            self._ask_of(self.time_of(records, day), [day])
        return self.standing[day]

    def ask_of(self, days: Iterable[date]) -> None:
        """Look at the plants alive on some days together, as far as the shared plant-time tells of the days.

        Parameters
        ----------
        days : iterable of datetime.date
            As `standing_on` will be asked for them.
        """
        if self.time is not None:
            self._ask_of(self.time, [d for d in sorted({*days} - self.standing.keys()) if self.time.tells_of(d)])

    def _ask_of(self, time: PlantTime, days: list[date]) -> None:
        if not days:
            return
        if time.as_of not in self.pests:
            self.pests[time.as_of] = pests_on_record(time)
        looks = looks_on(time, days, self.pests[time.as_of])
        for day, plants in standing(time, days).items():
            score = last_scores(looks[day], day).reindex(plants["plant_id"], fill_value=CONDITIONS[-1]).astype("str")
            signs = signs_on(looks[day], day, plants)
            self.standing[day] = plants.assign(condition=score.set_axis(plants.index)).join(signs)
