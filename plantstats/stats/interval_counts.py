"""Counts known only between two numbers (interval-censored), such as "few": what they may have been.

A count known to be 1 to 5 adds to the likelihood the probability of 1 to 5. The derivatives of that probability are
those of an observed count, averaged over what the count may have been; so a fit needs only these averages.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from plantstats.stats.intervals import Array

PATTERN = ("row", "lower", "upper")
BLOCK = 1 << 21  # numbers in one block of work
# Of the information of an observed count: never less than this, so that an interval as wide as the whole distribution
# only says nothing.
INFORMATION_FLOOR = 1e-6


@dataclass(frozen=True)
class ConditionalMoments:
    """What counts may have been, given that they lie in their intervals: one value per pattern.

    Attributes
    ----------
    log_prob : numpy.ndarray
        Logarithm of the probability of the interval.
    mean, variance : numpy.ndarray
        Of the count, given the interval.
    digamma : numpy.ndarray
        Mean of digamma(count + size) - digamma(size), given the interval; 0 for the Poisson distribution.
    """

    log_prob: Array
    mean: Array
    variance: Array
    digamma: Array


@dataclass(frozen=True)
class IntervalCounts:
    """Interval-censored counts, gathered by pattern: a row of the table of covariates, and two ends.

    Attributes
    ----------
    patterns : pandas.DataFrame
        One row per pattern: row (position in the table of covariates), lower, upper, n (counts).
    by_cluster : pandas.DataFrame
        One row per cluster and pattern: cluster, pattern (number), n.

    Examples
    --------
    One count of 1 or more where the mean is 0.5; its probability is 1 - exp(-0.5):

    >>> some = pd.DataFrame({"cluster": ["a"], "row": [0], "lower": [1], "upper": [50], "n": [1]})
    >>> moments = IntervalCounts.of(some).moments(np.array([0.5]), np.inf)
    >>> round(float(np.exp(moments.log_prob[0])), 4), round(float(moments.mean[0]), 4)
    (0.3935, 1.2707)
    """

    patterns: pd.DataFrame
    by_cluster: pd.DataFrame

    @classmethod
    def of(cls, counts: pd.DataFrame | None) -> IntervalCounts:
        """Gather counts by pattern.

        Parameters
        ----------
        counts : pandas.DataFrame, optional
            Columns cluster, row, lower, upper, n; None for no such count.

        Returns
        -------
        Intervalarray_like
        """
        if counts is None or counts.empty:
            none = pd.DataFrame({name: pd.Series(dtype="int64") for name in ("cluster", "pattern", *PATTERN, "n")})
            return cls(none[[*PATTERN, "n"]], none[["cluster", "pattern", "n"]])
        patterns = counts.groupby(list(PATTERN), as_index=False)["n"].sum()
        numbered = patterns.assign(pattern=np.arange(len(patterns)))[[*PATTERN, "pattern"]]
        return cls(patterns, counts.merge(numbered, on=list(PATTERN))[["cluster", "pattern", "n"]])

    @cached_property
    def row(self) -> npt.NDArray[np.intp]:
        """Row of the table of covariates, of each pattern."""
        return self.patterns["row"].to_numpy().astype(np.intp)

    @cached_property
    def n(self) -> Array:
        """How many counts have each pattern."""
        return self.patterns["n"].to_numpy(dtype="float64")

    def sum_by_row(self, values: Array | float, n_rows: int) -> Array:
        """Values of one count of each pattern, added up by row of the table of covariates.

        Parameters
        ----------
        values : float or numpy.ndarray, shape (patterns,)
            Of one count of each pattern.
        n_rows : int
            Rows of the table of covariates.

        Returns
        -------
        numpy.ndarray, shape (rows,)
        """
        return np.bincount(self.row, self.n * values, n_rows).astype("float64")

    @cached_property
    def _by_ends(self) -> list[tuple[tuple[int, int], npt.NDArray[np.intp]]]:
        groups = self.patterns.groupby(["lower", "upper"], sort=True).indices
        return [((int(lower), int(upper)), at) for (lower, upper), at in groups.items()]

    def moments(self, mean: Array, size: float) -> ConditionalMoments:
        """What the counts of each pattern may have been.

        Parameters
        ----------
        mean : numpy.ndarray
            Mean of one count of each row of the table of covariates.
        size : float
            1 / dispersion of the negative binomial distribution; infinite for Poisson.

        Returns
        -------
        ConditionalMoments
        """
        values = np.zeros((4, len(self.patterns)))
        for (lower, upper), at in self._by_ends:
            count = np.arange(lower, upper + 1.0)
            block = max(BLOCK // len(count), 1)
            for start in range(0, len(at), block):
                part = at[start : start + block]
                values[:, part] = _moments(count, mean[self.row[part]][:, None], size)
        return ConditionalMoments(*values)

    def information(self, moments: ConditionalMoments, mean: Array, alpha: float) -> Array:
        """Information about the log mean that one count of each pattern gives.

        Parameters
        ----------
        moments : ConditionalMoments
            As `moments` gives them.
        mean : numpy.ndarray
            Mean of one count of each row.
        alpha : float
            Dispersion: variance = mean + alpha mean^2.

        Returns
        -------
        numpy.ndarray, shape (patterns,)

        Notes
        -----
        That of an observed count, averaged, less the variance of its score over what the count may have been.

        References
        ----------
        Louis 1982, Journal of the Royal Statistical Society B 44:226 (from memory).
        """
        own = mean[self.row]
        scale = 1 + alpha * own
        information = own * (1 + alpha * moments.mean) - moments.variance
        return np.asarray(np.maximum(information, INFORMATION_FLOOR * own * scale) / scale**2, dtype="float64")


def _moments(count: Array, mean: Array, size: float) -> Array:
    if np.isinf(size):
        log_pmf = count * np.log(mean) - mean - special.gammaln(count + 1)
        digamma = np.zeros(len(count))
    else:
        ways = special.gammaln(count + size) - special.gammaln(size) - special.gammaln(count + 1)
        log_pmf = ways + count * np.log(mean / (size + mean)) - size * np.log1p(mean / size)
        digamma = special.digamma(count + size) - special.digamma(size)
    log_prob = special.logsumexp(log_pmf, axis=1)
    weight = np.exp(log_pmf - log_prob[:, None])
    centre = weight @ count
    return np.array([log_prob, centre, (weight * (count - centre[:, None]) ** 2).sum(axis=1), weight @ digamma])
