"""How often exact limits of whole counts hold by arithmetic: the fewer the losses, the more often than their level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

from plantstats.losses import LossModel, expected
from plantstats.stats import smr
from plantstats.stats.intervals import CONF_LEVEL

Array = npt.NDArray[np.float64]
NEARLY_ALL = 1e-9  # chance of the counts that are left out
NODES = 15  # of the normal distribution of what is expected


def of_rate(mean: npt.ArrayLike, conf_level: float = CONF_LEVEL) -> Array:
    """Chance that the exact limits of a count hold its mean.

    Parameters
    ----------
    mean : array_like
        True means.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    numpy.ndarray
        One chance per mean.

    Notes
    -----
    The limits of n hold the mean where neither the Poisson tail from n up nor that from n down is below (1 -
    conf_level) / 2; the chance of such n is summed.

    References
    ----------
    Garwood 1936, Biometrika 28:437.

    Examples
    --------
    >>> [round(float(chance), 3) for chance in of_rate([1.0, 10.0, 100.0])]
    [0.981, 0.975, 0.955]
    """
    m, tail = np.asarray(mean, dtype="float64"), (1 - conf_level) / 2
    first, last = stats.poisson.ppf(tail, m), stats.poisson.isf(tail, m)
    return np.asarray(stats.poisson.cdf(last, m) - stats.poisson.cdf(first - 1, m), dtype="float64")


def of_ratio(mean: float, before: float, conf_level: float = CONF_LEVEL) -> float:
    """Chance that the exact limits of a ratio of two rates hold the true one, where any loss makes one.

    Parameters
    ----------
    mean, before : float
        True means of the two counts.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    float
        Missing where both means are 0.

    Notes
    -----
    Given their sum the one count is binomial, and the limits are those of its share (`rates.rate_ratio`); summed over
    the sums.
    """
    total, tail = mean + before, (1 - conf_level) / 2
    if total <= 0:
        return np.nan
    n, share = np.arange(1, int(stats.poisson.isf(NEARLY_ALL, total)) + 2), mean / total
    first, last = stats.binom.ppf(tail, n, share), stats.binom.isf(tail, n, share)
    coverage = stats.binom.cdf(last, n, share) - stats.binom.cdf(first - 1, n, share)
    weight = stats.poisson.pmf(n, total)
    return float(weight @ coverage / weight.sum())


def of_expected(
    mean: npt.ArrayLike, variance: npt.ArrayLike, dispersion: float, model: LossModel, conf_level: float = CONF_LEVEL
) -> Array:
    """Chance that limits of observed / expected hold the true ratio, were the expectation off by as much as it says.

    Parameters
    ----------
    mean : array_like
        True mean of each group's count.
    variance : array_like
        Of the log of what is expected of it, as the page has it.
    dispersion : float
        Between groups, as `smr.over_dispersion` gives it.
    model : LossModel
        The loss model, for its t quantile.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    numpy.ndarray
        One chance per group.

    Notes
    -----
    The page's own limits of each count (`smr.observed_expected`, `losses.expected.widen`), with Poisson chances and a
    lognormal expectation around the right one, by Gauss-Hermite sums.
    """
    m, log_error = np.atleast_1d(np.asarray(mean, dtype="float64")), np.sqrt(np.atleast_1d(variance))
    count = np.arange(int(stats.poisson.isf(NEARLY_ALL, m.max())) + 2)
    alone = smr.observed_expected(count, np.ones(len(count)), dispersion, conf_level)
    at, weight = np.polynomial.hermite_e.hermegauss(NODES)
    chances = []
    for group_mean, error in zip(m, log_error, strict=True):
        limits = expected.widen(alone, np.full(len(count), error**2), model, conf_level)
        # In counts: the ratio and its truth both stand over what is expected.
        true = group_mean * np.exp(at * error)[:, None]
        coverage = ((limits.low <= true) & (true <= limits.high)) @ stats.poisson.pmf(count, group_mean)
        chances.append(float(weight @ coverage / weight.sum()))
    return np.array(chances)
