"""Chain ladder of a run-off triangle, with Mack's distribution-free standard error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from plantstats.errors import PlantstatsError
from plantstats.stats.intervals import CONF_LEVEL, Array, Interval, quantile

FEWEST_ROWS = 3  # below it no variance between rows can be told


class TriangleError(PlantstatsError, ValueError):
    """A triangle that carries no projection; the message says why."""


@dataclass(frozen=True)
class ChainLadder:
    """A projected triangle.

    Attributes
    ----------
    full : numpy.ndarray, shape (n, n)
        Cumulative amounts, those below the diagonal projected.
    factors, sigma2 : numpy.ndarray, shape (n - 1,)
        Development factors, and the variance of each for one unit of the amount before.
    reserve, se : numpy.ndarray, shape (n,)
        What is still to come of each row, and its standard error of prediction.
    total, total_se : float
        Of all rows; rows share the factors, so their errors are not independent.
    """

    full: Array
    factors: Array
    sigma2: Array
    reserve: Array
    se: Array
    total: float
    total_se: float

    def limits(self, conf_level: float = CONF_LEVEL) -> Interval:
        """Limits of the total reserve.

        Parameters
        ----------
        conf_level : float
            Confidence level.

        Returns
        -------
        Interval
            Of one value: from a log-normal distribution of the same mean and standard error, as Mack proposes.
        """
        if self.total <= 0:
            return Interval(*(np.array([value]) for value in (self.total, np.nan, np.nan)))
        variance = np.log1p((self.total_se / self.total) ** 2)
        ends = np.log(self.total) - variance / 2 + np.sqrt(variance) * np.array([-1, 1]) * quantile(conf_level)
        low, high = np.exp(ends)
        return Interval(np.array([self.total]), np.array([low]), np.array([high]))


def mack(triangle: npt.ArrayLike, unit: float = 0.0) -> ChainLadder:
    r"""Project a triangle by the chain ladder.

    Parameters
    ----------
    triangle : array_like, shape (n, n)
        Cumulative amounts :math:`C_{ik}` of row i (the oldest first) at age k; missing below the diagonal.
    unit : float
        For amounts that are sums of single ones: mean square over mean of these (1 for counts). No variance is then
        taken to be below what chance in their number makes; 0 is Mack's own.

    Returns
    -------
    ChainLadder

    Raises
    ------
    TriangleError
        For a table that is no triangle, has fewer than three rows, or begins with nothing in some row.

    Notes
    -----
    Factors :math:`f_k = \sum_i C_{i,k+1} / \sum_i C_{ik}`, variances
    :math:`\sigma_k^2 = \sum_i C_{ik} (C_{i,k+1} / C_{ik} - f_k)^2 / (n - k - 1)`, the last one
    :math:`\min(\sigma_{n-3}^4 / \sigma_{n-4}^2, \min(\sigma_{n-4}^2, \sigma_{n-3}^2))`. Squared error of a row's
    reserve:
    :math:`\hat C_{in}^2 \sum_k (\sigma_k^2 / f_k^2) (1 / \hat C_{ik} + 1 / \sum_j C_{jk})`; of the total with
    twice the shared part of each pair of rows. Where single amounts come by chance alone (compound Poisson), what is
    added to :math:`C_{ik}` has variance :math:`C_{ik} (f_k - 1) u` with u the `unit`: few rows may show less by luck.

    References
    ----------
    Mack 1993, ASTIN Bulletin 23:213; England and Verrall 2002, British Actuarial Journal 8:443 (from memory).

    Examples
    --------
    >>> nan = float("nan")
    >>> fit = mack([[10, 20, 22], [12, 24, nan], [14, nan, nan]])
    >>> fit.factors.round(3).tolist(), fit.reserve.round(1).tolist()
    ([2.0, 1.1], [0.0, 2.4, 16.8])
    """
    known = np.asarray(triangle, dtype="float64")
    n = len(known)
    if known.ndim != 2 or known.shape != (n, n):
        raise TriangleError(f"a triangle has as many rows as columns, not {known.shape}")
    if n < FEWEST_ROWS:
        raise TriangleError(f"{n} rows: a projection needs {FEWEST_ROWS}")
    inside = np.add.outer(np.arange(n), np.arange(n)) < n
    if np.isnan(known[inside]).any() or not np.isnan(known[~inside]).all():
        raise TriangleError("a triangle is filled down to its diagonal, and empty below")
    if (known[:, 0] <= 0).any():
        raise TriangleError(f"{int((known[:, 0] <= 0).sum())} of {n} rows begin with nothing: no factor leads on")
    factors, sums, sigma2 = np.empty(n - 1), np.empty(n - 1), np.empty(n - 1)
    full = known.copy()
    for k in range(n - 1):
        before, after = known[: n - 1 - k, k], known[: n - 1 - k, k + 1]
        sums[k] = before.sum()
        factors[k] = after.sum() / sums[k]
        if k < n - 2:
            sigma2[k] = (before * (after / before - factors[k]) ** 2).sum() / (n - k - 2)
        full[n - 1 - k :, k + 1] = full[n - 1 - k :, k] * factors[k]
    sigma2[-1] = _last_variance(sigma2[:-1])
    sigma2 = np.maximum(sigma2, unit * np.maximum(factors - 1, 0))
    ultimate, latest = full[:, -1], np.diag(known[:, ::-1])
    each = sigma2 / factors**2
    # Of row i the projected steps are those from its diagonal on.
    own, shared = np.zeros(n), np.zeros(n)
    for i in range(1, n):
        steps = slice(n - 1 - i, n - 1)
        own[i] = (each[steps] * (1 / full[i, steps] + 1 / sums[steps])).sum()
        shared[i] = (each[steps] / sums[steps]).sum()
    square = ultimate**2 * own
    later = ultimate[::-1].cumsum()[::-1] - ultimate
    total_se = float(np.sqrt((square + 2 * ultimate * later * shared).sum()))
    reserve = ultimate - latest
    return ChainLadder(full, factors, sigma2, reserve, np.sqrt(square), float(reserve.sum()), total_se)


def _last_variance(known: Array) -> float:
    """The variance of the last step, of which one row alone tells: Mack's rule."""
    if len(known) < 2:
        return float(known[-1])
    one, two = known[-2:]
    return float(min(two**2 / one, one, two)) if one > 0 else 0.0
