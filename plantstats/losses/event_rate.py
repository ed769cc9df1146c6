"""How often common-cause events come and what they take: losses that no rate of ordinary ones foretells."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.losses.common_cause import DAYS_PER_YEAR, FEWEST_LOSSES
from plantstats.stats.intervals import CONF_LEVEL, Interval, binomial_limits, poisson_limits

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.common_cause import CommonCause


@dataclass(frozen=True)
class EventRate:
    """How often events come to a site, and what they take.

    Parameters
    ----------
    n_events : int
        Events on record.
    site_years : float
        Time for which sites were followed at which an event could have been.
    lost, plants : int
        Plants lost in them, of those in place when they began.
    """

    n_events: int = 0
    site_years: float = 0.0
    lost: int = 0
    plants: int = 0

    @classmethod
    def before(cls, events: CommonCause, time: PlantTime, day: date) -> EventRate:
        """Rate of the events that had begun before a day, as it was known then.

        Parameters
        ----------
        events : CommonCause
        time : PlantTime
            In which they were found.
        day : datetime.date
            First of a month.

        Returns
        -------
        EventRate
        """
        of = events.events[events.events["first_on"] < pd.Timestamp(day)]
        months = time.exposure_table(["site_id", "month"])
        before = months["month"] < pd.Timestamp(day)
        years = float((before & months["n_plants"].ge(FEWEST_LOSSES)).sum()) / 12
        return cls(len(of), years, int(of["losses"].sum()), int(of["plants"].sum()))

    @classmethod
    def on_record(cls, events: CommonCause) -> EventRate:
        """Rate of all events on record.

        Parameters
        ----------
        events : CommonCause

        Returns
        -------
        EventRate
        """
        of = events.events
        return cls(len(of), events.site_years, int(of["losses"].sum()), int(of["plants"].sum()))

    @property
    def per_day(self) -> float:
        """Expected losses to events per plant-day."""
        if not self.n_events:
            return 0.0
        return self.n_events / self.site_years * self.lost / self.plants / DAYS_PER_YEAR

    def expected(self, plant_days: float, conf_level: float = CONF_LEVEL) -> Interval:
        """Losses that events bring over some plant-days on average.

        Parameters
        ----------
        plant_days : float
        conf_level : float

        Returns
        -------
        Interval
            Of the mean, not of the count: most quarters see no event, and a few a large one.

        Notes
        -----
        plant-days x events per site-day x share of a site's plants lost in one. Limits: exact Poisson of the events and
        exact binomial of the share, distances on the log scale joined as root of the sum of squares (Zou and Donner
        2008, Statistics in Medicine 27:1693, from memory). Without an event on record: 0, up to what the upper limit
        of the events would bring if each took all plants. No season: events are too few to tell one.

        Examples
        --------
        Two events in 100 site-years that took 30 of 60 plants: 1% of the plants of a year.

        >>> mean = EventRate(2, 100.0, 30, 60).expected(400 * 365.25)
        >>> [round(float(end[0]), 2) for end in mean]
        [4.0, 0.47, 14.76]
        """
        if not self.site_years:
            return Interval(*(np.array([value]) for value in (np.nan, 0.0, np.nan)))
        rate = poisson_limits([self.n_events], conf_level)
        days = plant_days / DAYS_PER_YEAR / self.site_years
        if not self.n_events:
            return Interval(rate.estimate * days, rate.low * days, rate.high * days)
        share = binomial_limits(self.lost, self.plants, conf_level)
        part = self.lost / self.plants
        middle = self.n_events * part * days
        down = np.hypot(np.log(self.n_events / rate.low), np.log(part / np.asarray(share[0])))
        up = np.hypot(np.log(rate.high / self.n_events), np.log(np.asarray(share[1]) / part))
        return Interval(np.array([middle]), middle * np.exp(-down), middle * np.exp(up))
