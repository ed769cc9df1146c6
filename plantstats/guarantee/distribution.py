"""The whole distribution of a list's cost: positions added up by their characteristic functions, then mixed.

Given the site effects and the model, positions are independent: the distribution of the sum is found by the fast
Fourier transform, without simulation. Site effects and the uncertainty of the fitted model are common to many
positions: the distribution is the mean over samples of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from plantstats.errors import PlantstatsError
from plantstats.guarantee.time_grid import Array

Integers = npt.NDArray[np.int64]
MAX_POINTS = 1 << 13  # of the money axis
NEGLIGIBLE = 1e-14  # a characteristic function below this adds nothing that can be seen
AXIS_SD, AXIS_EVENTS = 10, 25  # the axis covers so many standard deviations and replacements above the mean
BLOCK = 2_000_000  # numbers held at a time


class DistributionError(PlantstatsError, ValueError):
    """Probabilities from which no distribution can be made."""


@dataclass(frozen=True)
class Distribution:
    """Distribution of an amount: probability ``pmf[i]`` that it is ``i * unit``.

    Parameters
    ----------
    unit : int
        Step of the axis, in cents (1 for a number of replacements).
    pmf : numpy.ndarray, shape (points,)
        Probabilities; they add up to 1.
    exact : bool
        False where costs had to be split between neighbouring points.

    Examples
    --------
    >>> import numpy as np
    >>> two_plants = Distribution(unit=4000, pmf=np.array([0.5, 0.3, 0.2]), exact=True)
    >>> two_plants.mean, two_plants.quantile(0.8), round(two_plants.cdf(5999), 9)
    (2800.0, 4000, 0.8)
    """

    unit: int
    pmf: Array
    exact: bool

    @property
    def values(self) -> Array:
        """The amounts, shape (points,)."""
        return np.arange(len(self.pmf), dtype="float64") * self.unit

    @property
    def mean(self) -> float:
        """Expected amount."""
        return float(self.values @ self.pmf)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(((self.values - self.mean) ** 2) @ self.pmf))

    def quantile(self, q: float) -> int:
        """Smallest amount that is not exceeded with probability `q` or more.

        Parameters
        ----------
        q : float
            Probability, between 0 and 1.

        Returns
        -------
        int
            In the unit of the amounts.
        """
        at = int(np.searchsorted(np.cumsum(self.pmf), q - 1e-12))
        return min(at, len(self.pmf) - 1) * self.unit

    def cdf(self, amount: float) -> float:
        """Probability that `amount` is not exceeded.

        Parameters
        ----------
        amount : float
            In the unit of the amounts.

        Returns
        -------
        float
        """
        return float(self.pmf[: int(np.floor(amount / self.unit + 1e-9)) + 1].sum())

    def capped(self, limit: int | None) -> Distribution:
        """Distribution of the same amount where no more than a limit is paid in all.

        Parameters
        ----------
        limit : int or None
            No limit where None.

        Returns
        -------
        Distribution
        """
        if limit is None or limit >= len(self.pmf) * self.unit:
            return self
        # The limit becomes the last amount; where it lies between two points, the unit is made finer.
        unit = self.unit if limit % self.unit == 0 else gcd(self.unit, limit)
        kept = np.zeros(limit // unit + 1)
        inside = self.values <= limit
        kept[(self.values[inside] // unit).astype("int64")] = self.pmf[inside]
        kept[-1] += self.pmf[~inside].sum()
        return Distribution(unit, kept, self.exact)


def total_cost(
    pmf: Array, quantity: npt.ArrayLike, cost: npt.ArrayLike, groups: int = 1, points: int = MAX_POINTS
) -> list[Distribution]:
    """Distribution of the cost of a whole list.

    Parameters
    ----------
    pmf : numpy.ndarray, shape (samples, lines, n + 1)
        Probabilities of 0 to n replacements of one position, given each sample of site effects and model.
    quantity : array of int, shape (lines,)
        Positions of each line.
    cost : array of int, shape (lines,)
        Cents per replacement (1 each: the number of replacements).
    groups : int
        Groups of samples to report beside the whole, from which the sampling error can be told.
    points : int
        Most points of the money axis.

    Returns
    -------
    list of Distribution
        Over all samples first; then, with more than one group, one for each.

    Raises
    ------
    DistributionError
        For probabilities that do not add up to 1, or negative quantities or costs.

    Notes
    -----
    Given a sample, the characteristic function of the sum is the product over lines of ``phi_line(t) ** quantity``; its
    mean over samples is inverted by the discrete Fourier transform. Where the costs' common divisor needs more than
    `points` points, each cost is put on its two neighbouring points so that every mean stays right.

    References
    ----------
    Splitting a cost between two points so that its mean holds: Gerber 1982, ASTIN Bulletin 13:13 (from memory).

    Examples
    --------
    Two positions at 30.00, each replaced with probability 0.1:

    >>> import numpy as np
    >>> cost, = total_cost(np.array([[[0.9, 0.1]]]), [2], [3000])
    >>> cost.pmf[:3].round(6).tolist(), cost.quantile(0.8), cost.quantile(0.95)
    ([0.81, 0.18, 0.01], 0, 3000)
    """
    p, n, c = _checked(pmf, quantity, cost)
    used = (n > 0) & (c > 0)
    p, n, c = (p, n, c) if used.all() else (p[:, used], n[used], c[used])
    if not len(n):
        return [Distribution(1, np.ones(1), True)] * (groups + 1 if groups > 1 else 1)
    unit, length = _axis(p, n, c, points)
    exact = bool(np.all(c % unit == 0))
    size = fft.next_fast_len(length, real=True)
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    angle = angle[: _n_frequencies(p, n, c / unit, angle)]
    sums = np.zeros((groups, size // 2 + 1), dtype="complex128")
    members = np.arange(len(p)) % groups
    block = max(1, BLOCK // (len(angle) * 4))
    for start in range(0, len(p), block):
        inside = slice(start, start + block)
        transform = _transform(p[inside], n, c / unit, angle)
        for group in range(groups):
            sums[group, : len(angle)] += transform[members[inside] == group].sum(axis=0)
    counts = np.bincount(members, minlength=groups)
    parts = [_invert(one / max(k, 1), size, unit, exact) for one, k in zip(sums, counts, strict=True)]
    return [_invert(sums.sum(axis=0) / len(p), size, unit, exact), *parts] if groups > 1 else parts


def _checked(pmf: Array, quantity: npt.ArrayLike, cost: npt.ArrayLike) -> tuple[Array, Integers, Integers]:
    p = np.asarray(pmf, dtype="float64")
    n, c = np.asarray(quantity, dtype="int64"), np.asarray(cost, dtype="int64")
    if p.ndim != 3 or n.shape != (p.shape[1],) or c.shape != n.shape or not len(p):
        raise DistributionError("pmf must be samples x lines x counts, with one quantity and one cost for each line")
    if np.any(np.abs(p.sum(axis=-1) - 1) > 1e-9) or np.any(p < -1e-12):
        raise DistributionError("the probabilities of a line do not add up to 1")
    if np.any(n < 0) or np.any(c < 0):
        raise DistributionError("quantities and costs must be 0 or more")
    return np.maximum(p, 0.0), n, c


def _axis(p: Array, n: Integers, c: Integers, points: int) -> tuple[int, int]:
    """Unit and number of points of the axis that holds the sample with the highest costs."""
    k = np.arange(p.shape[-1])
    mean = p @ k
    variance = p @ k**2 - mean**2
    high = (mean * n * c).sum(axis=1) + AXIS_SD * np.sqrt((variance * n * c**2).sum(axis=1)) + AXIS_EVENTS * c.max()
    top = min(float(high.max()), float((n * c).sum() * k[-1]))
    unit = int(np.gcd.reduce(c))
    if top / unit + 2 > points:
        unit = int(np.ceil(top / (points - 2)))
    return unit, int(np.ceil(top / unit)) + 2


def _n_frequencies(p: Array, n: Integers, c: Array, angle: Array) -> int:
    """How many of the frequencies matter: the sum's transform dies out when it has many parts."""
    lightest = (p @ np.arange(p.shape[-1]) * n * c).sum(axis=1).argmin()
    size = np.abs(_transform(p[lightest : lightest + 1], n, c, angle))[0]
    return int(np.flatnonzero(size > NEGLIGIBLE).max(initial=0)) + 1


def _transform(p: Array, n: Integers, c: Array, angle: Array) -> npt.NDArray[np.complex128]:
    """Characteristic function of the sum: samples x angles."""
    product: Any = np.ones((len(p), len(angle)), dtype="complex128")
    most = np.where(p.max(axis=0) > 0, np.arange(p.shape[-1]), 0).max(axis=1) + 1
    known: dict[tuple[float, int], Any] = {}
    for line, key in enumerate(zip(c.tolist(), most.tolist(), strict=True)):
        if key not in known:
            known[key] = _powers(*key, angle)
        product *= _power(p[:, line, : key[1]] @ known[key], int(n[line]))
    return product


def _powers(cost: float, n: int, angle: Array) -> npt.NDArray[np.complex128]:
    """Transforms of the costs of 0 to n - 1 replacements, each put on its two neighbouring points: n x angles."""
    low = np.floor(cost + 1e-9)
    split = max(cost - low, 0.0)
    turn = (1 - split) * np.exp(-1j * angle * low) + split * np.exp(-1j * angle * (low + 1))
    return np.vander(turn, n, increasing=True).T


def _power(base: Any, exponent: int) -> npt.NDArray[np.complex128]:
    """By repeated squaring: many times faster than a general complex power."""
    out = base if exponent & 1 else None
    while exponent := exponent >> 1:
        base = base * base
        if exponent & 1:
            out = base if out is None else out * base
    return np.ones_like(base) if out is None else out


def _invert(transform: npt.NDArray[np.complex128], size: int, unit: int, exact: bool) -> Distribution:
    # Rounding leaves values of -1e-16 behind.
    pmf = np.maximum(fft.irfft(transform, n=size), 0.0)
    return Distribution(unit, pmf / pmf.sum(), exact)
