"""Where the uncertainty of a quote comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.guarantee.hazards import LineHazards
from plantstats.guarantee.projection import HazardSamples, Projection
from plantstats.guarantee.time_grid import Array

SHARE_SAMPLES = 150  # from which the variance of each source is told
Index = npt.NDArray[np.integer[Any]]


def _moments(projection: Projection, groups: pd.DataFrame) -> tuple[Array, Array]:
    """Mean and variance of the cost given each sample."""
    n = np.arange(projection.pmf.shape[-1])
    pmf = projection.pmf[:, groups["profile"]]
    mean, square = pmf @ n, pmf @ n**2
    quantity, unit = groups["quantity"].to_numpy(), groups["unit"].to_numpy(dtype="float64")
    return mean @ (quantity * unit), (square - mean**2) @ (quantity * unit**2)


def variance_shares(
    projected: Callable[[HazardSamples], Projection],
    projection: Projection,
    groups: pd.DataFrame,
    sampled_from: tuple[HazardSamples, LineHazards, Index],
    of_sites: Array,
    factor: Array,
) -> dict[str, float]:
    """Shares of the variance: chance given all else; the site, the model, the year, events alone.

    Parameters
    ----------
    projected : callable
        Projects the lines with given samples.
    projection : Projection
        Of all samples.
    groups : pandas.DataFrame
        Like plants: profile, unit, quantity.
    sampled_from : tuple[HazardSamples, LineHazards, Index]
        Samples, hazards and numbers of lines.
    of_sites : numpy.ndarray, shape (samples, sites)
        Effects of sites.
    factor : numpy.ndarray, shape (samples,)
        Factors of the year.

    Returns
    -------
    dict of str to float
        Part to share; they add up to 1.
    """
    samples, hazards, rows = sampled_from
    n = min(len(factor), SHARE_SAMPLES)
    # The mean of each site's effect, so that its own uncertainty stays out.
    mean_effect = of_sites.mean(axis=0) * factor.mean() * np.ones((n, 1))
    common = np.zeros((len(factor), of_sites.shape[1])) if samples.common is None else samples.common
    mean_common = common.mean() * np.ones((n, of_sites.shape[1]))
    fitted = replace(
        samples,
        common=mean_common,
        intercept=np.repeat(hazards.intercept[None, rows], n, axis=0),
        shape=np.repeat(hazards.shape[None], n, axis=0),
        effect=mean_effect,
    )
    alone = {
        "site": replace(fitted, effect=of_sites[:n] * factor.mean()),
        "model": replace(
            samples, intercept=samples.intercept[:n], shape=samples.shape[:n], effect=mean_effect, common=mean_common
        ),
    }
    if common.any():
        alone["event"] = replace(fitted, common=common[:n])
    if np.ptp(factor) > 0:
        alone["year"] = replace(fitted, effect=mean_effect * factor[:n, None] / factor.mean())
    variance = {"chance": float(_moments(projection, groups)[1].mean())}
    variance |= {name: float(_moments(projected(one), groups)[0].var()) for name, one in alone.items()}
    total = sum(variance.values())
    return {name: (value / total if total else 0.0) for name, value in variance.items()}
