"""The fitted loss model: its coefficients, and the rates that it gives for named situations."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import terms
from plantstats.losses.design import Design, ModelError, names_in
from plantstats.losses.likelihood import Array, Counts, derivatives
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import DAYS_PER_100_YEARS

DAYS_PER_MONTH = 365.25 / 12
# Squared log spread of species within a group, and of groups, where too few are on record to learn it: sets of
# rate ratios of about half to twice (common practice, no source).
USUAL_SPREAD = 0.35**2


@dataclass(frozen=True)
class LossModel:
    """Data and fit of one loss model, which travel together.

    `names`, `beta`, `covariance`: coefficients on the log scale; `site_spread`: variance of the gamma effect (mean
    1) that plants of a site share; `notes`: what a reader must be told.
    """

    formula: str
    terms: terms.Terms
    plan: Design
    group_of: dict[str, str]
    names: tuple[str, ...]
    beta: Array
    covariance: Array
    site_spread: float
    sites: tuple[str, ...]
    counts: Counts
    patterns: pd.DataFrame
    method: str
    holders: Array
    notes: tuple[str, ...]

    @property
    def losses(self) -> int:
        """Losses that the model was fitted on."""
        return int(self.patterns["losses"].sum())

    @property
    def plant_days(self) -> float:
        """Plant-days that the model was fitted on."""
        return float(self.patterns["plant_days"].sum())

    def quantile(self, level: float = CONF_LEVEL) -> float:
        """Of Student's t with sites - 1 degrees of freedom."""
        return float(stats.t.ppf((1 + level) / 2, max(len(self.sites) - 1, 1)))

    @cached_property
    def site_effects(self) -> pd.DataFrame:
        """What each site's plants lost against what their conditions led to expect.

        Gives:  one row per site: site_id, losses, expected (at effect 1), effect (mean of its gamma law given its
                losses), shape and rate of that law (missing where sites are alike).
        """
        now = derivatives(self.counts, self.beta, self.site_spread)
        alike = self.site_spread == 0
        shape = np.nan if alike else 1 / self.site_spread
        lost = self.counts.by_site
        return pd.DataFrame(
            {
                "site_id": self.sites,
                "losses": lost,
                "expected": now.expected,
                "effect": now.weight,
                "shape": shape + lost,
                "rate": shape + now.expected,
            }
        )

    def rows(self, situations: pd.DataFrame, unseen: str = "group") -> tuple[pd.DataFrame, pd.DataFrame]:
        """Design rows of named situations, for anyone who needs exp(rows @ coefficients).

        Takes:  situations as in `rate`; unseen: "group" (a species that the fit has not seen falls to its
                genus's or, failing that, all species' rate) or "refuse".
        Gives:  rows (columns `names`), and beside them basis ("its own losses", or what it fell to) and
                unknown (variance on the log scale that falling back adds).
        Raises: ModelError for a missing or unknown species or level, by name.
        """
        asked = self._complete(situations)
        strange = sorted(set(asked["species"]) - set(self.group_of)) if self.group_of else []
        if strange and unseen == "refuse":
            raise ModelError(
                f"species {', '.join(strange)} is not in the fitted data (known: {', '.join(self.group_of)})"
            )
        return self.matrix(asked), self.basis(asked["species"])

    def matrix(self, made: pd.DataFrame) -> pd.DataFrame:
        """Design rows of columns made by `terms.columns`; a species never seen gets its group's, or none.

        Raises: ModelError for an unknown level, by name.
        """
        fixed = self.plan.of(made)
        group = self.groups_of(made["species"])
        block = {
            name: (group if name.startswith("group[") else made["species"]).eq(name.partition("[")[2][:-1])
            for name in self.names[fixed.shape[1] :]
        }
        return pd.concat([fixed, pd.DataFrame(block, index=made.index).astype("float64")], axis=1)

    def knows(self, table: pd.DataFrame) -> pd.Series:
        """Rows whose every factor is on a level that the fit has seen (a species never seen falls to its group)."""
        known = pd.Series(True, table.index)
        for factor in set(terms.FACTORS) & set(names_in(self.formula)):
            known &= table[factor].astype("str").isin(self.terms.levels[factor])
        return known

    def groups_of(self, species: pd.Series) -> pd.Series:
        """The group of each species; of one never seen, its genus."""
        return species.map(self.group_of).astype("str").fillna(species.str.split(" ").str[0])

    def basis(self, species: pd.Series) -> pd.DataFrame:
        """What the rate of each species rests on.

        Gives:  basis ("its own losses", or what it falls to), unknown (variance on the log scale that falling adds).
        """
        known = species.isin(list(self.group_of)) if self.group_of else pd.Series(True, species.index)
        kin = self.groups_of(species).isin(list(self.group_of.values()))
        within, between = self._species_spread
        to_group = "never on record: the rate of group " + self.groups_of(species)
        return pd.DataFrame(
            {
                "basis": to_group.where(kin, "never on record: the rate of all species").mask(known, "its own losses"),
                "unknown": np.where(known, 0.0, np.where(kin, within, within + between)),
            },
            index=species.index,
        )

    def rate(self, situations: pd.DataFrame, level: float = CONF_LEVEL, unseen: str = "group") -> pd.DataFrame:
        """Loss rates in named situations, at an average site.

        Takes:  situations: one row each: species, and where wished light, pot, planter, age_band, repotted, moved
                (what is left away is the level that others are compared with), month (1 to 12; left away: the mean
                of the yearly cycle), humidity (percent; missing or left away: the usual air of the month, or of
                no dry air when no month is given); level; unseen as in `rows`.
        Gives:  the situations with rate, low, high (per 100 plant-years) and basis.
        Raises: ModelError as in `rows`.
        Source: delta method on the log scale.
        """
        x, beside = self.rows(situations, unseen)
        log_rate = x.to_numpy() @ self.beta + np.log(DAYS_PER_100_YEARS)
        variance = np.einsum("ij,jk,ik->i", x.to_numpy(), self.covariance, x.to_numpy()) + beside["unknown"]
        reach = self.quantile(level) * np.sqrt(variance.to_numpy())
        return situations.assign(
            rate=np.exp(log_rate),
            low=np.exp(log_rate - reach),
            high=np.exp(log_rate + reach),
            basis=beside["basis"].to_numpy(),
        )

    def hazard(self, line: dict[str, object], months: int = 60, beta: Array | None = None) -> pd.DataFrame:
        """Expected losses per plant and month, by age and calendar month, for one line of a plant list.

        Takes:  line: species, and where wished light, pot, planter, humidity (percent, as in `rate`); months: how
                many months of age; beta: other coefficients than the fitted ones (one row of `draw`).
        Gives:  index age (whole months since install, 0 first), columns calendar month 1 to 12: the hazard summed
                over the month, at an average site, neither moved nor repotted.
        Raises: ModelError as in `rows`.
        """
        ages, calendar = np.arange(months), np.arange(1, 13)
        middle = DAYS_PER_MONTH * (ages + 0.5)
        bands = np.array(age_bands()[:-1])[np.searchsorted(AGE_CUTS, middle)]
        grid = pd.DataFrame(
            {
                "age_band": np.repeat(bands, 12),
                "month": np.tile(calendar, months),
                **{key: [value] * (12 * months) for key, value in line.items()},
            }
        )
        unique = grid.drop_duplicates()
        x, _ = self.rows(unique)
        per_month = np.exp(x.to_numpy() @ (self.beta if beta is None else beta)) * DAYS_PER_MONTH
        keys = ["age_band", "month"]
        joined = grid[keys].merge(unique[keys].assign(hazard=per_month), on=keys, how="left")
        return pd.DataFrame(
            joined["hazard"].to_numpy().reshape(months, 12),
            index=pd.Index(ages, name="age"),
            columns=pd.Index(calendar, name="month"),
        )

    def draw(self, n: int, seed: int) -> Array:
        """Coefficients drawn from what the records leave likely.

        Takes:  n draws; seed.
        Gives:  n rows, columns as `names`: multivariate normal about the estimate.
        """
        generator = np.random.Generator(np.random.PCG64(seed))
        return generator.multivariate_normal(self.beta, self.covariance, size=n, method="eigh")

    @cached_property
    def _species_spread(self) -> tuple[float, float]:
        """Squared log spread of species within groups, and of groups: usual value where under three are known."""
        found = []
        for kind in ("species[", "group["):
            known = [b for name, b in zip(self.names, self.beta, strict=True) if name.startswith(kind)]
            found.append(max(float(np.var(known, ddof=1)), 0.01) if len(known) >= 3 else USUAL_SPREAD)
        return found[0], found[1]

    def _complete(self, situations: pd.DataFrame) -> pd.DataFrame:
        """Situations with every column that the formula asks for."""
        if "species" not in situations.columns or situations["species"].isna().any():
            raise ModelError("every situation needs a species")
        columns = {"species", *terms.FACTORS, "month", "humidity"}
        strange = [str(c) for c in situations.columns if c not in columns]
        if strange:
            raise ModelError(f"no term for {', '.join(strange)}; a situation has {', '.join(sorted(columns))}")
        index = situations.index
        rh = situations["humidity"].astype("float64") if "humidity" in situations else pd.Series(np.nan, index)
        if "month" in situations:
            month = situations["month"].astype("int64")
            if not month.between(1, 12).all():
                raise ModelError("month must be a number from 1 to 12")
            made = terms.weather(month, rh, self.terms)
            usual = month.map(self.terms.dry_by_month).astype("float64")
            usual_vpd = month.map(self.terms.vpd_by_month).astype("float64")
        else:
            made = terms.weather(pd.Series(1, index), rh, self.terms)
            made[["year_cos", "year_sin"]] = 0.0
            made["heated"] = len(self.terms.heating_months) / 12
            usual, usual_vpd = pd.Series(0.0, index), pd.Series(np.nan, index)
        # No reading asked for: the usual air of the month, where any was read.
        made["dry_air"] = made["dry_air"].mask(rh.isna(), usual.fillna(0.0))
        made["vpd_kpa"] = made["vpd_kpa"].mask(rh.isna(), usual_vpd.fillna(self.terms.vpd_at_threshold))
        made["no_humidity"] = 0.0
        strange = []
        for factor in terms.FACTORS:
            level = situations[factor] if factor in situations else pd.Series(self.terms.first[factor], index)
            made[factor] = level.astype("str")
            # A factor with one level is not in the design, but its other levels are as unknown.
            known = self.terms.levels[factor] if factor in names_in(self.formula) else tuple(made[factor])
            for unseen in sorted(set(made[factor]) - set(known)):
                strange.append(f"{factor} {unseen} is not in the fitted data (known: {', '.join(known)})")
        if strange:
            raise ModelError("; ".join(strange))
        return made.assign(species=situations["species"].astype("str"), losses=0.0)
