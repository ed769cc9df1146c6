"""The loss model on cells against Cox regression on plant rows: 100,000 invented plants that enter late.

Run: python benchmarks/loss_model.py [plants]. Prints both times (median of three, after one warm-up), their ratio, and
the coefficients side by side. The rival is statsmodels' PHReg, Breslow ties, entry half a day later (as it counts a
plant whose entry equals another's exit as at risk there). Both fit the same 20 dummies; the cells are made inside the
clock.
"""

from __future__ import annotations

import statistics
import sys
import time

import numpy as np
import pandas as pd
from scipy import sparse
from statsmodels.duration.hazard_regression import PHReg

from plantstats.loss_model import clusters, design, likelihood

CUTS = (90, 365, 730)
FACTORS = {"species": 12, "light": 4, "pot": 4, "region": 4}
SITES = 4000
FORMULA = "lost ~ band + species + light + pot + region"


def plants(n: int, seed: int = 1) -> pd.DataFrame:
    """Invented plants: levels, site, entry and exit age in days (entry late for half), event."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({name: rng.integers(0, levels, n) for name, levels in FACTORS.items()})
    table["site"] = rng.integers(0, SITES, n)
    effect = sum(np.linspace(-0.4, 0.4, levels)[table[name]] for name, levels in FACTORS.items())
    entry = np.where(rng.random(n) < 0.5, 0, rng.integers(0, 1000, n))
    steps = np.array([0, *CUTS, np.inf])
    ratios = np.array([2.0, 1.0, 0.9, 1.1])
    target, rate = rng.exponential(size=n), 10 / 36525 * np.exp(effect)
    age, left = entry.astype(float), target.copy()
    for low, high, ratio in zip(steps[:-1], steps[1:], ratios, strict=True):
        inside = (age >= low) & (age < high) & (left > 0)
        room = (high - age) * rate * ratio
        used = np.where(inside, np.minimum(left, room), 0)
        age = np.where(inside, np.where(left <= room, age + left / (rate * ratio), high), age)
        left = np.where(inside & (left > room), left - used, np.where(inside, 0, left))
    follow = entry + rng.integers(30, 1825, n)
    exit_age = np.minimum(np.ceil(age), follow)
    event = (np.ceil(age) <= follow).astype(int)
    keep = exit_age > entry
    found = table.assign(entry=entry, exit=exit_age.astype(int), event=event)[keep].reset_index(drop=True)
    return found.assign(**{name: pd.Categorical(found[name].astype("str")) for name in FACTORS})


def on_cells(table: pd.DataFrame, clustered: bool = True) -> tuple[pd.Series, pd.Series]:
    """Split at the age cuts, add up to cells, fit; errors from site scores, or the plain ones."""
    shape = tuple(len(table[name].cat.categories) for name in FACTORS)
    code = np.ravel_multi_index([table[name].cat.codes.to_numpy("int64") for name in FACTORS], shape)
    entry, leave = table["entry"].to_numpy(), table["exit"].to_numpy()
    lost_at = np.where(table["event"].to_numpy() == 1, leave, -1)
    kinds, site = int(np.prod(shape)), table["site"].to_numpy() if clustered else np.zeros(len(table), dtype=int)
    cell, place, days, lost = [], [], [], []
    for number, (low, high) in enumerate(zip((0, *CUTS), (*CUTS, 10**6), strict=True)):
        stay = np.minimum(leave, high) - np.maximum(entry, low)
        inside = stay > 0
        cell.append(code[inside] + number * kinds)
        place.append(site[inside])
        days.append(stay[inside])
        lost.append((lost_at[inside] > low) & (lost_at[inside] <= high))
    code = np.concatenate(cell)
    # Codes are small whole numbers: counting finds those in use without sorting.
    used = np.bincount(code) > 0
    known, column = np.flatnonzero(used), np.cumsum(used) - 1
    at = (np.concatenate(place), column[code])
    size = (int(at[0].max()) + 1, len(known))
    exposure = sparse.csr_array((np.concatenate(days).astype("float64"), at), shape=size)
    losses = sparse.csr_array((np.concatenate(lost).astype("float64"), at), shape=size)
    losses.eliminate_zeros()
    levels = np.unravel_index(known % kinds, shape)
    cells = pd.DataFrame({
        name: pd.Categorical.from_codes(level, dtype=table[name].dtype)
        for name, level in zip(FACTORS, levels, strict=True)})
    cells = cells.assign(band=(known // kinds).astype(str), lost=np.asarray(losses.sum(axis=0)).ravel())
    plan = design(FORMULA, cells)
    x = plan.x.to_numpy()
    counts = likelihood.Counts(x, losses, exposure, np.zeros(x.shape[1]))
    beta = likelihood.poisson_start(counts)
    if clustered:
        covariance = clusters.sandwich(counts, beta)
    else:
        covariance = np.linalg.inv(likelihood.derivatives(counts, beta, 0.0).information)
    return pd.Series(beta, plan.x.columns), pd.Series(np.sqrt(np.diag(covariance)), plan.x.columns)


def on_plants(table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Cox regression on plant rows."""
    x = pd.get_dummies(table[list(FACTORS)], drop_first=True, dtype="float64")
    fit = PHReg(table["exit"], x, status=table["event"], entry=table["entry"] + 0.5, ties="breslow").fit()
    names = [c.replace("_", "[") + "]" for c in x.columns]
    return pd.Series(np.asarray(fit.params), names), pd.Series(np.asarray(fit.bse), names)


def clock(run, table: pd.DataFrame):
    """Median seconds of three runs after a warm-up, and the last result."""
    run(table.head(5000))
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        result = run(table)
        taken.append(time.perf_counter() - began)
    return statistics.median(taken), result


def main() -> None:
    """Print the comparison. The rival has plain errors only: its clustered ones took over five minutes here."""
    table = plants(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
    late = int((table["entry"] > 0).sum())
    print(f"{len(table):,} plants, {table['event'].sum():,} losses, {late:,} enter late, {SITES:,} sites")
    rival, (cox, cox_errors) = clock(on_plants, table)
    for clustered, words in ((True, "site-clustered errors"), (False, "plain errors")):
        seconds, (cells, errors) = clock(lambda t, c=clustered: on_cells(t, c), table)
        away = (cells.reindex(cox.index) - cox).abs()
        apart = (errors.reindex(cox.index) / cox_errors - 1).abs().max()
        print(f"{words}: cells {seconds:.3f} s, PHReg on plant rows {rival:.3f} s, ratio {rival / seconds:.1f}; "
              f"widest gap of {len(cox)} coefficients {away.max():.5f} ({away.idxmax()}), of errors {apart:.1%}")
    print(pd.DataFrame({"cells": cells.reindex(cox.index), "Cox": cox, "error": errors.reindex(cox.index),
                        "Cox error": cox_errors}).round(4).to_string())


if __name__ == "__main__":
    main()
