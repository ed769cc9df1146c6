"""Errors of the loss model that allow for plants of one site faring alike."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from plantstats.losses.design import Array, Codes
from plantstats.losses.likelihood import Counts, expected_of_runs, own_variance
from plantstats.losses.newton import Fit
from plantstats.stats import clusters

JACKKNIFE = "site jackknife (one step), t limits with sites - 1"
MODEL_BASED = "likelihood with a shared site effect, t limits with sites - 1"


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
    # Numeric columns first, so that what a site adds stands in four blocks.
    order = np.argsort(~counts.design.is_numeric, kind="stable")
    scores, information = fit.at.scores[:, order], fit.at.information[np.ix_(order, order)]
    robust, back = clusters.jackknife(scores, information, _of_sites(counts, fit, order)), np.argsort(order)
    bread = np.linalg.inv(fit.at.information)
    return np.asarray(robust[np.ix_(back, back)] + bread @ ((counts.prior * np.exp(fit.beta))[:, None] * bread))


def _of_sites(counts: Counts, fit: Fit, order: Codes) -> Iterator[Array]:
    """What each site adds to the information, numeric columns first."""
    now, runs = fit.at, counts.runs
    (_, of_numeric), (_, values) = counts.design.numeric_profiles, counts.design.profiles
    uncertain, site_x = own_variance(counts.by_site, now.by_site, fit.variance), now.site_x[:, order]
    k = now.by_run.shape[1]
    squares = (of_numeric[:, :, None] * of_numeric[:, None]).reshape(len(of_numeric), -1)
    products = runs.by_site(expected_of_runs(counts, fit.beta, squares)).reshape(-1, k, k)
    x = values[runs.profile]
    sums = np.hstack([now.by_run, now.by_run[:, :1] * x])
    own = np.empty((len(order), len(order)))
    for site, (low, high) in enumerate(pairwise(runs.begins.tolist())):
        own[:k, :k] = products[site]
        own[k:] = x[low:high].T @ sums[low:high]
        own[:k, k:] = own[k:, :k].T
        yield now.weight[site] * own - (uncertain[site] * site_x[site])[:, None] * site_x[site]


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
    n_clusters = counts.sites_per_column
    if counts.n_sites < clusters.FEWEST_CLUSTERS:
        return model, MODEL_BASED, n_clusters
    return clusters.floor_at_model_se(jackknife(counts, fit), model, n_clusters), JACKKNIFE, n_clusters
