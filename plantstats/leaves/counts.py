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

from plantstats.errors import PlantstatsError
from plantstats.leaves import clusters
from plantstats.leaves.between import Between, Within, between
from plantstats.leaves.clusters import Array
from plantstats.stats.clusters import floor_at_model_se, sandwich

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


class LeafModelError(PlantstatsError, ValueError):
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


@dataclass(frozen=True)
class Seen:
    """What was counted, by row of the table of conditions, and how often each count occurred."""

    x: Array
    offset: Array
    n: Array  # counts
    total: Array  # leaves in them
    squares: Array
    counts: pd.DataFrame  # count, n
    between: Between  # cells known only between two numbers

    def filled(self, mean: Array, size: float) -> Filled:
        """The same with each cell between two numbers as what it may have been at a fit."""
        found, rows = self.between.within(mean, size), len(mean)
        if not len(self.between.n):
            return Filled(self.n, self.total, self.squares, found)
        return Filled(
            self.n + self.between.added(np.ones(len(self.between.n)), rows),
            self.total + self.between.added(found.mean, rows),
            self.squares + self.between.added(found.variance + found.mean**2, rows),
            found,
        )


@dataclass(frozen=True)
class Filled:
    """Number, sum and sum of squares by row with cells between two numbers as what they may have been."""

    n: Array
    total: Array
    squares: Array
    found: Within


def fit_counts(
    table: pd.DataFrame,
    counts: pd.DataFrame,
    formula: str,
    sites: pd.DataFrame | None = None,
    family: str = NEGATIVE_BINOMIAL,
    words: pd.DataFrame | None = None,
) -> CountFit:
    """Fit log(mean count / exposure) as a sum of terms.

    Takes:  table: one row per combination: n (counts), sum, squares (sum of squared counts), exposure (of one
            count), and the columns of the formula; counts: count, n (how often it occurred); formula: right
            side, names are columns of the table; sites: site, row (position in the table), n, sum: the same
            counts by site, for errors that allow sites to differ; family: "Poisson" forgoes the dispersion;
            words: counts known only between two numbers: site, row, least, most, n.
    Gives:  CountFit. Poisson where counts are no more spread than chance makes them, and the reason.
    Raises: LeafModelError for an empty table, no leaf at all, exposure that is not above 0, missing values, and
            fits that do not settle.
    Source: negative binomial with variance mean + alpha mean^2, dispersion by maximum likelihood: Venables and
            Ripley 2002, section 7.4; errors between sites: see `clusters`; words: see `between`.
    """
    _check(table, counts, words)
    made = patsy.dmatrix(formula, table, eval_env=patsy.EvalEnvironment([{}]), NA_action="raise")
    info, whole = made.design_info, np.asarray(made, dtype="float64")
    n, total, squares, exposure = (table[c].to_numpy(dtype="float64") for c in ("n", "sum", "squares", "exposure"))
    vague = between(words)
    both = n + vague.added(np.ones(len(vague.n)), len(n))
    kept = _own(whole, both)
    x = whole if kept.all() else np.ascontiguousarray(whole[:, kept])
    seen = Seen(x, np.log(exposure), n, total, squares, counts, vague)
    # Words stand for the least that they may mean only to have a place to start from.
    least = total + vague.added(np.maximum(vague.kinds["least"].to_numpy(dtype="float64"), 0.5), len(n))
    at = _settle(seen, 0.0, _start(x, both, least, exposure))
    mean = np.exp(seen.offset + x @ at)
    filled = seen.filled(mean, np.inf)
    pearson = float(((filled.squares - 2 * mean * filled.total + both * mean**2) / mean).sum())
    freedom = float(both.sum()) - x.shape[1]
    # Slope of the log likelihood at no dispersion.
    excess = float((filled.squares - 2 * mean * filled.total + both * mean**2 - filled.total).sum()) / 2
    size = np.inf
    if family == POISSON:
        why = "asked for"
    elif freedom <= 0:
        why = "as many terms as counts: the dispersion cannot be estimated"
    elif excess <= 0:
        why = "the counts are no more spread than chance makes them"
    else:
        why = "the counts are more spread than chance makes them"
        size, at = _with_size(seen, at)
        mean = np.exp(seen.offset + x @ at)
    alpha = 1 / size
    filled = seen.filled(mean, size)
    information = _information(seen, filled, mean, alpha)
    cov_model: Array = np.asarray(np.linalg.inv(information), dtype="float64")
    params = np.full(len(kept), np.nan)
    params[kept] = at
    if not (np.all(np.isfinite(at)) and np.all(np.isfinite(cov_model))):
        raise LeafModelError("the fit is not finite: fewer terms, or more leaves, are needed")
    names = [name.replace("[T.", "[") for name in info.column_names]
    by_site, jackknife, number = _between_sites(seen, filled, mean, alpha, cov_model, sites)
    return CountFit(
        formula,
        info,
        pd.Series(params, names),
        kept,
        information,
        cov_model,
        by_site,
        jackknife,
        number,
        NEGATIVE_BINOMIAL if alpha > 0 else POISSON,
        float(alpha),
        _se_size(size, seen, mean),
        pearson / freedom if freedom > 0 else np.nan,
        _loglik(size, seen, filled.found, mean),
        int(both.sum()),
        mean,
        why,
    )


def design_of(info: patsy.DesignInfo, table: pd.DataFrame) -> Array:
    """The columns of a fitted formula for other rows. Raises: LeafModelError for levels that it does not know."""
    try:
        return np.asarray(patsy.dmatrix(info, table, NA_action="raise"), dtype="float64")
    except patsy.PatsyError as error:
        raise LeafModelError(f"the model cannot be asked this: {error}") from error


def _check(table: pd.DataFrame, counts: pd.DataFrame, words: pd.DataFrame | None) -> None:
    faults = []
    stretches, leaves = int(table["n"].sum()), int(table["sum"].sum())
    if words is not None:
        stretches, leaves = stretches + int(words["n"].sum()), leaves + int((words["n"] * words["least"]).sum())
    if table.empty or stretches == 0:
        faults.append("no stretch with a count")
    elif leaves == 0:
        faults.append(f"not one leaf in {stretches:,} stretches: a rate has an upper limit, but no model")
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


def _information(seen: Seen, filled: Filled, mean: Array, alpha: float) -> Array:
    counted = seen.n * mean / (1 + alpha * mean)
    told = seen.between.information(filled.found, mean, alpha)
    return _weighted_gram(seen.x, counted + seen.between.added(told, len(mean)))


def _weighted_gram(x: Array, weight: Array) -> Array:
    """Cross products of the columns, block by block, so that each block stays in the processor's cache."""
    root, total = np.sqrt(weight), np.zeros((x.shape[1], x.shape[1]))
    for start in range(0, len(x), BLOCK):
        part = x[start : start + BLOCK] * root[start : start + BLOCK, None]
        total += part.T @ part
    return total


def _fitness(seen: Seen, alpha: float, at: Array) -> float:
    eta = seen.offset + seen.x @ at
    if np.max(eta) > 300:
        return -np.inf
    mean = np.exp(eta)
    loss = seen.n * mean if alpha == 0 else (seen.total + seen.n / alpha) * np.log1p(alpha * mean)
    found = seen.between.within(mean, np.inf if alpha == 0 else 1 / alpha)
    return float((seen.total * eta - loss).sum() + seen.between.n @ found.log_chance)


def _settle(seen: Seen, alpha: float, at: Array) -> Array:
    """Fisher scoring at a given dispersion, from where the last one left off.

    The information is the dear part, so it is kept for as long as steps with it shrink fast. statsmodels' GLM comes to
    the same answer (tested), from scratch at each dispersion.
    """
    best, information, last = _fitness(seen, alpha, at), None, np.inf
    for _ in range(MAX_STEPS):
        mean = np.exp(seen.offset + seen.x @ at)
        filled = seen.filled(mean, np.inf if alpha == 0 else 1 / alpha)
        slope = seen.x.T @ ((filled.total - filled.n * mean) / (1 + alpha * mean))
        if information is None:
            information = _information(seen, filled, mean, alpha)
        step = np.linalg.solve(information, slope)
        length = float(np.max(np.abs(step)))
        if length < TOLERANCE:
            return at + step
        size = 1.0
        while (now := _fitness(seen, alpha, at + size * step)) < best - 1e-9 * abs(best):
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


def _with_size(seen: Seen, at: Array) -> tuple[float, Array]:
    """Dispersion and coefficients in turn until neither moves: they hardly lean on each other."""
    size, low, high = np.nan, *LOG_SIZES
    for _ in range(MAX_STEPS):
        mean = np.exp(seen.offset + seen.x @ at)
        found = _size(seen, mean, low, high)
        at = _settle(seen, 1 / found, at)
        if abs(found / size - 1) < 1e-8:
            return found, at
        size = found
        low, high = np.log(found) - 0.5, np.log(found) + 0.5
    raise LeafModelError("the dispersion does not settle")


def _slope_of_size(size: float, seen: Seen, mean: Array) -> float:
    """Slope of the log likelihood in the size, the means held."""
    filled, counts = seen.filled(mean, size), seen.counts
    told = float(counts["n"] @ (special.digamma(counts["count"] + size) - special.digamma(size)))
    told += float(seen.between.n @ filled.found.digamma)
    n, total = filled.n, filled.total
    return told + float((n * np.log1p(-mean / (size + mean)) + n - (total + n * size) / (size + mean)).sum())


def _size(seen: Seen, mean: Array, low: float, high: float) -> float:
    def slope(log_size: float) -> float:
        return _slope_of_size(float(np.exp(log_size)), seen, mean)

    while slope(low) < 0 and low > LOG_SIZES[0]:
        low -= 1
    while slope(high) > 0 and high < LOG_SIZES[1]:
        high += 1
    if slope(low) < 0:
        raise LeafModelError("the counts are too wild for a negative binomial law: a few visits hold nearly all leaves")
    if slope(high) > 0:
        return float(np.exp(high))
    return float(np.exp(optimize.brentq(slope, low, high, xtol=1e-11)))


def _se_size(size: float, seen: Seen, mean: Array) -> float:
    if not np.isfinite(size):
        return np.nan
    step = 1e-4 * size
    told = (_slope_of_size(size - step, seen, mean) - _slope_of_size(size + step, seen, mean)) / (2 * step)
    return float(1 / np.sqrt(told)) if told > 0 else np.nan


def _loglik(size: float, seen: Seen, found: Within, mean: Array) -> float:
    count, times = (seen.counts[name].to_numpy(dtype="float64") for name in ("count", "n"))
    n, total = seen.n, seen.total
    vague = float(seen.between.n @ found.log_chance)
    if not np.isfinite(size):
        return float((total * np.log(mean) - n * mean).sum() - times @ special.gammaln(count + 1)) + vague
    law = times @ (special.gammaln(count + size) - special.gammaln(size) - special.gammaln(count + 1))
    return float(law + (total * np.log(mean / size) - (total + n * size) * np.log1p(mean / size)).sum()) + vague


def _between_sites(
    seen: Seen, filled: Filled, mean: Array, alpha: float, cov_model: Array, sites: pd.DataFrame | None
) -> tuple[Array | None, Array | None, int]:
    """Sandwich and jackknife between sites, and the number of sites."""
    if sites is None:
        return None, None, 0
    at = clusters.of_sites(sites, mean, alpha, seen.between, filled.found)
    if at.names < 2:
        return None, None, at.names
    scores = at.scores(seen.x)
    jackknife = clusters.jackknife(at, scores, seen.x, cov_model)
    of_sites = floor_at_model_se(jackknife, cov_model, at.holders(seen.x))
    return sandwich(scores, cov_model), of_sites, at.names
