"""The coefficients of the truth as arrays, ready to be looked up for every plant of every day."""

from __future__ import annotations

import numpy as np

from plantstats.simulate.layout import Layout
from plantstats.simulate.species import GROUPS
from plantstats.simulate.truth import DAYS_PER_100_YEARS, LIGHTS, PLANTERS, POTS, TRANSIENT_DAYS, Truth, age_effects


class Effects:
    """Lookups on the log scale: by species, light, pot, planter number; by days since (0 to 91 or 731);
    by day and site."""

    def __init__(self, layout: Layout, truth: Truth) -> None:
        """All of them, for one company."""
        species = truth.species
        recent = np.arange(TRANSIENT_DAYS + 2) <= TRANSIENT_DAYS
        self.age_loss = age_effects(truth)
        self.moved_loss, self.repotted_loss = truth.moved * recent, truth.repotted * recent
        self.moved_leaf, self.repotted_leaf = truth.leaf_moved * recent, truth.leaf_repotted * recent
        self.new_leaf = truth.leaf_new * recent
        self.group = np.array([GROUPS.index(s.group) for s in species])
        self.species_loss, self.species_leaf = (
            np.array([s.loss for s in species]),
            np.array([s.leaf for s in species]),
        )
        self.species_dry = np.log([s.dry_days for s in species])
        self.leaves = np.array([s.leaves for s in species], dtype=float)
        self.refills = np.array([s.name != "Ficus lyrata" for s in species])
        self.light_loss, self.light_leaf, self.light_dry = (
            np.array([table[k] for k in LIGHTS]) for table in (truth.light, truth.leaf_light, truth.dry_light)
        )
        self.pot_loss, self.pot_dry = (np.array([t[k] for k in POTS]) for t in (truth.pot, truth.dry_pot))
        self.planter_dry = np.array([truth.dry_planter[k] for k in PLANTERS])
        self.leaf_humidity = np.array([truth.leaf_humidity[g] for g in GROUPS])
        # Days by sites: tens of points below the threshold.
        self.dry_air = (np.maximum(0.0, truth.humidity_threshold - layout.humidity_28) / 10).T.copy()
        base = np.log(truth.base_rate / DAYS_PER_100_YEARS) + np.log(layout.sites["effect"].to_numpy())
        self.site_loss = base[None, :] + truth.humidity * self.dry_air + layout.loss_cycle[:, None]
        self.site_dry = truth.dry_heating * layout.heated[:, None] + truth.dry_per_kpa * (layout.vpd_28.T - 1.2)
