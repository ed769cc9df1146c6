"""Errors that allow for plants of one site faring alike: from the sites' scores on the frequency table."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from plantstats.stats import clusters

if TYPE_CHECKING:
    from plantstats.leaves.between import Between, Within

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Sites:
    """Counts of the sites at a fit: which rows of the table each has, and how far from their means they lie."""

    names: int
    place: npt.NDArray[np.intp]  # number of the site, of each row of sites, in order
    row: npt.NDArray[np.intp]  # row of the table
    off: Array  # (sum - n x mean) / (1 + alpha x mean)
    weight: Array  # n x mean / (1 + alpha x mean)

    def scores(self, x: Array) -> Array:
        """Slope of each site's log likelihood: one row per site."""
        at = sparse.csr_matrix((self.off, (self.place, self.row)), shape=(self.names, len(x)))
        return np.asarray(at @ x, dtype="float64")

    def holders(self, x: Array) -> Array:
        """How many sites hold each column."""
        at = sparse.csr_matrix((np.ones(len(self.row)), (self.place, self.row)), shape=(self.names, len(x)))
        return np.asarray(((at @ np.abs(x)) > 0).sum(axis=0), dtype="float64")


def of_sites(sites: pd.DataFrame, mean: Array, alpha: float, vague: Between, found: Within) -> Sites:
    """Sites at a fit.

    Takes:  sites: site, row (position in the table), n, sum; mean of one count of each row of the table; alpha; cells
            between two numbers, and what they may have been.
    """
    row, kind = sites["row"].to_numpy().astype(np.intp), vague.cells["kind"].to_numpy().astype(np.intp)
    n, total, times = (part.to_numpy(dtype="float64") for part in (sites["n"], sites["sum"], vague.cells["n"]))
    own = vague.row[kind]
    off = np.r_[total - n * mean[row], times * (found.mean[kind] - mean[own])]
    rows = np.r_[row, own]
    weight = np.r_[n * mean[row] / (1 + alpha * mean[row]), times * vague.information(found, mean, alpha)[kind]]
    place, names = pd.factorize(np.r_[sites["site"].to_numpy(dtype=object), vague.cells["site"].to_numpy(dtype=object)])
    order = np.argsort(place, kind="stable")
    return Sites(len(names), place[order], rows[order], (off / (1 + alpha * mean[rows]))[order], weight[order])


def jackknife(at: Sites, scores: Array, x: Array, bread: Array) -> Array:
    """The one-step jackknife of `stats.clusters` over sites, at the fitted dispersion."""
    edges = np.searchsorted(at.place, np.arange(at.names + 1))

    def of_sites() -> Iterator[Array]:
        for begin, end in pairwise(edges):
            part = x[at.row[begin:end]] * np.sqrt(at.weight[begin:end])[:, None]
            yield part.T @ part

    return clusters.jackknife(scores, np.linalg.inv(bread), of_sites())
