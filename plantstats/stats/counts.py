"""Poisson and negative binomial regression of counts on a frequency table, exact, with errors between clusters.

The likelihood of counts under one combination of covariates and exposure needs no more than their number and their
sum; the dispersion needs, beside that, how often each count occurred. So a table of combinations gives the same answer
as the single counts, at a fraction of the work.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import patsy
from scipy import sparse

from plantstats.stats import clusters as between
from plantstats.stats.count_likelihood import (
    CountData,
    CountModelError,
    fit_both,
    fit_coefficients,
    poisson_dispersion,
    se_size,
)
from plantstats.stats.crossed_design import crossed
from plantstats.stats.interval_counts import ConditionalMoments, IntervalCounts
from plantstats.stats.intervals import Array

# A column whose share of own information falls below this repeats the columns before it.
OWN_INFORMATION = 1e-9
POISSON, NEGATIVE_BINOMIAL = "Poisson", "negative binomial"


@dataclass(frozen=True)
class CountFit:
    """A fitted regression of counts.

    Attributes
    ----------
    formula : str
    design_info : patsy.DesignInfo
    params : pandas.Series
        Coefficients (log ratios); not a number where a column repeats others.
    kept : numpy.ndarray of bool
        Which columns are estimated; matrices below have these only.
    information, cov_model : numpy.ndarray
        Expected information of the coefficients at the fitted dispersion, and its inverse.
    cov_sandwich, cov_jackknife : numpy.ndarray or None
        Covariance between clusters; None with fewer than two. Intervals use the jackknife.
    n_clusters : int
    family, family_reason : str
        `POISSON` or `NEGATIVE_BINOMIAL`, and why.
    alpha : float
        Dispersion: variance = mean + alpha mean^2.
    se_size : float
        Standard error of 1 / alpha.
    pearson_df : float
        Squared Poisson residuals per degree of freedom; 1 where counts spread as chance makes them.
    loglik : float
    n : int
        Counts.
    fitted : numpy.ndarray
        Mean of one count of each row of the table.
    """

    formula: str
    design_info: patsy.DesignInfo
    params: pd.Series
    kept: npt.NDArray[np.bool_]
    information: Array
    cov_model: Array
    cov_sandwich: Array | None
    cov_jackknife: Array | None
    n_clusters: int
    family: str
    family_reason: str
    alpha: float
    se_size: float
    pearson_df: float
    loglik: float
    n: int
    fitted: Array

    @property
    def repeated(self) -> list[str]:
        """Columns left out because they repeat others."""
        return list(self.params.index[~self.kept])

    @property
    def cov(self) -> Array:
        """Covariance that intervals use: between clusters where there are two or more, else of the model."""
        return self.cov_model if self.cov_jackknife is None else self.cov_jackknife

    @property
    def df(self) -> float | None:
        """Degrees of freedom of intervals: clusters - 1, or None (normal) without clusters."""
        return None if self.cov_jackknife is None else self.n_clusters - 1

    @property
    def se(self) -> pd.Series:
        """Standard errors that intervals use, missing where a column repeats others."""
        values = np.full(len(self.params), np.nan)
        values[self.kept] = np.sqrt(np.diag(self.cov))
        return pd.Series(values, self.params.index)

    def log_mean(self, table: pd.DataFrame) -> tuple[Array, Array]:
        """Log of the mean for an exposure of one, and its standard error, for other rows of covariates.

        Parameters
        ----------
        table : pandas.DataFrame
            One row each; columns as the formula names them.

        Returns
        -------
        log_mean, se : numpy.ndarray, shape (rows,)

        Raises
        ------
        CountModelError
            For levels that the fit has not seen.
        """
        try:
            x = np.asarray(patsy.dmatrix(self.design_info, table, NA_action="raise"), dtype="float64")
        except patsy.PatsyError as error:
            raise CountModelError(f"the model cannot be asked this: {error}") from error
        return self.combine(x)

    def combine(self, weights: Array) -> tuple[Array, Array]:
        """Weighted sums of the coefficients, and their standard errors: one row of weights each.

        Parameters
        ----------
        weights : numpy.ndarray, shape (rows, columns)
            One row of weights each.

        Returns
        -------
        estimate, se : numpy.ndarray, shape (rows,)
        """
        used = np.atleast_2d(weights)[:, self.kept]
        value = used @ self.params.to_numpy()[self.kept]
        return value, np.sqrt(np.einsum("ij,jk,ik->i", used, self.cov, used))


def fit_counts(
    table: pd.DataFrame,
    counts: pd.DataFrame,
    formula: str,
    clusters: pd.DataFrame | None = None,
    *,
    family: str = NEGATIVE_BINOMIAL,
    censored: pd.DataFrame | None = None,
) -> CountFit:
    """Fit log(mean count / exposure) as a sum of terms.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per combination of covariates and exposure: n (counts), sum, squares (sum of squared counts), exposure
        (of one count), and the columns of the formula.
    counts : pandas.DataFrame
        How often each count occurred: count, n.
    formula : str
        Right side of a patsy formula; names are columns of the table.
    clusters : pandas.DataFrame, optional
        The same counts by cluster, for errors that let clusters differ: cluster, row (position in the table), n, sum.
    family : {"negative binomial", "Poisson"}
        Poisson forgoes the dispersion.
    censored : pandas.DataFrame, optional
        Counts known only between two numbers, which `table`, `counts` and `clusters` leave out: cluster, row, lower,
        upper, n.

    Returns
    -------
    CountFit
        Poisson where counts spread no more than chance makes them, with the reason.

    Raises
    ------
    CountModelError
        For an empty table, no event at all, exposure that is not above 0, missing values, and fits that do not settle.

    Notes
    -----
    Variance mean + alpha mean^2; coefficients by Fisher scoring, dispersion by maximum likelihood, in turn until
    neither moves. Of censored counts the score is that of what they may have been (see `interval_counts`). A column
    that repeats those before it is left out, as R does.

    References
    ----------
    Venables and Ripley 2002, Modern Applied Statistics with S, section 7.4.

    Examples
    --------
    Three and six events at one and two counts with and without a treatment: a ratio of one.

    >>> table = pd.DataFrame({"treated": [0, 1], "n": [1, 2], "sum": [3, 6], "squares": [9, 18], "exposure": 1.0})
    >>> fit = fit_counts(table, pd.DataFrame({"count": [3], "n": [3]}), "treated")
    >>> fit.family, round(float(np.exp(fit.params["Intercept"])), 6), round(float(fit.se["treated"]), 4)
    ('Poisson', 3.0, 0.7071)
    """
    asked = _asked(table, counts, formula, censored)
    data, kept = asked.data, asked.kept
    intervals, n_all = data.censored, asked.n
    # A censored count stands for its lower end only to have a place to start from.
    lower = np.maximum(intervals.patterns["lower"].to_numpy(dtype="float64"), 0.5)
    beta = np.zeros(data.design.n_columns)
    if asked.names[0] == "Intercept":
        beta[0] = np.log((data.total.sum() + intervals.n @ lower) / (n_all * np.exp(data.offset)).sum())
    beta, _ = fit_coefficients(data, np.inf, beta)
    pearson, excess = poisson_dispersion(data, np.exp(data.eta(beta)))
    residual_df = float(n_all.sum()) - len(beta)
    size = np.inf
    if family == POISSON:
        reason = "asked for"
    elif residual_df <= 0:
        reason = "as many terms as counts: the dispersion cannot be estimated"
    elif excess <= 0:
        reason = "the counts are no more spread than chance makes them"
    else:
        reason = "the counts are more spread than chance makes them"
        size, beta = fit_both(data, beta)
    eta, alpha = data.eta(beta), 1 / size
    mean = np.exp(eta)
    moments = intervals.moments(mean, size)
    information = data.information(moments, mean, alpha)
    cov_model = np.asarray(np.linalg.inv(information), dtype="float64")
    if not (np.all(np.isfinite(beta)) and np.all(np.isfinite(cov_model))):
        raise CountModelError("the fit is not finite: fewer terms, or more events, are needed")
    params = np.full(len(kept), np.nan)
    params[kept] = beta
    sandwich, jackknife, n_clusters = _cluster_errors(data, moments, mean, alpha, information, clusters)
    return CountFit(
        formula=formula,
        design_info=asked.design_info,
        params=pd.Series(params, asked.names),
        kept=kept,
        information=information,
        cov_model=cov_model,
        cov_sandwich=sandwich,
        cov_jackknife=jackknife,
        n_clusters=n_clusters,
        family=NEGATIVE_BINOMIAL if alpha > 0 else POISSON,
        family_reason=reason,
        alpha=float(alpha),
        se_size=se_size(data, size, mean),
        pearson_df=pearson / residual_df if residual_df > 0 else np.nan,
        loglik=data.loglik(size, eta),
        n=int(n_all.sum()),
        fitted=mean,
    )


def highest_loglik(
    table: pd.DataFrame, counts: pd.DataFrame, formula: str, near: CountFit, *, censored: pd.DataFrame | None = None
) -> float:
    """Log likelihood of the fit of `fit_counts`, without the rest of it.

    Parameters
    ----------
    table, counts, formula
        As in `fit_counts`.
    near : CountFit
        A fit of the same counts on other terms, to begin with.
    censored
        As in `fit_counts`.

    Returns
    -------
    float

    Raises
    ------
    CountModelError
        As `fit_counts`.

    Examples
    --------
    >>> table = pd.DataFrame({"treated": [0, 1], "n": [1, 2], "sum": [3, 6], "squares": [9, 18], "exposure": 1.0})
    >>> counts = pd.DataFrame({"count": [3], "n": [3]})
    >>> fit = fit_counts(table, counts, "1")
    >>> round(highest_loglik(table, counts, "treated", fit), 6) == round(fit.loglik, 6)
    True
    """
    if near.alpha == 0:
        return fit_counts(table, counts, formula, censored=censored).loglik
    asked = _asked(table, counts, formula, censored)
    beta = near.params.reindex(asked.names[asked.kept]).fillna(0.0).to_numpy()
    size, beta = fit_both(asked.data, beta, 1 / near.alpha)
    return asked.data.loglik(size, asked.data.eta(beta))


class _Asked(NamedTuple):
    """What was counted, with the columns of a formula: those that are estimated, their names, counts by row."""

    data: CountData
    design_info: patsy.DesignInfo
    kept: npt.NDArray[np.bool_]
    names: pd.Index
    n: Array


def _asked(table: pd.DataFrame, counts: pd.DataFrame, formula: str, censored: pd.DataFrame | None) -> _Asked:
    _check(table, counts, censored)
    design, design_info = crossed(formula, table)
    intervals = IntervalCounts.of(censored)
    n, total, squares, exposure = (table[c].to_numpy(dtype="float64") for c in ("n", "sum", "squares", "exposure"))
    n_all = n + intervals.sum_by_row(1.0, len(n))
    kept = _not_aliased(design.gram(n_all))
    values, times = (counts[c].to_numpy(dtype="float64") for c in ("count", "n"))
    data = CountData(design.only(kept), np.log(exposure), n, total, squares, values, times, intervals)
    names = pd.Index([name.replace("[T.", "[") for name in design_info.column_names])
    return _Asked(data, design_info, kept, names, n_all)


def _check(table: pd.DataFrame, counts: pd.DataFrame, censored: pd.DataFrame | None) -> None:
    faults = []
    n, events = int(table["n"].sum()), int(table["sum"].sum())
    if censored is not None:
        n, events = n + int(censored["n"].sum()), events + int((censored["n"] * censored["lower"]).sum())
    if table.empty or n == 0:
        faults.append("no count")
    elif events == 0:
        faults.append(f"none at all in {n:,} counts: a rate has an upper limit, but no model")
    if not table.empty and not (table["exposure"] > 0).all():
        faults.append(f"{int((~(table['exposure'] > 0)).sum())} rows have no exposure above 0")
    gaps = table.columns[table.isna().any()].to_list()
    if gaps:
        faults.append(f"missing values in {', '.join(map(str, gaps))}")
    if int(counts["n"].sum()) != int(table["n"].sum()):
        faults.append(f"{int(table['n'].sum())} counts in the table, {int(counts['n'].sum())} in their frequencies")
    if faults:
        raise CountModelError("; ".join(faults))


def _not_aliased(gram: Array) -> npt.NDArray[np.bool_]:
    """Which columns say something that the columns before them do not, from their cross products."""
    scale = np.sqrt(np.diag(gram))
    gram = gram / np.outer(np.where(scale > 0, scale, 1), np.where(scale > 0, scale, 1))
    kept = np.zeros(len(gram), dtype=bool)
    for j in np.flatnonzero(scale > 0):
        before = np.flatnonzero(kept)
        own = 1.0 - float(gram[j, before] @ np.linalg.solve(gram[np.ix_(before, before)], gram[before, j]))
        kept[j] = own > OWN_INFORMATION
    return kept


def _cluster_errors(
    data: CountData,
    moments: ConditionalMoments,
    mean: Array,
    alpha: float,
    information: Array,
    counts: pd.DataFrame | None,
) -> tuple[Array | None, Array | None, int]:
    """Sandwich and jackknife between clusters, and the number of clusters."""
    if counts is None:
        return None, None, 0
    censored, design = data.censored, data.design
    pattern = censored.by_cluster["pattern"].to_numpy().astype(np.intp)
    times = censored.by_cluster["n"].to_numpy(dtype="float64")
    observed = counts["row"].to_numpy().astype(np.intp)
    n, total = (counts[c].to_numpy(dtype="float64") for c in ("n", "sum"))
    row = np.r_[observed, censored.row[pattern]]
    residual = np.r_[total - n * mean[observed], times * (moments.mean[pattern] - mean[censored.row[pattern]])]
    weight = np.r_[
        n * mean[observed] / (1 + alpha * mean[observed]), times * censored.information(moments, mean, alpha)[pattern]
    ]
    parts = [part["cluster"] for part in (counts, censored.by_cluster) if len(part)]
    cluster, names = pd.factorize(parts[0] if len(parts) == 1 else pd.concat([one.astype(object) for one in parts]))
    if len(names) < 2:
        return None, None, len(names)

    def by_cluster(values: Array) -> sparse.csr_matrix:
        return sparse.csr_matrix((values, (cluster, row)), shape=(len(names), len(mean)))

    weights, n_holding = by_cluster(weight), np.zeros(design.n_columns)

    def own_information() -> Iterator[Array]:
        for start, end in pairwise(weights.indptr):
            own = design.gram(weights.data[start:end], weights.indices[start:end])
            np.add(n_holding, own.diagonal() > 0, out=n_holding)
            yield own

    scores = design.sums(by_cluster(residual / (1 + alpha * mean[row])))
    cov_model = np.asarray(np.linalg.inv(information))
    jackknife = between.jackknife(scores, information, own_information())
    return (between.sandwich(scores, cov_model), between.floor_at_model_se(jackknife, cov_model, n_holding), len(names))
