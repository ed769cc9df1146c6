"""Draw the invented company before its first day: clients, sites, the air in them, and the positions."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from plantstats.exposure.psychrometrics import deficit_kpa
from plantstats.simulate.params import CompanyParams, cycle

FIRST_OPEN_QUARTER = dt.date(2026, 10, 1)  # records end a few days after: 2026-Q3 is the latest complete one
DAYS_AFTER = 5
WARM_UP = 40  # days of air before the first, for the 28-day means
HEATING = ((10, 1), (5, 1))  # whole months, so that a month is in it or not
REGIONS = ("north", "south", "harbour", "hills")
SETTINGS = ("office", "lobby", "home")
# Diameters, by the bands of params.POTS.
POT_CM = ((12, 14), (17, 21, 24), (27, 32), (38, 45))
PLANT_COST = ((14, 18), (32, 42, 55), (78, 110), (165, 230))


@dataclass
class Layout:
    """What stands where on the first day.

    `sites`: one row per site; humidity, vpd and temperature: sites by days; arrays from `site` on: one value per
    position.
    """

    first: dt.date
    days: int
    sites: pd.DataFrame
    humidity: np.ndarray  # daily mean, percent
    humidity_28: np.ndarray  # mean of the 28 days up to and with this one
    vpd_28: np.ndarray  # kPa
    temperature: np.ndarray  # daily mean, degrees C
    heated: np.ndarray  # per day
    loss_cycle: np.ndarray  # per day, log scale
    leaf_cycle: np.ndarray
    month: np.ndarray
    weekday: np.ndarray  # 0 is Monday
    quarter: np.ndarray  # calendar quarter of the day: year x 4 + 0 to 3
    site: np.ndarray
    species: np.ndarray
    light: np.ndarray
    pot: np.ndarray
    pot_cm: np.ndarray
    planter: np.ndarray
    starts: np.ndarray  # day number on which the position comes under the records
    planted: np.ndarray  # day number of planting of its first plant (negative: before the first day)
    # Number of a day -> site number -> days between visits from then on: what a trial changes.
    visit_changes: dict[int, dict[int, int]] = field(default_factory=dict)

    def date(self, day: int) -> dt.date:
        """Calendar date of a day number.

        Parameters
        ----------
        day : int
            Number of the day, from 0.

        Returns
        -------
        date
        """
        return self.first + dt.timedelta(days=int(day))


def is_heated(month_day: np.ndarray) -> np.ndarray:
    """Whether month x 100 + day lies in the heating season (October to April).

    Parameters
    ----------
    month_day : numpy.ndarray
        Month x 100 + day.

    Returns
    -------
    numpy.ndarray of bool
    """
    (m1, d1), (m2, d2) = HEATING
    return (month_day >= m1 * 100 + d1) | (month_day < m2 * 100 + d2)


def _sites(rng: np.random.Generator, plants: int, days: int, params: CompanyParams) -> pd.DataFrame:
    sizes: list[int] = []
    while sum(sizes) < plants:
        sizes.append(int(np.clip(rng.lognormal(2.3, 0.7), 2, 90)))
    sizes[-1] -= sum(sizes) - plants
    if sizes[-1] == 0:
        sizes.pop()
    n = len(sizes)
    # About a third of the clients have more than one site.
    client = np.cumsum(np.r_[True, rng.random(n - 1) < 0.68])
    setting = rng.choice(3, n, p=[0.55, 0.25, 0.20])
    if params.site_sd <= 0:
        effect = np.ones(n)
    elif params.site_distribution == "gamma":
        effect = rng.gamma(1 / params.site_sd**2, params.site_sd**2, n)
    else:
        log_sd = np.sqrt(np.log1p(params.site_sd**2))
        effect = rng.lognormal(-(log_sd**2) / 2, log_sd, n)
    # Sites are on weekly visits because they are hard: rank by effect mixed with chance.
    hard = params.visits_follow_trouble
    score = hard * np.argsort(np.argsort(-effect)) / n + (1 - hard) * rng.random(n)
    steps = np.cumsum(list(params.visit_days.values()))
    place = (np.argsort(np.argsort(score)) + 0.5) / n * steps[-1]
    visit_days = np.array(list(params.visit_days))[np.searchsorted(steps, place)]
    late = rng.random(n) < 0.25
    opened = np.where(late, (rng.random(n) * days * 0.6).astype(int), 0)
    closed = opened + (rng.exponential(100 / max(params.lease_end_rate, 1e-9) * 365.25, n)).astype(int) + 60
    weekday = rng.integers(0, 5, n)
    week = rng.integers(0, 4, n)
    return pd.DataFrame(
        {
            "site_id": [f"S{i + 1:04d}" for i in range(n)],
            "client_id": [f"C{c:04d}" for c in client],
            "client": client - 1,
            "size": sizes,
            "region": rng.integers(0, len(REGIONS), n),
            "setting": setting,
            "effect": effect,
            "visit_days": visit_days,
            "weekday": weekday,
            "week": week,
            "opened": opened,
            "closed": np.where(closed < days - 30, closed, days),
            "humidified": (rng.random(n) < params.humidified_share) & (not params.collinear),
            "set_point": rng.uniform(38, 47, n),
            "offset": np.zeros(n) if params.collinear else rng.normal(0, 4, n),
            "stand_in": rng.integers(0, 1_000, n),
        }
    )


def _air(
    rng: np.random.Generator, sites: pd.DataFrame, params: CompanyParams, day_of_year: np.ndarray, heated: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    total = len(day_of_year)
    season = 37 - 12 * np.cos(2 * np.pi * (day_of_year - 15) / 365.25)
    shocks = rng.normal(0, 0.5 if params.collinear else 1.7, (len(REGIONS), total))
    weather = np.zeros_like(shocks)
    for day in range(1, total):
        weather[:, day] = 0.9 * weather[:, day - 1] + shocks[:, day]
    humidity = season + weather[sites["region"].to_numpy()] + sites["offset"].to_numpy()[:, None]
    lifted = heated[None, :] & sites["humidified"].to_numpy()[:, None]
    floor = sites["set_point"].to_numpy()[:, None] + rng.normal(0, 1.0, humidity.shape)
    humidity = np.clip(np.where(lifted, np.maximum(humidity, floor), humidity), 12, 75)
    warm = 22.0 - 1.3 * np.cos(2 * np.pi * (day_of_year - 20) / 365.25)
    temperature = warm + rng.normal(0, 0.5, len(sites))[:, None] + rng.normal(0, 0.7, humidity.shape)
    return humidity, temperature


def _mean_28(values: np.ndarray) -> np.ndarray:
    summed = np.cumsum(values, axis=1)
    return (summed[:, 28:] - summed[:, :-28])[:, WARM_UP - 28 :] / 28


def draw(rng: np.random.Generator, plants: int, years: float, params: CompanyParams) -> Layout:
    """Draw clients, sites, their air day by day, and the positions with their first plants.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance; the same state gives the same result.
    plants : int
        Positions kept filled.
    years : float
        Of records before 1 October 2026 (five days more follow).
    params : CompanyParams
        Parameters of the simulation, all known.

    Returns
    -------
    Layout
    """
    start = pd.Timestamp(FIRST_OPEN_QUARTER) - pd.DateOffset(months=round(years * 12))
    first = start.date()
    days = (FIRST_OPEN_QUARTER - first).days + DAYS_AFTER
    sites = _sites(rng, plants, days, params)
    calendar = pd.date_range(start - pd.Timedelta(days=WARM_UP), periods=days + WARM_UP)
    day_of_year = calendar.day_of_year.to_numpy()
    heated = is_heated((calendar.month * 100 + calendar.day).to_numpy())
    humidity, temperature = _air(rng, sites, params, day_of_year, heated)
    vpd = deficit_kpa(temperature, humidity)

    site = np.repeat(np.arange(len(sites)), sites["size"])
    n = len(site)
    weights = rng.dirichlet(np.full(len(params.species), 6.0))
    species = rng.choice(len(params.species), n, p=weights)
    light_steps = np.cumsum([s.lights for s in params.species], axis=1)[species]
    light = np.minimum((rng.random(n)[:, None] > light_steps).sum(axis=1), 3)
    pot = rng.choice(4, n, p=[0.20, 0.40, 0.28, 0.12])
    size = rng.random(n)
    opened = sites["opened"].to_numpy()[site]
    # One position in eight is added later; its first plant is new then.
    added = rng.random(n) < 0.125
    starts = np.where(added, opened + 1 + (rng.random(n) * np.maximum(days - opened - 40, 1)).astype(int), opened)
    age = 3 + rng.exponential(850, n).astype(int)
    fixed = slice(WARM_UP, None)
    return Layout(
        first=first,
        days=days,
        sites=sites,
        humidity=humidity[:, fixed],
        temperature=temperature[:, fixed],
        humidity_28=_mean_28(humidity),
        vpd_28=_mean_28(vpd),
        heated=heated[fixed],
        loss_cycle=cycle(params.cycle_cos, params.cycle_sin, day_of_year[fixed]) + params.heating * heated[fixed],
        leaf_cycle=cycle(params.leaf_cycle_cos, params.leaf_cycle_sin, day_of_year[fixed]),
        month=calendar.month.to_numpy()[fixed],
        quarter=(calendar.year * 4 + calendar.quarter - 1).to_numpy()[fixed],
        weekday=calendar.day_of_week.to_numpy()[fixed],
        site=site,
        species=species,
        light=light,
        pot=pot,
        pot_cm=np.array([POT_CM[p][int(u * len(POT_CM[p]))] for p, u in zip(pot, size, strict=True)]),
        planter=rng.choice(3, n, p=[0.35, 0.50, 0.15]),
        starts=starts,
        planted=np.where(added, starts, opened - age),
    )
