"""Negative binomial regression of counts, exact on sums: how often each combination stood, and what it added up to.

The likelihood of counts under one combination of conditions and exposure needs no more than their number and
their sum; the dispersion needs, beside that, how often each count occurred. So a table of combinations gives the
same answer as the rows, at a fraction of the work.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import patsy
from scipy import optimize, special, stats

from plantstats.leaf_loss import clusters
from plantstats.leaf_loss.clusters import Array
from plantstats.loss_model.clusters import steady

MAX_STEPS = 100
BLOCK = 2048  # rows
TOLERANCE = 1e-9
# Size (1 / dispersion) between these: below, counts are too wild for the law; above, they are Poisson.
LOG_SIZES = (-9.0, 18.0)
# A column whose share of own information falls below this repeats the columns before it.
OWN_INFORMATION = 1e-9
# A log ratio beyond this is a fit on its way to infinity.
RUNAWAY = 15.0
POISSON, NEGATIVE_BINOMIAL = "Poisson", "negative binomial"


class LeafModelError(ValueError):
    """Counts from which the model cannot be fitted; the message says what is in the way."""


@dataclass(frozen=True)
class CountFit:
    """A fitted regression of counts, with what is needed to predict and to judge it."""

    formula: str
    info: patsy.DesignInfo
    params: pd.Series  # log ratios; not a number where a column repeats others
    kept: npt.NDArray[np.bool_]
    information: Array  # of the kept columns, at the fitted dispersion
    cov_model: Array
    cov_sites: Array | None  # sandwich of the sites' scores
    cov_jackknife: Array | None  # leaving out each site in turn: what intervals use
    sites: int
    family: str
    alpha: float  # variance = mean + alpha x mean squared
    se_size: float  # standard error of 1 / alpha
    pearson_df: float  # squared Poisson residuals per degree of freedom; 1 = as spread as chance
    loglik: float
    n: int
    total: float
    expected: Array  # of each row of the table, for one count
    why: str  # why this family

    @property
    def repeated(self) -> list[str]:
        """Columns left out because they repeat others."""
        return list(self.params.index[~self.kept])

    @property
    def cov(self) -> Array:
        """Covariance of the kept columns: between sites where there are two or more, else of the model."""
        return self.cov_model if self.cov_jackknife is None else self.cov_jackknife

    @property
    def se(self) -> pd.Series:
        """Standard errors that intervals use, missing where a column repeats others."""
        values = np.full(len(self.params), np.nan)
        values[self.kept] = np.sqrt(np.diag(self.cov))
        return pd.Series(values, self.params.index)

    def log_mean(self, table: pd.DataFrame) -> tuple[Array, Array]:
        """Log of the mean for an exposure of one, and its standard error, for other rows of conditions."""
        return self.combine(design_of(self.info, table))

    def combine(self, weights: Array) -> tuple[Array, Array]:
        """Weighted sums of the coefficients and their standard errors: one row of weights each."""
        used = np.atleast_2d(weights)[:, self.kept]
        value = used @ self.params.to_numpy()[self.kept]
        return value, np.sqrt(np.einsum("ij,jk,ik->i", used, self.cov, used))

    def quantile(self, level: float) -> float:
        """Standard errors to each side of an estimate: t on sites - 1, or normal without sites."""
        upper = (1 + level) / 2
        return float(stats.norm.ppf(upper) if self.cov_sites is None else stats.t.ppf(upper, self.sites - 1))


def fit_counts(
    table: pd.DataFrame,
    counts: pd.DataFrame,
    formula: str,
    sites: pd.DataFrame | None = None,
    family: str = NEGATIVE_BINOMIAL,
) -> CountFit:
    """Fit log(mean count / exposure) as a sum of terms.

    Takes:  table: one row per combination: n (counts), sum, squares (sum of squared counts), exposure (of one
            count), and the columns of the formula; counts: count, n (how often it occurred); formula: right
            side, names are columns of the table; sites: site, row (position in the table), n, sum: the same
            counts by site, for errors that allow sites to differ; family: "Poisson" forgoes the dispersion.
    Gives:  CountFit. Poisson where counts are no more spread than chance makes them, and the reason.
    Raises: LeafModelError for an empty table, no leaf at all, exposure that is not above 0, missing values, and
            fits that do not settle.
    Source: negative binomial with variance mean + alpha mean^2, dispersion by maximum likelihood: Venables and
            Ripley 2002, section 7.4; errors between sites: see `clusters`.
    """
    _check(table, counts)
    made = patsy.dmatrix(formula, table, eval_env=patsy.EvalEnvironment([{}]), NA_action="raise")
    info, whole = made.design_info, np.asarray(made, dtype="float64")
    n, total, squares, exposure = (table[c].to_numpy(dtype="float64") for c in ("n", "sum", "squares", "exposure"))
    kept = _own(whole, n)
    x, offset = whole if kept.all() else np.ascontiguousarray(whole[:, kept]), np.log(exposure)
    at = _settle(x, n, total, offset, 0.0, _start(x, n, total, exposure))
    mean = np.exp(offset + x @ at)
    pearson = float(((squares - 2 * mean * total + n * mean**2) / mean).sum())
    freedom = float(n.sum()) - x.shape[1]
    # Slope of the log likelihood at no dispersion.
    excess = float((squares - 2 * mean * total + n * mean**2 - total).sum()) / 2
    size = np.inf
    if family == POISSON:
        why = "asked for"
    elif freedom <= 0:
        why = "as many terms as counts: the dispersion cannot be estimated"
    elif excess <= 0:
        why = "the counts are no more spread than chance makes them"
    else:
        why = "the counts are more spread than chance makes them"
        size, at = _with_size(x, n, total, offset, counts, at)
        mean = np.exp(offset + x @ at)
    alpha = 1 / size
    information = _information(x, n, mean, alpha)
    cov_model: Array = np.asarray(np.linalg.inv(information), dtype="float64")
    params = np.full(len(kept), np.nan)
    params[kept] = at
    if not (np.all(np.isfinite(at)) and np.all(np.isfinite(cov_model))):
        raise LeafModelError("the fit is not finite: fewer terms, or more leaves, are needed")
    names = [name.replace("[T.", "[") for name in info.column_names]
    between, jackknife, number = _between(x, mean, alpha, cov_model, sites)
    return CountFit(
        formula,
        info,
        pd.Series(params, names),
        kept,
        information,
        cov_model,
        between,
        jackknife,
        number,
        NEGATIVE_BINOMIAL if alpha > 0 else POISSON,
        float(alpha),
        _se_size(size, n, total, mean, counts),
        pearson / freedom if freedom > 0 else np.nan,
        _loglik(size, n, total, mean, counts),
        int(n.sum()),
        float(total.sum()),
        mean,
        why,
    )


def design_of(info: patsy.DesignInfo, table: pd.DataFrame) -> Array:
    """The columns of a fitted formula for other rows. Raises: LeafModelError for levels that it does not know."""
    try:
        return np.asarray(patsy.dmatrix(info, table, NA_action="raise"), dtype="float64")
    except patsy.PatsyError as error:
        raise LeafModelError(f"the model cannot be asked this: {error}") from error


def _check(table: pd.DataFrame, counts: pd.DataFrame) -> None:
    faults = []
    if table.empty or table["n"].sum() == 0:
        faults.append("no stretch with a count")
    elif table["sum"].sum() == 0:
        faults.append(f"not one leaf in {int(table['n'].sum()):,} stretches: a rate has an upper limit, but no model")
    if not table.empty and not (table["exposure"] > 0).all():
        faults.append(f"{int((~(table['exposure'] > 0)).sum())} rows have no exposure above 0")
    gaps = table.columns[table.isna().any()].to_list()
    if gaps:
        faults.append(f"missing values in {', '.join(map(str, gaps))}")
    if int(counts["n"].sum()) != int(table["n"].sum()):
        faults.append(f"{int(table['n'].sum())} stretches in the table, {int(counts['n'].sum())} in the counts")
    if faults:
        raise LeafModelError("; ".join(faults))


def _own(x: Array, n: Array) -> npt.NDArray[np.bool_]:
    """Which columns say something that the columns before them do not (as R does with aliased ones)."""
    gram = _weighted_gram(x, n)
    scale = np.sqrt(np.diag(gram))
    gram = gram / np.outer(np.where(scale > 0, scale, 1), np.where(scale > 0, scale, 1))
    kept = np.zeros(x.shape[1], dtype=bool)
    for j in range(x.shape[1]):
        if scale[j] == 0:
            continue
        before = np.flatnonzero(kept)
        own = 1.0
        if len(before):
            own = 1.0 - float(gram[j, before] @ np.linalg.solve(gram[np.ix_(before, before)], gram[before, j]))
        kept[j] = own > OWN_INFORMATION
    return kept


def _start(x: Array, n: Array, total: Array, exposure: Array) -> Array:
    """All combinations alike: the first column is the intercept, where there is one."""
    start = np.zeros(x.shape[1])
    if np.all(x[:, 0] == 1):
        start[0] = np.log(total.sum() / (n * exposure).sum())
    return start


def _information(x: Array, n: Array, mean: Array, alpha: float) -> Array:
    return _weighted_gram(x, n * mean / (1 + alpha * mean))


def _weighted_gram(x: Array, weight: Array) -> Array:
    """Cross products of the columns, block by block, so that each block stays in the processor's cache."""
    root, total = np.sqrt(weight), np.zeros((x.shape[1], x.shape[1]))
    for start in range(0, len(x), BLOCK):
        part = x[start : start + BLOCK] * root[start : start + BLOCK, None]
        total += part.T @ part
    return total


def _fitness(x: Array, n: Array, total: Array, offset: Array, alpha: float, at: Array) -> float:
    eta = offset + x @ at
    if np.max(eta) > 300:
        return -np.inf
    mean = np.exp(eta)
    loss = n * mean if alpha == 0 else (total + n / alpha) * np.log1p(alpha * mean)
    return float((total * eta - loss).sum())


def _settle(x: Array, n: Array, total: Array, offset: Array, alpha: float, at: Array) -> Array:
    """Fisher scoring at a given dispersion, from where the last one left off.

    The information is the dear part, so it is kept for as long as steps with it shrink fast. statsmodels' GLM comes to
    the same answer (tested), from scratch at each dispersion.
    """
    best, information, last = _fitness(x, n, total, offset, alpha, at), None, np.inf
    for _ in range(MAX_STEPS):
        mean = np.exp(offset + x @ at)
        slope = x.T @ ((total - n * mean) / (1 + alpha * mean))
        if information is None:
            information = _information(x, n, mean, alpha)
        step = np.linalg.solve(information, slope)
        length = float(np.max(np.abs(step)))
        if length < TOLERANCE:
            return at + step
        size = 1.0
        while (now := _fitness(x, n, total, offset, alpha, at + size * step)) < best - 1e-9 * abs(best):
            size /= 2
            if size < 1e-6:
                raise LeafModelError("the fit does not settle: the counts do not determine all its terms")
        at, best = at + size * step, max(now, best)
        if np.max(np.abs(at)) > RUNAWAY * 2:
            raise LeafModelError("the fit runs to infinity: some combination of conditions never dropped a leaf")
        if size < 1 or length > 0.2 * last:
            information = None
        last = length
    raise LeafModelError(f"the fit does not settle in {MAX_STEPS} steps")


def _with_size(x: Array, n: Array, total: Array, offset: Array, counts: pd.DataFrame, at: Array) -> tuple[float, Array]:
    """Dispersion and coefficients in turn until neither moves: they hardly lean on each other."""
    size, low, high = np.nan, *LOG_SIZES
    for _ in range(MAX_STEPS):
        mean = np.exp(offset + x @ at)
        found = _size(n, total, mean, counts, low, high)
        at = _settle(x, n, total, offset, 1 / found, at)
        if abs(found / size - 1) < 1e-8:
            return found, at
        size = found
        low, high = np.log(found) - 0.5, np.log(found) + 0.5
    raise LeafModelError("the dispersion does not settle")


def _size(n: Array, total: Array, mean: Array, counts: pd.DataFrame, low: float, high: float) -> float:
    def slope(log_size: float) -> float:
        size = np.exp(log_size)
        seen = float(counts["n"] @ (special.digamma(counts["count"] + size) - special.digamma(size)))
        rest = n * np.log1p(-mean / (size + mean)) + n - (total + n * size) / (size + mean)
        return seen + float(rest.sum())

    while slope(low) < 0 and low > LOG_SIZES[0]:
        low -= 1
    while slope(high) > 0 and high < LOG_SIZES[1]:
        high += 1
    if slope(low) < 0:
        raise LeafModelError("the counts are too wild for a negative binomial law: a few visits hold nearly all leaves")
    if slope(high) > 0:
        return float(np.exp(high))
    return float(np.exp(optimize.brentq(slope, low, high, xtol=1e-11)))


def _se_size(size: float, n: Array, total: Array, mean: Array, counts: pd.DataFrame) -> float:
    if not np.isfinite(size):
        return np.nan
    seen = float(counts["n"] @ (special.polygamma(1, size) - special.polygamma(1, counts["count"] + size)))
    rest = float((-n / size + 2 * n / (mean + size) - (total + n * size) / (mean + size) ** 2).sum())
    return float(1 / np.sqrt(seen + rest)) if seen + rest > 0 else np.nan


def _loglik(size: float, n: Array, total: Array, mean: Array, counts: pd.DataFrame) -> float:
    count, times = counts["count"].to_numpy(dtype="float64"), counts["n"].to_numpy(dtype="float64")
    if not np.isfinite(size):
        return float((total * np.log(mean) - n * mean).sum() - times @ special.gammaln(count + 1))
    law = times @ (special.gammaln(count + size) - special.gammaln(size) - special.gammaln(count + 1))
    return float(law + (total * np.log(mean / size) - (total + n * size) * np.log1p(mean / size)).sum())


def _between(
    x: Array, mean: Array, alpha: float, cov_model: Array, sites: pd.DataFrame | None
) -> tuple[Array | None, Array | None, int]:
    """Sandwich and jackknife between sites, and the number of sites."""
    if sites is None or sites["site"].nunique() < 2:
        return None, None, 0 if sites is None else sites["site"].nunique()
    at = clusters.of_sites(sites, mean, alpha)
    jackknife = clusters.jackknife(at, x, cov_model)
    return clusters.sandwich(at, x, cov_model), steady(jackknife, cov_model, at.holders(x)), at.names
