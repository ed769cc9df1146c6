"""Gamma-Poisson shrinkage: what small groups can be said to lose, given what the others do."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, special, stats

from plantstats.stats.intervals import CONF_LEVEL, Counts, Interval

METHOD = "gamma-Poisson shrinkage, marginal maximum likelihood (Clayton and Kaldor 1987)"
# Below this squared spread the groups are alike: the likelihood is flat there.
ALIKE = 1e-6
# Half-Cauchy weight of the spread (standard deviation of the ratios over their mean) in the intervals. Wide:
# spreads up to several times the mean remain likely. Gelman 2006 (from memory) proposes this form.
SPREAD_SCALE = 1.0
SPREADS, MEANS = 25, 25  # points of the grid over which intervals are mixed


class Prior(NamedTuple):
    """Gamma law of the groups' true ratios: mean shape / rate, squared relative spread 1 / shape."""

    shape: float
    rate: float
    minus_log_likelihood: float

    @property
    def mean(self) -> float:
        """Mean of the groups' true ratios."""
        return self.shape / self.rate


class ShrinkError(ValueError):
    """Counts from which no spread between groups can be learned."""


def fit_prior(losses: Counts, exposure: Counts) -> Prior:
    """Learn from all groups how much their true ratios differ.

    Takes:  losses per group; exposure per group: expected losses, or time at risk (above 0).
    Gives:  Prior. Where the groups differ no more than chance would make them, shape is very large and the
            mean is total losses / total exposure.
    Raises: ShrinkError for groups without exposure, fewer than two groups, or no loss at all.
    Source: marginal maximum likelihood; losses are then negative binomial. Clayton and Kaldor 1987,
            Biometrics 43:671.
    """
    count, at_risk = _checked(losses, exposure)
    start = [np.log(count.sum() / at_risk.sum()), np.log(0.3)]
    # From several spreads: the likelihood can have a flat shoulder at no spread.
    fits = [
        optimize.minimize(
            _minus_log_likelihood,
            [start[0], spread],
            args=(count, at_risk),
            method="L-BFGS-B",
            bounds=[(start[0] - 10, start[0] + 10), (np.log(ALIKE), 6)],
            options={"ftol": 1e-14, "gtol": 1e-9},
        )
        for spread in (start[1], -5.0, 1.5)
    ]
    best = min(fits, key=lambda fit: fit.fun)
    if not np.isfinite(best.fun):
        raise ShrinkError("the fit of the spread between groups did not come to a finite answer")
    shape = float(np.exp(-best.x[1]))
    return Prior(shape, shape / float(np.exp(best.x[0])), float(best.fun))


def shrink(losses: Counts, exposure: Counts, level: float = CONF_LEVEL) -> Interval:
    """Draw each group's ratio towards the others', the more the less it was at risk.

    Takes:  losses and exposure per group, as in `fit_prior`; level.
    Gives:  Interval per group: (shape + losses) / (rate + exposure), with limits that also carry how little
            a few groups tell about the spread: with the fitted spread taken as known, limits meant to hold 95
            times in 100 held 30 to 93 times on invented groups.
    Raises: ShrinkError as `fit_prior`.
    Source: Clayton and Kaldor 1987 for the estimate; for the limits the gamma laws are mixed over mean and
            spread by their marginal likelihood (Deely and Lindley 1981, JASA 76:833, from memory).
    """
    count, at_risk = _checked(losses, exposure)
    prior = fit_prior(count, at_risk)
    weight, shape, rate = _likely_priors(count, at_risk)
    tails = ((1 - level) / 2, (1 + level) / 2)
    ends = np.array(
        [[_mixed_quantile(p, weight, shape + x, rate + e) for p in tails] for x, e in zip(count, at_risk, strict=True)]
    )
    estimate = (prior.shape + count) / (prior.rate + at_risk)
    # The estimate may lie outside when the likelihood is nearly flat: the interval then reaches it.
    return Interval(estimate, np.minimum(ends[:, 0], estimate), np.maximum(ends[:, 1], estimate))


def _likely_priors(
    count: npt.NDArray[np.float64], at_risk: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Weights, shapes and rates of the gamma laws that these counts leave likely."""
    squares = np.geomspace(1e-3, 25, SPREADS)
    mean = np.log(count.sum() / at_risk.sum())
    reach = 4 * np.sqrt(1 / count.sum() + 1 / len(count))
    means, squared = (grid.ravel() for grid in np.meshgrid(mean + np.linspace(-reach, reach, MEANS), squares))
    log_likelihood = -_minus_log_likelihood((means, np.log(squared)), count, at_risk)
    # d(spread) = spread / 2 x d(log squared spread).
    spread = np.sqrt(squared)
    weight = np.exp(log_likelihood - log_likelihood.max()) * spread / (1 + (spread / SPREAD_SCALE) ** 2)
    keep = weight > 1e-7 * weight.max()
    shape = 1 / squared[keep]
    return weight[keep] / weight[keep].sum(), shape, shape / np.exp(means[keep])


def _mixed_quantile(
    p: float, weight: npt.NDArray[np.float64], shape: npt.NDArray[np.float64], rate: npt.NDArray[np.float64]
) -> float:
    each = stats.gamma.ppf(p, shape, scale=1 / rate)
    low, high = float(each.min()), float(each.max())
    if high - low <= 1e-12 * high:
        return high
    return float(
        optimize.brentq(
            lambda value: float(weight @ special.gammainc(shape, rate * value)) - p, low * (1 - 1e-9), high * (1 + 1e-9)
        )
    )


def _minus_log_likelihood(
    parameters: tuple[npt.ArrayLike, npt.ArrayLike], count: npt.NDArray[np.float64], at_risk: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Negative binomial, for one or many pairs of log mean and log squared spread."""
    mean, shape = np.exp(np.asarray(parameters[0]))[..., None], np.exp(-np.asarray(parameters[1]))[..., None]
    expected = mean * at_risk
    each = (
        special.gammaln(count + shape)
        - special.gammaln(shape)
        - special.gammaln(count + 1)
        - shape * np.log1p(expected / shape)
        + special.xlogy(count, expected / (shape + expected))
    )
    return -each.sum(axis=-1)


def _checked(losses: Counts, exposure: Counts) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    count, at_risk = np.asarray(losses, dtype="float64"), np.asarray(exposure, dtype="float64")
    if count.shape != at_risk.shape or count.ndim != 1:
        raise ShrinkError("losses and exposure must be two lists in step")
    if not (np.all(count >= 0) and np.all(at_risk > 0)):
        raise ShrinkError("every group needs losses of 0 or more and an exposure above 0")
    if len(count) < 2 or count.sum() == 0:
        raise ShrinkError("shrinkage needs two groups or more, and at least one loss among them")
    return count, at_risk
