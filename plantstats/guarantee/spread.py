"""The whole distribution of a list's cost: positions added up by their characteristic functions, then mixed.

Given the site effects and the model, positions are independent: the distribution of the sum is found by the
fast Fourier transform, without simulation. Site effects and the uncertainty of the fitted model are common to
many positions: the distribution is the mean over draws of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from plantstats.guarantee.grid import Array

Whole = npt.NDArray[np.int64]
POINTS = 1 << 13  # most points of the money axis
GONE = 1e-14  # a characteristic function below this adds nothing that can be seen
REACH = 10  # standard deviations above the mean, plus EVENTS replacements, that the axis covers
EVENTS = 25
BLOCK = 2_000_000  # numbers held at a time
# Lines whose transform turns by no more than SMOOTH (radians) up to the last frequency that matters: their logarithms
# are added up at NODES Chebyshev points and interpolated. No zero of a transform of 0 to n events lies below pi / n,
# so that the error is some 1e-12 of the exponent (see test_guarantee_spread.py).
SMOOTH, NODES = 2.0, 24


class SpreadError(ValueError):
    """Chances from which no distribution can be made."""


@dataclass(frozen=True)
class Spread:
    """Distribution of an amount: `chance[i]` that it is `i * unit`."""

    unit: int
    chance: Array
    exact: bool

    @property
    def values(self) -> Array:
        """The amounts, in cents (or in replacements where the unit is one)."""
        return np.arange(len(self.chance), dtype="float64") * self.unit

    @property
    def mean(self) -> float:
        """Expected amount."""
        return float(self.values @ self.chance)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        return float(np.sqrt(((self.values - self.mean) ** 2) @ self.chance))

    def point(self, share: float) -> int:
        """The smallest amount that is not exceeded with at least this chance."""
        at = int(np.searchsorted(np.cumsum(self.chance), share - 1e-12))
        return min(at, len(self.chance) - 1) * self.unit

    def within(self, amount: float) -> float:
        """Chance that the amount is not exceeded."""
        return float(self.chance[: int(np.floor(amount / self.unit + 1e-9)) + 1].sum())

    def capped(self, most: int | None) -> Spread:
        """The same amount where no more than `most` is paid in all."""
        if most is None or most >= len(self.chance) * self.unit:
            return self
        # The limit becomes the last amount; it may lie between two points, and then goes to the lower one's
        # place with a finer unit only when the unit divides it.
        unit = self.unit if most % self.unit == 0 else gcd(self.unit, most)
        kept = np.zeros(most // unit + 1)
        inside = self.values <= most
        kept[(self.values[inside] // unit).astype("int64")] = self.chance[inside]
        kept[-1] += self.chance[~inside].sum()
        return Spread(unit, kept, self.exact)


def total(
    chance: Array, quantity: npt.ArrayLike, cost: npt.ArrayLike, groups: int = 1, points: int = POINTS
) -> list[Spread]:
    """Distribution of the cost of a whole list.

    Takes:  chance: draws x lines x (n + 1): chances of 0 to n replacements of one position, given each draw
            of site effects and model; quantity: positions per line; cost: whole cents per replacement, per
            line (1 each: the number of replacements); groups: how many groups of draws to report (see Gives);
            points: most points of the money axis.
    Gives:  Spread over all draws first, then one per group of draws, from which the error of the drawing can
            be told. When the costs' common divisor needs more points than allowed, each cost is put on its
            two neighbouring points so that every mean stays right, and `exact` is False.
    Raises: SpreadError for chances that do not add up to 1, or negative quantities or costs.
    Source: sums by the discrete Fourier transform; splitting a cost between two points so that its mean
            holds: Gerber 1982, ASTIN Bulletin 13:13 (from memory).
    """
    p, n, c = _checked(chance, quantity, cost)
    used = (n > 0) & (c > 0)
    if not used.all():
        p, n, c = p[:, used], n[used], c[used]
    if not len(n):
        return [Spread(1, np.ones(1), True)] * (groups + 1 if groups > 1 else 1)
    unit, length = _axis(p, n, c, points)
    exact = bool(np.all(c % unit == 0))
    size = fft.next_fast_len(length, real=True)
    angle = 2 * np.pi * np.arange(size // 2 + 1) / size
    angle = angle[: _alive(p, n, c / unit, angle)]
    smooth = _smooth(p, c / unit, angle)
    sums = np.zeros((max(groups, 1), size // 2 + 1), dtype="complex128")
    members = np.arange(len(p)) % max(groups, 1)
    block = max(1, BLOCK // (len(angle) * 4))
    for start in range(0, len(p), block):
        of = slice(start, start + block)
        value = _transform(p[of][:, ~smooth], n[~smooth], c[~smooth] / unit, angle)
        if smooth.any():
            value *= _slow_part(p[of][:, smooth], n[smooth], c[smooth] / unit, angle)
        for group in range(len(sums)):
            inside = members[of] == group
            if inside.any():
                sums[group, : len(angle)] += value[inside].sum(axis=0)
    counts = np.bincount(members, minlength=len(sums))
    parts = [_invert(one / max(k, 1), size, length, unit, exact) for one, k in zip(sums, counts, strict=True)]
    whole = _invert(sums.sum(axis=0) / len(p), size, length, unit, exact)
    return [whole, *parts] if groups > 1 else [whole]


def _checked(chance: Array, quantity: npt.ArrayLike, cost: npt.ArrayLike) -> tuple[Array, Whole, Whole]:
    p = np.asarray(chance, dtype="float64")
    n, c = np.asarray(quantity, dtype="int64"), np.asarray(cost, dtype="int64")
    if p.ndim != 3 or n.shape != (p.shape[1],) or c.shape != n.shape or not len(p):
        raise SpreadError("chances must be draws x lines x counts, with one quantity and cost for each line")
    if np.any(np.abs(p.sum(axis=-1) - 1) > 1e-9) or np.any(p < -1e-12):
        raise SpreadError("the chances of a line do not add up to 1")
    if np.any(n < 0) or np.any(c < 0):
        raise SpreadError("quantities and costs must be 0 or more")
    return (np.maximum(p, 0.0) if p.min(initial=0.0) < 0 else p), n, c


def _axis(p: Array, n: Whole, c: Whole, points: int) -> tuple[int, int]:
    """Unit and number of points of the axis that holds the heaviest draw."""
    k = np.arange(p.shape[-1])
    mean = p @ k
    variance = p @ k**2 - mean**2
    per_draw = (mean * n * c).sum(axis=1) + REACH * np.sqrt((variance * n * c**2).sum(axis=1)) + EVENTS * c.max()
    top = min(float(per_draw.max()), float((n * c).sum() * k[-1]))
    unit = int(np.gcd.reduce(c))
    if top / unit + 2 > points:
        unit = int(np.ceil(top / (points - 2)))
    return unit, int(np.ceil(top / unit)) + 2


def _alive(p: Array, n: Whole, c: Array, angle: Array) -> int:
    """How many of the frequencies matter: the sum's transform dies out when it has many parts."""
    lightest = (p @ np.arange(p.shape[-1]) * n * c).sum(axis=1).argmin()
    size = np.abs(_transform(p[lightest : lightest + 1], n, c, angle))[0]
    return int(np.flatnonzero(size > GONE).max(initial=0)) + 1


def _transform(p: Array, n: Whole, c: Array, angle: Array) -> npt.NDArray[np.complex128]:
    """Characteristic function of the sum, for each draw and angle."""
    out: Any = np.ones((len(p), len(angle)), dtype="complex128")
    low = np.floor(c + 1e-9)
    for line in range(len(n)):
        split = max(c[line] - low[line], 0.0)
        turn = (1 - split) * np.exp(-1j * angle * low[line]) + split * np.exp(-1j * angle * (low[line] + 1))
        last = int(np.flatnonzero(p[:, line].max(axis=0) > 0).max(initial=0)) + 1
        powers = np.vander(turn, last, increasing=True).T
        out *= _power(p[:, line, :last] @ powers, int(n[line]))
    return out


def _smooth(p: Array, c: Array, angle: Array) -> npt.NDArray[np.bool_]:
    """Lines whose transform is smooth enough to be interpolated; none where that saves nothing."""
    if len(angle) <= 2 * NODES:
        return np.zeros(len(c), dtype=bool)
    last = np.array([np.flatnonzero(p[:, line].max(axis=0) > 0).max(initial=0) for line in range(len(c))])
    return angle[-1] * (c + 1) * last < SMOOTH


def _slow_part(p: Array, n: Whole, c: Array, angle: Array) -> npt.NDArray[np.complex128]:
    """As `_transform`, for smooth lines.

    Source: interpolation on Chebyshev points, Trefethen 2013, Approximation Theory and Practice, chapter 5.
    """
    k = np.arange(NODES)
    nodes = (1 + np.cos(np.pi * (k + 0.5) / NODES)) / 2
    # Polynomials through the nodes, at each angle: from values to Chebyshev coefficients, and from these to angles.
    to_terms = np.cos(np.outer(k, np.pi * (k + 0.5) / NODES)) * np.where(k == 0, 1, 2)[:, None] / NODES
    at_angles = np.polynomial.chebyshev.chebvander(2 * angle / angle[-1] - 1, NODES - 1) @ to_terms
    log = np.zeros((len(p), NODES), dtype="complex128")
    few = max(1, BLOCK // (len(p) * NODES))
    for start in range(0, len(n), few):
        of = slice(start, start + few)
        low = np.floor(c[of] + 1e-9)[:, None]
        split = np.maximum(c[of][:, None] - low, 0.0)
        turn = np.exp(-1j * nodes * angle[-1] * low) * (1 - split + split * np.exp(-1j * nodes * angle[-1]))
        powers = turn[:, None, :] ** np.arange(p.shape[-1])[:, None]
        chance = p[:, of].transpose(1, 0, 2)
        real, imaginary = np.matmul(chance, powers.real), np.matmul(chance, powers.imag)
        log += np.einsum("ldk,l->dk", np.log(np.hypot(real, imaginary)) + 1j * np.arctan2(imaginary, real), n[of])
    return np.exp(log @ at_angles.T)


def _power(base: Any, exponent: int) -> npt.NDArray[np.complex128]:
    """By repeated squaring: many times faster than a general complex power."""
    out = np.ones_like(base)
    while exponent:
        if exponent & 1:
            out *= base
        exponent >>= 1
        if exponent:
            base = base * base
    return out


def _invert(transform: npt.NDArray[np.complex128], size: int, length: int, unit: int, exact: bool) -> Spread:
    chance = fft.irfft(transform, n=size)
    # What the transform leaves behind is rounding dust of 1e-16.
    chance = np.maximum(chance, 0.0)
    return Spread(unit, chance / chance.sum(), exact)
