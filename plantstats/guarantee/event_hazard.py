"""The hazard of common-cause events, which a promise carries on top of ordinary losses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from plantstats.guarantee.hazards import is_covered, stream
from plantstats.guarantee.time_grid import DAYS_PER_YEAR, Array
from plantstats.losses.common_cause import CommonCause
from plantstats.losses.event_rate import EventRate

MOST_LOST = 0.999  # of the plants of a site, by the end of a term


@dataclass(frozen=True)
class EventHazard(EventRate):
    """How often events under given terms come to a site, and what they take: those on record whose cause is covered."""

    @classmethod
    def of(cls, events: CommonCause, covered: tuple[str, ...], excluded: tuple[str, ...]) -> EventHazard:
        """The hazard of the events whose cause the terms cover.

        Parameters
        ----------
        events : CommonCause
        covered : tuple of str
            Causes that are covered; none named: all but the excluded ones.
        excluded : tuple of str
            Causes that are not covered.

        Returns
        -------
        EventHazard
        """
        paid = events.events[is_covered(events.events["cause"], covered, excluded)]
        return cls(len(paid), events.site_years, int(paid["losses"].sum()), int(paid["plants"].sum()))

    def samples(self, days: float, sites: list[str], n_samples: int, seed: int) -> Array:
        """Sample hazards per plant-day over a term: samples x sites.

        Parameters
        ----------
        days : float
            Length of the term.
        sites : list of str
        n_samples : int
        seed : int

        Returns
        -------
        numpy.ndarray, shape (samples, sites)
            Over a site's plants an event in the term is a hazard that takes the sampled share of them by its end, so
            that they are lost together. The mean chance over samples to be lost by the end is `per_day` x days.

        Notes
        -----
        Events are Poisson, their rate gamma given the events on record (shape their number, rate the site-years); the
        share lost is beta with half a plant added to either side. Without an event on record no hazard is added.

        Examples
        --------
        Two events in 100 site-years that took 30 of 60 plants: a plant is lost to one with chance 1% a year.

        >>> hazard = EventHazard(2, 100.0, 30, 60)
        >>> sampled = hazard.samples(365.25, ["S1"], 1000, seed=1)
        >>> round(float(-np.expm1(-sampled * 365.25).mean()), 4), bool((sampled == 0).mean() > 0.97)
        (0.01, True)
        """
        if not self.n_events or days <= 0:
            return np.zeros((n_samples, len(sites)))
        even = (np.arange(n_samples) + 0.5) / n_samples
        rate = stats.gamma.ppf(stream(seed, "event rate").permutation(even), self.n_events, scale=1 / self.site_years)
        share = stream(seed, "event share").beta(self.lost + 0.5, self.plants - self.lost + 0.5, n_samples)
        chance = np.stack([stream(seed, f"event {name}").permutation(even) for name in sites], axis=1)
        number = stats.poisson.ppf(chance, (rate * days / DAYS_PER_YEAR)[:, None])
        lost = 1 - (1 - share)[:, None] ** number
        if not lost.any():
            return np.full(lost.shape, self.per_day)
        lost = np.minimum(lost * self.per_day * days / lost.mean(), MOST_LOST)
        return np.asarray(-np.log1p(-lost) / days)

    def describe(self) -> str:
        """What is added for events, in a sentence.

        Returns
        -------
        str
        """
        if not self.n_events:
            return (
                "no event that took three plants of a site or more at once, of a cause that is covered, is on record: "
                "none is priced"
            )
        of = "event" if self.n_events == 1 else "events"
        return (
            f"{self.n_events} {of} of covered causes took {self.lost} of {self.plants} plants at once in "
            f"{self.site_years:,.0f} site-years; what such events would take is added to the ordinary losses"
        )
