"""What the truth says of drying: days to dry topsoil, and how long plants stand dry under a visit interval."""

from __future__ import annotations

import math

import numpy as np

from plantstats.simulate.params import CompanyParams, species_named

GRID = 20_000  # midpoints of the distribution of drying times; the shares below are then good to four figures


def drying_quantile(
    params: CompanyParams,
    species: str,
    share: float,
    *,
    light: str = "medium",
    pot: str = "15-24 cm",
    planter: str = "direct",
    heating: bool = False,
    vpd_kpa: float = 1.2,
) -> float:
    """Days after watering until the topsoil of this share of plants is dry, in a fixed situation.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    species : str
        Scientific name.
    share : float
        Share of plants, between 0 and 1.
    light : str, default 'medium'
        Light band, as in plant-time.
    pot : str, default '15-24 cm'
        Pot band, as in plant-time.
    planter : str, default 'direct'
        One of PLANTERS.
    heating : bool, default False
        Whether the season is the heating season.
    vpd_kpa : float, default 1.2
        Mean vapour pressure deficit of the air, in kPa.

    Returns
    -------
    float
        Days.

    Raises
    ------
    KeyError
        For an unknown species or level.

    Notes
    -----
    Quantile of the Weibull distribution, scale x (-log(1 - share)) ^ (1 / shape).

    Examples
    --------
    >>> params = CompanyParams()
    >>> [round(drying_quantile(params, "Ficus benjamina", share), 2) for share in (0.5, 0.8)]
    [8.85, 11.72]
    """
    scale = species_named(params, species).dry_days * math.exp(
        params.dry_light[light]
        + params.dry_pot[pot]
        + params.dry_planter[planter]
        + params.dry_heating * heating
        + params.dry_per_kpa * (vpd_kpa - 1.2)
    )
    return float(scale * (-math.log1p(-share)) ** (1 / params.dry_shape))


def over_dry_share(params: CompanyParams, species: str, visit_days: float, **situation: str | float | bool) -> float:
    """Long-run share of days on which the topsoil is left dry, visited every `visit_days` days.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    species : str
        Scientific name.
    visit_days : float
        Days from one visit to the next.
    **situation : str or float or bool
        As for `drying_quantile`, taken as constant.

    Returns
    -------
    float
        Share of days, for `true_rate(over_dry_share=...)`.

    Notes
    -----
    Renewal reward: mean days left dry in a cycle over its mean length. Each cycle starts at a watering; at a visit
    before the topsoil is dry the plant is watered with chance a (misclassified, or early), at one after with chance b,
    both times the chance that the visit takes place.
    """
    unit = drying_quantile(params, species, 1 - math.exp(-1), **situation)  # type: ignore[arg-type]
    middle = (np.arange(GRID) + 0.5) / GRID
    dry_after = unit * (-np.log1p(-middle)) ** (1 / params.dry_shape)
    visit_chance = 1 - params.missed_visits - params.no_access
    a = visit_chance * (params.misclassification + (1 - params.misclassification) * params.water_early)
    b = visit_chance * (1 - params.misclassification + params.misclassification * params.water_early)
    first = np.ceil(dry_after / visit_days)  # number of the first visit that could find it dry
    not_before = (1 - a) ** (first - 1)
    wait = visit_days * (1 - b) / b  # further visits until it is read dry
    left_dry = not_before * (first * visit_days - dry_after + wait)
    # Mean number of visits up to the first, stopped by an early watering: sum of (1 - a)^k for k below first.
    visits = (1 - (1 - a) ** first) / a if a > 0 else first
    length = visit_days * visits + not_before * wait
    return float(left_dry.mean() / length.mean())
