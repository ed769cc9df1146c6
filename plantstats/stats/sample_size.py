"""Sizes of trials in which whole clusters, such as sites, are allocated: clusters wanted, and power."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL, quantile

LARGE_DF, FAR = 200, 30.0  # see `t_test_power`; beyond so many standard errors every test of these sizes sees it
POWER = 0.8  # chance to see the planned difference that a trial should have


def clusters_per_arm(
    rate: float,
    other_rate: float,
    person_time: float,
    cv: float,
    *,
    matched: bool = False,
    conf_level: float = CONF_LEVEL,
    power: float = POWER,
) -> float:
    r"""Clusters for a comparison of two event rates, before rounding up.

    Parameters
    ----------
    rate, other_rate : float
        Events per unit of time under observation, in the two arms.
    person_time : float
        Time under observation in one cluster, in the same unit.
    cv : float
        Coefficient of variation of the clusters' true rates; within matched pairs where `matched`.
    matched : bool
        Pairs of clusters, or each cluster its own control; the answer is then a number of pairs.
    conf_level, power : float
        Confidence level of the two-sided comparison, and the chance to see the difference.

    Returns
    -------
    float
        Clusters per arm, or pairs.

    Notes
    -----
    :math:`c = a + (z_{\\alpha/2} + z_\\beta)^2 [(r_0 + r_1)/y + k^2 (r_0^2 + r_1^2)] / (r_0 - r_1)^2`, where a = 1
    (2 for pairs) makes up for Student's t in place of the normal distribution. The 2 is quoted from memory.

    References
    ----------
    Hayes and Bennett 1999, Int J Epidemiol 28:319.

    Examples
    --------
    >>> round(clusters_per_arm(0.10, 0.20, 10, 0.10), 3)
    24.939
    """
    z = quantile(conf_level) + float(stats.norm.ppf(power))
    variance = (rate + other_rate) / person_time + cv**2 * (rate**2 + other_rate**2)
    return (2 if matched else 1) + z**2 * variance / (rate - other_rate) ** 2


def design_effect(m: float, rho: float, eta: float = 0.0) -> float:
    """Times as many observations as a trial of single plants would want.

    Parameters
    ----------
    m : float
        Observations of a cluster in one period.
    rho : float
        Correlation of two observations of one cluster in one period.
    eta : float
        Correlation of two observations of one cluster in different periods, where each cluster has both treatments;
        0 for arms of their own.

    Returns
    -------
    float

    Notes
    -----
    1 + (m - 1) rho - m eta: with eta = 0 the effect of a parallel trial, with eta = rho no more than 1 - rho.

    References
    ----------
    Giraudeau, Ravaud and Donner 2008, Stat Med 27:5578 (formula quoted from memory; its two limits are tested).

    Examples
    --------
    >>> round(design_effect(20, 0.05), 2), round(design_effect(20, 0.05, 0.05), 2)
    (1.95, 0.95)
    """
    return 1 + (m - 1) * rho - m * eta


def t_test_power(difference: float, se: float, df: float, conf_level: float = CONF_LEVEL) -> float:
    """Chance that a two-sided t-test sees a difference.

    Parameters
    ----------
    difference, se : float
        The true difference, and the standard error with which it is estimated.
    df : float
        Degrees of freedom of that standard error.
    conf_level : float
        1 less the size of the test.

    Returns
    -------
    float

    Notes
    -----
    Both tails of the noncentral t distribution with noncentrality difference / se; from 200 degrees of freedom on,
    where that distribution is computed badly, the normal approximation of its upper tail (good to four figures).

    References
    ----------
    Johnson and Kotz 1970, Continuous Univariate Distributions 2, chapter 31 (named from memory; tested).

    Examples
    --------
    >>> round(t_test_power(0.0, 1.0, 10), 3), round(t_test_power(3.0, 1.0, 1e6), 3)
    (0.05, 0.851)
    """
    limit, ratio = quantile(conf_level, df), abs(difference) / se
    if df > LARGE_DF:
        scale = np.sqrt(1 + limit**2 / (2 * df))
        upper, lower = ((side - limit * (1 - 1 / (4 * df))) / scale for side in (ratio, -ratio))
        return float(stats.norm.cdf(upper) + stats.norm.cdf(lower))
    if ratio > FAR:
        return 1.0
    return float(stats.nct.sf(limit, df, ratio) + stats.nct.cdf(-limit, df, ratio))


def stepped_wedge_power(
    treated: npt.ArrayLike, difference: float, residual_sd: float, cluster_sd: float, conf_level: float = CONF_LEVEL
) -> float:
    r"""Chance that a stepped wedge, in which clusters change over one after another, sees a difference.

    Parameters
    ----------
    treated : array_like, shape (clusters, times)
        1 where the cluster has changed over by then, else 0.
    difference : float
        The true difference.
    residual_sd, cluster_sd : float
        Standard deviation of the mean of one cluster at one time about its own, and between clusters.
    conf_level : float
        1 less the size of the test.

    Returns
    -------
    float

    Notes
    -----
    :math:`Var = I s (s + T t) / [(I U - W) s + (U^2 + I T U - T W - I V) t]` for I clusters and T times, s and t the
    variances of cells and clusters, U the sum of all X, W that of the squared sums over clusters, V that of the squared
    sums over times; power is the normal probability beyond the limit.

    References
    ----------
    Hussey and Hughes 2007, Contemp Clin Trials 28:182.

    Examples
    --------
    >>> wedge = np.triu(np.ones((4, 5)), 1)
    >>> round(stepped_wedge_power(wedge, 1.0, 0.5, 0.5), 3)
    0.733
    """
    x = np.asarray(treated, dtype="float64")
    clusters, times = x.shape
    s, t = residual_sd**2, cluster_sd**2
    u, w, v = x.sum(), (x.sum(axis=0) ** 2).sum(), (x.sum(axis=1) ** 2).sum()
    below = (clusters * u - w) * s + (u**2 + clusters * times * u - times * w - clusters * v) * t
    variance = clusters * s * (s + times * t) / below
    return float(stats.norm.cdf(abs(difference) / np.sqrt(variance) - quantile(conf_level)))
