"""Likelihood of counts on a frequency table, some of them interval-censored, and how it is maximised."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import optimize, special

from plantstats.errors import PlantstatsError
from plantstats.stats.crossed_design import CrossedDesign
from plantstats.stats.interval_counts import ConditionalMoments, IntervalCounts
from plantstats.stats.intervals import Array

MAX_STEPS = 100
SHRINKING = 0.1  # while each step is at most this share of the one before, the information at hand is good enough
TOLERANCE = 1e-9
# Logarithm of the size (1 / dispersion): below, counts are too wild for the distribution; above, they are Poisson.
LOG_SIZES = (-9.0, 18.0)
NEAR = (0.02, 0.5)  # how far from where it was the log size is looked for first
# A log ratio beyond this is a fit on its way to infinity.
RUNAWAY = 30.0


class CountModelError(PlantstatsError, ValueError):
    """Counts from which the model cannot be fitted; the message says what is in the way."""


class Completed(NamedTuple):
    """Number, sum and sum of squares of the counts by row, censored ones as what they may have been at a fit."""

    n: Array
    total: Array
    squares: Array
    moments: ConditionalMoments


@dataclass(frozen=True)
class CountData:
    """What was counted, by row of the table of covariates, and how often each count occurred.

    Attributes
    ----------
    design : CrossedDesign
    offset, n, total, squares : numpy.ndarray, shape (rows,)
        Log exposure; number, sum and sum of squares of the observed counts.
    values, times : numpy.ndarray
        Distinct observed counts, and how often each occurred.
    censored : IntervalCounts

    Notes
    -----
    ``size`` is 1 / dispersion throughout; infinite for the Poisson distribution.
    """

    design: CrossedDesign
    offset: Array
    n: Array
    total: Array
    squares: Array
    values: Array
    times: Array
    censored: IntervalCounts

    def eta(self, beta: Array) -> Array:
        """Log mean of one count of each row.

        Parameters
        ----------
        beta : numpy.ndarray
            Coefficients.

        Returns
        -------
        numpy.ndarray, shape (rows,)
        """
        return self.offset + self.design.times(beta)

    def completed(self, mean: Array, size: float) -> Completed:
        """E-step: the censored counts as what they may have been.

        Parameters
        ----------
        mean : numpy.ndarray
            Mean of one count of each row.
        size : float
            1 / dispersion; infinite for the Poisson distribution.

        Returns
        -------
        Completed
            Numbers, sums and sums of squares by row, observed and expected together.
        """
        censored, moments = self.censored, self.censored.moments(mean, size)
        if not len(censored.n):
            return Completed(self.n, self.total, self.squares, moments)
        return Completed(
            self.n + censored.sum_by_row(1.0, len(mean)),
            self.total + censored.sum_by_row(moments.mean, len(mean)),
            self.squares + censored.sum_by_row(moments.variance + moments.mean**2, len(mean)),
            moments,
        )

    def information(self, moments: ConditionalMoments, mean: Array, alpha: float) -> Array:
        """Information of the coefficients: expected of observed counts, observed of censored ones.

        Parameters
        ----------
        moments : ConditionalMoments
            Of the censored counts, as `completed` gives them.
        mean : numpy.ndarray
            Mean of one count of each row.
        alpha : float
            Dispersion: variance = mean + alpha mean^2.

        Returns
        -------
        numpy.ndarray, shape (columns, columns)
        """
        weight = self.n * mean / (1 + alpha * mean)
        weight += self.censored.sum_by_row(self.censored.information(moments, mean, alpha), len(mean))
        return self.design.gram(weight)

    def loglik(self, size: float, eta: Array) -> float:
        """Log likelihood, constants included.

        Parameters
        ----------
        size : float
            1 / dispersion; infinite for the Poisson distribution.
        eta : numpy.ndarray, shape (rows,)
            Log means, as `eta` gives them.

        Returns
        -------
        float
            Minus infinity where a mean would overflow.
        """
        if np.max(eta) > 300:  # exp would overflow
            return -np.inf
        mean = np.exp(eta)
        censored = float(self.censored.n @ self.censored.moments(mean, size).log_prob)
        constant = -special.gammaln(self.values + 1)
        if np.isinf(size):
            return float(self.times @ constant + (self.total * eta - self.n * mean).sum()) + censored
        constant += special.gammaln(self.values + size) - special.gammaln(size)
        by_row = self.total * (eta - np.log(size)) - (self.total + self.n * size) * np.log1p(mean / size)
        return float(self.times @ constant + by_row.sum()) + censored

    def size_score(self, size: float, mean: Array) -> float:
        """Derivative of the log likelihood with respect to the size, the means held.

        Parameters
        ----------
        size : float
            1 / dispersion; infinite for the Poisson distribution.
        mean : numpy.ndarray
            Mean of one count of each row.

        Returns
        -------
        float
        """
        n, total, _, moments = self.completed(mean, size)
        score = float(self.times @ (special.digamma(self.values + size) - special.digamma(size)))
        score += float(self.censored.n @ moments.digamma)
        return score + float((n * np.log1p(-mean / (size + mean)) + n - (total + n * size) / (size + mean)).sum())


def fit_coefficients(
    data: CountData, size: float, beta: Array, information: Array | None = None
) -> tuple[Array, Array]:
    """Fisher scoring at a given dispersion; steps that lower the likelihood are halved.

    statsmodels' GLM comes to the same coefficients (tested), but knows no censored counts.

    Parameters
    ----------
    data : CountData
        What was counted.
    size : float
        1 / dispersion; infinite for the Poisson distribution.
    beta : numpy.ndarray, shape (columns,)
        Where to begin.
    information : numpy.ndarray, shape (columns, columns), optional
        Of these counts nearby, to begin with.

    Returns
    -------
    beta : numpy.ndarray, shape (columns,)
        Coefficients of the highest likelihood.
    information : numpy.ndarray, shape (columns, columns)
        The last one used.

    Raises
    ------
    CountModelError
        When the fit does not settle, or runs to infinity.

    References
    ----------
    McCullagh and Nelder 1989, Generalized Linear Models, section 2.5 (from memory).

    Examples
    --------
    Four counts that add up to eight; their mean is two:

    >>> from plantstats.stats.crossed_design import Part
    >>> one = CrossedDesign((Part(np.ones((1, 1)), np.arange(1), np.arange(1)),))
    >>> none = IntervalCounts.of(None)
    >>> data = CountData(one, np.zeros(1), *np.array([[4.0], [8.0], [40.0], [2.0], [4.0]]), none)
    >>> np.exp(fit_coefficients(data, np.inf, np.zeros(1))[0]).round(6).tolist()
    [2.0]
    """
    alpha, eta, before = 1 / size, data.eta(beta), np.inf
    best = data.loglik(size, eta)
    for _ in range(MAX_STEPS):
        mean = np.exp(eta)
        n, total, _, moments = data.completed(mean, size)
        score = data.design.times_rows((total - n * mean) / (1 + alpha * mean))
        step = score if information is None else np.linalg.solve(information, score)
        if information is None or np.max(np.abs(step)) > SHRINKING * before:
            information = data.information(moments, mean, alpha)
            step = np.linalg.solve(information, score)
        before = np.max(np.abs(step))
        if before < TOLERANCE:
            return beta + step, information
        while (loglik := data.loglik(size, eta := data.eta(beta + step))) < best - 1e-9 * abs(best):
            step = step / 2
            if np.max(np.abs(step)) < TOLERANCE:
                raise CountModelError("the fit does not settle: the counts do not determine all its terms")
        beta, best = beta + step, max(loglik, best)
        if np.max(np.abs(beta)) > RUNAWAY:
            raise CountModelError("the fit runs to infinity: some combination of covariates never had an event")
    raise CountModelError(f"the fit does not settle in {MAX_STEPS} steps")


def poisson_dispersion(data: CountData, mean: Array) -> tuple[float, float]:
    """Pearson's statistic of the Poisson fit, and the derivative of the log likelihood at no dispersion.

    Parameters
    ----------
    data : CountData
        What was counted.
    mean : numpy.ndarray
        Mean of one count of each row.

    Returns
    -------
    pearson, score : float

    Examples
    --------
    Counts 0, 0, 2, 6: squared distances from their mean, 4 + 4 + 0 + 16, over the mean; and (24 - 8) / 2:

    >>> counts, times = np.array([0.0, 2.0, 6.0]), np.array([2.0, 1.0, 1.0])
    >>> from plantstats.stats.crossed_design import Part
    >>> one = CrossedDesign((Part(np.ones((1, 1)), np.arange(1), np.arange(1)),))
    >>> sums = np.array([[4.0], [8.0], [40.0]])
    >>> data = CountData(one, np.zeros(1), *sums, counts, times, IntervalCounts.of(None))
    >>> poisson_dispersion(data, np.array([2.0]))
    (12.0, 8.0)
    """
    n, total, squares, _ = data.completed(mean, np.inf)
    squared = squares - 2 * mean * total + n * mean**2
    return float((squared / mean).sum()), float((squared - total).sum()) / 2


def fit_both(data: CountData, beta: Array, size: float = np.nan) -> tuple[float, Array]:
    """Size and coefficients in turn until neither moves: they hardly lean on each other.

    Parameters
    ----------
    data : CountData
        What was counted.
    beta : numpy.ndarray, shape (columns,)
        Where to begin.
    size : float, optional
        Where to begin to look for the size, such as that of a like fit.

    Returns
    -------
    size, beta : float, numpy.ndarray

    Raises
    ------
    CountModelError
        When dispersion or coefficients do not settle.

    Examples
    --------
    The mean of one sample is the same whatever the dispersion:

    >>> counts, times = np.array([0.0, 2.0, 6.0]), np.array([2.0, 1.0, 1.0])
    >>> from plantstats.stats.crossed_design import Part
    >>> one = CrossedDesign((Part(np.ones((1, 1)), np.arange(1), np.arange(1)),))
    >>> sums = np.array([[4.0], [8.0], [40.0]])
    >>> data = CountData(one, np.zeros(1), *sums, counts, times, IntervalCounts.of(None))
    >>> size, beta = fit_both(data, np.zeros(1))
    >>> np.exp(beta).round(6).tolist(), bool(size < 1)
    ([2.0], True)
    """
    information = None
    if np.isfinite(size):  # else the size of means that are another fit's would be taken for settled
        beta, information = fit_coefficients(data, size, beta)
    for _ in range(MAX_STEPS):
        before, size = size, _fit_size(data, np.exp(data.eta(beta)), size)
        beta, information = fit_coefficients(data, size, beta, information)
        if abs(size / before - 1) < 1e-8:
            return size, beta
    raise CountModelError("the dispersion does not settle")


def _fit_size(data: CountData, mean: Array, near: float) -> float:
    """The size, at these means; looked for beside `near` first."""

    def score(log_size: float) -> float:
        return data.size_score(float(np.exp(log_size)), mean)

    for width in NEAR if np.isfinite(near) else ():
        low, high = np.log(near) - width, np.log(near) + width
        if score(low) > 0 > score(high):
            return float(np.exp(optimize.brentq(score, low, high, xtol=1e-11)))
    low, high = LOG_SIZES
    if score(low) < 0:
        raise CountModelError(
            "the counts are too wild for a negative binomial distribution: a few of them hold nearly all events"
        )
    if score(high) > 0:
        return float(np.exp(high))
    return float(np.exp(optimize.brentq(score, low, high, xtol=1e-11)))


def se_size(data: CountData, size: float, mean: Array) -> float:
    """Standard error of the size, by the curvature of the likelihood; missing for Poisson.

    Parameters
    ----------
    data : CountData
        What was counted.
    size : float
        1 / dispersion; infinite for the Poisson distribution.
    mean : numpy.ndarray
        Mean of one count of each row.

    Returns
    -------
    float
        Missing for Poisson.

    Examples
    --------
    >>> from plantstats.stats.crossed_design import Part
    >>> one = CrossedDesign((Part(np.ones((1, 1)), np.arange(1), np.arange(1)),))
    >>> none = IntervalCounts.of(None)
    >>> data = CountData(one, np.zeros(1), *np.array([[4.0], [8.0], [40.0], [2.0], [4.0]]), none)
    >>> se_size(data, np.inf, np.array([2.0]))
    nan
    """
    if not np.isfinite(size):
        return np.nan
    step = 1e-4 * size
    information = (data.size_score(size - step, mean) - data.size_score(size + step, mean)) / (2 * step)
    return float(1 / np.sqrt(information)) if information > 0 else np.nan
