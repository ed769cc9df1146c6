"""Poisson likelihood of losses by pattern and site, with or without an effect that a site's plants share."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from scipy import sparse, special

from plantstats.losses.design import Array, Codes, Design, ShortCodes, sums_by


class Runs(NamedTuple):
    """Runs of rows that differ in numeric columns alone.

    Attributes
    ----------
    site, profile : numpy.ndarray
        Of each run: its site, and its profile of factors (see `Design`).
    begins : numpy.ndarray, shape (sites + 1,)
        The first run of each site.
    rows : numpy.ndarray, shape (runs + 1,)
        The first row of each run.
    """

    site: Codes
    profile: ShortCodes
    begins: ShortCodes
    rows: ShortCodes

    def by_site(self, values: Array) -> Array:
        """Sums of values of the runs by site.

        Parameters
        ----------
        values : numpy.ndarray, shape (runs, columns)

        Returns
        -------
        numpy.ndarray, shape (sites, columns)
        """
        number = np.arange(len(values), dtype=np.int32)
        shape = (len(self.begins) - 1, len(values))
        return np.asarray(sparse.csr_array((np.ones(len(values)), number, self.begins), shape=shape) @ values)


@dataclass(frozen=True)
class Counts:
    """What the likelihood needs: a design of one row per pattern, and losses and plant-days by site and pattern.

    Attributes
    ----------
    design : Design
    site, pattern : numpy.ndarray
        Of each row of the counts, sorted by site and then pattern.
    plant_days, losses : numpy.ndarray
    n_sites : int
    prior : numpy.ndarray
        Pseudo-events per coefficient, each at as many expected ones, which shrink it towards 0.
    row : numpy.ndarray, optional
        Row that each cell of the exposure table was added to.
    """

    design: Design
    site: Codes
    pattern: Codes
    plant_days: Array
    losses: Array
    n_sites: int
    prior: Array
    row: Codes = field(default_factory=lambda: np.zeros(0, dtype=np.intp))

    @cached_property
    def by_pattern(self) -> tuple[Array, Array]:
        """Losses and plant-days per pattern."""
        n = self.design.rows
        return sums_by(self.pattern, self.losses, n), sums_by(self.pattern, self.plant_days, n)

    @cached_property
    def by_site(self) -> Array:
        """Losses per site."""
        return sums_by(self.site, self.losses, self.n_sites)

    @cached_property
    def runs(self) -> Runs:
        """Rows of one site and one profile of factors, which stand beside each other."""
        profile = self.design.profiles[0][self.pattern]
        changes = (np.diff(self.site, prepend=-1) != 0) | (np.diff(profile, prepend=-1) != 0)
        first = np.flatnonzero(changes)
        site = self.site[first]
        begins = np.searchsorted(site, np.arange(self.n_sites + 1)).astype(np.int32)
        rows = np.append(first, len(profile)).astype(np.int32)
        return Runs(site, profile[first].astype(np.int32), begins, rows)

    @cached_property
    def _numeric(self) -> ShortCodes:
        """Profile of numeric columns of each row."""
        return self.design.numeric_profiles[0][self.pattern].astype(np.int32)

    def replaced(self, **changes: Any) -> Counts:
        """The same rows with other numbers or pseudo-events; what depends on the rows alone is not worked out again.

        Parameters
        ----------
        **changes : numpy.ndarray
            plant_days and losses, one a row, or prior.

        Returns
        -------
        Counts
        """
        other = replace(self, **changes)
        for name in ("runs", "_numeric"):
            other.__dict__[name] = getattr(self, name)
        return other

    @cached_property
    def losses_per_column(self) -> Array:
        """Losses where each column is not 0."""
        rows = np.flatnonzero(self.losses)
        return np.asarray(self.losses[rows] @ (self.design.dense(self.pattern[rows]) != 0))

    @cached_property
    def sites_per_column(self) -> Array:
        """Number of sites that hold each column: have plant-days where it is not 0."""
        (_, of_numeric), (_, of_factors) = self.design.numeric_profiles, self.design.profiles
        rows = self.in_runs(np.ones(len(self.pattern)))
        holds = self.sums_of_runs(rows @ (of_numeric != 0).astype("float64"), (of_factors != 0).astype("float64"))
        return np.asarray((holds > 0).sum(axis=0), dtype="float64")

    def in_runs(self, weight: Array) -> sparse.csr_array:
        """Weights of the rows, runs x profiles of numeric columns.

        Parameters
        ----------
        weight : numpy.ndarray
            One weight per row.

        Returns
        -------
        scipy.sparse.csr_array
        """
        shape = (len(self.runs.site), len(self.design.numeric_profiles[1]))
        return sparse.csr_array((weight, self._numeric, self.runs.rows), shape=shape)

    def sums_of_runs(self, numeric: Array, values: Array) -> Array:
        """Sums of the design's columns by site, from those of the numeric columns by run.

        Parameters
        ----------
        numeric : numpy.ndarray, shape (runs, numeric columns)
            The constant first.
        values : numpy.ndarray, shape (profiles of factors, factor columns)

        Returns
        -------
        numpy.ndarray, shape (sites, columns)
        """
        runs, is_numeric = self.runs, self.design.is_numeric
        of_profiles = sparse.csr_array((numeric[:, 0], runs.profile, runs.begins), shape=(self.n_sites, len(values)))
        out = np.empty((self.n_sites, len(is_numeric)))
        out[:, ~is_numeric] = of_profiles @ values
        out[:, is_numeric] = self.runs.by_site(numeric)
        return out

    @cached_property
    def days_of_runs(self) -> sparse.csr_array:
        """Plant-days, runs x profiles of numeric columns."""
        return self.in_runs(self.plant_days)

    @cached_property
    def lost_x(self) -> Array:
        """Sums of the design's columns over losses, sites x columns."""
        rows, (_, values) = np.flatnonzero(self.losses), self.design.numeric_profiles
        begins, shape = np.searchsorted(rows, self.runs.rows), (len(self.runs.site), len(values))
        lost = sparse.csr_array((self.losses[rows], self._numeric[rows], begins), shape=shape)
        return self.sums_of_runs(lost @ values, self.design.profiles[1])

    @cached_property
    def days_by_site(self) -> sparse.csr_array:
        """Plant-days, sites x patterns."""
        shape = (self.n_sites, self.design.rows)
        return sparse.csr_array((self.plant_days, (self.site, self.pattern)), shape=shape)


@dataclass(frozen=True)
class Derivatives:
    """Log likelihood at some coefficients and variance, with its slope and information; each is worked out when asked.

    Attributes
    ----------
    counts : Counts
    beta : numpy.ndarray
        Coefficients, on the log scale.
    variance : float
        Of the effect (mean 1) that the plants of a site share; 0 for none.

    Notes
    -----
    Losses are Poisson given a gamma effect of each site; integrated over it they are negative multinomial. Slope by
    Fisher's identity, information by Louis 1982. Pseudo-events are included.

    References
    ----------
    Clayton 1978, Biometrika 65:141 (from memory); Louis 1982, JRSS B 44:226 (from memory).
    """

    counts: Counts
    beta: Array
    variance: float

    def at_variance(self, variance: float) -> Derivatives:
        """The same at another variance, from what hangs on the coefficients alone.

        Parameters
        ----------
        variance : float

        Returns
        -------
        Derivatives
        """
        other = replace(self, variance=variance)
        for name in ("by_run", "by_site", "site_x"):
            other.__dict__[name] = getattr(self, name)
        return other

    @cached_property
    def by_run(self) -> Array:
        """Sums of the numeric columns over expected losses, runs x numeric columns."""
        return expected_of_runs(self.counts, self.beta, self.counts.design.numeric_profiles[1])

    @cached_property
    def by_site(self) -> Array:
        """Expected losses per site."""
        return self.counts.runs.by_site(self.by_run[:, :1])[:, 0]  # of the constant

    @cached_property
    def site_x(self) -> Array:
        """Sums of the columns over expected losses, sites x columns."""
        return self.counts.sums_of_runs(self.by_run, self.counts.design.profiles[1])

    @cached_property
    def weight(self) -> Array:
        """Mean of each site's effect, given its losses."""
        return mean_effects(self.counts.by_site, self.by_site, self.variance)

    @cached_property
    def _shrunk(self) -> Array:
        """What the pseudo-events expect."""
        return self.counts.prior * np.exp(self.beta)

    @cached_property
    def value(self) -> float:
        """Log likelihood."""
        counts = self.counts
        value = float((counts.lost_x.sum(axis=0) + counts.prior) @ self.beta - self._shrunk.sum())
        if self.variance > 0:
            return value + float(_mixed(counts.by_site, self.by_site, 1 / self.variance).sum())
        return value - float(self.by_site.sum())

    @property
    def scores(self) -> Array:
        """Slope of each site's own log likelihood, sites x columns."""
        return self.counts.lost_x - self.weight[:, None] * self.site_x

    @cached_property
    def slope(self) -> Array:
        """Slope by the coefficients."""
        return self.scores.sum(axis=0) + self.counts.prior - self._shrunk

    @cached_property
    def information(self) -> Array:
        """Observed information of the coefficients."""
        information = _gram(self.counts, self.beta, self.by_run, self.weight) + np.diag(self._shrunk)
        if self.variance > 0:
            own = own_variance(self.counts.by_site, self.by_site, self.variance)
            information -= self.site_x.T @ (own[:, None] * self.site_x)
        return information


def expected_of_runs(counts: Counts, beta: Array, values: Array) -> Array:
    """Sums over the expected losses of each run.

    Parameters
    ----------
    counts : Counts
    beta : numpy.ndarray
        Coefficients, on the log scale.
    values : numpy.ndarray, shape (profiles of numeric columns, any)
        What is summed.

    Returns
    -------
    numpy.ndarray, shape (runs, any)
    """
    of_numeric, of_factors = counts.design.profile_rates(beta)
    return np.asarray(counts.days_of_runs @ (of_numeric[:, None] * values)) * of_factors[counts.runs.profile][:, None]


def _gram(counts: Counts, beta: Array, by_run: Array, weight: Array) -> Array:
    """Cross-products of the columns over the expected losses, each site's with a weight."""
    runs, (_, values) = counts.runs, counts.design.profiles
    numeric_rate, factor_rate = counts.design.profile_rates(beta)
    of_run, each = weight[runs.site], np.arange(len(runs.site) + 1, dtype=np.int32)
    by_profile = sparse.csr_array((of_run, runs.profile, each), shape=(len(of_run), len(values))).T @ by_run
    of_numeric = (counts.days_of_runs.T @ (of_run * factor_rate[runs.profile])) * numeric_rate
    return counts.design.gram_of_profiles(of_numeric, by_profile)


def mean_effects(lost: Array, expected: Array, variance: float) -> Array:
    """Mean of each site's effect given its losses and what was expected of it.

    Parameters
    ----------
    lost : numpy.ndarray
        Losses of each site.
    expected : numpy.ndarray
        Expected losses of each site.
    variance : float
        Variance of the site effect.

    Returns
    -------
    numpy.ndarray, shape (sites,)
    """
    return (1 + variance * lost) / (1 + variance * expected)


def own_variance(lost: Array, expected: Array, variance: float) -> Array:
    """Variance of each site's effect given its losses and what was expected of it.

    Parameters
    ----------
    lost : numpy.ndarray
        Losses of each site.
    expected : numpy.ndarray
        Expected losses of each site.
    variance : float
        Variance of the site effect.

    Returns
    -------
    numpy.ndarray, shape (sites,)
    """
    return variance * (1 + variance * lost) / (1 + variance * expected) ** 2


def _mixed(lost: Array, expected: Array, shape: float) -> Array:
    """Log likelihood of each site's number, mixed over its effect (the part that holds the shape)."""
    return (
        special.gammaln(lost + shape)
        - special.gammaln(shape)
        - lost * np.log(shape)
        - (lost + shape) * np.log1p(expected / shape)
    )


def variance_slopes(lost: Array, expected: Array, variance: float) -> tuple[float, float]:
    """First and second derivative of the log likelihood by the log variance, at fixed coefficients.

    Parameters
    ----------
    lost : numpy.ndarray
        Losses of each site.
    expected : numpy.ndarray
        Expected losses of each site.
    variance : float
        Variance of the site effect.

    Returns
    -------
    first, second : float
    """
    shape = 1 / variance
    share = expected / (shape * (shape + expected))
    first = (
        special.digamma(lost + shape)
        - special.digamma(shape)
        - lost / shape
        - np.log1p(expected / shape)
        + (lost + shape) * share
    ).sum()
    second = (
        special.polygamma(1, lost + shape)
        - special.polygamma(1, shape)
        + lost / shape**2
        + 2 * share
        - (lost + shape) * share**2 * (2 * shape + expected) / expected
    ).sum()
    return float(-shape * first), float(shape * first + shape**2 * second)
