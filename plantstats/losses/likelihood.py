"""Poisson likelihood of losses by pattern and site, with or without an effect that a site's plants share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import sparse, special

from plantstats.losses.design import Array, Codes, Design, ShortCodes, sums_by


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
    """

    design: Design
    site: Codes
    pattern: Codes
    plant_days: Array
    losses: Array
    n_sites: int
    prior: Array

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
    def _numeric(self) -> Array:
        """Numeric columns of each row of the counts."""
        return self.design.numeric[self.pattern]

    @cached_property
    def _site_profiles(self) -> tuple[Codes, Codes, Codes]:
        """Profiles of factors by site: number of each row's, profile of each, and where each site's begin."""
        profile, values = self.design.profiles
        key = self.site * len(values) + profile[self.pattern]
        keys, number = np.unique(key, return_inverse=True)
        begins = np.searchsorted(keys // len(values), np.arange(self.n_sites + 1))
        return number.astype(np.intp), keys % len(values), begins

    @cached_property
    def _by_site(self) -> tuple[ShortCodes, ShortCodes]:
        """Rows, which are sorted by site, and where each site's begin."""
        begins = np.searchsorted(self.site, np.arange(self.n_sites + 1))
        return np.arange(len(self.site), dtype=np.int32), begins.astype(np.int32)

    def with_numbers(self, plant_days: Array, losses: Array) -> Counts:
        """The same rows with other numbers; what depends on the rows alone is not worked out again.

        Parameters
        ----------
        plant_days, losses : numpy.ndarray
            One a row.

        Returns
        -------
        Counts
        """
        other = replace(self, plant_days=plant_days, losses=losses)
        for name in ("_numeric", "_site_profiles", "_by_site"):
            other.__dict__[name] = getattr(self, name)
        return other

    def site_sums(self, weight: Array) -> Array:
        """Sums of the design's columns by site, each row of the counts with a weight; sites x columns.

        Parameters
        ----------
        weight : numpy.ndarray
            One weight per row.

        Returns
        -------
        numpy.ndarray, shape (sites, columns)
        """
        number, profile, begins = self._site_profiles
        _, values = self.design.profiles
        numeric = self.design.is_numeric
        out = np.empty((self.n_sites, len(numeric)))
        by_profile = sums_by(number, weight, len(profile))
        out[:, ~numeric] = sparse.csr_array((by_profile, profile, begins), shape=(self.n_sites, len(values))) @ values
        rows, first = self._by_site
        # All numeric columns in one pass over the rows.
        out[:, numeric] = sparse.csr_array((weight, rows, first), shape=(self.n_sites, len(rows))) @ self._numeric
        return out

    @cached_property
    def lost_x(self) -> Array:
        """Sums of the design's columns over losses, sites x columns."""
        return self.site_sums(self.losses)

    @cached_property
    def x(self) -> Array:
        """The design written out, patterns x columns, for those who multiply it with many coefficients."""
        return self.design.dense()

    @cached_property
    def days_by_site(self) -> sparse.csr_array:
        """Plant-days, sites x patterns."""
        shape = (self.n_sites, self.design.rows)
        return sparse.csr_array((self.plant_days, (self.site, self.pattern)), shape=shape)

    def rows_of(self, site: int) -> slice:
        """Rows of one site.

        Parameters
        ----------
        site : int
            Number of the site.

        Returns
        -------
        slice
        """
        low, high = np.searchsorted(self.site, [site, site + 1])
        return slice(int(low), int(high))


class Derivatives(NamedTuple):
    """Log likelihood at some coefficients and variance, with its slope and information.

    `expected` (rows of the counts), `by_site` (their sums), `weight` (mean of each site's effect, given its losses),
    and `site_x`: sums of the columns over expected losses, sites x columns (None without a site effect).
    """

    value: float
    slope: Array
    information: Array
    expected: Array
    by_site: Array
    weight: Array
    site_x: Array | None


def derivatives(counts: Counts, beta: Array, variance: float) -> Derivatives:
    """Log likelihood of coefficients with its derivatives.

    Parameters
    ----------
    counts : Counts
    beta : numpy.ndarray
        Coefficients, on the log scale.
    variance : float
        Of the effect (mean 1) that the plants of a site share; 0 for none.

    Returns
    -------
    Derivatives
        Pseudo-events included.

    Notes
    -----
    Losses are Poisson given a gamma effect of each site; integrated over it they are negative multinomial. Slope by
    Fisher's identity, information by Louis 1982.

    References
    ----------
    Clayton 1978, Biometrika 65:141 (from memory); Louis 1982, JRSS B 44:226 (from memory).
    """
    log_rate = counts.design.linear(beta)
    expected = counts.plant_days * np.exp(log_rate)[counts.pattern]
    by_site = sums_by(counts.site, expected, counts.n_sites)
    lost = counts.by_site
    weight = mean_effects(lost, by_site, variance)
    total = sums_by(counts.pattern, expected * weight[counts.site], counts.design.rows)
    shrunk = counts.prior * np.exp(beta)
    slope = counts.design.sums(counts.by_pattern[0] - total) + counts.prior - shrunk
    information = counts.design.gram(total) + np.diag(shrunk)
    value = float(counts.by_pattern[0] @ log_rate + counts.prior @ beta - shrunk.sum())
    site_x = None
    if variance > 0:
        site_x = counts.site_sums(expected)
        information -= site_x.T @ (own_variance(lost, by_site, variance)[:, None] * site_x)
        value += float(_mixed(lost, by_site, 1 / variance).sum())
    else:
        value -= float(by_site.sum())
    return Derivatives(value, slope, information, expected, by_site, weight, site_x)


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
