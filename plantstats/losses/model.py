"""The fitted loss model: its coefficients, and the rates that it gives for covariate profiles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from plantstats.losses import rate_table
from plantstats.losses.design import Array, Codes, Factor, ModelError, Numeric
from plantstats.losses.likelihood import Counts, mean_effects
from plantstats.losses.terms import FACTORS, NUMERIC
from plantstats.stats.intervals import CONF_LEVEL, quantile
from plantstats.stats.rates import DAYS_PER_100_YEARS

# Variance of the log rates of species within a group, and of groups, where too few are on record to learn it: sets of
# rate ratios of about half to twice (common practice, no source).
USUAL_VARIANCE, LEAST_VARIANCE = 0.35**2, 0.01
OWN_LOSSES = "its own losses"


@dataclass(frozen=True)
class LossModel:
    """Data and fit of one loss model, which travel together.

    Attributes
    ----------
    terms : tuple of str
        Terms asked for; those with one level are not among the columns.
    coding : rate_table.Coding
        Levels, reference levels and the usual air by month.
    group_of : dict
        Group of each species on record.
    beta : numpy.ndarray, shape (columns,)
        Coefficients on the log scale, in the order of `names`.
    covariance : numpy.ndarray, shape (columns, columns)
    frailty_variance : float
        Variance of the gamma effect, mean 1, that plants of a site share.
    sites : tuple of str
    counts : likelihood.Counts
    expected : numpy.ndarray, shape (sites,)
        Losses of each site by its conditions alone, at effect 1.
    method : str
        How the covariance was made.
    n_clusters : numpy.ndarray, shape (columns,)
        Sites that hold each column.
    notes : tuple of str
        What a reader must be told.
    """

    terms: tuple[str, ...]
    coding: rate_table.Coding
    group_of: dict[str, str]
    beta: Array
    covariance: Array
    frailty_variance: float
    sites: tuple[str, ...]
    counts: Counts
    expected: Array
    method: str
    n_clusters: Array
    notes: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients."""
        return self.counts.design.columns

    @property
    def losses(self) -> int:
        """Losses that the model was fitted on."""
        return int(self.counts.losses.sum())

    @property
    def plant_days(self) -> float:
        """Plant-days that the model was fitted on."""
        return float(self.counts.plant_days.sum())

    @cached_property
    def patterns(self) -> pd.DataFrame:
        """Conditions that the rows hold, one row each: species, the terms in use, losses, plant_days."""
        losses, days = self.counts.by_pattern
        columns: dict[str, pd.Series] = {}
        for part in self.counts.design.parts[1:]:
            if isinstance(part, Factor):
                columns[part.name] = pd.Series(pd.Categorical.from_codes(part.codes, list(part.levels)))
            else:
                columns[part.name] = pd.Series(part.values)
        return pd.DataFrame({**columns, "losses": losses, "plant_days": days})

    def variance_of(self, x: Array) -> Array:
        """Variance of the linear predictor of design rows, x' C x of each.

        Parameters
        ----------
        x : numpy.ndarray, shape (rows, columns)
            Design rows, or derivatives by the coefficients.

        Returns
        -------
        numpy.ndarray, shape (rows,)
        """
        return np.asarray(((x @ self.covariance) * x).sum(axis=1))

    def quantile(self, conf_level: float = CONF_LEVEL) -> float:
        """Quantile of Student's t with sites - 1 degrees of freedom.

        Parameters
        ----------
        conf_level : float, optional
            Confidence level, between 0 and 1.

        Returns
        -------
        float
        """
        return quantile(conf_level, max(len(self.sites) - 1, 1))

    @cached_property
    def site_effects(self) -> pd.DataFrame:
        """What each site's plants lost against what their conditions led to expect.

        Returns
        -------
        pandas.DataFrame
            One row per site: site_id, losses, expected (at effect 1), effect (mean of its gamma distribution given its
            losses), shape and rate of that distribution (missing where sites are alike).
        """
        expected, lost = self.expected, self.counts.by_site
        shape = np.nan if self.frailty_variance == 0 else 1 / self.frailty_variance
        return pd.DataFrame(
            {
                "site_id": self.sites,
                "losses": lost,
                "expected": expected,
                "effect": mean_effects(lost, expected, self.frailty_variance),
                "shape": shape + lost,
                "rate": shape + expected,
            }
        )

    def effects_of(self, sites: pd.Series) -> tuple[Array, Array]:
        """Effect of each site and its relative variance; of a site never on record 1, and that between sites.

        Parameters
        ----------
        sites : pandas.Series
            Their ids.

        Returns
        -------
        effect, variance : numpy.ndarray
        """
        known, at = self.site_effects, pd.Index(self.sites).get_indexer(sites)
        never = at < 0
        effect = np.where(never, 1.0, known["effect"].to_numpy()[at])
        if self.frailty_variance == 0:
            return effect, np.zeros(len(at))
        return effect, np.where(never, self.frailty_variance, 1 / known["shape"].to_numpy()[at])

    def rows(self, profiles: pd.DataFrame, unseen: str = "group") -> tuple[pd.DataFrame, pd.DataFrame]:
        """Design rows of covariate profiles, for anyone who needs exp(rows @ coefficients).

        Parameters
        ----------
        profiles : pandas.DataFrame
            As in `rate`.
        unseen : {"group", "refuse"}
            Whether a species that the fit has not seen falls to its genus's or, failing that, all species' rate.

        Returns
        -------
        rows : pandas.DataFrame
            Columns `names`.
        basis : pandas.DataFrame
            As `basis`.

        Raises
        ------
        ModelError
            For a missing or unknown species or level, by name.
        """
        conditions = self.conditions(profiles)
        unknown = sorted(set(conditions["species"].unique()) - set(self.group_of)) if self.group_of else []
        if unknown and unseen == "refuse":
            raise ModelError(
                f"species {', '.join(unknown)} is not in the fitted data (known: {', '.join(self.group_of)})"
            )
        return pd.DataFrame(self.matrix(conditions), conditions.index, list(self.names)), self.basis(
            conditions["species"]
        )

    def conditions(self, profiles: pd.DataFrame) -> pd.DataFrame:
        """Profiles with every column that the terms ask for, as `matrix` takes them.

        Parameters
        ----------
        profiles : pandas.DataFrame
            As in `rate`.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        ModelError
            For a missing species, an unknown level or column, by name.
        """
        if "species" not in profiles.columns or profiles["species"].isna().any():
            raise ModelError("every profile needs a species")
        columns = {"species", *FACTORS, "month", "humidity"}
        strange = [str(c) for c in profiles.columns if c not in columns]
        if strange:
            raise ModelError(f"no term for {', '.join(strange)}; a profile has {', '.join(sorted(columns))}")
        index = profiles.index
        humidity = profiles["humidity"].astype("float64") if "humidity" in profiles else pd.Series(np.nan, index)
        numeric = {name: np.zeros(len(index)) for name in NUMERIC}
        if "month" in profiles:
            month = profiles["month"].astype("int64")
            if not month.between(1, 12).all():
                raise ModelError("month must be a number from 1 to 12")
            numeric = self.coding.usual_air(month.to_numpy())
        dry = np.where(humidity.isna(), numeric["dry_air"], rate_table.dryness(humidity.to_numpy()))
        levels, faults = {}, []
        for factor in FACTORS:
            given = profiles[factor] if factor in profiles else pd.Series(self.coding.reference[factor], index)
            levels[factor] = given.astype("str")
            # A factor with one level is not in the design, but its other levels are as unknown.
            if factor in self.terms:
                unseen = sorted(set(levels[factor].unique()) - set(self.coding.levels[factor]))
                faults += [_unknown(factor, level, self.coding.levels[factor]) for level in unseen]
        if faults:
            raise ModelError("; ".join(faults))
        return pd.DataFrame(
            {"species": profiles["species"].astype("str"), **levels, **numeric, "dry_air": dry}, index=index
        )

    def matrix(self, conditions: pd.DataFrame) -> Array:
        """Design rows of conditions; a species never seen gets its group's columns, or none.

        Parameters
        ----------
        conditions : pandas.DataFrame
            species, the factors and numeric terms, such as `rate_table.conditions` makes.

        Returns
        -------
        numpy.ndarray, shape (rows, columns)

        Raises
        ------
        ModelError
            For an unknown level, by name.
        """
        return np.hstack([values[codes] for codes, values in self._blocks(conditions)])

    def log_rates(self, conditions: pd.DataFrame) -> Array:
        """Logarithms of the rates (per plant-day, at a site of effect 1): `matrix` times `beta`, never written out.

        Parameters
        ----------
        conditions : pandas.DataFrame
            As `matrix` takes them.

        Returns
        -------
        numpy.ndarray, shape (rows,)

        Raises
        ------
        ModelError
            As `matrix`.
        """
        blocks = self._blocks(conditions)
        betas = np.split(self.beta, np.cumsum([values.shape[1] for _, values in blocks])[:-1])
        total = np.zeros(len(conditions))
        for (codes, values), beta in zip(blocks, betas, strict=True):
            total += (values @ beta)[codes]
        return total

    def _blocks(self, conditions: pd.DataFrame) -> list[tuple[Codes | slice, Array]]:
        """Columns of each part of the design, one row per level, and the level of each row of conditions."""
        faults: list[str] = []
        blocks: list[tuple[Codes | slice, Array]] = []
        for part in self.counts.design.parts:
            if isinstance(part, Numeric):
                values = conditions[part.name] if part.name in conditions else pd.Series(1.0, conditions.index)
                blocks.append((slice(None), values.to_numpy("float64")[:, None]))
                continue
            codes, levels = _levels(conditions[part.name])
            if part.name == "species":
                rows = [self._species_row(part, name) for name in levels]
                blocks.append((codes, np.reshape(rows, (len(levels), len(part.columns)))))
                continue
            at = pd.Index(part.levels).get_indexer(levels)
            faults += [_unknown(part.name, levels[n], part.levels) for n in np.unique(codes) if at[n] < 0]
            blocks.append((at[codes], part.values))
        if faults:
            raise ModelError("; ".join(faults))
        return blocks

    def _species_row(self, block: Factor, name: str) -> Array:
        group = self.group_of.get(name, name.split(" ", maxsplit=1)[0])
        return np.array([float(column in (f"group[{group}]", f"species[{name}]")) for column in block.columns])

    def knows(self, table: pd.DataFrame) -> pd.Series:
        """Rows whose every factor is on a level that the fit has seen (a species never seen falls to its group).

        Parameters
        ----------
        table : pandas.DataFrame
            Conditions, one row each.

        Returns
        -------
        pandas.Series of bool
        """
        known = np.ones(len(table), dtype=bool)
        for factor in set(FACTORS) & set(self.terms):
            codes, levels = _levels(table[factor])
            known &= np.isin(levels, self.coding.levels[factor])[codes]
        return pd.Series(known, table.index)

    def groups_of(self, species: pd.Series) -> pd.Series:
        """Group of each species; of one never seen, its genus.

        Parameters
        ----------
        species : pandas.Series
            Scientific names.

        Returns
        -------
        pandas.Series
        """
        group = {name: self.group_of.get(name, str(name).split(" ", maxsplit=1)[0]) for name in species.unique()}
        return species.map(group).astype("str")

    def basis(self, species: pd.Series) -> pd.DataFrame:
        """What the rate of each species rests on.

        Parameters
        ----------
        species : pandas.Series
            Scientific names.

        Returns
        -------
        pandas.DataFrame
            basis ("its own losses", or what it falls to), unknown (variance on the log scale that falling adds).
        """
        known = species.isin(list(self.group_of)) if self.group_of else pd.Series(True, species.index)
        group = self.groups_of(species)
        kin = group.isin(list(self.group_of.values()))
        within, across = (self._variance_of(columns) for columns in ("species[", "group["))
        to_group = "never on record: the rate of group " + group
        return pd.DataFrame(
            {
                "basis": to_group.where(kin, "never on record: the rate of all species").mask(known, OWN_LOSSES),
                "unknown": np.where(known, 0.0, np.where(kin, within, within + across)),
            },
            index=species.index,
        )

    def rate(self, profiles: pd.DataFrame, conf_level: float = CONF_LEVEL, unseen: str = "group") -> pd.DataFrame:
        """Loss rates of covariate profiles, at a site of effect 1.

        Parameters
        ----------
        profiles : pandas.DataFrame
            One row each: species, and where wished light, pot, planter, age_band, repotted, moved (what is left away is
            the level that others are compared with), month (1 to 12; left away: the mean of the yearly cycle), humidity
            (percent; missing or left away: the usual air of the month, or of no dry air when no month is given).
        conf_level : float
            Confidence level of the limits.
        unseen : {"group", "refuse"}
            As in `rows`.

        Returns
        -------
        pandas.DataFrame
            The profiles with rate, low, high (per 100 plant-years) and basis.

        Raises
        ------
        ModelError
            As `rows`.

        Notes
        -----
        Delta method on the log scale, t limits with sites - 1 degrees of freedom.

        Examples
        --------
        See `plantstats.losses.fit`.
        """
        rows, beside = self.rows(profiles, unseen)
        x = rows.to_numpy()
        log_rate = x @ self.beta + np.log(DAYS_PER_100_YEARS)
        variance = self.variance_of(x) + beside["unknown"].to_numpy()
        half_width = self.quantile(conf_level) * np.sqrt(variance)
        return profiles.assign(
            rate=np.exp(log_rate),
            low=np.exp(log_rate - half_width),
            high=np.exp(log_rate + half_width),
            basis=beside["basis"].to_numpy(),
        )

    def sample(self, n: int, seed: int) -> Array:
        """Sample coefficients that the records leave likely.

        Parameters
        ----------
        n : int
            Samples.
        seed : int

        Returns
        -------
        numpy.ndarray, shape (n, columns)
            Multivariate normal about the estimate.
        """
        values, vectors = np.linalg.eigh(self.covariance)
        # The symmetric root is one and the same whatever signs and order a machine gives the eigenvectors.
        root = vectors * np.sqrt(np.maximum(values, 0.0)) @ vectors.T
        normal = np.random.Generator(np.random.PCG64(seed)).standard_normal((n, len(values)))
        return np.asarray(self.beta + normal @ root)

    def _variance_of(self, columns: str) -> float:
        """Variance of the log rates of species in groups, or of groups: the usual one where under three are known."""
        known = [b for name, b in zip(self.names, self.beta, strict=True) if name.startswith(columns)]
        return max(float(np.var(known, ddof=1)), LEAST_VARIANCE) if len(known) >= 3 else USUAL_VARIANCE


def _levels(column: pd.Series) -> tuple[Codes, Sequence[str]]:
    """Level of each row by number, and the levels: of a categorical column all of them, on record or not."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy("intp"), list(column.cat.categories)
    codes, levels = pd.factorize(column.astype("str"))
    return codes, list(levels)


def _unknown(name: str, level: str, known: tuple[str, ...]) -> str:
    return f"{name} {level} is not in the fitted data (known: {', '.join(known)})"
