"""Any table as a Poisson model of losses over days, for checks of the loss model's engine against published fits."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd

from plantstats.losses.design import INTERCEPT, Design, Numeric, check_rank, dummies
from plantstats.losses.likelihood import Counts, Derivatives
from plantstats.losses.newton import Fit, fit_at_variance
from plantstats.stats.clusters import sandwich


def design_of(terms: list[str], table: pd.DataFrame) -> Design:
    """The constant and a column per number or level; refused where columns carry the same information."""
    parts = [
        Numeric(name, table[name].to_numpy("float64"))
        if pd.api.types.is_numeric_dtype(table[name])
        else dummies(name, *_coded(table[name]))
        for name in terms
    ]
    design = Design((Numeric(INTERCEPT, np.ones(len(table))), *parts))
    check_rank(design)
    return design


def _coded(values: pd.Series) -> tuple[tuple[str, ...], np.ndarray]:
    codes, levels = pd.factorize(values.astype("str"), sort=True)
    return tuple(map(str, levels)), codes.astype(np.intp)


def counts_of(design: Design, losses: pd.Series, days: pd.Series, site: pd.Series | None = None) -> Counts:
    """Counts of which each row is a pattern; a site of its own where none is given."""
    rows = np.arange(len(losses))
    code = rows if site is None else pd.Categorical(site).codes.astype(np.intp)
    order = np.argsort(code, kind="stable")
    return Counts(
        design,
        code[order],
        rows[order],
        np.asarray(days, dtype="float64")[order],
        np.asarray(losses, dtype="float64")[order],
        int(code.max()) + 1,
        np.zeros(len(design.columns)),
    )


def poisson(counts: Counts) -> Fit:
    """The Poisson fit without a site effect, from the overall rate on."""
    start = np.zeros(len(counts.design.columns))
    start[0] = np.log(counts.losses.sum() / counts.plant_days.sum())
    return fit_at_variance(counts, start, 0.0)


def by_scores(counts: Counts, beta: np.ndarray) -> np.ndarray:
    """Covariance from site scores, without a small-sample factor."""
    now = Derivatives(counts, beta, 0.0)
    return sandwich(now.scores, np.linalg.inv(now.information), corrected=False)


def fitted(
    formula: str, table: pd.DataFrame, days: str, sites: str | None = None
) -> tuple[pd.Series, pd.Series, float]:
    """Coefficients, errors (by site scores, where sites are given) and deviance of "losses ~ one + another"."""
    left, right = (side.strip() for side in formula.split("~"))
    design = design_of([term.strip() for term in right.split("+") if term.strip() != "1"], table)
    counts = counts_of(design, table[left], table[days], None if sites is None else table[sites])
    fit = poisson(counts)
    cov = np.linalg.inv(fit.at.information) if sites is None else by_scores(counts, fit.beta)
    y, mean = table[left].to_numpy("float64"), table[days].to_numpy() * np.exp(design.dense() @ fit.beta)
    deviance = 2 * float(np.sum(np.where(y > 0, y * np.log(np.maximum(y, 1e-300) / mean), 0) - (y - mean)))
    return pd.Series(fit.beta, design.columns), pd.Series(np.sqrt(np.diag(cov)), design.columns), deviance


def split(lives: pd.DataFrame, cuts: list[float]) -> pd.DataFrame:
    """Lives cut at the given times, (lo, hi]; part, days, lost."""
    edges = [0.0, *cuts, np.inf]
    pieces = []
    for part, (low, high) in enumerate(itertools.pairwise(edges)):
        inside = lives[lives["time"] > low]
        pieces.append(
            inside.assign(
                part=f"p{part:02d}",
                days=np.minimum(inside["time"], high) - low,
                lost=inside["event"] * (inside["time"] <= high),
            )
        )
    return pd.concat(pieces, ignore_index=True)


def risk_sets(lives: pd.DataFrame, entry: str | None = None) -> pd.DataFrame:
    """One row per life and event time at which it was at risk (entry < time <= exit): at, lost, days (1)."""
    times = np.sort(lives.loc[lives["event"] == 1, "time"].unique())
    pairs = lives.merge(pd.DataFrame({"at": times}), how="cross")
    begins = pairs[entry] if entry else 0
    pairs = pairs[(pairs["at"] <= pairs["time"]) & (begins < pairs["at"])].reset_index(drop=True)
    lost = (pairs["at"] == pairs["time"]) & (pairs["event"] == 1)
    return pairs.assign(set=pairs["at"].map("t{:05.0f}".format), lost=lost * 1.0, days=1.0)
