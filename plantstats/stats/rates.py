"""Rates of events over time at risk, with exact limits, and their ratios."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL, Array, Counts, Interval, poisson_limits

DAYS_PER_100_YEARS = 36_525  # 100 years of 365.25 days
PER_100_YEARS = "per 100 plant-years"
EXACT = "exact Poisson limits (Garwood 1936)"
CONDITIONAL = "exact limits given the total (beta quantiles)"


class RateError(ValueError):
    """Counts that cannot make a rate."""


class Ratio(NamedTuple):
    """A ratio of two rates, its interval, and the p-value of no difference."""

    estimate: float
    low: float
    high: float
    p: float


def loss_rate(losses: Counts, days: Counts, conf_level: float = CONF_LEVEL) -> Interval:
    """Losses per 100 years at risk.

    Parameters
    ----------
    losses, days : array_like
        Counts and days at risk, of one length.
    conf_level : float

    Returns
    -------
    Interval
        Missing where there are no days at risk.

    Raises
    ------
    RateError
        For negative numbers, or losses without days at risk.

    Notes
    -----
    losses / days x 36,525; limits as in `intervals.poisson_limits`.

    Examples
    --------
    >>> [round(float(value[0]), 2) for value in loss_rate(4, 73_050)]
    [2.0, 0.54, 5.12]
    """
    count, at_risk = np.broadcast_arrays(np.atleast_1d(losses), np.atleast_1d(days))
    count, at_risk = count.astype("float64"), at_risk.astype("float64")
    if not (np.all(count >= 0) and np.all(at_risk >= 0)):
        raise RateError("losses and plant-days must be given, and not be below zero")
    if np.any((at_risk == 0) & (count > 0)):
        raise RateError("losses without plant-days: a plant lost on the day it came counts one day at risk")
    scale = DAYS_PER_100_YEARS / np.where(at_risk > 0, at_risk, np.nan)
    exact = poisson_limits(count, conf_level)
    return Interval(count * scale, exact.low * scale, exact.high * scale)


def share_lost(rate: Interval, days: int | Array) -> Interval:
    """Turn a rate per 100 years into those in 100 that would be lost over some days at that rate.

    Parameters
    ----------
    rate : Interval
        Per 100 years, as `loss_rate` gives it.
    days : int or numpy.ndarray
        Length of time, the same for all or of each.

    Returns
    -------
    Interval
        In percent.

    Notes
    -----
    1 - exp(-rate x time), the exponential distribution of a constant rate. The share rises with the rate, so its
    limits are those of the rate.

    Examples
    --------
    >>> round(float(share_lost(loss_rate(20, 36_525), 365).estimate[0]), 1)
    18.1
    """
    return Interval(*(-100 * np.expm1(-value * days / DAYS_PER_100_YEARS) for value in rate))


def rate_ratio(
    losses: int, days: float, losses_before: int, days_before: float, conf_level: float = CONF_LEVEL
) -> Ratio:
    """Compare two rates.

    Parameters
    ----------
    losses, days : int, float
        Of the one.
    losses_before, days_before : int, float
        Of the other, by which it is divided.
    conf_level : float

    Returns
    -------
    Ratio
        Without losses in the other, estimate and upper limit are missing; without losses in both, or without days at
        risk in either, all is missing.

    Notes
    -----
    Given the sum, the first count is binomial; limits by beta quantiles, p as the exact binomial test. Equal to R's
    poisson.test.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404.

    Examples
    --------
    >>> [round(float(value), 2) for value in rate_ratio(11, 1000, 7, 1000)]
    [1.57, 0.56, 4.78, 0.48]
    """
    total = losses + losses_before
    if total == 0 or days <= 0 or days_before <= 0:
        return Ratio(np.nan, np.nan, np.nan, np.nan)
    tail, times = (1 - conf_level) / 2, days_before / days
    low = stats.beta.ppf(tail, losses, losses_before + 1) if losses else 0.0
    high = stats.beta.ppf(1 - tail, losses + 1, losses_before) if losses_before else np.nan
    p = stats.binomtest(losses, total, days / (days + days_before)).pvalue
    estimate = losses / losses_before * times if losses_before else np.nan
    return Ratio(estimate, low / (1 - low) * times, high / (1 - high) * times, float(p))
