"""Poisson likelihood of losses by pattern and site, with or without an effect that a site's plants share."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy import sparse, special

from plantstats.losses.design import Array, Codes, Design, ModelError, sums_by

MAX_STEPS = 60
# Steps have settled when the next one would raise the log likelihood by less than this.
SETTLED = 1e-10
ROUGH = 1.0  # the same for coefficients that only begin a search
LONGEST_STEP = 3.0
# The variance between sites is 0 where its estimate lies below this (a standard deviation of 1% of the mean): the
# likelihood is flat there, and where an optimiser stopped would hang on the machine.
LEAST_VARIANCE, MOST_VARIANCE = 1e-4, 4.0
LONGEST_LOG_STEP = 1.5


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
        found, number = np.unique(key, return_inverse=True)
        begins = np.searchsorted(found // len(values), np.arange(self.n_sites + 1))
        return number.astype(np.intp), found % len(values), begins

    def site_sums(self, weight: Array) -> Array:
        """Sums of the design's columns by site, each row of the counts with a weight; sites x columns."""
        number, profile, begins = self._site_profiles
        _, values = self.design.profiles
        numeric = self.design.is_numeric
        out = np.empty((self.n_sites, len(numeric)))
        by_profile = sums_by(number, weight, len(profile))
        out[:, ~numeric] = sparse.csr_array((by_profile, profile, begins), shape=(self.n_sites, len(values))) @ values
        for column, x in zip(np.flatnonzero(numeric), self._numeric.T, strict=True):
            out[:, column] = sums_by(self.site, weight * x, self.n_sites)
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
        """Rows of one site."""
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
    weight = (1 + variance * lost) / (1 + variance * by_site)
    total = sums_by(counts.pattern, expected * weight[counts.site], counts.design.rows)
    drawn = counts.prior * np.exp(beta)
    slope = counts.design.sums(counts.by_pattern[0] - total) + counts.prior - drawn
    information = counts.design.gram(total) + np.diag(drawn)
    value = float(counts.by_pattern[0] @ log_rate + counts.prior @ beta - drawn.sum())
    site_x = None
    if variance > 0:
        site_x = counts.site_sums(expected)
        information -= site_x.T @ (own_variance(lost, by_site, variance)[:, None] * site_x)
        value += float(_mixed(lost, by_site, 1 / variance).sum())
    else:
        value -= float(by_site.sum())
    return Derivatives(value, slope, information, expected, by_site, weight, site_x)


def own_variance(lost: Array, expected: Array, variance: float) -> Array:
    """Variance of each site's effect given its losses and what was expected of it."""
    return variance * (1 + variance * lost) / (1 + variance * expected) ** 2


def _mixed(lost: Array, expected: Array, shape: float) -> Array:
    """Log likelihood of each site's number, mixed over its effect (the part that holds the shape)."""
    return (
        special.gammaln(lost + shape)
        - special.gammaln(shape)
        - lost * np.log(shape)
        - (lost + shape) * np.log1p(expected / shape)
    )


def _variance_slopes(lost: Array, expected: Array, variance: float) -> tuple[float, float]:
    """First and second derivative of the log likelihood by the log variance, at fixed coefficients."""
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


class Fit(NamedTuple):
    """Coefficients, the variance between sites, and the likelihood there."""

    beta: Array
    variance: float
    at: Derivatives


def fit_at_variance(
    counts: Counts, start: Array, variance: float, fixed: dict[int, float] | None = None, settled: float = SETTLED
) -> Fit:
    """Fit the coefficients at one variance between sites.

    Parameters
    ----------
    counts : Counts
    start : numpy.ndarray
        Coefficients to begin with.
    variance : float
        Of the sites' effect.
    fixed : dict
        Column number to value, of coefficients that are held.
    settled : float
        Gain of the log likelihood at which steps have settled.

    Returns
    -------
    Fit

    Raises
    ------
    ModelError
        When Newton's steps do not settle, or the information is singular.
    """
    beta = start.copy()
    free = np.ones(len(beta), dtype=bool)
    for at, held in (fixed or {}).items():
        beta[at], free[at] = held, False
    now = derivatives(counts, beta, variance)
    for _ in range(MAX_STEPS):
        step = np.zeros(len(beta))
        step[free] = _solve(now.information[np.ix_(free, free)], now.slope[free])
        gain = abs(float(now.slope @ step))
        beta, _, now = _line_search(counts, now, beta, variance, np.clip(step, -LONGEST_STEP, LONGEST_STEP), 0.0)
        if gain < settled:
            return Fit(beta, variance, now)
    raise ModelError(f"the fit of the loss model has not settled after {MAX_STEPS} steps")


def fit_frailty(counts: Counts, start: Array, variance: float | None = None) -> Fit:
    """Fit the coefficients together with the variance between sites.

    Parameters
    ----------
    counts : Counts
    start : numpy.ndarray
        Coefficients to begin with.
    variance : float
        To begin with; from the sites' losses where not given.

    Returns
    -------
    Fit
        Its variance is 0 where the estimate lies below `LEAST_VARIANCE`, or sites that are alike are as likely.

    Raises
    ------
    ModelError
        As `fit_at_variance`.

    Notes
    -----
    Newton's steps on the coefficients and the logarithm of the variance at once.
    """
    beta = start
    if not variance:
        rough = fit_at_variance(counts, start, 0.0, settled=ROUGH)
        beta, expected = rough.beta, rough.at.by_site
        # Method of moments: at variance v, (losses - expected)^2 is expected + v expected^2 on average.
        variance = float(np.sum((counts.by_site - expected) ** 2 - expected) / np.sum(expected**2))
    log_variance = float(np.log(np.clip(variance, 10 * LEAST_VARIANCE, MOST_VARIANCE)))
    now = derivatives(counts, beta, float(np.exp(log_variance)))
    for _ in range(MAX_STEPS):
        step, log_step, gain = _joint_step(counts, now, log_variance)
        if log_step <= 0 and log_variance <= np.log(LEAST_VARIANCE):
            return fit_at_variance(counts, beta, 0.0)
        if log_step >= 0 and log_variance >= np.log(MOST_VARIANCE):
            return fit_at_variance(counts, beta, MOST_VARIANCE)
        beta, log_variance, now = _line_search(counts, now, beta, float(np.exp(log_variance)), step, log_step)
        if gain < SETTLED:
            fit = Fit(beta, float(np.exp(log_variance)), now)
            return _alike_if_as_likely(counts, fit)
    raise ModelError(f"the variance between sites has not settled after {MAX_STEPS} steps")


def _alike_if_as_likely(counts: Counts, fit: Fit) -> Fit:
    """The fit, or that of sites that are alike where it is as likely: the likelihood can have two tops."""
    at = derivatives(counts, fit.beta, 0.0)
    # What a step would gain, doubled for safety: seldom as much as a site effect does.
    if at.value + float(at.slope @ _solve(at.information, at.slope)) < fit.at.value:
        return fit
    alike = fit_at_variance(counts, fit.beta, 0.0)
    return alike if alike.at.value >= fit.at.value else fit


def _joint_step(counts: Counts, now: Derivatives, log_variance: float) -> tuple[Array, float, float]:
    """Newton's step of the coefficients and the log variance, and what it promises."""
    variance = float(np.exp(log_variance))
    slope, curvature = _variance_slopes(counts.by_site, now.by_site, variance)
    shift = variance * (counts.by_site - now.by_site) / (1 + variance * now.by_site) ** 2
    across = -(shift @ np.asarray(now.site_x))
    both = _solve(now.information, np.column_stack([now.slope, across]))
    # What is left of the curvature once the coefficients follow; made to point uphill where the likelihood bends up.
    left = -(curvature + float(across @ both[:, 1]))
    log_step = (slope + float(across @ both[:, 0])) / max(abs(left), 1e-8)
    log_step = float(np.clip(log_step, -LONGEST_LOG_STEP, LONGEST_LOG_STEP))
    step = np.clip(both[:, 0] + both[:, 1] * log_step, -LONGEST_STEP, LONGEST_STEP)
    return step, log_step, abs(float(now.slope @ step)) + abs(slope * log_step)


def _line_search(
    counts: Counts, now: Derivatives, beta: Array, variance: float, step: Array, log_step: float
) -> tuple[Array, float, Derivatives]:
    """The longest of a step, half of it, a quarter... that does not lower the likelihood."""
    size = 1.0
    log_variance = float(np.log(variance)) if variance > 0 else -np.inf
    while size >= 1e-6:
        tried = beta + size * step
        there = float(np.clip(log_variance + size * log_step, np.log(LEAST_VARIANCE), np.log(MOST_VARIANCE)))
        after = derivatives(counts, tried, float(np.exp(there)) if variance > 0 and log_step else variance)
        if np.isfinite(after.value) and after.value >= now.value - 1e-9 * abs(now.value):
            return tried, there, after
        size /= 2
    raise ModelError("the fit of the loss model does not settle")


def _solve(information: Array, slope: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(information, slope))
    except np.linalg.LinAlgError as error:
        raise ModelError("the records do not tell all terms apart (singular information)") from error
