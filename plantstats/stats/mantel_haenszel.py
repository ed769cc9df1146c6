"""Rate ratio within strata, with limits that allow for clusters faring alike."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.stats.clusters import RateBetween
from plantstats.stats.intervals import CONF_LEVEL, quantile


def rate_ratio_within(rows: pd.DataFrame, conf_level: float = CONF_LEVEL) -> RateBetween:
    r"""Ratio of the rates of exposed and unexposed time, compared within strata alone.

    Parameters
    ----------
    rows : pandas.DataFrame
        One row per stratum and cluster (strata may be the clusters): stratum, cluster, events, time, events_0, time_0
        (the last two of unexposed time).
    conf_level : float
        Confidence level of the limits.

    Returns
    -------
    RateBetween
        Missing without an event on either side of a stratum that holds both; limits missing with fewer than two
        clusters.

    Notes
    -----
    :math:`\sum_s a_s T_{0s} / T_s` over :math:`\sum_s b_s T_{1s} / T_s`; limits on the log scale from leaving out each
    cluster in turn, Student's t.

    References
    ----------
    Greenland and Robins 1985, Biometrics 41:55 (the ratio); Miller 1974, Biometrika 61:1 (the jackknife), both from
    memory.

    Examples
    --------
    >>> one = {"stratum": ["x", "y"], "cluster": ["x", "y"], "events": [4, 2], "time": [10, 10]}
    >>> fit = rate_ratio_within(pd.DataFrame({**one, "events_0": [2, 1], "time_0": [10, 10]}))
    >>> fit.estimate, fit.clusters
    (2.0, 2)
    """
    used = rows[(rows.groupby("stratum")["time"].transform("sum") > 0).to_numpy()]
    used = used[(used.groupby("stratum")["time_0"].transform("sum") > 0).to_numpy()]
    clusters, names = pd.factorize(used["cluster"])
    strata, levels = pd.factorize(used["stratum"])
    n, shape = len(names), (len(levels),)
    values = used[["events", "time", "events_0", "time_0"]].to_numpy("float64")
    sums = np.stack([np.bincount(strata, values[:, c], minlength=shape[0]) for c in range(4)], axis=1)
    top, bottom = _parts(sums)
    whole = top.sum() / bottom.sum() if bottom.sum() > 0 else np.nan
    if not whole > 0 or n < 2:
        return RateBetween(float(whole), np.nan, np.nan, np.nan, n)
    # Each pair of cluster and stratum once, with what the stratum is left with when the cluster goes.
    pair, number = np.unique(clusters * shape[0] + strata, return_inverse=True)
    cluster, stratum = np.divmod(pair, shape[0])
    own = np.stack([np.bincount(number, values[:, c]) for c in range(4)], axis=1)
    less = _parts(np.maximum(sums[stratum] - own, 0.0))
    upper, lower = (
        every.sum() - np.bincount(cluster, every[stratum] - left, n)
        for every, left in zip((top, bottom), less, strict=True)
    )
    # Of broken numbers that cancel out a trace may stay: strata are counted.
    some_left = [
        (every > 0).sum() + np.bincount(cluster, 1.0 * (left > 0) - (every[stratum] > 0), n) > 0
        for every, left in zip((top, bottom), less, strict=True)
    ]
    if not np.all(some_left):  # all events of one side are one cluster's: nothing tells how clusters differ
        return RateBetween(float(whole), np.nan, np.nan, np.nan, n)
    logs = np.log(upper / lower)
    error = float(np.sqrt((n - 1) / n * ((logs - logs.mean()) ** 2).sum()))
    factor = float(np.exp(quantile(conf_level, n - 1) * error))
    return RateBetween(float(whole), error, float(whole) / factor, float(whole) * factor, n)


def _parts(sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What each stratum adds above and below the line."""
    both = np.maximum(sums[:, 1] + sums[:, 3], 1e-300)
    both_sides = (sums[:, 1] > 0) & (sums[:, 3] > 0)
    return np.where(both_sides, sums[:, 0] * sums[:, 3] / both, 0.0), np.where(
        both_sides, sums[:, 2] * sums[:, 1] / both, 0.0
    )
