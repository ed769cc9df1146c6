"""The loss model on cells against Cox regression on plant rows: 100,000 invented plants that enter late.

Run: python benchmarks/loss_model.py [plants]. Prints two comparisons, each with both times, their ratio, and the widest
gap between coefficients; then the coefficients side by side.

- like for like, errors that allow for sites: `loss_model.fit` as the pages call it (site effect learned, errors from
  leaving out each site), cells made inside the clock, against PHReg with errors clustered by site (one run each: the
  rival takes minutes);
- plain errors: the Poisson model alone, cells made inside the clock, against PHReg (median of three, after a warm-up).

The rival is statsmodels' PHReg, Breslow ties, entry half a day later (as it counts a plant whose entry equals another's
exit as at risk there). All fit the same 20 dummies.
"""

from __future__ import annotations

import statistics
import sys
import time
from functools import partial

import numpy as np
import pandas as pd
from scipy import sparse
from statsmodels.duration.hazard_regression import PHReg

from plantstats.losses import design, fit, likelihood

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


def on_cells(table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Split at the age cuts, add up to cells, fit the Poisson model; plain errors."""
    shape = tuple(len(table[name].cat.categories) for name in FACTORS)
    code = np.ravel_multi_index([table[name].cat.codes.to_numpy("int64") for name in FACTORS], shape)
    entry, leave = table["entry"].to_numpy(), table["exit"].to_numpy()
    lost_at = np.where(table["event"].to_numpy() == 1, leave, -1)
    kinds, site = int(np.prod(shape)), np.zeros(len(table), dtype=int)
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
    cells = pd.DataFrame(
        {
            name: pd.Categorical.from_codes(level, dtype=table[name].dtype)
            for name, level in zip(FACTORS, levels, strict=True)
        }
    )
    cells = cells.assign(band=(known // kinds).astype(str), lost=np.asarray(losses.sum(axis=0)).ravel())
    plan = design(FORMULA, cells)
    x = plan.x.to_numpy()
    counts = likelihood.Counts(x, losses, exposure, np.zeros(x.shape[1]))
    beta = likelihood.poisson_start(counts)
    covariance = np.linalg.inv(likelihood.derivatives(counts, beta, 0.0).information)
    return pd.Series(beta, plan.x.columns), pd.Series(np.sqrt(np.diag(covariance)), plan.x.columns)


def as_the_pages_do(table: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Split at the age cuts, add up to cells as plant-time gives them, and `loss_model.fit`."""
    parts = []
    for low, high in zip((0, *CUTS), (*CUTS, 10**6), strict=True):
        stay = np.minimum(table["exit"], high) - np.maximum(table["entry"], low)
        lost = table["event"].eq(1) & table["exit"].gt(low) & table["exit"].le(high)
        part = table[["site", *FACTORS]].assign(band=str(low), plant_days=stay, losses=lost.astype(int))
        parts.append(part[stay > 0])
    by = ["site", *FACTORS, "band"]
    cells = pd.concat(parts).groupby(by, observed=True, as_index=False)[["plant_days", "losses"]].sum()
    # The invented species stand in a column that the model takes as it is, so that nothing draws them in.
    cells = cells.rename(columns={"site": "site_id", "band": "age_band", "region": "planter", "species": "moved"})
    cells = cells.assign(
        species="Ficus lyrata",
        month=pd.Timestamp("2026-01-01"),
        heating=True,
        repotted="never",
        rh_band="missing",
        rh_tenths=0,
        rh_readings=0,
    )
    model = fit(cells, formula="losses ~ age_band + light + pot + planter + moved", prior=0)
    names = [name.replace("planter", "region").replace("moved", "species") for name in model.names]
    # Against the first level of each factor, as the rival does.
    beta, wide = pd.Series(model.beta, names), pd.DataFrame(model.covariance, names, names)
    told, errors = {}, {}
    for factor, levels in FACTORS.items():
        for level in range(1, levels):
            row = pd.Series(0.0, names)
            for name, sign in ((f"{factor}[{level}]", 1), (f"{factor}[0]", -1)):
                if name in row:
                    row[name] = sign
            told[f"{factor}[{level}]"], errors[f"{factor}[{level}]"] = row @ beta, np.sqrt(row @ wide @ row)
    return pd.Series(told), pd.Series(errors)


def on_plants(table: pd.DataFrame, clustered: bool = False) -> tuple[pd.Series, pd.Series]:
    """Cox regression on plant rows."""
    x = pd.get_dummies(table[list(FACTORS)], drop_first=True, dtype="float64")
    model = PHReg(table["exit"], x, status=table["event"], entry=table["entry"] + 0.5, ties="breslow")
    done = model.fit(groups=table["site"].to_numpy()) if clustered else model.fit()
    names = [c.replace("_", "[") + "]" for c in x.columns]
    return pd.Series(np.asarray(done.params), names), pd.Series(np.asarray(done.bse), names)


def clock(run, table: pd.DataFrame, times: int = 3):
    """Median seconds of some runs after a warm-up, and the last result."""
    run(table.head(5000))
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        result = run(table)
        taken.append(time.perf_counter() - began)
    return statistics.median(taken), result


def main() -> None:
    """Print the comparisons."""
    table = plants(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
    late = int((table["entry"] > 0).sum())
    print(f"{len(table):,} plants, {table['event'].sum():,} losses, {late:,} enter late, {SITES:,} sites", flush=True)
    shown = {}
    for words, ours, rival, times in (
        ("plain errors, Poisson on cells", on_cells, on_plants, 3),
        ("errors that allow for sites, fit as the pages do", as_the_pages_do, partial(on_plants, clustered=True), 1),
    ):
        quick, (cells, errors) = clock(ours, table)
        slow, (cox, cox_errors) = clock(rival, table, times)
        away, apart = (cells.reindex(cox.index) - cox).abs(), (errors.reindex(cox.index) / cox_errors - 1).abs().max()
        print(
            f"{words}: {quick:.3f} s, PHReg on plant rows {slow:.3f} s, ratio {slow / quick:.1f}; widest gap of "
            f"{len(cox)} coefficients {away.max():.5f} ({away.idxmax()}), of errors {apart:.1%}",
            flush=True,
        )
        shown |= {words: cells.reindex(cox.index), f"Cox: {words}": cox}
    print(pd.DataFrame(shown).round(4).to_string())


if __name__ == "__main__":
    main()
