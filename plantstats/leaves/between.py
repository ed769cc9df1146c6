"""Counts known only between two numbers, such as "few": what they may have been, under a law of counts.

A cell that says "1 to 5 leaves" adds to the likelihood the chance of 1 to 5 leaves. The slopes of that chance are the
slopes of a count, averaged over what the count may have been; so a fit needs of each cell only these averages.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from plantstats.leaves.clusters import Array

NAMES = ("row", "least", "most")
LARGEST = 1 << 21  # numbers in one block of work
# Of the information of a count: never less than this, so that words as wide as the whole law only say nothing.
TRACE = 1e-6


@dataclass(frozen=True)
class Within:
    """What counts between two numbers may have been: one value per kind of cell."""

    log_chance: Array
    mean: Array
    variance: Array
    digamma: Array  # mean of digamma(count + size) - digamma(size); 0 for the Poisson law


@dataclass(frozen=True)
class Between:
    """Cells between two numbers.

    kinds: one row per row of the table of conditions and pair of numbers: row, least, most, n; cells: site, kind, n.
    """

    kinds: pd.DataFrame
    cells: pd.DataFrame

    @cached_property
    def row(self) -> npt.NDArray[np.intp]:
        """Row of the table of conditions, of each kind."""
        return self.kinds["row"].to_numpy().astype(np.intp)

    @cached_property
    def n(self) -> Array:
        """How many cells are of each kind."""
        return self.kinds["n"].to_numpy(dtype="float64")

    def within(self, mean: Array, size: float) -> Within:
        """What each kind may have been.

        Takes:  mean: of one count of each row of the table of conditions; size: 1 / dispersion; infinite = Poisson.
        """
        made = np.zeros((4, len(self.kinds)))
        for (least, most), at in self._pairs:
            count = np.arange(least, most + 1.0)
            block = max(LARGEST // len(count), 1)
            for start in range(0, len(at), block):
                part = at[start : start + block]
                made[:, part] = _within(count, mean[self.row[part]][:, None], size)
        return Within(*made)

    @cached_property
    def _pairs(self) -> list[tuple[tuple[int, int], npt.NDArray[np.intp]]]:
        groups = self.kinds.groupby(["least", "most"], sort=True).indices
        return [((int(least), int(most)), at) for (least, most), at in groups.items()]

    def information(self, found: Within, mean: Array, alpha: float) -> Array:
        """Information about the log mean of one cell of each kind.

        Source: that of a count, averaged, less the variance of its slope over what the count may have been (Louis
                1982, from memory).
        """
        own, spread = mean[self.row], 1 + alpha * mean[self.row]
        told = own * (1 + alpha * found.mean) - found.variance
        return np.asarray(np.maximum(told, TRACE * own * spread) / spread**2, dtype="float64")

    def added(self, values: Array, length: int) -> Array:
        """Values of one cell of each kind, added up by row of the table of conditions."""
        return np.bincount(self.row, self.n * values, length).astype("float64")


def between(cells: pd.DataFrame | None) -> Between:
    """Cells between two numbers, made ready.

    Takes:  site, row (position in the table of conditions), least, most, n; None for no such cell.
    """
    if cells is None:
        cells = pd.DataFrame({name: pd.Series(dtype="int64") for name in ("site", *NAMES, "n")})
    kinds = cells.groupby(list(NAMES), as_index=False)["n"].sum()
    place = kinds.assign(kind=np.arange(len(kinds)))[[*NAMES, "kind"]]
    return Between(kinds, cells.merge(place, on=list(NAMES))[["site", "kind", "n"]])


def _within(count: Array, mean: Array, size: float) -> Array:
    if np.isinf(size):
        log_law = count * np.log(mean) - mean - special.gammaln(count + 1)
        slope = np.zeros(len(count))
    else:
        law = special.gammaln(count + size) - special.gammaln(size) - special.gammaln(count + 1)
        log_law = law + count * np.log(mean / (size + mean)) - size * np.log1p(mean / size)
        slope = special.digamma(count + size) - special.digamma(size)
    log_chance = special.logsumexp(log_law, axis=1)
    share = np.exp(log_law - log_chance[:, None])
    middle = share @ count
    return np.array([log_chance, middle, (share * (count - middle[:, None]) ** 2).sum(axis=1), share @ slope])
