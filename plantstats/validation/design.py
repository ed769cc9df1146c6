"""Which invented companies validation is made of: sizes, sites, visits and misfits, varied by design."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from plantstats.simulate import CompanyParams
from plantstats.validation.kinds import AS_MODELLED

OVER_DRY = 0.9
SITUATIONS: Mapping[str, Mapping[str, Any]] = {
    "building failure": {"building_failure": True},
    "days left dry, more visits where it is hard": {"over_dry": OVER_DRY, "visits_follow_trouble": 1.0},
    "ageing by a Weibull law": {"ageing_shape": 1.6},
    "dry air counts below 50%": {"humidity_threshold": 50.0},
    "topsoil misread": {"misclassification": 0.15},
    "swaps not written down": {"unrecorded_swaps": 0.15},
    "lognormal sites": {"site_distribution": "lognormal"},
    "season is humidity": {"collinear": True},
}
SIZES = (150, 250, 400, 600)
YEARS = (2, 3)
BASE_RATES = (6.0, 9.0, 14.0)
SITE_SDS = (0.0, 0.2, 0.4, 0.6)
VISITS = ({7: 1.0}, {7: 0.5, 14: 0.4, 28: 0.1}, {14: 0.5, 28: 0.5})
HUMIDITY_MISSING = (0.0, 0.3, 0.7)
LATE = (True, True, True, False)  # A loss is found on its day in one company of four.
EXTRAS = ("leaves", "watering", "back-test")  # Slow pages: each on a third of the companies.


@dataclass(frozen=True)
class Case:
    """One company of the design: its number, how it is made, and which slow page it is put to."""

    number: int
    plants: int
    years: int
    seed: int
    params: CompanyParams
    situation: str
    extra: str


def case(seed: int, number: int) -> Case:
    """Company of a number.

    Parameters
    ----------
    seed : int
        Seed of the whole design.
    number : int
        From 0. Even numbers are as modelled; odd ones take the situations in turn.

    Returns
    -------
    Case
        It depends on seed and number alone, so that more companies leave the earlier ones as they are.
    """
    sequence = np.random.SeedSequence([seed, number])
    rng = np.random.Generator(np.random.PCG64(sequence))
    pair = number // 2
    params = CompanyParams(
        base_rate=float(rng.choice(BASE_RATES)),
        site_sd=float(rng.choice(SITE_SDS)),
        visit_days=VISITS[int(rng.integers(len(VISITS)))],
        humidity_missing=float(rng.choice(HUMIDITY_MISSING)),
        found_late=LATE[int(rng.integers(len(LATE)))],
        over_dry=0.0,
        building_failure=False,
    )
    if pair % 2:  # no pest is passed on; from outside come as many as else in all
        params = replace(params, pest_transmission=0.0, pest_outside=0.0032)
    name = AS_MODELLED if number % 2 == 0 else list(SITUATIONS)[pair % len(SITUATIONS)]
    params = replace(params, **SITUATIONS.get(name, {}))
    if name == "lognormal sites":
        params = replace(params, site_sd=max(params.site_sd, 0.4))
    extra = EXTRAS[pair % len(EXTRAS)]
    if name == AS_MODELLED and extra == "watering":
        params = replace(params, over_dry=OVER_DRY)
    return Case(
        number, int(rng.choice(SIZES)), int(rng.choice(YEARS)), int(sequence.generate_state(1)[0]), params, name, extra
    )
