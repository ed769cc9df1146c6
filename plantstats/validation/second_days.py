"""The days of the second invented company: soil dries, rounds are made, mites spread, plants are lost, sites close."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.validation.second_layout import (
    BANDS,
    BURN_IN,
    END,
    SPECIES,
    YEARLY,
    Air,
    Array,
    Layout,
    SecondParams,
    air,
    layout,
)

SHAPE, SCALE = 1.4, 900.0  # Weibull ageing, days
MONTH = 30
Bools = npt.NDArray[np.bool_]


@dataclass
class SecondCompany:
    """What happened, and what was likely to.

    Attributes
    ----------
    params : SecondParams
    layout : Layout
    air : Air
    day0 : int
        Index of the first day of the records.
    dates : pandas.DatetimeIndex
    visits, losses : list of dict
        As they happened; a loss has found (day), replaced (day) and cause.
    risk : pandas.DataFrame
        By place, month and age: plant_days, expected (losses).
    closed : numpy.ndarray
        Day on which each site was given up; -1: it is still ours.
    installed : numpy.ndarray
        Day on which the plant that stands at each place as the records begin was put there (before day 0: negative).
    """

    params: SecondParams
    layout: Layout
    air: Air
    day0: int
    dates: pd.DatetimeIndex
    closed: Array
    installed: Array
    visits: list[dict[str, Any]] = field(default_factory=list)
    losses: list[dict[str, Any]] = field(default_factory=list)
    risk: pd.DataFrame = field(default_factory=pd.DataFrame)


def age_hazard(age: Array) -> Array:
    """Hazard by age as a multiple: early failures of poor stock, then Weibull ageing.

    Parameters
    ----------
    age : numpy.ndarray
        Days since install.

    Returns
    -------
    numpy.ndarray
    """
    return np.asarray(2.5 * np.exp(-age / 40) + SHAPE * (np.maximum(age, 1) / SCALE) ** (SHAPE - 1) + 0.2)


def drying(layout: Layout, deficit: Array, places: Array | slice = slice(None)) -> Array:
    """Share of its water that each place's soil loses in a day at this vapour pressure deficit of its site (kPa).

    Parameters
    ----------
    layout : Layout
        What stands where.
    deficit : numpy.ndarray
        Vapour pressure deficit of each site, in kPa.
    places : numpy.ndarray or slice, optional
        Which places.

    Returns
    -------
    numpy.ndarray
        One share per place.
    """
    return np.asarray(layout.dry_rate[places] * (0.35 + 0.5 * deficit))


def run(params: SecondParams) -> SecondCompany:
    """Let the company live its days.

    Parameters
    ----------
    params : SecondParams

    Returns
    -------
    SecondCompany
    """
    days = _Days(params)
    for day in range(len(days.company.dates)):
        alive = days.begin(day)
        days.lose(day, alive, days.hazard(day, alive))
        days.make_rounds(day)
        if day % MONTH == 0 and day > BURN_IN:
            days.close(day)
    days.company.risk = _by_month(days.company, days.risk)
    return days.company


class _Days:
    """The state of each place (water, stress, mites, whether a plant stands there) and the steps of a day."""

    def __init__(self, params: SecondParams) -> None:
        self.rng = rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([params.seed, 2])))
        self.of, self.params, n_days = layout(params, rng), params, BURN_IN + round(365.25 * params.years)
        dates = pd.date_range(END - timedelta(days=n_days - 1), END, freq="D")
        n, n_sites = len(self.of.site), len(self.of.every)
        self.day_of_year = dates.day_of_year.to_numpy(dtype=float)
        weather = air(n_days, n_sites, self.day_of_year, rng)
        self.age = np.where(rng.random(n) < 0.4, rng.integers(0, 300, n), rng.integers(100, 2500, n)).astype(float)
        self.company = SecondCompany(params, self.of, weather, BURN_IN, dates, np.full(n_sites, -1.0), -self.age)
        self.rate = params.level * np.array([YEARLY[b] for b in BANDS])[self.of.band] / 365.25
        self.rate *= np.array([s.loss for s in SPECIES])[self.of.species] * self.of.site_effect[self.of.site]
        self.stood = np.array([s.days_stood for s in SPECIES])[self.of.species]
        self.settle = np.array([s.mites for s in SPECIES])[self.of.species] * 0.00025 * params.mites
        self.beside = np.flatnonzero(self.of.site[1:] == self.of.site[:-1])
        self.water, self.dry_days, self.stress = rng.uniform(0.5, 1.0, n), np.zeros(n), np.zeros(n)
        self.infested, self.there, self.dead = (np.full(n, value) for value in (False, True, False))
        self.back, self.last_seen = np.full(n, -1), np.zeros(n)
        self.next_visit = rng.integers(0, self.of.every).astype(float)
        self.dry_air, self.recent_losses = weather.deficit[0].copy(), np.zeros(n_sites)
        self.risk: list[tuple[Any, ...]] = []

    def begin(self, day: int) -> Bools:
        """Plants come in place of lost ones, soil dries, mites settle; gives the places whose plant is alive."""
        opened = self.company.closed[self.of.site] < 0
        returned = (self.back == day) & opened
        self.there |= returned
        self.dead &= ~returned
        self.age = np.where(returned, 0.0, self.age + 1)
        if day <= BURN_IN:
            self.company.installed = np.where(returned, day, self.company.installed)
        self.infested &= ~returned
        deficit, n = self.company.air.deficit[day], len(self.age)
        self.dry_air = 0.96 * self.dry_air + 0.04 * deficit
        lost = np.exp(-drying(self.of, deficit[self.of.site]) * self.rng.lognormal(0, 0.15, n))
        self.water = np.where(returned, 1.0, self.water) * lost
        self.dry_days = np.where(self.water < self.of.threshold, self.dry_days + 1, 0.0)
        self.stress = 0.92 * self.stress + (self.dry_days > self.stood)
        near = np.zeros(n, dtype=bool)
        near[self.beside] |= self.infested[self.beside + 1]
        near[self.beside + 1] |= self.infested[self.beside]
        self.infested |= self.rng.random(n) < self.settle * self._season(day) * (1 + 60 * near)
        return np.asarray(self.there & ~self.dead & opened)

    def _season(self, day: int) -> float:
        return float(np.exp(0.3 * np.cos(2 * np.pi * (self.day_of_year[day] - 15) / 365.25)))

    def hazard(self, day: int, alive: Bools) -> Array:
        """Expected losses of each place on this day, noted for the places whose plant is alive."""
        hazard = self.rate * age_hazard(self.age) * self._season(day)
        hazard = hazard * np.exp(0.35 * (self.dry_air[self.of.site] - 1.4))
        hazard = hazard * np.minimum(1 + 0.3 * self.stress, 3.5) * np.where(self.infested, 3.0, 1.0)
        self.risk.append((day, np.flatnonzero(alive), self.age[alive].copy(), hazard[alive]))
        return np.asarray(hazard)

    def lose(self, day: int, alive: Bools, hazard: Array) -> None:
        """Plants die or decline one by one, and many at once where the heating fails."""
        n = len(hazard)
        lost = alive & (self.rng.random(n) < -np.expm1(-hazard))
        cause = np.select(
            [self.infested, self.stress > 2, self.of.band == 0], ["pest", "water_deficit", "light"], "decline"
        )
        frozen = np.zeros(n, dtype=bool)
        if self.company.dates[day].month in (12, 1, 2):
            cold = self.rng.random(len(self.of.every)) < self.params.heating_failures / 90
            frozen = alive & cold[self.of.site] & (self.rng.random(n) < 0.35) & ~lost
        cause = np.where(frozen, "building_failure", cause)
        for place in np.flatnonzero(lost | frozen):
            self.company.losses.append({"place": int(place), "lost": day, "cause": str(cause[place]), "found": -1})
        self.dead |= lost | frozen
        np.add.at(self.recent_losses, self.of.site[lost], 1.0)
        self.recent_losses *= 0.995

    def make_rounds(self, day: int) -> None:
        """Sites that are due are visited: each plant is looked at, watered when it is thought dry, and noted."""
        of, rng, n_sites = self.of, self.rng, len(self.of.every)
        due = (self.next_visit <= day) & (self.company.closed < 0)
        self.next_visit = np.where(due, day + of.every + rng.integers(-1, 2, n_sites), self.next_visit)
        calls = due & (rng.random(n_sites) > 0.05)
        at = calls[of.site] & self.there & (self.company.closed[of.site] < 0)
        if not at.any():
            return
        n = len(at)
        noted_dry = rng.random(n) < 1 / (1 + np.exp(-(of.threshold - self.water) / 0.03))
        treated = self.infested & (rng.random(n) < 0.5)
        watered = noted_dry & ~self.dead
        condition = 5 - (self.stress > 1) - (self.stress > 4) - self.infested - (rng.random(n) < 0.3) * 1
        condition = np.where(self.dead, 1, np.clip(condition, 2, 5))
        dropped = rng.poisson(0.06 * np.clip(day - self.last_seen, 0, 60) * (1 + self.stress))
        self.company.visits.append(
            {
                "day": day,
                "place": np.flatnonzero(at),
                "dry": noted_dry[at],
                "watered": watered[at],
                "dropped": dropped[at],
                "condition": condition[at],
                "pest": self.infested[at],
                "humidity": np.round(self.company.air.humidity[day, of.site[at]] / 5) * 5,
            }
        )
        self._find(day, at & self.dead)
        self.water = np.where(at & watered, 1.0, self.water)
        self.dry_days = np.where(at & watered, 0.0, self.dry_days)
        self.infested &= ~(at & treated)
        self.last_seen = np.where(at, day, self.last_seen)

    def _find(self, day: int, dead: Bools) -> None:
        """Lost plants that this round sees are taken away, to be replaced in one to ten weeks."""
        dead_places = {int(place) for place in np.flatnonzero(dead)}
        for loss in self.company.losses[::-1]:
            if loss["found"] < 0 and loss["place"] in dead_places:
                loss["found"], loss["replaced"] = day, day + int(self.rng.integers(7, 71))
                self.back[loss["place"]] = loss["replaced"]
                self.there[loss["place"]] = False

    def close(self, day: int) -> None:
        """Clients leave, more readily where much was lost."""
        share = self.recent_losses / np.bincount(self.of.site)
        closed = self.company.closed
        ends = (closed < 0) & (self.rng.random(len(closed)) < self.params.closing * (1 + 8 * share))
        self.company.closed = np.where(ends, day, closed)


def _by_month(company: SecondCompany, risk: list[tuple[Any, ...]]) -> pd.DataFrame:
    """Plant-days and expected losses by place, calendar month and age band of the records' days."""
    lengths = [len(places) for _, places, _, _ in risk]
    frame = pd.DataFrame(
        {
            "day": np.repeat([day for day, *_ in risk], lengths),
            "place": np.concatenate([places for _, places, _, _ in risk]),
            "age": np.concatenate([ages for _, _, ages, _ in risk]),
            "expected": np.concatenate([hazard for *_, hazard in risk]),
        }
    )
    frame = frame[frame["day"] >= company.day0]
    month = company.dates[frame["day"]].to_period("M").to_timestamp()
    band = np.searchsorted([91, 366, 731], frame["age"], side="right")
    keys = {"place": frame["place"], "month": month, "age_band": band}
    sums = frame.assign(**keys, plant_days=1).groupby(list(keys))[["plant_days", "expected"]].sum()
    return sums.reset_index()
