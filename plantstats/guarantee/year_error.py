"""How far years stray from what the records led to expect of them: the company's year-to-year error.

Chance, the site and the fitted rates are in the distribution of a quote already. What is not is that expectations of
this company are missed for good (losses that are found late, plants that age), and that a year as a whole turns out
better or worse than others: another summer, another grower, another crew.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import pandas as pd
from scipy import special, stats

from plantstats.guarantee.hazards import stream
from plantstats.guarantee.time_grid import Array

# Variances of the two factors among which they are sought: standard deviations of 1% to 50% (design rule).
VARIANCES = np.geomspace(1e-4, 0.25, 24)
NODES = 25  # equally likely values of the lasting factor, for each variance
MAX_SAMPLES = 50  # of the expected losses of a year


@dataclass(frozen=True)
class YearError:
    """How likely each lasting factor, and each variance of a single year's, is.

    Parameters
    ----------
    years : pandas.DataFrame
        One row per year that was foretold, newest first: period, expected, observed.
    usual : float
        Variance of a year's ratio of observed to expected losses by chance alone, in a firm of this size.
    lasting : numpy.ndarray, shape (nodes,)
        Values of the factor by which expectations are missed for good.
    variance : numpy.ndarray, shape (nodes,)
        Variances of the factor of a single year (gamma, mean 1).
    weights : numpy.ndarray, shape (nodes,)
        Posterior probabilities of these pairs.
    """

    years: pd.DataFrame
    usual: float
    lasting: Array
    variance: Array
    weights: Array

    @cached_property
    def mean(self) -> float:
        """What expected numbers are taken times."""
        return float(self.lasting @ self.weights)

    @cached_property
    def sd(self) -> float:
        """Standard deviation of a coming year's factor, both parts together, as a share of its mean."""
        second = float((self.lasting**2 * (1 + self.variance)) @ self.weights)
        return float(np.sqrt(second / self.mean**2 - 1))

    def samples(self, n_samples: int, seed: int) -> Array:
        """Factors of the years to come, one per sample, evenly over their distribution.

        Parameters
        ----------
        n_samples : int
            How many samples of what is not known for sure.
        seed : int
            Seed of the random numbers; the same seed gives the same result.

        Returns
        -------
        numpy.ndarray, shape (samples,)
        """
        generator = stream(seed, "year")
        even = (np.arange(n_samples) + 0.5) / n_samples
        order = np.lexsort((self.variance, self.lasting))
        nodes = order[np.minimum(np.searchsorted(np.cumsum(self.weights[order]), even), len(order) - 1)]
        variance = self.variance[nodes]
        factor = self.lasting[nodes] * stats.gamma.ppf(generator.permutation(even), 1 / variance, scale=variance)
        return generator.permutation(factor * self.mean / factor.mean())


def learn(years: pd.DataFrame, expected: list[Array], per_year: float) -> YearError:
    """Learn the year-to-year error from years that were foretold.

    Parameters
    ----------
    years : pandas.DataFrame
        One row per year: period, expected, observed (covered losses). No row: what is usual stands alone.
    expected : list of numpy.ndarray, each of shape (samples,)
        Expected losses of each year, given each sample of site effects and model.
    per_year : float
        Losses that the company has in a year: its size.

    Returns
    -------
    YearError

    Notes
    -----
    The losses of a year are Poisson with mean expected x B x Y: B lasting (gamma, mean 1, variance u), Y of this year
    alone (gamma, mean 1, variance v), so that given B they are negative binomial with size 1 / v; the likelihood is the
    mean over the samples of what was expected. What is usual for a firm of its size: the uniform shrinkage prior
    ``z / (z + v) ** 2`` for u and v alike, with 2 z = 1 / per_year, the variance that chance alone gives a year's ratio
    of observed to expected losses: either is as likely above as below half of that. So one bad year of a small firm
    moves its prices little, and several bad years of a large one move them nearly all the way. One Y holds for the
    whole term, the careful choice where a term runs over several years.

    References
    ----------
    Christiansen and Morris 1997, Journal of the American Statistical Association 92:618, and Daniels 1999, Canadian
    Journal of Statistics 27:567, for the prior; Buehlmann and Straub 1970, Bulletin of the Swiss Association of
    Actuaries 70:111, for prices that move with experience as far as it can be believed (all from memory).

    Examples
    --------
    A year with 66 losses where 49 were expected moves prices up; two such years move them further:

    >>> bad = pd.DataFrame({"period": ["2026", "2025"], "expected": [49.0, 49.0], "observed": [66, 66]})
    >>> once, twice = (learn(bad.head(n), [np.full(10, 49.0)] * n, per_year=49.0).mean for n in (1, 2))
    >>> 1.0 < once < twice < 66 / 49
    True
    """
    usual = 1 / max(per_year, 1.0)
    # The grids are even in the logarithm of the variance: du = u x d(log u).
    prior = np.log(VARIANCES * (usual / 2) / (usual / 2 + VARIANCES) ** 2)
    lasting, variance = np.broadcast_arrays(_lasting()[:, :, None], VARIANCES)
    log_weight = np.broadcast_to(prior[:, None, None] + prior, lasting.shape)
    size = 1 / VARIANCES[:, None]
    for observed, samples in zip(years["observed"], expected, strict=True):
        mean = samples[:MAX_SAMPLES] * lasting[..., None]
        # Negative binomial; what does not hang on the mean once for each variance.
        ways = special.gammaln(observed + size) - special.gammaln(size) - special.gammaln(observed + 1.0)
        log_pmf = ways - size * np.log1p(mean / size) - observed * np.log1p(size / mean)
        likelihood = np.exp(log_pmf).mean(axis=-1)
        log_weight = log_weight + np.log(np.maximum(likelihood, 1e-300))
    weights = np.exp(log_weight - log_weight.max()).ravel()
    return YearError(years, usual, lasting.ravel(), variance.ravel(), weights / weights.sum())


@cache
def _lasting() -> Array:
    """Equally likely values of the lasting factor, for each variance."""
    even = (np.arange(NODES) + 0.5) / NODES
    nodes = stats.gamma.ppf(even, 1 / VARIANCES[:, None], scale=VARIANCES[:, None])
    return np.asarray(nodes / nodes.mean(axis=1, keepdims=True))
