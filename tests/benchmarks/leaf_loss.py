"""How much faster the leaf model is on its frequency table than on the visits themselves, with the same answer.

Run from the clone: python -m tests.benchmarks.leaf_loss [PLANTS] [YEARS]. An invented company of PLANTS positions
(20,000) and YEARS (3) is made in a temporary folder. Each side starts from the same stretches in DuckDB and ends with
coefficients, dispersion and errors between sites:

- frequency table: grouping and fetching included, then `fit_leaves`;
- rows: one row per stretch to pandas, the same formula, statsmodels' NegativeBinomial (Newton), errors clustered by
  site.

Prints seconds, the ratio, and the largest difference between coefficients, dispersions and errors. On a machine that
is busy with other work set OMP_NUM_THREADS=1 for both sides.
"""

from __future__ import annotations

import gc
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import patsy
from statsmodels.discrete.discrete_model import NegativeBinomial

from plantstats import exposure, records, simulate
from plantstats import leaves as leaf_loss
from plantstats.exposure import DRY_AIR_BELOW
from plantstats.leaves import design
from plantstats.leaves.intervals import conditions

AS_OF = date(2026, 9, 30)


def on_table(leaves: leaf_loss.CountIntervals) -> leaf_loss.LeafFit:
    """The project's way, from the stretches: group, fetch, fit."""
    return leaf_loss.fit_leaves(leaf_loss.CountIntervals(leaves.engine, leaves.as_of), "green")


def on_rows(leaves: leaf_loss.CountIntervals, kept: list[str]) -> pd.DataFrame:
    """The usual way: every stretch a row. It is spared columns that tell the same as others: it fails on them."""
    rows = leaves.sql("select site_id, combination, green from leaf_used where green is not null")
    rows = rows.merge(conditions(pd.Index(rows["combination"].unique()), leaves.species), on="combination")
    rows = rows.assign(n=1, sum=rows["green"].astype("float64"))
    table = design.columns(rows, DRY_AIR_BELOW)
    formula, _ = design.formula_of(table)
    x = patsy.dmatrix(formula, table, NA_action="raise")
    names = [name.replace("[T.", "[") for name in x.design_info.column_names]
    x = np.asarray(x)[:, [names.index(name) for name in kept]]
    sites = pd.factorize(rows["site_id"])[0]
    model = NegativeBinomial(table["sum"].to_numpy(), x, exposure=table["exposure"].to_numpy(), missing="raise")
    fit = model.fit(
        method="newton", maxiter=100, disp=0, cov_type="cluster", cov_kwds={"groups": sites, "use_correction": False}
    )
    if not fit.mle_retvals["converged"]:
        raise RuntimeError("the rival did not converge")
    return pd.DataFrame({"b": fit.params, "sites": fit.bse}, index=[*kept, "alpha"])


def main(plants: int = 20_000, years: float = 3) -> None:
    """Make the company, run both sides, print."""
    with tempfile.TemporaryDirectory() as folder:
        simulate.make(Path(folder), plants=plants, years=years, seed=20)
        leaves = leaf_loss.build(exposure.build(records.load(Path(folder)), AS_OF))
        seconds = []
        for _ in range(3):
            gc.collect()
            start = time.perf_counter()
            ours = on_table(leaves)
            seconds.append(time.perf_counter() - start)
        quick = sorted(seconds)[1]
        print(
            f"{plants:,} positions, {years:g} years: {ours.fit.n:,} stretches in {len(ours.table):,} combinations, "
            f"{int(ours.fit.kept.sum())} coefficients, {ours.fit.n_clusters} sites",
            flush=True,
        )
        print(
            f"frequency table  {quick:8.2f} s  (median of {len(seconds)}; {min(seconds):.2f} to {max(seconds):.2f})",
            flush=True,
        )
        kept = list(ours.fit.params.index[ours.fit.kept])
        gc.collect()
        start = time.perf_counter()
        rows = on_rows(leaves, kept)
        slow = time.perf_counter() - start
        print(f"rows             {slow:8.2f} s  (1 run)")
        print(f"ratio            {slow / quick:8.1f}")
        between = np.sqrt(np.diag(ours.fit.cov_sandwich) * (ours.fit.n_clusters - 1) / ours.fit.n_clusters)
        print(
            f"largest difference: coefficients {(ours.fit.params[kept] - rows.loc[kept, 'b']).abs().max():.1e}; "
            f"dispersion {ours.fit.alpha:.6f} and {rows.loc['alpha', 'b']:.6f}; "
            f"errors between sites {np.abs(between / rows.loc[kept, 'sites'] - 1).max():.1e} of each"
        )
        print("(errors: statsmodels takes the observed information, this project the expected, as R's sandwich does)")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
