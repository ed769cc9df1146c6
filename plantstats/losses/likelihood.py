"""Poisson likelihood of losses by pattern and site, with or without an effect that a site's plants share."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, sparse, special
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

from plantstats.losses.design import ModelError

Array = npt.NDArray[np.float64]
MOST_STEPS = 60
# Squared relative spread of sites below which they are taken as alike (the likelihood is flat there).
ALIKE = 1e-4
WIDEST = 4.0


@dataclass(frozen=True)
class Counts:
    """What the likelihood needs: x (pattern x coefficient), and losses and plant-days by site and pattern.

    `prior`: imagined losses per coefficient, each at as many expected losses, which draw it towards 0.
    """

    x: Array
    losses: sparse.csr_array
    days: sparse.csr_array
    prior: Array

    @cached_property
    def by_pattern(self) -> tuple[Array, Array]:
        """Losses and plant-days per pattern."""
        return np.asarray(self.losses.sum(axis=0)).ravel(), np.asarray(self.days.sum(axis=0)).ravel()

    @cached_property
    def by_site(self) -> Array:
        """Losses per site."""
        return np.asarray(self.losses.sum(axis=1)).ravel()

    @cached_property
    def lost_x(self) -> Array:
        """Sums of x over losses, per site."""
        return np.asarray(self.losses @ self.x)


class Derivatives(NamedTuple):
    """Log likelihood, and per site its score; the information in all, and each site's own part of it."""

    value: float
    scores: Array
    information: Array
    expected: Array
    weight: Array


def poisson_start(counts: Counts) -> Array:
    """Coefficients of the plain Poisson GLM on patterns (log plant-days as offset), imagined losses included.

    Takes:  counts; their first column is the constant.
    Raises: ModelError when it does not converge or is not finite.
    """
    losses, days = counts.by_pattern
    imagined = counts.prior > 0
    overall = np.concatenate([[np.log(losses.sum() / days.sum())], np.zeros(counts.x.shape[1] - 1)])
    if len(losses) + imagined.sum() <= counts.x.shape[1]:
        # No row to spare: the library divides by the spare rows.
        return overall
    x = np.vstack([counts.x, np.eye(counts.x.shape[1])[imagined]])
    y = np.concatenate([losses, counts.prior[imagined]])
    offset = np.concatenate([np.log(days), np.log(counts.prior[imagined])])
    glm = GLM(y, x, family=families.Poisson(), offset=offset, missing="raise")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", PerfectSeparationWarning)
            fit = glm.fit(tol=1e-12, maxiter=100, wls_method="qr")
    except PerfectSeparationWarning:
        # As many coefficients as patterns: the fit meets every count, which is no fault. Start from the overall rate.
        return overall
    if not fit.converged or not np.all(np.isfinite(fit.params)):
        raise ModelError("the Poisson fit did not come to a finite answer")
    return np.asarray(fit.params)


def derivatives(counts: Counts, beta: Array, spread: float) -> Derivatives:
    """Log likelihood of `beta` with its derivatives.

    Takes:  spread: squared relative spread (variance) of the sites' shared effect; 0 for none.
    Source: losses Poisson given a gamma effect of mean 1 per site; integrated over it they are negative
            multinomial (Clayton 1978, Biometrika 65:141, from memory). Scores by Fisher's identity,
            information by Louis 1982.
    """
    log_rate = counts.x @ beta
    expected_by = _scaled(counts.days, np.exp(log_rate)[counts.days.indices])
    expected = np.asarray(expected_by.sum(axis=1)).ravel()
    lost = counts.by_site
    weight = (1 + spread * lost) / (1 + spread * expected)
    uncertain = spread * (1 + spread * lost) / (1 + spread * expected) ** 2
    met = np.asarray(expected_by @ counts.x)
    scores = counts.lost_x - weight[:, None] * met
    total = np.asarray(_scaled(expected_by, np.repeat(weight, np.diff(expected_by.indptr))).sum(axis=0)).ravel()
    information = counts.x.T @ (total[:, None] * counts.x) - met.T @ (uncertain[:, None] * met)
    value = float(counts.by_pattern[0] @ log_rate)
    if spread > 0:
        shape = 1 / spread
        value += float(
            np.sum(
                special.gammaln(lost + shape)
                - special.gammaln(shape)
                - lost * np.log(shape)
                - (lost + shape) * np.log1p(expected * spread)
            )
        )
    else:
        value -= float(expected.sum())
    value += float(counts.prior @ (beta - np.exp(beta)))
    return Derivatives(value, scores, information + np.diag(counts.prior * np.exp(beta)), expected, weight)


def _scaled(table: sparse.csr_array, by: Array) -> sparse.csr_array:
    """A sparse table with each stored value times its factor; much quicker than the library's own product."""
    return sparse.csr_array((table.data * by, table.indices, table.indptr), shape=table.shape)


def maximise(counts: Counts, start: Array, spread: float, fixed: dict[int, float] | None = None) -> Array:
    """The coefficients of the greatest likelihood at one spread of sites, some of them held if wished.

    Gives:  the coefficients; `derivatives` at them is cheap to ask for.
    Raises: ModelError when Newton's steps do not settle, or the information is singular.
    """
    return climb(counts, start, spread, fixed)[0]


def climb(counts: Counts, start: Array, spread: float, fixed: dict[int, float] | None = None) -> tuple[Array, float]:
    """As `maximise`, with the log likelihood reached."""
    beta = start.copy()
    free = np.ones(len(beta), dtype=bool)
    for at, value in (fixed or {}).items():
        beta[at], free[at] = value, False
    now = derivatives(counts, beta, spread)
    for _ in range(MOST_STEPS):
        slope = (now.scores.sum(axis=0) + counts.prior * (1 - np.exp(beta)))[free]
        try:
            step = np.linalg.solve(now.information[np.ix_(free, free)], slope)
        except np.linalg.LinAlgError as error:
            raise ModelError("the records do not tell all terms apart (singular information)") from error
        size = 1.0
        while True:
            tried = beta.copy()
            tried[free] += size * np.clip(step, -3, 3)
            after = derivatives(counts, tried, spread)
            if np.isfinite(after.value) and after.value >= now.value - 1e-9 * abs(now.value):
                break
            size /= 2
            if size < 1e-6:
                raise ModelError("the fit of the loss model does not settle")
        beta, now = tried, after
        # The next step would gain less than this: steps near the top double their digits.
        if np.abs(slope @ step) < 1e-7:
            return beta, now.value
    raise ModelError(f"the fit of the loss model has not settled after {MOST_STEPS} steps")


def fit_spread(counts: Counts, start: Array) -> tuple[float, Array]:
    """How much sites differ beyond their conditions: squared relative spread, with the coefficients there.

    Gives:  spread of the greatest likelihood, 0 where sites are alike, and beta.
    """
    at = start

    def minus(log_spread: float) -> float:
        nonlocal at
        at, value = climb(counts, at, float(np.exp(log_spread)))
        return -value

    alike, value_alike = climb(counts, start, 0.0)
    best = optimize.minimize_scalar(
        minus, bounds=(np.log(ALIKE), np.log(WIDEST)), method="bounded", options={"xatol": 0.02}
    )
    if -best.fun <= value_alike:
        return 0.0, alike
    spread = float(np.exp(best.x))
    return spread, maximise(counts, at, spread)
