"""Newton's steps to the greatest likelihood of the loss model: at one variance between sites, or with it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy import optimize, stats

from plantstats.losses.design import Array, ModelError
from plantstats.losses.likelihood import Counts, Derivatives, variance_slopes

MAX_STEPS = 60
# Steps have settled when the next one would raise the log likelihood by less than this.
SETTLED = 1e-10
ROUGH = 1.0  # the same for coefficients that only begin a search
LONGEST_STEP = 3.0
# The variance between sites is 0 where its estimate lies below this (a standard deviation of 1% of the mean): the
# likelihood is flat there, and where an optimiser stopped would hang on the machine.
LEAST_VARIANCE, MOST_VARIANCE = 1e-4, 4.0
LONGEST_LOG_STEP = 1.5


class Fit(NamedTuple):
    """Coefficients, the variance between sites, and the likelihood there."""

    beta: Array
    variance: float
    at: Derivatives


def fit_at_variance(
    counts: Counts, start: Array, variance: float, fixed: dict[int, float] | None = None, settled: float = SETTLED
) -> Fit:
    """Fit the coefficients at one variance between sites.

    Parameters
    ----------
    counts : Counts
    start : numpy.ndarray
        Coefficients to begin with.
    variance : float
        Of the sites' effect.
    fixed : dict
        Column number to value, of coefficients that are held.
    settled : float
        Gain of the log likelihood at which steps have settled.

    Returns
    -------
    Fit

    Raises
    ------
    ModelError
        When Newton's steps do not settle, or the information is singular.
    """
    beta = start.copy()
    free = np.ones(len(beta), dtype=bool)
    for at, value in (fixed or {}).items():
        beta[at], free[at] = value, False
    now = Derivatives(counts, beta, variance)
    for _ in range(MAX_STEPS):
        step = np.zeros(len(beta))
        step[free] = _solve(now.information[np.ix_(free, free)], now.slope[free])
        gain = abs(float(now.slope @ step))
        beta, _, now = _line_search(counts, now, beta, variance, np.clip(step, -LONGEST_STEP, LONGEST_STEP), 0.0)
        if gain < settled:
            return Fit(beta, variance, now)
    raise ModelError(f"the fit of the loss model has not settled after {MAX_STEPS} steps")


def fit_frailty(counts: Counts, start: Array, variance: float | None = None) -> Fit:
    """Fit the coefficients together with the variance between sites.

    Parameters
    ----------
    counts : Counts
    start : numpy.ndarray
        Coefficients to begin with.
    variance : float
        To begin with; from the sites' losses where not given.

    Returns
    -------
    Fit
        Its variance is 0 where the estimate lies below `LEAST_VARIANCE`, or sites that are alike are as likely.

    Raises
    ------
    ModelError
        As `fit_at_variance`.

    Notes
    -----
    Newton's steps on the coefficients and the logarithm of the variance at once.
    """
    beta = start
    if not variance:
        rough = fit_at_variance(counts, start, 0.0, settled=ROUGH)
        beta, expected = rough.beta, rough.at.by_site
        # Method of moments: at variance v, (losses - expected)^2 is expected + v expected^2 on average.
        variance = float(np.sum((counts.by_site - expected) ** 2 - expected) / np.sum(expected**2))
    log_variance = float(np.log(np.clip(variance, 10 * LEAST_VARIANCE, MOST_VARIANCE)))
    now = Derivatives(counts, beta, float(np.exp(log_variance)))
    for _ in range(MAX_STEPS):
        step, log_step, gain = _joint_step(counts, now, log_variance)
        if log_step <= 0 and log_variance <= np.log(LEAST_VARIANCE):
            return fit_at_variance(counts, beta, 0.0)
        if log_step >= 0 and log_variance >= np.log(MOST_VARIANCE):
            return fit_at_variance(counts, beta, MOST_VARIANCE)
        beta, log_variance, now = _line_search(counts, now, beta, float(np.exp(log_variance)), step, log_step)
        if gain < SETTLED:
            fit = Fit(beta, float(np.exp(log_variance)), now)
            return _alike_if_as_likely(counts, fit)
    raise ModelError(f"the variance between sites has not settled after {MAX_STEPS} steps")


def variance_limits(counts: Counts, beta: Array, variance: float, conf_level: float) -> tuple[float, float]:
    """Limits of the variance between sites by the profile likelihood.

    Parameters
    ----------
    counts : Counts
    beta : numpy.ndarray
        Coefficients at the greatest likelihood.
    variance : float
        The variance there; 0 where chance explains all that sites differ by.
    conf_level : float

    Returns
    -------
    low, high : float
        low is 0 where alike sites are within the limit; high is infinite where `MOST_VARIANCE` is.

    Notes
    -----
    Variances at which twice the log likelihood lies less than the quantile of chi-squared (one degree of freedom)
    behind the greatest; the coefficients follow by one of Newton's steps. At an estimate of 0, the edge of what a
    variance can be, the quantile is too large rather than too small (Self and Liang 1987, JASA 82:605, from memory).
    """
    most = Derivatives(counts, beta, variance)
    allowed = float(stats.chi2.ppf(conf_level, 1)) / 2

    def left(sd: float) -> float:
        at = most.at_variance(sd**2)
        return at.value + float(at.slope @ _solve(at.information, at.slope)) / 2 - most.value + allowed

    middle, ends = float(np.sqrt(variance)), []
    for end in (0.0, float(np.sqrt(MOST_VARIANCE))):
        inside = left(end) >= 0 or middle == end
        at = end if inside else optimize.brentq(left, min(middle, end), max(middle, end), xtol=1e-7)
        ends.append(at**2)
    return ends[0], ends[1] if ends[1] < MOST_VARIANCE else np.inf


def _alike_if_as_likely(counts: Counts, fit: Fit) -> Fit:
    """The fit, or that of sites that are alike where it is as likely: the likelihood can have two tops."""
    at = fit.at.at_variance(0.0)
    # What a step would gain, doubled for safety: seldom as much as a site effect does.
    if at.value + float(at.slope @ _solve(at.information, at.slope)) < fit.at.value:
        return fit
    alike = fit_at_variance(counts, fit.beta, 0.0)
    return alike if alike.at.value >= fit.at.value else fit


def _joint_step(counts: Counts, now: Derivatives, log_variance: float) -> tuple[Array, float, float]:
    """Newton's step of the coefficients and the log variance, and what it promises."""
    variance = float(np.exp(log_variance))
    slope, curvature = variance_slopes(counts.by_site, now.by_site, variance)
    shift = variance * (counts.by_site - now.by_site) / (1 + variance * now.by_site) ** 2
    across = -(shift @ np.asarray(now.site_x))
    both = _solve(now.information, np.column_stack([now.slope, across]))
    # What is left of the curvature once the coefficients follow; made to point uphill where the likelihood bends up.
    left = -(curvature + float(across @ both[:, 1]))
    log_step = (slope + float(across @ both[:, 0])) / max(abs(left), 1e-8)
    log_step = float(np.clip(log_step, -LONGEST_LOG_STEP, LONGEST_LOG_STEP))
    step = np.clip(both[:, 0] + both[:, 1] * log_step, -LONGEST_STEP, LONGEST_STEP)
    return step, log_step, abs(float(now.slope @ step)) + abs(slope * log_step)


def _line_search(
    counts: Counts, now: Derivatives, beta: Array, variance: float, step: Array, log_step: float
) -> tuple[Array, float, Derivatives]:
    """The longest of a step, half of it, a quarter... that does not lower the likelihood."""
    size = 1.0
    log_variance = float(np.log(variance)) if variance > 0 else -np.inf
    while size >= 1e-6:
        tried = beta + size * step
        there = float(np.clip(log_variance + size * log_step, np.log(LEAST_VARIANCE), np.log(MOST_VARIANCE)))
        after = Derivatives(counts, tried, float(np.exp(there)) if variance > 0 and log_step else variance)
        if np.isfinite(after.value) and after.value >= now.value - 1e-9 * abs(now.value):
            return tried, there, after
        size /= 2
    raise ModelError("the fit of the loss model does not settle")


def _solve(information: Array, slope: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(information, slope))
    except np.linalg.LinAlgError as error:
        raise ModelError("the records do not tell all terms apart (singular information)") from error
