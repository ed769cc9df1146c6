"""The truth behind an invented company: every coefficient, and what follows from it.

All of it is invented. Nothing here is evidence for a value.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from plantstats.simulate.species import GROUPS, SPECIES, Species

DAYS_PER_100_YEARS = 36_525
DAYS_PER_YEAR = 365.25
LIGHTS = ("low", "medium", "high", "sun")
POTS = ("under 15 cm", "15-24 cm", "25-34 cm", "35 cm and more")
PLANTERS = ("direct", "double_potted", "sub_irrigated")
# As in plant-time: the day of planting is day 0, and the first day at risk is day 1.
AGE_BANDS = ("days 1-90", "days 91-365", "days 366-730", "after day 730")
AGE_LAST_DAYS = (90, 365, 730)
TRANSIENT_DAYS = 90


def _levels(levels: tuple[str, ...], values: tuple[float, ...]) -> Mapping[str, float]:
    return field(default_factory=lambda: dict(zip(levels, values, strict=True)))


@dataclass(frozen=True)
class CompanyParams:
    """Every coefficient of an invented company; vary it with `dataclasses.replace`.

    Rates of loss are log-linear: the rate per 100 plant-years is `base_rate` times the exponent of the sum
    of the terms that hold on the day, times the site's effect. Reference: a plant of species effect 0 in
    medium light, 15-24 cm pot, days 91-365 on site, humidity at or above `humidity_threshold`, mean of the
    yearly cycle, neither moved nor repotted, topsoil not left dry. Compare contrasts, not levels.

    Days left dry differ between species, lights and pots. A model without them estimates each contrast with
    their share of it: hold it against `true_quarters` of the company, or set `over_dry` to 0.
    """

    species: tuple[Species, ...] = SPECIES
    # loss: log rate ratios
    base_rate: float = 8.0
    light: Mapping[str, float] = _levels(LIGHTS, (0.50, 0.0, -0.25, -0.10))
    pot: Mapping[str, float] = _levels(POTS, (0.25, 0.0, -0.10, -0.20))
    age: Mapping[str, float] = _levels(AGE_BANDS, (0.80, 0.0, -0.15, -0.05))
    ageing_shape: float = 1.0  # Weibull shape over days since planting; 1 is none
    cycle_cos: float = 0.15  # cos(2 pi day of year / 365.25): highest at the turn of the year
    cycle_sin: float = 0.05
    heating: float = 0.0  # a step in the heating season beside the cycle
    humidity: float = 0.30  # per 10 points of the site's 28-day mean below the threshold
    humidity_threshold: float = 40.0
    moved: float = 0.50  # first 90 days after
    repotted: float = 0.25  # first 90 days after
    over_dry: float = 0.90  # on a day when the topsoil is already dry
    bad_delivery: float = 0.0  # of the plants put in during that quarter, for as long as they stand
    bad_delivery_quarter: str = "2025-Q2"
    bad_place: float = 0.0  # in a bad place, whatever stands there
    bad_place_share: float = 0.0  # of places
    declined_share: float = 0.40  # of losses: alive, below specification
    site_sd: float = 0.40  # standard deviation of the site effect (mean 1)
    site_distribution: str = "gamma"  # or "lognormal"
    # other ends, per 100 plant-years
    client_rate: float = 1.5  # theft or client's act; lobbies twice, homes half
    withdrawn_rate: float = 3.0  # upgrade, outgrown, removed, rotation
    lease_end_rate: float = 3.0  # of sites
    # leaves: log rate ratios; green leaves per plant-day at reference
    leaf_base: float = 0.030
    leaf_light: Mapping[str, float] = _levels(LIGHTS, (0.35, 0.0, -0.15, -0.10))
    leaf_humidity: Mapping[str, float] = _levels(GROUPS, (0.45, 0.15, 0.30, *[0.20] * 6))
    leaf_cycle_cos: float = 0.15
    leaf_cycle_sin: float = 0.0
    leaf_new: float = 0.70
    leaf_moved: float = 0.60
    leaf_repotted: float = 0.50
    leaf_dry: float = 0.50  # found dry at this visit (at the last one for figs: drop follows rewatering)
    leaf_before_loss: float = 0.80
    leaf_size: float = 2.0  # negative binomial: variance = mean + mean^2 / size
    yellow_base: float = 0.006  # oldest leaves per plant-day
    yellow_dry: float = 1.20  # found dry at this visit
    # drying: log time ratios to a 15-24 cm pot, medium light, direct, not heated, 1.2 kPa
    dry_shape: float = 3.0
    dry_pot: Mapping[str, float] = _levels(POTS, (-0.25, 0.0, 0.20, 0.35))
    dry_light: Mapping[str, float] = _levels(LIGHTS, (0.20, 0.0, -0.20, -0.35))
    dry_planter: Mapping[str, float] = _levels(PLANTERS, (0.0, 0.10, 1.20))
    dry_heating: float = -0.10
    dry_per_kpa: float = -0.15  # per kPa of vapour pressure deficit above 1.2
    # care and records
    misclassification: float = 0.04  # dry taken for not dry, and the reverse
    water_early: float = 0.02  # watered though read as not dry
    visit_days: Mapping[int, float] = field(default_factory=lambda: {7: 0.5, 14: 0.4, 28: 0.1})
    visits_follow_trouble: float = 0.6  # how much the weekly sites are the hard ones (0 none, 1 all)
    missed_visits: float = 0.03
    no_access: float = 0.015
    humidity_missing: float = 0.30
    found_late: bool = True
    found_at_visit: float = 0.85
    warned_share: float = 0.65  # of losses: the condition score falls before
    extra_visits: float = 0.02  # per day, to a plant seen to fail, between planned visits
    unrecorded_swaps: float = 0.0  # of found losses
    move_rate: float = 5.0  # per 100 plant-years
    repot_rate: float = 12.0
    # pests (they change neither losses nor leaves)
    pest_outside: float = 0.0008  # of each pest, per plant-week, from outside
    pest_transmission: float = 0.10  # plants of the site that one plant with it gives it to in a week, all others free
    pest_weeks: float = 8.0  # that a plant has it, on average
    pest_dry_air: float = 0.7  # log rate ratio of mites from outside in air below 40%
    # air
    collinear: bool = False  # True: no site is humidified, all have the same air: season is humidity
    humidified_share: float = 0.45
    building_failure: bool = True
    failure_deaths: float = 0.65


def age_effects(params: CompanyParams) -> np.ndarray:
    """Log rate ratio of losses by whole days since planting, 0 to 731 (the last holds from there on).

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.

    Returns
    -------
    numpy.ndarray, shape (732,)
    """
    bands = np.searchsorted(AGE_LAST_DAYS, np.arange(AGE_LAST_DAYS[-1] + 2), side="left")
    return np.array([params.age[b] for b in AGE_BANDS])[bands]


def cycle(cos: float, sin: float, days_of_year: np.ndarray | float) -> np.ndarray:
    """Yearly cycle on the log scale at a day of the year (1 January is 1).

    Parameters
    ----------
    cos, sin : float
        Coefficients on the log scale.
    days_of_year : numpy.ndarray or float
        1 January is 1.

    Returns
    -------
    numpy.ndarray
        Log rate ratio.

    Notes
    -----
    cos x cos(2 pi t / 365.25) + sin x sin(2 pi t / 365.25).
    """
    angle = 2 * np.pi * np.asarray(days_of_year, dtype=float) / DAYS_PER_YEAR
    return cos * np.cos(angle) + sin * np.sin(angle)


def species_named(params: CompanyParams, name: str) -> Species:
    """Species of a name.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    name : str
        Scientific name.

    Returns
    -------
    Species

    Raises
    ------
    KeyError
        Naming a species that the company does not have.
    """
    for species in params.species:
        if species.name == name:
            return species
    raise KeyError(f"the invented company has no species {name!r}")


def true_rate(
    params: CompanyParams,
    species: str,
    *,
    light: str = "medium",
    pot: str = "15-24 cm",
    age_days: int = 200,
    on: dt.date | None = None,
    humidity: float = 50.0,
    moved: bool = False,
    repotted: bool = False,
    over_dry_share: float = 0.0,
    site_effect: float = 1.0,
    heating: bool = False,
) -> float:
    """True rate of loss in a named situation.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    species : str
        Scientific name.
    light : str, default 'medium'
        Light band, as in plant-time.
    pot : str, default '15-24 cm'
        Pot band, as in plant-time.
    age_days : int, default 200
        Days since planting.
    on : date, optional
        Date that sets the yearly cycle; without one its mean on the log scale.
    humidity : float, default 50.0
        The site's 28-day mean in percent.
    moved, repotted : bool, default False
        Within the first 90 days after.
    over_dry_share : float, default 0.0
        Share of days with topsoil left dry.
    site_effect : float, default 1.0
        1 is the mean site.
    heating : bool, default False
        Whether the season is the heating season.

    Returns
    -------
    float
        Losses per 100 plant-years.

    Raises
    ------
    KeyError
        For an unknown species or level.

    Examples
    --------
    >>> [round(true_rate(CompanyParams(), "Ficus elastica", light=light), 1) for light in ("medium", "low")]
    [8.0, 13.2]
    """
    log_ratio = (
        species_named(params, species).loss
        + params.light[light]
        + params.pot[pot]
        + age_effects(params)[min(age_days, AGE_LAST_DAYS[-1] + 1)]
        + (params.ageing_shape - 1) * math.log((age_days + 0.5) / DAYS_PER_YEAR)
        + params.humidity * max(0.0, params.humidity_threshold - humidity) / 10
        + params.moved * moved
        + params.repotted * repotted
        + params.heating * heating
    )
    if on is not None:
        log_ratio += float(cycle(params.cycle_cos, params.cycle_sin, on.timetuple().tm_yday))
    # The effect acts on dry days alone, so a share s of them gives 1 + s (ratio - 1) on the mean.
    dry = 1 + over_dry_share * (math.exp(params.over_dry) - 1)
    return params.base_rate * math.exp(log_ratio) * dry * site_effect


def true_survival(
    params: CompanyParams,
    species: str,
    *,
    days: int = 365,
    planted: dt.date = dt.date(2025, 10, 1),
    light: str = "medium",
    pot: str = "15-24 cm",
    humidity: float = 50.0,
    over_dry_share: float = 0.0,
    site_effect: float = 1.0,
) -> float:
    """True chance that a new plant is not lost within some days, other ends set aside, in a fixed situation.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    species : str
        Scientific name.
    days : int, default 365
        Days since planting.
    planted : date, optional
        Date from which age and season run.
    light : str, default 'medium'
        Light band, as in plant-time.
    pot : str, default '15-24 cm'
        Pot band, as in plant-time.
    humidity : float, default 50.0
        The site's 28-day mean in percent.
    over_dry_share : float, default 0.0
        Share of days with topsoil left dry.
    site_effect : float, default 1.0
        1 is the mean site.

    Returns
    -------
    float
        Probability at that site effect (for the mean over sites, integrate over the effect).

    Raises
    ------
    KeyError
        For an unknown species or level.

    Notes
    -----
    exp(-sum of daily rates).
    """
    total = sum(
        true_rate(
            params,
            species,
            light=light,
            pot=pot,
            age_days=day,
            on=planted + dt.timedelta(days=day),
            humidity=humidity,
            over_dry_share=over_dry_share,
            site_effect=site_effect,
        )
        for day in range(1, days + 1)
    )
    return math.exp(-total / DAYS_PER_100_YEARS)
