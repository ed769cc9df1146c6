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
NODES = 15  # of the normal law of what is expected


def of_rate(mean: npt.ArrayLike, level: float = CONF_LEVEL) -> Array:
    """Chance that the exact limits of a count hold its mean.

    Takes:  true means, in step with the result; level of the limits.
    Source: the limits of n hold the mean where neither the Poisson tail from n up nor that from n down is below
            (1 - level) / 2 (Garwood 1936, Biometrika 28:437); the chance of such n is summed.
    """
    m, tail = np.asarray(mean, dtype="float64"), (1 - level) / 2
    first, last = stats.poisson.ppf(tail, m), stats.poisson.isf(tail, m)
    return np.asarray(stats.poisson.cdf(last, m) - stats.poisson.cdf(first - 1, m), dtype="float64")


def of_ratio(mean: float, before: float, level: float = CONF_LEVEL) -> float:
    """Chance that the exact limits of a ratio of two rates hold the true one, where any loss makes one.

    Takes:  true means of the two counts; level.
    Source: given their sum the one count is binomial, and the limits are those of its share (`rates.rate_ratio`);
            summed over the sums.
    """
    total, tail = mean + before, (1 - level) / 2
    if total <= 0:
        return np.nan
    n, share = np.arange(1, int(stats.poisson.isf(NEARLY_ALL, total)) + 2), mean / total
    first, last = stats.binom.ppf(tail, n, share), stats.binom.isf(tail, n, share)
    held = stats.binom.cdf(last, n, share) - stats.binom.cdf(first - 1, n, share)
    weight = stats.poisson.pmf(n, total)
    return float(weight @ held / weight.sum())


def of_expected(
    mean: npt.ArrayLike, variance: npt.ArrayLike, dispersion: float, model: LossModel, level: float = CONF_LEVEL
) -> Array:
    """Chance that the limits of observed / expected hold the true ratio, were what is expected off by as much as it
    says.

    Takes:  true mean of each group's count; variance of the log of what is expected of it, as the page has it;
            dispersion between groups; the model (its t quantile); level.
    Source: the page's own limits of each count (`fair.observed_expected`, `loss_model.expected.widen`), with Poisson
            chances and a lognormal expectation around the right one, by Gauss-Hermite sums.
    """
    m, spread = np.atleast_1d(np.asarray(mean, dtype="float64")), np.sqrt(np.atleast_1d(variance))
    count = np.arange(int(stats.poisson.isf(NEARLY_ALL, m.max())) + 2)
    alone = smr.observed_expected(count, np.ones(len(count)), dispersion, level)
    at, weight = np.polynomial.hermite_e.hermegauss(NODES)
    chances = []
    for one, error in zip(m, spread, strict=True):
        limits = expected.widen(alone, np.full(len(count), error**2), model, level)
        # In counts: the ratio and its truth both stand over what is expected.
        true = one * np.exp(at * error)[:, None]
        held = ((limits.low <= true) & (true <= limits.high)) @ stats.poisson.pmf(count, one)
        chances.append(float(weight @ held / weight.sum()))
    return np.array(chances)
