"""Limits of counts, shares and ratios: each formula once."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special, stats
from statsmodels.stats.rates import confint_poisson

CONF_LEVEL = 0.95  # of every interval, unless its caller says otherwise
# Most that the upper limit of a ratio may be of the lower one for the ratio to be told (design rule: from a tenth to
# three times; a page that says "533 times (12 to 24,115)" says nothing).
WIDEST = 30.0
Counts = npt.ArrayLike
Array = npt.NDArray[np.float64]


class Interval(NamedTuple):
    """Estimates with the lower and upper ends of their intervals: three arrays of one length."""

    estimate: Array
    low: Array
    high: Array


def poisson_limits(events: Counts, conf_level: float = CONF_LEVEL) -> Interval:
    r"""Exact limits for the mean of a Poisson count.

    Parameters
    ----------
    events : array_like
        Counts, 0 or more. Shares of events (counts over a dispersion) are allowed.
    conf_level : float
        Confidence level of the interval.

    Returns
    -------
    Interval
        Arrays of the length of `events`.

    Notes
    -----
    With :math:`\\alpha` = 1 - conf_level the limits are
    :math:`\\chi^2_{\\alpha/2}(2 d) / 2` and :math:`\\chi^2_{1-\\alpha/2}(2 d + 2) / 2` for d events.

    References
    ----------
    Garwood 1936, Biometrika 28:437.

    Examples
    --------
    No event is not no risk:

    >>> estimate, low, high = poisson_limits([0, 10])
    >>> [(round(float(a), 2), round(float(b), 2)) for a, b in zip(low, high)]
    [(0.0, 3.69), (4.8, 18.39)]
    """
    count = np.atleast_1d(np.asarray(events, dtype="float64"))
    low, high = confint_poisson(count, np.ones_like(count), method="exact-c", alpha=1 - conf_level)
    return Interval(count, np.atleast_1d(low), np.atleast_1d(high))


def zero_event_limit(conf_level: float = CONF_LEVEL) -> float:
    """Upper limit of the mean of a Poisson count of which no event was seen.

    Parameters
    ----------
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    float

    Notes
    -----
    The upper limit of `poisson_limits` for a count of 0, in closed form: -log((1 - conf_level) / 2).

    Examples
    --------
    >>> round(zero_event_limit(), 2)
    3.69
    """
    return float(-np.log((1 - conf_level) / 2))


def binomial_limits(events: int, trials: int, conf_level: float = CONF_LEVEL) -> tuple[float, float]:
    """Exact limits for a share.

    Parameters
    ----------
    events, trials : int
        Events, and the trials among which they fell; 0 <= events <= trials.
    conf_level : float
        Confidence level of the interval.

    Returns
    -------
    tuple of float
        Lower and upper limit, from 0 to 1; 0 to 1 without any trial.

    Notes
    -----
    Beta quantiles: the lower limit of no event is 0, the upper one of nothing but events is 1.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404.

    Examples
    --------
    >>> [round(limit, 4) for limit in binomial_limits(0, 10)]
    [0.0, 0.3085]
    """
    if trials == 0:
        return 0.0, 1.0
    tail = (1 - conf_level) / 2
    low = 0.0 if events == 0 else special.betaincinv(events, trials - events + 1, tail)
    high = 1.0 if events == trials else special.betaincinv(events + 1, trials - events, 1 - tail)
    return float(low), float(high)


@lru_cache(maxsize=4096)
def quantile(conf_level: float = CONF_LEVEL, df: float | None = None) -> float:
    """Standard errors that an interval spans to each side: normal, or Student's t with `df` degrees of freedom.

    Parameters
    ----------
    conf_level : float, optional
        Confidence level, between 0 and 1.
    df : float, optional
        Degrees of freedom; normal without.

    Returns
    -------
    float

    Examples
    --------
    >>> round(quantile(), 4), round(quantile(df=9), 4)
    (1.96, 2.2622)
    """
    upper = (1 + conf_level) / 2
    return float(stats.norm.ppf(upper) if df is None else stats.t.ppf(upper, df))


def ratio_limits(
    log_ratio: npt.ArrayLike, se: npt.ArrayLike, conf_level: float = CONF_LEVEL, df: float | None = None
) -> Interval:
    """A ratio with its limits, from its logarithm and the standard error of that.

    Parameters
    ----------
    log_ratio, se : array_like
        Natural logarithm of the ratio, and its standard error.
    conf_level : float
        Confidence level of the interval.
    df : float, optional
        Degrees of freedom of Student's t; the normal distribution without.

    Returns
    -------
    Interval
        exp(log_ratio), and exp(log_ratio -+ quantile x se).

    Examples
    --------
    >>> [round(float(value), 3) for value in ratio_limits(np.log(2), 0.25)]
    [2.0, 1.225, 3.265]
    """
    middle, half_width = np.asarray(log_ratio, dtype="float64"), quantile(conf_level, df) * np.asarray(se)
    return Interval(np.exp(middle), np.exp(middle - half_width), np.exp(middle + half_width))


def log_se(low: npt.ArrayLike, high: npt.ArrayLike, conf_level: float = CONF_LEVEL) -> Array:
    """Standard error of the logarithm of a ratio, from its normal limits: the inverse of `ratio_limits`.

    Parameters
    ----------
    low, high : array_like
        Limits of the ratio, above 0.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    numpy.ndarray

    Examples
    --------
    >>> _, low, high = ratio_limits(np.log(2), 0.25)
    >>> round(float(log_se(low, high)), 6)
    0.25
    """
    width = np.log(np.asarray(high, dtype="float64") / np.asarray(low, dtype="float64"))
    return np.asarray(width / (2 * quantile(conf_level)))


def log_log_limits(survival: npt.ArrayLike, se: npt.ArrayLike, conf_level: float = CONF_LEVEL) -> tuple[Array, Array]:
    r"""Limits of shares that stay between 0 and 1: of a survival curve, or of 1 - cumulative incidence.

    Parameters
    ----------
    survival, se : array_like
        Shares still there, with their standard errors.
    conf_level : float
        Confidence level of the limits.

    Returns
    -------
    tuple of numpy.ndarray
        Lower and upper limits; missing where the share is 0 or 1, or its error missing.

    Notes
    -----
    :math:`S^{\\exp(\\pm z\\,se / (S \\log S))}`, symmetric for log(-log S).

    References
    ----------
    Kalbfleisch and Prentice 1980, The Statistical Analysis of Failure Time Data.

    Examples
    --------
    >>> low, high = log_log_limits([0.8], [0.1])
    >>> round(float(low[0]), 3), round(float(high[0]), 3)
    (0.512, 0.928)
    """
    share = np.asarray(survival, dtype="float64")
    inner = np.where((share > 0) & (share < 1), share, np.nan)
    half_width = quantile(conf_level) * np.asarray(se, dtype="float64") / (inner * -np.log(inner))
    # Beyond this the limits are 0 and 1 to the last digit.
    half_width = np.minimum(half_width, 700.0)
    return inner ** np.exp(half_width), inner ** np.exp(-half_width)
