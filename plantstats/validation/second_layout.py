"""A second invented company, not of the family of our models: sites, places and air. Written from common practice.

Nothing is taken from `simulate`: losses age by a Weibull hazard beside early failures, site effects have heavy tails,
air is autocorrelated, soil dries by its water balance, mites spread from place to place, and the tag stays with the
place.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
END = date(2026, 9, 30)  # the last day of the records
BURN_IN = 200  # days run before the records begin, so that ages and the backlog of replacements are there
LIGHT_CUTS = (75.0, 200.0)  # foot-candles (Pennisi, Georgia Extension)
BANDS = ("low", "medium", "high")
POT_CM = (12.0, 18.0, 28.0, 40.0)
PLANTERS = ("direct", "double_potted", "sub_irrigated")


class Species(NamedTuple):
    """A species as the trade speaks of it (common practice, no source): all figures are of the invented company."""

    name: str
    days_to_dry: float  # in medium light, an 18 cm pot and ordinary air
    days_stood: int  # dry days that it stands before they harm
    loss: float  # multiple of the loss rate of its light
    mites: float  # how readily mites settle, multiple


SPECIES = (
    Species("Spathiphyllum wallisii", 5.5, 3, 1.3, 0.6),
    Species("Chamaedorea elegans", 7.0, 4, 1.2, 2.0),
    Species("Aglaonema commutatum", 9.0, 8, 0.8, 0.6),
    Species("Dracaena fragrans", 12.0, 10, 0.8, 0.5),
    Species("Epipremnum aureum", 8.5, 8, 0.9, 0.5),
    Species("Schefflera arboricola", 8.0, 8, 1.0, 1.5),
    Species("Ficus lyrata", 9.0, 7, 1.3, 1.0),
    Species("Zamioculcas zamiifolia", 26.0, 25, 0.5, 0.2),
)
# Deaths a year by light: a contractor's rule of 50-60%, 30-40% and 10-20% over two years (common practice, no source).
YEARLY = {"low": 0.40, "medium": 0.22, "high": 0.08}


@dataclass(frozen=True)
class SecondParams:
    """What differs between companies of the second generator."""

    places: int = 200
    years: float = 2.0
    seed: int = 1
    level: float = 0.5  # multiple of the rule's losses
    site_scale: float = 0.35  # of the log site effect, Student's t with 4 degrees of freedom
    monoculture: float = 0.3  # share of sites with a single species
    mites: float = 1.0  # multiple of outbreaks
    heating_failures: float = 0.03  # a site and winter
    closing: float = 0.004  # a site and month, before losses raise it
    found_noted: float = 0.6  # share of losses whose day of finding is noted
    exception_log: bool = False  # a line only where something was done or wrong


@dataclass(frozen=True)
class Layout:
    """Sites and places: arrays by site or by place."""

    site_effect: Array
    every: npt.NDArray[np.int64]  # days between visits
    site: npt.NDArray[np.int64]  # of each place; places of a site follow one another
    species: npt.NDArray[np.int64]
    band: npt.NDArray[np.int64]
    pot: npt.NDArray[np.int64]
    planter: npt.NDArray[np.int64]
    dry_rate: Array  # share of its water that a place's soil loses a day, in ordinary air
    threshold: Array  # water at which the topsoil is dry


def layout(params: SecondParams, rng: np.random.Generator) -> Layout:
    """Sites and their places.

    Parameters
    ----------
    params : SecondParams
    rng : numpy.random.Generator

    Returns
    -------
    Layout
    """
    n_sites = max(params.places // 14, 8)
    effect = np.exp(params.site_scale * rng.standard_t(4, n_sites) / np.sqrt(2))
    # Hard sites are visited more often, not always.
    pull = (effect > np.median(effect)) & (rng.random(n_sites) < 0.5)
    every = np.where(pull, 7, rng.choice([7, 14, 28], n_sites, p=[0.3, 0.5, 0.2]))
    size = np.maximum(rng.multinomial(params.places - 2 * n_sites, rng.dirichlet(np.full(n_sites, 2.0))) + 2, 2)
    site = np.repeat(np.arange(n_sites), size)
    n = len(site)
    single = rng.random(n_sites) < params.monoculture
    species = np.where(single[site], rng.integers(len(SPECIES), size=n_sites)[site], rng.integers(len(SPECIES), size=n))
    light = np.exp(rng.normal(np.log(110), 0.5, n_sites)[site] + rng.normal(0, 0.6, n))
    band = np.searchsorted(LIGHT_CUTS, light, side="right")
    pot, planter = rng.choice(4, n, p=[0.25, 0.4, 0.25, 0.1]), rng.choice(3, n, p=[0.35, 0.45, 0.2])
    threshold = np.full(n, 0.45)
    days = np.array([s.days_to_dry for s in SPECIES])[species] * (np.array(POT_CM)[pot] / 18.0) ** 0.5
    days = days * (light / 120.0) ** -0.3 * np.array([1.0, 1.15, 2.5])[planter] * np.exp(rng.normal(0, 0.2, n))
    return Layout(effect, every, site, species, band, pot, planter, np.log(1 / threshold) / days, threshold)


class Air(NamedTuple):
    """Humidity (percent) and vapour pressure deficit (kPa): days x sites; temperature by day."""

    humidity: Array
    deficit: Array
    temperature: Array


def air(n_days: int, n_sites: int, day_of_year: Array, rng: np.random.Generator) -> Air:
    """Indoor air: outdoor moisture warmed, a site's own moisture, and days that resemble the day before.

    Parameters
    ----------
    n_days, n_sites : int
    day_of_year : numpy.ndarray, shape (days,)
    rng : numpy.random.Generator

    Returns
    -------
    Air

    Notes
    -----
    Saturation pressure by Magnus: 0.6108 exp(17.27 T / (T + 237.3)) kPa.
    """
    winter = np.cos(2 * np.pi * (day_of_year - 20) / 365.25)
    outside = 8.5 - 7.5 * winter + _autoregressive(n_days, 1, 0.85, 2.0, rng)[:, 0]
    inside = 22.4 - 0.9 * winter
    vapour = _saturation(outside)[:, None] + rng.normal(0.1, 0.08, n_sites)
    vapour = vapour + _autoregressive(n_days, n_sites, 0.95, 0.02, rng)
    full = _saturation(inside)[:, None]
    humidity = np.clip(100 * vapour / full, 12, 85)
    return Air(humidity, full * (1 - humidity / 100), inside)


def _saturation(temperature: Array) -> Array:
    return np.asarray(0.6108 * np.exp(17.27 * temperature / (temperature + 237.3)))


def _autoregressive(n_days: int, n: int, memory: float, scale: float, rng: np.random.Generator) -> Array:
    values, noise = np.zeros((n_days, n)), rng.normal(0, scale, (n_days, n))
    for at in range(1, n_days):
        values[at] = memory * values[at - 1] + noise[at]
    return values
