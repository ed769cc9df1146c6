"""Standardised ratios: observed against expected events of groups, with due allowance for chance."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special, stats
from statsmodels.stats.multitest import multipletests

from plantstats.stats.empirical_bayes import shrink
from plantstats.stats.intervals import CONF_LEVEL, Array, Counts, Interval, poisson_limits

EXACT = "exact Poisson limits, widened for over-dispersion (Spiegelhalter 2005)"
FALSE_DISCOVERY = 0.10  # of the groups that are flagged, the share that may be so by chance
WINSOR = 0.10  # Spiegelhalter 2005: the outer tenth on each side is drawn in, so that it hides no outlier
MIN_GROUPS = 5  # with fewer, chance alone moves the measure of over-dispersion by more than half


class SmrError(ValueError):
    """Groups that cannot be compared; the message says why."""


def observed_expected(
    observed: Counts, expected: Counts, dispersion: float = 1.0, conf_level: float = CONF_LEVEL
) -> Interval:
    """Divide observed by expected counts.

    Parameters
    ----------
    observed, expected : array_like
        Of one length. Expected counts are taken as known: their own uncertainty comes on top.
    dispersion : float
        1 or more, from `over_dispersion`.
    conf_level : float

    Returns
    -------
    Interval
        Missing where nothing was expected.

    Notes
    -----
    Exact limits of the count over the expectation. Under over-dispersion counts are worth 1/dispersion of independent
    ones, which for large counts widens the limits by its root.

    References
    ----------
    Breslow and Day 1987, vol. II; Spiegelhalter 2005, Statistics in Medicine 24:1185.

    Examples
    --------
    >>> [round(float(value[0]), 2) for value in observed_expected(12, 8)]
    [1.5, 0.78, 2.62]
    """
    count, expectation = _checked(observed, expected)
    divisor = np.where(expectation > 0, expectation, np.nan)
    exact = poisson_limits(count / dispersion, conf_level)
    return Interval(count / divisor, exact.low * dispersion / divisor, exact.high * dispersion / divisor)


def over_dispersion(observed: Counts, expected: Counts, winsor: float = WINSOR) -> float:
    """How much more groups differ than chance makes them.

    Parameters
    ----------
    observed, expected : array_like
        Counts per group.
    winsor : float
        Share of groups, on each side, whose deviation is drawn in to that of the next.

    Returns
    -------
    float
        Multiple of the Poisson variance, at least 1; 1 where fewer than MIN_GROUPS groups expected something, or
        nothing was observed.

    Notes
    -----
    Mean square of (O - E) / sqrt(E), winsorised. E is scaled here to the groups' own total: a quarter that is worse for
    all alike is no difference between groups, and must not widen the limits that it is judged by. Divided by what
    winsorising leaves of a normal variable's mean square, and by the degree of freedom that the scale takes, so that
    chance alone gives about 1.

    References
    ----------
    Spiegelhalter 2005, Statistics in Medicine 24:1185.

    Examples
    --------
    >>> over_dispersion([10, 10, 10, 10, 10], [10, 10, 10, 10, 10])
    1.0
    >>> round(over_dispersion([2, 25, 4, 20, 9, 18], [13] * 6), 1)
    9.4
    """
    count, expectation = _checked(observed, expected)
    known = expectation > 0
    if known.sum() < MIN_GROUPS or count[known].sum() == 0:
        return 1.0
    count, own = count[known], expectation[known] * count[known].sum() / expectation[known].sum()
    z = (count - own) / np.sqrt(own) * np.sqrt(len(own) / (len(own) - 1))
    # At least one on each side: among seven sites, too, one far out must not widen its own limits.
    ordered, cut = np.sort(z), math.ceil(winsor * len(z))
    winsorised = np.clip(z, ordered[cut], ordered[-1 - cut])
    return max(1.0, float(np.mean(winsorised**2)) / _left_of_a_normal(cut / len(z)))


def p_value(observed: Counts, expected: Counts, dispersion: float = 1.0) -> Array:
    """The p-value of "as expected" for each group.

    Parameters
    ----------
    observed, expected : array_like
        Counts and expected counts of each group.
    dispersion : float, default 1.0
        Multiple of the Poisson variance, 1 or more.

    Returns
    -------
    numpy.ndarray
        Two-sided, twice the smaller tail; below 0.05 exactly where the 95% limits leave out 1; missing where nothing
        was expected.

    Notes
    -----
    Poisson tails as incomplete gamma functions, which also serve counts / dispersion.

    Examples
    --------
    >>> p_value([15], [6]).round(4).tolist()
    [0.0028]
    """
    count, expectation = _checked(observed, expected)
    count, expectation = count / dispersion, np.where(expectation > 0, expectation / dispersion, np.nan)
    upper = np.where(count > 0, special.gammainc(np.maximum(count, 1e-300), expectation), 1.0)
    lower = special.gammaincc(count + 1, expectation)
    return np.asarray(np.minimum(1.0, 2 * np.minimum(upper, lower)))


def flagged(p: Counts, share: float = FALSE_DISCOVERY) -> npt.NDArray[np.bool_]:
    """Groups that may be said to stand out, when many were looked at.

    Parameters
    ----------
    p : array_like
        p-values; missing ones are never flagged.
    share : float
        Share of the flagged that may be so by chance.

    Returns
    -------
    numpy.ndarray of bool

    References
    ----------
    Benjamini and Hochberg 1995, JRSS B 57:289, by statsmodels.

    Examples
    --------
    >>> flagged([0.001, 0.2, 0.04, float("nan")]).tolist()
    [True, False, True, False]
    """
    values = np.asarray(p, dtype="float64")
    chosen = np.zeros(values.shape, dtype=bool)
    known = ~np.isnan(values)
    if known.any():
        chosen[known] = multipletests(values[known], alpha=share, method="fdr_bh")[0]
    return chosen


def compare(groups: pd.DataFrame, conf_level: float = CONF_LEVEL) -> pd.DataFrame:
    """Compare groups with what was expected of them.

    Parameters
    ----------
    groups : pandas.DataFrame
        One row per group: losses, expected, and whatever names and counts it carries.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        The same rows and columns, in the same order, with ratio, low, high (observed / expected with over-dispersed
        limits), shrunk, shrunk_low, shrunk_high, p, flagged, dispersion (one value for all). Groups are not ranked.
        Ratios are missing where nothing was expected; shrunk ones also where fewer than two groups expected something,
        or nothing was lost at all.

    Raises
    ------
    SmrError
        For missing or negative losses or expectations, or losses where none was expected.

    Examples
    --------
    >>> two = pd.DataFrame({"site_id": ["A", "B"], "losses": [12, 3], "expected": [8.0, 6.0]})
    >>> compare(two)[["ratio", "shrunk"]].round(2).values.tolist()
    [[1.5, 1.26], [0.5, 0.82]]
    """
    count, expectation = _checked(groups["losses"], groups["expected"])
    if np.any((expectation == 0) & (count > 0)):
        raise SmrError("losses in a group of which none was expected: it has no plant-days in the model")
    dispersion = over_dispersion(count, expectation)
    raw = observed_expected(count, expectation, dispersion, conf_level)
    known = expectation > 0
    shrunk = np.full((3, len(groups)), np.nan)
    if known.sum() > 1 and count.sum() > 0:
        shrunk[:, known] = np.array(shrink(count[known], expectation[known], conf_level))
    p = p_value(count, expectation, dispersion)
    return groups.assign(
        ratio=raw.estimate,
        low=raw.low,
        high=raw.high,
        shrunk=shrunk[0],
        shrunk_low=shrunk[1],
        shrunk_high=shrunk[2],
        p=p,
        flagged=flagged(p),
        dispersion=dispersion,
    )


def _left_of_a_normal(tail: float) -> float:
    """Mean square of a standard normal variable that was winsorised by `tail` on each side."""
    if tail == 0:
        return 1.0
    edge = stats.norm.isf(tail)
    return float(2 * tail * edge**2 + 1 - 2 * tail - 2 * edge * stats.norm.pdf(edge))


def _checked(observed: Counts, expected: Counts) -> tuple[Array, Array]:
    count, expectation = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(values, dtype="float64")) for values in (observed, expected))
    )
    bad = {"observed": ~(count >= 0), "expected": ~(expectation >= 0)}
    faults = [
        f"{what} losses are missing or below zero in {int(rows.sum())} of {rows.size} groups"
        for what, rows in bad.items()
        if rows.any()
    ]
    if faults:
        raise SmrError("; ".join(faults) + ": leave such groups out, and say how many")
    return count, expectation
