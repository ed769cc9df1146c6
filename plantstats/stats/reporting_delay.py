"""Delays seen only once they are over (right truncation), and how many events of a window are still to come."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL, Array

NEARLY_ALL = 1e-9  # chance of the counts that are left out


class DelayError(ValueError):
    """Delays that cannot be; the message says why."""


class DelayDistribution(NamedTuple):
    """Share of delays that are over by a number of days.

    Attributes
    ----------
    share : numpy.ndarray, shape (longest + 1,) or (resamples, longest + 1)
        F(x) for x = 0, 1, ... whole days, up to the longest delay seen, where it is 1.
    """

    share: Array

    def by(self, days: npt.ArrayLike) -> Array:
        """Share of delays of at most so many days.

        Parameters
        ----------
        days : array_like of int
            0 or more.

        Returns
        -------
        numpy.ndarray
            Along the last axis one value per day given.
        """
        return np.asarray(self.share[..., np.minimum(np.asarray(days, dtype="int64"), self.share.shape[-1] - 1)])


class StillToCome(NamedTuple):
    """How many events are still to come.

    Attributes
    ----------
    estimate : float
        Mean.
    low, high : float
        Central prediction limits of the count.
    chance : float
        With which the limits hold it: counts are whole, so it is near their level, not at it.
    """

    estimate: float
    low: float
    high: float
    chance: float


def delay_distribution(
    delays: npt.ArrayLike, bounds: npt.ArrayLike, weights: npt.ArrayLike | None = None
) -> DelayDistribution:
    """Distribution of delays that are on record only where they were over by a bound of their own.

    Parameters
    ----------
    delays : array_like of int, shape (n,)
        Days from an event to its record.
    bounds : array_like of int, shape (n,)
        Longest delay with which each would be on record: last day of the records - day of the event.
    weights : array_like, shape (n,) or (resamples, n), optional
        How often each counts; a row per resample of a bootstrap.

    Returns
    -------
    DelayDistribution
        Of delays up to the longest one seen; of longer ones nothing is known.

    Raises
    ------
    DelayError
        For no delay at all, a negative one, or one beyond its bound.

    Notes
    -----
    In reversed time right truncation is late entry, so the product-limit estimate holds: F(x) = product over y > x of
    (1 - d(y) / n(y)), with d(y) delays of y days, and n(y) those of at most y days whose bound is y or more.

    References
    ----------
    Lagakos, Barraj and De Gruttola 1988, Biometrika 75:515; Kalbfleisch and Lawless 1989, JASA 84:360 (from memory); as
    used for nowcasts: Hoehle and an der Heiden 2014, Biometrics 70:993, section 3 (volume and page from memory).

    Examples
    --------
    Of four events two had a day of delay at most: one of the two could not have shown a longer one.

    >>> delay_distribution([0, 1, 2, 2], [1, 5, 5, 5]).share.round(3).tolist()
    [0.167, 0.333, 1.0]
    """
    delay, bound = np.asarray(delays, dtype="int64"), np.asarray(bounds, dtype="int64")
    if not len(delay):
        raise DelayError("no delay is on record")
    if (delay < 0).any() or (delay > bound).any():
        raise DelayError("a delay is 0 days or more, and no longer than its bound")
    weight = np.ones((1, len(delay))) if weights is None else np.atleast_2d(np.asarray(weights, dtype="float64"))
    longest = int(delay.max())
    days = np.arange(longest + 1)
    over = weight @ (delay[:, None] == days)
    at_risk = weight @ ((delay[:, None] <= days) & (bound[:, None] >= days))
    # Days at which no delay could have ended are passed over.
    stays = 1 - np.divide(over, at_risk, out=np.zeros_like(over), where=at_risk > 0)
    later = np.cumprod(stays[:, ::-1], axis=1)[:, ::-1]
    share = np.concatenate([later[:, 1:], np.ones((len(weight), 1))], axis=1)
    return DelayDistribution(share[0] if weights is None or np.ndim(weights) == 1 else share)


def still_to_come(
    seen: float, seen_time: npt.ArrayLike, hidden_time: npt.ArrayLike, conf_level: float = CONF_LEVEL
) -> StillToCome:
    """Predict events of time at risk that is hidden from those of time at risk that is open to view.

    Parameters
    ----------
    seen : float
        Events on record.
    seen_time, hidden_time : array_like of float
        Time at risk whose events would be on record, and that whose events would not; a pair, or one pair per
        resample, over which the prediction is mixed.
    conf_level : float

    Returns
    -------
    StillToCome

    Raises
    ------
    DelayError
        Where no time at risk is open to view, or any is negative.

    Notes
    -----
    Events are Poisson with one rate in both times, Jeffreys' prior for the rate: hidden events are negative binomial
    with size seen + 1/2 and chance s / (s + h), mean (seen + 1/2) h / s. Limits are the outermost counts of which half
    their own chance and that of all beyond them exceed (1 - conf_level) / 2 (mid-P): the usual limits of small whole
    counts hold far more often than they say.

    References
    ----------
    Lawless 1994, Canadian Journal of Statistics 22:15 (binomial-Poisson counts of late reports); the predictive form:
    Gelman et al. 2013, Bayesian Data Analysis, chapter 2; mid-P: Lancaster 1961, JASA 56:223 (all from memory).

    Examples
    --------
    20 losses in 9,000 plant-days seen; 1,000 plant-days since the last visits are hidden:

    >>> [round(value, 2) for value in still_to_come(20, 9_000.0, 1_000.0)]
    [2.28, 0.0, 5.0, 0.96]
    """
    open_, hidden = np.atleast_1d(seen_time).astype("float64"), np.atleast_1d(hidden_time).astype("float64")
    if (open_ <= 0).any() or (hidden < 0).any() or seen < 0:
        raise DelayError("time at risk that is open to view must be above 0; nothing may be negative")
    mean = float(np.mean((seen + 0.5) * hidden / open_))
    if mean == 0:
        return StillToCome(0.0, 0.0, 0.0, 1.0)
    in_view = np.minimum(open_ / (open_ + hidden), 1 - 1e-15)
    size = seen + 0.5
    counts = np.arange(int(stats.nbinom.isf(NEARLY_ALL, size, in_view.min())) + 2)
    each = stats.nbinom.pmf(counts[:, None], size, in_view).mean(axis=1)
    below = np.cumsum(each) - each / 2
    tail = (1 - conf_level) / 2
    low = int(np.searchsorted(below, tail, side="right"))
    high = max(int(np.searchsorted(below, 1 - tail, side="left")) - 1, low)
    chance = float(each[low : high + 1].sum())
    return StillToCome(mean, min(float(low), mean), max(float(high), mean), chance)
