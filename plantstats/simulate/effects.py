"""The coefficients of the truth as arrays, ready to be looked up for every plant of every day."""

from __future__ import annotations

import numpy as np

from plantstats.simulate.layout import Layout
from plantstats.simulate.params import (
    DAYS_PER_100_YEARS,
    LIGHTS,
    PLANTERS,
    POTS,
    TRANSIENT_DAYS,
    CompanyParams,
    age_effects,
)
from plantstats.simulate.species import GROUPS


class Effects:
    """Lookups on the log scale.

    By species, light, pot, planter number; by days since (0 to 91 or 731); by day and site.
    """

    def __init__(self, layout: Layout, params: CompanyParams) -> None:
        """All of them, for one company."""
        species = params.species
        recent = np.arange(TRANSIENT_DAYS + 2) <= TRANSIENT_DAYS
        self.age_loss = age_effects(params)
        self.moved_loss, self.repotted_loss = params.moved * recent, params.repotted * recent
        self.moved_leaf, self.repotted_leaf = params.leaf_moved * recent, params.leaf_repotted * recent
        self.new_leaf = params.leaf_new * recent
        self.group = np.array([GROUPS.index(s.group) for s in species])
        self.species_loss, self.species_leaf = (
            np.array([s.loss for s in species]),
            np.array([s.leaf for s in species]),
        )
        self.species_dry = np.log([s.dry_days for s in species])
        self.leaves = np.array([s.leaves for s in species], dtype=float)
        self.refills = np.array([s.name != "Ficus lyrata" for s in species])
        self.light_loss, self.light_leaf, self.light_dry = (
            np.array([table[k] for k in LIGHTS]) for table in (params.light, params.leaf_light, params.dry_light)
        )
        self.pot_loss, self.pot_dry = (np.array([t[k] for k in POTS]) for t in (params.pot, params.dry_pot))
        self.planter_dry = np.array([params.dry_planter[k] for k in PLANTERS])
        self.leaf_humidity = np.array([params.leaf_humidity[g] for g in GROUPS])
        # Days by sites: tens of points below the threshold.
        self.dry_air = (np.maximum(0.0, params.humidity_threshold - layout.humidity_28) / 10).T.copy()
        base = np.log(params.base_rate / DAYS_PER_100_YEARS) + np.log(layout.sites["effect"].to_numpy())
        self.site_loss = base[None, :] + params.humidity * self.dry_air + layout.loss_cycle[:, None]
        self.site_dry = params.dry_heating * layout.heated[:, None] + params.dry_per_kpa * (layout.vpd_28.T - 1.2)
