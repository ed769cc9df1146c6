"""What prices and minutes may be: multiples of the figures taken, sampled from the ranges that the settings state."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from plantstats.watering.assumptions import Assumptions
from plantstats.watering.prices import Prices

TWO_SIDED = 1.959964  # standard normal: 19 in 20 lie between -z and z


class Multiples(NamedTuple):
    """One set of multiples of the prices and minutes taken; 1: as taken."""

    wage: float = 1.0
    visit_cost: float = 1.0
    minutes: float = 1.0
    replacement_cost: float = 1.0
    too_dry_minutes: float = 1.0
    too_dry_charge: float = 1.0
    short_inspection: float = 1.0
    sub_irrigation: float = 1.0


AS_TAKEN = Multiples()


def sample(assumed: Assumptions, rng: np.random.Generator) -> Multiples:
    """Multiples as likely as the ranges of the settings leave them.

    Parameters
    ----------
    assumed : Assumptions
        Fields ending in `_range`.
    rng : numpy.random.Generator

    Returns
    -------
    Multiples

    Notes
    -----
    Log-normal, independent of one another, with 95% between the two ends of the range; its median is their geometric
    mean.
    """
    noise = rng.standard_normal(len(Multiples._fields))
    ends = np.log([getattr(assumed, f"{name}_range") for name in Multiples._fields])
    values = ends.mean(axis=1) + noise * (ends[:, 1] - ends[:, 0]) / (2 * TWO_SIDED)
    return Multiples(*(float(v) for v in np.exp(values)))


def known(assumed: Assumptions) -> Assumptions:
    """Assumptions with every price and every minute taken as known exactly.

    Parameters
    ----------
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    Assumptions
    """
    return assumed.model_copy(update={f"{name}_range": (1.0, 1.0) for name in Multiples._fields})


def applied(of: Multiples, price: Prices, assumed: Assumptions) -> tuple[Prices, Assumptions]:
    """Apply multiples to prices and assumptions.

    Parameters
    ----------
    of : Multiples
        Multiples.
    price : Prices
        As `prices.prices` gives them.
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    price, assumed : Prices, Assumptions
    """
    inspection, watering = (
        {pot: of.minutes * value for pot, value in each.items()}
        for each in (price.inspection_minutes, price.watering_minutes)
    )
    changed = {
        "too_dry_minutes": of.too_dry_minutes * assumed.too_dry_minutes,
        "too_dry_charge": of.too_dry_charge * assumed.too_dry_charge,
        "short_inspection_share": of.short_inspection * assumed.short_inspection_share,
        "sub_irrigation_cost": of.sub_irrigation * assumed.sub_irrigation_cost,
    }
    price = replace(
        price,
        visit=of.visit_cost * price.visit,
        wage=of.wage * price.wage,
        inspection_minutes=inspection,
        watering_minutes=watering,
    )
    return price, assumed.model_copy(update=changed)
