"""Fair comparison of groups: observed against expected losses, with due allowance for chance."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special, stats
from statsmodels.stats.multitest import multipletests

from plantstats import findings
from plantstats.stats.empirical_bayes import METHOD as SHRINKAGE
from plantstats.stats.empirical_bayes import shrink
from plantstats.stats.intervals import CONF_LEVEL, Counts, Interval, poisson_limits

EXACT = "exact Poisson limits, widened for over-dispersion (Spiegelhalter 2005)"
FALSE_DISCOVERY = 0.10  # of the groups said to stand out, the share that may do so by chance
WINSOR = 0.10  # Spiegelhalter 2005: the outer tenth on each side is drawn in, so that it hides no outlier
MIN_GROUPS = 5  # with fewer, chance alone moves the measure of over-dispersion by more than half
FUNNEL = (0.001, 0.025, 0.975, 0.999)  # Spiegelhalter 2005: about two and three standard deviations

findings.define(
    observed_expected="Losses divided by the losses expected of the same plants in the same season (1 = as expected).",
    shrunk_ratio="Observed / expected of a group, drawn towards that of all groups by as much as chance "
    "alone could have moved it (1 = as expected).",
    over_dispersion="How much more the groups differ than chance alone would make them: variance of "
    "observed against expected, as a multiple of the Poisson variance (1 = chance alone).",
)


class FairError(ValueError):
    """Groups that cannot be compared; the message says why."""


def observed_expected(
    observed: Counts, expected: Counts, dispersion: float = 1.0, level: float = CONF_LEVEL
) -> Interval:
    """Divide observed by expected losses.

    Takes:  observed and expected losses, in step; dispersion (1 or more, from `over_dispersion`); level.
            Expected losses are taken as known: their own uncertainty comes on top.
    Gives:  Interval; missing where nothing was expected.
    Source: Breslow and Day 1987, vol. II: exact limits of the count over the expectation. Over-dispersion:
            counts are worth 1/dispersion of independent ones, which for large counts widens the limits by
            its root (Spiegelhalter 2005, Stat Med 24:1185).
    """
    count, expectation = _checked(observed, expected)
    given = np.where(expectation > 0, expectation, np.nan)
    exact = poisson_limits(count / dispersion, level)
    return Interval(count / given, exact.low * dispersion / given, exact.high * dispersion / given)


def over_dispersion(observed: Counts, expected: Counts, winsor: float = WINSOR) -> float:
    """Measure how much more groups differ than chance makes them.

    Takes:  observed and expected losses per group; winsor: the share of groups, on each side, whose deviation
            is drawn in to that of the next.
    Gives:  multiple of the Poisson variance, at least 1; 1 where fewer than five groups expected a loss, or none lost.
    Source: Spiegelhalter 2005: mean square of (O - E) / sqrt(E), winsorised. E is scaled here to the groups' own
            total: a quarter that is worse for all alike is no difference between groups, and must not widen the limits
            that it is judged by. Divided by what winsorising leaves of a normal variable's mean square, and by the
            degree of freedom that the scale takes, so that chance alone gives about 1.
    """
    count, expectation = _checked(observed, expected)
    known = expectation > 0
    if known.sum() < MIN_GROUPS or count[known].sum() == 0:
        return 1.0
    count, own = count[known], expectation[known] * count[known].sum() / expectation[known].sum()
    z = (count - own) / np.sqrt(own) * np.sqrt(len(own) / (len(own) - 1))
    # At least one on each side: among seven sites, too, one far out must not widen its own limits.
    ordered, cut = np.sort(z), math.ceil(winsor * len(z))
    drawn = np.clip(z, ordered[cut], ordered[-1 - cut])
    return max(1.0, float(np.mean(drawn**2)) / _left_of_a_normal(cut / len(z)))


def surprise(observed: Counts, expected: Counts, dispersion: float = 1.0) -> npt.NDArray[np.float64]:
    """The p-value of "as expected" for each group.

    Takes:  observed, expected, dispersion as in `observed_expected`.
    Gives:  two-sided p, twice the smaller tail; below 0.05 exactly where the 95% limits leave out 1; missing
            where nothing was expected.
    Source: Poisson tails as incomplete gamma functions, which also serve counts / dispersion.
    """
    count, expectation = _checked(observed, expected)
    count, expectation = count / dispersion, np.where(expectation > 0, expectation / dispersion, np.nan)
    upper = np.where(count > 0, special.gammainc(np.maximum(count, 1e-300), expectation), 1.0)
    lower = special.gammaincc(count + 1, expectation)
    return np.minimum(1.0, 2 * np.minimum(upper, lower))


def funnel_limits(expected: Counts, dispersion: float = 1.0, tails: Sequence[float] = FUNNEL) -> pd.DataFrame:
    """Limits between which observed / expected stays by chance, for a funnel chart.

    Takes:  expected losses (above 0); dispersion; tails: probabilities below each limit.
    Gives:  one row per expected value: expected, and one column per tail (named by it): the limit as a ratio,
            not below 0.
    Raises: FairError for expected losses of 0 or less.
    Source: Spiegelhalter 2005, appendix A.1.1: Poisson quantile, interpolated; distances from 1 multiplied by
            the root of the dispersion.
    """
    expectation = np.atleast_1d(np.asarray(expected, dtype="float64"))
    if not np.all(expectation > 0):
        raise FairError("funnel limits need expected losses above 0")
    table = pd.DataFrame({"expected": expectation})
    for p in tails:
        count = stats.poisson.ppf(p, expectation)
        reached = stats.poisson.cdf(count, expectation)
        part = (reached - p) / stats.poisson.pmf(count, expectation)
        limit = (count - part) / expectation
        table[f"{p:g}"] = np.maximum(0.0, 1 + (limit - 1) * np.sqrt(dispersion))
    return table


def stands_out(p: Counts, share: float = FALSE_DISCOVERY) -> npt.NDArray[np.bool_]:
    """Choose the groups that may be said to stand out, when many were looked at.

    Takes:  p-values (missing ones never stand out); share of the chosen that may be false.
    Gives:  true or false per group.
    Source: Benjamini and Hochberg 1995, JRSS B 57:289, by statsmodels.
    """
    values = np.asarray(p, dtype="float64")
    chosen = np.zeros(values.shape, dtype=bool)
    known = ~np.isnan(values)
    if known.any():
        chosen[known] = multipletests(values[known], alpha=share, method="fdr_bh")[0]
    return chosen


def compare(groups: pd.DataFrame, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Compare groups with what was expected of them.

    Takes:  one row per group: losses, expected, and whatever names and counts it carries.
    Gives:  the same rows and columns, in the same order, with ratio, low, high (observed / expected with
            over-dispersed limits), shrunk, shrunk_low, shrunk_high, p, stands_out, dispersion (one value for
            all). Groups are not ranked. Ratios are missing where nothing was expected; shrunk ones also where
            fewer than two groups expected something, or nothing was lost at all.
    Raises: FairError for missing or negative losses or expectations, or losses where none was expected.
    """
    count, expectation = _checked(groups["losses"], groups["expected"])
    if np.any((expectation == 0) & (count > 0)):
        raise FairError("losses in a group of which none was expected: it has no plant-days in the model")
    dispersion = over_dispersion(count, expectation)
    raw = observed_expected(count, expectation, dispersion, level)
    known = expectation > 0
    shrunk = np.full((3, len(groups)), np.nan)
    if known.sum() > 1 and count.sum() > 0:
        shrunk[:, known] = np.array(shrink(count[known], expectation[known], level))
    p = surprise(count, expectation, dispersion)
    return groups.assign(
        ratio=raw.estimate,
        low=raw.low,
        high=raw.high,
        shrunk=shrunk[0],
        shrunk_low=shrunk[1],
        shrunk_high=shrunk[2],
        p=p,
        stands_out=stands_out(p),
        dispersion=dispersion,
    )


def as_findings(compared: pd.DataFrame, by: list[str], period: str, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Put a comparison into findings.

    Takes:  what `compare` gives, with n_plants and plant_days; by: the columns that name a group; the name of
            the period; the level that was used.
    Gives:  findings: observed_expected and shrunk_ratio per group (a group that stands out says so in its
            note), and over_dispersion for all.
    """
    out = f"stands out, at a false discovery rate of {FALSE_DISCOVERY:.0%}"
    counts = compared[[*by, "n_plants", "plant_days", "losses"]]
    counts = counts.assign(period=period, level=level, unit="ratio")
    lacking = np.where(compared["expected"] > 0, "too little to learn from", "nothing was expected")
    raw = counts.assign(
        measure="observed_expected",
        estimate=compared["ratio"],
        low=compared["low"],
        high=compared["high"],
        method=EXACT,
        note=np.where(compared["stands_out"], out, np.where(compared["ratio"].isna(), lacking, "")),
    )
    drawn = counts.assign(
        measure="shrunk_ratio",
        estimate=compared["shrunk"],
        low=compared["shrunk_low"],
        high=compared["shrunk_high"],
        method=SHRINKAGE,
        note=np.where(compared["shrunk"].isna(), lacking, ""),
    )
    spread = findings.finding(
        "over_dispersion",
        period,
        float(compared["dispersion"].iloc[0]) if len(compared) else 1.0,
        unit="ratio",
        method="winsorised mean square (Spiegelhalter 2005)",
        losses=int(compared["losses"].sum()),
        note=f"between {len(compared)} groups by {', '.join(by)}",
    )
    return findings.table(pd.concat([raw, drawn, pd.DataFrame([spread])], ignore_index=True))


def _left_of_a_normal(tail: float) -> float:
    """Mean square of a standard normal variable that was winsorised by `tail` on each side."""
    if tail == 0:
        return 1.0
    edge = stats.norm.isf(tail)
    return float(2 * tail * edge**2 + 1 - 2 * tail - 2 * edge * stats.norm.pdf(edge))


def _checked(observed: Counts, expected: Counts) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    count, expectation = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(given, dtype="float64")) for given in (observed, expected))
    )
    bad = {"observed": ~(count >= 0), "expected": ~(expectation >= 0)}
    said = [
        f"{what} losses are missing or below zero in {int(rows.sum())} of {rows.size} groups"
        for what, rows in bad.items()
        if rows.any()
    ]
    if said:
        raise FairError("; ".join(said) + ": leave such groups out, and say how many")
    return count, expectation
