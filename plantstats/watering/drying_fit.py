"""Fits of the distribution of drying times to distinct dry-downs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.watering import estimation
from plantstats.watering.design import CONDITIONS, Kinds, Names, effect_names, kinds_of
from plantstats.watering.distribution import FAMILIES, Array, Observations, observations_of
from plantstats.watering.drying import DryingModel
from plantstats.watering.estimation import AtSites, DryingError, Maximum

BOUNDS = ["n_moist", "previous", "lower", "upper"]


def fit_drying(dry_downs: pd.DataFrame, family: str = "", misclassified: float | None = None) -> DryingModel:
    """Fit the distribution of drying times to dry-downs.

    Parameters
    ----------
    dry_downs : pandas.DataFrame
        Distinct dry-downs of one measuring method with their number, as `DryDowns.distinct` gives them (with site_id).
    family : {"", "Weibull", "log-logistic"}
        "" for the likelier.
    misclassified : float, optional
        Share of misclassified inspections; learned with the rest when not given.

    Returns
    -------
    DryingModel

    Raises
    ------
    DryingError
        For no dry-down, for two measuring methods, or when the fit does not end at a finite maximum.

    Notes
    -----
    Accelerated failure time model with interval censoring. Species are shrunk towards their group by the standard
    deviation that makes the dry-downs likeliest (Laplace approximation of the evidence). The covariance allows for
    dry-downs of one site being alike: sandwich over sites with G / (G - 1), plus the prior's part.

    References
    ----------
    Odell, Anderson and D'Agostino 1992 (interval-censored Weibull regression, from memory). Liang and Zeger 1986,
    Biometrika 73:13.

    Examples
    --------
    Twelve sites looked at weekly: of ten waterings each, two were dry within a week, six between day 7 and day 14, and
    two between day 14 and day 21.

    >>> import pandas as pd
    >>> weekly = pd.DataFrame({"n_moist": [0, 1, 2], "previous": [0, 0, 7], "lower": [0, 7, 14],
    ...                        "upper": [7.0, 14.0, 21.0], "n": [2, 6, 2]})
    >>> sites = pd.concat([weekly.assign(site_id=f"S{site}") for site in range(12)], ignore_index=True)
    >>> plants = {"method": "topsoil word", "species": "Ficus lyrata", "light": "low", "pot": "15-24 cm",
    ...           "planter": "direct", "heating": False}
    >>> model = fit_drying(sites.assign(**plants), "Weibull", misclassified=0.0)
    >>> half = model.days_until_dry(pd.DataFrame([plants]), 0.5)
    >>> bool(9 < half.low[0] < half.estimate[0] < half.high[0] < 12)
    True
    """
    if dry_downs.empty or not dry_downs["n"].sum():
        raise DryingError("no dry-down spell: no watering was followed by a look at the topsoil")
    if dry_downs["method"].nunique() > 1:
        methods = " and ".join(sorted(dry_downs["method"].unique()))
        raise DryingError(f"spells by {methods}: fit each method apart")
    distinct = _distinct(dry_downs)
    best = _likeliest(distinct, family, misclassified)
    site = pd.factorize(dry_downs["site_id"].astype("str"))[0]
    at_sites = AtSites(site, distinct.of_row, dry_downs["n"].to_numpy(dtype=float))
    covariance = estimation.clustered_covariance(best, distinct.observed, distinct.kinds, at_sites, misclassified)
    return _model(distinct, best, covariance, int(site.max()) + 1)


def fit_taking(dry_downs: pd.DataFrame, family: str, misclassified: Iterable[float]) -> Iterator[DryingModel]:
    """Fits that take shares of misclassified inspections as known, as `fit_drying` but without errors.

    Parameters
    ----------
    dry_downs : pandas.DataFrame
        As in `fit_drying`; sites are not asked for.
    family : {"Weibull", "log-logistic"}
    misclassified : iterable of float
        The shares.

    Yields
    ------
    DryingModel
        With a covariance of zero.
    """
    distinct = _distinct(dry_downs)
    for share in misclassified:
        best = _likeliest(distinct, family, share)
        yield _model(distinct, best, np.zeros((len(best.estimate), len(best.estimate))), 1)


class _Distinct(NamedTuple):
    """Distinct dry-downs, sites and plants apart no more, and which of them each row is."""

    observed: Observations
    kinds: Kinds
    names: Names
    of_row: Array


def _distinct(dry_downs: pd.DataFrame) -> _Distinct:
    groups = dry_downs.groupby([*CONDITIONS, *BOUNDS], dropna=False, observed=True)
    rows = groups["n"].sum().reset_index()
    names = effect_names(rows)
    return _Distinct(observations_of(rows), kinds_of(rows, names), names, groups.ngroup().to_numpy())


def _likeliest(distinct: _Distinct, family: str, misclassified: float | None) -> Maximum:
    """Of the likelier family, where none is given."""
    maxima, faults = [], []
    for each in [family] if family else FAMILIES:
        try:
            maxima.append(estimation.likeliest(each, distinct.observed, distinct.kinds, distinct.names, misclassified))
        except DryingError as fault:  # few dry-downs may suit one family and not the other
            faults.append(str(fault))
    if not maxima:
        raise DryingError("; ".join(faults))
    return max(maxima, key=lambda one: one.log_likelihood)


def _model(distinct: _Distinct, best: Maximum, covariance: Array, n_sites: int) -> DryingModel:
    n = int(distinct.observed.n.sum())
    return DryingModel(
        best.family, distinct.names, best.estimate, covariance, n_sites, n, best.species_sd, best.log_likelihood
    )
