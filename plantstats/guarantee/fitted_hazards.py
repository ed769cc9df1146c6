"""The company's own loss model as a quote needs it: fitted on the records up to one day."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats import losses as loss_model
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.guarantee.hazards import PROFILE, LineHazards, stream
from plantstats.guarantee.time_grid import MONTHS, Array
from plantstats.losses.design import sums_by
from plantstats.losses.newton import fit_at_variance

FRAILTY_VARIANCES = np.geomspace(1e-4, 4.0, 24)  # among which the variance of sites' effects is sampled
# Weights of the variances need the log likelihood to this; one so far below the greatest has none.
WEIGHT_SETTLED, NO_WEIGHT = 1e-4, 25.0
BLOCK = 1 << 14  # patterns whose rates are sampled at once
FRAILTY_SD_SCALE = 1.0  # of the half-Cauchy prior of their standard deviation, as in `stats.empirical_bayes`
# Conditions that pass: a line of a list says nothing of them, so that its rate is the mean over what plants on record
# went through.
AIR, HANDLING = ("dry_air", "no_humidity"), ("repotted", "moved")
MOIST_AIR = 100.0  # percent humidity at which no dry air counts


@dataclass(frozen=True)
class FittedHazards:
    """A fitted loss model (a `hazards.HazardModel`), and what goes with it.

    Parameters
    ----------
    model : losses.LossModel
    oldest_days : dict of str to float
        Age up to which each species was followed.
    oldest_of_all : float
    counted : tuple of int
        Covered losses on record, and all losses.
    years : float
        Calendar months on record, in years.
    scaled : bool
        Whether the covered ones were too few for a fit of their own: the model is of all losses, and its rates are
        taken times their share (beta distribution with half a loss added to either side, Jeffreys' prior).
    notes : tuple of str
        What a reader must be told.
    """

    model: loss_model.LossModel
    oldest_days: dict[str, float]
    oldest_of_all: float
    counted: tuple[int, int] = (0, 0)
    years: float = 1.0
    scaled: bool = False
    notes: tuple[str, ...] = ()

    @property
    def losses_per_year(self) -> float:
        """Covered losses a year on record: how large the company is."""
        return self.counted[0] / self.years

    @property
    def whole_year(self) -> bool:
        """Whether the records knew every calendar month."""
        return "year_cos" in self.model.terms

    @property
    def levels(self) -> dict[str, tuple[str, ...]]:
        """Levels on record of each column that the model asks of a line."""
        names = self.model.terms
        return {name: self.model.coding.levels[name] for name in PROFILE if name in names and name != "species"}

    def for_lines(self, lines: pd.DataFrame, n_samples: int, seed: int, unseen: str = "group") -> LineHazards:
        """Hazards of lines (see `hazards.HazardModel`).

        Parameters
        ----------
        lines : pandas.DataFrame
            Lines of the list, one row each.
        n_samples : int
            How many samples of what is not known for sure.
        seed : int
            Seed of the random numbers; the same seed gives the same result.
        unseen : str, default 'group'
            "group" or "refuse" for a species without own records.

        Returns
        -------
        LineHazards
            One row per line.

        Raises
        ------
        losses.ModelError
            For a light, pot or planter that no plant of the records had, and for an unseen species when it is to be
            refused.

        Notes
        -----
        The mean over the samples is the fitted rate of each line. Sampled on the log scale alone it would lie above it:
        fitted rates add up to the losses on record, and on invented companies of a year's records quotes were 28% too
        high. The air (where a line tells none), moves and repottings are those on record, month by month: the rate is
        the mean over them, not the rate of mean air and a plant left in peace, which on invented companies was some 4%
        too low.
        """
        air_is_given = "humidity" in lines
        profiles = lines[list(PROFILE)].assign(humidity=lines["humidity"] if air_is_given else MOIST_AIR)
        line = profiles.groupby(list(profiles), dropna=False, sort=False, observed=True).ngroup().to_numpy()
        profiles = profiles.drop_duplicates(ignore_index=True).astype(dict.fromkeys(PROFILE, "str"))
        bands, notes = self._bands()
        beta = self.model.sample(n_samples, seed)
        x, basis = self.model.rows(profiles.assign(age_band=bands[0], month=1), unseen)
        passing = HANDLING if air_is_given else (*AIR, *HANDLING)
        shape, shape_samples = self._shape(profiles.iloc[0], bands, beta, passing)
        intercept = np.exp(x.to_numpy() @ self.model.beta)
        # One sample per unseen species, whatever the order of the lines.
        noise = {name: stream(seed, f"unseen {name}").normal(size=n_samples) for name in set(profiles["species"])}
        unknown = np.stack([noise[name] for name in profiles["species"]], axis=1) * np.sqrt(basis["unknown"].to_numpy())
        samples = np.exp(beta @ x.to_numpy().T + unknown)
        # The mean of the samples is the fitted rate over the ages at which plants on record stood, and the whole year.
        weight = self._weight_of_bands(bands)
        samples *= intercept * (shape @ weight) / (samples * (shape_samples @ weight)[:, None]).mean(axis=0)
        if self.scaled:
            paid, unpaid = self.counted[0] + 0.5, self.counted[1] - self.counted[0] + 0.5
            intercept = intercept * paid / (paid + unpaid)
            samples *= stream(seed, "covered share").beta(paid, unpaid, n_samples)[:, None]
        grid = (len(bands), MONTHS)
        return LineHazards(
            age_cuts=AGE_CUTS,
            intercept=intercept[line],
            shape=shape.reshape(grid),
            intercept_samples=samples[:, line],
            shape_samples=shape_samples.reshape(n_samples, *grid),
            frailty_variance=self._frailty_variance(n_samples, seed),
            oldest_days=profiles["species"].map(self.oldest_days).fillna(self.oldest_of_all).to_numpy("float64")[line],
            basis=tuple(basis["basis"].to_numpy()[line]),
            notes=(*self.notes, *notes),
        )

    def site_history(self, sites: list[str], n_samples: int, seed: int) -> tuple[Array, Array]:
        """Losses and expected losses of sites (see `hazards.HazardModel`).

        Parameters
        ----------
        sites : list of str
            Ids of sites.
        n_samples : int
            How many samples of what is not known for sure.
        seed : int
            Seed of the random numbers; the same seed gives the same result.

        Returns
        -------
        losses, expected : numpy.ndarray, shapes (sites,) and (samples, sites)
        """
        row = {name: at for at, name in enumerate(self.model.sites)}
        lost, expected = np.zeros(len(sites)), np.zeros((n_samples, len(sites)))
        on_record = [n for n, name in enumerate(sites) if name in row]
        if on_record:
            rows = [row[sites[n]] for n in on_record]
            expected[:, on_record] = self._expected_by_site(n_samples, seed)[rows].T
            lost[on_record] = self.model.counts.by_site[rows]
        return lost, expected

    def _expected_by_site(self, n_samples: int, seed: int) -> Array:
        """Expected losses of every site on record, sites x samples; their means are the fitted ones."""
        if (n_samples, seed) not in self._expected:
            counts, beta = self.model.counts, self.model.sample(n_samples, seed)
            numeric, factor = counts.design.profile_rates(beta)
            number, profile = counts.design.numeric_profiles[0], counts.design.profiles[0]
            mean = np.empty(len(number))
            for begin in range(0, len(number), BLOCK):
                at = slice(begin, begin + BLOCK)
                mean[at] = np.einsum("ps,ps->p", numeric[number[at]], factor[profile[at]]) / n_samples
            days = counts.in_runs((self._rate(self.model.beta) / mean)[counts.pattern] * counts.plant_days)
            expected = days @ numeric
            expected *= factor[counts.runs.profile]
            self._expected[n_samples, seed] = counts.runs.by_site(expected)
        return self._expected[n_samples, seed]

    @cached_property
    def _expected(self) -> dict[tuple[int, int], Array]:
        return {}

    def site_air(self, sites: list[str]) -> Array:
        """Multiple of the rate at sites by the air read there (see `hazards.HazardModel`).

        Parameters
        ----------
        sites : list of str
            Ids of sites.

        Returns
        -------
        numpy.ndarray, shape (sites,)
        """
        return np.array([self._air_by_site.get(name, 1.0) for name in sites])

    @cached_property
    def _air_by_site(self) -> dict[str, float]:
        effect = self._monthly_effect(AIR, self.model.beta[None])[0]
        usual = self._rate(np.where(self._of(AIR), 0.0, self.model.beta)) * effect[self._month]
        days = self.model.counts.days_by_site
        ratio = (days @ self._rate(self.model.beta)) / (days @ usual)
        return dict(zip(self.model.sites, ratio.tolist(), strict=True))

    def seen(self) -> pd.DataFrame:
        """Species by light on record.

        Returns
        -------
        pandas.DataFrame
            species, light, plant_days, losses.
        """
        patterns = self.model.patterns.astype({"light": "str", "species": "str"})
        return patterns.groupby(["species", "light"], as_index=False)[["plant_days", "losses"]].sum()

    def _shape(self, profile: pd.Series, bands: list[str], beta: Array, terms: tuple[str, ...]) -> tuple[Array, Array]:
        """Multiples of the rate of the first band in January by age and month, at the estimate and per sample.

        Shape: bands x 12, flat; `terms` as on record in that month.
        """
        months = pd.DataFrame({"age_band": np.repeat(bands, MONTHS), "month": np.tile(np.arange(1, 13), len(bands))})
        rows, _ = self.model.rows(months.assign(**{str(name): value for name, value in profile.items()}), "group")
        against_first = rows.to_numpy() - rows.to_numpy()[0]
        effect, effect_samples = self._monthly_effect(terms, self.model.beta[None]), self._monthly_effect(terms, beta)
        effect_samples = effect_samples * effect / effect_samples.mean(axis=0)
        shape = np.exp(against_first @ self.model.beta) * np.tile(effect, len(bands))[0]
        return shape, np.exp(beta @ against_first.T) * np.tile(effect_samples, len(bands))

    def _weight_of_bands(self, bands: list[str]) -> Array:
        """Plant-days on record of each age band, shared evenly over the months; they add up to 1."""
        days = self.model.patterns.groupby("age_band", observed=True)["plant_days"].sum().reindex(bands).fillna(0.0)
        days /= pd.Series(bands, bands).groupby(level=0).transform("size")  # a band may stand for others, too
        return np.repeat((days / days.sum() / MONTHS).to_numpy(), MONTHS)

    def _rate(self, beta: Array) -> Array:
        """Rate of each pattern."""
        design = self.model.counts.design
        numeric, factor = design.profile_rates(beta)
        return np.asarray(numeric[design.numeric_profiles[0]] * factor[design.profiles[0]])

    def _of(self, terms: tuple[str, ...]) -> npt.NDArray[np.bool_]:
        """Which columns are of terms."""
        return np.array([name.partition("[")[0] in terms for name in self.model.names])

    @cached_property
    def _month(self) -> npt.NDArray[np.intp]:
        """Calendar month of each pattern, from 0."""
        patterns = self.model.patterns
        if "year_cos" not in patterns:
            return np.zeros(len(patterns), dtype=np.intp)
        angle = np.arctan2(patterns["year_sin"], patterns["year_cos"]).to_numpy()
        return np.floor(angle * MONTHS / (2 * np.pi)).astype(np.intp) % MONTHS

    def _monthly_effect(self, terms: tuple[str, ...], beta: Array) -> Array:
        """Multiples of the rate by terms in each calendar month, samples x 12.

        The mean over the plant-days on record, each weighted with what its plants would lose without the terms; beta:
        samples x columns.
        """
        theirs, rows, weight = self._weights(terms)
        # A month that is not on record has no rate of its own: see `hazard_fits`.
        effect = (np.exp(beta[:, theirs] @ rows.T) @ weight) / np.maximum(weight.sum(axis=0), 1e-300)
        return effect if "year_cos" in self.model.patterns else np.repeat(effect[:, :1], MONTHS, axis=1)

    def _weights(self, terms: tuple[str, ...]) -> tuple[npt.NDArray[np.bool_], Array, Array]:
        """Columns of terms, their different rows, and the weight of each row in each calendar month (rows x 12)."""
        if terms not in self._weighed:
            theirs, design = self._of(terms), self.model.counts.design
            is_numeric = design.is_numeric[theirs]
            (number, numeric), (profile, factors) = design.numeric_profiles, design.profiles
            of_numeric, on = np.unique(numeric[:, theirs[design.is_numeric]], axis=0, return_inverse=True)
            of_factors, at = np.unique(factors[:, theirs[~design.is_numeric]], axis=0, return_inverse=True)
            rows = np.empty((len(of_factors) * len(of_numeric), len(is_numeric)))
            rows[:, is_numeric] = np.tile(of_numeric, (len(of_factors), 1))
            rows[:, ~is_numeric] = np.repeat(of_factors, len(of_numeric), axis=0)
            row = at.ravel()[profile] * len(of_numeric) + on.ravel()[number]
            days = self.model.counts.by_pattern[1] * self._rate(np.where(theirs, 0.0, self.model.beta))
            weight = sums_by(row * MONTHS + self._month, days, len(rows) * MONTHS)
            self._weighed[terms] = theirs, rows, weight.reshape(len(rows), MONTHS)
        return self._weighed[terms]

    @cached_property
    def _weighed(self) -> dict[tuple[str, ...], tuple[npt.NDArray[np.bool_], Array, Array]]:
        return {}

    def _bands(self) -> tuple[list[str], list[str]]:
        """Age bands to ask the model for: one that no plant reached takes the rate of the one before it."""
        with_days = set(self.model.patterns["age_band"].unique())
        names, notes = list[str](), list[str]()
        *ages, unknown = age_bands()
        for band in ages:
            if band in with_days:
                names.append(band)
            elif names:
                names.append(names[-1])
                notes.append(f"no plant on record reached {band}: the rate of {names[-1]} is taken to go on")
            else:
                first = next(b for b in [*ages, unknown] if b in with_days)
                names.append(first)
                notes.append(f"no plant on record was at {band}: the rate of {first} is taken")
        names.append(unknown if unknown in with_days else names[-1])
        return names, notes

    @cached_property
    def _variance_weights(self) -> Array:
        """How likely the records leave each of `FRAILTY_VARIANCES`: profile likelihood times prior."""
        values = np.full(len(FRAILTY_VARIANCES), -np.inf)
        nearest = int(np.abs(FRAILTY_VARIANCES - self.model.frailty_variance).argmin())
        for side in (range(nearest, len(values)), range(nearest - 1, -1, -1)):
            beta = self.model.beta
            for n in side:
                fit = fit_at_variance(self.model.counts, beta, float(FRAILTY_VARIANCES[n]), settled=WEIGHT_SETTLED)
                beta, values[n] = fit.beta, fit.at.value
                if values[n] < values.max() - NO_WEIGHT:
                    break
        sd = np.sqrt(FRAILTY_VARIANCES)
        # The grid is even in the logarithm of the variance: d(sd) = sd / 2 x d(log variance).
        weight = np.exp(values - values.max()) * sd / (1 + (sd / FRAILTY_SD_SCALE) ** 2)
        return weight / weight.sum()

    def _frailty_variance(self, n_samples: int, seed: int) -> Array:
        """Samples of the variance of sites' effects, as the records leave it likely."""
        share = (stream(seed, "spread of sites").permutation(n_samples) + 0.5) / n_samples
        below = np.cumsum(self._variance_weights) - self._variance_weights / 2
        return np.exp(np.interp(share, below, np.log(FRAILTY_VARIANCES)))
