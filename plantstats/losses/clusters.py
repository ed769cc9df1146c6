"""Errors of the loss model that allow for plants of one site faring alike."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from plantstats.losses.design import Array
from plantstats.losses.likelihood import Counts, Derivatives, own_variance
from plantstats.losses.newton import Fit
from plantstats.stats import clusters

JACKKNIFE = "site jackknife (one step), t limits with sites - 1"
MODEL_BASED = "likelihood with a shared site effect, t limits with sites - 1"


def site_scores(counts: Counts, now: Derivatives) -> Array:
    """Slope of each site's own log likelihood, sites x columns.

    Parameters
    ----------
    counts : Counts
        Counts of the loss model by site and pattern.
    now : Derivatives
        Derivatives at the coefficients.

    Returns
    -------
    numpy.ndarray, shape (sites, columns)
    """
    site_x = now.site_x
    if site_x is None:
        site_x = counts.site_sums(now.expected)
    return np.asarray(counts.lost_x - now.weight[:, None] * site_x)


def jackknife(counts: Counts, fit: Fit) -> Array:
    """Covariance from leaving out each site in turn, by one Newton step.

    Parameters
    ----------
    counts : Counts
    fit : Fit

    Returns
    -------
    numpy.ndarray, shape (columns, columns)

    Notes
    -----
    What the pseudo-events add counts as if they had been sampled.

    See Also
    --------
    plantstats.stats.clusters.jackknife : The formula and its source.
    """
    robust = clusters.jackknife(site_scores(counts, fit.at), fit.at.information, _of_sites(counts, fit))
    bread = np.linalg.inv(fit.at.information)
    return np.asarray(robust + bread @ ((counts.prior * np.exp(fit.beta))[:, None] * bread))


def _of_sites(counts: Counts, fit: Fit) -> Iterator[Array]:
    """What each site adds to the information."""
    now = fit.at
    uncertain = own_variance(counts.by_site, now.by_site, fit.variance)
    for site in range(counts.n_sites):
        rows = counts.rows_of(site)
        x = counts.design.dense(counts.pattern[rows])
        expected = now.expected[rows]
        sums = expected @ x
        yield now.weight[site] * (x.T @ (expected[:, None] * x)) - uncertain[site] * np.outer(sums, sums)


def covariance(counts: Counts, fit: Fit) -> tuple[Array, str, Array]:
    """Covariance of the coefficients, how it was made, and how many sites hold each column.

    Parameters
    ----------
    counts : Counts
    fit : Fit

    Returns
    -------
    covariance : numpy.ndarray, shape (columns, columns)
        With fewer than `plantstats.stats.clusters.FEWEST_CLUSTERS` sites it rests on the likelihood; of a column that
        fewer sites hold, its errors are at least those of the likelihood (a level that one site holds has no scores to
        learn from).
    method : str
    n_clusters : numpy.ndarray, shape (columns,)
    """
    model = np.asarray(np.linalg.inv(fit.at.information))
    n_clusters = sites_per_column(counts)
    if counts.n_sites < clusters.FEWEST_CLUSTERS:
        return model, MODEL_BASED, n_clusters
    return clusters.floor_at_model_se(jackknife(counts, fit), model, n_clusters), JACKKNIFE, n_clusters


def sites_per_column(counts: Counts) -> Array:
    """Number of sites that hold each column: have plant-days where it is not 0.

    Parameters
    ----------
    counts : Counts
        Counts of the loss model by site and pattern.

    Returns
    -------
    numpy.ndarray, shape (columns,)
    """
    holds = replace(counts, design=counts.design.support()).site_sums(np.ones(len(counts.pattern)))
    return np.asarray((holds > 0).sum(axis=0), dtype="float64")
