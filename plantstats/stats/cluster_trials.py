"""Analysis of trials in which whole clusters are allocated: one number a cluster and period, Student's t."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL, quantile


class Effect(NamedTuple):
    """A difference between two treatments, with its interval and what that rests on."""

    estimate: float
    low: float
    high: float
    se: float
    df: int
    p_value: float


def parallel_effect(values: npt.ArrayLike, treated: npt.ArrayLike, conf_level: float = CONF_LEVEL) -> Effect:
    """Difference of the means of treated and other clusters.

    Parameters
    ----------
    values : array_like, shape (clusters,)
        One value a cluster, such as its rate.
    treated : array_like of bool, shape (clusters,)
        Which clusters had the treatment.
    conf_level : float
        Confidence level of the interval.

    Returns
    -------
    Effect
        Treated less others.

    Raises
    ------
    ValueError
        With fewer than two clusters in an arm.

    Notes
    -----
    The t-test of two groups with one variance for both, on clusters - 2 degrees of freedom; clusters count alike.

    References
    ----------
    Donner and Klar 2000, Design and Analysis of Cluster Randomization Trials (the book named from memory).

    Examples
    --------
    >>> effect = parallel_effect([3.0, 5.0, 1.0, 3.0], [True, True, False, False])
    >>> effect.estimate, round(effect.se, 3), effect.df
    (2.0, 1.414, 2)
    """
    value, arm = np.asarray(values, dtype="float64"), np.asarray(treated, dtype=bool)
    one, other = value[arm], value[~arm]
    if min(len(one), len(other)) < 2:
        raise ValueError("each arm needs at least two clusters")
    df = len(value) - 2
    variance = (((one - one.mean()) ** 2).sum() + ((other - other.mean()) ** 2).sum()) / df
    return _effect(one.mean() - other.mean(), np.sqrt(variance * (1 / len(one) + 1 / len(other))), df, conf_level)


def crossover_effect(
    first: npt.ArrayLike, second: npt.ArrayLike, treated_first: npt.ArrayLike, conf_level: float = CONF_LEVEL
) -> tuple[Effect, Effect]:
    """Difference between treatments where each cluster has both, one in each of two periods.

    Parameters
    ----------
    first, second : array_like, shape (clusters,)
        One value a cluster in the first and in the second period.
    treated_first : array_like of bool, shape (clusters,)
        Which clusters had the treatment first; the others had it second.
    conf_level : float
        Confidence level of the intervals.

    Returns
    -------
    tuple of Effect
        Of the treatment, and of the period (second less first).

    Raises
    ------
    ValueError
        With fewer than two clusters in an order.

    Notes
    -----
    A cluster's own difference, first less second period, is treatment less period in one order, and the reverse in the
    other; so half the difference of the two orders' means is the treatment's effect, and half their sum, turned, the
    period's. Student's t on clusters - 2 degrees of freedom. It is the least squares fit of treatment and period with
    a term for each cluster. What a cluster carries over from the first period would bias it: hence a washout.

    References
    ----------
    Hills and Armitage 1979, Br J Clin Pharmacol 8:7 (named from memory; the test holds it against least squares).

    Examples
    --------
    >>> treatment, period = crossover_effect([5.0, 7.0, 2.0, 4.0], [3.0, 3.0, 4.0, 9.0], [True, True, False, False])
    >>> treatment.estimate, period.estimate
    (3.25, 0.25)
    """
    own = np.asarray(first, dtype="float64") - np.asarray(second, dtype="float64")
    order = np.asarray(treated_first, dtype=bool)
    of_arms = parallel_effect(own, order, conf_level)
    middle = (own[order].mean() + own[~order].mean()) / 2
    treatment = _effect(of_arms.estimate / 2, of_arms.se / 2, of_arms.df, conf_level)
    return treatment, _effect(-middle, of_arms.se / 2, of_arms.df, conf_level)


def adjusted_effect(
    values: npt.ArrayLike, treated: npt.ArrayLike, covariates: npt.ArrayLike, conf_level: float = CONF_LEVEL
) -> Effect:
    """Difference of treated and other clusters, given what was known of them before.

    Parameters
    ----------
    values : array_like, shape (clusters,)
        One value a cluster.
    treated : array_like of bool, shape (clusters,)
        Which clusters had the treatment.
    covariates : array_like, shape (clusters, k)
        Such as the same value before the trial; one that does not vary, or follows from others, is left out.
    conf_level : float
        Confidence level of the interval.

    Returns
    -------
    Effect
        Treated less others.

    Raises
    ------
    ValueError
        With fewer than two clusters in an arm, or too few for the covariates.

    Notes
    -----
    Least squares on treatment and covariates (analysis of covariance); Student's t on the degrees of freedom left.

    Examples
    --------
    >>> before = [[1.0], [3.0], [2.0], [4.0]]
    >>> round(adjusted_effect([4.0, 6.1, 2.0, 3.9], [True, True, False, False], before).estimate, 2)
    3.1
    """
    value, arm = np.asarray(values, dtype="float64"), np.asarray(treated, dtype=bool)
    if min(arm.sum(), (~arm).sum()) < 2:
        raise ValueError("each arm needs at least two clusters")
    columns = [np.ones(len(value)), arm.astype("float64")]
    for column in np.asarray(covariates, dtype="float64").reshape(len(value), -1).T:
        if np.linalg.matrix_rank(np.column_stack([*columns, column])) > len(columns):
            columns.append(column)
    x = np.column_stack(columns)
    df = len(value) - x.shape[1]
    if df < 1:
        raise ValueError("too few clusters for what is adjusted for")
    coefficients = np.linalg.lstsq(x, value, rcond=None)[0]
    variance = ((value - x @ coefficients) ** 2).sum() / df
    se = np.sqrt(variance * np.linalg.inv(x.T @ x)[1, 1])
    return _effect(coefficients[1], se, df, conf_level)


def _effect(estimate: float, se: float, df: int, conf_level: float) -> Effect:
    half_width = quantile(conf_level, df) * se
    p_value = 2 * stats.t.sf(abs(estimate) / se, df) if se > 0 else float(estimate == 0)
    return Effect(float(estimate), float(estimate - half_width), float(estimate + half_width), float(se), df, p_value)
