"""Events that recur: their mean cumulative number per unit, and the chance of so many in one unit."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL, Array, quantile


class RecurrenceError(ValueError):
    """Histories that cannot be; the message says why."""


class MeanCumulative(NamedTuple):
    """Mean cumulative number of events per unit.

    Attributes
    ----------
    time : numpy.ndarray
        Days on which events happened, ascending.
    at_risk : numpy.ndarray
        Units followed on that day.
    estimate, se : numpy.ndarray
        Events per unit up to that day, and the robust standard error.
    """

    time: Array
    at_risk: Array
    estimate: Array
    se: Array

    def at(self, days: npt.ArrayLike, conf_level: float = CONF_LEVEL) -> pd.DataFrame:
        """Events per unit by given days.

        Parameters
        ----------
        days : array_like
        conf_level : float

        Returns
        -------
        pandas.DataFrame
            One row per day: days, estimate, low, high; limits on the log scale, from 0 to missing before any event.
        """
        day = np.asarray(days, dtype="float64")
        place = np.searchsorted(self.time, day, side="right")
        estimate, se = (np.append(0.0, values)[place] for values in (self.estimate, self.se))
        half_width = quantile(conf_level) * np.divide(se, estimate, out=np.zeros_like(se), where=estimate > 0)
        return pd.DataFrame(
            {
                "days": day,
                "estimate": estimate,
                "low": estimate * np.exp(-half_width),
                "high": np.where(estimate > 0, estimate * np.exp(half_width), np.nan),
            }
        )


def mean_cumulative(
    events: pd.DataFrame, followed: pd.DataFrame, cluster: npt.ArrayLike | None = None
) -> MeanCumulative:
    """Mean cumulative number of recurrent events per unit.

    Parameters
    ----------
    events : pandas.DataFrame
        One row per event: unit, days (since the unit came under observation).
    followed : pandas.DataFrame
        One row per unit: unit, days (how long it was followed; events on the last day count).
    cluster : array_like, optional
        Of each unit, aligned with `followed`: units of one cluster may go together.

    Returns
    -------
    MeanCumulative

    Raises
    ------
    RecurrenceError
        For a unit that stands twice, or events of a unit that is not followed, or after it was followed.

    Notes
    -----
    M(t) = sum over days s <= t of d(s) / n(s) (Nelson-Aalen). Robust variance: sum over clusters of the square of the
    sum over their units i and days s of (d_i(s) - [i followed at s] d(s) / n(s)) / n(s): right whatever makes units
    differ, as it asks nothing of how the events of one unit go together.

    References
    ----------
    Lawless and Nadeau 1995, Technometrics 37:158; Nelson 2003, Recurrent Events Data Analysis (both from memory).

    Examples
    --------
    Three units, followed for 10, 10 and 4 days; one has events on days 3 and 6:

    >>> events = pd.DataFrame({"unit": ["a", "a"], "days": [3, 6]})
    >>> mcf = mean_cumulative(events, pd.DataFrame({"unit": ["a", "b", "c"], "days": [10, 10, 4]}))
    >>> mcf.estimate.round(3).tolist(), mcf.se.round(3).tolist()
    ([0.333, 0.833], [0.272, 0.605])
    """
    units = pd.Index(followed["unit"])
    end = followed["days"].to_numpy("float64")
    row = units.get_indexer(events["unit"]) if units.is_unique else None
    if row is None or (row < 0).any():
        raise RecurrenceError("each unit stands once, and each event belongs to a unit that is followed")
    when = events["days"].to_numpy("float64")
    if (when > end[row]).any() or (when < 0).any():
        raise RecurrenceError("an event lies outside the days for which its unit was followed")
    time, at = np.unique(when, return_inverse=True)
    count = np.bincount(at, minlength=len(time)).astype("float64")
    at_risk = len(end) - np.searchsorted(np.sort(end), time, side="left").astype("float64")
    step = count / at_risk
    group = np.arange(len(end)) if cluster is None else pd.factorize(np.asarray(cluster))[0]
    variance = np.zeros(len(time))
    # Cluster by cluster: what its events add, less what its followed units should have added.
    order = np.argsort(group, kind="stable")
    bounds = np.append(np.flatnonzero(np.diff(group[order], prepend=-1)), len(order))
    event_group = group[row]
    events_of = pd.Series(np.arange(len(at))).groupby(event_group).indices
    for start, stop in pairwise(bounds):
        ends = np.sort(end[order[start:stop]])
        own = len(ends) - np.searchsorted(ends, time, side="left")
        score = -own * step / at_risk
        if (mine := events_of.get(group[order[start]])) is not None:
            np.add.at(score, at[mine], 1 / at_risk[at[mine]])
        variance += np.cumsum(score) ** 2
    return MeanCumulative(time, at_risk, np.cumsum(step), np.sqrt(variance))


def upper_tail(observed: npt.ArrayLike, expected: npt.ArrayLike, variance: npt.ArrayLike) -> Array:
    """Chance of at least so many events where so many are expected.

    Parameters
    ----------
    observed, expected : array_like
        Counts, and their means.
    variance : array_like
        Relative variance of the means: how well each is known.

    Returns
    -------
    numpy.ndarray

    Notes
    -----
    Negative binomial with variance m + m^2 v; v = 0 is Poisson. Where what is expected grows with each event (a young
    successor is at higher risk), a mean worked out from the history is larger the more happened: the chance told is
    then too large rather than too small.

    Examples
    --------
    Three or more where a half is expected: 1 - e^-0.5 (1 + 0.5 + 0.125).

    >>> upper_tail([3], [0.5], [0.0]).round(4).tolist()
    [0.0144]
    """
    count = np.asarray(observed, dtype="float64")
    mean = np.asarray(expected, dtype="float64")
    size = 1 / np.maximum(np.asarray(variance, dtype="float64"), 1e-9)
    return np.where(count > 0, stats.nbinom(size, size / (size + mean)).sf(count - 1), 1.0)
